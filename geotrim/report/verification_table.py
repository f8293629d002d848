"""What was found after a cut as one plain table, and as figures for the record."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any

import numpy as np
import pandas as pd

from geotrim.model import Result
from geotrim.ops.after_state import STATES
from geotrim.ops.after_trees import stays_in_part
from geotrim.report.cut_heights import inches_down, inches_up, stick_words
from geotrim.rules.rule_file import number_words

#: Verdicts that ask for something, the worst first.
OPEN = ("not met", "too close", "unknown")
#: A share that is only known to be no less than under this says nothing.
LEAST = 0.0005
#: Columns of the trees' table that are told in the CSV, in order.
TREES = (
    "lot_id", "crown_id", "species", "is_mangrove", "station_ft", "is_in_window", "treatment",
    "state", "state_words", "before_ft", "before_error_ft", "planned_height_ft", "planned_cut_ft",
    "planned_from_ft", "planned_to_ft", "mark_low_ft", "mark_high_ft", "planned_removed_frac",
    "found_by", "found_ft",
    "found_error_ft", "cleared_from_ft", "cleared_to_ft", "removed_frac", "removed_error_frac",
    "removed_least_frac", "removed_by", "is_done", "is_cut", "is_to_do", "cut_on", "later_year",
    "next_from", "reader", "note",
)  # fmt: skip


def every(results: Mapping[str, Result], name: str) -> Any:
    """A table of all lots in one."""
    parts = [result[name] for result in results.values()]
    full = [part for part in parts if len(part)]
    return pd.concat(full, ignore_index=True) if full else parts[0]


def verification_table(results: Mapping[str, Result]) -> Any:
    """One row a tree, with the limits that are not met, too close to call or unknown in words."""
    trees = every(results, "after_trees")
    table = trees[list(TREES)].astype(object)
    table = table.where(table.notna(), None)
    table["still_to_do"] = [to_do_words(tree) for tree in trees.to_dict("records")]
    findings = every(results, "after_findings")
    met = findings[findings["verdict"] == "met"]
    for word in (*OPEN, "met"):
        mine = findings[findings["verdict"] == word] if word != "met" else met
        told = verdicts_by_tree(mine, (word,))
        name = "limits_" + word.replace(" ", "_")
        table[name] = [told.get(str(tree), "") for tree in table["crown_id"]]
    return table


def verdicts_by_tree(findings: Any, words: Iterable[str] = OPEN) -> dict[str, str]:
    """Tree -> its findings of some verdicts, in words."""
    out: dict[str, list[str]] = {}
    for row in findings.to_dict("records"):
        if row["verdict"] in words:
            out.setdefault(str(row["crown_id"]), []).append(finding_words(row))
    return {tree: "; ".join(told) for tree, told in out.items()}


def whose(finding: Mapping[str, Any]) -> str:
    """The tree that a finding is about, or the lot.

    Examples
    --------
    >>> whose({"crown_id": "SB-07"}), whose({"crown_id": None})
    ('SB-07', 'the lot')
    """
    name = finding["crown_id"]
    return "the lot" if pd.isna(name) else str(name)


def finding_words(row: Mapping[str, Any]) -> str:
    """One finding: the value, its error, the limit, the verdict and the section.

    Examples
    --------
    >>> finding_words({"measure": "height after trimming", "value": 5.9, "standard_error": 0.1,
    ...     "unit": "ft", "limit": "at least 6 ft", "verdict": "too close",
    ...     "section": "s. 403.9326(1)(a)2 F.S.", "is_at_least": False})
    'height after trimming 5.90 ft (error 0.10), at least 6 ft: too close (s. 403.9326(1)(a)2 F.S.)'
    """
    value = value_words(row)
    return f"{row['measure']} {value}, {row['limit']}: {row['verdict']} ({row['section']})"


def note_words(tree: Mapping[str, Any]) -> str:
    """The note of a tree as it was written, "" for none: a reading not understood stands there.

    Examples
    --------
    >>> note_words({"note": "12 1/2"}), note_words({"note": None})
    ('note: "12 1/2"', '')
    """
    note = tree["note"]
    return "" if note is None or pd.isna(note) or not str(note) else f'note: "{note}"'


def count_words(findings: Any) -> dict[str, str]:
    """Verdict -> how many findings have it; of those too close, how many are so by the plan."""
    out = {}
    for word in ("met", *OPEN):
        mine = findings[findings["verdict"] == word]
        if len(mine):
            n_plan = int(mine["is_by_plan"].sum())
            why = f" ({n_plan} since the plan goes to the limit)" if n_plan else ""
            out[word] = f"{len(mine)} {word}{why}"
    return out


def limit_reasons(findings: Any) -> list[str]:
    """Why what was cut exactly as planned may be too close, a sentence; none where none is."""
    mine = findings[findings["is_by_plan"].astype(bool)]
    if not len(mine):
        return []
    which = []
    if (mine["unit"] == "frac").any():
        which.append("takes the whole share that a limit allows (share_margin_frac leaves room)")
    if (mine["unit"] == "ft").any():
        which.append("leaves a height at its limit (floor_margin_ft leaves room)")
    return [
        f"{len(mine)} too close by the plan itself: it {' or '.join(which)}, so that however well "
        "it is cut, a reading with an error cannot show the limit kept."
    ]


def value_words(row: Mapping[str, Any]) -> str:
    """A value with its standard error.

    Examples
    --------
    >>> row = {"value": 0.25012, "standard_error": 0.013, "unit": "frac", "is_at_least": True}
    >>> value_words(row), value_words({**row, "value": float("nan")})
    ('no less than 25.01 % (error 1.30)', 'not known')
    >>> value_words({**row, "value": -4.6, "standard_error": 0.2, "unit": "ft",
    ...     "is_at_least": False})
    'none, 4.60 ft under it (error 0.20)'
    """
    value, error = row["value"], row["standard_error"]
    if np.isnan(value) or (row["is_at_least"] and value < LEAST):
        return "not known"
    scale = 100.0 if row["unit"] == "frac" else 1.0
    unit = number_words(1.0, row["unit"]).partition(" ")[2]
    told = "no less than " if row["is_at_least"] else ""
    more = "" if np.isnan(error) else f" (error {scale * error:.2f})"
    if row["unit"] == "days":
        return f"{abs(value):.0f} days{' too early' if value < 0.0 else ''}"
    if row["unit"] == "ft" and value < 0.0:  # nothing is left over it
        return f"none, {-value:.2f} ft under it{more}"
    return f"{told}{scale * value:.2f} {unit}{more}"


def to_do_words(tree: Mapping[str, Any]) -> str:
    """What of this year's cut is still to be done, "" if nothing is."""
    if not tree["is_to_do"]:
        return ""
    how = "" if tree["state"] == "not done" else "the rest: "
    low, high = tree["rest_low_ft"], tree["rest_high_ft"]
    first = ""
    if not tree["is_before_known"]:
        first = "; read its height first: what stands is not known, nor what share this takes"
    if inches_down(min(high, tree["found_ft"] if np.isinf(high) else high)) <= inches_up(low):
        return "nothing more this year: it would take more than the share of a year"
    if tree["treatment"] == "lower-top":
        return f"{how}lower {_part(tree)} to {stick_words(low)}{first}"
    return f"{how}clear {stick_words(low, high)}{first}"


