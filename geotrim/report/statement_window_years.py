"""Of one lot: the cuts year by year, both readings of a quarter, risks, sight lines, cautions."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

import numpy as np

from geotrim.report import facts
from geotrim.report.cut_marks import Mark, marks_of
from geotrim.report.furniture import percent
from geotrim.report.statement_figures import day, figure
from geotrim.report.statement_limits import source
from geotrim.report.statement_parts import (
    Block,
    Bullets,
    Cell,
    Paragraph,
    Table,
    cell,
    count,
    line,
    row,
    sentence,
    small,
    some,
    strong,
)
from geotrim.report.window_facts import amount, row_of, rows_of, staged_cuts, text_of
from geotrim.rules.species import look_alikes, species_key, species_table
from geotrim.rules.species_file import LookAlike

#: Trees named in a line, rows of a table of trees.
MOST_NAMED, MOST_TREES = 30, 60
#: What asks a tree's cut to be spread over years -> words.
BINDS = {"act": "by the act", "good practice": "good practice"}
#: Limits of the share of a year, and those that are broken by the lot, not by one of its trees, as
#: ``risk_limits`` names them.
SHARE_LIMITS = ("yearly-share", "yearly-share-practice")
OF_THE_LOT = ("allowance-trees", "any limit")
#: Why a plan that keeps the year's share breaks it within the errors, and what helps.
TO_THE_LETTER = (
    "Where a plan takes the whole of a year's share by the heights as read, a tree a little "
    "taller, or a mark that is a little too low, is enough to pass it: of many trees one nearly "
    "always does. The remedy is a plan that takes less than the whole share: share_margin_frac."
)
#: Behind a tree that stands above as well.
TWICE = "; it stands above too, for another limit that no stick reading mends"
#: What an eye sees, and how the table calls it.
SHARES = {
    "view_now_frac": "Open now",
    "view_others_removed_frac": "Other plants removed",
    "view_after_frac": "After the window",
}
#: A-06: which foliage the yearly share is of.
READINGS = {
    "standing-each-year": "what stands that year",
    "original": "what stood at first",
}


def years(results: facts.Results, lot_id: str) -> Iterator[Block]:
    """What is cut in each year.

    Parameters
    ----------
    results : mapping
        Operation name -> Result.
    lot_id : str
    """
    cuts = rows_of(results, "stages", "stage_cuts", lot_id)
    lot = row_of(results, "stages", "stage_lots", lot_id)
    if not cuts or lot is None:
        return
    what = "The window" if lot["plan"] == "window" else "The planned heights"
    told = f"{what}, over {count(int(lot['n_years']), 'year')}. No cut takes more than the share "
    yield Paragraph(line(f"{told}a tree may lose a year."))
    heads = ("Year", "Foliage taken", "Trees, and the heights that are cut")
    marks = marks_of(results, lot_id, staged_cuts(results, lot_id))
    numbers = sorted({int(cut["year"]) for cut in cuts})
    rows = tuple(
        _year(n, [cut for cut in cuts if int(cut["year"]) == n], _told(n, marks)) for n in numbers
    )
    yield Table(heads, rows, "years")


def _year(number: int, cuts: list[dict[str, Any]], told: list[str]) -> tuple[Cell, ...]:
    dates = sorted({text_of(cut["date"]) for cut in cuts} - {""})
    when = f"from {day(dates[0])} at the earliest" if dates else ""
    removed = sum(float(cut["removed_ft3"]) for cut in cuts if np.isfinite(cut["removed_ft3"]))
    most = np.nanmax([float(cut["removed_of_standing_frac"]) for cut in cuts] + [0.0])
    share = f"most of one tree: {percent(float(most))} of what stands"
    return row(
        cell(line(strong(f"{number}")), line(small(when))),
        cell(amount(removed, "ft3"), line(small(share))),
        cell(_of_trees(told)),
    )


def _of_trees(told: list[str]) -> str:
    more = [f"and {len(told) - MOST_NAMED} more"] if len(told) > MOST_NAMED else []
    return "; ".join([*told[:MOST_NAMED], *more])


def _told(year: int, marks: Mapping[str, tuple[Mark, ...]]) -> list[str]:
    """What a year cuts, by the marks of the crew list."""
    return [
        f"{crown}: {one.words}"
        for crown, mine in marks.items()
        for one in mine
        if one.year == year and (not one.is_nothing or len(mine) == 1)
    ]


def quarters(results: facts.Results, lot_id: str) -> Iterator[Block]:
    """Both readings of the yearly quarter, and how deep a quarter is under each canopy model."""
    trees = rows_of(results, "stages", "stage_trees", lot_id)
    if not trees:
        return
    used = facts.parameter(results, "stages", "foliage_reading", "standing-each-year")
    told = (
        ". A-06: the act says 25 % of the foliage a year; of which foliage is open. Read here: of "
        f"{READINGS.get(used, used)}. Both are told. How deep a quarter reaches from the top hangs "
        "on the canopy model, so the least and the greatest depth of all models stand beside it."
    )
    model = text_of(trees[0]["canopy_model"])
    told += f" Foliage taken is by the canopy model {model}." if model else ""
    yield Paragraph(line(strong("Years under both readings of 25 %"), told))
    deep = _quarters(rows_of(results, "stages", "stage_quarters", lot_id))
    heads = ("Tree", "Foliage taken", "If of what stands", "If of what stood at first", "Planned",
             "A quarter off the top")  # fmt: skip
    rows = tuple(_staged(tree, deep.get(str(tree["crown_id"]))) for tree in trees[:MOST_TREES])
    yield Table(heads, rows, "quarters")
    if len(trees) > MOST_TREES:
        yield Paragraph(line(f"And {len(trees) - MOST_TREES} more, in results.gpkg."))
    yield from _unreached(trees)


def _unreached(trees: list[dict[str, Any]]) -> Iterator[Block]:
    """Why cuts are not reached as planned, trees of one reason together."""
    why: dict[str, list[str]] = {}
    for tree in trees:
        if not tree["is_reachable"]:
            reason = "; ".join(_why(tree)[0]) or "not told"
            why.setdefault(reason, []).append(str(tree["crown_id"]))
    if why:
        yield Paragraph(line(strong("Not reached as planned:")))
        yield Bullets(tuple(line(f"{some(ids, MOST_NAMED)}: {one}") for one, ids in why.items()))


def _why(tree: dict[str, Any]) -> tuple[list[str], list[str]]:
    """Why a cut is not reached, and the nearest that is."""
    parts = [part for part in text_of(tree["why"]).split("; ") if part]
    nearest = [part for part in parts if part.startswith(("nearest", "nothing"))]
    return [part for part in parts if part not in nearest], nearest


def _quarters(rows: list[dict[str, Any]]) -> dict[str, Cell]:
    """Crown id -> depth of a quarter, and its range over the models."""
    out: dict[str, Cell] = {}
    for crown in dict.fromkeys(str(one["crown_id"]) for one in rows):
        mine = [one for one in rows if str(one["crown_id"]) == crown]
        mine = [one for one in mine if np.isfinite(one["cut_depth_ft"])]
        chosen = [one for one in mine if one["is_chosen"]]
        depths = [float(one["cut_depth_ft"]) for one in mine]
        told = f"{chosen[0]['cut_depth_ft']:.1f} ft, {chosen[0]['canopy_model']}" if chosen else ""
        if depths:
            models = line(small(f"all models: {min(depths):.1f} to {max(depths):.1f} ft"))
            out[crown] = cell(told, models)
    return out


def _staged(tree: dict[str, Any], deep: Cell | None) -> tuple[Cell, ...]:
    leaf = tree["leaf_removed_frac"]
    leaves = f"{percent(leaf)} by leaf area" if np.isfinite(leaf) else ""
    binds = text_of(tree["share_binds"])
    planned = [line(_years(tree["n_years"]))]
    if not tree["is_reachable"]:
        planned = [line(strong("cannot be reached")), line(small("; ".join(_why(tree)[1])))]
    return row(
        cell(str(tree["crown_id"]), line(small(BINDS.get(binds, binds)))),
        cell(_share(tree["removed_frac"]), line(small(leaves))),
        _years(tree["n_standing_years"]),
        _years(tree["n_original_years"]),
        cell(*planned),
        deep or cell("not known"),
    )


def _share(value: Any) -> str:
    return percent(float(value)) if np.isfinite(value) else "not known"


def _years(value: Any) -> str:
    known = value is not None and value == value and np.isfinite(float(value))
    return count(int(value), "year") if known else "not reached"


def risks(results: facts.Results, lot_id: str) -> Iterator[Block]:
    """How often limits would be broken within the heights' error, and what to read first."""
    limits = rows_of(results, "risks", "risk_limits", lot_id)
    trees = rows_of(results, "risks", "risk_trees", lot_id)
    if not limits and not trees:
        return
    told = (
        "Heights are drawn anew within their error, and the plan is carried out as written; only "
        "the error of heights and of the stick is drawn, not that of species and lines."
    )
    told += " A limit counts as broken in a draw as soon as one of its trees breaks it."
    yield Paragraph(line(told))
    heads = ("Limit", "Trees", "Broken", "95 % interval")
    yield Table(heads, tuple(map(_risk, limits)), "risks")
    if any(one["limit"] in SHARE_LIMITS and one["n_broken_draws"] > 0 for one in limits):
        yield Paragraph(line(TO_THE_LETTER))
    first = [tree for tree in trees if tree["is_stick_first"]]
    most = facts.parameter(results, "risks", "risk_frac", None)
    often = 0.05 if most is None else float(most)
    yield from _unmended(trees, often)
    if not first:
        yield Paragraph(line("No tree needs a stick reading first on these figures."))
        return
    over = "too many" if most is None else f"more than {percent(float(most))}"
    lead = f"To be read by stick before anything is cut (broken in {over} of the draws):"
    yield Paragraph(line(strong(lead)))
    by_tree: dict[str, list[dict[str, Any]]] = {}
    for one in first:
        by_tree.setdefault(str(one["crown_id"]), []).append(one)
    above = {str(one["crown_id"]) for one in trees if _is_unmended(one, often)}
    lines = [
        line(strong(name), f": {_risky(mine)}{TWICE * (name in above)}")
        for name, mine in by_tree.items()
    ]
    if len(lines) > MOST_NAMED:
        lines[MOST_NAMED:] = [line(f"and {len(lines) - MOST_NAMED} more, in results.gpkg")]
    yield Bullets(tuple(lines))


