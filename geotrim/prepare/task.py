"""What a preparation is given, and what it hands back."""

from __future__ import annotations

import os
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from geotrim.model import InputFile, Note


@dataclass(frozen=True, slots=True)
class GivenFile:
    """One file, with what the user said of it.

    subject : how the user knows it, for messages: the option or the source's name.
    said : key of the source -> value; only what was said.
    """

    path: str
    subject: str
    said: Mapping[str, Any] = field(default_factory=dict)

    def get(self, key: str, default: Any = None) -> Any:
        """What was said under a key, or the default."""
        return self.said.get(key, default)


def named_files(value: Any, subject: str) -> tuple[GivenFile, ...]:
    """What was named for a source, a path or several, as files with what is said of them."""
    many = value if isinstance(value, (list, tuple)) else (value,)
    return tuple(
        item if isinstance(item, GivenFile) else GivenFile(os.fspath(item), subject)
        for item in many
    )


@dataclass(frozen=True, slots=True)
class Task:
    """What a preparation is given.

    files : source -> the files named for it.
    params : every parameter, checked, defaults filled in.
    folder : an empty folder to fill; it gets its final name when the work has ended well.
    progress : called with what is being done.
    stated : names of the parameters the user set.
    """

    files: Mapping[str, tuple[GivenFile, ...]]
    params: Mapping[str, Any]
    folder: Path
    progress: Callable[[str], None] = lambda _: None
    stated: frozenset[str] = frozenset()

    def one(self, source: str) -> GivenFile | None:
        """The only file of a source, or None."""
        given = self.files.get(source, ())
        return given[0] if given else None

    def all(self, source: str) -> tuple[GivenFile, ...]:
        """Every file of a source."""
        return self.files.get(source, ())


@dataclass(frozen=True, slots=True)
class Prepared:
    """What a preparation made.

    files : file in the folder -> what it is.
    site : tables of a site file that use them, with paths relative to the folder.
    figures : what was found, in numbers; the unit is the last word of the name.
    notes : what was assumed, repaired or left out.
    words : the findings as the terminal prints them, notes not among them.
    inputs : the files as they were read.
    """

    files: Mapping[str, str]
    site: Mapping[str, Mapping[str, Any]] = field(default_factory=dict)
    figures: Mapping[str, Any] = field(default_factory=dict)
    notes: tuple[Note, ...] = ()
    words: str = ""
    inputs: tuple[InputFile, ...] = ()
