"""Tables of the operation ``sections``."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
import pandas as pd
import shapely

from geotrim.core.foliage_curve import foliage_curves
from geotrim.core.silhouettes import Cells, place_on, side_view
from geotrim.model import Note
from geotrim.ops.section_cuts import Given, Section

COLUMNS: dict[str, tuple[str, ...]] = {
    "sections": (
        "lot_id", "section_id", "stretch_id", "station_ft", "why", "land_ft", "water_ft",
        "water_elevation_ft", "has_ground", "fringe_depth_ft", "landward_trunk_ft",
        "waterward_trunk_ft", "reference", "half_width_ft", "smoothed_line_ft",
    ),
    "section_ground": ("lot_id", "section_id", "offset_ft", "ground_ft"),
    "section_columns": ("lot_id", "section_id", "crown_id", "offset_ft", "base_ft", "top_ft"),
    "section_trunks": (
        "lot_id", "section_id", "crown_id", "offset_ft", "aside_ft", "has_trunk", "is_fringe",
    ),
    "crown_sides": (
        "lot_id", "stretch_id", "crown_id", "station_ft", "top_ft", "is_from_raster",
    ),
    "foliage_curves": ("lot_id", "crown_id", "canopy_model", "height_ft", "above_frac"),
}  # fmt: skip


def section_rows(given: Given, made: Sequence[Section]) -> dict[str, Any]:
    """Rows of the tables that tell of sections."""
    return {
        "sections": [_section_row(given, one) for one in made],
        "section_ground": _joined(
            (one, {"offset_ft": one.ground_at_ft, "ground_ft": one.ground_ft}) for one in made
        ),
        "section_columns": _joined(
            (one, _column_rows(given, one, crown)) for one in made for crown in one.columns
        ),
        "section_trunks": _joined((one, _trunk_rows(given, one)) for one in made),
    }


def _section_row(given: Given, one: Section) -> dict[str, Any]:
    return {
        "lot_id": one.lot_id,
        "section_id": one.section_id,
        "stretch_id": one.place.stretch_id,
        "station_ft": one.place.station_ft,
        "why": one.place.why,
        "land_ft": one.land_ft,
        "water_ft": one.water_ft,
        "water_elevation_ft": given.water_ft,
        "has_ground": len(one.ground_ft) > 0,
        "fringe_depth_ft": one.depth.depth_ft,
        "landward_trunk_ft": one.depth.landward_ft,
        "waterward_trunk_ft": one.depth.waterward_ft,
        "reference": one.depth.reference,
        "half_width_ft": given.half_ft,
        "smoothed_line_ft": one.smoothed_ft,
        "geometry": one.line.line(one.land_ft, one.water_ft),
    }


def _column_rows(given: Given, one: Section, crown: int) -> dict[str, Any]:
    offset, top = one.columns[crown]
    base = max(float(np.nan_to_num(given.foliage.base_ft[crown])), 0.0)
    crown_id = given.places["crown_id"].iloc[crown]
    return {"crown_id": crown_id, "offset_ft": offset, "base_ft": base, "top_ft": top}


def _trunk_rows(given: Given, one: Section) -> dict[str, Any]:
    tree, offset, aside = one.trunks
    rows = given.places.iloc[tree]
    return {
        "crown_id": rows["crown_id"].to_numpy(),
        "offset_ft": offset,
        "aside_ft": aside,
        "has_trunk": rows["has_trunk"].to_numpy(),
        "is_fringe": rows["is_fringe"].to_numpy(),
    }


def _joined(parts: Any) -> Any:
    """Rows of sections one under the other, each with its lot and letter."""
    frames = [
        pd.DataFrame({"lot_id": one.lot_id, "section_id": one.section_id, **columns})
        for one, columns in parts
        if len(columns["offset_ft"])
    ]
    return pd.concat(frames, ignore_index=True) if frames else []


def side_rows(given: Given) -> tuple[Any, list[Note]]:
    """Every crown along a shore as it is seen from the land, and the crowns without a height."""
    cells, foliage = given.cells, given.foliage
    a, b, _, d, e, _ = cells.transform
    side = float(np.sqrt(abs(a * e - b * d)))
    first = np.searchsorted(cells.crown, np.arange(len(foliage) + 1))
    stretches = given.frontage.set_index("stretch_id")
    shapes, frames, blank = given.shapes, [], []
    for crown, row in enumerate(given.places.to_dict("records")):
        if row["stretch_id"] not in stretches.index or shapely.is_empty(shapes[crown]):
            continue
        stretch = stretches.loc[row["stretch_id"]]
        centre = shapely.centroid(shapes[crown])
        start = float(stretch["station_from_ft"])
        station, way = place_on(stretch["geometry"], centre, start, given.feet)
        mine = slice(first[crown], first[crown + 1])
        around = Cells(cells.x[mine], cells.y[mine], foliage.cell_height_ft[mine], side)
        along = (float(way[0]), float(way[1]))
        top = float(foliage.top_ft[crown])
        seen = side_view(shapes[crown], along, station, top, given.feet, around)
        if seen is None:
            blank.append(str(row["crown_id"]))
            continue
        names = {name: row[name] for name in ("lot_id", "stretch_id", "crown_id")}
        shape = {"station_ft": seen.station_ft, "top_ft": seen.top_ft}
        frames.append(pd.DataFrame({**names, **shape, "is_from_raster": seen.is_from_raster}))
    text = f"{len(blank)} without a height ({', '.join(blank[:5])}{', ...' * (len(blank) > 5)})"
    notes = [Note("crowns", f"{text}: no side view", "missing")] if blank else []
    return (pd.concat(frames, ignore_index=True) if frames else []), notes


def curve_rows(given: Given) -> Any:
    """Foliage above a height of every crown on a lot."""
    found = foliage_curves(given.foliage, np.flatnonzero(given.places["lot_id"].notna()))
    rows = given.places.iloc[found.tree]
    return pd.DataFrame(
        {
            "lot_id": rows["lot_id"].to_numpy(),
            "crown_id": rows["crown_id"].to_numpy(),
            "canopy_model": given.foliage.model,
            "height_ft": found.height_ft,
            "above_frac": found.above_frac,
        }
    )
