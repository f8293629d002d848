"""The window's tables in the package: layers of their kind, and what is found beside a tree.

The tables are made up in the shapes the operations promise (``ops/catalogue_window.py``).
"""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pandas as pd
import pyogrio
import pytest
import shapely

from geotrim.io import package
from geotrim.model import Result
from tests.test_package import CRS, small_site, some_results

EYES = gpd.GeoDataFrame(
    {"eye_id": ["deck"], "height_ft": [5.5], "elevation_ft": [np.nan], "lot_id": [None]},
    geometry=[shapely.Point(4, 6)],
    crs=CRS,
)


def window_tables():
    """A lot with a window of one span and one that is not planned, three trees."""
    lots = pd.DataFrame(
        {
            "lot_id": ["A", "B"],
            "status": ["planned", "not planned"],
            "reason": ["", "no way is open"],
            "way": ["owner-exemption", None],
            "view_of": ["eyes", "stations"],
            "n_eyes": [1, 0],
            "view_before_frac": [0.25, 0.5],
            "view_after_frac": [0.75, np.nan],
            "view_bound_frac": [0.75, np.nan],
            "is_optimal": [True, None],
            "n_spans": [1, 0],
            "window_length_ft": [6.0, 0.0],
            "n_cut_trees": [2, 0],
            "foliage_removed_ft3": [120.0, 0.0],
            "foliage_removed_frac": [0.125, 0.0],
        }
    )
    spans = gpd.GeoDataFrame(
        {"lot_id": ["A"], "span_id": ["A/w1"], "station_from_ft": [1.0], "station_to_ft": [7.0]},
        geometry=[shapely.box(1, -3, 7, 0)],
        crs=CRS,
    )
    trees = pd.DataFrame(
        {
            "lot_id": ["A", "A", "A"],
            "crown_id": ["t1", "t2", "t3"],
            "species": ["Rhizophora mangle", None, None],
            "station_ft": [2.0, 5.0, 8.0],
            "is_in_span": [True, True, False],
            "treatment": ["clear-band", "lower-top", "leave"],
            "why_left": ["", "", "outside the spans"],
            "top_height_ft": [19.5, 12.0, np.nan],
            "cut_low_ft": [6.0, 8.0, np.nan],
            "cut_high_ft": [10.0, np.nan, np.nan],
            "height_after_ft": [19.5, 8.0, np.nan],
            "foliage_ft3": [400.0, 300.0, np.nan],
            "removed_ft3": [80.0, 40.0, 0.0],
            "removed_frac": [0.2, 0.4 / 3, 0.0],
        }
    )
    return {"window_lots": lots, "window_spans": spans, "window_trees": trees}


def other_tables():
    """Sight, stages and risks of the same trees."""
    rays = gpd.GeoDataFrame(
        {"eye_id": ["deck"], "lot_id": ["A"], "azimuth_deg": [180.0], "open_now_frac": [0.25]},
        geometry=[shapely.LineString([(4, 6), (4, 0)])],
        crs=CRS,
    )
    eyes = EYES.assign(view_now_frac=0.25, view_after_frac=0.75)
    blocks = pd.DataFrame({"eye_id": ["deck"], "azimuth_deg": [180.0], "what": ["canopy"]})
    stages = pd.DataFrame(
        {"lot_id": ["A", "A"], "crown_id": ["t2", "t1"], "n_years": [1, 2], "treatment": ["x", "y"]}
    )
    per_lot = pd.DataFrame({"lot_id": ["A"], "plan": ["window"], "n_years": [2]})
    cuts = pd.DataFrame({"lot_id": ["A"], "crown_id": ["t1"], "year": [1], "removed_ft3": [40.0]})
    risks = pd.DataFrame(
        {
            "lot_id": ["A"] * 3,
            "crown_id": ["t1", "t1", "t2"],
            "limit": ["floor", "share", "floor"],
            "is_stick_first": [False, True, False],
            "broken_frac": [0.0, 0.2, 0.01],
        }
    )
    return {
        "sightlines": {"sight_eyes": eyes, "sight_rays": rays, "sight_blocks": blocks},
        "stages": {"stage_lots": per_lot, "stage_trees": stages, "stage_cuts": cuts},
        "risks": {"risk_trees": risks},
    }


def all_results():
    route = pd.DataFrame(
        {"lot_id": ["A"], "crown_id": ["t1"], "species": ["Rhizophora mangle"],
         "removed_frac": [0.5]}
    )  # fmt: skip
    results = some_results()
    results["route"] = Result("route", {"tree_outcomes": route})
    results["window"] = Result("window", window_tables())
    results |= {name: Result(name, tables) for name, tables in other_tables().items()}
    return results


def test_a_tree_has_what_is_done_to_it_beside_its_measures():
    crowns = package.crown_table(small_site(), all_results()).set_index("crown_id")
    assert crowns["treatment"].to_dict() == {
        "t1": "clear-band",
        "t2": "lower-top",
        "t3": "leave",
    }
    row = crowns.loc["t1"]
    assert (row["cut_low_ft"], row["cut_high_ft"], row["height_after_ft"]) == (6.0, 10.0, 19.5)
    assert crowns["n_years"].tolist()[:2] == [1, 2] and pd.isna(crowns.loc["t3", "n_years"])
    assert crowns.loc["t3", "why_left"] == "outside the spans"
    assert crowns["is_in_window"].to_dict() == {"t1": True, "t2": True, "t3": False}
    # one limit of two asks for the stick; a tree that no draw broke is not known to need none
    assert crowns.loc["t1", "is_stick_first"] and not crowns.loc["t2", "is_stick_first"]
    assert pd.isna(crowns.loc["t3", "is_stick_first"])


