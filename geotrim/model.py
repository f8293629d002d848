"""The few shapes of data that pass between rooms.

Tables are (Geo)DataFrames whose columns are fixed here, once:

================  ===============================================================================
table             columns (geometry in the site's CRS)
================  ===============================================================================
lots              ``lot_id``, ``is_measured``; polygons. A lot with ``is_measured`` False is a
                  neighbour: it takes its share of the shore but is not reported
mhw_line          lines (one row or many)
crowns            ``crown_id``, ``species`` (None = unknown), ``base_height_ft`` (NaN = unknown);
                  polygons. Where the user gave them: ``field_height_ft`` and
                  ``field_height_error_ft`` (measured from the substrate under the trunk; go before
                  the raster's), ``target_height_ft`` (height to be left), ``is_to_trim``
                  (True, False, None = unknown), ``is_draft`` (outline drawn by a machine),
                  ``keep`` (why a tree is to be left as it is; None = it need not be)
trunks            ``crown_id``; points
readings          ``crown_id`` (None = by position), ``height_ft`` (from the substrate, by stick;
                  NaN = not read), ``height_error_ft`` (NaN = unknown), ``reader``, ``date`` (text,
                  None = unknown); points, None where no position was taken
profiles          ``crown_id``, ``low_ft``, ``high_ft``, ``weight_frac`` (share of the crown's
                  leaf area in that layer; those of a crown add up to 1), ``is_capped`` (True: no
                  pulse was seen to come through it); no shapes
exclusions        ``name``; polygons
eyes              ``eye_id``, ``height_ft`` (above the ground under it), ``elevation_ft`` (in the
                  ground's vertical datum; one of both is NaN), ``lot_id`` (None: by position);
                  points
set_aside         ``name``, ``kind`` (a key of ``SET_ASIDE_KINDS``); polygons
================  ===============================================================================
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from typing import Any, Protocol

import numpy as np
import numpy.typing as npt

from geotrim.errors import RangeError, ShapeError

FloatArray = npt.NDArray[np.floating[Any]]

#: Where a shoreline comes from -> how it is labelled. The fourth is never called an MHW line.
#: Source: ss. 177.27(1) and 177.27(15) F.S. for the difference between the first and the last.
MHW_ORIGINS = {
    "survey": "MHW line, from a survey",
    "datum-and-ground": "MHW line, from a tidal datum and a ground model",
    "digitised": "MHW line, digitised",
    "apparent-shoreline": "apparent shoreline, not an MHW line",
}

#: What a setback may be measured from.
SETBACK_REFERENCES = (
    "riparian-lines",
    "lot-lines",
    "mhw-line",
    "channel",
    "file",
)


#: Kinds of land set aside -> words. Source: s. 403.9325(4), (6), (7) F.S.; the last takes no
#: exemption away (s. 403.9326(3) F.S., from memory).
SET_ASIDE_KINDS = {
    "conservation": "public land set aside for conservation or preservation",
    "mitigation": "land set aside as mitigation, its papers silent on trimming",
    "mitigation-provides-trimming": "land set aside as mitigation, its papers provide for trimming",
    "uninhabited-island": "uninhabited island",
    "public-uninhabited-island": "publicly owned uninhabited island",
    "aquatic-preserve": "aquatic preserve or Outstanding Florida Waters",
}


@dataclass(frozen=True, slots=True)
class Note:
    """One thing the user should be told: an assumption, a repair, a gap.

    ``level`` is ``info`` (what was done), ``assumed`` (what was taken for granted), ``repaired``
    (what was mended in the input) or ``missing`` (what could not be measured).
    """

    about: str
    text: str
    level: str = "info"

    def __post_init__(self) -> None:
        if self.level not in ("info", "assumed", "repaired", "missing"):
            raise ValueError(f"no such note level: {self.level!r}")

    def __str__(self) -> str:
        return f"{self.about}: {self.text}"


@dataclass(frozen=True, slots=True, eq=False)
class Result:
    """What an operation hands back.

    tables : name -> (Geo)DataFrame. Geometry in the site's CRS; every measured column ends in
        its unit.
    notes : what was assumed, repaired or could not be measured.
    parameters : every parameter with the value used, defaults included.
    """

    operation: str
    tables: Mapping[str, Any]
    notes: tuple[Note, ...] = ()
    parameters: Mapping[str, Any] = field(default_factory=dict)

    def __getitem__(self, table: str) -> Any:
        return self.tables[table]


class HeightSource(Protocol):
    """Anything that hands over height above the substrate, block by block.

    Pixel coordinates are (column, row) from the corner of the first cell; ``transform`` takes them
    to the source's own CRS and may be rotated or south-up. Heights come in the source's vertical
    unit; ``feet_per_unit`` converts. NaN means no data.
    """

    @property
    def crs(self) -> Any:
        """CRS of the source; None only for an array whose grid is already in the site's CRS."""

    @property
    def transform(self) -> tuple[float, float, float, float, float, float]:
        """(a, b, c, d, e, f): x = a col + b row + c, y = d col + e row + f."""

    @property
    def shape(self) -> tuple[int, int]:
        """Rows, columns."""

    @property
    def block_shape(self) -> tuple[int, int]:
        """Rows, columns of the blocks that are cheapest to read."""

    @property
    def feet_per_unit(self) -> float:
        """International feet in one vertical unit."""

    @property
    def rmse_ft(self) -> float | None:
        """Standard error of one height [ft], or None when nobody has stated it."""

    def read(self, row0: int, row1: int, col0: int, col1: int) -> FloatArray:
        """Heights of one window, (row1 - row0, col1 - col0), NaN where there is no data."""


