"""Of one lot: the window, what is done to each tree, and the limits it keeps."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import numpy as np

from geotrim.report import facts
from geotrim.report.cut_heights import band_words, top_to
from geotrim.report.furniture import percent
from geotrim.report.statement_figures import figure
from geotrim.report.statement_parts import (
    Block,
    Bullets,
    Callout,
    Cell,
    Heading,
    Line,
    Paragraph,
    Table,
    cell,
    count,
    line,
    mark,
    row,
    sentence,
    small,
    some,
    strong,
)
from geotrim.report.statement_two_plans import by_staged
from geotrim.report.statement_window_years import cautions, quarters, risks, sight, years
from geotrim.report.window_facts import (
    TREATMENTS,
    amount,
    row_of,
    rows_of,
    span_name,
    stations,
    text_of,
)
from geotrim.rules.species import species_key, species_table

#: Trees of one lot that are listed, and those that are named in a line.
MOST_TREES, MOST_NAMED = 60, 20
#: How a limit stands -> mark and words.
STANDINGS = {
    "kept": ("met", "kept"),
    "binds": ("other plan", "binds"),
    "broken": ("not met", "broken"),
    "not in force": ("not binding", "not in force"),
}
#: How limits of the window as a whole begin; the others each look at single trees.
OF_ALL = ("span-", "n-spans", "foliage-", "zone", "allowance")
#: Limits in the order they are told.
ORDER = ("broken", "binds", "kept", "not in force")


def window(results: facts.Results, lot_id: str) -> list[Block]:
    """The section on the window of one lot; nothing where no window was looked for.

    Parameters
    ----------
    results : mapping
        Operation name -> Result.
    lot_id : str
    """
    whose = f", {plan}" if (plan := by_staged(results, lot_id)) else ""
    cuts = [*years(results, lot_id), *quarters(results, lot_id)]
    parts = (
        ("The window", _window(results, lot_id)),
        (f"The cuts year by year{whose}", cuts),
        (f"How surely limits are kept{whose}", list(risks(results, lot_id))),
        ("What each eye sees of the water", list(sight(results, lot_id))),
    )
    blocks: list[Block] = []
    for head, part in parts:
        blocks += [Heading(head, 3), *part] if part else []
    return blocks


def _window(results: facts.Results, lot_id: str) -> list[Block]:
    """The window itself: where, what is done to each tree, limits, other plans, cautions."""
    lot = row_of(results, "window", "window_lots", lot_id)
    if lot is None:
        return []
    spans = rows_of(results, "window", "window_spans", lot_id)
    trees = rows_of(results, "window", "window_trees", lot_id)
    limits = rows_of(results, "window", "window_limits", lot_id)
    blocks: list[Block] = [_lead(lot, spans, limits)]
    if spans:
        blocks += [_spans(spans), *_treated(results, lot_id, trees), *_left(trees)]
        blocks += cautions([tree for tree in trees if tree["treatment"] != "leave"])
    blocks += limits_of_window(limits)
    return [*blocks, *_choice(results, lot_id)]


def _lead(
    lot: dict[str, Any], spans: list[dict[str, Any]], limits: list[dict[str, Any]]
) -> Callout:
    """Where, what it opens and costs, and what is proven, in a few lines."""
    if not spans:
        reason = text_of(lot["reason"]) or "None is within the limits."
        lead = {"not planned": "No window was planned."}.get(lot["status"], "No window is found.")
        return Callout(line(lead), (line(sentence(reason)), *_target(lot)))
    where = some((f"{stations(span)} ft" for span in spans), 12)
    lead = "The window" if lot["status"] != "own window" else "Your own window, judged"
    told = f"{lead}: stations {where}, {figure(lot['window_length_ft'], 'ft')} of shore in all."
    return Callout(line(told), (line(_view(lot)), line(_cost(lot)), *_broken(lot, limits),
                                *_proof(lot), *_target(lot)))  # fmt: skip


def _broken(lot: dict[str, Any], limits: list[dict[str, Any]]) -> Iterator[Line]:
    """The limits that an own window breaks, by name; of a planned one none is broken."""
    broken = [text_of(one["words"]) or str(one["limit"]) for one in limits
              if one["standing"] == "broken"]  # fmt: skip
    if broken:
        told = ". ".join(words.rstrip(".") for words in broken)
        yield line(strong("Breaks: "), mark("not met", count(len(broken), "limit")), f": {told}.")
    elif lot["status"] == "own window" and limits:
        yield line("Breaks none of the limits below, by these figures.")


def _view(lot: dict[str, Any]) -> str:
    n = int(lot["n_eyes"])
    of = "square to the shore, station by station"
    if lot["view_of"] == "eyes":
        of = "from the eye" if n == 1 else f"mean of {n} eyes"
    now, after = percent(lot["view_before_frac"]), percent(lot["view_after_frac"])
    return f"View of the water, {of}: {now} open now, {after} after the window."


def _cost(lot: dict[str, Any]) -> str:
    told = f"It takes {amount(lot['foliage_removed_ft3'], 'ft3')} of foliage"
    if np.isfinite(lot["foliage_removed_frac"]):
        told += f", {percent(lot['foliage_removed_frac'])} of the lot's mangrove foliage"
    told += f", from {count(int(lot['n_cut_trees']), 'tree')}"
    way = text_of(lot["way_words"])
    if not way:
        return f"{told}."
    if lot["status"] == "own window":
        return f"{told}. Judged against the limits of: {way}."
    return f"{told}, within the limits of: {way}."


def _proof(lot: dict[str, Any]) -> Iterator[Line]:
    """What is known of better windows."""
    if lot["status"] != "own window":
        if lot["is_optimal"]:
            yield line("Proven: no choice of these treatments within these limits opens more.")
        elif np.isfinite(lot["view_bound_frac"]):
            least, most = percent(lot["view_after_frac"]), percent(lot["view_bound_frac"])
            told = "the best choice of these treatments within these limits opens at least "
            yield line(f"Not proven to be the best: {told}{least}, at most {most}.")
    centred = lot["view_centred_frac"]
    if np.isfinite(centred):
        told = "The best single span in the middle of the frontage, for no more foliage: "
        yield line(f"{told}{percent(centred)}.")


def _target(lot: dict[str, Any]) -> tuple[Line, ...]:
    words = text_of(lot["target_words"])
    if not np.isfinite(lot["target_view_frac"]) or not words:
        return ()
    is_met = bool(lot["is_target_met"])
    sign = mark("met" if is_met else "not met", "reached" if is_met else "not reached")
    return (line(f"Wanted, {percent(lot['target_view_frac'])}: ", sign, f". {sentence(words)}"),)


def _spans(spans: list[dict[str, Any]]) -> Table:
    heads = ("Span", "Stretch", "Stations", "Length", "Trees cut")
    rows = tuple(
        row(
            line(strong(span_name(span["span_id"]))),
            str(span["stretch_id"]),
            f"{stations(span)} ft",
            figure(span["span_length_ft"], "ft"),
            f"{int(span['n_cut_trees'])}",
        )
        for span in spans
    )
    return Table(heads, rows, "spans")


def _treated(results: facts.Results, lot_id: str, trees: list[dict[str, Any]]) -> Iterator[Block]:
    """The table of the trees that are cut."""
    mine = sorted(
        (tree for tree in trees if tree["treatment"] != "leave"), key=lambda t: t["station_ft"]
    )
    if not mine:
        return
    staged = {
        str(tree["crown_id"]): int(tree["n_years"])
        for tree in rows_of(results, "stages", "stage_trees", lot_id)
        if tree["treatment"] in TREATMENTS and np.isfinite(tree["n_years"])
    }
    stage = row_of(results, "stages", "stage_lots", lot_id)
    staged = staged if stage is not None and stage["plan"] == "window" else {}
    told = ". Under the foliage taken: the most a tree may lose over all years of the plan."
    yield Paragraph(line(strong("What is done to each tree"), told))
    heads = ("Tree", "Species", "Treatment", "Height now", "Height after", "Foliage taken", "Years")
    rows = tuple(_tree(tree, staged) for tree in mine[:MOST_TREES])
    yield Table(heads, rows, "treated")
    if len(mine) > MOST_TREES:
        yield Paragraph(line(f"And {len(mine) - MOST_TREES} more, in crowns.csv."))


def _tree(tree: dict[str, Any], staged: dict[str, int]) -> tuple[Cell, ...]:
    low, high = tree["cut_low_ft"], tree["cut_high_ft"]
    if tree["treatment"] == "clear-band":
        how = cell(TREATMENTS["clear-band"], line(small(f"{band_words(low, high)} is cleared")))
    else:
        how = cell(TREATMENTS["lower-top"], line(small(f"to {top_to(low):.1f} ft")))
    most = tree["share_max_frac"]
    bound = f"at most {percent(most)}" if np.isfinite(most) else ""
    years = staged.get(str(tree["crown_id"]))
    return row(
        cell(str(tree["crown_id"]), line(small(f"station {tree['station_ft']:.0f}"))),
        _species(tree["species"]),
        how,
        figure(tree["top_height_ft"], "ft"),
        _height_after(tree),
        cell(percent(tree["removed_frac"]), line(small(bound))),
        "" if years is None else f"{years}",
    )


def _height_after(tree: dict[str, Any]) -> str:
    """Height after the cut; of a top that is lowered, the one a crew is told."""
    after = float(tree["height_after_ft"])
    is_lowered = tree["treatment"] == "lower-top" and np.isfinite(after)
    return figure(top_to(after) if is_lowered else after, "ft")


def _species(name: Any) -> str:
    key = species_key(name)
    return "not known" if key is None else str(species_table()[key]["common"])


def _left(trees: list[dict[str, Any]]) -> Iterator[Block]:
    """Trees within the spans that are left, by the reason."""
    why: dict[str, list[str]] = {}
    for tree in trees:
        if tree["treatment"] == "leave" and tree["is_in_span"]:
            reason = text_of(tree["why_left"]) or "nothing to be gained"
            why.setdefault(reason, []).append(str(tree["crown_id"]))
    if why:
        yield Paragraph(line(strong("Left as they are, though within a span:")))
        yield Bullets(
            tuple(line(f"{some(ids, MOST_NAMED)}: {reason}") for reason, ids in why.items())
        )


def limits_of_window(limits: list[dict[str, Any]]) -> Iterator[Block]:
    """Every limit: figure, how it stands, what it costs, where it is from."""
    if not limits:
        return
    told = (
        "A limit binds where there would be more view without it; kept means met by these figures."
    )
    yield Paragraph(line(strong("Limits of the window"), f". {told}"))
    ranked = sorted(limits, key=lambda one: ORDER.index(one["standing"]))
    heads = ("Limit", "Figure", "How it stands", "Source")
    yield Table(heads, tuple(map(_limit, ranked)), "window-limits")


def _limit(one: dict[str, Any]) -> tuple[Cell, ...]:
    name, words = STANDINGS[one["standing"]]
    more = [line(mark(name, words))]
    if np.isfinite(one["view_without_frac"]):
        more.append(line(small(f"view without it {percent(one['view_without_frac'])}")))
    n = int(one["n_trees"]) if np.isfinite(one["n_trees"]) else 0
    trees = line(small(count(n, "tree") if n else ""))
    return row(
        cell(sentence(text_of(one["words"]) or str(one["limit"])), trees),
        _figure(one),
        cell(*more),
        cell(line(small(text_of(one["source"])))),
    )


def _figure(one: dict[str, Any]) -> Cell:
    """What the plan comes to, the limit, and the farthest of the trees that it keeps out."""
    unit, is_nothing = text_of(one["unit"]), one["allowed"] == 0 and not one["value"] > 0
    value, allowed = amount(one["value"], unit), amount(one["allowed"], unit)
    out = amount(one.get("kept_out_value", np.nan), unit)
    if is_nothing:  # a limit without a figure
        return cell()
    if not allowed:
        return cell(value)
    keeps_out = not str(one["limit"]).startswith(OF_ALL) and one["standing"] != "broken"
    if keeps_out or not value:
        own = f"{value} (limit {allowed})" if value else f"limit {allowed}"
        return cell(own, line(small(f"kept out: {out}" if out and keeps_out else "")))
    return cell(f"{value} (limit {allowed})")


def _choice(results: facts.Results, lot_id: str) -> Iterator[Block]:
    """The plans to choose from."""
    plans = rows_of(results, "window", "window_frontier", lot_id)
    if len(plans) < 2:
        return
    yield Paragraph(line(strong("Plans to choose from"), ", from the cheapest to the dearest."))
    heads = ("Plan", "Stations, ft", "View after", "Foliage taken", "Trees cut")
    yield Table(heads, tuple(map(_plan, plans)), "plans")


def _plan(plan: dict[str, Any]) -> tuple[Cell, ...]:
    told = ["chosen"] if plan["is_chosen"] else []
    told += ["the knee: past it more foliage opens less"] if plan["is_knee"] else []
    view = [line(percent(plan["view_after_frac"]))]
    if plan["view_bound_frac"] > plan["view_after_frac"] + 1e-6:
        most = percent(plan["view_bound_frac"])
        view.append(line(small(f"not proven: at most {most}")))
    share = plan["foliage_removed_frac"]
    return row(
        cell(line(strong(f"{plan['point']}")), line(small(", ".join(told)))),
        str(plan["spans"]),
        cell(*view),
        cell(
            amount(plan["foliage_removed_ft3"], "ft3"),
            line(small(percent(share) if np.isfinite(share) else "")),
        ),
        f"{int(plan['n_cut_trees'])}",
    )