def _unmended(trees: list[dict[str, Any]], most: float) -> Iterator[Block]:
    """Trees that break a limit too often whatever is read, by what helps them."""
    by_mend: dict[str, list[str]] = {}
    for one in trees:
        if _is_unmended(one, most):
            mend = text_of(one["words"]).rsplit(": ", 1)[-1]
            names = by_mend.setdefault(mend, [])
            names += [str(one["crown_id"])] if str(one["crown_id"]) not in names else []
    for mend, names in by_mend.items():
        more = f" and {len(names) - MOST_NAMED} more" if len(names) > MOST_NAMED else ""
        lead = (
            "Broken too often whatever is read by stick, because the plan goes to the limit itself"
        )
        yield Paragraph(line(strong(f"{lead}; {mend}."), f" {', '.join(names[:MOST_NAMED])}{more}"))


def _is_unmended(one: Mapping[str, Any], most: float) -> bool:
    """Whether a tree breaks a limit too often, and no stick reading mends that."""
    return bool(one["broken_frac"] > most and not one["is_stick_first"])


def _whose(one: Mapping[str, Any]) -> str:
    """Of how many trees one at least broke a limit; a share of all trees is of none of them."""
    n = int(one["n_trees"])
    if one["limit"] in OF_THE_LOT or n == 0:
        return ""
    return ", by the one tree" if n == 1 else f", by at least one of {n} trees"


