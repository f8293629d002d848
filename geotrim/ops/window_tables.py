"""Tables of the operation ``window``: each a list of rows from one lot's plan."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from geotrim.core.foliage import Foliage
from geotrim.core.window_limits import ALLOWANCE, over
from geotrim.core.window_problem import WindowPlan, WindowProblem, spans_of
from geotrim.ops.window_trees import AND, Limit, Stand, Treatments
from geotrim.ops.window_view import Shore, span_shape

Floats = npt.NDArray[np.float64]

COLUMNS = {
    "window_lots": (
        "lot_id", "status", "reason", "way", "way_words", "view_of", "n_eyes", "view_before_frac",
        "view_after_frac", "view_bound_frac", "view_centred_frac", "is_optimal", "n_spans",
        "window_length_ft", "n_cut_trees", "foliage_removed_ft3", "foliage_removed_frac",
        "target_view_frac", "is_target_met", "target_words", "view_others_removed_frac",
        "view_best_frac", "centred_length_ft", "is_way_assumed", "lot_foliage_ft3",
        "least_height_ft", "is_without_proven", "view_of_words",
    ),
    "window_spans": (
        "lot_id", "span_id", "stretch_id", "station_from_ft", "station_to_ft", "span_length_ft",
        "n_cut_trees",
    ),
    "window_trees": (
        "lot_id", "crown_id", "species", "station_ft", "is_in_span", "treatment", "why_left",
        "top_height_ft", "cut_low_ft", "cut_high_ft", "height_after_ft", "foliage_ft3",
        "removed_ft3", "removed_frac", "share_max_frac", "bar",
    ),
    "window_limits": (
        "lot_id", "limit", "words", "value", "allowed", "unit", "standing", "view_without_frac",
        "n_trees", "source", "kept_out_value",
    ),
    "window_frontier": (
        "lot_id", "point", "foliage_removed_ft3", "foliage_removed_frac", "view_after_frac",
        "view_bound_frac", "window_length_ft", "n_spans", "n_cut_trees", "spans", "is_chosen",
        "is_knee",
    ),
}  # fmt: skip
#: Plans that take and open as much as each other are the same one, to this.
SAME = 1e-9
CLEAR, LOWER, LEAVE = "clear-band", "lower-top", "leave"


@dataclass(frozen=True, slots=True, eq=False)
class Lot:
    """One lot with all that its tables are made from.

    is_clearable : (k,) cells of the foliage that lie in the zone.
    """

    lot_id: str
    stand: Stand
    shore: Shore
    foliage: Foliage
    done: Treatments
    problem: WindowProblem
    zone: Any
    least_ft: float
    lot_foliage_ft3: float
    is_clearable: npt.NDArray[np.bool_]


def span_rows(lot: Lot, plan: WindowPlan) -> list[dict[str, Any]]:
    """One row a span."""
    rows = []
    cut = plan.option_of >= 0
    for k, (first, last) in enumerate(spans_of(lot.problem, plan.is_open), start=1):
        inside = (lot.problem.tree_station >= first) & (lot.problem.tree_station <= last)
        low, high = float(lot.shore.from_ft[first]), float(lot.shore.to_ft[last])
        rows.append(
            {
                "lot_id": lot.lot_id,
                "span_id": f"{lot.lot_id}/w{k}",
                "stretch_id": lot.shore.stretches[lot.shore.stretch[first]].stretch_id,
                "station_from_ft": low,
                "station_to_ft": high,
                "span_length_ft": high - low,
                "n_cut_trees": int((cut & inside).sum()),
                "geometry": span_shape(lot.shore, first, last, lot.zone),
            }
        )
    return rows


def spans_text(lot: Lot, plan: WindowPlan) -> str:
    """Spans as text: ``43-61, 80-95``."""
    pairs = spans_of(lot.problem, plan.is_open)
    ends = [(lot.shore.from_ft[first], lot.shore.to_ft[last]) for first, last in pairs]
    return ", ".join(f"{low:.4g}-{high:.4g}" for low, high in ends)


def tree_rows(lot: Lot, plan: WindowPlan) -> list[dict[str, Any]]:
    """One row for each tree of the lot."""
    stand, options = lot.stand, lot.done.options
    rows = []
    for i in np.flatnonzero(stand.is_mine):
        station = int(lot.problem.tree_station[i])
        is_in = station >= 0 and bool(plan.is_open[station])
        m = int(plan.option_of[i])
        top = float(lot.foliage.top_ft[i])
        is_cut, is_top = m >= 0, m >= 0 and bool(np.isinf(options.high_ft[m]))
        low = float(options.low_ft[m]) if is_cut else np.nan
        bar = AND.join(broken_by(lot, m, int(i))) if is_cut else _bar(lot, int(i))
        why = _against(lot, bar, int(i)) if is_cut else _why_left(lot, int(i), is_in, bar)
        rows.append(
            {
                "lot_id": lot.lot_id,
                "crown_id": stand.ids[i],
                "species": stand.species[i],
                "station_ft": float(stand.station_ft[i]),
                "is_in_span": is_in,
                "treatment": (LOWER if is_top else CLEAR) if is_cut else LEAVE,
                "why_left": why,
                "top_height_ft": top,
                "cut_low_ft": low,
                "cut_high_ft": float(options.high_ft[m]) if is_cut and not is_top else np.nan,
                "height_after_ft": stands_at_ft(lot, int(i), low) if is_top else top,
                "foliage_ft3": float(lot.foliage.whole_ft3[i]),
                "removed_ft3": float(options.volume_ft3[m]) if is_cut else 0.0,
                "removed_frac": float(options.share_frac[m]) if is_cut else 0.0,
                "share_max_frac": float(lot.problem.share_max_frac[i]),
                "bar": bar,
            }
        )
    return rows


def stands_at_ft(lot: Lot, i: int, cut_ft: float) -> float:
    """Height of a tree whose top is lowered: where part of its crown may not be cut, that of it.

    Parameters
    ----------
    lot : Lot
    i : int
        Number of the tree.
    cut_ft : float
        Height its top is lowered to. [ft]
    """
    mine = (lot.foliage.cell_tree == i) & ~lot.is_clearable
    stays = lot.foliage.cell_height_ft[mine]
    return float(np.fmax(cut_ft, stays.max(initial=cut_ft, where=np.isfinite(stays))))


def broken_by(lot: Lot, m: int, i: int) -> list[str]:
    """Limits that an option of a tree breaks; a plan within the limits takes none that does.

    Parameters
    ----------
    lot : Lot
    m, i : int
        Numbers of the option and of its tree.
    """
    number = int(lot.done.options.barred_by[m])
    names = lot.done.bars[number].split(AND) if number >= 0 else []
    if over(float(lot.done.options.share_frac[m]), float(lot.problem.share_max_frac[i])):
        names.append(SHARE)
    return names


def _against(lot: Lot, bar: str, i: int) -> str:
    """What a cut of the user's own goes against."""
    if not bar:
        return ""
    told = "; ".join(_words(lot, name, i) for name in bar.split(AND))
    return f"cut in this window against a limit: {told}"


