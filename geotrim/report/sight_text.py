"""What each eye sees, in words, for a terminal."""

from __future__ import annotations

from typing import Any

import numpy as np

from geotrim.model import Site
from geotrim.report import facts
from geotrim.report.fold import fold
from geotrim.report.furniture import counted, figures, percent


def sight_text(site: Site, results: facts.Results) -> str:
    """For each eye: where it looks, and how much of the view is open now and after.

    Parameters
    ----------
    site : Site
        Not read.
    results : mapping
        Operation name -> Result, ``sightlines`` among them.

    Returns
    -------
    str
        Lines of at most 80 columns.
    """
    eyes = facts.table(results, "sightlines", "sight_eyes")
    if eyes is None:
        return "No eye looks over a measured lot."
    lines: list[str] = []
    for eye in eyes.to_dict("records"):
        lines += ["", *_told(eye)] if lines else _told(eye)
    start = str(facts.parameter(results, "sightlines", "hides_from", "crown-base"))
    lines += ["", *fold(MEASURE.format(start=STARTS[start]), "", "")]
    return "\n".join(lines)


MEASURE = (
    "The view is the area of azimuth by elevation angle between the water's near edge and the "
    "horizon. Crowns count as solid, {start}."
)
#: Where crowns begin to hide the view, in words.
STARTS = {
    "crown-base": "from their lowest foliage up where that is known, else from the substrate up",
    "substrate": "all down to the substrate",
}


def _told(eye: dict[str, Any]) -> list[str]:
    """One eye."""
    head = f"Eye {eye['eye_id']}, lot {eye['lot_id']}"
    place = f"at {eye['eye_elevation_ft']:.1f} ft, the water at {eye['water_elevation_ft']:.2f} ft"
    lines = fold(f"{head}: {place}", "", "  ")
    if eye["reason"]:
        return [*lines, *fold(f"no view: {eye['reason']}")]
    low, high = eye["azimuth_from_deg"], eye["azimuth_to_deg"]
    turn = f"azimuths {low:.1f} to {high:.1f} deg, clockwise from grid north; "
    area = figures(float(eye["view_deg2"]))
    lines += fold(f"{turn}{area} square deg of water and what stands before it")
    shares = [("open now", eye["view_now_frac"])]
    shares += [("open, non-mangroves removed", eye["view_others_removed_frac"])]
    shares += [("open after the window", eye["view_after_frac"])]
    most = "at most " if eye["is_at_most"] else ""
    for words, share in shares:
        if np.isfinite(share):
            lines.append(f"  {words:<32}{most}{percent(share)}")
    lines += fold(_horizon(eye))
    if most:
        lines += fold("crowns of unknown height stand in the way and count as open view")
    gain = eye["view_after_frac"] - eye["view_now_frac"]
    if np.isnan(gain):
        lines += fold("no window was measured, so nothing is told of after")
    return lines


def _horizon(eye: dict[str, Any]) -> str:
    """How much of the horizon is in sight."""
    after = float(eye["horizon_after_frac"])
    later = f", {percent(after)} after" if np.isfinite(after) else ""
    return f"horizon in sight over {percent(eye['horizon_now_frac'])} of the fan now{later}"


def eyes_words(results: facts.Results, lot_id: str) -> str:
    """How much of the view the eyes of a lot see, in a line; "" where none was measured.

    Parameters
    ----------
    results : mapping
        Operation name -> Result.
    lot_id : str
    """
    eyes = facts.table(results, "sightlines", "sight_eyes", lot_id)
    if eyes is None:
        return ""
    seeing = eyes[eyes["reason"] == ""]
    if not len(seeing):
        return f"{counted(len(eyes), 'eye')}, none of which sees the shore"
    most = "at most " if seeing["is_at_most"].any() else ""
    open_now = percent(seeing["view_now_frac"].mean())
    text = f"{counted(len(seeing), 'eye')}: {most}{open_now} open now"
    after = seeing["view_after_frac"].mean()
    return f"{text}, {most}{percent(after)} after the window" if np.isfinite(after) else text
