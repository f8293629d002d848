"""Small packages put together by hand, for tests of the plan view: every place is known by head.

In the plain one the shore runs along the x axis from (0, 0) to (length, 0), water over it, and a
map unit may be a foot of either kind or a metre; ``turn_deg`` turns all of it about the origin.
"""

from __future__ import annotations

import io
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import pdfplumber
import shapely
import shapely.affinity
from pyproj import CRS

from geotrim.io.package_read import Package
from geotrim.report.sheets.compiled import pdf_of
from geotrim.report.sheets.sheet import SheetSet, TitleBlock
from geotrim.units import feet_per_map_unit

#: EPSG:6443 is in US survey feet, EPSG:6442 in metres (both NAD83(2011) / Florida West).
US_FEET, METRES = "EPSG:6443", "EPSG:6442"
#: A place well inside the zone of both, and the same in metres (1200/3937 m in a survey foot).
ORIGIN = {US_FEET: (500_000.0, 1_200_000.0), METRES: (152_400.3048, 365_760.7315)}
LOT = "L1"


def package(tables, crs=US_FEET, *, turn_deg=0.0, mhw=None, facts=None, results=None):
    """A package of tables whose shapes are given about the origin."""
    dx, dy = ORIGIN[crs]
    placed = {}
    for name, rows in tables.items():
        if "geometry" in rows:
            shapes = [
                shapely.affinity.translate(
                    shapely.affinity.rotate(shape, turn_deg, origin=(0, 0)), dx, dy
                )
                for shape in rows["geometry"]
            ]
            rest = {key: value for key, value in rows.items() if key != "geometry"}
            placed[name] = gpd.GeoDataFrame(rest, geometry=shapes, crs=crs)
        else:
            placed[name] = pd.DataFrame(rows)
    record = {
        "site": {
            "name": "9 Example Row (invented)",
            "measured_lots": [LOT],
            "mhw_line": mhw or {"label": "MHW line, from a survey", "elevation_ft": 0.31,
                                "vertical_datum": "NAVD88", "epoch": "1983-2001"},
        },
        "crs": {"name": CRS.from_user_input(crs).name, "code": crs,
                "map_unit": "US survey foot" if crs == US_FEET else "metre",
                "grid_scale_factor_at_site": 0.99995},
        "facts": facts or {},
        "operations": [],
    }  # fmt: skip
    return Package(
        Path("nowhere"), record, placed, CRS.from_user_input(crs).to_wkt(),
        feet_per_map_unit(crs, "test"), "0" * 64, (), results or {},
    )  # fmt: skip


def straight(trees, length=100.0, crs=US_FEET, *, ids=None, unit=1.0, more=None, **given):
    """A lot on a straight shore; trees (x, y, side) are squares with a trunk in their middle.

    Lengths are in map units of a foot's size: ``unit`` is map units in one of them.
    """
    ids = ids or [f"T{k + 1}" for k in range(len(trees))]
    line = shapely.LineString([(0, 0), (length, 0)])
    boxes = [shapely.box(x - s / 2, y - s / 2, x + s / 2, y + s / 2) for x, y, s in trees]
    fringe = shapely.box(0, 0, length, max([y for _, y, _ in trees], default=20.0) + 4.0)
    feet = length * unit * feet_per_map_unit(crs, "test")
    tables = {
        "lots": {"lot_id": [LOT], "is_measured": [True], "frontage_length_ft": [feet],
                 "geometry": [shapely.box(0, -140, length, 0)]},
        "mhw_line": {"geometry": [shapely.LineString([(-60, 0), (length + 60, 0)])]},
        "frontage": {"lot_id": [LOT], "stretch_id": ["L1/1"], "station_from_ft": [0.0],
                     "station_to_ft": [feet], "geometry": [line]},
        "riparian_lines": {
            "lot_id": [LOT] * 2, "side": ["left", "right"], "method": ["square-to-shore"] * 2,
            "label": ["proposed, square to the smoothed shore"] * 2,
            "geometry": [shapely.LineString([(x, 0), (x, 80)]) for x in (0, length)],
        },
        "fringe": {"lot_id": [LOT], "geometry": [fringe]},
        "zone": {"lot_id": [LOT], "geometry": [fringe]},
        "crowns": {"crown_id": ids, "lot_id": [LOT] * len(trees),
                   "is_mangrove": np.array([True] * len(trees), dtype=object),
                   "geometry": boxes},
        "trunks": {"crown_id": ids, "geometry": [shapely.Point(x, y) for x, y, _ in trees]},
    }  # fmt: skip
    tables.update(more or {})
    if not trees:
        for name in ("crowns", "trunks", "fringe", "zone"):
            del tables[name]
    for rows in tables.values():
        if "geometry" in rows:
            rows["geometry"] = [
                shapely.transform(shape, lambda xy: xy * unit) for shape in rows["geometry"]
            ]
    return package(tables, crs, **given)


def as_set(sheets):
    """Sheets as a set of their own."""
    return SheetSet("T", "A", "S", (), TitleBlock("P", {"PROJECT": "P"}), sheets)


def rows_of_trees(n, length, n_rows=4, side=6.0):
    """Trees in rows along the shore."""
    step = length / (n / n_rows)
    return [
        (step * (k // n_rows + 0.5), 5.0 + 9.0 * (k % n_rows), side) for k in range(n)
    ]  # fmt: skip


def pdf_file(sheets):
    """Sheets as a PDF in memory."""
    return io.BytesIO(pdf_of(as_set(sheets)))


def words_in(sheets):
    """All words of the PDF of some sheets as a second library reads them, page by page.

    In the order of the file: words of one label are one after the other there.
    """
    with pdfplumber.open(pdf_file(sheets)) as pdf:
        return [
            [word["text"] for word in page.extract_words(x_tolerance=1.0, use_text_flow=True)]
            for page in pdf.pages
        ]


def text_of(sheets):
    """All words of the PDF of some sheets, one space between two."""
    return " ".join(word for page in words_in(sheets) for word in page)
