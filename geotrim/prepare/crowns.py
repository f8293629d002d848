"""Preparation ``crowns``: crown polygons drafted from a height raster, for the field to confirm."""

from __future__ import annotations

from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from geotrim.core.crown_confidence import confidence, reasons, shares
from geotrim.core.crown_draft import TALLEST_FT, UNDER_FT, CrownDraft, draft_crowns
from geotrim.core.crown_regions import CELLS_MIN, CrownRules
from geotrim.core.treetops import cell_size
from geotrim.errors import CRSError, LayerError, RangeError
from geotrim.io.crs import is_measurable, named
from geotrim.io.files import local_path
from geotrim.io.package import write_layers
from geotrim.io.rasters import HeightRaster, open_heights
from geotrim.io.repair import counted
from geotrim.model import Note
from geotrim.prepare.places import Shapes, input_file, read_shapes
from geotrim.prepare.task import GivenFile, Prepared, Task
from geotrim.report.crowns_draft_figure import CrownsPicture, draw_crowns_draft, picture_bounds
from geotrim.units import feet_per_map_unit

FILE, FIGURE = "crowns.gpkg", "crowns_draft.png"
#: Cells wider than this cannot show a crown: the least one has four of them. [ft]
COARSEST_FT = 13.0
#: Crowns under this are told as doubtful.
LOW_CONFIDENCE = 0.5
#: Cells along the longer side of the picture, at most.
PICTURE_CELLS = 1200


def prepare_crowns(task: Task) -> Prepared:
    """Draft crowns and treetops from a raster of heights above the substrate.

    Raises
    ------
    GeotrimError
        If the raster cannot be read or measured in, holds elevations or nothing, has no tree over
        the least height, or does not reach the area.
    """
    given = task.one("heights")
    assert given is not None  # the declaration asks for it
    rules = CrownRules(**{key: task.params[key] for key in CrownRules.__slots__})
    with _opened(given) as raster:
        feet = feet_per_map_unit(raster.crs, given.subject)
        _check_cells(raster, feet, given)
        shapes = _area_shapes(task, raster)
        near = _near(task, shapes, raster, feet)
        draft = draft_crowns(raster, feet, rules, near=near, progress=task.progress)
        _check_some(draft, rules, given)
        table, tops = crown_tables(draft, raster.crs, feet)
        write_layers(task.folder / FILE, {"crowns": table, "treetops": tops}, raster.crs)
        task.progress("crowns: drawing")
        draw_crowns_draft(
            task.folder / FIGURE, _picture(raster, draft, table, (shapes, near), feet)
        )
    figures = _figures(draft, table, is_whole=near is None)
    detail = {key: value for key, value in raster.describe().items() if key != "path"}
    inputs = [input_file(given, "heights", crs=raster.crs, detail=detail)]
    inputs += [] if shapes is None else [shapes.told]
    told = (
        *raster.notes,
        *(() if shapes is None else shapes.notes),
        *_notes(draft, figures, table, rules),
    )
    return Prepared(
        files={
            FILE: "layers crowns (a draft) and treetops (highest points, not trunks)",
            FIGURE: "the draft on the heights",
        },
        site={"crowns": {"file": FILE, "layer": "crowns", "id_field": "crown_id"}},
        figures=figures,
        notes=told,
        words=_words(figures),
        inputs=tuple(inputs),
    )


# ------------------------------------------------------------------------------ what is read


def _opened(given: GivenFile) -> HeightRaster:
    """The raster, in a CRS that can be measured in."""
    raster = open_heights(
        local_path(given.path, given.subject),
        unit=given.get("unit"),
        band=given.get("band", 1),
        rmse_ft=given.get("rmse_ft"),
        crs=given.get("crs"),
        subject=given.subject,
    )
    if not is_measurable(raster.crs):
        raise CRSError(
            given.subject,
            f"a raster in {named(raster.crs)}, whose cells are no plane lengths",
            "a projected CRS in feet or metres",
            "warp the raster to a state plane zone, such as EPSG:6443, and keep its heights",
        )
    return raster


def _check_cells(raster: HeightRaster, feet: float, given: GivenFile) -> None:
    size = cell_size(raster.transform, feet, given.subject)
    if max(size.along_row_ft, size.along_col_ft) > COARSEST_FT:
        raise RangeError(
            given.subject,
            f"cells of {size.along_row_ft:.3g} by {size.along_col_ft:.3g} ft",
            f"cells of {COARSEST_FT:g} ft or less, better of 1 to 3 ft, since a crown must show in "
            f"{CELLS_MIN} of them",
            "make a finer height raster, or draw the crowns by hand",
        )


def _area_shapes(task: Task, raster: HeightRaster) -> Shapes | None:
    given = task.one("area")
    return None if given is None else read_shapes(given, "area", crs=raster.crs)


