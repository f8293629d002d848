"""Real open data for checks, kept outside the project.

Point ``GEOTRIM_OPEN_DATA`` at the folder that holds it. A user's clone does not have it and skips
the tests that need it; in CI its absence is a failure, so a check is never lost in silence.
"""

from __future__ import annotations

import os
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parent.parent
FOLDER = Path(os.environ.get("GEOTRIM_OPEN_DATA", ROOT.parent / "shared" / "data"))


def open_data(name: str) -> Path:
    """Folder of one open data set; skips the test where it is absent, fails it in CI."""
    folder = FOLDER / name
    if folder.is_dir():
        return folder
    reason = f"the open data folder {name!r} is not here; set GEOTRIM_OPEN_DATA to use it"
    if os.environ.get("CI"):
        pytest.fail(reason)
    pytest.skip(reason)
