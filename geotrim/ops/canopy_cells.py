"""Every crown's cells of the height raster: how much of each lies in the crown, how high it is."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from typing import Any

import numpy as np
import numpy.typing as npt
import shapely
from pyproj import CRS, Transformer

from geotrim.core import _kernels
from geotrim.core.coverage import Floats, Ints, PixelRings, Transform, check_transform, pixel_rings
from geotrim.core.slices import WHOLE
from geotrim.model import HeightSource, Note, Result
from geotrim.ops.canopy import _View

Flags = npt.NDArray[np.bool_]
#: Cells across which a local grid in the site's map units may miss the raster's own, untold.
FITS_CELLS = 0.01
#: A place this near to a zone's edge is on it: crowns and zones share edges. [map units]
EDGE = 1e-6


@dataclass(frozen=True, slots=True, eq=False)
class CrownCells:
    """Cells that lie in crowns, crown by crown in rising order: k of them.

    A cell in two crowns comes twice.

    crown : (k,) number of the crown: its row in the table.
    row, col : (k,) place in the raster; under 0 or past its end for a crown that reaches off it.
    coverage_frac : (k,) share of the cell that lies in the crown.
    height_ft : (k,) as the operations read it, corrected where that was asked for; NaN where the
        raster says nothing. [ft]
    area_ft2 : (k,) of the covered part, on the ground. [ft2]
    is_counted : (k,) covered enough to count for the top.
    transform : from (column, row), counted from the corner of the raster's first cell, to the
        site's map units: x = a col + b row + c, y = d col + e row + f. A local fit where the raster
        is in another CRS.
    shape : rows and columns of the raster.
    x, y : (k,) centres of the cells in the site's CRS. [map units]
    own_x, own_y : (k,) a place of each cell that lies in its crown: the centre where it does, else
        the crown's nearest. [map units]
    n_crowns : crowns, those without cells among them.
    shift_ft : what a correction took off every height. [ft]
    """

    crown: Ints
    row: Ints
    col: Ints
    coverage_frac: Floats
    height_ft: Floats
    area_ft2: Floats
    is_counted: Flags
    transform: Transform
    shape: tuple[int, int]
    x: Floats
    y: Floats
    own_x: Floats
    own_y: Floats
    n_crowns: int
    shift_ft: float = 0.0

    def __len__(self) -> int:
        return len(self.crown)


def crown_cells(
    crowns: Any,
    heights: HeightSource,
    calibrate: Result | None = None,
    height_correction: str = "none",
    *,
    min_coverage_frac: float = 0.01,
) -> tuple[CrownCells, list[Note]]:
    """Cells of every crown, each block of the raster read once.

    Parameters
    ----------
    crowns : GeoDataFrame
        ``crown_id`` and polygons, in the site's CRS.
    heights : HeightSource
        Heights above the substrate, in any CRS. Nothing is resampled.
    calibrate, height_correction :
        As for :func:`geotrim.ops.canopy.heights`.
    min_coverage_frac : float
        Cells covered less are ignored for the top.

    Raises
    ------
    GeotrimError
        If a column is missing or a CRS cannot be used.

    Notes
    -----
    Volumes and tops made of these cells are those of :func:`geotrim.core.slices.measure_canopy`.
    """
    view = _View(crowns, heights, calibrate, {"height_correction": height_correction}, 1)
    source = view.source
    pixels = _pixels(view.rings, source)
    crown, row, col, coverage = _covered_cells(pixels)
    cell_ft2: Any = view.cell_area_ft2
    if cell_ft2 is None:  # another CRS: each crown brings its own
        with np.errstate(divide="ignore", invalid="ignore"):
            cell_ft2 = (view.area_ft2 / pixels.area_cells)[crown]
    x, y, transform, notes = _places(crowns, source, view.cell_area_ft2 is None, row, col)
    own_x, own_y = _own_places(crowns, crown, coverage, x, y)
    cells = CrownCells(
        crown=crown,
        row=row,
        col=col,
        coverage_frac=coverage,
        height_ft=_heights(source, row, col),
        area_ft2=coverage * cell_ft2,
        is_counted=coverage >= max(min_coverage_frac - WHOLE, _kernels.LEAST_COVERAGE),
        transform=transform,
        shape=source.shape,
        x=x,
        y=y,
        own_x=own_x,
        own_y=own_y,
        n_crowns=len(crowns),
        shift_ft=view.shift_ft,
    )
    return cells, [*view.notes, *notes]


def tops_ft(cells: CrownCells) -> Floats:
    """(n,) highest cell of each crown that is covered enough; NaN if none is. [ft]."""
    top = np.full(cells.n_crowns, -np.inf)
    used = cells.is_counted & np.isfinite(cells.height_ft)
    np.maximum.at(top, cells.crown[used], cells.height_ft[used])
    return np.where(np.isfinite(top), top, np.nan)


def seen_ft2(cells: CrownCells) -> Floats:
    """(n,) area of each crown over which the raster says a height. [ft2]."""
    seen = np.isfinite(cells.height_ft)
    weights = cells.area_ft2[seen]
    sums = np.bincount(cells.crown[seen], weights=weights, minlength=cells.n_crowns)
    return np.asarray(sums, dtype=np.float64)


def _own_places(
    crowns: Any, crown: Ints, coverage: Floats, x: Floats, y: Floats
) -> tuple[Floats, Floats]:
    """Places of the cells in their crowns: the centre, or the crown's nearest to it.

    A cell at the edge of a crown may have its centre outside. Whether the crown's leaves on it
    stand in a zone must not be asked there.
    """
    own_x, own_y = np.array(x), np.array(y)
    edge = np.flatnonzero(coverage < 1.0 - WHOLE)
    shapes = crowns.geometry.to_numpy()[crown[edge]]
    lost = edge[~shapely.intersects_xy(shapes, x[edge], y[edge])]
    points = shapely.points(x[lost], y[lost])
    ways = shapely.shortest_line(crowns.geometry.to_numpy()[crown[lost]], points)
    own_x[lost], own_y[lost] = shapely.get_coordinates(shapely.get_point(ways, 0)).T
    return own_x, own_y


def _pixels(rings: Any, source: HeightSource) -> PixelRings:
    """Crowns on the raster's grid, which goes on past its edges as far as they do.

    The windows are told in the raster's own rows and columns.
    """
    a, b, c, d, e, f = source.transform
    det = check_transform(source.transform, "heights") * np.sign(a * e - b * d)
    x, y = rings.xy[:, 0] - c, rings.xy[:, 1] - f
    with np.errstate(invalid="ignore"):
        col, row = (e * x - b * y) / det, (a * y - d * x) / det
    fits = np.isfinite(col) & np.isfinite(row)
    if not fits.any():
        return pixel_rings(rings, source.transform, source.shape)
    col0, row0 = (int(np.floor(v[fits].min())) for v in (col, row))
    col1, row1 = (int(np.ceil(v[fits].max())) + 1 for v in (col, row))
    corner = (a, b, a * col0 + b * row0 + c, d, e, d * col0 + e * row0 + f)
    found = pixel_rings(rings, corner, (row1 - row0, col1 - col0))
    found.rings.xy[:, 0] += col0
    found.rings.xy[:, 1] += row0
    found.windows[:, :2] += row0
    found.windows[:, 2:] += col0
    return found


def _covered_cells(pixels: PixelRings) -> tuple[Ints, Ints, Ints, Floats]:
    """Crown, row, column and coverage of every cell that a crown covers."""
    rings, windows = pixels.rings, pixels.windows
    tall, wide = windows[:, 1] - windows[:, 0], windows[:, 3] - windows[:, 2]
    used = np.flatnonzero((tall > 0) & (wide > 0))
    scratch = np.zeros(int((tall * (wide + 2)).max(initial=0)))
    parts: list[tuple[Ints, Ints, Ints, Floats]] = []
    for crown in used.tolist():
        n_rows, n_cols = int(tall[crown]), int(wide[crown])
        row0, col0 = int(windows[crown, 0]), int(windows[crown, 2])
        first, last = rings.crown_offsets[crown], rings.crown_offsets[crown + 1]
        _kernels.add_crown(
            scratch, n_rows, n_cols, rings.xy, rings.ring_offsets, pixels.signs,
            first, last, row0, col0,
        )  # fmt: skip
        share = np.empty((n_rows, n_cols))
        _kernels.coverage(scratch, n_rows, n_cols, share)
        row, col = np.nonzero(share)
        parts.append((np.full(row.size, crown), row + row0, col + col0, share[row, col]))
    if not parts:
        none = np.zeros(0, dtype=np.int64)
        return none, none, none, np.zeros(0)
    crown_of, rows, cols, shares = (np.concatenate(list(p)) for p in zip(*parts, strict=True))
    return crown_of, rows, cols, np.minimum(shares, 1.0)


def _heights(source: HeightSource, row: Ints, col: Ints) -> Floats:
    """Height of each cell, every block that holds one read once; NaN off the raster. [ft]."""
    n_rows, n_cols = source.shape
    tall, wide = source.block_shape
    out = np.full(row.size, np.nan)
    inside = np.flatnonzero((row >= 0) & (row < n_rows) & (col >= 0) & (col < n_cols))
    across = -(-n_cols // wide)
    block = (row[inside] // tall) * across + col[inside] // wide
    order = np.argsort(block, kind="stable")
    inside, block = inside[order], block[order]
    edges = [*np.flatnonzero(np.diff(block, prepend=-1)).tolist(), block.size]
    for start, stop in pairwise(edges):
        high, left = (int(v) for v in divmod(int(block[start]), across))
        row0, col0 = high * tall, left * wide
        read = source.read(row0, min(row0 + tall, n_rows), col0, min(col0 + wide, n_cols))
        mine = inside[start:stop]
        out[mine] = read[row[mine] - row0, col[mine] - col0]
    out *= source.feet_per_unit
    out[~np.isfinite(out)] = np.nan
    return out


def _places(
    crowns: Any, source: HeightSource, is_other_crs: bool, row: Ints, col: Ints
) -> tuple[Floats, Floats, Transform, list[Note]]:
    """Centres of cells in the site's CRS, and the grid's transform there."""
    x, y = at_cells(source.transform, row, col)
    if not is_other_crs:
        return x, y, source.transform, []
    site, grid = CRS.from_user_input(crowns.crs), CRS.from_user_input(source.crs)
    to_site = Transformer.from_crs(grid, site, always_xy=True).transform
    transform, missed = fitted_transform(source.transform, to_site, row, col)
    notes = []
    if missed > FITS_CELLS:
        text = (
            f"seen from the site's CRS its grid is not quite even: lines of sight take its cells "
            f"up to {missed:.2f} of a cell from where they are"
        )
        notes.append(Note("heights", text, "assumed"))
    moved_x, moved_y = to_site(x, y)
    return np.asarray(moved_x), np.asarray(moved_y), transform, notes


def at_cells(transform: Transform, row: npt.ArrayLike, col: npt.ArrayLike) -> tuple[Floats, Floats]:
    """Centres of cells in map units.

    Examples
    --------
    >>> at_cells((2.0, 0.0, 100.0, 0.0, -2.0, 50.0), [0], [1])
    (array([103.]), array([49.]))
    """
    a, b, c, d, e, f = transform
    across, down = np.asarray(col, np.float64) + 0.5, np.asarray(row, np.float64) + 0.5
    return a * across + b * down + c, d * across + e * down + f


def fitted_transform(
    transform: Transform, to_site: Any, row: Ints, col: Ints
) -> tuple[Transform, float]:
    """The even grid in the site's map units nearest to a grid of another CRS, and how far off.

    Parameters
    ----------
    transform : six floats
        Of the grid, in its own CRS.
    to_site : callable
        Takes (x, y) from the grid's CRS to the site's.
    row, col : (k,) arrays
        Cells among which the fit has to hold.

    Returns
    -------
    transform : six floats
    missed_cells : float
        Greatest distance between the two at a lattice of 9 by 9 places over the cells' extent, in
        cells.

    Notes
    -----
    Least squares over the lattice, about its centre.
    """
    if row.size == 0:
        row = col = np.zeros(1, dtype=np.int64)
    across = np.linspace(col.min(), col.max() + 1.0, 9)
    down = np.linspace(row.min(), row.max() + 1.0, 9)
    u, v = (side.ravel() for side in np.meshgrid(across, down))
    a, b, c, d, e, f = transform
    x, y = (np.asarray(side) for side in to_site(a * u + b * v + c, d * u + e * v + f))
    u0, v0, x0, y0 = u.mean(), v.mean(), x.mean(), y.mean()
    about = np.column_stack([u - u0, v - v0])
    slopes = np.linalg.lstsq(about, np.column_stack([x - x0, y - y0]), rcond=None)[0]
    off = about @ slopes - np.column_stack([x - x0, y - y0])
    (a, d), (b, e) = slopes.tolist()
    side = np.sqrt(abs(a * e - b * d))
    fit = (a, b, float(x0 - a * u0 - b * v0), d, e, float(y0 - d * u0 - e * v0))
    return fit, float(np.hypot(off[:, 0], off[:, 1]).max() / side)


def clearable_cells(cells: CrownCells, zone: Any, which: Ints | None = None) -> Flags:
    """Cells whose place in their crown lies in the zone, its edge included; all without a zone.

    Parameters
    ----------
    cells : CrownCells
    zone : polygon or None
        In the site's CRS.
    which : (m,) array, optional
        Numbers of cells that are asked about; all k by default.
    """
    x, y = cells.own_x, cells.own_y
    if which is not None:
        x, y = x[which], y[which]
    if zone is None:
        return np.ones(len(x), dtype=bool)
    wide = shapely.buffer(zone, EDGE, quad_segs=1, join_style="mitre")
    shapely.prepare(wide)
    return shapely.intersects_xy(wide, x, y)
