"""What a verification leaves in the site's ledger."""

from __future__ import annotations

import datetime
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from geotrim.errors import GeotrimError, SiteFileError
from geotrim.handover.job import Job
from geotrim.handover.ledger import as_correction, check_correction, corrected, struck_too
from geotrim.io import ledger
from geotrim.io.ledger import Kept, Ledger, in_force, superseded
from geotrim.io.ledger_entry import Entry, TreeEntry
from geotrim.io.ledger_open import is_begun
from geotrim.model import Result
from geotrim.ops.after_state import OTHER, STATES
from geotrim.report.history_warnings import warnings_of
from geotrim.report.verification_table import verdicts_by_tree
from geotrim.report.verification_text import state_words


def kept_before(job: Job, lots: Sequence[str]) -> list[Kept]:
    """Entries in force of the ledger that is named, without the one that is put right.

    Raises
    ------
    GeotrimError
        If a ledger is named and nobody who stands for the entry, it is of another site, or what is
        to be put right is no verification of the lot.
    """
    given, corrects = job.one("ledger"), job.params.get("corrects")
    if given is None:
        if corrects is not None:
            raise GeotrimError(
                "--corrects", "no --ledger", "the ledger it is in", "say --ledger FILE"
            )
        return []
    if not str(job.params["who"] or "").strip():
        raise GeotrimError(
            "--ledger", "no --who", "who read the heights, for the entry", "say --who NAME"
        )
    path = Path(given.path).expanduser()
    read = Ledger("", ())
    if is_begun(path):
        read = ledger.read(path)
        ledger.check_holds(path)
    if read.site and read.site != job.package.site_name:
        own = job.package.site_name
        raise SiteFileError(
            f"ledger {path}", f"the site {read.site!r}", f"that of {own!r}", "name its own ledger"
        )
    gone = set()
    if corrects is not None:
        if len(lots) != 1:
            raise GeotrimError(
                "--corrects", f"{len(lots)} lots", "one entry in the place of one", "say --lot"
            )
        first = corrected(read.entries, int(corrects), str(path))
        check_correction(first, "verification", lots[0])
        gone = {superseded(read.entries).get(int(corrects), int(corrects))}
    return [one for one in in_force(read.entries) if one.number not in gone]


def entries_of(job: Job, results: Mapping[str, Result], read_on: str) -> list[Entry]:
    """An entry a lot, with every tree that was planned, read or cut.

    Parameters
    ----------
    read_on : str
        Last day that the readings tell: that of an entry of a lot on which nothing was cut.

    Raises
    ------
    GeotrimError
        If no day is known.
    """
    if job.one("ledger") is None:
        return []
    entries = [_entry(job, lot_id, result, read_on) for lot_id, result in results.items()]
    corrects = job.params.get("corrects")
    return entries if corrects is None else [as_correction(entries[0], int(corrects))]


def _entry(job: Job, lot_id: str, result: Result, read_on: str) -> Entry:
    trees = result["after_trees"]
    days = [day for day in trees["cut_on"] if isinstance(day, str)] or [read_on] * bool(read_on)
    if not days:
        raise GeotrimError(
            "--ledger",
            f"no day of the cut on lot {lot_id}",
            "the day the entry is about",
            "say --cut-date, or give the readings a date",
        )
    year, row = int(job.params["year"]), result["after_consequence"].iloc[0]
    counts = {state: int((trees["state"] == state).sum()) for state in STATES}
    verdicts = result["after_findings"]["verdict"].value_counts()
    details = {
        "states": {state: n for state, n in counts.items() if n},
        "verdicts": {str(word): int(n) for word, n in verdicts.items()},
        "trigger": str(row["words"]),
        "next_from": result["after_lots"]["next_from"].iloc[0],
        "confidence_frac": float(job.params["confidence_frac"]),
    }
    broken = verdicts_by_tree(result["after_findings"])
    return Entry(
        kind="verification",
        day=datetime.date.fromisoformat(max(days)),
        who=str(job.params["who"]),
        lot_id=lot_id,
        trees=tuple(_tree(tree, year, broken) for tree in _worth(trees)),
        plan_sha256=job.package.sha256,
        words=f"year {year}: {state_words(trees)}",
        details=details,
    )


def _worth(trees: Any) -> list[dict[str, Any]]:
    """Trees of which there is something to keep: planned, found, or told by the crew."""
    is_told = (
        (trees["treatment"] != "leave")
        | trees["found_ft"].notna()
        | trees["cleared_to_ft"].notna()
        | pd.Series([done is not None for done in trees["is_done"]], index=trees.index)
    )
    return list(trees[is_told].to_dict("records"))


def _tree(tree: Mapping[str, Any], year: int, broken: Mapping[str, str]) -> TreeEntry:
    low, high = tree["cleared_from_ft"], tree["cleared_to_ft"]
    is_cut = None if pd.isna(tree["is_cut"]) else bool(tree["is_cut"])
    is_counted = tree["state"] != OTHER  # shares of other plants are held against nothing
    if np.isnan(high) and is_cut and tree["treatment"] != "clear-band":
        low, high = tree["found_ft"], np.inf
    words = "; ".join(
        part
        for part in (tree["state"], tree["state_words"], broken.get(tree["crown_id"], ""))
        if part
    )
    return TreeEntry(
        crown_id=str(tree["crown_id"]),
        height_ft=float(tree["found_ft"]),
        height_error_ft=float(tree["found_error_ft"]),
        cut_low_ft=float(low),
        cut_high_ft=float(high),
        removed_frac=float(tree["removed_frac"]) if is_counted else np.nan,
        removed_error_frac=float(tree["removed_error_frac"]) if is_counted else np.nan,
        year=year,
        date=str(tree["cut_on"] or ""),
        species=str(tree["species"] or ""),
        reader=str(tree["reader"] or ""),
        is_done=is_cut,
        words=words,
    )


def enter(job: Job, entries: list[Entry], folder: Path) -> str:
    """Write the entries, once the papers are in place; what a reader should look at comes along."""
    given = job.one("ledger")
    assert given is not None
    path = Path(given.path).expanduser()
    is_new = not is_begun(path)
    known = set() if is_new else _warnings(path)
    kept = () if is_new else ledger.read(path).entries
    numbers = ledger.append(path, entries, site=job.package.site_name)
    out = [f"new ledger: {path}, of the site {job.package.site_name!r}"] if is_new else []
    for number, entry in zip(numbers, entries, strict=True):
        place = "" if entry.corrects is None else f", in the place of {entry.corrects}"
        out.append(f"entered in {given.path}: verification, number {number}{place}")
        out += struck_too(kept, entry.corrects)
    out += [f"warning: {words}" for words in sorted(_warnings(path) - known)]
    return "\n".join(out)


def _warnings(path: Path) -> set[str]:
    return {one.words for one in warnings_of(in_force(ledger.read(path).entries))}
