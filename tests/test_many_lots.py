"""Many lots at once: the same figures as each for itself, and as plain code has them."""

import itertools

import numpy as np
import pandas as pd
import pytest
import shapely
import sites

from geotrim import fringe, frontage, riparian_lines, setbacks, zone
from geotrim.core.baselines import ShoreIndex, baselines_of
from geotrim.core.fringe import Baseline, baseline_of, covered_length
from geotrim.core.lot_regions import first_holders, parts_of, unions
from geotrim.core.rays import greatest_width, widths
from geotrim.core.shoreline import build_shore
from geotrim.core.stretches import lot_region
from geotrim.model import Setback
from geotrim.ops.fringes import fringe_again

WIDTH = 80.0


def row_of_lots(n, far=18.0):
    """N lots of 80 ft on a straight shore; each has trunks 10 ft landward and ``far`` waterward.

    They stand in pairs square to the shore, at 20, 40 and 60 ft from the lot's left end.
    """
    lots = [shapely.box(k * WIDTH, -90.0, (k + 1) * WIDTH, -2.0) for k in range(n)]
    left = np.arange(n)[:, None] * WIDTH + np.array([20.0, 40.0, 60.0])
    x = left.ravel()
    points = np.concatenate([np.stack([x, np.full(x.size, y)], 1) for y in (-10.0, far)])
    shore = sites.shore([(-300.0, 0.0), (n * WIDTH + 300.0, 0.0)])
    return sites.lots(lots), shore, sites.crowns(shapely.buffer(shapely.points(points), 4.0))


def measured(lots, shore, crowns, rules=(), **options):
    fronts = frontage(lots, shore)
    lines = riparian_lines(lots, shore, fronts)
    found = fringe(lots, shore, crowns, fronts, lines, **options)
    zones = zone(lots, shore, fronts, lines, found, setbacks=rules)
    flags = setbacks(lots, shore, crowns, fronts, lines, setbacks=rules)
    return fronts, lines, found, zones, flags


def test_a_row_of_like_lots_has_like_figures():
    """Depth 28 ft where a pair stands; three discs of radius 4 ft cover 24 ft of each shore.

    Closed forms: 18 + 10; 3 x 8; the zone between discs stacked square to the shore is 3 x (8 x 28
    plus one disc), pi 16 ft2, less the sagitta of outlines followed in steps of 0.5 ft.
    """
    lots, shore, crowns = row_of_lots(30)
    rules = (Setback("sides", "lot-lines", 5.0, "test"),)
    _, _, found, zones, flags = measured(lots, shore, crowns, rules)
    lot = found["fringe_lots"]
    assert lot["lot_id"].tolist() == lots["lot_id"].tolist()
    np.testing.assert_allclose(lot["fringe_depth_max_ft"], 28.0 * sites.US_FT, rtol=1e-12)
    np.testing.assert_allclose(lot["fringe_length_ft"], 24.0 * sites.US_FT, rtol=1e-9)
    assert lot["n_fringe_trees"].tolist() == [6] * 30
    assert (
        found["fringe_crowns"]["lot_id"].tolist() == [i for i in lot["lot_id"] for _ in "abc"] * 2
    )
    np.testing.assert_allclose(
        found["fringe_crowns"]["offset_ft"], np.repeat([-10.0, 18.0], 90) * sites.US_FT, rtol=1e-9
    )
    area = 3 * (8.0 * 28.0 + np.pi * 16.0) * sites.US_FT**2
    np.testing.assert_allclose(zones["zone"]["zone_area_ft2"], area, rtol=0.05)
    np.testing.assert_allclose(zones["zone"]["zone_length_ft"], 24.0 * sites.US_FT, rtol=1e-6)
    np.testing.assert_allclose(zones["zone"]["zone_width_max_ft"], 36.0 * sites.US_FT, rtol=2e-3)
    stations = zones["zone_stations"]
    assert stations["stretch_id"].tolist() == found["transects"]["stretch_id"].tolist()
    assert (flags["setback_flags"]["inside"] == "not").all()


