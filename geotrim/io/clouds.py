"""Lidar clouds: LAS and LAZ files opened with unit and CRS made sure of, read chunk by chunk."""

from __future__ import annotations

import re
import struct
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from geotrim.errors import CRSError, FileError, LayerError
from geotrim.io.bounds import box_around
from geotrim.io.cloud_crs import CloudRecord, check_readable, read_record, vertical_unit
from geotrim.io.crs import (
    choose_site_crs,
    horizontal,
    is_measurable,
    layer_crs,
    move_note,
    named,
    plan_move,
    same_crs,
)
from geotrim.io.files import local_path
from geotrim.model import Note
from geotrim.units import feet_per_map_unit, feet_per_vertical_unit

#: Bits of ``flags``. Source: LAS specification 1.4-R15, classification flags, whose order it keeps.
SYNTHETIC, KEY_POINT, WITHHELD, OVERLAP = 1, 2, 4, 8
#: Classes that matter here. Source: same, standard point classes.
GROUND, LOW_NOISE, MODEL_KEY, WATER, LEGACY_OVERLAP, HIGH_NOISE = 2, 7, 8, 9, 12, 18
#: Class -> what it is. Source: same, table of standard point classes (point formats 6 to 10).
CLASS_NAMES = {
    0: "never classified",
    1: "unclassified",
    2: "ground",
    3: "low vegetation",
    4: "medium vegetation",
    5: "high vegetation",
    6: "building",
    7: "low noise",
    8: "model key point",
    9: "water",
    10: "rail",
    11: "road surface",
    12: "overlap",
    13: "wire, guard",
    14: "wire, conductor",
    15: "transmission tower",
    16: "wire connector",
    17: "bridge deck",
    18: "high noise",
    19: "overhead structure",
    20: "ignored ground",
    21: "snow",
    22: "temporal exclusion",
}
#: Points read at a time; about 35 MB as they leave the file.
CHUNK = 1_000_000
#: First four bytes of every LAS and LAZ file.
SIGNATURE = b"LASF"


@dataclass(frozen=True, slots=True, eq=False)
class Points:
    """Some returns of a cloud, one array each, all of one length.

    x, y, z : in the cloud's own units, float64.
    kind : class number. ``CLASS_NAMES`` tells them.
    return_number, n_returns : counted from 1 within a pulse.
    flags : bits ``SYNTHETIC``, ``KEY_POINT``, ``WITHHELD``, ``OVERLAP``.
    """

    x: npt.NDArray[np.float64]
    y: npt.NDArray[np.float64]
    z: npt.NDArray[np.float64]
    kind: npt.NDArray[np.uint8]
    return_number: npt.NDArray[np.uint8]
    n_returns: npt.NDArray[np.uint8]
    flags: npt.NDArray[np.uint8]

    def __len__(self) -> int:
        return self.x.size

    def take(self, which: npt.NDArray[Any]) -> Points:
        """The returns of a mask or of places, in that order."""
        return Points(*(getattr(self, name)[which] for name in self.__slots__))

    @staticmethod
    def join(parts: list[Points]) -> Points:
        """Several one after the other; none at all gives no points."""
        if len(parts) == 1:
            return parts[0]
        return Points(*(_joined(parts, name) for name in Points.__slots__))


