"""Canopy model ``profile``: leaf-area weights in slices, in routes, and from files."""

from __future__ import annotations

import dataclasses

import geopandas as gpd
import numpy as np
import pandas as pd
import pyogrio
import pytest
import shapely

from geotrim.cli import main
from geotrim.core.calibration import CorrectedHeights
from geotrim.errors import FileError, LayerError, RangeError, SiteFileError
from geotrim.io.layers import write_layer
from geotrim.io.site_file import read_site, site_from_tables
from geotrim.io.site_profiles import profiles_table
from geotrim.model import CanopyGrid
from geotrim.ops.canopy import heights_and_slices, slices
from geotrim.ops.chain import measure
from geotrim.ops.profile_model import ProfileModel
from tests import sites
from tests.test_canopy import FT2, SQUARE, flat, trees
from tests.test_route import PROFESSIONAL, lot_site, routed, tree

#: A profile by hand: a fifth of the leaves at 2-4 ft, half at 6-8 ft, the rest at 8-12 ft.
BY_HAND = [(2.0, 4.0, 0.2), (4.0, 6.0, 0.0), (6.0, 8.0, 0.5), (8.0, 12.0, 0.3)]
SHARES = ["share_under_frac", "share_band_frac", "share_over_frac"]


def layers(**crowns):
    """A table of profiles: crown -> (low, high, weight) of each layer."""
    rows = [(name, *layer, False) for name, own in crowns.items() for layer in own]
    return pd.DataFrame(rows, columns=["crown_id", "low_ft", "high_ft", "weight_frac", "is_capped"])


def even(top_ft, layer_ft=2.0):
    edges = np.arange(0.0, top_ft, layer_ft)
    return [(low, low + layer_ft, 1.0 / len(edges)) for low in edges]


def told(result, level=None):
    return " ".join(str(n) for n in result.notes if level in (None, n.level))


# --- the model in slices


def test_shares_of_a_profile_by_hand():
    """Of 100 square map units 12 ft high, 6-10 ft gets 0.5 and half of the 0.3 above 8 ft."""
    result = slices(
        trees(SQUARE),
        flat(12),
        profiles=layers(c1=BY_HAND),
        canopy_model="profile",
        target_height_ft=9.0,
        breaks_ft=[0, 3, 7, 9, 20],
    )
    row = result["slices"].iloc[0]
    assert row["canopy_model"] == "profile" == result.parameters["canopy_model"]
    assert row[SHARES].tolist() == pytest.approx([0.2, 0.65, 0.15])
    assert row["volume_ft3"] == pytest.approx(1200 * FT2)
    assert row["volume_band_ft3"] == pytest.approx(0.65 * 1200 * FT2)
    assert row["volume_under_ft3"] == pytest.approx(0.2 * 1200 * FT2)
    assert row["volume_over_ft3"] == pytest.approx(0.15 * 1200 * FT2)
    assert row["crown_base_ft"] == 2.0
    assert row["share_above_target_frac"] == pytest.approx(0.225)
    assert row["volume_above_target_ft3"] == pytest.approx(0.225 * 1200 * FT2)
    bands = result["slice_bands"]
    assert bands["share_frac"].tolist() == pytest.approx([0.1, 0.35, 0.325, 0.225])
    assert bands["volume_ft3"].sum() == pytest.approx(1200 * FT2)
    assert "spread by these shares" in told(result, "info")
    assert told(result, "assumed") == ""


def test_an_even_profile_is_the_column():
    """Leaves spread evenly from the substrate to a flat top: every figure is the column's."""
    how = {"breaks_ft": [0, 5, 11, 30], "target_height_ft": 9.0}
    crowns, source = trees(SQUARE, shapely.box(20, 20, 23, 27)), flat(16)
    column = slices(crowns, source, **how)
    profile = slices(
        crowns,
        source,
        profiles=layers(c1=even(16), c2=even(16, 4.0)),
        canopy_model="profile",
        **how,
    )
    for name in ("slices", "slice_bands"):
        mine = profile[name].drop(columns="canopy_model", errors="ignore")
        theirs = column[name].drop(columns="canopy_model", errors="ignore")
        pd.testing.assert_frame_equal(mine, theirs, rtol=1e-9)


