"""The scene between the eyes and the water: canopy as columns on a grid, on the ground's level."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

import numpy as np
import numpy.typing as npt
import shapely

from geotrim.core.coverage import Floats, Ints, Transform
from geotrim.core.foliage import Foliage
from geotrim.core.sight_scene import Ground, Scene, Shared
from geotrim.errors import RangeError
from geotrim.model import HeightSource, Note
from geotrim.ops.canopy_cells import CrownCells, clearable_cells
from geotrim.ops.ground_view import GroundView, bilinear
from geotrim.units import feet_per_map_unit

Box = tuple[float, float, float, float]
#: Where a crown begins to hide the view.
HIDES_FROM = ("crown-base", "substrate")
#: Land this far (a mile) around a scene may stand in the way of the view; less where the raster
#: of the ground is too fine to be held that far. Common sense, no source. [ft]
LAND_FT = (5280.0, 2640.0, 1320.0)
#: Most cells of the ground held for land around the scene.
MOST_LAND_CELLS = 8_000_000
#: More cells than this are not put in one scene: near a gigabyte of memory.
MOST_CELLS = 30_000_000


def scene_of(
    crowns: Any,
    cells: CrownCells,
    foliage: Foliage,
    *,
    zone: Any = None,
    ground: HeightSource | None = None,
    water_ft: float = 0.0,
    without: Iterable[int] = (),
    near: Box | None = None,
    reach_xy: npt.ArrayLike | None = None,
    hides_from: str = "crown-base",
) -> tuple[Scene, list[Note]]:
    """Columns of canopy, one for each crown on a cell, with the ground they stand on.

    Parameters
    ----------
    crowns : GeoDataFrame
        n crowns, in the site's CRS.
    cells, foliage : CrownCells, Foliage
        Of these crowns.
    zone : polygon, optional
        Cells whose centre lies outside it cannot be cleared; all can without a zone.
    ground : HeightSource, optional
        Elevations, in any CRS. Read around the scene only.
    water_ft : float
        Elevation of the water: of the substrate too where no ground is known. [ft]
    without : numbers of crowns
        Taken as removed.
    near : (west, south, east, north), optional
        Cells with their centre elsewhere are left out, and the ground is read here and, for land
        that stands in the way of the view, up to a mile farther. By default it is read around the
        canopy. [map units]
    reach_xy : (m, 2) array, optional
        Places, such as eyes, that the ground has to reach as well. [map units]
    hides_from : str
        ``crown-base``: a tree hides the view from its lowest foliage up, where that is known, under
        every canopy model; else from the substrate up. ``substrate``: every tree does so.

    Returns
    -------
    Scene, notes

    Raises
    ------
    GeotrimError
        If the scene would be too large to hold, the ground's CRS cannot be used, or ``hides_from``
        is none of its choices.

    Notes
    -----
    A cell counts where it is covered enough for its tree's top to count it, and stands over where
    its tree's canopy begins. On one that several crowns share each of them has a column, so that
    it opens only where all of them are cut. A tree of which only a field height is known stands at
    that height on all its cells.
    """
    base = _bases(foliage, hides_from)
    top, is_canopy, notes = _canopy(crowns, cells, foliage, base, near)
    is_canopy &= ~np.isin(cells.crown, np.fromiter(without, dtype=np.int64))
    notes += _base_notes(crowns, base, np.unique(cells.crown[is_canopy]), hides_from)
    mine, others = _by_cell(cells, np.flatnonzero(is_canopy))
    (row0, row1, col0, col1), transform = _frame(cells, mine)
    at = cells.row[mine] - row0, cells.col[mine] - col0
    shape = row1 - row0, col1 - col0
    tops, tree = np.full(shape, np.nan), np.full(shape, -1, dtype=np.int64)
    can_clear, substrate = np.zeros(shape, dtype=bool), np.full(shape, float(water_ft))
    tops[at], tree[at] = top[mine], cells.crown[mine]
    can_clear[at] = clearable_cells(cells, zone, mine)
    x, y = cells.x[mine], cells.y[mine]
    around = _around(x, y, near, reach_xy)
    feet = feet_per_map_unit(crowns.crs, "crowns")
    unit = 0.0 if near is None else 1.0 / feet
    standing, land, told = _ground(ground, crowns.crs, x, y, around, water_ft, unit)
    substrate[at] = standing
    shared = Shared(
        cell=(cells.row[others] - row0) * shape[1] + cells.col[others] - col0,
        tree=cells.crown[others],
        top_ft=top[others],
        is_clearable=clearable_cells(cells, zone, others),
    )
    notes += _shared_notes(shared, mine.size)
    scene = Scene(
        top_ft=tops,
        tree=tree,
        is_clearable=can_clear,
        base_ft=base,
        substrate_ft=substrate,
        transform=transform,
        feet=feet,
        ground=land,
        water_ft=float(water_ft),
        shared=shared if len(shared) else None,
    )
    return scene, [*notes, *told]


def unseen_crowns(cells: CrownCells, foliage: Foliage, near: Box | None = None) -> Ints:
    """Crowns of which neither raster nor field tells a height, on some cell at least.

    Nothing of them hides the view there, so a view that looks through them is open *at most* as far
    as is told.

    Parameters
    ----------
    cells, foliage : CrownCells, Foliage
        Of the same n crowns.
    near : (west, south, east, north), optional
        Only cells with their centre here. [map units]

    Returns
    -------
    numbers of crowns, rising
    """
    blank = np.isnan(foliage.cell_height_ft) & ~foliage.is_even[cells.crown]
    found: Ints = np.unique(cells.crown[_here(cells, near) & blank])
    return found


def eye_elevations(
    eyes: Any, ground: HeightSource | None, water_ft: float, crs: Any
) -> tuple[Floats, list[Note]]:
    """Elevation of each eye: as stated, else its height above the ground under it.

    Parameters
    ----------
    eyes : GeoDataFrame
        ``eye_id``, ``height_ft`` and ``elevation_ft`` (NaN where not given); points in the site's
        CRS.
    ground : HeightSource or None
        Elevations, in any CRS.
    water_ft : float
        Elevation of the water, which stands in for ground that is not known. [ft]
    crs : the site's CRS

    Returns
    -------
    elevation_ft : (n,) array
        NaN for an eye of which neither is known. [ft]
    notes : list of Note
    """
    stated = eyes["elevation_ft"].to_numpy(dtype=np.float64, na_value=np.nan)
    height = eyes["height_ft"].to_numpy(dtype=np.float64, na_value=np.nan)
    under = np.full(len(eyes), np.nan)
    needs = np.isnan(stated) & np.isfinite(height)
    if ground is not None and needs.any():
        points = shapely.get_coordinates(eyes.geometry.array)
        under[needs] = GroundView(ground, crs).at_each(*points[needs].T)
    ids = eyes["eye_id"].astype(str).to_numpy(dtype=object)
    bare, blank = needs & np.isnan(under), np.isnan(stated) & np.isnan(height)
    notes = []
    if bare.any():
        why = "no ground is given" if ground is None else "the ground raster says nothing there"
        text = (
            f"{', '.join(ids[bare])}: {why}, so the ground under the eye is taken to be level with "
            f"the water, at {water_ft:g} ft"
        )
        notes.append(Note("eyes", text, "assumed"))
    if blank.any():
        text = f"{', '.join(ids[blank])}: neither height nor elevation, so nothing is seen from it"
        notes.append(Note("eyes", text, "missing"))
    under = np.where(np.isnan(under), water_ft, under)
    return np.where(np.isnan(stated), under + height, stated), notes


def _bases(foliage: Foliage, hides_from: str) -> Floats:
    """Where each tree's canopy begins to block the view; 0: at the substrate. [ft]."""
    if hides_from not in HIDES_FROM:
        raise RangeError(
            "hides_from",
            f"{hides_from!r}",
            f"one of {', '.join(HIDES_FROM)}",
            "say where a crown begins to hide the view",
        )
    if hides_from == "substrate":
        return np.zeros(len(foliage))
    return np.maximum(np.nan_to_num(foliage.base_ft), 0.0)


