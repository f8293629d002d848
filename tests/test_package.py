"""The result package: what is in it, that it reads back, and that nothing is lost on the way."""

from __future__ import annotations

import json
import math
from dataclasses import replace
from datetime import UTC, date, datetime
from functools import partial

import fiona
import geopandas as gpd
import numpy as np
import pandas as pd
import pyogrio
import pytest
import shapely

from geotrim.errors import FileError
from geotrim.io import aside, package, record
from geotrim.io.replaceable import PACKAGE, check_replaceable
from geotrim.model import Facts, InputFile, Note, Result, Setback, Site
from geotrim.rules.rule_file import read_overlay
from tests.test_site_file import LOCAL

CRS = 6443


def small_site(**more):
    """Two lots and a neighbour, three crowns."""
    lots = gpd.GeoDataFrame(
        {"lot_id": ["A", "B", "C"], "is_measured": [True, True, False]},
        geometry=[shapely.box(0, 0, 9, 9), shapely.box(9, 0, 18, 9), shapely.box(18, 0, 27, 9)],
        crs=CRS,
    )
    crowns = gpd.GeoDataFrame(
        {
            "crown_id": ["t2", "t1", "t3"],
            "species": [None, "Rhizophora mangle", None],
            "base_height_ft": [math.nan, 2.0, math.nan],
        },
        geometry=[shapely.box(0, -4, 3, -1), shapely.box(4, -4, 7, -1), shapely.box(8, -4, 9, -1)],
        crs=CRS,
    )
    shore = gpd.GeoDataFrame(geometry=[shapely.LineString([(0, 0), (27, 0)])], crs=CRS)
    return Site("small", CRS, lots, shore, "survey", crowns=crowns, **more)


def some_results():
    """Results in the shapes the operations promise, with gaps of every kind."""
    frontage = gpd.GeoDataFrame(
        {"lot_id": ["A"], "stretch_id": ["A/1"], "frontage_length_ft": [9.0]},
        geometry=[shapely.LineString([(9, 0), (0, 0)])],
        crs=CRS,
    )
    lots = gpd.GeoDataFrame(
        {
            "lot_id": ["A", "B"],
            "status": ["ok", "no-frontage"],
            "reason": ["", "too far"],
            "frontage_length_ft": [9.0, 0.0],
            "n_stretches": [1, 0],
        },
        geometry=[shapely.box(0, 0, 9, 9), shapely.box(9, 0, 18, 9)],
        crs=CRS,
    )
    zone = gpd.GeoDataFrame(
        {"lot_id": ["A", "B"], "status": ["ok", "no-zone"], "zone_area_ft2": [27.0, 0.0]},
        geometry=[shapely.box(0, -3, 9, 0), None],
        crs=CRS,
    )
    heights = pd.DataFrame(
        {
            "crown_id": ["t1", "t2", "t3"],
            "top_height_ft": [9.5, 12.0, math.nan],
            "is_too_close": [True, False, None],
            "covered_frac": [1.0, 0.5, 0.0],
        }
    )
    slices = pd.DataFrame(
        {
            "crown_id": ["t1", "t2", "t3"],
            "share_band_frac": [0.25, 0.1, math.nan],
            "covered_frac": [1.0, 0.5, 0.0],
        }
    )
    flags = pd.DataFrame(
        {
            "crown_id": ["t1", "t1", "t2", "t2"],
            "setback_name": ["Dock way", "side"] * 2,
            "inside": ["wholly", "not", "partly", "not"],
            "setback_margin_ft": [-3.0, 8.0, -1.0, 5.0],
            "is_past_setback": [False, True, False, True],
        }
    )
    return {
        "frontage": Result("frontage", {"frontage": frontage, "lots": lots}, (), {"reach_ft": 5.0}),
        "zone": Result("zone", {"zone": zone}),
        "setbacks": Result("setbacks", {"setback_flags": flags}),
        "heights": Result("heights", {"heights": heights}, (), {"confidence_frac": 0.9}),
        "slices": Result("slices", {"slices": slices}),
    }


