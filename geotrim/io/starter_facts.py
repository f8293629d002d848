"""The questions of a starter file: facts a map cannot give, each with the answers it may have."""

from __future__ import annotations

import json
import textwrap

from geotrim.rules.facts import Fact, facts

#: Columns of a line, and the column where a remark begins.
WIDTH, REMARK = 98, 44
#: Stands for an answer that is not given yet.
OPEN = "..."

_INTRO = (
    "Facts a map cannot give, of every lot of the site. Which route to an authorisation is open "
    "hangs on them. Nobody has to answer: what is not answered is unknown, and an unknown is never "
    "taken for a yes. To answer, take the # off and put the answer in place of the three dots."
)

_KINDS = {
    "yes-no": "true or false",
    "date": "a date, written 2027-01-15",
    "text": "text, in quotes",
}


def facts_blocks(lot_id: str | None = None) -> str:
    """The tables ``[facts]`` and ``[[lot_facts]]`` with every question, no answer given.

    Parameters
    ----------
    lot_id : str, optional
        A lot of the site, for the example.
    """
    lines = [*comment(_INTRO), "[facts]"]
    for fact in facts().values():
        lines += [*comment(fact.question), *_answer(fact), ""]
    lines += [
        *comment(
            "Where the answer differs for one lot; one block for each, with any key of [facts]."
        ),
        "# [[lot_facts]]",
        remark(f"# lot = {json.dumps(lot_id or 'A-12', ensure_ascii=False)}", "id of the lot"),
    ]
    return "\n".join(lines) + "\n"


def answers(fact: Fact) -> str:
    """What an answer may be, in words."""
    if fact.kind == "choice":
        *others, last = (f'"{choice}"' for choice in fact.choices)
        return f"{', '.join(others)} or {last}"
    if fact.kind in ("number", "whole"):
        kind = "a whole number" if fact.kind == "whole" else "a number"
        return (
            f"{kind}{f' of {fact.unit}' if fact.unit else ''}, from {fact.low:g} to {fact.high:g}"
        )
    return _KINDS[fact.kind]


def comment(text: str) -> list[str]:
    """A text as lines of comment."""
    return [f"# {line}" for line in textwrap.wrap(text, WIDTH - 2, break_on_hyphens=False)]


def remark(text: str, words: str) -> str:
    """A line with a remark after it."""
    return f"{text:<{REMARK}}  # {words}"


def _answer(fact: Fact) -> list[str]:
    """The line of an answer; many choices run on below it."""
    words = textwrap.wrap(answers(fact), WIDTH - REMARK - 4, break_on_hyphens=False)
    lines = [f"# {fact.key} = {OPEN}", *["#"] * (len(words) - 1)]
    return [remark(line, part) for line, part in zip(lines, words, strict=True)]
