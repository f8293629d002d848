"""Height rasters: opened with their unit and CRS made sure of, read block by block."""

from __future__ import annotations

import warnings
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from functools import lru_cache
from pathlib import Path
from types import TracebackType
from typing import Any, Self

import numpy as np
import numpy.typing as npt
import rasterio
from pyproj import CRS, Transformer
from pyproj.exceptions import CRSError as PyprojCRSError
from rasterio.enums import ColorInterp, MaskFlags
from rasterio.errors import NotGeoreferencedWarning, RasterioError
from rasterio.windows import Window

from geotrim.errors import CRSError, FileError, LayerError, RangeError, UnitError
from geotrim.io.raster_handles import Handles
from geotrim.model import FloatArray, Note
from geotrim.units import FOOT_M, feet_per_vertical_unit

#: How files write the units that geotrim knows. Source: common practice of the makers of rasters;
#: the survey foot's names also as in EPSG unit 9003.
UNIT_NAMES = {
    "m": ("m", "metre", "metres", "meter", "meters"),
    "ft": ("ft", "foot", "feet", "international foot", "international feet"),
    "us-ft": (
        "us-ft",
        "ftus",
        "us_ft",
        "us survey foot",
        "us survey feet",
        "u.s. survey foot",
        "u.s. survey feet",
        "foot_us",
    ),
}
#: Two units closer than this (relative) do not contradict each other: foot and US survey foot
#: differ by 2e-6, which is 0.00005 ft on a 24 ft tree.
SAME_UNIT = 1e-5
#: Blocks are gathered into windows of about this many cells a side, and none is read twice.
WINDOW_CELLS = 512
#: What a raster may hold, as its tag ``holds`` says it -> in words.
HOLDS = {
    "heights": "heights above the substrate",
    "elevations": "elevations above a datum",
    "anything": "numbers",
}
#: No height is larger than this; such a cell is an undeclared no-data value.
NO_HEIGHT = 1e30


class RasterHeights:
    """Heights in raster files, and what was made sure of when these were opened.

    Attributes
    ----------
    unit : ``ft``, ``us-ft`` or ``m``.
    unit_source : how the unit is known.
    rmse_ft : standard error of one height as stated, or None. [ft]
    notes : what was assumed when the files were opened.
    """

    def __init__(self, facts: Mapping[str, Any], handles: Handles) -> None:
        self._facts, self._handles = facts, handles
        self.subject: str = facts["subject"]
        self.unit: str = facts["unit"]
        self.unit_source: str = facts["unit_source"]
        self.rmse_ft: float | None = facts["rmse_ft"]
        self.notes: tuple[Note, ...] = facts["notes"]

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, err: BaseException | None, tb: TracebackType | None
    ) -> None:
        self.close()

    def close(self) -> None:
        """Close all files, in all threads; reading opens them again."""
        self._handles.close()

    @property
    def crs(self) -> Any:
        """CRS of the grid, a pyproj CRS (of a compound one, the horizontal part)."""
        return self._facts["crs"]

    @property
    def transform(self) -> tuple[float, float, float, float, float, float]:
        transform: tuple[float, float, float, float, float, float] = self._facts["transform"]
        return transform

    @property
    def block_shape(self) -> tuple[int, int]:
        """Rows, columns of the windows that are cheapest to read: whole blocks of a file."""
        rows, cols = self._facts["block_shape"]
        return rows, cols

    @property
    def feet_per_unit(self) -> float:
        return feet_per_vertical_unit(self.unit, self.subject)


