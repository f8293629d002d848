"""Each table of a site, made from the layer the user gave: ids, fields and matches settled."""

from __future__ import annotations

import difflib
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from geotrim.errors import LayerError
from geotrim.io.fields import field_names, find_field, text_id, text_ids, usual_field
from geotrim.io.repair import counted, listed
from geotrim.io.site_spec import SiteSpec
from geotrim.model import SET_ASIDE_KINDS, Note
from geotrim.units import feet_per_map_unit

#: Neighbours farther than this from every lot to report cannot share its shore; they are left out.
NEIGHBOUR_REACH_FT = 2000.0
#: A neighbour that shares this much of a lot's area with it is the lot itself, repeated.
SAME_LOT_FRAC = 0.9


def feature_ids(
    table: Any, field: str | None, usual: str, noun: str, where: str, subject: str
) -> tuple[list[str], tuple[Note, ...]]:
    """Ids as text: from the field named, else from the usual one, else 1, 2, 3 ...

    Parameters
    ----------
    table : GeoDataFrame
    field : str, optional
        As the user named it.
    usual : str
        Field taken when none is named (``lot_id``).
    noun, where, subject : str
        For messages: one feature, the place of ``field``, the input.

    Raises
    ------
    LayerError
        If an id is missing or occurs twice; names them.
    """
    name = find_field(table, field, where) if field else usual_field(table, usual)
    if name is None:
        numbered = "numbered 1" if len(table) == 1 else f"numbered 1 to {len(table)} in file order"
        text = f"no id_field named; the {noun}s are {numbered}"
        if fields := field_names(table):
            text += f" (the file has {listed(fields, 6)})"
        return [str(i) for i in range(1, len(table) + 1)], (Note(subject, text, "assumed"),)
    ids = text_ids(table[name])
    mend = "complete the field, or leave it out and the features are numbered"
    if None in ids:
        rows = [i + 1 for i, value in enumerate(ids) if value is None]
        found = f"{counted(len(rows), noun)} without an id in {name!r} (row {listed(rows)})"
        raise LayerError(where, found, "an id for each", mend)
    twice = pd.Series(ids)[pd.Series(ids).duplicated()].unique()
    if len(twice):
        found = f"{counted(len(twice), 'id')} of {name!r} used twice or more: {listed(twice)}"
        raise LayerError(
            where, found, f"a different id for each {noun}", mend.replace("complete", "mend")
        )
    notes = () if field else (Note(subject, f"ids taken from the field {name!r}", "info"),)
    return [str(value) for value in ids], notes


def is_measured(
    spec: SiteSpec, table: Any, ids: list[str], matches: Any
) -> tuple[Any, tuple[Note, ...]]:
    """Which lots to report: those that ``where`` matches and ``measure`` names.

    Raises
    ------
    LayerError
        If ``measure`` names a lot that is not there, or not among the matches.
    """
    keep = np.ones(len(ids), dtype=bool) if matches is None else np.asarray(matches)
    asked = (spec.table("lots") or {}).get("measure")
    if asked is not None:
        wanted = [str(text_id(value)) for value in asked]
        for lot in wanted:
            where = spec.where("lots", "measure")
            if lot not in ids:
                raise LayerError(
                    where, f"no lot {lot!r}", f"ids of the lots: {listed(ids, 10)}", "check the id"
                )
            if not keep[ids.index(lot)]:
                raise LayerError(
                    where,
                    f"lot {lot!r}, which where leaves out",
                    "lots that where matches",
                    "take one of the two out",
                )
        keep = keep & np.isin(ids, wanted)
    if keep.all():
        return keep, ()
    text = f"{int(keep.sum())} of {len(ids)} lots are reported, the others are neighbours"
    return keep, (Note("lots", text, "info"),)


def add_neighbours(
    lots: Any, neighbours: Any, has_own_ids: bool, where: str
) -> tuple[Any, tuple[Note, ...]]:
    """Lots and neighbours in one table; a neighbour that is one of the lots is left out.

    Parameters
    ----------
    lots, neighbours : GeoDataFrame
        ``lot_id`` and geometry, in the site's CRS.
    has_own_ids : bool
        False when the neighbours were numbered by us; their ids are then made unlike the lots'.

    Raises
    ------
    LayerError
        If a neighbour has the id of a lot but lies elsewhere.
    """
    notes: list[Note] = []
    if not has_own_ids:
        neighbours = neighbours.assign(lot_id=[f"neighbour-{i}" for i in neighbours["lot_id"]])
    repeated = _repeated(lots, neighbours)
    if repeated.any():
        names = listed(neighbours["lot_id"][repeated])
        text = f"{counted(int(repeated.sum()), 'neighbour')} left out, already a lot: {names}"
        notes.append(Note("neighbours", text, "repaired"))
    neighbours = neighbours[~repeated]
    clash = sorted(set(neighbours["lot_id"]) & set(lots["lot_id"]))
    if clash:
        raise LayerError(
            where,
            f"{counted(len(clash), 'id')} that lots elsewhere have too: {listed(clash)}",
            "ids that differ from the lots'",
            "name the field with id_field, or leave it out",
        )
    both = pd.concat([lots, neighbours.assign(is_measured=False)], ignore_index=True)
    return gpd.GeoDataFrame(both, geometry="geometry", crs=lots.crs), tuple(notes)


def _repeated(lots: Any, neighbours: Any) -> Any:
    """Which neighbours cover the same ground as a lot."""
    ours, theirs = np.asarray(lots.geometry.array), np.asarray(neighbours.geometry.array)
    found = np.zeros(len(theirs), dtype=bool)
    near, lot = shapely.STRtree(ours).query(theirs, predicate="intersects")
    for i, j in zip(near, lot, strict=True):
        shared = shapely.area(shapely.intersection(theirs[i], ours[j]))
        found[i] |= shared > SAME_LOT_FRAC * max(theirs[i].area, ours[j].area)
    return found


