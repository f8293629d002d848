"""From what the user said to a site: every file read, mended, and brought into one CRS."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
import shapely

from geotrim.errors import CRSError
from geotrim.io import site_parts
from geotrim.io.fields import match_where
from geotrim.io.site_checks import check_contradictions
from geotrim.io.site_crowns import crowns_table
from geotrim.io.site_heights import read_heights
from geotrim.io.site_layers import (
    Loading,
    cleaned,
    read_input,
    read_plain,
    read_with_ids,
    role_of,
)
from geotrim.io.site_spec import MANY, SiteSpec, check_spec, checked_options
from geotrim.model import Note, Setback, Site
from geotrim.units import feet_per_map_unit

#: An input no part of which is this near to the lots is not of this site (five miles).
TOO_FAR_FT = 5 * 5280.0
NAMED_LAYERS = {"channel": ("line",), "mouth_line": ("line",), "exclusions": ("polygon",)}
LINE_FACTS = ("epoch", "vertical_datum", "elevation_ft", "position_rmse_ft")
ANY_KIND = ("polygon", "line", "point")


def load_site(spec: SiteSpec) -> Site:
    """Check a spec, read what it names, and bring all of it into one CRS.

    Raises
    ------
    GeotrimError
        If anything does not fit; see :func:`read_site`.
    """
    check_spec(spec)
    options = checked_options(spec)
    check_contradictions(spec, options)
    run = Loading(spec)
    lots = _lots(run)
    line = None
    if "mhw_line" in spec.values:
        line = read_plain(run, "mhw_line", ("line",))[["geometry"]]
    crowns = _crowns(run)
    trunks = _trunks(run, crowns)
    named = {name: _named(run, name, kinds) for name, kinds in NAMED_LAYERS.items()}
    given = spec.table("mhw_line") or {}
    _tell_line_gaps(run, given)
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
        setbacks=_setbacks(run),
        options=options,
        inputs=tuple(run.inputs),
        notes=tuple(run.notes),
        **named,
    )
    _check_near(run, site)
    return site


def _lots(run: Loading) -> Any:
    spec = run.spec
    if "lots" not in spec.values:
        return None
    lots, _ = read_with_ids(run, "lots", "lot_id", "lot")
    where = spec.values["lots"].get("where")
    matches = match_where(lots, where, spec.where("lots", "where")) if where else None
    measured, notes = site_parts.is_measured(spec, lots, list(lots["lot_id"]), matches)
    run.notes += notes
    lots = lots[["lot_id", "geometry"]].assign(is_measured=measured)
    if "neighbours" in spec.values:
        others, has_own = read_with_ids(run, "neighbours", "lot_id", "neighbour")
        place = spec.where(
            "neighbours", "id_field" if "id_field" in spec.values["neighbours"] else "file"
        )
        lots, notes = site_parts.add_neighbours(
            lots, others[["lot_id", "geometry"]], has_own, place
        )
        run.notes += notes
    lots, notes = site_parts.near_lots(lots, run.crs)
    run.notes += notes
    return lots[["lot_id", "is_measured", "geometry"]]


def _crowns(run: Loading) -> Any:
    if "crowns" not in run.spec.values:
        return None
    rows, _ = read_with_ids(run, "crowns", "crown_id", "crown")
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


def _named(run: Loading, name: str, kinds: tuple[str, ...]) -> Any:
    if name not in run.spec.values:
        return None
    rows = read_plain(run, name, kinds)
    field = run.spec.values[name].get("name_field")
    noun = name.replace("_", " ").removesuffix("s")
    return site_parts.named_table(rows, field, noun, run.spec.where(name, "name_field"))


def _setbacks(run: Loading) -> tuple[Setback, ...]:
    made = []
    for i, item in enumerate(run.spec.values.get(MANY, ())):
        shape = None
        if "file" in item:
            role = role_of(run.spec, MANY, i)
            rows = read_input(run, MANY, i, kinds=ANY_KIND)
            rows = cleaned(run, rows, role, ANY_KIND, MANY, i)
            shape = shapely.union_all(np.asarray(rows.geometry.array))
        distance_ft = float(item["distance_ft"])
        made.append(Setback(item["name"], item["reference"], distance_ft, item["source"], shape))
    return tuple(made)


def _tell_line_gaps(run: Loading, given: Mapping[str, Any]) -> None:
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


def _check_near(run: Loading, site: Site) -> None:
    """Refuse an input that lies wholly away from the lots: its CRS is almost surely wrong."""
    if site.lots is None:
        return
    lots = np.asarray(site.lots.geometry.array)[site.lots["is_measured"].to_numpy()]
    around = shapely.box(*shapely.total_bounds(lots))
    ft = feet_per_map_unit(site.crs, "lots")
    for role in ("mhw_line", "crowns", "trunks", "channel", "mouth_line", "exclusions"):
        table = getattr(site, role)
        if table is not None:
            _check_distance(run, np.asarray(table.geometry.array), around, ft, role)
    for i, setback in enumerate(site.setbacks):
        if setback.geometry is not None:
            _check_distance(run, np.array([setback.geometry]), around, ft, MANY, i)


def _check_distance(run: Loading, shapes: Any, around: Any, ft: float, *place: str | int) -> None:
    gap_ft = float(shapely.distance(shapes, around).min()) * ft
    if gap_ft > TOO_FAR_FT:
        what = str(place[0]).replace("_", " ")
        raise CRSError(
            run.spec.where(*place, "file"),
            f"{what} no nearer than {gap_ft / 5280:,.1f} miles to the lots",
            f"something within {TOO_FAR_FT / 5280:g} miles",
            "check the reference system of both files, and that they are of the same place",
        )
