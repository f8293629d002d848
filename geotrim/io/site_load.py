"""From what the user said to a site: every file read, mended, and brought into one CRS."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from functools import partial
from typing import Any

import numpy as np
import shapely

from geotrim.errors import CRSError
from geotrim.io import site_parts
from geotrim.io.fields import match_where
from geotrim.io.repair import counted
from geotrim.io.site_checks import check_contradictions
from geotrim.io.site_crowns import crowns_table
from geotrim.io.site_eyes import read_eyes
from geotrim.io.site_facts import check_fact_lots, site_facts
from geotrim.io.site_heights import read_ground, read_heights
from geotrim.io.site_layers import (
    Loading,
    cleaned,
    read_input,
    read_plain,
    read_with_ids,
    role_of,
)
from geotrim.io.site_profiles import read_profiles
from geotrim.io.site_readings import read_readings
from geotrim.io.site_rules import read_overlays
from geotrim.io.site_screened import (
    facts_of_fields,
    is_screened,
    near_crowns,
    rules_of_place,
    sifted,
    with_screen_tables,
)
from geotrim.io.site_spec import SiteSpec, check_spec, checked_options
from geotrim.model import Facts, Note, Setback, Site
from geotrim.units import feet_per_map_unit

#: An input no part of which is this near to the lots is not of this site (five miles).
TOO_FAR_FT = 5 * 5280.0
#: Land set aside farther than this from every lot holds none of their trees; it is left out. A
#: permit's mangroves stand within 500 ft of the landmost one (s. 403.9327(1)(a) F.S.).
SET_ASIDE_REACH_FT = 2000.0
NAMED_LAYERS = {"channel": ("line",), "mouth_line": ("line",), "exclusions": ("polygon",)}
LINE_FACTS = (
    "epoch",
    "vertical_datum",
    "elevation_ft",
    "position_rmse_ft",
    "position_rmse_is",
)
ANY_KIND = ("polygon", "line", "point")


def load_site(spec: SiteSpec, chosen: Sequence[str] | None = None) -> Site:
    """Check a spec, read what it names, and bring all of it into one CRS.

    Parameters
    ----------
    chosen : sequence of str, optional
        Ids of the lots to report; the others are neighbours, and what only those could be refused
        for is left out or mended.

    Raises
    ------
    GeotrimError
        If anything does not fit; see :func:`read_site`.
    """
    spec = with_screen_tables(spec)
    check_spec(spec)
    options = checked_options(spec)
    check_contradictions(spec, options)
    is_many = chosen is not None or is_screened(spec)
    overlays, rule_files = ((), ()) if is_many else read_overlays(spec)
    run = Loading(spec)
    lots, facts = _lots(run, chosen or () if is_many else None)
    if is_many:
        places = named_layer(run, "jurisdictions", ("polygon",))
        overlays, rule_files = rules_of_place(run, places, lots)
    line = None
    if "mhw_line" in spec.values:
        line = read_plain(run, "mhw_line", ("line",))[["geometry"]]
    crowns = _crowns(run, is_many)
    if is_many and crowns is not None:
        crowns = near_crowns(run, crowns, lots)
    trunks = _trunks(run, crowns)
    readings = read_readings(run)
    named = {name: named_layer(run, name, kinds) for name, kinds in NAMED_LAYERS.items()}
    given = spec.table("mhw_line") or {}
    tell_line_gaps(run, given)
    site = Site(
        name=spec.values["site"]["name"],
        crs=run.crs,
        lots=lots,
        mhw_line=line,
        mhw_origin=given.get("origin", ""),
        mhw_facts={key: given[key] for key in LINE_FACTS if key in given},
        crowns=crowns,
        trunks=trunks,
        heights=read_heights(run, crowns),
        readings=readings,
        profiles=read_profiles(run, crowns),
        setbacks=setbacks_of(run),
        set_aside=set_aside_of(run, lots),
        trunks_rmse_ft=number_of(spec, "trunks", "position_rmse_ft"),
        facts=facts,
        overlays=overlays,
        options=options,
        **named,
    )
    _check_near(run, site)  # first: lots in a wrong CRS would be told as eyes far from them
    eyes, ground = read_eyes(run, lots), read_ground(run, lots)
    inputs = (*run.inputs, *rule_files)
    return replace(site, eyes=eyes, ground=ground, inputs=inputs, notes=tuple(run.notes))


def _lots(run: Loading, chosen: Sequence[str] | None) -> tuple[Any, Facts | None]:
    """The lots, and what is told of them; without ``chosen`` none is left out for its faults."""
    spec, told = run.spec, site_facts(run.spec)
    if "lots" not in spec.values:
        check_fact_lots(spec, (), ())
        return None, told
    sift = None if chosen is None else partial(_sifted, run, "lots", "lot_id", chosen)
    lots, _ = read_with_ids(run, "lots", "lot_id", "lot", sift)
    where = spec.values["lots"].get("where")
    matches = match_where(lots, where, spec.where("lots", "where")) if where else None
    measured, notes = site_parts.is_measured(spec, lots, list(lots["lot_id"]), matches)
    run.notes += notes
    lots = lots.assign(is_measured=measured)
    if chosen and set(chosen) <= set(lots["lot_id"]):
        lots["is_measured"] = lots["lot_id"].isin(chosen)
    if chosen is not None:
        told = facts_of_fields(run, lots, told)
    lots = lots[["lot_id", "geometry", "is_measured"]]
    if "neighbours" in spec.values:
        others, has_own = read_with_ids(run, "neighbours", "lot_id", "neighbour")
        place = spec.where(
            "neighbours", "id_field" if "id_field" in spec.values["neighbours"] else "file"
        )
        lots, notes = site_parts.add_neighbours(
            lots, others[["lot_id", "geometry"]], has_own, place
        )
        run.notes += notes
    reported = lots["lot_id"][lots["is_measured"].to_numpy()]
    run.notes += check_fact_lots(spec, list(lots["lot_id"]), list(reported))
    lots, notes = site_parts.near_lots(lots, run.crs)
    run.notes += notes
    return lots[["lot_id", "is_measured", "geometry"]], told


def _sifted(run: Loading, role: str, usual: str, chosen: Sequence[str], rows: Any) -> Any:
    return sifted(run, rows, role, usual, chosen)


def _crowns(run: Loading, is_many: bool) -> Any:
    if "crowns" not in run.spec.values:
        return None
    sift = partial(_sifted, run, "crowns", "crown_id", ()) if is_many else None
    rows, _ = read_with_ids(run, "crowns", "crown_id", "crown", sift)
    crowns, notes = crowns_table(run.spec, rows, list(rows["crown_id"]))
    run.notes += notes
    return crowns


def _trunks(run: Loading, crowns: Any) -> Any:
    if "trunks" not in run.spec.values:
        return None
    rows = read_plain(run, "trunks", ("point",))
    trunks, notes = site_parts.trunks_table(run.spec, rows, crowns)
    run.notes += notes
    return trunks


def named_layer(run: Loading, name: str, kinds: tuple[str, ...]) -> Any:
    if name not in run.spec.values:
        return None
    rows = read_plain(run, name, kinds)
    field = run.spec.values[name].get("name_field")
    noun = name.replace("_", " ").removesuffix("s")
    return site_parts.named_table(rows, field, noun, run.spec.where(name, "name_field"))


def set_aside_of(run: Loading, lots: Any) -> Any:
    """Land set aside, each polygon with its kind; what is far from every lot is left out."""
    spec = run.spec
    if "set_aside" not in spec.values:
        return None
    rows = read_input(run, "set_aside", kinds=("polygon",))
    rows = rows.assign(_kind=site_parts.set_aside_kinds(spec, rows))
    rows = cleaned(run, rows, "set_aside", ("polygon",), "set_aside")
    field, where = spec.values["set_aside"].get("name_field"), spec.where("set_aside", "name_field")
    table = site_parts.named_table(rows, field, "land set aside", where)
    table.insert(1, "kind", list(rows["_kind"]))
    if lots is None:
        return table
    check_distance(run, np.asarray(table.geometry.array), _around(lots), "set_aside")
    keep = site_parts.within_reach(table, lots, SET_ASIDE_REACH_FT, run.crs)
    if not keep.all():
        n = counted(int((~keep).sum()), "polygon")
        text = f"{n} farther than {SET_ASIDE_REACH_FT:g} ft from every lot left out"
        run.notes.append(Note("set_aside", text, "info"))
    return table[keep].reset_index(drop=True)


def number_of(spec: SiteSpec, table: str, key: str) -> float | None:
    value = (spec.table(table) or {}).get(key)
    return None if value is None else float(value)


def setbacks_of(run: Loading) -> tuple[Setback, ...]:
    made = []
    for i, item in enumerate(run.spec.values.get("setbacks", ())):
        shape = None
        if "file" in item:
            role = role_of(run.spec, "setbacks", i)
            rows = read_input(run, "setbacks", i, kinds=ANY_KIND)
            rows = cleaned(run, rows, role, ANY_KIND, "setbacks", i)
            shape = shapely.union_all(np.asarray(rows.geometry.array))
        distance_ft = float(item["distance_ft"])
        made.append(Setback(item["name"], item["reference"], distance_ft, item["source"], shape))
    return tuple(made)


def tell_line_gaps(run: Loading, given: Mapping[str, Any]) -> None:
    if not given:
        return
    if given["origin"] == "apparent-shoreline":
        text = "an apparent shoreline, not an MHW line: lengths along it may differ from those"
        run.notes.append(Note("mhw_line", f"{text} along mean high water", "assumed"))
        return
    gaps = {
        "epoch": "tidal epoch",
        "vertical_datum": "vertical datum",
        "position_rmse_ft": "standard error of its position",
    }
    lost = [words for key, words in gaps.items() if key not in given]
    if lost:
        run.notes.append(Note("mhw_line", f"not stated: {', '.join(lost)}", "missing"))
    if "position_rmse_ft" in given and given.get("position_rmse_is") == "lower-bound":
        text = f"the standard error of its position, {given['position_rmse_ft']:g} ft, is a lower "
        text += "bound: a part of it is not known"
        run.notes.append(Note("mhw_line", text, "missing"))


def _check_near(run: Loading, site: Site) -> None:
    """Refuse an input that lies wholly away from the lots: its CRS is almost surely wrong."""
    if site.lots is None:
        return
    around = _around(site.lots)
    for role in ("mhw_line", "crowns", "trunks", "channel", "mouth_line", "exclusions"):
        table = getattr(site, role)
        if table is not None:
            check_distance(run, np.asarray(table.geometry.array), around, role)
    if site.readings is not None and (site.readings.geometry.notna()).any():
        placed = np.asarray(site.readings.geometry.dropna().array)
        check_distance(run, placed, around, "readings")
    for i, setback in enumerate(site.setbacks):
        if setback.geometry is not None:
            check_distance(run, np.array([setback.geometry]), around, "setbacks", i)


def _around(lots: Any) -> Any:
    """A box around the lots to report."""
    reported = np.asarray(lots.geometry.array)[lots["is_measured"].to_numpy()]
    return shapely.box(*shapely.total_bounds(reported))


def check_distance(run: Loading, shapes: Any, around: Any, *place: str | int) -> None:
    gap_ft = float(shapely.distance(shapes, around).min()) * feet_per_map_unit(run.crs, "lots")
    if gap_ft > TOO_FAR_FT:
        what = str(place[0]).replace("_", " ")
        raise CRSError(
            run.spec.where(*place, "file"),
            f"{what} no nearer than {gap_ft / 5280:,.1f} miles to the lots",
            f"something within {TOO_FAR_FT / 5280:g} miles",
            "check the reference system of both files, and that they are of the same place",
        )
