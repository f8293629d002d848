"""The site file: what it says, where it says it, and what comes of it."""

from __future__ import annotations

import hashlib
import shutil
import tomllib
import warnings

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely
from hypothesis import given
from hypothesis import strategies as st

import geotrim
from geotrim.errors import FileError, GeotrimError, LayerError, RangeError, SiteFileError
from geotrim.io.layers import write_layer
from geotrim.io.site_file import read_site, site_from_tables
from geotrim.io.toml_lines import key_lines
from geotrim.model import SET_ASIDE_KINDS, CanopyGrid
from geotrim.ops.registry import Param
from geotrim.rules import overlays
from geotrim.rules.rule_file import read_overlay

X, Y = 400_000.0, 1_100_000.0


def box(x, y, w, h):
    return shapely.box(X + x, Y + y, X + x + w, Y + y + h)


def frame(shapes, crs=6443, **fields):
    return gpd.GeoDataFrame(fields, geometry=list(shapes), crs=crs)


LOTS = frame([box(0, 0, 100, 150), box(100, 0, 80, 150)], lot_id=["A", "B"], street=["Bay", "Hill"])
SHORE = frame([shapely.LineString([(X - 50, Y + 150), (X + 250, Y + 150)])])
CROWNS = frame(
    [box(10, 140, 20, 20), box(40, 140, 20, 20), box(50, 140, 20, 20)],
    crown_id=[1.0, 2.0, 3.0],
    species=["Rhizophora mangle", "", None],
    base_m=[2.0, np.nan, 0.0],
)
TRUNKS = frame([shapely.Point(X + 20, Y + 150), shapely.Point(X + 57, Y + 150)])

PLAIN = """\
[site]
name = "test"

[lots]
file = "site.gpkg"

[mhw_line]
file = "site.gpkg"
origin = "survey"
"""


@pytest.fixture(scope="module")
def master(tmp_path_factory):
    path = tmp_path_factory.mktemp("site") / "site.gpkg"
    tables = {"lots": LOTS, "mhw_line": SHORE, "crowns": CROWNS, "trunks": TRUNKS}
    for name, table in tables.items():
        write_layer(table, path, layer=name)
    return path


@pytest.fixture
def folder(tmp_path, master):
    shutil.copy(master, tmp_path)
    return tmp_path


def site(folder, text=PLAIN, **kwargs):
    path = folder / "site.toml"
    path.write_text(text, encoding="utf-8")
    return read_site(path, **kwargs)


def told(site):
    return " | ".join(f"{note.level} {note}" for note in site.notes)


# ---- what comes of it ---------------------------------------------------------------------------


def test_a_plain_site(folder):
    got = site(folder)
    assert (got.name, got.crs.to_epsg(), got.mhw_origin) == ("test", 6443, "survey")
    assert list(got.lots.columns) == ["lot_id", "is_measured", "geometry"]
    assert list(got.measured_lot_ids()) == ["A", "B"]
    assert got.crowns is None and got.heights is None
    assert geotrim.read_site is read_site


def test_every_input_is_listed_with_its_hash(folder):
    (lots, line) = site(folder).inputs
    assert lots.sha256 == hashlib.sha256((folder / "site.gpkg").read_bytes()).hexdigest()
    assert (lots.role, lots.path, lots.layer, lots.n_features) == ("lots", "site.gpkg", "lots", 2)
    assert (line.role, line.crs) == ("mhw_line", "EPSG:6443")


def test_crowns_with_species_and_base_heights(folder):
    """2 m is 6.5617 ft (1 ft = 0.3048 m exactly: Federal Register 85 FR 62698)."""
    got = site(
        folder,
        PLAIN + '[crowns]\nfile="site.gpkg"\nbase_height_field="base_m"\nbase_height_unit="m"\n',
    )
    assert list(got.crowns["crown_id"]) == ["1", "2", "3"]
    assert list(got.crowns["species"]) == ["Rhizophora mangle", None, None]
    np.testing.assert_allclose(got.crowns["base_height_ft"], [2 / 0.3048, np.nan, 0.0])
    assert "2 crowns of 3 without a species" in told(got)


