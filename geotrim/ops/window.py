"""Operation ``window``: where along the shore, and what to do to each tree, for the most view."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any

import numpy as np
import shapely

from geotrim.checks import check_columns, check_kind, check_lots
from geotrim.errors import RangeError
from geotrim.model import Facts, HeightSource, Note, Result
from geotrim.ops.canopy_cells import crown_cells
from geotrim.ops.catalogue_window import WINDOW
from geotrim.ops.foliage_of import foliage_of
from geotrim.ops.fringes import baselines
from geotrim.ops.judged_tops import judged_tops_ft
from geotrim.ops.tables import plain_table, shape_table
from geotrim.ops.window_given import Given
from geotrim.ops.window_plan import lot_tables, no_lot
from geotrim.ops.window_spans import spans_asked
from geotrim.ops.window_tables import COLUMNS
from geotrim.ops.window_trees import ids_of
from geotrim.rules.readings import Readings
from geotrim.rules.rule_file import RuleFile
from geotrim.rules.rule_set import rule_set
from geotrim.units import feet_per_map_unit


def window(
    lots: Any,
    mhw_line: Any,
    crowns: Any,
    heights: HeightSource,
    frontage: Result,
    fringe: Result,
    zone: Result,
    heights_result: Result,
    route: Result,
    *,
    trunks: Any = None,
    eyes: Any = None,
    ground: HeightSource | None = None,
    mhw_facts: Mapping[str, Any] | None = None,
    facts: Facts | None = None,
    profiles: Any = None,
    overlays: Iterable[RuleFile] | None = (),
    setbacks: Result | None = None,
    calibrate: Result | None = None,
    band_ft: tuple[float, float] = (6.0, 10.0),
    canopy_model: str = "column",
    crown_base_ft: float | None = None,
    crown_base_frac: float | None = None,
    station_step_ft: float = 1.0,
    span_min_ft: float = 5.0,
    span_max_ft: float | None = None,
    span_gap_ft: float = 5.0,
    n_spans: int = 3,
    foliage_budget_frac: float | None = None,
    target_view_frac: float | None = None,
    lower_to_ft: tuple[float, ...] | None = None,
    floor_margin_ft: float = 0.5,
    share_from_ft: float = 0.0,
    share_margin_frac: float = 0.0,
    least_kept_frac: float = 0.1,
    keep: str | None = None,
    stage_years: int = 1,
    regrowth_frac: float = 0.0,
    window_route: str = "auto",
    window_spans_ft: str | None = None,
    window_treatment: str = "best",
    frontier_points: int = 8,
    solve_seconds: float = 60.0,
    hides_from: str = "crown-base",
    azimuth_step_deg: float = 0.25,
    flat_earth: bool = False,
    refraction_frac: float = 0.13,
    water_elevation_ft: float | None = None,
    remove_others: bool = False,
    confidence_frac: float = 0.95,
    foliage_reading: str = "standing-each-year",
    share_measure_reading: str = "smallest",
) -> Result:
    """Choose the spans of a window and what is done to each tree, lot by lot.

    Parameters
    ----------
    lots, mhw_line, crowns, heights, trunks, eyes, ground, mhw_facts, facts, profiles, overlays :
        As :class:`geotrim.model.Site` holds them.
    frontage, fringe, zone, heights_result, route, setbacks, calibrate : Result
        Of those operations.
    band_ft ... share_measure_reading :
        The parameters of the operation, as :mod:`geotrim.ops.catalogue_window` explains them.

    Returns
    -------
    Result
        ``window_lots``: one row a measured lot. ``window_spans``, ``window_trees``: the plan.
        ``window_limits``: every limit, how it stands, and the view there would be without it.
        ``window_frontier``: plans of growing cost.

    Raises
    ------
    GeotrimError
        If an input does not fit, a tree to be kept is not there, or a window of the user's own
        cannot be read or lies beyond the shore.

    Notes
    -----
    The plan is the one that opens the most view within the limits, and of those the one that takes
    the least foliage. What is not proven best within ``solve_seconds`` is told with its bound.
    """
    known = {param.name for param in WINDOW.params}
    asked: dict[str, Any] = WINDOW.check(
        {name: value for name, value in locals().items() if name in known}
    )
    _check_spans(asked["span_min_ft"], asked["span_max_ft"])
    check_lots(lots)
    check_columns(crowns, ("crown_id", "species"), "crowns")
    check_kind(crowns, {"Polygon", "MultiPolygon"}, "polygons", "crowns", may_be_empty=True)
    feet = feet_per_map_unit(lots.crs, "lots")
    kept = ids_of(asked["keep"], crowns["crown_id"].astype(str))
    own = spans_asked(asked["window_spans_ft"])
    correction = str(heights_result.parameters.get("height_correction", "none"))
    coverage = float(heights_result.parameters.get("min_coverage_frac", 0.01))
    cells, notes = crown_cells(crowns, heights, calibrate, correction, min_coverage_frac=coverage)
    tops = judged_tops_ft(crowns, route)
    foliage, more = foliage_of(
        crowns, cells, profiles, _models(asked), heights_result, tops_ft=tops
    )
    given = Given(
        lots=lots,
        lines=baselines(frontage, mhw_line, float(fringe.parameters["smoothing_length_ft"]), feet),
        crowns=crowns,
        trunks=trunks,
        ground=ground,
        facts=facts or Facts(),
        rules=rule_set(overlays or ()),
        readings=_readings(route),
        frontage=frontage,
        fringe=fringe,
        zone=zone,
        strips=shapely.Polygon() if setbacks is None else _union(setbacks["setbacks"]),
        route=route,
        cells=cells,
        foliage=foliage,
        eyes=None,
        mhw_facts=mhw_facts or {},
        keep=dict.fromkeys(kept, "asked for (keep)"),
        own=own,
        asked=asked,
        feet=feet,
    ).with_eyes(eyes)
    ids = [str(i) for i in lots.loc[lots["is_measured"].to_numpy(dtype=bool), "lot_id"]]
    given.check_own(ids)
    parts: dict[str, list[Any]] = {name: [] for name in COLUMNS}
    told = [*notes, *more, *given.notes]
    if own is not None and len(ids) > 1:
        text = "stations count along each lot's own shore: judged on each lot that is long enough"
        told.append(Note("window_spans_ft", text, "info"))
    for lot_id in ids:
        reason = given.lacking(lot_id)
        rows, says = no_lot(given, lot_id, reason) if reason else lot_tables(given, lot_id)
        told += says
        for name in parts:
            parts[name] += rows.get(name, [])
    tables = {
        name: shape_table(rows, COLUMNS[name], lots.crs)
        if name == "window_spans"
        else plain_table(rows, COLUMNS[name])
        for name, rows in parts.items()
    }
    return Result("window", tables, _once(told), asked)


def _check_spans(least_ft: float, most_ft: float | None) -> None:
    if most_ft is not None and least_ft > most_ft:
        raise RangeError(
            "span_min_ft", f"{least_ft:g}, over span_max_ft = {most_ft:g}",
            "a least length of one span (span_min_ft) up to its greatest (span_max_ft)",
            "lower span_min_ft or raise span_max_ft",
        )  # fmt: skip


def _models(asked: Mapping[str, Any]) -> dict[str, Any]:
    """Parameters of the canopy model."""
    return {name: asked[name] for name in ("canopy_model", "crown_base_ft", "crown_base_frac")}


def _union(table: Any) -> Any:
    return shapely.union_all(np.asarray(table.geometry.array, dtype=object))


def _readings(route: Result) -> Readings:
    """Readings that the limits were judged under."""
    known = Readings()
    return Readings({name: str(route.parameters.get(name, known[name])) for name in known})


def _once(notes: Iterable[Note]) -> tuple[Note, ...]:
    """Each note once, in order."""
    return tuple(dict.fromkeys(notes))
