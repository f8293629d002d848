"""What lines of sight meet, how much of the view is open, and what would open more of it.

Every interval is exact: a column of canopy on a ray is a rectangle of distance by elevation, and
the elevation angles it hides run from the least angle of its underside to the greatest angle of its
top. A run of dry ground hides from the angle of the water at its near end to the greatest angle it
reaches. What is under the water's elevation hides nothing: the water in front of it is what is
seen, as it is in front of land beyond it.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from geotrim.core.coverage import Floats, Ints
from geotrim.core.sight_rays import pixel_rates
from geotrim.core.sight_scene import Rays, Scene, Shared
from geotrim.core.window_problem import Elements, Flags, Options
from geotrim.errors import RangeError, ShapeError

#: Two angles (or heights) nearer than this are one. [deg or ft]
SAME_DEG = 1e-9
#: Spans of heights taken off trees: (tree, low_ft, high_ft), (m,) arrays.
Cuts = tuple[npt.ArrayLike, npt.ArrayLike, npt.ArrayLike]


@dataclass(frozen=True, slots=True, eq=False)
class Blocks:
    """What hides the view on rays: n intervals, ray by ray, as they are met.

    ray : (n,) number of the ray, rising.
    low, high : (n,) interval hidden, in the ray's measure: elevation angles [deg] or heights [ft].
        It may reach beyond the view.
    tree : (n,) -1: the ground.
    low_ft, high_ft : (n,) heights of the canopy above the substrate; NaN for the ground. [ft]
    distance_ft : (n,) where it begins; for the ground, where it stands highest. [ft]
    is_clearable : (n,) an option of the tree works there.
    is_taken : (n,) it is taken away by the cuts that were given.
    """

    ray: Ints
    low: Floats
    high: Floats
    tree: Ints
    low_ft: Floats
    high_ft: Floats
    distance_ft: Floats
    is_clearable: Flags
    is_taken: Flags

    def __len__(self) -> int:
        return len(self.ray)


@dataclass(frozen=True, slots=True, eq=False)
class _Layers:
    """How spans of heights cut trees into layers; see ``_sight_kernels``.

    edge_start, edge : edges of each tree. first, last : (m,) layers each span takes, in the order
    of the spans, which are sorted by tree; span_start : (t + 1,) spans of each tree.
    """

    edge_start: Ints
    edge: Floats
    first: Ints
    last: Ints
    span_start: Ints

    @property
    def layer_start(self) -> Ints:
        return self.edge_start + np.arange(self.edge_start.size)


def _layers_of(cuts: Cuts, n_trees: int, what: str) -> tuple[_Layers, Ints]:
    """Layers, and the order that sorts the spans by tree."""
    tree = np.asarray(cuts[0], np.int64).reshape(-1)
    low = np.asarray(cuts[1], np.float64).reshape(-1)
    high = np.asarray(cuts[2], np.float64).reshape(-1)
    if not tree.size == low.size == high.size:
        raise ShapeError(
            what, f"{tree.size}, {low.size} and {high.size} values", "one row a span", "fit them"
        )
    if np.isnan(low).any() or np.isnan(high).any():
        raise RangeError(what, "heights that are NaN", "a span of heights", "leave these rows out")
    if tree.size and not (tree.min() >= 0 and tree.max() < n_trees):
        raise RangeError(
            what, f"trees {tree.min()} to {tree.max()}", f"0 to {n_trees - 1}", "number them anew"
        )
    order = np.argsort(tree, kind="stable")
    tree, low, high = tree[order], low[order], high[order]
    owner, ends = np.concatenate([tree, tree]), np.concatenate([low, high])
    by_end = np.lexsort((ends, owner))
    is_new = np.ones(by_end.size, dtype=bool)
    is_new[1:] = (np.diff(owner[by_end]) != 0) | (ends[by_end][1:] != ends[by_end][:-1])
    number = np.empty(by_end.size, np.int64)
    number[by_end] = np.cumsum(is_new) - 1
    edge_start = np.searchsorted(owner[by_end][is_new], np.arange(n_trees + 1)).astype(np.int64)
    first = number[: tree.size] - edge_start[tree] + 1
    last = number[tree.size :] - edge_start[tree]
    span_start = np.searchsorted(tree, np.arange(n_trees + 1)).astype(np.int64)
    return _Layers(edge_start, ends[by_end][is_new], first, last, span_start), order


@dataclass(frozen=True, slots=True, eq=False)
class _Met:
    """Blocks as the compiled loops want them: ``offset`` (r + 1,), the layer of each, -1: none."""

    blocks: Blocks
    layer: Ints
    offset: Ints


def _check(scene: Scene) -> None:
    shape = scene.tree.shape
    grids = (scene.top_ft, scene.is_clearable, scene.substrate_ft)
    if len(shape) != 2 or any(grid.shape != shape for grid in grids):
        shapes = ", ".join(str(grid.shape) for grid in (scene.tree, *grids))
        raise ShapeError("scene", f"grids of {shapes}", "one shape", "put them on one grid")
    if scene.tree.size and scene.tree.max() >= scene.base_ft.size:
        raise ShapeError(
            "scene",
            f"tree number {scene.tree.max()}",
            f"fewer than the {scene.base_ft.size} bases",
            "give each tree a base",
        )
    if scene.shared is not None and len(scene.shared):
        _check_shared(scene, scene.shared)


def _check_shared(scene: Scene, shared: Shared) -> None:
    """Further columns stand in the order of their cells, on cells that have a column already."""
    cell, tree = np.asarray(shared.cell), np.asarray(shared.tree)
    sizes = {cell.size, tree.size, np.size(shared.top_ft), np.size(shared.is_clearable)}
    is_good = len(sizes) == 1 and (np.diff(cell) >= 0).all() and cell[0] >= 0
    is_good = bool(is_good and cell[-1] < scene.tree.size and tree.min() >= 0)
    if is_good and tree.max() < scene.base_ft.size:
        owner = scene.tree.reshape(-1)[cell]
        first = scene.top_ft.reshape(-1)[cell] > scene.base_ft[owner]
        if ((owner >= 0) & first).all():
            return
    raise ShapeError(
        "scene shared",
        f"{cell.size} columns",
        "columns of known trees by rising cell, on cells with canopy of another tree",
        "sort them, and put the first one of each cell on the grids",
    )


def _columns(scene: Scene, cell: Ints) -> tuple[Ints, list[Any]]:
    """Columns that stand on crossed cells.

    Returns the crossing each belongs to, and its top, tree, substrate and whether it can be cut.
    """
    shared = scene.shared
    which = begin = np.arange(cell.size)
    if shared is not None and len(shared):
        begin = np.searchsorted(shared.cell, cell, side="left")
        n = 1 + np.searchsorted(shared.cell, cell, side="right") - begin
        which = np.repeat(which, n)
    at = cell[which]
    found: list[Any] = [
        np.asarray(scene.top_ft, np.float64).reshape(-1)[at],
        np.asarray(scene.tree, np.int64).reshape(-1)[at],
        np.asarray(scene.substrate_ft, np.float64).reshape(-1)[at],
        np.asarray(scene.is_clearable, np.bool_).reshape(-1)[at],
    ]
    if shared is None or which.size == cell.size:
        return which, found
    place = np.arange(which.size) - (np.cumsum(n) - n)[which]  # 0: the one in the grids
    more = place > 0
    extra = (begin[which] + place - 1)[more]
    for k, values in ((0, shared.top_ft), (1, shared.tree), (3, shared.is_clearable)):
        found[k][more] = np.asarray(values)[extra]
    return which, found


def _crossings(scene: Scene, rays: Rays) -> tuple[Ints, Floats, Floats, Ints]:
    """Columns each ray crosses: ray, distances of entry and exit, cell."""
    from geotrim.core import _sight_kernels

    start, rate = pixel_rates(scene.transform, scene.feet, rays.x, rays.y, rays.dx, rays.dy)
    given: list[Any] = [
        np.ascontiguousarray(start),
        np.ascontiguousarray(rate),
        np.ascontiguousarray(rays.length_ft, np.float64),
        np.ascontiguousarray(scene.top_ft, np.float64),
        np.ascontiguousarray(scene.tree, np.int64),
        np.ascontiguousarray(scene.base_ft, np.float64),
    ]
    count = np.zeros(len(rays), np.int64)
    near, far, cell = np.empty(0), np.empty(0), np.empty(0, np.int64)
    _sight_kernels.canopy_crossings(*given, count, True, near, far, cell)
    n = int(count.sum())
    near, far, cell = np.empty(n), np.empty(n), np.empty(n, np.int64)
    _sight_kernels.canopy_crossings(*given, count, False, near, far, cell)
    return np.repeat(np.arange(len(rays)), count), near, far, cell


def _canopy(scene: Scene, rays: Rays, layers: _Layers) -> tuple[Blocks, Ints]:
    """Blocks by canopy, and the layer of each."""
    from geotrim.core import _sight_kernels

    ray, near, far, cell = _crossings(scene, rays)
    crossed, (top, tree, substrate, is_clearable) = _columns(scene, cell)
    ray, near, far = ray[crossed], near[crossed], far[crossed]
    if not math.isnan(rays.eye_ft) and np.isnan(substrate).any():
        raise RangeError(
            "substrate_ft",
            "NaN under canopy",
            "an elevation under each cell of a crown",
            "fill the gaps of the ground, or leave the ground out",
        )
    given: list[Any] = [
        near,
        far,
        np.arange(near.size),
        top,
        tree,
        np.ascontiguousarray(scene.base_ft, np.float64),
        substrate,
        is_clearable,
        float(rays.eye_ft),
        float(scene.water_ft),
        float(rays.curvature),
        layers.edge_start,
        layers.edge,
    ]
    count = np.zeros(near.size, np.int64)
    floats, whole = np.empty(0), np.empty(0, np.int64)
    _sight_kernels.layers(*given, count, True, floats, floats, floats, floats, whole)
    n = int(count.sum())
    low, high, low_ft, high_ft = (np.empty(n) for _ in range(4))
    layer = np.empty(n, np.int64)
    _sight_kernels.layers(*given, count, False, low, high, low_ft, high_ft, layer)
    at = np.repeat(np.arange(near.size), count)
    none = np.zeros(n, dtype=bool)
    blocks = Blocks(ray[at], low, high, tree[at], low_ft, high_ft, near[at], is_clearable[at], none)
    return blocks, layer


def _ground(scene: Scene, rays: Rays) -> tuple[Ints, Floats, Floats, Floats]:
    """What dry ground hides: ray, lowest and highest angle [deg], where it is highest [ft]."""
    from geotrim.core import _sight_kernels

    if scene.ground is None or math.isnan(rays.eye_ft) or min(scene.ground.elevation_ft.shape) < 2:
        return np.empty(0, np.int64), np.empty(0), np.empty(0), np.empty(0)
    start, rate = pixel_rates(scene.ground.transform, scene.feet, rays.x, rays.y, rays.dx, rays.dy)
    given: list[Any] = [
        np.ascontiguousarray(start - 0.5),
        np.ascontiguousarray(rate),
        np.ascontiguousarray(rays.length_ft, np.float64),
        np.ascontiguousarray(scene.ground.elevation_ft, np.float64),
        float(rays.eye_ft),
        float(scene.water_ft),
        float(rays.curvature),
    ]
    count, none = np.zeros(len(rays), np.int64), np.empty(0)
    _sight_kernels.ground_runs(*given, count, True, none, none, none)
    low, high, distance = (np.empty(int(count.sum())) for _ in range(3))
    _sight_kernels.ground_runs(*given, count, False, low, high, distance)
    return np.repeat(np.arange(len(rays)), count), low, high, distance


def _meet(scene: Scene, rays: Rays, layers: _Layers) -> _Met:
    """All blocks of rays: the ground first, then canopy."""
    canopy, layer = _canopy(scene, rays, layers)
    hills, ground_low, ground_high, distance = _ground(scene, rays)
    n = hills.size
    nan, false = np.full(n, math.nan), np.zeros(n, dtype=bool)
    joined = [
        np.concatenate([hills, canopy.ray]),
        np.concatenate([ground_low, canopy.low]),
        np.concatenate([ground_high, canopy.high]),
        np.concatenate([np.full(n, -1), canopy.tree]),
        np.concatenate([nan, canopy.low_ft]),
        np.concatenate([nan, canopy.high_ft]),
        np.concatenate([distance, canopy.distance_ft]),
        np.concatenate([false, canopy.is_clearable]),
    ]
    order = np.argsort(joined[0], kind="stable")
    layer = np.concatenate([np.full(n, -1), layer])[order]
    ray, low, high, tree, low_ft, high_ft, distance_ft, is_clearable = (v[order] for v in joined)
    is_taken = _is_in_span(layers)[layers.layer_start[tree] + layer] & (layer >= 0)
    blocks = Blocks(
        ray, low, high, tree, low_ft, high_ft, distance_ft, is_clearable, is_taken
    )  # fmt: skip
    return _Met(blocks, layer, np.searchsorted(ray, np.arange(len(rays) + 1)).astype(np.int64))


def _is_in_span(layers: _Layers) -> Flags:
    """Of every layer of every tree: some span takes it."""
    edges = np.diff(layers.edge_start)
    step = np.zeros(int(layers.layer_start[-1]) + 2, np.int64)
    tree = np.repeat(np.arange(edges.size), np.diff(layers.span_start))
    begin = layers.layer_start[tree]
    is_some = layers.last >= layers.first
    np.add.at(step, (begin + layers.first)[is_some], 1)
    np.add.at(step, (begin + layers.last + 1)[is_some], -1)
    return np.cumsum(step) > 0


def blocks(scene: Scene, rays: Rays, cuts: Cuts | None = None) -> Blocks:
    """Everything that hides something on rays.

    Parameters
    ----------
    scene : Scene
    rays : Rays
    cuts : (tree, low_ft, high_ft) or None
        Spans of heights; columns that can be cut are split at their ends. A column may lie in
        several. [ft]

    Returns
    -------
    Blocks

    Raises
    ------
    ShapeError, RangeError
        If grids, trees or spans do not fit each other; if canopy stands on no elevation.
    """
    _check(scene)
    layers, _ = _layers_of(cuts or ([], [], []), scene.base_ft.size, "cuts")
    return _meet(scene, rays, layers).blocks


def open_share(scene: Scene, rays: Rays, cuts: Cuts | None = None) -> tuple[float, Floats]:
    """Share of the view that nothing hides.

    Parameters
    ----------
    scene : Scene
    rays : Rays
    cuts : (tree, low_ft, high_ft) or None
        Spans of heights taken off trees, on the cells where that is allowed; spans of one tree add
        up. [ft]

    Returns
    -------
    share : float
        Of the whole view; NaN where there are no rays.
    by_ray : (r,) array
        Of each ray.

    Raises
    ------
    ShapeError, RangeError
        As :func:`blocks`.
    """
    from geotrim.core import _sight_kernels

    met = blocks(scene, rays, cuts)
    if len(rays) == 0:
        return math.nan, np.zeros(0)
    stays = ~met.is_taken
    low = met.low[stays]
    order = np.lexsort((low, met.ray[stays]))
    offset = np.searchsorted(met.ray[stays], np.arange(len(rays) + 1)).astype(np.int64)
    opened = np.empty(len(rays))
    _sight_kernels.open_lengths(
        offset, low[order], met.high[stays][order], rays.low, rays.high, opened
    )
    return float((opened * rays.weight).sum()), opened / (rays.high - rays.low)


def horizon_in_sight(rays: Rays, met: Blocks) -> Flags:
    """On which rays the horizon itself is in sight: the top of the view, and what is just under it.

    Parameters
    ----------
    rays : Rays
    met : Blocks
        Of these rays; what is taken away hides nothing.

    Returns
    -------
    (r,) bool array
        False where a block reaches from under the top of the view up to it or over it.
    """
    top = rays.high[met.ray]
    hides = ~met.is_taken & (met.low < top - SAME_DEG) & (met.high >= top - SAME_DEG)
    in_sight = np.ones(len(rays), dtype=bool)
    in_sight[met.ray[hides]] = False
    return in_sight


def elements(scene: Scene, rays_list: Sequence[Rays], options: Options) -> Elements:
    """Parts of a view, or of the mean of several, that open together.

    Each ray is cut at the ends of all intervals that something hides. A part that something hides
    which no option takes away is left out; the others are gathered by what hides them: for each
    tree the set of options that clear all its canopy there. Options that are barred count too.

    Parameters
    ----------
    scene : Scene
    rays_list : sequence of Rays
        Of several eyes, say: the view is the mean of their views. One without rays has no view
        and is left out of the mean.
    options : Options
        Their trees rising.

    Returns
    -------
    Elements
        Their order is that in which they are met. ``open_frac`` is NaN where no view is left.

    Raises
    ------
    ShapeError, RangeError
        As :func:`blocks`; if the options' trees do not rise.
    """
    from geotrim.core import _sight_kernels

    _check(scene)
    if (np.diff(options.tree) < 0).any():
        raise RangeError("options", "trees out of order", "rising numbers", "sort them by tree")
    layers, _ = _layers_of(
        (options.tree, options.low_ft, options.high_ft), scene.base_ft.size, "options"
    )
    views = [rays for rays in rays_list if len(rays)]
    if not views:
        empty = np.zeros(1, np.int64)
        return Elements(math.nan, np.zeros(0), empty, empty, np.zeros(0, np.int64))
    spans = (layers.layer_start, layers.span_start, layers.first, layers.last)
    weight, group_start, groups = _sight_kernels.sweep(
        *_ends([_meet(scene, rays, layers) for rays in views], views),
        np.concatenate([rays.low for rays in views]),
        np.concatenate([rays.high for rays in views]),
        np.concatenate([rays.weight for rays in views]) / len(views),
        *spans,
    )
    return _elements_of(weight, group_start, groups, spans)


def _ends(met: Sequence[_Met], views: Sequence[Rays]) -> tuple[Ints, Floats, Ints, Ints, Ints]:
    """Ends of all intervals, cut to the views, ray by ray and rising; see ``sweep``."""
    before = np.cumsum([0, *(len(rays) for rays in views)])
    ray = np.concatenate([one.blocks.ray + n for one, n in zip(met, before, strict=False)])
    view_low = np.concatenate([rays.low for rays in views])
    view_high = np.concatenate([rays.high for rays in views])
    low = np.maximum(np.concatenate([one.blocks.low for one in met]), view_low[ray])
    high = np.minimum(np.concatenate([one.blocks.high for one in met]), view_high[ray])
    is_in_view = low < high
    tree = np.concatenate([one.blocks.tree for one in met])[is_in_view]
    layer = np.concatenate([one.layer for one in met])[is_in_view]
    rays_twice = np.tile(ray[is_in_view], 2)
    where = np.concatenate([low[is_in_view], high[is_in_view]])
    change = np.repeat(np.array([1, -1]), tree.size)
    # ends at one place may come in any order: nothing is counted before all of them are
    order = np.lexsort((where, rays_twice))
    offset = np.searchsorted(rays_twice[order], np.arange(view_low.size + 1)).astype(np.int64)
    return offset, where[order], np.tile(tree, 2)[order], np.tile(layer, 2)[order], change[order]


def _elements_of(
    weight: Floats, group_start: Ints, groups: Ints, spans: tuple[Ints, Ints, Ints, Ints]
) -> Elements:
    """Name the options of each group, and set apart what is open already."""
    from geotrim.core import _sight_kernels

    start = np.zeros(len(groups) + 1, np.int64)
    _sight_kernels.options_of_groups(groups, *spans, start, True, np.empty(0, np.int64))
    option = np.empty(int(start[-1]), np.int64)
    _sight_kernels.options_of_groups(groups, *spans, start, False, option)
    is_hidden = np.diff(group_start) > 0
    kept = np.concatenate([group_start[:-1][is_hidden], group_start[-1:]])
    return Elements(float(weight[~is_hidden].sum()), weight[is_hidden], kept, start, option)