def test_trunks_find_their_crown_by_place(folder):
    """The second trunk stands in two crowns, whose centres are at x = 50 and 60: 60 is nearer."""
    got = site(folder, PLAIN + '[crowns]\nfile="site.gpkg"\n[trunks]\nfile="site.gpkg"\n')
    assert list(got.trunks["crown_id"]) == ["1", "3"]
    assert "1 trunk in two crowns or more" in told(got)
    assert "1 crown of 3 without a trunk point" in told(got)


@pytest.mark.parametrize(("x", "crown"), [(51, "2"), (57, "3")])
@pytest.mark.parametrize("order", [1, -1])
def test_of_two_crowns_the_one_with_the_nearer_centre(x, crown, order):
    """Centres at x = 50 and 60, so 51 and 57 are 1 and 3 ft from theirs, whatever the order."""
    trunk = frame([shapely.Point(X + x, Y + 150)])
    got = site_from_tables({"crowns": CROWNS[::order], "trunks": trunk})
    assert list(got.trunks["crown_id"]) == [crown]


def test_trunks_find_their_crown_by_id(folder):
    named = TRUNKS.assign(tree=["2", "9"])
    write_layer(named, folder / "named.gpkg", layer="trunks")
    text = (
        PLAIN + '[crowns]\nfile="site.gpkg"\n[trunks]\nfile="named.gpkg"\ncrown_id_field="tree"\n'
    )
    got = site(folder, text)
    assert list(got.trunks["crown_id"]) == ["2"]
    assert "1 trunk left out, no crown has their id in 'tree': row 2" in told(got)


@pytest.mark.parametrize("choice", ['measure = ["A"]', 'where = { street = "Bay" }'])
def test_lots_not_reported_are_neighbours(folder, choice):
    got = site(folder, PLAIN.replace("[lots]\n", f"[lots]\n{choice}\n"))
    assert dict(zip(got.lots["lot_id"], got.lots["is_measured"], strict=True)) == {
        "A": True,
        "B": False,
    }


def test_neighbours_join_and_repeats_are_left_out(folder):
    others = frame(
        [box(0, 0, 100, 150), box(180, 0, 50, 150), box(5000, 0, 50, 150)], parcel=["A", "C", "far"]
    )
    write_layer(others, folder / "n.gpkg", layer="n")
    got = site(folder, PLAIN + '[neighbours]\nfile="n.gpkg"\nid_field="parcel"\n')
    assert list(got.lots["lot_id"]) == ["A", "B", "C"]
    assert list(got.lots["is_measured"]) == [True, True, False]
    assert "1 neighbour left out, already a lot: A" in told(got)
    assert "1 farther than 2000 ft" in told(got)


def test_neighbours_without_ids_get_their_own(folder):
    write_layer(frame([box(180, 0, 50, 150)]), folder / "n.gpkg", layer="n")
    got = site(folder, PLAIN + '[neighbours]\nfile="n.gpkg"\n')
    assert list(got.lots["lot_id"]) == ["A", "B", "neighbour-1"]


def test_every_other_input(folder):
    write_layer(frame([box(-50, 300, 300, 1).boundary]), folder / "water.gpkg", layer="channel")
    write_layer(frame([box(0, 200, 9, 9)], note=["nest"]), folder / "no.gpkg", layer="no")
    text = PLAIN + (
        '[channel]\nfile="water.gpkg"\n[mouth_line]\nfile="water.gpkg"\n'
        '[exclusions]\nfile="no.gpkg"\nname_field="note"\n'
        '[[setbacks]]\nname="wire"\nreference="file"\ndistance_ft=10\nsource="29 CFR 1910.269"\n'
        'file="water.gpkg"\n[band]\nlow_ft=5\nhigh_ft=9.5\n[options]\nreach_ft=3\n'
    )
    got = site(folder, text)
    assert got.channel.length[0] == got.mouth_line.length[0] == 602.0
    assert list(got.exclusions["name"]) == ["nest"]
    assert got.setbacks[0].geometry.length == 602.0 and got.setbacks[0].distance_ft == 10.0
    assert dict(got.options) == {"reach_ft": 3.0, "band_ft": (5.0, 9.5)}