def test_a_crown_without_a_profile_is_told_and_not_guessed():
    crowns = trees(SQUARE, shapely.box(20, 20, 25, 25))
    result = slices(
        crowns,
        flat(12),
        profiles=layers(c2=BY_HAND, other=even(8)),
        canopy_model="profile",
        target_height_ft=9.0,
        breaks_ft=[0, 4, 8],
    )
    first, second = (result["slices"].iloc[i] for i in (0, 1))
    measured = [c for c in first.index if c.startswith(("volume", "share")) or c == "crown_base_ft"]
    assert first[measured].isna().all() and second[measured].notna().all()
    assert result["slice_bands"]["volume_ft3"].isna().tolist() == [True] * 2 + [False] * 2
    assert "1 crown (c1): no profile, so no volume under this model" in told(result, "missing")


def test_each_crown_has_its_own_target():
    crowns = trees(SQUARE, SQUARE, SQUARE, target_height_ft=[7.0, np.nan, 20.0])
    table = slices(
        crowns,
        flat(12),
        profiles=layers(c1=BY_HAND, c2=BY_HAND, c3=BY_HAND),
        canopy_model="profile",
    )["slices"]
    share = table["share_above_target_frac"]
    assert share[[0, 2]].tolist() == pytest.approx([0.55, 0.0]) and np.isnan(share[1])
    assert table["volume_above_target_ft3"].isna().tolist() == [False, True, False]


def test_without_profiles_the_model_is_refused():
    with pytest.raises(RangeError, match="geotrim prepare profiles") as raised:
        slices(trees(SQUARE), flat(12), canopy_model="profile")
    assert "canopy_model 'profile': found no profiles" in str(raised.value)


def test_profiles_are_not_used_unless_asked_for():
    plain, given = (slices(trees(SQUARE), flat(12), profiles=p) for p in (None, layers(c1=BY_HAND)))
    pd.testing.assert_frame_equal(plain["slices"], given["slices"])


@pytest.mark.parametrize(
    ("top", "is_told"), [(12.0, False), (15.0, False), (15.1, True), (5.0, False), (4.9, True)]
)
def test_tops_that_do_not_agree_are_told(top, is_told):
    """The highest layer is 8-12 ft; 3 ft over or under it is told (common practice, no source)."""
    result = slices(trees(SQUARE), flat(top), profiles=layers(c1=BY_HAND), canopy_model="profile")
    assert ("1 crown (c1): top of the heights and of the profile" in told(result)) == is_told


def test_layers_nothing_came_through_are_told():
    profiles = layers(c1=BY_HAND, c2=BY_HAND)
    profiles.loc[4, "is_capped"] = True
    result = slices(trees(SQUARE, SQUARE), flat(12), profiles=profiles, canopy_model="profile")
    assert "1 crown (c2): no pulse was seen to come through the lowest layer" in told(result)


def test_a_base_of_ones_own_changes_no_share():
    crowns = trees(SQUARE, base_height_ft=[7.0])
    result = slices(crowns, flat(12), profiles=layers(c1=BY_HAND), canopy_model="profile")
    assert result["slices"][SHARES].iloc[0].tolist() == pytest.approx([0.2, 0.65, 0.15])
    assert "base is not used for shares" in told(result)
    bare = slices(trees(SQUARE), flat(12), profiles=layers(c1=BY_HAND), canopy_model="profile")
    assert "base is not used" not in told(bare)


def test_a_crown_seen_in_part_keeps_its_shares_of_what_was_seen():
    half = shapely.box(-5, 4, 5, 14)  # half of it west of the raster
    row = slices(trees(half), flat(12), profiles=layers(c1=BY_HAND), canopy_model="profile")
    row = row["slices"].iloc[0]
    assert row["is_partial"] and row["volume_ft3"] == pytest.approx(600 * FT2)
    assert row["share_band_frac"] == pytest.approx(0.65)


