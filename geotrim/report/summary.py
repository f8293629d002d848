"""The short summary a run prints on the terminal: figures with units, gaps, assumptions."""

from __future__ import annotations

import textwrap
from collections.abc import Iterable
from typing import Any

import numpy as np

from geotrim.model import MHW_ORIGINS, Site
from geotrim.report import facts
from geotrim.report.calibration_text import short_words
from geotrim.report.window_summary import view_lines, window_lines

WIDTH = 80
LABEL = 34
#: Up to this many lots each get a block of their own; more become a table.
MAX_BLOCKS = 4
MAX_ROWS, MAX_NOTES = 20, 12
CAUTIONS = (
    "Screening, not a survey and not legal advice. MHW lines and boundaries are for a licensed "
    "surveyor; the department or the delegated local government decides, and local rules may be "
    "stricter. No herbicide. Confirm every species in the field: buttonwood is no mangrove under "
    "the state act. Look for active nests; keep clear of conductors."
)
#: Columns of the table of many lots: heading, decimals, operation, table, column.
LOT_FIGURES = (
    ("frontage ft", 1, "frontage", "lots", "frontage_length_ft"),
    ("fringe ft", 1, "fringe", "fringe_lots", "fringe_depth_max_ft"),
    ("zone sq ft", 0, "zone", "zone", "zone_area_ft2"),
)
NOTE_HEADS = (
    ("missing", "Not known or not measured"),
    ("assumed", "Assumed"),
    ("repaired", "Mended in the input"),
)


def summary_text(site: Site, results: facts.Results) -> str:
    """Sum up a run in words and figures.

    Parameters
    ----------
    site : Site
    results : mapping
        Operation name -> Result; what is missing is left out or named as not measured.

    Returns
    -------
    str
        Lines of at most 80 columns, joined by line feeds, none at the end.
    """
    ids = facts.chosen_lots(site, None)
    lines = [*_fold(site.name, ""), "=" * min(len(site.name), WIDTH)]
    lines += _basis(site, results)
    if len(ids) <= MAX_BLOCKS:
        for lot in ids:
            lines += ["", *_lot_block(results, lot)]
    else:
        lines += ["", *_lot_table(results, ids)]
    lines += _trees(site, results, ids)
    lines += _flags(site, results, ids)
    lines += _ways(results, ids)
    lines += [*window_lines(results, ids), *view_lines(results, ids)]
    notes = facts.all_notes(site, results)
    for level, head in NOTE_HEADS:
        told = grouped([note for note in notes if note.level == level])
        if told:
            lines += ["", head]
            for text in told[:MAX_NOTES]:
                lines += _fold(text, "  - ")
            if len(told) > MAX_NOTES:
                lines.append(f"  - and {len(told) - MAX_NOTES} more, see the record")
    lines += ["", "Cautions", *_fold(CAUTIONS, "  ")]
    return "\n".join(line.rstrip() for line in lines)


def _ways(results: facts.Results, ids: list[str]) -> list[str]:
    """What came out on the ways to an authorisation, a line or two a lot."""
    if facts.table(results, "route", "lot_outcomes") is None:
        return []
    lines = ["", "Ways to an authorisation (open: no limit closes it; it is no permission)"]
    for lot in ids[:MAX_ROWS]:
        row = facts.table(results, "route", "lot_outcomes", lot)
        if row is not None:
            lead = "" if len(ids) == 1 else f"lot {lot}: "
            lines += _fold(lead + str(row["outcome_words"].iloc[0]), "  ")
    if len(ids) > MAX_ROWS:
        lines.append(f"  and {len(ids) - MAX_ROWS} lots more, see lots.csv")
    asked = facts.table(results, "route", "questions")
    asked = None if asked is None else asked[asked["is_for_outcome"].astype(bool)]
    n = 0 if asked is None else asked["fact"].nunique()
    if n:
        ask = "fact a map cannot give would settle" if n == 1 else "facts a map cannot give settle"
        lines += _fold(f"{n} {ask} what depends: statement.html lists them", "  ")
    return lines


