"""``geotrim screen`` on a small invented county: the same bytes however it is worked off.

The oracle for the engines is the plain loop over partitions in this process; for a run that was
stopped, a run that was not. One undisturbed run by the command is what all are held against.
"""

from __future__ import annotations

import io
import json
import os
import shutil
import signal
import subprocess
import sys
from contextlib import redirect_stderr, redirect_stdout
from functools import partial
from pathlib import Path

import distributed
import pyarrow as pa
import pytest
from county_made import small_county
from test_screen_engine import children_of, is_running, waited_for

from geotrim.cli import main
from geotrim.cli.screen import EXAMPLE, files_of, look_at_first
from geotrim.errors import FileError, GeotrimError
from geotrim.io.replaceable import SCREENING, kind_of
from geotrim.screen import partition, plan, reading, work
from geotrim.screen.defaults import MEMORY_MB
from geotrim.screen.engine import run_tasks
from geotrim.screen.partition import run_partition
from geotrim.screen.screen_file import read_screen_file
from geotrim.screen.state import State, read_state, write_state
from geotrim.screen.store import Store, read_table

TESTS = str(Path(__file__).parent)
N_LOTS, N_CROWNS, PER_PARTITION = 40, 800, 8
N_PARTITIONS = -(-N_LOTS // PER_PARTITION)
#: The command in a process of its own, with partitions as small as here; its workers take what is
#: measured already from a folder, and their time, so that a moment to stop them can be hit.
START = (
    f"import sys; sys.path.insert(0, {TESTS!r}); from geotrim.screen import plan, work;"
    f"plan.partition_lots.__kwdefaults__['per_partition'] = {PER_PARTITION};"
    "work.TASK = 'screen_tasks:taken';"
    "from geotrim.cli import main; sys.exit(main(sys.argv[1:]))"
)


@pytest.fixture(scope="module")
def county(tmp_path_factory):
    return small_county(tmp_path_factory.mktemp("county") / "county", N_LOTS, N_CROWNS)


@pytest.fixture(scope="module", autouse=True)
def small_partitions():
    with pytest.MonkeyPatch.context() as patch:
        cut = partial(plan.partition_lots, per_partition=PER_PARTITION)
        patch.setattr(reading, "partition_lots", cut)
        yield


@pytest.fixture(scope="module")
def whole(county, tmp_path_factory):
    """An undisturbed screening by the command, what it printed, and its working folder."""
    folder = tmp_path_factory.mktemp("whole")
    out, kept = folder / "results" / "out", folder / "work"
    printed, told = io.StringIO(), io.StringIO()
    with redirect_stdout(printed), redirect_stderr(told), pytest.MonkeyPatch.context() as patch:
        retire = work.retire
        patch.setattr(work, "retire", lambda path: (shutil.copytree(path, kept), retire(path)))
        assert main(["screen", str(county), "--out", str(out), "--workers", "1"]) == 0
    return out, printed.getvalue(), told.getvalue(), kept


@pytest.fixture(scope="module")
def planned(whole):
    """The working folder, and its partitions."""
    return Store(whole[3]), N_PARTITIONS


@pytest.fixture(scope="module")
def plain(planned, tmp_path_factory):
    """What a plain loop over the partitions leaves, one after the other by their function."""
    store, n = planned
    folder = tmp_path_factory.mktemp("plain") / "work"
    shutil.copytree(store.folder, folder, ignore=shutil.ignore_patterns("done"))
    for k in range(n):
        run_partition(str(folder), k)
    return done_files(folder)


def done_files(folder):
    return {path.name: path.read_bytes() for path in sorted((folder / "done").iterdir())}


@pytest.fixture
def again(planned, plain, tmp_path):
    """The working folder again, nothing measured."""
    store, n = planned
    shutil.copytree(store.folder, tmp_path / "work", ignore=shutil.ignore_patterns("done"))
    return tmp_path / "work", n


# --- the same bits


def test_partitions_hold_all_lots_and_several_have_trees(planned, plain):
    store, n = planned
    assert n == N_PARTITIONS == 5
    assert done_files(store.folder) == plain  # those of the command have the same bits
    tables = [read_table(store.done(k)) for k in range(n)]
    numbers = sorted(number for table in tables for number in table["lot_number"].to_pylist())
    unfit = read_table(store.unfit_lots)["lot_number"].to_pylist()
    assert sorted(numbers + unfit) == list(range(N_LOTS))
    assert sum(pa.compute.sum(table["n_crowns"]).as_py() > 0 for table in tables) > 1


@pytest.mark.parametrize(
    "how",
    [{"workers": 2}, {"workers": 4}, {"workers": 3, "engine": "threads"}],
    ids=["2 processes", "4 processes", "3 threads"],
)
def test_the_same_bits_whoever_does_it(again, plain, how):
    folder, n = again
    run_tasks(folder, range(n), **how)
    assert done_files(folder) == plain


def test_the_same_bits_in_another_order(again, plain):
    folder, n = again
    run_tasks(folder, reversed(range(n)))
    assert done_files(folder) == plain


def test_the_same_bits_on_a_cluster(again, plain):
    folder, n = again
    with distributed.LocalCluster(
        n_workers=2, threads_per_worker=1, processes=True, dashboard_address=":0", host="127.0.0.1"
    ) as running:
        run_tasks(folder, range(n), scheduler=running.scheduler_address)
    assert done_files(folder) == plain


# --- faults of inputs and of the machine


def test_a_truncated_tile_stops_its_partitions_only(county, tmp_path, capsys):
    """Cut to a half: what is past it cannot be read. The others are kept."""
    shutil.copytree(county.parent, tmp_path / "county")
    tiles = sorted((tmp_path / "county" / "heights").glob("*.tif"))
    tile = max(tiles, key=lambda path: path.stat().st_size)
    tile.write_bytes(tile.read_bytes()[: tile.stat().st_size // 2])
    words = ["screen", str(tmp_path / "county" / county.name), "--out", str(tmp_path / "out")]
    assert main([*words, "--workers", "1"]) == 2
    told = capsys.readouterr()
    last = told.err.splitlines()[-1]
    assert tile.name in last and "partition" in last and "is kept" in last
    assert "Traceback" not in told.err and told.out == ""
    assert not (tmp_path / "out").exists()
    kept = {path.name for path in (tmp_path / "out.unfinished" / "done").glob("*.lots.arrow")}
    assert 0 < len(kept) < N_PARTITIONS


def test_a_full_disk_leaves_nothing_half_written(again, monkeypatch):
    """The third table does not fit; told, and what was whole stays."""
    folder, n = again
    whole, n_written = partition.write_table, []

    def full(path, table):
        n_written.append(path)
        if len(n_written) > 5:
            aside = path.with_name(f".{path.stem}.partial-{os.getpid()}{path.suffix}")
            aside.symlink_to("/dev/full")  # refuses every write: full(4)
        whole(path, table)

    monkeypatch.setattr(partition, "write_table", full)
    with pytest.raises(FileError, match="make room, then run the same command again"):
        run_tasks(folder, range(n))
    assert sorted(done_files(folder)) == [
        "00000.crowns.arrow", "00000.lots.arrow", "00000.notes.arrow",
        "00001.crowns.arrow", "00001.notes.arrow",
    ]  # fmt: skip


# --- the command


def test_an_answer_for_work_that_was_begun_anew_is_left_out(again, monkeypatch):
    """As a worker of a cluster may be at it still when its run was stopped and --fresh was said."""
    folder, _ = again
    measured = partition.measured

    def late(*given):
        begun = read_state(Store(folder))
        write_state(Store(folder), State(begun.key, begun.started_utc))
        return measured(*given)

    monkeypatch.setattr(partition, "measured", late)
    with pytest.raises(FileError, match="begun anew while a partition of it was measured"):
        run_partition(str(folder), 1)
    assert not (folder / "done").exists()


def tables_of(folder):
    """The tables of results by content, and the bytes of what is text or a figure."""
    from pyarrow import parquet

    found = {path.name: parquet.read_table(path) for path in folder.glob("*.parquet")}
    for path in folder.iterdir():
        if path.suffix in (".csv", ".txt", ".html", ".png"):
            found[path.name] = path.read_bytes()
    return found


def test_the_command_tells_what_it_found_and_where(whole):
    out, printed, told, _ = whole
    for name in ("screening.html", "screening.gpkg", "lots.csv", "lots.parquet", "record.json"):
        assert (out / name).is_file()
        assert f"  {name}" in printed
    assert f"results: {out}" in printed
    assert (out / "summary.txt").read_text(encoding="utf-8").rstrip() in printed
    assert "not legal advice" in printed
    lines = told.splitlines()
    assert all(line.startswith("geotrim: ") for line in lines)
    assert any(f"5 of 5 partitions, {N_LOTS} of {N_LOTS} lots, in" in line for line in lines)
    assert [path.name for path in out.parent.iterdir()] == ["out"]


def test_the_record_tells_how_to_repeat_it(whole, county):
    out = whole[0]
    told = json.loads((out / "record.json").read_text(encoding="utf-8"))
    assert kind_of(out) == SCREENING
    assert told["counts"]["n_lots"] == N_LOTS == sum(told["counts"]["by_status"].values())
    assert told["counts"]["n_crowns"] == N_CROWNS
    assert {item["role"] for item in told["inputs"]} >= {"lots", "mhw_line", "crowns", "heights"}
    assert {one["id"] for one in told["overlays"]} == {"gannet-quay", "heronswick", "marlspit"}
    assert told["options_set_by_user"] == {"target_height_ft": 10.0, "riparian_length_ft": 35.0}
    route = next(one for one in told["operations"] if one["name"] == "route")
    assert all(one["caution"] for one in told["operations"] if one["name"] != "setbacks")
    assert route["parameters"]
    zone = next(one for one in told["operations"] if one["name"] == "riparian-lines")
    assert zone["parameters"]["riparian_length_ft"] == {"value": 35.0, "is_default": False}
    assert told["run"]["n_partitions"] == N_PARTITIONS and told["run"]["memory_mb"] == MEMORY_MB
    assert told["crs"]["code"] == "EPSG:6443"
    assert {item["file"] for item in told["files"]} >= {"lots.parquet", "screening.gpkg"}
    assert told["cautions"] and told["rule_files"] and told["versions"]["geotrim"]
    assert told["screening"]["screen_file"]["file"] == county.name


def stopped(county, out, taken, number):
    """Stop the command once a partition is measured; exit code, what it printed, what is left."""
    words = [sys.executable, "-c", START, "screen", county, "--out", out, "--workers", "2"]
    process = subprocess.Popen(
        words,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        env={**os.environ, "TAKEN_FROM": str(taken)},
    )
    done = work.working_folder(out) / "done"
    try:
        waited_for(lambda: list(done.glob("*.lots.arrow")), 60)
        beside = children_of(process.pid)
        process.send_signal(number)
        printed, told = process.communicate(timeout=30)
    finally:
        process.kill()
        process.wait()
    assert printed == "" and "Traceback" not in told
    assert not any(map(is_running, beside))
    assert not list(done.glob(".*"))  # nothing half-written
    n_kept = len(list(done.glob("*.lots.arrow")))
    assert told.splitlines()[-1] == (
        f"geotrim: stopped; {n_kept} of 5 partitions are kept; run the same command to go on"
    )
    return process.returncode, n_kept


def test_stopped_it_ends_clean_and_goes_on(county, whole, tmp_path):
    code, n_kept = stopped(county, tmp_path / "out", whole[3], signal.SIGINT)
    assert code == 130 and n_kept < N_PARTITIONS
    work.screen(county, tmp_path / "out", workers=1)
    found, expected = tables_of(tmp_path / "out"), tables_of(whole[0])
    assert found.keys() == expected.keys()
    for name, value in expected.items():
        assert found[name] == value, name
    told = json.loads((tmp_path / "out" / "record.json").read_text(encoding="utf-8"))
    assert told["run"]["n_kept"] == n_kept > 0


@pytest.mark.parametrize(
    ("words", "subject"),
    [
        (["--scheduler", "tcp://a:1", "--workers", "2"], "--workers"),
        (["--scheduler", "tcp://a:1", "--engine", "threads"], "--engine"),
        (["--replace"], "--replace"),
        (["--workers", "two"], "--workers"),
        (["--workers", "0"], "--workers"),
        (["--memory-mb", "1.5"], "--memory-mb"),
        (["--engine", "steam"], "--engine"),
        (["--worker", "2"], "--worker"),
    ],
)
def test_bad_options_are_told(county, capsys, words, subject):
    assert main(["screen", str(county), *words]) == 2
    told = capsys.readouterr()
    assert told.out == ""
    assert f"geotrim: {subject}: found " in told.err.splitlines()[-1]


def test_a_missing_file_is_told(tmp_path, capsys):
    assert main(["screen", str(tmp_path / "none.toml"), "--out", str(tmp_path / "out")]) == 2
    assert "none.toml" in capsys.readouterr().err
    assert list(tmp_path.iterdir()) == []


def test_the_example_of_the_help_is_a_screen_file(tmp_path, capsys):
    with pytest.raises(SystemExit) as ended:
        main(["screen", "--help"])
    assert ended.value.code == 0
    printed = capsys.readouterr().out
    assert EXAMPLE in printed and "--memory-mb" in printed
    text = EXAMPLE.split("of many lots:\n")[1]
    path = tmp_path / "county.toml"
    path.write_text("\n".join(line[4:] for line in text.splitlines()))
    spec = read_screen_file(path)
    assert spec.name == "Cove County"
    assert max(map(len, EXAMPLE.splitlines())) <= 80


def test_what_to_look_at_first(tmp_path):
    """Failed and unfit lots only, a few by name, the rest counted."""
    from pyarrow import parquet

    ids = [f"L{k}" for k in range(7)] + ["fine", None]
    status = ["unfit", "failed"] * 3 + ["unfit", "measured", "unfit"]
    table = pa.table({"lot_id": ids, "status": status, "reason": [f"r{k}" for k in range(9)]})
    parquet.write_table(table, tmp_path / "lots.parquet")
    lines = look_at_first(tmp_path)
    assert lines[0] == "Look at first (8 not measured)"
    assert lines[1:3] == ["  lot L0, unfit: r0", "  lot L1, failed: r1"]
    assert lines[-1] == "  and 3 more: lots.csv, status failed or unfit"
    assert len(lines) == 7
    parquet.write_table(table.slice(7, 1), tmp_path / "lots.parquet")
    assert look_at_first(tmp_path) == []
    assert files_of(tmp_path)[0] == f"results: {tmp_path}"


def test_papers_are_not_made_of_a_screening(whole):
    from geotrim.io.package_read import read_package

    with pytest.raises(GeotrimError, match="geotrim run"):
        read_package(whole[0])
