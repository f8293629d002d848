"""The result of ``window`` in words, for a terminal: what to cut where, and what it opens."""

from __future__ import annotations

from typing import Any

import numpy as np

from geotrim.model import Site
from geotrim.ops.window_menu import top_heights_ft
from geotrim.ops.window_tables import KEEP, MARKED, SHORT
from geotrim.ops.window_trees import AND
from geotrim.report import facts
from geotrim.report.cut_heights import cleared_up_to, top_to
from geotrim.report.fold import bullet, fold
from geotrim.report.statement_parts import count, some

#: Trees told one by one, limits told, trees named that a limit keeps.
MOST_TREES, MOST_LIMITS, MOST_IDS = 40, 8, 6
#: Views closer than this print alike.
SAME_VIEW = 0.0005
TITLES = {
    "planned": "the window",
    "own window": "your window, judged",
    "no window": "no window",
    "not planned": "not planned",
}


def window_text(site: Site, results: facts.Results) -> str:
    """For each lot: where to cut what, the view it opens, what it costs, and which limits bind.

    Parameters
    ----------
    site : Site
    results : mapping
        Operation name -> Result.

    Returns
    -------
    str
        Lines of at most 80 columns.
    """
    blocks = []
    for lot in facts.chosen_lots(site, None):
        rows = facts.table(results, "window", "window_lots", lot)
        if rows is not None:
            blocks.append("\n".join(_lot(results, lot, rows.iloc[0])))
    return "\n\n".join(blocks) if blocks else "No lot was looked at."


def _lot(results: facts.Results, lot: str, row: Any) -> list[str]:
    lines = [f"Lot {lot}: {TITLES[row['status']]}"]
    if isinstance(row["view_of_words"], str) and row["view_of_words"]:
        lines += fold(f"{_capital(row['view_of_words'])}, so the view is counted by stations.")
    if row["status"] == "not planned":
        return [*lines, *fold(f"{row['reason']}.")]
    trees = facts.table(results, "window", "window_trees", lot)
    limits = facts.table(results, "window", "window_limits", lot)
    if row["status"] == "no window":
        lines += fold(f"{_capital(row['reason'])}.")
        if np.isfinite(row["view_before_frac"]):
            lines += fold(f"Open {_of(row)}: {_now_short(row)}.")
    else:
        spans = facts.table(results, "window", "window_spans", lot)
        lines += _plan(results, row, spans, trees)
    lines += _whose(row)
    lines += _broken(limits) if row["status"] == "own window" else []
    lines += _binding(row, limits)
    lines += _target(row)
    if row["status"] != "no window" and trees is not None:
        lines += _cuts(trees)
    lines += _left(row, trees, limits)
    lines += _frontier(results, lot)
    return [*lines, *_assumed(results, row)]


def _plan(results: facts.Results, row: Any, spans: Any, trees: Any) -> list[str]:
    """The window in a sentence or two."""
    low, high = facts.parameter(results, "window", "band_ft", (6.0, 10.0))
    where = "nowhere" if spans is None else _where(spans)
    cut = [] if trees is None else list(trees["treatment"])
    what = []
    if "clear-band" in cut:
        n = count(cut.count("clear-band"), "tree", "trees")
        cleared = trees.loc[trees["treatment"] == "clear-band", "cut_high_ft"]
        part = " or part of it" if (cleared < high - 1e-9).any() else ""
        what.append(f"clear {low:g}-{high:g} ft{part} of {n} under the tops they keep")
    if "lower-top" in cut:
        n = count(cut.count("lower-top"), "tree", "trees")
        what.append(f"lower the tops of {n}")
    done = " and ".join(what) or "nothing is cut"
    text = f"From station {where} ft: {done}."
    sure = "" if row["status"] == "own window" else f" {_sure(row)}"
    text += (
        f" Opens {_view(row['view_after_frac'])} {_of(row)} ({_now_short(row)}); takes "
        f"{row['foliage_removed_ft3']:,.0f} cu ft, {_share(row['foliage_removed_frac'])} of the "
        f"lot's mangrove foliage.{sure}"
    )
    lines = fold(text)
    if row["status"] == "own window":
        best = row["view_best_frac"]
        text = f"The best window within the limits that takes no more opens {_view(best)}."
        return [*lines, *fold(text)]
    text = (
        "The best single span centred on the frontage, no longer than this window and for no more "
        f"foliage, opens {_view(row['view_centred_frac'])}."
    )
    return [*lines, *fold(text)]


def _where(spans: Any) -> str:
    pairs = zip(spans["station_from_ft"], spans["station_to_ft"], strict=True)
    told = [f"{_feet(low)} to {_feet(high)}" for low, high in pairs]
    return told[0] if len(told) == 1 else f"{', '.join(told[:-1])} and {told[-1]}"


