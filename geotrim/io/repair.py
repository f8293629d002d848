"""Geometry as it comes, made fit to measure: every change is told, nothing is mended in silence."""

from __future__ import annotations

from contextlib import suppress
from typing import Any

import numpy as np
import shapely

from geotrim.errors import LayerError, ShapeError
from geotrim.model import Note

#: Kind -> shapely type ids that are of this kind.
KIND_TYPES = {"point": (0, 4), "line": (1, 2, 5), "polygon": (3, 6)}
#: Shapely type id -> kind, -1 (none) and 7 (collection) left out.
TYPE_KIND = {type_id: kind for kind, ids in KIND_TYPES.items() for type_id in ids}

_WRONG_KIND = {
    ("line", "polygon"): "draw or export the edge as a line layer, or name the layer that holds it",
    ("polygon", "line"): "close the lines into polygons, or name the layer that holds the polygons",
    ("polygon", "point"): "name the layer that holds the outlines",
    ("point", "polygon"): "name the layer that holds the points",
}


#: A shape whose loops leave less than this of what they enclose had no net area.
LEAST_NET_FRAC = 1e-6
#: Gains from here on are told by the areas alone.
MOST_SHARE = 10.0


def listed(items: Any, most: int = 5) -> str:
    """First few items in words.

    Examples
    --------
    >>> listed(["a", "b"]), listed(range(9), 2)
    ('a, b', '0, 1 and 7 more')
    """
    items = [str(item) for item in items]
    more = len(items) - most
    return ", ".join(items[:most]) + (f" and {more} more" if more > 0 else "")


def counted(n: int, noun: str) -> str:
    """A number with its noun.

    Examples
    --------
    >>> counted(1, "crown"), counted(2, "crown"), counted(2, "geometry")
    ('1 crown', '2 crowns', '2 geometries')
    """
    plural = noun[:-1] + "ies" if noun.endswith("try") else noun + "s"
    return f"{n} {noun if n == 1 else plural}"


def clean_layer(
    table: Any, *, subject: str, kinds: tuple[str, ...], names: Any = None
) -> tuple[Any, tuple[Note, ...]]:
    """Rows with plane, finite, valid geometry of the kinds needed.

    Empty and null geometries are dropped; Z and M are dropped; collections are unpacked; other
    kinds are left out; polygons that cross themselves are repaired (GEOS make_valid by
    structure: shells joined, holes cut, polygon parts kept); multipoints become points. Multipart
    lines and polygons and holes stay as they are.

    Parameters
    ----------
    table : GeoDataFrame
    subject : str
        The input, for messages.
    kinds : tuple of str
        ``point``, ``line``, ``polygon``.
    names : sequence of str, optional
        What to call each row in messages; by default its number in the file, from 1.

    Returns
    -------
    table : GeoDataFrame
        A new one, rows in the same order.
    notes : tuple of Note

    Raises
    ------
    LayerError
        If no row of a needed kind is left.
    ShapeError
        If a coordinate is not finite; names the feature.
    """
    if not len(table):
        raise LayerError(subject, "no features", "one or more", "export the layer again")
    called = [f"feature {i}" for i in range(1, len(table) + 1)] if names is None else names
    shapes, labels = (
        np.asarray(table.geometry.array, dtype=object),
        np.asarray(called, dtype=object),
    )
    notes: list[Note] = []
    keep = ~(shapely.is_missing(shapes) | shapely.is_empty(shapes))
    if n_lost := int((~keep).sum()):
        text = f"{counted(n_lost, 'feature')} without a geometry left out: {listed(labels[~keep])}"
        notes.append(Note(subject, text, "repaired"))
    table, shapes, labels = table[keep], shapes[keep], labels[keep]
    shapes = _flat(shapes, subject, notes)
    _check_finite(shapes, labels, subject)
    for row in np.flatnonzero(np.isin(shapely.get_type_id(shapes), (2, 7))):
        shapes[row] = unpacked(shapes[row], kinds)
    keep = _of_kind(shapes, labels, kinds, subject, notes)
    table, shapes, labels = table[keep], shapes[keep], labels[keep]
    shapes, keep = _valid(shapes, labels, table.crs, subject, notes)
    table = table[keep].set_geometry(shapes[keep], crs=table.crs).reset_index(drop=True)
    if kinds == ("point",) and (shapely.get_type_id(table.geometry.array) == 4).any():
        n_before = len(table)
        table = table.explode(ignore_index=True)
        notes.append(Note(subject, f"{n_before} rows of points split into {len(table)}", "info"))
    if not len(table):
        raise LayerError(
            subject, "no usable geometry", f"{' or '.join(kinds)}s", "check the layer on a map"
        )
    return table, tuple(notes)


