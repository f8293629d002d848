"""``geotrim prepare survey``: a field table of trees made crowns and trunks of a site."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import shapely

from geotrim.core.field_conflicts import (
    FAR,
    KINDS,
    Conflict,
    GivenCrowns,
    join_conflicts,
    joined_crowns,
    numbered,
    told_once,
)
from geotrim.core.field_crowns import NONE, SEVERAL, TrunkJoin, join_trunks
from geotrim.core.field_far import far_trees, without_crowns
from geotrim.errors import CRSError
from geotrim.io.crs import choose_site_crs, named, to_site
from geotrim.io.field_table import FIELDS, read_field_table
from geotrim.io.files import sha256_of
from geotrim.io.gpx import write_gpx
from geotrim.io.package import write_layers
from geotrim.io.repair import counted
from geotrim.io.site_layers import code_of
from geotrim.io.text_table import write_text_table
from geotrim.io.vectors import read_layer
from geotrim.model import InputFile, Note
from geotrim.prepare import survey_tables as tables
from geotrim.prepare.survey_trees import Survey, given_crowns, survey_of
from geotrim.prepare.task import GivenFile, Prepared, Task
from geotrim.units import feet_per_map_unit

#: Trees this far from every given crown are taken for a slip of reference systems. [ft]
FAR_FT = 1000.0
#: Trees far from all others that the terminal names.
MOST_FAR = 5
FILES = {
    "trees.gpkg": "layers crowns and trunks, for the site file",
    "trees.csv": "the field table, cleaned: units in its header, crowns beside each trunk",
    "trees.gpx": "waypoints of the trunks, WGS 84",
    "conflicts.csv": "what contradicts, and what was done about each",
    "survey_map.png": "crowns, trunks with tags, conflicts by number",
}


def prepare_survey(task: Task) -> Prepared:
    """Read trees and crowns, join them, and write what a site needs.

    Raises
    ------
    GeotrimError
        If an input does not fit.
    """
    rows, given_rows, inputs, notes = _read(task)
    factor = feet_per_map_unit(rows.crs, "crs")
    task.progress("crowns from spreads")
    survey = survey_of(rows, factor)
    notes += survey.notes
    given = None if given_rows is None else _given(task, survey, given_rows, factor, notes)
    shapes = None if given is None else given.shapes
    far_ft = task.params["far_tree_ft"]
    far = far_trees(survey.trees, shapes, feet_per_unit=factor, far_ft=far_ft)
    survey = replace(survey, trees=without_crowns(survey.trees, far))
    join, conflicts = None, [*survey.conflicts, *far]
    joined = np.full(len(survey.trees.ids), NONE)
    if given is not None:
        task.progress("joining trunks to crowns")
        join, found = _joined(task, survey, given, factor, notes)
        joined, conflicts = joined_crowns(join), [*conflicts, *found]
    conflicts = numbered(told_once(conflicts, survey.trees))
    crowns = tables.crown_layer(survey, given_rows, given, join, joined, conflicts)
    trunks = tables.trunk_layer(survey, given, join, conflicts)
    _write(task.folder, survey, given, join, crowns, trunks, conflicts)
    notes += _draw(task, crowns, trunks, conflicts)
    figures = _figures(survey, given, join, joined, crowns, conflicts)
    return Prepared(
        FILES,
        _site_part(task.params, survey, crowns, trunks),
        figures,
        tuple(notes),
        _words(figures, conflicts),
        tuple(inputs),
    )


def _read(task: Task) -> tuple[Any, Any, list[InputFile], list[Note]]:
    """Trees and given crowns in the CRS of the output."""
    given = task.one("trees")
    if given is None:
        raise AssertionError("trees is a required source")
    task.progress("reading the field table")
    fields = {name: given.get(f"{name}_field") for name in FIELDS}
    rows, told = read_field_table(
        given.path,
        layer=given.get("layer"),
        crs=given.get("crs"),
        unit=given.get("unit"),
        fields={name: column for name, column in fields.items() if column is not None},
        x_field=given.get("x_field"),
        y_field=given.get("y_field"),
        decimal=given.get("decimal"),
        subject=given.subject,
    )
    inputs, notes = [_input("trees", given, rows)], list(told)
    crowns = task.one("crowns")
    if crowns is None:
        crs, told = choose_site_crs(
            rows.crs, rows.total_bounds, task.params["crs"], "--crs", "trees"
        )
        rows, moved = to_site(rows, crs, "trees")
        return rows, None, inputs, [*notes, *told, *moved]
    layer, read = read_layer(
        crowns.path, layer=crowns.get("layer"), crs=crowns.get("crs"), subject=crowns.subject
    )
    inputs.append(_input("crowns", crowns, layer))
    crs, told = choose_site_crs(
        layer.crs, layer.total_bounds, task.params["crs"], "--crs", "crowns"
    )
    layer, moved = to_site(layer, crs, "crowns")
    rows, also = to_site(rows, crs, "trees")
    return rows, layer, inputs, [*notes, *read, *told, *moved, *also]


def _input(role: str, given: GivenFile, rows: Any) -> InputFile:
    digest, how = sha256_of(Path(given.path).expanduser())
    layer = rows.attrs.get("layer")
    return InputFile(
        role, given.path, digest, layer, len(rows), code_of(rows.crs), {"sha256_of": how}
    )


def _given(
    task: Task, survey: Survey, given_rows: Any, factor: float, notes: list[Note]
) -> GivenCrowns:
    """Given crowns, near the trees."""
    said = task.one("crowns")
    if said is None:
        raise AssertionError("crowns were read")
    given, told = given_crowns(given_rows, said)
    notes += told
    _check_near(survey.trees.trunks, given.shapes, factor, survey.rows.crs)
    return given


def _joined(
    task: Task, survey: Survey, given: GivenCrowns, factor: float, notes: list[Note]
) -> tuple[TrunkJoin, list[Conflict]]:
    """The join by trunk position, and its conflicts."""
    trees = survey.trees
    join = join_trunks(trees.trunks, trees.tree_of_trunk, given.shapes, len(trees.ids))
    error_ft = task.params["trunk_position_error_ft"]
    if error_ft is None:
        text = "no error of a trunk's position stated (trunk_position_error_ft), so no trunk was "
        notes.append(Note("trees", f"{text}held against the edges of crowns", "missing"))
    if tables.own_ids(survey, given)[1]:
        text = "tags and ids of given crowns overlap; crowns made of spreads are called tree TAG"
        notes.append(Note("crowns", text, "info"))
    conflicts = join_conflicts(
        trees,
        given,
        join,
        feet_per_unit=factor,
        position_error_ft=error_ft,
        height_gap_ft=task.params["height_gap_ft"],
        least_overlap_frac=task.params["least_overlap_frac"],
    )
    return join, conflicts


def _check_near(trunks: Any, crowns: Any, factor: float, crs: Any) -> None:
    """Refuse trees that all lie far from every crown: a slip, not a survey of these crowns."""
    known = trunks[~shapely.is_missing(trunks)]
    nearest = shapely.STRtree(crowns).nearest(known)
    gap_ft = float(shapely.distance(known, crowns[nearest]).min()) * factor
    if gap_ft > FAR_FT:
        raise CRSError(
            "trees",
            f"no tree within {FAR_FT:,.0f} ft of a given crown: the nearest is {gap_ft:,.0f} ft "
            f"away in {named(crs)}",
            "trees and crowns of one place",
            "check the reference system of both",
        )


def _write(
    folder: Path,
    survey: Survey,
    given: GivenCrowns | None,
    join: TrunkJoin | None,
    crowns: Any,
    trunks: Any,
    conflicts: Sequence[Conflict],
) -> None:
    layers = {} if crowns is None else {"crowns": crowns}
    write_layers(folder / "trees.gpkg", {**layers, "trunks": trunks}, survey.rows.crs)
    write_text_table(folder / "trees.csv", tables.clean_table(survey, given, join))
    write_gpx(folder / "trees.gpx", tables.waypoints_of(survey), title="Trees of a field survey")
    table = tables.conflict_table(conflicts, survey.rows.crs)
    write_text_table(folder / "conflicts.csv", table)


def _draw(task: Task, crowns: Any, trunks: Any, conflicts: Sequence[Conflict]) -> list[Note]:
    from geotrim.report.save import letters_watched
    from geotrim.report.survey_figure import survey_map

    task.progress("drawing the map")
    with letters_watched() as unknown:
        survey_map(task.folder / "survey_map.png", crowns, trunks, conflicts)
    if not unknown:
        return []
    text = f"letters that the map's type does not have: {' '.join(sorted(unknown))}"
    return [Note("survey_map.png", text, "info")]


def _site_part(
    params: Mapping[str, Any], survey: Survey, crowns: Any, trunks: Any
) -> dict[str, dict[str, Any]]:
    """Tables of a site file; fields without a value are left out."""
    if crowns is None:
        return {}
    site: dict[str, dict[str, Any]] = {
        "crowns": {
            "file": "trees.gpkg",
            "layer": "crowns",
            "id_field": "crown_id",
            "species_field": "species",
        }
    }
    if crowns["height_ft"].notna().any():
        heights = {"height_field": "height_ft", "height_unit": "ft"}
        site["crowns"] |= {**heights, "height_rmse_ft": params["height_error_ft"]}
    if crowns["base_height_ft"].notna().any():
        site["crowns"] |= {"base_height_field": "base_height_ft", "base_height_unit": "ft"}
    if trunks["crown_id"].notna().any():
        site["trunks"] = {
            "file": "trees.gpkg",
            "layer": "trunks",
            "crown_id_field": "crown_id",
            "position_rmse_ft": params["trunk_position_error_ft"],
        }
    return site


def _figures(
    survey: Survey,
    given: GivenCrowns | None,
    join: TrunkJoin | None,
    joined: Any,
    crowns: Any,
    conflicts: Sequence[Conflict],
) -> dict[str, Any]:
    made = tables.crowns_made(survey, join)
    in_none = np.full(len(joined), NONE) if join is None else join.crown_of_tree
    shared = (in_none >= 0) & (joined == NONE)
    n_own = len(made)
    return {
        "n_rows": len(survey.rows),
        "n_trees": len(survey.trees.ids),
        "n_trees_joined": int((joined >= 0).sum()),
        "n_trees_sharing_a_crown": int(shared.sum()),
        "n_trees_in_several_crowns": int((in_none == SEVERAL).sum()),
        "n_crowns_from_spreads": n_own,
        "n_trees_without_crown": int((in_none == NONE).sum()) - n_own,
        "n_given_crowns": 0 if given is None else len(given.ids),
        "n_given_crowns_without_tree": 0 if join is None else int((join.trees_in_crown == 0).sum()),
        "crown_area_from_spreads_ft2": 0.0
        if crowns is None
        else float(crowns.loc[crowns["crown_from"] == tables.MADE, "crown_area_ft2"].sum()),
        "n_conflicts": len(conflicts),
        "n_conflicts_by_kind": dict(Counter(one.kind for one in conflicts)),
    }


def _words(figures: Mapping[str, Any], conflicts: Sequence[Conflict]) -> str:
    """What was made, and how many conflicts of each kind there are."""
    n_rows, n_trees = figures["n_rows"], figures["n_trees"]
    lines = [f"{counted(n_trees, 'tree')} in {counted(n_rows, 'row')}"]
    n_own, area = figures["n_crowns_from_spreads"], figures["crown_area_from_spreads_ft2"]
    if figures["n_given_crowns"]:
        n_given = counted(figures["n_given_crowns"], "given crown")
        lines.append(
            f"  {figures['n_trees_joined']} joined to one of {n_given} each; "
            f"{figures['n_given_crowns_without_tree']} of these without a tree"
        )
        for key, what in (
            ("n_trees_sharing_a_crown", "sharing a given crown with another"),
            ("n_trees_in_several_crowns", "in several given crowns at once"),
        ):
            if figures[key]:
                lines.append(f"  {figures[key]} {what}: not joined")
    lines.append(f"  {n_own} with a crown made of its spreads, {area:,.1f} ft2 in all")
    if figures["n_trees_without_crown"]:
        lines.append(f"  {figures['n_trees_without_crown']} without a crown")
    if not conflicts:
        return "\n".join([*lines, "no conflicts"])
    lines.append(f"{counted(len(conflicts), 'conflict')}, none resolved (conflicts.csv):")
    for kind, n in figures["n_conflicts_by_kind"].items():
        lines.append(f"  {n} {kind}: {KINDS[kind]}")
        if kind == FAR:
            far = [one for one in conflicts if one.kind == kind]
            lines += [f"    {one.tag}: {one.found}" for one in far[:MOST_FAR]]
    return "\n".join(lines)
