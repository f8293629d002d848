"""Whether a folder may be replaced: only geotrim's own, of the same kind, with nothing added."""

from __future__ import annotations

import json
from collections.abc import Iterable
from pathlib import Path, PurePosixPath
from typing import Any

from geotrim.errors import FileError
from geotrim.io.files import sha256_of

#: Kind of a folder that a run made; the kind of a preparation or a handover is its name.
PACKAGE = "result package"
#: Kind of a folder that a screening made.
SCREENING = "screening"
RECORD = "record.json"
#: Kinds that are handovers, whose command is their name.
PAPERS = ("sheets", "crew", "verify")


def kind_of(folder: Path) -> str | None:
    """``PACKAGE``, ``SCREENING``, or what preparation or handover; None: not geotrim's folder."""
    record = _record(folder)
    if record is None:
        return None
    own = SCREENING if SCREENING in record else PACKAGE
    return str(record.get("preparation") or record.get("handover") or own)


def check_replaceable(folder: Path, kind: str, inputs: Iterable[Path] = ()) -> bool:
    """Refuse to replace a folder that holds anything but what geotrim put there; else True.

    Parameters
    ----------
    folder : Path
        That exists. An empty one may go.
    kind : str
        What is about to be written, as :func:`kind_of` tells it.
    inputs : iterable of Path
        Files that are read for it: none of them may lie in the folder.

    Raises
    ------
    FileError
        If it is no folder of the kind, holds an input, or holds a file that was added or changed
        since: what has been written by hand is never deleted.
    """
    if folder.is_symlink() or not folder.is_dir():
        raise _refused(folder, "that it is no folder of geotrim's")
    found = sorted(folder.rglob("*"))
    if not found:
        return True
    record = _record(folder)
    if record is None or kind_of(folder) != kind:
        own = kind_of(folder)
        told = "no folder of geotrim's" if own is None else f"of another kind ({_named(own)})"
        raise _refused(folder, f"that it is {told}, not {_named(kind)}")
    here = folder.resolve()
    read = next((path for path in inputs if path.resolve().is_relative_to(here)), None)
    if read is not None:
        raise _refused(folder, f"{read.name} in it, which is read for what would replace it")
    known = {item["file"]: item["sha256"] for item in record.get("files", [])}
    folders = {above.as_posix() for name in known for above in PurePosixPath(name).parents}
    for path in found:
        name = path.relative_to(folder).as_posix()
        if name in folders and path.is_dir() and not path.is_symlink():
            continue  # a folder of ours; what is in it has its own turn
        if name not in known and name != RECORD:
            raise _refused(folder, f"{name} in it, which geotrim did not write")
        if name in known and (path.is_dir() or sha256_of(path)[0] != known[name]):
            raise _refused(folder, f"{name} in it, which was changed after geotrim wrote it")
    return True


def _record(folder: Path) -> dict[str, Any] | None:
    try:
        record = json.loads((folder / RECORD).read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return None
    is_own = isinstance(record, dict) and "geotrim" in (record.get("versions") or {})
    return record if is_own else None


def _named(kind: str) -> str:
    if kind in (PACKAGE, SCREENING):
        return f"a {kind}"
    return f"a folder of {kind}" if kind in PAPERS else f"a folder of prepare {kind}"


def _refused(folder: Path, found: str) -> FileError:
    return FileError(
        str(folder),
        found,
        "a new name, or an earlier folder of the same kind as geotrim left it",
        "choose another name, or move what is yours to another place",
    )
