"""Drawings as DXF, the openly documented exchange format of drawing programs; R2018, as text.

Coordinates are written as they are, in full; areas as closed lines, each hole as one of its own.
The same drawing gives the same bytes in every process: the library's stamps of time and identity
are held fixed, and so is the order of the classes it lists.
"""

from __future__ import annotations

import logging
import re
import unicodedata
from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from geotrim.io.aside import new_file
from geotrim.units import FOOT_M, US_SURVEY_FOOT_M

#: R2018, the first whose units know the US survey foot (from memory).
VERSION = "R2018"
#: ``$INSUNITS`` of a drawing unit, by its length. Source: the format's reference, group code 70 of
#: the header variable: 2 feet, 6 metres, 21 US survey feet, 0 none. [m]
UNITS = {2: FOOT_M, 6: 1.0, 21: US_SURVEY_FOOT_M}
#: The file's letters come from this font; a program that lacks it takes its own.
STYLE, FONT = "PLAIN", "DejaVuSans.ttf"
#: Sign of a point, a circle with a cross, and its size on paper. [in]
POINT_SIGN, SIGN_IN = 34, 0.04
#: Most signs in one line of text; older readers stop at 255.
LONGEST_TEXT = 250


@dataclass(frozen=True, slots=True)
class Layer:
    """A layer and its look.

    colour : number of the format's colour table; 7 is black on white paper, 8 and 9 are greys.
    dash_in : dashes and gaps in turn on paper, () for a solid line. [in]
    width_mm : of the line on paper.
    """

    name: str
    about: str
    colour: int = 7
    dash_in: tuple[float, ...] = ()
    width_mm: float = 0.25


@dataclass(frozen=True, slots=True, eq=False)
class Shape:
    """Points, lines or areas on a layer; a shapely geometry of any kind."""

    layer: str
    shape: Any


@dataclass(frozen=True, slots=True)
class Words:
    """Words on one line, in map units.

    is_middle : whether they are centred on the place, rather than begin there.
    """

    layer: str
    x: float
    y: float
    words: str
    height: float
    turn_deg: float = 0.0
    is_middle: bool = False


def write_dxf(
    path: Path,
    layers: Sequence[Layer],
    shapes: Iterable[Shape],
    words: Iterable[Words] = (),
    *,
    unit_m: float,
    paper_in: float,
    title: str = "",
) -> bool:
    """Write a drawing; whether its unit has a number in the format comes back.

    Parameters
    ----------
    path : Path
        New or replaced once the drawing is whole.
    layers, shapes, words :
        In the order they are written.
    unit_m : float
        Length of a map unit. [m]
    paper_in : float
        Map units in an inch of paper, by which dashes are drawn.
    title : str
        Told in the file's own table of properties.

    Raises
    ------
    FileError
        If it cannot be written.
    """
    number = unit_number(unit_m)
    with _quiet_and_fixed():
        document = _document(layers, number, paper_in, title)
        space = document.modelspace()
        box = _bounds(_add_shapes(space, shapes))
        for one in words:
            _add_words(space, one)
        if box is not None:
            _show(document, box)
        _sort_classes(document)
        with new_file(path) as aside, aside.open("w", encoding="utf-8", newline="\n") as stream:
            document.write(stream)
    return number != 0


def unit_number(unit_m: float) -> int:
    """Number of a unit in ``$INSUNITS``; 0 where it has none.

    Examples
    --------
    >>> unit_number(0.3048), unit_number(1200 / 3937), unit_number(1.0), unit_number(20.1168)
    (2, 21, 6, 0)
    """
    return next((n for n, length in UNITS.items() if abs(unit_m / length - 1.0) < 1e-9), 0)


def safe_text(text: str) -> str:
    r"""Words as the format's single-line text holds them: no code in them is obeyed.

    Two percent signs, a caret, and a backslash with U+ or M+ begin a code (from memory of the
    format's reference). A blank parts them, since readers differ on every other way out; a caret
    with a blank is read as a caret alone.

    Examples
    --------
    >>> safe_text("5 %%c\n^J"), safe_text("50 %")
    ('5 % %c ^ J', '50 %')
    >>> print(safe_text(r"\U+0041"))
    \ U+0041
    """
    plain = " ".join(text.split())
    plain = "".join(c for c in plain if unicodedata.category(c) not in ("Cc", "Cf", "Cs"))
    plain = re.sub(r"\\(?=[UuMm]\+)", r"\\ ", plain)
    plain = re.sub(r"\^(?=.)", "^ ", plain)
    return re.sub("%(?=%)", "% ", plain)


