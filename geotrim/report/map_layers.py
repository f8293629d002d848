"""The layers of the overview map, drawn from the ground up; each tells its legend entry."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np
import shapely
import shapely.affinity
from shapely.ops import substring

from geotrim.model import MHW_ORIGINS, Site
from geotrim.report import facts
from geotrim.report.crown_marks import MANY, common_prefix, crown_entries, draw_crowns, label_crowns
from geotrim.report.depth_words import between, deepest_row, depth_words
from geotrim.report.furniture import Entry
from geotrim.report.palette import (
    BLACK,
    BLUE,
    GREEN,
    GREY,
    LOT_FACE,
    NEIGHBOUR_FACE,
    ORANGE,
    PURPLE,
    class_styles,
)
from geotrim.report.shapes import draw_area, draw_line, halo, parts_of, words_along
from geotrim.report.station_ticks import tick_step, ticks_of
from geotrim.report.window_marks import draw_eyes, draw_treatments, draw_windows, eye_room

MHW_DASH = (0, (7.0, 1.6, 1.4, 1.6))
RIPARIAN_DASH = (0, (5.0, 2.0))
CHANNEL_DASH = (0, (1.2, 1.6))
MOUTH_DASH = (0, (8.0, 1.6, 1.0, 1.6, 1.0, 1.6))
FRINGE_DASH = (0, (2.4, 1.4))
SETBACK_HATCHES = ("\\\\", "--", "||", "++")
SETBACK_HATCH_COLOUR = "#C79BB8"
Box = tuple[float, float, float, float]
#: More stretches than this are not named one by one: the lot's name stands at its longest.
MOST_NAMED = 12
#: Frontage shorter than this has no stations on a crowded sheet. [in]
LEAST_FRONTAGE_IN = 0.2


@dataclass(frozen=True, slots=True, eq=False)
class Sheet:
    """What a layer needs: axes, data, the lots shown, the frame and its scale."""

    ax: Any
    site: Site
    results: facts.Results
    lots: list[str]
    frame: tuple[float, float, float, float]
    per_inch: float  # map units in an inch of paper
    taken: list[Box]  # places of words, which crown labels keep clear of
    cover: Any  # crowns in the frame as one shape a little larger, for words to keep clear of
    words: list[Any] = field(default_factory=list)  # words already there, as turned boxes

    def has_room(
        self, x: float, y: float, text: str, size_pt: float, turn_deg: float = 0.0
    ) -> bool:
        """Whether words centred here lie in the frame and on no others; if so they are noted."""
        if not shapely.intersects_xy(self.window, x, y):
            return False
        half = 0.32 * len(text) * size_pt / 72.0 * self.per_inch
        high = 0.42 * size_pt / 72.0 * self.per_inch
        box = shapely.affinity.rotate(
            shapely.box(x - half, y - high, x + half, y + high), turn_deg, origin=(x, y)
        )
        if len(self.words) and shapely.intersects(np.array(self.words), box).any():
            return False
        self.words.append(box)
        self.take(x, y, text, size_pt, turn_deg)
        return True

    def take(self, x: float, y: float, text: str, size_pt: float, turn_deg: float = 0.0) -> None:
        """Keep crown labels away from words centred here."""
        wide = 0.3 * len(text) * size_pt / 72.0 * self.per_inch
        high = 0.6 * size_pt / 72.0 * self.per_inch
        c, s = abs(np.cos(np.radians(turn_deg))), abs(np.sin(np.radians(turn_deg)))
        half_w, half_h = wide * c + high * s, wide * s + high * c
        self.taken.append((x - half_w, y - half_h, x + half_w, y + half_h))

    @property
    def feet(self) -> float:
        return facts.feet_of(self.site)

    @property
    def window(self) -> Any:
        return shapely.box(*self.frame)

    def table(self, operation: str, name: str) -> Any:
        """A table's rows of the lots shown, or None."""
        rows = facts.table(self.results, operation, name)
        if rows is None or "lot_id" not in rows.columns:
            return rows
        rows = rows[rows["lot_id"].isin(self.lots)]
        return rows if len(rows) else None


def crown_cover(site: Site, frame: Box, per_inch: float) -> Any:
    """Crowns in the frame and a narrow strip round them, as one shape."""
    if site.crowns is None:
        return shapely.Polygon()
    shapes = np.asarray(site.crowns.geometry.array, dtype=object)
    shapes = shapes[shapely.intersects(shapes, shapely.box(*frame))]
    strip = 0.06 * per_inch
    return shapely.union_all(
        shapely.buffer(shapely.simplify(shapes, strip / 3), strip, quad_segs=2)
    )


