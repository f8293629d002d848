"""Heights from lidar clouds: known shapes, masks, counts, tiles that do not show, real clouds."""

from __future__ import annotations

import json
import re
import tomllib
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest
import rasterio
import shapely
from cloud_files import WEST_FTUS, geo_keys, wkt, write_cloud
from opendata import open_data

from geotrim.core import cloud_heights as core
from geotrim.core.cloud_grid import CloudGrid
from geotrim.errors import CRSError, GeotrimError, LayerError, RangeError
from geotrim.io.clouds import Points, open_cloud
from geotrim.io.rasters import open_heights
from geotrim.prepare import cloud_work, heights_cloud
from geotrim.prepare.catalogue import PREPARATIONS
from geotrim.prepare.task import GivenFile, Task
from geotrim.prepare.work import prepare_input

X, Y = 430_000.0, 1_260_000.0  # Florida West, US survey feet
FTUS = 1200 / 3937 / 0.3048  # international feet in one (EPSG unit 9003)


@pytest.fixture(autouse=True)
def _no_picture(request, monkeypatch):
    """The figure takes longer than all the rest; one test has it drawn."""
    if "picture" not in request.node.name:
        monkeypatch.setattr(heights_cloud, "draw_heights", lambda *_: None)


def lattice(side, step, start=0.25):
    """Places on a lattice, none on the side of a cell."""
    along = np.arange(start, side, step)
    return (grid.ravel() for grid in np.meshgrid(X + along, Y + along))


@pytest.fixture
def dome(tmp_path):
    """A slope with a half ball of leaves 12 ft in radius at (30, 30); units US survey feet."""
    x, y = lattice(60, 0.5)
    ground = 3.0 + 0.1 * (x - X)
    up2 = 144.0 - (x - X - 30) ** 2 - (y - Y - 30) ** 2
    is_under = up2 > 0
    top = ground + np.sqrt(np.maximum(up2, 0))
    return write_cloud(
        tmp_path / "dome.laz",
        np.concatenate([x, x[is_under]]),
        np.concatenate([y, y[is_under]]),
        np.concatenate([ground, top[is_under]]),
        kind=np.concatenate([np.full(x.size, 2), np.full(is_under.sum(), 5)]),
        return_number=np.concatenate([np.where(is_under, 2, 1), np.ones(is_under.sum())]),
        n_returns=np.concatenate([np.where(is_under, 2, 1), np.full(is_under.sum(), 2)]),
        records=[wkt("EPSG:2237+6360")],
        scale=0.0001,
    )


def prepare(path, tmp_path, name="out", **params):
    given = path if isinstance(path, (list, tuple)) else [path]
    return prepare_input("heights", {"cloud": list(given)}, params, out=tmp_path / name)


def read(folder, name="heights.tif"):
    with rasterio.open(folder / name) as dataset:
        told = {"transform": dataset.transform, "units": dataset.units, "tags": dataset.tags()}
        told["wkt"] = dataset.crs.to_wkt()
        return dataset.read(1).astype(float), SimpleNamespace(**told)


# ---------------------------------------------------------------------------- known shapes


def test_a_dome_on_a_slope_is_recovered(dome, tmp_path):
    """Height of a half ball over its middle plane: sqrt(r2 - d2), at the return nearest the middle.

    The returns of a 2 ft cell lie at 0.25, 0.75, 1.25, 1.75 ft; the highest is known by hand.
    """
    done = prepare(dome, tmp_path, cell_ft=2 * FTUS)
    height, dataset = read(done.folder)
    assert dataset.transform[:6] == (2, 0, X, 0, -2, Y + 60)
    along = np.arange(0.25, 60, 0.5)
    away2 = (along - 30)[None, :] ** 2 + (along - 30)[:, None] ** 2
    each = np.sqrt(np.maximum(144 - away2, 0))[::-1]  # row 0 in the north
    expected = each.reshape(30, 4, 30, 4).max(axis=(1, 3)) * FTUS
    inner = np.s_[1:-1, 1:-1]  # the outermost middles lie inside the hull, but see the gap below
    np.testing.assert_allclose(height[inner], expected[inner], atol=5e-4)
    assert done.prepared.figures["height_max_ft"] == pytest.approx(expected.max(), abs=1e-3)


def test_the_ground_is_the_slope_in_feet(dome, tmp_path):
    done = prepare(dome, tmp_path, cell_ft=2 * FTUS)
    ground, dataset = read(done.folder, "ground.tif")
    middles = 3.0 + 0.1 * np.arange(1, 60, 2)
    np.testing.assert_allclose(ground, np.broadcast_to(middles * FTUS, (30, 30)), atol=2e-4)
    assert dataset.units == ("ft",)
    # EPSG:8228, NAVD88 height (ft): the datum of the cloud, in the unit of the raster
    assert "NAVD88 height (ft)" in dataset.wkt
    assert dataset.tags["vertical_datum"] == "NAVD88"
    assert open_heights(done.folder / "ground.tif", holds="elevations").unit == "ft"


@pytest.mark.parametrize(
    ("label", "datum"),
    [
        ("EPSG:2237+6360", "NAVD88"),  # EPSG:6360, NAVD88 height (ftUS)
        ("EPSG:2237+5714", "Mean Sea Level"),  # EPSG:5714, MSL height
        ("EPSG:2237+3855", None),  # EPSG:3855, EGM2008 height: no tide is counted from it
        ("EPSG:2237", None),
    ],
)
def test_the_ground_goes_into_a_site_file_where_its_datum_is_known(tmp_path, label, datum):
    """Eyes stand on it only if the MHW line can be above the same datum."""
    x, y = lattice(20, 1.0, 0.5)
    kind = np.where((x > X + 8) & (x < X + 12), 1, 2)
    path = write_cloud(
        tmp_path / "a.las", x, y, np.where(kind == 1, 9.0, 1.0), kind=kind, records=[wkt(label)]
    )
    said = {} if "+" in label else {"unit": "us-ft"}
    cloud = GivenFile(str(path), "--cloud", said)
    done = prepare_input("heights", {"cloud": cloud}, {"cell_ft": 3}, out=tmp_path / "out")
    site = tomllib.loads((done.folder / "for_site_file.toml").read_text(encoding="utf-8"))
    ground = {"file": "ground.tif", "unit": "ft", "vertical_datum": datum}
    assert site.get("ground") == (ground if datum else None)


