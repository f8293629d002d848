"""Which stations along a frontage have a tick, and which a figure: one rule for all drawings."""

from __future__ import annotations

import numpy as np

#: Lengths between two ticks. [ft]
STEPS_FT = (10.0, 20.0, 50.0, 100.0, 200.0, 500.0, 1000.0)
#: A tick this near to an end, of a step, is the end's; a figure needs more room to the end's.
NEAR, NEAR_FIGURE = 0.02, 0.9


def tick_step(least_ft: float) -> float:
    """Feet between two ticks: the least step that is no less than can be read, else the largest.

    Examples
    --------
    >>> tick_step(7.0), tick_step(20.0), tick_step(21.0), tick_step(5000.0)
    (10.0, 20.0, 50.0, 1000.0)
    """
    return next((step for step in STEPS_FT if step >= least_ft - 1e-9), STEPS_FT[-1])


def ticks_of(low_ft: float, high_ft: float, step_ft: float) -> list[tuple[float, bool]]:
    """Stations of the ticks from one end to the other, and whether a figure stands there.

    Both ends have one, whatever their station, and every second round one.

    Examples
    --------
    >>> ticks_of(0.0, 38.0, 10.0)
    [(0.0, True), (10.0, False), (20.0, True), (30.0, False), (38.0, True)]
    >>> ticks_of(84.0, 100.1, 10.0)
    [(84.0, True), (90.0, False), (100.1, True)]
    """
    first = np.ceil(low_ft / step_ft + NEAR)
    inner = np.arange(first, np.floor(high_ft / step_ft - NEAR) + 1) * step_ft
    room = NEAR_FIGURE * step_ft
    figured = [
        (s, round(s / step_ft) % 2 == 0 and min(s - low_ft, high_ft - s) > room)
        for s in inner.tolist()
    ]
    return [(low_ft, True), *figured, (high_ft, True)]
