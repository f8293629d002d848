"""Facts a map cannot give: what may be asked, and the check of an answer."""

from __future__ import annotations

import datetime
import difflib
import math
import tomllib
from dataclasses import dataclass
from functools import lru_cache
from importlib.resources import files
from typing import Any

from geotrim.errors import RangeError

#: Whole numbers from here on are slips: not all of them are there as doubles.
TOO_LONG = 10**15
_NEED = {
    "yes-no": "true or false, without quotes",
    "number": "a number, without quotes or unit",
    "whole": "a whole number",
    "date": "a date such as 2026-11-25, without quotes",
    "text": "text, in quotes",
}


@dataclass(frozen=True, slots=True)
class Fact:
    """One fact of ``facts.toml``; its keys are explained there."""

    key: str
    kind: str
    question: str
    settle: str
    source: str
    is_plan: bool
    choices: tuple[str, ...] = ()
    unit: str | None = None
    low: float | None = None
    high: float | None = None

    def check(self, value: object, where: str) -> Any:
        """The answer in its own type.

        Parameters
        ----------
        value : object
            As a site file holds it.
        where : str
            How the user knows the place, for the message.

        Raises
        ------
        RangeError
            If the answer is of another kind, no choice of this fact, or outside its limits.

        Examples
        --------
        >>> facts()["earlier_height_ft"].check(4, "[facts] earlier_height_ft")
        4.0
        """
        if self.kind == "choice":
            if value not in self.choices:
                near = difflib.get_close_matches(str(value), self.choices, n=1)
                mend = f"say {near[0]!r} if you meant that" if near else "choose one of these"
                need = f"one of {', '.join(self.choices)}"
                raise RangeError(where, _shown(value), need, mend)
            return value
        if isinstance(value, int) and abs(value) >= TOO_LONG:
            mend = "correct the number, or take it out if it is not known"
            raise RangeError(where, _shown(value), "a number of 15 digits or fewer", mend)
        if not self._fits(value):
            mend = "rewrite the answer, or take it out if it is not known"
            raise RangeError(where, _shown(value), _NEED[self.kind], mend)
        if self.kind in ("number", "whole"):
            number: float = value  # type: ignore[assignment]
            low, high = self.low, self.high
            if (low is not None and number < low) or (high is not None and number > high):
                limits = f"from {low:g} up to {high:g}"
                raise RangeError(where, f"{number:g}", limits, "correct the number")
            return float(number) if self.kind == "number" else number
        return value.strip() if isinstance(value, str) else value

    def parse(self, text: str, where: str) -> Any:
        """The answer from text as it is typed, checked.

        Examples
        --------
        >>> facts()["controls_land"].parse("yes", "--fact controls_land")
        True
        >>> facts()["start_date"].parse("2027-01-15", "--fact start_date")
        datetime.date(2027, 1, 15)
        """
        value: object = text
        try:
            if self.kind == "yes-no":
                value = {"yes": True, "true": True, "no": False, "false": False}[text.casefold()]
            elif self.kind == "date":
                value = datetime.date.fromisoformat(text)
            elif self.kind == "number":
                value = float(text)
            elif self.kind == "whole":
                value = int(text)
        except (KeyError, ValueError) as error:
            need = "yes or no" if self.kind == "yes-no" else _NEED[self.kind].split(",")[0]
            raise RangeError(where, repr(text), need, "rewrite the answer") from error
        return self.check(value, where)

    def _fits(self, value: object) -> bool:
        if self.kind == "yes-no":
            return isinstance(value, bool)
        if self.kind == "date":
            is_time = isinstance(value, datetime.datetime)
            return isinstance(value, datetime.date) and not is_time
        if self.kind == "text":
            return isinstance(value, str) and bool(value.strip())
        if isinstance(value, bool):
            return False
        if self.kind == "whole":
            return isinstance(value, int)
        return isinstance(value, (int, float)) and math.isfinite(value)


@lru_cache(maxsize=1)
def facts() -> dict[str, Fact]:
    """Every fact that may be asked, by key, in the order of asking."""
    text = files("geotrim.rules").joinpath("facts.toml").read_text(encoding="utf-8")
    found = {}
    for key, table in tomllib.loads(text)["fact"].items():
        keys: dict[str, Any] = {**table, "choices": tuple(table.get("choices", ()))}
        found[key] = Fact(key, **keys)
    return found


def _shown(value: object) -> str:
    text = "true" if value is True else "false" if value is False else repr(value)
    return text if len(text) <= 60 else text[:57] + "..."