def test_crowns_carry_every_measure_and_keep_their_order():
    crowns = package.crown_table(small_site(), some_results()).set_index("crown_id")
    assert list(crowns.index) == ["t2", "t1", "t3"]
    assert crowns.loc["t1", "top_height_ft"] == 9.5 and crowns.loc["t2", "share_band_frac"] == 0.1
    assert crowns.loc["t1", "dock_way_inside"] == "wholly"
    assert crowns.loc["t1", "side_margin_ft"] == 8.0
    assert bool(crowns.loc["t2", "is_past_side"]) is True
    assert pd.isna(crowns.loc["t3", "dock_way_margin_ft"])
    assert bool(crowns.loc["t1", "is_mangrove"]) and pd.isna(crowns.loc["t2", "is_mangrove"])
    # what two tables say alike is there once
    assert list(crowns.columns).count("covered_frac") == 1
    assert not any("slices" in name for name in crowns.columns)


def test_what_two_tables_say_differently_is_kept_apart():
    lots = package.lot_table(small_site(), some_results()).set_index("lot_id")
    assert lots.loc["B", "status"] == "no-frontage" and lots.loc["B", "zone_status"] == "no-zone"
    assert lots.loc["A", "zone_area_ft2"] == 27.0
    assert pd.isna(lots.loc["C", "frontage_length_ft"]) and not lots.loc["C", "is_measured"]


def test_exclusions_of_one_name_are_numbered():
    flags = pd.DataFrame(
        {
            "crown_id": ["t1", "t2", "t1", "t2"],
            "setback_name": ["reserve"] * 4,
            "setback_margin_ft": [1.0, 2.0, 3.0, 4.0],
        }
    )
    results = {"setbacks": Result("setbacks", {"setback_flags": flags})}
    crowns = package.crown_table(small_site(), results).set_index("crown_id")
    assert crowns.loc["t2", ["reserve_margin_ft", "reserve_2_margin_ft"]].tolist() == [2.0, 4.0]


def test_a_second_row_for_a_crown_is_a_bug_not_a_silent_choice():
    double = pd.DataFrame({"crown_id": ["t1", "t1"], "top_height_ft": [1.0, 2.0]})
    with pytest.raises(ValueError, match="more than one row for some crown_id"):
        package.join(small_site().crowns, double, "crown_id", "heights")


@pytest.mark.parametrize(
    ("column", "expected"),
    [
        ("is_partial", "is_slices_partial"),
        ("n_trees", "n_slices_trees"),
        ("top_ft", "slices_top_ft"),
    ],
)
def test_a_column_named_after_its_table_keeps_its_unit_last(column, expected):
    assert package._prefixed(column, "slices") == expected


def test_the_geopackage_reads_back_whole(tmp_path):
    """Through two libraries: layer names, rows, CRS, nulls and true/false."""
    path = tmp_path / "results.gpkg"
    layers = package.package_layers(small_site(), some_results())
    package.write_layers(path, layers, CRS)
    assert sorted(fiona.listlayers(path)) == sorted(layers)
    assert set(layers) == {"lots", "mhw_line", "frontage", "zone", "setback_flags", "crowns"}
    with fiona.open(path, layer="crowns") as source:
        rows = {row["properties"]["crown_id"]: row["properties"] for row in source}
        assert source.schema["geometry"] == "Polygon" and source.crs.to_epsg() == CRS
        assert source.schema["properties"]["is_too_close"] == "bool"
    assert rows["t1"]["is_too_close"] is True and rows["t2"]["is_too_close"] is False
    assert rows["t3"]["is_too_close"] is None and rows["t3"]["top_height_ft"] is None
    assert rows["t2"]["species"] is None and rows["t1"]["species"] == "Rhizophora mangle"
    zone = pyogrio.read_dataframe(path, layer="zone")
    assert zone.geometry.isna().tolist() == [False, True]
    flags = pyogrio.read_dataframe(path, layer="setback_flags")
    assert len(flags) == 4 and "geometry" not in flags.columns
    for name, table in layers.items():
        assert pyogrio.read_info(path, layer=name)["features"] == len(table)


