"""Two processes that write into one ledger at once."""

from __future__ import annotations

import subprocess
import sys
import tempfile
import time
from datetime import date
from pathlib import Path

import pytest

from geotrim.io import ledger
from geotrim.io.ledger_entry import Entry

N_EACH = 1000
WRITER = """
import sys, time
from datetime import date
from geotrim.io import ledger
from geotrim.io.ledger_entry import Entry, TreeEntry
path, name, n, start = sys.argv[1], sys.argv[2], int(sys.argv[3]), float(sys.argv[4])
time.sleep(max(start - time.time(), 0.0))
for k in range(n):
    entry = Entry("cut", date(2027, 1, 11), name, "L", (TreeEntry(f"{name}{k}", 9.5),))
    (number,) = ledger.append(path, [entry], site="S")
    print(number)
"""


#: An entry slower than this makes the test one of the disk's patience. [s]
SLOW_SECONDS = 0.004
MEMORY = Path("/dev/shm")


@pytest.fixture
def folder(tmp_path):
    """A folder of the disk; of memory, where locks are the same, if the disk is slow to sync."""
    entry = Entry("note", date(2027, 1, 11), "A", "L")
    began = time.perf_counter()
    for _ in range(20):
        ledger.append(tmp_path / "trial.ledger", [entry], site="S")
    span = (time.perf_counter() - began) / 20
    if span < SLOW_SECONDS or not MEMORY.is_dir():
        yield tmp_path
        return
    with tempfile.TemporaryDirectory(dir=MEMORY) as name:
        yield Path(name)


def test_two_processes_that_enter_a_thousand_each_make_two_thousand(folder):
    """Neither waits for the other to begin: the file itself is made by whoever comes first."""
    path = folder / "site.ledger"
    start = str(time.time() + 1.5)
    writers = [
        subprocess.Popen(
            [sys.executable, "-c", WRITER, str(path), name, str(N_EACH), start],
            stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
        )
        for name in "AB"
    ]  # fmt: skip
    told = []
    for writer in writers:
        out, err = writer.communicate(timeout=120)
        assert writer.returncode == 0, err
        told.append([int(line) for line in out.split()])
    kept = ledger.read(path).entries
    assert [one.number for one in kept] == [*range(1, 2 * N_EACH + 1)]
    for name, numbers in zip("AB", told, strict=True):
        mine = [one for one in kept if one.entry.who == name]
        assert [one.number for one in mine] == numbers  # each was told its own, in order
        assert [one.entry.trees[0].crown_id for one in mine] == [
            f"{name}{k}" for k in range(N_EACH)
        ]
    assert max(told[0][0], told[1][0]) < min(told[0][-1], told[1][-1])  # they did write at once
    found = ledger.check(path)
    assert (found.n_entries, found.faults) == (2 * N_EACH, ())