def _flat(shapes: Any, subject: str, notes: list[Note]) -> Any:
    """Drop Z and M."""
    axes = "Z" if shapely.has_z(shapes).any() else ""
    has_m = getattr(shapely, "has_m", None)
    with suppress(shapely.errors.UnsupportedGEOSVersionError):
        axes += "M" if has_m is not None and has_m(shapes).any() else ""
    if axes:
        words = " and ".join(axes)
        notes.append(Note(subject, f"{words} values dropped; heights come from elsewhere", "info"))
        shapes = shapely.force_2d(shapes)
    return shapes


def _check_finite(shapes: Any, labels: Any, subject: str) -> None:
    coordinates, index = shapely.get_coordinates(shapes, return_index=True)
    bad = ~np.isfinite(coordinates).all(axis=1)
    if bad.any():
        row = int(index[bad][0])
        x, y = (float(v) for v in coordinates[bad][0])
        raise ShapeError(
            f"{subject}, {labels[row]}",
            f"the coordinate ({x}, {y})",
            "finite numbers",
            "redraw or delete that feature, then export again",
        )


def unpacked(shape: Any, kinds: tuple[str, ...]) -> Any:
    """A collection turned into the parts of the kinds needed; a bare ring into a line."""
    if shape.geom_type == "LinearRing":
        return shapely.LineString(shape)
    parts: list[Any] = []
    stack = list(shape.geoms)
    while stack:
        part = stack.pop(0)
        if part.geom_type == "GeometryCollection":
            stack = [*part.geoms, *stack]
        elif TYPE_KIND.get(shapely.get_type_id(part)) in kinds and not part.is_empty:
            parts.extend(getattr(part, "geoms", [part]))
    if len({TYPE_KIND[shapely.get_type_id(p)] for p in parts}) != 1:
        return shape  # nothing of use, or two kinds at once: left out, and told
    makers: dict[str, Any] = {"Point": shapely.MultiPoint, "Polygon": shapely.MultiPolygon}
    maker = makers.get(parts[0].geom_type, shapely.MultiLineString)
    return parts[0] if len(parts) == 1 else maker(parts)


def _of_kind(
    shapes: Any, labels: Any, kinds: tuple[str, ...], subject: str, notes: list[Note]
) -> Any:
    """Which rows are of a needed kind; the others are told, or an error if none is."""
    ids = shapely.get_type_id(shapes)
    keep = np.isin(ids, [i for kind in kinds for i in KIND_TYPES[kind]])
    others = [TYPE_KIND.get(int(i), "collection") for i in ids[~keep]]
    counts = ", ".join(counted(others.count(kind), kind) for kind in sorted(set(others)))
    need = " or ".join(f"{kind}s" for kind in kinds)
    if len(shapes) and not keep.any():
        most = max(sorted(set(others)), key=others.count)
        mend = _WRONG_KIND.get((kinds[0], most), f"name the layer that holds {need}")
        raise LayerError(subject, f"only {counts}", need, mend)
    if not len(shapes):
        raise LayerError(subject, "no geometry at all", need, "check the layer on a map")
    if others:
        text = f"{counts} left out, {need} kept: {listed(labels[~keep])}"
        notes.append(Note(subject, text, "repaired"))
    return keep