def test_inputs_in_degrees_come_to_the_sites_crs(folder):
    LOTS.to_crs(6318).to_file(folder / "deg.gpkg", layer="lots")
    got = site(folder, PLAIN.replace('[lots]\nfile = "site.gpkg"', '[lots]\nfile = "deg.gpkg"'))
    assert got.crs.to_epsg() == 6443  # chosen from the position
    np.testing.assert_allclose(got.lots.total_bounds, LOTS.total_bounds, atol=1e-4)
    assert "EPSG:6443" in told(got) and "reprojected from EPSG:6318" in told(got)


def test_what_is_not_known_of_the_line_is_told(folder):
    assert "missing mhw_line: not stated: tidal epoch, vertical datum, standard error" in told(
        site(folder)
    )
    apparent = site(folder, PLAIN.replace('"survey"', '"apparent-shoreline"'))
    assert "assumed mhw_line: an apparent shoreline, not an MHW line" in told(apparent)


# ---- what a route needs -------------------------------------------------------------------------

MEASURED = CROWNS.assign(
    height=["3", " ", None], goal=[2.0, np.nan, 0.0], cut=["Yes", "0", None], base_m=[1.0, 1.0, 1.0]
)
IN_METRES = {"height_field": "height", "target_height_field": "goal", "height_unit": "m"}


def test_heights_measured_on_site():
    """3 m is 9.8425 ft and 2 m 6.5617 ft (1 ft = 0.3048 m exactly: Federal Register 85 FR 62698).

    The base keeps its own unit.
    """
    said = {**IN_METRES, "base_height_field": "base_m", "base_height_unit": "ft"}
    got = site_from_tables({"crowns": {"file": MEASURED, **said, "height_rmse_ft": 0.25}})
    crowns = got.crowns
    np.testing.assert_allclose(crowns["field_height_ft"], [3 / 0.3048, np.nan, np.nan])
    np.testing.assert_allclose(crowns["field_height_error_ft"], [0.25, np.nan, np.nan])
    np.testing.assert_allclose(crowns["target_height_ft"], [2 / 0.3048, np.nan, 0.0])
    np.testing.assert_allclose(crowns["base_height_ft"], 1.0)
    assert "1 of 3 have a height measured on site" in told(got)
    assert "no standard error of the heights" not in told(got)


def test_an_error_that_is_not_stated_is_no_column():
    got = site_from_tables({"crowns": {"file": MEASURED, **IN_METRES}})
    assert "field_height_error_ft" not in got.crowns.columns
    assert "missing crowns: no standard error of the heights measured on site" in told(got)


def test_only_what_was_named_is_a_column():
    """A field that only looks like a height is not taken for one."""
    got = site_from_tables({"crowns": MEASURED})
    assert list(got.crowns.columns) == ["crown_id", "species", "base_height_ft", "geometry"]


@pytest.mark.parametrize(
    ("values", "expected"),
    [
        (["Yes", "no", " "], [True, False, None]),
        (["TRUE", "False", ""], [True, False, None]),
        ([1, 0, 1], [True, False, True]),
        ([1.0, 0.0, np.nan], [True, False, None]),
        ([True, False, True], [True, False, True]),
        (pd.array([True, None, False], dtype="boolean"), [True, None, False]),
    ],
)
def test_which_trees_are_to_be_trimmed(values, expected):
    crowns = {"file": CROWNS.assign(cut=values), "trim_field": "cut"}
    got = site_from_tables({"crowns": crowns})
    assert all(a is b for a, b in zip(got.crowns["is_to_trim"], expected, strict=True))
    assert ("not said of 1 crown of 3 whether to trim" in told(got)) == (None in expected)


@pytest.mark.parametrize(
    ("values", "expected"),
    [([True, True, False], 2), (["true", "False", ""], 1), ([1, 1, 1], 3), ([False] * 3, 0)],
)
def test_crowns_that_are_a_draft_are_told(values, expected):
    """Depths, counts and shares rest on outlines that a machine drew."""
    got = site_from_tables({"crowns": {"file": CROWNS.assign(is_draft=values)}})
    assert (f"{expected} of 3 are a draft made from heights" in told(got)) == (expected > 0)
    assert ("is_draft" in got.crowns) == (expected > 0)
    assert "draft" not in told(site_from_tables({"crowns": {"file": CROWNS}}))


def test_accuracy_of_trunks(folder):
    text = PLAIN + '[crowns]\nfile="site.gpkg"\n[trunks]\nfile="site.gpkg"\n'
    assert site(folder, text).trunks_rmse_ft is None
    got = site(folder, text + "position_rmse_ft = 1\n").trunks_rmse_ft
    assert got == 1.0 and isinstance(got, float)