def draw_layers(sheet: Sheet) -> list[Entry]:
    """Draw all there is; legend entries in reading order."""
    entries = [*_lots(sheet), *_shore(sheet), *_frontage(sheet), *_riparian(sheet)]
    entries += [*_other_lines(sheet), *_zone_and_fringe(sheet), *_transects(sheet)]
    entries += [*_setbacks(sheet), *_exclusions(sheet), *draw_windows(sheet), *draw_eyes(sheet)]
    return [*entries, *_crowns(sheet)]


def _line_handle(**look: Any) -> Any:
    from matplotlib.lines import Line2D

    return Line2D([], [], **look)


def _patch_handle(**look: Any) -> Any:
    from matplotlib.patches import Patch

    return Patch(**look)


def _lots(sheet: Sheet) -> list[Entry]:
    entries: list[Entry] = []
    lots = sheet.site.lots
    is_shown = lots["lot_id"].astype(str).isin(sheet.lots)
    for rows, face, width, words in (
        (lots[~is_shown], NEIGHBOUR_FACE, 0.7, "neighbouring lot"),
        (lots[is_shown], LOT_FACE, 1.5, "lot"),
    ):
        n_seen = 0
        for row in rows.itertuples():
            look = {"facecolor": face, "edgecolor": BLACK, "linewidth": width, "zorder": 1.0}
            draw_area(sheet.ax, row.geometry, **look, gid=f"lot-{row.lot_id}")
            seen = shapely.intersection(row.geometry, sheet.window)
            if not shapely.is_empty(seen):
                n_seen += 1
                _name_lot(sheet, str(row.lot_id), seen)
        if n_seen:
            handle = _patch_handle(facecolor=face, edgecolor=BLACK, lw=width)
            entries.append((handle, words if n_seen == 1 else f"{words}s"))
    return entries[::-1]


def _name_lot(sheet: Sheet, lot_id: str, seen: Any) -> None:
    """The lot's id on the part of it that is in the frame and free of crowns, if it has room."""
    free = seen.buffer(-0.12 * sheet.per_inch)
    free = shapely.difference(free, sheet.cover)
    for taken in (facts.union_of(sheet.site.exclusions), eye_room(sheet)):
        free = free if taken is None else shapely.difference(free, taken)
    parts = parts_of(free, 2)
    if not parts:
        return
    largest = max(parts, key=shapely.area)
    half, high = 0.045 * (len(lot_id) + 4) * sheet.per_inch, 0.07 * sheet.per_inch
    for spot in (largest.centroid, shapely.maximum_inscribed_circle(largest)):
        x, y = shapely.get_coordinates(spot)[0]
        words = shapely.box(x - half, y - high, x + half, y + high)
        if shapely.area(shapely.intersection(words, free)) > 0.97 * words.area:
            break
    else:
        return
    sheet.ax.text(
        x, y, f"lot {lot_id}", fontsize=8.5, weight="bold", color="#404040", ha="center",
        va="center", zorder=2.0, path_effects=halo(), gid=f"lot-name-{lot_id}",
    )  # fmt: skip


def _shore(sheet: Sheet) -> list[Entry]:
    words = MHW_ORIGINS[sheet.site.mhw_origin]
    look = {"color": BLUE, "linewidth": 1.5, "linestyle": MHW_DASH}
    whole = facts.union_of(sheet.site.mhw_line)
    draw_line(sheet.ax, whole, casing=0.9, zorder=4.0, **look)
    frontage = facts.union_of(sheet.table("frontage", "frontage"))
    seen = shapely.intersection(shapely.line_merge(whole), sheet.window)
    if frontage is not None:
        seen = shapely.difference(seen, frontage.buffer(2.0 / sheet.feet))
    seen = shapely.difference(seen, sheet.cover)
    longest = max(parts_of(seen, 1), key=shapely.length, default=None)
    short = words.split(",")[0]
    if longest is not None and longest.length > 0.06 * len(short) * sheet.per_inch:
        words_along(
            sheet.ax, longest, short, 0.5, fontsize=7, color=BLUE, zorder=6.5, gid="shore-label"
        )
    return [(_line_handle(**look), words)]