def _base_notes(crowns: Any, base: Floats, which: Ints, hides_from: str) -> list[Note]:
    """Tell from where up the crowns of a scene hide the view."""
    if hides_from == "substrate":
        text = "hide all from the substrate up, as asked, as if stems and prop roots were solid"
        return [Note("crowns", text, "assumed")]
    low = which[base[which] <= 0.0]
    if not low.size:
        return []
    n = f"{low.size} of {which.size} crowns" if which.size > 1 else "1 crown"
    text = (
        f"{n} ({_some(crowns, low)}): no lowest foliage above the substrate is known, so they hide "
        "all from the substrate up"
    )
    return [Note("crowns", text, "assumed")]


def _some(crowns: Any, which: Ints) -> str:
    """The first few of some crowns by name."""
    ids = crowns["crown_id"].astype(str).to_numpy(dtype=object)[which]
    return ", ".join(ids[:5]) + (", ..." if len(ids) > 5 else "")


def _canopy(
    crowns: Any, cells: CrownCells, foliage: Foliage, base: Floats, near: Box | None
) -> tuple[Floats, npt.NDArray[np.bool_], list[Note]]:
    """Height of each cell, and which cells are canopy. [ft]."""
    even = foliage.is_even[cells.crown]
    top = np.where(even, foliage.foliage_top_ft[cells.crown], foliage.cell_height_ft)
    is_here = _here(cells, near)
    blank = unseen_crowns(cells, foliage, near)
    with np.errstate(invalid="ignore"):
        is_canopy = is_here & (top > base[cells.crown])
    notes = []
    shown = np.unique(cells.crown[is_here & even])
    for which, text, level in (
        (shown, "stand on all their cells at the height measured in the field", "assumed"),
        (
            blank,
            "where neither raster nor field tells their height they count as open view, so the "
            "view is told at most",
            "missing",
        ),
    ):
        if which.size:
            n = f"{which.size} {'crown' if which.size == 1 else 'crowns'}"
            notes.append(Note("crowns", f"{n} ({_some(crowns, which)}): {text}", level))
    return top, is_canopy, notes


