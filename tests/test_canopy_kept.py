"""What stands outside the zone stays on sections and elevations: boxes cut by a straight zone."""

from __future__ import annotations

import geopandas as gpd
import pandas as pd
import pytest
import shapely
from packages_made import lot_of, sample_package
from side_sheets_made import (
    LOT,
    NAN,
    area_of,
    columns,
    crown,
    frontage,
    ground,
    package,
    paths,
    pdf_pages,
    section_row,
    shape_of,
    side,
    trunks,
    words,
)

from geotrim.report.sheets.canopy_kept import Rest, kept_columns, stays_ft
from geotrim.report.sheets.canopy_parts import standing, steps_of
from geotrim.report.sheets.choices import Choices
from geotrim.report.sheets.elevation_read import shore_of
from geotrim.report.sheets.elevation_sheets import elevation_sheets
from geotrim.report.sheets.section_read import sections_of
from geotrim.report.sheets.section_sheets import section_sheets
from geotrim.report.window_facts import Cut, plan_of

#: Points of a foot at 1 in = 10 ft and 20 ft: 72 / 10, 72 / 20.
K, K20 = 7.2, 3.6
#: The shore runs along y = 0 to the right, water above; the section crosses it at station 40.
SHORE = shapely.LineString([(0, 0), (100, 0)])
LINE = shapely.LineString([(40, -20), (40, 40)])


def made(zone, cut, after, *, box=(36, 5, 44, 13), top=20.0, is_window=True):
    """A box crown, 8 ft along the shore from 36 to 44 ft and 5 to 13 ft out, cut in a zone."""
    x0, y0, x1, y1 = box
    row = {**crown("7", (x0 + x1) / 2, (y0 + y1) / 2, top), "height_after_ft": after}
    tables = {
        "zone": gpd.GeoDataFrame({"lot_id": [LOT]}, geometry=[shapely.box(*zone)]),
        "crowns": gpd.GeoDataFrame([row], geometry=[shapely.box(*box)]),
        "frontage": gpd.GeoDataFrame(frontage((0.0, 100.0)), geometry=[SHORE]),
        "sections": gpd.GeoDataFrame([section_row()], geometry=[LINE]),
        "section_ground": ground("A", -20.0, 40.0),
        "section_columns": columns("A", "7", y0, y1, 0.0, top),
        "section_trunks": trunks("A", [("7", 9.0)]),
        "crown_sides": side("7", x0, x1, top),
    }
    return package(tables, cuts=[("7", 1, *cut)], spans=[(30.0, 50.0)] if is_window else ())


def section(made_of):
    sheets = section_sheets(made_of, LOT, Choices())
    pdf_pages(sheets)
    return sheets[0].blocks[0]


def elevation(made_of):
    return elevation_sheets(made_of, LOT, Choices())[0].blocks[0]


def test_the_waterward_part_outside_the_zone_stays_on_the_section():
    """To 12 ft; the zone ends at 10 ft out, its cells at 9 ft: 4 ft of 8 stay at 17 ft."""
    drawing = section(made((0, -20, 100, 10), (12.0, NAN), 17.0))
    # in the end 4 x 12 + 4 x 17 ft2; opens 4 x 8 + 4 x 3; cut, though the rest stands: 4 x 5
    assert area_of(drawing, "proposed") == pytest.approx((48 + 68) * K**2, rel=1e-6)
    assert area_of(drawing, "taken-0") == pytest.approx((32 + 12) * K**2, rel=1e-6)
    assert paths(drawing, "behind-0")
    (told,) = [line for line in words(drawing) if line.startswith("7: ")]
    assert told == "7: 20.0 ft; top to 12.00 ft, year 1; outside the zone it stays at 17.0 ft"


def test_a_tree_that_is_cut_as_a_whole_keeps_nothing():
    """The plan leaves it at 12 ft, so no cell of it stands outside."""
    drawing = section(made((0, -20, 100, 10), (12.0, NAN), 12.0))
    assert area_of(drawing, "proposed") == pytest.approx(8 * 12 * K**2, rel=1e-6)
    assert not any("outside the zone it" in line for line in words(drawing))


def test_heights_planned_without_a_window_are_cut_on_whole_trees():
    drawing = section(made((0, -20, 100, 10), (12.0, NAN), 17.0, is_window=False))
    assert area_of(drawing, "proposed") == pytest.approx(8 * 12 * K**2, rel=1e-6)


def test_a_band_is_not_cleared_outside_the_zone():
    """6 to 10 ft go up to 10 ft out: 5 x 4 ft2 of 8 x 4."""
    drawing = section(made((0, -20, 100, 10), (6.0, 10.0), 20.0))
    assert area_of(drawing, "taken-0") == pytest.approx(5 * 4 * K**2, rel=1e-6)
    # a zone that ends 0.4 ft before the crown does is an edge drawn in steps
    for end in (30, 12.6):
        drawing = section(made((0, -20, 100, end), (6.0, 10.0), 20.0))
        assert area_of(drawing, "taken-0") == pytest.approx(8 * 4 * K**2, rel=1e-6)


