"""From what is known of a lot to the values that rules name, under one set of readings."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import Any

import numpy as np

from geotrim.rules.case import (
    NOTHING,
    SEASONS,
    Case,
    Measured,
    both,
    either,
    fact_values,
)
from geotrim.rules.readings import Readings
from geotrim.rules.rule_file import measures
from geotrim.rules.stages import yearly_share
from geotrim.rules.verdict import AT_LIMIT_FT

#: Values of a case that are yes where a polygon of land set aside covers the tree.
COVERS = ("in_conservation", "in_mitigation", "in_island", "in_public_island")


def derived(case: Case, readings: Readings) -> dict[str, Measured]:
    """Every measure of ``measures.toml`` as far as it is known of a case.

    Parameters
    ----------
    case : Case
    readings : Readings
        Decide which value of the case stands for a measure.

    Returns
    -------
    measures : dict
        Measure -> Measured, of the lot (shape ``()``) or of each tree. What is unknown is NaN.
    """
    season = readings["season_reading"]
    told = fact_values(case.facts, season if season in SEASONS else "october-to-march")
    known: dict[str, Measured] = {
        **case.values,
        **{name: Measured.of(value, 0.0) for name, value in told.items()},
    }
    covers = {name: case.values[name].value for name in COVERS if name in case.values}
    known |= {name: Measured.of(flag, 0.0) for name, flag in land_flags(told, covers).items()}
    known |= _heights(case, readings, told["earlier_height_ft"])
    removed = _removed(case, known["top_height_ft"].value)
    known["foliage_removed_frac"] = Measured.of(removed)
    known["yearly_removed_frac"] = Measured.of(
        yearly_share(removed, case.stage_years, readings["foliage_reading"])
    )
    known["share_trimmed_frac"] = _share(case, readings["share_measure_reading"])
    return {name: known.get(readings.stands_for(name), NOTHING) for name in measures()}


def values_read(readings: Readings) -> frozenset[str]:
    """Values of a case that measures come from under some readings, as far as readings choose.

    Examples
    --------
    >>> plain = values_read(Readings())
    >>> "depth_greatest_ft" in plain, "depth_local_greatest_ft" in plain
    (True, False)
    """
    every = {readings.stands_for(name) for name in measures()}
    return frozenset(every | set(_shares_read(readings["share_measure_reading"])))


def land_flags(told: Mapping[str, Any], covers: Mapping[str, Any]) -> dict[str, Any]:
    """What land a tree stands on, by the facts and by the polygons that cover it.

    Parameters
    ----------
    told : mapping
        As :func:`geotrim.rules.case.fact_values` gives it.
    covers : mapping
        Some of ``COVERS``: 1 covered, 0 not, NaN unknown. Where a name is missing there are no
        polygons, and the facts alone say.

    Notes
    -----
    Set aside in the sense of s. 403.9323(2) F.S. are conservation and mitigation land and publicly
    owned uninhabited islands.
    """
    conservation, mitigation, island, public_island = (covers.get(name, 0.0) for name in COVERS)
    on_island = either(either(told["is_uninhabited_island"], island), public_island)
    flags = {
        "is_conservation_land": either(told["is_conservation_land"], conservation),
        "is_mitigation_silent": either(told["is_mitigation_silent"], mitigation),
        "is_island": on_island,
        "is_public_island": either(both(on_island, told["is_public_land"]), public_island),
    }
    land = either(flags["is_conservation_land"], flags["is_mitigation_silent"])
    return {**flags, "is_set_aside": either(land, flags["is_public_island"])}


def _heights(case: Case, readings: Readings, earlier_ft: float) -> dict[str, Measured]:
    """Heights before and after the cut, and what is compared with them."""
    raster, field = case.get("raster_height_ft"), case.get("field_height_ft")
    is_corrected = case.get("is_raster_corrected").value == 1.0  # by sticks on the very ground
    raise_ft = np.where(is_corrected, 0.0, readings.choices["substrate_reading"].raise_ft)
    raised = raster.value + raise_ft
    use_field = np.isfinite(field.value) & (
        readings.choices["substrate_place_reading"].heights == "field"
    )
    top = Measured.of(
        np.where(use_field, field.value, raised), np.where(use_field, field.error, raster.error)
    )
    target = case.get("target_height_ft").value
    is_lower = top.value < target  # such a tree keeps its own height
    after = Measured.of(
        np.where(np.isnan(top.value), np.nan, np.where(is_lower, top.value, target)),
        np.where(is_lower, top.error, 0.0),
    )
    # no taller than it is, nor than it is to be left at, where only one of them is known
    most = Measured.of(
        np.fmin(top.value, target), np.where(np.isnan(target) | is_lower, top.error, 0.0)
    )
    over = Measured.of(most.value - earlier_ft, most.error)
    lowest = np.where(np.isposinf(target), top.value, target)  # a kept tree is left as it is
    return {
        "top_height_ft": top,
        "height_after_ft": replace(after, most=most),
        "above_earlier_ft": Measured(after.value - earlier_ft, after.error, over),
        "cut_above_base_ft": Measured.of(lowest - case.get("base_height_ft").value),
    }


def _share(case: Case, reading: str) -> Measured:
    """Share of the shoreline's mangroves to be trimmed; of three measures, the greatest share.

    An unknown share may be the greatest, so it makes the whole unknown.
    """
    shares = [case.get(name) for name in _shares_read(reading)]
    least = [share if share.least is None else share.least for share in shares]
    return replace(_greatest_known(shares), least=_greatest_known(least))


def _shares_read(reading: str) -> tuple[str, ...]:
    """Values of a case that the share is made from."""
    kinds = ("trees", "length", "area") if reading == "smallest" else (reading,)
    return tuple(f"share_of_{kind}_frac" for kind in kinds)


def _greatest_known(shares: list[Measured]) -> Measured:
    """The greatest of some shares, without error; unknown where one of them is."""
    values = np.array(np.broadcast_arrays(*(share.value for share in shares)))
    known = np.isfinite(values).all(axis=0)
    return Measured.of(np.where(known, values.max(axis=0), np.nan), 0.0)


def _removed(case: Case, top_ft: Any) -> Any:
    """Share of the foliage a cut takes, by the height that decides.

    Where that is the raster's own, the raster says; else the crown is taken as wide at its base as
    at its top, which takes more off the top than any rounder crown. Foliage whose base nobody
    knows is taken to reach the substrate.

    A profile shows that leaves do not lie evenly, so under that model nothing stands in for one
    that is missing: the share is unknown. Where another height than the raster's decides, leaves
    are taken to lie where more of them come off: moved up as a whole under a taller top (a crown
    drawn out loses less), and left where they are under a lower one.
    """
    target, base = case.get("target_height_ft").value, case.get("base_height_ft").value
    raster = case.get("foliage_removed_frac").value
    foot = np.nan_to_num(base)
    with np.errstate(divide="ignore", invalid="ignore"):
        share = np.clip((top_ft - target) / (top_ft - foot), 0.0, 1.0)
    is_own = np.abs(top_ft - case.get("raster_height_ft").value) <= AT_LIMIT_FT
    if case.leaves_above is None:
        share = np.where(is_own & np.isfinite(raster), raster, share)
    else:
        up_ft = np.maximum(top_ft - case.get("raster_height_ft").value, 0.0)
        share = np.where(is_own | np.isnan(raster), raster, case.leaves_above(target - up_ft))
    share = np.where(target <= base, 1.0, share)
    share = np.where(top_ft <= target, 0.0, share)
    share = np.where(np.isnan(top_ft) | np.isnan(target), np.nan, share)
    return np.where(np.isposinf(target), 0.0, share)  # kept: nothing is cut, however tall
