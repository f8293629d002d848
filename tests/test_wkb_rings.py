"""Polygons from well-known binary: against shapely (GEOS) reading the same bytes."""

from __future__ import annotations

import re
import struct

import numpy as np
import pyarrow as pa
import pytest
import shapely
from hypothesis import given
from hypothesis import strategies as st

from geotrim.core.coverage import rings_of
from geotrim.core.wkb_rings import (
    FAULTS,
    areas_of,
    bounds_of,
    bounds_of_wkb,
    centres_of,
    centres_of_wkb,
    is_finite,
    rings_and_faults,
    rings_of_wkb,
)
from geotrim.errors import LayerError, ShapeError
from geotrim.io.wkb_columns import wkb_column
from tests import strategies

SQUARE = shapely.box(0, 0, 2, 1)
RING = (
    shapely.box(0, 0, 6, 6).difference(shapely.box(1, 1, 2, 2)).difference(shapely.box(3, 3, 5, 4))
)
PARTS = shapely.union(RING, shapely.box(10, 0, 12, 2).difference(shapely.box(10.5, 0.5, 11, 1)))
BROKEN, NO_POLYGON, NOT_FINITE, OPEN = 1, 2, 3, 4


def packed(rows):
    """Rows of bytes as a column's buffers; None is a row without bytes."""
    lengths = [len(row or b"") for row in rows]
    return b"".join(row or b"" for row in rows), np.cumsum([0, *lengths])


def by_crown(rings):
    """Rings of each crown with their vertices, those without any left out."""
    out = []
    for crown in range(len(rings)):
        mine = range(rings.crown_offsets[crown], rings.crown_offsets[crown + 1])
        parts = [
            (bool(rings.is_hole[r]), rings.xy[rings.ring_offsets[r] : rings.ring_offsets[r + 1]])
            for r in mine
        ]
        out.append([(hole, xy.tolist()) for hole, xy in parts if len(xy)])
    return out


def polygon_by_hand(rings, order="<", code=3, extra=(), head=b""):
    """Bytes of a polygon as the standard lays them out; ``extra`` follows every x and y."""
    out = bytes([order == "<"]) + struct.pack(f"{order}I", code) + head
    out += struct.pack(f"{order}I", len(rings))
    for ring in rings:
        out += struct.pack(f"{order}I", len(ring))
        for point in ring:
            out += struct.pack(f"{order}{2 + len(extra)}d", *point, *extra)
    return out


CORNERS = [(0.0, 0.0), (2.0, 0.0), (2.0, 1.0), (0.0, 0.0)]


@pytest.mark.jit
@given(
    polygons=st.lists(
        strategies.crowns() | st.sampled_from([None, shapely.Polygon(), PARTS]), max_size=3
    ),
    little=st.booleans(),
    flavor=st.sampled_from(["iso", "extended"]),
    has_z=st.booleans(),
)
def test_the_same_as_from_geometry_objects(polygons, little, flavor, has_z):
    shapes = (
        shapely.force_3d(np.array(polygons, object), 7.0) if has_z else np.array(polygons, object)
    )
    if flavor == "extended":
        shapes = shapely.set_srid(shapes, 6443)
    rows = [
        None
        if shape is None
        else shapely.to_wkb(
            shape, byte_order=int(little), flavor=flavor, include_srid=flavor == "extended"
        )
        for shape in shapes
    ]
    got = rings_of_wkb(*packed(rows))
    want = rings_of(shapely.from_wkb(np.array(rows, object)))
    assert by_crown(got) == by_crown(want)
    assert len(got) == len(polygons)


@pytest.mark.jit
@pytest.mark.parametrize("order", ["<", ">"])
@pytest.mark.parametrize(
    ("code", "extra", "head"),
    [
        (3, (), False),
        (1003, (9.0,), False),
        (2003, (8.0,), False),
        (3003, (9.0, 8.0), False),
        (0x80000003, (9.0,), False),
        (0x40000003, (8.0,), False),
        (0xC0000003, (9.0, 8.0), False),
        (0xE0000003, (9.0, 8.0), True),
        (0x20000003, (), True),
    ],
)
def test_every_form_by_hand(order, code, extra, head):
    """Z is 9 and M is 8: neither may slip in among x and y."""
    srid = struct.pack(f"{order}I", 6443) if head else b""
    whole = polygon_by_hand([CORNERS, CORNERS], order, code, extra, srid)
    many = bytes([order == "<"]) + struct.pack(f"{order}II", 6, 1) + whole
    rings = rings_of_wkb(*packed([whole, many]))
    ring = [list(point) for point in CORNERS]
    assert by_crown(rings) == [[(False, ring), (True, ring)]] * 2


