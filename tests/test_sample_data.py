"""The invented sites: what is committed is what the script makes, and the answers hold.

Expected values are the dimensions the sites were drawn to (stated in ``sample_data/README.md``),
worked by hand or formula here a second time; nothing is measured with geotrim.
"""

from __future__ import annotations

import hashlib
import importlib.util
import math
import sys
import tomllib
from pathlib import Path

import geopandas
import numpy as np
import pyogrio
import pytest
import rasterio
import shapely
from geopandas.testing import assert_geodataframe_equal
from rasterio.features import geometry_mask

ROOT = Path(__file__).resolve().parent.parent
DATA = ROOT / "sample_data"
SITES = ("plain_lot", "curved_shore", "canal_corner")
#: Source: Federal Register 85 FR 62698; EPSG unit 9003. Both exact.
US_FOOT_FT = (1200 / 3937) / 0.3048
#: Source: s. 403.9325(3) F.S. names three species.
MANGROVES = {"Rhizophora mangle", "Avicennia germinans", "Laguncularia racemosa"}
VERTICAL_FT = {"us-ft": US_FOOT_FT, "ft": 1.0, "m": 1 / 0.3048}


@pytest.fixture(scope="module")
def maker():
    """The script, imported as a module with its own folder on the path."""
    sys.path.insert(0, str(ROOT / "scripts"))
    try:
        spec = importlib.util.spec_from_file_location(
            "make_sample_data", ROOT / "scripts" / "make_sample_data.py"
        )
        module = importlib.util.module_from_spec(spec)
        spec.loader.exec_module(module)
        yield module
    finally:
        sys.path.remove(str(ROOT / "scripts"))


def site_file(folder):
    return tomllib.loads((DATA / folder / "site.toml").read_text(encoding="utf-8"))


def answers(folder):
    return tomllib.loads((DATA / folder / "answers.toml").read_text(encoding="utf-8"))


def table(folder, key):
    """A layer as the site file names it."""
    wanted = site_file(folder)[key]
    return geopandas.read_file(DATA / folder / wanted["file"], layer=wanted["layer"])


def crowns(folder):
    """Crowns with plain column names."""
    wanted = site_file(folder)["crowns"]
    names = {wanted["id_field"]: "crown_id", wanted["species_field"]: "species"}
    out = table(folder, "crowns").rename(columns=names)
    return out.assign(crown_id=out["crown_id"].astype(str))


def heights_ft(folder):
    """Raster in feet, NaN for no data, and its transform."""
    unit = VERTICAL_FT[site_file(folder)["heights"]["unit"]]
    with rasterio.open(DATA / folder / "heights.tif") as raster:
        return raster.read(1, masked=True).filled(np.nan).astype(float) * unit, raster.transform


def test_every_committed_file_is_in_the_manifest_with_its_hash():
    listed = tomllib.loads((DATA / "manifest.toml").read_text(encoding="utf-8"))["file"]
    found = {p.relative_to(DATA).as_posix() for p in DATA.rglob("*") if p.is_file()}
    assert {row["path"] for row in listed} == found - {"manifest.toml"}
    for row in listed:
        assert row["sha256"] == hashlib.sha256((DATA / row["path"]).read_bytes()).hexdigest()
        assert row["made_by"] == "scripts/make_sample_data.py"
        assert row["answer"] == "none" or (DATA / row["answer"]).exists()


def test_the_whole_is_small():
    assert sum(p.stat().st_size for p in DATA.rglob("*") if p.is_file()) < 1_500_000


def test_every_readme_and_site_says_invented():
    for path in (DATA / "README.md", *DATA.glob("*/site.toml"), *DATA.glob("*/answers.toml")):
        assert "invented" in path.read_text(encoding="utf-8").lower(), path.name
    for folder in SITES:
        with rasterio.open(DATA / folder / "heights.tif") as raster:
            assert "invented" in raster.descriptions[0]


def test_made_again_it_is_the_same(maker, tmp_path):
    """Geometry, attributes, cells and text; bytes too, as far as the libraries are the same."""
    first, second = tmp_path / "1", tmp_path / "2"
    maker.make(first)
    maker.make(second)
    for path in sorted(p for p in first.rglob("*") if p.is_file()):
        name = path.relative_to(first)
        assert path.read_bytes() == (second / name).read_bytes(), f"{name} differs between runs"
        if path.name in ("site.toml", "answers.toml", ".gitattributes"):
            assert path.read_bytes() == (DATA / name).read_bytes(), name
    for folder in SITES:
        for layer, _ in pyogrio.list_layers(DATA / folder / "site.gpkg"):
            kept = geopandas.read_file(DATA / folder / "site.gpkg", layer=layer)
            made = geopandas.read_file(first / folder / "site.gpkg", layer=layer)
            assert_geodataframe_equal(kept, made)
        for path in sorted((DATA / folder).glob("*.tif")):
            with rasterio.open(path) as kept, rasterio.open(first / folder / path.name) as made:
                assert kept.profile == made.profile
                assert (kept.units, kept.tags()) == (made.units, made.tags())
                np.testing.assert_array_equal(kept.read(), made.read())