def test_mixed_shapes_and_empty_tables_are_layers_too(tmp_path):
    path = tmp_path / "odd.gpkg"
    two = shapely.MultiPolygon([shapely.box(0, 0, 1, 1), shapely.box(2, 2, 3, 3)])
    mixed = gpd.GeoDataFrame({"n": [1, 2]}, geometry=[two, shapely.box(5, 5, 6, 6)], crs=CRS)
    package.write_layers(
        path, {"mixed": mixed, "none": mixed.iloc[:0], "bare": mixed[["n"]].iloc[:0]}, CRS
    )
    assert set(pyogrio.read_dataframe(path, layer="mixed").geom_type) == {"MultiPolygon"}
    assert pyogrio.read_info(path, layer="none")["features"] == 0
    assert fiona.listlayers(path) == ["mixed", "none", "bare"]


def test_csv_is_plain_and_empty_where_nothing_is_known(tmp_path):
    path = tmp_path / "crowns.csv"
    package.write_csv(path, package.crown_table(small_site(), some_results()))
    rows = path.read_bytes().decode("utf-8").split("\n")
    head = rows[0].split(",")
    assert "geometry" not in head and head[0] == "crown_id"
    last = dict(zip(head, rows[3].split(","), strict=True))
    assert last["crown_id"] == "t3" and last["top_height_ft"] == "" and last["is_too_close"] == ""
    assert rows[-1] == "" and "\r" not in path.read_text(encoding="utf-8")


def test_crowns_csv_tells_the_planned_heights_and_the_window_apart():
    """Names only: no value changes, and years of the staged cuts go to the plan that was staged."""
    crowns = pd.DataFrame(
        {
            "crown_id": ["a", "b", "c"],
            "top_height_ft": [20.0, 21.0, 22.0],
            "target_height_ft": [12.0, 12.0, 12.0],
            "removed_frac": [0.4, 0.5, 0.6],
            "general_permit": ["open", "closed", "open"],
            "treatment": ["lower-top", "leave", "lower-top"],
            "cut_low_ft": [6.5, np.nan, 7.0],
            "window_removed_frac": [0.2, 0.0, 0.1],
            "n_years": [2, 0, 3],
        }
    )
    stages = Result(
        "stages",
        {
            "stage_lots": pd.DataFrame(
                {"lot_id": ["L1", "L2"], "plan": ["window", "target-height"]}
            ),
            "stage_trees": pd.DataFrame({"lot_id": ["L1", "L1", "L2"], "crown_id": list("abc")}),
        },
    )
    out = package.crown_csv(crowns, {"stages": stages})
    new = {
        "target_height_ft": "planned_height_ft",
        "removed_frac": "planned_removed_frac",
        "general_permit": "planned_general_permit",
        "treatment": "window_treatment",
        "cut_low_ft": "window_cut_low_ft",
    }
    for old, name in new.items():
        assert old not in out.columns
        pd.testing.assert_series_equal(out[name], crowns[old], check_names=False)
    for same in ("crown_id", "top_height_ft", "window_removed_frac"):
        pd.testing.assert_series_equal(out[same], crowns[same])
    assert "n_years" not in out.columns
    assert out["n_window_years"].tolist()[:2] == [2, 0] and pd.isna(out["n_window_years"][2])
    assert (
        out["n_planned_years"][2] == 3 and out["n_planned_years"].isna().tolist()[:2] == [True] * 2
    )
    assert list(crowns.columns)[-1] == "n_years", "the layer keeps its names"
    plain = package.crown_csv(crowns.drop(columns="n_years"), {})
    assert "n_window_years" not in plain.columns


def test_years_are_parted_where_nobody_knows_the_lots():
    stages = Result(
        "stages",
        {
            "stage_lots": pd.DataFrame({"lot_id": [None], "plan": ["target-height"]}),
            "stage_trees": pd.DataFrame({"lot_id": [None], "crown_id": ["a"]}),
        },
    )
    out = package.crown_csv(pd.DataFrame({"crown_id": ["a"], "n_years": [4]}), {"stages": stages})
    assert out["n_planned_years"].tolist() == [4] and out["n_window_years"].isna().all()


def test_geojson_is_in_degrees_as_its_standard_asks(tmp_path):
    """RFC 7946, section 4: WGS 84 longitude and latitude."""
    path = tmp_path / "frontage.geojson"
    real = small_site()
    shifted = real.lots.assign(geometry=real.lots.translate(500000, 1200000))
    package.write_geojson(path, shifted)
    told = json.loads(path.read_text(encoding="utf-8"))
    assert "crs" not in told
    x, y = told["features"][0]["geometry"]["coordinates"][0][0]
    assert -83.5 < x < -81.5 and 26 < y < 29  # Florida's west coast