def _words(lot: Lot, name: str, i: int) -> str:
    """A limit in words, as it keeps one tree."""
    if name == SHARE:
        return "more foliage than the years allow"
    if name == KEEP:
        return f"{MARKED}: {lot.stand.keep[i]}"
    return lot.done.limits[name].words


def _bar(lot: Lot, i: int) -> str:
    """Name of the limit that keeps a tree: whatever is done to it, or each thing that could be."""
    if lot.done.kept[i]:
        return str(lot.done.kept[i])
    mine = lot.done.options.barred_by[lot.done.options.tree == i]
    if mine.size == 0 or (mine < 0).any():
        return ""
    names = [part for number in mine for part in lot.done.bars[number].split(AND)]
    return AND.join(dict.fromkeys(names))


def _why_left(lot: Lot, i: int, is_in: bool, bar: str) -> str:
    stand = lot.stand
    if stand.is_gone[i]:
        return "no mangrove; taken away before the window is cut"
    if stand.is_other[i]:
        return "no mangrove; not treated here, and a local tree code may apply"
    if not stand.is_fringe[i] or lot.problem.tree_station[i] < 0:
        return "not in the fringe along this shore"
    if bar:
        return "; ".join(_words(lot, name, i) for name in bar.split(AND))
    if not (lot.done.options.tree == i).any():
        if not np.isfinite(lot.foliage.whole_ft3[i]):
            return "what a cut takes of it is not known under this canopy model"
        return "nothing to take: no foliage of it stands in the zone within reach of a cut"
    if not is_in:
        return "outside the window"
    return "cutting it would open nothing more within the limits, or cost more than it opens"


