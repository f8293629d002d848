"""Readings after a cut: what the crew page exports, or a plain table of trees and heights."""

from __future__ import annotations

import datetime
import os
import re
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from geotrim.errors import LayerError, RangeError, UnitError
from geotrim.io.cut_heights import heights_of
from geotrim.io.field_table import split_unit
from geotrim.io.fields import text_id
from geotrim.io.files import local_path
from geotrim.io.repair import counted, listed
from geotrim.io.table_points import plain_name, row_names
from geotrim.io.text_numbers import decimal_mark, numbers_of
from geotrim.io.text_table import TEXT_SUFFIXES, read_text_table
from geotrim.model import Note
from geotrim.units import VERTICAL_UNITS_M

#: Text of a row -> usual names of its column.
TEXTS: dict[str, tuple[str, ...]] = {
    "plan_sha256": ("plan_sha256", "plan"),
    "lot_id": ("lot_id", "lot"),
    "crown_id": ("crown_id", "crown", "tree_id", "tree", "tag", "id", "number"),
    "year": ("year", "stage"),
    "is_done": ("is_done", "done"),
    "reader": ("reader", "who", "read_by", "crew"),
    "date": ("date", "day", "date_read"),
    "note": ("note", "notes", "remark", "remarks"),
}
#: Heights of a row, without their unit -> usual names of the column, without its unit.
HEIGHTS: dict[str, tuple[str, ...]] = {
    "height": ("height", "height_after", "stick_height", "top_height", "found"),
    "height_error": ("height_error", "error"),
    "cleared_from": ("cleared_from", "from"),
    "cleared_to": ("cleared_to", "to"),
}
COLUMNS = (
    "plan_sha256", "lot_id", "crown_id", "year", "is_done", "height_ft", "height_error_ft",
    "cleared_from_ft", "cleared_to_ft", "reader", "date", "note",
)  # fmt: skip
#: Over this a height above the substrate is no mangrove's. Common practice, no source.
TALLEST_FT = 120.0
_YES = {"true", "yes", "y", "1", "1.0", "x", "done", "cut", "\N{CHECK MARK}"}
_NO = {"false", "no", "n", "0", "0.0", "not done", "not cut"}


def read_cut_readings(
    path: str | os.PathLike[str],
    *,
    height_unit: str | None = None,
    height_rmse_ft: float | None = None,
    subject: str = "--readings",
    is_each_day: bool = False,
) -> tuple[Any, tuple[Note, ...]]:
    """Readings of trees after a cut, one row for each tree and year of the plan.

    Parameters
    ----------
    path : path-like
        CSV as the crew page exports it, or any table with ``crown_id`` and ``height_ft``. Columns
        may stand in any order and case; an empty cell was not read. Heights may be written in feet
        and inches (12' 6").
    height_unit : str, optional
        ``ft``, ``us-ft`` or ``m``, for columns whose name tells none.
    height_rmse_ft : float, optional
        Standard error of readings whose row states none. [ft]
    is_each_day : bool
        Keep a row for each day too, as a ledger does.

    Returns
    -------
    table : DataFrame
        ``COLUMNS``; text None where empty, lengths NaN, ``is_done`` True, False or None, ``year`` 0
        where empty. The index is the line of the file.
    notes : tuple of Note

    Raises
    ------
    GeotrimError
        If the file cannot be read, a column is missing or has no unit, or a cell holds what it
        cannot; the line is named.

    Notes
    -----
    Of several rows of one tree and year the one of the latest day that holds a reading counts, and
    that is told. Where days do not tell them apart it is an error, unless they say the same.
    """
    _check_said(height_unit, height_rmse_ft, subject)
    found = local_path(Path(path), subject)
    if found.suffix.lower() not in TEXT_SUFFIXES:
        raise LayerError(subject, found.name, "a table as text (CSV)", "save it as CSV")
    raw, notes = read_text_table(found, subject=subject)
    columns = _columns(raw, subject)
    rows = row_names(raw)
    table = pd.DataFrame(index=raw.index)
    for name in TEXTS:
        cells = [None] * len(raw) if name not in columns else raw[columns[name]]
        table[name] = pd.Series([text_id(c) for c in cells], index=raw.index, dtype=object)
    _check_ids(table, rows, subject)
    names = [f"tree {tree} ({row})" for tree, row in zip(table["crown_id"], rows, strict=True)]
    for name in HEIGHTS:
        table[f"{name}_ft"] = _lengths(raw, columns.get(name), height_unit, subject, names)
    if height_rmse_ft is not None:
        table["height_error_ft"] = table["height_error_ft"].fillna(height_rmse_ft)
    table["is_done"] = pd.Series(_flags(table, names, subject), index=raw.index, dtype=object)
    table["date"] = pd.Series(_days(table, names, subject), index=raw.index, dtype=object)
    table["year"] = _years(table, names, subject)
    _check_heights(table, names, subject)
    used = set(columns.values())
    rest = [str(c) for c in raw.columns if c not in used]
    told = [Note(subject, f"columns not used: {listed(rest, 12)}", "info")] if rest else []
    by = ["crown_id", "year", "date"] if is_each_day else ["crown_id", "year"]
    latest, more = _latest(table[list(COLUMNS)], by, subject)
    return latest, (*notes, *told, *more)


