"""Tasks that stand in for a partition's measures: told by name, so that any worker finds them.

Each leaves ``done/NAME.txt`` as a partition leaves its tables: aside, then renamed. A file
``plan.json`` in the folder says what is to go wrong at which number.
"""

from __future__ import annotations

import errno
import json
import os
import sys
import threading
import time
from pathlib import Path

from geotrim.errors import FileError
from geotrim.io.aside import new_file


def square(folder, number):
    """The plain case: the square of the number, and a line in the list of what was done."""
    (Path(folder) / "done").mkdir(exist_ok=True)
    with new_file(Path(folder) / "done" / f"{number:05d}.txt") as aside:
        aside.write_text(str(number**2))
    with (Path(folder) / "list.txt").open("a") as listed:
        listed.write(f"{number} {os.getpid()} {threading.get_ident()}\n")
    return {"n_lots": 10, "n_crowns": 100}


def faulty(folder, number):
    """Goes wrong where ``plan.json`` says so; ``times`` is how often, by default always."""
    for fault in json.loads((Path(folder) / "plan.json").read_text()):
        if fault["at"] == number and _is_left(folder, fault, number):
            _go_wrong(fault["how"], number)
    return square(folder, number)


def slow(folder, number):
    """Tells that it has begun, and takes its time."""
    (Path(folder) / f"begun-{number}").touch()
    time.sleep(20.0)
    return square(folder, number)


def _is_left(folder, fault, number):
    times = fault.get("times")
    if times is None:
        return True
    for k in range(times):
        try:
            (Path(folder) / f"fault-{number}-{k}").touch(exist_ok=False)
        except FileExistsError:
            continue
        return True
    return False


def _go_wrong(how, number):
    if how == "killed":
        os.kill(os.getpid(), 9)
    if how == "leaves":
        os._exit(3)
    if how == "input":
        raise FileError("tile_7.tif", "a file cut short", "a whole tile", "copy it again")
    if how == "other input":
        raise FileError(f"tile_{number}.tif", "nothing", "a tile", "copy it")
    if how == "full":
        raise OSError(errno.ENOSPC, "No space left on device")
    if how == "memory":
        raise MemoryError
    if how == "bug":
        raise ZeroDivisionError(f"at {number}")
    if how == "bug of a local kind":

        class OddError(Exception):
            pass

        raise OddError("odd")
    if how == "prints":
        os.write(1, b"a library prints\n")
        sys.stdout.write("and Python\n")


def taken(folder, number):
    """What was measured already, from the folder that the environment names; takes half a second.

    Every second one takes long.
    """
    time.sleep(0.5 if number % 2 == 0 else 20.0)
    done = Path(folder) / "done"
    done.mkdir(exist_ok=True)
    for name in ("crowns", "notes", "lots"):
        file = f"{number:05d}.{name}.arrow"
        with new_file(done / file) as aside:
            aside.write_bytes((Path(os.environ["TAKEN_FROM"]) / "done" / file).read_bytes())
    return {"n_lots": 8, "n_crowns": 1}


def partition(folder, number):
    """As a partition of a screening leaves its tables, lots last; takes a few milliseconds.

    Where there is a file ``hold-NUMBER`` beside the folder it waits for a minute.
    """
    import pyarrow as pa

    from geotrim.screen.store import Store, write_table

    store = Store(Path(folder))
    with (Path(folder).parent / "begun.txt").open("a") as listed:
        listed.write(f"{number}\n")
    if (Path(folder).parent / f"hold-{number}").exists():
        time.sleep(60.0)
    for name in ("crowns", "notes"):
        time.sleep(0.002)
        write_table(store.done(number, name), pa.table({"of": [number]}))
    time.sleep(0.002)
    write_table(store.done(number), pa.table({"lot": [10 * number + k for k in range(4)]}))
    return {"n_lots": 4, "n_crowns": 1}
