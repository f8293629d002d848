"""How many workers the machine and the budget bear."""

from __future__ import annotations

import os

from geotrim.screen.defaults import PARENT_MB, THREAD_MB, WORKER_MB


def processors() -> int:
    """Processors that this process may use."""
    usable = getattr(os, "sched_getaffinity", None)
    return len(usable(0)) if usable is not None else os.cpu_count() or 1


def held(asked: int | None, engine: str, memory_mb: int, n_partitions: int) -> tuple[int, str]:
    """Workers that are set to work, and why they are fewer than was asked for, if so.

    Parameters
    ----------
    asked : int, optional
        By default one for each processor.
    engine : str
        ``processes`` or ``threads``: a thread needs no libraries of its own.
    memory_mb : int
        The budget. One worker there is whatever it says. [MB]
    n_partitions : int
        That are to be measured yet.
    """
    each = WORKER_MB if engine == "processes" else THREAD_MB
    wanted = processors() if asked is None else asked
    borne = max((memory_mb - PARENT_MB) // each, 1)
    n = min(wanted, borne, max(n_partitions, 1))
    if n == wanted or (n < borne and asked is None):
        return n, ""
    kind = "worker" if engine == "processes" else "thread"
    why = f"partitions to measure: {n_partitions}"
    if n == borne:
        need = PARENT_MB + wanted * each
        why = f"{memory_mb:,} MB bear no more, {wanted:,} ask for --memory-mb {need}"
    return n, f"{n} {kind}{'s'[: n != 1]}, not {wanted:,}: {why}"
