"""A mixed-integer program handed to the solver."""

from __future__ import annotations

import ctypes
import os
import sys
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from typing import Any

import numpy as np

from geotrim.core.window_model import Program


def run(program: Program, seconds: float) -> Any:
    """The program solved by scipy's mixed-integer solver; nothing is printed meanwhile."""
    from scipy.optimize import Bounds, LinearConstraint, milp
    from scipy.sparse import csr_matrix

    shape = (len(program.most), len(program.cost))
    rows = csr_matrix((program.values, (program.rows, program.columns)), shape=shape)
    with quiet():
        return milp(
            np.array(program.cost),
            constraints=LinearConstraint(rows, -np.inf, np.array(program.most)),
            integrality=np.array(program.is_whole, dtype=int),
            bounds=Bounds(0.0, np.array(program.upper)),
            options={"time_limit": seconds, "mip_rel_gap": 0.0},
        )


@contextmanager
def quiet() -> Iterator[None]:
    """Nothing reaches the standard output of the process: the solver prints now and then.

    It prints past Python, and keeps what it prints back until there is enough of it: so both
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