def fitting(
    table: Any, crowns: Any, *, plan_sha256: str, year: int, lots: Sequence[str], subject: str
) -> tuple[Any, tuple[Note, ...]]:
    """The readings that belong to one year of a plan; the others are told, or refused.

    Parameters
    ----------
    table : DataFrame
        As :func:`read_cut_readings` gives it.
    crowns : DataFrame
        ``crown_id`` and ``lot_id`` of every tree of the plan.
    plan_sha256 : str
        Of the plan.
    year : int
    lots : sequence of str
        The lots that are looked at.

    Raises
    ------
    LayerError
        If a row is of another plan or names a tree or a lot that is not there, or none is left.

    Notes
    -----
    Readings that name another plan are refused even if its trees bear the same numbers: heights
    before the cut, and what was to be cut, are that plan's.
    """
    owner = check_belongs(table, crowns, plan_sha256=plan_sha256, subject=subject)
    is_other = (table["year"] != 0) & (table["year"] != year)
    has_lots = any(lot is not None for lot in owner.values())
    is_off = np.array([has_lots and owner[tree] not in lots for tree in table["crown_id"]], bool)
    is_on_none = np.array([owner[tree] is None for tree in table["crown_id"]], bool)
    notes = []
    for which, words in (
        (is_other, f"of another year than {year}"),
        (is_off & ~is_on_none, "on other lots"),
        (is_off & is_on_none, "of trees that the plan has on no lot"),
    ):
        if which.any():
            text = f"{counted(int(which.sum()), 'reading')} {words}, not looked at"
            notes.append(Note(subject, text, "info"))
    mine = table[~(is_other.to_numpy() | is_off)]
    if not len(mine):
        years = sorted({int(y) for y in table["year"] if y})
        found = f"no reading of year {year} on these lots"
        found += f" (years in it: {listed(years)})" if years else ""
        raise LayerError(subject, found, "one or more", "check --year and --lot")
    mine, told = _latest(mine, ["crown_id"], subject)
    return mine, (*notes, *told)


def check_belongs(
    table: Any, crowns: Any, *, plan_sha256: str, subject: str
) -> dict[str, str | None]:
    """Refuse readings of another plan, of trees it does not know, or on another lot.

    Parameters as for :func:`fitting`.

    Returns
    -------
    dict
        Crown id -> the lot that the plan has it on, None for none.

    Raises
    ------
    LayerError
        If a row does not belong to the plan.
    """
    _check_plan(table, plan_sha256, subject)
    ids, owner = crowns["crown_id"].astype(str), _owners(crowns)
    lost = [tree for tree in table["crown_id"] if tree not in set(ids)]
    if lost:
        raise LayerError(
            subject,
            f"{counted(len(lost), 'tree')} that the plan does not know ({listed(lost)})",
            f"trees of the plan, such as {listed(ids, 3)}",
            "correct the number, or take the row out",
        )
    known = {lot for lot in owner.values() if lot is not None}
    for tree, lot in zip(table["crown_id"], table["lot_id"], strict=True):
        own = owner[tree]
        if lot is not None and known and lot not in (known if own is None else {own}):
            raise LayerError(
                subject,
                f"tree {tree} on lot {lot!r}",
                f"lot {listed(map(repr, sorted(known if own is None else {own})))}, as in the plan",
                "correct lot_id, or leave it empty",
            )
    return owner


