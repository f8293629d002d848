"""The map of a screening into files: PNG always, SVG while it is of a size that opens."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from geotrim.io.aside import new_file
from geotrim.model import Note
from geotrim.report.furniture import counted
from geotrim.report.palette import style
from geotrim.report.save import save_figure

#: An SVG is drawn of so many lots at most.
MOST_IN_SVG = 4_000
#: Dots an inch, more than those of other figures: lots are small.
DPI = 220


def save_screen_map(figure: Any, stem: Path, n_lots: int) -> tuple[Note, ...]:
    """Write the map.

    Parameters
    ----------
    figure : matplotlib.figure.Figure
    stem : Path
        Without the suffix.
    n_lots : int

    Returns
    -------
    notes : tuple of Note
        What was left out.
    """
    if n_lots <= MOST_IN_SVG:
        save_figure(figure, stem)
        return ()
    png = stem.with_name(stem.name + ".png")
    with style(), new_file(png) as aside:
        figure.savefig(aside, format="png", dpi=DPI, metadata={"Software": "geotrim"})
    text = (
        f"drawn as {png.name} alone: an SVG is made of {counted(MOST_IN_SVG, 'lot')} at most, and "
        f"there are {n_lots:,}"
    )
    return (Note("map", text, "info"),)
