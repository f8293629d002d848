"""From what is known of a lot to the values that rules name, under one set of readings."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np

from geotrim.rules.case import (
    NOTHING,
    SEASONS,
    Case,
    Measured,
    either,
    fact_values,
)
from geotrim.rules.readings import Readings
from geotrim.rules.rule_file import measures
from geotrim.rules.stages import yearly_share

#: Yes-no measure -> value of a case that is yes where a polygon covers the tree.
_COVERED_BY = {
    "is_conservation_land": "in_conservation",
    "is_mitigation_silent": "in_mitigation",
    "is_island": "in_island",
    "is_public_island": "in_public_island",
}


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
    for name, covered in _COVERED_BY.items():
        inside = np.where(case.get(covered).value == 1.0, 1.0, 0.0)
        known[name] = Measured.of(either(known[name].value, inside), 0.0)
    known["is_set_aside"] = Measured.of(set_aside({k: known[k].value for k in _COVERED_BY}), 0.0)
    known |= _heights(case, readings, told["earlier_height_ft"])
    known["yearly_removed_frac"] = Measured.of(
        yearly_share(
            case.get("foliage_removed_frac").value, case.stage_years, readings["foliage_reading"]
        )
    )
    known["share_trimmed_frac"] = _share(case, readings["share_measure_reading"])
    return {name: known.get(readings.stands_for(name), NOTHING) for name in measures()}


def set_aside(flags: Mapping[str, Any]) -> Any:
    """Whether land is set aside, or is a publicly owned uninhabited island.

    Source: s. 403.9323(2) F.S.
    """
    land = either(flags["is_conservation_land"], flags["is_mitigation_silent"])
    return either(land, flags["is_public_island"])


def _heights(case: Case, readings: Readings, earlier_ft: float) -> dict[str, Measured]:
    """Heights before and after the cut, and what is compared with them."""
    raster, field = case.get("raster_height_ft"), case.get("field_height_ft")
    raised = raster.value + readings.choices["substrate_reading"].raise_ft
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
    return {
        "top_height_ft": top,
        "height_after_ft": after,
        "above_earlier_ft": Measured.of(after.value - earlier_ft, after.error),
        "cut_above_base_ft": Measured.of(target - case.get("base_height_ft").value),
    }


def _share(case: Case, reading: str) -> Measured:
    """Share of the shoreline's mangroves to be trimmed; of three measures, the greatest share.

    An unknown share may be the greatest, so it makes the whole unknown, unless what is known is
    the whole already.
    """
    kinds = ("trees", "length", "area") if reading == "smallest" else (reading,)
    shares = [float(case.get(f"share_of_{kind}_frac").value) for kind in kinds]
    return Measured.of(max(shares) if all(np.isfinite(shares)) else np.nan, 0.0)