def test_a_cell_is_a_whole_number_of_map_units_where_it_nearly_is(dome):
    """3 international feet are 2.999994 US survey feet: 3 is meant. 2.99 is 2.99."""
    clouds = cloud_work.open_clouds([GivenFile(str(dome), "--cloud")])
    assert cloud_work.cell_of(clouds, 3.0) == 3.0
    assert cloud_work.cell_of(clouds, 2.9875) == pytest.approx(2.9875 / FTUS, rel=1e-12)
    assert cloud_work.cell_of(clouds, None) % 0.5 == 0


def test_a_cell_is_chosen_for_four_first_returns(tmp_path):
    """One pulse in a square foot: cells of 2 ft, however many returns a pulse has."""
    x, y = lattice(41, 1.0, 0.5)
    for n in (1, 3):
        path = write_cloud(
            tmp_path / f"even{n}.las",
            np.tile(x, n),
            np.tile(y, n),
            np.zeros(n * x.size),
            kind=2,
            return_number=np.repeat(np.arange(n) + 1, x.size),
            n_returns=n,
            records=[wkt("EPSG:2237+6360")],
        )
        clouds = cloud_work.open_clouds([GivenFile(str(path), "--cloud")])
        assert clouds.clouds[0].n_first == x.size == 41**2
        assert clouds.density() == pytest.approx(41**2 / 40**2)
        assert cloud_work.cell_of(clouds, None) == 2.0
    done = prepare(path, tmp_path)
    (note,) = (n for n in done.prepared.notes if n.about == "cell_ft")
    # 4 x 41^2 / 40^2 = 4.2 in a cell; exp(-4.2025) = 1.5 %
    assert "4.2 first returns" in note.text and "1.5 % of the cells empty" in note.text


def test_first_returns_that_the_header_does_not_count(tmp_path):
    """Every return is then taken for a first one."""
    x, y = lattice(20, 1.0, 0.5)
    path = write_cloud(tmp_path / "none.las", x, y, x % 3, records=[wkt("EPSG:2237+6360")])
    data = bytearray(path.read_bytes())
    data[255 : 255 + 15 * 8] = bytes(15 * 8)  # LAS 1.4-R15: number of points by return
    path.write_bytes(data)
    assert open_cloud(path).n_first == 400


@pytest.mark.parametrize(("cell_ft", "is_told"), [(5.9, False), (6.2, True)])
def test_cells_as_wide_as_crowns_are_told(dome, tmp_path, cell_ft, is_told):
    done = prepare(dome, tmp_path, cell_ft=cell_ft)
    told = [n.level for n in done.prepared.notes if "crowns cannot be told apart" in n.text]
    assert told == ["assumed"] * is_told


def test_cells_missed_by_chance_do_not_pierce_the_canopy(tmp_path):
    """Pulses at random over one roof of leaves: exp(-4) of the cells are missed, none stays empty.

    Poisson: of n cells with 4 first returns on average n exp(-4) are empty; four of them in a row
    are left, 19 exp(-16) of the cells (19 ways four cells hang together), 0.02 in 10,000.
    """
    rng = np.random.default_rng(8)
    n = 40_000
    x, y = rng.uniform(0, 200, (2, n)).round(3)
    path = write_cloud(
        tmp_path / "roof.laz",
        X + np.tile(x, 2),
        Y + np.tile(y, 2),
        np.repeat([12.0, 0.0], n),
        kind=np.repeat([5, 2], n),
        return_number=np.repeat([1, 2], n),
        n_returns=2,
        records=[wkt("EPSG:2237+6360")],
    )
    done = prepare(path, tmp_path)
    height, dataset = read(done.folder)
    assert dataset.transform.a == 2.0 and height.shape == (100, 100)
    figures = done.prepared.figures
    expected = height[1:-1, 1:-1].size * np.exp(-4.0)  # holes at the rim are not filled
    assert abs(figures["n_filled"] - expected) < 4 * np.sqrt(expected)
    assert np.allclose(height[4:-4, 4:-4], 12 * FTUS, atol=1e-3)
    (note,) = (n for n in done.prepared.notes if "that no return fell in" in n.text)
    assert note.level == "assumed" and f"{figures['n_filled']:,} cells" in note.text


def test_metres_below_and_feet_above(tmp_path):
    """Plane in metres, heights in metres by the record: 5 m of canopy are 16.4 ft."""
    along = np.arange(0.5, 12)
    x, y = (g.ravel() for g in np.meshgrid(404_000 + along, 3_284_000 + along))
    path = write_cloud(
        tmp_path / "m.las",
        np.concatenate([x, [404_005.5]]),
        np.concatenate([y, [3_284_005.5]]),
        np.concatenate([np.full(x.size, 1.0), [6.0]]),
        kind=np.append(np.full(x.size, 2), 5),
        records=[wkt("EPSG:26917+5703")],
    )
    done = prepare(path, tmp_path, cell_ft=1 / 0.3048)
    assert done.prepared.figures["height_max_ft"] == pytest.approx(5 / 0.3048, rel=1e-6)
    height, dataset = read(done.folder)
    assert dataset.transform.a == 1.0
    assert height[6, 5] == pytest.approx(5 / 0.3048, rel=1e-6)
    # the ground at 1 m is 3.28 ft: dry at a level of 3.2 ft, under water at 3.4 ft
    dry = prepare(path, tmp_path, "dry", cell_ft=1 / 0.3048, flight_water_level_ft=3.2)
    assert dry.prepared.figures["n_under_water"] == 0
    with pytest.raises(LayerError, match="no cell with a height"):
        prepare(path, tmp_path, "wet", cell_ft=1 / 0.3048, flight_water_level_ft=3.4)


def test_las_1_2_with_geokeys_in_us_feet(tmp_path):
    x, y = lattice(20, 1.0, 0.5)
    path = write_cloud(
        tmp_path / "old.las",
        x,
        y,
        np.where((x > X + 8) & (x < X + 12), 9.0, 1.0),
        kind=np.where((x > X + 8) & (x < X + 12), 1, 2),
        version="1.2",
        point_format=1,
        records=[geo_keys(projected=WEST_FTUS, vertical=6360)],
    )
    done = prepare(path, tmp_path, cell_ft=FTUS)
    assert done.prepared.figures["height_max_ft"] == pytest.approx(8 * FTUS, abs=1e-6)
    assert done.prepared.figures["vertical_datum"] == "NAVD88"


