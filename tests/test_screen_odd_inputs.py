"""Inputs that are odd but no faults are read as they are, and what is odd is told."""

from __future__ import annotations

import io
import os
from csv import reader

import geopandas as gpd
import numpy as np
import pyarrow as pa
import pytest
import shapely
from screen_inputs import CRS, X0, Y0, lots_of, put, read, row_of_crowns, row_of_lots, square, told
from screen_inputs import unfit_of as unfit
from shapely.geometry import Polygon

from geotrim.errors import LayerError, RangeError, SiteFileError
from geotrim.io.layers import layer_schema
from geotrim.io.repair import area_change
from geotrim.rules.facts import facts
from geotrim.screen import lot_overlaps
from geotrim.screen.gather import _on_map
from geotrim.screen.gather_files import CsvFile, write_geoparquet
from geotrim.screen.gather_notes import NoteCounts
from geotrim.screen.input_key import changed_words, input_key
from geotrim.screen.lot_overlaps import overlaps
from geotrim.screen.progress import Progress
from geotrim.screen.screen_file import read_screen_file


def test_without_trees_and_without_heights_nothing_is_begun(tmp_path):
    path = put(tmp_path)
    text = path.read_text(encoding="utf-8")
    assert read_screen_file(path).name == "Row"
    path.write_text(text.partition("[crowns]")[0], encoding="utf-8")
    with pytest.raises(SiteFileError) as caught:
        read_screen_file(path)
    assert caught.value.subject == "[crowns] and [heights]"
    assert "heights to draft them from" in caught.value.need and caught.value.mend


def counted(*texts):
    counts = NoteCounts()
    for text in texts:
        counts.add("crowns", text, "info")
    return {row.text: row.n for row in counts.table().itertuples()}


def test_names_in_notes_are_no_ranges():
    """Ids may be bare numbers: of them no range can be made, whatever stands around them."""
    tail = "; the method proportional divides such a shore"
    assert counted(
        f"limits cross at lots 1201, 1202{tail}", f"limits cross at lots 9870, 310{tail}"
    ) == {f"limits cross at lots 1201, 1202, 9870, 310{tail}": 2}
    many = ", ".join(map(str, range(25)))
    assert "18, 19 and 5 more" in next(iter(counted(f"limits cross at lots {many}")))
    assert counted("5 crowns (7, 8, a 9, b, c, ...): unseen", "2 crowns (6, 7): unseen") == {
        "2 to 5 crowns (7, 8, a 9, b, c, ...): unseen": 2
    }
    assert list(counted("1 seen (7, ...)", "1 seen (7, 8, ...)")) == ["1 seen (7, 8, ...)"]
    for one, other in (
        ("all at 12 (45.0 against 3.1 ft)", "all at 14 (45.0 against 3.1 ft)"),
        (
            "its id is also that of the lot of row 3, 5",
            "its id is also that of the lot of row 4, 5",
        ),
        ("field '12' is odd", "field '13' is odd"),
        ("lots 3 and 4 touch", "lots 3 and 5 touch"),
    ):
        assert counted(one, other) == {one: 1, other: 1}
    both = counted(
        "2 both (keep) to be kept (keep): 4, 5; they", "3 both (keep) to be kept (keep): 6; they"
    )
    assert both == {"2 to 3 both (keep) to be kept (keep): 4, 5, 6; they": 2}


def test_a_mark_in_a_note_is_text():
    assert counted("# of 2 and 3", "1 of 2 and 3", "4 of 2 and 3", "# of 9 and 3") == {
        "# of 2 to 9 and 3": 2,
        "1 to 4 of 2 and 3": 2,
    }


def test_results_are_read_as_inputs(tmp_path):
    """GeoParquet whose "geo" stands in the file's own metadata and not in the Arrow schema's."""
    lots = row_of_lots()
    table = pa.table({"PIN": lots["PIN"].to_list(), "geometry": shapely.to_wkb(lots.geometry)})
    path = put(tmp_path, lots)
    wkt = lots.crs.to_wkt()
    write_geoparquet(tmp_path / "lots.parquet", [table], table.schema, wkt)
    _, store = read(path)
    got = lots_of(store)
    assert list(got["lot_id"]) == list(lots["PIN"])
    assert shapely.equals_identical(got["geometry"], shapely.normalize(lots.geometry)).all() or (
        shapely.equals(got["geometry"], lots.geometry).all()
    )
    schema = layer_schema(tmp_path / "lots.parquet")
    assert (schema.kind, schema.n_features) == ("polygon", 8)
    path.write_text(path.read_text(encoding="utf-8").replace('"PIN"', '"PIM"'), encoding="utf-8")
    with pytest.raises(LayerError, match=r"needed one of.*PIN") as caught:
        read(path)
    assert "bbox" not in str(caught.value)


