"""What became of each tree: as planned, more, less, not done, or cut though it was to be left."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from geotrim.core.cut_found import Strip
from geotrim.ops.after_trees import RASTER, STICK, stays_in_part
from geotrim.ops.stage_plan import CLEAR_BAND, LOWER_TOP
from geotrim.rules.verdict import AT_LIMIT_FT, standard_errors

AS_PLANNED = "as planned"
MORE = "cut more than planned"
LESS = "cut less than planned"
NOT_DONE = "not done"
UNPLANNED = "cut though to be left"
EARLY = "cut before its year"
LEFT = "left as planned"
UNCLEAR = "cannot be told"
UNREAD = "not read"
OTHER = "no mangrove"
#: In the order in which they are told: what is wrong first.
STATES = (UNPLANNED, EARLY, MORE, LESS, NOT_DONE, UNCLEAR, UNREAD, AS_PLANNED, LEFT, OTHER)
#: States of which something is still to be done.
TO_DO = (LESS, NOT_DONE)
#: Heights are told to a crew rounded up by as much where no mark is known: a tenth of a foot, more
#: than an inch. Beside a known mark: its decimals are told up to a hundredth.
ROUNDED_FT, MARK_FT = 0.1, 0.01
#: Shares no farther apart than this are the same (see ``CURVE_FRAC`` of the limits).
SAME_FRAC = 1e-3


@dataclass(frozen=True, slots=True)
class Became:
    """What became of a tree.

    state : one of ``STATES``.
    words : what else there is to say, "" if nothing.
    is_cut : 1 cut, 0 not cut, NaN where that cannot be told.
    """

    state: str
    words: str
    is_cut: float


def became(
    tree: Mapping[str, Any],
    confidence_frac: float,
    earlier: list[Strip],
    floor_ft: float = np.nan,
) -> Became:
    """What became of one tree.

    Parameters
    ----------
    tree : mapping
        A row of :func:`geotrim.ops.after_trees.with_found`.
    confidence_frac : float
        Heights no farther apart than their errors at this confidence are taken as the same.
    earlier : strips
        Cleared in earlier years of the plan. [ft]

    floor_ft : float
        Height under which the way leaves no mangrove; NaN where none is stated. [ft]

    Notes
    -----
    A height found is held against the planned one by its own error, and against the height before
    by both errors. Where it fits the height before, the tick of the crew decides; without one it
    cannot be told whether a tree was cut that stands lower than planned, or lower than before by
    more than the error of the reading alone. Foliage that a raster shows gone by more than its
    error was cut, wherever the top stands. A tree that stood over the floor and reads under it may
    have been cut, whatever the crew says.

    A cut that stops short of the crew's mark by no more than the error of its reading is as
    planned; where there is no mark, by no more than heights are rounded for a stick.
    """
    if tree["is_mangrove"] == 0.0:
        return Became(OTHER, _other_words(tree, confidence_frac), 0.0)
    if tree["treatment"] == LOWER_TOP:
        one = _lowered(tree, confidence_frac)
    elif tree["treatment"] == CLEAR_BAND:
        one = _cleared(tree, confidence_frac, earlier)
    else:
        one = _left(tree, confidence_frac)
    is_under = tree["found_ft"] < floor_ft - AT_LIMIT_FT and not tree["before_ft"] < floor_ft
    if one.is_cut == 0.0 and is_under:
        words = f"read under {floor_ft:g} ft, which it was not before: it may have been cut"
        return replace(one, words="; ".join(filter(None, (one.words, words))), is_cut=np.nan)
    return one


def fell(tree: Mapping[str, Any], confidence_frac: float) -> float:
    """1 where the top stands lower than before by more than both errors, 0 where not, NaN unknown.

    Examples
    --------
    >>> tree = {"before_ft": 12.0, "before_error_ft": 0.4, "found_ft": 11.3, "found_error_ft": 0.1}
    >>> fell(tree, 0.95), fell({**tree, "found_ft": 11.0}, 0.95)
    (0.0, 1.0)
    """
    gap = tree["before_ft"] - tree["found_ft"]
    if np.isnan(gap):
        return np.nan
    return float(gap > _reach(tree, confidence_frac, "before_error_ft", "found_error_ft"))


def is_thinned(tree: Mapping[str, Any], confidence_frac: float) -> bool:
    """Whether a raster shows foliage gone by more than its error, wherever the top stands.

    Examples
    --------
    >>> is_thinned({"seen_frac": 0.10, "seen_error_frac": 0.04}, 0.95)
    True
    >>> is_thinned({"seen_frac": 0.07, "seen_error_frac": 0.04}, 0.95)
    False
    """
    return bool(tree["seen_frac"] > _seen_reach(tree, confidence_frac))


def _seen_reach(tree: Mapping[str, Any], confidence_frac: float) -> float:
    error = float(np.nan_to_num(tree["seen_error_frac"]))
    return standard_errors(confidence_frac) * error + SAME_FRAC


def has_band(tree: Mapping[str, Any]) -> bool:
    """Whether a cleared band was read."""
    return bool(np.isfinite(tree["cleared_to_ft"]))


def _reach(tree: Mapping[str, Any], confidence_frac: float, *names: str) -> float:
    errors = np.nan_to_num([float(tree[name]) for name in names])
    return float(standard_errors(confidence_frac) * np.sqrt(np.sum(errors**2))) + AT_LIMIT_FT


def _lowered(tree: Mapping[str, Any], confidence: float) -> Became:
    """A tree whose top was to be lowered."""
    done, found, planned = tree["is_done"], tree["found_ft"], tree["planned_height_ft"]
    if np.isnan(found):
        return _unread(tree, "its height was not read")
    more = "a band was cleared too, which the plan does not ask for" if has_band(tree) else ""
    reach = _reach(tree, confidence, "found_error_ft")
    is_planned = planned - reach <= found <= _most_ft(tree) + reach
    is_same = fell(tree, confidence) == 0.0
    if more:
        return Became(MORE, more, 1.0)
    if stays_in_part(tree) and not is_planned and tree["found_by"] == STICK:
        cut_at = tree["planned_cut_ft"]
        if cut_at - reach <= found < planned:
            both = (
                f"a part is cut to {cut_at:.1f} ft and a part stays to {planned:.1f} ft: it cannot "
                "be told which was read; read the highest point"
            )
            return Became(UNCLEAR, both, 1.0 if done else np.nan)
    if is_same:
        return _same_top(tree, confidence, reach, is_planned=is_planned)
    odd = "marked as not done, but read lower" if done is False else ""
    if np.isnan(tree["before_ft"]) and not is_planned and found > planned:
        return Became(UNCLEAR, "its height before is not known", np.nan)
    state = AS_PLANNED if is_planned else MORE if found < planned else LESS
    return Became(state, odd, 1.0)


def _most_ft(tree: Mapping[str, Any]) -> float:
    """Height up to which a lowered top is as planned: the crew's mark, if it has one. [ft]."""
    planned, cut_at, mark = (
        tree[name] for name in ("planned_height_ft", "planned_cut_ft", "mark_low_ft")
    )
    if np.isnan(mark):
        return float(planned + ROUNDED_FT)
    return float(max(planned, planned + mark - cut_at) + MARK_FT)