def _near(task: Task, shapes: Shapes | None, raster: HeightRaster, feet: float) -> Any:
    """The area to work in with its margin, or None for the whole raster."""
    if shapes is None:
        return None
    area = shapely.union_all(np.asarray(shapes.table.geometry.array))
    near = shapely.buffer(area, task.params["margin_ft"] / feet)
    if not shapely.intersects(near, _extent(raster)):
        given = task.one("area")
        raise LayerError(
            given.subject if given else "area",
            "an area that the heights do not reach",
            "an area on the height raster",
            "check the CRS of both, or take the raster of the place",
        )
    return near


def _extent(raster: HeightRaster) -> Any:
    a, b, c, d, e, f = raster.transform
    rows, cols = raster.shape
    at = np.array([(0, 0), (cols, 0), (cols, rows), (0, rows)], dtype=float)
    x, y = a * at[:, 0] + b * at[:, 1] + c, d * at[:, 0] + e * at[:, 1] + f
    return shapely.Polygon(np.column_stack([x, y]))


def _check_some(draft: CrownDraft, rules: CrownRules, given: GivenFile) -> None:
    """Refuse to hand on an empty layer; say why it would be."""
    counts = draft.counts
    if len(draft):
        return
    if counts.n_known == 0:
        raise LayerError(
            given.subject,
            f"no height in any of {counts.n_cells:,} cells",
            "a raster with heights",
            "check its no-data value, and the area",
        )
    found = f"no tree of {rules.height_min_ft:g} ft; the highest cell is {counts.highest_ft:.1f} ft"
    if counts.n_tops:
        found = f"{counted(counts.n_tops, 'treetop')}, none with a crown to keep"
    raise LayerError(
        given.subject,
        found,
        f"trees up to {TALLEST_FT:g} ft, on {CELLS_MIN} cells or more",
        "check the vertical unit and the area, or lower --height-min-ft or --area-min-ft2",
    )


# ------------------------------------------------------------------------------ what is made


def crown_tables(draft: CrownDraft, crs: Any, feet: float) -> tuple[Any, Any]:
    """Crowns and treetops as tables; ids ``D1`` and on, by treetop, north to south.

    Returns
    -------
    crowns : GeoDataFrame of polygons
        ``crown_width_ft`` is that of a circle of the crown's area; ``saddle_ft`` is NaN where no
        neighbour touches.
    treetops : GeoDataFrame of points, the same rows in the same order
    """
    cells = draft.measures
    parts = shares(cells)
    area_ft2 = shapely.area(draft.outlines) * feet**2
    digits = len(str(len(draft)))
    ids = [f"D{k:0{digits}d}" for k in range(1, len(draft) + 1)]
    columns = {
        "crown_id": ids,
        "species": pd.Series([None] * len(draft), dtype=object),
        "is_draft": np.ones(len(draft), dtype=bool),
        "height_ft": cells.height_ft,
        "crown_area_ft2": area_ft2,
        "crown_width_ft": 2.0 * np.sqrt(area_ft2 / np.pi),
        "confidence_frac": confidence(parts),
        "why_low": reasons(parts),
        "saddle_ft": np.where(cells.closed_ft > 0, cells.saddle_ft, np.nan),
        "open_edge_frac": cells.open_ft / cells.edge_ft,
        "cut_edge_frac": cells.cut_ft / cells.edge_ft,
        "rough_ft": cells.rough_ft,
        "n_cells": cells.n_cells,
    }
    crowns = gpd.GeoDataFrame(columns, geometry=draft.outlines, crs=crs)
    tops = gpd.GeoDataFrame(
        {"crown_id": ids, "height_ft": cells.height_ft},
        geometry=shapely.points(draft.top_xy),
        crs=crs,
    )
    return crowns, tops


def _picture(
    raster: HeightRaster,
    draft: CrownDraft,
    table: Any,
    area: tuple[Shapes | None, Any],
    feet: float,
) -> CrownsPicture:
    """What is drawn; ``area`` is that asked for, and the same with its margin."""
    view = picture_bounds(draft.outlines, feet)
    height_ft, bounds = raster.read_display(_on_cells(view, raster), PICTURE_CELLS)
    return CrownsPicture(
        height_ft,
        bounds,
        view,
        draft.outlines,
        draft.top_xy,
        table["confidence_frac"].to_numpy(),
        list(table["crown_id"]),
        area[1],
        feet,
        named(raster.crs),
        None if area[0] is None else shapely.union_all(np.asarray(area[0].table.geometry.array)),
    )


def _on_cells(
    bounds: tuple[float, float, float, float], raster: HeightRaster
) -> tuple[float, float, float, float]:
    """Bounds widened to whole cells, so that cells are shown where they are."""
    a, b, c, d, e, f = raster.transform
    if b or d:  # turned: cells of the picture are not those of the raster anyway
        return bounds
    wide, high = abs(a), abs(e)
    low = c + wide * np.floor((bounds[0] - c) / wide), f + high * np.floor((bounds[1] - f) / high)
    top = c + wide * np.ceil((bounds[2] - c) / wide), f + high * np.ceil((bounds[3] - f) / high)
    return float(low[0]), float(low[1]), float(top[0]), float(top[1])


