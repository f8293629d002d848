"""Small LAS and LAZ files with any CRS record, for tests."""

from __future__ import annotations

import struct

import laspy
import numpy as np
from laspy.vlrs.known import WktCoordinateSystemVlr
from pyproj import CRS

#: GeoKeys by number. Source: OGC GeoTIFF 1.1 (19-008r4).
MODEL, PROJECTED, GEOGRAPHIC, VERTICAL, VERTICAL_UNITS = 1024, 3072, 2048, 4096, 4099
#: Florida West, NAD83: in metres and in US survey feet. Source: EPSG registry.
WEST_M, WEST_FTUS = 26959, 2237


def geo_keys(**keys):
    """A key directory record of codes: projected=2237, vertical=6360, vertical_units=9003."""
    numbers = {"projected": PROJECTED, "vertical": VERTICAL, "vertical_units": VERTICAL_UNITS}
    rows = sorted((numbers[name], 0, 1, code) for name, code in keys.items())
    rows = [(MODEL, 0, 1, 1), *rows]
    words = [1, 1, 0, len(rows), *(word for row in rows for word in row)]
    data = struct.pack(f"<{len(words)}H", *words)
    return laspy.VLR("LASF_Projection", 34735, "GeoKeyDirectoryTag", data)


def wkt(crs, version="WKT2_2019"):
    """A WKT record of a CRS, or of any text."""
    is_text = isinstance(crs, str) and "[" in crs
    text = crs if is_text else CRS.from_user_input(crs).to_wkt(version)
    return WktCoordinateSystemVlr(text)


def write_cloud(
    path,
    x,
    y,
    z,
    *,
    version="1.4",
    point_format=6,
    records=(),
    kind=1,
    return_number=1,
    n_returns=1,
    scale=0.001,
    **fields,
):
    """Write points; ``kind`` and the like are one for all or one each. Returns the path."""
    header = laspy.LasHeader(point_format=point_format, version=version)
    x, y, z = (np.atleast_1d(np.asarray(values, dtype=float)) for values in (x, y, z))
    header.scales = np.full(3, scale)
    header.offsets = np.floor([x.min(), y.min(), z.min()]) if x.size else np.zeros(3)
    for record in records:
        header.vlrs.append(record)
    header.global_encoding.wkt = any(record.record_id == 2112 for record in records)
    las = laspy.LasData(header)
    las.x, las.y, las.z = x, y, z
    las.classification = np.broadcast_to(np.asarray(kind, np.uint8), x.shape)
    las.return_number = np.broadcast_to(np.asarray(return_number, np.uint8), x.shape)
    las.number_of_returns = np.broadcast_to(np.asarray(n_returns, np.uint8), x.shape)
    for name, values in fields.items():
        las[name] = np.broadcast_to(np.asarray(values, np.uint8), x.shape)
    las.write(path)
    return path
