"""The three invented sites: their shores, lots, trees and what is known of them beforehand.

Saltspindle Bay, Marlspike Cove and the Lanternjack Canals do not exist. The coordinates lie in open
water of the Gulf, far from any lot.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import shapely
from sample_ground import Eye, ground_ft, paint_ground
from sample_parts import US_FOOT_FT, Crown, Frame, paint
from sample_planting import (
    BLACK,
    BUTTONWOOD,
    HIBISCUS,
    PALM,
    PEPPER,
    RED,
    SEAGRAPE,
    WHITE,
    Grid,
    Spot,
    grow,
    mixed_heights,
    scatter,
)
from sample_site_files import CANAL_RULES, CANAL_TOML, CURVED_TOML, PLAIN_TOML
from shapely.geometry import LineString, Polygon

Point = tuple[float, float]
Answer = dict[str, Any]


@dataclass
class SampleSite:
    """One site before it is written. Geometry in map units; ``heights`` in the grid's unit."""

    folder: str
    title: str
    grid: Grid
    crowns: list[Crown]
    heights: np.ndarray
    layers: dict[str, list[dict[str, Any]]]
    lot_answers: dict[str, dict[str, Answer]]
    site_toml: str
    crown_fields: tuple[str, str, str] = ("crown_id", "species", "base_height_ft")
    unit_tag: str | None = None
    other_answers: Mapping[str, Mapping[str, Any]] = field(default_factory=dict)
    more_files: Mapping[str, str] = field(default_factory=dict)
    kept: Mapping[str, str] = field(default_factory=dict)  # crown id -> why it is left as it is
    ground: tuple[Grid, np.ndarray] | None = None


def answer(value: float, tolerance: float, how: str) -> Answer:
    return {"value": value, "tolerance": tolerance, "how": how}


def feet(map_units: float) -> float:
    """US survey feet on the map to international feet, as the answers are given."""
    return map_units * US_FOOT_FT


def grid_for(points: list[Point], margin: float, cell: float, unit_ft: float) -> Grid:
    """A grid whose north-west corner is on whole feet, clear of the points."""
    west = math.floor(min(x for x, _ in points) - margin)
    north = math.ceil(max(y for _, y in points) + margin)
    return Grid(float(west), float(north), cell, unit_ft)


def raster_shape(grid: Grid, crowns: list[Crown], margin: float) -> tuple[int, int]:
    east = max(c.ring[:, 0].max() for c in crowns) + margin
    south = min(c.ring[:, 1].min() for c in crowns) - margin
    return math.ceil((grid.north - south) / grid.cell), math.ceil((east - grid.west) / grid.cell)


def with_eyes(text: str, eyes: tuple[Eye, ...], world: Callable[[float, float], Point]) -> str:
    """A site file with its eyes before the band."""
    told = "\n".join(eye.toml(world) for eye in eyes)
    return text.replace("[band]\n", f"{told}\n[band]\n", 1)


def eye_answers(
    eyes: tuple[Eye, ...], world: Callable[[float, float], Point], has_ground: bool = True
) -> dict[str, dict[str, Any]]:
    """Where each eye is, and how high, from the formula of the ground."""
    out: dict[str, dict[str, Any]] = {}
    for eye in eyes:
        x, y = world(eye.station, eye.offset)
        out[eye.name] = {"x": x, "y": y, "offset_ft": feet(eye.offset)}
        if not has_ground:
            level, how = eye.elevation_ft, "as stated"
            out[eye.name]["eye_elevation_ft"] = answer(float(level or 0.0), 1e-9, how)
            continue
        under = float(ground_ft(eye.station, eye.offset))
        how = "formula of the ground; the raster is rounded to 0.01 ft, 3 ft cells"
        out[eye.name]["ground_elevation_ft"] = answer(under, 0.02, how)
        if eye.height_ft is None:
            out[eye.name]["eye_elevation_ft"] = answer(float(eye.elevation_ft or 0.0), 1e-9, "said")
        else:
            out[eye.name]["eye_elevation_ft"] = answer(under + eye.height_ft, 0.02, how)
    return out


