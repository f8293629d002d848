"""The window and the view in the summary of a run: a few lines a lot, a line an eye."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np

from geotrim.ops.window_trees import AND
from geotrim.report import facts
from geotrim.report.cut_heights import cleared_up_to, top_to
from geotrim.report.fold import fold
from geotrim.report.furniture import counted, percent
from geotrim.report.statement_parts import listed, some
from geotrim.report.window_facts import amount, row_of, rows_of, span_name, stations, text_of

#: Lots told one by one, eyes told, trees named, limits named.
MOST_LOTS, MOST_EYES, MOST_NAMED, MOST_LIMITS = 4, 8, 8, 4
#: A limit that costs less of the view than this, as a share, is not told as one that binds.
LEAST_COST = 0.0005
#: Words of a limit longer than this are cut at a comma or a colon.
MOST_LETTERS = 95


def window_lines(results: facts.Results, ids: list[str]) -> list[str]:
    """The part "Window" of the summary, none where no window was looked for.

    Parameters
    ----------
    results : mapping
        Operation name -> Result.
    ids : list of str
        Lots that are told.
    """
    have = [lot for lot in ids if row_of(results, "window", "window_lots", lot) is not None]
    if not have:
        return []
    lines = ["", "Window (a plan within the limits it names, no permission)"]
    for lot in have[:MOST_LOTS]:
        told = _lot(results, lot)
        if len(ids) > 1:
            told[0] = f"lot {lot}: {told[0]}"
        for k, one in enumerate(told):
            lines += fold(one, "  ", "    ") if k == 0 or len(ids) == 1 else fold(one, "    ")
    if len(have) > MOST_LOTS:
        rest = [row_of(results, "window", "window_lots", lot) for lot in have[MOST_LOTS:]]
        n = sum(row is not None and row["n_spans"] > 0 for row in rest)
        lines += fold(f"and {counted(len(rest), 'lot')} more, {n} with a window, see lots.csv")
    return lines


def view_lines(results: facts.Results, ids: list[str]) -> list[str]:
    """The part "View" of the summary: what each eye sees, none where no eye was measured."""
    eyes = [eye for lot in ids for eye in rows_of(results, "sightlines", "sight_eyes", lot)]
    if not eyes:
        return []
    lines = ["", "View of the water, as a share of what lies before the horizon"]
    for eye in eyes[:MOST_EYES]:
        lines += fold(_eye(eye), "  ", "    ")
    if len(eyes) > MOST_EYES:
        lines.append(f"  and {counted(len(eyes) - MOST_EYES, 'eye')} more, see results.gpkg")
    return lines


def _lot(results: facts.Results, lot: str) -> list[str]:
    """Where, what it opens, what it costs, what holds it back, what to read first."""
    row = row_of(results, "window", "window_lots", lot) or {}
    spans = rows_of(results, "window", "window_spans", lot)
    if not spans:
        told = [f"no window: {text_of(row['reason']) or 'none is within the limits'}"]
        return told + _target(row) + _limits(results, row, lot)
    where = listed(f"{span_name(s['span_id'])} at {stations(s)} ft" for s in spans)
    lead = "your own window, judged: " if row["status"] == "own window" else ""
    lines = [f"{lead}{where}, {row['window_length_ft']:.1f} ft in all"]
    lines.append(_view(row))
    lines.append(_cost(results, row, lot))
    lines += _unreached(results, lot)
    lines += _target(row)
    lines += _limits(results, row, lot)
    first = [r for r in rows_of(results, "risks", "risk_trees", lot) if r["is_stick_first"]]
    names = dict.fromkeys(str(r["crown_id"]) for r in first)
    if names:
        lines.append(f"read by stick before anything is cut: {some(names, MOST_NAMED)}")
    return lines


def _view(row: dict[str, Any]) -> str:
    """The view before and after, and how sure it is the best."""
    of = f"from {counted(int(row['n_eyes']), 'eye')}"
    of = of if row["view_of"] == "eyes" else "by stations, square to the shore"
    now, after = row["view_before_frac"], row["view_after_frac"]
    told = f"view {of}: {percent(now)} open now, {percent(after)} after"
    if row["status"] == "own window":
        return told
    if row["is_optimal"]:
        return f"{told}; proven: no choice of these treatments within these limits opens more"
    if np.isfinite(row["view_bound_frac"]):
        most = f"at least {percent(after)}, at most {percent(row['view_bound_frac'])}"
        return f"{told}; not proven the best choice of these treatments: that opens {most}"
    return f"{told}; not proven the best choice of these treatments"


def _cost(results: facts.Results, row: dict[str, Any], lot: str) -> str:
    """Foliage, trees and years."""
    told = f"takes {row['foliage_removed_ft3']:,.0f} cu ft"
    if np.isfinite(row["foliage_removed_frac"]):
        told += f", {percent(row['foliage_removed_frac'])} of the lot's mangrove foliage"
    told += f", from {counted(int(row['n_cut_trees']), 'tree')}"
    stage = row_of(results, "stages", "stage_lots", lot)
    if stage is None or stage["plan"] != "window" or not stage["n_years"] > 0:
        return told
    told += f", over {counted(int(stage['n_years']), 'year')}"
    n = int(stage["n_unreachable_trees"])
    return told if not n else f"{told}; {counted(n, 'tree')} cannot be cut as far as planned"


def _unreached(results: facts.Results, lot: str) -> list[str]:
    """What is reached of the trees that cannot be cut as far as planned."""
    stage = row_of(results, "stages", "stage_lots", lot)
    if stage is None or stage["plan"] != "window":
        return []
    rows = rows_of(results, "stages", "stage_trees", lot)
    told = [_reached(row) for row in rows if not row["is_reachable"]]
    if len(told) > MOST_NAMED:
        told[MOST_NAMED:] = [f"and {len(told) - MOST_NAMED} more, see results.gpkg"]
    return [f"reached of these: {'; '.join(told)}"] if told else []


def _reached(row: dict[str, Any]) -> str:
    """How far one tree's cut comes within the years."""
    name, at = row["crown_id"], row.get("reached_ft", float("nan"))
    if not np.isfinite(at) or not row["n_years"] > 0:
        return f"{name} nothing"
    years = counted(int(row["n_years"]), "year")
    if row["treatment"] == "clear-band":
        return f"{name} cleared up to {cleared_up_to(at):.1f} ft in {years}"
    return f"{name} a top of {top_to(at):.1f} ft in {years}"


