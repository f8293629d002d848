"""Partitions of a screening: cut anywhere, they say the same; a bad lot costs no other its row."""

from __future__ import annotations

import itertools
from dataclasses import replace
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from screen_made import rows_of, working_folder

from geotrim.core.line_clip import RUN_SEGMENTS, LineIndex
from geotrim.errors import GeotrimError
from geotrim.model import CanopyGrid, Facts, Setback, Site
from geotrim.ops.chain import measure
from geotrim.rules.rule_file import read_overlay
from geotrim.screen import partition, plan
from geotrim.screen.partition import run_partition
from geotrim.screen.screen_file import read_screen_file
from geotrim.screen.store import BATCH_ROWS, LOTS, read_pickle, read_rows, route_column, write_table

WEST, SHORE = 600_000.0, 1_200_000.0
CRS = 6443


def row_of_lots(n: int = 8, *, seed: int = 1) -> Site:
    """Waterfront lots of 80 ft on a shore that swings by 6 ft, an upland row behind, and trees."""
    rng = np.random.default_rng(seed)
    west = WEST + 80.0 * np.arange(n)
    front = shapely.box(west, SHORE - 120, west + 80, SHORE - 3)
    behind = shapely.box(west, SHORE - 300, west + 80, SHORE - 180)
    ids = [f"L{i}" for i in range(2 * n)]
    lots = gpd.GeoDataFrame(
        {"lot_id": ids, "is_measured": True}, geometry=[*front, *behind], crs=CRS
    )
    x = np.arange(WEST - 200, WEST + 80 * n + 200, 15.0)
    shore = shapely.LineString(np.column_stack([x, SHORE + 6 * np.sin((x - WEST) / 70)]))
    m = 12 * n
    y = np.where(np.arange(m) % 4 == 0, -rng.uniform(130, 320, m), rng.uniform(-12, 40, m))
    centres = shapely.points(WEST + rng.uniform(-30, 80 * n + 30, m), SHORE + y)
    crowns = gpd.GeoDataFrame(
        {
            "crown_id": [f"T{i}" for i in range(m)],
            "species": rng.choice(["red mangrove", "white mangrove", "buttonwood"], m),
            "base_height_ft": np.where(rng.random(m) < 0.5, 2.0, np.nan),
        },
        geometry=shapely.buffer(centres, rng.uniform(4, 9, m), quad_segs=4),
        crs=CRS,
    )
    cells = rng.uniform(5.0, 25.0, (260, int((80 * n + 300) / 2)))
    return Site(
        name="row of lots",
        crs=lots.crs,
        lots=lots,
        mhw_line=gpd.GeoDataFrame(geometry=[shore], crs=CRS),
        mhw_origin="survey",
        mhw_facts={"position_rmse_ft": 1.0},
        crowns=crowns,
        heights=CanopyGrid(cells, WEST - 150, SHORE + 120, 2.0, 0.8),
        facts=Facts({"controls_land": True}),
        options={"target_height_ft": 9.0, "reach_ft": 12.0},
    )


def screened(
    folder: Path, site: Site, per: int, **more: object
) -> tuple[pd.DataFrame, pd.DataFrame]:
    store, n = working_folder(folder, site, per, **more)
    for k in range(n):
        run_partition(str(store.folder), k)
    return rows_of(store, n), rows_of(store, n, "crowns")


def assert_same(one: pd.DataFrame, other: pd.DataFrame, rtol: float = 1e-9) -> None:
    pd.testing.assert_frame_equal(one, other, rtol=rtol, atol=1e-9, check_dtype=False)