@pytest.mark.parametrize("folder", SITES)
def test_layers_named_in_the_site_file_are_there_in_florida_west_feet(folder):
    site = site_file(folder)
    tables = [v for v in site.values() if isinstance(v, dict) and "layer" in v]
    tables += [s for s in site.get("setbacks", []) if "layer" in s]
    for wanted in tables:
        found = geopandas.read_file(DATA / folder / wanted["file"], layer=wanted["layer"])
        assert found.crs.to_epsg() == 6443
        assert len(found) > 0
        assert found.is_valid.all()
        for key, field in wanted.items():
            assert not key.endswith("_field") or field in found.columns
    with rasterio.open(DATA / folder / "heights.tif") as raster:
        assert raster.crs.to_epsg() == 6443
        assert raster.dtypes == ("float32",)
        assert raster.profile["tiled"]
        assert raster.compression.value == "DEFLATE"
        assert raster.units == (("ft",) if folder == "curved_shore" else (None,))


def test_the_plain_lot_has_120_ft_of_shore():
    lot = table("plain_lot", "lots").geometry[0]
    line = table("plain_lot", "mhw_line").geometry[0]
    shared = line.intersection(lot.buffer(0.002)).length * US_FOOT_FT
    assert shared == pytest.approx(120.00024, abs=0.01)
    assert line.length > 2 * 120
    known = answers("plain_lot")["lots"]["SB-07"]
    assert known["frontage_length_ft"]["value"] == pytest.approx(120.00024, abs=1e-6)
    assert known["lot_area_ft2"]["value"] == pytest.approx(lot.area * US_FOOT_FT**2, abs=0.5)


def test_the_cove_is_an_arc_of_300_ft_radius():
    """180 ft of arc, a chord of 2 R sin(0.3); neighbours 1.2 ft short and 14 ft past the line."""
    line = table("curved_shore", "mhw_line").geometry[0]
    lot = table("curved_shore", "lots").geometry[0]
    shared = line.intersection(lot.buffer(0.002)).length * US_FOOT_FT
    assert shared == pytest.approx(180.00036, abs=0.02)
    known = answers("curved_shore")["lots"]["MC-21"]
    assert known["frontage_length_ft"]["value"] == pytest.approx(180.00036, abs=1e-6)
    assert known["frontage_chord_ft"]["value"] == pytest.approx(
        600 * math.sin(0.3) * US_FOOT_FT, abs=1e-6
    )
    neighbours = table("curved_shore", "neighbours").set_index("parcel").geometry
    assert shapely.distance(line, neighbours["MC-20"]) == pytest.approx(1.2, abs=0.01)
    for neighbour in neighbours:  # a corner in the back is shared with each
        assert set(lot.exterior.coords) & set(neighbour.exterior.coords)
    middle = line.interpolate(164.0 - 60.0)  # 60 ft left of the lot's left corner
    assert shapely.distance(middle, neighbours["MC-20"]) == pytest.approx(1.2, abs=0.01)
    middle = line.interpolate(164.0 + 240.0)
    assert neighbours["MC-22"].contains(middle)
    assert shapely.distance(middle, neighbours["MC-22"].exterior) == pytest.approx(14.0, abs=0.01)


def test_the_corner_lot_has_two_sides_on_the_water():
    lots = table("canal_corner", "lots").set_index("lot").geometry
    line = table("canal_corner", "mhw_line").geometry[0]
    for lot, length in (("LC-03", 146.0), ("LC-02", 74.0), ("LC-04", 78.0)):
        shared = line.intersection(lots[lot].buffer(0.002)).length * US_FOOT_FT
        assert shared == pytest.approx(length, abs=0.01)
        known = answers("canal_corner")["lots"][lot]["frontage_length_ft"]
        assert known["value"] == pytest.approx(length, abs=0.001)
    assert answers("canal_corner")["lots"]["LC-03"]["n_stretches"]["value"] == 2