def full_record(**more):
    site = small_site(
        setbacks=(Setback("side", "lot-lines", 5.0, "an invented rule"),),
        options={"confidence_frac": 0.9},
        mhw_facts={"epoch": "1983-2001", "elevation_ft": math.nan},
    )
    return record.build_record(
        site,
        some_results(),
        cautions=["be careful"],
        caution_of={"zone": "not where it is allowed"},
        notes=[
            Note("crowns", "one is off the raster", "missing"),
            Note("lots", "mended", "repaired"),
        ],
        started=datetime(2026, 3, 4, 5, 6, 7, tzinfo=UTC),
        **more,
    )


def test_the_record_tells_parameters_units_and_cautions():
    told = record.plain(full_record())
    by_name = {op["name"]: op for op in told["operations"]}
    assert by_name["frontage"]["parameters"]["reach_ft"] == {"value": 5.0, "is_default": True}
    assert by_name["heights"]["parameters"]["confidence_frac"]["is_default"] is False
    assert by_name["frontage"]["n_rows"] == {"frontage": 1, "lots": 2}
    assert by_name["zone"]["caution"] == "not where it is allowed"
    assert told["cautions"] == ["be careful"] and told["started_utc"] == "2026-03-04T05:06:07Z"
    assert told["notes"]["missing"] == [{"about": "crowns", "text": "one is off the raster"}]
    assert told["site"]["mhw_line"]["label"] == "MHW line, from a survey"
    assert told["site"]["mhw_line"]["elevation_ft"] is None  # NaN has no place in JSON
    assert told["site"]["setbacks"][0]["source"] == "an invented rule"


def test_the_record_tells_facts_land_and_local_rules():
    """Facts lot by lot, for the lots that are reported; a date as ISO 8601 writes it."""
    overlay = read_overlay(LOCAL, "local.toml")
    told_facts = Facts(
        {"supervisor": "owner", "start_date": date(2027, 1, 15)},
        {"B": {"supervisor": "professional"}, "C": {"n_units": 4}},
    )
    read = InputFile("rules", "local.toml", "ab" * 32, detail={"id": overlay.id})
    site = small_site(
        facts=told_facts,
        set_aside=land("mitigation", "conservation", "mitigation"),
        overlays=(overlay,),
        inputs=(read,),
    )
    told = record.plain(a_record(site))
    assert told["facts"] == {
        "A": {"supervisor": "owner", "start_date": "2027-01-15"},
        "B": {"supervisor": "professional", "start_date": "2027-01-15"},
    }
    assert told["set_aside"] == {"conservation": 1, "mitigation": 2}
    (rules,) = told["overlays"]
    assert rules["id"] == "saltspindle" and rules["sha256"] == "ab" * 32
    assert rules["title"] == overlay.title and rules["file"] == "local.toml"


def test_the_record_of_a_site_that_says_nothing():
    told = record.plain(a_record(small_site()))
    assert told["facts"] == {"A": {}, "B": {}}
    assert told["set_aside"] is None and told["overlays"] == []
    overlay = read_overlay(LOCAL, "local.toml")
    read = InputFile("rules", "given in memory", "", detail={"id": overlay.id})
    (rules,) = a_record(small_site(overlays=(overlay,), inputs=(read,)))["overlays"]
    assert rules["sha256"] is None


def test_land_set_aside_is_a_layer(tmp_path):
    path = tmp_path / "results.gpkg"
    layers = package.package_layers(small_site(set_aside=land("mitigation")), {})
    package.write_layers(path, layers, CRS)
    got = pyogrio.read_dataframe(path, layer="set_aside")
    assert got["kind"].tolist() == ["mitigation"] and got["name"].tolist() == ["n0"]
    assert "set_aside" not in package.package_layers(small_site(), {})
    package.write_layers(path, {"set_aside": land().iloc[:0]}, CRS)
    assert pyogrio.read_info(path, layer="set_aside")["geometry_type"] == "Polygon"


