"""A screening as one page that stands alone: a table and a map of the lots, joined.

Words reach the page as JSON and are set as text, never as markup. The page may run its own script
and its own style and nothing else: both are named by their hash in its security policy.
"""

from __future__ import annotations

import json
import re
from collections.abc import Iterator, Mapping
from html import escape
from typing import Any

import numpy as np

from geotrim.io.package import CSV_DECIMALS
from geotrim.model import MHW_ORIGINS
from geotrim.ops.catalogue import CAUTIONS
from geotrim.report.furniture import CAUTION, counted
from geotrim.report.one_file import page_part, policy_hash
from geotrim.report.screen_columns import OWN_WORDS, head_of, lot_words, unit_words
from geotrim.report.screen_outlines import Outlines
from geotrim.report.screen_pack import packed, text_column
from geotrim.report.screen_stands import KEYS, OPEN_WORDS, STANDS, route_name
from geotrim.report.screen_view import ScreenView
from geotrim.rules.outcome import LAST
from geotrim.rules.rule_file import Rule, measures, routes
from geotrim.units import feet_per_map_unit, unit_of

#: Decimals a figure is shown with, by its unit; counts have none.
DECIMALS = {"ft": 1, "ft2": 0, "ft3": 0, "frac": 3}
#: Columns the page adds up, which are kept as in the files.
SUMMED = ("frontage_length_ft",)
#: Notes the page lists; the rest are in notes.csv.
MOST_NOTES = 200
RULE_COLUMNS = ("findings_not_met", "findings_too_close", "findings_unknown", "unmet_duties")
#: Kinds of what is worth a look -> words for a narrow column, after a number.
CHECKS = {
    "heights too close to a limit": "heights",
    "species unknown": "species",
    "heights missing": "unseen",
    "trees in an exclusion": "in exclusion",
}


def screen_page(view: ScreenView, notes: Any) -> Iterator[str]:
    """The page, piece by piece.

    Parameters
    ----------
    view : ScreenView
    notes : DataFrame
        ``level``, ``about``, ``text``, ``n``, ``named``.
    """
    script, look = page_part("screen_page.js"), page_part("screen_page.css")
    page = page_part("screen_page.html")
    parts: dict[str, Any] = {
        "@SCRIPT_HASH@": policy_hash(script),
        "@STYLE_HASH@": policy_hash(look),
        "@TITLE@": escape(f"Screening: {view.name}"),
        "@STYLE@": look,
        "@DATA@": None,
        "@SCRIPT@": script,
    }
    for mark, text in parts.items():  # in the order they stand: words in the data are never marks
        before, found, page = page.partition(mark)
        if not found:
            raise ValueError(f"no {mark} left in the page")
        yield before
        if text is None:
            yield from _in_script(page_data(view, notes))
        else:
            yield text
    yield page


def _in_script(data: Mapping[str, Any]) -> Iterator[str]:
    """JSON that cannot end the element it stands in, nor begin another; a column at a time."""
    mark = "{"
    for key, value in data.items():
        yield f"{mark}{_safe(key)}:"
        mark = ","
        if key != "columns":
            yield _safe(value)
            continue
        inner = "["
        for column in value:
            yield inner + _safe(column)
            inner = ","
        yield "]" if inner == "," else "[]"
    yield "}"


def _safe(value: Any) -> str:
    text = json.dumps(value, ensure_ascii=False, allow_nan=False, separators=(",", ":"))
    for sign in "<>&\u2028\u2029":
        text = text.replace(sign, f"\\u{ord(sign):04x}")
    # Half a pair of a sign that takes two has no bytes in UTF-8; JSON can name it.
    return text.encode("utf-8", "backslashreplace").decode("utf-8")


def page_data(view: ScreenView, notes: Any) -> dict[str, Any]:
    """What the page's script reads; ``columns`` is made as it is asked for."""
    shown = notes.head(MOST_NOTES)
    return {
        "title": view.name,
        "about": _about(view),
        "open": OPEN_WORDS,
        "caution": CAUTION,
        "cautions": list(CAUTIONS),
        "n": view.n_lots,
        "stands": [
            {
                "words": STANDS[key].words,
                "short": STANDS[key].short,
                "colour": STANDS[key].colour,
                "hatch": STANDS[key].hatch[:1],
                "hatch_colour": STANDS[key].hatch_colour,
            }
            for key in KEYS
        ],
        "codes": packed(view.codes),
        "routes": _routes(),
        "checks": CHECKS,
        "route_names": {name: route_name(name) for name in (*routes(), "none", "left-alone")},
        "rules": _rules(view),
        "notes": [
            [str(row.level), str(row.about), str(row.text), int(row.n), str(row.named)]
            for row in shown.itertuples()
        ],
        "n_notes": len(notes),
        "feet": feet_per_map_unit(view.crs_wkt, "map"),
        "step": view.outlines.step,
        "lots": _packed_outlines(view.outlines),
        "shore": _packed_outlines(view.shore),
        "shore_words": MHW_ORIGINS[view.mhw_origin],
        "towns": _packed_outlines(view.towns),
        "town_names": list(view.town_names),
        "columns": _columns(view),
    }


