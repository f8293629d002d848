"""One small function a check. Each raises an error that names the input and a way to mend it."""

from __future__ import annotations

from typing import Any

from geotrim.errors import CRSError, LayerError


def check_columns(table: Any, columns: tuple[str, ...], what: str) -> None:
    """The table must be one, with these columns."""
    check_table(table, what)
    missing = [name for name in columns if name not in table.columns]
    if missing:
        raise LayerError(
            what,
            f"no column {', '.join(missing)}",
            f"columns {', '.join(columns)}",
            "rename the columns you have, or read the layer with geotrim.read_layer",
        )


def check_table(table: Any, what: str) -> None:
    """A path, or an array, is no table."""
    if not hasattr(table, "columns"):
        raise LayerError(
            what,
            f"a {type(table).__name__}",
            "a GeoDataFrame",
            "read it with geotrim.read_layer, which takes a path",
        )


def check_height_source(source: Any) -> None:
    """A path, or a bare array, has no transform, unit or CRS: it cannot be measured from."""
    if not (hasattr(source, "read") and hasattr(source, "transform")):
        raise LayerError(
            "heights",
            f"a {type(source).__name__}",
            "a source of heights with its grid and unit",
            "open a file with geotrim.open_heights, or wrap an array in geotrim.CanopyGrid",
        )


def check_lots(lots: Any) -> None:
    """At least one lot, with ``lot_id`` and ``is_measured``, of polygons."""
    check_columns(lots, ("lot_id", "is_measured"), "lots")
    check_kind(lots, {"Polygon", "MultiPolygon"}, "polygons", "lots")


def check_lines(lines: Any, what: str) -> None:
    """At least one line."""
    check_kind(lines, {"LineString", "MultiLineString", "LinearRing"}, "lines", what)


def check_kind(
    shapes: Any, kinds: set[str], name: str, what: str, *, may_be_empty: bool = False
) -> None:
    """Every shape must be of one of these kinds, and there must be some."""
    check_table(shapes, what)
    if len(shapes) == 0 and not may_be_empty:
        raise LayerError(what, "no shapes", f"at least one of {name}", "check the layer or filter")
    found = set(shapes.geometry.geom_type.dropna()) - kinds
    bad = int(shapes.geometry.isna().sum() + shapes.geometry.is_empty.sum())
    if found or bad:
        told = ", ".join(sorted(found)) or f"{bad} without a shape"
        raise LayerError(what, told, name, "read it with geotrim.read_layer, which sorts these out")


def check_same_crs(tables: dict[str, Any]) -> None:
    """All tables must be in one CRS; None entries are skipped."""
    crss = {name: table.crs for name, table in tables.items() if table is not None}
    first, crs = next(iter(crss.items()))
    for name, other in crss.items():
        if other != crs:
            raise CRSError(
                name,
                f"CRS {_name(other)}",
                f"the CRS of the {first}, {_name(crs)}",
                f"reproject it, for example .to_crs({first}.crs)",
            )


def _name(crs: Any) -> str:
    return "none" if crs is None else str(crs.name)