PARKS = frame(
    [box(0, 140, 30, 30), box(60, 140, 9, 9), box(150, 150 + 1990, 9, 9), box(150, 2160, 9, 9)],
    what=["Mitigation", "aquatic-preserve ", "conservation", "conservation"],
    park=["Weir Bank", None, "Near", "Far"],
)


def test_land_set_aside_by_field(folder):
    """The lots end at 150 ft: the third polygon is 1,990 ft away, the fourth 2,010 ft."""
    write_layer(PARKS, folder / "parks.gpkg", layer="parks")
    text = '[set_aside]\nfile = "parks.gpkg"\nkind_field = "what"\nname_field = "park"\n'
    got = site(folder, PLAIN + text)
    assert list(got.set_aside.columns) == ["name", "kind", "geometry"]
    assert list(got.set_aside["kind"]) == ["mitigation", "aquatic-preserve", "conservation"]
    assert list(got.set_aside["name"]) == ["Weir Bank", "land set aside 2", "Near"]
    assert got.set_aside.crs == got.crs
    assert "1 polygon farther than 2000 ft from every lot left out" in told(got)
    assert [item.role for item in got.inputs] == ["lots", "mhw_line", "set_aside"]


@pytest.mark.parametrize("kind", SET_ASIDE_KINDS)
def test_land_set_aside_of_one_kind(kind):
    land = {"file": PARKS.to_crs(6318), "kind": kind}
    got = site_from_tables({"lots": LOTS, "set_aside": land})
    assert list(got.set_aside["kind"]) == [kind] * 3
    np.testing.assert_allclose(got.set_aside.area[0], 900.0, rtol=1e-6)


# ---- local rules --------------------------------------------------------------------------------

LOCAL = """\
[file]
id = "saltspindle"
kind = "overlay"
title = "Mangrove code of Saltspindle Bay (invented)"
jurisdiction = "Saltspindle Bay (invented)"
version = "1"

[tighten.owner-height-before]
number = 8.0
unit = "ft"
section = "invented code, section 4"
confidence = "from memory"
read_on = "not read"
"""
OTHER = LOCAL.replace("saltspindle", "marlspike").replace("8.0", "7.0")


def test_rule_files_by_path_keep_their_order(folder):
    (folder / "codes").mkdir()
    (folder / "codes" / "local").write_text(LOCAL, encoding="utf-8")
    (folder / "b.toml").write_bytes(b"\xef\xbb\xbf" + OTHER.replace("\n", "\r\n").encode())
    got = site(folder, PLAIN + '[rules]\noverlays = ["b.toml", "codes/local"]\n')
    assert [overlay.id for overlay in got.overlays] == ["marlspike", "saltspindle"]
    rules = [item for item in got.inputs if item.role == "rules"]
    assert [item.path for item in rules] == ["b.toml", "codes/local"]
    assert rules[1].sha256 == hashlib.sha256(LOCAL.encode()).hexdigest()
    assert rules[1].detail["title"] == "Mangrove code of Saltspindle Bay (invented)"


def test_a_rule_file_by_the_name_it_is_installed_under(folder, monkeypatch):
    """A file of that name in the folder does not stand before it; one that ends in .toml would."""
    found = {"bay": (read_overlay(LOCAL, "bay"), LOCAL)}
    monkeypatch.setattr(overlays, "installed", lambda: (found, ()))
    (folder / "bay").write_text(OTHER, encoding="utf-8")
    got = site(folder, PLAIN + '[rules]\noverlays = ["bay", "./bay"]\n')
    assert [overlay.id for overlay in got.overlays] == ["saltspindle", "marlspike"]
    assert got.inputs[-2].path == "bay (installed)"
    assert got.inputs[-2].sha256 == hashlib.sha256(LOCAL.encode()).hexdigest()


def test_a_name_that_is_not_installed_tells_those_that_are(folder, monkeypatch):
    found = {"bay": (read_overlay(LOCAL, "bay"), LOCAL)}
    faults = (("cape (town:RULES)", "KeyError: 'number'"),)
    monkeypatch.setattr(overlays, "installed", lambda: (found, faults))
    with pytest.raises(FileError, match=r"'cape': found no installed .*installed: bay") as caught:
        site(folder, PLAIN + '[rules]\noverlays = ["cape"]\n')
    assert caught.value.subject.startswith("[rules] overlays, number 1 (line 11 of site.toml)")
    assert "cape (town:RULES) could not be loaded: KeyError" in str(caught.value)