def _here(cells: CrownCells, near: Box | None) -> npt.NDArray[np.bool_]:
    """Cells that count, and have their centre in a box."""
    if near is None:
        return cells.is_counted.copy()
    west, south, east, north = near
    is_in = (cells.x >= west) & (cells.x <= east) & (cells.y >= south) & (cells.y <= north)
    return cells.is_counted & is_in


def _by_cell(cells: CrownCells, which: Ints) -> tuple[Ints, Ints]:
    """Part cells that crowns share: those of the crown that covers most, and all the others.

    Of equals the first crown is taken. Both by rising row and column.
    """
    row, col = cells.row[which], cells.col[which]
    order = np.lexsort((cells.crown[which], -cells.coverage_frac[which], col, row))
    row, col = row[order], col[order]
    is_first = np.ones(row.size, dtype=bool)
    is_first[1:] = (row[1:] != row[:-1]) | (col[1:] != col[:-1])
    return which[order[is_first]], which[order[~is_first]]


def _shared_notes(shared: Shared, n_cells: int) -> list[Note]:
    """Tell of cells that several crowns share."""
    n = np.unique(shared.cell).size
    if n == 0:
        return []
    text = (
        f"{n:,} of {n_cells:,} cells of canopy lie in more than one crown: such a cell hides the "
        "view until every crown on it is cut there"
    )
    return [Note("crowns", text, "info")]


def _frame(cells: CrownCells, which: Ints) -> tuple[tuple[int, int, int, int], Transform]:
    """First and last row and column of some cells, and the transform of that part of the grid."""
    rows, cols = cells.row[which], cells.col[which]
    if which.size:
        box = int(rows.min()), int(rows.max()) + 1, int(cols.min()), int(cols.max()) + 1
    else:
        box = 0, 1, 0, 1  # a scene of one empty cell
    n = (box[1] - box[0]) * (box[3] - box[2])
    if n > MOST_CELLS:
        raise RangeError(
            "crowns",
            f"canopy spread over {n:,} cells of the raster",
            f"at most {MOST_CELLS:,} cells in one scene",
            "measure fewer lots at a time, or use a coarser raster",
        )
    a, b, c, d, e, f = cells.transform
    row0, _, col0, _ = box
    return box, (a, b, a * col0 + b * row0 + c, d, e, d * col0 + e * row0 + f)


def _around(x: Floats, y: Floats, near: Box | None, reach_xy: npt.ArrayLike | None) -> Box | None:
    """Box in which the ground matters; None where there is nothing to stand on it."""
    places = [np.column_stack([x, y])] if near is None else [np.array(near).reshape(2, 2)]
    if reach_xy is not None:
        places.append(np.asarray(reach_xy, dtype=np.float64).reshape(-1, 2))
    every = np.vstack(places)
    if not len(every):
        return None
    (west, south), (east, north) = every.min(axis=0), every.max(axis=0)
    return float(west), float(south), float(east), float(north)


def _ground(
    ground: HeightSource | None,
    crs: Any,
    x: Floats,
    y: Floats,
    around: Box | None,
    water_ft: float,
    unit: float,
) -> tuple[Floats, Ground | None, list[Note]]:
    """Elevation under cells, and the ground that blocks the view. [ft]."""
    level = np.full(x.size, float(water_ft))
    if ground is None:
        text = (
            f"none is given, so the canopy is taken to stand level with the water, at {water_ft:g} "
            "ft, and no land blocks the view"
        )
        return level, None, [Note("ground", text, "assumed")]
    land: Ground | None = None
    notes: list[Note] = []
    if around is not None:
        land, notes = _land(GroundView(ground, crs), around, unit)
    if land is None:
        text = (
            "the raster does not reach the scene, so the canopy is taken to stand level with the "
            f"water, at {water_ft:g} ft, and no land blocks the view"
        )
        return level, None, [*notes, Note("ground", text, "assumed")]
    found = bilinear(land.elevation_ft, land.transform, x, y)
    blank = np.isnan(found)
    if blank.any():
        text = (
            f"says nothing under {int(blank.sum())} of {x.size} cells of canopy, which are taken "
            f"to stand level with the water, at {water_ft:g} ft"
        )
        notes.append(Note("ground", text, "assumed"))
    return np.where(blank, water_ft, found), land, notes


def _land(view: GroundView, around: Box, unit: float) -> tuple[Ground | None, list[Note]]:
    """Ground over a box and as far beyond it as it can be held; ``unit``: map units in a foot."""
    if unit == 0.0 or not view.reaches(around):
        return view.grid(around, MOST_CELLS)
    west, south, east, north = around
    for more in (reach_ft * unit for reach_ft in LAND_FT):
        try:
            wide = (west - more, south - more, east + more, north + more)
            return view.grid(wide, MOST_LAND_CELLS)
        except RangeError:
            continue  # too many cells
    land, notes = view.grid(around, MOST_CELLS)
    text = (
        "the raster is too fine to be held farther than the crowns and eyes are looked at, so land "
        "beyond does not stand in the way"
    )
    return land, [*notes, Note("ground", text, "info")]
