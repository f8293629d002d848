"""Where a field table and given crowns contradict: told one by one, with what was done about it.

Nothing is resolved here or later without a line of its own: every kind has one fixed action, and
each action keeps both sides for a person to settle.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import shapely

from geotrim.core.field_crowns import NONE, SEVERAL, TrunkJoin, covered_frac, overlap_frac

#: Kind of a tree whose position is most likely a slip.
FAR = "far-from-all-others"
#: Kind -> what it is, in words, in the order they are listed for one tree.
KINDS = {
    "tag-twice": "one tag on two rows or more",
    FAR: "a tree far from every other and from every crown",
    "stems-contradict": "stems of one tree that differ",
    "trunk-in-several-crowns": "a trunk in two crowns or more",
    "several-trunks-in-one-crown": "trees that share one crown",
    "trunk-near-edge": "a trunk within its position error of a crown's edge",
    "species-contradict": "two species for one tree",
    "heights-apart": "field height and crown height far apart",
    "shapes-disagree": "measured spreads and drawn crown differ",
    "own-crown-over-given": "a crown from spreads that lies mostly over given ones",
}
#: Share of a crown from spreads under given crowns above which the two are taken for one tree
#: drawn twice. Common practice, no source.
COVERED_FRAC = 0.5


@dataclass(frozen=True, slots=True)
class Conflict:
    """One contradiction.

    kind : a key of ``KINDS``.
    tree : number of the tree, from 0; of several, the first.
    tag, crowns : as people know them.
    found, done : what contradicts, and what was done about it, in words.
    x, y : where. NaN without a position. [map units]
    others : further trees it is about, each told here and nowhere else.
    """

    kind: str
    tree: int
    tag: str
    crowns: tuple[str, ...]
    found: str
    done: str
    x: float = np.nan
    y: float = np.nan
    others: tuple[int, ...] = ()

    @property
    def trees(self) -> tuple[int, ...]:
        """Every tree it is about."""
        return (self.tree, *self.others)


@dataclass(frozen=True, slots=True, eq=False)
class FieldTrees:
    """Trees of a field table, one entry a tree; trunks have entries of their own.

    ids : what each tree is called; no two alike.
    trunks, tree_of_trunk : points (None without a position), and the tree each belongs to.
    ellipses : crowns from spreads, None without.
    height_ft : NaN without. [ft]
    species, plants : the name as written, and the key of the plant; None where not known.
    """

    ids: Sequence[str]
    trunks: Any
    tree_of_trunk: Any
    ellipses: Any
    height_ft: Any
    species: Sequence[str | None]
    plants: Sequence[str | None]

    def place(self, tree: int) -> tuple[float, float]:
        """The first trunk of a tree; NaN without. [map units]."""
        for row in np.flatnonzero(np.asarray(self.tree_of_trunk) == tree):
            if self.trunks[row] is not None:
                return float(self.trunks[row].x), float(self.trunks[row].y)
        return np.nan, np.nan


@dataclass(frozen=True, slots=True, eq=False)
class GivenCrowns:
    """Crowns given beside a field table.

    ids, shapes : one a crown.
    height_ft : NaN without. [ft]
    species, plants : as for :class:`FieldTrees`.
    """

    ids: Sequence[str]
    shapes: Any
    height_ft: Any
    species: Sequence[str | None]
    plants: Sequence[str | None]


def joined_crowns(join: TrunkJoin) -> Any:
    """The crown each tree is joined to: it stands in that one alone, and alone in it; else -1."""
    crown = join.crown_of_tree
    alone = crown >= 0
    alone[alone] = join.trees_in_crown[crown[alone]] == 1
    return np.where(alone, crown, NONE)


def join_conflicts(
    trees: FieldTrees,
    crowns: GivenCrowns,
    join: TrunkJoin,
    *,
    feet_per_unit: float,
    position_error_ft: float | None,
    height_gap_ft: float,
    least_overlap_frac: float,
) -> list[Conflict]:
    """Every contradiction between trees and given crowns.

    Parameters
    ----------
    trees, crowns, join
    feet_per_unit : float
        International feet in one map unit.
    position_error_ft : float or None
        A trunk this close to a crown's edge, or closer, may be on its other side. [ft]
    height_gap_ft : float
        Heights further apart than this contradict. [ft]
    least_overlap_frac : float
        Shared over joint area below which two shapes of one crown contradict.
    """
    crown = joined_crowns(join)
    return [
        *_in_several(trees, crowns, join),
        *_sharing(trees, crowns, join),
        *_near_edges(trees, crowns, join, position_error_ft, feet_per_unit),
        *_species(trees, crowns, crown),
        *_heights(trees, crowns, crown, height_gap_ft),
        *_shapes(trees, crowns, crown, least_overlap_frac),
        *_covering(trees, crowns, join),
    ]


def told_once(conflicts: Sequence[Conflict], trees: FieldTrees) -> list[Conflict]:
    """Conflicts of rows that share a tag, each told once.

    Where all trees in a crown are rows of one tag, that they share it is said with the tag. What is
    found in the same words of rows of one tag is one conflict.
    """
    twice = [one for one in conflicts if one.kind == "tag-twice"]
    group = {tree: k for k, one in enumerate(twice) for tree in one.trees}
    rest: dict[Any, list[Conflict]] = {}
    for n, one in enumerate(conflicts):
        groups = {group.get(tree) for tree in one.trees}
        if one.kind == "tag-twice" or None in groups or len(groups) > 1:
            rest[n] = [one]
            continue
        (at,) = (k for k in groups if k is not None)
        if one.kind == "several-trunks-in-one-crown":
            twice[at] = replace(
                twice[at],
                crowns=(*twice[at].crowns, *one.crowns),
                found=f"{twice[at].found}; {one.found}",
                done=f"{twice[at].done}; {one.done}",
            )
            continue
        rest.setdefault((at, one.kind, one.crowns, one.found, one.done), []).append(one)
    told = [same[0] if len(same) == 1 else _of_all(same, trees) for same in rest.values()]
    return [*twice, *(one for one in told if one.kind != "tag-twice")]


def _of_all(same: Sequence[Conflict], trees: FieldTrees) -> Conflict:
    every = sorted({tree for one in same for tree in one.trees})
    return replace(same[0], tree=every[0], tag=tags_of(trees, every), others=tuple(every[1:]))


def tags_of(trees: FieldTrees, which: Iterable[int]) -> str:
    """What several trees are called."""
    return ", ".join(trees.ids[tree] for tree in which)


def numbered(conflicts: Sequence[Conflict]) -> list[Conflict]:
    """Conflicts in the order they are numbered: by tree, then by kind."""
    order = list(KINDS)
    return sorted(conflicts, key=lambda one: (one.tree, order.index(one.kind)))


def _conflict(
    trees: FieldTrees, kind: str, tree: int, crowns: Sequence[str], found: str, done: str
) -> Conflict:
    place = trees.place(tree)
    return Conflict(kind, tree, trees.ids[tree], tuple(crowns), found, done, *place)


def _crowns_of(tree: int, trees: FieldTrees, join: TrunkJoin) -> list[int]:
    is_own = np.asarray(trees.tree_of_trunk)[join.pairs[0]] == tree
    return np.unique(join.pairs[1][is_own]).tolist()


def _in_several(trees: FieldTrees, crowns: GivenCrowns, join: TrunkJoin) -> list[Conflict]:
    out = []
    for tree in np.flatnonzero(join.crown_of_tree == SEVERAL).tolist():
        names = [crowns.ids[k] for k in _crowns_of(tree, trees, join)]
        found = f"trunk stands in crowns {', '.join(names)}"
        done = "joined to none, and no crown of its own made; the given crowns are kept"
        out.append(_conflict(trees, "trunk-in-several-crowns", tree, names, found, done))
    return out


def _sharing(trees: FieldTrees, crowns: GivenCrowns, join: TrunkJoin) -> list[Conflict]:
    """One conflict a crown that trees share."""
    out = []
    owner = np.asarray(trees.tree_of_trunk)
    for k in np.flatnonzero(join.trees_in_crown > 1).tolist():
        here = np.unique(owner[join.pairs[0][join.pairs[1] == k]]).tolist()
        found = f"{len(here)} trees stand in crown {crowns.ids[k]}"
        done = "crown kept as given, without height or species of any; trunks carry its id"
        kind = "several-trunks-in-one-crown"
        one = _conflict(trees, kind, here[0], [crowns.ids[k]], found, done)
        out.append(replace(one, tag=tags_of(trees, here), others=tuple(here[1:])))
    return out


def _near_edges(
    trees: FieldTrees,
    crowns: GivenCrowns,
    join: TrunkJoin,
    error_ft: float | None,
    feet_per_unit: float,
) -> list[Conflict]:
    """Trunks that may stand on the other side of an edge; those in several crowns are told there.

    The distance is rounded to 1e-6 ft first, so that just the error is within it.
    """
    if not error_ft:
        return []
    trunks, edges = np.asarray(trees.trunks, dtype=object), shapely.boundary(crowns.shapes)
    reach = error_ft / feet_per_unit * (1 + 1e-6) + 1e-6
    at, near = shapely.STRtree(edges).query(trunks, predicate="dwithin", distance=reach)
    gaps_ft = np.round(shapely.distance(trunks[at], edges[near]) * feet_per_unit, 6)
    out = []
    for row in np.unique(at[gaps_ft <= error_ft]).tolist():
        tree = int(trees.tree_of_trunk[row])
        if join.crown_of_tree[tree] == SEVERAL:
            continue
        mine = np.flatnonzero((at == row) & (gaps_ft <= error_ft))
        order = mine[np.argsort(gaps_ft[mine], kind="stable")]
        inside = set(join.pairs[1][join.pairs[0] == row].tolist())
        told = [
            f"{gaps_ft[k]:.1f} ft {'inside' if near[k] in inside else 'outside'} "
            f"crown {crowns.ids[near[k]]}"
            for k in order
        ]
        found = f"trunk {' and '.join(told)}; position good to {error_ft:g} ft"
        names = [crowns.ids[near[k]] for k in order]
        done = _done_near(int(join.crown_of_tree[tree]), crowns)
        out.append(_conflict(trees, "trunk-near-edge", tree, names, found, done))
    return out


def _done_near(crown: int, crowns: GivenCrowns) -> str:
    if crown == NONE:
        return "joined to none, as it stands outside"
    return f"taken to stand in crown {crowns.ids[crown]}, as it stands inside"


def _species(trees: FieldTrees, crowns: GivenCrowns, crown: Any) -> list[Conflict]:
    out = []
    for tree in np.flatnonzero(crown >= 0).tolist():
        k = int(crown[tree])
        if is_same_plant(
            trees.species[tree], trees.plants[tree], crowns.species[k], crowns.plants[k]
        ):
            continue
        found = f"{trees.species[tree]} in the field, {crowns.species[k]} in the crowns"
        done = "the crown's species left empty; both names stand beside it"
        out.append(_conflict(trees, "species-contradict", tree, [crowns.ids[k]], found, done))
    return out


def is_same_plant(
    one: str | None, one_plant: str | None, other: str | None, other_plant: str | None
) -> bool:
    """Whether two names may be of one plant; a name that is not there contradicts nothing.

    Examples
    --------
    >>> is_same_plant("red", "a", "red mangrove", "a"), is_same_plant("x", None, "X", None)
    (True, True)
    >>> is_same_plant("red", "a", "tamarind", None), is_same_plant(None, None, "red", "a")
    (False, True)
    """
    if one is None or other is None:
        return True
    if one_plant is None and other_plant is None:
        return one.casefold() == other.casefold()
    return one_plant == other_plant


def _heights(trees: FieldTrees, crowns: GivenCrowns, crown: Any, gap_ft: float) -> list[Conflict]:
    out = []
    for tree in np.flatnonzero(crown >= 0).tolist():
        k = int(crown[tree])
        field_ft, given_ft = float(trees.height_ft[tree]), float(crowns.height_ft[k])
        if not round(abs(field_ft - given_ft), 6) > gap_ft:
            continue
        found = f"height {field_ft:.1f} ft in the field, {given_ft:.1f} ft in the crowns"
        done = "both kept; the height measured in the field goes first"
        out.append(_conflict(trees, "heights-apart", tree, [crowns.ids[k]], found, done))
    return out


def _shapes(
    trees: FieldTrees, crowns: GivenCrowns, crown: Any, least_frac: float
) -> list[Conflict]:
    out = []
    known = np.array([shape is not None for shape in trees.ellipses], dtype=bool)
    for tree in np.flatnonzero((crown >= 0) & known).tolist():
        k = int(crown[tree])
        share = float(overlap_frac([trees.ellipses[tree]], [crowns.shapes[k]])[0])
        if round(share, 9) >= least_frac:
            continue
        found = f"overlap of spreads and given crown {share:.3f}, under {least_frac:g}"
        done = "the crown as given kept; the spreads stand in the table"
        out.append(_conflict(trees, "shapes-disagree", tree, [crowns.ids[k]], found, done))
    return out


def _covering(trees: FieldTrees, crowns: GivenCrowns, join: TrunkJoin) -> list[Conflict]:
    own = np.array(trees.ellipses, dtype=object)
    own[join.crown_of_tree != NONE] = None
    share = covered_frac(own, crowns.shapes)
    out = []
    for tree in np.flatnonzero(np.round(share, 9) > COVERED_FRAC).tolist():
        over = shapely.intersects(own[tree], np.asarray(crowns.shapes, dtype=object))
        names = [crowns.ids[k] for k in np.flatnonzero(over).tolist()]
        found = f"{100 * share[tree]:.0f} % of its crown from spreads lies under given crowns"
        done = "both kept; what they share counts twice until one is taken out"
        out.append(_conflict(trees, "own-crown-over-given", tree, names, found, done))
    return out
