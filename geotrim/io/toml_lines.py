"""Line numbers of TOML keys: the standard parser gives values, this gives the places.

Text is scanned after ``tomllib`` has accepted it, so the scanner may trust its form: it only has to
walk over keys, strings, arrays and inline tables and remember where each key began.
"""

from __future__ import annotations

import tomllib
from typing import Any

#: A place in a document: keys, and positions in arrays of tables.
Place = tuple[str | int, ...]


def key_lines(text: str) -> dict[Place, int]:
    r"""Line (from 1) of every table header and key in a valid TOML document.

    Examples
    --------
    >>> lines = key_lines('[lots]\nfile = "a"\n[[setbacks]]\nname = "x"\n')
    >>> lines[("lots", "file")], lines[("setbacks", 0, "name")]
    (2, 4)
    """
    return _Scanner(text).document()


class _Scanner:
    def __init__(self, text: str) -> None:
        self.text = text.replace("\r\n", "\n")
        self.at = 0
        self.lines: dict[Place, int] = {}
        self.sizes: dict[Place, int] = {}

    def document(self) -> dict[Place, int]:
        table: Place = ()
        while self._skip_space():
            if self.text.startswith("[", self.at):
                table = self._header()
            else:
                self._pair(table)
        return self.lines

    def _header(self) -> Place:
        is_array = self.text.startswith("[[", self.at)
        line = self._line()
        self.at += 2 if is_array else 1
        place = self._resolved(self._key())
        self.at = self.text.index("]", self.at) + (2 if is_array else 1)
        if is_array:
            n = self.sizes.get(place, 0)
            self.sizes[place] = n + 1
            self.lines.setdefault(place, line)
            place = (*place, n)
        self.lines.setdefault(place, line)
        return place

    def _resolved(self, key: tuple[str, ...]) -> Place:
        """A header key under an array of tables means the last table of it."""
        place: Place = ()
        for i, part in enumerate(key):
            place = (*place, part)
            if place in self.sizes and i < len(key) - 1:
                place = (*place, self.sizes[place] - 1)
        return place

    def _pair(self, table: Place) -> None:
        line = self._line()
        place: Place = table
        for part in self._key():
            place = (*place, part)
            self.lines.setdefault(place, line)
        self.at = self.text.index("=", self.at) + 1
        self._blank()
        self._value(place)

    def _key(self) -> tuple[str, ...]:
        parts: list[str] = []
        while True:
            self._blank()
            if self.text[self.at] in "\"'":
                start = self.at
                self._string()
                parts.append(tomllib.loads(f"k = {self.text[start : self.at]}")["k"])
            else:
                start = self.at
                while self.text[self.at].isalnum() or self.text[self.at] in "-_":
                    self.at += 1
                parts.append(self.text[start : self.at])
            self._blank()
            if self.text[self.at] != ".":
                return tuple(parts)
            self.at += 1

    def _value(self, place: Place) -> None:
        mark = self.text[self.at]
        if mark in "\"'":
            self._string()
        elif mark == "[":
            self._array(place)
        elif mark == "{":
            self._inline(place)
        else:
            while self.at < len(self.text) and self.text[self.at] not in ",]}\n#":
                self.at += 1

    def _array(self, place: Place) -> None:
        self.at += 1
        n = 0
        while self._skip_space() and self.text[self.at] != "]":
            if self.text[self.at] == ",":
                self.at += 1
                continue
            self.lines.setdefault((*place, n), self._line())
            self._value((*place, n))
            n += 1
        self.at += 1

    def _inline(self, place: Place) -> None:
        self.at += 1
        while self._skip_space() and self.text[self.at] != "}":
            if self.text[self.at] == ",":
                self.at += 1
                continue
            self._pair(place)
        self.at += 1

    def _string(self) -> None:
        quote = self.text[self.at]
        mark = quote * 3 if self.text.startswith(quote * 3, self.at) else quote
        self.at += len(mark)
        while not self.text.startswith(mark, self.at):
            self.at += 2 if quote == '"' and self.text[self.at] == "\\" else 1
        self.at += len(mark)
        while len(mark) == 3 and self.text.startswith(quote, self.at):
            self.at += 1  # up to two quotes may stand right before the closing three

    def _skip_space(self) -> bool:
        """Go to the next mark that is no space, line end or comment; False at the end."""
        while self.at < len(self.text):
            if self.text[self.at] == "#":
                end = self.text.find("\n", self.at)
                self.at = len(self.text) if end < 0 else end
            elif self.text[self.at].isspace():
                self.at += 1
            else:
                return True
        return False

    def _blank(self) -> None:
        while self.at < len(self.text) and self.text[self.at] in " \t":
            self.at += 1

    def _line(self) -> int:
        return self.text.count("\n", 0, self.at) + 1


def line_of(lines: dict[Place, int] | Any, place: Place) -> int | None:
    """Line of a place, or of the nearest table around it; None where nothing is known."""
    while place:
        if place in lines:
            return int(lines[place])
        place = place[:-1]
    return None
