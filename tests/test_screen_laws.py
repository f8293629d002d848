"""What must hold for every screening: cuts, broken lots, one lot by itself, a plain script."""

from __future__ import annotations

import json
import shutil
import warnings
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely
from county_made import SCRIPTS, small_county
from county_screened import screened

from geotrim.io.site_file import read_site, read_spec
from geotrim.io.site_load import load_site
from geotrim.ops.chain import measure
from geotrim.rules.rule_file import routes
from geotrim.screen.store import read_table, route_column

SAMPLES = SCRIPTS.parent / "sample_data"
#: What a row of a screening is made of.
OPERATIONS = ("frontage", "fringe", "zone", "heights", "slices", "route")
#: How a lot differs where its row in the layer does.
PLACE = ["lot_number", "note"]


@pytest.fixture(scope="module")
def county(tmp_path_factory):
    """Sixty lots on three squares; layers as GeoParquet, which keeps even what is broken."""
    folder = tmp_path_factory.mktemp("county")
    return small_county(folder, 60, 900, kind="parquet")


@pytest.fixture(scope="module")
def whole(county, tmp_path_factory):
    """Rows of lots and crowns of all in one partition."""
    return screened(county, tmp_path_factory.mktemp("whole") / "work", 1000)


def assert_same(one, other, but=()):
    """Rows that say the same: words and counts alike, figures to 1e-9."""
    names = [name for name in other.columns if name not in but]
    pd.testing.assert_frame_equal(
        one[names].reset_index(drop=True),
        other[names].reset_index(drop=True),
        rtol=1e-9,
        atol=1e-9,
        check_dtype=False,
    )


def test_lots_at_seams_say_what_they_say_in_one_piece(county, whole, tmp_path):
    lots, crowns, store = screened(county, tmp_path / "work", 10)
    assert len(list(store.folder.glob("tasks/*"))) == 6
    assert_same(lots, whole[0])
    told = crowns.drop_duplicates("crown_number")
    assert len(told) == len(whole[1]) == 900
    assert_same(told, whole[1])


def broken_lots(lots):
    """Ten ways for a lot to be broken: name -> (its row, what becomes of it).

    Those that are measured all the same stand 300 ft inland of everything, so that they share no
    shore with another lot.
    """
    west, _, _, north = lots.total_bounds
    inland = shapely.box(west, north + 300, west + 80, north + 400)
    x, y = west + 200, north + 300
    loop = [(x, y), (x + 80, y), (x + 80, y + 100), (x, y + 100), (x, y + 50), (x - 9, y + 60)]
    loop += [(x - 9, y + 40), (x, y + 60), (x, y)]  # a small loop beside the lot
    degrees = shapely.box(-82.6, 27.30, -82.5999, 27.3001)
    usual = lots.geometry.iloc[7]
    flipped = shapely.transform(usual, lambda xy: xy[:, ::-1])
    gone = shapely.transform(usual, lambda xy: xy + np.array([2e6, 0.0]))
    # A coordinate that is no number, as a broken export leaves it
    ring = shapely.get_coordinates(usual)
    ring[2, 1] = np.nan
    with np.errstate(invalid="ignore"):
        holey = shapely.Polygon(ring)
    line = shapely.Polygon([(x, y), (x + 50, y), (x + 25, y)])
    return {
        "self-crossing": ("B0", shapely.Polygon(loop), "no shore"),
        "empty": ("B1", shapely.Polygon(), "no-shape"),
        "not in this CRS": ("B2", degrees, "far-away"),
        "far away": ("B3", gone, "far-away"),
        "not a number": ("B4", holey, "not-finite"),
        "an id twice": (str(lots["PARCEL"].iloc[3]), inland, "no shore"),
        "no area": ("B6", line, "no-extent"),
        "no polygon": ("B7", shapely.Point(x, y), "wrong-kind"),
        "no id": (None, shapely.box(x, y + 500, x + 60, y + 600), "no-id"),
        "x and y in the wrong order": ("B9", flipped, "far-away"),
    }


