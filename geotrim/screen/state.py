"""What a working folder is about, and how far it is: ``state.json``, and what has changed since."""

from __future__ import annotations

import json
import uuid
from collections.abc import Mapping
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import Any

import pyarrow as pa

from geotrim.errors import FileError
from geotrim.io.aside import new_file
from geotrim.io.record import plain
from geotrim.screen.input_key import changed_words
from geotrim.screen.store import Store

#: Changes when working folders of before can no longer be gone on with.
STATE_VERSION = 2
#: The stages of a screening in which something stays: inputs are being read; partitions measured.
READING, MEASURING = "reading", "measuring"
#: Differences that a message names.
MOST_NAMED = 4


class MixedError(FileError):
    """Partitions of which nobody can tell any more what they were measured of."""

    def __init__(self, folder: str, told: str) -> None:
        super().__init__(
            folder,
            f"that an input was changed while it was measured: {told}; some partitions may be of "
            "the old content, some of the new",
            "inputs that stay as they are until the end",
            "say --fresh to throw the partitions away and start anew",
        )


@dataclass(frozen=True, slots=True)
class State:
    """What ``state.json`` holds.

    key : what the results depend on, in JSON's own kinds.
    started_utc : of the first start.
    stage : ``READING`` or ``MEASURING``; the latter only once all that reading leaves is there.
    reading : what reading found, in JSON's own kinds.
    mixed : what changed while partitions were measured, so that they cannot be gone on with.
    work_id : of this start and no other: a worker that still measures for an earlier one sees by
        it that nobody waits for its answer.
    """

    key: Mapping[str, Any]
    started_utc: str
    stage: str = READING
    n_tasks: int = 0
    reading: Mapping[str, Any] = field(default_factory=dict)
    mixed: str = ""
    work_id: str = field(default_factory=lambda: uuid.uuid4().hex)


def write_state(store: Store, state: State) -> None:
    """Write the state of a working folder, aside and renamed."""
    text = json.dumps({"state_version": STATE_VERSION, **asdict(state)}, indent=1)
    with new_file(store.state) as aside:
        aside.write_text(text + "\n", encoding="utf-8")


def read_state(store: Store, *, is_fresh: bool = False) -> State | None:
    """The state of a working folder; None where there is none.

    Parameters
    ----------
    store : Store
    is_fresh : bool
        It is to be thrown away: None too where it is of another version of geotrim.
    """
    try:
        told = json.loads(store.state.read_text(encoding="utf-8"))
        version = told.pop("state_version")  # first: another version may hold other things
        found = State(**told) if version == STATE_VERSION else None
    except FileNotFoundError:
        return None
    except (ValueError, TypeError, AttributeError, KeyError, OSError) as error:
        raise FileError(
            str(store.folder),
            "a state.json that is none of geotrim's",
            "a working folder of geotrim screen",
            "choose another --out, or delete it if it is of no use",
        ) from error
    if found is None and not is_fresh:
        raise FileError(
            str(store.folder),
            "work left unfinished by another version of geotrim",
            "work of this version, which alone can go on with it",
            "say --fresh to throw it away and start anew, or choose another --out",
        )
    return found


def as_key(value: Mapping[str, Any]) -> dict[str, Any]:
    """A key as it comes back from a file, so that it can be compared with one that does."""
    found: dict[str, Any] = json.loads(json.dumps(plain(value), sort_keys=True))
    return found


def n_lots_done(store: Store, partition: int) -> int | None:
    """Lots that a finished partition has; None where it is not finished.

    A file that a power cut left without its end counts as none.
    """
    try:
        rows = [n_rows(store.done(partition, name)) for name in ("crowns", "notes", "lots")]
    except (OSError, pa.ArrowInvalid):
        return None
    return rows[-1]


def n_rows(path: Path) -> int:
    """Rows of an Arrow IPC file, of which only the ends are looked at."""
    with pa.memory_map(str(path)) as source:
        reader = pa.ipc.open_file(source)
        return sum(reader.get_batch(k).num_rows for k in range(reader.num_record_batches))


def changes(old: Mapping[str, Any], new: Mapping[str, Any]) -> str:
    """What has changed between two keys, in words."""
    found = changed_words(old, new) or ["an input"]
    more = f" and {len(found) - MOST_NAMED} more" if len(found) > MOST_NAMED else ""
    return ", ".join(found[:MOST_NAMED]) + more


def check_key(store: Store, state: State, key: Mapping[str, Any], n_done: int) -> None:
    """Refuse to go on with work about something else.

    Raises
    ------
    FileError
        Names what has changed.
    """
    if state.mixed:
        raise MixedError(str(store.folder), state.mixed)
    if state.key == key:
        return
    told = changes(state.key, key)
    raise FileError(
        str(store.folder),
        f"{n_done} of {state.n_tasks} partitions measured of something else: {told}",
        "the inputs and options they were measured with",
        "put back what was changed, or say --fresh to throw them away and start anew",
    )


def state_text(store: Store) -> str:
    """All of ``state.json``, by which a worker knows the work again; "" where there is none."""
    try:
        return store.state.read_text(encoding="utf-8")  # opened: a shared drive then looks anew
    except FileNotFoundError:
        return ""


def check_same_work(store: Store, begun: str) -> None:
    """Refuse to leave an answer in a folder where other work was begun meanwhile.

    A worker of a cluster does not end with the run that asked it.

    Parameters
    ----------
    store : Store
    begun : str
        From :func:`state_text`, before anything was read.
    """
    if state_text(store) != begun:
        raise FileError(
            str(store.folder),
            "that the work was given up or begun anew while a partition of it was measured",
            "the work that was asked for",
            "nothing: the answer is left out",
        )


def is_own(folder: Path) -> bool:
    """Whether a folder without a state could have been left by a run that had hardly begun."""
    return all(path.name == "lock" or path.name.startswith(".state.") for path in folder.iterdir())
