"""The result of ``consequence`` in words, for a terminal."""

from __future__ import annotations

from typing import Any

import numpy as np

from geotrim.model import Site
from geotrim.report import facts
from geotrim.report.fold import bullet, fold


def consequence_text(site: Site, results: facts.Results) -> str:
    """For each lot, or for the figures given: the trigger, and what restoration would take.

    Parameters
    ----------
    site : Site
        Not read.
    results : mapping
        Operation name -> Result.

    Returns
    -------
    str
        Lines of at most 80 columns.
    """
    rows = facts.table(results, "consequence", "consequence")
    if rows is None:
        return "Neither a plan nor figures are given."
    lines: list[str] = []
    for row in rows.to_dict("records"):
        lines += ["", *_told(row)] if lines else _told(row)
    limits = facts.table(results, "consequence", "consequence_rules")
    if limits is not None:
        lines += ["", "The limits:"]
        for limit in limits.to_dict("records"):
            lines += bullet(f"{limit['words']} {limit['section']}, {limit['confidence']}.")
    return "\n".join(lines)


def _told(row: dict[str, Any]) -> list[str]:
    """One row: how it stands with the trigger, then what the area lost would take."""
    head = "By the figures given"
    if row["basis"] == "plan":
        head = "If the plan were carried out"
        head = head if row["lot_id"] is None else f"Lot {row['lot_id']}, {head.lower()}"
    lines = [head, *fold(row["words"])]
    if np.isnan(row["lost_area_ft2"]):
        return [*lines, *fold("The canopy area lost is not given.")]
    if row["lost_area_ft2"] == 0.0:
        return lines
    area, created = row["lost_area_ft2"], row["created_area_ft2"]
    n_maybe = row["n_uncertain_trees"]  # their area is in it; None where nobody counted
    most = "at most " if isinstance(n_maybe, int) and n_maybe > 0 else ""
    text = (
        f"For {most}{area:,.0f} sq ft of canopy lost, restoration would take as much canopy again "
        f"within {row['restoration_years']:g} years; where that is not practicable, "
        f"{created:,.0f} sq ft created or in credits, or a donation of at least "
        f"${row['donation_usd']:,.0f}."
    )
    return [*lines, *fold(text)]
