"""Time a whole screening against the plain script, its growth with size, and its memory.

    python scripts/bench_screen.py                            1,000 lots, a few minutes
    python scripts/bench_screen.py --sizes 1000 10000 100000 --plain-lots 1000 --folder /data/bench

The county is invented and made by ``scripts/make_county.py`` with a fixed seed; with ``--folder``
it is kept and used again. Every run is a process of its own, as a user would start it, so starting
up and compiled code read from its cache are in every figure. Processor time is that of the run and
of all its workers together. What is shown:

against plain   ``geotrim screen`` on all files, and ``scripts/plain_screen.py`` on the same files
                or on whole squares of them that hold about ``--plain-lots`` lots. The plain time is
                scaled by the number of lots where it saw fewer: it is linear or worse. Two ratios:
                rasterstats as it comes (it reads boundless), and tuned (boundless=False)
growth          processor time a lot at each size over the least of them; a run of few lots shows
                how much of it is starting up
memory          the most that a run and its workers held together, asked of the system ten times a
                second (proportional set size: pages that processes share count once), against the
                budget the run was given

Other ratios have scripts of their own: frontage ``bench_frontage.py``, canopy ``bench_slices.py``,
loading crowns ``bench_loading.py``. Compare ratios within one run, not seconds.
"""

from __future__ import annotations

import argparse
import math
import os
import shutil
import subprocess
import sys
import tempfile
import time
from dataclasses import dataclass
from pathlib import Path

import psutil
from county_ground import LARGE, SOUTH, WEST, plan_county
from make_county import make_county

HERE = Path(__file__).resolve().parent
START_LOTS = 60


@dataclass
class Ran:
    """What one process and its children took."""

    clock_s: float
    cpu_s: float
    peak_mb: float
    output: str


def run(command: list[str]) -> Ran:
    """Run a command to its end; processor time and memory of all its processes together."""
    start = time.perf_counter()
    with tempfile.TemporaryFile("w+") as out:
        process = subprocess.Popen(command, stdout=out, stderr=subprocess.STDOUT)
        peak, ended = 0.0, 0
        while not ended:
            peak = max(peak, _held(process.pid) / 1e6)
            time.sleep(0.1)
            # The system adds up what the process and the workers it waited for have used
            ended, status, usage = os.wait4(process.pid, os.WNOHANG)
        process.returncode = os.waitstatus_to_exitcode(status)
        clock = time.perf_counter() - start
        out.seek(0)
        output = out.read()
    if process.returncode:
        raise SystemExit(f"{' '.join(command)} ended with {process.returncode}:\n{output}")
    return Ran(clock, usage.ru_utime + usage.ru_stime, peak, output)


def _held(pid: int) -> float:
    """Bytes that a process and its children hold now."""
    size = 0
    try:
        family = [psutil.Process(pid), *psutil.Process(pid).children(recursive=True)]
    except psutil.Error:
        return 0.0
    for one in family:
        try:
            memory = one.memory_full_info()
        except psutil.Error:
            continue  # it has just ended
        size += getattr(memory, "pss", memory.rss)
    return float(size)


def county(folder: Path, n_lots: int, per_lot: int, workers: int, kind: str) -> Path:
    """The screen file of a county, made unless it is there."""
    place = folder / f"county_{n_lots}_{per_lot}_{kind}"
    path = place / "screen.toml"
    if not path.exists():
        start = time.perf_counter()
        make_county(place, n_lots, n_lots * per_lot, kind=kind, workers=workers)
        size = sum(file.stat().st_size for file in place.rglob("*") if file.is_file())
        took = time.perf_counter() - start
        print(f"made an invented county of {n_lots:,} lots: {size / 1e6:,.0f} MB, {took:.0f} s")
    return path


def screened(path: Path, workers: int, memory_mb: int | None) -> Ran:
    """``geotrim screen`` of a county; its results are removed."""
    out = path.parent / "screened"
    shutil.rmtree(out, ignore_errors=True)
    command = [sys.executable, "-m", "geotrim", "screen", str(path), "--out", str(out)]
    command += ["--workers", str(workers), "--fresh"]
    command += [] if memory_mb is None else ["--memory-mb", str(memory_mb)]
    found = run(command)
    shutil.rmtree(out, ignore_errors=True)
    return found