def _frontage(sheet: Sheet) -> list[Entry]:
    rows = sheet.table("frontage", "frontage")
    if rows is None:
        return []
    for row in rows.itertuples():
        draw_line(
            sheet.ax, row.geometry, casing=0.8, color=BLACK, linewidth=2.4, zorder=4.2,
            solid_capstyle="butt", gid=f"frontage-{row.stretch_id}",
        )  # fmt: skip
        is_short = row.geometry.length < LEAST_FRONTAGE_IN * sheet.per_inch
        if not (is_short and len(rows) > MOST_NAMED):
            _ticks(sheet, row)
    for row, words in _named_stretches(rows):
        _name_stretch(sheet, row, words)
    step = _tick_step(sheet)
    handle = _line_handle(color=BLACK, linewidth=2.4)
    return [(handle, f"frontage; a tick every {step:,g} ft from its left end looking to the water")]


def _named_stretches(rows: Any) -> list[tuple[Any, str]]:
    """Stretches to name, and how: those of lots that have several; of many, one a lot."""
    if len(rows) <= MOST_NAMED:
        several = rows[rows.groupby("lot_id")["lot_id"].transform("size") > 1]
        return [(row, f"stretch {row.stretch_id}") for row in several.itertuples()]
    longest = rows.sort_values("frontage_length_ft", ascending=False).drop_duplicates("lot_id")
    return [(row, f"lot {row.lot_id}") for row in longest.itertuples()]


def _name_stretch(sheet: Sheet, row: Any, text: str) -> None:
    """The stretch's name on the land side, behind the station figures, off the crowns if it can."""
    wide = 0.075 * len(text) * sheet.per_inch
    best = (np.inf, 0.0, 0.0, np.zeros(2))
    for share in (0.5, 0.35, 0.65, 0.2, 0.8):
        here, way = _place(row.geometry, share)
        land = np.array([way[1], -way[0]])  # water is on the left of the line
        x, y = here + land * 0.36 * sheet.per_inch
        span = shapely.LineString([(x, y) - way * wide / 2, (x, y) + way * wide / 2])
        over = float(shapely.length(shapely.intersection(span, sheet.cover)))
        best = min(best, (over, x, y, way), key=lambda b: b[0])
    _, x, y, way = best
    turn = (np.degrees(np.arctan2(way[1], way[0])) + 90.0) % 180.0 - 90.0
    if not sheet.has_room(x, y, text, 7.0, turn):
        return
    sheet.ax.text(
        x, y, text, fontsize=7, weight="bold", rotation=turn, rotation_mode="anchor", ha="center",
        va="center", zorder=6.5, path_effects=halo(), clip_on=True,
        gid=f"stretch-label-{row.stretch_id}",
    )  # fmt: skip


def _tick_step(sheet: Sheet) -> float:
    """Ticks at least a sixth of an inch apart."""
    return tick_step(sheet.per_inch / 6.0 * sheet.feet)


def _ticks(sheet: Sheet, row: Any) -> None:
    """Station ticks on the land side, with their figures."""
    start, length = float(row.station_from_ft), float(row.frontage_length_ft)
    line = row.geometry
    for station, is_figured in ticks_of(start, start + length, _tick_step(sheet)):
        share = min(max((station - start) / length, 0.0), 1.0) if length else 0.0
        here, way = _place(line, share)
        land = np.array([way[1], -way[0]])  # water is on the left of the line
        tip = here + land * 0.055 * sheet.per_inch
        sheet.ax.plot(*zip(here, tip, strict=True), color=BLACK, lw=1.0, zorder=4.3)
        if is_figured:
            spot = here + land * 0.14 * sheet.per_inch
            text = f"{round(station)}"
            if not sheet.has_room(spot[0], spot[1], text, 6.3):
                continue
            sheet.ax.text(
                *spot, text, fontsize=6.3, ha="center", va="center", zorder=6.6,
                path_effects=halo(1.6), clip_on=True, gid=f"station-{text}",
            )  # fmt: skip


def _place(line: Any, share: float) -> tuple[Any, Any]:
    """Point at a share of a line, and the unit direction of the line there."""
    s = share * line.length
    a = shapely.get_coordinates(line.interpolate(max(s - 1e-3 * line.length, 0.0)))[0]
    b = shapely.get_coordinates(line.interpolate(min(s + 1e-3 * line.length, line.length)))[0]
    way = b - a
    here = shapely.get_coordinates(line.interpolate(s))[0]
    return here, way / max(float(np.hypot(*way)), 1e-12)