def offsets(folder):
    """Crown id -> station and offset over the water of its trunk, from each site's own formula."""
    points = table(folder, "trunks")
    key = site_file(folder)["trunks"]["crown_id_field"]
    x, y = points.geometry.x.to_numpy(), points.geometry.y.to_numpy()
    if folder == "plain_lot":
        c, s = math.cos(math.radians(12)), math.sin(math.radians(12))
        east, north = x - 280_000.0, y - 1_180_000.0
        station, offset = c * east + s * north, c * north - s * east
    else:  # the cove: polar about its centre, 300 ft up the turned y axis
        c, s = math.cos(math.radians(7)), math.sin(math.radians(7))
        east, north = x - 284_000.0, y - 1_183_000.0
        along, up = c * east + s * north, c * north - s * east - 300.0
        station, offset = 300.0 * np.arctan2(along, -up) + 90.0, 300.0 - np.hypot(along, up)
    return points[key].astype(str).to_numpy(), station, offset


@pytest.mark.parametrize(("folder", "depth"), [("plain_lot", 38.0), ("curved_shore", 44.0)])
def test_fringe_depth_is_what_the_trunks_say(folder, depth):
    """Mangroves only: the buttonwoods stand farther in and must not count."""
    ids, _, offset = offsets(folder)
    species = crowns(folder).set_index("crown_id")["species"]
    is_mangrove = np.array([species[i] in MANGROVES for i in ids])
    is_named_other = np.array([species[i] not in MANGROVES and species[i] is not None for i in ids])
    found = np.ptp(offset[is_mangrove | (~is_named_other)])  # the unnamed do not widen it either
    assert found == pytest.approx(depth, abs=0.01)
    assert np.ptp(offset[is_mangrove]) == pytest.approx(depth, abs=0.01)
    buttonwood = np.array([species[i] == "Conocarpus erectus" for i in ids])
    assert offset[buttonwood].min() < offset[is_mangrove].min() - 2.0
    (known,) = (
        rows["fringe_depth_max_ft"]
        for rows in answers(folder)["lots"].values()
        if "fringe_depth_max_ft" in rows
    )
    assert known["value"] == pytest.approx(depth * US_FOOT_FT, abs=1e-6)


def test_canal_fringe_depths_by_the_right_angled_axes():
    """12 ft on the north bank and 10 ft on the east one, 84 and 62 ft long."""
    points = table("canal_corner", "trunks")
    species = crowns("canal_corner").set_index("crown_id")["species"]
    c, s = math.cos(math.radians(-20)), math.sin(math.radians(-20))
    east = points.geometry.x.to_numpy() - 288_000.0
    north = points.geometry.y.to_numpy() - 1_186_000.0
    x, y = c * east + s * north, c * north - s * east
    tree = points["tree_no"].to_numpy()
    is_mangrove = np.array([species[str(t)] in MANGROVES for t in tree])
    assert np.ptp(y[is_mangrove & (tree < 100)]) == pytest.approx(12.0, abs=0.01)
    assert np.ptp(x[is_mangrove & (tree > 100)]) == pytest.approx(10.0, abs=0.01)
    known = answers("canal_corner")["lots"]["LC-03"]["stretch_fringe_depths_ft"]["value"]
    assert known == pytest.approx([12.0, 10.0], abs=0.001)


@pytest.mark.parametrize("folder", SITES)
def test_counts_and_mix(folder):
    found, known = crowns(folder), answers(folder)["counts"]
    species = found["species"]
    assert known["n_crowns"] == len(found) == found["crown_id"].nunique()
    assert known["n_mangroves"] == species.isin(MANGROVES).sum()
    assert known["n_species_unknown"] == species.isna().sum() > 0
    assert known["n_other_species"] == len(found) - known["n_mangroves"] - species.isna().sum()
    assert {*MANGROVES, "Conocarpus erectus"} <= set(species.dropna())
    assert known["n_trunks"] == len(table(folder, "trunks"))
    assert (known["n_trunks"] < len(found)) == (folder == "canal_corner")
    bases = found[site_file(folder)["crowns"]["base_height_field"]]
    assert 0 < known["n_base_heights"] == bases.notna().sum() < len(found)


