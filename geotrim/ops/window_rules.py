"""Limits a window keeps: the rules of one way, from rule files and from what ``route`` found."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from geotrim.rules.rule_file import Limit, Rule, routes
from geotrim.rules.rule_set import RuleSet
from geotrim.rules.verdict import MET, NOT_MET, UNKNOWN, WORDS, Codes, all_of, under_condition

Floats = npt.NDArray[np.float64]
#: Way of who supervises; what is taken where nobody said.
WAYS = {"owner": "owner-exemption", "professional": "professional-exemption"}
ASSUMED_WAY = "professional-exemption"
#: Good practice that a window keeps though the act does not ask for it.
QUARTER, RED = "quarter-a-year", "red-not-below-foliage"
#: What hangs on the cut itself and is therefore looked at option by option, or in the problem.
OF_THE_CUT = (
    "height_after_ft",
    "cut_above_base_ft",
    "foliage_removed_frac",
    "yearly_removed_frac",
    "share_trimmed_frac",
    "permit_share_frac",
)
#: What a plan of heights decides and a window does not.
OF_ANOTHER_PLAN = ("target_height_ft", "above_earlier_ft", "notice_days")
#: The height a tree may have before it is cut: its rules have words of their own.
BEFORE = "top_height_ft"


@dataclass(frozen=True, slots=True, eq=False)
class Way:
    """One way to an authorisation and the rules of it that a window must keep.

    route : key of ``routes.toml``.
    is_assumed : nobody said who supervises.
    before : rules whose verdict hangs on nothing that is cut.
    floor : rule on the height after the cut, the strictest.
    cuts : rules on how far a cut stays over the lowest foliage.
    removed : rules on the share of foliage a cut takes in all.
    stages : rules on the share a year; ``quarter`` is good practice.
    unseen : conditions this operation cannot look at; they are told.
    """

    route: str
    is_assumed: bool
    before: tuple[Rule, ...]
    floor: Rule | None
    cuts: tuple[Rule, ...]
    removed: tuple[Rule, ...]
    stages: tuple[Rule, ...]
    quarter: Rule
    unseen: tuple[Rule, ...]

    @property
    def words(self) -> str:
        """The way as it is printed."""
        return str(routes()[self.route]["name"])


@dataclass(frozen=True, slots=True, eq=False)
class Seen:
    """What rules compare of the trees, whether or not they are cut.

    top_ft, error_ft : (t,) heights as ``route`` takes them, NaN unknown. [ft]
    is_red, is_mangrove : (t,) 1, 0, NaN unknown.
    base_ft : (t,) lowest foliage, NaN unknown. [ft]
    """

    top_ft: Floats
    error_ft: Floats
    is_red: Floats
    is_mangrove: Floats
    base_ft: Floats
    shoreline_ft: float
    shoreline_error_ft: float
    confidence_frac: float

    def judge(self, limit: Limit, n: int) -> Codes:
        """(t,) verdicts on a limit; *unknown* for what is not looked at here."""
        known: dict[str, tuple[Any, Any]] = {
            BEFORE: (self.top_ft, self.error_ft),
            "is_red": (self.is_red, 0.0),
            "is_mangrove": (self.is_mangrove, 0.0),
            "base_height_ft": (self.base_ft, 0.0),
            "shoreline_length_ft": (self.shoreline_ft, self.shoreline_error_ft),
        }
        value, error = known.get(limit.measure, (np.nan, np.nan))
        codes = limit.judge(value, error, self.confidence_frac)
        return np.broadcast_to(codes, n)

    def bound(self, rule: Rule) -> Codes:
        """(t,) verdicts on whether a rule binds."""
        n = len(self.top_ft)
        if not rule.when:
            return np.full(n, MET, dtype=np.int8)
        return all_of([self.judge(limit, n) for limit in rule.when])


def way_of(
    asked: str,
    facts: Mapping[str, Any],
    rules: RuleSet,
    dropped: Iterable[str] = (),
) -> Way:
    """The way a lot's window takes, with its rules.

    Parameters
    ----------
    asked : str
        A route, or ``auto``: that of who supervises the work.
    facts : mapping
        What is known of the lot; ``supervisor`` is read.
    rules : RuleSet
    dropped : iterable of str
        Rules that do not bind under the readings chosen.
    """
    supervisor = facts.get("supervisor")
    route = WAYS.get(str(supervisor), ASSUMED_WAY) if asked == "auto" else asked
    out = set(dropped)
    every = [rule for rule in rules.of_route(route, "condition") if rule.id not in out]
    mine: dict[str, list[Rule]] = {name: [] for name in OF_THE_CUT}
    before, unseen = [], []
    for rule in every:
        measure = rule.limit.measure
        if measure in mine:
            mine[measure].append(rule)
        elif measure in OF_ANOTHER_PLAN:
            unseen.append(rule)
        elif measure != "is_mangrove":  # told apart tree by tree
            before.append(rule)
    floors = [rule for rule in mine["height_after_ft"] if rule.limit.compare in (">", ">=")]
    stages = [rule for rule in rules.of_route(route, "stages") if rule.id not in out]
    stages += [rule for rule in mine["yearly_removed_frac"] if rule not in stages]
    return Way(
        route=route,
        is_assumed=asked == "auto" and str(supervisor) not in WAYS,
        before=tuple(before),
        floor=max(floors, key=_strictness, default=None),
        cuts=(*mine["cut_above_base_ft"], rules.rules[RED]),
        removed=tuple(mine["foliage_removed_frac"]),
        stages=tuple(stages),
        quarter=rules.rules[QUARTER],
        unseen=tuple(unseen),
    )


def _strictness(rule: Rule) -> tuple[float, bool]:
    return rule.limit.number, rule.limit.compare == ">"


def least_height_ft(way: Way, margin_ft: float) -> float:
    """Least height a tree is left at: the floor of the way, and the margin over it. [ft].

    A limit that must be passed, not only reached, is passed by a hundredth of a foot.
    """
    if way.floor is None:
        return margin_ft
    edge = 0.01 if way.floor.limit.compare == ">" and margin_ft < 0.01 else margin_ft
    return way.floor.limit.number + edge


def codes_found(findings: Any, lot_id: str, rule_id: str, tree_ids: Any) -> tuple[Codes, str]:
    """Verdicts of ``route`` on one rule for some trees of a lot, and what would settle it.

    Parameters
    ----------
    findings : DataFrame
        Table of that name.
    lot_id, rule_id : str
    tree_ids : (t,) array of str

    Notes
    -----
    On lots with very many trees the findings that are met are not listed, so what is not there is
    met.
    """
    rows = findings[(findings["lot_id"] == lot_id) & (findings["rule_id"] == rule_id)]
    code = {word: k for k, word in enumerate(WORDS)}
    out = np.full(len(tree_ids), MET, dtype=np.int8)
    settle = next((str(text) for text in rows["settle"] if isinstance(text, str) and text), "")
    of_lot = rows["crown_id"].isna().to_numpy(dtype=bool)
    if of_lot.any():
        out[:] = code[rows["verdict"].to_numpy()[of_lot][0]]
        return out, settle
    found = dict(zip(rows["crown_id"].astype(str), rows["verdict"], strict=True))
    for k, tree in enumerate(tree_ids):
        if tree in found:
            out[k] = code[found[tree]]
    return out, settle


def yearly_share(
    way: Way, seen: Seen, share_from_ft: float, margin_frac: float = 0.0
) -> tuple[Floats, list[Rule | None]]:
    """Most of its foliage each tree may lose in one year, and the rule that says so.

    Parameters
    ----------
    way : Way
    seen : Seen
    share_from_ft : float
        Trees from this height up keep the share of good practice; those too close to it as well. A
        stage that a rule of the way asks for binds whatever this is. [ft]
    margin_frac : float
        Planned under the share of whichever rule binds; never under nothing.

    Returns
    -------
    share_frac : (t,) array
        1 where none binds.
    rules : list of Rule or None
        The strictest for each tree.
    """
    n = len(seen.top_ft)
    share: Floats = np.ones(n)
    by: list[Rule | None] = [None] * n
    tall = Limit(BEFORE, ">=", share_from_ft, "ft")
    pairs = [(rule, seen.bound(rule)) for rule in way.stages]
    pairs.append((way.quarter, seen.judge(tall, n)))
    for rule, bound in pairs:
        for k in np.flatnonzero((bound != NOT_MET) & (share > rule.limit.number)):
            share[k], by[k] = rule.limit.number, rule
    has_rule = np.array([rule is not None for rule in by], dtype=bool)
    return np.where(has_rule, np.maximum(share - margin_frac, 0.0), share), by


def most_frac(share_frac: Floats, n_years: int, reading: str, regrowth_frac: float = 0.0) -> Floats:
    """Most of its foliage a tree may lose over some years, at a share a year.

    Parameters
    ----------
    share_frac : (t,) array
    n_years : int
        Cuts, a year apart.
    reading : str
        What the share is of: ``standing-each-year`` or ``original``.
    regrowth_frac : float
        Of what stands, grows back between two cuts, never to more than stood at first.

    Notes
    -----
    Without regrowth ``1 - (1 - q)^n`` of what stands each year, ``n q`` of the original. With it
    nothing is gained after the first cut where ``(1 - q) (1 + r) >= 1``.

    Examples
    --------
    >>> [round(float(most_frac(np.array([0.25]), 3, how)[0]), 4)
    ...  for how in ("standing-each-year", "original")]
    [0.5781, 0.75]
    >>> [round(float(most_frac(np.array([0.25]), 3, "original", r)[0]), 4) for r in (0.2, 0.4)]
    [0.47, 0.25]
    """
    before = after = np.ones_like(share_frac)
    for _ in range(n_years):
        taken = share_frac * (before if reading == "standing-each-year" else 1.0)
        after = np.maximum(before - taken, 0.0)
        before = np.minimum(after * (1.0 + regrowth_frac), 1.0)
    most: Floats = 1.0 - after
    return most


def cut_codes(rule: Rule, seen: Seen, tree: Any, low_ft: Floats) -> Codes:
    """Verdicts on cuts at some heights against a rule on the lowest foliage.

    Parameters
    ----------
    rule : Rule
        Of measure ``cut_above_base_ft``.
    seen : Seen
    tree : (m,) array of int
    low_ft : (m,) array
        Where each cut's lower side is. [ft]
    """
    code = rule.limit.judge(low_ft - seen.base_ft[tree], 0.0, seen.confidence_frac)
    return under_condition(seen.bound(rule)[tree], code)


def removed_codes(rule: Rule, seen: Seen, tree: Any, share_frac: Floats) -> Codes:
    """Verdicts on the share of foliage that cuts take in all."""
    code = rule.limit.judge(share_frac, 0.0, seen.confidence_frac)
    return under_condition(seen.bound(rule)[tree], code)


def is_barred(codes: Codes) -> npt.NDArray[np.bool_]:
    """Too close to call counts as not met; what is unknown bars nothing and is told."""
    barred: npt.NDArray[np.bool_] = (codes != MET) & (codes != UNKNOWN)
    return barred


def rule_words(rule: Rule) -> str:
    """A rule in words, without its full stop."""
    return rule.words.rstrip(".")


@dataclass(frozen=True, slots=True)
class Allowance:
    """How much of the lot's mangroves may be trimmed: the least of every cap of the way.

    trees, length_ft, area_ft2 : None where it does not bind, or is not measured that way.
    """

    trees: int | None
    length_ft: float | None
    area_ft2: float | None
    words: str
    source: str
    is_sure: bool


def allowance(shares: Any, lot_id: str, route: str, reading: str) -> Allowance:
    """The allowance of one lot under one way.

    Parameters
    ----------
    shares : DataFrame
        Table of that name of ``route``.
    lot_id, route : str
    reading : str
        ``trees``, ``length``, ``area``, or ``smallest``: all three bind.

    Notes
    -----
    A cap of which nobody can tell whether it binds is taken as binding.
    """
    rows = shares[(shares["lot_id"] == lot_id) & (shares["route"] == route)]
    rows = rows[[flag is not False for flag in _plain(rows["is_binding"])]]
    if not len(rows):
        return Allowance(None, None, None, "", "", True)
    first = rows.loc[rows["share_frac"].astype(float).idxmin()]

    def least(column: str, kind: str) -> float | None:
        values = rows[column].to_numpy(dtype=np.float64)
        known = values[np.isfinite(values)]
        return float(known.min()) if reading in (kind, "smallest") and known.size else None

    trees = least("n_allowed_trees", "trees")
    return Allowance(
        None if trees is None else int(trees),
        least("allowed_length_ft", "length"),
        least("allowed_area_ft2", "area"),
        str(first["words"]).rstrip("."),
        f"{first['section']} ({first['confidence']})",
        all(flag is True for flag in _plain(rows["is_binding"])),
    )


def _plain(flags: Any) -> list[bool | None]:
    """Flags that may be unknown, as Python's own."""
    return [None if pd.isna(flag) else bool(flag) for flag in flags.astype(object)]
