"""A browser for pages that are one file: found on the machine, driven without a window."""

from __future__ import annotations

import os
import shutil
from contextlib import contextmanager

import pytest

FLAGS = [
    "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run",
    "--disable-background-networking", "--disable-component-update", "--disable-sync",
]  # fmt: skip
NAMES = ("chromium", "chromium-browser", "google-chrome")
#: A telephone held upright, and a desk. [px]
PHONE, DESK = {"width": 360, "height": 780}, {"width": 1280, "height": 900}


def browser_path():
    """The installed browser, or None."""
    named = os.environ.get("GEOTRIM_BROWSER")
    return named or next((found for name in NAMES if (found := shutil.which(name))), None)


def missing(page, what):
    """Skip with a plain reason; in CI that is a failure."""
    if os.environ.get("CI"):
        pytest.fail(f"{page} was not tried in a browser: {what}")
    pytest.skip(f"{page} is not tried in a browser: {what}")


@contextmanager
def a_browser(page):
    """A browser to try a page in, closed at the end."""
    path = browser_path()
    if path is None:
        named = f"none of {', '.join(NAMES)} is installed, nor is one named in GEOTRIM_BROWSER"
        missing(page, named)
    try:
        from playwright.sync_api import sync_playwright
    except ImportError:
        missing(page, "playwright is not installed (pip install 'geotrim[browser]')")
    with sync_playwright() as play:
        one = play.chromium.launch(executable_path=path, args=FLAGS)
        yield one
        one.close()