@pytest.fixture(scope="module")
def with_broken(county, tmp_path_factory):
    """A county of 60 sound lots and ten broken ones among them, and its rows."""
    folder = tmp_path_factory.mktemp("broken")
    shutil.copytree(county.parent, folder, dirs_exist_ok=True)
    lots = gpd.read_parquet(folder / "lots.parquet")
    broken = broken_lots(lots)
    rows = gpd.GeoDataFrame(
        {
            "PARCEL": [lot_id for lot_id, _, _ in broken.values()],
            "OWNER": [*broken],
            "USE": "vacant",
            "UNITS": 0,
        },
        geometry=[shape for _, shape, _ in broken.values()],
        crs=lots.crs,
    )
    both = pd.concat([lots, rows], ignore_index=True)
    order = np.random.default_rng(5).permutation(len(both))
    order = np.concatenate([np.sort(order[order < 60]), order[order >= 60]])
    places = np.sort(np.random.default_rng(6).choice(70, 10, replace=False))
    mixed = np.empty(70, dtype=int)
    mixed[places] = order[60:]
    mixed[np.setdiff1d(np.arange(70), places)] = order[:60]
    both = gpd.GeoDataFrame(both, crs=lots.crs).iloc[mixed].reset_index(drop=True)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # bounds of what is no number
        both.to_parquet(folder / "lots.parquet")
    found = screened(folder / "screen.toml", folder / "work", 10)
    return both, broken, found


def test_every_broken_lot_is_a_row_with_its_reason(with_broken):
    both, broken, (lots, _, store) = with_broken
    assert lots["lot_number"].tolist() == list(range(70))
    owner = both["OWNER"].to_numpy()
    for way, (lot_id, _, fate) in broken.items():
        row = lots.iloc[int(np.flatnonzero(owner == way)[0])]
        assert row["lot_id"] == lot_id or (lot_id is None and pd.isna(row["lot_id"])), way
        if fate == "no shore":
            assert row["status"] == "no shore" and row["note"], way
        else:
            assert (row["status"], row["fault"]) == ("unfit", fate), way
            assert len(row["reason"]) > 10, way
    assert len(read_table(store.unfit_lots)) == 8
    assert (lots["status"] == "unfit").sum() == 8


def test_what_is_said_of_the_others_is_not_touched_by_broken_lots(with_broken, whole):
    """Figures to 1e-9 and the same words; but the number of the row, and a note of a twin id."""
    both, broken, (lots, crowns, _) = with_broken
    sound = ~both["OWNER"].isin([*broken]).to_numpy()
    assert_same(lots[sound], whole[0], but=PLACE)
    changed = lots.loc[sound, "note"].fillna("").to_numpy() != whole[0]["note"].fillna("")
    twin = broken["an id twice"][0]
    assert set(whole[0]["lot_id"][changed]) <= {twin}
    numbers = np.flatnonzero(sound)
    told = crowns.drop_duplicates("crown_number").reset_index(drop=True)
    assert len(told) == len(whole[1])
    back = {old: new for new, old in enumerate(numbers)}
    told["lot_number"] = told["lot_number"].map(back)
    names = [name for name in told.columns if name != "stretch_id"]
    assert_same(told[names], whole[1][names])


def test_only_unfit_lots_leave_the_others_bit_for_bit_as_they_were(county, tmp_path):
    """They take part in no partition, so the partitions are the same, and so is every byte."""
    small = tmp_path / "small"
    shutil.copytree(county.parent, small)
    lots = gpd.read_parquet(small / "lots.parquet").iloc[:24]
    lots.to_parquet(small / "lots.parquet")
    plain, plain_crowns, _ = screened(small / "screen.toml", tmp_path / "plain", 8)
    bad = gpd.GeoDataFrame(
        {"PARCEL": ["B1", "B2"], "OWNER": "x", "USE": "y", "UNITS": 0},
        geometry=[shapely.Polygon(), shapely.Point(0, 0)],
        crs=lots.crs,
    )
    pd.concat([lots, bad], ignore_index=True).to_parquet(small / "lots.parquet")
    found, crowns, _ = screened(small / "screen.toml", tmp_path / "bad", 8)
    assert found["status"].tolist()[24:] == ["unfit", "unfit"]
    names = list(plain.columns)
    pd.testing.assert_frame_equal(
        found[names].iloc[:24], plain, check_exact=True, check_dtype=False
    )
    pd.testing.assert_frame_equal(crowns, plain_crowns, check_exact=True)


