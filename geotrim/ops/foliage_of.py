"""Foliage of every tree of a site under the canopy model that was chosen."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
import numpy.typing as npt
import shapely

from geotrim.core.coverage import Floats
from geotrim.core.foliage import Foliage
from geotrim.core.ragged_lines import RaggedLines, above_at, lines_of_columns, lines_of_layers
from geotrim.core.slices import WHOLE
from geotrim.core.solids import solid_above_ft3
from geotrim.errors import RangeError
from geotrim.model import Note, Result
from geotrim.ops.canopy import _Model, foliage_bases_ft
from geotrim.ops.canopy_cells import CrownCells, seen_ft2, tops_ft
from geotrim.units import feet_per_map_unit

Flags = npt.NDArray[np.bool_]
#: What a height measured in the field does to the raster's heights of that tree.
FIELD_HEIGHTS = ("move", "leave")
#: Two heights nearer than this are the same. [ft]
SAME_FT = 1e-5


def foliage_of(
    crowns: Any,
    cells: CrownCells,
    profiles: Any,
    parameters: Mapping[str, Any],
    heights: Result | None = None,
    *,
    field_heights: str = "move",
) -> tuple[Foliage, list[Note]]:
    """Top, base, volume and its spread over heights, of every crown.

    Parameters
    ----------
    crowns : GeoDataFrame
        n crowns; ``base_height_ft`` and ``field_height_ft`` are used where given.
    cells : CrownCells
        Of these crowns.
    profiles : DataFrame or None
        For the canopy model ``profile``.
    parameters : mapping
        ``canopy_model``, ``crown_base_ft``, ``crown_base_frac`` as of the operation ``slices``.
    heights : Result, optional
        Of the operation ``heights``: tops are taken from its table where it is given; else they
        are the highest counted cells.
    field_heights : str
        ``move``: a tree measured in the field has that height, and all its cells are raised or
        lowered by as much as its highest counted cell needs to get there (cells that show no canopy
        stay). ``leave``: its cells stay as the raster has them and only ``top_ft`` is the field's;
        volumes and shares are then those of the operation ``slices`` for every tree.

    Returns
    -------
    Foliage, notes

    Raises
    ------
    GeotrimError
        If a parameter is outside its limits, or a model lacks its base or profiles.

    Notes
    -----
    Cells are moved rather than stretched, so that foliage keeps its depth under the top and one
    number, the move, tells all that was done. A tree whose heights nobody knows but for a field
    height is taken as even foliage over its whole crown from its base to that height.
    """
    if field_heights not in FIELD_HEIGHTS:
        raise RangeError(
            "field_heights",
            f"{field_heights!r}",
            f"one of {', '.join(FIELD_HEIGHTS)}",
            "say what a field height does to the raster's heights",
        )
    area = np.nan_to_num(shapely.area(crowns.geometry.to_numpy()))
    area = area * feet_per_map_unit(crowns.crs, "crowns") ** 2
    seen_top = _tops(crowns, cells, heights)
    field = _field_heights(crowns)
    top = np.where(np.isnan(field), seen_top, field)
    moved = np.nan_to_num(field - seen_top)
    is_other = (np.abs(moved) > SAME_FT) & np.isfinite(seen_top)
    moved = np.where(is_other & (field_heights == "move"), moved, 0.0)
    is_even = np.isnan(seen_top) & np.isfinite(field) & (area > 0.0)
    given = {"crown_base_ft": None, "crown_base_frac": None, **parameters, "target_height_ft": None}
    made = _Model(crowns, given, profiles, cells.shift_ft)
    tree, cell_area = cells.crown, cells.area_ft2
    height = _moved(cells, moved)
    seen = seen_ft2(cells)
    foliage_top = np.where(is_even, field, seen_top + moved)
    base = _bases(crowns, given, made, foliage_top)
    known = np.isfinite(height) & (height > 0.0) & ~is_even[tree]
    even = np.flatnonzero(is_even)
    columns = lines_of_columns(
        len(crowns),
        np.concatenate([tree[known], even]),
        np.concatenate([height[known], field[even]]),
        np.concatenate([cell_area[known], area[even]]),
    )
    leaves, up = None, np.zeros(len(crowns))
    if made.profile is not None:
        leaves, up = lines_of_layers(made.profile.layers), moved - made.profile.shift_ft
        base = np.maximum(base + moved, 0.0)
    whole = _whole(made, columns, area, base, foliage_top, (seen > 0.0) | is_even)
    foliage = Foliage(
        model=made.name,
        top_ft=top,
        foliage_top_ft=foliage_top,
        base_ft=base,
        whole_ft3=whole,
        area_ft2=area,
        columns=columns,
        leaves=leaves,
        leaves_up_ft=up,
        moved_ft=moved,
        is_even=is_even,
        is_partial=~(seen >= (1.0 - WHOLE) * area) | ~(area > 0.0),
        cell_tree=tree,
        cell_height_ft=height,
        cell_area_ft2=cell_area,
    )
    return foliage, _notes(crowns, foliage, is_other, field_heights)


def _moved(cells: CrownCells, moved_ft: Floats) -> Floats:
    """Heights of cells, those of canopy raised or lowered with their tree. [ft]."""
    raw = cells.height_ft
    return np.where(raw > 0.0, np.maximum(raw + moved_ft[cells.crown], 0.0), raw)


def _tops(crowns: Any, cells: CrownCells, heights: Result | None) -> Floats:
    """Tops as the raster has them. [ft]."""
    if heights is None:
        return tops_ft(cells)
    table = heights["heights"]
    rows = table.set_index(table["crown_id"].astype(str))
    rows = rows.reindex(crowns["crown_id"].astype(str))
    top: Floats = rows["top_height_ft"].to_numpy(dtype=np.float64)
    return top


def _field_heights(crowns: Any) -> Floats:
    """Heights measured in the field; NaN where none was. [ft]."""
    if "field_height_ft" not in crowns.columns:
        return np.full(len(crowns), np.nan)
    field: Floats = crowns["field_height_ft"].to_numpy(dtype=np.float64, na_value=np.nan)
    return np.where(np.isfinite(field), field, np.nan)


def _bases(crowns: Any, parameters: Mapping[str, Any], made: _Model, top_ft: Floats) -> Floats:
    """Where foliage begins: under the column model at the substrate where nobody knows. [ft]."""
    if made.name == "column":
        return np.nan_to_num(foliage_bases_ft(crowns, parameters, top_ft))
    if made.frac is None:
        return made.base_ft
    return np.where(np.isnan(made.base_ft), made.frac * top_ft, made.base_ft)


def _whole(
    made: _Model, columns: RaggedLines, area: Floats, base: Floats, top: Floats, is_seen: Flags
) -> Floats:
    """All foliage of each tree; NaN where nothing tells. [ft3]."""
    if made.is_solid:
        return solid_above_ft3(made.name, area, base, top, base)
    if made.profile is None:
        found = above_at(columns, np.arange(len(area)), base)
    else:
        found = above_at(columns, np.arange(len(area)), np.zeros(len(area)))
        is_seen = is_seen & made.profile.is_known
    return np.where(is_seen, found, np.nan)


def _notes(crowns: Any, foliage: Foliage, is_other: Flags, field_heights: str) -> list[Note]:
    """What stands in for heights that the raster and the field do not agree on, or do not have."""
    ids = crowns["crown_id"].astype(str).to_numpy(dtype=object)
    does = (
        "their cells are raised or lowered so that the highest is at the field's height"
        if field_heights == "move"
        else "their foliage is that of the raster's heights all the same"
    )
    told = (
        (is_other, f"measured in the field at another height than the raster's: {does}"),
        (
            foliage.is_even,
            "without heights of the raster: foliage is taken as even over the whole crown, up to "
            "the height measured in the field",
        ),
    )
    notes = [_note(ids, which, text, "assumed") for which, text in told if which.any()]
    blank = np.isnan(foliage.top_ft)
    if blank.any():
        text = "no height, neither of the raster nor of the field: their foliage is not known"
        notes.append(_note(ids, blank, text, "missing"))
    return notes


def _note(ids: Any, which: Flags, text: str, level: str) -> Note:
    """A note about some crowns: how many, and the first few by name."""
    some = ", ".join(ids[which][:5]) + (", ..." if which.sum() > 5 else "")
    n = int(which.sum())
    return Note("crowns", f"{n} {'crown' if n == 1 else 'crowns'} ({some}): {text}", level)