# ---------------------------------------------------------------------------- what is left out


def flat(tmp_path, *extra, hole=None, **how):
    """Flat ground every foot over 60 ft at 0 ft, and further returns (x, y, z, kind, flags)."""
    x, y = lattice(60, 1.0, 0.5)
    if hole is not None:
        keep = ~hole(x - X, y - Y)
        x, y = x[keep], y[keep]
    columns = [np.array([row[k] for row in extra], float) for k in range(3)]
    kinds = [row[3] for row in extra]
    flags = {name: np.zeros(x.size + len(extra), np.uint8) for name in ("withheld", "overlap")}
    flags["synthetic"] = flags["withheld"].copy()
    for k, row in enumerate(extra):
        if len(row) > 4:
            flags[row[4]][x.size + k] = 1
    return write_cloud(
        tmp_path / "flat.laz",
        np.concatenate([x, X + columns[0]]),
        np.concatenate([y, Y + columns[1]]),
        np.concatenate([np.zeros(x.size), columns[2]]),
        kind=np.append(np.full(x.size, 2), kinds).astype(np.uint8),
        records=[wkt("EPSG:2237+6360")],
        **flags,
        **how,
    )


LEFT_OUT = [
    # a return 30 ft up            it counts    with these parameters
    ((30.2, 30.2, 30.0, 5), True, {}),
    ((30.2, 30.2, 30.0, 0), True, {}),
    ((30.2, 30.2, 30.0, 5, "withheld"), False, {}),
    ((30.2, 30.2, 30.0, 5, "synthetic"), False, {}),
    ((30.2, 30.2, 30.0, 7), False, {}),
    ((30.2, 30.2, 30.0, 18), False, {}),
    ((30.2, 30.2, 30.0, 18), False, {"leave_out_classes": "-"}),  # noise is never let in
    ((30.2, 30.2, 30.0, 6), False, {}),
    ((30.2, 30.2, 30.0, 14), False, {}),
    ((30.2, 30.2, 30.0, 6), True, {"leave_out_classes": "-"}),
    ((30.2, 30.2, 30.0, 5), False, {"leave_out_classes": "5"}),
    ((30.2, 30.2, 30.0, 5, "overlap"), True, {}),
    ((30.2, 30.2, 30.0, 5, "overlap"), False, {"overlap": "leave-out"}),
]


@pytest.mark.parametrize(("extra", "counts", "params"), LEFT_OUT, ids=lambda v: str(v))
def test_which_returns_make_a_height(tmp_path, extra, counts, params):
    done = prepare(flat(tmp_path, extra), tmp_path, cell_ft=2 * FTUS, **params)
    expected = 30 * FTUS if counts else 0.0
    assert done.prepared.figures["height_max_ft"] == pytest.approx(expected, abs=1e-4)


def test_classes_are_counted_and_told_by_name(tmp_path):
    extra = [(3.0, 3.0, 9.0, 6), (4.0, 4.0, 9.0, 7), (5.0, 5.0, 9.0, 5, "withheld"), (6, 6, 9, 70)]
    done = prepare(flat(tmp_path, *extra), tmp_path, cell_ft=2)
    words = done.prepared.words
    assert re.search(r"class 2 \(ground\) +3,600\n", words)
    assert re.search(r"class 6 \(building\) +1  1 left out: of a class left out", words)
    assert re.search(r"class 7 \(low noise\) +1  1 left out: noise", words)
    assert re.search(r"class 5 \(high vegetation\) +1  1 left out: withheld", words)
    assert re.search(r"class 70 \(the maker's own\) +1\n", words)


@pytest.mark.parametrize("text", ["six", "6;7", "256", "-1", "6, x"])
def test_class_numbers_that_are_none(tmp_path, text):
    with pytest.raises(RangeError, match="leave_out_classes"):
        prepare(flat(tmp_path), tmp_path, leave_out_classes=text)


def test_the_ground_is_not_left_out_unasked(tmp_path):
    """A filter would find another ground, without a word."""
    with pytest.raises(RangeError, match=r"'6, 2', with class 2 \(ground\) in it"):
        prepare(flat(tmp_path), tmp_path, leave_out_classes="6, 2")


BUILT = [
    # classes in the cloud, what is told
    ((), r"class 6 \(building\) nor class 17 \(bridge deck\): roofs and bridges and docks,"),
    ((6,), r"of class 17 \(bridge deck\): bridges and docks,"),
    ((17,), r"of class 6 \(building\): roofs,"),
    ((6, 17), None),
]


@pytest.mark.parametrize(("kinds", "told"), BUILT)
def test_what_is_built_and_has_no_class_is_told(tmp_path, kinds, told):
    extra = [(30.2, 30.2, 9.0, kind) for kind in kinds]
    done = prepare(flat(tmp_path, *extra) if extra else flat(tmp_path, (3, 3, 0, 1)), tmp_path)
    texts = [n.text for n in done.prepared.notes if "stand in the heights as canopy" in n.text]
    assert len(texts) == (told is not None)
    assert told is None or re.search(told, texts[0])


def test_the_density_of_the_ground_is_told(tmp_path):
    """3,600 ground returns on 60 x 60 US survey feet, less a hole of 20 x 20 under leaves."""
    roof = [(x, y, 9.0, 5) for x in np.arange(20.5, 40) for y in np.arange(20.5, 40)]
    path = flat(tmp_path, *roof, hole=lambda x, y: (abs(x - 30) < 10) & (abs(y - 30) < 10))
    done = prepare(path, tmp_path, cell_ft=FTUS, ground_gap_ft=5.5)
    figures = done.prepared.figures
    assert figures["n_ground_returns"] == 3200
    assert figures["ground_returns_per_ft2"] == pytest.approx(3200 / (3600 * FTUS**2))
    (note,) = (n for n in done.prepared.notes if n.about == "ground_gap_ft")
    assert "3,200 ground returns, 88.9 on 100 ft2" in note.text
    # middles at 20.5, 21.5 ...; ground returns at 19.5: those of rows and columns 25 to 34 are
    # 6 ft and more away, 5 within the gap on each side
    assert figures["n_ground_gap"] == 100 and "100 cells (2.8 %)" in note.text


