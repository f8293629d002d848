"""How long ``geotrim --help`` takes beside a bare interpreter.

Both are started in turn, many times, in this environment; the medians and their ratio are printed.
The installed console script is timed, as a user types it. ``--quick`` does a few rounds only.
"""

from __future__ import annotations

import argparse
import os
import shutil
import statistics
import subprocess
import sys
import sysconfig
import time
from pathlib import Path

GOAL = 2.0


def console_script() -> Path:
    """The installed ``geotrim`` beside this interpreter, or wherever it is found."""
    folder = sysconfig.get_path("scripts")
    found = shutil.which("geotrim", path=folder) or shutil.which("geotrim")
    if found is None:
        sys.exit("geotrim is not installed in this environment: pip install -e .")
    return Path(found)


def seconds(command: list[str]) -> float:
    """One start, with compiled modules kept, as Python does unless it is told otherwise."""
    env = {k: v for k, v in os.environ.items() if k != "PYTHONDONTWRITEBYTECODE"}
    start = time.perf_counter()
    subprocess.run(command, check=True, stdout=subprocess.DEVNULL, env=env)
    return time.perf_counter() - start


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--quick", action="store_true", help="a few rounds only")
    rounds = 5 if parser.parse_args().quick else 60
    bare = [sys.executable, "-c", "pass"]
    ours = [str(console_script()), "--help"]
    seconds(bare), seconds(ours)  # the first start fills the caches
    pairs = [(seconds(bare), seconds(ours)) for _ in range(rounds)]
    bare_s = statistics.median(pair[0] for pair in pairs)
    ours_s = statistics.median(pair[1] for pair in pairs)
    print(f"bare interpreter {bare_s * 1e3:.1f} ms, geotrim --help {ours_s * 1e3:.1f} ms, ", end="")
    print(f"ratio {ours_s / bare_s:.2f} (goal: at most {GOAL:g}), {rounds} rounds in turn")
    return 0


if __name__ == "__main__":
    sys.exit(main())
