"""Trees of a field survey: rows gathered by tag, crowns from spreads, and the crowns given."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from geotrim.core.field_conflicts import (
    Conflict,
    FieldTrees,
    GivenCrowns,
    is_same_plant,
    tags_of,
)
from geotrim.core.field_crowns import ellipse_crowns, radii_of_spreads
from geotrim.core.field_trees import Grouping, first_known, group_rows, over_stems
from geotrim.errors import UnitError
from geotrim.io.field_table import RADII, SPREADS, split_unit
from geotrim.io.fields import find_field, text_ids, usual_field
from geotrim.io.repair import counted, listed
from geotrim.io.site_parts import feature_ids
from geotrim.io.text_numbers import POINT, numbers_of
from geotrim.model import Note
from geotrim.prepare.task import GivenFile
from geotrim.rules.species import is_unlisted, look_alikes, species_key
from geotrim.units import feet_per_vertical_unit

#: Two plants whose leaves are taken for each other; the note beside such a tree. The mark itself is
#: in the table of species, with its source.
WHITE, BUTTONWOOD = "laguncularia_racemosa", "conocarpus_erectus"
CONFIRM_LEAVES = "confirm leaves: alternate (buttonwood) against opposite (white mangrove)"
NOT_KNOWN = "name not known; confirm the species"
#: Radii of two stems of one tree that differ by more than this contradict. [ft]
SAME_RADII_FT = 0.05
#: Usual names of a field of heights in a layer of crowns, without the unit.
TOP_HEIGHTS = ("top_height", "treetop_height", "tree_height", "height")


@dataclass(frozen=True, slots=True, eq=False)
class Survey:
    """Rows of a field table, the trees they make, and what contradicts within the table.

    rows : one a row of the table, in the CRS of the output.
    group : which tree each row belongs to.
    trees : what the join with given crowns needs.
    base_height_ft : one a tree, NaN without. [ft]
    """

    rows: Any
    group: Grouping
    trees: FieldTrees
    base_height_ft: Any
    conflicts: list[Conflict]
    notes: list[Note]


def survey_of(rows: Any, feet_per_unit: float) -> Survey:
    """Trees of the rows of a field table.

    Parameters
    ----------
    rows : GeoDataFrame
        From :func:`geotrim.io.field_table.read_field_table`, in a projected CRS.
    feet_per_unit : float
        International feet in one map unit.
    """
    group = group_rows(list(rows["tag"]), list(rows["stem"]))
    n_trees, tree = len(group.ids), group.tree_of_row
    radii, bearing = _radii(rows)
    first = first_known(radii, tree, n_trees)
    species, different = _species(rows, group)
    shapes = np.asarray(rows.geometry.array, dtype=object)
    trees = FieldTrees(
        group.ids,
        shapes,
        tree,
        _crowns(shapes, radii, bearing, first, feet_per_unit),
        over_stems(rows["height_ft"].to_numpy(), tree, n_trees, highest=True),
        species,
        [species_key(name) for name in species],
    )
    base = over_stems(rows["base_height_ft"].to_numpy(), tree, n_trees, highest=False)
    conflicts = [*_twice(rows, trees, group), *different_stems(trees, radii, first, different)]
    return Survey(rows, group, trees, base, conflicts, _notes(rows, trees, first))


def _radii(rows: Any) -> tuple[Any, Any]:
    """Radii of each row (rows, 4) and the bearing of the first; radii to four sides have none."""
    sides = rows[[f"{name}_ft" for name in RADII]].to_numpy(dtype=float)
    halves = radii_of_spreads(*(rows[f"{name}_ft"].to_numpy(dtype=float) for name in SPREADS))
    has_sides = np.isfinite(sides).all(axis=1)
    bearing = np.where(has_sides, 0.0, np.nan_to_num(rows["bearing_deg"].to_numpy(dtype=float)))
    return np.where(has_sides[:, None], sides, halves), bearing


def _crowns(shapes: Any, radii: Any, bearing: Any, first: Any, feet_per_unit: float) -> Any:
    """A crown for each tree that has widths and a position."""
    out = np.full(len(first), None, dtype=object)
    ready = np.array([row >= 0 and shapes[row] is not None for row in first], dtype=bool)
    at = first[ready]
    x, y = [shapes[row].x for row in at], [shapes[row].y for row in at]
    if len(at):
        out[ready] = ellipse_crowns(x, y, radii[at], bearing[at], feet_per_unit=feet_per_unit)
    return out


def _species(rows: Any, group: Grouping) -> tuple[list[str | None], dict[int, str]]:
    """Species of each tree, None where its stems differ; and those trees with what was found."""
    told: list[list[str]] = [[] for _ in group.ids]
    for tree, name in zip(group.tree_of_row, rows["species"], strict=True):
        if name is not None and name not in told[tree]:
            told[tree].append(name)
    different = {
        tree: " and ".join(names)
        for tree, names in enumerate(told)
        if not all(
            is_same_plant(names[0], species_key(names[0]), name, species_key(name))
            for name in names
        )
    }
    species = [
        None if tree in different or not names else names[0] for tree, names in enumerate(told)
    ]
    return species, different


def _twice(rows: Any, trees: FieldTrees, group: Grouping) -> list[Conflict]:
    out = []
    same: dict[str, list[int]] = {}
    for row, tree in enumerate(group.tree_of_row.tolist()):
        if group.is_twice[tree]:
            same.setdefault(rows["tag"].iloc[row].casefold(), []).append(row)
    for at in same.values():
        mine = group.tree_of_row[at].tolist()
        first, *others = (rows["row"].iloc[row] for row in at)
        found = f"tag on {first} and on {listed(others)}"
        done = f"kept as {len(mine)} trees, called {tags_of(trees, mine)}"
        place, tag = trees.place(mine[0]), tags_of(trees, mine)
        out.append(
            Conflict("tag-twice", mine[0], tag, (), found, done, *place, others=tuple(mine[1:]))
        )
    return out


def different_stems(
    trees: FieldTrees, radii: Any, first: Any, species: dict[int, str]
) -> list[Conflict]:
    """Trees whose stems tell two species, or two sets of widths."""
    out = []
    for tree, names in species.items():
        found = f"stems called {names}"
        out.append(_stems(trees, tree, found, "species left empty"))
    known = np.isfinite(radii).all(axis=1)
    for tree in np.flatnonzero(first >= 0).tolist():
        mine = np.flatnonzero(known & (trees.tree_of_trunk == tree))
        if (np.abs(radii[mine] - radii[first[tree]]) > SAME_RADII_FT).any():
            found = f"{counted(len(mine), 'stem')} with crown widths that differ"
            done = "the first row's widths taken, around its trunk"
            out.append(_stems(trees, tree, found, done))
    return out


def _stems(trees: FieldTrees, tree: int, found: str, done: str) -> Conflict:
    return Conflict("stems-contradict", tree, trees.ids[tree], (), found, done, *trees.place(tree))


def _notes(rows: Any, trees: FieldTrees, first: Any) -> list[Note]:
    """What is missing in the table, and what is to be confirmed about species."""
    notes = []
    widths = [f"{name}_ft" for name in (*SPREADS, *RADII)]
    begun = set(trees.tree_of_trunk[rows[widths].notna().any(axis=1).to_numpy()].tolist())
    bare = np.flatnonzero(first < 0).tolist()
    for what, some in (
        ("no spreads", [tree for tree in bare if tree not in begun]),
        ("widths that are neither two spreads nor four radii", [t for t in bare if t in begun]),
    ):
        if some:
            text = f"{counted(len(some), 'tree')} with {what}, so without a crown made of them: "
            notes.append(Note("trees", text + listed([trees.ids[t] for t in some]), "missing"))
    n_turned = int((rows["bearing_deg"].fillna(0) % 180 != 0).sum())
    if n_turned:
        text = f"{counted(n_turned, 'bearing')} taken from grid north; a compass reading is off "
        text += "by its declination, which turns a crown and leaves its area"
        notes.append(Note("trees", text, "assumed"))
    for what, count in (
        ("a position", [None if shape is None else 1 for shape in trees.trunks]),
        ("a species", list(rows["species"])),
        ("a height", [None if h != h else h for h in rows["height_ft"]]),
    ):
        if n_lost := count.count(None):
            text = f"{counted(n_lost, 'row')} of {len(rows)} without {what}"
            notes.append(Note("trees", text, "missing"))
    return [*notes, *_species_notes(trees)]


def _species_notes(trees: FieldTrees) -> list[Note]:
    notes = []
    unknown = sorted({name for name in trees.species if name and is_unlisted(name)})
    if unknown:
        text = f"names of plants that are not known, kept as written: {listed(unknown, 12)}"
        notes.append(Note("species", text, "missing"))
    alike = [tag for tag, key in zip(trees.ids, trees.plants, strict=True) if is_look_alike(key)]
    if alike:
        mark = next(one for one in look_alikes(WHITE) if one.key == BUTTONWOOD).field_mark
        text = f"{counted(len(alike), 'tree')} called white mangrove or buttonwood "
        text += f"({listed(alike, 8)}); confirm leaves, alternate against opposite: {mark}"
        notes.append(Note("species", text, "info"))
    return notes


def is_look_alike(key: str | None) -> bool:
    """Whether a plant is white mangrove or buttonwood."""
    return key in (WHITE, BUTTONWOOD)


def species_note(name: str | None) -> str | None:
    """What is to be confirmed about a name, or None.

    Examples
    --------
    >>> species_note("buttonwood").split(":")[0], species_note("red mangrove")
    ('confirm leaves', None)
    """
    if name is None:
        return None
    if is_look_alike(species_key(name)):
        return CONFIRM_LEAVES
    return NOT_KNOWN if is_unlisted(name) else None


def given_crowns(table: Any, said: GivenFile) -> tuple[GivenCrowns, tuple[Note, ...]]:
    """Crowns of a layer, with their species and heights where it has them.

    Raises
    ------
    LayerError, UnitError
        If a field named does not exist, holds no numbers, or is a height without a unit.
    """
    subject = said.subject
    ids, notes = feature_ids(table, said.get("id_field"), "crown_id", "crown", subject, subject)
    stated = said.get("species_field")
    name = find_field(table, stated, subject) if stated else usual_field(table, "species")
    species = [None] * len(table) if name is None else text_ids(table[name])
    height_ft, told = _given_heights(table, said, ids)
    shapes = np.asarray(table.geometry.array, dtype=object)
    keys = [species_key(one) for one in species]
    return GivenCrowns(ids, shapes, height_ft, species, keys), (*notes, *told)


def _given_heights(table: Any, said: GivenFile, ids: list[str]) -> tuple[Any, tuple[Note, ...]]:
    subject, stated, unit = said.subject, said.get("height_field"), said.get("height_unit")
    columns = [str(c) for c in table.columns if c != table.geometry.name]
    if stated:
        name: str | None = find_field(table, stated, subject)
    else:
        name = next((c for want in TOP_HEIGHTS for c in columns if split_unit(c)[0] == want), None)
    if name is None:
        return np.full(len(table), np.nan), ()
    told = split_unit(name)[1]
    own = unit or told
    if own is None and not stated:
        text = f"{name!r} has no unit in its name; not compared with the field's heights"
        return np.full(len(table), np.nan), (Note(subject, text, "missing"),)
    if own is None or (told is not None and told != own):
        found = f"{name!r} without a unit" if own is None else f"{name!r}, stated to be in {own}"
        need = "one unit: ft, us-ft or m"
        raise UnitError(subject, found, need, "state height_unit, or put it into the field's name")
    where = f"{subject}, field {name!r}"
    values = numbers_of(list(table[name]), POINT, where, [f"crown {one}" for one in ids])
    text = f"heights of crowns from {name!r} [{own}]"
    factor = feet_per_vertical_unit(own, where)
    return values * factor, (Note(subject, text, "info"),)
