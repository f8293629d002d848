"""Which limits break in which draws."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import numpy.typing as npt

from geotrim.core.coverage import Floats
from geotrim.core.foliage import Foliage, above_frac, between_frac
from geotrim.core.risk_draws import AT_LIMIT, Draws, YearCut, breaks_floor, year_shares
from geotrim.ops.risk_trees import Count, Stakes
from geotrim.ops.window_rules import BEFORE, Way
from geotrim.rules.rule_file import Limit, Rule
from geotrim.rules.shares import allowed_trees
from geotrim.rules.verdict import MET, NOT_MET

Flags = npt.NDArray[np.bool_]
#: Names of the limits, in the order they are told.
BEFORE_CUT, FLOOR, YEARLY, PRACTICE, CAP = (
    "height-before",
    "floor",
    "yearly-share",
    "yearly-share-practice",
    "allowance-trees",
)


#: Where the share comes from where the act is read to stage trees of any height.
ANY_HEIGHT_SECTION = "s. 403.9326(1)(b)3 F.S., read as of trees of any height (A-07)"


@dataclass(frozen=True, slots=True, eq=False)
class Broken:
    """One limit and the trees it binds.

    words, source : of its rule.
    lot_id : whose limit it is.
    which : (b,) numbers of trees in the stakes; empty for a limit of the whole lot.
    n_trees : how many of the trees that are cut it looks at.
    is_broken : (b, d) broken by each in each draw; (1, d) for one of the whole lot.
    share_high_frac : (b,) the share of one year that one draw in twenty passes; NaN elsewhere.
    """

    limit: str
    words: str
    source: str
    lot_id: str
    which: npt.NDArray[np.int64]
    is_broken: Flags
    share_high_frac: Floats
    n_trees: int

    @property
    def is_share(self) -> bool:
        return self.limit in (YEARLY, PRACTICE)


def broken_limits(
    stakes: Stakes, foliage: Foliage, draws: Draws, seed: int | None, regrowth_frac: float = 0.0
) -> list[Broken]:
    """Every limit of every lot with what each draw does to it.

    Parameters
    ----------
    stakes : Stakes
    foliage : Foliage
        Of all crowns.
    draws : Draws
        Of the trees of the stakes.
    seed : int or None
        Start of the draws of trees that are not cut, where a cap counts them; None leaves caps out.
    regrowth_frac : float
        Where something grows back the share of a year is not looked at.
    """
    top = stakes.top_ft[:, None] + draws.height_ft
    shares = [
        _shares(stakes, foliage, draws, k) if regrowth_frac == 0.0 else None
        for k in range(len(stakes))
    ]
    out: list[Broken] = []
    for lot_id in dict.fromkeys(stakes.lot_id):
        for way in dict.fromkeys(w for w, i in zip(stakes.ways, stakes.lot_id, strict=True)
                                 if i == lot_id):  # fmt: skip
            mine = np.array(
                [
                    k
                    for k in range(len(stakes))
                    if stakes.lot_id[k] == lot_id and stakes.ways[k] is way
                ],
                dtype=np.int64,
            )
            out += _of_heights(stakes, way, lot_id, mine, top, draws)
            out += _of_shares(stakes, way, lot_id, mine, top, shares)
    if seed is None:
        return out
    return out + [_of_count(count, stakes, draws, seed) for count in stakes.counts]


def _of_heights(
    stakes: Stakes, way: Way, lot_id: str, mine: Any, top: Floats, draws: Draws
) -> list[Broken]:
    """Heights before the cut, and the floor after it."""
    none = np.full(mine.size, np.nan)
    out = [
        Broken(BEFORE_CUT, rule.words, rule.section, lot_id, mine,
               rule.limit.judge(top[mine], 0.0, 0.5) == NOT_MET, none, mine.size)
        for rule in way.before
        if rule.limit.measure == BEFORE
    ]  # fmt: skip
    if way.floor is not None:
        low = [
            breaks_floor(top[k], stakes.cuts[k], draws.stick_ft[k], way.floor.limit.number)
            for k in mine
        ]
        rule = way.floor
        out.append(
            Broken(FLOOR, rule.words, rule.section, lot_id, mine, np.array(low), none, mine.size)
        )
    return out


def _of_shares(
    stakes: Stakes,
    way: Way,
    lot_id: str,
    mine: Any,
    top: Floats,
    shares: list[Floats | None],
) -> list[Broken]:
    """The share of each year, by the rules of the way and by good practice."""
    known = np.array([k for k in mine if shares[k] is not None], dtype=np.int64)
    if not known.size:
        return []
    greatest = np.array([np.nanmax(shares[k], axis=0, initial=0.0) for k in known])
    greatest[[bool(np.isnan(shares[k]).all()) for k in known]] = np.nan
    tall = Limit(BEFORE, ">=", stakes.share_from_ft, "ft")
    pairs: list[tuple[str, Rule, Flags]] = [
        (YEARLY, rule, _binds(rule, top[known])) for rule in way.stages
    ]
    by_rule = np.logical_or.reduce([bound for _, _, bound in pairs]) if pairs else False
    by_practice = (tall.judge(top[known], 0.0, 0.5) == MET) & ~by_rule  # told once, not twice
    if stakes.is_any_height:
        pairs.append((YEARLY, replace(way.quarter, section=ANY_HEIGHT_SECTION), by_practice))
    else:
        pairs.append((PRACTICE, way.quarter, by_practice))
    out = []
    for name, rule, bound in pairs:
        is_over = bound & (greatest > rule.limit.number + AT_LIMIT)
        seen = np.where(bound, greatest, np.nan)
        has = bound.any(axis=1)
        if not has.any():
            continue
        high = np.array([np.nanquantile(row, 0.95) if np.isfinite(row).any() else np.nan
                         for row in seen[has]])  # fmt: skip
        words, source = rule.words, rule.section
        out.append(
            Broken(name, words, source, lot_id, known[has], is_over[has], high, int(has.sum()))
        )
    return out


def _binds(rule: Rule, top: Floats) -> Flags:
    """Whether a rule binds at drawn heights; what hangs on anything else is taken to bind."""
    bound: Flags = np.ones(top.shape, dtype=bool)
    for limit in rule.when:
        if limit.measure == BEFORE:
            bound &= limit.judge(top, 0.0, 0.5) == MET
    return bound


def _shares(stakes: Stakes, foliage: Foliage, draws: Draws, k: int) -> Floats:
    """Share of what stands that each year takes of one tree, (years, d)."""
    tree = [int(stakes.tree[k])]

    def above(height_ft: Floats, shift_ft: Floats) -> Floats:
        return above_frac(foliage, height_ft[:, None], shift_ft[:, None], tree=tree)[:, 0]

    part = _part(stakes, foliage, k)
    return year_shares(
        above,
        stakes.cuts[k],
        draws.height_ft[k],
        draws.stick_ft[k],
        part,
        of_original=stakes.is_of_original,
    )


def _part(stakes: Stakes, foliage: Foliage, k: int) -> float:
    """Share of what lies between the heights of the cut that may be cut: the zone's part."""
    cuts: tuple[YearCut, ...] = stakes.cuts[k]
    low, high = min(c.low_ft for c in cuts), max(c.high_ft for c in cuts)
    whole = float(between_frac(foliage, low, high, tree=[int(stakes.tree[k])])[0])
    taken = float(stakes.removed_frac[k])
    if not (np.isfinite(whole) and np.isfinite(taken)) or whole <= 0.0:
        return 1.0
    return min(taken / whole, 1.0)


