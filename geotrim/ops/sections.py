"""Operation ``sections``: what cross-sections, elevations and proofs are made from."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from geotrim.checks import (
    check_columns,
    check_height_source,
    check_kind,
    check_lines,
    check_lots,
    check_same_crs,
)
from geotrim.model import HeightSource, Note, Result
from geotrim.ops.canopy_cells import crown_cells
from geotrim.ops.catalogue_sections import SECTIONS
from geotrim.ops.eyes import water_level
from geotrim.ops.foliage_of import foliage_of
from geotrim.ops.fringes import baselines
from geotrim.ops.ground_view import GroundView
from geotrim.ops.judged_tops import judged_tops_ft
from geotrim.ops.section_cuts import Given, Section, ground_notes, section_of
from geotrim.ops.section_places import Place, letters, own_places, places_of
from geotrim.ops.section_tables import COLUMNS, curve_rows, section_rows, side_rows
from geotrim.ops.tables import plain_table, shape_table
from geotrim.units import feet_per_map_unit


def sections(
    lots: Any,
    mhw_line: Any,
    crowns: Any,
    heights: HeightSource,
    frontage: Result,
    fringe: Result,
    heights_result: Result,
    *,
    ground: HeightSource | None = None,
    mhw_facts: Mapping[str, Any] | None = None,
    profiles: Any = None,
    calibrate: Result | None = None,
    route: Result | None = None,
    window: Result | None = None,
    stages: Result | None = None,
    section_stations_ft: tuple[float, ...] | None = None,
    section_width_ft: float = 10.0,
    section_step_ft: float = 0.5,
    canopy_model: str = "column",
    crown_base_ft: float | None = None,
    crown_base_frac: float | None = None,
    water_elevation_ft: float | None = None,
) -> Result:
    """Cut the shore across at chosen stations, and tell every crown's side view and foliage.

    Parameters
    ----------
    lots, mhw_line, crowns, heights, ground, mhw_facts, profiles :
        As :class:`geotrim.model.Site` holds them.
    frontage, fringe, heights_result, calibrate, route, window, stages : Result
        Of those operations.
    section_stations_ft ... water_elevation_ft :
        The parameters of the operation, as :mod:`geotrim.ops.catalogue_sections` explains them.

    Returns
    -------
    Result
        ``sections``: one row a section; offsets run from the MHW line, negative to the land.
        ``section_ground``: the ground along it, over the water's elevation. ``section_columns``:
        canopy of each crown in the strip, over the substrate. ``section_trunks``: what depth is
        measured between. ``crown_sides``: every crown as seen from the land. ``foliage_curves``:
        share of every crown's foliage above a height.

    Raises
    ------
    GeotrimError
        If an input does not fit, or a station lies on no lot's shore.

    Notes
    -----
    Sections are square to the smoothed shore, and their depth is measured as ``fringe`` measures
    it. Heights and foliage are those the window and its stages are planned with.
    """
    known = {param.name for param in SECTIONS.params}
    asked: dict[str, Any] = SECTIONS.check(
        {name: value for name, value in locals().items() if name in known}
    )
    _check(lots, mhw_line, crowns, heights)
    feet = feet_per_map_unit(lots.crs, "lots")
    done = heights_result.parameters
    cells, notes = crown_cells(
        crowns, heights, calibrate, str(done.get("height_correction", "none")),
        min_coverage_frac=float(done.get("min_coverage_frac", 0.01)),
    )  # fmt: skip
    foliage, more = foliage_of(
        crowns, cells, profiles, asked, heights_result, tops_ft=judged_tops_ft(crowns, route)
    )
    water_ft, told = water_level(water_elevation_ft, mhw_facts)
    smoothing = float(fringe.parameters["smoothing_length_ft"])
    given = Given(
        crowns=crowns,
        places=_places_of_crowns(crowns, fringe),
        frontage=frontage["frontage"],
        lines=baselines(frontage, mhw_line, smoothing, feet),
        shore=mhw_line.geometry.union_all(),
        fringe=fringe,
        cells=cells,
        foliage=foliage,
        ground=None if ground is None else GroundView(ground, lots.crs),
        water_ft=water_ft,
        half_ft=float(asked["section_width_ft"]) / 2.0,
        step_ft=float(asked["section_step_ft"]),
        feet=feet,
    )
    chosen, placed = _chosen(given, lots, asked["section_stations_ft"], window, stages)
    made = _sections(given, chosen)
    sides, unseen = side_rows(given)
    parts = {**section_rows(given, made), "crown_sides": sides, "foliage_curves": curve_rows(given)}
    tables = {
        name: shape_table(parts[name], COLUMNS[name], lots.crs)
        if name == "sections"
        else plain_table(parts[name], COLUMNS[name])
        for name in COLUMNS
    }
    every = [*notes, *more, told, *placed, *ground_notes(given, made), *unseen]
    every += [note for one in made for note in one.notes]
    return Result("sections", tables, tuple(dict.fromkeys(every)), asked)


def _check(lots: Any, mhw_line: Any, crowns: Any, heights: HeightSource) -> None:
    check_lots(lots)
    check_lines(mhw_line, "MHW line")
    check_columns(crowns, ("crown_id",), "crowns")
    check_kind(crowns, {"Polygon", "MultiPolygon"}, "polygons", "crowns", may_be_empty=True)
    check_height_source(heights)
    check_same_crs({"lots": lots, "MHW line": mhw_line, "crowns": crowns})


def _places_of_crowns(crowns: Any, fringe: Result) -> Any:
    """Lot, stretch, station and offset of every crown, in the order of the crowns."""
    rows = fringe["fringe_crowns"]
    rows = rows.set_index(rows["crown_id"].astype(str))
    rows = rows[~rows.index.duplicated()].reindex(crowns["crown_id"].astype(str))
    flags = {name: rows[name].eq(True).to_numpy(dtype=bool) for name in ("is_fringe", "has_trunk")}
    ids = crowns["crown_id"].astype(str).to_numpy(dtype=object)
    return rows.reset_index(drop=True).assign(crown_id=ids, **flags)


def _chosen(
    given: Given, lots: Any, own: Any, window: Result | None, stages: Result | None
) -> tuple[dict[str, list[Place]], list[Note]]:
    """Where each lot's sections are drawn, from left to right."""
    ids = [str(i) for i in lots.loc[lots["is_measured"].to_numpy(dtype=bool), "lot_id"]]
    if own is not None:
        return own_places(own, ids, given.frontage)
    trees = given.places.assign(
        top_ft=given.foliage.top_ft, is_cut=given.places["crown_id"].isin(_cut_ids(window, stages))
    )
    trees = trees[trees["is_fringe"]]
    chosen, notes = {}, []
    for lot_id in ids:
        mine = trees[trees["lot_id"] == lot_id]
        chosen[lot_id] = places_of(lot_id, given.fringe, mine, window, given.half_ft)
        if not chosen[lot_id] and (given.frontage["lot_id"] == lot_id).any():
            text = "no cross-section, since no tree stands along its shore; ask for stations"
            notes.append(Note(f"lot {lot_id}", text, "missing"))
    return chosen, notes


def _cut_ids(window: Result | None, stages: Result | None) -> set[str]:
    """Trees that are cut: in some year, where years are planned; else by the window."""
    if stages is not None:
        return set(stages["stage_cuts"]["crown_id"].astype(str))
    if window is None:
        return set()
    rows = window["window_trees"]
    return set(rows.loc[rows["treatment"] != "leave", "crown_id"].astype(str))


def _sections(given: Given, chosen: Mapping[str, list[Place]]) -> list[Section]:
    return [
        section_of(given, lot_id, name, place)
        for lot_id, places in chosen.items()
        for name, place in zip(letters(len(places)), places, strict=True)
    ]
