"""Remarks of the tree schedule: what a reader must know of a tree beside its figures."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from typing import Any

from geotrim.io.package_read import Package
from geotrim.report.cut_marks import After, Mark
from geotrim.report.furniture import percent
from geotrim.report.statement_lot import flag, number, text
from geotrim.report.statement_parts import clean, sentence
from geotrim.rules.species import look_alikes, species_key, species_table

#: The two that the cautions of every result name; other look-alikes are told with the cautions.
CONFUSED = {"conocarpus_erectus", "laguncularia_racemosa"}
#: A remark of more letters that more trees share stands once, over the table, with a number.
MOST_LETTERS, LEAST_TREES = 30, 3


def remarks(
    tree: Mapping[str, Any], marks: Sequence[Mark], after: After | None, package: Package
) -> Iterator[str]:
    """What must be known of a tree.

    Parameters
    ----------
    tree : mapping
        A row of the layer ``crowns``, with ``bar`` of the window and ``why_not`` of the stages.
    marks : sequence of Mark
        Its cuts by the plan that is drawn; empty where it is left.
    after : After, optional
        How it stands when all is done.
    package : Package
    """
    why = clean(text(tree.get("why_left")))
    if text(tree.get("keep")):
        yield f"keep: {clean(tree['keep'])}"
    elif marks and why:  # cut by another plan than the one that leaves it
        yield f"no window may cut it: {why}"
    elif why:
        yield f"limit: {why}" if text(tree.get("bar")) else why
    for part in clean(text(tree.get("why_not"))).split("; "):
        if part and not part.startswith("nearest"):  # that is the cut
            yield f"not reached as planned: {part}"
    if flag(tree.get("is_stick_first")):
        yield "read by stick first"
    if flag(tree.get("is_too_close")) and (marks or "too close" not in why):
        yield f"too close to {number(tree.get('nearest_limit_ft')):g} ft to tell"
    yield from _of_species(tree)
    yield from _of_shape(tree, bool(marks))
    yield from _of_marks(marks, after)


def _of_species(tree: Mapping[str, Any]) -> Iterator[str]:
    key = species_key(tree["species"])
    if key is None:
        yield "taken as a mangrove until the species is found out"
        return
    for pair in look_alikes(key):
        if {key, pair.key} == CONFUSED:
            name = str(species_table()[pair.key]["common"])
            yield f"easily taken for {name}: look at the leaves"


def _of_shape(tree: Mapping[str, Any], is_cut: bool) -> Iterator[str]:
    if flag(tree.get("is_draft")):
        yield "outline drawn by a machine"
    if flag(tree.get("is_partial")):
        covered = number(tree.get("covered_frac"))
        yield f"heights cover {percent(covered)} of the crown"
    if is_cut and math.isnan(number(tree.get("base_height_ft"))):
        yield "lowest foliage not known"


def _of_marks(marks: Sequence[Mark], after: After | None) -> Iterator[str]:
    """What the cuts alone do not tell."""
    if after is not None and not after.is_mark and any(one.high_in is None for one in marks):
        yield f"what stands outside the zone stays at {after.words} ft"
    idle = [f"{one.year}" for one in marks if one.is_nothing and one.year]
    if idle and len(idle) < len(marks):
        years = f"year {idle[0]}" if len(idle) == 1 else f"years {', '.join(idle)}"
        yield f"nothing more to cut in {years}: less than an inch"


def keyed(told: Sequence[Sequence[str]]) -> dict[str, int]:
    """Long remarks that several trees share -> the number they stand under, over the table.

    Examples
    --------
    >>> long = "easily taken for buttonwood: look at the leaves"
    >>> keyed([[long], [long, "keep: nest"], [long], ["keep: nest"]])[long]
    1
    """
    often = Counter(one for mine in told for one in mine)
    long = [one for one, n in often.items() if len(one) > MOST_LETTERS and n >= LEAST_TREES]
    return {one: k for k, one in enumerate(long, start=1)}


def remark_words(told: Sequence[str], keys: Mapping[str, int]) -> str:
    """Remarks of one tree, shared ones by their numbers.

    Examples
    --------
    >>> remark_words(["keep: nest", "x", "y"], {"x": 1, "y": 3})
    'Notes 1, 3. Keep: nest.'
    """
    numbers = [str(k) for k in sorted(keys[one] for one in told if one in keys)]
    noun = "Note" if len(numbers) == 1 else "Notes"
    short = [f"{noun} {', '.join(numbers)}."] if numbers else []
    return " ".join([*short, *(sentence(one) for one in told if one not in keys)])
