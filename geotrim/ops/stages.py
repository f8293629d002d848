"""Operation ``stages``: what comes off each tree in each year."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

from geotrim.model import Facts, HeightSource, Note, Result
from geotrim.ops import stage_tables as tables
from geotrim.ops.canopy_cells import crown_cells
from geotrim.ops.catalogue_window import STAGES
from geotrim.ops.foliage_of import foliage_of
from geotrim.ops.judged_tops import judged_tops_ft
from geotrim.ops.stage_cuts import cells_in_zone, staged_cuts
from geotrim.ops.stage_notes import stage_notes
from geotrim.ops.stage_plan import cut_plan
from geotrim.ops.stage_rules import stage_limits
from geotrim.rules.rule_file import RuleFile
from geotrim.rules.rule_set import rule_set

#: Canopy model whose foliage is leaf area.
PROFILE = "profile"


def stages(
    crowns: Any,
    heights: HeightSource,
    heights_result: Result,
    *,
    calibrate: Result | None = None,
    route: Result | None = None,
    window: Result | None = None,
    zone: Result | None = None,
    profiles: Any = None,
    facts: Facts | None = None,
    overlays: Iterable[RuleFile] = (),
    band_ft: Iterable[float] = (6.0, 10.0),
    canopy_model: str = "column",
    crown_base_ft: float | None = None,
    crown_base_frac: float | None = None,
    target_height_ft: float | None = None,
    stage_plan: str = "auto",
    stage_years: int = 1,
    stage_limit_years: int = 25,
    regrowth_frac: float = 0.0,
    floor_margin_ft: float = 0.5,
    share_from_ft: float = 0.0,
    share_margin_frac: float = 0.0,
    least_kept_frac: float = 0.1,
    foliage_reading: str = "standing-each-year",
) -> Result:
    """Spread the cuts of a window, or of planned heights, over as few years as the shares allow.

    Parameters
    ----------
    crowns : GeoDataFrame
        As :class:`geotrim.model.Site` holds them.
    heights : HeightSource
        Heights above the substrate.
    heights_result : Result
        Of the operation ``heights``.
    calibrate, route, window, zone : Result, optional
        Of those operations. ``route`` says which lot a tree is on and which way it is told by.
    profiles : DataFrame, optional
        Leaf-area weights: a year's cut then keeps within the share by leaves as well.
    facts : Facts, optional
        ``start_date`` dates the cuts, ``earlier_height_ft`` is the floor of earlier configurations.
    overlays : iterable of RuleFile
        Local rule files.
    band_ft ... foliage_reading :
        See the operation's parameters.

    Returns
    -------
    Result
        ``stage_lots``, ``stage_trees``, ``stage_cuts`` (one row a tree and year) and
        ``stage_quarters`` (how deep a cut of a quarter is, by canopy model).

    Raises
    ------
    GeotrimError
        If a parameter is outside its limits, a window is asked for that was not looked for, or the
        canopy model lacks what it needs.

    Notes
    -----
    See :mod:`geotrim.core.staging` for what a year takes, and why each takes the full share. Where
    ``route`` judges a tree by another height than the raster's, its foliage goes along (see
    :mod:`geotrim.ops.judged_tops`).
    """
    names = {param.name for param in STAGES.params}
    used: dict[str, Any] = STAGES.check({k: v for k, v in locals().items() if k in names})
    told = facts or Facts()
    correction = heights_result.parameters.get("height_correction", "none")
    coverage = float(heights_result.parameters.get("min_coverage_frac", 0.01))
    cells, seen_notes = crown_cells(
        crowns, heights, calibrate, correction, min_coverage_frac=coverage
    )
    tops = judged_tops_ft(crowns, route)
    foliage, notes = foliage_of(crowns, cells, profiles, used, heights_result, tops_ft=tops)
    plan, plan_notes = cut_plan(
        crowns,
        foliage.top_ft,
        heights=heights_result,
        route=route,
        window=window,
        stage_plan=used["stage_plan"],
        target_height_ft=used["target_height_ft"],
    )
    leaves = foliage if used["canopy_model"] == PROFILE else None
    if leaves is None and profiles is not None:
        by_leaves = {**used, "canopy_model": PROFILE}
        leaves, _ = foliage_of(crowns, cells, profiles, by_leaves, heights_result, tops_ft=tops)
    judged = {} if route is None else dict(route.parameters)
    limits = stage_limits(plan, crowns, told, rule_set(overlays), {**judged, **used})
    is_in_zone = cells_in_zone(plan, cells, zone)
    staged = staged_cuts(plan, foliage, leaves, is_in_zone, limits, used)
    found = {
        "stage_lots": tables.lot_table(staged),
        "stage_trees": tables.tree_table(staged, crowns, used),
        "stage_cuts": tables.cut_table(staged, crowns, told, used),
        "stage_quarters": tables.quarter_table(
            staged, crowns, cells, profiles, heights_result, tops, used
        ),
    }
    every = [*seen_notes, *notes, *plan_notes, *stage_notes(staged, crowns, found, used)]
    return Result("stages", found, tuple(_once(every)), used)


def _once(notes: list[Note]) -> list[Note]:
    """Each note once."""
    return list(dict.fromkeys(notes))