def _feet(value: float) -> str:
    """A length in feet, with a tenth where it has one."""
    return f"{value:.1f}".removesuffix(".0")


def _of(row: Any) -> str:
    if row["view_of"] == "eyes":
        eyes = count(int(row["n_eyes"]), "eye", "eyes")
        return f"of the water seen from {eyes}"
    return "of the band, looking square to the shore at each station"


def _now_short(row: Any) -> str:
    told = f"{_view(row['view_before_frac'])} now"
    others = row["view_others_removed_frac"]
    if others - row["view_before_frac"] > SAME_VIEW:
        told += f", {_view(others)} once the other plants are gone"
    return told


def _sure(row: Any) -> str:
    if row["is_optimal"]:
        return "Proven best: no choice of these treatments within these limits opens more."
    return (
        f"Not proven best in the time given: no plan opens more than "
        f"{_view(row['view_bound_frac'])}."
    )


def _whose(row: Any) -> list[str]:
    assumed = " (assumed: nobody said who supervises)" if row["is_way_assumed"] else ""
    text = f"Limits are those of the {row['way_words'].lower()}{assumed} and of good practice"
    if np.isfinite(row["least_height_ft"]):
        text += f"; least height after trimming {_feet(row['least_height_ft'])} ft"
    return fold(f"{text}.")


def _broken(limits: Any) -> list[str]:
    """Limits that a window of the user's own breaks."""
    rows = None if limits is None else limits[limits["standing"] == "broken"]
    if rows is None or not len(rows):
        return ["", *fold("It keeps every limit listed in the table window_limits.")]
    lines = ["", "  Limits it breaks:"]
    for one in rows.itertuples():
        trees = f" ({count(one.n_trees, 'tree', 'trees')})" if one.n_trees else ""
        lines += bullet(f"{one.words}{_figures(one)}{trees} [{one.source}]")
    return lines


def _figures(one: Any) -> str:
    """What was found against what is allowed."""
    if not (np.isfinite(one.value) and np.isfinite(one.allowed)):
        return ""
    return f": {_amount(one.value, one.unit)} against {_amount(one.allowed, one.unit)}"


def _amount(value: float, unit: str) -> str:
    if unit == "frac":
        return _share(value)
    words = {"ft": "ft", "ft2": "sq ft", "ft3": "cu ft"}.get(unit, "")
    number = f"{value:,.0f}" if unit in ("ft2", "ft3") else _feet(value)
    return f"{number} {words}".strip()


def _binding(row: Any, limits: Any) -> list[str]:
    """Limits that cost view, the dearest first."""
    rows = None if limits is None else limits[limits["standing"] == "binds"]
    if rows is None or not len(rows):
        if row["status"] != "planned":
            return []
        return ["", *fold("No single limit costs view: without any one of them it is the same.")]
    rows = rows[rows["view_without_frac"].notna()]
    rows = rows.sort_values("view_without_frac", ascending=False, kind="stable")
    sure = "" if row["is_without_proven"] else "at least "
    little = rows["view_without_frac"] < row["view_after_frac"] + SAME_VIEW
    lines = ["", "  Limits that cost view, and the view there would be without each:"]
    much = rows[~little]
    for one in much.head(MOST_LIMITS).itertuples():
        trees = f", {count(one.n_trees, 'tree', 'trees')}" if one.n_trees else ""
        told = f"{sure}{_view(one.view_without_frac)} without {_short(one.limit)}{trees}"
        lines += bullet(f"{told}: {one.words} [{one.source}]")
    if len(much) > MOST_LIMITS:
        lines += bullet(f"and {len(much) - MOST_LIMITS} more, in the table window_limits")
    if little.any():
        few = ", ".join(dict.fromkeys(_short(name) for name in rows.loc[little, "limit"]))
        lines += bullet(f"less than {100 * SAME_VIEW:.2g} points each: {few}")
    return lines


def _short(name: str) -> str:
    parts = [SHORT.get(part) for part in name.split(AND)]
    if None in parts:
        return "this rule" if len(parts) == 1 else "these rules"
    return " and ".join(str(part) for part in parts)


def _target(row: Any) -> list[str]:
    return ["", *fold(f"{row['target_words']}.")] if row["target_words"] else []


