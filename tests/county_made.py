"""A small invented county for tests, made by ``scripts/make_county.py``."""

from __future__ import annotations

import importlib
import sys
from pathlib import Path

SCRIPTS = Path(__file__).resolve().parent.parent / "scripts"
if str(SCRIPTS) not in sys.path:
    sys.path.append(str(SCRIPTS))
ground, trees, tiles, made = (
    importlib.import_module(name)
    for name in ("county_ground", "county_trees", "county_tiles", "make_county")
)


def small_county(
    folder: Path, n_lots: int = 60, n_crowns: int = 1500, *, seed: int = 1, kind: str = "gpkg"
) -> Path:
    """Make a county in a folder and return its screen file.

    Under 400 lots it is made of squares of 768 ft, one height tile of 512 cells each.
    """
    return made.make_county(Path(folder), n_lots, n_crowns, seed=seed, kind=kind)
