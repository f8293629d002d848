"""Heights in many raster files that lie on one grid, read block by block.

The grid is virtual: nothing is joined or resampled. Cells are read when they are asked for, and few
files are open at a time.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import rasterio

from geotrim.core.slices import crowns_by_block
from geotrim.errors import FileError
from geotrim.io.raster_handles import Handles
from geotrim.io.rasters import HeightRaster, RasterHeights, open_dataset
from geotrim.model import FloatArray

Ints = npt.NDArray[np.int64]

#: Files kept open while nobody reads from them.
MOST_OPEN = 64


class HeightTiles(RasterHeights):
    """Heights above the substrate in many files; a :class:`geotrim.model.HeightSource`.

    Made by :func:`geotrim.io.height_tiles.open_height_tiles`. Use it in a ``with`` block, or call
    :meth:`close`; a closed one opens files again when it is read. Several threads may read at once.
    It can be pickled: what is sent is the paths, their places on the grid, and what was made sure
    of.

    Attributes
    ----------
    folder : where the tiles are.
    names : paths of the tiles from there, in their order.
    unit, unit_source, rmse_ft, notes : as :class:`geotrim.io.rasters.RasterHeights` has them.
    """

    def __init__(
        self,
        folder: str,
        names: Sequence[str],
        windows: Ints,
        kinds: Sequence[Mapping[str, Any]],
        kind_of: Ints,
        facts: Mapping[str, Any],
    ) -> None:
        self.folder, self.names = folder, tuple(names)
        super().__init__(facts, Handles(self._open, MOST_OPEN))
        self._windows, self._kinds, self._kind_of = windows, kinds, kind_of
        self._index = TileIndex(windows, facts["bin_shape"])
        self._dtype = np.dtype(facts["dtype"])

    def __reduce__(self) -> tuple[Any, ...]:
        return HeightTiles, (
            self.folder,
            self.names,
            self._windows,
            self._kinds,
            self._kind_of,
            self._facts,
        )

    def __repr__(self) -> str:
        rows, cols = self.shape
        return (
            f"HeightTiles({self.folder!r}, {len(self.names)} tiles, {rows} x {cols} cells, "
            f"{self.unit})"
        )

    @property
    def paths(self) -> tuple[str, ...]:
        """Paths of the tiles, in their order."""
        return tuple(str(Path(self.folder) / name) for name in self.names)

    @property
    def shape(self) -> tuple[int, int]:
        """Rows, columns of the grid that holds all tiles."""
        return int(self._windows[:, 1].max()), int(self._windows[:, 3].max())

    def read(self, row0: int, row1: int, col0: int, col1: int) -> FloatArray:
        """Heights of one window in the tiles' unit, NaN where no tile has data.

        Where tiles lie over each other, the first of them that has data.

        Raises
        ------
        FileError
            If a tile cannot be read: cut short, damaged, gone. The tile and the place are named.
        """
        begin, end = np.array([row0, col0]), np.array([row1, col1])
        out: FloatArray | None = None
        for number in self._index.touching(row0, row1, col0, col1):
            corner = self._windows[number, ::2]
            first = np.maximum(corner, begin)
            last = np.minimum(self._windows[number, 1::2], end)
            (top, left), (bottom, right) = (first - begin).tolist(), (last - begin).tolist()
            if out is not None and not np.isnan(out[top:bottom, left:right]).any():
                continue
            cells = self._read_tile(number, first - corner, last - corner)
            if out is None and cells.shape == (row1 - row0, col1 - col0):
                out = cells  # the usual case: one tile has it all
                continue
            if out is None:
                out = np.full((row1 - row0, col1 - col0), np.nan, self._dtype)
            part = out[top:bottom, left:right]
            np.copyto(part, cells, where=np.isnan(part))
        return np.full((row1 - row0, col1 - col0), np.nan, self._dtype) if out is None else out

    def describe(self) -> dict[str, Any]:
        """What the record says of the tiles."""
        rows, cols = self.shape
        a, b, _, d, e, _ = self.transform
        return {
            "folder": self.folder,
            "n_tiles": len(self.names),
            "n_overlapping_tiles": self._facts["n_overlapping"],
            "band": self._facts["band"],
            "n_rows": rows,
            "n_cols": cols,
            "cell_size_map_units": [float(np.hypot(a, d)), float(np.hypot(b, e))],
            "is_rotated": bool(b or d),
            "n_bands": sorted({kind["n_bands"] for kind in self._kinds}),
            "dtype": sorted({kind["dtype"] for kind in self._kinds}),
            "nodata": sorted({str(kind["nodata"]) for kind in self._kinds}),
            "scale": sorted({kind["scale"] for kind in self._kinds}),
            "offset": sorted({kind["offset"] for kind in self._kinds}),
            "crs": self.crs.to_string(),
            "vertical_unit": self.unit,
            "vertical_unit_source": self.unit_source,
            "rmse_ft": self.rmse_ft,
        }

    def _open(self, path: str) -> Any:
        with few_looks():
            return open_dataset(path, self.subject)

    def _read_tile(self, number: int, first: Ints, last: Ints) -> FloatArray:
        """Cells of one tile, counted from its own corner."""
        path = str(Path(self.folder) / self.names[number])
        kind = self._kinds[self._kind_of[number]]
        tile = HeightRaster(path, {**self._facts, **kind, "notes": ()}, self._handles)
        (row0, col0), (row1, col1) = first.tolist(), last.tolist()
        where = f"rows {row0} to {row1}, columns {col0} to {col1}"
        try:
            cells = tile.read(row0, row1, col0, col1)
        except FileError as err:
            if where in err.found:
                raise
            raise FileError(
                self.subject,
                f"{err.found}, when {where} of it were to be read",
                "the tiles as they were when their headers were read",
                err.mend,
            ) from err
        return cells.astype(self._dtype, copy=False)


class TileIndex:
    """Which tiles touch a window: tiles are listed by the bins of a coarse grid."""

    def __init__(self, windows: Ints, bin_shape: tuple[int, int]) -> None:
        self._windows, self._bin_shape = windows, bin_shape
        self.tiles, self.bins, self._across = crowns_by_block(windows, bin_shape)  # as for crowns

    def touching(self, row0: int, row1: int, col0: int, col1: int) -> list[int]:
        """Numbers of the tiles that share cells with a window, rising."""
        high, wide = self._bin_shape
        rows = np.arange(row0 // high, (row1 - 1) // high + 1)
        last = min((col1 - 1) // wide, self._across - 1)
        first = np.searchsorted(self.bins, rows * self._across + col0 // wide)
        end = np.searchsorted(self.bins, rows * self._across + last, side="right")
        found = [self.tiles[a:b] for a, b in zip(first, end, strict=True)]
        some = np.unique(np.concatenate(found)) if found else np.zeros(0, np.int64)
        tile = self._windows[some]
        is_in = (
            (tile[:, 0] < row1) & (tile[:, 1] > row0) & (tile[:, 2] < col1) & (tile[:, 3] > col0)
        )
        numbers: list[int] = some[is_in].tolist()
        return numbers

    def overlapping(self) -> Ints:
        """Numbers of the tiles that lie over one that comes before them."""
        found = [np.zeros(0, np.int64)]
        most = int(np.unique(self.bins, return_counts=True)[1].max())
        for step in range(1, most):  # each with the one so many places before it in its bin
            is_one = self.bins[step:] == self.bins[:-step]
            one, other = self.tiles[:-step][is_one], self.tiles[step:][is_one]
            a, b = self._windows[one], self._windows[other]
            over = (np.maximum(a[:, ::2], b[:, ::2]) < np.minimum(a[:, 1::2], b[:, 1::2])).all(1)
            found.append(other[over])
        return np.unique(np.concatenate(found))


def few_looks() -> Any:
    """Beside a file its companions are looked for by name; no folder is listed for each tile."""
    return rasterio.Env(GDAL_DISABLE_READDIR_ON_OPEN="TRUE")