def test_lots_at_a_cut_have_the_figures_of_a_whole_and_of_one_run(tmp_path):
    site = row_of_lots()
    lots, crowns = screened(tmp_path / "five", site, 5)
    whole_lots, whole_crowns = screened(tmp_path / "whole", site, 10_000)
    assert_same(lots, whole_lots)
    told = [*crowns["crown_number"]]
    assert len(set(told)) == len(site.crowns)
    assert_same(crowns.drop_duplicates("crown_number", ignore_index=True), whole_crowns)
    # the same operations as of one site file, run by themselves
    results = measure(site, ("frontage", "fringe", "zone", "heights", "slices", "route"))
    by_lot = results["frontage"]["lots"]
    assert lots["lot_id"].tolist() == by_lot["lot_id"].tolist()
    for name in ("frontage_length_ft", "n_stretches", "lot_area_ft2"):
        np.testing.assert_allclose(lots[name], by_lot[name], rtol=1e-9)
    for table, names in {
        ("fringe", "fringe_lots"): ("fringe_depth_max_ft", "fringe_length_ft", "n_fringe_trees"),
        ("zone", "zone"): ("zone_area_ft2", "zone_length_ft"),
        ("route", "lot_outcomes"): ("shoreline_error_ft", "fringe_depth_error_ft", "n_mangroves"),
    }.items():
        found = results[table[0]][table[1]]
        for name in names:
            expected = found[name].to_numpy(dtype=float)
            np.testing.assert_allclose(lots[name].to_numpy(dtype=float), expected, rtol=1e-9)
    outcomes = results["route"]["lot_outcomes"]
    assert lots["outcome_words"].tolist() == outcomes["outcome_words"].tolist()
    ways = results["route"]["lot_routes"].pivot(index="lot_id", columns="route", values="status")
    owner = ways["owner-exemption"].reindex(lots["lot_id"])
    is_judged = lots["status"] == "measured"
    assert lots["route_owner_exemption"][is_judged].tolist() == owner[is_judged.to_numpy()].tolist()
    assert lots["route_owner_exemption"][~is_judged].isna().all() and is_judged.sum() == 8
    volume = results["slices"]["slices"].set_index("crown_id")["volume_band_ft3"]
    one = whole_crowns.set_index("crown_id")["volume_band_ft3"]
    np.testing.assert_allclose(one, volume.reindex(one.index), rtol=1e-12)
    sums = whole_crowns.dropna(subset="lot_id").groupby("lot_id")["volume_band_ft3"].sum()
    np.testing.assert_allclose(lots["volume_band_ft3"], sums.reindex(lots["lot_id"]), rtol=1e-9)


def test_a_partition_says_the_same_again(tmp_path):
    store, n = working_folder(tmp_path / "again", row_of_lots(4), 3)
    run_partition(str(store.folder), 1)
    names = ("lots", "crowns", "notes")
    first = [store.done(1, name).read_bytes() for name in names]
    run_partition(str(store.folder), 0)
    run_partition(str(store.folder), 1)
    assert n > 1 and [store.done(1, name).read_bytes() for name in names] == first


def test_a_lot_that_breaks_the_operations_is_a_row_and_the_others_are_as_without_it(
    tmp_path, monkeypatch
):
    site = row_of_lots(4)
    lots, _ = screened(tmp_path / "plain", site, 100)
    before = partition.run_operation

    def breaks(name, given, results):
        if "L6" in set(given.lots["lot_id"]) and name == "fringe":
            raise ZeroDivisionError("a bug for one lot")
        return before(name, given, results)

    monkeypatch.setattr(partition, "run_operation", breaks)
    with_bug, _ = screened(tmp_path / "bug", site, 100)
    row = with_bug[with_bug["lot_id"] == "L6"].iloc[0]
    assert row["status"] == "failed"
    assert "a fault of geotrim: ZeroDivisionError: a bug for one lot" in row["reason"]
    keep = lots["lot_id"] != "L6"
    assert_same(lots[keep], with_bug[keep])


def test_a_fault_of_every_lot_is_no_lots_own(tmp_path, monkeypatch):
    def breaks(*_):
        raise ZeroDivisionError("a bug for all")

    monkeypatch.setattr(partition, "run_operation", breaks)
    with pytest.raises(ZeroDivisionError, match="a bug for all"):
        screened(tmp_path / "bug", row_of_lots(4), 100)


