"""Rows of one partition: what operations found, in the columns of the working folder."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import pandas as pd
import pyarrow as pa
import shapely

from geotrim.model import Note, Result
from geotrim.report.screen_stands import COUNTED, JUDGED, TO_CHECK
from geotrim.rules.outcome import OPEN
from geotrim.screen.lot_stands import mangroves_by_standing, stand_of, stand_words
from geotrim.screen.store import CROWN_ROWS, NOTES, lot_rows_schema, route_column


@dataclass(frozen=True, slots=True, eq=False)
class Found:
    """What the operations of one partition found.

    results : operation -> Result; of lots near as well, where an operation needs them.
    judged : results of the rules, one for each jurisdiction.
    excluded : ids of the crowns whose centre, or trunk, stands in an exclusion.
    told : crowns of the own lots, and those at home here that no lot near has; in file order.
    failed : number of a lot -> what it breaks by.
    """

    results: Mapping[str, Result]
    judged: tuple[Result, ...]
    told: Any
    notes: tuple[Note, ...]
    excluded: frozenset[str] = frozenset()
    failed: Mapping[int, str] = field(default_factory=dict)

    def table(self, operation: str, name: str) -> Any:
        """A table by the id of lot or crown; empty where the operation did not run."""
        result = self.results.get(operation)
        if result is None:
            return pd.DataFrame()
        key = "crown_id" if "crown_id" in result[name].columns else "lot_id"
        return pd.DataFrame(result[name]).set_index(key)

    def of_rules(self, name: str) -> Any:
        """A table of the rules for all jurisdictions; without a row where nothing was judged."""
        if not self.judged:
            return pd.DataFrame(columns=_COLUMNS_OF_RULES[name])
        return pd.concat([result[name] for result in self.judged], ignore_index=True)

    @property
    def past_setback(self) -> frozenset[str]:
        """Ids of the crowns that reach past a setback."""
        flags = self.results["setbacks"]["setback_flags"]
        return frozenset(flags.loc[flags["is_past_setback"].astype(bool), "crown_id"])


#: Columns that are looked for in the tables of the rules.
_COLUMNS_OF_RULES = {
    "lot_outcomes": ["lot_id", "reason"],
    "lot_routes": ["lot_id", "route", "status"],
    "lot_findings": [
        "lot_id",
        "rule_id",
        "is_of_the_way",
        "n_not_met",
        "n_too_close",
        "n_unknown",
    ],
    "tree_outcomes": ["crown_id", "lot_id", "outcome_route", "outcome_standing"],
}


def lot_rows(given: Any, found: Found) -> pa.Table:
    """A row for each own lot, in file order."""
    own = given.lots[given.lots["is_own"].to_numpy(dtype=bool)].reset_index(drop=True)
    ids = own["lot_id"]
    columns: dict[str, Any] = {
        "lot_number": own["lot_number"],
        "lot_id": own["name"],
        **{name: own[name] for name in ("jurisdiction", "fields")},
        "wkb": shapely.to_wkb(np.asarray(own.geometry.array, dtype=object)),
    }
    for operation, table in (
        ("frontage", "lots"),
        ("fringe", "fringe_lots"),
        ("zone", "zone"),
    ):
        columns |= _figures(found.table(operation, table), ids)
    columns |= _fringe_area(found, ids)
    columns |= _canopy(found, ids)
    columns |= _rules(found, ids)
    columns |= _standing(own, found, columns)
    columns |= _stands(columns, len(own))
    columns["note"] = _lot_notes(own, found, columns)
    columns["to_check"] = _to_check(columns, len(own))
    is_judged = np.array(columns["status"]) == "measured"
    for name in _JUDGED:
        if name in columns:  # without a shore nothing is judged, as the words say
            columns[name] = np.where(is_judged, columns[name], None)
    is_told = np.isin(columns["stand"], JUDGED)
    for name in columns:
        if name.startswith("findings_"):  # nothing is held against plants that are not cut
            columns[name] = np.where(is_told, columns[name], None)
    return _table(columns, lot_rows_schema(), len(own))


def _figures(table: Any, ids: Any) -> dict[str, Any]:
    """Columns of a table of lots that a lot's row has under the same name."""
    names = [name for name in table.columns if name in _LOT_NAMES and name not in _STATED_LATER]
    found = table[names].reindex(ids)
    return {name: found[name].to_numpy() for name in names}