def grouped(notes: list[Any]) -> list[str]:
    """Notes as text; those that say the same kind of thing of many lots become one.

    Examples
    --------
    >>> from geotrim.model import Note
    >>> notes = [Note(f"lot {n}", f"no frontage: {n} ft away") for n in range(1, 6)]
    >>> grouped(notes)
    ['no frontage: 5 lots (1, 2, 3, ...); lots.csv says why']
    """
    kinds: dict[str, list[Any]] = {}
    for note in notes:
        kind = note.text.partition(":")[0] if note.about.startswith("lot ") else ""
        kinds.setdefault(kind or str(note), []).append(note)
    told = []
    for kind, group in kinds.items():
        if len(group) <= MAX_BLOCKS:
            told += [str(note) for note in group]
            continue
        lots = list(dict.fromkeys(note.about.removeprefix("lot ") for note in group))
        if len(lots) == 1:
            told.append(f"lot {lots[0]}: {kind}: {len(group)} things; the record says which")
            continue
        some = ", ".join(lots[:3]) + (", ..." if len(lots) > 3 else "")
        told.append(f"{kind}: {len(lots)} lots ({some}); lots.csv says why")
    return told


def _fold(text: str, lead: str) -> list[str]:
    return textwrap.wrap(
        " ".join(text.split()), WIDTH, initial_indent=lead, subsequent_indent=" " * len(lead)
    ) or [""]


def _pair(label: str, value: str) -> list[str]:
    """A label and words beside it."""
    return textwrap.wrap(
        value, WIDTH, initial_indent=f"{label:<14}", subsequent_indent=" " * 14
    ) or [label]


def _row(label: str, value: float, unit: str, more: str = "", digits: int = 1) -> list[str]:
    """A label, a figure set flush right, its unit, and what belongs to it."""
    text = "not known" if not np.isfinite(value) else f"{value:,.{digits}f} {unit}"
    figure = f"{text:>18}" if np.isfinite(value) else f"{text:>15}"
    if unit == "ft":  # the points of feet and square feet under one another
        figure = f"{text + '   ':>18}" if np.isfinite(value) else figure
    indent = " " * (2 + len(label) - len(label.lstrip()))
    *above, last = textwrap.wrap(label.strip(), LABEL + 2 - len(indent)) or [""]
    line = f"{indent + last:<{LABEL + 2}}{figure}"
    if above:
        return [indent + part for part in above] + _row(
            "  " + indent[2:] + last, value, unit, more, digits
        )
    if not more:
        return [line]
    if len(line) + 2 + len(more) <= WIDTH:
        return [f"{line}  {more}"]
    return [line, *_fold(more, " " * 8)]


def _basis(site: Site, results: facts.Results) -> list[str]:
    """What the figures rest on."""
    from pyproj import CRS

    crs = CRS.from_user_input(site.crs)
    code = crs.to_authority()
    lines = _pair("Coordinates", crs.name + (f", {code[0]}:{code[1]}" if code else ""))
    shore = [MHW_ORIGINS[site.mhw_origin]]
    shore += [f"{key} {site.mhw_facts[key]}" for key in ("epoch",) if key in site.mhw_facts]
    if "elevation_ft" in site.mhw_facts:
        datum = site.mhw_facts.get("vertical_datum", "")
        shore.append(f"{site.mhw_facts['elevation_ft']:g} ft {datum}".strip())
    if "position_rmse_ft" in site.mhw_facts:
        shore.append(f"position error {site.mhw_facts['position_rmse_ft']:g} ft")
    lines += _pair("Shore", "; ".join(shore))
    low, high = facts.band_ft(site, results)
    model = facts.parameter(results, "slices", "canopy_model", "none used")
    model += " (leaf area by lidar returns)" if model == "profile" else ""
    if site.heights is None:
        return [*lines, *_pair("Heights", "none given")]
    source, done = facts.height_source(site, results)
    rmse = None if source is None else source.rmse_ft
    heights = done or ("error not stated" if rmse is None else f"error {rmse:g} ft")
    lines += _pair("Heights", f"{heights}; window band {low:g}-{high:g} ft; canopy model {model}")
    rows = facts.table(results, "calibrate", "calibration")
    return lines if rows is None else lines + _pair("Sticks", short_words(rows.iloc[0]))


def _value(rows: Any, column: str) -> float:
    """A figure of a table of one lot, NaN where the table or the column is not there."""
    if rows is None or column not in rows.columns:
        return float("nan")
    return float(rows[column].iloc[0])