def test_neighbours_take_their_share_and_get_no_row(tmp_path):
    site = row_of_lots(4)
    lots, crowns = screened(tmp_path / "all", site, 100)
    table = site.lots.assign(is_measured=site.lots["lot_id"] != "L1")
    fewer, told = screened(tmp_path / "fewer", replace(site, lots=table), 100)
    assert fewer["lot_id"].tolist() == [i for i in lots["lot_id"] if i != "L1"]
    same = lots[lots["lot_id"] != "L1"]
    assert fewer["frontage_length_ft"].tolist() == same["frontage_length_ft"].tolist()
    assert len(told) == len(crowns)
    of_neighbour = crowns.loc[crowns["lot_id"] == "L1", "crown_id"]
    assert len(of_neighbour) > 3
    alone = measure(replace(site, lots=table), ["fringe"])["fringe"]["fringe_crowns"]
    expected = alone.set_index("crown_id")["lot_id"].reindex(told["crown_id"])
    assert told["lot_id"].fillna("").tolist() == expected.fillna("").tolist()


def test_rules_are_those_of_each_lots_jurisdiction_and_facts_those_of_its_own(tmp_path):
    town = read_overlay(
        """
        [file]
        id = "cay-town"
        kind = "overlay"
        title = "Rules of Cay Town (invented)"
        jurisdiction = "Cay Town (invented)"
        version = "1"
        [rule.short-shores]
        words = "Shores over 10 ft get no permit."
        measure = "shoreline_length_ft"
        compare = "<="
        number = 10.0
        unit = "ft"
        applies_to = "lot"
        binds = "everyone"
        routes = ["general-permit", "individual-permit"]
        effect = "condition"
        section = "invented code 5"
        confidence = "read in source"
        read_on = "2026-11"
        """,
        "cay.toml",
    )
    site = row_of_lots(4)
    place = ["Cay Town" if i % 2 else None for i in range(8)]
    facts = ['{"controls_land": false}' if i == 2 else None for i in range(8)]
    overlays = {"": (), "Cay Town": (town,)}
    lots, _ = screened(
        tmp_path / "two", site, 100, jurisdiction=place, facts=facts, overlays=overlays
    )
    expected = {
        name: measure(replace(site, overlays=rules, facts=told), ["route"])["route"]["lot_routes"]
        for name, rules, told in (
            ("state", (), site.facts),
            ("town", (town,), site.facts),
            ("own", (), Facts({"controls_land": True}, {"L2": {"controls_land": False}})),
        )
    }
    ways = {
        name: rows.pivot(index="lot_id", columns="route", values="status")
        for name, rows in expected.items()
    }
    routes = [name for name in ways["state"].columns if route_column(name) in lots.columns]
    assert len(routes) == 6  # plants outside the act are no way
    for i, row in lots.iterrows():
        kind = "own" if i == 2 else "town" if i % 2 else "state"
        for name in routes if row["status"] == "measured" else ():
            assert row[route_column(name)] == ways[kind].loc[row["lot_id"], name]
    assert (ways["own"].loc["L2"] != ways["state"].loc["L2"]).any()
    assert (ways["town"].loc["L1"] != ways["state"].loc["L1"]).any()
    assert lots["jurisdiction"].fillna("").tolist() == [name or "" for name in place]


def offshore(low: float, high: float) -> gpd.GeoDataFrame:
    """A strip over the water, in feet from the shore, that no lot and no line meets."""
    box = shapely.box(WEST - 50, SHORE + low, WEST + 700, SHORE + high)
    return gpd.GeoDataFrame({"name": ["preserve"]}, geometry=[box], crs=CRS)


