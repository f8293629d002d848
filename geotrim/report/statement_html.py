"""A statement of findings as one HTML page that stands alone: no script, no font, no link outward.

It is made for three readers: a screen, a telephone (tables become cards) and 8.5 by 11 in paper,
grey or in colour: every verdict is a word with a mark, the colour only repeats it.
"""

from __future__ import annotations

import base64
import re
from html import escape

from geotrim.report.palette import BLACK, BLUE, GREEN, GREY, PAPER, PURPLE, VERMILION
from geotrim.report.statement_parts import (
    Block,
    Bullets,
    Callout,
    Cell,
    Heading,
    Line,
    Page,
    Paragraph,
    Picture,
    Span,
    Table,
)

#: Colour that goes with a kind of text; each stands out on white (contrast over 4.5).
COLOURS = {"good": GREEN, "bad": VERMILION, "close": PURPLE, "doubt": BLUE, "idle": GREY}
#: Tables of so few rows are not parted by the end of a page.
SHORT = 6
LINE, SHADE = "#C4C4C4", "#F2F2F2"
#: Widths of the columns of each look of table, in percent.
WIDTHS = {
    "ways": (27, 20, 53),
    "limits": (45, 19, 22, 14),
    "trees": (11, 18, 14, 11, 33, 13),
    "trees-two": (9, 14, 13, 17, 14, 24, 9),
    "lots": (14, 46, 12, 9, 9, 10),
    "cap": (22, 17, 16, 15, 15, 15),
    "checklist": (40, 24, 36),
    "changing": (24, 20, 20, 36),
    "readings": (50, 50),
    "stages": (32, 18, 18, 32),
    "notices": (40, 20, 20, 20),
    "figures": (38, 62),
    "words": (24, 76),
    "spans": (12, 28, 22, 20, 18),
    "treated": (13, 15, 26, 12, 12, 14, 8),
    "window-limits": (42, 19, 17, 22),
    "plans": (22, 34, 18, 15, 11),
    "years": (20, 22, 58),
    "quarters": (17, 19, 13, 13, 15, 23),
    "risks": (48, 12, 20, 20),
    "eyes": (28, 18, 18, 18, 18),
    "after-odd": (11, 18, 18, 28, 25),
    "after-rules": (60, 18, 22),
    "after-limits": (9, 20, 20, 12, 12, 27),
    "after-next": (14, 10, 8, 68),
    "after-trees": (14, 12, 14, 18, 13, 17, 12),
}

CSS = f"""
*{{box-sizing:border-box}}
html{{-webkit-text-size-adjust:100%}}
body{{margin:0;background:{PAPER};color:{BLACK};font:16px/1.5 "Segoe UI","Helvetica Neue",Arial,
"Noto Sans","DejaVu Sans",sans-serif}}
main{{max-width:60rem;margin:0 auto;padding:1.5rem 1.25rem 3rem}}
h1{{font-size:1.7rem;line-height:1.2;margin:0 0 .5rem}}
h2{{font-size:1.35rem;line-height:1.25;margin:2.75rem 0 .75rem;padding-top:.6rem;
border-top:3px solid {BLACK}}}
h3{{font-size:1.1rem;line-height:1.3;margin:2rem 0 .5rem}}
h4{{font-size:1rem;margin:1.25rem 0 .35rem}}
p{{margin:.5rem 0;max-width:46rem;overflow-wrap:anywhere}}
ul{{margin:.5rem 0;padding-left:1.3rem;max-width:46rem}}
li{{margin:.3rem 0}}
a{{color:inherit}}
img{{max-width:100%;height:auto;margin:.5rem 0;border:1px solid {LINE}}}
.sideways{{overflow-x:auto;margin:.5rem 0}}
.small{{font-size:.85em;color:#4A4A4A}}
.warn,.strong{{font-weight:600}}
.good,.bad,.close,.doubt,.idle{{font-weight:600}}
{"".join(f".{kind}{{color:{colour}}}" for kind, colour in COLOURS.items())}
.callout{{border:2px solid {BLACK};border-left-width:8px;padding:.7rem 1rem;margin:1rem 0}}
.callout p{{font-size:1.12rem;font-weight:600;margin:.1rem 0;max-width:none}}
.callout ul{{list-style:none;padding:0;margin:.5rem 0 0;max-width:none}}
table{{border-collapse:collapse;width:100%;margin:.6rem 0 1.1rem;font-size:.92rem;line-height:1.4}}
th,td{{text-align:left;vertical-align:top;padding:.4rem .55rem;border-bottom:1px solid {LINE};
overflow-wrap:anywhere}}
th{{background:{SHADE};border-bottom:2px solid {BLACK};font-weight:600;overflow-wrap:normal}}
td>div+div{{margin-top:.15rem}}
.fine{{font-size:.85em;line-height:1.35}}
.fine .small{{font-size:1em}}
table.fixed{{table-layout:fixed}}
@media screen and (max-width:640px){{
main{{padding:1rem .85rem 2rem}}
h1{{font-size:1.4rem}}
.cards,.cards tbody,.cards tr,.cards td{{display:block;width:auto}}
.cards colgroup,.cards thead{{display:none}}
.cards tr{{border:1px solid {LINE};border-left:4px solid {GREY};margin:.6rem 0;padding:.3rem .6rem}}
.cards td{{border:0;padding:.15rem 0}}
.cards td:first-child{{font-weight:600}}
.cards td:first-child .small{{font-weight:400}}
.cards td:empty{{display:none}}
.cards td+td::before{{content:attr(data-head) ": ";color:#4A4A4A}}
.cards td+td>div:first-child{{display:inline}}
}}
@page{{size:8.5in 11in;margin:.7in .7in .8in;
@bottom-right{{content:"page " counter(page) " of " counter(pages);font:8pt Arial,sans-serif}}}}
@media print{{
body{{font-size:9.5pt;line-height:1.35}}
main{{max-width:none;padding:0}}
h1{{font-size:17pt}}
h2{{font-size:14pt;margin-top:1.5rem}}
h3{{font-size:11.5pt;margin:1.1rem 0 .3rem}}
h1,h2,h3,h4,p:has(+table),p:has(+ul){{break-after:avoid}}
.new-page{{break-before:page;margin-top:0}}
p,li{{orphans:3;widows:3}}
p,ul{{max-width:none}}
table{{font-size:8.5pt;line-height:1.3;margin:.4rem 0 .8rem}}
th,td{{padding:.25rem .4rem}}
h4{{margin:.8rem 0 .2rem}}
thead{{display:table-header-group}}
tr,.callout,img{{break-inside:avoid}}
table.short{{break-inside:avoid}}
.sideways{{overflow:visible}}
.sideways img{{min-width:0!important}}
th{{-webkit-print-color-adjust:exact;print-color-adjust:exact}}
a{{text-decoration:none}}
}}
"""