def _cuts(trees: Any) -> list[str]:
    """The trees to be cut, along the shore."""
    rows = trees[trees["treatment"] != "leave"].sort_values("station_ft", kind="stable")
    if not len(rows):
        return []
    wide = max(8, *(len(str(i)) for i in rows["crown_id"])) + 2
    head = f"  {'Tree':<{wide}}{'station':>8}{'top':>7}  {'cut':<20}{'takes':>7}"
    lines = ["", head]
    for one in rows.head(MOST_TREES).itertuples():
        is_top = one.treatment == "lower-top"
        low = top_to(one.cut_low_ft)
        cut = f"top down to {_feet(low)} ft"
        if not is_top:
            cut = f"clear {_feet(low)}-{_feet(cleared_up_to(one.cut_high_ft))} ft"
        lines.append(
            f"  {one.crown_id!s:<{wide}}{_feet(one.station_ft):>8}{_feet(one.top_height_ft):>7}  "
            f"{cut:<20}{_share(one.removed_frac):>7}"
        )
    if len(rows) > MOST_TREES:
        lines.append(f"  and {len(rows) - MOST_TREES} more, in the table window_trees")
    return lines


def _left(row: Any, trees: Any, limits: Any) -> list[str]:
    """Trees that a limit keeps whatever would be done, limit by limit."""
    if trees is None or limits is None:
        return []
    rows = trees[(trees["bar"] != "") & (trees["treatment"] == "leave")]
    if not len(rows):
        return []
    words = dict(zip(limits["limit"], limits["words"], strict=True))
    bars = [str(bar).split(AND) for bar in rows["bar"]]
    of_all = set.intersection(*map(set, bars)) if row["status"] == "no window" else set()
    by_why: dict[str, list[str]] = {}
    for crown, names, why in zip(rows["crown_id"], bars, rows["why_left"], strict=True):
        mine = [name for name in names if name not in of_all]
        own = str(why).split("; ") if KEEP in mine else []  # each its own reason
        told = [words.get(name, name) for name in mine if name != KEEP]
        told = [*(text for text in own if text.startswith(MARKED)), *told]
        by_why.setdefault("; ".join(told), []).append(str(crown))
    lines = ["", "  Trees that limits keep as they are:"]
    for name in of_all:
        lines += bullet(f"every tree: {words.get(name, name)}")
    for text, ids in by_why.items():
        lines += bullet(f"{some(ids, MOST_IDS)}{' also' if of_all else ''}: {text}") if text else []
    return lines


def _frontier(results: facts.Results, lot: str) -> list[str]:
    rows = facts.table(results, "window", "window_frontier", lot)
    if rows is None or len(rows) < 2:
        return []
    lines = ["", "  To choose from, cheap to dear (* chosen, + where more costs much for little):"]
    lines.append(f"  {'opens':>8}{'cu ft':>9}{'foliage':>9}{'trees':>7}  stations")
    for one in rows.itertuples():
        mark = ("*" if one.is_chosen else "") + ("+" if one.is_knee else "")
        line = (
            f"  {_view(one.view_after_frac):>8}{one.foliage_removed_ft3:>9,.0f}"
            f"{_share(one.foliage_removed_frac):>9}{one.n_cut_trees:>7}  {one.spans} {mark}"
        )
        lines.append(line.rstrip())
    return lines


def _assumed(results: facts.Results, row: Any) -> list[str]:
    """What the figures rest on."""
    model = facts.parameter(results, "window", "canopy_model", "column")
    years = int(facts.parameter(results, "window", "stage_years", 1))
    spread = "in one year" if years == 1 else f"over {years} years"
    text = (
        f"{_menu(results, row)} Foliage by canopy model: {model}; crowns count as solid; cuts "
        f"{spread}. Trees are treated whole and belong to the station of their trunk. These limits "
        "are met by these figures; what stands on site goes first, and the authority decides."
    )
    if row["status"] != "planned":
        text = text.replace("These limits are met by these figures; w", "W")
    return ["", *fold(text)]


def _menu(results: facts.Results, row: Any) -> str:
    """What could be done to each tree."""
    if not np.isfinite(row["least_height_ft"]):
        return ""
    low, high = facts.parameter(results, "window", "band_ft", (6.0, 10.0))
    asked = facts.parameter(results, "window", "lower_to_ft", None)
    heights = top_heights_ft(asked, (low, high), float(row["least_height_ft"]))
    fits = ", or as far as the years allow" if asked is None else ""
    return (
        f"Treatments to choose from, tree by tree: clear {low:g}-{high:g} ft under a kept top, or "
        f"as much of it from {low:g} ft up as the years allow; lower the top to "
        f"{', '.join(f'{h:g}' for h in heights)} ft{fits}; leave."
    )


def _view(value: float) -> str:
    """A share of the view, to a tenth of a percent: windows differ by little."""
    return "-" if not np.isfinite(value) else f"{100.0 * float(value):.1f} %"


def _share(value: float) -> str:
    """A share as it is printed."""
    percent = 100.0 * float(value)
    if not np.isfinite(percent):
        return "-"
    return f"{percent:.0f} %" if percent >= 9.95 or percent == 0.0 else f"{percent:.2g} %"


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]
