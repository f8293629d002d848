"""A calibration in words: what was compared, how raster and stick agree, what was done about it."""

from __future__ import annotations

import textwrap
from typing import Any

import numpy as np

from geotrim.core.calibration import ENOUGH_CHECKS, Correction
from geotrim.model import Site
from geotrim.ops.calibration_notes import nothing_words
from geotrim.ops.height_correction import correction_words
from geotrim.report import facts

WIDTH = 80
#: How accuracy is stated. Source: ASPRS Positional Accuracy Standards, Edition 2 (2023), as told in
#: :mod:`geotrim.core.calibration`.
STANDARD = (
    "RMSE is the root mean square error. The standard followed (ASPRS Edition 2, 2023) states "
    "accuracy by it alone, without a figure for 95 % confidence."
)


def calibration_text(site: Site, results: facts.Results) -> str:
    """Tell a calibration on the terminal.

    Parameters
    ----------
    site : Site
    results : mapping
        Operation name -> Result, ``calibrate`` among them.
    """
    rows = facts.table(results, "calibrate", "calibration")
    if rows is None:
        return "No stick readings were compared."
    row = rows.iloc[0]
    lines = ["Stick readings against the height raster (raster less stick)"]
    if not int(row["n_trees"]):
        readings = facts.table(results, "calibrate", "stick_readings")
        why = "" if readings is None else nothing_words(readings)
        words = why or "no reading could be compared with the raster"
        lines = [*_fold(f"{words[0].upper()}{words[1:]}."), ""]
        n = int(row["n_not_compared"])
        return "\n".join(
            [
                *lines,
                f"  {'trees compared':<34}0  (readings not compared: {n})",
                "",
                accuracy_words(row),
            ]
        )
    lines += [f"  {label:<34}{value}" for label, value in figures(row)]
    lines += ["", *_fold(accuracy_words(row))]
    lines += _fold(done_words(row))
    lines += _reader_lines(facts.table(results, "calibrate", "calibration_readers"))
    return "\n".join(lines)


def short_words(row: Any) -> str:
    """A calibration in one line.

    Examples
    --------
    >>> row = {"n_trees": 4, "bias_ft": -1.0, "rmse_ft": 1.2, "n_outliers": 0}
    >>> short_words(row)
    'raster less stick -1.00 ft, RMSE 1.20 ft, 4 trees'
    """
    n, n_out = int(row["n_trees"]), int(row["n_outliers"])
    if n == 0:
        return "none could be compared with the raster"
    text = f"raster less stick {row['bias_ft']:+.2f} ft, RMSE {row['rmse_ft']:.2f} ft, "
    text += "1 tree" if n == 1 else f"{n} trees"
    return f"{text}, {n_out} far from the others" if n_out else text


def figures(row: Any) -> list[tuple[str, str]]:
    """Labels and values of the figures, in the order they are read."""
    low, high = row["bias_low_ft"], row["bias_high_ft"]
    interval = "" if np.isnan(low) else f"  (95 % interval {low:+.2f} to {high:+.2f})"
    readings, lost = int(row["n_readings"]), int(row["n_not_compared"])
    trees = f"{int(row['n_trees'])}  (readings: {readings}; not compared: {lost})"
    outliers = f"{int(row['n_outliers'])}"
    if row["n_outliers"]:
        outliers += "  (left out of the figures)" if row["n_left_out"] else "  (kept)"
    told = [("trees compared", trees), ("outliers", outliers)]
    told += [
        ("bias (mean error)", feet(row["bias_ft"], sign=True) + interval),
        ("median", feet(row["median_ft"], sign=True)),
        ("standard deviation", feet(row["sd_ft"])),
        ("RMSE", feet(row["rmse_ft"])),
        ("mean absolute difference", feet(row["mean_absolute_ft"])),
    ]
    if np.isfinite(row["trend_frac"]):
        low, high = row["trend_low_frac"], row["trend_high_frac"]
        trend = f"{row['trend_frac']:+.2f} ft a ft  (95 % interval {low:+.2f} to {high:+.2f})"
        told.append(("trend with height", trend))
    return told


def accuracy_words(row: Any) -> str:
    """The accuracy: RMSE with the checks' error, mean error, n, and the caveat of few checks.

    These are the parts that ASPRS Edition 2 (2023) asks for; it has no figure at 95 %.
    """
    n = int(row["n_trees"])
    if n == 0:
        return "No tree could be compared, so there is no accuracy to state."
    product, reading = row["rmse_with_reading_error_ft"], row["reading_error_ft"]
    if np.isnan(product):
        text = f"Accuracy of the heights: RMSE {row['rmse_ft']:.2f} ft, the readings' own error "
        text += "not stated and so not added in"
    else:
        text = f"Accuracy of the heights: RMSE {product:.2f} ft, the readings' own error of "
        text += f"{reading:.2f} ft added in"
    text += f"; mean error {row['bias_ft']:+.2f} ft; {n} {'tree' if n == 1 else 'trees'}."
    if n < ENOUGH_CHECKS:
        text += f" These are fewer than the {ENOUGH_CHECKS} trees that a statement of accuracy "
        text += "asks for, so the figures are an indication only."
    return f"{text} {STANDARD}"


def done_words(row: Any) -> str:
    """What was done to the heights."""
    choice = str(row["height_correction"])
    if choice == "none":
        return "Nothing was changed: a correction is made only when asked for (height_correction)."
    error = float(row["corrected_error_ft"])
    made = Correction(float(row["shift_ft"]), error, error == float(row["stated_error_ft"]))
    return f"Heights: {correction_words(choice, made, int(row['n_trees']))}."


def feet(value: float, *, sign: bool = False) -> str:
    """A figure in feet, or that it is not known."""
    if np.isnan(value):
        return "not known"
    return f"{value:+.2f} ft" if sign else f"{value:.2f} ft"


def _reader_lines(rows: Any) -> list[str]:
    if rows is None:
        return []
    lines = ["", f"  {'reader':<24}{'trees':>7}{'bias, ft':>12}{'SD, ft':>10}"]
    for row in rows.itertuples():
        sd = "-" if np.isnan(row.sd_ft) else f"{row.sd_ft:.2f}"
        name = row.reader if len(row.reader) <= 22 else row.reader[:19] + "..."
        lines.append(f"  {name:<24}{row.n_trees:>7}{row.bias_ft:>+12.2f}{sd:>10}")
    return lines


def _fold(text: str) -> list[str]:
    return textwrap.wrap(text, WIDTH)