def html(page: Page) -> str:
    """The page as HTML text.

    Parameters
    ----------
    page : Page

    Notes
    -----
    Every text is escaped; the style sheet holds none of it.
    """
    body = "\n".join(part for block in page.blocks if (part := _block(block)))
    return (
        '<!DOCTYPE html>\n<html lang="en">\n<head>\n<meta charset="utf-8">\n'
        '<meta name="viewport" content="width=device-width, initial-scale=1">\n'
        f"<title>{escape(page.title)}</title>\n<style>{CSS}</style>\n</head>\n"
        f"<body>\n<main>\n{body}\n</main>\n</body>\n</html>\n"
    )


def _block(block: Block) -> str:
    match block:
        case Heading():
            return _heading(block)
        case Paragraph():
            return f"<p{_class(block.kind)}>{_line(block.line)}</p>"
        case Bullets():
            return _list(block.lines)
        case Callout():
            items = _list(block.lines) if block.lines else ""
            return f'<div class="callout"><p>{_line(block.lead)}</p>{items}</div>'
        case Table():
            return _table(block)
        case Picture():
            data = base64.b64encode(block.data).decode("ascii")
            image = f'<img alt="{escape(block.words)}" src="data:image/png;base64,{data}"'
            if not block.least_px:
                return f"<p>{image}></p>"
            wide = f'{image} style="min-width:{block.least_px}px">'
            return f'<div class="sideways" tabindex="0">{wide}</div>'


def _heading(block: Heading) -> str:
    anchor = f' id="{escape(block.anchor)}"' if block.anchor else ""
    new_page = _class("new-page" if block.is_new_page else "")
    return f"<h{block.level}{anchor}{new_page}>{escape(block.text)}</h{block.level}>"


def _list(lines: tuple[Line, ...]) -> str:
    return f"<ul>{''.join(f'<li>{_line(one)}</li>' for one in lines)}</ul>"


def _table(table: Table) -> str:
    if not table.rows:
        return ""
    widths = WIDTHS.get(table.kind, ())
    columns = "".join(f'<col style="width:{width}%">' for width in widths)
    group = f"<colgroup>{columns}</colgroup>" if columns else ""
    heads = "".join(f'<th scope="col">{escape(head)}</th>' for head in table.heads)
    rows = "\n".join(_row(table.heads, row) for row in table.rows)
    looks = {"fixed": columns, "cards": len(table.heads) > 2, "short": len(table.rows) <= SHORT}
    look = [name for name, is_so in looks.items() if is_so]
    head = f"<thead><tr>{heads}</tr></thead>"
    return f"<table{_class(' '.join(look))}>{group}{head}\n<tbody>\n{rows}\n</tbody></table>"


def _row(heads: tuple[str, ...], row: tuple[Cell, ...]) -> str:
    cells = zip(heads, row, strict=True)
    return f"<tr>{''.join(f'<td{_data(head)}>{_cell(one)}</td>' for head, one in cells)}</tr>"


def _data(head: str) -> str:
    return f' data-head="{escape(head)}"'


def _cell(cell: Cell) -> str:
    return "".join(f"<div{_class(_look(one))}>{_line(one)}</div>" for one in cell)


def _look(line: Line) -> str:
    """A line of nothing but small print is set closer."""
    is_fine = all(span.kind in ("small", "warn") for span in line)
    return "fine" if is_fine and any(span.kind == "small" for span in line) else ""


def _line(line: Line) -> str:
    return "".join(_span(span) for span in line)


def _span(span: Span) -> str:
    text = _unbroken(escape(span.text))
    if span.target:
        text = f'<a href="#{escape(span.target)}">{text}</a>'
    return f"<span{_class(span.kind)}>{text}</span>" if span.kind else text


def _unbroken(text: str) -> str:
    """A number and its unit on one line."""
    return re.sub(r"(?<=\d) (?=(?:ft|%|sq ft|years?|days?)(?!\w))", "&nbsp;", text)


def _class(name: str) -> str:
    return f' class="{name}"' if name else ""