def test_a_rule_file_that_was_read_may_stand_in_the_list():
    overlay = read_overlay(LOCAL, "mine")
    got = site_from_tables({"lots": LOTS, "rules": {"overlays": [overlay]}})
    assert got.overlays == (overlay,) and got.inputs[-1].path == "given in memory"
    assert site_from_tables({"lots": LOTS, "rules": {"overlays": []}}).overlays == ()


# ---- without a file -----------------------------------------------------------------------------


def test_the_same_from_tables_in_python():
    grid = CanopyGrid(np.full((20, 20), 8.0), X, Y + 160, 5.0)
    got = site_from_tables(
        {
            "lots": {"file": LOTS, "measure": ["A"]},
            "mhw_line": {"file": SHORE, "origin": "digitised"},
            "crowns": CROWNS,
            "trunks": TRUNKS,
            "heights": grid,
            "band": {"low_ft": 6, "high_ft": 10},
        }
    )
    assert list(got.measured_lot_ids()) == ["A"]
    assert got.heights is grid
    assert list(got.trunks["crown_id"]) == ["1", "3"]
    assert got.inputs[0].path == "given in memory"


def test_crowns_alone_make_a_site():
    got = site_from_tables({"crowns": CROWNS})
    assert got.lots is None and got.crs.to_epsg() == 6443 and len(got.crowns) == 3


@pytest.mark.parametrize("shift", [0.0, 90.0])
def test_moving_everything_changes_no_id_and_no_shape(shift):
    """Law: the reader measures nothing and moves nothing that is already in the site's CRS."""
    lots = LOTS.assign(geometry=LOTS.geometry.translate(shift, -shift))
    shore = SHORE.assign(geometry=SHORE.geometry.translate(shift, -shift))
    got = site_from_tables({"lots": lots, "mhw_line": {"file": shore, "origin": "survey"}})
    assert got.lots.geometry.geom_equals_exact(lots.geometry, 0).all()


# ---- lines --------------------------------------------------------------------------------------

LINED = r'''# comment with [brackets] and "quotes"
[site]
name = """
three
lines \""" ["""
"crs" = 'EPSG:6443' # [not.a.table]

[lots] # tail
measure = [
  "A", # one, ]
  "B",
]
where = { street = "a = b", 'two words'.x = [1, 2] }
[[setbacks]]
name = "x"
[[setbacks]]
name = "y"
distance_ft = 1_0.5e0
mhw_line.file = "dotted"
'''


def test_lines_of_keys():
    lines = key_lines(LINED)
    assert lines["site", "name"] == 3
    assert lines["site", "crs"] == 6
    assert (lines["lots",], lines["lots", "measure"], lines["lots", "measure", 1]) == (8, 9, 11)
    assert lines["lots", "where", "street"] == 13
    assert lines["lots", "where", "two words", "x"] == 13
    assert (lines["setbacks", 0], lines["setbacks", 1], lines["setbacks", 1, "name"]) == (
        14,
        16,
        17,
    )
    assert lines["setbacks", 1, "mhw_line", "file"] == 19


def places(value, at=()):
    if isinstance(value, dict):
        for key, inner in value.items():
            yield (*at, key)
            yield from places(inner, (*at, key))
    elif isinstance(value, list):
        for i, inner in enumerate(value):
            yield (*at, i)
            yield from places(inner, (*at, i))


def test_every_place_of_a_document_has_a_line():
    """Law: whatever the standard parser finds, the scanner finds too."""
    assert set(places(tomllib.loads(LINED))) <= set(key_lines(LINED))


words = st.text(st.characters(codec="utf-8", exclude_categories=("Cc", "Cs")), max_size=12)