_LOT_NAMES = frozenset(lot_rows_schema().names)
#: Columns that tell a verdict.
_JUDGED = (
    "outcome_route",
    "outcome_standing",
    "to_find_out",
    *(name for name in lot_rows_schema().names if name.startswith(("route_", "findings_"))),
    "unmet_duties",
    *COUNTED,
    "n_staged_trees",
    "n_open_in_exclusion",
    "n_open_past_setback",
)
_STATED_LATER = ("status", "reason", "lot_number")


def _fringe_area(found: Found, ids: Any) -> dict[str, Any]:
    table = found.results["fringe"]["fringe"]
    area = table.groupby("lot_id")["fringe_area_ft2"].sum()
    return {"fringe_area_ft2": area.reindex(ids, fill_value=0.0).to_numpy()}


def _canopy(found: Found, ids: Any) -> dict[str, Any]:
    """Counts and sums over the crowns that are a lot's."""
    crowns = _crowns_with_places(found)
    crowns = crowns[crowns["lot_id"].notna()]
    by_lot = crowns.groupby("lot_id", sort=False)
    out = {"n_crowns": by_lot.size().reindex(ids, fill_value=0).to_numpy()}
    out["n_past_setback"] = _count(crowns, crowns["crown_id"].isin(found.past_setback), ids)
    out["n_in_exclusion"] = _count(crowns, crowns["crown_id"].isin(found.excluded), ids)
    if "heights" not in found.results:
        return out
    seen = crowns.join(found.table("heights", "heights"), on="crown_id")
    sliced = found.table("slices", "slices")
    names = ["crown_area_ft2", "volume_ft3", "volume_band_ft3"]
    seen = seen.join(sliced[names], on="crown_id")
    by_lot = seen.groupby("lot_id", sort=False)
    out["tallest_ft"] = by_lot["top_height_ft"].max().reindex(ids).to_numpy()
    out["n_too_close"] = _count(seen, seen["is_too_close"].fillna(False).astype(bool), ids)
    out["n_partial"] = _count(seen, seen["is_partial"].astype(bool), ids)
    out["canopy_area_ft2"] = by_lot["crown_area_ft2"].sum().reindex(ids, fill_value=0.0).to_numpy()
    out["n_unseen"] = _count(seen, seen["top_height_ft"].isna(), ids)
    whole, band = (
        by_lot[name].sum(min_count=1).reindex(ids).to_numpy()  # nothing seen is no volume of 0
        for name in ("volume_ft3", "volume_band_ft3")
    )
    share = np.full(len(ids), np.nan)
    np.divide(band, whole, out=share, where=whole > 0.0)
    out |= {"volume_ft3": whole, "volume_band_ft3": band, "share_band_frac": share}
    return {**out, "height_classes": _classes(seen, ids)}


def _count(seen: Any, flags: Any, ids: Any) -> Any:
    return seen.loc[flags.to_numpy(), "lot_id"].value_counts().reindex(ids, fill_value=0).to_numpy()


def _classes(seen: Any, ids: Any) -> list[str | None]:
    """Height classes of a lot's crowns with their counts, as words."""
    counts = seen.groupby(["lot_id", "height_class"], sort=True).size()
    words: dict[str, list[str]] = {}
    for (lot, name), n in counts.items():
        words.setdefault(lot, []).append(f"{name}: {n}")
    return ["; ".join(words[lot]) if lot in words else None for lot in ids]