def test_two_shares_removed_are_told_apart():
    """The route's is that of the planned heights, the window's its own."""
    crowns = package.crown_table(small_site(), all_results()).set_index("crown_id")
    assert crowns.loc["t1", "removed_frac"] == 0.5
    assert crowns.loc["t1", "window_removed_frac"] == 0.2


def test_no_column_is_doubled_or_named_after_its_table():
    before = set(package.crown_table(small_site(), some_results()).columns)
    results = {k: v for k, v in all_results().items() if k != "route"}
    crowns = package.crown_table(small_site(), results)
    assert crowns.columns.is_unique
    assert set(crowns.columns) - before == {
        "treatment", "why_left", "cut_low_ft", "cut_high_ft", "height_after_ft",
        "window_removed_frac", "is_in_window", "n_years", "is_stick_first",
    }  # fmt: skip


def test_a_lot_has_the_figures_of_its_window(tmp_path):
    lots = package.lot_table(small_site(), all_results()).set_index("lot_id")
    row = lots.loc["A"]
    assert (row["view_before_frac"], row["view_after_frac"]) == (0.25, 0.75)
    assert (row["n_spans"], row["window_length_ft"], row["n_cut_trees"]) == (1, 6.0, 2)
    assert (row["foliage_removed_ft3"], row["foliage_removed_frac"]) == (120.0, 0.125)
    assert (row["window_status"], row["staged_plan"], row["n_years"]) == ("planned", "window", 2)
    assert lots.loc["B", "status"] == "no-frontage"  # the frontage's own stays
    assert lots.loc["B", "window_reason"] == "no way is open"
    assert pd.isna(lots.loc["C", "window_status"])
    path = tmp_path / "lots.csv"
    package.write_csv(path, lots.reset_index())
    read = pd.read_csv(path).set_index("lot_id")
    assert read.loc["A", "foliage_removed_ft3"] == 120.0 and read.loc["A", "n_years"] == 2


def test_every_table_is_a_layer_of_its_kind(tmp_path):
    site = small_site(eyes=EYES)
    layers = package.package_layers(site, all_results())
    path = tmp_path / "results.gpkg"
    package.write_layers(path, layers, CRS)
    kinds = {name: pyogrio.read_info(path, layer=name)["geometry_type"] for name in layers}
    assert kinds["window_spans"] == "Polygon" and kinds["sight_rays"] == "LineString"
    assert kinds["sight_eyes"] == kinds["eyes"] == "Point"
    plain = (
        "window_lots", "window_trees", "sight_blocks", "stage_lots", "stage_trees", "stage_cuts",
        "risk_trees",
    )  # fmt: skip
    assert {kinds[name] for name in plain} == {None}
    trees = pyogrio.read_dataframe(path, layer="window_trees")
    assert len(trees) == 3 and trees["removed_frac"].iloc[0] == 0.2
    rays = pyogrio.read_dataframe(path, layer="sight_rays")
    assert rays.crs.to_epsg() == CRS and rays.geometry.iloc[0].length == 6.0


@pytest.mark.parametrize(
    ("name", "kind"),
    [
        ("window_spans", "Polygon"),
        ("sight_rays", "LineString"),
        ("sight_eyes", "Point"),
        ("eyes", "Point"),
    ],
)
def test_an_empty_layer_keeps_its_kind(tmp_path, name, kind):
    empty = gpd.GeoDataFrame({"lot_id": pd.Series([], dtype=object)}, geometry=[], crs=CRS)
    path = tmp_path / "a.gpkg"
    package.write_layers(path, {name: empty}, CRS)
    assert pyogrio.read_info(path, layer=name)["geometry_type"] == kind


def test_without_a_window_nothing_is_added():
    crowns = package.crown_table(small_site(), some_results())
    lots = package.lot_table(small_site(), some_results())
    assert not {"treatment", "n_years", "is_stick_first"} & set(crowns.columns)
    assert not {"window_status", "n_spans", "n_years"} & set(lots.columns)


def test_stages_of_planned_heights_without_a_window():
    results = some_results() | {"stages": Result("stages", other_tables()["stages"])}
    crowns = package.crown_table(small_site(), results).set_index("crown_id")
    assert crowns.loc["t1", "n_years"] == 2 and "treatment" not in crowns.columns
    assert package.lot_table(small_site(), results).set_index("lot_id").loc["A", "n_years"] == 2


@pytest.mark.parametrize("name", ["window", "stages", "risks"])
def test_tables_without_rows_leave_the_figures_open(name):
    tables = {"window": window_tables(), **other_tables()}[name]
    empty = {key: table.iloc[:0] for key, table in tables.items()}
    results = some_results() | {name: Result(name, empty)}
    crowns = package.crown_table(small_site(), results)
    assert len(crowns) == 3
    for column in {"treatment", "n_years", "is_stick_first"} & set(crowns.columns):
        assert crowns[column].isna().all()
    assert len(package.lot_table(small_site(), results)) == 3


def test_a_tree_with_two_rows_is_a_bug_not_a_silent_choice():
    tables = window_tables()
    tables["window_trees"] = pd.concat([tables["window_trees"]] * 2, ignore_index=True)
    with pytest.raises(ValueError, match=r"window_trees.*more than one row for some crown_id"):
        package.crown_table(small_site(), {"window": Result("window", tables)})
