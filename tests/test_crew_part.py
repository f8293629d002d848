"""Which part of a crown is cut: told so that no leaf outside the zone goes, by hand and by points.

Squares on a straight shore: the zone, the trunk and the crown are numbers in feet, so the lines are
worked out beside them.
"""

from __future__ import annotations

import re
from types import SimpleNamespace

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely
from packages_made import SAMPLES, sample_package

from geotrim.report.crew_html import page_data
from geotrim.report.crew_order import crew_lot
from geotrim.report.crew_part import UNTOLD, Part, part_of, parts_known
from geotrim.report.crew_sheets import crew_pdf
from geotrim.report.crew_table import crew_table, waypoints
from geotrim.report.crew_tree import LEAVE
from geotrim.report.crew_words import CrewHead
from geotrim.report.window_facts import plan_of

#: The shore runs to the east with the water in the north, 0 to 100; map units are feet.
SHORE = shapely.LineString([(0, 0), (100, 0)])
STAYS = "stays as it is, at every height"


def known(crown, zone, *, trunk=(50, 0), shore=SHORE, setbacks=(), riparian=(), feet=1.0, lot=None):
    """A lot of one tree as its package has it."""

    def layer(**columns):
        shapes = columns.pop("geometry")
        return gpd.GeoDataFrame(columns, geometry=list(shapes))

    lot = lot or shapely.box(-500, -500, 500, 500)
    tables = {
        "zone": layer(lot_id=["L"], geometry=[zone]),
        "frontage": layer(lot_id=["L"], stretch_id=["L/1"], geometry=[shore]),
        "crowns": layer(crown_id=["7"], geometry=[crown]),
        "trunks": layer(crown_id=["7"], geometry=[shapely.Point(trunk)]) if trunk else None,
        "lots": layer(lot_id=["L"], geometry=[lot]),
    }
    if setbacks:
        names, shapes = zip(*setbacks, strict=True)
        tables["setbacks"] = layer(setback_name=list(names), geometry=shapes)
    if riparian:
        tables["riparian_lines"] = layer(lot_id=["L"] * len(riparian), geometry=riparian)

    def rows(name, lot_id=None):
        table = tables.get(name)
        return pd.DataFrame() if table is None else table

    return parts_known(SimpleNamespace(rows=rows, feet_per_unit=feet), "L")


def told(crown, zone, *, is_over=False, **given):
    row = {"crown_id": "7", "stretch_id": "L/1", "treatment": "clear-band"}
    return part_of(known(crown, zone, **given), row, is_over=is_over)


CROWN = shapely.box(45, -5, 55, 5)  # ten feet square, trunk in its middle


def test_sides_by_hand():
    # zone to x = 53.7: outside begins 3.7 ft right of the trunk; down to the half foot: 3.5
    assert told(CROWN, shapely.box(0, -50, 53.7, 50)) == Part(
        f"all to the right of a line 3.5 ft right of the trunk (outside the fringe) {STAYS}"
    )
    # from x = 47: 3 ft left
    words = told(CROWN, shapely.box(47, -50, 100, 50)).words
    assert words.startswith("all to the left of a line 3.0 ft left of the trunk (")
    # the water is north of a shore that runs east: y from -4.2 on is 4.2 ft landward, so 4.0
    words = told(CROWN, shapely.box(0, -4.2, 100, 50)).words
    assert words.startswith("all landward of a line 4.0 ft landward of the trunk (")
    words = told(CROWN, shapely.box(0, -50, 100, 4)).words
    assert words.startswith("all waterward of a line 4.0 ft waterward of the trunk (")
    assert told(CROWN, shapely.box(0, -50, 100, 50)) == Part()


def test_a_line_behind_the_trunk_and_two_sides():
    # trunk at x = 52: the zone's edge at 51.5 is half a foot left of it
    words = told(CROWN, shapely.box(0, -50, 51.5, 50), trunk=(52, 0)).words
    assert words.startswith("all to the right of a line 0.5 ft left of the trunk (")
    words = told(CROWN, shapely.box(0, -50, 52, 50), trunk=(52, 0)).words
    assert words.startswith("all to the right of the trunk (")
    words = told(CROWN, shapely.union(shapely.box(0, -50, 53, 50), shapely.box(60, 0, 61, 1))).words
    assert words.count("all ") == 1
    both = shapely.box(46, -50, 54, 50)  # one foot on either side
    words = told(CROWN, both).words
    assert "right of a line 4.0 ft right of the trunk" in words
    assert "and all to the left of a line 4.0 ft left of the trunk" in words


