"""Bad lots: each is a row with its reason; every other lot comes out as if it were not there."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq
import pytest
import shapely
from screen_inputs import CRS, SIDE, X0, Y0, lots_of, put, read, row_of_lots, square, told, unfit_of
from shapely import affinity
from shapely.geometry import LineString, Point, Polygon

from geotrim.errors import CRSError, LayerError
from geotrim.io.wkb_shapes import mended_shapes
from geotrim.screen import reading as reading_module
from geotrim.screen.lot_faults import far_away, repeated, usual_bounds, why_far

NAN, INF = float("nan"), float("inf")
#: 20 square miles are 557,568,000 ft2, a square of 23,612.9 ft: 5280 ft a mile.
BIG = 23_620.0


def with_corner(y):
    """A lot one of whose corners is no place; written past the library's own check."""
    blob = bytearray(square(0, y0=Y0 - 100).wkb)
    at = 5 + 4 + 4 + 16 + 8  # head, rings, points, the first point, the second's x
    blob[at : at + 8] = np.float64(y).tobytes()
    with np.errstate(invalid="ignore"):
        return shapely.from_wkb(bytes(blob))


#: Broken lot -> fault, and words of its reason. Lots lie in a row from X0; see screen_inputs.
BROKEN = {
    "none": (None, "no-shape", "no shape"),
    "empty": (Polygon(), "no-shape", "no shape"),
    "nan": (with_corner(NAN), "not-finite", "nan"),
    "inf": (with_corner(INF), "not-finite", "inf"),
    "line": (LineString([(X0, Y0), (X0 + 50, Y0)]), "wrong-kind", "is a line, no polygon"),
    "point": (Point(X0, Y0), "wrong-kind", "is a point, no polygon"),
    "flat": (Polygon([(X0, Y0), (X0 + 50, Y0), (X0 + 90, Y0)]), "no-extent", "no area"),
    # shell of 100 x 100, hole of 200 x 80 across it: of |10,000 - 16,000| ft2, 2,000 are left
    "eaten": (
        Polygon(
            square(0, y0=Y0 - 100).exterior,
            [affinity.translate(shapely.box(-50, 10, 150, 90), X0, Y0 - 100).exterior.coords],
        ),
        "vanished",
        "crosses itself",
    ),
    "big": (shapely.box(X0, Y0 - 100 - BIG, X0 + BIG, Y0 - 100), "too-large", "square miles"),
    # six miles further on than the last lot and than the end of the shore
    "away": (square(330), "far-away", "miles from any shore line"),
    "degrees": (shapely.box(-82.7, 27.9, -82.6, 28.0), "far-away", "look like degrees"),
    "swapped": (
        shapely.transform(square(2), lambda xy: xy[:, ::-1]),
        "far-away",
        "with x and y exchanged it would lie among the others",
    ),
    "twin": (square(3), "repeated", "same ground as lot 'P3' (row 4)"),
    # the same four sides half a foot off: 99 x 99.5 of 100 x 100 ft2 shared
    "near twin": (affinity.translate(square(3), 0.5, 0.5), "repeated", "same ground as lot 'P3'"),
    "turned twin": (
        Polygon(np.roll(shapely.get_coordinates(square(3))[:4], 2, axis=0)),
        "repeated",
        "same ground as lot 'P3'",
    ),
}


def with_broken(shape, name="bad", at=None):
    """The row of lots with one more in it, at the end unless told otherwise."""
    lots = row_of_lots()
    at = len(lots) if at is None else at
    shapes, names = list(lots.geometry), list(lots["PIN"])
    shapes.insert(at, shape)
    names.insert(at, name)
    return gpd.GeoDataFrame({"PIN": names}, geometry=shapes, crs=CRS)


def rest(store, *, but=()):
    """What is known of lots, but for the number of the row."""
    lots = lots_of(store).drop(columns=["lot_number", "geometry"])
    return lots[~lots["lot_id"].isin(but)].reset_index(drop=True)


@pytest.fixture(scope="module")
def without(tmp_path_factory):
    """The row of lots with no bad one in it."""
    return rest(read(put(tmp_path_factory.mktemp("alone")))[1])


@pytest.mark.parametrize("case", BROKEN)
def test_a_bad_lot_is_a_row_and_the_rest_are_as_without_it(tmp_path, without, case):
    shape, fault, words = BROKEN[case]
    # a twin comes after the lot it repeats; the others stand in front, where they could do harm
    at = 8 if fault == "repeated" else 0
    reading, store = read(put(tmp_path, with_broken(shape, at=at)))
    unfit = unfit_of(store)
    assert list(unfit["lot_id"]) == ["bad"] and list(unfit["lot_number"]) == [at]
    assert unfit["fault"][0] == fault
    assert words in unfit["reason"][0]
    assert (reading.n_lots, reading.n_fit, reading.n_unfit) == (9, 8, 1)
    assert rest(store).equals(without)
    assert told(reading, "1 lot of 9 cannot be measured", fault)