def ground_of(frame: Frame, corners: list[Point], cell: float = 3.0) -> tuple[Grid, np.ndarray]:
    """The ground over a box of the local axes, given by two of its corners."""
    (x0, y0), (x1, y1) = corners
    at = frame.many([(x0, y0), (x1, y0), (x1, y1), (x0, y1)])
    west, north = math.floor(min(x for x, _ in at)), math.ceil(max(y for _, y in at))
    cols = math.ceil((max(x for x, _ in at) - west) / cell)
    rows = math.ceil((north - min(y for _, y in at)) / cell)
    grid = Grid(float(west), float(north), cell, 1.0)
    return grid, paint_ground(frame, grid.west, grid.north, cell, (rows, cols))


# ---------------------------------------------------------------------------- (a) a plain lot


def plain_lot() -> SampleSite:
    """One lot, 120 ft of straight shore, a fringe 38 ft deep from trunk to trunk."""
    rng = np.random.default_rng(20260701)
    frame = Frame(280_000.0, 1_180_000.0, 12.0)
    length, depth, inner, outer = 120.0, 140.0, -6.0, 32.0
    lot = Polygon(frame.many([(0, 0), (length, 0), (length, -depth), (0, -depth)]))
    shore = LineString(frame.many([(x, 0.0) for x in (-80, -40, 0, 30, 60, 90, 120, 150, 200)]))

    fixed = [
        Spot(57.0, inner, 18.5, 5.5, BLACK, is_fixed=True),
        Spot(63.0, outer, 13.0, 4.8, RED, is_fixed=True),
        Spot(24.0, -12.0, 14.2, 5.0, BUTTONWOOD),
        Spot(99.0, -13.0, 8.6, 4.4, BUTTONWOOD),
        Spot(9.0, -17.0, 11.4, 4.8, SEAGRAPE),
        Spot(43.0, -20.0, 16.8, 6.0, HIBISCUS),
        Spot(80.0, -18.5, 12.2, 5.2, PEPPER),
        Spot(-8.0, 15.0, 12.4, 4.6, RED),
        Spot(128.0, 10.0, 11.1, 4.4, WHITE),
        Spot(139.0, 22.0, 9.0, 4.2, WHITE, dome="flat"),
    ]
    inside = (inner + 1.5, outer - 1.5)
    trees = scatter(
        rng,
        mixed_heights(rng, 33, 4.5, 22.0),
        (2.0, length - 2.0),
        inside,
        fixed,
        seaward_from=12.0,
    )
    spots = fixed + trees
    grid = grid_for([frame.world(s.station, s.offset) for s in spots], 12.0, 1.0, US_FOOT_FT)
    crowns = grow(rng, spots, frame.world, grid, "SB-{:02d}")
    shape = raster_shape(grid, crowns, 6.0)
    drawn = "drawn as a straight line; US survey feet turned into feet"
    eyes = (
        Eye("deck", 66.0, -44.0, height_ft=6.5, why="standing, on a deck 1 ft over the yard"),
        Eye("room upstairs", 48.0, -58.0, elevation_ft=18.5, why="floor at 13 ft NAVD88, and 5.5"),
    )
    kept = {"SB-32": "nest"}
    return SampleSite(
        folder="plain_lot",
        title="7 Drifttide Lane, Saltspindle Bay (invented)",
        grid=grid,
        crowns=crowns,
        heights=paint(crowns, grid.west, grid.north, grid.cell, shape),
        layers={
            "lots": [{"lot_id": "SB-07", "geometry": lot}],
            "mhw_line": [{"name": "MHW line (invented survey)", "geometry": shore}],
        },
        lot_answers={
            "SB-07": {
                "frontage_length_ft": answer(feet(length), 0.01, drawn),
                "frontage_chord_ft": answer(feet(length), 0.01, drawn),
                "n_stretches": answer(1, 0, "one straight line"),
                "lot_area_ft2": answer(feet(1) ** 2 * length * depth, 1.0, "length times depth"),
                "fringe_depth_max_ft": answer(
                    feet(outer - inner),
                    0.05,
                    "innermost trunk 6 ft behind the line, outermost 32 ft before it, 6 ft apart "
                    "along the shore; the buttonwoods farther in do not count",
                ),
            }
        },
        site_toml=with_eyes(PLAIN_TOML, eyes, frame.world),
        other_answers={
            "eyes": eye_answers(eyes, frame.world),
            "kept": {crown: {"why": why} for crown, why in kept.items()},
        },
        kept=kept,
        ground=ground_of(frame, [(-20.0, -150.0), (length + 40.0, 60.0)]),
    )