@dataclass(frozen=True, slots=True, eq=False)
class Cloud:
    """A cloud in a file; made by :func:`open_cloud`, which reads the header only.

    n_points, n_first : returns and first returns, as the header counts them; where it counts none
        by number, every return is taken for a first one.
    bounds : west, south, east, north, in ``crs``. [map units]
    crs : plane CRS of the points that are handed over, a pyproj CRS.
    file_crs : plane CRS of the file; another than ``crs`` when the points are reprojected.
    vertical : vertical CRS, None when the file does not say it.
    unit, unit_source : of z: ``ft``, ``us-ft`` or ``m``, and how it is known.
    version, point_format : of the LAS file.
    notes : what was assumed.
    """

    path: Path
    subject: str
    n_points: int
    n_first: int
    bounds: tuple[float, float, float, float]
    z_bounds: tuple[float, float]
    crs: Any
    file_crs: Any
    vertical: Any
    unit: str
    unit_source: str
    version: str
    point_format: int
    notes: tuple[Note, ...]
    move: Callable[[npt.NDArray[Any]], npt.NDArray[np.float64]] | None = None

    @property
    def feet_per_unit(self) -> float:
        """International feet in one unit of z."""
        return feet_per_vertical_unit(self.unit, self.subject)

    @property
    def feet_per_map_unit(self) -> float:
        """International feet in one unit of x and y."""
        return feet_per_map_unit(self.crs, self.subject)

    def chunks(self, n: int = CHUNK) -> Iterator[Points]:
        """All returns in file order, ``n`` at a time, withheld ones among them.

        Raises
        ------
        FileError
            If the file is cut short or damaged; what came before was handed over.
        """
        n_seen = 0
        with _open(self.path, self.subject) as reader:
            records = reader.chunk_iterator(n)
            while True:
                with _telling(self.path, self.subject):
                    record = next(records, None)
                if record is None:
                    break
                points = _unpack(record, self.point_format)
                n_seen += len(points)
                yield self._moved(points)
            if n_seen != self.n_points:
                _cut_short(self.path, self.subject, n_seen, self.n_points)

    def describe(self) -> dict[str, Any]:
        """What the record says of the cloud."""
        return {
            "path": str(self.path),
            "n_points": self.n_points,
            "las_version": self.version,
            "point_format": self.point_format,
            "bounds": list(self.bounds),
            "crs": self.file_crs.to_string(),
            "reprojected_to": None if self.move is None else self.crs.to_string(),
            "vertical_datum": vertical_name(self.vertical),
            "vertical_unit": self.unit,
            "vertical_unit_source": self.unit_source,
        }

    def _moved(self, points: Points) -> Points:
        if self.move is None:
            return points
        xy = self.move(np.column_stack([points.x, points.y]))
        if not np.isfinite(xy).all():
            raise CRSError(
                self.subject,
                f"points in {named(self.file_crs)} that have no place in {named(self.crs)}",
                "points near the site",
                "check what the file is in, and state another CRS to work in",
            )
        rest = (getattr(points, name) for name in Points.__slots__[2:])
        return Points(xy[:, 0].copy(), xy[:, 1].copy(), *rest)


def open_cloud(
    path: str | Path,
    *,
    crs: Any = None,
    unit: str | None = None,
    to_crs: Any = None,
    subject: str = "cloud",
) -> Cloud:
    """Open a LAS or LAZ file, 1.0 to 1.4.

    Parameters
    ----------
    path : str or Path
    crs : anything pyproj understands, optional
        What the points are in, where the file says nothing.
    unit : str, optional
        Unit of z: ``ft``, ``us-ft`` or ``m``. Needed where the CRS record says nothing of heights;
        it goes before the record where it does, and both are told.
    to_crs : anything pyproj understands, optional
        Plane CRS to hand the points over in. Without it they stay in their own, unless that is in
        degrees or a web map's: then a projected one is chosen from their place.
    subject : str
        How the user knows the input, for messages.

    Raises
    ------
    FileError
        If the file is missing, no LAS file, of an unknown version, cut short or damaged.
    LayerError
        If it holds no points.
    CRSError
        If there is no CRS, file and user name different ones, or z is a depth.
    UnitError
        If the unit of z is not known, or the file contradicts itself.

    Notes
    -----
    The header's count, box and CRS record are read, no point. Files that carry both a WKT record
    and GeoKeys are read by the WKT; the two must agree on the unit of the plane.
    """
    found = local_path(path, subject)
    _check_head(found, subject)
    with _open(found, subject) as reader:
        header = reader.header
        _check_header(header, found, subject)
        record = read_record(header, subject)
        low, high = (np.asarray(ends, dtype=float) for ends in (header.mins, header.maxs))
        version, number, n = str(header.version), header.point_format.id, int(header.point_count)
        n_first = int(header.number_of_points_by_return[0])
    check_readable(record, crs, subject)
    own_bounds = np.array([*low[:2], *high[:2]])
    file_crs, notes = _settled_crs(record, crs, own_bounds, subject)
    known, source, unit_notes = vertical_unit(record, unit, subject)
    plane, move, move_notes = _plane_of(file_crs, own_bounds, to_crs, subject)
    own = (float(low[0]), float(low[1]), float(high[0]), float(high[1]))
    return Cloud(
        path=found,
        subject=subject,
        n_points=n,
        n_first=n_first if 0 < n_first <= n else n,
        bounds=own if move is None else box_around(own, move),
        z_bounds=(float(low[2]), float(high[2])),
        crs=plane,
        file_crs=file_crs,
        vertical=record.vertical,
        unit=known,
        unit_source=source,
        version=version,
        point_format=int(number),
        notes=(*notes, *unit_notes, *move_notes),
        move=move,
    )