def near_lots(lots: Any, crs: Any) -> tuple[Any, tuple[Note, ...]]:
    """The lots to report, and the neighbours that could share their shore."""
    is_reported = lots["is_measured"].to_numpy()
    keep = is_reported | within_reach(lots, lots[is_reported], NEIGHBOUR_REACH_FT, crs)
    if keep.all():
        return lots, ()
    text = f"{int((~keep).sum())} farther than {NEIGHBOUR_REACH_FT:g} ft from every lot left out"
    return lots[keep].reset_index(drop=True), (Note("neighbours", text, "info"),)


def within_reach(table: Any, lots: Any, reach_ft: float, crs: Any) -> Any:
    """Which rows come at least this near to a lot."""
    reach = reach_ft / feet_per_map_unit(crs, "lots")
    shapes = np.asarray(table.geometry.array)
    index, _ = shapely.STRtree(np.asarray(lots.geometry.array)).query(
        shapes, predicate="dwithin", distance=reach
    )
    keep = np.zeros(len(shapes), dtype=bool)
    keep[index] = True
    return keep


def trunks_table(spec: SiteSpec, table: Any, crowns: Any) -> tuple[Any, tuple[Note, ...]]:
    """Trunks with the ``crown_id`` of the crown they carry, by field or by place."""
    field = (spec.table("trunks") or {}).get("crown_id_field")
    where = spec.where("trunks", "crown_id_field")
    name = find_field(table, field, where) if field else usual_field(table, "crown_id")
    notes: list[Note] = []
    if name is not None:
        owners = text_ids(table[name])
        known = set(crowns["crown_id"])
        lost = [owner is None or owner not in known for owner in owners]
        why = f"no crown has their id in {name!r}"
    else:
        owners = _crown_under(table, crowns, notes)
        lost = [owner is None for owner in owners]
        why = "they stand in no crown"
    rows = [i + 1 for i, is_lost in enumerate(lost) if is_lost]
    if len(rows) == len(owners):
        raise LayerError(
            where,
            f"no trunk that belongs to a crown ({why})",
            "trunks of these crowns",
            "check the field, or the CRS of the trunks",
        )
    if rows:
        text = f"{counted(len(rows), 'trunk')} left out, {why}: row {listed(rows)}"
        notes.append(Note("trunks", text, "missing"))
    out = gpd.GeoDataFrame(
        {"crown_id": owners}, geometry=np.asarray(table.geometry.array), crs=table.crs
    )[~np.array(lost)].reset_index(drop=True)
    n_bare = len(crowns) - out["crown_id"].nunique()
    if n_bare:
        text = f"{counted(n_bare, 'crown')} of {len(crowns)} without a trunk point"
        notes.append(Note("trunks", text, "missing"))
    several = out["crown_id"][out["crown_id"].duplicated()].unique()
    if len(several):
        text = f"{counted(len(several), 'crown')} with more than one trunk: {listed(several)}"
        notes.append(Note("trunks", text, "info"))
    return out, tuple(notes)


def _crown_under(table: Any, crowns: Any, notes: list[Note]) -> list[str | None]:
    """Crown that each trunk stands in; of several, the one whose centre is nearest."""
    shapes, points = np.asarray(crowns.geometry.array), np.asarray(table.geometry.array)
    at, crown = shapely.STRtree(shapes).query(points, predicate="intersects")
    gaps = shapely.distance(points[at], shapely.centroid(shapes[crown]))
    owners: list[str | None] = [None] * len(points)
    best = np.full(len(points), np.inf)
    for i, j, gap in zip(at, crown, gaps, strict=True):
        if gap < best[i]:
            best[i], owners[i] = gap, str(crowns["crown_id"].iloc[j])
    shared = np.flatnonzero(np.bincount(at, minlength=len(points)) > 1)
    if len(shared):
        rows = listed([row + 1 for row in shared])
        text = f"{counted(len(shared), 'trunk')} in two crowns or more, given to the crown whose "
        notes.append(Note("trunks", f"{text}centre is nearest: row {rows}", "assumed"))
    return owners


def named_table(table: Any, field: str | None, noun: str, where: str) -> Any:
    """A layer with one ``name`` for each row, numbered where the file has none."""
    name = find_field(table, field, where) if field else usual_field(table, "name")
    names = [None] * len(table) if name is None else text_ids(table[name])
    told = [text or f"{noun} {i}" for i, text in enumerate(names, start=1)]
    shapes = np.asarray(table.geometry.array)
    return gpd.GeoDataFrame({"name": told}, geometry=shapes, crs=table.crs)


def set_aside_kinds(spec: SiteSpec, table: Any) -> list[str]:
    """Kind of each polygon set aside: one for all, or by field.

    Raises
    ------
    LayerError
        If the field does not exist, or holds what is no kind; names the row.
    """
    given = spec.table("set_aside") or {}
    if "kind" in given:
        return [given["kind"]] * len(table)
    where = spec.where("set_aside", "kind_field")
    told = text_ids(table[find_field(table, given["kind_field"], where)])
    kinds = [(text or "").lower() for text in told]
    for row, (kind, text) in enumerate(zip(kinds, told, strict=True), start=1):
        if kind not in SET_ASIDE_KINDS:
            near = difflib.get_close_matches(kind, SET_ASIDE_KINDS, n=1)
            raise LayerError(
                where,
                f"no kind in row {row}" if text is None else f"{text!r} in row {row}",
                f"one of {', '.join(SET_ASIDE_KINDS)}",
                f"say {near[0]!r} if that is meant" if near else "correct the field",
            )
    return kinds