@pytest.mark.jit
def test_each_part_has_a_byte_order_and_dimensions_of_its_own():
    parts = polygon_by_hand([CORNERS], ">"), polygon_by_hand([CORNERS], "<", 1003, (9.0,))
    for order in "<>":
        row = multi(*parts, order=order)
        got = by_crown(rings_of_wkb(*packed([row])))
        assert got == [[(False, [list(point) for point in CORNERS])] * 2]


@pytest.mark.jit
def test_holes_and_parts_by_hand():
    rings = rings_of_wkb(*packed([shapely.to_wkb(PARTS), None, shapely.to_wkb(SQUARE)]))
    assert rings.crown_offsets.tolist() == [0, 5, 5, 6]
    assert sorted(rings.is_hole.tolist()) == [False] * 3 + [True] * 3
    assert not rings.is_hole[0]
    assert not rings.is_hole[5]
    assert rings.ring_offsets.tolist() == [0, 5, 10, 15, 20, 25, 30]


def test_rows_marked_as_null_are_not_looked_at():
    data, offsets = packed([shapely.to_wkb(SQUARE), b"nonsense", shapely.to_wkb(SQUARE)])
    rings = rings_of_wkb(data, offsets, is_null=[False, True, False])
    assert rings.crown_offsets.tolist() == [0, 1, 1, 2]
    with pytest.raises(ShapeError, match="2 marks for 3 rows"):
        rings_of_wkb(data, offsets, is_null=[False, True])


def test_nothing_at_all():
    rings = rings_of_wkb(b"", [0])
    assert len(rings) == 0
    assert bounds_of(rings).shape == (0, 4)
    assert len(rings_of_wkb(b"", [0, 0, 0])) == 2


def multi(*parts, order="<", code=6):
    return bytes([order == "<"]) + struct.pack(f"{order}II", code, len(parts)) + b"".join(parts)


GOOD = polygon_by_hand([CORNERS])
BAD = [
    (b"\x01", BROKEN),
    (b"\x02" + GOOD[1:], BROKEN),  # no such byte order
    (GOOD[:-1], BROKEN),
    (polygon_by_hand([CORNERS], code=1003, extra=(9.0,))[:-1], BROKEN),
    (GOOD[:9], BROKEN),
    (GOOD[:5], BROKEN),
    (GOOD[:12], BROKEN),
    (GOOD[:9] + b"\xff\xff\xff\xff" + GOOD[13:], BROKEN),  # four thousand million points
    (GOOD[:5] + b"\xff\xff\xff\xff" + GOOD[9:], BROKEN),  # as many rings
    (multi(GOOD, GOOD)[:-1], BROKEN),
    (multi(GOOD)[:5], BROKEN),
    (multi(GOOD)[:5] + b"\xff\xff\xff\xff" + GOOD, BROKEN),
    (multi(shapely.to_wkb(shapely.Point(1, 2))), BROKEN),  # a point among the parts
    (multi(multi(GOOD)), BROKEN),
    (struct.pack("<BI", 1, 4003) + GOOD[5:], BROKEN),  # no such dimension
    (polygon_by_hand([[], CORNERS]), BROKEN),  # a hole in nothing
    (struct.pack("<BI", 1, 0x20000003), BROKEN),  # cut within the reference system
    (shapely.to_wkb(shapely.Point(1, 2)), NO_POLYGON),
    (shapely.to_wkb(shapely.LineString([(0, 0, 1), (1, 1, 1)])), NO_POLYGON),
    (shapely.to_wkb(shapely.GeometryCollection([SQUARE])), NO_POLYGON),
    (polygon_by_hand([[(np.nan, 0.0), *CORNERS[1:]]]), NOT_FINITE),
    (polygon_by_hand([[*CORNERS[:2], (2.0, np.inf), CORNERS[3]]]), NOT_FINITE),
    (polygon_by_hand([CORNERS, [*CORNERS[:2], (-np.inf, 1.0), CORNERS[3]]]), NOT_FINITE),
    (polygon_by_hand([[*CORNERS[:3], (0.0, 1e-9)]]), OPEN),
    (polygon_by_hand([[*CORNERS[:3], (1e-9, 0.0)]]), OPEN),
    (polygon_by_hand([[(1.0, 1.0)] * 2]), OPEN),  # two points
    (multi(GOOD, polygon_by_hand([CORNERS[:3]])), OPEN),
]


