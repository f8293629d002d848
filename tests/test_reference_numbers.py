"""Published polygon clipping results and the law of reprojection, through geotrim's own steps."""

import json
from functools import reduce
from itertools import pairwise

import contourpy
import geopandas as gpd
import numpy as np
import pytest
import shapely
import sites
from opendata import FOLDER, open_data

from geotrim import fringe, frontage, riparian_lines
from geotrim.core.setback import taken
from geotrim.io.crs import grid_scale_factor
from geotrim.io.repair import clean_layer

# Cases of the end-to-end tests of polygon-clipping (MIT): the first feature is the subject, the
# others clip it. All 37 results were reproduced to 9 decimals when the data was gathered
# (PROVENANCE of reference_numbers).
CLIPPING = FOLDER / "reference_numbers" / "polygon_clipping"
RESULTS = sorted(
    path.relative_to(CLIPPING).as_posix()
    for path in CLIPPING.glob("*/*.geojson")
    if path.stem != "args"
)
OPERATIONS = {
    "union": lambda shapes: shapely.union_all(shapes),
    "intersection": lambda shapes: reduce(shapely.intersection, shapes),
    "xor": lambda shapes: reduce(shapely.symmetric_difference, shapes),
    "difference": lambda shapes: taken(shapes[0], shapes[1:])[2],
}


def shapes_of(path):
    """Shapes of a file, mended as the readers mend them; empty ones stay empty."""
    text = json.loads(path.read_text(encoding="utf-8"))
    features = text.get("features", [text])
    out = []
    for feature in features:
        shape = shapely.from_geojson(json.dumps(feature["geometry"]))
        table = gpd.GeoDataFrame(geometry=[shape])
        if shapely.is_empty(shape):
            out.append(shapely.Polygon())
            continue
        clean, _ = clean_layer(table, subject="clip", kinds=("polygon",))
        out.append(clean.geometry.iloc[0] if len(clean) else shapely.Polygon())
    return out


@pytest.mark.data
def test_all_clipping_cases_are_here():
    open_data("reference_numbers")
    assert len(RESULTS) == 37 and len({name.split("/")[0] for name in RESULTS}) == 14


@pytest.mark.data
@pytest.mark.parametrize("name", RESULTS)
def test_published_clipping_result(name):
    path = CLIPPING / name
    got = OPERATIONS[path.stem](shapes_of(path.parent / "args.geojson"))
    want = shapely.union_all(shapes_of(path))
    assert shapely.area(shapely.symmetric_difference(got, want)) == pytest.approx(0.0, abs=1e-9)


# --- worked example X-02


def test_line_from_a_plane_beach():
    """X-02: plane beach z = 0.1 (x - 100) ft, MHW at +0.40 ft: the line is x = 104.00.

    An error of 0.328 ft in the level moves it 3.28 ft (dx = dz / slope, C-16). The contour is drawn
    by contourpy, a general-purpose library, and measured by geotrim: a lot that ends at x = 100
    still fronts it, 4 ft away.
    """
    x = np.arange(0, 201, 3.0)
    y = np.arange(0, 121, 3.0)
    beach = np.broadcast_to(0.1 * (x - 100), (y.size, x.size))
    contours = contourpy.contour_generator(x, y, beach)
    for level, expected in ((0.40, 104.0), (0.40 + 0.328, 107.28), (0.40 - 0.328, 100.72)):
        (line,) = contours.lines(level)
        np.testing.assert_allclose(line[:, 0], expected, atol=1e-9)
    (line,) = contours.lines(0.40)
    # Land lies where x is greater; the lot stops 4 ft short of the line.
    lot = sites.lots([shapely.box(108, 20, 190, 100)])
    found = frontage(lot, sites.shore(line))
    assert found["lots"].frontage_length_ft.iloc[0] == pytest.approx(80 * sites.US_FT, abs=1e-6)
    xy = shapely.get_coordinates(found["frontage"].geometry.iloc[0])
    assert xy[0].tolist() == pytest.approx([104.0, 20.0])  # the left end, looking to the water


# --- the law of reprojection


@pytest.mark.parametrize("target", [26958, 6438, 32617, 3086])
def test_reprojecting_the_site_changes_lengths_by_the_grid_factor_alone(target):
    """In another CRS every length is longer or shorter by the ratio of the two grid factors.

    Stated tolerance: 1e-6 of the ratio for conformal grids. Albers (3086) is equal-area, not
    conformal: there the two axes differ, so only 0.6 % is asked, and no more is promised.
    """
    at = np.array([936_000.0, 515_700.0])  # by Miami, X-06
    rng = np.random.default_rng(3)
    x = np.arange(-40, 240, 10.0)
    y = 4 * np.sin(x / 30)
    edges = [0.0, 90.0, 200.0]
    lots = []
    for a, b in pairwise(edges):
        inside = x[(x > a) & (x < b)]
        top = np.interp([a, *inside, b], x, y)
        lots.append(shapely.Polygon([*zip([a, *inside, b], top, strict=True), (b, -90), (a, -90)]))
    points = np.stack([rng.uniform(5, 195, 40), rng.uniform(-8, 30, 40)], 1)
    tables = [
        sites.moved(table, dx=at[0], dy=at[1])
        for table in (
            sites.lots(lots),
            sites.shore(np.stack([x, y], 1)),
            sites.crowns([shapely.Point(p).buffer(3.0) for p in points]),
            sites.trunks(points),
        )
    ]

    def measure(lots, shore, crowns, trunks):
        front = frontage(lots, shore)
        lines = riparian_lines(lots, shore, front)
        deep = fringe(lots, shore, crowns, front, lines, trunks=trunks)["fringe_lots"]
        return np.concatenate(
            [front["lots"].frontage_length_ft, front["lots"].frontage_chord_ft,
             deep.fringe_depth_max_ft, deep.fringe_depth_max_station_ft]
        )  # fmt: skip

    here = measure(*tables)
    there = measure(*[table.to_crs(target) for table in tables])
    if target == 3086:
        np.testing.assert_allclose(there, here, rtol=6e-3)
        return
    middle = gpd.GeoSeries([shapely.Point(at[0] + 100, at[1])], crs=2236)
    moved = middle.to_crs(target).iloc[0]
    ratio = grid_scale_factor(target, moved.x, moved.y) / grid_scale_factor(2236, *at)
    np.testing.assert_allclose(there / here, ratio, rtol=1e-5)