def _crowns_with_places(found: Found) -> Any:
    """Ids of the crowns that are told, with lot, stretch and place on the shore."""
    places = found.results["fringe"]["fringe_crowns"].set_index("crown_id")
    at = places.reindex(found.told["crown_id"])
    names = ["lot_id", "stretch_id", "station_ft", "offset_ft", "is_fringe"]
    at = at[names].reset_index()
    at.loc[~found.told["is_own"].to_numpy(dtype=bool), names] = [None, None, np.nan, np.nan, False]
    return at


def _rules(found: Found, ids: Any) -> dict[str, Any]:
    """How each way stands, what trees are told by, and which rules are not met."""
    outcomes = found.of_rules("lot_outcomes").set_index("lot_id")
    out = _figures(outcomes, ids)
    if "to_find_out" in out:
        out["to_find_out"] = [text or None for text in out["to_find_out"]]
    ways = found.of_rules("lot_routes")
    for route, rows in ways.groupby("route", sort=False):
        if (column := route_column(str(route))) in _LOT_NAMES:
            out[column] = rows.set_index("lot_id")["status"].reindex(ids).to_numpy()
    trees = found.of_rules("tree_outcomes")
    out |= mangroves_by_standing(trees, ids)
    is_open = trees[trees["outcome_standing"] == OPEN]
    for name, there in (
        ("n_open_in_exclusion", found.excluded),
        ("n_open_past_setback", found.past_setback),
    ):
        out[name] = _count(is_open, is_open["crown_id"].isin(there), ids)
    return out | _findings(found, ids)


def _findings(found: Found, ids: Any) -> dict[str, Any]:
    """Rules that bear on the way each lot is told by, by verdict, with the numbers of trees."""
    out = {}
    findings = found.of_rules("lot_findings")
    findings = findings[findings["is_of_the_way"].astype(bool)]
    for verdict in ("not_met", "too_close", "unknown"):
        rows = findings[findings[f"n_{verdict}"] > 0]
        words = rows["rule_id"] + " (" + rows[f"n_{verdict}"].astype(int).astype(str) + ")"
        told = words.groupby(rows["lot_id"], sort=False).agg(";".join)
        out[f"findings_{verdict}"] = told.reindex(ids).to_numpy()
    return out


def _stands(columns: Mapping[str, Any], n: int) -> dict[str, Any]:
    """How each lot stands, and why; of a lot without a shore, or that failed, that it is so."""
    stand: list[str] = []
    words: list[str | None] = []
    for row in range(n):
        if columns["status"][row] != "measured":
            stand.append(columns["status"][row])
            words.append(None)
            continue
        counts = {how: _whole(columns, name, row) for name, how in COUNTED.items()}
        unmet = str(columns["unmet_duties"][row] or "")
        trees = (_whole(columns, name, row) for name in _TREES)
        stand.append(stand_of(counts, unmet))
        words.append(stand_words(counts, unmet, *trees))
    return {"stand": stand, "stand_words": words}


_TREES = ("n_crowns", "n_mangroves", "n_species_unknown")


def _whole(columns: Mapping[str, Any], name: str, row: int) -> int:
    """A count; what was not counted is none."""
    value = columns[name][row] if name in columns else 0
    return 0 if pd.isna(value) else int(value)


def _standing(own: Any, found: Found, columns: Mapping[str, Any]) -> dict[str, Any]:
    """Status and reason of each lot."""
    told = found.table("frontage", "lots")["reason"].reindex(own["lot_id"]).to_numpy()
    judged = found.of_rules("lot_outcomes").set_index("lot_id")["reason"].reindex(own["lot_id"])
    has_shore = np.nan_to_num(np.asarray(columns["frontage_length_ft"], dtype=np.float64)) > 0.0
    status, reason = [], []
    for number, is_shore, first, second in zip(
        own["lot_number"], has_shore, told, judged.to_numpy(), strict=True
    ):
        failed = found.failed.get(int(number))
        status.append("failed" if failed else "measured" if is_shore else "no shore")
        words = [failed] if failed else [first, second if second != first else None]
        reason.append("; ".join(text for text in words if isinstance(text, str) and text))
    return {"status": status, "reason": reason}