def _same_top(
    tree: Mapping[str, Any], confidence: float, reach: float, *, is_planned: bool
) -> Became:
    """A top that was to be lowered and reads no lower than before by more than both errors."""
    done, found = tree["is_done"], tree["found_ft"]
    if is_thinned(tree, confidence):
        return _thinned_top(tree, confidence)
    if is_planned:
        if done is None:
            return Became(UNCLEAR, "the planned cut is smaller than the errors", np.nan)
        return Became(AS_PLANNED if done else NOT_DONE, "by the crew's word", float(done))
    within = "no farther under the height before than the errors of both"
    if found < tree["planned_height_ft"]:
        if done:
            return Became(MORE, f"by the crew's word; {within}", 1.0)
        odd = "marked as not done, but read lower than planned; " if done is False else ""
        return Became(UNCLEAR, f"{odd}lower than planned, but {within}", np.nan)
    is_down = found < tree["before_ft"] - reach
    if done and is_down:
        return Became(LESS, f"by the crew's word; {within}", 1.0)
    if done:
        words = ["marked as done, but read no lower than before", *_taller(tree, confidence)]
        return Became(NOT_DONE, "; ".join(words), np.nan)
    if done is None and is_down:
        return Became(NOT_DONE, f"it may have been cut a little: {within}", np.nan)
    return Became(NOT_DONE, "; ".join(_taller(tree, confidence)), 0.0)


def _thinned_top(tree: Mapping[str, Any], confidence: float) -> Became:
    """A top that reads as before though the raster shows foliage of the crown gone."""
    over = tree["seen_frac"] - tree["planned_removed_frac"]
    reach = _seen_reach(tree, confidence)
    words = f"its top reads as before, but {100 * tree['seen_frac']:.0f} % of its foliage is gone"
    if over > reach:
        return Became(MORE, words, 1.0)
    if over < -reach:
        return Became(LESS, words, 1.0)
    return Became(AS_PLANNED if stays_in_part(tree) else UNCLEAR, words, 1.0)


