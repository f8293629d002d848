"""Drawings as plain lists of lines, areas and words in points: what every sheet is made of.

A drawing has its origin in its upper left corner, x to the right and y down, in points of 1/72 in.
Nothing here knows of pages, of files or of what is drawn; :mod:`geotrim.report.sheets.compiled`
turns drawings into PDF, SVG and PNG. Places on the ground become points on paper through
:class:`geotrim.report.sheets.true_scale.Frame` alone, so that a scale is exact.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import numpy.typing as npt

Array = npt.NDArray[np.float64]
#: Points in an inch.
POINTS = 72.0
BLACK, WHITE = "#000000", "#ffffff"


@dataclass(frozen=True, slots=True, eq=False)
class Path:
    """A line or an area.

    parts : rings or lines, each (n, 2); holes of an area are parts too (even-odd). [pt]
    is_closed : whether each part is closed.
    stroke, fill : colours as ``#rrggbb``; None draws none.
    width_pt : of the stroke.
    dash_pt : lengths of dashes and gaps; () is a solid line.
    name : what it is, for tests and for readers of the file; not drawn.
    """

    parts: tuple[Array, ...]
    is_closed: bool = False
    stroke: str | None = BLACK
    fill: str | None = None
    width_pt: float = 0.6
    dash_pt: tuple[float, ...] = ()
    name: str = ""


@dataclass(frozen=True, slots=True)
class Text:
    """Words on one line.

    x_pt, y_pt : where the anchor of the baseline is.
    anchor : ``start``, ``middle`` or ``end`` of the words stands at ``x_pt``.
    turn_deg : counter-clockwise, about the anchor.
    plate : colour of a plate behind the words, so that they are read on any ground; None: none.
    """

    x_pt: float
    y_pt: float
    words: str
    size_pt: float = 7.0
    anchor: str = "start"
    turn_deg: float = 0.0
    is_bold: bool = False
    is_italic: bool = False
    colour: str = BLACK
    plate: str | None = None
    name: str = ""


@dataclass(frozen=True, slots=True, eq=False)
class Drawing:
    """Paths and words on a piece of paper, painted in their order; what sticks out is clipped.

    alt : what it shows, in one sentence, for those who do not see it.
    """

    width_pt: float
    height_pt: float
    items: tuple[Path | Text, ...]
    alt: str = ""


@dataclass(slots=True)
class Pen:
    """Collects the items of a drawing."""

    items: list[Path | Text] = field(default_factory=list)

    def line(self, points: Any, **look: Any) -> None:
        """One open line through points, (n, 2). [pt]."""
        self.items.append(Path((np.asarray(points, dtype=float),), **look))

    def lines(self, parts: Iterable[Any], **look: Any) -> None:
        """Several open lines of one look."""
        found = tuple(np.asarray(part, dtype=float) for part in parts if len(part) > 1)
        if found:
            self.items.append(Path(found, **look))

    def area(self, rings: Sequence[Any], **look: Any) -> None:
        """One area with its holes."""
        found = tuple(np.asarray(ring, dtype=float) for ring in rings if len(ring) > 2)
        if found:
            self.items.append(Path(found, is_closed=True, **look))

    def box(self, x: float, y: float, width: float, height: float, **look: Any) -> None:
        """A rectangle from its upper left corner."""
        ring = np.array([(x, y), (x + width, y), (x + width, y + height), (x, y + height)])
        self.area([ring], **look)

    def text(self, x: float, y: float, words: str, **look: Any) -> None:
        """Words on one line; none for empty words."""
        if words:
            self.items.append(Text(float(x), float(y), words, **look))

    def drawing(self, width_pt: float, height_pt: float, **look: Any) -> Drawing:
        """What was collected."""
        return Drawing(width_pt, height_pt, tuple(self.items), **look)