def test_own_fields_are_written_as_they_are(tmp_path):
    given = [27.336435123, 1e308, None, 0.1 + 0.2]
    table = pa.table({"ours": [27.336435123, 1e308, None, 1e16 + 2], "LAT": given})
    csv = CsvFile(tmp_path / "t.csv", table.schema, ["LAT"])
    csv.add(table)
    csv.close()
    with (tmp_path / "t.csv").open(encoding="utf-8-sig", newline="") as stream:
        rows = list(reader(stream))[1:]
    ours, own = zip(*([float(text) if text else None for text in row] for row in rows), strict=True)
    assert list(own) == given
    assert ours == (27.3364, 1e308, None, 1e16 + 2)


def test_only_tiles_that_changed_are_told(tmp_path):
    """Bytes stand in for rasters: they are not opened here. What a viewer leaves is no change."""
    folder = tmp_path / "tiles"
    folder.mkdir()
    for name in "abcdef":
        (folder / f"{name}.tif").write_bytes(name.encode() * 300_000)
    path = put(tmp_path, said='\n[heights]\nfile = "tiles"\n')
    before = input_key(read_screen_file(path))

    def now():
        return changed_words(before, input_key(read_screen_file(path)))

    os.utime(folder / "a.tif", (1, 1))
    (folder / "a.tif.aux.xml").write_text("<PAMDataset><Metadata/></PAMDataset>", encoding="utf-8")
    (folder / "readme.txt").write_text("x", encoding="utf-8")
    assert now() == []
    (folder / "a.tfw").write_text("1", encoding="utf-8")
    assert now() == ["heights: in tiles, a.tif has another content"]
    (folder / "a.tfw").unlink()
    (folder / "a.tif.aux.xml").write_text("<PAMDataset><SRS>x</SRS></PAMDataset>", encoding="utf-8")
    assert now() == ["heights: in tiles, a.tif has another content"]
    (folder / "a.tif.aux.xml").unlink()
    with (folder / "b.tif").open("r+b") as stream:  # a third of the way: 4 pieces of 64 KiB
        stream.seek(100_000)
        stream.write(b"x")
    (folder / "c.tif").unlink()
    for name in ("d", "g"):
        (folder / f"{name}.tif").write_bytes(b"longer" * 70_000)
    assert now() == [
        "heights: in tiles, b.tif has another content, c.tif is gone, d.tif has another content "
        "and 1 more"
    ]


def test_a_single_raster_that_changed_is_told_once(tmp_path):
    path = put(tmp_path, said='\n[heights]\nfile = "one.tif"\n')
    (tmp_path / "one.tif").write_bytes(b"a")
    before = input_key(read_screen_file(path))
    (tmp_path / "one.tif").write_bytes(b"b")
    told_words = changed_words(before, input_key(read_screen_file(path)))
    assert told_words == ["heights: one.tif has another content"]


@pytest.mark.parametrize("digits", [16, 310, 4000])
def test_a_number_of_many_digits_is_no_answer(digits):
    for key in ("n_units", "earlier_height_ft"):
        with pytest.raises(RangeError):
            facts()[key].check(int("9" * digits), "")
        if digits > 16 or key == "n_units":
            with pytest.raises(RangeError):
                facts()[key].parse("9" * digits, "")


def test_a_fact_of_many_digits_is_unknown_for_that_lot(tmp_path):
    lots = row_of_lots(UNITS=["9" * 310, *["4"] * 7])
    _, store = read(put(tmp_path, lots, in_lots='facts = { n_units = "UNITS" }'))
    got = lots_of(store)
    assert got["facts"][0] == "{}" and "UNITS '999" in got["note"][0]
    assert "taken as unknown" in got["note"][0] and got["facts"][1] == '{"n_units": 4}'


def test_what_a_repair_did_is_told_in_square_feet():
    """Two triangles of a square of 100 ft, 2,500 ft2 each; in degrees the ellipsoid tells it.

    The zone's scale at that place is within 1e-4 of 1 (SPCS: 1 in 17,000), so areas are the same to
    0.02 %.
    """
    tie = gpd.GeoSeries([shapely.union_all([
        Polygon([(0, 0), (50, 50), (0, 100)]), Polygon([(100, 0), (50, 50), (100, 100)])
    ])], crs=CRS).translate(X0, Y0)  # fmt: skip
    assert area_change(0.0, tie[0], tie.crs) == "no net area before, 5,000.0 ft2 after"
    there = tie.to_crs(6318)
    words = area_change(1e-25, there[0], there.crs)
    after = float(words.removeprefix("no net area before, ").split()[0].replace(",", ""))
    assert after == pytest.approx(5000.0, rel=3e-4)
    half = area_change(there[0].area / 2, there[0], there.crs)
    assert half.startswith("area 2,") and half.endswith(" ft2 after, +1e+02 %")
    assert "%" not in area_change(tie[0].area / 100, tie[0], tie.crs)