def _riparian(sheet: Sheet) -> list[Entry]:
    rows = sheet.table("riparian-lines", "riparian_lines")
    if rows is None:
        return []
    label = facts.riparian_label(rows)
    look = {"color": BLACK, "linewidth": 1.2, "linestyle": RIPARIAN_DASH}
    for row in rows.itertuples():
        draw_line(sheet.ax, row.geometry, casing=0.7, zorder=4.1, **look)
        seen = shapely.intersection(row.geometry, sheet.window)
        longest = max(parts_of(seen, 1), key=shapely.length, default=None)
        if longest is None or longest.length < 0.35 * sheet.per_inch:
            continue
        room_in = longest.length / sheet.per_inch
        part = 0.4 if room_in > 1.2 else 0.0  # the outer part is the clear one
        outer = substring(longest, part, 1.0, normalized=True)
        options = (f"riparian line, {label}", label, "proposed")
        room = room_in * (1.0 - part)
        words = next((w for w in options if 0.054 * len(w) < room), "proposed")
        lift = 3.0 if row.side == "left" else -3.0
        middle = outer.interpolate(0.5, normalized=True)
        ends = shapely.get_coordinates(outer)[[0, -1]]
        turn = float(np.degrees(np.arctan2(*(ends[1] - ends[0])[::-1])))
        if not sheet.has_room(middle.x, middle.y, words, 6.3, turn):
            continue
        words_along(
            sheet.ax, outer, words, 0.5, lift_pt=lift, fontsize=6.3, zorder=6.4,
            gid=f"riparian-label-{row.lot_id}-{row.side}",
        )  # fmt: skip
    return [(_line_handle(**look), f"riparian line, {label}")]


def _other_lines(sheet: Sheet) -> list[Entry]:
    entries: list[Entry] = []
    for rows, words, colour, dashes in (
        (sheet.site.channel, "channel line", BLUE, CHANNEL_DASH),
        (sheet.site.mouth_line, "mouth line", GREY, MOUTH_DASH),
    ):
        whole = facts.union_of(rows)
        if whole is None:
            continue
        look: dict[str, Any] = {"color": colour, "linewidth": 1.4, "linestyle": dashes}
        draw_line(sheet.ax, whole, zorder=2.5, **look)
        if whole.intersects(sheet.window):
            entries.append((_line_handle(**look), words))
    return entries


def _closed(sheet: Sheet, shape: Any) -> Any:
    """The shape without the hairline gaps between its strips, for the drawing only."""
    if shape is None:
        return None
    hair = 0.25 / sheet.feet
    return shape.buffer(hair, join_style="mitre").buffer(-hair, join_style="mitre")


def _zone_and_fringe(sheet: Sheet) -> list[Entry]:
    entries: list[Entry] = []
    zone = _closed(sheet, facts.union_of(sheet.table("zone", "zone")))
    if zone is not None and not shapely.is_empty(zone):
        wide = {"edgecolor": ORANGE, "linewidth": 3.2}  # light, for the fringe's dashes upon it
        draw_area(sheet.ax, zone, facecolor=ORANGE, alpha=0.16, lw=0.0, zorder=2.2, gid="zone-fill")
        draw_area(sheet.ax, zone, fill=False, zorder=4.5, gid="zone", **wide)
        handle = _patch_handle(facecolor="#FBEBC8", **wide)
        entries.append((handle, "zone where trimming may be considered, not where it is allowed"))
    fringe = _closed(sheet, facts.union_of(sheet.table("fringe", "fringe")))
    if fringe is not None and not shapely.is_empty(fringe):
        look = {"edgecolor": GREEN, "linewidth": 1.5, "linestyle": FRINGE_DASH}
        draw_area(sheet.ax, fringe, fill=False, zorder=4.6, gid="fringe", **look)
        entries.append((_patch_handle(facecolor="none", **look), "mangrove fringe, canopy outline"))
    return entries


def _transects(sheet: Sheet) -> list[Entry]:
    rows = sheet.table("fringe", "transects")
    if rows is None:
        return []
    for line in rows.geometry.array:
        draw_line(sheet.ax, line, color=GREY, linewidth=0.55, alpha=0.75, zorder=2.6)
    entries: list[Entry] = [(_line_handle(color=GREY, linewidth=0.55), "transect, square to shore")]
    row = deepest_row(rows)
    if row is None:
        return entries
    look: dict[str, Any] = {"color": PURPLE, "linewidth": 1.8}
    xy = shapely.get_coordinates(row.geometry)
    draw_line(sheet.ax, row.geometry, casing=0.7, zorder=5.0, **look)
    sheet.ax.plot(
        xy[[0, -1], 0], xy[[0, -1], 1], ls="", marker="o", ms=3.2, color=PURPLE, zorder=5.0,
        markeredgecolor="white", markeredgewidth=0.5, gid="deepest",
    )  # fmt: skip
    limit = float(facts.parameter(sheet.results, "fringe", "fringe_limit_ft", 50.0))
    words = f"deepest: {depth_words(float(row['fringe_depth_ft']), limit)}"
    words += f" at station {row['station_ft']:.0f}, {between(row['reference'])}"
    entries.append((_line_handle(marker="o", ms=3.2, **look), words))
    return entries