def test_what_lies_over_the_water_counts(tmp_path):
    site = row_of_lots(4)
    straight = shapely.LineString([(WEST - 200, SHORE), (WEST + 520, SHORE)])
    land = offshore(8, 60).assign(kind="conservation")
    site = replace(
        site,
        mhw_line=gpd.GeoDataFrame(geometry=[straight], crs=CRS),
        exclusions=offshore(5, 60),
        set_aside=land,
    )
    lots, crowns = screened(tmp_path / "one", site, 3)
    results = measure(site, ("zone", "setbacks", "route"))
    zone = results["zone"]["zone"]["zone_area_ft2"].to_numpy()
    np.testing.assert_allclose(lots["zone_area_ft2"], zone, rtol=1e-9)
    flags = results["setbacks"]["setback_flags"]
    past = set(flags.loc[flags["is_past_setback"].astype(bool), "crown_id"])
    assert set(crowns.loc[crowns["is_past_setback"], "crown_id"]) == past and len(past) > 5
    ways = results["route"]["lot_routes"].query("route == 'professional-exemption'")
    told = lots.set_index("lot_id")["route_professional_exemption"]
    front = [f"L{i}" for i in range(4)]
    assert told[front].tolist() == ways.set_index("lot_id")["status"][front].tolist()
    where = shapely.centroid(shapely.from_wkb(crowns["wkb"].to_numpy()))
    inside = shapely.intersects(site.exclusions.geometry.iloc[0], where)
    assert crowns["is_in_exclusion"].tolist() == inside.tolist()
    opened = crowns[crowns["outcome_standing"] == "open"]
    for column, flag in (
        ("n_open_in_exclusion", "is_in_exclusion"),
        ("n_open_past_setback", "is_past_setback"),
    ):
        n = opened[opened[flag]].groupby("lot_id").size()
        shore = lots[lots["status"] == "measured"].set_index("lot_id")[column]
        assert shore.tolist() == n.reindex(shore.index, fill_value=0).tolist()


@pytest.mark.parametrize("reference", ["lot-lines", "riparian-lines"])
def test_setbacks_from_a_neighbours_side_lines_reach_over_a_cut(tmp_path, reference):
    """Lots end by turns 3 ft short of the shore and 40 ft beyond it."""
    site = row_of_lots(6)
    shapes = [
        shapely.box(*box[:3], SHORE + (40 if i % 2 else -3)) if i < 6 else shapely.box(*box)
        for i, box in enumerate(shapely.bounds(site.lots.geometry.array))
    ]
    setback = Setback("side", reference, 12.0, "invented")
    site = replace(site, lots=site.lots.set_geometry(shapes, crs=CRS), setbacks=(setback,))
    lots, crowns = screened(tmp_path / "two", site, 2)
    whole_lots, whole_crowns = screened(tmp_path / "whole", site, 100)
    assert_same(lots, whole_lots)
    assert_same(crowns.drop_duplicates("crown_number", ignore_index=True), whole_crowns)
    alone = measure(site, ["zone"])["zone"]["zone"]["zone_area_ft2"]
    np.testing.assert_allclose(lots["zone_area_ft2"], alone, rtol=1e-9)


def test_a_channel_far_out_ends_the_water_of_every_lot(tmp_path):
    site = row_of_lots(6)
    channel = shapely.LineString([(WEST - 300, SHORE + 900), (WEST + 800, SHORE + 900)])
    far = shapely.points(WEST + 40 + 80 * np.arange(6), SHORE + 700.0)
    trees = gpd.GeoDataFrame(
        {"crown_id": [f"F{i}" for i in range(6)], "species": "red mangrove"},
        geometry=shapely.buffer(far, 6.0, quad_segs=4),
        crs=CRS,
    )
    crowns = pd.concat([site.crowns, trees], ignore_index=True)
    site = replace(
        site,
        crowns=crowns,
        channel=gpd.GeoDataFrame({"name": ["channel"]}, geometry=[channel], crs=CRS),
        options={**site.options, "riparian_method": "square-to-channel", "search_ft": 1000.0},
    )
    _, told = screened(tmp_path / "two", site, 2)
    _, whole = screened(tmp_path / "whole", site, 100)
    assert_same(
        told.dropna(subset="lot_id").reset_index(drop=True),
        whole.dropna(subset="lot_id").reset_index(drop=True),
    )
    assert whole.set_index("crown_id")["lot_id"].reindex([f"F{i}" for i in range(6)]).notna().all()