def test_a_later_return_is_no_top_unless_asked(tmp_path):
    extra = (30.2, 30.2, 30.0, 5)
    number = np.append(np.ones(3600), 2).astype(np.uint8)
    path = flat(tmp_path, extra, return_number=number, n_returns=3)
    first = prepare(path, tmp_path, "first", cell_ft=2)
    every = prepare(path, tmp_path, "all", cell_ft=2, tops="all")
    assert first.prepared.figures["height_max_ft"] == 0
    assert every.prepared.figures["height_max_ft"] == pytest.approx(30 * FTUS)


# ---------------------------------------------------------------------------- masks, counted


def disc(radius):
    return lambda x, y: (x - 30) ** 2 + (y - 30) ** 2 < radius**2


@pytest.mark.parametrize("gap", [4.1, 8.1])
def test_cells_without_ground_returns_nearby(tmp_path, gap):
    """A hole 12 ft in radius under a roof of leaves; by distances of numpy, cell by cell."""
    inside = disc(12.0)
    xs, ys = (v.ravel() for v in np.meshgrid(np.arange(18.5, 42), np.arange(18.5, 42)))
    roof = [(x, y, 15.0, 5) for x, y in zip(xs, ys, strict=True) if inside(x, y)]
    path = flat(tmp_path, *roof, hole=inside)
    done = prepare(path, tmp_path, cell_ft=FTUS, ground_gap_ft=gap * FTUS)
    height, _ = read(done.folder)
    along = np.arange(0.5, 60)
    gx, gy = (v.ravel() for v in np.meshgrid(along, along))
    keep = ~inside(gx, gy)
    gx, gy = gx[keep], gy[keep]
    far = np.array([[np.hypot(gx - x, gy - y).min() for x in along] for y in along[::-1]])
    inner = np.s_[1:-1, 1:-1]  # the outermost middles lie on the hull of the returns
    assert np.array_equal(np.isnan(height)[inner], (far > gap + 1e-9)[inner])
    figures = done.prepared.figures
    assert figures["n_ground_gap"] == (far > gap + 1e-9).sum() > 0
    assert figures["n_cells"] == 3600
    assert figures["n_measured"] + figures["n_ground_gap"] + figures["n_off_ground"] == 3600
    ground, _ = read(done.folder, "ground.tif")
    assert np.array_equal(np.isnan(ground), np.isnan(height))


def test_a_hole_wider_than_four_gaps_is_not_bridged(tmp_path):
    """At the rim of a hole 25 ft in radius, with a gap of 6 ft: a triangle across is no ground."""
    inside = disc(25.0)
    path = flat(tmp_path, (30.2, 7.2, 15.0, 5), hole=inside)
    near = prepare(path, tmp_path, "near", cell_ft=FTUS, ground_gap_ft=6)
    wide = prepare(path, tmp_path, "wide", cell_ft=FTUS, ground_gap_ft=6.5)
    row, col = 59 - 7, 30  # 2 ft inside the rim
    assert np.isnan(read(near.folder)[0][row, col])
    assert read(wide.folder)[0][row, col] == pytest.approx(15 * FTUS, abs=1e-4)


def test_a_height_stands_only_where_the_ground_under_it_is_told(tmp_path):
    """Leaves beyond the last ground return: the return's own ground is known, the middle's not.

    Ground returns end at x = 40.3; cells of 2 ft. In the column from 40 to 42 a return at 40.2 has
    ground under it, the middle at 41 has not; the one before has its middle at 39.
    """
    leaves = [(40.2, y, 20.0, 5) for y in np.arange(21.2, 40, 2.0)]
    rim = [(40.3, y, 0.0, 2) for y in np.arange(0.4, 60, 1.0)]
    path = flat(tmp_path, *leaves, *rim, hole=lambda x, y: x > 40)
    done = prepare(path, tmp_path, cell_ft=2 * FTUS)
    height, ground = read(done.folder)[0], read(done.folder, "ground.tif")[0]
    assert np.isfinite(height[:, 19]).all() and np.isnan(height[:, 20]).all()
    assert np.array_equal(np.isfinite(height), np.isfinite(ground))
    assert done.prepared.figures["height_max_ft"] == 0
    assert done.prepared.figures["n_off_ground"] == 30
    assert "left out: no ground under the cell's middle" in done.prepared.words


def test_no_height_is_left_over_under_a_high_water_level(tmp_path):
    """All of the sample's ground lies under 100 ft."""
    sample = Path(__file__).parent.parent / "sample_data" / "bare_lot" / "cloud.laz"
    with pytest.raises(LayerError, match="no cell with a height"):
        prepare(sample, tmp_path, flight_water_level_ft=100)


def test_a_filled_hole_has_ground_under_it(tmp_path):
    """A cell without returns in the midst of cells with leaves, 8 ft from ground: not filled."""
    grid = CloudGrid(1.0, -20, 0, 20, 20)
    x, y = (v.ravel() for v in grid.centres())
    is_leaf = (np.hypot(x - 10.5, y - 10.5) < 8) & ~((x == 10.5) & (y == 10.5))
    is_ground = np.hypot(x - 10.5, y - 10.5) >= 8
    surface = core.surface_of(x[is_ground], y[is_ground], np.zeros(is_ground.sum()))
    use = is_leaf | is_ground
    for gap, filled in ((20.0, True), (7.5, False), (4.0, False)):  # 7.5: the hole alone is far
        limits = core.TileLimits(gap, fill_cells=1)
        inner = CloudGrid(1.0, -16, 4, 12, 12)
        made = core.tile_heights(inner, x[use], y[use], is_leaf[use] * 9.0, surface, limits)
        assert made.is_filled.any() == filled
        assert (np.isfinite(made.height) <= np.isfinite(made.ground)).all()


def test_water_returns_nearer_than_ground_mask_a_cell(tmp_path):
    """Water west of x = 20, every 2 ft; leaves hang over it. The half way line parts the two."""
    leaves = [(float(x), 30.5, 12.0, 5) for x in np.arange(10.5, 30)]
    wx, wy = (v.ravel() for v in np.meshgrid(np.arange(1.0, 20, 2), np.arange(1.0, 60, 2)))
    water = [(x, y, -1.0, 9) for x, y in zip(wx, wy, strict=True)]
    path = flat(tmp_path, *leaves, *water, hole=lambda x, y: x < 22)
    done = prepare(path, tmp_path, cell_ft=FTUS)
    height, dataset = read(done.folder)
    assert dataset.transform.c == X + 1
    row = np.append(np.nan, height[59 - 30])  # from x = 0
    # water's last column at 19, ground's first at 22.5; a middle at 20.5 is 1.58 ft from water at
    # (19, 31) and 2 ft from ground; one at 21.5 is nearer to ground, but no triangle reaches it
    assert np.isnan(row[:21]).all()
    assert row[22:30] == pytest.approx(np.full(8, 12 * FTUS), abs=1e-4)
    # 30 rows of water at 19 ft and before, every middle within 10 ft of it: columns 1 to 20
    assert done.prepared.figures["n_under_water"] == 20 * 60
    assert not [n for n in done.prepared.notes if n.about == "water" and n.level == "missing"]