def _risk(one: dict[str, Any]) -> tuple[Cell, ...]:
    n, broken = int(one["n_draws"]), int(one["n_broken_draws"])
    low, high = one["low_frac"], one["high_frac"]
    interval = (
        f"{percent(low)} to {percent(high)}" if np.isfinite(low) and np.isfinite(high) else ""
    )
    return row(
        sentence(text_of(one["words"]) or str(one["limit"])),
        f"{int(one['n_trees'])}",
        cell(percent(one["broken_frac"]), line(small(f"{broken} of {n} draws{_whose(one)}"))),
        interval,
    )


def _risky(rows: list[dict[str, Any]]) -> str:
    """Height of a tree, its error, and how often it breaks each limit."""
    top, error = rows[0]["top_height_ft"], rows[0]["height_error_ft"]
    told = [f"{figure(top, 'ft')}, error {figure(error, 'ft')}"]
    for one in rows:
        words = text_of(one["words"]).removesuffix("; read it by stick first")
        told.append(words or f"{percent(one['broken_frac'])} of the draws")
    return "; ".join(told)


def sight(results: facts.Results, lot_id: str) -> Iterator[Block]:
    """What each eye sees."""
    eyes = rows_of(results, "sightlines", "sight_eyes", lot_id)
    if not eyes:
        return
    told = (
        "Shares of azimuth by elevation angle between the water's near edge and the horizon. "
        "Crowns count as solid where they begin to hide the view; nothing else stands in the way "
        "but the ground that was given."
    )
    yield Paragraph(line(told))
    told_of = [name for name in SHARES if any(np.isfinite(eye[name]) for eye in eyes)]
    heads = ("Eye", "Elevation", *(SHARES[name] for name in told_of))
    rows = tuple(_eye(eye, told_of) for eye in eyes)
    yield Table(heads, rows, "eyes" if len(heads) == 5 else "")


