"""What a working folder is about, and how far it is: ``state.json``, and what has changed since."""

from __future__ import annotations

import json
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
STATE_VERSION = 1
#: The stages of a screening in which something stays: inputs are being read; partitions measured.
READING, MEASURING = "reading", "measuring"
#: Differences that a message names.
MOST_NAMED = 4


@dataclass(frozen=True, slots=True)
class State:
    """What ``state.json`` holds.

    key : what the results depend on, in JSON's own kinds.
    started_utc : of the first start.
    memory_mb : of the first start: partitions were cut by it.
    stage : ``READING`` or ``MEASURING``; the latter only once all that reading leaves is there.
    reading : what reading found, in JSON's own kinds.
    """

    key: Mapping[str, Any]
    started_utc: str
    memory_mb: int
    stage: str = READING
    n_tasks: int = 0
    reading: Mapping[str, Any] = field(default_factory=dict)


def write_state(store: Store, state: State) -> None:
    """Write the state of a working folder, aside and renamed."""
    text = json.dumps({"state_version": STATE_VERSION, **asdict(state)}, indent=1)
    with new_file(store.state) as aside:
        aside.write_text(text + "\n", encoding="utf-8")


def read_state(store: Store) -> State | None:
    """The state of a working folder; None where there is none."""
    try:
        told = json.loads(store.state.read_text(encoding="utf-8"))
        version = told.pop("state_version")
        found = State(**told)
    except FileNotFoundError:
        return None
    except (ValueError, TypeError, AttributeError, KeyError) as error:
        raise _strange(store, "a state.json that is none of geotrim's") from error
    if version != STATE_VERSION:
        raise _strange(store, "a state.json of another version of geotrim")
    return found


def _strange(store: Store, found: str) -> FileError:
    return FileError(
        str(store.folder),
        found,
        "a working folder of geotrim screen",
        "choose another --out, or delete it if it is of no use",
    )


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


def check_key(store: Store, state: State, key: Mapping[str, Any], n_done: int) -> None:
    """Refuse to go on with work about something else.

    Raises
    ------
    FileError
        Names what has changed.
    """
    if state.key == key:
        return
    found = changed_words(state.key, key) or ["an input"]
    told = ", ".join(found[:MOST_NAMED])
    more = f" and {len(found) - MOST_NAMED} more" if len(found) > MOST_NAMED else ""
    raise FileError(
        str(store.folder),
        f"{n_done} of {state.n_tasks} partitions measured of something else: {told}{more}",
        "the inputs and options they were measured with",
        "put back what was changed, or say --fresh to throw them away and start anew",
    )


def is_own(folder: Path) -> bool:
    """Whether a folder without a state could have been left by a run that had hardly begun."""
    return all(path.name == "lock" or path.name.startswith(".state.") for path in folder.iterdir())