@dataclass(frozen=True, slots=True, eq=False)
class CanopyGrid:
    """Heights above the substrate held in memory; a :class:`HeightSource`.

    height_ft : (rows, cols), NaN where there is no data. [ft]
    west, north : corner of the first cell. Row 0 is in the north. [map units]
    cell : side of a square cell. [map units]
    rmse_ft : standard error of one height, or None if not known. [ft]
    crs : CRS of the grid; None means the site's own.
    """

    height_ft: FloatArray
    west: float
    north: float
    cell: float
    rmse_ft: float | None = None
    crs: Any = None

    def __post_init__(self) -> None:
        height = np.array(self.height_ft, dtype=np.float64)  # a copy: the caller's stays theirs
        if height.ndim != 2 or height.size == 0:
            raise ShapeError(
                "height_ft",
                f"an array of shape {height.shape}",
                "rows and columns, at least one of each",
                "pass a two-dimensional array",
            )
        if not self.cell > 0:
            raise RangeError("cell", f"{self.cell}", "a length above 0", "give it in map units")
        height.setflags(write=False)
        object.__setattr__(self, "height_ft", height)

    @property
    def transform(self) -> tuple[float, float, float, float, float, float]:
        return (self.cell, 0.0, self.west, 0.0, -self.cell, self.north)

    @property
    def shape(self) -> tuple[int, int]:
        rows, cols = self.height_ft.shape
        return rows, cols

    @property
    def block_shape(self) -> tuple[int, int]:
        return self.shape

    @property
    def feet_per_unit(self) -> float:
        return 1.0

    def read(self, row0: int, row1: int, col0: int, col1: int) -> FloatArray:
        return self.height_ft[row0:row1, col0:col1]


