"""What the CRS record of a LAS file says: the plane, the vertical datum, the unit of height."""

from __future__ import annotations

import struct
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

from geotrim.errors import CRSError, UnitError
from geotrim.io.crs import horizontal
from geotrim.model import Note
from geotrim.units import VERTICAL_UNITS_M, feet_per_vertical_unit

#: Record numbers under the user id "LASF_Projection".
#: Source: LAS specification 1.4-R15 (ASPRS), defined variable length records.
WKT_RECORD, KEYS_RECORD = 2112, (34735, 34736, 34737)
#: GeoKeys of the vertical axis. Source: OGC GeoTIFF 1.1, 19-008r4, vertical CRS keys.
VERTICAL_KEY, VERTICAL_UNITS_KEY = 4096, 4099
#: Codes from here on are EPSG codes; below are others and 32767 is "user-defined". Source: same.
EPSG_CODES = range(1024, 32767)
#: EPSG unit -> geotrim's name of it. Source: EPSG registry.
EPSG_UNITS = {9001: "m", 9002: "ft", 9003: "us-ft"}
#: Two units closer than this (relative) are one; foot and US survey foot differ by 2e-6.
SAME_UNIT = 1e-9


@dataclass(frozen=True, slots=True)
class CloudRecord:
    """What the file itself says.

    crs : of the plane, None if there is no record that can be read.
    vertical : the vertical CRS, None if not said.
    units : (unit, where it is said) for the heights, every place that says one.
    found : which records there were, in words.
    """

    crs: Any
    vertical: Any
    units: tuple[tuple[str, str], ...]
    found: str


def read_record(header: Any, subject: str) -> CloudRecord:
    """The CRS record of an open LAS file, WKT before GeoKeys.

    Raises
    ------
    UnitError
        If WKT and GeoKeys measure the plane in different units.
    CRSError
        If the third axis grows downwards: depths.
    """
    records = dict(_records(header))
    wkt, keys = _from_wkt(records.get(WKT_RECORD)), _from_keys(records)
    crs = wkt if wkt is not None else keys
    if wkt is not None and keys is not None:
        _check_same_plane_unit(wkt, keys, subject)
    units: list[tuple[str, str]] = []
    vertical = None
    for one in (wkt, keys):
        part = _vertical_part(one)
        if part is None:
            continue
        _check_upward(part, subject)
        vertical = vertical if vertical is not None else part
        if one is wkt and (unit := _unit_of_axis(part)):  # those of the keys: from the keys below
            units.append((unit, f"the WKT record: {part.name}"))
    short = _short_keys(records.get(KEYS_RECORD[0], b""))
    if short.get(VERTICAL_KEY, 0) in EPSG_CODES:
        named_part = _vertical_of_code(short[VERTICAL_KEY])
        if named_part is not None:
            _check_upward(named_part, subject)
            vertical = vertical if vertical is not None else named_part
            if unit := _unit_of_axis(named_part):
                units.append((unit, f"the GeoKeys: {named_part.name}"))
    if short.get(VERTICAL_UNITS_KEY) in EPSG_UNITS:
        units.append((EPSG_UNITS[short[VERTICAL_UNITS_KEY]], "the GeoKeys' vertical unit"))
    found = ", ".join(
        words
        for words, code in (("WKT", WKT_RECORD), ("GeoKeys", KEYS_RECORD[0]))
        if code in records
    )
    plane = None if crs is None or not _is_plane(crs) else horizontal(crs)
    return CloudRecord(plane, vertical, tuple(dict.fromkeys(units)), found)


