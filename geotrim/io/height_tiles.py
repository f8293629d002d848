"""Height rasters in one file or in a folder of tiles, opened with everything made sure of.

Of tiles only the headers are read, each once, and each is held to the first: the same CRS, the same
vertical unit, cells on one grid.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
from rasterio.drivers import raster_driver_extensions

from geotrim.errors import CRSError, FileError, UnitError
from geotrim.io.rasters import SAME_UNIT, WINDOW_CELLS, HeightRaster, open_heights, window_shape
from geotrim.io.tile_source import HeightTiles, Ints, TileIndex, few_looks
from geotrim.model import Note
from geotrim.units import feet_per_vertical_unit

Progress = Callable[[int, int], None]

#: Tiles lie on one grid when they are off it by less than this. [cells]
OFF_GRID_CELLS = 1e-3
#: A tile of no more cells than this is read whole, as one block: 16 MB in single precision.
WHOLE_TILE_CELLS = 2048 * 2048
#: Endings that some driver reads and that stand for something else beside tiles: lists, tables,
#: papers, pictures of them.
NO_TILES = (
    "aux csv dat dbf err gen gif gml gpkg hdr idx jpeg jpg json kml kmz log mem mtl ovr pdf pgw "
    "png prf prj qml qpj rdc shp shx svg tab tfw til tms toc txt vct wld xml xyz zip"
)
#: What each tile may have of its own; everything else is of all.
OWN_FACTS = ("nodata", "scale", "offset", "mask", "dtype", "n_bands")


def open_heights_of(
    path: str | Path, *, progress: Progress | None = None, **more: Any
) -> HeightRaster | HeightTiles:
    """Heights in one raster file, a list of rasters (VRT) or a folder of tiles.

    Parameters
    ----------
    path : str or Path
    progress : callable, optional
        Told ``(done, all)`` while the headers of tiles are read.
    **more :
        As for :func:`geotrim.io.rasters.open_heights`.

    Raises
    ------
    GeotrimError
        As there, and of tiles as :func:`open_height_tiles`.
    """
    if Path(path).is_dir():
        return open_height_tiles(path, progress=progress, **more)
    return open_heights(path, **more)


def open_height_tiles(
    folder: str | Path,
    *,
    subject: str = "heights",
    progress: Progress | None = None,
    **more: Any,
) -> HeightTiles:
    """Open a folder of rasters that lie on one grid.

    Every file whose ending is that of a raster is a tile and must open as one; the others are told
    and left out. A VRT beside other rasters is taken for a list of them and left out as well. Only
    where a folder holds no raster are the folders in it searched. Tiles come in the order of their
    paths; where they lie over each other, the first that has data counts.

    Parameters
    ----------
    folder : str or Path
    subject : str
        How the user knows the input, for messages.
    progress : callable, optional
        Told ``(done, all)`` while headers are read.
    **more :
        As for :func:`geotrim.io.rasters.open_heights`; said of every tile.

    Raises
    ------
    FileError
        If there are no tiles, one does not open, or one is off the grid of the first.
    LayerError, UnitError, CRSError, RangeError
        As for one raster; or if two tiles differ in their CRS or their vertical unit. The tile is
        named.

    Notes
    -----
    Without ``rmse_ft`` the standard error is what the tiles' own tags say: the greatest, told.
    """
    folder = str(folder)
    names, notes = _names(folder, subject)
    layout = _Layout(subject, names)
    for number, name in enumerate(names):
        told = f"{subject} tile {name}"
        with few_looks():
            raster = open_heights(Path(folder) / name, subject=told, **more)
        layout.add(raster, told)
        if progress is not None:
            progress(number + 1, len(names))
    return layout.tiles(folder, notes, is_rmse_stated=more.get("rmse_ft") is not None)


def tile_names(folder: str | Path, subject: str = "heights") -> list[str]:
    """Paths of the tiles in a folder, from it, in the order they are opened in.

    Raises
    ------
    FileError
        If there are none.
    """
    return _names(str(folder), subject)[0]


def _names(folder: str, subject: str) -> tuple[list[str], list[Note]]:
    """Rasters in a folder, or else in those below it, in order; what else there is told."""
    root = Path(folder)
    endings = {*raster_driver_extensions(), "tif", "tiff"}.difference(NO_TILES.split())
    notes: list[Note] = []
    for below in (False, True):
        files = (root.rglob("*") if below else root.iterdir()) if root.is_dir() else ()
        seen = [path for path in files if path.is_file() and not path.name.startswith(".")]
        tiles = [path for path in seen if path.suffix.lower().removeprefix(".") in endings]
        real = [path for path in tiles if path.suffix.lower() != ".vrt"] or tiles
        if not real:
            continue
        if below:
            notes.append(Note(subject, "no rasters in the folder itself: those below it", "info"))
        if len(real) < len(tiles):
            text = f"{len(tiles) - len(real)} VRT beside the tiles left out, as a list of them"
            notes.append(Note(subject, text, "info"))
        others = sorted(path.name for path in seen if path not in set(tiles))
        if others:
            shown = ", ".join(others[:3]) + (", ..." if len(others) > 3 else "")
            text = f"{len(others)} other files beside the tiles left out ({shown})"
            notes.append(Note(subject, text, "info"))
        return sorted(path.relative_to(root).as_posix() for path in real), notes
    raise FileError(
        subject,
        f"no rasters in the folder {folder}",
        "a folder of tiles such as GeoTIFFs",
        "check the path, or name a single raster file",
    )


class _Layout:
    """Tiles taken in one by one, each held to the first."""

    def __init__(self, subject: str, names: Sequence[str]) -> None:
        self.subject, self.names = subject, names
        self.corners: list[tuple[int, int]] = []
        self.shapes: list[tuple[int, int]] = []
        self.blocks: Counter[tuple[int, int]] = Counter()
        self.kinds: dict[tuple[Any, ...], int] = {}
        self.kind_of: list[int] = []
        self.rmse_ft: list[float | None] = []
        self.said: dict[tuple[str, str], list[str]] = {}
        self.first: dict[str, Any] = {}

    def add(self, raster: HeightRaster, told: str) -> None:
        facts = raster.facts
        if not self.first:
            self.first = dict(facts)
        self._check(raster, told)
        self.corners.append(self._place(raster, told))
        self.shapes.append(raster.shape)
        self.blocks[facts["block_shape"]] += 1
        kind = tuple(facts[key] for key in OWN_FACTS)
        shown = tuple("nan" if value != value else value for value in kind)  # NaN is not itself
        self.kind_of.append(self.kinds.setdefault(shown, len(self.kinds)))
        self.rmse_ft.append(raster.rmse_ft)
        name = self.names[len(self.corners) - 1]
        for note in raster.notes:
            text = note.text.replace(raster.path, "it")
            if not text.startswith("standard error "):
                self.said.setdefault((text, note.level), []).append(name)

    def _check(self, raster: HeightRaster, told: str) -> None:
        """The same CRS and vertical unit as the first tile."""
        own, first = raster.crs, self.first["crs"]
        if own is not first and not own.equals(first, ignore_axis_order=True):
            raise CRSError(
                told,
                f"a raster in {own.name}, where {self.names[0]} is in {first.name}",
                "one CRS for all tiles",
                "reproject that tile onto the grid of the others, or take it out of the folder",
            )
        factors = [feet_per_vertical_unit(u, told) for u in (raster.unit, self.first["unit"])]
        if abs(factors[0] / factors[1] - 1.0) > SAME_UNIT:
            raise UnitError(
                told,
                f"heights in {raster.unit} ({raster.unit_source}), where {self.names[0]} has them "
                f"in {self.first['unit']}",
                "one vertical unit for all tiles",
                "convert that tile, or correct its label",
            )

    def _place(self, raster: HeightRaster, told: str) -> tuple[int, int]:
        """Row and column of a tile's corner, counted from the first tile's."""
        first, own = np.array(self.first["transform"]), np.array(raster.transform)
        a, b, c, d, e, f = first
        rows, cols = raster.shape
        drift = np.abs((own - first)[[0, 1, 3, 4]]) * (cols, rows, cols, rows)
        det = a * e - b * d
        side = np.sqrt(abs(det))
        if drift.max() > OFF_GRID_CELLS * side:
            raise self._misfit(
                told,
                f"{_cells(own)}, where {self.names[0]} has {_cells(first)}, or turned another way",
            )
        x, y = own[2] - c, own[5] - f
        col, row = (e * x - b * y) / det, (a * y - d * x) / det
        off = max(abs(col - round(col)), abs(row - round(row)))
        if off > OFF_GRID_CELLS:
            raise self._misfit(
                told, f"a corner that is {off:.3g} of a cell off the grid of {self.names[0]}"
            )
        return round(row), round(col)

    def _misfit(self, told: str, found: str) -> FileError:
        return FileError(
            told,
            found,
            "tiles that lie on one grid",
            "resample that tile onto the grid of the others, or take it out of the folder",
        )

    def tiles(self, folder: str, notes: list[Note], *, is_rmse_stated: bool) -> HeightTiles:
        """The grid that holds all tiles."""
        corner = np.array(self.corners, dtype=np.int64)
        low = corner.min(axis=0)
        start, shapes = corner - low, np.array(self.shapes, dtype=np.int64)
        windows = np.column_stack([start, start + shapes])[:, [0, 2, 1, 3]]
        usual = max(Counter(self.shapes).items(), key=lambda item: item[1])[0]
        a, b, c, d, e, f = self.first["transform"]
        row, col = (int(i) for i in low)
        block, bins = self.blocks.most_common(1)[0][0], _bins(usual, windows)
        kinds = [dict(zip(OWN_FACTS, key, strict=True)) for key in self.kinds]
        for kind in kinds:
            kind["nodata"] = float("nan") if kind["nodata"] == "nan" else kind["nodata"]
        over = TileIndex(windows, bins).overlapping()
        facts = {
            **self.first,
            "subject": self.subject,
            "transform": (a, b, c + a * col + b * row, d, e, f + d * col + e * row),
            "block_shape": block_in_tiles(usual, block, windows),
            "bin_shape": bins,
            "dtype": _common_type(kinds),
            "n_overlapping": int(over.size),
        }
        notes = [*notes, *self._notes(over)]
        if not is_rmse_stated:
            facts["rmse_ft"] = self._greatest_error(notes)
        facts["notes"] = tuple(notes)
        return HeightTiles(
            folder, self.names, windows, kinds, np.array(self.kind_of, dtype=np.int64), facts
        )

    def _notes(self, over: Ints) -> list[Note]:
        n = len(self.names)
        out = []
        for (text, level), names in self.said.items():
            which = "all tiles" if len(names) == n else f"{len(names)} of {n} tiles ({names[0]})"
            out.append(Note(self.subject, f"{which}: {text}", level))
        nodata = {key[0] for key in self.kinds}
        if len(nodata) > 1:
            shown = ", ".join(sorted("none" if v is None else f"{v}" for v in nodata))
            text = f"the tiles mark no data in different ways ({shown}); each is read by its own"
            out.append(Note(self.subject, text, "info"))
        if over.size:
            text = (
                f"{over.size} of {n} tiles lie over others ({self.names[over[0]]}); where two have "
                "data, the first by its name counts"
            )
            out.append(Note(self.subject, text, "assumed"))
        return out

    def _greatest_error(self, notes: list[Note]) -> float | None:
        """The greatest standard error that tiles state of themselves; told."""
        said = [value for value in self.rmse_ft if value is not None]
        if not said:
            return None
        greatest, n_silent = max(said), len(self.rmse_ft) - len(said)
        text = f"standard error {greatest:g} ft, as the tiles themselves state"
        if min(said) < greatest:
            text += f" (the greatest; the least is {min(said):g} ft)"
        if n_silent:
            text += f"; {n_silent} of {len(self.rmse_ft)} tiles state none"
        notes.append(Note(self.subject, text, "assumed" if n_silent else "info"))
        return greatest


def block_in_tiles(tile: tuple[int, int], block: tuple[int, int], windows: Ints) -> tuple[int, int]:
    """Rows, columns of blocks that lie in as few tiles as can be.

    Parameters
    ----------
    tile : (rows, cols)
        The usual tile.
    block : (rows, cols)
        What is cheapest to read from within it.
    windows : (n, 4) array
        row0, row1, col0, col1 of all tiles on the grid.

    Notes
    -----
    On a regular grid of tiles (corners at whole multiples of the usual size) a block is a whole
    part of a tile: one that is made of whole blocks of the file if there is one, else the whole
    tile if it is small, else an even part of about the size of ``block``. Several tiles that are
    very small make one block.

    Examples
    --------
    >>> one = np.array([[0, 1000, 0, 1000]])
    >>> block_in_tiles((1000, 1000), (512, 512), one)
    (1000, 1000)
    >>> block_in_tiles((4096, 4096), (512, 512), one * 4096 // 1000)
    (512, 512)
    >>> block_in_tiles((10000, 10000), (512, 512), one * 10)
    (500, 500)
    >>> block_in_tiles((100, 100), (100, 100), one)
    (500, 500)
    """
    shape = int(windows[:, 1].max()), int(windows[:, 3].max())
    is_regular = not (windows[:, 0] % tile[0]).any() and not (windows[:, 2] % tile[1]).any()
    if not is_regular:
        part = block if block[0] * block[1] <= WHOLE_TILE_CELLS else (WINDOW_CELLS, WINDOW_CELLS)
    elif tile[0] % block[0] == 0 and tile[1] % block[1] == 0:
        part = block
    elif tile[0] * tile[1] <= WHOLE_TILE_CELLS:
        part = tile
    else:
        part = _even_part(tile[0], block[0]), _even_part(tile[1], block[1])
    return window_shape(part, shape)


def _cells(transform: npt.NDArray[np.float64]) -> str:
    a, b, _, d, e, _ = transform
    return f"cells of {np.hypot(a, d):.10g} by {np.hypot(b, e):.10g}"


def _bins(usual: tuple[int, int], windows: Ints) -> tuple[int, int]:
    """Bins of the usual tile's size, or wider ones if single tiles would fill too many of them."""
    sides = windows[:, 1::2] - windows[:, ::2]
    rows, cols = usual
    while (sides // (rows, cols) + 2).prod(axis=1).sum() > 16 * len(windows) + 1000:
        rows, cols = 2 * rows, 2 * cols
    return rows, cols


def _even_part(side: int, near: int) -> int:
    """The largest whole part of a side that is no longer than ``near``, or the side itself."""
    parts = [side // n for n in range(1, side + 1) if side % n == 0 and side // n <= near]
    return parts[0] if parts and parts[0] * 4 >= near else min(near, side)


def _common_type(kinds: Sequence[Mapping[str, Any]]) -> str:
    """Number type that holds the heights of every tile."""
    types = []
    for kind in kinds:
        own = np.dtype(kind["dtype"])
        is_scaled = kind["scale"] != 1.0 or kind["offset"] != 0.0
        is_small = own.itemsize <= 4 if own.kind == "f" else own.itemsize <= 2
        types.append(np.float32 if is_small and not is_scaled else np.float64)
    return str(np.result_type(*types))
