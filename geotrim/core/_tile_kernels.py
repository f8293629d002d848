"""Compiled loops for tiles of a cloud. They check nothing."""

from __future__ import annotations

import numpy as np

from geotrim.core._kernels import _jit


@_jit
def blocks(x, y, west, south, side, wide, high, starts, order):  # type: ignore[no-untyped-def]
    """Sort points into blocks, column by column from the west, south first in each.

    starts : (wide * high + 1,) zeros; where each block begins in ``order``, at the end.
    order : (n,) the points, block by block.
    """
    for i in range(x.size):
        starts[_block(x[i], y[i], west, south, side, wide, high) + 1] += 1
    for k in range(starts.size - 1):
        starts[k + 1] += starts[k]
    at = starts[:-1].copy()
    for i in range(x.size):
        k = _block(x[i], y[i], west, south, side, wide, high)
        order[at[k]] = i
        at[k] += 1


@_jit
def _block(x, y, west, south, side, wide, high):  # type: ignore[no-untyped-def]
    col = min(max(int((x - west) / side), 0), wide - 1)
    row = min(max(int((y - south) / side), 0), high - 1)
    return col * high + row


@_jit
def nearest(  # type: ignore[no-untyped-def]
    px, py, x, y, west, south, side, wide, high, starts, order, gap, out
):
    """Into ``out``, the distance of each place to the nearest point, inf where over ``gap``.

    Blocks are searched ring by ring around that of the place, until no nearer point can come. The
    points of a block at the rim may lie beyond it, so rings are searched to the end there.
    """
    rings = int(np.ceil(gap / side)) + 1
    for i in range(px.size):
        col = int(np.floor((px[i] - west) / side))
        row = int(np.floor((py[i] - south) / side))
        best = np.inf
        for ring in range(rings + 1):
            if best <= (ring - 1) * side:
                break
            for c in range(max(col - ring, 0), min(col + ring, wide - 1) + 1):
                is_side = c == col - ring or c == col + ring
                step = 1 if is_side or ring == 0 else 2 * ring
                for r in range(row - ring, row + ring + 1, step):
                    if r < 0 or r >= high:
                        continue
                    k = c * high + r
                    for j in range(starts[k], starts[k + 1]):
                        away = np.hypot(x[order[j]] - px[i], y[order[j]] - py[i])
                        best = min(best, away)
        out[i] = best if best <= gap else np.inf