def of_earlier_years(table: Any, year: int) -> Any:
    """Heights read after the years before one: of each tree the row of the last such year.

    A row whose year is not told is none of them.
    """
    mine = table[(table["year"] > 0) & (table["year"] < year) & table["height_ft"].notna()]
    last = mine.groupby("crown_id")["year"].transform("max") if len(mine) else mine["year"]
    return mine[mine["year"] == last]


def _check_plan(table: Any, plan_sha256: str, subject: str) -> None:
    """Refuse rows of another plan; a short form of eight letters or more is enough."""
    for tree, name in zip(table["crown_id"], table["plan_sha256"], strict=True):
        plain = None if name is None else name.lower()
        if plain is None or (len(plain) >= 8 and plan_sha256.startswith(plain)):
            continue
        raise LayerError(
            subject,
            f"a reading of tree {tree} for plan {name[:8]}",
            f"readings for this plan, {plan_sha256[:8]}",
            "name the package the crew list was made of; to hold them against this one all the "
            "same, empty plan_sha256",
        )


def _owners(crowns: Any) -> dict[str, str | None]:
    lots = crowns["lot_id"] if "lot_id" in crowns.columns else [None] * len(crowns)
    pairs = zip(crowns["crown_id"].astype(str), lots, strict=True)
    return {tree: text_id(lot) for tree, lot in pairs}


def _check_said(unit: str | None, error_ft: float | None, subject: str) -> None:
    if unit is not None and unit not in VERTICAL_UNITS_M:
        raise UnitError(f"{subject} height_unit", repr(unit), "ft, us-ft or m", "say one of them")
    if error_ft is not None and not (np.isfinite(error_ft) and error_ft >= 0):
        raise RangeError(
            f"{subject} height_rmse_ft", f"{error_ft}", "a number of 0 or more", "give it in feet"
        )


def _columns(raw: Any, subject: str) -> dict[str, str]:
    """Which column holds what."""
    found: dict[str, str] = {}
    for field, usual in (*TEXTS.items(), *HEIGHTS.items()):
        bare = field in HEIGHTS
        name_of = {c: split_unit(c)[0] if bare else plain_name(c) for c in map(str, raw.columns)}
        for want in usual:
            fits = [column for column, name in name_of.items() if name == want]
            if len(fits) > 1:
                need, mend = "one of them", "rename or take out the other"
                raise LayerError(subject, f"columns {listed(map(repr, fits))}", need, mend)
            if fits:
                found[field] = fits[0]
                break
    for field, name in (("crown_id", "crown_id"), ("height", "height_ft")):
        if field not in found and not (field == "height" and {"cleared_to", "is_done"} & {*found}):
            raise LayerError(
                subject,
                f"no column {name} among {listed(raw.columns, 12)}",
                "the number of each tree and the height read, in crown_id and height_ft",
                f"name the column {name}",
            )
    return found


def _check_ids(table: Any, rows: Sequence[str], subject: str) -> None:
    lost = [row for tree, row in zip(table["crown_id"], rows, strict=True) if tree is None]
    if lost:
        found = f"{counted(len(lost), 'reading')} without a tree ({listed(lost)})"
        raise LayerError(subject, found, "a tree for each", "complete crown_id")


def _lengths(
    raw: Any, column: str | None, unit: str | None, subject: str, names: Sequence[str]
) -> Any:
    if column is None:
        return np.full(len(raw), np.nan)
    return heights_of(list(raw[column]), column, unit, f"{subject}, column {column!r}", names)


def _flags(table: Any, names: Sequence[str], subject: str) -> list[bool | None]:
    out: list[bool | None] = []
    for cell, name in zip(table["is_done"], names, strict=True):
        plain = None if cell is None else cell.casefold()
        if plain is not None and plain not in _YES | _NO:
            need = "yes, no, or nothing"
            raise LayerError(f"{subject}, is_done", f"{cell!r} in {name}", need, "say yes or no")
        out.append(None if plain is None else plain in _YES)
    return out