def test_both_at_once_say_the_same():
    how = {"target_height_ft": 9.0, "canopy_model": "profile", "breaks_ft": [0, 6, 20]}
    crowns, profiles = trees(SQUARE), layers(c1=BY_HAND)
    _, both = heights_and_slices(crowns, flat(12), profiles=profiles, **how)
    alone = slices(crowns, flat(12), profiles=profiles, **how)
    for name in ("slices", "slice_bands"):
        pd.testing.assert_frame_equal(both[name], alone[name])


def test_no_crowns_is_a_result():
    result = slices(trees(), flat(12), profiles=layers(c1=BY_HAND), canopy_model="profile")
    assert len(result["slices"]) == 0


def test_heights_that_are_shifted_take_the_profile_along():
    """A raster lowered by 1 ft: what it calls 9 ft the profile calls 10 ft."""
    crowns, profiles = trees(SQUARE), layers(c1=BY_HAND)
    plain, moved = ProfileModel(crowns, profiles), ProfileModel(crowns, profiles, 1.0)
    assert moved.above(9.0) == plain.above(10.0)
    assert moved.base_ft[0] == 1.0 and moved.above(0.0)[0] == 1.0
    assert ProfileModel(crowns, profiles, 3.0).base_ft[0] == 0.0
    assert ProfileModel(crowns, profiles, 5.0).above(0.0)[0] == 1.0
    assert moved.is_far_from(np.array([14.1]))[0] and not moved.is_far_from(np.array([13.9]))[0]


def test_a_correction_of_the_heights_goes_through_slices():
    """12 ft lowered by 1 ft: 6-10 ft is 7-11 ft of the profile, 0.25 and 0.225 of its leaves."""
    source = CorrectedHeights(flat(12), 1.0, 0.5)
    result = slices(trees(SQUARE), source, profiles=layers(c1=BY_HAND), canopy_model="profile")
    row = result["slices"].iloc[0]
    assert row["volume_ft3"] == pytest.approx(1100 * FT2)
    assert row["share_band_frac"] == pytest.approx(0.475)
    assert row["crown_base_ft"] == 1.0
    assert "profiles are moved by as much as the heights" in told(result, "assumed")


def test_no_height_is_no_volume_and_nothing_is_said_of_a_base():
    """The base of a profile over a top of 1 ft is told as tops that differ, or not at all."""
    for top, words in ((1.0, ""), (0.0, "1 crown (c1): no volume, so undefined shares")):
        result = slices(
            trees(SQUARE),
            flat(top),
            profiles=layers(c1=[(2.0, 4.0, 1.0)]),
            canopy_model="profile",
        )
        assert "base at or over the top" not in told(result) and words in told(result)


@pytest.mark.parametrize(
    ("column", "value"), [("weight_frac", -1.0), ("high_ft", 1.0), ("low_ft", 3.9)]
)
def test_layers_that_cannot_be_are_refused(column, value):
    profiles = layers(c1=BY_HAND)
    profiles.loc[1, column] = value
    with pytest.raises(RangeError, match="layers of crown 1"):
        slices(trees(SQUARE), flat(12), profiles=profiles, canopy_model="profile")
    with pytest.raises(LayerError, match="no column weight_frac"):
        slices(
            trees(SQUARE),
            flat(12),
            profiles=profiles.drop(columns="weight_frac"),
            canopy_model="profile",
        )


# --- in a route