def test_a_lot_far_away_keeps_its_shape_and_is_on_no_map(tmp_path):
    lots = row_of_lots()
    shapes = [*lots.geometry, square(330), shapely.box(2e12, 0, 3e12, 1)]
    both = gpd.GeoDataFrame({"PIN": [*lots["PIN"], "away", "nowhere"]}, geometry=shapes, crs=CRS)
    _, store = read(put(tmp_path, both))
    got = unfit(store)
    assert got["geometry"][0].equals(square(330)) and got["geometry"][1] is None
    # centre of the box 330 lots on, and of the first and the last lot
    place = (
        "at (453,050, 1,200,050), the others between (420,050, 1,200,050) and (420,750, 1,200,050)"
    )
    assert f"{place} US survey foot" in got["reason"][0]
    table = pa.table({"fault": ["far-away", None, "repeated"]})
    drawn = _on_map(table, np.array([square(330), square(0), square(1)]))
    assert [one is None for one in drawn] == [True, False, False]


def test_an_empty_layer_of_crowns_is_told_as_such(tmp_path):
    said = '\n[crowns]\nfile = "trees.parquet"\nid_field = "tree"\n'
    path = put(tmp_path, said=said, trees=row_of_crowns().iloc[:0])
    with pytest.raises(LayerError, match=r"no features.*leave \[crowns\] out") as caught:
        read(path)
    assert "on a map" not in str(caught.value)
    lines = row_of_crowns()
    lines.geometry = lines.boundary
    lines.to_parquet(tmp_path / "trees.parquet")
    with pytest.raises(LayerError, match="16 crowns, none of them usable: 16 that are no polygons"):
        read(path)


def test_progress_tells_the_first_and_the_last_of_a_count():
    out = io.StringIO()
    progress = Progress(out, clock=lambda: 0.0)
    for k in range(1, 13):
        progress(f"reading heights, headers of {k} of 12 tiles")
    progress("planning")
    assert out.getvalue().split("geotrim: ")[1:] == [
        "reading heights, headers of 1 of 12 tiles\n",
        "reading heights, headers of 12 of 12 tiles\n",
        "planning\n",
    ]


def test_lots_over_each_other_are_told_of_it(tmp_path):
    """P0 and P1 are 100 ft squares; "over" lies 60 ft wide over P0 and 20 over P1, 100 deep.

    "in" is a square of 10 ft in P4, "rim" lies 4 ft over P6: less than one twentieth.
    """
    more = {
        "over": shapely.box(X0 + 40, Y0 - 2, X0 + 120, Y0 + 100),  # 80 x 102 = 8,160 ft2
        "in": shapely.box(X0 + 440, Y0 + 50, X0 + 450, Y0 + 60),
        "rim": shapely.box(X0 + 600, Y0 - 96, X0 + 700, Y0 + 4),
    }
    lots = row_of_lots()
    both = gpd.GeoDataFrame(
        {"PIN": [*lots["PIN"], *more]}, geometry=[*lots.geometry, *more.values()], crs=CRS
    )
    reading, store = read(put(tmp_path, both))
    got = lots_of(store).set_index("lot_id")["note"]
    head = got.dropna().str.partition(":")[0].to_dict()
    assert head == {
        "P0": "it shares ground with lot 'over' (6,000 ft2, 60 % of it)",
        "P1": "it shares ground with lot 'over' (2,000 ft2, 20 % of it)",
        "P4": "it holds lot 'in' (100 ft2)",
        "over": "it shares ground with lots 'P0' (6,000 ft2, 74 % of it), "
        "'P1' (2,000 ft2, 25 % of it)",
        "in": "it lies within lot 'P4'",
    }
    assert "to the lot that holds it deepest" in got["over"]
    both["PIN"] = both["PIN"].replace("in", "P4")
    both.to_parquet(tmp_path / "lots.parquet")
    path = tmp_path / "screen.toml"
    note = lots_of(read(path, tmp_path / "again")[1])["note"]
    assert note[4].startswith("its id is also that of the lot of row 10; it holds lot 'P4'")
    assert told(reading, "5 lots of 11 mended, or in doubt")


def test_pairs_of_lots_are_those_of_a_look_at_all_of_them(monkeypatch):
    """Squares of any size and turn; oracle: every pair cut by the geometry library."""
    monkeypatch.setattr(lot_overlaps, "_ROWS_AT_ONCE", 33)
    monkeypatch.setattr(lot_overlaps, "_PAIRS_AT_ONCE", 7)
    rng = np.random.default_rng(11)
    shapes = np.array([
        shapely.affinity.rotate(shapely.box(x, y, x + s, y + s), turn)
        for x, y, s, turn in zip(*rng.uniform(0, 60, (2, 80)), rng.uniform(1, 12, 80),
                                 rng.uniform(0, 90, 80), strict=True)
    ])  # fmt: skip
    areas = shapely.area(shapes)
    found = {(a, b): s for a, b, s in overlaps(shapely.bounds(shapes), areas, lambda r: shapes[r])}
    want = {
        (a, b): shapes[a].intersection(shapes[b]).area for a in range(80) for b in range(a + 1, 80)
    }
    want = {pair: s for pair, s in want.items() if s > 0.05 * min(areas[list(pair)])}
    assert found.keys() == want.keys() and len(want) > 20
    assert all(found[pair] == pytest.approx(s) for pair, s in want.items())