def test_ground_under_the_water_level_of_the_flight(dome, tmp_path):
    """The slope is 3 + 0.1 x in US survey feet; under 5 ft it is wet where x < 20 or so."""
    done = prepare(dome, tmp_path, cell_ft=2 * FTUS, flight_water_level_ft=5.0 * FTUS)
    height, _ = read(done.folder)
    assert np.isnan(height[:, :10]).all()  # middles at 1, 3 ... 19: 3.1 to 4.9 ft
    assert np.isfinite(height[:, 10:]).all()
    assert done.prepared.figures["n_under_water"] == 300
    # two thirds of 14,400 ground returns, half a foot apart: 4 on a square foot
    assert done.prepared.figures["n_ground_returns"] == 9600
    assert done.prepared.figures["ground_returns_per_ft2"] == pytest.approx(4 / FTUS**2)


def test_water_polygons(dome, tmp_path):
    import geopandas as gpd

    water = tmp_path / "water.gpkg"
    gpd.GeoSeries([shapely.box(X, Y, X + 20, Y + 60)], crs=2237).to_file(water)
    done = prepare_input(
        "heights", {"cloud": dome, "water": water}, {"cell_ft": 2 * FTUS}, out=tmp_path / "out"
    )
    assert done.prepared.figures["n_under_water"] == 300
    assert np.isnan(read(done.folder)[0][:, :10]).all()


def test_cells_without_returns_and_how_they_are_filled(tmp_path):
    """Two holes in the returns, 1 and 4 cells; the first alone is filled when 3 are allowed."""
    one, four = disc(0.8), lambda x, y: (abs(x - 10) < 1) & (abs(y - 10) < 1)
    x30 = lambda x, y: (abs(x - 30.5) < 0.5) & (abs(y - 30.5) < 0.5)  # noqa: E731
    del one
    path = flat(tmp_path, hole=lambda x, y: x30(x, y) | four(x, y))
    plain = prepare(path, tmp_path, "plain", cell_ft=FTUS, fill_cells=0)
    filled = prepare(path, tmp_path, "filled", cell_ft=FTUS, fill_cells=3)
    assert plain.prepared.figures["n_no_returns"] == 5
    assert plain.prepared.figures["n_filled"] == 0
    assert filled.prepared.figures["n_no_returns"] == 4
    assert filled.prepared.figures["n_filled"] == 1
    for done in (plain, filled):
        assert done.prepared.figures["ground_returns_per_ft2"] == pytest.approx(1 / FTUS**2)
    height = read(filled.folder)[0]
    assert height[59 - 30, 30] == 0 and np.isnan(height[59 - 10, 10])


def test_a_hole_in_water_is_not_filled(tmp_path):
    """One cell without returns, and it lies in water: filling is for what was merely missed."""
    import geopandas as gpd

    here = lambda x, y: (abs(x - 30.5) < 0.5) & (abs(y - 30.5) < 0.5)  # noqa: E731
    path, water = flat(tmp_path, hole=here), tmp_path / "water.gpkg"
    gpd.GeoSeries([shapely.box(X + 30, Y + 30, X + 31, Y + 31)], crs=2237).to_file(water)
    params = {"cell_ft": FTUS, "fill_cells": 3}
    done = prepare_input("heights", {"cloud": path, "water": water}, params, out=tmp_path / "out")
    assert (done.prepared.figures["n_under_water"], done.prepared.figures["n_filled"]) == (1, 0)
    assert np.isnan(read(done.folder)[0][59 - 30, 30])


def test_a_water_return_is_no_top(tmp_path):
    """A wave of 5 ft beside ground that is nearer to the middle of its cell."""
    done = prepare(flat(tmp_path, (30.9, 30.9, 5.0, 9)), tmp_path, cell_ft=FTUS)
    assert done.prepared.figures["n_under_water"] == 0
    assert done.prepared.figures["height_max_ft"] == 0


def test_returns_under_the_ground(tmp_path):
    """A little under: 0. Far under, alone in its cell: no height."""
    here = lambda x, y: (abs(x - 30) < 1) & (abs(y - 30) < 1)  # noqa: E731
    low = flat(tmp_path, (29.5, 29.5, -0.3, 1), (30.5, 30.5, -5.0, 1), hole=here)
    done = prepare(low, tmp_path, cell_ft=FTUS, below_ground_ft=1.0)
    height = read(done.folder)[0]
    assert height[59 - 29, 29] == 0 and np.isnan(height[59 - 30, 30])
    assert done.prepared.figures["n_below_ground"] == 1
    assert done.prepared.figures["n_set_to_0"] == 1


def test_no_cell_with_a_height_is_an_error(tmp_path):
    path = flat(tmp_path)
    with pytest.raises(LayerError, match="no cell with a height"):
        prepare(path, tmp_path, flight_water_level_ft=50)
    assert not (tmp_path / "out").exists()


# ---------------------------------------------------------------------------- error of a height

ERRORS = [
    # top, ground [cm], together [ft]. Root of the sum of squares; 14.1 cm and 29.9 cm.
    (10.0, 10.0, 0.46),
    (10.0, 28.2, 0.98),
]


@pytest.mark.parametrize(("top", "ground", "both"), ERRORS)
def test_the_error_of_a_height_is_stated_and_read_back(dome, tmp_path, top, ground, both):
    said = {"top_rmse_ft": top / 30.48, "ground_rmse_ft": ground / 30.48}
    done = prepare_input(
        "heights", {"cloud": GivenFile(str(dome), "--cloud", said)}, {}, out=tmp_path / "out"
    )
    assert done.prepared.figures["rmse_ft"] == pytest.approx(both, abs=0.005)
    assert float(read(done.folder)[1].tags["rmse_ft"]) == pytest.approx(both, abs=0.005)
    site = tomllib.loads((done.folder / "for_site_file.toml").read_text(encoding="utf-8"))
    assert site["heights"]["rmse_ft"] == pytest.approx(both, abs=0.005)
    assert site["heights"]["file"] == "heights.tif" and site["heights"]["unit"] == "ft"
    assert float(read(done.folder, "ground.tif")[1].tags["rmse_ft"]) == pytest.approx(
        ground / 30.48, abs=1e-4
    )


