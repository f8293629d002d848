"""A set of sheets into PDF, SVG or PNG. The typesetting is typst's; what is drawn is ours."""

from __future__ import annotations

import json
import math
from collections.abc import Mapping, Sequence
from datetime import date
from functools import cache
from importlib.resources import files
from typing import Any

from geotrim.report.sheets import sheet as sheets
from geotrim.report.sheets.drawing import Drawing, Path, Text
from geotrim.report.sheets.fitted import breakable, foot_cells, head_line
from geotrim.report.sheets.lettering import FALL, FONT, RISE, font_folder, missing_letters, width_pt
from geotrim.report.sheets.sheet import Beside, Block, Cell, Index, Run, Sheet, SheetSet, Table

#: Template of a plan set, in this folder.
TEMPLATE = "sheets.typ"
#: Dots in an inch of a PNG.
PNG_DPI = 150
#: Decimals of a point that are written: a 7000th of a millimetre.
DECIMALS = 3
#: Room around words on a plate. [pt]
PLATE_PT = 0.9


def pdf_of(one: SheetSet) -> bytes:
    """A set as one PDF: vector, words that can be searched, a bookmark for each sheet, metadata."""
    return typeset(TEMPLATE, as_data(one), "pdf")[0]


def svgs_of(one: SheetSet) -> list[bytes]:
    """One SVG a page; words are outlines there."""
    return typeset(TEMPLATE, as_data(one), "svg")


def pngs_of(one: SheetSet, dpi: int = PNG_DPI) -> list[bytes]:
    """One PNG a page."""
    return typeset(TEMPLATE, as_data(one), "png", ppi=float(dpi))


def typeset(template: str, data: Mapping[str, Any], kind: str, **how: Any) -> list[bytes]:
    """Pages of a template of this folder, filled with data; a PDF is one item, else one a page.

    Parameters
    ----------
    template : str
        File name. It finds the data as JSON in ``sys.inputs.data``; words in it are never markup.
    data : mapping
        Of JSON's own kinds.
    kind : str
        ``pdf``, ``svg`` or ``png``.
    """
    import typst

    compile_: Any = typst.compile  # typed too narrowly for options that are handed on
    made = compile_(
        _template(template),
        format=kind,
        font_paths=[str(font_folder())],
        ignore_system_fonts=True,
        sys_inputs={"data": json.dumps(data, ensure_ascii=False, allow_nan=False)},
        **how,
    )
    return list(made) if isinstance(made, (list, tuple)) else [made]


@cache
def _template(name: str) -> bytes:
    return files("geotrim.report.sheets").joinpath(name).read_bytes()


def as_data(one: SheetSet) -> dict[str, Any]:
    """A set as the template reads it.

    Raises
    ------
    ValueError
        If a drawing is larger than a sheet has room for: that is a bug of who drew it.
    """
    return {
        "title": one.title,
        "author": one.author,
        "subject": one.subject,
        "keywords": list(one.keywords),
        "date": _date(one.date),
        "look": {
            "font": FONT,
            "width": sheets.LONG_PT,
            "height": sheets.SHORT_PT,
            "margin": sheets.MARGIN_PT,
            "pad": sheets.PAD_PT,
            "head": sheets.HEAD_PT,
            "block": sheets.BLOCK_PT,
            "number": sheets.NUMBER_PT,
            "caution": sheets.CAUTION_PT,
            "gap": sheets.GAP_PT,
            "foot_cell": sheets.FOOT_CELL_PT,
        },
        "block": foot_cells(one.block),
        "sheets": [_sheet(each) for each in one.sheets],
    }


def letters_without_shape(one: SheetSet) -> list[str]:
    """Letters of a set that the font does not have, each once."""
    return missing_letters(json.dumps(as_data(one), ensure_ascii=False))


def _date(text: str) -> dict[str, int] | None:
    if not text:
        return None
    day = date.fromisoformat(text)
    return {"year": day.year, "month": day.month, "day": day.day}


def _sheet(one: Sheet) -> dict[str, Any]:
    return {
        "title": one.title,
        "head": {
            **head_line(one.title, one.note),
            "listed": breakable(one.title, 8.0, None),
            "runs-on": one.is_run_on,
        },
        "blocks": [_block(block, sheets.BODY_WIDTH_PT) for block in one.blocks],
    }


def _block(block: Block, room_pt: float) -> dict[str, Any]:
    """A block as the template reads it; ``room_pt`` is the width it has."""
    if isinstance(block, Drawing):
        return drawing_data(block)
    if isinstance(block, Table):
        return _table(block, room_pt)
    if isinstance(block, Index):
        return {"kind": "index", "heading": block.heading, "size": block.size_pt}
    if isinstance(block, Beside):
        rest = room_pt - block.left_pt - sheets.GAP_PT
        return {
            "kind": "beside",
            "left_width": block.left_pt,
            "left": [_block(each, block.left_pt) for each in block.left],
            "right": [_block(each, rest) for each in block.right],
        }
    width = (room_pt - sheets.GAP_PT * (block.n_columns - 1)) / block.n_columns
    room = width - 12.0 * block.is_list
    return {
        "kind": "words",
        "size": block.size_pt,
        "heading": block.heading,
        "list": block.is_list,
        "columns": block.n_columns,
        "paragraphs": [_runs(text, block.size_pt, room) for text in block.paragraphs],
    }