# ------------------------------------------------------------------------------ what is told


def _figures(draft: CrownDraft, table: Any, *, is_whole: bool) -> dict[str, Any]:
    """Named results; the share of canopy in crowns only where all of the raster was worked on."""
    counts, heights = draft.counts, table["height_ft"]
    cells_ft2 = draft.measures.n_cells * draft.size.area_ft2
    change = np.abs(table["crown_area_ft2"].to_numpy() / cells_ft2 - 1.0)
    return {
        "n_crowns": len(draft),
        "n_low_confidence": int((table["confidence_frac"] < LOW_CONFIDENCE).sum()),
        "confidence_median_frac": float(table["confidence_frac"].median()),
        "height_lowest_ft": float(heights.min()),
        "height_median_ft": float(heights.median()),
        "height_highest_ft": float(heights.max()),
        "crown_area_ft2": float(table["crown_area_ft2"].sum()),
        "outline_change_most_frac": float(change.max()),
        "outline_change_median_frac": float(np.median(change)),
        "cell_area_ft2": draft.size.area_ft2,
        "canopy_in_crowns_frac": float(draft.measures.n_cells.sum() / counts.n_canopy)
        if is_whole
        else None,
        "n_cells": counts.n_cells,
        "n_cells_without_data": counts.n_cells - counts.n_known,
        "n_cells_under_substrate": counts.n_under,
        "n_treetops": counts.n_tops,
        "n_too_small": counts.n_small,
        "n_unsure": counts.n_unsure,
        "n_crumb_cells": counts.n_crumb_cells,
        "n_hole_cells_filled": counts.n_hole_cells,
    }


def _notes(draft: CrownDraft, figures: dict[str, Any], table: Any, rules: CrownRules) -> list[Note]:
    """What was left out, filled or doubted."""
    counts, size, notes = draft.counts, draft.size, []
    notes.append(Note("crowns", "no species known: a height raster shows none", "missing"))
    missing = counts.n_cells - counts.n_known
    if missing:
        text = f"{missing:,} of {counts.n_cells:,} cells have no height; no crown reaches over them"
        notes.append(Note("heights", text, "missing"))
    if counts.n_under:
        text = f"{counts.n_under:,} cells lie over {-UNDER_FT:g} ft under the substrate; noise, or "
        notes.append(Note("heights", text + "elevations in place of heights", "assumed"))
    if (share := figures["canopy_in_crowns_frac"]) is not None:
        text = (
            f"{min(share, 1.0):.0%} of the cells over {rules.height_min_ft:g} ft are in a crown; "
        )
        text += "the rest is lower than its treetop allows, too small, or without a treetop"
        notes.append(Note("crowns", text, "info"))
    if counts.n_small:
        least = max(rules.area_min_ft2, CELLS_MIN * size.area_ft2)
        text = f"{counted(counts.n_small, 'treetop')} left out: crown under {least:.0f} ft2"
        notes.append(Note("crowns", text, "missing"))
    if counts.n_crumb_cells:
        text = f"{counts.n_crumb_cells:,} cells cut off that hung together with no treetop"
        notes.append(Note("crowns", text, "repaired"))
    if counts.n_hole_cells:
        text = f"{counts.n_hole_cells:,} cells in gaps of up to {rules.hole_max_ft2:g} ft2 filled"
        notes.append(Note("crowns", text, "repaired"))
    if counts.n_unsure:
        text = f"{counted(counts.n_unsure, 'crown')} in so wide a canopy without a gap that trees "
        notes.append(Note("crowns", text + "further away might change them", "assumed"))
    n_cut = int((table["cut_edge_frac"] > 0).sum())
    if n_cut:
        text = f"{counted(n_cut, 'crown')} of {len(draft)} cut by missing data or the raster's end"
        notes.append(Note("crowns", text, "missing"))
    return notes


def _words(figures: dict[str, Any]) -> str:
    n, low = figures["n_crowns"], figures["n_low_confidence"]
    lowest, middle, highest = (
        figures[f"height_{which}_ft"] for which in ("lowest", "median", "highest")
    )
    lines = [
        f"{counted(n, 'crown')} drafted, {lowest:.0f} to {highest:.0f} ft tall (median "
        f"{middle:.0f} ft), {figures['crown_area_ft2']:,.0f} ft2 in all.",
        "Confidence (how clearly the heights show a crown, 0 to 1): median "
        f"{figures['confidence_median_frac']:.2f}; {low:,} under {LOW_CONFIDENCE:g}, with why_low "
        "telling why.",
    ]
    return "\n".join(lines)
