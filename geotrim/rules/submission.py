"""What a submission usually contains, and which of it geotrim has filled in."""

from __future__ import annotations

import difflib
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from functools import lru_cache
from importlib.resources import files
from typing import Any

from geotrim.errors import RangeError, RuleError
from geotrim.rules.rule_file import CONFIDENCES

#: Routes on paper, as the file names them; ``paper`` of ``routes.toml`` is one of these.
PAPERS = ("verification", "general-permit", "individual-permit")

_TEXTS = (*PAPERS, "words", "source", "confidence", "read_on")
_LISTS = ("figures", "to_add")
#: What parts what is there of an item from what is not.
STILL_TO_ADD = ". Still to add: "


@dataclass(frozen=True, slots=True)
class Item:
    """One item of ``submission.toml``; its keys are explained there.

    asked : paper -> "yes", "no" or "if ...".
    """

    id: str
    words: str
    asked: Mapping[str, str]
    figures: tuple[str, ...]
    to_add: tuple[str, ...]
    source: str
    confidence: str
    read_on: str


@lru_cache(maxsize=1)
def submission() -> tuple[dict[str, str], tuple[Item, ...]]:
    """Figures geotrim can fill in, key to words, and the items in the order of the file."""
    text = files("geotrim.rules").joinpath("submission.toml").read_text(encoding="utf-8")
    return read_submission(text, "submission.toml")


def read_submission(text: str, where: str) -> tuple[dict[str, str], tuple[Item, ...]]:
    """Read and check a list of items.

    Parameters
    ----------
    text : str
        TOML, as explained at the top of ``submission.toml``.
    where : str
        What to call it in messages.

    Raises
    ------
    RuleError
        If an item lacks a key, an answer, a source or a confidence, or names a figure that is not
        in the list of figures.
    """
    try:
        table = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise RuleError(where, f"text that is no TOML ({error})", "TOML", "correct it") from error
    figures = table.get("figure", {})
    items = tuple(
        _item(key, item, figures, f"{where}, [item.{key}]")
        for key, item in table.get("item", {}).items()
    )
    return figures, items


def checklist(filled: Mapping[str, str]) -> list[dict[str, str]]:
    """One row an item: for which route it is asked, and what is filled in already.

    Parameters
    ----------
    filled : mapping
        Figure, a key of ``[figure]`` in ``submission.toml``, -> words with the figure. A figure
        whose words are empty is not there.

    Returns
    -------
    rows : list of dict
        ``item``, ``words``, ``verification``, ``general_permit``, ``individual_permit``,
        ``filled`` (empty where none of the item's figures is there; else these, and what is still
        to add), ``source``, ``confidence``.

    Raises
    ------
    RangeError
        If ``filled`` holds a key that is no figure.

    Examples
    --------
    >>> rows = checklist({"lot_id": "lot A-12"})
    >>> rows[4]["item"], rows[4]["general_permit"]
    ('F-05', 'yes')
    >>> rows[4]["filled"].split(". ")[0], rows[0]["filled"]
    ('lot A-12', '')
    """
    known, items = submission()
    for key in filled:
        if key not in known:
            near = difflib.get_close_matches(key, known, n=1)
            mend = f"say {near[0]!r} if you meant that" if near else "choose one of these"
            raise RangeError(
                "figure of a submission", repr(key), f"one of {', '.join(known)}", mend
            )
    told = {key: words.strip().rstrip(".") for key, words in filled.items() if words.strip()}
    return [
        {
            "item": item.id,
            "words": item.words,
            **{paper.replace("-", "_"): item.asked[paper] for paper in PAPERS},
            "filled": _filled(item, told, known),
            "source": item.source,
            "confidence": item.confidence,
        }
        for item in items
    ]


def with_figures(
    filled: str, item_id: str, figures: Mapping[str, str], of_plan: tuple[str, ...], told_by: str
) -> str:
    """What is filled in of an item, with the figures of another plan.

    Parameters
    ----------
    filled : str
        As :func:`checklist` has it.
    item_id : str
    figures : mapping
        Figure -> words of the other plan.
    of_plan : tuple of str
        Figures that hang on the plan. One that the other plan does not tell is still to add.
    told_by : str
        Words that every figure of the first plan holds.

    Examples
    --------
    >>> with_figures("plan A: two years", "F-09", {"stage_plan": "plan B: a year"},
    ...              ("stage_plan",), "plan A")
    'plan B: a year'
    >>> with_figures("plan A: two years", "F-09", {}, ("stage_plan",), "plan A")
    ''
    """
    known, items = submission()
    item = next((one for one in items if one.id == item_id), None)
    mine = [key for key in (() if item is None else item.figures) if key in of_plan]
    if not mine:
        return filled
    head, _, still = filled.partition(STILL_TO_ADD)
    have = [part for part in head.split("; ") if part and told_by not in part]
    have += [figures[key].rstrip(".") for key in mine if key in figures]
    if not have:
        return ""
    settled = {known[key] for key in mine}
    lacking = [known[key] for key in mine if key not in figures]
    lacking += [part for part in still.split("; ") if part and part not in settled]
    return "; ".join(have) + (f"{STILL_TO_ADD}{'; '.join(lacking)}" if lacking else "")


def _filled(item: Item, told: Mapping[str, str], known: Mapping[str, str]) -> str:
    """What is there of an item, and what is still to add; empty where nothing is there."""
    have = [told[key] for key in item.figures if key in told]
    if not have:
        return ""
    lacking = [known[key] for key in item.figures if key not in told]
    still = [*lacking, *item.to_add]
    return "; ".join(have) + (f"{STILL_TO_ADD}{'; '.join(still)}" if still else "")


def _item(key: str, table: Any, figures: Mapping[str, str], where: str) -> Item:
    keys = (*_TEXTS, *_LISTS)
    if not isinstance(table, dict) or set(table) != set(keys):
        found = ", ".join(sorted(set(table) ^ set(keys))) if isinstance(table, dict) else "a value"
        raise RuleError(where, f"missing or unknown: {found}", ", ".join(keys), "correct the keys")
    for name in _TEXTS:
        if not (isinstance(table[name], str) and table[name].strip()):
            raise RuleError(f"{where} {name}", repr(table[name]), "text", "fill it in")
    for paper in PAPERS:
        answer = table[paper]
        if answer not in ("yes", "no") and not answer.startswith("if "):
            raise RuleError(
                f"{where} {paper}", repr(answer), 'yes, no, or "if ..."', "choose one of these"
            )
    if table["confidence"] not in CONFIDENCES:
        raise RuleError(
            f"{where} confidence", repr(table["confidence"]), ", ".join(CONFIDENCES), "choose one"
        )
    if table["confidence"].startswith("read") == (table["read_on"] == "not read"):
        need = "the month of reading for what was read, else 'not read'"
        raise RuleError(f"{where} read_on", repr(table["read_on"]), need, "correct one of the two")
    for name in table["figures"]:
        if name not in figures:
            raise RuleError(
                f"{where} figures", repr(name), f"one of {', '.join(figures)}", "add it to [figure]"
            )
    return Item(
        id=key,
        words=table["words"],
        asked={paper: table[paper] for paper in PAPERS},
        figures=tuple(table["figures"]),
        to_add=tuple(table["to_add"]),
        source=table["source"],
        confidence=table["confidence"],
        read_on=table["read_on"],
    )
