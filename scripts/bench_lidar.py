"""Time a lidar cloud turned into heights, beside laspy's own reading of the same file.

Run it as ``python scripts/bench_lidar.py --quick`` (a small cloud, a few seconds) or with
``--points 50000000``. The cloud is invented, made in a temporary folder with a fixed seed, and
removed at the end. In each round, one after the other, each in a process of its own:

floor      laspy reads the file chunk by chunk, and nothing else
heights    the whole preparation: read, spooled, ground, heights, files and figure

Both use every core they can. Ratios are medians of the ratios of each round, once by the clock and
once by processor time, which other work on the machine disturbs less. The peak is the greatest
memory the process ever held; a cloud of 50 million returns is to stay under 2 GB.
"""

from __future__ import annotations

import argparse
import json
import resource
import shutil
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np

#: Bytes a return in the LAZ file, and spooled. Roughly.
FILE_BYTES, SPOOL_BYTES = 12, 28
GOAL_GB = 2.0


def floor(path: Path, unit: str | None) -> int:
    """Chunks of laspy, let go at once."""
    import laspy

    n = 0
    with laspy.open(path) as reader:
        for chunk in reader.chunk_iterator(1_000_000):
            n += len(chunk)
    return n


def heights(path: Path, unit: str | None) -> int:
    """The preparation, as the command does it."""
    from geotrim.prepare.task import GivenFile
    from geotrim.prepare.work import prepare_input

    said = {} if unit is None else {"unit": unit}
    out = path.with_suffix(".heights")
    done = prepare_input("heights", {"cloud": GivenFile(str(path), "--cloud", said)}, {}, out=out)
    shutil.rmtree(out)
    return int(done.prepared.figures["n_measured"])


STEPS = {"floor": floor, "heights": heights}


def in_a_process(step: str, path: Path, unit: str | None) -> dict[str, float]:
    """Seconds by the clock and by the processor, and the peak of memory. [s, s, GB]."""
    command = [sys.executable, __file__, "--step", step, "--file", str(path)]
    command += [] if unit is None else ["--unit", unit]
    done = subprocess.run(command, check=True, capture_output=True, text=True)
    told: dict[str, float] = json.loads(done.stdout.splitlines()[-1])
    return told


def one_step(step: str, path: Path, unit: str | None) -> None:
    """What the process of one step does: work, and tell what it took."""
    start = time.perf_counter()
    n = STEPS[step](path, unit)
    spent = time.perf_counter() - start
    used = resource.getrusage(resource.RUSAGE_SELF)
    peak = used.ru_maxrss * (1 if sys.platform == "darwin" else 1024)
    cpu = used.ru_utime + used.ru_stime
    print(json.dumps({"n": n, "clock": spent, "processor": cpu, "peak_gb": peak / 1e9}))


def report(path: Path, unit: str | None, n_points: int, n_rounds: int) -> None:
    """Rounds, ratios, returns a second and the peak."""
    rows: dict[str, list[dict[str, float]]] = {name: [] for name in STEPS}
    if n_points <= 1_000_000:  # compiling would show: it is done once, outside the clock
        in_a_process("heights", path, unit)
    for number in range(n_rounds):
        for name in STEPS:
            rows[name].append(in_a_process(name, path, unit))
        told = "  ".join(f"{name} {rows[name][-1]['clock']:.2f} s" for name in STEPS)
        print(f"round {number + 1}: {told}")
    for kind in ("clock", "processor"):
        base, ours = (np.array([row[kind] for row in rows[name]]) for name in STEPS)
        print(
            f"by the {kind}: floor {np.median(base):.2f} s, heights {np.median(ours):.2f} s, ",
            end="",
        )
        print(f"ratio {np.median(ours / base):.1f}")
    seconds = float(np.median([row["clock"] for row in rows["heights"]]))
    peak = max(row["peak_gb"] for row in rows["heights"])
    goal = f" (goal: under {GOAL_GB:g})"
    print(f"returns a second: {n_points / seconds:,.0f}; peak of memory {peak:.2f} GB{goal}")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("--points", type=int, default=10_000_000)
    parser.add_argument("--rounds", type=int, default=3)
    parser.add_argument("--quick", action="store_true", help="300,000 returns, once")
    parser.add_argument("--folder", type=Path, help="where to make the cloud (removed afterwards)")
    parser.add_argument("--file", type=Path, help="a cloud of your own in place of the made one")
    parser.add_argument("--unit", help="its unit of height, if its CRS record says none")
    parser.add_argument("--step", choices=STEPS, help=argparse.SUPPRESS)
    asked = parser.parse_args()
    if asked.step:
        one_step(asked.step, asked.file, asked.unit)
        return
    if asked.quick:
        asked.points, asked.rounds = 300_000, 1
    folder = Path(tempfile.mkdtemp(prefix="bench-lidar-", dir=asked.folder))
    try:
        path = folder / "cloud.laz"
        if asked.file:
            path.symlink_to(asked.file.resolve())
        else:
            _make(path, asked.points)
        report(path, asked.unit, _count(path), asked.rounds)
    finally:
        shutil.rmtree(folder, ignore_errors=True)


def _make(path: Path, n_points: int) -> None:
    from make_big_cloud import make_cloud

    if shutil.disk_usage(path.parent).free < n_points * (FILE_BYTES + SPOOL_BYTES) * 1.1:
        raise SystemExit(f"not enough room in {path.parent}; choose another with --folder")
    start = time.perf_counter()
    make_cloud(path, n_points)
    size_mb = path.stat().st_size / 1e6
    print(f"{n_points:,} returns made in {time.perf_counter() - start:.1f} s, {size_mb:.0f} MB")


def _count(path: Path) -> int:
    import laspy

    with laspy.open(path) as reader:
        return int(reader.header.point_count)


if __name__ == "__main__":
    main()