def _days(table: Any, names: Sequence[str], subject: str) -> list[str | None]:
    """Days as ISO text; a time of day is cut off."""
    out: list[str | None] = []
    for cell, name in zip(table["date"], names, strict=True):
        if cell is None:
            out.append(None)
            continue
        day = re.split(r"[T ]", cell, maxsplit=1)[0]
        try:
            is_plain = re.fullmatch(r"\d{4}-\d{2}-\d{2}", day) is not None
            out.append(datetime.date.fromisoformat(day if is_plain else "").isoformat())
        except ValueError:
            need = "a day as 2027-01-11 (year, month, day)"
            found = f"{cell!r} in {name}"
            raise LayerError(f"{subject}, date", found, need, "write it so") from None
    return out


def _years(table: Any, names: Sequence[str], subject: str) -> Any:
    where = f"{subject}, year"
    mark = decimal_mark(table["year"], where)
    years = numbers_of(list(table["year"]), mark, where, names)
    bad = np.isfinite(years) & ((years < 1) | (years % 1 != 0))
    if bad.any():
        k = int(np.flatnonzero(bad)[0])
        need = "a whole number from 1 up"
        raise RangeError(where, f"{years[k]:g} in {names[k]}", need, "correct it")
    return np.nan_to_num(years).astype(np.int64)


def _check_heights(table: Any, names: Sequence[str], subject: str) -> None:
    """Heights that no tree has, bands that end under their beginning, half of a band."""
    for name in ("height_ft", "cleared_from_ft", "cleared_to_ft", "height_error_ft"):
        value = table[name].to_numpy()
        bad = (value < 0) | (value > TALLEST_FT)
        if bad.any():
            k = int(np.flatnonzero(bad)[0])
            raise RangeError(
                f"{subject}, {name}",
                f"{value[k]:g} ft in {names[k]}",
                f"0 to {TALLEST_FT:g} ft above the substrate",
                "correct it, check the unit, or leave the cell empty",
            )
    low, high = (table[name].to_numpy() for name in ("cleared_from_ft", "cleared_to_ft"))
    half, turned = np.isnan(low) != np.isnan(high), low >= high
    if (half | turned).any():
        k = int(np.flatnonzero(half | turned)[0])
        found = "one side of a band alone" if half[k] else f"a band from {low[k]:g} to {high[k]:g}"
        need = "both sides, the lower one first"
        raise RangeError(f"{subject}, cleared band", f"{found} in {names[k]}", need, "correct it")


def _latest(table: Any, by: list[str], subject: str) -> tuple[Any, list[Note]]:
    """One row for each tree, and whatever else is told apart."""
    is_more = table.duplicated(by, keep=False)
    if not is_more.any():
        return table, []
    keep = ~is_more
    told = []
    for key, rows in table[is_more].groupby(by, dropna=False, sort=False):
        tree = str(key[0])
        line = _one_of(rows, tree, subject)
        keep[line] = True
        told.append(f"{tree} (line {line} of {listed(rows.index)})")
    text = f"trees read more than once, the latest day counts: {listed(told, 12)}"
    return table[keep], [Note(subject, text, "assumed")]


def _one_of(rows: Any, tree: str, subject: str) -> Any:
    """Line of the row that counts, of several of one tree."""
    heights = rows[["height_ft", "cleared_from_ft", "cleared_to_ft"]]
    read = rows[heights.notna().any(axis=1)]
    rows = read if len(read) else rows
    days = rows["date"].fillna("")
    last = rows[days == days.max()]
    same: Mapping[str, Any] = last[["height_ft", "cleared_from_ft", "cleared_to_ft", "is_done"]]
    if len(last) > 1 and len(pd.DataFrame(same).drop_duplicates()) > 1:
        raise LayerError(
            subject,
            f"tree {tree} {len(last)} times on one day, or on none (lines {listed(last.index)})",
            "one reading, or the day of each",
            "take out those that do not count",
        )
    return last.index[-1]
