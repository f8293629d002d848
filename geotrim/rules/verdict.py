"""Verdicts and their logic: met, not met, too close to call, unknown.

A verdict is a small number, so that thousands of trees are judged at once. The order is that of
Kleene's strong three-valued logic, with two kinds of "cannot be told" between false and true: *all
of* is the least, *any of* the greatest. So an unknown never becomes a yes by being combined.

Source of the logic: S. C. Kleene, Introduction to Metamathematics, 1952, section 64, from memory.
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import lru_cache
from statistics import NormalDist
from typing import Any

import numpy as np
import numpy.typing as npt

Codes = npt.NDArray[np.int8]

NOT_MET, UNKNOWN, TOO_CLOSE, MET = range(4)
WORDS = ("not met", "unknown", "too close", "met")
#: What a verdict on all the conditions of a route makes of it.
STATUS = ("closed", "depends", "depends", "open")

COMPARISONS = ("<=", "<", ">=", ">", "==")
#: Values closer to a limit than this are at the limit. Lengths: 150 US survey feet are 150.0003 ft,
#: and single precision cannot hold most lengths in feet exactly (3.048 m comes back as
#: 10.0000003 ft); half of a hundredth of a foot is less than anybody measures here.
AT_LIMIT_FT, AT_LIMIT = 0.005, 1e-9


def judge(
    value: npt.ArrayLike,
    error: npt.ArrayLike,
    compare: str,
    number: float,
    *,
    confidence_frac: float = 0.95,
    at_limit: float = AT_LIMIT_FT,
) -> Codes:
    """Verdict on each value against one limit.

    Parameters
    ----------
    value : array
        NaN is unknown.
    error : array
        Standard error of the value, in its unit; NaN where nobody stated it, then the value is
        taken at its word. Not used by ``==``.
    compare : str
        One of ``COMPARISONS``; the value stands on its left.
    number : float
        The limit.
    confidence_frac : float
        A value is too close to call when it is no farther from the limit than its error at this
        confidence, counted to both sides of a normal distribution.
    at_limit : float
        A value no farther from the limit than this is at the limit.

    Returns
    -------
    codes : int8 array
        ``NOT_MET``, ``UNKNOWN``, ``TOO_CLOSE`` or ``MET``.

    Notes
    -----
    A greater error can only turn *met* and *not met* into *too close*.

    Examples
    --------
    >>> [WORDS[code] for code in judge([9.99, 10.0, 10.01, 9.8, np.nan], [0, 0, 0, 0.5, 0],
    ...     "<=", 10.0)]
    ['met', 'met', 'not met', 'too close', 'unknown']
    """
    values, errors = np.asarray(value, dtype=np.float64), np.asarray(error, dtype=np.float64)
    if errors.ndim and errors.shape != values.shape:
        values, errors = np.broadcast_arrays(values, errors)
    gap = values - number
    away = np.abs(gap)
    codes = np.where(_holds(gap, away <= at_limit, compare), _MET, _NOT_MET)
    if compare != "==" and (errors > 0).any():
        reach = standard_errors(confidence_frac) * errors
        codes[(errors > 0) & (away <= reach + at_limit)] = TOO_CLOSE
    codes[np.isnan(values)] = UNKNOWN
    return codes


_MET, _NOT_MET = np.int8(MET), np.int8(NOT_MET)


def _holds(gap: Any, is_at: Any, compare: str) -> Any:
    """Whether values hold, by how far they are over the limit and whether they are at it."""
    if compare == "==":
        return is_at
    is_past = gap < 0 if compare[0] == "<" else gap > 0
    return is_past | is_at if compare[-1] == "=" else is_past & ~is_at


@lru_cache(maxsize=64)
def standard_errors(confidence_frac: float) -> float:
    """How many standard errors either way hold this share of a normal distribution.

    Examples
    --------
    >>> round(standard_errors(0.95), 4)
    1.96
    """
    return NormalDist().inv_cdf(0.5 + confidence_frac / 2.0)


def margin(value: Any, compare: str, number: float) -> Any:
    """How far a value lies on the good side of its limit, in its unit; NaN for yes-no.

    Examples
    --------
    >>> float(margin(9.5, "<=", 10.0)), float(margin(9.5, ">=", 10.0))
    (0.5, -0.5)
    """
    gap = np.asarray(value, dtype=np.float64) - number
    return {"<": -gap, "<=": -gap, ">": gap, ">=": gap}.get(compare, np.full_like(gap, np.nan))


def all_of(codes: Sequence[Codes]) -> Codes:
    """The verdict on several conditions together; *met* for none."""
    first, *others = codes if len(codes) else [np.asarray(MET, dtype=np.int8)]
    for code in others:
        first = np.minimum(first, code)
    return first


def any_of(codes: Sequence[Codes]) -> Codes:
    """The verdict on several ways of which one is enough; *not met* for none."""
    first, *others = codes if len(codes) else [np.asarray(NOT_MET, dtype=np.int8)]
    for code in others:
        first = np.maximum(first, code)
    return first


def negated(codes: Codes) -> Codes:
    """The verdict on the contrary: what cannot be told stays so."""
    return np.array([MET, UNKNOWN, TOO_CLOSE, NOT_MET], dtype=np.int8)[codes]


def under_condition(when: Codes, then: Codes) -> Codes:
    """The verdict on a rule that only binds under a condition.

    Examples
    --------
    Not known whether it binds, but kept anyway: met.

    >>> WORDS[int(under_condition(np.int8(UNKNOWN), np.int8(MET)))]
    'met'
    """
    return np.maximum(negated(when), then)