def _about(view: ScreenView) -> str:
    every = view.sums["summary_by_jurisdiction"].iloc[0]
    drafted = "" if view.has_crowns else " (drafted by machine from the heights)"
    return (
        f"{counted(view.n_lots, 'lot')}, {every['n_on_shore']:,} on the shore with "
        f"{every['frontage_length_ft']:,.1f} ft of frontage; {counted(view.n_crowns, 'crown')}"
        f"{drafted}. Figures are rounded here; lots.csv and screening.gpkg have them in full."
    )


def _columns(view: ScreenView) -> Iterator[dict[str, Any]]:
    """The columns of the lots' table, one after another."""
    own = set(view.own_fields)
    for name in view.lots.column_names:
        column = view.lots[name]
        out: dict[str, Any] = {"key": name, "is_own": name in own}
        out["head"] = name if name in own else head_of(name)
        out["means"] = OWN_WORDS if name in own else lot_words(name) or ""
        out["unit"] = "" if name in own else unit_words(name)
        if name == "jurisdiction":
            yield out | text_column([str(place) for place in view.places])
        elif _is_number(column):
            yield out | _numbers(column, name, is_own=name in own)
        elif str(column.type) == "bool":
            yield out | text_column([_yes(value) for value in column.to_pylist()])
        else:
            yield out | text_column(column.to_pylist())


def _is_number(column: Any) -> bool:
    return str(column.type) in ("double", "int64")


def _numbers(column: Any, name: str, *, is_own: bool) -> dict[str, Any]:
    """A column of numbers; a field's own are kept to the last digit and shown as they are."""
    values = column.to_pylist()
    if is_own and str(column.type) == "double":
        return {"kind": "raw", "data": values}
    if is_own and _too_long(values):
        digits = [None if value is None else str(value) for value in values]
        return {"kind": "text", "is_digits": True, "data": digits}
    shown = None if is_own else DECIMALS.get(unit_of(name) or "", 0)
    decimals = CSV_DECIMALS if name in SUMMED else shown or 0
    known = [np.nan if value is None else value for value in values]
    return {"kind": "number", "decimals": decimals, "shown": shown, "data": packed(known, decimals)}


def _too_long(values: list[Any]) -> bool:
    """Whether whole numbers are longer than a page's numbers are exact, 2^53."""
    return any(value is not None and abs(value) > 2**51 for value in values)


def _yes(value: bool | None) -> str | None:
    return None if value is None else "yes" if value else "no"


def _routes() -> list[dict[str, Any]]:
    """The ways of the act: what lies outside it is none."""
    return [
        {
            "column": f"route_{name.replace('-', '_')}",
            "name": str(table["name"]),
            "section": str(table["section"]),
            "is_last": name == LAST,
        }
        for name, table in routes().items()
        if table["kind"] != "outside"
    ]


def _rules(view: ScreenView) -> dict[str, dict[str, list[str]]]:
    """Jurisdiction -> rule -> words, limit, source; only rules that some lot names."""
    import pyarrow.compute as pc

    named: set[str] = set()
    for name in RULE_COLUMNS:
        if name not in view.lots.column_names:
            continue
        for text in pc.unique(view.lots[name]).to_pylist():
            named.update(re.sub(r"\s*\(.*", "", part).strip() for part in (text or "").split(";"))
    return {
        place: {key: _rule(rules[key]) for key in sorted(named) if key in rules}
        for place, rules in view.rules.items()
    }


def _rule(rule: Rule) -> list[str]:
    what = str(measures().get(rule.limit.measure, {}).get("words", ""))
    return [rule.words, f"{what}: {rule.limit.words()}" if what else "", rule.source]


def _packed_outlines(outlines: Outlines) -> dict[str, str]:
    """Counts of rings and places, and each place as its way from the one before."""
    ways = np.diff(outlines.xy, axis=0, prepend=np.zeros((1, 2), np.int64))
    return {
        "shapes": packed(np.diff(outlines.shapes)),
        "rings": packed(np.diff(outlines.rings)),
        "x": packed(ways[:, 0]),
        "y": packed(ways[:, 1]),
    }