def test_the_plan_of_each_crown_goes_into_the_package(tmp_path):
    """True, False and nothing stay three things."""
    site = small_site()
    plan = pd.Series([True, False, None], dtype=object)
    site = replace(site, crowns=site.crowns.assign(is_to_trim=plan, target_height_ft=[6, 7, None]))
    package.write_layers(tmp_path / "r.gpkg", package.package_layers(site, {}), CRS)
    with fiona.open(tmp_path / "r.gpkg", layer="crowns") as source:
        assert source.schema["properties"]["is_to_trim"] == "bool"
        assert [row["properties"]["is_to_trim"] for row in source] == [True, False, None]


def land(*kinds):
    """Land set aside, one square for each kind."""
    return gpd.GeoDataFrame(
        {"name": [f"n{i}" for i, _ in enumerate(kinds)], "kind": list(kinds)},
        geometry=[shapely.box(i, 0, i + 1, 1) for i, _ in enumerate(kinds)],
        crs=CRS,
    )


def a_record(site):
    return record.build_record(
        site, {}, cautions=[], caution_of={}, notes=[], started=datetime(2026, 3, 4, tzinfo=UTC)
    )


def test_the_record_tells_the_foot_of_the_crs():
    """US survey foot 1200/3937 m, international foot 0.3048 m: Federal Register 85 FR 62698."""
    told = full_record()["crs"]
    assert told["code"] == "EPSG:6443" and told["map_unit"] == "US survey foot"
    assert told["feet_per_map_unit"] == pytest.approx(1200 / 3937 / 0.3048, rel=1e-12)
    assert 0.9 < told["grid_scale_factor_at_site"] < 1.1


def test_the_record_names_every_library_it_ran_on():
    told = record.versions()
    assert set(record.LIBRARIES) <= set(told)
    assert all(told[name] for name in ("geotrim", "python", "GDAL (vectors)", "PROJ", "GEOS"))


@pytest.mark.parametrize(
    ("value", "expected"),
    [
        (math.inf, None),
        (np.float32(0.5), 0.5),
        (np.array([1.0, math.nan]), [1.0, None]),
        (np.bool_(True), True),
        (pd.NA, None),
        ({"a": {1: (2,)}}, {"a": {"1": [2]}}),
        (pytest, str(pytest)),
    ],
)
def test_json_kinds(value, expected):
    assert record.plain(value) == expected
    json.dumps(record.plain(value), allow_nan=False)


def test_files_are_described_by_their_hash(tmp_path):
    """SHA-256 of "abc": FIPS 180-2, appendix B.1."""
    (tmp_path / "a.txt").write_bytes(b"abc")
    (told,) = record.describe_files(tmp_path)
    assert told["file"] == "a.txt" and told["n_bytes"] == 3
    assert told["sha256"] == "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"


class Stopped(BaseException):
    """Stands for Ctrl-C."""


@pytest.mark.parametrize("stop", [Stopped, RuntimeError])
def test_a_run_that_is_stopped_leaves_nothing(tmp_path, stop):
    def work():
        with aside.new_folder(tmp_path / "out") as folder:
            (folder / "half").write_text("half", encoding="utf-8")
            raise stop

    with pytest.raises(stop):
        work()
    assert list(tmp_path.iterdir()) == []


def test_a_folder_that_exists_is_never_touched(tmp_path):
    (tmp_path / "out").mkdir()
    (tmp_path / "out" / "mine.txt").write_text("mine", encoding="utf-8")
    with pytest.raises(FileError, match="found that it exists"), aside.new_folder(tmp_path / "out"):
        pass
    replacing = aside.new_folder(tmp_path / "out", may_replace=MAY_REPLACE)
    with pytest.raises(FileError, match="no folder of geotrim's, not a result package"), replacing:
        pass
    assert (tmp_path / "out" / "mine.txt").read_text(encoding="utf-8") == "mine"


MAY_REPLACE = partial(check_replaceable, kind=PACKAGE)


def an_earlier_package(folder):
    folder.mkdir()
    (folder / "old.txt").write_text("old", encoding="utf-8")
    record.write_record(folder, {"versions": {"geotrim": "0"}})


def test_an_earlier_package_goes_only_when_the_new_one_is_whole(tmp_path):
    out = tmp_path / "out"
    an_earlier_package(out)

    def work(fails):
        with aside.new_folder(out, may_replace=MAY_REPLACE) as folder:
            (folder / "new.txt").write_text("new", encoding="utf-8")
            assert (out / "old.txt").exists()
            if fails:
                raise RuntimeError

    with pytest.raises(RuntimeError):
        work(fails=True)
    assert sorted(p.name for p in tmp_path.rglob("*")) == ["old.txt", "out", "record.json"]
    work(fails=False)
    assert sorted(p.name for p in tmp_path.rglob("*")) == ["new.txt", "out"]


