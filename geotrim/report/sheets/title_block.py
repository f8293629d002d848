"""The title block of a plan set: who, when, from what, and what it is not."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

from geotrim.io.package_read import Package
from geotrim.report.sheets.choices import Choices
from geotrim.report.sheets.sheet import TitleBlock
from geotrim.report.statement_figures import day
from geotrim.report.statement_parts import clean

#: Digits of a SHA-256 that name a file on paper; a reader compares, nobody computes with them.
SHORT = 8
#: Digits of the plan's own id.
PLAN_ID = 12
#: Letters of the name of a changed file in the foot line: the caution must stand beside it, so a
#: longer name, or several, are told on the first sheet alone.
LONGEST_NAME = 14
#: Said on every sheet.
CAUTION = (
    "Screening, not a survey and not legal advice. The department or the delegated local "
    "government decides. Confirm every species in the field; look for nests; keep clear of "
    "conductors."
)
#: Input -> what it is called on paper.
ROLES = {
    "lots": "lots",
    "mhw_line": "MHW line",
    "crowns": "crowns",
    "trunks": "trunks",
    "heights": "heights",
    "ground": "ground",
    "readings": "stick readings",
    "rules": "local rules",
    "set_aside": "land set aside",
}


def plan_id(package: Package) -> str:
    """The short id by which papers, crew lists and ledgers name a plan."""
    return package.sha256[:PLAN_ID]


def lot_name(lot_id: str, word: str = "lot") -> str:
    """A lot as words name it, without the word twice.

    Examples
    --------
    >>> lot_name("SB-07"), lot_name("Lot 7/B"), lot_name("Lotus 3", "LOT")
    ('lot SB-07', 'Lot 7/B', 'LOT Lotus 3')
    """
    name = clean(lot_id)
    is_said = name[:3].lower() == "lot" and not name[3:4].isalpha()
    return name if is_said else f"{word} {name}"


def title_block(package: Package, lot_id: str, choices: Choices) -> TitleBlock:
    """What stands at the foot of every sheet of one lot.

    Parameters
    ----------
    package : Package
    lot_id : str
    choices : Choices
    """
    crs = package.record["crs"]
    code = f" ({crs['code']})" if crs.get("code") else ""
    cells = {
        "PROJECT": f"{clean(package.site_name)}\n{lot_name(lot_id, 'Lot')}",
        "PREPARED BY, CREDENTIAL": clean(choices.prepared_by),
        "PREPARED FOR": clean(choices.prepared_for),
        "DATE, PLAN": "\n".join(filter(None, [day(choices.date), f"Plan {plan_id(package)}"])),
        "DATA (FIRST DIGITS OF SHA-256)": "; ".join(origins(package)),
        "COORDINATES, LENGTHS": f"{clean(crs['name'])}{code}, grid lengths in feet",
    }
    return TitleBlock(clean(package.site_name), cells, f"{_changed(package)}{CAUTION}")


def origins(package: Package) -> Iterator[str]:
    """Where the data come from, a few words for each file, heights with their error."""
    shore = shore_words(package)
    by_file: dict[tuple[str, str], list[str]] = {}
    errors: dict[str, str] = {}
    for item in package.record["inputs"]:
        role = ROLES.get(item["role"], str(item["role"]).replace("_", " "))
        role = shore if item["role"] == "mhw_line" else role
        by_file.setdefault((clean(item["path"]), str(item["sha256"] or "")), []).append(role)
        if item["role"] == "heights":
            errors[role] = _error(item.get("detail") or {})
    for (path, sha256), roles in by_file.items():
        told = ", ".join(f"{role}{errors.get(role, '')}" for role in dict.fromkeys(roles))
        digits = f" {sha256[:SHORT]}" if sha256 else ""
        yield f"{told}: {path}{digits}"


def shore_words(package: Package) -> str:
    """What the shore line is, by its origin: never called MHW where it is not."""
    label = clean(package.record["site"]["mhw_line"]["label"])
    head, _, tail = label.partition(", ")
    return f"{head} ({tail})" if tail else label


def _error(detail: Mapping[str, Any]) -> str:
    rmse = detail.get("rmse_ft")
    return f" (error {rmse:g} ft)" if rmse is not None else " (error not stated)"


def _changed(package: Package) -> str:
    """That the package is not as it was written, where it is not."""
    if not package.changed:
        return ""
    first, *more = package.changed
    what = "CHANGED" if (package.folder / first).exists() else "DELETED"
    if more or len(clean(first)) > LONGEST_NAME:
        return f"FILE{'S' if more else ''} {what} AFTER THE RUN: see sheet 1. "
    return f"FILE {what} AFTER THE RUN: {clean(first)}. "


def changed_words(package: Package) -> list[str]:
    """Every file of the package that is not as it was written, in full, and what became of it.

    Parameters
    ----------
    package : Package
    """
    return [
        f"{clean(name)} was {'changed' if (package.folder / name).exists() else 'deleted'} after "
        "the run: these sheets may not be what was measured. Run again."
        for name in package.changed
    ]
