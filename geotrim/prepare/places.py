"""What preparations read beside their main file: shapes, and where on the map to work."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
from pyproj import CRS

from geotrim.io.bounds import Bounds, moved_bounds
from geotrim.io.crs import to_site
from geotrim.io.files import local_path, sha256_of
from geotrim.io.site_layers import code_of
from geotrim.io.vectors import read_layer
from geotrim.model import InputFile, Note
from geotrim.prepare.task import GivenFile
from geotrim.units import feet_per_map_unit

#: Feet in the shortest degree of latitude. Source: WGS 84 ellipsoid, pi/180 a (1 - e2).
FEET_PER_DEGREE = 110_574.0 / 0.3048


@dataclass(frozen=True, slots=True, eq=False)
class Shapes:
    """A layer that was read, with what there is to tell of it."""

    table: Any
    notes: tuple[Note, ...]
    told: InputFile


def read_shapes(
    given: GivenFile, role: str, *, kinds: tuple[str, ...] = ("polygon",), crs: CRS | None = None
) -> Shapes:
    """The shapes of a file fit to measure, in a CRS.

    Parameters
    ----------
    given : GivenFile
    role : str
        Source name, such as ``lots``.
    kinds : tuple of str
        Kinds of geometry needed: ``point``, ``line``, ``polygon``.
    crs : CRS, optional
        What to bring them to; the file's own CRS by default.

    Raises
    ------
    GeotrimError
        If the file cannot be read, holds no such shapes, or has no place in the CRS.
    """
    path = local_path(given.path, given.subject)
    table, notes = read_layer(
        path,
        layer=given.get("layer"),
        crs=given.get("crs"),
        subject=given.subject,
        kinds=kinds,
        id_field=given.get("id_field"),
    )
    layer = table.attrs.get("layer")
    told = input_file(given, role, layer=layer, n_features=len(table), crs=table.crs)
    if crs is not None:
        table, moved = to_site(table, crs, given.subject)
        notes = (*notes, *moved)
    return Shapes(table, tuple(notes), told)


def input_file(
    given: GivenFile,
    role: str,
    *,
    layer: str | None = None,
    n_features: int | None = None,
    crs: Any = None,
    detail: Mapping[str, Any] | None = None,
) -> InputFile:
    """A file as the record tells it, with its hash."""
    digest, how = sha256_of(local_path(given.path, given.subject))
    code = None if crs is None else code_of(CRS.from_user_input(crs))
    return InputFile(
        role, given.path, digest, layer, n_features, code, {"sha256_of": how, **(detail or {})}
    )


def bounds_near(shapes: Shapes, margin_ft: float, crs: Any) -> Bounds:
    """West, south, east, north around shapes and a margin, in a CRS that may be in degrees.

    Parameters
    ----------
    shapes : Shapes
        In a projected CRS, or in degrees: then the margin is laid on by the length of a degree.
    margin_ft : float
    crs : anything pyproj understands
        Of the box that comes back.

    Notes
    -----
    The sides of the box are taken over point by point, so the new box holds the old one whole.
    """
    own = CRS.from_user_input(shapes.table.crs)
    west, south, east, north = (float(v) for v in shapes.table.total_bounds)
    if own.is_projected:
        wide = high = margin_ft / feet_per_map_unit(own, shapes.told.role)
    else:
        high = margin_ft / FEET_PER_DEGREE
        wide = high / max(np.cos(np.radians((south + north) / 2.0)), 0.01)
    box = (west - wide, south - high, east + wide, north + high)
    return moved_bounds(box, own, CRS.from_user_input(crs), shapes.told.role)