def _of_count(count: Count, stakes: Stakes, draws: Draws, seed: int) -> Broken:
    """A cap on trees over a height, heights of cut and uncut trees drawn."""
    place = {i: k for k, i in enumerate(stakes.crown_id)}
    n_draws = draws.height_ft.shape[1]
    own = np.random.default_rng(np.random.SeedSequence([seed, len(count.ids)]))
    top = np.array(
        [
            count.top_ft[c]
            + (
                draws.height_ft[place[i]]
                if i in place
                else own.standard_normal(n_draws) * count.error_ft[c]
            )
            for c, i in enumerate(count.ids)
        ]
    ).reshape(len(count.ids), n_draws)
    is_over = top > count.over_ft
    planned = (is_over & count.is_cut[:, None]).sum(axis=0)
    counted = (is_over & count.is_sure[:, None]).sum(axis=0)
    most = np.array([allowed_trees(int(n), count.share_frac) for n in counted])
    words = (
        f"At most {100 * count.share_frac:g} % of the mangroves over {count.over_ft:g} ft "
        "are trimmed."
    )
    none = np.zeros(0, dtype=np.int64)
    return Broken(
        CAP, words, "s. 403.9327(1)(a) F.S.", count.lot_id, none, (planned > most)[None, :],
        np.zeros(0), int(count.is_cut.sum()),
    )  # fmt: skip
