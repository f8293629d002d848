"""The result package: one GeoPackage with a layer for each result, and two CSV tables.

Tables of one row a crown are joined into the layer ``crowns``, tables of one row a lot into the
layer ``lots``; every other result is a layer under its own name. Of the tables of the window, its
stages and its risks the few columns that a user looks for first are joined as well, under names of
their own; whole, they are tables beside them. Nothing is measured here.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any

from geotrim.model import MHW_ORIGINS, Result, Site
from geotrim.rules.rule_file import routes
from geotrim.rules.species import is_mangrove
from geotrim.units import unit_of

#: Result tables with one row a crown, and with one row a lot, in the order they are joined.
CROWN_TABLES = ("fringe_crowns", "heights", "slices", "tree_outcomes")
LOT_TABLES = ("lots", "fringe_lots", "zone", "lot_outcomes")
#: Table -> column -> its name beside the other measures of a crown. ``removed_frac`` of the route
#: is that of the planned heights, so that of the window says whose it is.
CROWN_PICKS = {
    "window_trees": {
        "is_in_span": "is_in_window",
        "treatment": "treatment",
        "why_left": "why_left",
        "cut_low_ft": "cut_low_ft",
        "cut_high_ft": "cut_high_ft",
        "height_after_ft": "height_after_ft",
        "removed_frac": "window_removed_frac",
    },
    "stage_trees": {"n_years": "n_years"},
    "risk_trees": {"is_stick_first": "is_stick_first"},
}
#: Column of the layer ``crowns`` -> its name in crowns.csv, where planned heights and window stand
#: side by side without a layer's name to tell them apart. A way is judged by the planned heights.
CSV_NAMES = {
    "target_height_ft": "planned_height_ft",
    "volume_above_target_ft3": "planned_volume_above_ft3",
    "share_above_target_frac": "planned_share_above_frac",
    "tree_outcomes_target_height_ft": "planned_route_height_ft",
    "outcome_route": "planned_outcome_route",
    "outcome_standing": "planned_outcome_standing",
    "removed_frac": "planned_removed_frac",
    "n_stage_years": "n_planned_stage_years",
    "is_staged": "is_planned_staged",
    "settle": "planned_settle",
    **{route.replace("-", "_"): f"planned_{route.replace('-', '_')}" for route in routes()},
    "treatment": "window_treatment",
    "why_left": "window_why_left",
    "cut_low_ft": "window_cut_low_ft",
    "cut_high_ft": "window_cut_high_ft",
    "height_after_ft": "window_height_after_ft",
}
#: The same of a lot.
LOT_PICKS = {
    "window_lots": {
        "status": "window_status",
        "reason": "window_reason",
        "view_of": "view_of",
        "view_before_frac": "view_before_frac",
        "view_after_frac": "view_after_frac",
        "n_spans": "n_spans",
        "window_length_ft": "window_length_ft",
        "n_cut_trees": "n_cut_trees",
        "foliage_removed_ft3": "foliage_removed_ft3",
        "foliage_removed_frac": "foliage_removed_frac",
    },
    "stage_lots": {"plan": "staged_plan", "n_years": "n_years"},
}
#: Inputs that go into the package as they were measured.
INPUT_LAYERS = (
    "mhw_line",
    "trunks",
    "eyes",
    "channel",
    "mouth_line",
    "exclusions",
    "set_aside",
)
#: Tables of one row a lot that are layers of their own as well, for their shapes.
SHAPED_LOT_TABLES = ("zone",)

#: Geometry of layers that may be empty.
KINDS = {
    "neighbour_frontage": "LineString",
    "frontage": "LineString",
    "riparian_lines": "LineString",
    "riparian_areas": "Polygon",
    "transects": "LineString",
    "fringe": "Polygon",
    "zone": "Polygon",
    "setbacks": "Polygon",
    "set_aside": "Polygon",
    "stick_readings": "Point",
    "eyes": "Point",
    "window_spans": "Polygon",
    "sight_eyes": "Point",
    "sight_rays": "LineString",
    "sections": "LineString",
}

#: Decimals in CSV files: a ten-thousandth of a foot, or of a share.
CSV_DECIMALS = 4


def package_layers(site: Site, results: Mapping[str, Result]) -> dict[str, Any]:
    """Layer name -> table, in the order they are written."""
    tables = _tables(results)
    layers: dict[str, Any] = {"lots": lot_table(site, results)}
    layers |= {name: getattr(site, name) for name in INPUT_LAYERS}
    layers["mhw_line"] = shore_layer(site)
    joined = {*CROWN_TABLES, *LOT_TABLES} - set(SHAPED_LOT_TABLES)
    layers |= {name: table for name, table in tables.items() if name not in joined}
    if site.crowns is not None:
        layers["crowns"] = crown_table(site, results)
    return {name: table for name, table in layers.items() if table is not None}


def shore_layer(site: Site) -> Any:
    """The shore line with what is known of it, so that nobody takes it for what it is not."""
    if site.mhw_line is None:
        return None
    out = site.mhw_line[["geometry"]].copy()
    told = {"origin": site.mhw_origin, "label": MHW_ORIGINS.get(site.mhw_origin), **site.mhw_facts}
    for at, (name, value) in enumerate(told.items()):
        out.insert(at, name, value)
    return out


def crown_table(site: Site, results: Mapping[str, Result]) -> Any:
    """The crowns with every measure taken of them, in the order they were read.

    ``is_mangrove`` is the state act's word on the species; missing where it is not known.
    """
    import pandas as pd

    tables = _tables(results)
    out = site.crowns.copy()
    at = list(out.columns).index("species") + 1
    out.insert(at, "is_mangrove", pd.array(list(map(is_mangrove, out["species"])), dtype="boolean"))
    for name in CROWN_TABLES:
        if name in tables:
            out = join(out, tables[name], "crown_id", name)
    if "setback_flags" in tables:
        for setback, flags in _by_setback(tables["setback_flags"]):
            out = join(out, _named_after(flags, setback), "crown_id", setback)
    return _with_picks(out, tables, CROWN_PICKS, "crown_id")


def crown_csv(crowns: Any, results: Mapping[str, Result]) -> Any:
    """The layer ``crowns`` as crowns.csv has it: every column says by which plan it is.

    ``n_years`` of the staged cuts is parted by the plan that was staged on the tree's lot.
    """
    out = crowns.copy()
    stages = _tables(results).get("stage_lots")
    if "n_years" in out.columns and stages is not None:
        trees = _tables(results)["stage_trees"]
        plan = trees["lot_id"].map(dict(zip(stages["lot_id"], stages["plan"], strict=True)))
        if len(stages) == 1:  # nobody may know which lot trees are on
            plan[:] = stages["plan"].iloc[0]
        of_tree = out["crown_id"].map(dict(zip(trees["crown_id"], plan, strict=True)))
        at = list(out.columns).index("n_years")
        for k, (name, what) in enumerate((("planned", "target-height"), ("window", "window"))):
            out.insert(at + k, f"n_{name}_years", out["n_years"].where(of_tree == what))
        out = out.drop(columns="n_years")
    names = {old: new for old, new in CSV_NAMES.items() if new not in out.columns}
    return out.rename(columns=names)


def lot_table(site: Site, results: Mapping[str, Result]) -> Any:
    """The lots with every figure of theirs; neighbours keep their row, without figures."""
    tables = _tables(results)
    out = site.lots.copy()
    for name in LOT_TABLES:
        if name in tables:
            out = join(out, tables[name], "lot_id", name)
    return _with_picks(out, tables, LOT_PICKS, "lot_id")


def _with_picks(
    out: Any, tables: Mapping[str, Any], picks: Mapping[str, Mapping[str, str]], key: str
) -> Any:
    """A table with columns of others under names of their own, where there are any."""
    for name, columns in picks.items():
        if name not in tables:
            continue
        table = tables[name]
        if name == "risk_trees":  # one row a tree and limit: any of them asks for the stick
            is_first = table["is_stick_first"].eq(True).groupby(table[key], sort=False).any()
            table = is_first.reset_index()
        there = {column: new for column, new in columns.items() if column in table.columns}
        out = join(out, table[[key, *there]].rename(columns=there), key, name)
    return out


def join(left: Any, right: Any, key: str, name: str) -> Any:
    """``left`` with the columns of ``right``, matched by ``key``; no row is lost or doubled.

    A column that both have is kept once if it says the same, else the second is named after its
    table.
    """
    columns = [c for c in right.columns if c not in (key, "geometry")]
    table = right[[key, *columns]].drop_duplicates(subset=key)
    if len(table) != len(right):
        raise ValueError(f"table {name!r} has more than one row for some {key}")
    matched = table.set_index(key).reindex(left[key])
    matched.index = left.index
    out = left.copy()
    for column in columns:
        if column not in out.columns:
            out[column] = matched[column]
        elif not _says_the_same(out[column], matched[column]):
            out[_prefixed(column, name)] = matched[column]
    return out


def write_layers(path: Path, layers: Mapping[str, Any], crs: Any) -> None:
    """Write tables as the layers of one GeoPackage; those without geometry as attribute tables."""
    import pyogrio

    for number, (name, table) in enumerate(layers.items()):
        frame = tidy(table)
        how: dict[str, Any] = {"layer": name, "driver": "GPKG", "append": number > 0}
        if "geometry" in frame.columns:
            frame = frame.set_geometry("geometry")
            frame = frame if frame.crs is not None else frame.set_crs(crs)
            kind = _geometry_kind(frame, name)
            how |= {"geometry_type": kind, "promote_to_multi": kind.startswith("Multi")}
        pyogrio.write_dataframe(frame, path, use_arrow=True, **how)


def write_csv(path: Path, table: Any) -> None:
    """Write a table without its geometry: UTF-8, a header row, empty for what is not known."""
    plain = tidy(table)
    plain = plain.drop(columns=[c for c in ("geometry",) if c in plain.columns])
    plain = plain.round(CSV_DECIMALS)
    plain.to_csv(path, index=False, encoding="utf-8", lineterminator="\n")


def write_geojson(path: Path, table: Any) -> None:
    """Write a table as GeoJSON after RFC 7946, which asks for WGS 84 degrees."""
    import pyogrio

    frame = tidy(table).set_geometry("geometry")
    pyogrio.write_dataframe(frame.to_crs(4326), path, driver="GeoJSON", RFC7946="YES")


def tidy(table: Any) -> Any:
    """A copy whose columns all have a type that files know: text, number, or true/false.

    Counts are whole numbers, and a column without a value has the type its name tells.
    """
    import pandas as pd

    out = table.reset_index(drop=True).copy()
    for name in out.columns:
        column = out[name]
        if name == "geometry":
            continue
        if name.startswith("n_") and _is_whole(column):
            out[name] = pd.array(column, dtype="Int64")
            continue
        if pd.api.types.is_numeric_dtype(column.dtype):
            continue
        if pd.api.types.is_datetime64_any_dtype(column.dtype):
            continue
        given = column.dropna()
        if len(given) and all(isinstance(value, bool) for value in given):
            out[name] = column.astype("boolean")
        elif len(given) and all(_is_number(value) for value in given):
            out[name] = column.astype("float64")
        elif not len(given) and _usual_type(name) is not None:
            out[name] = pd.Series([None] * len(out), dtype=_usual_type(name))
        else:
            out[name] = pd.array(
                [
                    None if missing else str(value)
                    for value, missing in zip(column, column.isna(), strict=True)
                ],
                dtype="string",
            )
    return out


def _tables(results: Mapping[str, Result]) -> dict[str, Any]:
    """Every table by name. Two operations with a table of one name: the second is prefixed."""
    tables: dict[str, Any] = {}
    for operation, result in results.items():
        for name, table in result.tables.items():
            free = name not in tables
            tables[name if free else f"{operation.replace('-', '_')}_{name}"] = table
    return tables


def _by_setback(flags: Any) -> Iterator[tuple[str, Any]]:
    """Flags of one setback at a time; exclusions that share a name are numbered."""
    number = flags.groupby(["crown_id", "setback_name"]).cumcount()
    for (setback, n), group in flags.groupby(["setback_name", number], sort=False):
        yield f"{setback} {n + 1}" if n else str(setback), group


def _named_after(flags: Any, setback: str) -> Any:
    """Flags of one setback with columns that carry its name."""
    slug = re.sub(r"[^a-z0-9]+", "_", setback.lower()).strip("_") or "setback"
    names = {
        "inside": f"{slug}_inside",
        "inside_area_frac": f"{slug}_inside_frac",
        "setback_margin_ft": f"{slug}_margin_ft",
        "trunk_margin_ft": f"{slug}_trunk_margin_ft",
        "is_past_setback": f"is_past_{slug}",
        "is_trunk_past_setback": f"is_trunk_past_{slug}",
    }
    return flags[["crown_id", *[c for c in names if c in flags.columns]]].rename(columns=names)


def _prefixed(column: str, name: str) -> str:
    """A column named after its table; ``is_`` and ``n_`` stay in front, the unit stays last."""
    for front in ("is_", "n_"):
        if column.startswith(front):
            return f"{front}{name}_{column.removeprefix(front)}"
    return f"{name}_{column}"


def _says_the_same(one: Any, other: Any) -> bool:
    return bool(((one == other) | (one.isna() & other.isna())).fillna(False).all())


def _usual_type(name: str) -> str | None:
    """Type of a column by its name, None for text."""
    if name.startswith(("is_", "has_")):
        return "boolean"
    if name.startswith("n_"):
        return "Int64"
    return "float64" if unit_of(name) else None


def _is_whole(column: Any) -> bool:
    """Whether a column holds whole numbers only, gaps apart."""
    given = column.dropna()
    return all(_is_number(value) and float(value).is_integer() for value in given.tolist())


def _is_number(value: object) -> bool:
    return isinstance(value, (int, float)) and not isinstance(value, bool)


def _geometry_kind(frame: Any, layer: str = "") -> str:
    """One geometry type for a layer: a multi type if any is, mixed kinds as ``Unknown``.

    A layer without a shape has the type its name tells.
    """
    kinds = set(frame.geometry.geom_type.dropna()) or {KINDS.get(layer, "Unknown")}
    single = {kind.removeprefix("Multi") for kind in kinds}
    if len(single) != 1:
        return "Unknown"
    base = single.pop()
    if base not in ("Point", "LineString", "Polygon"):
        return "Unknown"
    return base if kinds == {base} else f"Multi{base}"
