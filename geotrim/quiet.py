"""The standard output of the process, turned away while a library works that prints."""

from __future__ import annotations

import ctypes
import os
import sys
from collections.abc import Iterator
from contextlib import contextmanager, suppress


@contextmanager
def quiet() -> Iterator[None]:
    """Nothing reaches the standard output of the process; to be held no longer than it must.

    A library prints past Python, and keeps what it prints back until there is enough of it: so both
    sides are emptied before the output is turned away and again before it is turned back.
    Harmless where the process has no standard output.
    """
    _empty()
    try:
        kept = os.dup(1)
    except OSError:
        yield
        return
    try:
        sink = os.open(os.devnull, os.O_WRONLY)
        os.dup2(sink, 1)
        os.close(sink)
        yield
    finally:
        _empty()
        os.dup2(kept, 1)
        os.close(kept)


def _empty() -> None:
    """What has been printed is written, by Python and by the C library."""
    if sys.stdout is not None:
        with suppress(OSError, ValueError):  # closed, or nobody reads it
            sys.stdout.flush()
    with suppress(OSError, AttributeError, TypeError):  # no such library by that name here
        ctypes.CDLL(None).fflush(None)