def test_the_shore_tells_the_sides_and_the_feet():
    """Run the other way, the water is south: right is west. In metres a foot is 0.3048 of one."""
    other = shapely.LineString([(100, 0), (0, 0)])
    words = told(CROWN, shapely.box(0, -50, 53, 50), shore=other).words
    assert words.startswith("all to the left of a line 3.0 ft left of the trunk (")
    words = told(CROWN, shapely.box(0, -50, 100, 4), shore=other).words
    assert words.startswith("all landward of a line 4.0 ft landward")
    # 3 map units of 3.28 ft: 9.84 ft, down to 9.5
    words = told(CROWN, shapely.box(0, -50, 53, 50), feet=3.28).words
    assert "a line 9.5 ft right of the trunk" in words
    words = told(CROWN, shapely.box(0, -50, 53, 50), trunk=None).words
    assert "3.0 ft right of the middle of the crown" in words


def test_why_a_piece_lies_outside():
    zone = shapely.box(0, -50, 53, 50)
    whole = shapely.LineString([(53, -40), (53, 80)])
    assert "(beyond the riparian line)" in told(CROWN, zone, riparian=[whole]).words
    far = shapely.LineString([(60, -40), (60, 80)])
    assert "(outside the fringe)" in told(CROWN, zone, riparian=[far]).words
    strip = [("strip of the town", shapely.box(53, -50, 70, 50))]
    assert "(in the setback: strip of the town)" in told(CROWN, zone, setbacks=strip).words
    mine = shapely.box(0, -50, 53, 50)
    assert "(beyond the lot's limits)" in told(CROWN, zone, lot=mine).words


def test_what_cannot_be_told_is_held():
    diagonal = shapely.Polygon([(-100, -100), (150, -100), (-100, 150 - 0.1)])  # x + y < 50
    assert told(CROWN, diagonal) == UNTOLD and UNTOLD.hold and UNTOLD.words
    bare = known(CROWN, shapely.box(0, -50, 53, 50))
    bare = type(bare)(bare.package, "L", None, bare.shore, bare.trunks, bare.shapes)
    assert part_of(bare, {"crown_id": "7"}) == UNTOLD
    nowhere = known(CROWN, shapely.box(0, -50, 53, 50))
    nowhere = type(nowhere)(nowhere.package, "L", nowhere.zone, {}, {}, nowhere.shapes)
    assert part_of(nowhere, {"crown_id": "7"}) == UNTOLD


def test_steps_of_an_outline_are_no_part_and_rims_are_named():
    """A grid of 1 ft leaves cells at the edge of a crown that ends where the zone does."""
    zone = shapely.box(0, -50, 54.6, 50)  # 0.4 ft outside: narrower than half a foot
    assert told(CROWN, zone) == Part()
    words = told(CROWN, zone, is_over=True).words
    assert words == f"the outermost 1 ft of the crown on its right side (edge of the zone) {STAYS}"
    words = told(CROWN, shapely.box(45, -5, 100, 50), is_over=True).words
    assert "on its left and landward side" in words
    assert "1 ft of the crown all round" in told(CROWN, CROWN, is_over=True).words


LINE = re.compile(
    r"all (?:to the )?(right|left|landward|waterward) of (?:a line ([\d.]+) ft (\w+) of )?the trunk"
)
AXES = {"right": (1, 0), "left": (-1, 0), "waterward": (0, 1), "landward": (0, -1)}


def lines_of(words):
    """(direction, feet) of every line that the words tell."""
    out = []
    for side, feet, way in LINE.findall(words):
        out.append((np.array(AXES[side]), float(feet or 0) * (1 if way in ("", side) else -1)))
    return out


@pytest.mark.parametrize("seed", range(30))
def test_no_leaf_outside_the_zone_is_cut(seed):
    """Points of a grid over random crowns, zones and shores: read back from the words alone."""
    rng = np.random.default_rng(seed)
    turn = rng.uniform(0, 2 * np.pi)
    right = np.array([np.cos(turn), np.sin(turn)])
    water = np.array([-right[1], right[0]])
    shore = shapely.LineString([-80 * right, 80 * right])
    corners = rng.uniform(3, 9, 4)  # of a crown in feet to the right, left, waterward, landward
    crown = shapely.Polygon(
        [corners[0] * right, corners[2] * water, -corners[1] * right, -corners[3] * water]
    )
    edge, bend = rng.uniform(0.5, 2.5), rng.uniform(-0.2, 0.2)
    zone = shapely.Polygon(
        [
            *(edge * right + 60 * (water + bend * right), -60 * right + 60 * water),
            *(-60 * right - 60 * water, edge * right - 60 * (water + bend * right)),
        ]
    )
    words = told(crown, zone, trunk=(0, 0), shore=shore).words
    if words == UNTOLD.words:
        return
    lines = lines_of(words)
    assert lines
    x, y = (one.ravel() for one in np.meshgrid(*[np.arange(-10, 10, 0.1)] * 2))
    at = np.stack([x, y], axis=1)
    inside = shapely.contains_xy(crown, x, y)
    out = inside & ~shapely.intersects_xy(zone, x, y)
    own = np.stack([at @ right, at @ water], axis=1)
    stays = np.any([own @ way >= feet - 1e-9 for way, feet in lines], axis=0)
    assert out.any() and not (out & ~stays).any()
    assert (inside & ~out & ~stays).any()  # and something is left to cut


