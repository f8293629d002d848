"""What a lot's own fields say: facts that they answer, and fields that are carried through.

An answer in a block ``[[lot_facts]]`` goes before that of a field, and both before ``[facts]``. A
value that cannot be an answer makes the fact unknown for that lot, and a note tells it.
"""

from __future__ import annotations

import datetime
import json
import math
from collections.abc import Mapping, Sequence
from typing import Any

from geotrim.errors import LayerError, RangeError
from geotrim.io.fields import text_id
from geotrim.io.repair import listed
from geotrim.io.site_crowns import YES_NO
from geotrim.io.site_facts import contradictions
from geotrim.io.site_spec import SiteSpec
from geotrim.model import Facts
from geotrim.rules.facts import Fact, facts


def answer_of(fact: Fact, value: Any) -> Any:
    """A field's value as the answer to a fact; None where it is empty.

    Raises
    ------
    RangeError
        If it can be no answer.

    Examples
    --------
    >>> answer_of(facts()["n_units"], 4.0), answer_of(facts()["controls_land"], "Yes")
    (4, True)
    >>> answer_of(facts()["start_date"], "2027-01-15"), answer_of(facts()["n_units"], " ")
    (datetime.date(2027, 1, 15), None)
    """
    if text_id(value) is None:
        return None
    if isinstance(value, datetime.datetime):
        value = value.date()
    if isinstance(value, str) or fact.kind in ("choice", "text"):
        return _from_text(fact, str(text_id(value)))
    if isinstance(value, float) and value.is_integer() and fact.kind in ("whole", "yes-no"):
        value = int(value)
    if fact.kind == "yes-no" and not isinstance(value, bool) and value in (0, 1):
        value = bool(value)
    return fact.check(value, "")


def _from_text(fact: Fact, text: str) -> Any:
    if fact.kind == "yes-no" and text.casefold() in YES_NO:
        return YES_NO[text.casefold()]
    if fact.kind == "choice":
        same = [choice for choice in fact.choices if choice.casefold() == text.casefold()]
        return fact.check(same[0] if same else text, "")
    if fact.kind == "whole":  # "4.0", as some tables write it
        try:
            number = float(text)
        except ValueError:
            number = math.nan
        text = str(int(number)) if number.is_integer() else text
    return fact.parse(text, "")


class LotAnswers:
    """Facts and carried fields of lots, batch by batch.

    fields : all fields that are needed.
    unknown_ids : ids of ``[[lot_facts]]`` that no lot had so far.
    """

    def __init__(self, said: SiteSpec, stream: Any, told: Facts, is_neighbour: bool) -> None:
        table = {} if is_neighbour else said.values["lots"]
        asked = table.get("facts", {})
        self.of_fact: dict[str, str] = {
            name: stream.field(field, said.where("lots", "facts", name))
            for name, field in asked.items()
        }
        self.kept: list[str] = [
            stream.field(name, said.where("lots", "keep_fields", i))
            for i, name in enumerate(table.get("keep_fields", ()))
        ]
        self.fields = list(dict.fromkeys([*self.of_fact.values(), *self.kept]))
        self.told = told
        self.unknown_ids = set(told.by_lot)
        self._known: dict[Any, tuple[str, str]] = {}

    def of_rows(
        self, columns: Mapping[str, Any], ids: Sequence[str | None]
    ) -> tuple[list[str], list[str], list[str]]:
        """Facts and fields of each lot as JSON, and what is to be told of them ("" for nothing)."""
        values = {name: columns[name].to_pylist() for name in self.fields}
        self.unknown_ids.difference_update(ids)
        n = len(ids)
        rows = zip(*(values[f] for f in self.of_fact.values()), strict=True)
        answers = rows if self.of_fact else (() for _ in range(n))
        pairs = [self._facts(tuple(row), lot) for row, lot in zip(answers, ids, strict=True)]
        kept = zip(*(values[f] for f in self.kept), strict=True)
        fields = [self._fields(row) for row in kept] if self.kept else ["{}"] * n
        return [facts for facts, _ in pairs], fields, [note for _, note in pairs]

    def answers_of(self, columns: Mapping[str, Any], lot: str) -> tuple[dict[str, Any], str]:
        """What is answered of one lot, by its fields and for it alone, and what is to be told.

        Parameters
        ----------
        columns : mapping
            Field -> its value for that lot.
        """
        row = tuple(columns[field] for field in self.of_fact.values())
        return self._answered(row, self.told.by_lot.get(lot, {}))

    def check_ids(self, said: SiteSpec) -> None:
        """Refuse facts of a lot that there is not.

        Raises
        ------
        LayerError
            Names the id.
        """
        for i, block in enumerate(said.values.get("lot_facts", ())):
            if str(text_id(block["lot"])) in self.unknown_ids:
                where, lost = said.where("lot_facts", i, "lot"), str(text_id(block["lot"]))
                raise LayerError(where, f"no lot {lost!r}", "an id of the lots", "check the id")

    def _facts(self, row: tuple[Any, ...], lot: str | None) -> tuple[str, str]:
        own = self.told.by_lot.get(lot, {}) if lot else {}
        key = (row, lot if own else None)
        try:
            return self._known[key]
        except KeyError:
            told, notes = self._answered(row, own)
            found = json.dumps(told, default=str, sort_keys=True), notes
            if len(self._known) < 100_000:  # as many as lots are alike
                self._known[key] = found
            return found

    def _answered(self, row: tuple[Any, ...], own: Mapping[str, Any]) -> tuple[dict[str, Any], str]:
        answers: dict[str, Any] = {}
        notes: list[str] = []
        for (name, field), value in zip(self.of_fact.items(), row, strict=True):
            try:
                answer = answer_of(facts()[name], value)
            except RangeError as error:
                words = f"{field} {_shown(value)} is no answer to {name} (needed {error.need})"
                notes.append(f"{words}, which is taken as unknown")
                continue
            if answer is not None:
                answers[name] = answer
        answers = self._agreeing(answers, own, notes)
        return {**answers, **own}, "; ".join(notes)

    def _agreeing(
        self, answers: dict[str, Any], own: Mapping[str, Any], notes: list[str]
    ) -> dict[str, Any]:
        """Answers of fields that contradict what else is said are taken as unknown."""
        clashes = list(contradictions({**self.told.everywhere, **answers, **own}))
        for pair in clashes:
            lost = [name for name in pair if name in answers and name not in own]
            if lost:
                fields = listed([f"{self.of_fact[name]} ({name})" for name in lost])
                notes.append(f"{pair[0]} and {pair[1]} contradict each other; {fields} not used")
                answers = {name: one for name, one in answers.items() if name not in lost}
        return answers

    def _fields(self, row: Sequence[Any]) -> str:
        return json.dumps({f: _plain(v) for f, v in zip(self.kept, row, strict=True)})


def _plain(value: Any) -> Any:
    """A field's value in JSON's own kinds."""
    if isinstance(value, float) and not math.isfinite(value):
        return None
    if isinstance(value, bytes):
        return None
    if value is None or isinstance(value, (str, int, float, bool)):
        return value
    return value.isoformat() if hasattr(value, "isoformat") else str(value)


def _shown(value: Any) -> str:
    text = repr(value) if isinstance(value, str) else str(value)
    return text if len(text) <= 40 else f"{text[:37]}..."