def _table(block: Table, room_pt: float) -> dict[str, Any]:
    """A table; words that are wider than their column may be broken anywhere."""
    shares = sum(column.share for column in block.columns)
    is_shared = all(column.share > 0 for column in block.columns)
    rooms = [
        room_pt * column.share / shares - 2 * sheets.CELL_PT if is_shared else None
        for column in block.columns
    ]
    return {
        "kind": "table",
        "size": block.size_pt,
        "pad": sheets.CELL_PT,
        "striped": block.is_striped,
        "heading": block.heading,
        "columns": [
            {"heading": c.heading, "share": c.share, "align": c.align} for c in block.columns
        ],
        "rows": [
            [
                {"runs": _runs(cell, block.size_pt, room)}
                for cell, room in zip(row, rooms, strict=True)
            ]
            for row in block.rows
        ],
    }


def _runs(words: Cell, size_pt: float, room_pt: float | None) -> list[dict[str, Any]]:
    """Runs as the template reads them."""
    every = runs(words) if isinstance(words, str) else words
    return [
        {
            "text": breakable(one.text, size_pt, room_pt, is_bold=one.is_bold),
            "bold": one.is_bold,
            "small": one.is_small,
        }
        for one in every
        if one.text
    ]


def drawing_data(one: Drawing) -> dict[str, Any]:
    """A drawing as the template reads it; plates become areas behind their words."""
    room = sheets.BODY_WIDTH_PT + 0.01, sheets.BODY_HEIGHT_PT + 0.01
    if one.width_pt > room[0] or one.height_pt > room[1]:
        size = f"{one.width_pt:.0f} x {one.height_pt:.0f} pt"
        raise ValueError(
            f"a drawing of {size} on a sheet with room for {room[0]:.0f} x {room[1]:.0f}"
        )
    items: list[dict[str, Any]] = []
    for item in one.items:
        if isinstance(item, Path):
            items.append(_path(item))
            continue
        if item.plate is not None:
            items.append(_path(_plate(item)))
        items.append(_text(item))
    return {
        "kind": "drawing",
        "width": one.width_pt,
        "height": one.height_pt,
        "alt": one.alt,
        "items": items,
    }


def _path(item: Path) -> dict[str, Any]:
    return {
        "kind": "path",
        "parts": [_rounded(part) for part in item.parts],
        "closed": item.is_closed,
        "stroke": item.stroke,
        "fill": item.fill,
        "width": item.width_pt,
        "dash": list(item.dash_pt),
    }


def _rounded(part: Any) -> list[list[float]]:
    found: list[list[float]] = part.round(DECIMALS).tolist()
    return found


def _text(item: Text) -> dict[str, Any]:
    x, y = _start(item)
    return {
        "kind": "text",
        "x": round(x, DECIMALS),
        "y": round(y, DECIMALS),
        "words": item.words,
        "size": item.size_pt,
        "turn": item.turn_deg,
        "bold": item.is_bold,
        "italic": item.is_italic,
        "colour": item.colour,
    }


def _start(item: Text) -> tuple[float, float]:
    """Where the first letter's baseline begins."""
    width = width_pt(item.words, item.size_pt, is_bold=item.is_bold)
    back = {"start": 0.0, "middle": width / 2, "end": width}[item.anchor]
    turn = math.radians(item.turn_deg)
    return item.x_pt - back * math.cos(turn), item.y_pt + back * math.sin(turn)


def corners(item: Text, room_pt: float = PLATE_PT) -> list[tuple[float, float]]:
    """Corners of the box around words, with a little room. [pt]."""
    x, y = _start(item)
    width = width_pt(item.words, item.size_pt, is_bold=item.is_bold)
    turn = math.radians(item.turn_deg)
    low, high = -FALL * item.size_pt - room_pt, RISE * item.size_pt + room_pt
    along = (-room_pt, width + room_pt)
    return [
        (x + a * math.cos(turn) - u * math.sin(turn), y - a * math.sin(turn) - u * math.cos(turn))
        for a, u in ((along[0], low), (along[1], low), (along[1], high), (along[0], high))
    ]


def _plate(item: Text) -> Path:
    import numpy as np

    ring = np.array(corners(item))
    return Path((ring,), is_closed=True, stroke=None, fill=item.plate)


def runs(text: str) -> tuple[Run, ...]:
    """Words in runs, bold between pairs of ``**``.

    Examples
    --------
    >>> runs("a **b** c")[1]
    Run(text='b', is_bold=True, is_small=False)
    """
    parts: Sequence[str] = text.split("**")
    if len(parts) % 2 == 0:  # a mark without its pair is only two stars
        return (Run(text),)
    return tuple(Run(part, is_bold=bool(k % 2)) for k, part in enumerate(parts) if part)