@pytest.mark.parametrize("name", SAMPLES)
def test_every_crown_that_reaches_out_of_its_zone_is_told(name):
    """By the shapes of the package, and by the heights its own window leaves standing."""
    package = sample_package(name)
    lot_id = package.lot_ids()[0]
    lot = crew_lot(package, lot_id, 1)
    rows = package.rows("crowns", lot_id)
    rows = rows.set_index(rows["crown_id"].astype(str))
    zone = package.rows("zone", lot_id).geometry.union_all()
    feet2 = package.feet_per_unit**2
    for tree in lot.work:
        if tree.cut is None or not plan_of(package.results, lot_id).is_window:
            assert not tree.part
            continue
        row = rows.loc[tree.crown_id]
        if row.geometry.difference(zone).area * feet2 > 2:  # [ft2]
            assert tree.part
        if row["treatment"] == "lower-top" and row["height_after_ft"] > row["cut_low_ft"] + 0.05:
            assert tree.part
        assert (" IN PART" in tree.what) == bool(tree.part)


def test_the_part_stands_on_paper_phone_and_in_the_files():
    """SB-41 reaches over the right riparian line, MC-051 into the strip that is set aside."""
    import io

    import pypdf

    head = CrewHead("Invented shore", "0" * 64, "", "2026-11-26")
    for name, crown_id, side, why in (
        ("plain_lot", "SB-41", "to the right", "beyond the riparian line"),
        ("curved_shore", "MC-051", "landward", "Marlspike conservation strip"),
    ):
        package = sample_package(name)
        lot = crew_lot(package, package.lot_ids()[0], 1)
        tree = next(one for one in lot.work if one.crown_id == crown_id)
        assert side in tree.part and why in tree.part and tree.kind != LEAVE
        page = next(
            one for one in page_data([lot], head, 0.2)["lots"][0]["work"]
            if one["crown_id"] == crown_id
        )  # fmt: skip
        assert {"text": f"ONLY IN PART: {tree.part}.", "bold": True} in page["details"]
        assert " IN PART " in page["mark"] + " "
        table = crew_table([lot]).set_index("crown_id")
        assert table.loc[crown_id, "part"] == tree.part
        assert table["part"].notna().sum() == sum(bool(one.part) for one in lot.work)
        point = next(one for one in waypoints([lot]) if one.name == crown_id)
        assert any(tree.part in str(getattr(point, key)) for key in point.__slots__)
        pages = pypdf.PdfReader(io.BytesIO(crew_pdf([lot], head))).pages
        words = [" ".join(one.extract_text().split()) for one in pages]
        mine = next(one for one in words if "Date, who" in one and crown_id in one)
        assert f"ONLY IN PART: {tree.part}." in mine
        assert "Of a tree that is cut IN PART" in words[0]
    shares = [text for part in page["details"] if "Takes" in (text := part["text"])]
    assert shares and "if only that part is cut" in shares[0]


def test_letters_that_the_pages_lack_are_a_note(tmp_path):
    """Two letters the pages' font has no shape for: told once, no warning on the way."""
    from dataclasses import replace

    from geotrim.handover.crew import make_crew_list
    from geotrim.handover.job import Job

    package = sample_package("plain_lot")
    site = {**package.record["site"], "name": "\u6f22\u5b57\u6f22 shore"}
    record = {**package.record, "site": site}
    params = {"lot": None, "prepared_by": None, "date": "2026-11-26", "year": 1}
    made = make_crew_list(Job(replace(package, record=record), {}, params, tmp_path))
    told = [note.text for note in made.notes if "without a shape" in note.text]
    assert len(told) == 1 and told[0].endswith("boxes: \u6f22 \u5b57")
