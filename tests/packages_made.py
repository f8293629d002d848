"""Result packages for tests: each made once a process, when it is first asked for.

``sample_package`` runs a sample as it lies in the repository; ``big_package`` a lot of 300 trees.
They are read by many tests: nobody may write into their folders (see :func:`copy_of`).
"""

from __future__ import annotations

import atexit
import shutil
import tempfile
from functools import cache
from pathlib import Path

import numpy as np
import pandas as pd
from window_lots import make_site

from geotrim.io import aside, record
from geotrim.io.package_read import Package, read_package
from geotrim.ops.chain import measure
from geotrim.run import run_site, write_package

SAMPLES = ("plain_lot", "curved_shore", "canal_corner")
ROOT = Path(__file__).parents[1]
#: What makes a run quick: seconds of search, no plans to choose from, few draws.
QUICK = {"solve_seconds": 3.0, "frontier_points": 0, "n_draws": 50}
#: Trees of the big lot, and the length of its shore. [ft]
N_BIG, BIG_FT = 300, 600
SPECIES = ("Rhizophora mangle", "Avicennia germinans", "Laguncularia racemosa",
           "Conocarpus erectus", None)  # fmt: skip


@cache
def _folder() -> Path:
    """One folder a session; it goes when the tests end."""
    folder = Path(tempfile.mkdtemp(prefix="geotrim_packages_"))
    atexit.register(shutil.rmtree, folder, ignore_errors=True)
    return folder


@cache
def sample_folder(name: str) -> Path:
    """Folder of a sample's package."""
    out = _folder() / name
    run_site(ROOT / "sample_data" / name / "site.toml", out, options=QUICK)
    return out


@cache
def sample_package(name: str) -> Package:
    """The package of a sample: ``plain_lot``, ``curved_shore`` or ``canal_corner``."""
    return read_package(sample_folder(name))


@cache
def big_folder() -> Path:
    """Folder of the package of a lot with 300 trees."""
    return written(big_site(), "big")


@cache
def big_package() -> Package:
    """The package of a lot with 300 trees on 600 ft of shore."""
    return read_package(big_folder())


def big_site(n: int = N_BIG, length: int = BIG_FT):
    """Trees in four rows along the shore, 5 to 30 ft tall, five kinds in turn."""
    rng = np.random.default_rng(6)
    n_rows = 4
    step = length / (n / n_rows)
    trees = []
    for k in range(n):
        row, place = k % n_rows, k // n_rows
        x = 2 * round((step * (place + 0.5) + (row % 2) * 2.0) / 2)
        trees.append((float(x), 4.0 + 9.0 * row, 6.0, float(np.round(rng.uniform(5, 30), 1))))
    species = [SPECIES[int(k)] for k in rng.integers(0, len(SPECIES), n)]
    eyes = [(length / 2, -60.0, 16.0)]
    return make_site(trees, float(length), species=species, eyes=eyes, rmse_ft=0.4, options=QUICK)


def written(site, name: str) -> Path:
    """A site in memory, measured and written as a run writes it."""
    out = _folder() / name
    with aside.new_folder(out) as work:
        write_package(work, site, measure(site), started=record.now())
    return out


def copy_of(package: Package, where: Path) -> Path:
    """A copy of a package that a test may spoil."""
    return Path(shutil.copytree(package.folder, where / package.folder.name))


def lot_of(package: Package) -> str:
    """The first lot that was measured."""
    return package.lot_ids()[0]


def trees_of(package: Package, lot_id: str) -> pd.DataFrame:
    """The crowns of one lot."""
    return package.rows("crowns", lot_id)
