"""A mixed-integer program handed to the solver."""

from __future__ import annotations

from typing import Any

import numpy as np

from geotrim.core.window_model import Program
from geotrim.quiet import quiet


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
            # What its presolve could find is found already (``window_presolve``); without it the
            # search is started over far less often, and takes about half the time.
            options={"time_limit": seconds, "mip_rel_gap": 0.0, "presolve": False},
        )