def test_a_route_counts_leaves_by_the_profile():
    """20 ft, to be left at 16 ft, a professional at work: 25 % a year may come off (M-21 (3)).

    By the column a fifth of the crown is above 16 ft; by a top-heavy profile nine tenths.
    """
    site = lot_site([(20, 5)], [20.0], facts=PROFESSIONAL, target=16.0)
    options = {"target_height_ft": 16.0, "canopy_model": "profile"}
    for weights, removed in ((even(20.0), 0.2), ([(2, 16, 0.1), (16, 20, 0.9)], 0.9)):
        found = routed(dataclasses.replace(site, profiles=layers(t0=weights), options=options))
        assert tree(found, "t0")["removed_frac"] == pytest.approx(removed)


def test_a_profile_tells_where_the_leaves_begin():
    """Without a measured base nothing is open; a profile's lowest leaves settle it."""
    site = lot_site([(20, 5)], [9.0])
    site = dataclasses.replace(site, crowns=site.crowns.assign(base_height_ft=np.nan))
    assert tree(routed(site), "t0")["owner_exemption"] == "depends"
    options = {"target_height_ft": 6.0, "canopy_model": "profile"}
    for base, standing in ((2.0, "open"), (7.0, "closed")):
        profiles = layers(t0=[(base, 8.0, 0.5), (8.0, 9.0, 0.5)])
        found = routed(dataclasses.replace(site, profiles=profiles, options=options))
        assert tree(found, "t0")["owner_exemption"] == standing
    own = dataclasses.replace(
        site, crowns=site.crowns.assign(base_height_ft=1.0), profiles=profiles, options=options
    )
    assert tree(routed(own), "t0")["owner_exemption"] == "open"  # measured goes first


TOP_HEAVY = [(2, 16, 0.1), (16, 20, 0.9)]
BY_PROFILE = {"target_height_ft": 16.0, "canopy_model": "profile"}


def stages_of(found, crown):
    rows = found["findings"]
    mine = rows[(rows["crown_id"] == crown) & (rows["rule_id"] == "professional-stages")]
    return mine["verdict"].iloc[0]


@pytest.mark.parametrize("base", [1.0, np.nan])
def test_nothing_stands_in_for_a_profile_that_is_missing(base):
    """Of twins of 20 ft left at 16 ft, the one with a profile loses 0.9 of its leaves.

    Spread evenly from 1 ft up the other would lose 4 / 19 = 0.21, under the quarter a year.
    """
    site = lot_site([(20, 5), (60, 5)], [20.0, 20.0], facts=PROFESSIONAL, target=16.0)
    site = dataclasses.replace(site, crowns=site.crowns.assign(base_height_ft=base))
    found = routed(dataclasses.replace(site, profiles=layers(t0=TOP_HEAVY), options=BY_PROFILE))
    assert tree(found, "t0")["removed_frac"] == pytest.approx(0.9)
    assert np.isnan(tree(found, "t1")["removed_frac"])
    assert pd.isna(tree(found, "t1")["n_stage_years"])
    assert (stages_of(found, "t0"), stages_of(found, "t1")) == ("not met", "unknown")
    assert "1 have no profile (t1); what share of their leaves" in told(found, "missing")
    assert "down to the substrate" not in told(found)


def test_what_needs_no_profile_is_known_without_one():
    """A cut below the lowest foliage takes all; a tree lower than it is to be left loses none."""
    site = lot_site(
        [(20, 5), (60, 5), (80, 5)], [20.0, 20.0, 12.0], facts=PROFESSIONAL, target=16.0
    )
    site = dataclasses.replace(site, crowns=site.crowns.assign(base_height_ft=[1.0, 17.0, 1.0]))
    found = routed(dataclasses.replace(site, profiles=layers(t0=TOP_HEAVY), options=BY_PROFILE))
    assert tree(found, "t1")["removed_frac"] == 1.0 and tree(found, "t2")["removed_frac"] == 0.0
    assert "no profile (" not in told(found)