def _lot_block(results: facts.Results, lot: str) -> list[str]:
    """All figures of one lot."""
    lines = [f"Lot {lot}"]
    row = facts.table(results, "frontage", "lots", lot)
    if row is None:
        return [*lines, "  no frontage was measured"]
    n = int(row["n_stretches"].iloc[0])
    if n == 0:
        lines += _fold(str(row["reason"].iloc[0]) or "no frontage", "  ")
        return [*lines, *_row("lot area", _value(row, "lot_area_ft2"), "sq ft", digits=0)]
    lines += _row("frontage along the line", _value(row, "frontage_length_ft"), "ft")
    lines += _row("frontage, straight", _value(row, "frontage_chord_ft"), "ft")
    if n > 1:
        stretches = facts.table(results, "frontage", "frontage", lot)
        for one in [] if stretches is None else stretches.itertuples():
            lines += _row(f"  stretch {one.stretch_id}", one.frontage_length_ft, "ft")
    lines += _row("lot area", _value(row, "lot_area_ft2"), "sq ft", digits=0)
    limits = facts.table(results, "riparian-lines", "riparian_lines", lot)
    if limits is not None:
        words = facts.riparian_label(limits)
        crossing = " (crossing)" if bool(limits["is_crossing"].any()) else ""
        lines += textwrap.wrap(
            words + crossing, WIDTH, initial_indent=f"  {'riparian lines':<{LABEL}}",
            subsequent_indent=" " * (LABEL + 2),
        )  # fmt: skip
    return [*lines, *_fringe_rows(results, lot), *_zone_rows(results, lot)]


def _fringe_rows(results: facts.Results, lot: str) -> list[str]:
    row = facts.table(results, "fringe", "fringe_lots", lot)
    if row is None:
        return []
    if not np.isfinite(_value(row, "fringe_depth_max_ft")):
        return ["  no fringe trees along this frontage"]
    where = f"at station {_value(row, 'fringe_depth_max_station_ft'):.0f}"
    reference = str(row["fringe_reference"].iloc[0]) if "fringe_reference" in row.columns else ""
    lines = _row("fringe depth, greatest", _value(row, "fringe_depth_max_ft"), "ft", where)
    lines += _row("fringe depth, mean", _value(row, "fringe_depth_mean_ft"), "ft")
    if reference:
        lines.append(f"  {'  measured by':<{LABEL}}{reference}")
    over = _value(row, "fringe_over_limit_length_ft")
    if np.isfinite(over):
        limit = facts.parameter(results, "fringe", "fringe_limit_ft", 50.0)
        lines += _row(f"shore where it is over {limit:g} ft", over, "ft")
    lines += _row("shore with a fringe", _value(row, "fringe_length_ft"), "ft")
    trees = int(_value(row, "n_fringe_trees"))
    return [*lines, *_row("trees in the fringe", trees, "    ", digits=0)]


def _zone_rows(results: facts.Results, lot: str) -> list[str]:
    row = facts.table(results, "zone", "zone", lot)
    if row is None:
        return []
    if _value(row, "zone_area_ft2") <= 0:
        reason = str(row["reason"].iloc[0]) if "reason" in row.columns else ""
        return _fold(reason if reason.startswith("no zone") else f"no zone: {reason}", "  ")
    lines = _row("zone, area", _value(row, "zone_area_ft2"), "sq ft", digits=0)
    lines += _row("zone, along the shore", _value(row, "zone_length_ft"), "ft")
    lines += _row("zone, greatest width", _value(row, "zone_width_max_ft"), "ft")
    lines += _row("zone, mean width", _value(row, "zone_width_mean_ft"), "ft")
    taken = facts.table(results, "zone", "zone_taken", lot)
    for one in [] if taken is None else taken.itertuples():
        if np.isfinite(one.taken_area_ft2):
            lines += _row(f"  taken by {one.setback_name}", one.taken_area_ft2, "sq ft", digits=0)
    return lines


def _lot_table(results: facts.Results, ids: list[str]) -> list[str]:
    """One line a lot, for many lots."""
    figures = [
        (head, digits, rows.set_index(rows["lot_id"].astype(str))[column])
        for head, digits, operation, name, column in LOT_FIGURES
        if (rows := facts.table(results, operation, name)) is not None
    ]
    fronts = facts.table(results, "frontage", "lots")
    if fronts is not None:  # those on the water first
        have = set(fronts.loc[fronts["n_stretches"] > 0, "lot_id"].astype(str))
        ids = sorted(ids, key=lambda lot: lot not in have)
    lines = [f"{len(ids)} lots", f"  {'lot':<22}" + "".join(f"{head:>14}" for head, *_ in figures)]
    for lot in ids[:MAX_ROWS]:
        values = ((column.get(lot, np.nan), digits) for _, digits, column in figures)
        shown = (f"{v:,.{d}f}" if np.isfinite(v) else "-" for v, d in values)
        name = lot if len(lot) <= 21 else lot[:18] + "..."
        lines.append(f"  {name:<22}" + "".join(f"{cell:>14}" for cell in shown))
    if len(ids) > MAX_ROWS:
        lines.append(f"  and {len(ids) - MAX_ROWS} more, see lots.csv")
    if fronts is not None:
        none = int((fronts["n_stretches"] == 0).sum())
        lines.append(f"  {none} of {len(ids)} without frontage")
    return lines