def test_a_rename_that_fails_puts_the_earlier_package_back(tmp_path, monkeypatch):
    """Where the system cannot exchange two names in one step, there are two renames."""
    monkeypatch.setattr(aside, "exchange", lambda one, other: False)
    out = tmp_path / "out"
    an_earlier_package(out)
    rename = type(out).rename

    def refuse(self, target):
        if ".partial" in self.name:
            raise OSError(28, "No space left on device")
        return rename(self, target)

    monkeypatch.setattr(type(out), "rename", refuse)
    with (
        pytest.raises(FileError, match="No space left"),
        aside.new_folder(out, may_replace=MAY_REPLACE),
    ):
        pass
    assert sorted(p.name for p in tmp_path.rglob("*")) == ["old.txt", "out", "record.json"]


def test_the_first_free_name(tmp_path):
    assert aside.first_free(tmp_path / "a") == tmp_path / "a"
    (tmp_path / "a").mkdir()
    (tmp_path / "a-2").mkdir()
    assert aside.first_free(tmp_path / "a") == tmp_path / "a-3"


def test_a_file_is_replaced_only_by_a_whole_one(tmp_path):
    path = tmp_path / "t.csv"
    path.write_text("old", encoding="utf-8")

    def work(text, fails):
        with aside.new_file(path) as target:
            target.write_text(text, encoding="utf-8")
            assert target.suffix == ".csv"
            if fails:
                raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        work("half", fails=True)
    assert [p.name for p in tmp_path.iterdir()] == ["t.csv"]
    assert path.read_text(encoding="utf-8") == "old"
    work("new", fails=False)
    assert path.read_text(encoding="utf-8") == "new"


def test_a_file_needs_its_folder(tmp_path):
    with pytest.raises(FileError, match="no folder"), aside.new_file(tmp_path / "no" / "t.csv"):
        pass


def test_counts_are_whole_numbers_where_neighbours_have_none(tmp_path):
    lots = package.lot_table(small_site(), some_results())
    package.write_csv(tmp_path / "lots.csv", lots)
    rows = (tmp_path / "lots.csv").read_text(encoding="utf-8").splitlines()
    at = rows[0].split(",").index("n_stretches")
    assert [row.split(",")[at] for row in rows[1:]] == ["1", "0", ""]
    package.write_layers(tmp_path / "lots.gpkg", {"lots": lots}, CRS)
    with fiona.open(tmp_path / "lots.gpkg") as source:
        assert source.schema["properties"]["n_stretches"].startswith("int")


def test_a_layer_without_rows_has_the_types_its_names_tell(tmp_path):
    names = ["lot_id", "n_trees", "is_over_limit", "has_trunk", "frontage_length_ft", "area_ft2"]
    empty = gpd.GeoDataFrame({name: [] for name in names}, geometry=[], crs=CRS).astype(
        dict.fromkeys(names, object)
    )
    path = tmp_path / "empty.gpkg"
    package.write_layers(path, {"neighbour_frontage": empty, "setbacks": empty}, CRS)
    with fiona.open(path, layer="neighbour_frontage") as source:
        assert source.schema["geometry"] == "LineString" and source.crs.to_epsg() == CRS
        kinds = [kind.partition(":")[0] for kind in source.schema["properties"].values()]
        assert kinds == ["str", "int", "bool", "bool", "float", "float"]
    assert pyogrio.read_info(path, layer="setbacks")["geometry_type"] == "Polygon"


def test_the_shore_layer_says_what_the_line_is():
    """An apparent shoreline is never called an MHW line, in the package neither."""
    site = replace(small_site(), mhw_origin="apparent-shoreline")
    (label,) = package.package_layers(site, {})["mhw_line"]["label"]
    assert label == "apparent shoreline, not an MHW line"
    site = replace(small_site(), mhw_facts={"epoch": "1983-2001"})
    (epoch,) = package.package_layers(site, {})["mhw_line"]["epoch"]
    assert epoch == "1983-2001"