@dataclass(frozen=True, slots=True, eq=False)
class Setback:
    """A distance to keep from something, and the rule it comes from.

    reference : one of ``SETBACK_REFERENCES``; ``file`` means ``geometry`` holds it.
    distance_ft : width of the strip on both sides of the reference. [ft]
    source : the rule, covenant or easement that asks for it.
    """

    name: str
    reference: str
    distance_ft: float
    source: str
    geometry: Any = None

    def __post_init__(self) -> None:
        if self.reference not in SETBACK_REFERENCES:
            raise RangeError(
                f"setback {self.name!r}",
                f"reference {self.reference!r}",
                f"one of {', '.join(SETBACK_REFERENCES)}",
                "name what the distance is measured from",
            )
        if not (np.isfinite(self.distance_ft) and self.distance_ft >= 0):
            raise RangeError(
                f"setback {self.name!r}",
                f"distance {self.distance_ft}",
                "a distance of 0 ft or more",
                "give distance_ft in feet",
            )
        if (self.reference == "file") != (self.geometry is not None):
            raise RangeError(
                f"setback {self.name!r}",
                f"reference {self.reference!r} "
                + ("with" if self.geometry is not None else "without")
                + " a geometry",
                "a geometry for reference 'file', and none otherwise",
                "add the file, or choose another reference",
            )


@dataclass(frozen=True, slots=True, eq=False)
class Facts:
    """Facts a map cannot give, as the user answered them; what is not there is unknown.

    everywhere : fact -> value, for every lot of the site. Facts are the keys of
        ``rules/facts.toml``; values are bool, str, int, float or datetime.date.
    by_lot : lot id -> fact -> value; they go before ``everywhere``.
    """

    everywhere: Mapping[str, Any] = field(default_factory=dict)
    by_lot: Mapping[str, Mapping[str, Any]] = field(default_factory=dict)

    def of(self, lot_id: str) -> dict[str, Any]:
        """Every fact known of one lot."""
        return {**self.everywhere, **self.by_lot.get(lot_id, {})}


@dataclass(frozen=True, slots=True)
class InputFile:
    """One input as it was read: enough to find it again and to see that it has changed."""

    role: str
    path: str
    sha256: str
    layer: str | None = None
    n_features: int | None = None
    crs: str | None = None
    detail: Mapping[str, Any] = field(default_factory=dict)


@dataclass(frozen=True, slots=True, eq=False)
class Site:
    """Everything the operations need, in one projected CRS; no file is opened after this.

    Tables as at the top of this module. Whatever is None was not given.

    mhw_origin : a key of ``MHW_ORIGINS``.
    mhw_facts : what else is known of the line: ``epoch``, ``vertical_datum``, ``elevation_ft``,
        ``position_rmse_ft``, ``position_rmse_is`` (``whole`` or ``lower-bound``).
    set_aside : land that one of the kinds of ``SET_ASIDE_KINDS`` covers.
    ground : elevations of the ground, read as ``heights`` are; None when not given.
    trunks_rmse_ft : standard error of a trunk's position, None when nobody stated it. [ft]
    facts : what a map cannot give.
    overlays : local rule files, read and checked (:class:`geotrim.rules.rule_file.RuleFile`).
    options : parameter name -> value, only those the user set (the band among them).
    """

    name: str
    crs: Any
    lots: Any
    mhw_line: Any
    mhw_origin: str
    mhw_facts: Mapping[str, Any] = field(default_factory=dict)
    crowns: Any = None
    trunks: Any = None
    heights: HeightSource | None = None
    readings: Any = None
    profiles: Any = None
    eyes: Any = None
    ground: HeightSource | None = None
    channel: Any = None
    mouth_line: Any = None
    exclusions: Any = None
    setbacks: tuple[Setback, ...] = ()
    set_aside: Any = None
    trunks_rmse_ft: float | None = None
    facts: Facts | None = None
    overlays: tuple[Any, ...] = ()
    options: Mapping[str, Any] = field(default_factory=dict)
    inputs: tuple[InputFile, ...] = ()
    notes: tuple[Note, ...] = ()

    def measured_lot_ids(self) -> Iterator[str]:
        """Ids of the lots to report, in file order."""
        yield from self.lots.loc[self.lots["is_measured"], "lot_id"]
