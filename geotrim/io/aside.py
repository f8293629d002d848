"""Files and folders written aside, then renamed: what has its final name is whole.

A run that fails or is stopped leaves nothing under the final name, and what stood there before
stays until the new one is in place. Where the system can, the two change places in one step; where
it cannot, a process that is killed between two renames leaves the old folder aside, and whoever
writes there next puts it back first (:mod:`geotrim.io.left_over`).
"""

from __future__ import annotations

import os
import shutil
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from itertools import count
from pathlib import Path

from geotrim.errors import FileError
from geotrim.io.exchange import exchange
from geotrim.io.left_over import OWN, aside_of, put_right


@contextmanager
def new_file(path: Path, *, overwrite: bool = True) -> Iterator[Path]:
    """A path to write to; renamed to ``path`` when the block ends well, removed when it does not.

    Raises
    ------
    FileError
        If the folder is missing or cannot be written to, or the file exists and may not be
        replaced.
    """
    if path.exists() and (path.is_dir() or not overwrite):
        kind = "a folder" if path.is_dir() else "a file"
        raise FileError(str(path), f"{kind} of that name", "a free name", "choose another name")
    if not path.parent.is_dir():
        raise FileError(
            str(path), "no folder to write it in", "a folder that exists", f"make {path.parent}"
        )
    # The suffix stays last: drivers choose the format by it.
    aside = path.with_name(f".{path.stem}.partial-{os.getpid()}{path.suffix}")
    try:
        yield aside
        aside.replace(path)
    except OSError as error:
        raise _cannot_write(path, error) from error
    finally:
        aside.unlink(missing_ok=True)


@contextmanager
def new_folder(
    folder: Path, *, may_replace: Callable[[Path], bool] | None = None
) -> Iterator[Path]:
    """A folder to fill; renamed to ``folder`` when the block ends well, removed when it does not.

    Parameters
    ----------
    folder : Path
        Its parents are made.
    may_replace : callable, optional
        Asked whether what stands at ``folder`` may go. By default nothing may. The old folder is
        set aside, and deleted only once the new one is in place.

    Raises
    ------
    FileError
        If the folder exists and may not be replaced, or cannot be written.
    """
    check_free(folder, may_replace)
    aside = aside_of(folder, "partial")
    made = [above for above in folder.absolute().parents if not above.exists()]
    try:
        aside.mkdir(parents=True)
    except OSError as error:
        raise _cannot_write(folder, error) from error
    OWN.add(aside.absolute())
    try:
        yield aside
        _sync(aside)
        check_free(folder, may_replace)  # again: a run takes a while
        _put_in_place(aside, folder)
    except OSError as error:
        raise _cannot_write(folder, error) from error
    finally:
        shutil.rmtree(aside, ignore_errors=True)  # or the old folder, which now has that name
        OWN.discard(aside.absolute())
        take_back(made)


def take_back(folders: list[Path]) -> None:
    """Remove folders that were made for one that did not come about; one in use stays."""
    for folder in folders:
        try:
            folder.rmdir()
        except OSError:
            return


def check_free(folder: Path, may_replace: Callable[[Path], bool] | None = None) -> None:
    """Refuse a folder that exists, unless it may be replaced, and a place that is closed.

    What a killed process left there is put right first.
    """
    put_right(folder)
    if not os.path.lexists(folder):
        _check_place(folder)
        return
    if may_replace is None:
        raise FileError(
            str(folder),
            "that it exists",
            "a new folder, since results are never written over",
            "choose another name, or say --replace",
        )
    if not may_replace(folder):
        raise FileError(
            str(folder),
            "that it is no result package",
            "a new name, or an earlier package to replace",
            "choose another name",
        )


def _check_place(folder: Path) -> None:
    """Refuse a place that cannot be written to, as far as it shows before the work is done."""
    above = next((p for p in folder.absolute().parents if os.path.lexists(p)), None)
    if above is None or (above.is_dir() and os.access(above, os.W_OK | os.X_OK)):
        return
    why = "Permission denied" if above.is_dir() else f"{above.name} is a file"
    raise _cannot_write(folder, OSError(0, why))


def first_free(folder: Path) -> Path:
    """``folder``, or the first of ``folder-2``, ``folder-3`` ... that does not exist."""
    return next(free for free in numbered(folder) if not os.path.lexists(free))


def numbered(folder: Path) -> Iterator[Path]:
    """``folder``, ``folder-2``, ``folder-3`` ... without end."""
    yield folder
    for n in count(2):
        yield folder.with_name(f"{folder.name}-{n}")


def _put_in_place(aside: Path, folder: Path) -> None:
    """Give the new folder its final name; what stood there before is deleted after that."""
    if not os.path.lexists(folder):
        aside.rename(folder)
        return
    if exchange(aside, folder):
        return
    old = aside_of(folder, "old")
    folder.rename(old)  # killed here, the old folder is put back by whoever writes next
    try:
        aside.rename(folder)
    except BaseException:
        old.rename(folder)  # what stood there stands there again
        raise
    shutil.rmtree(old, ignore_errors=True)


def _sync(folder: Path) -> None:
    """Have all of a folder on the disk before it gets its name, lest a power cut leaves a husk."""
    for path in [*folder.rglob("*"), folder]:
        if path.is_dir() and os.name != "posix":
            continue  # folders cannot be opened there
        number = os.open(path, os.O_RDONLY if path.is_dir() else os.O_RDWR)
        try:
            os.fsync(number)
        finally:
            os.close(number)


def _cannot_write(path: Path, error: OSError) -> FileError:
    reason = error.strerror or str(error)
    return FileError(
        str(path),
        f"that it cannot be written ({reason})",
        "a place that can be written to",
        "choose another folder or a shorter name, or make room on the disk",
    )
