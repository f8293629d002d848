"""The cross-sections in words, for a terminal."""

from __future__ import annotations

from typing import Any

import numpy as np

from geotrim.model import Site
from geotrim.report import facts
from geotrim.report.fold import fold

MEASURE = (
    "Offsets are from {shore}, square to the smoothed shore; depth is measured as by "
    "fringe. The tables section_ground, section_columns and section_trunks have what a drawing "
    "needs, crown_sides and foliage_curves every crown."
)


def sections_text(site: Site, results: facts.Results) -> str:
    """For each cross-section: where it is, why there, and how deep the fringe is.

    Parameters
    ----------
    site : Site
        What its shore line is.
    results : mapping
        Operation name -> Result, ``sections`` among them.

    Returns
    -------
    str
        Lines of at most 80 columns.
    """
    rows = facts.table(results, "sections", "sections")
    if rows is None or not len(rows):
        return "No cross-section: no tree stands along a measured shore."
    lines: list[str] = []
    for lot_id, mine in rows.groupby("lot_id", sort=False):
        lines += [*([""] if lines else []), f"Lot {lot_id}"]
        for row in mine.to_dict("records"):
            lines += fold(f"{row['section_id']}: {_told(row)}", "  ", "     ")
    is_apparent = site.mhw_origin == "apparent-shoreline"
    measure = MEASURE.format(shore="the apparent shoreline" if is_apparent else "the MHW line")
    return "\n".join([*lines, "", *fold(measure, "", "  ")])


def _told(row: dict[str, Any]) -> str:
    """One section."""
    where = f"station {row['station_ft']:.1f} ft, {row['why']}"
    if not np.isfinite(row["fringe_depth_ft"]):
        return f"{where}; no tree stands here"
    ends = f"{_side(row['landward_trunk_ft'])} to {_side(row['waterward_trunk_ft'])}"
    depth = f"fringe {row['fringe_depth_ft']:.1f} ft deep ({row['reference']}), {ends}"
    ground = "" if row["has_ground"] else "; no ground known"
    return f"{where}; {depth}{ground}"


def _side(offset_ft: float) -> str:
    """An offset in words."""
    return f"{abs(offset_ft):.1f} ft {'landward' if offset_ft < 0 else 'waterward'}"