def _eye(eye: dict[str, Any], names: list[str]) -> tuple[Cell, ...]:
    """One eye, with the shares that are told of any."""
    shares = [percent(eye[name]) if np.isfinite(eye[name]) else "" for name in names]
    reason = text_of(eye.get("reason"))
    height = figure(eye["eye_elevation_ft"], "ft")
    return row(cell(str(eye["eye_id"]), line(small(reason))), height, *shares)


def cautions(trees: list[dict[str, Any]]) -> list[Block]:
    """What must not be forgotten about a window; look-alikes of the trees that are cut.

    Parameters
    ----------
    trees : list of dict
        Rows of ``window_trees`` of trees that are cut.
    """
    lines = [
        line("The least height after trimming is a floor, not a target: some trees cannot be "
             "taken down that far at all, in stages or not."),
        line("Look for active nests before each year's work; a tree with one is left."),
        line("What is seen on site goes before these figures; the department or the delegated "
             "local government decides, and may ask for more."),
    ]  # fmt: skip
    for pair in _field_marks(trees):
        told = f"Taken for each other; confirm in the field. {sentence(pair.field_mark)}"
        lines.append(line(told, *source({"section": pair.source, "confidence": pair.confidence},
                                        lead=" ")))  # fmt: skip
    n = sum(species_key(tree["species"]) is None for tree in trees)
    if n:
        words = count(n, "tree that is cut is", "trees that are cut are")
        lines.append(line(f"{words} of no known species: find out before anything is cut."))
    return [Paragraph(line(strong("Before any cut"))), Bullets(tuple(lines))]


def _field_marks(trees: list[dict[str, Any]]) -> list[LookAlike]:
    """Marks that part the species that are cut from plants the act sees otherwise."""
    keys = dict.fromkeys(key for tree in trees if (key := species_key(tree["species"])))
    found: dict[str, LookAlike] = {}
    table = species_table()
    for key in keys:
        for pair in look_alikes(key):
            if bool(table[pair.key]["is_mangrove"]) != bool(table[key]["is_mangrove"]):
                found.setdefault(pair.field_mark, pair)
    return list(found.values())