def _cleared(tree: Mapping[str, Any], confidence: float, earlier: list[Strip]) -> Became:
    """A tree that was to be cleared in a band, its top kept."""
    if fell(tree, confidence) == 1.0:
        return Became(MORE, "its top was lowered, which the plan does not ask for", 1.0)
    done, is_thin = tree["is_done"], is_thinned(tree, confidence)
    gone = f"the raster shows {100 * tree['seen_frac']:.0f} % of its foliage gone"
    over = tree["seen_frac"] - tree["planned_removed_frac"]
    if is_thin and over > _seen_reach(tree, confidence):
        return Became(MORE, gone, 1.0)
    if not has_band(tree):
        if is_thin:
            odd = "marked as not done, but " if done is False else ""
            return Became(UNCLEAR, f"{odd}{gone}; the cleared band was not read", 1.0)
        if done is False:
            return Became(NOT_DONE, "", 0.0)
        why = "the cleared band was not read"
        if tree["found_by"] == RASTER:
            why += "; a raster from above cannot see it under a kept top"
        return _unread(tree, why)
    reach = _reach(tree, confidence, "band_error_ft")
    low, high = tree["cleared_from_ft"], tree["cleared_to_ft"]
    lowest = min([tree["planned_from_ft"], *(a for a, _ in earlier)])
    words = ["marked as not done, but a cleared band was read"] if done is False else []
    if low < lowest - reach or high > tree["planned_to_ft"] + reach:
        return Became(MORE, "; ".join(words), 1.0)
    least, most = _band_marks(tree)
    is_short = low > least + reach or high < most - reach
    return Became(LESS if is_short else AS_PLANNED, "; ".join(words), 1.0)


def _band_marks(tree: Mapping[str, Any]) -> tuple[float, float]:
    """Sides of a band as the crew has them: by its marks, else the plan's, rounded inward. [ft]."""
    low, high = tree["mark_low_ft"], tree["mark_high_ft"]
    if np.isnan(low) or np.isnan(high):
        return tree["planned_from_ft"] + ROUNDED_FT, tree["planned_to_ft"] - ROUNDED_FT
    return (
        max(low, tree["planned_from_ft"]) + MARK_FT,
        min(high, tree["planned_to_ft"]) - MARK_FT,
    )


def _left(tree: Mapping[str, Any], confidence: float) -> Became:
    """A tree that this year's plan leaves."""
    dropped, is_thin = fell(tree, confidence), is_thinned(tree, confidence)
    if (
        dropped == 1.0
        or is_thin
        or has_band(tree)
        or (tree["is_done"] is True and np.isnan(dropped))
    ):
        gone = [f"the raster shows {100 * tree['seen_frac']:.0f} % of its foliage gone"]
        more = gone if is_thin and dropped != 1.0 else []
        if tree["later_year"]:
            return Became(EARLY, "; ".join([f"planned for year {tree['later_year']}", *more]), 1.0)
        return Became(UNPLANNED, "; ".join([_why_left(tree), *more]), 1.0)
    if tree["is_done"] is True:
        return Became(UNCLEAR, "marked as done, but read no lower than before", np.nan)
    if np.isnan(tree["found_ft"]):
        return Became(UNREAD, "the plan leaves it; taken as not cut", 0.0)
    if np.isnan(dropped) and tree["is_done"] is None and not tree["is_before_known"]:
        return Became(UNCLEAR, "its height before is not known", np.nan)
    return Became(LEFT, "; ".join(_taller(tree, confidence)), 0.0)


def _unread(tree: Mapping[str, Any], why: str) -> Became:
    done = tree["is_done"]
    if done is False:
        return Became(NOT_DONE, "by the crew's word", 0.0)
    return Became(UNREAD, f"marked as done; {why}" if done else why, 1.0 if done else np.nan)


def _why_left(tree: Mapping[str, Any]) -> str:
    why = str(tree["why_left"] or "").rstrip(".")
    if tree["is_in_window"] is False and "outside the window" not in why:
        return f"outside the window; {why}" if why else "outside the window"
    return why or "the plan cuts nothing of it"


def _taller(tree: Mapping[str, Any], confidence: float) -> list[str]:
    reach = _reach(tree, confidence, "before_error_ft", "found_error_ft")
    is_taller = tree["found_ft"] - tree["before_ft"] > reach
    return ["read taller than before the cut: check the reading"] if is_taller else []


def _other_words(tree: Mapping[str, Any], confidence: float) -> str:
    is_cut = fell(tree, confidence) == 1.0 or is_thinned(tree, confidence) or has_band(tree)
    if is_cut:
        return "cut; not counted, and a local tree code may apply"
    return "not counted"