# ------------------------------------------------------------- (b) a cove, with two neighbours


def curved_shore() -> SampleSite:
    """180 ft of a cove of 300 ft radius; one neighbour stops short of the line, one runs past."""
    rng = np.random.default_rng(20260702)
    frame = Frame(284_000.0, 1_183_000.0, 7.0)
    radius, depth, inner, outer = 300.0, 120.0, -8.0, 36.0

    def world(station: float, offset: float) -> Point:
        turn = (station - 90.0) / radius
        reach = radius - offset
        return frame.world(reach * math.sin(turn), radius - reach * math.cos(turn))

    def arc(first: float, last: float, offset: float = 0.0) -> list[Point]:
        steps = round(abs(last - first) / 2.0)
        return [world(first + (last - first) * i / steps, offset) for i in range(steps + 1)]

    corners = {"MC-20": (-120.0, 0.0), "MC-21": (0.0, 180.0), "MC-22": (180.0, 300.0)}
    front = {"MC-20": -1.2, "MC-21": 0.0, "MC-22": 14.0}  # short of the line, on it, past it
    lots = {
        lot_id: Polygon(
            [*arc(first, last, front[lot_id]), world(last, -depth), world(first, -depth)]
        )
        for lot_id, (first, last) in corners.items()
    }
    shore = LineString(arc(-164.0, 344.0))
    channel = LineString(frame.many([(-260.0, 84.0), (0.0, 95.0), (260.0, 106.0)]))
    mouth = LineString([world(-120.0, 0.0), world(300.0, 0.0)])
    strip = Polygon([*arc(150.0, 178.0, -16.0), *reversed(arc(150.0, 178.0, 13.0))])

    fixed = [
        Spot(88.0, inner, 21.0, 6.2, BLACK, is_fixed=True),
        Spot(88.0, outer, 12.5, 5.0, RED, is_fixed=True),
        Spot(5.0, 12.0, 14.5, 5.0, RED, is_fixed=True),
        Spot(172.0, 20.0, 15.0, 5.0, RED, is_fixed=True),
        Spot(20.0, -15.0, 12.8, 5.0, BUTTONWOOD),
        Spot(133.0, -14.5, 9.2, 4.2, BUTTONWOOD),
        Spot(60.0, -19.0, 15.5, 5.6, SEAGRAPE),
        Spot(110.0, -19.5, 10.6, 5.0, PEPPER),
        Spot(161.0, -20.0, 7.4, 4.0, PALM),
        Spot(-22.0, 20.0, 13.4, 5.6, RED, dome="paraboloid"),
        Spot(-34.0, 9.0, 10.9, 4.6, WHITE),
        Spot(216.0, 24.0, 17.7, 5.6, WHITE, dome="flat"),
        Spot(222.0, 9.0, 6.4, 3.6, WHITE, dome="flat"),
    ]
    inside = (inner + 1.5, outer - 1.5)
    trees = scatter(
        rng, mixed_heights(rng, 54, 4.5, 23.0), (-16.0, 200.0), inside, fixed, seaward_from=14.0
    )
    spots = fixed + trees
    grid = grid_for([world(s.station, s.offset) for s in spots], 12.0, 1.5, 1.0)
    crowns = grow(rng, spots, world, grid, "MC-{:03d}")
    heights = paint(crowns, grid.west, grid.north, grid.cell, raster_shape(grid, crowns, 6.0))
    blank_corner(heights, grid, crowns)
    arc_of = "radius 300 US survey feet times {:g} rad; chords of 2 ft are 0.0003 ft shorter"
    chord_of = "2 R sin(angle / 2)"
    lot_answers = {}
    for lot_id, (first, last) in corners.items():
        angle = (last - first) / radius
        lot_answers[lot_id] = {
            "frontage_length_ft": answer(feet(radius * angle), 0.02, arc_of.format(angle)),
            "frontage_chord_ft": answer(feet(2 * radius * math.sin(angle / 2)), 0.02, chord_of),
            "n_stretches": answer(1, 0, "one arc, no corner"),
        }
    lot_answers["MC-21"] |= {
        "fringe_depth_max_ft": answer(
            feet(outer - inner), 0.05, "two trunks on one radius, 8 ft behind and 36 ft before"
        ),
        "mouth_share_ft": answer(
            feet(2 * radius * math.sin(0.7)) * 180.0 / 420.0,
            0.05,
            "chord of the mouth, 2 R sin(0.7), shared as 120, 180 and 120 ft of shore",
        ),
    }
    by_radius = "(R - offset) sin(stations apart / R): distance to the radius through the corner"
    sides = {
        "MC-21 left": {
            "station_ft": feet(5.0),
            "offset_ft": feet(12.0),
            "distance_ft": answer(feet((radius - 12.0) * math.sin(5.0 / radius)), 0.1, by_radius),
        },
        "MC-21 right": {
            "station_ft": feet(172.0),
            "offset_ft": feet(20.0),
            "distance_ft": answer(feet((radius - 20.0) * math.sin(8.0 / radius)), 0.1, by_radius),
        },
    }
    eyes = (Eye("terrace", 92.0, -52.0, elevation_ft=11.0, why="floor at 5.5 ft NAVD88, and 5.5"),)
    return SampleSite(
        folder="curved_shore",
        title="21 Marlspike Cove (invented)",
        grid=grid,
        crowns=crowns,
        heights=heights,
        layers={
            "parcels": [{"parcel": "MC-21", "geometry": lots["MC-21"]}],
            "adjoining": [
                {"parcel": lot_id, "geometry": lots[lot_id]} for lot_id in ("MC-20", "MC-22")
            ],
            "mhw_line": [{"name": "0.31 ft contour (invented)", "geometry": shore}],
            "channel": [{"name": "Marlspike cut, centre line", "geometry": channel}],
            "mouth_line": [{"name": "mouth of the cove", "geometry": mouth}],
            "exclusions": [{"name": "Marlspike conservation strip (invented)", "geometry": strip}],
        },
        lot_answers=lot_answers,
        site_toml=with_eyes(CURVED_TOML, eyes, world),
        unit_tag="ft",
        other_answers={
            "trunk_to_riparian_line": sides,
            "eyes": eye_answers(eyes, world, has_ground=False),
        },
    )


