"""Packages in memory with crowns of known shapes, for sheets that show a shore from the side."""

from __future__ import annotations

import io
from pathlib import Path

import numpy as np
import pandas as pd
import pdfplumber
import shapely
from sheet_checks import check_sheets

from geotrim.io.package_read import Package
from geotrim.model import Result
from geotrim.report.sheets.compiled import pdf_of
from geotrim.report.sheets.sheet import SheetSet, TitleBlock

LOT = "L1"
STEP_FT = 0.5
#: No plan at all, and one cut: (crown, year, from, to); NaN is the top. [ft]
NAN = float("nan")


def columns(section, crown, low, high, base, top):
    """Columns of a box crown between two offsets: middles of steps of half a foot."""
    x = np.arange(low + STEP_FT / 2, high, STEP_FT)
    return pd.DataFrame(
        {"lot_id": LOT, "section_id": section, "crown_id": crown, "offset_ft": x,
         "base_ft": float(base), "top_ft": float(top)}
    )  # fmt: skip


def ground(section, low, high, slope=0.0, at_mhw=0.0):
    """A straight substrate: height at an offset is ``at_mhw + slope * offset``. [ft]."""
    x = np.arange(low, high + STEP_FT / 2, STEP_FT)
    z = at_mhw + slope * x
    return pd.DataFrame({"lot_id": LOT, "section_id": section, "offset_ft": x, "ground_ft": z})


def section_row(section="A", station=40.0, land=-20.0, water=40.0, **other):
    """A row of ``sections``."""
    return {
        "lot_id": LOT, "section_id": section, "stretch_id": f"{LOT}/1", "station_ft": station,
        "why": "where the fringe is deepest", "land_ft": land, "water_ft": water,
        "water_elevation_ft": 0.31, "has_ground": True, "fringe_depth_ft": 38.0,
        "landward_trunk_ft": -6.0, "waterward_trunk_ft": 32.0, "reference": "trunk",
        "half_width_ft": 5.0, **other,
    }  # fmt: skip


def trunks(section, placed):
    """Rows of ``section_trunks`` from (crown, offset[, has_trunk])."""
    rows = [
        {"lot_id": LOT, "section_id": section, "crown_id": one[0], "offset_ft": one[1],
         "aside_ft": 1.0, "has_trunk": one[2] if len(one) > 2 else True}
        for one in placed
    ]  # fmt: skip
    names = ["lot_id", "section_id", "crown_id", "offset_ft", "aside_ft", "has_trunk"]
    return pd.DataFrame(rows, columns=names)


def side(crown, low, high, top, stretch=f"{LOT}/1"):
    """The side view of a box crown between two stations."""
    return pd.DataFrame(
        {"lot_id": LOT, "stretch_id": stretch, "crown_id": crown,
         "station_ft": [float(low), float(high)], "top_ft": float(top), "is_from_raster": True}
    )  # fmt: skip


def crown(name, station=0.0, offset=0.0, top=20.0, base=0.0, is_mangrove=True):
    """A row of the joined layer of crowns."""
    return {
        "crown_id": name, "lot_id": LOT, "station_ft": station, "offset_ft": offset,
        "top_height_ft": top, "base_height_ft": base, "crown_base_ft": 0.0,
        "is_mangrove": is_mangrove,
    }  # fmt: skip


def frontage(*ends):
    """Stretches from (from, to)."""
    return pd.DataFrame(
        [
            {"lot_id": LOT, "stretch_id": f"{LOT}/{k + 1}", "station_from_ft": float(a),
             "station_to_ft": float(b), "frontage_length_ft": float(b - a)}
            for k, (a, b) in enumerate(ends)
        ]
    )  # fmt: skip


def results(cuts=(), spans=(), view=None):
    """Results that hold staged cuts (crown, year, from, to, date) and spans of a window."""
    out = {}
    if spans or view:
        rows = [
            {"lot_id": LOT, "span_id": f"{LOT}/w{k + 1}", "stretch_id": s[2] if len(s) > 2 else
             f"{LOT}/1", "station_from_ft": float(s[0]), "station_to_ft": float(s[1])}
            for k, s in enumerate(spans)
        ]  # fmt: skip
        before, after = view or (NAN, NAN)
        lot = {"lot_id": LOT, "status": "planned", "reason": "", "view_of": "eyes",
               "view_before_frac": before, "view_after_frac": after}  # fmt: skip
        trees = pd.DataFrame(columns=["lot_id", "crown_id", "treatment", "cut_low_ft"])
        tables = {"window_spans": pd.DataFrame(rows, columns=list(rows[0]) if rows else ["lot_id"]),
                  "window_lots": pd.DataFrame([lot]), "window_trees": trees}  # fmt: skip
        out["window"] = Result("window", tables)
    if cuts:
        rows = [
            {"lot_id": LOT, "crown_id": c[0], "year": c[1], "from_ft": float(c[2]),
             "to_ft": float(c[3]), "date": c[4] if len(c) > 4 else ""}
            for c in cuts
        ]  # fmt: skip
        lot = {"lot_id": LOT, "plan": "window" if spans else "target-height"}
        tables = {"stage_cuts": pd.DataFrame(rows), "stage_lots": pd.DataFrame([lot])}
        out["stages"] = Result("stages", tables)
    return out


def package(tables, *, cuts=(), spans=(), view=None, parameters=None):
    """A package that lies on no disk."""
    record = {
        "site": {"name": "made by hand", "measured_lots": [LOT]},
        "operations": [
            {"name": name, "parameters": {key: {"value": v} for key, v in given.items()}}
            for name, given in (parameters or {}).items()
        ],
    }
    mhw = pd.DataFrame([{"label": "MHW line, from a survey", "epoch": "1983-2001",
                         "vertical_datum": "NAVD88", "elevation_ft": 0.31}])  # fmt: skip
    every = {"mhw_line": mhw, **tables}
    return Package(Path("none"), record, every, None, 1.0, "0" * 64, (), results(cuts, spans, view))


def pdf_pages(sheets):
    """Pages of a PDF of sheets, read by a second library, after the checks of all sheets."""
    pdf = pdf_of(SheetSet("Set", "", "", (), TitleBlock("made by hand"), sheets))
    check_sheets(pdf)
    return pdfplumber.open(io.BytesIO(pdf)).pages


def paths(drawing, name):
    """Paths of a drawing of one name."""
    return [item for item in drawing.items if getattr(item, "parts", None) and item.name == name]


def area_of(drawing, name):
    """Area of all paths of one name, holes taken off. [pt2]."""
    return sum(_shape(path).area for path in paths(drawing, name))


def _shape(path):
    return shapely.make_valid(shapely.Polygon(path.parts[0], path.parts[1:]))


def shape_of(drawing, name):
    """All paths of one name as one shape. [pt]."""
    return shapely.union_all([_shape(path) for path in paths(drawing, name)])


def words(drawing):
    """Words of a drawing."""
    return [item.words for item in drawing.items if hasattr(item, "words")]