def test_without_them_no_error_is_stated(dome, tmp_path):
    done = prepare(dome, tmp_path)
    assert done.prepared.figures["rmse_ft"] is None
    assert "rmse_ft" not in read(done.folder)[1].tags
    assert next(n for n in done.prepared.notes if "no standard error" in n.text).level == "missing"


def test_the_record_tells_the_cloud_and_the_picture_is_there(dome, tmp_path):
    done = prepare(dome, tmp_path)
    assert (done.folder / "heights.png").stat().st_size > 10_000
    record = json.loads((done.folder / "record.json").read_text(encoding="utf-8"))
    detail = record["inputs"][0]["detail"]
    assert detail["vertical_unit"] == "us-ft" and detail["las_version"] == "1.4"
    assert any("heights read low" in text for text in json.dumps(record["notes"]).split('"'))


# ---------------------------------------------------------------------------- ground by a filter


def test_the_filter_is_used_only_without_a_class(tmp_path):
    """A crown of 15 ft on a slope; no class is given. The ground is found within a tenth."""
    rng = np.random.default_rng(5)
    n = 30_000
    x, y = rng.uniform(0, 200, n), rng.uniform(0, 200, n)
    is_tree = (np.hypot(x - 100, y - 100) < 20) & (rng.uniform(size=n) < 0.6)
    z = 0.02 * x + np.where(is_tree, 15.0, 0.0)
    how = {"records": [wkt("EPSG:2237+6360")]}
    bare = write_cloud(tmp_path / "bare.laz", X + x, Y + y, z, kind=1, **how)
    classed = write_cloud(
        tmp_path / "classed.laz", X + x, Y + y, z, kind=np.where(is_tree, 5, 2), **how
    )
    done = {
        name: prepare(path, tmp_path, name, cell_ft=4, **params)
        for name, path, params in (
            ("bare", bare, {}),
            ("classed", classed, {}),
            ("asked", classed, {"ground_from": "filter"}),
        )
    }
    found = {name: one.prepared.figures["ground_from"] for name, one in done.items()}
    assert found == {"bare": "filter", "classed": "class", "asked": "filter"}
    heights = {name: read(one.folder)[0] for name, one in done.items()}
    assert np.nanmax(np.abs(heights["bare"] - heights["classed"])) < 0.1
    assert np.array_equal(heights["bare"], heights["asked"], equal_nan=True)
    notes = [note for note in done["bare"].prepared.notes if note.about == "ground"]
    assert notes[0].level == "assumed" and "no return of class 2" in notes[0].text
    assert "heights read as much too low" in notes[0].text
    with pytest.raises(LayerError, match="no return of class 2"):
        prepare(bare, tmp_path, "no", ground_from="class")


def test_the_filter_is_given_last_returns_only(tmp_path, monkeypatch):
    """A pulse's earlier returns cannot be its lowest."""
    number, of = np.tile([1, 2, 1, 3], 900), np.tile([1, 2, 2, 3], 900)
    x, y = lattice(60, 1.0, 0.5)
    path = write_cloud(
        tmp_path / "many.las",
        x,
        y,
        x % 3,
        return_number=number,
        n_returns=of,
        records=[wkt("EPSG:2237+6360")],
    )
    given = []
    monkeypatch.setattr(
        cloud_work,
        "find_ground",
        lambda x, y, z, **_: (given.append(x.size), np.ones(x.size, bool))[1],
    )
    prepare(path, tmp_path, cell_ft=2)
    assert given == [2700]


# ---------------------------------------------------------------------------- tiles, several files


@pytest.fixture(scope="module")
def wood(tmp_path_factory):
    """40,000 returns over 600 x 400 ft: bumpy ground with holes, trees, water; two files."""
    rng = np.random.default_rng(11)
    n = 40_000
    x, y = rng.uniform(0, 600, n).round(2), rng.uniform(0, 400, n).round(2)
    ground = 2.0 + np.sin(x / 25) + np.cos(y / 31)
    canopy = np.maximum(0, 14 * np.sin(x / 17) * np.sin(y / 13))
    is_top = (canopy > 4) & (rng.uniform(size=n) < 0.85)
    z = ground + np.where(is_top, canopy * rng.uniform(0.7, 1, n), 0)
    kind = np.where(is_top, 5, 2)
    kind = np.where((x > 300) & (x < 330) & ~is_top, 9, kind)
    first = np.where(is_top, 1, np.where(canopy > 4, 2, 1))
    folder = tmp_path_factory.mktemp("wood")
    return [
        write_cloud(
            folder / f"half{k}.laz",
            X + x[k::2],
            Y + y[k::2],
            z[k::2],
            kind=kind[k::2],
            return_number=first[k::2],
            n_returns=2,
            scale=0.01,
            records=[wkt("EPSG:2237+6360")],
        )
        for k in (0, 1)
    ]


def made(paths, folder, tile_points, **params):
    folder.mkdir()
    given = tuple(GivenFile(str(path), "--cloud") for path in paths)
    checked = PREPARATIONS["heights"].check({"cell_ft": 2.5, **params})
    done = heights_cloud.prepare_heights_cloud(
        Task({"cloud": given}, checked, folder), tile_points=tile_points
    )
    return done, read(folder)[0], read(folder, "ground.tif")[0]


@pytest.mark.parametrize(
    "params", [{}, {"fill_cells": 0}, {"fill_cells": 4}, {"ground_gap_ft": 4.0}, {"tops": "all"}]
)
def test_tiles_do_not_show(wood, tmp_path, params):
    """One tile, or many of other sizes and in another order of files: the same to 1e-6 ft."""
    whole, height, ground = made(wood, tmp_path / "whole", 1_000_000, **params)
    assert np.isnan(height).sum() > 100  # there is something to get wrong
    for k, points in enumerate((12_000, 2500)):
        tiled, height_t, ground_t = made(wood[::-1], tmp_path / f"t{k}", points, **params)
        assert np.array_equal(np.isnan(height), np.isnan(height_t))
        assert np.nanmax(np.abs(height - height_t)) < 1e-6
        assert np.array_equal(np.isnan(ground), np.isnan(ground_t))
        assert np.nanmax(np.abs(ground - ground_t)) < 1e-6
        assert tiled.figures == whole.figures