def blank_corner(heights: np.ndarray, grid: Grid, crowns: list[Crown]) -> None:
    """No data in the north-west corner: it hides one crown wholly and part of another."""
    order = sorted(crowns, key=lambda c: c.centre[0])
    hidden, partial = order[0], order[1]
    col = math.ceil((partial.centre[0] - grid.west) / grid.cell)
    south = min(hidden.ring[:, 1].min(), partial.ring[:, 1].min()) - 2.0
    heights[: math.ceil((grid.north - south) / grid.cell), :col] = np.nan


# ------------------------------------------------------- (c) a corner lot between two canals


def canal_corner() -> SampleSite:
    """84 ft on one canal and 62 ft on another, round a right-angled corner."""
    rng = np.random.default_rng(20260703)
    frame = Frame(288_000.0, 1_186_000.0, -20.0)
    first, second = 84.0, 62.0
    bounds = {
        "LC-02": (-158.0, -first, -second, 0.0),
        "LC-03": (-first, 0.0, -second, 0.0),
        "LC-04": (-first, 0.0, -140.0, -second),
    }
    lots = [
        {"lot": lot_id, "geometry": Polygon(frame.many([(w, s), (e, s), (e, n), (w, n)]))}
        for lot_id, (w, e, s, n) in bounds.items()
    ]
    shore = LineString(
        frame.many([(-230, 0), (-158, 0), (-first, 0), (0, 0), (0, -second), (0, -140), (0, -200)])
    )
    canal = LineString(frame.many([(-230.0, 28.0), (28.0, 28.0), (28.0, -200.0)]))
    mouth = LineString(frame.many([(56.0, 56.0), (56.0, -200.0)]))
    wire = LineString(frame.many([(-70.0, -second), (-66.0, 0.0), (-62.0, 60.0)]))

    def north_bank(station: float, offset: float) -> Point:
        return frame.world(-first + station, offset)

    def east_bank(station: float, offset: float) -> Point:
        return frame.world(offset, -station)

    one = [
        Spot(40.0, -3.0, 16.3, 4.6, BLACK, is_fixed=True),
        Spot(42.0, 9.0, 9.7, 3.4, RED, is_fixed=True),
        Spot(66.0, 4.0, 7.7, 3.0, None),
        Spot(14.0, -9.0, 11.6, 4.2, BUTTONWOOD),
        Spot(58.0, -11.0, 14.4, 4.8, HIBISCUS),
    ]
    two = [
        Spot(30.0, -2.5, 24.4, 5.4, BLACK, is_fixed=True),
        Spot(32.0, 7.5, 10.2, 3.4, RED, is_fixed=True),
        Spot(47.0, -10.0, 6.3, 3.6, SEAGRAPE),
        Spot(20.0, -11.5, 13.3, 4.6, PEPPER),
    ]
    heights_ft = mixed_heights(rng, 34, 4.2, 13.0)
    one += scatter(rng, heights_ft[::2], (-14.0, 70.0), (-1.5, 7.5), one, seaward_from=2.0)
    two += scatter(rng, heights_ft[1::2], (13.0, 76.0), (-1.0, 6.0), two, seaward_from=2.0)
    places = [north_bank(s.station, s.offset) for s in one]
    places += [east_bank(s.station, s.offset) for s in two]
    grid = grid_for(places, 10.0, 1.0, 1.0 / 0.3048)
    crowns = grow(rng, one, north_bank, grid, "{:d}", no_trunk_every=5)
    crowns += grow(rng, two, east_bank, grid, "1{:02d}", no_trunk_every=5)
    shape = raster_shape(grid, crowns, 6.0)
    deep = "innermost to outermost trunk, 2 ft apart along the shore; crowns centred on them"
    total = "84 and 62 US survey feet, drawn straight, turned into feet"
    return SampleSite(
        folder="canal_corner",
        title="3 Wickwater Row, Lanternjack Canals (invented)",
        grid=grid,
        crowns=crowns,
        heights=paint(crowns, grid.west, grid.north, grid.cell, shape),
        layers={
            "lots": lots,
            "mhw_line": [{"name": "canal edge (invented)", "geometry": shore}],
            "canal": [{"name": "Wick and Tallow canals, centre line", "geometry": canal}],
            "mouth_line": [{"name": "Tallow basin", "geometry": mouth}],
            "wire": [{"name": "overhead service wire", "geometry": wire}],
        },
        lot_answers={
            "LC-03": {
                "frontage_length_ft": answer(feet(first + second), 0.01, total),
                "n_stretches": answer(2, 0, "the shore turns by 90 degrees at the corner"),
                "stretch_lengths_ft": answer([feet(first), feet(second)], 0.01, total),
                "stretch_chords_ft": answer([feet(first), feet(second)], 0.01, total),
                "lot_area_ft2": answer(feet(1) ** 2 * first * second, 0.5, "a rectangle"),
                "fringe_depth_max_ft": answer(feet(12.0), 0.05, deep),
                "stretch_fringe_depths_ft": answer([feet(12.0), feet(10.0)], 0.05, deep),
            },
            "LC-02": {"frontage_length_ft": answer(feet(74.0), 0.01, "158 less 84")},
            "LC-04": {"frontage_length_ft": answer(feet(78.0), 0.01, "140 less 62")},
        },
        site_toml=CANAL_TOML,
        more_files={"local_rules.toml": CANAL_RULES},
        crown_fields=("tree_no", "taxon", "base_m"),
    )


def all_sites() -> list[SampleSite]:
    return [plain_lot(), curved_shore(), canal_corner()]


def is_apart(crown: Crown, others: list[Crown], clear: float) -> bool:
    """True when no other crown comes near, so the raster shows this crown's dome alone."""
    return all(
        other is crown or shapely.distance(crown.polygon, other.polygon) > clear for other in others
    )