@pytest.mark.parametrize("folder", SITES)
def test_every_height_class_occurs_and_several_are_near_its_limits(folder):
    """Limits 6, 10, 16 and 24 ft: s. 403.9326(1) F.S."""
    heights, transform = heights_ft(folder)
    tops = []
    for polygon in crowns(folder).geometry:
        inside = geometry_mask([polygon], heights.shape, transform, invert=True)
        values = heights[inside & np.isfinite(heights)]
        tops.append(values.max() if values.size else np.nan)
    tops = np.array(tops)
    classes = np.digitize(tops[np.isfinite(tops)], [6.0, 10.0, 16.0, 24.0])
    assert set(classes) == {0, 1, 2, 3, 4}
    near = np.abs(tops[:, None] - [6.0, 10.0, 16.0, 24.0]) <= 0.5
    assert near.any(axis=0).all()
    assert near.any(axis=1).sum() >= 6
    assert 4.0 <= np.nanmin(tops) < 5.5
    assert 26.0 < np.nanmax(tops) < 28.0


@pytest.mark.parametrize("folder", SITES)
def test_crowns_overlap_a_little(folder):
    polygons = crowns(folder).geometry
    total, union = polygons.area.sum(), polygons.union_all().area
    assert 0.005 < 1 - union / total < 0.15


@pytest.mark.parametrize("folder", SITES)
def test_cells_and_domes_agree(folder):
    """Two ways to one volume: cut cells against the formula of the dome."""
    told = [c for c in answers(folder)["crowns"] if "dome_volume_ft3" in c]
    assert len(told) >= 3
    for crown in told:
        for name in ("top_height_ft", "volume_ft3", "share_band_frac"):
            dome, cell = crown[f"dome_{name}"], crown[f"cell_{name}"]
            assert abs(dome["value"] - cell["value"]) <= dome["tolerance"], crown["crown_id"]


def test_flat_crowns_by_hand():
    """A flat top of height h holds area times h, and (h - 6) / h of it over 6 ft when h < 10."""
    told = {c["crown_id"]: c for c in answers("curved_shore")["crowns"]}
    flat = [c for c in told.values() if "flat" in c.get("dome_volume_ft3", {}).get("how", "")]
    assert len(flat) >= 2
    for crown in flat:
        top = crown["dome_top_height_ft"]["value"]
        area = crown["crown_area_ft2"]["value"]
        assert crown["dome_volume_ft3"]["value"] == pytest.approx(area * top, rel=1e-6)
        share = max(min(top, 10.0) - 6.0, 0.0) / top
        assert crown["dome_share_band_frac"]["value"] == pytest.approx(share, abs=1e-6)


def test_the_blank_corner_hides_one_crown_and_cuts_another():
    heights, _ = heights_ft("curved_shore")
    assert np.isnan(heights[0, 0])
    assert 0.001 < np.isnan(heights).mean() < 0.2
    shares = [c["covered_frac"]["value"] for c in answers("curved_shore")["crowns"]]
    assert sorted(s for s in shares if s < 1 - 1e-9)[0] == 0.0
    assert sum(0.05 < s < 0.95 for s in shares) == 1
    for folder in ("plain_lot", "canal_corner"):
        assert np.isfinite(heights_ft(folder)[0]).all()


@pytest.mark.parametrize(
    ("dome", "share"),
    [("paraboloid", 1 / 2), ("half-ellipsoid", 2 / 3), ("flat", 1.0)],
)
def test_domes_hold_the_textbook_share_of_their_cylinder(maker, dome, share):
    """On the ground (rim 0): 1/2 and 2/3 of base times height, as in any table of solids."""
    parts = sys.modules["sample_parts"]
    ring = np.array([[0.0, 0.0], [10.0, 0.0], [10.0, 10.0], [0.0, 10.0]])
    rim = 12.0 if dome == "flat" else 0.0
    crown = parts.Crown("x", None, (5.0, 5.0), None, ring, 12.0, rim, dome, None)
    cylinder = 100.0 * US_FOOT_FT**2 * 12.0
    assert crown.volume(0.0, math.inf, 1.0) == pytest.approx(share * cylinder, rel=1e-12)
    parts_sum = sum(crown.volume(a, b, 1.0) for a, b in ((0.0, 6.0), (6.0, 10.0), (10.0, 99.0)))
    assert parts_sum == pytest.approx(share * cylinder, rel=1e-12)
    step = (np.arange(400) + 0.5) / 40.0  # and by adding up 160,000 columns
    x, y = np.meshgrid(step, step)
    added = crown.surface(x, y).mean() * 100.0 * US_FOOT_FT**2
    assert added == pytest.approx(share * cylinder, rel=1e-3)


@pytest.fixture(scope="module", params=SITES)
def measured(request):
    """A site through geotrim's whole chain, and its known answers."""
    from geotrim.io.site_file import read_site
    from geotrim.ops.chain import measure

    return measure(read_site(DATA / request.param / "site.toml")), answers(request.param)