#: Limits of the window as a whole, in words.
OF_ALL = {
    "span-min": ("A span is at least this long", "ft", "the user"),
    "span-max": ("A span is at most this long", "ft", "the user"),
    "span-gap": ("Shore left as it is between two spans", "ft", "the user"),
    "n-spans": ("The window has at most so many spans", "", "the user"),
    "foliage-budget": ("Foliage the window may take in all", "ft3", "the user"),
    "zone": ("A span keeps to shore where the zone has width", "", "zone of this site"),
}
ALLOWANCES = {
    "allowance-trees": ("trees trimmed", ""),
    "allowance-length": ("shore that the trees trimmed stand along, whole stations", "ft"),
    "allowance-area": ("canopy area of the trees trimmed", "ft2"),
}
SHARE, KEEP = "foliage-share", "keep"
MARKED = "Marked to be left as it is"
#: How a sentence calls a limit: "without ... it would be".
SHORT = {
    "span-min": "the least length of a span",
    "span-max": "the greatest length of a span",
    "span-gap": "the shore to be left between two spans",
    "n-spans": "the most spans",
    "foliage-budget": "the budget of foliage",
    "zone": "the edge of the zone",
    "allowance-trees": "the cap on the number of trees",
    "allowance-length": "the cap on the length of fringe",
    "allowance-area": "the cap on the canopy area",
    ALLOWANCE: "the cap on how much is trimmed",
    SHARE: "the share of foliage a year",
    "keep": "the trees marked to be kept",
    "height-unknown": "the trees whose height is not known",
    "trunk-outside-zone": "the trunks outside the zone",
    "not-of-this-lot": "the trees outside the lot's limits",
    "borderline": "the trees on the lot's limit",
    "height-before": "the greatest height before trimming",
    "height-too-close": "the trees whose height is too close to call",
    "floor": "the least height after trimming",
    "top-too-close": "the tops too close to the band's top",
    "least-kept": "the foliage each tree keeps",
    "red-foliage": "the lowest foliage of red mangroves",
    "trim-leaves-foliage": "the foliage that must stay below a cut",
}


def limit_rows(
    lot: Lot,
    plan: WindowPlan,
    checks: Sequence[Any],
    without: Mapping[str, float],
    allowed_words: tuple[str, str],
    share_words: tuple[str, str],
) -> list[dict[str, Any]]:
    """One row a limit: what it looks at, how it stands, and the view there would be without it.

    Parameters
    ----------
    lot : Lot
    plan : WindowPlan
    checks : sequence of Check
        Of the plan.
    without : mapping
        Limit -> view without it, for those that cost view.
    allowed_words, share_words : (words, source)
        Of the allowance and of the yearly share.
    """
    by_name = {check.limit: check for check in checks}
    rows = [
        _row(lot, _of_all(name, allowed_words, share_words), by_name.get(name), without)
        for name in (*OF_ALL, *ALLOWANCES, SHARE)
    ]
    own = plan_values(lot, plan)
    rows += [
        _row(lot, limit, by_name.get(name), without, own.get(name, np.nan))
        for name, limit in lot.done.limits.items()
    ]
    if ALLOWANCE in without:
        words = f"{allowed_words[0]} (trees, length and area together)"
        limit = Limit(ALLOWANCE, words, allowed_words[1])
        rows.append(_row(lot, limit, None, without))
    for name in without:
        if AND in name:  # several limits keep the same trees: neither alone costs the view
            words = f"Together, on the trees that each keeps: {_together(lot, name)}"
            source = "; ".join(dict.fromkeys(lot.done.limits[p].source for p in name.split(AND)))
            rows.append(_row(lot, Limit(name, words, source), by_name.get(name), without))
    return rows


def _together(lot: Lot, name: str) -> str:
    return "; ".join(lot.done.limits[part].words for part in name.split(AND))


def _of_all(name: str, allowed_words: tuple[str, str], share_words: tuple[str, str]) -> Limit:
    if name in OF_ALL:
        words, unit, source = OF_ALL[name]
        return Limit(name, words, source, unit=unit)
    if name == SHARE:
        return Limit(name, share_words[0], share_words[1], unit="frac")
    what, unit = ALLOWANCES[name]
    words, source = allowed_words
    return Limit(
        name, f"{words} ({what})" if words else f"No cap binds ({what})", source, unit=unit
    )