def _trees(site: Site, results: facts.Results, ids: list[str]) -> list[str]:
    """Crowns by height class and kind, and how much of their canopy is in the band."""
    rows = facts.crown_rows(site, results)
    if rows is None:
        return ["", "Trees", "  no crowns were given"]
    is_placed = facts.table(results, "fringe", "fringe_crowns") is not None
    mine = rows[rows["lot_id"].isin(ids)] if is_placed else rows
    where = "on the measured lots and their water" if is_placed else "of the site"
    lines = ["", f"Trees: {len(mine)} of {len(rows)} crowns, {where}"]
    if not len(mine):
        return lines
    kinds = ("mangrove", "other", "unknown")
    if facts.table(results, "heights", "heights") is None:
        counts = ", ".join(f"{(mine['kind'] == kind).sum()} {kind}" for kind in kinds)
        return [*lines, f"  {counts}; heights were not measured"]
    lines.append(f"  {'top height':<16}" + "".join(f"{kind:>11}" for kind in kinds))
    names = [*facts.height_class_names(results), "no data"]
    shown = mine["height_class"].fillna("no data")
    for name in names:
        cells = [int(((shown == name) & (mine["kind"] == kind)).sum()) for kind in kinds]
        if any(cells) or name != "no data":
            lines.append(f"  {name:<16}" + "".join(f"{cell:>11}" for cell in cells))
    return [*lines, *_too_close(results, mine), *_band_share(site, results, mine)]


def _too_close(results: facts.Results, mine: Any) -> list[str]:
    heights = facts.table(results, "heights", "heights")
    close = heights.loc[heights["is_too_close"].fillna(False).astype(bool), "crown_id"].astype(str)
    n = int(mine["crown_id"].isin(set(close)).sum())
    return _row("heights too close to a limit", n, "    ", digits=0) if n else []


def _band_share(site: Site, results: facts.Results, mine: Any) -> list[str]:
    slices = facts.table(results, "slices", "slices")
    if slices is None:
        return []
    rows = slices[slices["crown_id"].astype(str).isin(set(mine["crown_id"]))]
    rows = rows[~rows["is_partial"].fillna(True).astype(bool)]
    whole, band = float(rows["volume_ft3"].sum()), float(rows["volume_band_ft3"].sum())
    low, high = facts.band_ft(site, results)
    if not whole > 0:
        return []
    more = f"of {whole:,.0f} cu ft"  # crowns that overlap both count
    return _row(f"crown volumes in {low:g}-{high:g} ft, summed", 100.0 * band / whole, "%", more)


def _flags(site: Site, results: facts.Results, ids: list[str]) -> list[str]:
    """How many crowns and trunks are past each setback."""
    flags = facts.table(results, "setbacks", "setback_flags")
    if flags is None:
        return []
    rows = facts.crown_rows(site, results)
    if rows is not None and facts.table(results, "fringe", "fringe_crowns") is not None:
        mine = set(rows.loc[rows["lot_id"].isin(ids), "crown_id"])
        flags = flags[flags["crown_id"].astype(str).isin(mine)]
    lines = ["", f"Crowns inside setbacks{'':>14}wholly    partly    trunks"]
    names: Iterable[Any] = dict.fromkeys(flags["setback_name"])
    for name in names:
        one = flags[flags["setback_name"] == name]
        cells = [int((one["inside"] == word).sum()) for word in ("wholly", "partly")]
        trunks = one["is_trunk_past_setback"]
        cells.append(int(trunks.fillna(False).astype(bool).sum()))
        label, *rest = textwrap.wrap(str(name), LABEL - 2) or [""]
        lines.append(f"  {label:<{LABEL - 1}}" + "".join(f"{cell:>7}   " for cell in cells))
        lines += [f"    {part}" for part in rest]
    return lines
