"""Colours, hatches and line styles of the figures: one code for colour, one for grey paper.

Height classes are samples of matplotlib's ``viridis``, made so that lightness rises evenly from low
to high trees and that colour-blind readers keep the order (S. van der Walt and N. Smith, 2015,
documentation of the map). Lines take the colours of M. Okabe and K. Ito, *Color universal design*
(2008), and each has a dash pattern of its own.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Any

#: Second code of the height classes, for grey printers; classes beyond five start over.
HATCHES = ("", "....", "///", "", "xxx")
BLACK, ORANGE, GREEN = "#000000", "#E69F00", "#00664B"
BLUE, VERMILION, PURPLE, GREY = "#0072B2", "#C04A00", "#A23B7E", "#6B6B6B"
PAPER = "#FFFFFF"
#: Ground of the lots that are measured, and of their neighbours.
LOT_FACE, NEIGHBOUR_FACE = "#ECEAE0", "#F7F7F4"
NO_DATA = "no data"

#: The same look whatever the user's own matplotlib settings are.
STYLE: dict[str, Any] = {
    "font.family": ["DejaVu Sans"],
    "font.size": 8.0,
    "text.usetex": False,
    "text.parse_math": False,  # a dollar sign in a name is a dollar sign
    "axes.unicode_minus": True,
    "axes.linewidth": 0.8,
    "hatch.linewidth": 0.45,
    "svg.hashsalt": "geotrim",
    "svg.fonttype": "path",
    "path.simplify": True,
}


@contextmanager
def style() -> Iterator[None]:
    """Draw and save under the house style."""
    import matplotlib as mpl

    settings: Any = STYLE
    with mpl.rc_context(settings):
        yield


@dataclass(frozen=True, slots=True)
class ClassStyle:
    """How one height class is drawn. ``hatch_colour`` and ``text_colour`` stand out on it."""

    name: str
    colour: str
    hatch: str
    hatch_colour: str
    text_colour: str


def class_styles(names: Sequence[str]) -> dict[str, ClassStyle]:
    """Styles of height classes, low to high, and of crowns without data.

    Examples
    --------
    >>> styles = class_styles(["under 6 ft", "6-10 ft", "over 10 ft"])
    >>> [s.text_colour for s in styles.values()]
    ['#FFFFFF', '#000000', '#000000', '#000000']
    """
    import matplotlib as mpl
    from matplotlib.colors import to_hex

    ramp = mpl.colormaps["viridis"]
    styles = {}
    steps = max(len(names) - 1, 1)
    for k, name in enumerate(names):
        rgb = ramp(0.10 + 0.87 * k / steps)[:3]
        is_dark = lightness(rgb) < 49.5  # where black and white stand out alike
        light_ink, dark_ink = "#FFFFFF", "#000000"
        styles[name] = ClassStyle(
            name,
            to_hex(rgb),
            HATCHES[k % len(HATCHES)],
            "#D8D8D8" if is_dark else "#3C3C3C",
            light_ink if is_dark else dark_ink,
        )
    styles[NO_DATA] = ClassStyle(NO_DATA, "#ffffff", "---", "#8A8A8A", "#000000")
    return styles


def lightness(rgb: Sequence[float]) -> float:
    """CIE 1976 lightness L* of an sRGB colour, 0 (black) to 100 (white).

    References
    ----------
    IEC 61966-2-1 for the transfer curve; CIE 15 for L*.

    Examples
    --------
    >>> round(lightness((1, 1, 1))), round(lightness((0.5, 0.5, 0.5)))
    (100, 53)
    """
    linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in rgb]
    y = 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]
    cube = float(y ** (1.0 / 3.0)) if y > (6 / 29) ** 3 else y / (3 * (6 / 29) ** 2) + 4 / 29
    return 116.0 * cube - 16.0