def _target(row: dict[str, Any]) -> list[str]:
    """What became of the view that is wanted."""
    if not np.isfinite(row["target_view_frac"]):
        return []
    words = text_of(row["target_words"])
    if not words:
        is_met = "is reached" if row["is_target_met"] else "is not reached"
        words = f"the view wanted, {percent(row['target_view_frac'])}, {is_met}"
    return [words]


def _limits(results: facts.Results, lot_row: dict[str, Any], lot: str) -> list[str]:
    """Limits that are broken, and those that bind: without them there would be more view."""
    rows = rows_of(results, "window", "window_limits", lot)
    words = {str(row["limit"]): text_of(row["words"]) for row in rows}
    lines = []
    for standing, lead in (("broken", "limits broken"), ("binds", "what binds")):
        mine = [row for row in rows if row["standing"] == standing]
        if standing == "binds":
            mine = [row for row in mine if not _is_free(row, lot_row)]
        mine = sorted(mine, key=lambda row: -np.nan_to_num(row["view_without_frac"]))
        told = [_limit(row, words) for row in mine[:MOST_LIMITS]]
        if len(mine) > MOST_LIMITS:
            told.append(f"and {len(mine) - MOST_LIMITS} more")
        if told:
            lines.append(f"{lead}: {'; '.join(told)}")
        elif standing == "binds" and lot_row["status"] == "planned":
            lines.append(f"{lead}: no single limit costs {100 * LEAST_COST:g} points of view")
    return lines


def _is_free(row: dict[str, Any], lot: dict[str, Any]) -> bool:
    """Whether a limit costs too little of the view to be told; one of unknown cost is told."""
    return bool(row["view_without_frac"] - lot["view_after_frac"] < LEAST_COST)


def _limit(row: dict[str, Any], words_of: Mapping[str, str]) -> str:
    """One limit with its figure, if it has one; limits that only bind together each by its words.

    ``words_of`` are the words of every limit of the lot.
    """
    parts = str(row["limit"]).split(AND)
    if len(parts) > 1 and all(part in words_of for part in parts):
        words = "together, " + " and ".join(short_words(words_of[p] or p) for p in parts)
    else:
        words = short_words(text_of(row["words"]) or str(row["limit"]))
    allowed, without = row["allowed"], row["view_without_frac"]
    has_figure = allowed > 0 or row["value"] > 0 or text_of(row["unit"])
    if np.isfinite(allowed) and has_figure and not any(sign.isdigit() for sign in words):
        words += f": {amount(allowed, text_of(row['unit']))}"
    return f"{words} (view {percent(without)} without)" if np.isfinite(without) else words


def short_words(words: str) -> str:
    """A limit in a few words: what follows a comma or a colon is left out where it gets long.

    Examples
    --------
    >>> short_words("After trimming no mangrove is under 6 ft tall, from the substrate.")
    'after trimming no mangrove is under 6 ft tall, from the substrate'
    """
    plain = " ".join(words.split()).rstrip(".")
    for sign in (". ", "; ", ": ", ", "):
        if len(plain) > MOST_LETTERS and sign in plain:
            plain = plain[: plain.index(sign)]
    first = plain.split(" ", 1)[0]
    is_name = len(first) > 1 and first != first.capitalize()
    return plain if is_name or not plain else plain[0].lower() + plain[1:]


def _eye(eye: dict[str, Any]) -> str:
    """One eye in a line."""
    head = f"{eye['eye_id']}: "
    shares = (("now", "view_now_frac"), ("other plants removed", "view_others_removed_frac"),
              ("after the window", "view_after_frac"))  # fmt: skip
    told = [f"{percent(eye[name])} {words}" for words, name in shares if np.isfinite(eye[name])]
    if not told:
        return head + (text_of(eye.get("reason")) or "no view of the shore")
    horizon = _horizon(eye)
    return head + ", ".join(told) + (f"; {horizon}" if horizon else "")


def _horizon(eye: dict[str, Any]) -> str:
    """Over how much of the fan the horizon is seen, where that was measured."""
    times = (("now", "horizon_now_frac"), ("after", "horizon_after_frac"))
    told = [(eye.get(name, float("nan")), when) for when, name in times]
    shares = [f"{percent(share)}{' of the fan' * (k == 0)} {when}"
              for k, (share, when) in enumerate(told) if np.isfinite(share)]  # fmt: skip
    return f"horizon over {', '.join(shares)}" if shares else ""
