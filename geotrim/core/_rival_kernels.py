"""Compiled loops that settle which of several lots has a stretch of shore. They check nothing."""

from __future__ import annotations

import math

import numpy as np

from geotrim.core._kernels import _jit
from geotrim.core._plane_kernels import depth, gap_to_segment, room
from geotrim.core._shore_kernels import ZERO, at_between, vertex_before
from geotrim.core.shoreline import TINY

#: Least number of places asked in a stretch that several lots claim.
LEAST_ASKED = 33


@_jit
def holder(shore, first, last, s, edges, edge_offsets, holds):  # type: ignore[no-untyped-def]
    """Which of the rivals holds a position most firmly: the first within rounding of the best.

    A lot holds a point by its depth in the lot, or less firmly by its distance from it.

    first, last : vertices of the chain, one on either side of the position or farther off. edges,
    edge_offsets : of each rival. holds : scratch, as many as rivals.
    """
    x, y = at_between(shore, s, first, last)
    best = np.inf
    for i in range(holds.size):
        holds[i] = depth(edges[edge_offsets[i] : edge_offsets[i + 1]], x, y)
        best = min(best, holds[i])
    for i in range(holds.size):
        if holds[i] <= best + TINY:
            return i
    return 0


@_jit
def lead(holds, owner):  # type: ignore[no-untyped-def]
    """By how much the others hold less firmly than the owner."""
    least = np.inf
    for i in range(holds.size):
        if i != owner:
            least = min(least, holds[i] - holds[owner])
    return least


@_jit
def edges_that_matter(shore, first, last, low, high, rivals, edges, edge_offsets):  # type: ignore[no-untyped-def]
    """Of the rivals' edges those that may be the nearest to a place between two positions.

    And those that may cross the line that runs east from one. Returns the table, and where those of
    each rival start.
    """
    x, y = at_between(shore, (low + high) / 2.0, first, last)
    half = (high - low) / 2.0 + TINY
    total = ZERO
    for lot in rivals:
        total += edge_offsets[lot + 1] - edge_offsets[lot]
    found, offsets = np.empty((total, 5)), np.zeros(rivals.size + 1, np.int64)
    gaps = np.empty(total)
    n = ZERO
    for i in range(rivals.size):
        start, stop = edge_offsets[rivals[i]], edge_offsets[rivals[i] + 1]
        least = np.inf
        for j in range(start, stop):
            ax, ay, bx, by = edges[j, 0], edges[j, 1], edges[j, 2], edges[j, 3]
            gaps[j - start] = math.sqrt(gap_to_segment(ax, ay, bx, by, x, y))
            least = min(least, gaps[j - start])
        for j in range(start, stop):
            is_level = min(edges[j, 1], edges[j, 3]) <= y + half
            is_level = is_level and max(edges[j, 1], edges[j, 3]) >= y - half
            is_east = max(edges[j, 0], edges[j, 2]) >= x - half
            if gaps[j - start] <= least + 2.0 * half or (is_level and is_east):
                for col in range(5):
                    found[n, col] = edges[j, col]
                n += 1
        offsets[i + 1] = n
    return found, offsets