def assert_row_is_of_run(row, results):
    """A row holds what the operations of one site say of the lot."""
    lot_id = row["lot_id"]
    for operation, table, names in (
        ("frontage", "lots", ("frontage_length_ft", "frontage_chord_ft", "lot_area_ft2")),
        (
            "fringe",
            "fringe_lots",
            (
                "fringe_depth_max_ft",
                "fringe_depth_mean_ft",
                "fringe_length_ft",
                "fringe_over_limit_length_ft",
                "n_fringe_trees",
            ),
        ),
        ("zone", "zone", ("zone_area_ft2", "zone_length_ft", "zone_width_max_ft")),
    ):
        told = pd.DataFrame(results[operation][table]).set_index("lot_id").loc[lot_id]
        for name in names:
            one, other = float(row[name]), float(told[name])
            assert one == pytest.approx(other, rel=1e-9, abs=1e-9, nan_ok=True), (lot_id, name)
    places = results["fringe"]["fringe_crowns"]
    mine = set(places.loc[places["lot_id"] == lot_id, "crown_id"])
    assert row["n_crowns"] == len(mine)
    if mine:
        tops = results["heights"]["heights"].set_index("crown_id")["top_height_ft"]
        assert row["tallest_ft"] == pytest.approx(tops[list(mine)].max(), rel=1e-9)
        volumes = results["slices"]["slices"].set_index("crown_id").loc[list(mine)]
        for name in ("volume_ft3", "volume_band_ft3"):
            assert row[name] == pytest.approx(volumes[name].sum(), rel=1e-9)
    if row["status"] != "measured":
        return
    outcomes = pd.DataFrame(results["route"]["lot_outcomes"]).set_index("lot_id").loc[lot_id]
    assert row["outcome_words"] == outcomes["outcome_words"]
    ways = results["route"]["lot_routes"]
    ways = ways[ways["lot_id"] == lot_id].set_index("route")["status"]
    for route in routes():
        if route != "no-mangrove":  # plants outside the act are no way of a lot
            assert row[route_column(route)] == ways[route], (lot_id, route)
    assert_stand_is_of_run(row, results["route"])


def assert_stand_is_of_run(row, route):
    """By the trees of a run: open only where every mangrove that is cut is, and duties are met."""
    trees = pd.DataFrame(route["tree_outcomes"])
    trees = trees[trees["lot_id"] == row["lot_id"]]
    trees = trees[trees["outcome_route"] != "no-mangrove"]
    n = trees["outcome_standing"].value_counts()
    n_open, n_other = int(n.get("open", 0)), int(n.drop(["open", "not cut"], errors="ignore").sum())
    told = {name: int(n.get(name, 0)) for name in ("open", "depends", "other plan", "closed")}
    columns = ("open", "depend", "other_plan", "closed")
    assert [row[f"n_mangroves_{name}"] for name in columns] == list(told.values())
    is_unmet = "Duties not met as planned" in row["outcome_words"]
    assert bool(row["unmet_duties"]) == is_unmet
    assert (row["stand"] == "open") == (n_open > 0 and n_other == 0 and not is_unmet)
    assert (row["stand"] == "open in part") == (n_open > 0 and (n_other > 0 or is_unmet))
    assert (row["stand"] == "nothing to judge") == (n_open + n_other == 0)
    rules = pd.DataFrame(route["findings_by_rule"])
    rules = rules[rules["lot_id"] == row["lot_id"]].set_index("rule_id")
    for verdict in ("not_met", "too_close", "unknown"):
        words = row[f"findings_{verdict}"]
        for told in words.split(";") if isinstance(words, str) else ():
            rule, _, count = told.partition(" ")
            assert count == f"({rules.loc[rule, f'n_{verdict}']})"
            assert rule not in ("species-of-the-act", "not-of-the-act")


@pytest.mark.parametrize("name", ["plain_lot", "curved_shore", "canal_corner"])
def test_a_lot_of_a_screening_says_what_its_own_run_says(name, tmp_path):
    path = SAMPLES / name / "site.toml"
    lots, _, _ = screened(path, tmp_path / "work")
    results = measure(load_site(read_spec(path)), OPERATIONS)
    assert len(lots) == len(results["frontage"]["lots"]) >= 1
    for _, row in lots.iterrows():
        assert row["status"] == "measured"
        assert_row_is_of_run(row, results)


