"""Test effort: quick on a laptop, many fixed cases in CI; in CI a skipped test is a failure."""

from __future__ import annotations

import os

import matplotlib as mpl
from hypothesis import HealthCheck, settings

mpl.use("Agg")

IN_CI = bool(os.environ.get("CI"))
settings.register_profile(
    "geotrim",
    max_examples=200 if IN_CI else 40,
    derandomize=IN_CI,
    deadline=None,
    suppress_health_check=[HealthCheck.too_slow],
)
settings.load_profile("geotrim")


def pytest_sessionfinish(session):
    """In CI a skipped test is a failed test."""
    reporter = session.config.pluginmanager.get_plugin("terminalreporter")
    if IN_CI and reporter and reporter.stats.get("skipped"):
        session.exitstatus = 1
