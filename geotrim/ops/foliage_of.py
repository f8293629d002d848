"""Foliage of every tree of a site under the canopy model that was chosen."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import numpy.typing as npt
import shapely

from geotrim.core.coverage import Floats
from geotrim.core.foliage import Foliage
from geotrim.core.ragged_lines import RaggedLines, above_at, lines_of_columns, lines_of_layers
from geotrim.core.slices import WHOLE
from geotrim.core.solids import solid_above_ft3
from geotrim.errors import RangeError, ShapeError
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
    tops_ft: npt.ArrayLike | None = None,
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
        volumes and shares are then those of the operation ``slices`` wherever the raster shows
        canopy.
    tops_ft : (n,) array, optional
        Heights that the trees are judged by (see :mod:`geotrim.ops.judged_tops`): where finite they
        go before those of the field and the raster, and cells are moved to them the same way. [ft]

    Returns
    -------
    Foliage, notes

    Raises
    ------
    GeotrimError
        If a parameter is outside its limits, a model lacks its base or profiles, or there is not
        one judged height for each crown.

    Notes
    -----
    Cells are moved rather than stretched, so that foliage keeps its depth under the top and one
    number, the move, tells all that was done. A tree with a field height of which the raster shows
    no canopy (no data, or nothing over the substrate) is taken as even foliage over its whole
    crown, from its base to that height.
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
    judged = _judged(tops_ft, len(crowns))
    tall = _heights_of(crowns, _tops(crowns, cells, heights), judged, field_heights == "move")
    tall = replace(tall, is_even=tall.is_even & (area > 0.0))
    given = {"crown_base_ft": None, "crown_base_frac": None, **parameters, "target_height_ft": None}
    made = _Model(crowns, given, profiles, cells.shift_ft)
    base, leaves, up = _bases(crowns, given, made, tall), None, np.zeros(len(crowns))
    if made.profile is not None:
        leaves, up = lines_of_layers(made.profile.layers), tall.moved_ft - made.profile.shift_ft
    height = _moved(cells, tall.moved_ft)
    columns = _columns(cells, height, tall, area)
    seen = seen_ft2(cells)
    foliage = Foliage(
        model=made.name,
        top_ft=tall.top_ft,
        foliage_top_ft=tall.foliage_top_ft,
        base_ft=base,
        whole_ft3=_whole(made, columns, area, base, tall, (seen > 0.0) | tall.is_even),
        area_ft2=area,
        columns=columns,
        leaves=leaves,
        leaves_up_ft=up,
        moved_ft=tall.moved_ft,
        is_even=tall.is_even,
        is_partial=~(seen >= (1.0 - WHOLE) * area) | ~(area > 0.0),
        cell_tree=cells.crown,
        cell_height_ft=height,
        cell_area_ft2=cells.area_ft2,
    )
    return foliage, _notes(crowns, foliage, tall, field_heights)


@dataclass(frozen=True, slots=True, eq=False)
class _Heights:
    """Tops of n trees; as in :class:`Foliage`.

    is_other : (n,) of another height than the raster's.
    is_field : (n,) that height is the one measured in the field.
    """

    top_ft: Floats
    foliage_top_ft: Floats
    moved_ft: Floats
    is_other: Flags
    is_field: Flags
    is_even: Flags


def _judged(tops_ft: npt.ArrayLike | None, n: int) -> Floats:
    """Judged heights; NaN where there are none. [ft]."""
    if tops_ft is None:
        return np.full(n, np.nan)
    found = np.asarray(tops_ft, dtype=np.float64)
    if found.shape != (n,):
        raise ShapeError(
            "tops_ft",
            f"an array of shape {found.shape}",
            f"one height for each of {n} crowns",
            "use judged_tops_ft of the same crowns",
        )
    return np.where(np.isfinite(found), found, np.nan)


def _heights_of(crowns: Any, seen_ft: Floats, judged_ft: Floats, is_moved: bool) -> _Heights:
    """Tops of the raster, of the field and of the judgement put together. [ft]."""
    field = np.full(len(crowns), np.nan)
    if "field_height_ft" in crowns.columns:
        field = crowns["field_height_ft"].to_numpy(dtype=np.float64, na_value=np.nan)
    wanted = np.where(np.isnan(judged_ft), field, judged_ft)
    is_field = np.abs(wanted - field) <= SAME_FT
    has, shows = np.isfinite(wanted), seen_ft > 0.0
    gap = np.where(has & shows, wanted - seen_ft, 0.0)
    is_other = np.abs(gap) > SAME_FT
    moved = np.where(is_other & is_moved, gap, 0.0)
    is_even = is_field & ~shows
    return _Heights(
        top_ft=np.where(has, wanted, seen_ft),
        foliage_top_ft=np.where(is_even, wanted, seen_ft + moved),
        moved_ft=moved,
        is_other=is_other,
        is_field=is_field,
        is_even=is_even,
    )


def _columns(cells: CrownCells, height_ft: Floats, tall: _Heights, area: Floats) -> RaggedLines:
    """Cells that show canopy, and one column as wide as the crown for a tree that stands evenly."""
    shows = (height_ft > 0.0) & ~tall.is_even[cells.crown]
    even = np.flatnonzero(tall.is_even)
    return lines_of_columns(
        len(area),
        np.concatenate([cells.crown[shows], even]),
        np.concatenate([height_ft[shows], tall.top_ft[even]]),
        np.concatenate([cells.area_ft2[shows], area[even]]),
    )


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


def _bases(crowns: Any, parameters: Mapping[str, Any], made: _Model, tall: _Heights) -> Floats:
    """Where foliage begins: under the column model at the substrate where nobody knows. [ft]."""
    if made.name == "column":
        return np.nan_to_num(foliage_bases_ft(crowns, parameters, tall.foliage_top_ft))
    if made.profile is not None:
        return np.maximum(made.base_ft + tall.moved_ft, 0.0)
    if made.frac is None:
        return made.base_ft
    return np.where(np.isnan(made.base_ft), made.frac * tall.foliage_top_ft, made.base_ft)


def _whole(
    made: _Model,
    columns: RaggedLines,
    area: Floats,
    base: Floats,
    tall: _Heights,
    is_seen: Flags,
) -> Floats:
    """All foliage of each tree; NaN where nothing tells. [ft3]."""
    if made.is_solid:
        return solid_above_ft3(made.name, area, base, tall.foliage_top_ft, base)
    if made.profile is None:
        found = above_at(columns, np.arange(len(area)), base)
    else:
        found = above_at(columns, np.arange(len(area)), np.zeros(len(area)))
        is_seen = is_seen & made.profile.is_known
    return np.where(is_seen, found, np.nan)


def _notes(crowns: Any, foliage: Foliage, tall: _Heights, field_heights: str) -> list[Note]:
    """What stands in for heights that the raster and the field do not agree on, or do not have."""
    ids = crowns["crown_id"].astype(str).to_numpy(dtype=object)
    does = (
        "their cells are raised or lowered so that the highest is at that height"
        if field_heights == "move"
        else "their foliage is that of the raster's heights all the same"
    )
    told = (
        (
            tall.is_other & tall.is_field,
            f"measured in the field at another height than the raster's: {does}",
        ),
        (
            tall.is_other & ~tall.is_field,
            "judged at another height than the raster's, by the readings of the act (A-04, A-05): "
            + does,
        ),
        (
            foliage.is_even,
            "of which the raster shows no canopy: foliage is taken as even over the whole crown, "
            "up to the height measured in the field",
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
