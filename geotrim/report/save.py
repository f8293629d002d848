"""Figures to files, the same bytes for the same figure."""

from __future__ import annotations

import re
import warnings
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from geotrim.io.aside import new_file
from geotrim.report.palette import style

#: Dots an inch of the PNG.
DPI = 170


def save_figure(figure: Any, path_without_suffix: str | Path) -> tuple[Path, Path]:
    """Write a figure as PNG and as SVG, each aside and then renamed.

    Parameters
    ----------
    figure : matplotlib.figure.Figure
    path_without_suffix : path-like
        ``.png`` and ``.svg`` are added; a point in the name is kept.

    Returns
    -------
    png, svg : Path

    Raises
    ------
    FileError
        If the folder is missing or cannot be written to.

    Notes
    -----
    No date goes into the files and the SVG's ids come from a fixed salt, so with one version of
    matplotlib the same figure gives the same bytes.
    """
    stem = Path(path_without_suffix)
    png, svg = (stem.with_name(stem.name + suffix) for suffix in (".png", ".svg"))
    with style():
        with new_file(png) as aside:
            figure.savefig(aside, format="png", dpi=DPI, metadata={"Software": "geotrim"})
        with new_file(svg) as aside:
            figure.savefig(aside, format="svg", metadata={"Date": None, "Creator": "geotrim"})
    return png, svg


@contextmanager
def letters_watched() -> Iterator[set[str]]:
    """Gather the letters that the figures' type does not have, instead of a warning for each.

    Yields
    ------
    set of str
        Filled when the block ends. They are drawn as boxes. Other warnings go their way.
    """
    unknown: set[str] = set()
    with warnings.catch_warnings(record=True) as said:
        warnings.simplefilter("always")
        yield unknown
    for one in said:
        if found := re.match(r"Glyph (\d+) ", str(one.message)):
            unknown.add(chr(int(found[1])))
        else:
            warnings.warn_explicit(one.message, one.category, one.filename, one.lineno)