def plan_values(lot: Lot, plan: WindowPlan) -> dict[str, float]:
    """What the trees that are cut come to, by limit; NaN where none is cut.

    Parameters
    ----------
    lot : Lot
    plan : WindowPlan
    """
    options = lot.done.options
    taken = plan.option_of[plan.option_of >= 0]
    top = lot.stand.seen.top_ft[options.tree[taken]]
    low = options.low_ft[taken][np.isinf(options.high_ft[taken])]
    share = options.share_frac[taken]
    out = {"floor": -_greatest(-low), "least-kept": _greatest(share)}
    tall = [name for name in lot.done.limits if name.startswith(("height-before", "height-too"))]
    return out | dict.fromkeys(tall, _greatest(top))


def _greatest(values: Floats) -> float:
    return float(values.max()) if values.size else float("nan")


def _row(
    lot: Lot, limit: Limit, check: Any, without: Mapping[str, float], own: float = np.nan
) -> dict[str, Any]:
    is_number = np.isfinite(limit.value) or np.isfinite(limit.allowed)
    value, allowed = own if is_number else limit.value, limit.allowed
    trees: Any = np.flatnonzero(_trees_of(lot, limit.name))
    is_broken = False
    if check is not None:
        is_broken = bool(check.is_broken)
        if np.isnan(value) and np.isnan(allowed):
            value, allowed = _number(check.value), _number(check.allowed)
        trees = check.trees if is_broken or not len(trees) else trees
    is_bar = limit.name in lot.done.limits or AND in limit.name
    in_force = is_bar or (check is not None and np.isfinite(_number(check.allowed)))
    standing = "kept" if in_force else "not in force"
    is_tight = check is not None and bool(getattr(check, "is_at_limit", False))
    binds = limit.name in without or (
        limit.name in ALLOWANCES and ALLOWANCE in without and is_tight
    )
    standing = "binds" if binds else standing
    return {
        "lot_id": lot.lot_id,
        "limit": limit.name,
        "words": limit.words,
        "value": value,
        "allowed": allowed,
        "unit": limit.unit,
        "standing": "broken" if is_broken else standing,
        "view_without_frac": float(without.get(limit.name, np.nan)),
        "n_trees": len(trees),
        "source": limit.source,
        "kept_out_value": limit.value,
    }


def _trees_of(lot: Lot, name: str) -> Any:
    n = len(lot.stand.ids)
    if name in lot.done.of_tree:
        return lot.done.of_tree[name]
    if AND in name and name in lot.done.bars:
        mine = lot.done.options.barred_by == lot.done.bars.index(name)
        return np.isin(np.arange(n), lot.done.options.tree[mine])
    return np.zeros(n, dtype=bool)


def _number(value: Any) -> float:
    if value is None:
        return float("nan")
    number = float(value)
    return number if np.isfinite(number) else float("nan")


def frontier_rows(
    lot: Lot, points: Sequence[Any], seen: Sequence[Any], knee: int, chosen: Any
) -> list[dict[str, Any]]:
    """One row a plan, from cheap to dear.

    Parameters
    ----------
    lot : Lot
    points : sequence of Solution
    seen : sequence of Evaluation
        Of their plans.
    knee : int
        Number of the point after which more foliage opens little more.
    chosen : Solution or None
    """
    rows = []
    taken = False
    for k, (point, look) in enumerate(zip(points, seen, strict=True)):
        is_chosen = (
            chosen is not None
            and not taken
            and abs(point.view_frac - chosen.view_frac) <= SAME
            and abs(point.foliage_ft3 - chosen.foliage_ft3) <= SAME * max(1.0, chosen.foliage_ft3)
        )
        taken = taken or is_chosen
        rows.append(
            {
                "lot_id": lot.lot_id,
                "point": k + 1,
                "foliage_removed_ft3": float(look.foliage_ft3),
                "foliage_removed_frac": part_of(look.foliage_ft3, lot.lot_foliage_ft3),
                "view_after_frac": float(look.view_frac),
                "view_bound_frac": float(point.bound_frac),
                "window_length_ft": float(look.window_length_ft),
                "n_spans": int(look.n_spans),
                "n_cut_trees": int((point.plan.option_of >= 0).sum()),
                "spans": spans_text(lot, point.plan),
                "is_chosen": is_chosen,
                "is_knee": k == knee,
            }
        )
    return rows


def short_words(name: str, limits: Mapping[str, Limit]) -> str:
    """How a sentence calls a limit, or several that act together."""
    told = []
    for part in name.split(AND):
        words = limits[part].words if part in limits else part
        told.append(SHORT.get(part, f'the rule "{words}"'))
    return " together with ".join(told)


def part_of(part: float, whole: float) -> float:
    """A share; nothing of nothing is none."""
    return float(part) / whole if whole > 0.0 else 0.0
