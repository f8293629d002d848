"""What is told of a calibration: what was not compared, and what the figures mean."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd

from geotrim.core.calibration import ENOUGH_CHECKS, OUTLIER_Z
from geotrim.model import Note

#: Limits a raster that reads low makes a tree seem to keep: it "does not exceed" 10 or 24 ft, or is
#: under the 16 ft from which cuts are staged. Source: s. 403.9326(1) F.S.
UNSAFE_IF_LOW = "10, 16 and 24 ft"
#: The limit a raster that reads high makes a tree seem to keep: no mangrove is left below it.
#: Source: s. 403.9326(1) F.S.
UNSAFE_IF_HIGH = "6 ft"
#: A check ought to be this many times as good as what it checks. Source: ASPRS standard of 2014, as
#: told on the USGS page on lidar quality levels.
CHECK_TIMES = 3.0
#: Mangroves of Florida hardly pass 80 ft; a stick that reads more than this is most likely a slip
#: of a digit or of the unit. From memory, no source.
PLAUSIBLE_FT = 100.0
#: How the reason ends where a reading lies off the raster.
OFF = "off the raster or on no data"


def notes_on_rows(rows: Any) -> list[Note]:
    """Readings that were not compared, by reason."""
    notes = []
    for reason, group in rows[rows["reason"].notna()].groupby("reason", sort=False):
        numbers = [
            str(at + 1) if pd.isna(crown) else f"{at + 1}, crown {crown}"
            for at, crown in zip(group.index, group["crown_id"], strict=True)
        ]
        shown = "; ".join(numbers[:5]) + ("; ..." if len(numbers) > 5 else "")
        text = f"{how_many(len(group))} not compared, {reason}: row {shown}"
        notes.append(Note("readings", text, "missing"))
    return notes


def nothing_words(rows: Any) -> str:
    """Why no reading could be compared, where it is one reason for all of them; "" otherwise.

    Parameters
    ----------
    rows : DataFrame
        ``reason``, one row a reading.
    """
    reasons = set(rows["reason"])
    if not reasons or not all(isinstance(reason, str) for reason in reasons):
        return ""
    if all(reason.endswith(OFF) for reason in reasons):
        return (
            f"nothing overlaps: every reading lies {OFF}. Check that raster and readings are of "
            "one place, and the reference system of each"
        )
    return f"no reading could be compared: {reasons.pop()}" if len(reasons) == 1 else ""


def notes_on_heights(rows: Any) -> list[Note]:
    """Readings higher than any mangrove of this coast."""
    high = rows[rows["height_ft"].to_numpy(dtype=np.float64, na_value=np.nan) > PLAUSIBLE_FT]
    if not len(high):
        return []
    shown = "; ".join(
        f"row {at + 1}{'' if pd.isna(crown) else f', crown {crown}'}: {tall:,.1f} ft"
        for at, crown, tall in zip(
            high.index[:5], high["crown_id"][:5], high["height_ft"][:5], strict=True
        )
    )
    more = "; ..." if len(high) > 5 else ""
    text = (
        f"{how_many(len(high))} over {PLAUSIBLE_FT:g} ft, higher than mangroves grow in Florida "
        f"(from memory); kept: check reading and unit ({shown}{more})"
    )
    return [Note("readings", text, "assumed")]


def notes_on_trees(trees: Any, parameters: dict[str, Any]) -> list[Note]:
    """Trees read more than once, and outliers by name."""
    notes = []
    several = trees[trees["n_readings"] > 1]
    if len(several):
        gap = float((several["most_ft"] - several["least_ft"]).max())
        text = (
            f"{_trees_told(len(several))} read more than once (up to {gap:.2f} ft apart): their "
            "readings are averaged, since they share the raster's error, and n counts trees"
        )
        notes.append(Note("readings", text, "info"))
    out = trees[trees["is_outlier"]]
    if len(out):
        worst = out.reindex(out["modified_z"].abs().sort_values(ascending=False).index)
        named = [f"{tree} ({row['difference_ft']:+.1f} ft)" for tree, row in worst.iterrows()]
        shown = ", ".join(named[:5]) + (", ..." if len(named) > 5 else "")
        left = parameters["leave_out_outliers"]
        does = "left out of the figures, as asked" if left else "kept in the figures"
        text = (
            f"{_trees_told(len(out))} far from the others by a modified z over {OUTLIER_Z:g} "
            f"(Iglewicz and Hoaglin 1993), {does}: {shown}. Check tag, unit and reading"
        )
        notes.append(Note("readings", text, "assumed"))
    return notes


def notes_on_figures(row: Any, parameters: dict[str, Any], rows: Any) -> list[Note]:
    """What the figures mean: the unsafe side, the number of checks, errors, the trend."""
    n, rmse = int(row["n_trees"]), float(row["rmse_ft"])
    if n == 0:
        text = nothing_words(rows) or "no reading could be compared with the raster"
        return [Note("calibrate", text, "missing")]
    notes = []
    if n < ENOUGH_CHECKS:
        text = f"{n} of the {ENOUGH_CHECKS} trees or more that an accuracy statement asks for "
        text += "(ASPRS Edition 2, 2023): the figures are an indication"
        notes.append(Note("calibrate", text, "missing"))
    if parameters["height_correction"] != "bias":
        notes += _unsafe_side(row)
    stated, reading = float(row["stated_error_ft"]), float(row["reading_error_ft"])
    if stated < rmse:
        text = f"the error stated for the heights, {stated:g} ft, is less than the RMSE found, "
        text += f"{rmse:.2f} ft"
        if parameters["height_correction"] == "none":
            text += "; height_correction error takes the one found"
        notes.append(Note("heights", text, "assumed"))
    if np.isnan(reading):
        text = "no error of the readings stated (height_rmse_ft), so none is added in"
        notes.append(Note("readings", text, "missing"))
    elif reading * CHECK_TIMES > rmse:
        text = (
            f"an error of {reading:g} ft each is more than a third of the RMSE found, "
            f"{rmse:.2f} ft: checks ought to be {CHECK_TIMES:g} times better than what they check"
        )
        notes.append(Note("readings", text, "assumed"))
    low, high = float(row["trend_low_frac"]), float(row["trend_high_frac"])
    if low > 0.0 or high < 0.0:
        text = (
            f"raster less stick changes by {row['trend_frac']:+.2f} ft for each foot of height (95 "
            f"% interval {low:+.2f} to {high:+.2f}): one bias does not fit low and high trees alike"
        )
        notes.append(Note("heights", text, "assumed"))
    return notes


def _unsafe_side(row: Any) -> list[Note]:
    """A warning that names the limits on whose unsafe side the bias lies."""
    bias, low, high = (float(row[name]) for name in ("bias_ft", "bias_low_ft", "bias_high_ft"))
    if abs(bias) < 0.005:  # what is told as 0.00
        return []
    if bias < 0:
        text = (
            f"the raster reads {-bias:.2f} ft lower than the stick: trees are taller than it says, "
            f"which is the unsafe side for the limits of {UNSAFE_IF_LOW}"
        )
    else:
        text = (
            f"the raster reads {bias:.2f} ft higher than the stick: trees are lower than it says, "
            f"which is the unsafe side for the floor of {UNSAFE_IF_HIGH}"
        )
    if not (low > 0.0 or high < 0.0):
        text += "; with so few or so unlike trees this may be chance"
        text += "" if np.isnan(low) else f" (95 % interval {low:+.2f} to {high:+.2f} ft)"
    return [Note("heights", text, "assumed")]


def how_many(n: int) -> str:
    return "1 reading" if n == 1 else f"{n} readings"


def _trees_told(n: int) -> str:
    return "1 tree" if n == 1 else f"{n} trees"
