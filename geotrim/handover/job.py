"""What a handover is given, and what it hands back."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from geotrim.errors import LayerError
from geotrim.io.package_read import Package
from geotrim.model import InputFile, Note
from geotrim.prepare.task import GivenFile


@dataclass(frozen=True, slots=True, eq=False)
class Job:
    """What a handover is given.

    package : the result package it is made of.
    files : source -> the files named for it.
    params : every parameter, checked, defaults filled in.
    folder : an empty folder to fill; it gets its final name when the work has ended well.
    progress : called with what is being done.
    stated : names of the parameters the user set.
    """

    package: Package
    files: Mapping[str, tuple[GivenFile, ...]]
    params: Mapping[str, Any]
    folder: Path
    progress: Callable[[str], None] = lambda _: None
    stated: frozenset[str] = frozenset()

    def one(self, source: str) -> GivenFile | None:
        """The only file of a source, or None."""
        given = self.files.get(source, ())
        return given[0] if given else None

    def lots(self) -> list[str]:
        """The lots that were asked for; all measured ones by default.

        Raises
        ------
        LayerError
            If a lot is not in the package, or none is named.
        """
        known = self.package.lot_ids()
        asked = self.params.get("lot")
        if asked is None:
            return known
        wanted = [text.strip() for text in str(asked).split(",") if text.strip()]
        some = f"one of {', '.join(known[:10])}"
        if not wanted:
            raise LayerError("--lot", f"{asked!r}, which names no lot", some, "name one")
        for lot in wanted:
            if lot not in known:
                raise LayerError("--lot", f"no lot {lot!r} in it", some, "check it")
        return [lot for lot in known if lot in wanted]


@dataclass(frozen=True, slots=True, eq=False)
class Made:
    """What a handover made.

    files : file in the folder -> what it is.
    figures : what was found, in numbers; the unit is the last word of the name.
    notes : what was assumed, repaired or left out.
    words : what the terminal prints, notes not among them.
    inputs : the files read beside the package.
    after : done once the folder has its final name (an entry in a ledger, say); it returns a line
        for the terminal.
    """

    files: Mapping[str, str]
    figures: Mapping[str, Any] = field(default_factory=dict)
    notes: tuple[Note, ...] = ()
    words: str = ""
    inputs: tuple[InputFile, ...] = ()
    after: Callable[[Path], str] | None = None