def test_a_lot_among_many_is_as_it_is_with_its_neighbours_alone():
    """The seventh of 12 lots, and the second of the three around it: the same rows."""
    lots, shore, crowns = row_of_lots(12)
    few = lots.iloc[5:8].reset_index(drop=True)
    _, _, many, many_zone, _ = measured(lots, shore, crowns)
    _, _, some, some_zone, _ = measured(few, shore, crowns)
    name = lots["lot_id"].iloc[6]
    for one, other, table in (
        (many, some, "transects"),
        (many, some, "fringe"),
        (many, some, "fringe_lots"),
        (many_zone, some_zone, "zone"),
        (many_zone, some_zone, "zone_stations"),
    ):
        mine = [t[table][t[table]["lot_id"] == name] for t in (one, other)]
        plain = [pd.DataFrame(t.drop(columns="geometry", errors="ignore")) for t in mine]
        pd.testing.assert_frame_equal(*(t.reset_index(drop=True) for t in plain), rtol=1e-9)
        assert len(plain[0]) > 0


@pytest.mark.parametrize("smoothing", [None, 0.0, 90.0])
@pytest.mark.parametrize("reference", ["auto", "edge"])
def test_fringe_again_is_the_fringe_of_these_crowns(smoothing, reference):
    """Of two trees in three, and of every other lot: the rows a full measurement gives them."""
    lots, shore, crowns = row_of_lots(6)
    fronts, lines, whole, _, _ = measured(lots, shore, crowns, fringe_reference=reference)
    keep = np.arange(len(crowns)) % 3 != 1
    asked = dict(whole.parameters) | (
        {} if smoothing is None else {"smoothing_length_ft": smoothing}
    )
    full = fringe(lots, shore, crowns[keep], fronts, lines, **asked)
    some = lots.assign(is_measured=[True, False] * 3)
    again = fringe_again(
        some, shore, crowns, fronts, whole, keep=keep, smoothing_length_ft=smoothing
    )
    assert again.parameters == full.parameters
    for table in ("transects", "fringe_lots"):
        rows = full[table][full[table]["lot_id"].isin(["A", "C", "E"])].reset_index(drop=True)
        pd.testing.assert_frame_equal(pd.DataFrame(rows), pd.DataFrame(again[table]))
    assert again["fringe_crowns"]["lot_id"].isin(["A", "C", "E"]).sum() == keep.sum() // 2


def wavy(seed, closed=False):
    rng = np.random.default_rng(seed)
    if closed:
        t = np.linspace(0, 2 * np.pi, 120)
        r = 150 + 12 * np.sin(5 * t)
        xy = np.stack([r * np.cos(t), r * np.sin(t)], 1) + 6e5
        xy[-1] = xy[0]
        return xy
    turn = np.cumsum(rng.normal(0, 0.2, 80)) * 0.5
    turn[40:] += 1.5  # a corner
    steps = np.stack([np.cos(turn), np.sin(turn)], 1) * rng.uniform(3, 12, (80, 1))
    return 6e5 + np.cumsum(steps, axis=0)


@pytest.mark.parametrize("closed", [False, True])
@pytest.mark.parametrize("smoothing", [0.0, 50.0])
def test_smoothed_lines_at_once_are_those_one_by_one(closed, smoothing):
    """The plain code for one stretch is the oracle, to the last bit; both senses, every length."""
    shore = build_shore([shapely.LineString(wavy(1, closed))], 50.0)
    chain = shore.chains[0]
    cuts = np.linspace(0, chain.length, 9)
    parts = [chain.part(low, high) for low, high in itertools.pairwise(cuts)]
    parts += [part[::-1] for part in parts] + [chain.part(0.0, chain.length)]
    many = baselines_of(parts, smoothing, 1.0, shore)
    for part, line in zip(parts, many, strict=True):
        alone = baseline_of(part, smoothing, 1.0, shore)
        np.testing.assert_array_equal(line.xy, alone.xy)
        np.testing.assert_array_equal(line.s, alone.s)
        assert line.is_closed == alone.is_closed


def test_places_on_a_shore_of_several_chains():
    """As the shore's own search has them, at nodes where chains meet too."""
    one, other = wavy(2), wavy(3) + np.array([300.0, -150.0])
    forks = [one, other, np.stack([one[20], one[20] + np.array([30.0, 90.0])])]
    shore = build_shore([shapely.LineString(xy) for xy in forks], 50.0)
    rng = np.random.default_rng(4)
    points = np.concatenate(
        [one, other, one[rng.integers(0, 80, 200)] + rng.normal(0, 30, (200, 2))]
    )
    chain, s = ShoreIndex(shore).locate(points)
    found = [shore.locate(shapely.Point(p)) for p in points]
    assert chain.tolist() == [number for number, _ in found]
    np.testing.assert_allclose(s, [at for _, at in found], rtol=0, atol=1e-8)


