"""What the figures and the summary read from a site and its results, in one place.

Any result may be missing, or be there without tables (the operation was left out).
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any

import numpy as np
import shapely

from geotrim.core.heights import class_names
from geotrim.errors import LayerError
from geotrim.model import HeightSource, Note, Result, Site
from geotrim.ops.height_correction import corrected
from geotrim.ops.params import BAND, HEIGHT_LIMITS
from geotrim.rules.species import is_mangrove
from geotrim.units import feet_per_map_unit

Results = Mapping[str, Result]


def table(results: Results, operation: str, name: str, lot_id: str | None = None) -> Any:
    """A table of a result, of one lot where asked; None when it is not there or has no rows."""
    result = results.get(operation)
    if result is None or name not in result.tables:
        return None
    rows = result.tables[name]
    if lot_id is not None and "lot_id" in rows.columns:
        rows = rows[rows["lot_id"] == lot_id]
    return rows if len(rows) else None


def parameter(results: Results, operation: str, name: str, default: Any) -> Any:
    """A parameter as a result used it."""
    result = results.get(operation)
    value = None if result is None else result.parameters.get(name)
    return default if value is None else value


def height_limits_ft(results: Results) -> tuple[float, ...]:
    """Limits between the height classes. [ft]."""
    return tuple(parameter(results, "heights", "height_limits_ft", HEIGHT_LIMITS.default))


def band_ft(site: Site, results: Results) -> tuple[float, float]:
    """Low and high side of the window band. [ft]."""
    default = site.options.get("band_ft", BAND.default)
    low, high = parameter(results, "slices", "band_ft", default)
    return float(low), float(high)


def height_class_names(results: Results) -> list[str]:
    """Names of the height classes, low to high."""
    return class_names(height_limits_ft(results))


def height_source(site: Site, results: Results) -> tuple[HeightSource | None, str]:
    """The heights as they were measured from, and what stick readings did to them, "" if nothing.

    The error of that source is the one every height carries.
    """
    if site.heights is None:
        return None, ""
    choice = parameter(results, "heights", "height_correction", "none")
    if table(results, "calibrate", "calibration") is None:
        return site.heights, ""
    source, notes = corrected(site.heights, results.get("calibrate"), choice)
    return source, "; ".join(note.text for note in notes)


def chosen_lots(site: Site, lot_id: str | None) -> list[str]:
    """Ids of the lots a figure is about.

    Raises
    ------
    LayerError
        If a lot was asked for that the site does not measure.
    """
    ids = [str(lot) for lot in site.measured_lot_ids()]
    if lot_id is None:
        return ids
    if lot_id not in ids:
        raise LayerError(
            "lot_id", f"{lot_id!r}", f"one of {', '.join(ids[:10])}", "name a lot that is measured"
        )
    return [lot_id]


def feet_of(site: Site) -> float:
    """International feet in one map unit."""
    return feet_per_map_unit(site.crs, "site")


def crown_rows(site: Site, results: Results) -> Any:
    """Crowns with all the figures draw: class, top, kind, place on the shore.

    Returns
    -------
    GeoDataFrame or None
        ``crown_id``, ``geometry``, ``base_height_ft``, ``height_class``, ``top_height_ft``,
        ``is_partial``, ``kind`` (``mangrove``, ``other``, ``unknown``), ``lot_id``,
        ``stretch_id``, ``station_ft``, ``offset_ft``.
    """
    if site.crowns is None or len(site.crowns) == 0:
        return None
    rows = site.crowns[["crown_id", "geometry"]].copy()
    rows["crown_id"] = rows["crown_id"].astype(str)
    names = site.crowns["species"] if "species" in site.crowns.columns else [None] * len(rows)
    kinds = {True: "mangrove", False: "other", None: "unknown"}
    rows["kind"] = [kinds[is_mangrove(name)] for name in names]
    if "base_height_ft" in site.crowns.columns:
        rows["base_height_ft"] = site.crowns["base_height_ft"].to_numpy(dtype=float)
    else:
        rows["base_height_ft"] = np.nan
    heights = table(results, "heights", "heights")
    rows = _joined(rows, heights, {"height_class": None, "top_height_ft": np.nan})
    rows = _joined(rows, heights, {"is_partial": False})
    places = table(results, "fringe", "fringe_crowns")
    rows = _joined(rows, places, {"lot_id": None, "stretch_id": None})
    return _joined(rows, places, {"station_ft": np.nan, "offset_ft": np.nan})


def _joined(rows: Any, other: Any, columns: Mapping[str, Any]) -> Any:
    """Columns of another table, by crown; the default where it says nothing."""
    for name, default in columns.items():
        if other is None or name not in other.columns:
            rows[name] = default
            continue
        known = dict(zip(other["crown_id"].astype(str), other[name], strict=True))
        values = [known.get(crown, default) for crown in rows["crown_id"]]
        if not isinstance(default, float):
            values = [default if value is None or value != value else value for value in values]
        rows[name] = values
    return rows


def all_notes(site: Site, results: Results) -> list[Note]:
    """Notes of the site and of every result, each once, in order."""
    every: Iterable[Note] = [*site.notes, *(n for r in results.values() for n in r.notes)]
    seen: dict[tuple[str, str, str], Note] = {}
    for note in every:
        seen.setdefault((note.about, note.text, note.level), note)
    return list(seen.values())


def union_of(shapes: Any) -> Any:
    """One geometry of a table's shapes, or None."""
    if shapes is None or len(shapes) == 0:
        return None
    return shapely.union_all(np.asarray(shapes.geometry.array, dtype=object))


def riparian_label(rows: Any) -> str:
    """How the side limits are labelled: always proposed, with the method."""
    if "label" in rows.columns:
        return str(rows["label"].iloc[0])
    return f"proposed, {str(rows['method'].iloc[0]).replace('-', ' ')}"


def setback_label(name: str, distance_ft: float) -> str:
    return f"setback, {distance_ft:g} ft: {name}"