def check_same(clouds: list[Cloud]) -> None:
    """Several files must be one cloud: one plane, one unit and one datum of height.

    Raises
    ------
    CRSError
        If one differs from the first.
    """
    first = clouds[0]
    for other in clouds[1:]:
        pairs = (
            ("plane", named(first.crs), named(other.crs), same_crs(first.crs, other.crs)),
            ("unit of height", first.unit, other.unit, first.unit == other.unit),
            ("vertical datum", *_datum_pair(first, other)),
        )
        for what, one, its, is_same in pairs:
            if not is_same:
                raise CRSError(
                    other.subject,
                    f"{what} {its} in {other.path.name} beside {one} in {first.path.name}",
                    "files of one cloud",
                    "work on them one at a time, or export them alike",
                )


def vertical_name(vertical: Any) -> str | None:
    """Name of a vertical datum, None when the file does not say it.

    Examples
    --------
    >>> from pyproj import CRS
    >>> vertical_name(CRS.from_epsg(6360)), vertical_name(CRS.from_epsg(4979)), vertical_name(None)
    ('NAVD88', 'ellipsoid of WGS 84', None)
    """
    if vertical is None:
        return None
    if not vertical.is_vertical:
        return f"ellipsoid of {horizontal(vertical).name}"
    name = vertical.datum.name if vertical.datum is not None else vertical.name
    if re.fullmatch(r"North American Vertical Datum (of )?1988", name):
        return "NAVD88"
    if re.fullmatch(r"National Geodetic Vertical Datum (of )?1929", name):
        return "NGVD29"
    return None if name.lower().startswith(("unknown", "unnamed")) else str(name)


def _joined(parts: list[Points], name: str) -> Any:
    if parts:
        return np.concatenate([getattr(part, name) for part in parts])
    return np.empty(0, np.float64 if name in ("x", "y", "z") else np.uint8)


def _datum_pair(first: Cloud, other: Cloud) -> tuple[str, str, bool]:
    one, its = (vertical_name(cloud.vertical) for cloud in (first, other))
    return str(one), str(its), one is None or its is None or one == its


def _check_head(path: Path, subject: str) -> None:
    """Refuse what is no LAS file, and a header that its own numbers contradict.

    Source: LAS specification 1.4-R15, public header block and its places.
    """
    with path.open("rb") as stream:
        head = stream.read(375)
    if head[:4] != SIGNATURE:
        kind = "" if path.suffix.lower() in (".las", ".laz") else f", a {path.suffix or 'nameless'}"
        raise FileError(
            subject,
            f"{path.name}{kind}, which is no LAS file (it does not begin with LASF)",
            "a lidar cloud in LAS or LAZ",
            "export the cloud as LAS or LAZ, or name another file",
        )
    n_bytes = path.stat().st_size
    if len(head) < 227:
        raise _damaged(path, subject, EOFError(f"its header breaks off after {len(head)} bytes"))
    size, points_at, n_records = struct.unpack_from("<HLL", head, 94)
    if not 227 <= size <= points_at <= n_bytes or size + 54 * n_records > points_at:
        raise _damaged(path, subject, EOFError("its header does not fit its size"))
    if head[25] >= 4 and len(head) == 375:
        extended_at, n_extended = struct.unpack_from("<QL", head, 235)
        if n_extended and extended_at + 60 * n_extended > n_bytes:
            raise _damaged(path, subject, EOFError("its last records are missing"))


def _check_header(header: Any, path: Path, subject: str) -> None:
    """Refuse what the header itself shows to be empty, cut short or nonsense."""
    if header.point_count == 0:
        raise LayerError(
            subject, f"no points in {path.name}", "a cloud with points", "export it again"
        )
    numbers = [*header.mins, *header.maxs, *header.scales, *header.offsets]
    if not np.isfinite(numbers).all() or (np.asarray(header.scales) == 0).any():
        raise FileError(
            subject,
            f"{path.name}, whose header holds numbers that are not finite or a scale of 0",
            "a whole LAS file",
            "export the cloud again",
        )
    n_bytes = header.offset_to_point_data + header.point_count * header.point_format.size
    if not header.are_points_compressed and path.stat().st_size < n_bytes:
        n_there = (path.stat().st_size - header.offset_to_point_data) // header.point_format.size
        _cut_short(path, subject, max(n_there, 0), header.point_count)