@pytest.mark.jit
@pytest.mark.parametrize(("row", "fault"), BAD)
def test_a_bad_row_is_told_and_the_others_are_read(row, fault):
    data, offsets = packed([GOOD, row, GOOD])
    rings, faults = rings_and_faults(data, offsets)
    assert faults.tolist() == [0, fault, 0]
    assert rings.crown_offsets.tolist() == [0, 1, 1, 2]
    with pytest.raises(ShapeError, match=r"row 1; needed .* To mend: ") as caught:
        rings_of_wkb(data, offsets, what="lots")
    assert caught.value.subject == "lots"
    assert caught.value.need == FAULTS[fault][1]


def test_geos_refuses_the_bytes_we_call_bad():
    """A byte order of 2 and a fifth dimension apart, which its reader winks at."""
    winked_at = (b"\x02" + GOOD[1:], struct.pack("<BI", 1, 4003) + GOOD[5:])
    for row, fault in BAD:
        if fault in (BROKEN, OPEN) and row not in winked_at:
            with pytest.raises(shapely.errors.GEOSException):
                shapely.from_wkb(row)


def test_the_kind_is_named_in_either_order():
    for order in (0, 1):
        line = shapely.to_wkb(shapely.LineString([(0, 0, 5), (1, 1, 5)]), byte_order=order)
        with pytest.raises(ShapeError, match=re.escape("found a LineString in row 1; needed poly")):
            rings_of_wkb(*packed([GOOD, line]))
    curve = struct.pack("<BI", 1, 10)
    with pytest.raises(ShapeError, match="a CurvePolygon in row 0"):
        rings_of_wkb(*packed([curve]))
    with pytest.raises(ShapeError, match="a geometry of kind 99 in row 0"):
        rings_of_wkb(*packed([struct.pack("<BI", 1, 1099)]))


def test_three_points_there_and_back_are_a_ring():
    """As shapely's reader has it; such a crown has no area."""
    row = polygon_by_hand([[(0.0, 0.0), (2.0, 1.0), (0.0, 0.0)]])
    assert by_crown(rings_of_wkb(*packed([row]))) == by_crown(rings_of([shapely.from_wkb(row)]))


def test_bytes_behind_a_geometry_are_left_alone():
    """As shapely's reader leaves them."""
    row = GOOD + b"abc"
    assert by_crown(rings_of_wkb(*packed([row]))) == by_crown(rings_of([shapely.from_wkb(row)]))


def test_minus_zero_closes_a_ring():
    ring = [(0.0, 0.0), (2.0, 0.0), (2.0, 1.0), (-0.0, -0.0)]
    assert len(rings_of_wkb(*packed([polygon_by_hand([ring])])).is_hole) == 1


@pytest.mark.parametrize(
    "offsets", [[], [0.0, 4.0], [0, 5, 3, 9], [-1, 4], [0, 10_000], [[0, 4]], 5, ["a"]]
)
def test_offsets_that_do_not_fit(offsets):
    with pytest.raises(ShapeError, match="row offsets that do not fit"):
        rings_of_wkb(GOOD, offsets)


@given(junk=st.binary(max_size=60), at=st.integers(0, len(GOOD) - 1), value=st.integers(0, 255))
@pytest.mark.jit
def test_any_bytes_end_in_an_answer(junk, at, value):
    """Noise, and a good row with one byte changed: an answer or a fault, and never a crash."""
    changed = GOOD[:at] + bytes([value]) + GOOD[at + 1 :]
    rings, faults = rings_and_faults(*packed([junk, changed, GOOD]))
    assert faults[2] == 0
    assert by_crown(rings)[2] == [(False, [list(p) for p in CORNERS])]
    for row, fault in zip((junk, changed), faults, strict=False):
        if row and fault == 0:
            with np.errstate(all="ignore"):
                assert shapely.from_wkb(row).geom_type in ("Polygon", "MultiPolygon")