def plain(path: Path, n_lots: int, n_sample: int, *, tuned: bool) -> tuple[Ran, int]:
    """The plain script on a county or some whole squares of it, and the lots it saw."""
    command = [sys.executable, str(HERE / "plain_screen.py"), str(path)]
    command += ["--tuned"] if tuned else []
    plan = plan_county(n_lots, 0)
    if n_sample < n_lots and plan.side == LARGE:
        k = max(1, math.ceil(n_sample / n_lots * plan.n_squares))
        k = min(k, plan.across)
        command += ["--box", *map(str, (WEST, SOUTH, WEST + k * LARGE, SOUTH + LARGE))]
    found = run(command)
    last = found.output.strip().splitlines()[-1]
    return found, int(last.split()[0])


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--sizes", type=int, nargs="+", default=[1000], help="numbers of lots")
    parser.add_argument("--per-lot", type=int, default=50, help="crowns for each lot")
    parser.add_argument("--plain-lots", type=int, default=300, help="lots for the plain script")
    parser.add_argument("--no-plain", action="store_true")
    parser.add_argument("--workers", type=int, nargs="+", default=[1, 2])
    parser.add_argument("--memory-mb", type=int, help="budget of each run")
    parser.add_argument("--format", choices=("gpkg", "parquet"), default="gpkg")
    parser.add_argument("--folder", type=Path, help="keep the counties here")
    parser.add_argument("--quick", action="store_true", help="very small: only that it runs")
    asked = parser.parse_args()
    if asked.quick:
        asked.sizes, asked.per_lot, asked.plain_lots, asked.workers = [30], 10, 30, [1]
    scratch = asked.folder or Path(tempfile.mkdtemp(prefix="bench-screen-"))
    try:
        bench(scratch, asked)
    finally:
        if asked.folder is None:
            shutil.rmtree(scratch, ignore_errors=True)


def bench(folder: Path, asked: argparse.Namespace) -> None:
    """All runs, and their ratios as they come."""
    small = 0.0
    if not asked.quick:
        path = county(folder, START_LOTS, asked.per_lot, 1, asked.format)
        small = screened(path, 1, asked.memory_mb).cpu_s
        print(f"a run of {START_LOTS} lots, mostly starting up: {small:.1f} s of processor time")
    costs: dict[int, float] = {}
    print("lots      workers  clock s  cpu s  ms cpu a lot  peak MB  budget MB")
    for n_lots in asked.sizes:
        path = county(folder, n_lots, asked.per_lot, max(asked.workers), asked.format)
        for workers in asked.workers:
            ran = screened(path, workers, asked.memory_mb)
            costs.setdefault(n_lots, ran.cpu_s)
            each = 1e3 * ran.cpu_s / n_lots
            print(
                f"{n_lots:<9,d} {workers:7d} {ran.clock_s:8.1f} {ran.cpu_s:6.1f} {each:13.2f} "
                f"{ran.peak_mb:8.0f} {asked.memory_mb or 'default':>10}",
                flush=True,
            )
    if len(costs) > 1:
        for name, less in (("all", 0.0), ("less starting up", small)):
            each_lot = {n: (cost - less) / n for n, cost in costs.items()}
            least = min(each_lot.values())
            told = ", ".join(f"{n:,}: {cost / least:.2f}" for n, cost in each_lot.items())
            print(f"growth, processor time a lot over the least of them ({name}): {told}")
    if asked.no_plain:
        return
    n_lots = min(asked.sizes, key=lambda n: abs(n - 10_000))
    path = county(folder, n_lots, asked.per_lot, 1, asked.format)
    for tuned in (True,) if asked.quick else (True, False):
        ran, seen = plain(path, n_lots, asked.plain_lots, tuned=tuned)
        whole = ran.cpu_s * n_lots / seen
        how = "tuned (boundless=False)" if tuned else "rasterstats as it comes"
        ratio = whole / costs[n_lots]
        print(f"plain script, {how}: {ran.cpu_s:.1f} s cpu for {seen:,} lots; {n_lots:,} lots by")
        print(f"    their number {whole:.0f} s: {ratio:.1f} times geotrim's {costs[n_lots]:.1f} s")


if __name__ == "__main__":
    main()