def test_all_of_them_at_once(tmp_path):
    """Every broken lot of the list in one file; the eight good ones are as they were."""
    lots = row_of_lots()
    shapes = [shape for shape, _, _ in BROKEN.values()]
    names = [*lots["PIN"], *BROKEN]
    both = gpd.GeoDataFrame({"PIN": names}, geometry=[*lots.geometry, *shapes], crs=CRS)
    reading, store = read(put(tmp_path, both))
    unfit = unfit_of(store)
    want = {name: fault for name, (_, fault, _) in BROKEN.items()}
    assert dict(zip(unfit["lot_id"], unfit["fault"], strict=True)) == want
    assert list(lots_of(store)["lot_id"]) == list(lots["PIN"])
    assert reading.n_unfit == len(BROKEN)
    has_shape = unfit.set_index("lot_id")["wkb"].notna()
    assert not has_shape[["none", "nan"]].any()
    assert has_shape[["big", "twin", "away", "degrees", "swapped"]].all()


def test_a_lot_without_an_id(tmp_path, monkeypatch):
    """One in the second batch; one that has no shape either, which is told first."""
    monkeypatch.setattr(reading_module, "LEAST_ROWS", 7)
    monkeypatch.setattr(reading_module, "MOST_ROWS", 7)
    lots = with_broken(square(9), name=" ")
    more = gpd.GeoDataFrame({"PIN": [None]}, geometry=[None], crs=CRS)
    reading, store = read(put(tmp_path, pd.concat([lots, more])))
    unfit = unfit_of(store)
    assert list(unfit["fault"]) == ["no-id", "no-shape"] and unfit["lot_id"].isna().all()
    assert list(unfit["lot_number"]) == [8, 9]
    assert reading.n_fit == 8


def test_an_id_twice_is_told_and_both_are_measured(tmp_path):
    reading, store = read(put(tmp_path, with_broken(square(8), name="P2")))
    lots = lots_of(store)
    assert reading.n_unfit == 0 and list(lots["lot_id"]).count("P2") == 2
    notes = dict(zip(lots["lot_number"], lots["note"], strict=True))
    assert "row 9" in notes[2] and "row 3" in notes[8]
    assert not isinstance(notes[0], str)


def test_a_lot_that_crosses_itself_is_repaired_and_told(tmp_path):
    """A bow tie over a square of 100 ft: two triangles of 100 x 50 / 2 ft2 are left."""
    x, y = X0 + 8 * SIDE, Y0
    bow = Polygon([(x, y), (x + 100, y + 100), (x + 100, y), (x, y + 100)])
    reading, store = read(put(tmp_path, with_broken(bow)))
    lot = lots_of(store).iloc[-1]
    assert reading.n_unfit == 0
    assert lot.geometry.area == pytest.approx(5000.0)
    assert lot.geometry.is_valid and "repaired (self-intersection)" in lot.note


def test_a_ring_drawn_three_times_is_the_lot_it_encloses():
    """Its signed area is three times that of the square; nothing has vanished."""
    ring = shapely.get_coordinates(square(0))[:4]
    thrice = Polygon(np.vstack([ring, ring, ring]))
    mended = mended_shapes(pa.array([thrice.wkb]), "polygon")
    assert mended.shapes[0].area == pytest.approx(1e4) and 0 in mended.repairs


def test_a_shape_whose_repair_leaves_parts_side_by_side_is_valid():
    """GEOS 3.14 leaves two parts that share a side here; joined they are a quadrangle of 1 ft2.

    Triangles (0 1, 0 2, 1 0) and (0 1, 1 0, 0 0) of 1/2 ft2 each.
    """
    ring = Polygon([(0, 2), (1, 0), (0, 1), (0, 0), (1, 0), (0, 1)])
    mended = mended_shapes(pa.array([ring.wkb]), "polygon")
    assert mended.shapes[0].is_valid and mended.shapes[0].area == pytest.approx(1.0)


def test_a_lot_that_holds_another_one_is_fit(tmp_path):
    around = shapely.box(X0 - 10, Y0 - 10, X0 + 8 * SIDE + 10, Y0 + SIDE - 1)
    reading, _ = read(put(tmp_path, with_broken(around)))
    assert (reading.n_fit, reading.n_unfit) == (9, 0)


def test_a_lot_inland_is_fit_where_lots_lead_to_the_shore(tmp_path):
    """A chain of lots four miles apart goes 20 miles inland; alone, its end is far away."""
    mile = 5280.0
    chain = [square(0, y0=Y0 - 4 * mile * k) for k in range(1, 6)]
    lots = row_of_lots()
    names = [*lots["PIN"], *"abcde"]
    both = gpd.GeoDataFrame({"PIN": names}, geometry=[*lots.geometry, *chain], crs=CRS)
    (tmp_path / "end").mkdir()
    reading, _ = read(put(tmp_path, both))
    assert reading.n_unfit == 0
    # without b, c and d, e stands 16 miles from a
    reading, store = read(put(tmp_path / "end", both[~both["PIN"].isin(["b", "c", "d"])]))
    assert list(unfit_of(store)["lot_id"]) == ["e"]