@pytest.mark.jit
@given(polygons=st.lists(strategies.crowns(), max_size=3))
def test_bounds_centres_areas_are_shapelys(polygons):
    rings = rings_of_wkb(*packed([shapely.to_wkb(p) for p in polygons]))
    np.testing.assert_array_equal(bounds_of(rings), shapely.bounds(polygons).reshape(-1, 4))
    centres = [[p.centroid.x, p.centroid.y] for p in polygons]
    np.testing.assert_allclose(
        centres_of(rings), np.array(centres).reshape(-1, 2), rtol=1e-9, atol=1e-9
    )
    np.testing.assert_allclose(areas_of(rings), shapely.area(polygons), rtol=1e-12, atol=1e-12)


@pytest.mark.jit
def test_centre_of_a_far_square_with_a_hole_by_hand():
    """Area 36 at (3, 3) less 4 at (1.25, 1.25): (108 - 5) / 32, far from the origin."""
    hole = shapely.Polygon(
        shapely.box(0, 0, 6, 6).exterior, [shapely.box(0.25, 0.25, 2.25, 2.25).exterior]
    )
    for turned in (hole, shapely.reverse(hole)):
        moved = shapely.transform(turned, lambda xy: xy + 1_048_576.0)  # sums are exact
        data = packed([shapely.to_wkb(moved), None])
        centres = centres_of_wkb(*data)
        assert centres[0].tolist() == [1_048_576.0 + 103 / 32] * 2
        assert np.isnan(centres[1]).all()
        assert areas_of(rings_of_wkb(*data)).tolist() == [32.0, 0.0]
        assert bounds_of_wkb(*data)[0].tolist() == [1_048_576.0] * 2 + [1_048_582.0] * 2
        assert np.isnan(bounds_of_wkb(*data)[1]).all()


@pytest.mark.jit
def test_centres_without_area_are_shapelys():
    """A sliver there and back, longer on one side than a mean of its points, and a single point."""
    flat = [(0.0, 0.0), (1.0, 0.0), (4.0, 0.0), (0.0, 0.0)]
    point = [(3.0, 4.0)] * 4
    data = packed([polygon_by_hand([flat]), polygon_by_hand([point])])
    assert centres_of_wkb(*data).tolist() == [[2.0, 0.0], [3.0, 4.0]]
    assert [
        [p.centroid.x, p.centroid.y] for p in (shapely.Polygon(flat), shapely.Polygon(point))
    ] == [[2.0, 0.0], [3.0, 4.0]]


def test_finite_or_not():
    rings = rings_of([SQUARE, None, PARTS])
    assert is_finite(rings).tolist() == [True, True, True]
    xy = rings.xy.copy()
    xy[rings.ring_offsets[rings.crown_offsets[2] + 1], 1] = np.inf
    rings = type(rings)(xy, rings.ring_offsets, rings.is_hole, rings.crown_offsets)
    assert is_finite(rings).tolist() == [True, True, False]


@pytest.mark.parametrize("kind", [pa.binary(), pa.large_binary()])
def test_columns_of_arrow(kind):
    """A slice of a column, nulls, several chunks; a column that is none."""
    rows = [shapely.to_wkb(SQUARE), None, shapely.to_wkb(RING), shapely.to_wkb(PARTS), None]
    whole = pa.array(rows, kind)
    chunked = pa.chunked_array([whole[:2], whole[2:]])
    want = by_crown(rings_of(shapely.from_wkb(np.array(rows, object))))
    for column, expected in (
        (whole, want),
        (whole[1:4], want[1:4]),
        (chunked, want),
        (whole[:0], []),
    ):
        found = wkb_column(column, "crowns")
        got = rings_of_wkb(found.data, found.offsets, is_null=found.is_null)
        assert by_crown(got) == expected
    with pytest.raises(LayerError, match="lots: found a column of string; needed shapes as well"):
        wkb_column(pa.array(["a"]), "lots")
