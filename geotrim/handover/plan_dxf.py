"""The plan view of one lot as a drawing for a surveyor, in the site's own coordinates.

Layers carry plain names of the trade; all is black or grey, and told apart by line types, weights
and words. The drawing is in the site's CRS and its unit, never rescaled.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import shapely

from geotrim.errors import LayerError
from geotrim.io.dxf import SIGN_IN, Layer, Shape, Words, unit_number, write_dxf
from geotrim.io.package_read import Package
from geotrim.model import Note
from geotrim.report.sheets.plan_frame import is_blank, overall_view
from geotrim.report.sheets.plan_lot import PlanLot, Stretch, Tree, plan_lot, shapes_of
from geotrim.report.station_ticks import tick_step, ticks_of
from geotrim.units import FOOT_M

#: Letters and ticks on paper at the plan's scale; numbers of crowns shrink to fit. [in]
LETTER_IN, SMALL_IN, TICK_IN = 0.10, 0.05, 0.10
#: Stations are at least this far apart on paper. [in]
STATION_IN = 0.5
#: Signs in a line of the notes.
NOTE_SIGNS = 90
DASH, SHORT, DOT = (0.15, 0.06), (0.08, 0.05), (0.015, 0.045)
LONG = (0.12, 0.08)

LAYERS = (
    Layer("LOT", "lot that was measured", 7, (), 0.50),
    Layer("NEIGHBOUR", "neighbouring lots", 8, (), 0.18),
    Layer("MHW_LINE", "shore line; its origin is told in the notes", 7,
          (0.25, 0.06, 0.05, 0.06), 0.50),
    Layer("FRONTAGE", "frontage of the lot along the shore line", 7, (), 0.35),
    Layer("RIPARIAN_LINE_PROPOSED", "riparian lines, proposed, not adjudicated", 7, DASH, 0.35),
    Layer("FRINGE", "mangrove fringe, canopy outline", 7, SHORT, 0.25),
    Layer("ZONE", "zone where trimming may be considered, not where it is allowed", 8, (), 0.60),
    Layer("SETBACK", "setbacks", 8, (0.15, 0.05, 0.05, 0.05), 0.25),
    Layer("EXCLUSION", "exclusions", 8, (0.10, 0.04, 0.02, 0.04), 0.25),
    Layer("SET_ASIDE", "land set aside", 8, (0.20, 0.05, 0.02, 0.05, 0.02, 0.05), 0.25),
    Layer("CROWN_CUT", "crowns to be cut: the plan says how", 7, (), 0.40),
    Layer("CROWN_LEFT", "mangroves left as they are", 7, (), 0.18),
    Layer("CROWN_NOT_MANGROVE", "plants that are no mangroves", 7, LONG, 0.25),
    Layer("CROWN_SPECIES_UNKNOWN", "plants of unknown species, left as they are", 7, DOT, 0.25),
    Layer("TRUNK", "trunks, where surveyed"),
    Layer("STATION", "stations along the frontage, international feet", 7, (), 0.18),
    Layer("WINDOW_SPAN", "spans of the window", 7, (0.30, 0.05), 0.60),
    Layer("SECTION", "lines of the cross-sections", 7, (0.20, 0.04, 0.04, 0.04), 0.35),
    Layer("EYE", "eyes: where it is looked from"),
    Layer("TEXT", "numbers of crowns and other words", 7, (), 0.18),
    Layer("NOTES", "what must be known of this drawing", 7, (), 0.18),
)  # fmt: skip


def write_plan_dxf(
    package: Package, lot_id: str, path: Path, scale_ft: int | None = None
) -> tuple[Note, ...]:
    """Write the plan view of a lot as DXF.

    Parameters
    ----------
    package : Package
    lot_id : str
    path : Path
    scale_ft : int, optional
        Feet in an inch of paper, for which words, ticks and dashes are sized; that of the plan
        view where it is left out.

    Returns
    -------
    tuple of Note
        What the user should be told: a unit the format has no number for.

    Raises
    ------
    LayerError
        If the lot is not in the package, or the package holds nothing of it to draw.
    RangeError
        If the plan does not fit on a sheet at the scale that was asked for.
    FileError
        If the file cannot be written.
    """
    if lot_id not in package.lot_ids():
        known = ", ".join(package.lot_ids()[:10])
        raise LayerError("lot", f"no lot {lot_id!r} in the package", f"one of {known}", "check it")
    lot = plan_lot(package, lot_id)
    if is_blank(lot):
        found = f"nothing of lot {lot_id} to draw"
        raise LayerError("lots", found, "its polygon, shore or crowns", "choose another lot")
    paper_in = overall_view(lot, scale_ft).frame.scale_ft / package.feet_per_unit
    shapes = [*_ground(package, lot), *_trees(lot), *_stations(lot, paper_in)]
    words = [*_crown_numbers(lot, paper_in), *_station_words(lot, paper_in), *_names(lot, paper_in)]
    unit_m = package.feet_per_unit * FOOT_M
    told = notes_of(package, lot)
    words += _notes_block(told, shapes, paper_in)
    title = f"{package.site_name}, lot {lot_id}: plan view. Not a survey."
    is_told = write_dxf(path, LAYERS, shapes, words, unit_m=unit_m, paper_in=paper_in, title=title)
    if is_told:
        return ()
    text = (
        f"the drawing's unit ({package.record['crs']['map_unit']}) has no number in DXF: unitless"
    )
    return (Note(path.name, text, "info"),)


def notes_of(package: Package, lot: PlanLot) -> list[str]:
    """What must be known of the drawing, in sentences."""
    crs = package.record["crs"]
    code = f" ({crs['code']})" if crs.get("code") else ""
    number = unit_number(package.feet_per_unit * FOOT_M)
    unit = f"Unit: {crs['map_unit']}, as the CRS has it"
    unit += "." if number else "; DXF has no number for it, so the drawing says unitless."
    return [
        f"{package.site_name}, lot {lot.lot_id}: plan view. NOT A SURVEY.",
        f"CRS: {crs['name']}{code}. Coordinates are the site's own, neither moved nor rescaled; "
        "grid lengths.",
        unit,
        f"Shore line: {lot.mhw_label}.",
        *sorted({f"Riparian lines: {one.name}." for one in lot.riparian}),
        *(f"Setback: {one.name}." for one in lot.setbacks),
        *(f"Exclusion: {one.name}." for one in lot.exclusions),
        *(f"Land set aside: {one.name}, {one.more}." for one in lot.set_aside),
        "Stations are international feet along the frontage, the water on the left.",
        _plan_told(lot),
        *lot.told,
        f"Plan: SHA-256 of its record {package.sha256}.",
        *([f"Changed since the run: {', '.join(package.changed)}."] if package.changed else []),
    ]


def _plan_told(lot: PlanLot) -> str:
    """What the crowns on the layer of cuts were picked by."""
    if lot.plan is None:
        return "No cut was planned: no crown is on layer CROWN_CUT."
    what = "for the window" if lot.plan.is_window else "to the planned heights"
    return f"Crowns to be cut {what} are on layer CROWN_CUT; the plan set says how."


def _ground(package: Package, lot: PlanLot) -> Iterator[Shape]:
    """Lots, lines and areas as the package has them."""
    lots = package.rows("lots")
    for is_mine, layer in ((False, "NEIGHBOUR"), (True, "LOT")):
        rows = lots[(lots["lot_id"].astype(str) == lot.lot_id) == is_mine]
        yield from (Shape(layer, shape) for shape in shapes_of(rows))
    for table, layer, whose in (
        ("mhw_line", "MHW_LINE", None),
        ("frontage", "FRONTAGE", lot.lot_id),
        ("riparian_lines", "RIPARIAN_LINE_PROPOSED", lot.lot_id),
        ("fringe", "FRINGE", lot.lot_id),
        ("zone", "ZONE", lot.lot_id),
        ("setbacks", "SETBACK", None),
        ("exclusions", "EXCLUSION", None),
        ("set_aside", "SET_ASIDE", None),
        ("window_spans", "WINDOW_SPAN", lot.lot_id),
        ("sections", "SECTION", lot.lot_id),
    ):
        yield from (Shape(layer, shape) for shape in shapes_of(package.rows(table, whose)))
    yield from (Shape("EYE", one.shape) for one in lot.eyes)


def crown_layer(tree: Tree) -> str:
    """Layer of a crown: a cut is told first, then what is known of the species."""
    if tree.what != "left":
        return "CROWN_CUT"
    kinds = {"other": "CROWN_NOT_MANGROVE", "unknown": "CROWN_SPECIES_UNKNOWN"}
    return kinds.get(tree.kind, "CROWN_LEFT")


def _trees(lot: PlanLot) -> Iterator[Shape]:
    for tree in lot.trees:
        yield Shape(crown_layer(tree), tree.shape)
        if tree.trunk is not None:
            yield Shape("TRUNK", tree.trunk)


def _crown_numbers(lot: PlanLot, paper_in: float) -> Iterator[Words]:
    """The number in its crown, as large as it fits there, within what can be read.

    Where the sign of the trunk would cut through it, it stands above the sign.
    """
    for tree in lot.trees:
        if tree.shape.is_empty:
            continue
        spot = tree.shape.centroid
        if not tree.shape.contains(spot):
            spot = shapely.point_on_surface(tree.shape)
        across = 2.0 * math.sqrt(tree.shape.area / math.pi)
        fits = across / (0.7 * max(len(tree.number), 1))  # a letter is 0.7 of its height wide
        height = min(max(fits, SMALL_IN * paper_in), LETTER_IN * paper_in)
        x, y, trunk = spot.x, spot.y, tree.trunk
        room = 0.5 * height + SIGN_IN * paper_in
        if trunk is not None and not trunk.is_empty and abs(trunk.y - y) < room:
            y = trunk.y + room
        yield Words("TEXT", x, y, tree.number, height, is_middle=True)


def stations_of(stretch: Stretch, paper_in: float, feet: float) -> list[float]:
    """Stations with a tick: both ends, and round ones no closer than can be read. [ft]."""
    least_ft = STATION_IN * paper_in * feet
    low, high, step = stretch.from_ft, stretch.to_ft, tick_step(least_ft)
    ticks = [station for station, _ in ticks_of(low, high, step)][1:-1]
    return [low, *(s for s in ticks if min(s - low, high - s) >= step / 2), high]


def _at(stretch: Stretch, station_ft: float) -> tuple[Any, Any]:
    """Place of a station, and the unit direction to the land there, right of the line."""
    line = stretch.line
    long = stretch.to_ft - stretch.from_ft
    share = (station_ft - stretch.from_ft) / long if long > 0 else 0.0
    here = line.interpolate(share, normalized=True)
    near = [line.interpolate(min(max(share + d, 0.0), 1.0), normalized=True) for d in (-1e-4, 1e-4)]
    way = np.array([near[1].x - near[0].x, near[1].y - near[0].y])
    way /= max(float(np.hypot(*way)), 1e-12)
    return np.array([here.x, here.y]), np.array([way[1], -way[0]])


def _stations(lot: PlanLot, paper_in: float) -> Iterator[Shape]:
    for stretch in lot.stretches:
        for station in stations_of(stretch, paper_in, lot.feet_per_unit):
            here, land = _at(stretch, station)
            tick = shapely.LineString([here, here + land * TICK_IN * paper_in])
            yield Shape("STATION", tick)


def _station_words(lot: PlanLot, paper_in: float) -> Iterator[Words]:
    for stretch in lot.stretches:
        for station in stations_of(stretch, paper_in, lot.feet_per_unit):
            here, land = _at(stretch, station)
            x, y = here + land * 0.2 * paper_in
            yield Words("STATION", x, y, f"{station:.0f}", 0.08 * paper_in, is_middle=True)


def _names(lot: PlanLot, paper_in: float) -> Iterator[Words]:
    """Names of the lots, window spans, sections, eyes and riparian lines."""
    height = LETTER_IN * paper_in
    for name, shape in ((lot.lot_id, lot.lot), *((n.name, n.shape) for n in lot.neighbours)):
        if shape is not None and not shape.is_empty:
            x, y = shapely.get_coordinates(shapely.point_on_surface(shape))[0]
            yield Words("TEXT", x, y, f"LOT {name}", 1.4 * height, is_middle=True)
    for one in lot.spans:
        x, y = _off_the_trees(lot, one.shape, 3.0 * height)
        yield Words("WINDOW_SPAN", x, y, f"{one.name} {one.more} ft", height, is_middle=True)
    for one in lot.sections:
        ends = shapely.get_coordinates(one.shape)[[0, -1]]
        way = (ends[1] - ends[0]) / max(float(np.hypot(*(ends[1] - ends[0]))), 1e-12)
        for x, y in (ends[0] - way * 1.2 * height, ends[1] + way * 1.2 * height):
            yield Words("SECTION", x, y, one.name, 1.2 * height, is_middle=True)
    for one in lot.eyes:
        x, y = shapely.get_coordinates(one.shape)[0]
        yield Words("EYE", x + 0.1 * paper_in, y, one.name, height)
    for one in lot.riparian:
        x, y = shapely.get_coordinates(one.shape.interpolate(0.5, normalized=True))[0]
        (x0, y0), (x1, y1) = shapely.get_coordinates(one.shape)[[0, -1]]
        turn = (math.degrees(math.atan2(y1 - y0, x1 - x0)) + 90.0) % 180.0 - 90.0
        lift = 0.1 * paper_in
        x, y = x - lift * math.sin(math.radians(turn)), y + lift * math.cos(math.radians(turn))
        yield Words("TEXT", x, y, f"RIPARIAN LINE, {one.name}", 0.8 * height, turn, is_middle=True)


def _off_the_trees(lot: PlanLot, shape: Any, gap: float) -> tuple[float, float]:
    """A place over the water before a span, clear of the crowns and section lines before it."""
    middle = shapely.get_coordinates(shape.centroid)[0]
    if not lot.stretches:
        return float(middle[0]), float(middle[1])
    stretch = min(lot.stretches, key=lambda one: float(one.line.distance(shape)))
    share = stretch.line.project(shapely.Point(middle), normalized=True)
    _, land = _at(stretch, stretch.from_ft + share * (stretch.to_ft - stretch.from_ft))
    own = shapely.get_coordinates(shape) - middle
    before = [*(tree.shape for tree in lot.trees), *(one.shape for one in lot.sections)]
    every = shapely.get_coordinates([shape, *before]) - middle
    along = np.array([-land[1], land[0]])
    is_before = np.abs(every @ along) <= np.abs(own @ along).max()
    x, y = middle - land * (float((every[is_before] @ -land).max()) + gap)
    return float(x), float(y)


def _notes_block(told: list[str], shapes: list[Shape], paper_in: float) -> Iterator[Words]:
    """The notes under the drawing, line by line."""
    west, south, _, _ = shapely.total_bounds([one.shape for one in shapes])
    height = LETTER_IN * paper_in
    y = float(south) - 4.0 * height
    for sentence in told:
        for line in folded(sentence):
            yield Words("NOTES", float(west), y, line, height)
            y -= 1.7 * height


def folded(sentence: str) -> list[str]:
    """A sentence in lines that are no longer than can be read; a long word is cut.

    Examples
    --------
    >>> [len(line) for line in folded("a" * 100)]
    [90, 10]
    """
    lines = [""]
    for word in sentence.split():
        for k in range(0, len(word), NOTE_SIGNS):
            part = word[k : k + NOTE_SIGNS]
            longer = f"{lines[-1]} {part}".strip()
            if len(longer) <= NOTE_SIGNS:
                lines[-1] = longer
            else:
                lines.append(part)
    return lines