def test_a_damaged_shape(tmp_path):
    """Bytes cut short in a GeoParquet file."""
    path = put(tmp_path, with_broken(square(8)))
    table = pq.read_table(tmp_path / "lots.parquet")
    blobs = table["geometry"].to_pylist()
    at = table.schema.get_field_index("geometry")
    cut = pa.array([*blobs[:-1], blobs[-1][:40]], pa.binary())
    pq.write_table(table.set_column(at, table.schema.field(at), cut), tmp_path / "lots.parquet")
    _, store = read(path)
    assert list(unfit_of(store)["fault"]) == ["damaged"]


def test_a_bad_lot_does_not_put_the_layer_in_another_place(tmp_path):
    """Lots in degrees, one of them in feet and one with x and y exchanged; the zone is West."""
    lots = row_of_lots().to_crs(4326)
    wrong = [square(2), shapely.transform(lots.geometry[2], lambda xy: xy[:, ::-1])]
    names = [*lots["PIN"], "feet", "swapped"]
    both = gpd.GeoDataFrame({"PIN": names}, geometry=[*lots.geometry, *wrong], crs=4326)
    reading, store = read(put(tmp_path, both))
    faults = dict(zip(unfit_of(store)["lot_id"], unfit_of(store)["fault"], strict=True))
    assert faults == {"feet": "off-map", "swapped": "far-away"}
    assert "with x and y exchanged" in unfit_of(store)["reason"][1]
    assert told(reading, "site crs", "Florida West")
    back = lots_of(store).geometry
    want = row_of_lots().geometry
    assert all(shapely.hausdorff_distance(a, b) < 1e-3 for a, b in zip(back, want, strict=True))


def test_a_bad_neighbour_is_counted_and_gets_no_row(tmp_path):
    others = gpd.GeoDataFrame(
        {"lot_id": ["n1", "n2", "n3"]}, geometry=[square(8), None, square(0)], crs=CRS
    )
    said = '\n[neighbours]\nfile = "others.parquet"\n'
    reading, store = read(put(tmp_path, said=said, others=others))
    lots = lots_of(store)
    assert list(lots["lot_id"][~lots["is_reported"]]) == ["n1"]
    assert (reading.n_lots, reading.n_unfit) == (8, 0) and not len(unfit_of(store))
    assert told(reading, "1 neighbour that cannot be measured left out", "no-shape")
    assert told(reading, "1 neighbour left out, already a lot")


def test_no_lot_that_is_fit_is_an_error(tmp_path):
    lots = gpd.GeoDataFrame({"PIN": ["a", "b"]}, geometry=[None, Point(X0, Y0)], crs=CRS)
    with pytest.raises(LayerError, match=r"no lot that can be measured.*needed polygons with ids"):
        read(put(tmp_path, lots))


def test_all_lots_away_from_the_shore_is_an_error_of_the_line(tmp_path):
    line = gpd.GeoDataFrame(geometry=[LineString([(X0 + 9e5, Y0), (X0 + 9e5, Y0 + 99)])], crs=CRS)
    with pytest.raises(CRSError, match=r"\[mhw_line\] file.*miles to the lots"):
        read(put(tmp_path, line=line))


def test_most_lots_tell_where_a_layer_is():
    """One point in a thousand lies elsewhere; bounds are those of the others."""
    points = np.column_stack([np.arange(1000.0), np.arange(1000.0)])
    points[7] = (1e9, 5.0)
    points[8] = (NAN, 5.0)
    assert usual_bounds(points).tolist() == [0.0, 0.0, 999.0, 999.0]


@pytest.mark.parametrize(("gap", "is_far"), [(1.0, False), (2.9, True)])
def test_a_step_of_the_chain(gap, is_far):
    """Up to the reach a step is always seen; beyond sqrt(8) = 2.83 reaches never."""
    rng = np.random.default_rng(3)
    for _ in range(200):
        at, turn = rng.uniform(-9, 9, 2), rng.uniform(0, 2 * np.pi)
        lot = at + gap * np.array([np.cos(turn), np.sin(turn)])
        assert far_away(lot[None], at[None], 1.0).tolist() == [is_far]


def test_of_many_on_one_ground_the_first_stands():
    """Forty flats of one house, and one lot of another shape in the same box."""
    half = Polygon([(0, 0), (9, 0), (9, 9)])
    shapes = np.array([half, *[shapely.box(0, 0, 9, 9)] * 40])
    found = repeated(shapely.bounds(shapes), shapely.area(shapes), lambda rows: shapes[rows], 1.0)
    assert found == dict.fromkeys(range(2, 41), 1)


def test_degrees_are_blamed_only_in_a_file_of_feet():
    usual, place = np.array([-82.7, 27.8, -82.5, 28.0]), np.array([10.0, 10.0])
    words = why_far(np.array([1e6, 1e6]), place, usual, unit="degree", gap_miles=900.0)
    assert "900 miles from any shore line" in words and "look like degrees" not in words