def test_a_road_behind_many_lots_does_not_draw_all_of_them_together(tmp_path):
    site = row_of_lots(12)
    road = shapely.box(WEST, SHORE - 178, WEST + 12 * 80, SHORE - 122)
    lots = pd.concat(
        [
            site.lots,
            gpd.GeoDataFrame({"lot_id": ["road"], "is_measured": [True]}, geometry=[road], crs=CRS),
        ],
        ignore_index=True,
    )
    site = replace(site, lots=lots)
    store, n = working_folder(tmp_path / "six", site, 6)
    beside = [len(read_pickle(store.task(k)).beside) for k in range(n)]
    assert max(beside) <= 6  # with the whole road they would be all lots along it
    lots, _ = screened(tmp_path / "cut", site, 6)
    whole, _ = screened(tmp_path / "whole", site, 100)
    assert_same(lots, whole)


def test_repeated_ids_are_told_apart(tmp_path):
    site = row_of_lots(3)
    table = site.lots.assign(lot_id=["A", "A", "B", "A", "C", "D"])
    lots, _ = screened(tmp_path / "twins", replace(site, lots=table), 100)
    plain, _ = screened(tmp_path / "plain", site, 100)
    assert lots["lot_id"].tolist() == ["A", "A", "B", "A", "C", "D"]
    assert lots["frontage_length_ft"].tolist() == plain["frontage_length_ft"].tolist()


def test_drafted_crowns_are_the_same_however_lots_are_cut(tmp_path):
    site = row_of_lots(4)
    rng = np.random.default_rng(5)
    row, col = np.mgrid[0 : site.heights.shape[0], 0 : site.heights.shape[1]]
    cells = np.zeros(site.heights.shape)
    for r, c, size in zip(
        rng.uniform(0, 200, 90), rng.uniform(0, 300, 90), rng.uniform(4, 7, 90), strict=True
    ):
        cells = np.maximum(cells, 2.5 * size * np.clip(1 - np.hypot(row - r, col - c) / size, 0, 1))
    grid = CanopyGrid(cells, site.heights.west, site.heights.north, 2.0, 0.8)
    site = replace(site, heights=grid, crowns=None)
    lots, crowns = screened(tmp_path / "three", site, 3, has_crowns=False)
    whole_lots, whole_crowns = screened(tmp_path / "whole", site, 100, has_crowns=False)
    assert_same(lots, whole_lots)
    assert_same(crowns, whole_crowns)
    assert len(crowns) > 10 and crowns["crown_id"].is_unique
    assert lots.loc[lots["status"] == "no shore", "n_crowns"].eq(0).all()


def test_bad_heights_are_not_a_lots_fault(tmp_path):
    site = row_of_lots(3)
    site = replace(site, heights=replace(site.heights, height_ft=site.heights.height_ft + 900.0))
    with pytest.raises(GeotrimError, match="heights above the substrate"):
        screened(tmp_path / "high", site, 100, has_crowns=False)


def test_partitions_hold_every_lot_once_and_lie_together():
    rng = np.random.default_rng(2)
    points = rng.uniform(0, 10_000, (1_000, 2))
    order = plan.partition_lots(points, per_partition=90)
    assert sorted(order.rows) == list(range(1_000))
    sizes = np.diff(order.starts)
    assert sizes.sum() == 1_000 and sizes.max() <= 90 and sizes.max() - sizes.min() <= 1
    assert (order.starts == plan.partition_starts(1_000, order.n_partitions)).all()
    spread = [
        np.ptp(points[part], axis=0).max() for part in np.split(order.rows, order.starts[1:-1])
    ]
    assert np.median(spread) < 5_000  # lots dealt out at random would reach over some 9,800
    home = plan.homes(order, points, points)
    for k, part in enumerate(np.split(order.rows, order.starts[1:-1])):
        assert (home[part] == k).all() and (np.diff(part) > 0).all()