def _valid(shapes: Any, labels: Any, crs: Any, subject: str, notes: list[Note]) -> tuple[Any, Any]:
    """Repair polygons that cross themselves; drop what has no extent."""
    ids = shapely.get_type_id(shapes)
    is_area, is_line = np.isin(ids, KIND_TYPES["polygon"]), np.isin(ids, KIND_TYPES["line"])
    shapes = without_empty_rings(shapes.copy())
    for row in np.flatnonzero(is_area & ~shapely.is_valid(shapes)):
        before, why = abs(shapes[row].area), shapely.is_valid_reason(shapes[row]).split("[")[0]
        shapes[row] = polygon_parts(shapely.make_valid(shapes[row], method="structure"))
        change = area_change(before, shapes[row], crs)
        text = f"{labels[row]} repaired ({why.lower()}), {change}"
        notes.append(Note(subject, text, "repaired"))
    flat = (is_area & (shapely.area(shapes) == 0)) | (is_line & (shapely.length(shapes) == 0))
    if flat.any():
        what = "area" if is_area[flat].all() else "length"
        text = (
            f"{counted(int(flat.sum()), 'feature')} without {what} left out: {listed(labels[flat])}"
        )
        notes.append(Note(subject, text, "repaired"))
    return shapes, ~flat


def without_empty_rings(shapes: Any) -> Any:
    """Some files hold holes of no points; they are not holes."""
    rings, index = shapely.get_rings(shapes, return_index=True)
    for row in np.unique(index[shapely.is_empty(rings)]):
        parts = [
            shapely.Polygon(part.exterior, [hole for hole in part.interiors if not hole.is_empty])
            for part in shapely.get_parts(shapes[row])
        ]
        shapes[row] = parts[0] if len(parts) == 1 else shapely.MultiPolygon(parts)
    return shapes


def polygon_parts(shape: Any) -> Any:
    parts = [p for p in shapely.get_parts(shapely.get_parts([shape])) if p.geom_type == "Polygon"]
    if len(parts) == 1:
        return parts[0]
    shape = shapely.MultiPolygon(parts)  # parts that only touch make a valid one
    # GEOS (3.14) now and then leaves two parts that share a side; they are joined
    return shape if shape.is_valid else shapely.union_all(parts)


def area_change(before: float, shape: Any, crs: Any) -> str:
    """What a repair did to an area, in words and in square feet.

    Parameters
    ----------
    before : float
        Of the shape as it was drawn. [map units squared]
    shape : Polygon or MultiPolygon
        As it was repaired.
    crs : CRS or None
        Where it is in degrees, areas are those on its ellipsoid.

    Notes
    -----
    Loops that run opposite ways cancel each other, so that an outline may have no area by the
    formula and yet enclose some: then there is no share to tell.

    Examples
    --------
    >>> area_change(50.0, shapely.box(0, 0, 10, 10), "EPSG:2236")
    'area 50.0 ft2 before, 100.0 ft2 after, +1e+02 %'
    >>> area_change(0.0, shapely.box(0, 0, 10, 10), "EPSG:2236")
    'no net area before, 100.0 ft2 after'
    """
    from pyproj import CRS

    after = float(shape.area)
    is_net = before > LEAST_NET_FRAC * after
    crs = None if crs is None else CRS.from_user_input(crs)
    if crs is None or not (crs.is_projected or crs.is_geographic):
        if not is_net:
            return "no net area before"
        return "area unchanged" if after == before else f"area changed{_share(before, after)}"
    if crs.is_projected:
        after_ft2 = after * (float(crs.axis_info[0].unit_conversion_factor) / 0.3048) ** 2
    else:
        after_ft2 = abs(crs.get_geod().geometry_area_perimeter(shape)[0]) / 0.3048**2
    if not is_net:
        return f"no net area before, {after_ft2:,.1f} ft2 after"
    before_ft2 = before * after_ft2 / after if after > 0 else before
    told = f"area {before_ft2:,.1f} ft2 before, {after_ft2:,.1f} ft2 after"
    return told + _share(before, after)


def _share(before: float, after: float) -> str:
    change = (after - before) / before
    return f", {100 * change:+.2g} %" if change < MOST_SHARE else ""