def vertical_unit(
    record: CloudRecord, stated: str | None, subject: str
) -> tuple[str, str, tuple[Note, ...]]:
    """Unit of the heights, how it is known, and what was assumed.

    The user says it, or the record; never the plane, whose unit heights often do not share. A
    stated unit goes before the record, and where they differ both are told.

    Parameters
    ----------
    record : CloudRecord
    stated : ``ft``, ``us-ft``, ``m`` or None

    Raises
    ------
    UnitError
        If no unit is known, or the record contradicts itself and the user states none.
    """
    said = tuple(dict.fromkeys(unit for unit, _ in record.units))
    if stated is not None:
        feet_per_vertical_unit(stated, f"{subject} unit")
        if said in ((), (stated,)):
            return stated, "stated by the user", ()
        text = f"heights are taken in {stated}, as stated, against the file: {_places(record)}"
        return stated, "stated by the user", (Note(subject, text, "assumed"),)
    if len(said) > 1:
        raise UnitError(
            f"{subject} unit",
            _places(record),
            "one unit of height",
            _say_unit(subject),
        )
    if not said:
        raise UnitError(
            f"{subject} unit",
            "no unit of height in the CRS record, and the plane's unit is none of heights",
            "ft, us-ft or m",
            _say_unit(subject),
        )
    return *record.units[0], ()


def _places(record: CloudRecord) -> str:
    """Every unit the record says, and where."""
    return " and ".join(f"{unit} ({where})" for unit, where in record.units)


def _say_unit(subject: str) -> str:
    """What to say; a cloud opened from Python has no dashes before its name."""
    return f"say --{subject.lstrip('-')}-unit ft (or us-ft, m), as the cloud's maker gives it"


def check_readable(record: CloudRecord, stated: Any, subject: str) -> None:
    """A record that cannot be understood is told apart from none at all."""
    if record.crs is None and record.found and stated is None:
        raise CRSError(
            subject,
            f"a CRS record ({record.found}) that names no known reference system",
            "to know what the coordinates are in",
            'state it with crs, for example crs = "EPSG:6443"',
        )


def _records(header: Any) -> Iterator[tuple[int, bytes]]:
    extended = header.evlrs or []
    for record in [*extended, *header.vlrs]:  # the last one stands: ordinary records
        if record.user_id == "LASF_Projection":
            yield record.record_id, bytes(record.record_data_bytes())


def _from_wkt(data: bytes | None) -> Any:
    from pyproj import CRS
    from pyproj.exceptions import CRSError as ProjCRSError

    text = (data or b"").decode("utf-8", "replace").strip("\0 \r\n")
    if not text:
        return None
    try:
        return CRS.from_wkt(text)
    except (ProjCRSError, UnicodeDecodeError):
        return None


def _from_keys(records: dict[int, bytes]) -> Any:
    """CRS of the GeoKeys, read as those of a GeoTIFF: a user-defined projection is understood too.

    The three records are laid as tags into a TIFF of one cell, and GDAL reads that.
    """
    import rasterio
    from pyproj import CRS
    from pyproj.exceptions import CRSError as ProjCRSError
    from rasterio.errors import RasterioError
    from rasterio.io import MemoryFile

    short = _short_keys(records.get(KEYS_RECORD[0], b""))
    if not short:
        return None
    try:
        with (
            rasterio.Env(GTIFF_REPORT_COMPD_CS=True),
            MemoryFile(_tiff_with(records)) as file,
            file.open() as dataset,
        ):
            if dataset.crs is None:
                return None
            crs = CRS.from_wkt(dataset.crs.to_wkt())
    except (RasterioError, ProjCRSError):
        return None
    code = None if crs.is_compound else crs.to_epsg(min_confidence=90)
    return CRS.from_epsg(code) if code else crs  # the registry's own knows its area of use