def test_geotrim_finds_the_lots_answers(measured):
    """Frontage, chord, stretches, area and fringe depth of every measured lot."""
    results, known = measured
    lots = results["frontage"]["lots"].set_index("lot_id")
    depths = results["fringe"]["fringe_lots"].set_index("lot_id")
    stretches = results["frontage"]["frontage"]
    n_checked = 0
    for lot, rows in known["lots"].items():
        if lot not in lots.index:
            continue  # a neighbour: it has its share but is not reported
        for name, one in rows.items():
            if name == "mouth_share_ft":
                continue  # needs the proportional method; checked below
            if name == "stretch_lengths_ft":
                found = stretches.loc[stretches["lot_id"] == lot, "frontage_length_ft"].tolist()
            elif name == "stretch_chords_ft":
                found = stretches.loc[stretches["lot_id"] == lot, "frontage_chord_ft"].tolist()
            elif name == "stretch_fringe_depths_ft":
                depth = results["fringe"]["transects"].groupby("stretch_id")["fringe_depth_ft"]
                found = depth.max().tolist()
            else:
                table = depths if name.startswith("fringe") else lots
                found = float(table.loc[lot, name])
            assert found == pytest.approx(one["value"], abs=one["tolerance"]), name
            n_checked += 1
    assert n_checked >= 4


def test_geotrim_finds_the_crowns_answers(measured):
    """Area, coverage, top, volume and band share, against cut cells and against the domes."""
    results, known = measured
    heights = results["heights"]["heights"].set_index("crown_id")
    slices = results["slices"]["slices"].set_index("crown_id")
    for crown in known["crowns"]:
        crown_id = crown["crown_id"]
        found = {
            "crown_area_ft2": slices.loc[crown_id, "crown_area_ft2"],
            "covered_frac": slices.loc[crown_id, "covered_frac"],
        }
        for way in ("cell", "dome"):
            found[f"{way}_top_height_ft"] = heights.loc[crown_id, "top_height_ft"]
            found[f"{way}_volume_ft3"] = slices.loc[crown_id, "volume_ft3"]
            found[f"{way}_share_band_frac"] = slices.loc[crown_id, "share_band_frac"]
        for name, value in found.items():
            if name in crown:
                one = crown[name]
                assert value == pytest.approx(one["value"], abs=one["tolerance"]), (crown_id, name)
        is_whole = crown["covered_frac"]["value"] > 1 - 1e-9
        assert bool(slices.loc[crown_id, "is_partial"]) is not is_whole


def test_geotrim_shares_the_mouth_of_the_cove():
    """The proportional method gives 180 / 420 of the mouth to the middle lot (example X-05's way).

    Only measured lots take part in it, so the neighbours are measured too.
    """
    from dataclasses import replace

    from geotrim.io.site_file import read_site
    from geotrim.ops.chain import run_operation

    site = read_site(DATA / "curved_shore" / "site.toml")
    site = replace(
        site,
        lots=site.lots.assign(is_measured=True),
        options={**site.options, "riparian_method": "proportional"},
    )
    results = {"frontage": run_operation("frontage", site, {})}
    lines = run_operation("riparian-lines", site, results)["riparian_lines"]
    mine = lines[lines["lot_id"] == "MC-21"].geometry
    ends = [shapely.get_coordinates(line)[-1] for line in mine]
    known = answers("curved_shore")["lots"]["MC-21"]["mouth_share_ft"]
    found = math.dist(*ends) * US_FOOT_FT
    assert found == pytest.approx(known["value"], abs=known["tolerance"])


def test_geotrim_finds_how_far_trunks_stand_from_the_riparian_lines(measured):
    results, known = measured
    if "trunk_to_riparian_line" not in known:
        assert "MC-21" not in known["lots"]
        return
    lines = results["riparian-lines"]["riparian_lines"].set_index("side").geometry
    ids, station, offset = offsets("curved_shore")
    points = table("curved_shore", "trunks").set_index("crown_id").geometry
    for name, one in known["trunk_to_riparian_line"].items():
        at = np.hypot(
            station * US_FOOT_FT - one["station_ft"], offset * US_FOOT_FT - one["offset_ft"]
        )
        point = points[ids[at.argmin()]]
        assert at.min() < 0.01
        found = shapely.distance(point, lines[name.split()[-1]]) * US_FOOT_FT
        assert found == pytest.approx(
            one["distance_ft"]["value"], abs=one["distance_ft"]["tolerance"]
        )