def _cut_short(path: Path, subject: str, n_there: int, n_told: int) -> None:
    raise FileError(
        subject,
        f"{path.name}, which holds {n_there:,} points where its header tells {n_told:,}",
        "a whole file",
        "copy or export it again",
    )


def _open(path: Path, subject: str) -> Any:
    """A laspy reader that unpacks only what is handed over."""
    import laspy

    wanted = laspy.DecompressionSelection
    asked = wanted.base() | wanted.Z | wanted.CLASSIFICATION | wanted.FLAGS
    with _telling(path, subject):
        return laspy.open(path, decompression_selection=asked)


@contextmanager
def _telling(path: Path, subject: str) -> Iterator[None]:
    """Whatever laspy stumbles over in a file is told as damage of the file."""
    import laspy
    import lazrs

    known = (laspy.errors.LaspyException, lazrs.LazrsError, OSError, EOFError)
    parts = (ValueError, struct.error, IndexError, KeyError, TypeError, OverflowError, MemoryError)
    try:
        yield
    except (*known, *parts) as error:
        raise _damaged(path, subject, error) from error
    except BaseException as error:
        if type(error).__name__ != "PanicException":  # of the decoder, which is written in Rust
            raise
        raise _damaged(path, subject, error) from error


def _damaged(path: Path, subject: str, error: BaseException) -> FileError:
    reason = (str(error).splitlines() or [type(error).__name__])[0]
    return FileError(
        subject,
        f"{path.name}, which cannot be read ({reason})",
        "a whole LAS or LAZ file of version 1.0 to 1.4",
        "copy or export it again; it may be cut short or damaged",
    )


def _unpack(record: Any, number: int) -> Points:
    """Points of a record of laspy, straight from its bytes.

    In the formats before 6, class 12 says "overlap" and 8 "key point of the ground model"; they are
    handed over as the flags that took their place, the latter with the class of ground.

    Source: LAS specification 1.4-R15, point data record formats 0 and 6.
    """
    raw, scales, offsets = record.array, record.scales, record.offsets
    x, y, z = (
        raw[name] * float(scale) + float(offset)
        for name, scale, offset in zip("XYZ", scales, offsets, strict=True)
    )
    bits = raw["bit_fields"]
    if number >= 6:
        kind, flags = raw["classification"].copy(), raw["classification_flags"] & 0x0F
        return Points(x, y, z, kind, bits & 0x0F, bits >> 4, flags)
    packed = raw["raw_classification"]
    kind, flags = packed & 0x1F, packed >> 5
    flags[kind == LEGACY_OVERLAP] |= OVERLAP
    is_key = kind == MODEL_KEY
    flags[is_key] |= KEY_POINT
    kind[is_key] = GROUND
    return Points(x, y, z, kind, bits & 0x07, (bits >> 3) & 0x07, flags)


def _settled_crs(
    record: CloudRecord, stated: Any, bounds: npt.NDArray[Any], subject: str
) -> tuple[Any, tuple[Note, ...]]:
    """CRS of the points, from the record and the user; one that maths cannot follow is refused."""
    from pyproj.exceptions import ProjError

    try:
        return layer_crs(record.crs, stated, bounds, subject)
    except ProjError as error:
        raise CRSError(
            subject,
            f"a CRS record ({record.found}) that cannot be tied to the Earth",
            "a known reference system",
            "have the record mended; it may be damaged",
        ) from error


def _plane_of(
    own: Any, bounds: npt.NDArray[Any], wanted: Any, subject: str
) -> tuple[Any, Any, tuple[Note, ...]]:
    """The plane to hand points over in, the way there, and what is to be told."""
    if wanted is None:
        if is_measurable(own):
            return own, None, ()
        target, chosen = choose_site_crs(own, bounds, None, f"{subject} crs", "points")
    else:
        target, chosen = choose_site_crs(own, bounds, wanted, f"{subject} crs", "points")
        if same_crs(own, target):
            return own, None, chosen
    move = plan_move(own, target, bounds, subject)
    return target, move.apply, (*chosen, move_note(own, target, move, subject))