@contextmanager
def _quiet_and_fixed() -> Iterator[None]:
    """Nothing is logged, and no time or identity of the moment is written."""
    log, options = logging.getLogger("ezdxf"), _library().options
    before, was_fixed = log.level, options.write_fixed_meta_data_for_testing
    log.setLevel(logging.CRITICAL + 1)
    options.write_fixed_meta_data_for_testing = True
    try:
        yield
    finally:
        options.write_fixed_meta_data_for_testing = was_fixed
        log.setLevel(before)


def _library() -> Any:
    """The library, whose own types do not say what it gives out."""
    import ezdxf

    return ezdxf


def _document(layers: Sequence[Layer], number: int, paper_in: float, title: str) -> Any:
    document = _library().new(VERSION)
    header = document.header
    header["$INSUNITS"] = number
    header["$MEASUREMENT"] = 1 if number == 6 else 0
    header["$LTSCALE"] = paper_in  # dashes are told in inches of paper
    header["$PDMODE"], header["$PDSIZE"] = POINT_SIGN, SIGN_IN * paper_in
    header["$LWDISPLAY"] = 1
    if title:
        header.custom_vars.append("title", safe_text(title))
    document.styles.add(STYLE, font=FONT)
    for layer in layers:
        dashes = "CONTINUOUS"
        if layer.dash_in:
            dashes = f"LINE_{layer.name}"
            pattern = [part if k % 2 == 0 else -part for k, part in enumerate(layer.dash_in)]
            document.linetypes.add(dashes, [sum(layer.dash_in), *pattern], description=layer.about)
        made = document.layers.add(
            layer.name, color=layer.colour, linetype=dashes, lineweight=round(layer.width_mm * 100)
        )
        made.description = layer.about
    return document


def _add_shapes(space: Any, shapes: Iterable[Shape]) -> list[Any]:
    """Draw every simple part; the parts come back."""
    drawn = []
    for one in shapes:
        for part in _parts(one.shape):
            look = {"layer": one.layer}
            if part.geom_type == "Point":
                space.add_point((part.x, part.y), dxfattribs=look)
            elif part.geom_type == "Polygon":
                for ring in (part.exterior, *part.interiors):
                    space.add_lwpolyline(_xy(ring)[:-1], close=True, dxfattribs=look)
            else:
                space.add_lwpolyline(_xy(part), close=False, dxfattribs=look)
            drawn.append(part)
    return drawn


def _parts(shape: Any) -> list[Any]:
    """Simple parts of any geometry, none of them empty."""
    if shape is None or shape.is_empty:
        return []
    if hasattr(shape, "geoms"):
        return [part for one in shape.geoms for part in _parts(one)]
    return [shape]


def _xy(line: Any) -> list[tuple[float, float]]:
    return [(float(point[0]), float(point[1])) for point in line.coords]


def _add_words(space: Any, one: Words) -> None:
    from ezdxf.enums import TextEntityAlignment

    text = safe_text(one.words)[:LONGEST_TEXT]
    if not text:
        return
    look = {"layer": one.layer, "style": STYLE, "rotation": one.turn_deg}
    entity = space.add_text(text, height=one.height, dxfattribs=look)
    where = TextEntityAlignment.MIDDLE_CENTER if one.is_middle else TextEntityAlignment.LEFT
    entity.set_placement((one.x, one.y), align=where)


def _sort_classes(document: Any) -> None:
    """List the classes in use by name: the library takes them from a set, whose order varies."""
    for kind in sorted({entity.dxftype() for entity in document.entitydb.values()}):
        document.classes.add_class(kind)


def _bounds(parts: list[Any]) -> tuple[float, float, float, float] | None:
    import shapely

    if not parts:
        return None
    west, south, east, north = (float(v) for v in shapely.total_bounds(parts))
    return west, south, east, north


def _show(document: Any, box: tuple[float, float, float, float]) -> None:
    """What is seen when the drawing is opened: all of it."""
    west, south, east, north = box
    space = document.modelspace()
    space.dxf.extmin, space.dxf.extmax = (west, south, 0.0), (east, north, 0.0)
    space.dxf.limmin, space.dxf.limmax = (west, south), (east, north)
    middle = ((west + east) / 2, (south + north) / 2)
    document.set_modelspace_vport(1.1 * max(north - south, east - west, 1.0), middle)