@given(st.dictionaries(words, st.lists(words, max_size=3), min_size=1, max_size=6))
def test_lines_of_any_keys_and_texts(table):
    """One key a line, whatever stands in the quotes."""

    def quoted(text):
        return '"' + text.replace("\\", "\\\\").replace('"', '\\"') + '"'

    text = "[t]\n" + "".join(
        f"{quoted(key)} = [{', '.join(map(quoted, values))}]\n" for key, values in table.items()
    )
    assert tomllib.loads(text)["t"] == table
    lines = key_lines(text)
    assert [lines["t", key] for key in table] == list(range(2, 2 + len(table)))


# ---- errors name the key and the line -----------------------------------------------------------

WRONG = [
    (
        '[site]\nname = "x"\nnmae = "y"\n',
        "[site] nmae (line 3 of site.toml)",
        "say 'name' if you meant that",
    ),
    ("[site]\nname = 3\n", "[site] name (line 2 of site.toml)", "needed text"),
    (
        PLAIN + "[sitebacks]\n",
        "[sitebacks] (line 10 of site.toml)",
        "say 'setbacks' if you meant that",
    ),
    (
        PLAIN.replace("survey", "surveyed"),
        "[mhw_line] origin (line 9",
        "say 'survey' if you meant that",
    ),
    (PLAIN.replace('origin = "survey"\n', ""), "[mhw_line] (line 7", "add origin"),
    (PLAIN + "[options]\nreach_feet = 5\n", "[options] reach_feet (line 11", "'reach_ft'"),
    (PLAIN + "[band]\nlow_ft = 10\nhigh_ft = 6\n", "[band] low_ft (line 11", "rise"),
    (PLAIN + '[setbacks]\nname = "x"\n', "[setbacks]", "two brackets"),
    (PLAIN.replace("site.gpkg", "sight.gpkg"), "[lots] file (line 5", "there is 'site.gpkg'"),
    (PLAIN.replace('"survey"', '"FILL IN"'), "[mhw_line] origin (line 9", "filled in"),
    (PLAIN.replace('"survey"', "survey"), "site.toml, line 9", "put text in quotes"),
    (PLAIN + "[facts]\nsuper = true\n", "[facts] super (line 11", "say 'supervisor' if you meant"),
    (
        PLAIN + "[facts]\nn_units = ...\n",
        "site.toml, line 11, n_units",
        "put # before the line if it is not known",
    ),
    (
        PLAIN + '[[lot_facts]]\nlot = "A"\n[[lot_facts]]\nlot = "Z"\n',
        "[[lot_facts]] number 2 lot (line 13",
        "A, B",
    ),
    (
        PLAIN + '[rules]\noverlays = [\n  "a.toml",\n]\n',
        "[rules] overlays, number 1 (line 12 of site.toml), a.toml",
        "no file",
    ),
]


@pytest.mark.parametrize(("text", "place", "words"), WRONG, ids=[w[1] for w in WRONG])
def test_an_error_names_its_key_and_line(folder, text, place, words):
    with pytest.raises(GeotrimError) as caught:
        site(folder, text)
    assert caught.value.subject.startswith(place)
    assert words in str(caught.value)


def test_an_option_of_a_plug_in_is_known_when_the_caller_brings_it(folder):
    text = PLAIN + "[options]\nsway_ft = 2\n"
    with pytest.raises(SiteFileError, match="sway_ft"):
        site(folder, text)
    sway = Param("sway_ft", "number", 1.0, "How far it sways.", low=0.0)
    assert site(folder, text, params={"sway_ft": sway}).options["sway_ft"] == 2.0
    with pytest.raises(RangeError, match=r"\[options\] sway_ft \(line 11"):
        site(folder, text.replace("2", "-2"), params={"sway_ft": sway})


def test_a_lot_that_is_not_there(folder):
    with pytest.raises(LayerError, match=r"\[lots\] measure \(line 5 .*no lot 'Z'.*A, B"):
        site(folder, PLAIN.replace("[lots]\n", '[lots]\nmeasure = ["Z"]\n'))


def test_a_byte_order_mark_and_windows_line_ends_do_no_harm(folder):
    path = folder / "site.toml"
    path.write_bytes(b"\xef\xbb\xbf" + PLAIN.replace("\n", "\r\n").encode())
    assert read_site(path).name == "test"
    path.write_bytes(PLAIN.replace("\n", "\r\n").replace("survey", "x").encode())
    with pytest.raises(SiteFileError, match="line 9"):
        read_site(path)


def test_reading_warns_of_nothing(folder):
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        site(folder)