def test_standing_along_a_line_is_the_nearest_place_shapely_finds():
    """Station, distance and side against shapely's own projection, on a line that doubles back."""
    xy = wavy(5)
    line, base = shapely.LineString(xy), Baseline(xy, np.linspace(0.0, 1000.0, len(xy)), False)
    rng = np.random.default_rng(6)
    points = np.concatenate([xy, xy[rng.integers(0, 80, 400)] + rng.normal(0, 60, (400, 2))])
    station, offset, is_square, away = base.stand_away(points)
    shapes = shapely.points(points)
    along = shapely.line_locate_point(line, shapes)
    sizes = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(xy, axis=0), axis=1))])
    np.testing.assert_array_equal(station, np.interp(along, sizes, base.s))
    np.testing.assert_allclose(away, shapely.distance(line, shapes), atol=1e-9)
    inner = (along > 0) & (along < line.length)
    assert is_square[inner].all() and not is_square[~inner].all()
    np.testing.assert_allclose(np.abs(offset[is_square]), away[is_square], atol=1e-9)
    strip = shapely.buffer(line, 40.0, single_sided=True, cap_style="flat", join_style="mitre")
    close = inner & (away < 2.0) & (away > 1e-6)
    assert (shapely.intersects(strip, shapes[close]) == (offset[close] > 0)).all()


def test_length_of_shore_under_discs():
    """Two discs of radius 5 ft whose centres are 6 ft apart, and one away: 16 + 10 ft of shore."""
    base = Baseline(
        np.array([[0.0, 0.0], [50.0, 0.0], [100.0, 0.0]]), np.array([0.0, 50, 100]), False
    )
    discs = shapely.buffer(shapely.points([(20.0, 9.0), (26.0, -3.0), (60.0, 0.0)]), 5.0)
    assert covered_length(base, discs, 0.5) == pytest.approx(26.0, abs=1e-9)


def test_widths_across_a_shape_are_those_of_an_overlay():
    """A shape with a hole and an island in it; rays along its edges too. Oracle: shapely."""
    base = Baseline(np.array([[0.0, 0.0], [60.0, 0.0]]), np.array([0.0, 60.0]), False)
    steps = [shapely.box(10.0 * k, -4.0 - k, 10.0 * k + 10.0, 6.0 + (k * 7) % 5) for k in range(6)]
    hole = shapely.Polygon([(12.0, 0.0), (33.0, -2.0), (45.0, 3.0), (20.0, 4.0)])
    shape = shapely.union(
        shapely.difference(shapely.union_all(steps), hole), shapely.box(30.0, 20.0, 38.0, 31.0)
    )
    at = np.concatenate([np.arange(0.0, 60.5, 2.5), np.linspace(0.3, 59.3, 50)])
    rays = [shapely.LineString([(s, -25.0), (s, 25.0)]) for s in at]
    expected = shapely.length(shapely.intersection(rays, shape))
    np.testing.assert_allclose(widths(base, at, shape, 25.0), expected, atol=1e-9)
    assert greatest_width(base, at, shape, 25.0) == pytest.approx(expected.max(), abs=1e-9)


def test_regions_of_many_lots_are_those_of_each():
    """Union of lot, water and the strip to the shore, against the plain code for one lot."""
    lots = np.array([shapely.box(10 * k, -20, 10 * k + 10, -1 - k % 2) for k in range(5)])
    runs = np.array([shapely.LineString([(10 * k, 0), (10 * k + 10, 0)]) for k in (0, 1, 3)])
    water = np.array([shapely.box(10 * k, 0, 10 * k + 10, 30) for k in (3, 0)])
    parts = parts_of(lots, water, np.array([3, 0]), runs, np.array([0, 1, 3]), 3.0)
    for k, shape in enumerate(unions(parts)):
        mine = [
            shapely.get_coordinates(run) for run, of in zip(runs, (0, 1, 3), strict=True) if of == k
        ]
        wet = {3: water[0], 0: water[1]}.get(k, shapely.Polygon())
        expected = lot_region(lots[k], wet, mine, 3.0)
        assert shapely.area(shapely.symmetric_difference(shape, expected)) < 1e-9
    points = np.array([(5.0, -5), (5, -0.5), (35, 20), (25, -0.5), (10, -5), (5, 40)], dtype=float)
    assert first_holders(points, parts).tolist() == [0, 0, 3, -1, 0, -1]