def _lot_notes(own: Any, found: Found, columns: Mapping[str, Any]) -> list[str | None]:
    """What was mended in each lot, and what the operations tell of it beyond its reason."""
    told: dict[str, list[str]] = {}
    for note in found.notes:
        if (lot := note.about.removeprefix("lot ")) != note.about:
            told.setdefault(lot, []).append(note.text)
    out = []
    for lot, mended, reason, status in zip(
        own["lot_id"], own["note"], columns["reason"], columns["status"], strict=True
    ):
        words = [] if status != "measured" else [t for t in told.get(lot, ()) if t not in reason]
        out.append("; ".join([*([mended] if mended else []), *words]) or None)
    return out


def _to_check(columns: Mapping[str, Any], n: int) -> list[str | None]:
    """What is worth a look on the place, with the numbers of trees; only of lots with a shore."""
    out: list[str | None] = []
    for row in range(n):
        words = [
            f"{text}: {int(columns[name][row])}"
            for name, text in TO_CHECK.items()
            if name in columns and columns[name][row] > 0
        ]
        out.append("; ".join(words) if words and columns["status"][row] == "measured" else None)
    return out


def crown_rows(given: Any, found: Found) -> pa.Table:
    """A row for each crown that is told, in file order."""
    told = found.told
    number_of = given.lots.set_index("lot_id")["lot_number"]
    name_of = given.lots.set_index("lot_id")["name"]
    places = _crowns_with_places(found)
    ids = places["crown_id"]
    columns: dict[str, Any] = {
        "crown_number": told["crown_number"],
        "crown_id": told["name"],
        "lot_number": places["lot_id"].map(number_of),
        "lot_id": places["lot_id"].map(name_of),
        "species": told.get("species"),
        **{name: places[name] for name in ("stretch_id", "station_ft", "offset_ft", "is_fringe")},
        "wkb": shapely.to_wkb(np.asarray(told.geometry.array, dtype=object)),
    }
    columns["is_past_setback"] = ids.isin(found.past_setback).to_numpy()
    columns["is_in_exclusion"] = ids.isin(found.excluded).to_numpy()
    for operation in ("heights", "slices"):
        table = found.table(operation, operation)
        names = [name for name in table.columns if name in CROWN_ROWS.names]
        columns |= {name: table[name].reindex(ids).to_numpy() for name in names}
    trees = found.of_rules("tree_outcomes").set_index("crown_id")
    for name in ("outcome_route", "outcome_standing"):
        columns[name] = trees[name].reindex(ids).to_numpy()
    return _table(columns, CROWN_ROWS, len(told))


def note_rows(notes: Iterable[Note]) -> pa.Table:
    """What was told of no single lot, each once, in the order it was told in."""
    rows = [note for note in notes if not note.about.startswith("lot ")]
    columns = {name: [getattr(note, name) for note in rows] for name in NOTES.names}
    return pa.table(columns, schema=NOTES)


def _table(columns: Mapping[str, Any], schema: pa.Schema, n: int) -> pa.Table:
    """Columns in the order and kinds of a schema; one that is not there is unknown."""
    arrays = [
        _column(columns.get(name), kind, n)
        for name, kind in zip(schema.names, schema.types, strict=True)
    ]
    return pa.Table.from_arrays(arrays, schema=schema)


def _column(values: Any, kind: pa.DataType, n: int) -> pa.Array:
    if values is None:
        return pa.nulls(n, kind)
    values = (
        values.to_numpy() if isinstance(values, pd.Series) else np.asarray(values, dtype=object)
    )
    if pa.types.is_floating(kind):
        return pa.array(pd.to_numeric(pd.Series(values), errors="coerce").astype("float64"), kind)
    missing = pd.isna(values)
    if pa.types.is_integer(kind):
        filled = np.where(missing, 0, values).astype(np.int64)
        return pa.array(filled, kind, mask=missing)
    return pa.array(
        [None if gone else value for value, gone in zip(values, missing, strict=True)], kind
    )
