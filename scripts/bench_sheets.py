"""Time the plan set of an invented lot, step by step, beside typesetting alone.

Run it as ``python scripts/bench_sheets.py`` (300 trees on 600 ft of shore) or with ``--trees 80``;
``--quick`` takes 12 trees. The lot is the one the tests use. Seconds of the processor are printed,
and each step's share of typesetting the finished set as PDF, which is the floor: that work is the
typesetter's, whatever is drawn. Measuring the lot is not counted.
"""

from __future__ import annotations

import argparse
import sys
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1] / "tests"))

import packages_made as made

from geotrim.io.package_read import read_package
from geotrim.report.sheets.choices import Choices
from geotrim.report.sheets.compiled import pdf_of, pngs_of, svgs_of
from geotrim.report.sheets.plan_set import PARTS, plan_set

#: Feet of shore for each tree: that of the lot with 300 trees on 600 ft.
FEET_A_TREE = made.BIG_FT / made.N_BIG


def main() -> None:
    """Print the times."""
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("--trees", type=int, default=made.N_BIG)
    parser.add_argument("--quick", action="store_true", help="12 trees")
    asked = parser.parse_args()
    n = 12 if asked.quick else asked.trees
    length = max(40, round(FEET_A_TREE * n))
    folder = made.written(made.big_site(n, length), f"bench_{n}")
    steps: list[tuple[str, float]] = []

    def timed(name, work):
        start = time.process_time()
        out = work()
        steps.append((name, time.process_time() - start))
        return out

    package = timed("reading the package", lambda: read_package(folder))
    lot, choices = package.lot_ids()[0], Choices(date="2026-11-26")
    for part in PARTS:
        timed(f"  {part.what.lower()}", lambda part=part: part.make(package, lot, choices))
    one = timed("drawing the whole set", lambda: plan_set(package, lot, choices))
    pdf = timed("typesetting it as PDF (floor)", lambda: pdf_of(one))
    pages = timed("as SVG", lambda: svgs_of(one))
    timed("as PNG", lambda: pngs_of(one))
    spent = dict(steps)
    floor = spent["typesetting it as PDF (floor)"]
    print(f"{n} trees on {length} ft: {len(pages)} sheets, PDF of {len(pdf) / 1e6:.1f} MB")
    for name, seconds in steps:
        print(f"{name:<34}{seconds:8.2f} s{seconds / floor:8.1f} x the floor")
    whole = spent["reading the package"] + spent["drawing the whole set"] + floor
    print(f"{'package to PDF':<34}{whole:8.2f} s{whole / floor:8.1f} x the floor")


if __name__ == "__main__":
    main()