def _tiff_with(records: dict[int, bytes]) -> bytes:
    """A TIFF of one grey cell with the records as its GeoTIFF tags and a plain transform."""
    scale, tie = struct.pack("<3d", 1, 1, 0), struct.pack("<6d", 0, 0, 0, 0, 0, 0)
    tags: list[tuple[int, int, bytes]] = [
        *((tag, 3, struct.pack("<H", 1)) for tag in (256, 257)),
        *((tag, 3, struct.pack("<H", value)) for tag, value in ((258, 8), (259, 1), (262, 1))),
        (273, 4, struct.pack("<L", 8)),
        *((tag, 3, struct.pack("<H", 1)) for tag in (277, 278)),
        (279, 4, struct.pack("<L", 1)),
        (33550, 12, scale),
        (33922, 12, tie),
    ]
    for tag, kind, size in zip(KEYS_RECORD, (3, 12, 2), (2, 8, 1), strict=True):
        data = records.get(tag, b"")
        data = _sorted_keys(data) if tag == KEYS_RECORD[0] else data[: len(data) // size * size]
        if data:
            tags.append((tag, kind, data))
    sizes = {2: 1, 3: 2, 4: 4, 12: 8}
    body = b"\0" * 8  # the cell, and room to the even byte
    start = 8 + len(body)
    entries, blobs = b"", b""
    after = start + 2 + 12 * len(tags) + 4
    for tag, kind, data in tags:
        n = len(data) // sizes[kind]
        if len(data) <= 4:
            value = data.ljust(4, b"\0")
        else:
            value = struct.pack("<L", after + len(blobs))
            blobs += data + b"\0" * (len(data) % 2)
        entries += struct.pack("<HHL", tag, kind, n) + value
    head = b"II*\0" + struct.pack("<L", start)
    return head + body + struct.pack("<H", len(tags)) + entries + b"\0\0\0\0" + blobs


def _key_rows(data: bytes) -> list[tuple[int, ...]]:
    """Rows (key, place, count, value) of a key directory, without the empty ones some end in."""
    n = len(data) // 2
    words = struct.unpack(f"<{n}H", data[: 2 * n])
    return sorted(words[i : i + 4] for i in range(4, n - 3, 4) if words[i])


def _sorted_keys(data: bytes) -> bytes:
    rows = _key_rows(data)
    return data[:6] + struct.pack(
        f"<{1 + 4 * len(rows)}H", len(rows), *(v for r in rows for v in r)
    )


def _short_keys(data: bytes) -> dict[int, int]:
    """GeoKeys whose value stands in the directory itself."""
    return {key: value for key, place, _, value in _key_rows(data) if place == 0}


def _is_plane(crs: Any) -> bool:
    plane = horizontal(crs)
    return bool(plane.is_projected or plane.is_geographic)


def _vertical_part(crs: Any) -> Any:
    """The vertical part of a compound CRS, or a 3-D CRS itself, whose third axis is a height."""
    if crs is None:
        return None
    if crs.is_bound and crs.source_crs is not None:
        return _vertical_part(crs.source_crs)
    if crs.is_compound:
        parts = [part for part in crs.sub_crs_list if part.is_vertical or part.is_bound]
        for part in parts:
            inner = part.source_crs if part.is_bound else part
            if inner is not None and inner.is_vertical:
                return inner
        return None
    return crs if len(crs.axis_info) == 3 else None


def _check_upward(vertical: Any, subject: str) -> None:
    """Depths read as elevations would turn the canopy over."""
    if vertical.axis_info and vertical.axis_info[-1].direction == "down":
        raise CRSError(
            subject,
            f"depths, which grow downwards ({vertical.name})",
            "elevations, which grow upwards",
            "turn the sign of z and label it as heights",
        )


def _vertical_of_code(code: int) -> Any:
    from pyproj import CRS
    from pyproj.exceptions import CRSError as ProjCRSError

    try:
        crs = CRS.from_epsg(code)
    except ProjCRSError:  # old files give the code of a datum here
        return None
    return crs if crs.is_vertical else None


def _unit_of_axis(crs: Any) -> str | None:
    """The unit of the last axis, None if it is none that a user may state."""
    metres = crs.axis_info[-1].unit_conversion_factor if crs.axis_info else 0.0
    for unit, own in VERTICAL_UNITS_M.items():
        if abs(metres / own - 1.0) < SAME_UNIT:
            return unit
    return None


def _check_same_plane_unit(wkt: Any, keys: Any, subject: str) -> None:
    one, other = (horizontal(crs) for crs in (wkt, keys))
    if not (one.is_projected and other.is_projected):
        return
    units = [crs.axis_info[0].unit_conversion_factor for crs in (one, other)]
    if abs(units[0] / units[1] - 1.0) > SAME_UNIT:
        raise UnitError(
            subject,
            f"a WKT record in {one.axis_info[0].unit_name} and GeoKeys in "
            f"{other.axis_info[0].unit_name}",
            "one unit of the plane",
            "ask the cloud's maker which is right, and have the other record removed",
        )
