"""Small invented window problems, and the best plan of one by looking at every plan there is.

The search shares no code with the product: it reads the arrays and judges every rule by itself.
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass, replace

import numpy as np

from geotrim.core.window_problem import Elements, Options, WindowProblem

#: Sums are compared to this, as floating point adds up in different orders.
EPS = 1e-7


def problem_of(
    stations_ft,
    trees,
    elements,
    *,
    open_frac=0.0,
    breaks=(0,),
    closed=(),
    bars=(),
    **rules,
):
    """A problem from plain words.

    stations_ft : lengths. trees : for each (station, [(volume, share, bar), ...]).
    elements : (weight, [[(tree, number of its option), ...], ...]).
    """
    n = len(stations_ft)
    rows = [(t, *option) for t, (_, own) in enumerate(trees) for option in own]
    first = np.cumsum([0] + [len(own) for _, own in trees])
    tree, volume, share, bar = (list(c) for c in zip(*rows, strict=True)) if rows else ([],) * 4
    options = Options(
        np.array(tree, dtype=np.int64),
        np.full(len(rows), 6.0),
        np.full(len(rows), 10.0),
        np.array(volume, dtype=float),
        np.array(share, dtype=float),
        np.array(bar, dtype=np.int64),
    )
    groups = [group for _, need in elements for group in need]
    numbers = [int(first[t] + k) for group in groups for t, k in group]
    told = Elements(
        open_frac,
        np.array([weight for weight, _ in elements], dtype=float),
        np.cumsum([0] + [len(need) for _, need in elements]),
        np.cumsum([0] + [len(group) for group in groups]),
        np.array(numbers, dtype=np.int64),
    )
    length = np.array(stations_ft, dtype=float)
    return WindowProblem(
        np.cumsum(length) - length,
        length,
        np.isin(np.arange(n), breaks),
        ~np.isin(np.arange(n), closed),
        np.array([station for station, _ in trees], dtype=np.int64),
        options,
        told,
        tuple(bars),
        **rules,
    )


def row_of_trees(n=6, **rules):
    """Stations of 1 ft, in each a tree of 10 ft3; each hides a share of its own of the view."""
    trees = [(s, [(10.0, 0.3, -1)]) for s in range(n)]
    elements = [(0.02 * (s + 1), [[(s, 0)]]) for s in range(n)]
    return problem_of([1.0] * n, trees, elements, **rules)


def random_problem(rng, n_max=7, trees_max=4, is_ruled=True):
    """A small lot with every rule in play. Views are whole percents, so that ties are ties."""
    n, t = int(rng.integers(2, n_max + 1)), int(rng.integers(2, trees_max + 1))
    bars = ("nest", "keep")
    trees = []
    for _ in range(t):
        own = []
        for _ in range(int(rng.integers(1, 4))):
            bar = int(rng.integers(0, 2)) if rng.random() < 0.08 else -1
            own.append((float(rng.uniform(1, 10)), float(rng.uniform(0.05, 0.8)), bar))
        trees.append(
            (int(rng.integers(-1, n)) if rng.random() < 0.3 else int(rng.integers(n)), own)
        )
    elements = []
    for _ in range(int(rng.integers(1, 9))):
        # In the same order now and then, so that elements lie within elements.
        order = np.arange(t) if rng.random() < 0.4 else rng.permutation(t)
        behind = order[: int(rng.integers(1, min(t, 3) + 1))]
        need = []
        for tree in sorted(behind.tolist()):
            m = len(trees[tree][1])
            some = np.flatnonzero(rng.random(m) < 0.6)
            need.append([(tree, int(k)) for k in (some if len(some) else [rng.integers(m)])])
        elements.append((0.01 * int(rng.integers(1, 10)), need))
    stations = rng.choice([1.0, 1.0, 1.5, 0.7], n)
    breaks = [0, *(s for s in range(1, n) if rng.random() < 0.12)]
    closed = [s for s in range(n) if rng.random() < 0.1]
    rules = random_rules(rng, stations, trees) if is_ruled else {}
    if is_ruled and rng.random() < 0.5:
        rules |= random_cover(rng, n, t)
    return problem_of(
        stations, trees, elements, open_frac=0.1, breaks=breaks, closed=closed, bars=bars, **rules
    )


def cover(*stations_of_trees):
    """Stations that each crown stands along."""
    return {
        "cover_start": np.cumsum([0] + [len(one) for one in stations_of_trees]),
        "cover_station": np.array([s for one in stations_of_trees for s in one], dtype=np.int64),
    }


def random_cover(rng, n, t):
    """Crowns along up to four stations, anywhere; some along none."""
    first = rng.integers(0, n, t)
    return cover(*[range(a, min(a + int(rng.integers(0, 5)), n)) for a in first.tolist()])


def random_rules(rng, stations, trees):
    def some(value, often=0.4):
        return value if rng.random() < often else None

    total = float(np.sum(stations))
    volumes = [option[0] for _, own in trees for option in own]
    area = rng.uniform(1, 5, len(trees))
    # Limits that are exactly met are as likely as others.
    taken = rng.random(len(volumes)) < 0.4
    return {
        "span_min_ft": some(float(rng.choice([0.0, 1.0, 2.0, 2.5, 3.0]))),
        "span_max_ft": some(float(rng.choice([1.0, 2.0, 3.0, 3.5]))),
        "gap_min_ft": float(rng.choice([0.0, 0.0, 1.0, 2.0, 2.5])),
        "n_spans_max": some(int(rng.integers(1, 4))),
        "is_counted": rng.random(len(trees)) < 0.8,
        "area_ft2": area,
        "trees_max": some(int(rng.integers(1, 4)), 0.3),
        "length_max_ft": some(float(rng.choice([0.65 * total, 2.0, 3.0])), 0.4),
        "area_max_ft2": some(float(rng.choice([area[:2].sum(), rng.uniform(2, 12)])), 0.3),
        "share_max_frac": rng.choice([0.4, 0.7, 0.9], len(trees)),
        "foliage_max_ft3": some(
            float(rng.choice([np.sum(np.array(volumes)[taken]), rng.uniform(0, 25)])), 0.4
        ),
    }


@dataclass(frozen=True)
class Best:
    view: float
    foliage: float
    length: float


def spans_by_hand(problem, is_open):
    """Spans, and the gap before each (None: another stretch, or the first)."""
    spans, gaps, gap = [], [], None
    for s, o in enumerate(is_open):
        if problem.is_break[s]:
            gap = None
        is_new = o and (s == 0 or problem.is_break[s] or not is_open[s - 1])
        if is_new:
            spans.append(0.0)
            gaps.append(gap)
        if o:
            spans[-1] += float(problem.station_length_ft[s])
            gap = 0.0
        elif gap is not None:
            gap += float(problem.station_length_ft[s])
    return spans, gaps


def window_is_within(problem, is_open):
    """Every rule of spans, of the zone and of the allowance of length."""
    if any(o and not a for o, a in zip(is_open, problem.is_allowed, strict=True)):
        return False
    spans, gaps = spans_by_hand(problem, is_open)
    if problem.span_min_ft is not None and any(x < problem.span_min_ft - EPS for x in spans):
        return False
    if problem.span_max_ft is not None and any(x > problem.span_max_ft + EPS for x in spans):
        return False
    if any(gap is not None and gap < problem.gap_min_ft - EPS for gap in gaps):
        return False
    if problem.n_spans_max is not None and len(spans) > problem.n_spans_max:
        return False
    if problem.length_max_ft is None or len(problem.cover_start):
        return True
    return sum(spans) <= problem.length_max_ft + EPS


def cover_is_within(problem, trees):
    """The shore that crowns stand along, each station once."""
    if problem.length_max_ft is None or not len(problem.cover_start):
        return True
    start = problem.cover_start
    along = {int(s) for t in trees for s in problem.cover_station[start[t] : start[t + 1]]}
    return sum(float(problem.station_length_ft[s]) for s in along) <= problem.length_max_ft + EPS


def trees_are_within(problem, choice):
    """Every limit on trees and on what is taken of them."""
    o = problem.options
    cut = [(t, k) for t, k in enumerate(choice) if k >= 0]
    if any(o.barred_by[k] >= 0 for _, k in cut):
        return False
    if len(problem.share_max_frac) and any(
        o.share_frac[k] > problem.share_max_frac[t] + EPS for t, k in cut
    ):
        return False
    kept = [t for t, _ in cut if not len(problem.is_counted) or problem.is_counted[t]]
    if problem.trees_max is not None and len(kept) > problem.trees_max:
        return False
    if problem.area_max_ft2 is not None:
        area = sum(float(problem.area_ft2[t]) for t in kept)
        if area > problem.area_max_ft2 + EPS:
            return False
    if not cover_is_within(problem, kept):
        return False
    foliage = sum(float(o.volume_ft3[k]) for _, k in cut)
    return problem.foliage_max_ft3 is None or foliage <= problem.foliage_max_ft3 + EPS


def view_by_hand(problem, choice):
    """Open from the start, and every element each of whose groups holds an option taken."""
    e, view = problem.elements, problem.elements.open_frac
    for j, weight in enumerate(e.weight_frac):
        groups = range(e.group_start[j], e.group_start[j + 1])
        if all(
            any(int(k) in choice for k in e.option[e.option_start[g] : e.option_start[g + 1]])
            for g in groups
        ):
            view += float(weight)
    return view


def plan_is_within(problem, is_open, choice):
    """Every rule there is."""
    stations = [int(problem.tree_station[t]) for t, k in enumerate(choice) if k >= 0]
    return (
        window_is_within(problem, is_open)
        and trees_are_within(problem, choice)
        and all(s >= 0 and is_open[s] for s in stations)
    )


def exhaustive(problem, is_candidate=lambda is_open: True):
    """The best view, then the least foliage, then the shortest window, of all plans."""
    windows = [
        (sum(problem.station_length_ft[list(w)].tolist()), w)
        for w in itertools.product((False, True), repeat=problem.n_stations)
        if window_is_within(problem, w) and is_candidate(w)
    ]
    own = [np.flatnonzero(problem.options.tree == t).tolist() for t in range(problem.n_trees)]
    best = None
    for choice in itertools.product(*[[-1, *ks] for ks in own]):
        if not trees_are_within(problem, choice):
            continue
        cut = [int(problem.tree_station[t]) for t, k in enumerate(choice) if k >= 0]
        if any(s < 0 for s in cut):
            continue
        lengths = [length for length, w in windows if all(w[s] for s in cut)]
        if not lengths:
            continue
        foliage = sum(float(problem.options.volume_ft3[k]) for k in choice if k >= 0)
        worth = (-round(view_by_hand(problem, choice), 9), foliage, min(lengths))
        best = worth if best is None or worth < best else best
    return None if best is None else Best(-best[0], best[1], best[2])


def without(problem, **changes):
    return replace(problem, **changes)