@_jit
def settle(shore, chain, low, high, rivals, edges, edge_offsets, unit, won, n):  # type: ignore[no-untyped-def]
    """Divide one interval among the lots that all claim it: asked every foot, cuts by halving.

    Adds rows lot, chain, from, to.
    """
    holds = np.empty(rivals.size)
    first, last = shore.first[chain], shore.first[chain + 1] - 1
    first = vertex_before(shore, low, first, last)
    last = min(vertex_before(shore, high, first, last) + 1, last)
    mine, mine_offsets = edges_that_matter(
        shore, first, last, low, high, rivals, edges, edge_offsets
    )
    n_asked = max(LEAST_ASKED, math.ceil((high - low) / unit) + 1)
    step = (high - low) / (n_asked - 1)
    # The last positions are a little inside: at the very ends a rival begins, which is a tie.
    inset = step * 1e-6
    cuts = np.empty((n_asked, 2))
    owners = np.empty(n_asked, np.int64)  # of what comes before each cut
    n_cuts, before, s0, i = 0, -1, low, 0
    while i < n_asked:
        s1 = low + i * step
        s1 = low + inset if i == 0 else (high - inset if i == n_asked - 1 else s1)
        owner = holder(shore, first, last, s1, mine, mine_offsets, holds)
        if before >= 0 and owner != before:
            cuts[n_cuts, 0], cuts[n_cuts, 1] = s0, s1
            owners[n_cuts] = before
            n_cuts += 1
        before, s0 = owner, s1
        # How firmly a lot holds changes no faster than the position: where the others are far
        # behind, the next places asked need no answer.
        sure = s1 + lead(holds, owner) / 2.0 - TINY
        while i < n_asked - 1 and low + (i + 1) * step <= sure:
            i += 1
            s0 = high - inset if i == n_asked - 1 else low + i * step
        i += 1
    widest = 0.0
    for i in range(n_cuts):
        widest = max(widest, cuts[i, 1] - cuts[i, 0])
    n_halvings = math.ceil(math.log2(max(widest / TINY, 1.0)))
    start = low
    won = room(won, n + n_cuts + 1)
    for i in range(n_cuts):
        left, right = cuts[i, 0], cuts[i, 1]
        for _ in range(n_halvings):
            middle = (left + right) / 2.0
            if holder(shore, first, last, middle, mine, mine_offsets, holds) == owners[i]:
                left = middle
            else:
                right = middle
        cut = (left + right) / 2.0
        won[n, 0], won[n, 1], won[n, 2], won[n, 3] = rivals[owners[i]], chain, start, cut
        start = cut
        n += 1
    won[n, 0], won[n, 1], won[n, 2], won[n, 3] = rivals[before], chain, start, high
    return won, n + 1


@_jit
def share_out(shore, wanted, edges, edge_offsets, unit):  # type: ignore[no-untyped-def]
    """Give every part of the shore that is claimed to one lot.

    wanted : (w, 4) rows chain, from, to, lot, sorted; a lot's own do not overlap.

    Returns rows lot, chain, from, to, along each chain, and rows lot, other lot, length of what
    both wanted.
    """
    won, shared = np.empty((wanted.shape[0] + 1, 4)), np.empty((64, 3))
    active = np.empty((64, 2))  # lot and end of the claims that are open, lots rising
    n = n_shared = n_active = i = ZERO
    here = 0.0
    while i < wanted.shape[0] or n_active > 0:
        if n_active == 0:
            chain, here = int(wanted[i, 0]), wanted[i, 1]
        while i < wanted.shape[0] and wanted[i, 0] == chain and wanted[i, 1] <= here:
            active = room(active, n_active + 1)
            place_of = n_active
            while place_of > 0 and active[place_of - 1, 0] > wanted[i, 3]:
                active[place_of, 0], active[place_of, 1] = (
                    active[place_of - 1, 0],
                    active[place_of - 1, 1],
                )
                place_of -= 1
            active[place_of, 0], active[place_of, 1] = wanted[i, 3], wanted[i, 2]
            n_active += 1
            i += 1
        there = wanted[i, 1] if i < wanted.shape[0] and wanted[i, 0] == chain else np.inf
        for j in range(n_active):
            there = min(there, active[j, 1])
        if n_active == 1 or there - here <= TINY:
            won = room(won, n + 1)
            won[n, 0], won[n, 1], won[n, 2], won[n, 3] = active[0, 0], chain, here, there
            n += 1
        else:
            rivals = np.empty(n_active, np.int64)
            for j in range(n_active):
                rivals[j] = int(active[j, 0])
            for one in range(n_active):
                for other in range(one + 1, n_active):
                    shared = room(shared, n_shared + 1)
                    shared[n_shared, 0], shared[n_shared, 1] = active[one, 0], active[other, 0]
                    shared[n_shared, 2] = there - here
                    n_shared += 1
            won, n = settle(shore, chain, here, there, rivals, edges, edge_offsets, unit, won, n)
        here = there
        n_left = 0
        for j in range(n_active):
            if active[j, 1] > here:
                active[n_left, 0], active[n_left, 1] = active[j, 0], active[j, 1]
                n_left += 1
        n_active = n_left
    return won[:n], shared[:n_shared]
