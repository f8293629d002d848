"""What stick readings found about the heights of the raster: figures, words and the figure."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

from geotrim.ops.calibration_notes import nothing_words
from geotrim.report import facts
from geotrim.report.calibration_text import accuracy_words, done_words, figures
from geotrim.report.statement_parts import Block, Heading, Paragraph, Picture, Table, line, row

#: Outliers that are named; the others are in the table of readings.
MOST_NAMED = 12


def heights_checked(results: facts.Results, calibration_figure: Path | None) -> Iterator[Block]:
    """The section on heights and sticks; nothing where no readings were given.

    Parameters
    ----------
    results : mapping
        Operation name -> Result.
    calibration_figure : Path or None
        The PNG, where it was drawn.
    """
    table = facts.table(results, "calibrate", "calibration")
    if table is None:
        return
    one = table.iloc[0]
    yield Heading("How good the heights are", 2)
    told = "Heights of the raster were compared with heights read by stick on the ground. A "
    yield Paragraph(line(told, "difference is the raster's height less the stick's."))
    if int(one["n_trees"]):
        rows = tuple(row(name, value) for name, value in figures(one))
        yield Table(("Figure", "Value"), rows, "figures")
    elif why := nothing_words(results["calibrate"]["stick_readings"]):
        yield Paragraph(line(f"{why[0].upper()}{why[1:]}."))
    yield Paragraph(line(accuracy_words(one)))
    yield Paragraph(line(done_words(one)))
    if named := _outliers(results):
        yield Paragraph(line(f"Far from the others: {named}."))
    if calibration_figure is not None:
        words = "Raster against stick, and what lies between the two"
        yield Picture(words, calibration_figure.name, calibration_figure.read_bytes())


def _outliers(results: facts.Results) -> str:
    """Readings of trees far from the others, with what the raster says more or less."""
    rows = facts.table(results, "calibrate", "stick_readings")
    if rows is None or not rows["is_outlier"].any():
        return ""
    told = []
    for one in rows[rows["is_outlier"].astype(bool)].itertuples():
        name = one.crown_id if isinstance(one.crown_id, str) else f"reading {one.reading_id}"
        told.append(
            f"{name}, {one.height_ft:.1f} ft by stick and {one.raster_height_ft:.1f} ft by raster"
        )
    more = len(told) - MOST_NAMED
    return "; ".join(told[:MOST_NAMED]) + (f"; and {more} more" if more > 0 else "")
