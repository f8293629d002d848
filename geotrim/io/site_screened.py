"""A screen file read as the site of one of its lots: what a screening knows of it, and no more.

The other lots are neighbours. What only a whole county has is left out or mended as a screening
does it, so that a lot's figures are the same.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any

import numpy as np
import pandas as pd
import shapely

from geotrim.errors import SiteFileError
from geotrim.io import site_parts
from geotrim.io.fields import find_field, text_id, text_ids, usual_field
from geotrim.io.lot_answers import LotAnswers
from geotrim.io.places import Places, read_rules
from geotrim.io.repair import counted, listed
from geotrim.io.site_layers import Loading
from geotrim.io.site_spec import SITE_TABLES, Key, Named, SiteSpec
from geotrim.model import Facts, InputFile, Note
from geotrim.rules.facts import facts
from geotrim.rules.rule_file import RuleFile

_OVERLAYS = "rule files of the jurisdiction of that name"
SCREEN_TABLES: dict[str, dict[str, Key]] = {
    **SITE_TABLES,
    "lots": {
        **SITE_TABLES["lots"],
        "keep_fields": Key("fields", "fields of the lots that are carried into the results"),
        "facts": Key(
            "field-of",
            "which field of the lots answers which fact",
            names=Named("text", "field that holds the answer", tuple(facts()), "fact"),
        ),
    },
    "jurisdictions": {
        "file": Key("file", "polygons, each with the name of its town or county", True),
        "layer": SITE_TABLES["lots"]["layer"],
        "crs": SITE_TABLES["lots"]["crs"],
        "name_field": SITE_TABLES["exclusions"]["name_field"],
        "overlays": Key(
            "overlays-of",
            "which rule files hold in which jurisdiction",
            names=Named("overlays", _OVERLAYS),
        ),
    },
    "heights": {
        **SITE_TABLES["heights"],
        "file": Key("file", "one raster, a folder of tiles, or a VRT", True),
    },
}
#: Table -> keys of it that only a screening asks for; a table with none named is one as a whole.
SCREEN_ONLY: dict[str, tuple[str, ...]] = {"jurisdictions": (), "lots": ("keep_fields", "facts")}


def is_screened(spec: SiteSpec) -> bool:
    """Whether a site file says what only a screening asks for."""
    own = {name for name, keys in SCREEN_ONLY.items() if not keys}
    lots = spec.values.get("lots")
    is_of_lots = isinstance(lots, Mapping) and bool(set(SCREEN_ONLY["lots"]) & set(lots))
    return is_of_lots or bool(own & set(spec.values))


def with_screen_tables(spec: SiteSpec) -> SiteSpec:
    """A spec that may say what a screening may, where it does."""
    return replace(spec, tables=SCREEN_TABLES) if is_screened(spec) else spec


def sifted(run: Loading, rows: Any, role: str, usual: str, chosen: Sequence[str]) -> Any:
    """Rows that a site can be made of: one without an id or with a broken shape is left out.

    Of several with one id the later ones get a number, unless they are chosen.
    """
    field = run.spec.values[role].get("id_field")
    where = run.spec.where(role, "id_field")
    name = find_field(rows, field, where) if field else usual_field(rows, usual)
    shapes = np.asarray(rows.geometry.array, dtype=object)
    keep = np.ones(len(rows), dtype=bool)
    xy, index = shapely.get_coordinates(shapes, return_index=True)
    keep[index[~np.isfinite(xy).all(axis=1)]] = False
    if name is not None:
        ids = text_ids(rows[name])
        keep &= np.array([one is not None for one in ids], dtype=bool)
        number = pd.Series(ids).groupby(ids, dropna=False).cumcount() + 1
        again = [n > 1 and one not in chosen for one, n in zip(ids, number, strict=True)]
        if any(again):
            new = [
                f"{one} ({n})" if is_again else one
                for one, n, is_again in zip(ids, number, again, strict=True)
            ]
            rows = rows.assign(**{name: new})
            text = f"{counted(sum(again), 'id')} used again got a number"
            run.notes.append(Note(role, text, "repaired"))
    if not keep.all():
        lost = counted(int((~keep).sum()), role.removesuffix("s"))
        text = f"{lost} without an id, or with coordinates that are no numbers, left out"
        run.notes.append(Note(role, text, "repaired"))
    return rows[keep].reset_index(drop=True)


def near_crowns(run: Loading, crowns: Any, lots: Any) -> Any:
    """Crowns that may be those of the lots to report; all of them where none is near."""
    reported = lots[lots["is_measured"].to_numpy(dtype=bool)]
    keep = site_parts.within_reach(crowns, reported, site_parts.NEIGHBOUR_REACH_FT, run.crs)
    if keep.all() or not keep.any():
        return crowns
    n, reach = counted(int((~keep).sum()), "crown"), site_parts.NEIGHBOUR_REACH_FT
    text = f"{n} farther than {reach:g} ft from the lots to report left out"
    run.notes.append(Note("crowns", text, "info"))
    return crowns[keep].reset_index(drop=True)


class _Table:
    """Fields of a table, as :class:`LotAnswers` looks for them."""

    def __init__(self, rows: Any) -> None:
        self.rows = rows

    def field(self, name: str, where: str) -> str:
        return str(find_field(self.rows, name, where))


def facts_of_fields(run: Loading, rows: Any, told: Facts | None) -> Facts | None:
    """Facts of the lots to report with those that their fields answer.

    Parameters
    ----------
    rows : GeoDataFrame
        Lots with their fields, ``lot_id`` and ``is_measured``.
    """
    if not run.spec.values["lots"].get("facts"):
        return told
    told = told or Facts()
    answers = LotAnswers(run.spec, _Table(rows), told, is_neighbour=False)
    by_lot = dict(told.by_lot)
    for row in rows[rows["is_measured"].to_numpy(dtype=bool)].to_dict("records"):
        values = {name: None if pd.isna(row[name]) else row[name] for name in answers.fields}
        lot = str(text_id(row["lot_id"]))
        by_lot[lot], text = answers.answers_of(values, lot)
        if text:
            run.notes.append(Note(f"lot {lot}", text, "missing"))
    return Facts(told.everywhere, {lot: own for lot, own in by_lot.items() if own})


def rules_of_place(
    run: Loading, jurisdictions: Any, lots: Any
) -> tuple[tuple[RuleFile, ...], tuple[InputFile, ...]]:
    """Local rule files of the place that the lots to report lie in, and those that hold everywhere.

    Raises
    ------
    GeotrimError
        If they lie where different rule files hold, or a rule file cannot be used.
    """
    places = Places.of_table(jurisdictions)
    overlays, inputs = read_rules(run, places)
    reported = lots[lots["is_measured"].to_numpy(dtype=bool)]
    names, told = places.of(np.asarray(reported.geometry.array))
    sets = {tuple(one.id for one in overlays.get(name or "", ())) for name in names}
    if len(sets) > 1:
        said = dict(zip(names, reported["lot_id"], strict=True))
        shown = listed([f"{lot} in {name or 'none'}" for name, lot in said.items()])
        raise SiteFileError(
            run.spec.where("jurisdictions"),
            f"lots under different local rules: {shown}",
            "lots to report that lie in one jurisdiction",
            "run them one by one (--lot), or all of them with geotrim screen",
        )
    for lot, name, words in (
        zip(reported["lot_id"], names, told, strict=True) if places.names else ()
    ):
        text = f"it lies in {name}" if name else "it lies in none of the jurisdictions"
        text = "; ".join(part for part in (text, words) if part)
        run.notes.append(Note(f"lot {lot}", text, "info"))
    place = names[0] or ""
    own = overlays[""] if not place else (*overlays[""], *overlays.get(place, ()))
    ids = {one.id for one in own}
    return own, tuple(one for one in inputs if (one.detail or {}).get("id") in ids)
