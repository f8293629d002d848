"""Operation ``riparian-lines``: proposed side limits over the water, and the water between them."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import shapely
import shapely.ops

from geotrim.checks import check_lines, check_lots, check_same_crs
from geotrim.core import riparian as core
from geotrim.core.baselines import ShoreIndex
from geotrim.core.shoreline import Array, Chain, Shore, arc_lengths, build_shore
from geotrim.core.stretches import chord_of, joined, length_of
from geotrim.errors import LayerError
from geotrim.model import Note, Result
from geotrim.ops.catalogue import RIPARIAN_LINES
from geotrim.ops.tables import rows_by, shape_table
from geotrim.units import feet_per_map_unit

LABELS = {
    "square-to-shore": "proposed, square to the smoothed shore",
    "square-to-channel": "proposed, square to the channel",
    "prolonged-lot-lines": "proposed, lot lines prolonged",
    "proportional": "proposed, in proportion to frontage",
}
#: A cove must be at least this deep for its width before its mouth can be taken for granted.
COVE_DEPTH_FRAC = 0.1
_CLOSED = "its shore closes on itself: no side limits; its water is what lies within their length"
LINE_COLUMNS = [
    "lot_id",
    "run_id",
    "side",
    "method",
    "label",
    "bearing_deg",
    "length_ft",
    "lot_line_angle_deg",
    "is_crossing",
]


@dataclass(frozen=True, slots=True, eq=False)
class _Front:
    """One run of frontage, left to right, the lot it belongs to, and its ends' places on the shore.

    places : of the left and the right end, the number of the chain and the position on it.
    """

    lot_id: str
    run_id: str
    xy: Array
    lot: Any
    is_closed: bool
    is_measured: bool
    places: tuple[tuple[int, float], tuple[int, float]]


def riparian_lines(
    lots: Any,
    mhw_line: Any,
    frontage: Result,
    *,
    channel: Any = None,
    mouth_line: Any = None,
    riparian_method: str = "square-to-shore",
    smoothing_length_ft: float = 50.0,
    riparian_length_ft: float = 100.0,
) -> Result:
    """Propose the side limits of each lot over the water.

    Parameters
    ----------
    lots, mhw_line : as for ``frontage``
    frontage : Result
        Of the operation ``frontage``, on the same lots.
    channel : GeoDataFrame, optional
        Channel or thread line; needed by ``square-to-channel``.
    mouth_line : GeoDataFrame, optional
        Mouth of a cove, or line of navigability off a headland; used by ``proportional``, which
        else takes the channel, or the straight line across a cove.
    riparian_method : str
        ``square-to-shore``, ``square-to-channel``, ``prolonged-lot-lines`` or ``proportional``.
    smoothing_length_ft, riparian_length_ft : float

    Returns
    -------
    Result
        ``riparian_lines``: two rows a run, ``side`` left and right looking to the water, the line
        from the shore outward. ``lot_line_angle_deg`` is the angle to the lot's own side line
        prolonged; ``is_crossing`` tells that a limit meets another over the water.
        ``riparian_areas``: the water between the limits; where the shore closes on itself, around
        an island or a pond, the water within ``riparian_length_ft`` of it.

    Raises
    ------
    LayerError
        If the method needs a line that was not given.

    Notes
    -----
    Method and source: :mod:`geotrim.core.riparian`.
    """
    parameters = RIPARIAN_LINES.check(
        {
            "riparian_method": riparian_method,
            "smoothing_length_ft": smoothing_length_ft,
            "riparian_length_ft": riparian_length_ft,
        }
    )
    check_lots(lots)
    check_lines(mhw_line, "MHW line")
    check_same_crs(
        {"lots": lots, "MHW line": mhw_line, "channel": channel, "mouth line": mouth_line}
    )
    feet = feet_per_map_unit(lots.crs, "lots")
    corner = float(frontage.parameters.get("corner_deg", 60.0))
    shore = build_shore(mhw_line.geometry.array, smoothing_length_ft / feet, corner)
    every = _fronts(lots, frontage, shore)
    fronts = [front for front in every if not front.is_closed]
    notes = [
        Note(f"lot {front.lot_id}", _CLOSED, "info")
        for front in every
        if front.is_closed and front.is_measured
    ]
    draw = _Drawing(shore, feet, smoothing_length_ft / feet, riparian_length_ft / feet)
    ends, outers, told = _METHODS[riparian_method](draw, fronts, channel, mouth_line)
    table = _line_table(fronts, ends, riparian_method, feet, lots.crs)
    measured = set(lots.loc[lots["is_measured"], "lot_id"].astype(str))
    notes += told + _crossing_notes(table, riparian_method)
    shapes = [
        core.water_polygon(front.xy, left, right, outer)
        for front, (left, right), outer in zip(fronts, ends, outers, strict=True)
    ]
    closed = [front for front in every if front.is_closed]
    shapes += [core.water_around(front.xy, draw.length) for front in closed]
    areas = _area_table([*fronts, *closed], shapes, feet, lots.crs)
    tables = {
        name: whole[whole["lot_id"].isin(measured)].reset_index(drop=True)
        for name, whole in (("riparian_lines", table), ("riparian_areas", areas))
    }
    return Result("riparian-lines", tables, tuple(notes), parameters)


@dataclass(frozen=True, slots=True, eq=False)
class _Drawing:
    """What every method needs, in map units."""

    shore: Shore
    feet: float
    smoothing: float
    length: float

    def normal(self, front: _Front, end: int) -> Array:
        place = front.places[end]
        return core.square_to_shore(self.shore, place, front.xy, end, self.smoothing, 1 / self.feet)

    def offset(self, front: _Front, left: float, right: float) -> Array:
        """The frontage moved out square to the smoothed shore, ends apart."""
        xy = front.xy
        s = arc_lengths(xy)
        chain = Chain(xy, s, False, np.empty(0))
        where = np.linspace(0.0, s[-1], max(2, int(np.ceil(s[-1] * self.feet / 10.0)) + 1))[1:-1]
        out = core.left_of(chain.direction(where, self.smoothing))
        reach = left + (right - left) * where / s[-1]
        return chain.at(where) + out * reach[:, None]


Ends = list[tuple[Array, Array]]
Drawn = tuple[Ends, list[Array], list[Note]]


def _by_direction(draw: _Drawing, fronts: list[_Front], ways: list[tuple[Array, Array]]) -> Drawn:
    """Limits of the stated length in given directions."""
    ends, outers = [], []
    for front, (left, right) in zip(fronts, ways, strict=True):
        a = np.stack([front.xy[0], front.xy[0] + left * draw.length])
        b = np.stack([front.xy[-1], front.xy[-1] + right * draw.length])
        ends.append((a, b))
        between = draw.offset(front, draw.length, draw.length)
        outers.append(np.concatenate([a[1:], between, b[1:]]))
    return ends, outers, []


def _square_to_shore(draw: _Drawing, fronts: list[_Front], channel: Any, mouth: Any) -> Drawn:
    return _by_direction(draw, fronts, [(draw.normal(f, 0), draw.normal(f, -1)) for f in fronts])


def _prolonged(draw: _Drawing, fronts: list[_Front], channel: Any, mouth: Any) -> Drawn:
    ways, notes = [], []
    for front in fronts:
        pair = []
        for end, side in ((0, "left"), (-1, "right")):
            way = core.lot_line_direction(front.lot, front.xy[end], front.xy, 1 / draw.feet)
            normal = draw.normal(front, end)
            if way is None or float(way @ normal) <= 0.1:
                notes.append(
                    Note(
                        f"lot {front.lot_id}",
                        f"no side line leads to the water at its {side} end; the limit there is "
                        "square to the shore",
                        "assumed",
                    )
                )
                way = normal
            pair.append(way)
        ways.append((pair[0], pair[1]))
    ends, outers, _ = _by_direction(draw, fronts, ways)
    return ends, outers, notes


def _square_to_channel(draw: _Drawing, fronts: list[_Front], channel: Any, mouth: Any) -> Drawn:
    line = _one_line(channel, "channel", "square-to-channel")
    ends, outers, notes = [], [], []
    for front in fronts:
        feet = [core.square_to_line(front.xy[e], line) for e in (0, -1)]
        pair = tuple(np.stack([front.xy[e], foot]) for e, foot in zip((0, -1), feet, strict=True))
        for e, foot in zip((0, -1), feet, strict=True):
            if float((foot - front.xy[e]) @ draw.normal(front, e)) <= 0:
                notes.append(
                    Note(
                        f"lot {front.lot_id}",
                        "the channel's nearest point lies on the land side of an end of its "
                        "frontage; check the channel line",
                        "assumed",
                    )
                )
        ends.append((pair[0], pair[1]))
        outers.append(_along(line, feet[0], feet[1]))
    return ends, outers, notes


def _proportional(draw: _Drawing, fronts: list[_Front], channel: Any, mouth: Any) -> Drawn:
    ends: list[tuple[Array, Array] | None] = [None] * len(fronts)
    outers: list[Array] = [np.empty((0, 2))] * len(fronts)
    notes: list[Note] = []
    for group in _by_shore(draw.shore, fronts):
        first, last = fronts[group[0]].xy[0], fronts[group[-1]].xy[-1]
        line, told = _mouth(fronts, group, channel, mouth)
        notes += told
        start, stop = (float(line.project(shapely.Point(p))) for p in (first, last))
        if mouth is not None or told:
            start, stop = (0.0, line.length) if start <= stop else (line.length, 0.0)
        lengths = [length_of(fronts[k].xy) for k in group]
        cuts = core.proportional_cuts(lengths, abs(stop - start))
        places = start + np.sign(stop - start) * cuts
        for k, low, high in zip(group, places[:-1], places[1:], strict=True):
            a, b = (shapely.get_coordinates(line.interpolate(p))[0] for p in (low, high))
            ends[k] = (np.stack([fronts[k].xy[0], a]), np.stack([fronts[k].xy[-1], b]))
            outers[k] = _along(line, a, b)
    return [pair for pair in ends if pair is not None], outers, notes


_METHODS = {
    "square-to-shore": _square_to_shore,
    "square-to-channel": _square_to_channel,
    "prolonged-lot-lines": _prolonged,
    "proportional": _proportional,
}


def _one_line(lines: Any, what: str, method: str) -> Any:
    if lines is None or len(lines) == 0:
        raise LayerError(
            what,
            "nothing",
            f"a line, for the riparian method {method}",
            f"give a {what} line, or choose another riparian_method",
        )
    return shapely.line_merge(shapely.union_all(lines.geometry.array))


def _along(line: Any, a: Array, b: Array) -> Array:
    """Vertices of a line between two points on it; straight where the line is in pieces."""
    if shapely.get_type_id(line) != 1:
        return np.stack([a, b])
    low, high = (float(line.project(shapely.Point(p))) for p in (a, b))
    xy = shapely.get_coordinates(shapely.ops.substring(line, min(low, high), max(low, high)))
    xy = xy if low <= high else xy[::-1]
    return xy if len(xy) > 1 else np.stack([a, b])


def _by_shore(shore: Shore, fronts: list[_Front]) -> list[list[int]]:
    """Fronts of one connected shore together, left to right."""
    groups: dict[tuple[int, int], list[tuple[float, int]]] = {}
    for k, front in enumerate(fronts):
        middle = shapely.LineString(front.xy).interpolate(0.5, normalized=True)
        number, s = shore.locate(middle)
        chain = shore.chains[number]
        step = chain.at(np.array([s + 1e-3])) - chain.at(np.array([s - 1e-3]))
        whole = front.xy[-1] - front.xy[0]
        sense = 1 if float(step[0] @ whole) >= 0 else -1
        groups.setdefault((number, sense), []).append((sense * s, k))
    return [[k for _, k in sorted(group)] for group in groups.values()]


def _mouth(
    fronts: list[_Front], group: list[int], channel: Any, mouth: Any
) -> tuple[Any, list[Note]]:
    """The line to divide: as given, else the channel, else straight across a cove."""
    for given, what in ((mouth, "mouth line"), (channel, "channel")):
        if given is not None and len(given):
            line = _one_line(given, what, "proportional")
            if shapely.get_type_id(line) == 1:
                return line, []
            raise LayerError(
                what, "a line in pieces", "one connected line", "join its pieces into one"
            )
    first, last = fronts[group[0]].xy[0], fronts[group[-1]].xy[-1]
    chord = shapely.LineString([first, last])
    deepest = max(
        float(shapely.distance(chord, shapely.Point(p))) for k in group for p in fronts[k].xy
    )
    mid = np.concatenate([fronts[k].xy for k in group])
    across = core.left_of(last - first)
    is_cove = float(((mid - first) @ across).mean()) < 0  # the shore lies landward of the chord
    if not is_cove or deepest < COVE_DEPTH_FRAC * chord.length:
        raise LayerError(
            "mouth line",
            "nothing, and a shore that is no deep cove",
            "a mouth line or line of navigability, for the riparian method proportional",
            "give a mouth_line, or choose another riparian_method",
        )
    return chord, [
        Note("mouth line", "none given: the straight line across the cove was divided", "assumed")
    ]


def _fronts(lots: Any, frontage: Result, shore: Shore) -> list[_Front]:
    """Runs of every lot, neighbours too, stretches joined."""
    shapes = dict(zip(lots["lot_id"].astype(str), lots.geometry.array, strict=True))
    found = []
    for name in ("frontage", "neighbour_frontage"):
        table = frontage[name]
        lines = np.asarray(table.geometry.array, dtype=object)
        ids = table["lot_id"].astype(str).tolist()
        for run_id, rows in rows_by(table["run_id"]).items():
            found.append((ids[rows[0]], str(run_id), joined(lines[rows]), name == "frontage"))
    ends = np.array([xy[e] for _, _, xy, _ in found for e in (0, -1)]).reshape(-1, 2)
    numbers, along = ShoreIndex(shore).locate(ends)
    places = list(zip(numbers.tolist(), along.tolist(), strict=True))
    fronts = []
    for k, (lot_id, run_id, xy, is_measured) in enumerate(found):
        is_closed = bool(np.linalg.norm(xy[0] - xy[-1]) <= 1e-6)
        two = (places[2 * k], places[2 * k + 1])
        fronts.append(_Front(lot_id, run_id, xy, shapes[lot_id], is_closed, is_measured, two))
    return fronts


def _line_table(fronts: list[_Front], ends: Ends, method: str, feet: float, crs: Any) -> Any:
    rows = []
    for front, pair in zip(fronts, ends, strict=True):
        for e, side, line in ((0, "left", pair[0]), (-1, "right", pair[1])):
            way = line[1] - line[0]
            length = chord_of(line)
            own = core.lot_line_direction(front.lot, front.xy[e], front.xy, 1 / feet)
            angle = np.nan
            if own is not None and length > 0:
                angle = np.degrees(np.arccos(np.clip(float(own @ way) / length, -1.0, 1.0)))
            rows.append(
                {
                    "lot_id": front.lot_id,
                    "run_id": front.run_id,
                    "side": side,
                    "method": method,
                    "label": LABELS[method],
                    "bearing_deg": core.bearing_deg(way) if length > 0 else np.nan,
                    "length_ft": length * feet,
                    "lot_line_angle_deg": float(angle),
                    "is_crossing": False,
                    "geometry": shapely.LineString(line),
                }
            )
    table = shape_table(rows, LINE_COLUMNS, crs)
    for crossed in core.crossings(table.geometry.to_list()):
        table.loc[list(crossed), "is_crossing"] = True
    return table


def _crossing_notes(table: Any, method: str) -> list[Note]:
    crossing = table.loc[table["is_crossing"], "lot_id"].drop_duplicates().tolist()
    if not crossing:
        return []
    offer = "" if method == "proportional" else "; the method proportional divides such a shore"
    return [Note("riparian lines", f"limits cross at lots {', '.join(crossing)}{offer}", "info")]


def _area_table(fronts: list[_Front], shapes: list[Any], feet: float, crs: Any) -> Any:
    rows = [
        {
            "lot_id": front.lot_id,
            "run_id": front.run_id,
            "water_area_ft2": float(shapely.area(shape)) * feet**2,
            "geometry": shape,
        }
        for front, shape in zip(fronts, shapes, strict=True)
    ]
    return shape_table(rows, ["lot_id", "run_id", "water_area_ft2"], crs)