def test_tiles_do_not_show_where_ground_returns_are_few(tmp_path):
    """Ground returns 16 ft apart at random under full leaves: holes of every width."""
    rng = np.random.default_rng(4)
    n, n_ground = 12_000, 900
    x, y = rng.uniform(0, 600, n).round(2), rng.uniform(0, 400, n).round(2)
    kind = np.where(np.arange(n) < n_ground, 2, 5)
    z = np.where(kind == 2, rng.uniform(0, 3, n), 14.0)
    path = write_cloud(
        tmp_path / "few.laz", X + x, Y + y, z, kind=kind, records=[wkt("EPSG:2237+6360")]
    )
    for gap in (5.0, 10.0):
        _, height, ground = made([path], tmp_path / f"whole{gap}", 100_000, ground_gap_ft=gap)
        _, height_t, ground_t = made([path], tmp_path / f"tiles{gap}", 300, ground_gap_ft=gap)
        assert np.array_equal(np.isnan(height), np.isnan(height_t))
        assert np.array_equal(np.isnan(ground), np.isnan(ground_t))
        assert np.nanmax(np.abs(height - height_t)) < 1e-6
        assert np.nanmax(np.abs(ground - ground_t)) < 1e-6


def test_tiles_do_not_show_where_middles_lie_on_returns(tmp_path):
    """Every middle of a cell is a ground return, at the rim of a hole too wide to bridge."""
    path = flat(tmp_path, (30.2, 7.2, 15.0, 5), hole=disc(25.0))
    params = {"cell_ft": FTUS, "ground_gap_ft": 6.0}
    _, height, ground = made([path], tmp_path / "whole", 100_000, **params)
    for k, points in enumerate((700, 200)):
        _, height_t, ground_t = made([path], tmp_path / f"t{k}", points, **params)
        assert np.array_equal(height, height_t, equal_nan=True)
        assert np.array_equal(ground, ground_t, equal_nan=True)


def test_tiles_are_bounded_by_cells_too(wood, tmp_path, monkeypatch):
    """A thin cloud over a wide extent: few returns, many cells."""
    from geotrim.io import cloud_tiles

    _, height, _ = made(wood, tmp_path / "whole", 1_000_000)
    sizes = []
    cells = core.tile_heights
    monkeypatch.setattr(cloud_tiles, "TILE_CELLS", 5000)
    monkeypatch.setattr(
        core,
        "tile_heights",
        lambda *a, **k: (sizes.append(a[0].rows * a[0].cols), cells(*a, **k))[1],
    )
    _, height_t, _ = made(wood, tmp_path / "cells", 1_000_000)
    assert len(sizes) > 5 and max(sizes) <= 5000
    assert np.array_equal(height, height_t, equal_nan=True)


def test_near_lots_the_heights_are_those_of_the_whole(wood, tmp_path):
    """Cut to a lot and a margin, cell on cell."""
    import geopandas as gpd

    lots = tmp_path / "lots.gpkg"
    gpd.GeoSeries([shapely.box(X + 250, Y + 150, X + 290, Y + 190)], crs=2237).to_file(lots)
    _, height, _ = made(wood, tmp_path / "whole", 1_000_000)
    files = {"cloud": [str(p) for p in wood], "lots": lots}
    done = prepare_input("heights", files, {"cell_ft": 2.5, "margin_ft": 25}, out=tmp_path / "near")
    near, dataset = read(done.folder)
    assert near.shape[0] in (36, 37) and near.shape[1] in (36, 37)
    col = round((dataset.transform.c - X) / 2.5)
    row = round((Y + 400 - dataset.transform.f) / 2.5)
    same = height[row : row + near.shape[0], col : col + near.shape[1]]
    inner = np.s_[1:-1, 1:-1]  # cells on the rim are cut by the box
    assert np.array_equal(near[inner], same[inner], equal_nan=True)


def test_lots_elsewhere_are_told(wood, tmp_path):
    import geopandas as gpd

    lots = tmp_path / "lots.gpkg"
    gpd.GeoSeries([shapely.box(X + 9e4, Y, X + 9e4 + 40, Y + 40)], crs=2237).to_file(lots)
    with pytest.raises(LayerError, match="no return"):
        prepare_input("heights", {"cloud": wood[0], "lots": lots}, {}, out=tmp_path / "out")


def test_a_file_named_twice_is_read_once(wood, tmp_path):
    once = prepare(wood[0], tmp_path, "once", cell_ft=5)
    twice = prepare([wood[0], wood[0]], tmp_path, "twice", cell_ft=5)
    assert twice.prepared.figures == once.prepared.figures
    assert any("read once" in note.text for note in twice.prepared.notes)


def test_a_copy_under_another_name_is_doubted(wood, tmp_path):
    copy = tmp_path / "copy.laz"
    copy.write_bytes(wood[0].read_bytes())
    done = prepare([wood[0], copy], tmp_path, cell_ft=5)
    assert any("the same cloud twice?" in note.text for note in done.prepared.notes)


def test_files_in_two_planes_are_refused(wood, tmp_path):
    x, y = lattice(20, 1.0)
    other = write_cloud(tmp_path / "harn.las", x, y, x % 2, records=[wkt("EPSG:2882+6360")])
    with pytest.raises(CRSError, match="plane"):
        prepare([wood[0], other], tmp_path)


@pytest.mark.parametrize("source", ["ground", "ground_returns"])
def test_a_ground_raster_beside_a_cloud_is_refused(wood, tmp_path, source):
    with pytest.raises(GeotrimError, match="a raster of the ground beside a cloud"):
        prepare_input("heights", {"cloud": wood, source: "g.tif"}, {}, out=tmp_path / "out")


