"""Questions the act leaves open, as named settings: see ``readings.toml``."""

from __future__ import annotations

import tomllib
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from functools import lru_cache
from importlib.resources import files
from typing import Any

from geotrim.errors import RangeError


@dataclass(frozen=True, slots=True)
class Choice:
    """One way to read an open question; the keys are explained in ``readings.toml``."""

    name: str
    words: str
    use: Mapping[str, str]
    drop: tuple[str, ...]
    of_all: tuple[str, ...]
    raise_ft: float
    heights: str


@dataclass(frozen=True, slots=True)
class Question:
    """One open question with its readings."""

    name: str
    id: str
    question: str
    default: str
    decides: str
    source: str
    choices: Mapping[str, Choice]


@lru_cache(maxsize=1)
def questions() -> dict[str, Question]:
    """Every open question by the name of its setting."""
    text = files("geotrim.rules").joinpath("readings.toml").read_text(encoding="utf-8")
    return {name: _question(name, table) for name, table in tomllib.loads(text)["reading"].items()}


def _question(name: str, table: Mapping[str, Any]) -> Question:
    choices = {
        key: Choice(
            name=key,
            words=one["words"],
            use=one.get("use", {}),
            drop=tuple(one.get("drop", ())),
            of_all=tuple(one.get("of_all", ())),
            raise_ft=float(one.get("raise_ft", 0.0)),
            heights=one.get("heights", ""),
        )
        for key, one in table["choice"].items()
    }
    plain = {key: table[key] for key in ("id", "question", "default", "decides", "source")}
    return Question(name=name, choices=choices, **plain)


class Readings(Mapping[str, str]):
    """One reading for every question: those chosen, the defaults for the others.

    Examples
    --------
    >>> chosen = Readings({"shoreline_reading": "chord"})
    >>> chosen["shoreline_reading"], chosen["cap_reading"], len(chosen)
    ('chord', 'each-tree', 14)
    """

    def __init__(self, chosen: Mapping[str, str] | None = None) -> None:
        given = dict(chosen or {})
        for name, choice in given.items():
            known = tuple(questions()[name].choices if name in questions() else questions())
            wrong = choice if name in questions() else name
            if wrong not in known:
                raise RangeError(name, repr(wrong), f"one of {', '.join(known)}", "choose one")
        self._names = {name: given.get(name, q.default) for name, q in questions().items()}
        self.choices = {name: questions()[name].choices[c] for name, c in self._names.items()}

    def __getitem__(self, name: str) -> str:
        return self._names[name]

    def __iter__(self) -> Iterator[str]:
        return iter(self._names)

    def __len__(self) -> int:
        return len(self._names)

    def dropped(self) -> set[str]:
        """Rules that do not bind under these readings."""
        return {rule for choice in self.choices.values() for rule in choice.drop}

    def collective(self) -> set[str]:
        """Rules that look at all mangroves of the lot together."""
        return {rule for choice in self.choices.values() for rule in choice.of_all}

    def stands_for(self, measure: str) -> str:
        """The measure of a case that stands for a rule's under these readings."""
        uses = {old: new for choice in self.choices.values() for old, new in choice.use.items()}
        while uses.get(measure, measure) != measure:
            measure = uses[measure]
        return measure

    def others(self) -> Iterator[tuple[str, str, Readings]]:
        """Every other reading of one question: its setting, its name, all readings with it."""
        for name, question in questions().items():
            for choice in question.choices:
                if choice != self[name]:
                    yield name, choice, Readings({**self, name: choice})