class HeightRaster(RasterHeights):
    """Heights above the substrate in a raster file; a :class:`geotrim.model.HeightSource`.

    Made by :func:`open_heights`. Use it in a ``with`` block, or call :meth:`close`; a closed one
    opens itself again when it is read. Several threads may read at once, each from a handle of its
    own. It can be pickled: what is sent is the path and what was made sure of when it was opened.

    Attributes
    ----------
    path, band : where the heights are.
    unit, unit_source, rmse_ft, notes : as :class:`RasterHeights` has them.
    """

    def __init__(self, path: str, facts: Mapping[str, Any], handles: Handles | None = None) -> None:
        self.path = path
        self.band: int = facts["band"]
        subject = facts["subject"]
        super().__init__(dict(facts), handles or Handles(lambda path: open_dataset(path, subject)))

    def __reduce__(self) -> tuple[Any, ...]:
        return HeightRaster, (self.path, self._facts)

    def __repr__(self) -> str:
        rows, cols = self.shape
        return f"HeightRaster({self.path!r}, {rows} x {cols} cells, {self.unit})"

    @property
    def facts(self) -> Mapping[str, Any]:
        """What was made sure of when it was opened."""
        return self._facts

    @property
    def shape(self) -> tuple[int, int]:
        rows, cols = self._facts["shape"]
        return rows, cols

    def read(self, row0: int, row1: int, col0: int, col1: int) -> FloatArray:
        """Heights of one window in the file's own unit, NaN where there is no data.

        Raises
        ------
        FileError
            If the file cannot be read there: cut short, damaged, gone.
        """
        where = f"rows {row0} to {row1}, columns {col0} to {col1}"
        return self._read(Window(col0, row0, col1 - col0, row1 - row0), where)

    def read_display(
        self,
        bounds: tuple[float, float, float, float],
        max_size: int = 1000,
        *,
        crs: Any = None,
    ) -> tuple[npt.NDArray[np.float64], tuple[float, float, float, float]]:
        """A coarse picture of the heights, for a figure and never for a measure.

        Parameters
        ----------
        bounds : west, south, east, north
            In ``crs``. [map units]
        max_size : int
            Cells along the longer side, at most.
        crs : anything pyproj understands, optional
            CRS of the picture; the raster's own by default. Cells are picked, never blended.

        Returns
        -------
        height_ft : (rows, cols) array, row 0 in the north, NaN for no data. [ft]
        bounds : the same four numbers.
        """
        west, south, east, north = bounds
        if not (east > west and north > south and max_size >= 1):
            raise RangeError(
                self.subject,
                f"a window of bounds {bounds}",
                "west < east and south < north",
                "give them as west, south, east, north",
            )
        a, b, c, d, e, f = self.transform
        target = CRS.from_user_input(crs if crs is not None else self.crs)
        is_own = target.equals(self.crs, ignore_axis_order=True)
        cell = max(east - west, north - south) / max_size
        if is_own:  # never finer than the cells
            cell = max(cell, float(np.sqrt(abs(a * e - b * d))))
        n_cols, n_rows = (max(round(side / cell), 1) for side in (east - west, north - south))
        x, y = np.meshgrid(
            west + (np.arange(n_cols) + 0.5) / n_cols * (east - west),
            north - (np.arange(n_rows) + 0.5) / n_rows * (north - south),
        )
        if not is_own:
            x, y = Transformer.from_crs(target, self.crs, always_xy=True).transform(x, y)
        x, y = x - c, y - f
        det = a * e - b * d
        cols, rows = (e * x - b * y) / det, (a * y - d * x) / det
        heights = self._sample(rows, cols, 2 * max_size)
        return heights.astype(np.float64) * self.feet_per_unit, bounds

    def _sample(
        self, rows: npt.NDArray[np.float64], cols: npt.NDArray[np.float64], most: int
    ) -> FloatArray:
        """Nearest cells at pixel coordinates, read no finer than ``most`` cells a side."""
        n_rows, n_cols = self.shape
        is_on = (rows >= 0) & (rows < n_rows) & (cols >= 0) & (cols < n_cols)  # NaN, inf: off
        out = np.full(rows.shape, np.nan)
        if not is_on.any():
            return out
        rows, cols = rows[is_on], cols[is_on]
        row0, row1 = int(rows.min()), int(rows.max()) + 1
        col0, col1 = int(cols.min()), int(cols.max()) + 1
        shape = min(row1 - row0, most), min(col1 - col0, most)
        window = Window(col0, row0, col1 - col0, row1 - row0)
        coarse = self._read(window, f"a picture of {window}", shape)
        at_row = ((rows - row0) * shape[0] / (row1 - row0)).astype(np.int64)
        at_col = ((cols - col0) * shape[1] / (col1 - col0)).astype(np.int64)
        out[is_on] = coarse[at_row, at_col]
        return out

    def describe(self) -> dict[str, Any]:
        """What the record says of the raster."""
        rows, cols = self.shape
        a, b, _, d, e, _ = self.transform
        return {
            "path": self.path,
            "band": self.band,
            "n_bands": self._facts["n_bands"],
            "n_rows": rows,
            "n_cols": cols,
            "cell_size_map_units": [float(np.hypot(a, d)), float(np.hypot(b, e))],
            "is_rotated": bool(b or d),
            "dtype": self._facts["dtype"],
            "nodata": self._facts["nodata"],
            "scale": self._facts["scale"],
            "offset": self._facts["offset"],
            "crs": self.crs.to_string(),
            "vertical_unit": self.unit,
            "vertical_unit_source": self.unit_source,
            "rmse_ft": self.rmse_ft,
        }

    def _read(self, window: Window, where: str, shape: tuple[int, int] | None = None) -> FloatArray:
        """Cells of a window as floats with NaN; thinned out to ``shape`` if that is given."""
        asked = {"window": window, "out_shape": shape}
        mask = None
        with self._reading(where) as dataset:
            heights = dataset.read(self.band, **asked)
            if self._facts["mask"] == "dataset":
                mask = dataset.read_masks(self.band, **asked)
            elif self._facts["mask"]:
                mask = dataset.read(self._facts["mask"], **asked)
        return self._clean(heights, mask)

    def _clean(self, raw: npt.NDArray[Any], mask: npt.NDArray[Any] | None) -> FloatArray:
        """Raw cells as floats with NaN for no data, scale and offset applied."""
        nodata, scale, offset = (self._facts[key] for key in ("nodata", "scale", "offset"))
        missing = None if mask is None else mask == 0
        if raw.dtype.kind == "f":
            from geotrim.core._kernels import blank  # here: the compiler is slow to import

            heights: FloatArray = raw
            # the value may be written in double precision beside cells in single
            blank(heights, raw.dtype.type(np.nan if nodata is None else nodata), NO_HEIGHT)
        else:
            if nodata is not None:
                missing = (raw == nodata) | (missing if missing is not None else False)
            heights = raw.astype(np.float32 if raw.dtype.itemsize <= 2 else np.float64)
        if scale != 1.0 or offset != 0.0:
            heights = heights.astype(np.float64) * scale + offset
        if missing is not None:
            heights[missing] = np.nan
        return heights

    @contextmanager
    def _reading(self, where: str) -> Iterator[Any]:
        """The open dataset; trouble while reading is told with its place."""
        try:
            with self._handles.of(self.path) as dataset:
                yield dataset
        except RasterioError as err:
            raise FileError(
                self.subject,
                f"{self.path} cannot be read at {where} ({_first_line(err)})",
                "a whole raster file",
                "copy or export the file again; it may be cut short or damaged",
            ) from err