def test_every_return_comes_once_with_its_height(wood):
    """The heights handed on to others, against the difference to the known ground."""
    clouds = cloud_work.open_clouds([GivenFile(str(path), "--cloud") for path in wood])
    notes: list = []
    runs = [
        list(cloud_work.tiles_with_heights(clouds, gap_ft=15, tile_points=n, notes=notes))
        for n in (1_000_000, 4000)
    ]
    assert len(runs[0]) == 1 and len(runs[1]) > 5
    for tiles in runs:
        points = Points.join([tile.points for tile in tiles])
        height = np.concatenate([tile.height_ft for tile in tiles])
        assert len(points) == 40_000
        x, y = points.x - X, points.y - Y
        known = (points.z - 2.0 - np.sin(x / 25) - np.cos(y / 31)) * FTUS
        is_there = np.isfinite(height)
        assert is_there.mean() > 0.9
        assert np.percentile(np.abs(height - known)[is_there], 99) < 0.6  # curved ground, by chords
    assert any("triangulated" in note.text for note in notes)


def test_a_stop_leaves_nothing(wood, tmp_path, monkeypatch):
    def stop(text):
        if "tile" in text:
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        prepare_input("heights", {"cloud": wood}, {}, out=tmp_path / "out", progress=stop)
    assert list(tmp_path.iterdir()) == []


def test_trouble_in_a_thread_comes_out(wood, tmp_path, monkeypatch):
    monkeypatch.setattr(core, "tile_heights", lambda *a, **k: 1 / 0)
    with pytest.raises(ZeroDivisionError):
        prepare(wood, tmp_path)
    assert list(tmp_path.iterdir()) == []


# ---------------------------------------------------------------------------- small parts


@pytest.mark.jit
@pytest.mark.parametrize("gap", [3.0, 40.0, 1e9])
def test_distances_against_numpy(gap):
    rng = np.random.default_rng(2)
    x, y = rng.uniform(0, 200, (2, 300))
    px, py = rng.uniform(-60, 260, (2, 500))
    expected = np.hypot(px[:, None] - x, py[:, None] - y).min(axis=1)
    expected[expected > gap] = np.inf
    np.testing.assert_allclose(core.distances(px, py, x, y, gap), expected)


def test_a_tile_without_three_ground_returns_has_no_height():
    grid = CloudGrid(1.0, -4, 0, 4, 4)
    x = np.array([0.5, 1.5])
    made = core.tile_heights(
        grid, x, x, np.full(2, np.nan), core.surface_of(x, x, x), core.TileLimits(5.0)
    )
    assert np.isnan(made.height).all()
    assert sorted(made.reason.ravel().tolist()) == [core.NO_RETURNS] * 14 + [core.GROUND_GAP] * 2


# ---------------------------------------------------------------------------- real clouds


@pytest.mark.data
def test_autzen_by_triangulation():
    """PROVENANCE of lidar_feet_autzen: highest 108.5 ft; 1,918 of 83,893 in 6 to 10 ft."""
    cloud = open_cloud(open_data("lidar_feet_autzen") / "autzen_trim.laz", unit="ft")
    clouds = cloud_work.OpenClouds((cloud,), ())
    for tile_points in (1_000_000, 30_000):
        tiles = list(
            cloud_work.tiles_with_heights(clouds, gap_ft=1e5, left_out=(), tile_points=tile_points)
        )
        kind = np.concatenate([tile.points.kind for tile in tiles])
        height = np.concatenate([tile.height_ft for tile in tiles])
        assert np.nanmax(height) == pytest.approx(108.5, abs=0.05)
        assert ((height >= 6) & (height <= 10) & (kind != 2)).sum() == 1918
        assert (kind != 2).sum() == 83_893


@pytest.mark.data
def test_autzen_heights_in_feet(tmp_path):
    path = str(open_data("lidar_feet_autzen") / "autzen_trim.laz")
    done = prepare(GivenFile(path, "--cloud", {"unit": "ft"}), tmp_path, cell_ft=3)
    assert done.prepared.figures["height_max_ft"] == pytest.approx(108.5, abs=0.05)
    height, dataset = read(done.folder)
    assert not (np.isfinite(height) & np.isnan(read(done.folder, "ground.tif")[0])).any()
    assert dataset.transform.c == 636000.0  # 636001.76 in cells of 3 ft, not shifted by 1.27


@pytest.mark.data
def test_osbs_clouds_against_the_delivered_rasters(tmp_path):
    """PROVENANCE of neon_idtrees_osbs: 39 clouds to 1 m cells; medians of correlation, difference.

    To be no worse than 0.80 and 0.17 m.
    """
    folder = open_data("neon_idtrees_osbs")
    correlations, differences = [], []
    for path in sorted((folder / "las").glob("*.las")):
        target = tmp_path / path.stem
        target.mkdir()
        given = (GivenFile(str(path), "--cloud", {"unit": "m"}),)
        params = PREPARATIONS["heights"].check({"cell_ft": 1 / 0.3048})
        work = heights_cloud._opened(Task({"cloud": given}, params, target))
        ours, offset = plot_heights(work, params)
        with rasterio.open(folder / "chm" / f"{path.stem}.tif") as dataset:
            theirs = dataset.read(1).astype(float)
            assert offset == (dataset.transform.c, dataset.transform.f)
        rows, cols = (min(a, b) for a, b in zip(ours.shape, theirs.shape, strict=True))
        ours, theirs = ours[:rows, :cols], theirs[:rows, :cols]
        known = np.isfinite(ours)
        assert known.mean() > 0.8
        correlations.append(np.corrcoef(ours[known], theirs[known])[0, 1])
        differences.append(np.median(np.abs(ours - theirs)[known]))
    assert len(correlations) == 39
    assert np.median(correlations) >= 0.80
    assert np.median(differences) <= 0.17


def plot_heights(work, params):
    """Heights of a small cloud in metres, without the files and the figure; its corner."""
    from geotrim.io.cloud_tiles import tile_clouds

    task = Task({}, params, None)
    limits = heights_cloud._limits(task, work)
    sieve = cloud_work.sieve_of(keeps_overlap=True, left_out=cloud_work.NOT_PLANTS)
    with tile_clouds(work.clouds.clouds, cell=work.cell, sieve=sieve) as tiled:
        way, _ = cloud_work.ground_way(tiled, work.clouds, "auto", limits)
        grid = heights_cloud._grid(tiled.bounds, work)
        (tile,) = tiled.tiles(way.reach(work.cell))
        part, _, _ = heights_cloud._part(tile, grid)
        made, _ = heights_cloud._tile(tile, part, way, work, params["tops"] == "first")
    return made.height * work.clouds.feet_per_z_unit * 0.3048, (grid.west, grid.north)