def _part(tree: Mapping[str, Any]) -> str:
    return "the part within the zone" if stays_in_part(tree) else "the top"


def planned_words(tree: Mapping[str, Any]) -> str:
    """What the year's plan has for a tree: the crew's own marks, where it has any.

    Examples
    --------
    >>> tree = {"treatment": "lower-top", "planned_cut_ft": 17.34, "planned_height_ft": 17.34,
    ...     "mark_low_ft": 209 / 12, "mark_high_ft": float("nan")}
    >>> planned_words(tree), planned_words({**tree, "mark_low_ft": float("nan")})
    ('top to 17 ft 5 in (17.42 ft)', 'top to 17.3 ft')
    """
    low, high = tree["mark_low_ft"], tree["mark_high_ft"]
    if tree["treatment"] == "lower-top":
        part = (
            "" if _part(tree) == "the top" else f", a part stays to {tree['planned_height_ft']:.1f}"
        )
        told = f"{tree['planned_cut_ft']:.1f} ft" if np.isnan(low) else stick_words(low)
        return f"top to {told}{part}"
    if tree["treatment"] == "clear-band":
        if not np.isnan(high):
            return f"clear {stick_words(low, high)}"
        return f"clear {tree['planned_from_ft']:.1f} to {tree['planned_to_ft']:.1f} ft"
    return "leave"


def found_words(tree: Mapping[str, Any]) -> str:
    """What was found of a tree's heights, "" where nothing was."""
    parts = []
    if np.isfinite(tree["found_ft"]):
        error = tree["found_error_ft"]
        more = "" if np.isnan(error) else f" (error {error:.2f})"
        parts.append(f"top {tree['found_ft']:.1f} ft{more} by {tree['found_by']}")
    if np.isfinite(tree["cleared_to_ft"]):
        parts.append(f"cleared {tree['cleared_from_ft']:.1f} to {tree['cleared_to_ft']:.1f} ft")
    return "; ".join(parts)


def removed_words(tree: Mapping[str, Any]) -> str:
    """Foliage taken of what stood, with its error."""
    value, error, least = (
        tree[name] for name in ("removed_frac", "removed_error_frac", "removed_least_frac")
    )
    if np.isfinite(value):
        return f"{100 * value:.1f} % (error {100 * error:.1f})"
    return f"no less than {100 * least:.1f} %" if least >= LEAST else "not known"


def figures_of(results: Mapping[str, Result]) -> dict[str, Any]:
    """What was found in numbers, lot by lot, for the record."""
    out: dict[str, Any] = {}
    for lot_id, result in results.items():
        trees, findings = result["after_trees"], result["after_findings"]
        row, lot = result["after_consequence"].iloc[0], result["after_lots"].iloc[0]
        due = row["is_triggered"]
        out[lot_id] = {
            "n_trees_by_state": {
                state: n for state in STATES if (n := int((trees["state"] == state).sum()))
            },
            "n_findings_by_verdict": {
                word: int((findings["verdict"] == word).sum()) for word in ("met", *OPEN)
            },
            "is_trigger_reached": None if pd.isna(due) else bool(due),
            "fewest_cut_low": row["fewest"],
            "most_cut_low": row["most"],
            "lost_area_ft2": float(row["lost_area_ft2"]),
            "next_from": lot["next_from"],
            "way": lot["way"],
        }
    return out