def open_heights(
    path: str | Path,
    *,
    unit: str | None = None,
    band: int = 1,
    rmse_ft: float | None = None,
    crs: Any = None,
    subject: str = "heights",
    holds: str = "heights",
) -> HeightRaster:
    """Open a raster of heights above the substrate, or of elevations.

    Parameters
    ----------
    path : str or Path
        Any raster GDAL reads: tiled or striped, rotated or south-up, of any number type.
    unit : str, optional
        Vertical unit as the raster's maker gives it: ``ft``, ``us-ft`` or ``m``. Not needed when
        the file itself says it (the band's unit, or the vertical axis of its CRS).
    band : int
        Counted from 1.
    rmse_ft : float, optional
        Standard error of one height; by default what the file's own tag ``rmse_ft`` says, if it
        has one. [ft]
    crs : anything pyproj understands, optional
        What an unlabelled file is in.
    subject : str
        How the user knows the input, for messages.
    holds : str
        What must be in it, a key of ``HOLDS``: a file of geotrim's own that says it holds something
        else is refused, and a vertical datum of a raster of heights is told.

    Raises
    ------
    FileError
        If the file is missing, no raster, or has no georeference (or ground control points only).
    LayerError
        If there is no such band, or it holds no heights (transparency, complex numbers), or the
        file says that it holds something else.
    UnitError
        If neither the user nor the file states the unit, or they contradict each other.
    CRSError
        If there is no CRS, or file and user name different ones.
    RangeError
        If ``rmse_ft`` is not a number of 0 or more.
    """
    if rmse_ft is not None and not (np.isfinite(rmse_ft) and rmse_ft >= 0):
        raise RangeError(
            f"{subject} rmse_ft", f"{rmse_ft}", "a number of 0 or more", "give it in feet"
        )
    path = str(path)
    dataset = open_dataset(path, subject)
    try:
        notes: list[Note] = []
        _check_georeference(dataset, path, subject)
        _check_band(dataset, band, path, subject, notes)
        file_crs = _crs_of(dataset)
        _check_holds(dataset, file_crs, holds, subject, notes)
        known_unit, unit_source = _unit(dataset, band, file_crs, unit, subject, notes)
        if rmse_ft is None:
            rmse_ft = _own_rmse_ft(dataset, subject, notes)
        flags = dataset.mask_flag_enums[band - 1]
        facts = {
            "subject": subject,
            "band": band,
            "n_bands": dataset.count,
            "unit": known_unit,
            "unit_source": unit_source,
            "rmse_ft": None if rmse_ft is None else float(rmse_ft),
            "crs": _settle_crs(file_crs, crs, subject, notes),
            "transform": tuple(dataset.transform)[:6],
            "shape": dataset.shape,
            "block_shape": window_shape(dataset.block_shapes[band - 1], dataset.shape),
            "dtype": dataset.dtypes[band - 1],
            "nodata": dataset.nodatavals[band - 1],
            "mask": "dataset" if MaskFlags.per_dataset in flags else _alpha_band(dataset),
            "scale": float(dataset.scales[band - 1]),
            "offset": float(dataset.offsets[band - 1]),
            "notes": tuple(notes),
        }
    finally:
        dataset.close()
    return HeightRaster(path, facts)