def test_of_the_side_view_the_stations_outside_the_zone_stay():
    """The zone ends at station 41, its cells at 40: stations 40 to 44 stay, up to 17 ft."""
    sheet = made((0, -20, 41, 30), (12.0, NAN), 17.0)
    drawing = elevation(sheet)
    assert area_of(drawing, "stands-7") == pytest.approx((4 * 12 + 4 * 17) * K20**2, rel=1e-6)
    assert area_of(drawing, "opens-1") == pytest.approx((4 * 8 + 4 * 3) * K20**2, rel=1e-6)
    assert paths(drawing, "behind-1")
    x0, _, x1, _ = shape_of(drawing, "stands-7").bounds
    high = shapely.get_coordinates(shape_of(drawing, "stands-7"))
    top = min(y for _, y in high)
    assert min(x for x, y in high if y == top) == pytest.approx((x0 + x1) / 2, abs=0.05)
    assert "7 (+)" in words(drawing)
    legend = words(elevation_sheets(sheet, LOT, Choices())[0].blocks[-1])
    assert any("a part stands outside the zone" in " ".join(legend[k : k + 2])
               for k in range(len(legend)))  # fmt: skip
    plain = elevation(made((0, -20, 100, 30), (12.0, NAN), 12.0))
    assert "7" in words(plain) and "7 (+)" not in words(plain)


@pytest.mark.parametrize("name", ["plain_lot", "curved_shore"])
def test_what_is_drawn_in_the_end_is_what_the_schedule_tells(name):
    """No lowered tree stands over its height when all is done; one that keeps a part reaches it.

    Checked against ``height_after_ft`` of the window, which the tree schedule shows.
    """
    made_of = sample_package(name)
    lot = lot_of(made_of)
    plan = plan_of(made_of.results, lot)
    assert plan is not None and plan.is_window
    rows = made_of.rows("crowns", lot).set_index("crown_id")
    steps = steps_of(plan)
    shore = shore_of(made_of, lot, plan)
    seen = 0
    for one in (*shore.crowns, *(c for s in sections_of(made_of, lot, plan) for c in s.crowns)):
        if any(cut.high_ft == float("inf") for cut in one.cuts):
            after = float(rows.loc[one.crown_id, "height_after_ft"])
            low = min(cut.low_ft for cut in one.cuts)
            top = shapely.bounds(standing(one, steps)[-1])[3]
            assert top <= max(after, low) + 0.05 or shapely.is_empty(standing(one, steps)[-1])
            if one in shore.crowns and after > low + 0.05:
                assert top == pytest.approx(after, abs=0.3)
                seen += 1
    assert seen or not any(
        stays_ft(row, plan.cuts.get(name, ())) > 0 for name, row in rows.to_dict("index").items()
    )


def test_pieces_with_less_than_a_cell_between_them_are_one():
    """From 1 to 3 and from 4.5 to 6 ft, 5 ft tall; one at 12 ft stays apart."""
    parts = shapely.MultiPolygon([shapely.box(x, 0, x + 1, 1) for x in (1.0, 4.5, 12.0)])
    ends = {1.0: (1.0, 3.0), 4.5: (4.5, 6.0), 12.0: (12.0, 13.0)}
    kept = kept_columns(Rest(parts, 5.0), lambda part: ends[part.bounds[0]])
    found = sorted(part.bounds[::2] for part in shapely.get_parts(kept))
    assert found == [(1.0, 6.0), (12.0, 13.0)] and kept.bounds[3] == 5.0
    assert kept_columns(None, lambda part: None) is None
    assert kept_columns(Rest(parts, 5.0), lambda part: None) is None


def test_how_tall_a_part_stays():
    """Only of a lowered top, and only where it is over the height it is lowered to."""
    top, band = [Cut("7", 1, 12.0, float("inf"))], [Cut("7", 1, 6.0, 10.0)]
    assert stays_ft({"height_after_ft": 17.0}, top) == 17.0
    for row, cuts in (
        ({"height_after_ft": 12.02}, top),
        ({}, top),
        ({"height_after_ft": 20}, band),
    ):
        assert stays_ft(row, cuts) != stays_ft(row, cuts)  # NaN


def test_a_package_without_geometry_keeps_nothing():
    tables = {
        "zone": pd.DataFrame({"lot_id": [LOT]}),
        "crowns": pd.DataFrame([crown("7")]),
        "sections": pd.DataFrame([section_row()]),
        "section_columns": columns("A", "7", 5.0, 13.0, 0.0, 20.0),
        "section_ground": ground("A", -20.0, 40.0),
    }
    drawing = section(package(tables, cuts=[("7", 1, 12.0, NAN)], spans=[(0.0, 9.0)]))
    assert area_of(drawing, "proposed") == pytest.approx(8 * 12 * K**2, rel=1e-6)


def test_what_stands_outside_beside_the_strip_does_not_stay_on_the_section():
    """The strip ends at station 45, the zone's cells at 46: the crown, to 50 ft, is cut in it."""
    sheet = made((0, -20, 47, 30), (12.0, NAN), 17.0, box=(36, 5, 50, 13))
    assert area_of(section(sheet), "proposed") == pytest.approx(8 * 12 * K**2, rel=1e-6)
    # from the land it is seen: 10 ft to 12 ft, 4 ft to 17 ft
    stands = area_of(elevation(sheet), "stands-7")
    assert stands == pytest.approx((10 * 12 + 4 * 17) * K20**2, rel=1e-6)