def test_a_crown_seen_in_part_with_a_field_height_is_told():
    """Its raster top is no top, so nobody knows how far up its profile ends."""
    site = lot_site([(20, 5)], [20.0], facts=PROFESSIONAL, target=16.0)
    grid = site.heights
    cells = grid.height_ft.copy()
    seen = np.argwhere(cells == 20.0)
    row, col = seen[len(seen) // 2 + 6]  # in the middle
    cells[row, col] = np.nan
    site = dataclasses.replace(
        site,
        heights=dataclasses.replace(grid, height_ft=cells),
        crowns=site.crowns.assign(field_height_ft=[20.0]),
        profiles=layers(t0=TOP_HEAVY),
        options=BY_PROFILE,
    )
    found = routed(site)
    assert np.isnan(tree(found, "t0")["removed_frac"]) and stages_of(found, "t0") == "unknown"
    assert "1 were not seen whole by the raster (t0)" in told(found, "missing")


@pytest.mark.parametrize(
    ("field", "target", "removed"),
    [
        (18.0, 16.0, 0.9),  # lower: the leaves stay where they are
        (22.0, 18.0, 0.9),  # taller: moved up by 2 ft, so what was over 16 ft
        (22.0, 20.0, 0.45),  # by the raster nothing is over 20 ft
        (20.0, 18.0, 0.45),
        (15.0, 16.0, 0.0),
    ],
)
def test_a_field_height_moves_the_profile_to_the_side_that_takes_more(field, target, removed):
    """Nine tenths of the leaves lie evenly from 16 to 20 ft of a raster's 20 ft, by hand."""
    site = lot_site([(20, 5)], [20.0], facts=PROFESSIONAL, target=target)
    options = BY_PROFILE | {"target_height_ft": target}
    site = dataclasses.replace(site, profiles=layers(t0=TOP_HEAVY), options=options)
    crowns = site.crowns.assign(base_height_ft=np.nan, field_height_ft=[field])
    found = routed(dataclasses.replace(site, crowns=crowns))
    assert tree(found, "t0")["removed_frac"] == pytest.approx(removed)
    assert ("1 measured in the field at another height" in told(found)) == (field != 20.0)


def test_each_tree_of_a_lot_has_its_own_profile():
    """A tree on no lot comes first; the second, 22 ft by the field, loses what is over 18 ft."""
    site = lot_site([(190, 5), (20, 5)], [20.0, 20.0], facts=PROFESSIONAL, target=20.0)
    site = dataclasses.replace(
        site,
        crowns=site.crowns.assign(field_height_ft=[np.nan, 22.0]),
        profiles=layers(t0=even(20.0), t1=TOP_HEAVY),
        options=BY_PROFILE | {"target_height_ft": 20.0},
    )
    found = routed(site)
    assert found["tree_outcomes"]["crown_id"].tolist() == ["t1"]
    assert tree(found, "t1")["removed_frac"] == pytest.approx(0.45)


def test_ground_that_reads_high_takes_the_profile_along():
    """20 + 1.125 ft (A-04) left at 16 ft: what the profile has over 14.875 ft, 0.9 + 0.1 / 14 x."""
    site = lot_site([(20, 5), (60, 5)], [20.0, 20.0], facts=PROFESSIONAL, target=16.0)
    options = BY_PROFILE | {"substrate_reading": "ground-reads-high"}
    found = routed(dataclasses.replace(site, profiles=layers(t0=TOP_HEAVY), options=options))
    assert tree(found, "t0")["removed_frac"] == pytest.approx(0.9 + 0.1 * 1.125 / 14.0)
    assert np.isnan(tree(found, "t1")["removed_frac"])


def test_a_correction_by_sticks_moves_the_profile_of_a_field_height_too():
    """Sticks show the raster 1 ft low, so 19 reads 20 and the profile's 15 ft is 16 ft.

    Field 21 ft, 1 ft more: left at 16 ft, what the profile has over 14 ft goes.
    """
    points = [(20, 5), (40, 5), (60, 5), (80, 5)]
    site = lot_site(points, [19.0] * 4, facts=PROFESSIONAL, target=16.0)
    site = dataclasses.replace(
        site,
        crowns=site.crowns.assign(field_height_ft=[21.0] + [np.nan] * 3),
        readings=sites.readings(["t1", "t2", "t3"], [20.0, 20.0, 20.0]),
        profiles=layers(t0=TOP_HEAVY),
        options=BY_PROFILE | {"height_correction": "bias"},
    )
    found = measure(site, ["route"])["route"]
    assert tree(found, "t0")["removed_frac"] == pytest.approx(0.9 + 0.1 * 2.0 / 14.0)


# --- from files


def frame(**more):
    return gpd.GeoDataFrame(
        {"crown_id": ["c1", "c2"], **more},
        geometry=[shapely.box(600_003, 1_200_004, 600_013, 1_200_014).buffer(s) for s in (0, -1)],
        crs=6443,
    )


def test_profiles_given_in_memory_are_checked_and_used():
    profiles = layers(c1=BY_HAND, other=even(8))
    profiles["weight_frac"] = profiles["weight_frac"].round(3)
    grid = CanopyGrid(np.full((40, 40), 12.0), 600_000.0, 1_200_040.0, 1.0)
    site = site_from_tables(
        {
            "crowns": frame(),
            "heights": {"file": grid},
            "profiles": {"file": profiles},
            "options": {"canopy_model": "profile"},
        }
    )
    assert set(site.profiles["crown_id"]) == {"c1"}
    notes = " ".join(map(str, site.notes))
    assert "1 profile left out, of no crown here: other" in notes
    assert "1 crown of 2 without a profile" in notes
    share = measure(site, ["slices"])["slices"]["slices"]["share_band_frac"]
    assert share[0] == pytest.approx(0.65) and np.isnan(share[1])
    both = measure(site, ["heights", "slices"])["slices"]["slices"]["share_band_frac"]
    assert both[0] == pytest.approx(0.65)
    read = next(item for item in site.inputs if item.role == "profiles")
    assert read.detail["n_crowns"] == 2 and read.n_features == len(profiles)


SITE = """\
[site]
name = "t"

[lots]
file = "lots.gpkg"

[mhw_line]
file = "shore.gpkg"
origin = "survey"

[crowns]
file = "crowns.gpkg"

[profiles]
file = "{file}"

[options]
canopy_model = "profile"
"""


@pytest.fixture
def folder(tmp_path):
    lot = gpd.GeoDataFrame({"lot_id": ["A"]}, geometry=[shapely.box(0, 0, 90, 90)], crs=6443)
    lot["geometry"] = lot.translate(600_000, 1_200_000)
    shore = lot.set_geometry(lot.boundary)[["geometry"]]
    write_layer(lot, tmp_path / "lots.gpkg", layer="lots")
    write_layer(shore, tmp_path / "shore.gpkg", layer="shore")
    write_layer(frame(), tmp_path / "crowns.gpkg", layer="crowns")
    return tmp_path


def site_of(folder, file, text=SITE):
    (folder / "site.toml").write_text(text.format(file=file), encoding="utf-8")
    return read_site(folder / "site.toml")


def test_profiles_from_csv_and_geopackage_are_the_same(folder):
    profiles = layers(c1=BY_HAND, c2=even(12))
    profiles.loc[3, "is_capped"] = True
    profiles.to_csv(folder / "profiles.csv", index=False)
    pyogrio.write_dataframe(profiles, folder / "p.gpkg", layer="profiles", driver="GPKG")
    text, table = site_of(folder, "profiles.csv"), site_of(folder, "p.gpkg")
    pd.testing.assert_frame_equal(text.profiles, table.profiles)
    assert text.profiles["is_capped"].tolist() == [False] * 3 + [True] + [False] * 6
    assert table.profiles["weight_frac"].tolist() == pytest.approx(profiles["weight_frac"].tolist())
    read = next(item for item in table.inputs if item.role == "profiles")
    assert (read.path, read.layer, len(read.sha256)) == ("p.gpkg", "profiles", 64)


def test_numbers_that_are_ids_match_their_text():
    profiles = layers(c1=even(8)).assign(crown_id=7.0)
    assert set(profiles_table(profiles)["crown_id"]) == {"7"}


def test_weights_rounded_to_decimals_are_scaled():
    profiles = layers(c1=[(0, 2, 0.333), (2, 4, 0.333), (4, 6, 0.3333)])
    assert profiles_table(profiles)["weight_frac"].sum() == pytest.approx(1.0, abs=1e-12)


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"weight_frac": 0.3}, r"crown c1: found weights that add up to 1\.2; needed"),
        ({"weight_frac": -0.2}, "a weight under 0"),
        ({"weight_frac": np.nan}, "a weight under 0, or none"),
        ({"weight_frac": "many"}, "found 'many' in a layer of crown c1"),
        ({"high_ft": 0.5}, "a layer without depth"),
        ({"low_ft": -2.0}, "or under 0 ft"),
        ({"high_ft": 5.0}, "two layers that overlap"),
        ({"crown_id": None}, "none in row 1"),
    ],
)
def test_bad_rows_are_named(change, words):
    profiles = layers(c1=BY_HAND).astype(object)
    profiles.loc[0, list(change)] = list(change.values())
    if "weight_frac" in change and change["weight_frac"] == 0.3:
        profiles.loc[1, "weight_frac"] = 0.1
    with pytest.raises(LayerError, match=words):
        profiles_table(profiles)