def _setbacks(sheet: Sheet) -> list[Entry]:
    rows = sheet.table("setbacks", "setbacks")
    if rows is None:
        return []
    entries: list[Entry] = []
    shown_anyway = [] if sheet.site.exclusions is None else list(sheet.site.exclusions["name"])
    names = [n for n in dict.fromkeys(rows["setback_name"]) if n not in shown_anyway]
    for k, name in enumerate(names):
        mine = rows[rows["setback_name"] == name]
        strip = facts.union_of(mine)
        hatch = SETBACK_HATCHES[k % len(SETBACK_HATCHES)]
        look = {"facecolor": "none", "edgecolor": SETBACK_HATCH_COLOUR, "hatch": hatch, "lw": 0.9}
        draw_area(sheet.ax, strip, zorder=2.4, gid=f"setback-{name}", **look)
        draw_area(sheet.ax, strip, fill=False, edgecolor=PURPLE, lw=0.9, zorder=4.35)
        if strip.intersects(sheet.window):
            words = facts.setback_label(str(name), float(mine["distance_ft"].iloc[0]))
            swatch = look | {"hatch": 2 * hatch}  # a swatch is small: closer lines, or none show
            entries.append((_patch_handle(**swatch), words))
    return entries


def _exclusions(sheet: Sheet) -> list[Entry]:
    rows = sheet.site.exclusions
    if rows is None or len(rows) == 0:
        return []
    look = {"facecolor": "none", "edgecolor": GREY, "hatch": "xx", "linewidth": 1.4}
    entries: list[Entry] = []
    for row in rows.itertuples():
        draw_area(sheet.ax, row.geometry, zorder=2.3, gid=f"exclusion-{row.name}", **look)
        draw_area(sheet.ax, row.geometry, fill=False, ec="#333333", lw=1.4, ls=":", zorder=4.36)
        if shapely.intersects(row.geometry, sheet.window):
            entries.append((_patch_handle(**look), f"exclusion: {row.name}"))
    return entries


def _crossing(sheet: Sheet) -> Any:
    """Heavy lines over the crowns, in their width: shore, frontage and the deepest transect."""
    lines = [
        facts.union_of(sheet.site.mhw_line),
        facts.union_of(sheet.table("frontage", "frontage")),
        _deepest(sheet.table("fringe", "transects")),
    ]
    seen = shapely.intersection([line for line in lines if line is not None], sheet.window)
    return shapely.union_all(shapely.buffer(seen, 1.2 / 72.0 * sheet.per_inch, quad_segs=2))


def _deepest(rows: Any) -> Any:
    """The line of the deepest transect, or None where no depth is known."""
    row = deepest_row(rows)
    return None if row is None else row.geometry


def _crowns(sheet: Sheet) -> list[Entry]:
    rows = facts.crown_rows(sheet.site, sheet.results)
    if rows is not None:
        rows = rows[shapely.intersects(rows.geometry.array, sheet.window)]
    if rows is None or len(rows) == 0:
        return [(_patch_handle(facecolor="none", edgecolor="none"), "no crowns in this frame")]
    styles = class_styles(facts.height_class_names(sheet.results))
    draw_crowns(sheet.ax, rows, styles, sheet.per_inch)
    treatments = draw_treatments(sheet, rows)
    left_out = label_crowns(sheet.ax, rows, styles, sheet.per_inch, sheet.taken, _crossing(sheet))
    entries = [*treatments, *crown_entries(rows, styles)]
    prefix = common_prefix([str(i) for i in rows["crown_id"]])
    words = "in a crown: its id"
    words += f" without {prefix!r}" if prefix else ""
    if facts.table(sheet.results, "heights", "heights") is not None:
        words += ", below it the top height, ft"
    words += f"; {left_out} too small to label" if left_out else ""
    if len(rows) > MANY:
        words = f"{len(rows)} crowns: too many to label"
    entries.append((_patch_handle(facecolor="none", edgecolor="none"), words))
    return entries