@pytest.mark.parametrize(
    ("n_crowns", "per_partition", "expected"),
    [(0, 400, 3), (400_000, 400, 10), (40_000_000, 400, 50), (40_000_000, 8, 125)],
)
def test_many_crowns_make_small_partitions_but_not_of_single_lots(
    n_crowns, per_partition, expected
):
    """1,000 lots: by lots 1,000 / 400 and 1,000 / 8, by crowns 40,000 each, 20 lots at least."""
    points = np.random.default_rng(3).uniform(0, 1_000, (1_000, 2))
    order = plan.partition_lots(points, n_crowns=n_crowns, per_partition=per_partition)
    assert order.n_partitions == expected


@settings(max_examples=60, deadline=None)
@given(st.integers(0, 10_000), st.integers(2, 3 * RUN_SEGMENTS), st.integers(1, 5))
def test_a_line_cut_to_a_box_keeps_the_segments_that_meet_it(seed, n_vertices, n_lines):
    """Against shapely, segment by segment."""
    rng = np.random.default_rng(seed)
    sizes = rng.integers(2, n_vertices + 1, n_lines)
    parts = [np.cumsum(rng.normal(0, 1, (k, 2)), axis=0) + rng.uniform(-20, 20, 2) for k in sizes]
    index = LineIndex.of(np.vstack(parts), np.cumsum([0, *sizes]))
    low = rng.uniform(-30, 30, 2)
    box = (*low, *(low + rng.uniform(0, 25, 2)))
    pieces = index.clip(box)
    found = [tuple(np.r_[a, b]) for piece in pieces for a, b in itertools.pairwise(piece)]
    area = shapely.box(*box)
    wanted = [
        tuple(np.r_[a, b])
        for part in parts
        for a, b in itertools.pairwise(part)
        if shapely.box(*np.minimum(a, b), *np.maximum(a, b)).intersects(area)
    ]
    assert found == wanted
    length = sum(shapely.LineString(part).length for part in parts)
    assert shapely.length(index.lines()).sum() == pytest.approx(length)
    everything = index.clip((1e9, 1e9, 1e9, 1e9), np.arange(index.first.size))
    assert sum(len(piece) - 1 for piece in everything) == sum(sizes) - n_lines


def test_rows_are_read_in_the_order_asked_for(tmp_path):
    n = 2 * BATCH_ROWS + 7
    table = LOTS.empty_table().to_pandas().reindex(range(n))
    table["lot_number"], table["is_reported"] = np.arange(n) * 3, True
    import pyarrow as pa

    path = tmp_path / "lots.arrow"
    write_table(path, pa.Table.from_pandas(table, LOTS, preserve_index=False))
    asked = [n - 1, 0, BATCH_ROWS, BATCH_ROWS - 1, 5, 5]
    assert read_rows(path, asked)["lot_number"].to_pylist() == [3 * row for row in asked]


def test_limits_that_divide_a_whole_cove_are_refused(tmp_path):
    path = tmp_path / "screen.toml"
    path.write_text(
        '[site]\nname = "cove"\n[lots]\nfile = "a.gpkg"\n[mhw_line]\nfile = "b.gpkg"\n'
        'origin = "survey"\n[crowns]\nfile = "c.gpkg"\n[options]\n'
        'riparian_method = "proportional"\n',
        encoding="utf-8",
    )
    with pytest.raises(GeotrimError, match=r"riparian_method \(line 11.*a whole cove"):
        read_screen_file(path)