def window_shape(block: tuple[int, int], shape: tuple[int, int]) -> tuple[int, int]:
    """Rows, columns of a window made of whole blocks, about ``WINDOW_CELLS`` a side.

    A strip as wide as the raster is decoded whole however little of it is asked for, so strips
    are stacked until the window holds as many cells as a square one would.

    Examples
    --------
    >>> window_shape((512, 512), (20480, 20480)), window_shape((128, 128), (1000, 1000))
    ((512, 512), (512, 512))
    >>> window_shape((1, 4000), (3000, 4000)), window_shape((5, 7), (5, 7))
    ((65, 4000), (5, 7))
    """
    cols = min(block[1] * max(WINDOW_CELLS // block[1], 1), shape[1])
    stack = max(WINDOW_CELLS * WINDOW_CELLS // (block[0] * cols), 1)
    if block[1] < shape[1]:
        stack = max(WINDOW_CELLS // block[0], 1)
    return min(block[0] * stack, shape[0]), cols


def open_dataset(path: str, subject: str) -> Any:
    """A dataset open for reading, by one thread at a time; what does not open is told."""
    local = Path(path)
    if "://" not in path and not path.startswith("/vsi") and not local.exists():
        raise FileError(subject, f"no file {path}", "a raster file", "check the path")
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore", NotGeoreferencedWarning)  # told as an error by us
            return rasterio.open(path, sharing=False)  # a handle must be one thread's alone
    except RasterioError as err:
        raise FileError(
            subject,
            f"{path}, which does not open as a raster ({_first_line(err)})",
            "a raster file such as a GeoTIFF",
            "export the heights as a GeoTIFF, and check that the copy is complete",
        ) from err


def _first_line(err: BaseException) -> str:
    cause = err.__cause__ or err  # "see previous exception" is no help to anybody
    lines = str(cause).strip().splitlines()
    return lines[0] if lines else type(cause).__name__


def _check_georeference(dataset: Any, path: str, subject: str) -> None:
    transform = dataset.transform
    if not transform.is_identity and transform.determinant != 0:
        return
    if dataset.gcps[0]:
        found = f"{path}, placed by {len(dataset.gcps[0])} ground control points only"
    elif transform.is_identity:
        found = f"{path}, which has no georeference"
    else:
        found = f"{path}, whose cells have no area"
    raise FileError(
        subject,
        found,
        "a raster whose grid is tied to the ground by a transform",
        "warp or georeference it first and export it as a GeoTIFF",
    )


def _check_band(dataset: Any, band: int, path: str, subject: str, notes: list[Note]) -> None:
    count = dataset.count
    if not (isinstance(band, int) and not isinstance(band, bool) and 1 <= band <= count):
        raise LayerError(
            f"{subject} band",
            f"band {band}, where {path} has {count} {'band' if count == 1 else 'bands'}",
            f"a band from 1 to {count}",
            "name the band that holds the heights",
        )
    what = None
    if dataset.colorinterp[band - 1] == ColorInterp.alpha:
        what = "transparency, not heights"
    elif "complex" in dataset.dtypes[band - 1] or dataset.dtypes[band - 1] == "complex_int16":
        what = "complex numbers, not heights"
    if what:
        raise LayerError(
            f"{subject} band",
            f"band {band} of {path} holds {what}",
            "a band of heights",
            f"choose another of its {count} bands",
        )
    colours = {ColorInterp.red, ColorInterp.green, ColorInterp.blue, ColorInterp.palette}
    if dataset.colorinterp[band - 1] in colours and dataset.dtypes[band - 1] == "uint8":
        notes.append(
            Note(subject, f"band {band} of {path} looks like a picture's colour", "assumed")
        )
    n_values = sum(c != ColorInterp.alpha for c in dataset.colorinterp)
    if n_values > 1:
        notes.append(Note(subject, f"band {band} of {n_values} is taken as the heights", "assumed"))


def _alpha_band(dataset: Any) -> int | None:
    """Number of a band of transparency, for number types whose masks GDAL does not make of it."""
    bands = [i for i, colour in enumerate(dataset.colorinterp, 1) if colour == ColorInterp.alpha]
    return bands[0] if bands else None


def _crs_of(dataset: Any) -> CRS | None:
    if dataset.crs is None:
        return None
    try:
        return _parsed(dataset.crs.to_wkt())
    except (PyprojCRSError, RasterioError):
        return None


@lru_cache(maxsize=32)  # tiles by the thousand have the same
def _parsed(wkt: str) -> CRS:
    return CRS.from_wkt(wkt)


@lru_cache(maxsize=32)
def _horizontal(crs: CRS) -> CRS:
    return crs.sub_crs_list[0] if crs.is_compound else crs


def _settle_crs(file_crs: CRS | None, stated: Any, subject: str, notes: list[Note]) -> CRS:
    """The horizontal CRS, from the file or from the user; never from a guess."""
    stated_crs = None
    if stated is not None:
        try:
            stated_crs = _horizontal(CRS.from_user_input(stated))
        except PyprojCRSError as err:
            raise CRSError(
                f"{subject} crs", f"{stated!r}", "a CRS such as 'EPSG:6438'", "check the code"
            ) from err
    if file_crs is None and stated_crs is None:
        raise CRSError(
            subject,
            "a raster without a coordinate reference system",
            "one that says where the grid lies",
            'state it as crs = "EPSG:..." if you know what the file is in',
        )
    if file_crs is None or (file_crs.is_engineering and stated_crs is not None):
        assert stated_crs is not None
        notes.append(Note(subject, f"taken to be in {stated_crs.name}, as stated", "assumed"))
        return stated_crs
    own = _horizontal(file_crs)
    if stated_crs is not None and not own.equals(stated_crs, ignore_axis_order=True):
        raise CRSError(
            subject,
            f"a raster in {own.name}, where {stated_crs.name} was stated",
            "one CRS",
            "leave crs out if the file is right, or correct the file's label",
        )
    return own


def _unit(
    dataset: Any,
    band: int,
    file_crs: CRS | None,
    stated: str | None,
    subject: str,
    notes: list[Note],
) -> tuple[str, str]:
    """The vertical unit and how it is known; two sources that differ are an error."""
    said: list[tuple[str, str]] = []
    if stated is not None:
        feet_per_vertical_unit(stated, f"{subject} unit")
        said.append((stated, "stated by the user"))
    text = (dataset.units[band - 1] or "").strip()
    if text:
        named = [u for u, names in UNIT_NAMES.items() if text.lower() in names]
        if named:
            said.append((named[0], f"the file's band unit {text!r}"))
        elif stated is None:
            raise UnitError(
                f"{subject} unit",
                f"band unit {text!r} in the file",
                "ft, us-ft or m",
                "state the unit the raster's maker gives",
            )
        else:
            notes.append(Note(subject, f"the file's band unit {text!r} is not understood", "info"))
    axis = _vertical_axis(file_crs)
    if axis:
        said.append(axis)
    if not said:
        raise UnitError(
            f"{subject} unit",
            "no vertical unit, neither stated nor in the file",
            "ft, us-ft or m",
            "state the unit the raster's maker gives; a guess is not accepted",
        )
    factors = [feet_per_vertical_unit(unit, subject) for unit, _ in said]
    for (unit, source), factor in zip(said[1:], factors[1:], strict=True):
        if abs(factor / factors[0] - 1.0) > SAME_UNIT:
            raise UnitError(
                f"{subject} unit",
                f"{said[0][0]} ({said[0][1]}) and {unit} ({source})",
                "one vertical unit",
                "ask the raster's maker, then correct the one that is wrong",
            )
    return said[0]


def _check_holds(
    dataset: Any, file_crs: CRS | None, holds: str, subject: str, notes: list[Note]
) -> None:
    """Refuse a file that says it holds something else; tell what looks like it."""
    own = dataset.tags().get("holds")
    if holds != "anything" and own in HOLDS and own != holds:
        raise LayerError(
            subject,
            f"a raster of {HOLDS[own]}, as the file itself says",
            f"one of {HOLDS[holds]}",
            "name the other raster",
        )
    if holds == "heights" and own is None and file_crs is not None and file_crs.is_compound:
        datum = file_crs.sub_crs_list[1].name
        text = (
            f"the file's CRS has a vertical datum ({datum}), as rasters of elevations have; taken "
            "as heights above the substrate. If it holds elevations, every height is wrong: make "
            "heights of it with geotrim prepare heights"
        )
        notes.append(Note(subject, text, "assumed"))


def _own_rmse_ft(dataset: Any, subject: str, notes: list[Note]) -> float | None:
    """The standard error the file itself states, in a tag ``rmse_ft``; None if it does not."""
    text = dataset.tags().get("rmse_ft")
    if text is None:
        return None
    try:
        rmse_ft = float(text)
    except ValueError:
        rmse_ft = np.nan
    if not (np.isfinite(rmse_ft) and rmse_ft >= 0):
        notes.append(Note(subject, f"the file's tag rmse_ft {text!r} is not understood", "info"))
        return None
    notes.append(Note(subject, f"standard error {rmse_ft:g} ft, as the file itself states", "info"))
    return rmse_ft


def _vertical_axis(crs: CRS | None) -> tuple[str, str] | None:
    """Unit of the CRS's height axis, if it has one."""
    if crs is None:
        return None
    for axis in crs.axis_info:
        if axis.direction in ("up", "down"):
            metres = axis.unit_conversion_factor
            for unit, own in (("m", 1.0), ("us-ft", 1200.0 / 3937.0), ("ft", FOOT_M)):
                if abs(metres / own - 1.0) < 1e-9:
                    return unit, f"the vertical axis of the file's CRS ({crs.name})"
    return None