def test_a_county_of_one_tile_says_what_one_run_of_it_says(tmp_path):
    path = small_county(tmp_path / "county", 20, 300)
    lots, _, _ = screened(path, tmp_path / "work", 6)
    text = path.read_text(encoding="utf-8")
    head, _, rest = text.partition("[jurisdictions]")
    rest = rest[rest.index("[[setbacks]]") :]
    text = (head + rest).replace('"heights"', '"heights/heights_00000_00.tif"')
    text = "\n".join(
        line for line in text.splitlines() if not line.startswith(("facts =", "keep_fields"))
    )
    site_path = path.with_name("site.toml")
    site_path.write_text(text, encoding="utf-8")
    results = measure(load_site(read_spec(site_path)), OPERATIONS)
    state = {"jurisdiction", "outcome_words"}
    alone = lots[lots["jurisdiction"].isna()]
    assert len(alone) < len(lots) == 20 and state <= set(lots.columns)
    for _, row in lots.iterrows():
        if pd.isna(row["jurisdiction"]):
            assert_row_is_of_run(row, results)
        else:  # its town has rules of its own: figures alone
            assert_row_is_of_run({**row, "status": "by its town"}, results)
    assert_lots_are_told_by_a_close_look(path, lots)


def assert_lots_are_told_by_a_close_look(path, lots):
    """A run of the screen file for one lot: its town's rules, its own units, all its figures."""
    has_shore = lots[lots["status"] == "measured"]
    for _, row in has_shore.groupby("jurisdiction", dropna=False).head(1).iterrows():
        site = read_site(path, lots=[row["lot_id"]])
        assert list(site.measured_lot_ids()) == [row["lot_id"]] and len(site.lots) > 10
        town = [] if pd.isna(row["jurisdiction"]) else [f"{row['jurisdiction']} (invented)"]
        assert [one.jurisdiction for one in site.overlays] == town
        assert_row_is_of_run(row, measure(site, OPERATIONS))


def test_fields_and_units_of_a_lot_are_carried_through(whole, county):
    lots = gpd.read_parquet(county.parent / "lots.parquet")
    told = [json.loads(text) for text in whole[0]["fields"]]
    assert [one["OWNER"] for one in told] == lots["OWNER"].tolist()
    assert [one["USE"] for one in told] == lots["USE"].tolist()


def test_the_towns_are_those_whose_polygon_a_lot_stands_in(whole, county):
    lots = gpd.read_parquet(county.parent / "lots.parquet")
    towns = gpd.read_parquet(county.parent / "jurisdictions.parquet")
    inside = gpd.sjoin(lots, towns, predicate="within")["name"]  # not those on a border
    assert len(inside) > 40
    assert whole[0]["jurisdiction"][inside.index].tolist() == inside.tolist()


def test_a_plain_script_comes_to_the_same_figures(whole, county):
    """``scripts/plain_screen.py`` says how near: its shore is cut by the foot, its cells whole."""
    import plain_screen

    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # rasterstats and affine tell of each other's ways
        plain, _ = plain_screen.screen(Path(county), boundless=False)
    plain = plain.set_index("lot_id")
    lots = whole[0].set_index("lot_id")
    lots = lots[lots["n_stretches"] == 1]
    plain = plain.loc[lots.index]
    assert len(lots) > 20
    off = (plain["frontage_length_ft"] - lots["frontage_length_ft"]).abs()
    assert off.max() < 4.0

    def total(name):
        return plain[name].sum() / lots[name].sum()

    assert total("frontage_length_ft") == pytest.approx(1.0, abs=0.01)
    assert total("fringe_length_ft") == pytest.approx(1.0, abs=0.05)
    assert total("n_fringe_trees") == pytest.approx(1.0, abs=0.05)
    assert total("n_crowns") == pytest.approx(1.0, abs=0.05)
    assert total("volume_ft3") == pytest.approx(1.0, abs=0.05)
    assert total("volume_band_ft3") == pytest.approx(1.0, abs=0.05)
    assert 0.7 < total("zone_area_ft2") < 1.0
    tops = (plain["tallest_ft"] - lots["tallest_ft"]).abs()
    assert tops.quantile(0.9) < 1.0