def test_weights_that_are_all_0_are_refused():
    with pytest.raises(LayerError, match="weights that are all 0"):
        profiles_table(layers(c1=[(0, 2, 0.0)]))


def test_bad_tables_are_told_with_their_place(folder):
    layers(c1=BY_HAND).drop(columns="low_ft").to_csv(folder / "p.csv", index=False)
    with pytest.raises(LayerError, match=r"\[profiles\].*line 15.*no column low_ft"):
        site_of(folder, "p.csv")
    layers(x=BY_HAND).to_csv(folder / "p.csv", index=False)
    with pytest.raises(LayerError, match="none of which is a crown here"):
        site_of(folder, "p.csv")
    with pytest.raises(FileError, match=r"\[profiles\] file \(line 15"):
        site_of(folder, "no.csv")
    with pytest.raises(FileError, match="found a tuple"):
        site_from_tables({"crowns": frame(), "profiles": {"file": ({1, 2},)}})


def test_what_does_not_go_together_in_a_site_file(folder):
    layers(c1=BY_HAND).to_csv(folder / "p.csv", index=False)
    without = SITE.replace('[profiles]\nfile = "{file}"\n', "")
    with pytest.raises(SiteFileError, match=r"canopy_model .*'profile' without a \[profiles\]"):
        site_of(folder, "p.csv", without)
    with pytest.raises(SiteFileError, match=r"profiles without a \[crowns\] table"):
        site_of(folder, "p.csv", SITE.replace('[crowns]\nfile = "crowns.gpkg"\n', ""))


def test_the_command_takes_profiles(folder, capsys):
    import rasterio

    layers(c1=BY_HAND, c2=even(12)).to_csv(folder / "p.csv", index=False)
    with rasterio.open(
        folder / "h.tif", "w", driver="GTiff", width=40, height=40, count=1, dtype="float32",
        crs="EPSG:6443", transform=rasterio.Affine(1, 0, 600_000, 0, -1, 1_200_040),
    ) as out:  # fmt: skip
        out.write(np.full((40, 40), 12.0, np.float32), 1)
    words = ["slices", "--crowns", "crowns.gpkg", "--heights", "h.tif", "--heights-unit", "ft"]
    words = [str(folder / w) if "." in w else w for w in words]
    assert main([*words, "--canopy-model", "profile", "--profiles", str(folder / "p.csv")]) == 0
    out = capsys.readouterr().out
    assert "profile" in out and "0.65" in out
    assert main([*words, "--canopy-model", "profile"]) == 2
    assert "found no profiles" in capsys.readouterr().err
