"""Styles of layers: after the standard, of columns that are there, and one look for every tree."""

from __future__ import annotations

import re
from functools import cache
from xml.etree import ElementTree

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely
from packages_made import SAMPLES, sample_package

from geotrim.io.styles import MARKS, Either, Every, Is, Line, Rule, Stroke, Style, Unknown, sld
from geotrim.report.layer_styles import STYLES, style_of, write_styles
from geotrim.report.palette import lightness

SLD, OGC = "{http://www.opengis.net/sld}", "{http://www.opengis.net/ogc}"
#: Children of an element in their order, of the Styled Layer Descriptor 1.0.0 (OGC 02-070) and of
#: Filter Encoding 1.0.0 (OGC 02-059); ``?`` may be left out, ``*`` may come again, ``+`` must come
#: once or more; ``|`` any of. From memory, as far as elements are used; no schema file was at hand.
SYMBOLS = "(LineSymbolizer|PolygonSymbolizer|PointSymbolizer|TextSymbolizer)"
TEST = "(PropertyIsEqualTo|PropertyIsNull|And|Or|Not)"
ORDER = {
    "StyledLayerDescriptor": "Name? Title? Abstract? NamedLayer+",
    "NamedLayer": "Name UserStyle+",
    "UserStyle": "Name? Title? Abstract? IsDefault? FeatureTypeStyle+",
    "FeatureTypeStyle": "Name? Title? Abstract? FeatureTypeName? Rule+",
    "Rule": "Name? Title? Abstract? LegendGraphic? (Filter|ElseFilter)? MinScaleDenominator? "
    f"MaxScaleDenominator? {SYMBOLS}+",
    "LineSymbolizer": "Geometry? Stroke?",
    "PolygonSymbolizer": "Geometry? Fill? Stroke?",
    "PointSymbolizer": "Geometry? Graphic?",
    "TextSymbolizer": "Geometry? Label? Font? LabelPlacement? Halo? Fill?",
    "Graphic": "(ExternalGraphic|Mark)* Opacity? Size? Rotation?",
    "Mark": "WellKnownName? Fill? Stroke?",
    "Fill": "GraphicFill? CssParameter*",
    "GraphicFill": "Graphic",
    "Stroke": "(GraphicFill|GraphicStroke)? CssParameter*",
    "Label": "PropertyName",
    "Font": "CssParameter*",
    "LabelPlacement": "(PointPlacement|LinePlacement)",
    "PointPlacement": "AnchorPoint? Displacement? Rotation?",
    "LinePlacement": "PerpendicularOffset?",
    "AnchorPoint": "AnchorPointX AnchorPointY",
    "Displacement": "DisplacementX DisplacementY",
    "Halo": "Radius? Fill?",
    "Filter": TEST,
    "PropertyIsEqualTo": "PropertyName Literal",
    "PropertyIsNull": "PropertyName",
    "And": f"{TEST} {TEST}+",
    "Or": f"{TEST} {TEST}+",
    "Not": TEST,
}
#: Parameters of a look that the standard knows, where each may stand (sections 11.1.3, 11.2.2,
#: 11.4.3 of OGC 02-070; from memory).
LOOKS = {
    "Stroke": {"stroke", "stroke-width", "stroke-opacity", "stroke-dasharray"},
    "Fill": {"fill", "fill-opacity"},
    "Font": {"font-family", "font-size", "font-weight", "font-style"},
}
FILTERS = {"Filter", "PropertyIsEqualTo", "PropertyIsNull", "And", "Or", "Not", "PropertyName",
           "Literal"}  # fmt: skip


@cache
def written(name):
    """Layer -> the root of its style in the package of a sample."""
    folder = sample_package(name).folder / "styles"
    return {path.stem: ElementTree.parse(path).getroot() for path in folder.glob("*.sld")}


def plain(element):
    return element.tag.rpartition("}")[2]


def fault(element):
    """What is wrong with the order of an element's children, or None."""
    name, children = plain(element), "".join(f"{plain(child)} " for child in element)
    if name not in ORDER:
        return None if not children else f"{name} holds {children}"
    rule = "".join(
        f"(?:{part.rstrip('?*+')} ){part[len(part.rstrip('?*+')) :]}"
        for part in ORDER[name].split()
    )
    return None if re.fullmatch(rule, children) else f"{name} holds {children}"


@pytest.mark.parametrize("name", SAMPLES)
def test_elements_come_in_the_order_of_the_standard(name):
    n_rules = 0
    for layer, root in written(name).items():
        assert root.tag == f"{SLD}StyledLayerDescriptor" and root.get("version") == "1.0.0"
        assert root.findtext(f"{SLD}NamedLayer/{SLD}Name") == layer
        for element in root.iter():
            assert fault(element) is None
            assert element.tag == (OGC if plain(element) in FILTERS else SLD) + plain(element)
            looks = [child.get("name") for child in element.findall(f"{SLD}CssParameter")]
            assert set(looks) <= LOOKS.get(plain(element), set()) and len(set(looks)) == len(looks)
        n_rules += len(list(root.iter(f"{SLD}Rule")))
    assert n_rules > 30


@pytest.mark.parametrize(
    "wrong",
    [
        "<Rule><Title>a</Title></Rule>",
        "<Rule><LineSymbolizer/><Title>a</Title></Rule>",
        "<Fill><CssParameter/><GraphicFill/></Fill>",
        "<And><PropertyIsNull/></And>",
        "<Halo><Fill/><Radius/></Halo>",
    ],
)
def test_the_check_of_the_order_sees_a_wrong_one(wrong):
    assert fault(ElementTree.fromstring(wrong))


@pytest.mark.parametrize("name", SAMPLES)
def test_every_layer_with_shapes_has_a_style_of_columns_it_has(name):
    package = sample_package(name)
    shaped = {layer for layer, table in package.tables.items() if "geometry" in table.columns}
    assert set(written(name)) == shaped
    for layer, root in written(name).items():
        named = {element.text for element in root.iter(f"{OGC}PropertyName")}
        assert named <= set(package.tables[layer].columns), layer
    assert "treatment" in {e.text for e in written(name)["crowns"].iter(f"{OGC}PropertyName")}


@pytest.mark.parametrize("name", SAMPLES)
def test_every_layer_with_shapes_is_known_by_name(name):
    """A layer of geotrim's own that has only the plain look of a plug-in's was forgotten."""
    assert set(written(name)) - {"crown_sides"} <= set(STYLES)


@pytest.mark.parametrize("name", SAMPLES)
def test_values_are_of_the_kinds_the_standard_knows(name):
    for root in written(name).values():
        for element in root.iter(f"{SLD}CssParameter"):
            text, what = element.text, element.get("name")
            if what in ("fill", "stroke"):
                assert re.fullmatch("#[0-9A-Fa-f]{6}", text)
            elif what.endswith(("width", "size", "opacity")):
                assert float(text) > 0
            elif what == "stroke-dasharray":
                assert all(float(part) > 0 for part in text.split())
        marks = {element.text for element in root.iter(f"{SLD}WellKnownName")}
        assert marks <= set(MARKS)
        for rule in root.iter(f"{SLD}Rule"):
            assert rule.findtext(f"{SLD}Title")


def holds(test, row):
    """A test of Filter Encoding for a row, as SQL answers it: None where a value is not known."""
    name, parts = plain(test), list(test)
    if name == "PropertyIsNull":
        return bool(pd.isna(row[parts[0].text]))
    if name == "PropertyIsEqualTo":
        value, literal = row[parts[0].text], parts[1].text
        if pd.isna(value):
            return None
        is_flag = isinstance(value, (bool, np.bool_))
        return literal == (str(bool(value)).lower() if is_flag else str(value))
    answers = [holds(part, row) for part in parts]
    if name == "Not":
        return None if answers[0] is None else not answers[0]
    if name == "And":
        return False if False in answers else (None if None in answers else True)
    return True if True in answers else (None if None in answers else False)


def rules_of(root, row, number=0):
    """Titles of the rules of one pass that a row falls under."""
    rules = root.findall(f"{SLD}NamedLayer/{SLD}UserStyle/{SLD}FeatureTypeStyle")[number]
    return [
        rule.findtext(f"{SLD}Title")
        for rule in rules
        if rule.find(f"{OGC}Filter") is None or holds(rule.find(f"{OGC}Filter")[0], row)
    ]


@pytest.mark.parametrize("name", SAMPLES)
def test_every_row_falls_under_one_rule_of_each_pass(name):
    """Of crowns and of all else; what is not known neither hides a tree nor shows it twice."""
    package = sample_package(name)
    for layer, root in written(name).items():
        n_passes = len(list(root.iter(f"{SLD}FeatureTypeStyle")))
        assert n_passes == 3 or layer != "crowns"
        for row in package.tables[layer].to_dict("records"):
            for k in range(n_passes):
                assert len(rules_of(root, row, k)) == 1, (layer, row)


@pytest.mark.parametrize("name", SAMPLES)
def test_crowns_look_like_what_is_to_be_done_and_what_they_are(name):
    left = {True: "mangrove, left as it is", False: "not a mangrove", None: "species unknown"}
    edges = {True: "mangrove (solid edge)", False: "not a mangrove (dashed edge", None: "species"
             " unknown (dotted edge"}  # fmt: skip
    done = {"lower-top": "top lowered", "clear-band": "band cleared under a kept top"}
    for row in sample_package(name).tables["crowns"].to_dict("records"):
        kind = None if pd.isna(row["is_mangrove"]) else bool(row["is_mangrove"])
        if isinstance(row.get("keep"), str):
            expected = "kept: named to be left"
        elif row["treatment"] in done:
            expected = done[row["treatment"]]
        elif kind is True and pd.isna(row["treatment"]):
            expected = "mangrove no window was planned for"
        else:
            expected = left[kind]
        assert rules_of(written(name)["crowns"], row) == [expected]
        (edge,) = rules_of(written(name)["crowns"], row, 1)
        assert edge.startswith(f"edge: {edges[kind]}")


@pytest.mark.parametrize("more", [(), ("keep",), ("treatment",)])
def test_crowns_of_a_smaller_run_have_rules_too(more):
    """Without a window, and without trees named to be kept, rules do not ask for either."""
    columns = ["crown_id", "species", "is_mangrove", *more]
    root = ElementTree.fromstring(sld(style_of("crowns", columns)))
    assert {e.text for e in root.iter(f"{OGC}PropertyName")} == {"crown_id", "is_mangrove", *more}
    for flag in (True, False, None):
        row = {"is_mangrove": flag, "keep": None, "treatment": None}
        assert len(rules_of(root, row)) == len(rules_of(root, row, 1)) == 1


def test_grey_paper_tells_every_rule_apart():
    """No two rules of a layer differ by colour alone.

    Marks, dashes or width differ too, or the greys are 20 steps of lightness apart (of 100; our own
    choice, no source).
    """
    for layer in STYLES:
        columns = ["crown_id", "is_mangrove", "treatment", "keep", "origin", "kind", "is_measured",
                   "is_over_limit"]  # fmt: skip
        root = ElementTree.fromstring(sld(style_of(layer, columns)))
        (first, *_) = root.iter(f"{SLD}FeatureTypeStyle")
        looks = [list(map(seen, rule)) for rule in first]
        greys = [[grey(e) for e in rule.iter(f"{SLD}CssParameter") if grey(e)] for rule in first]
        for k, (look, tones) in enumerate(zip(looks, greys, strict=True)):
            for other, others in zip(looks[:k], greys[:k], strict=True):
                differs = [a for a in look if a] != [b for b in other if b]
                far = max(abs(a - b) for a, b in zip(tones, others, strict=False)) >= 20.0
                is_one = layer == "mhw_line"  # lines of one kind; their words tell them apart
                assert differs or far or is_one, layer


def seen(symbol):
    """What grey paper shows of a symbol: its kind, marks, dashes and widths."""
    if not plain(symbol).endswith("Symbolizer"):
        return None
    marks = [e.text for e in symbol.iter(f"{SLD}WellKnownName")]
    drawn = [
        e.text
        for e in symbol.iter(f"{SLD}CssParameter")
        if e.get("name") in ("stroke-width", "stroke-dasharray")
    ]
    return plain(symbol), marks, drawn


def grey(parameter):
    """Lightness of a colour, None for other parameters."""
    if parameter.get("name") not in ("fill", "stroke"):
        return None
    return lightness([int(parameter.text[k : k + 2], 16) / 255 for k in (1, 3, 5)])


def test_an_apparent_shoreline_does_not_look_like_an_mhw_line():
    root = ElementTree.fromstring(sld(style_of("mhw_line", ["origin", "label"])))
    dashes = {
        rule.find(f".//{OGC}Literal").text: [
            e.text for e in rule.iter(f"{SLD}CssParameter") if e.get("name") == "stroke-dasharray"
        ]
        for rule in root.iter(f"{SLD}Rule")
        if rule.find(f".//{OGC}Literal") is not None
    }
    assert dashes["apparent-shoreline"] != dashes["survey"] == dashes["digitised"]


def test_labels_are_for_close_scales_and_painted_last():
    root = ElementTree.fromstring(sld(style_of("crowns", ["crown_id", "is_mangrove"])))
    *_, last = root.iter(f"{SLD}FeatureTypeStyle")
    (rule,) = last
    assert rule.find(f"{SLD}TextSymbolizer/{SLD}Label/{OGC}PropertyName").text == "crown_id"
    assert rule.findtext(f"{SLD}MaxScaleDenominator") == "800"
    assert rule.findtext(f"{SLD}Title") == "number of the crown (closer than 1:800)"


def test_dashes_are_those_of_the_map():
    """A riparian line: 1.2 pt wide, 5 widths on, 2 off.

    A pixel of the standard is 0.28 mm, a point 25.4 / 72 mm: 1.2 pt is 1.51 px, its dashes 7.55 and
    3.02 px by hand.
    """
    root = ElementTree.fromstring(sld(style_of("riparian_lines", ["label"])))
    looks = {e.get("name"): e.text for e in root.find(f".//{SLD}LineSymbolizer/{SLD}Stroke")}
    assert looks == {"stroke": "#000000", "stroke-width": "1.51", "stroke-dasharray": "7.55 3.02"}


def test_layers_of_a_plug_in_get_a_plain_look(tmp_path):
    """Whatever their names and shapes; tables without shapes get none."""
    shapes = {
        "gulls": shapely.Point(0, 0),
        "tracks & trails/2027": shapely.LineString([(0, 0), (1, 1)]),
        "mud": shapely.MultiPolygon([shapely.box(0, 0, 1, 1)]),
    }
    layers = {n: gpd.GeoDataFrame({"n": [1]}, geometry=[s], crs=6443) for n, s in shapes.items()}
    layers["void"] = gpd.GeoDataFrame({"n": []}, geometry=[], crs=6443)
    write_styles(tmp_path, {**layers, "numbers": pd.DataFrame({"n": [1]})})
    found = {
        root.findtext(f"{SLD}NamedLayer/{SLD}Name"): [plain(s) for s in root.find(f".//{SLD}Rule")]
        for root in (ElementTree.parse(p).getroot() for p in (tmp_path / "styles").glob("*.sld"))
    }
    assert found == {
        "gulls": ["Title", "PointSymbolizer"],
        "tracks & trails/2027": ["Title", "LineSymbolizer"],
        "mud": ["Title", "LineSymbolizer"],
        "void": ["Title", "LineSymbolizer"],
    }


def test_words_are_escaped_and_tests_nest():
    both = Every((Either((Is("a", "<&>"), Unknown("a"))), Unknown("b")))
    text = sld(Style("x", "a < b & c", ((Rule("r", (Line(Stroke("#000000", 1.0)),), both),),)))
    root = ElementTree.fromstring(text)
    assert root.findtext(f".//{SLD}UserStyle/{SLD}Title") == "a < b & c"
    assert root.findtext(f".//{OGC}And/{OGC}Or/{OGC}PropertyIsEqualTo/{OGC}Literal") == "<&>"
    assert [plain(e) for e in root.find(f".//{OGC}And")] == ["Or", "PropertyIsNull"]


@pytest.mark.parametrize("layer", STYLES)
def test_a_layer_without_its_columns_is_drawn_without_them(layer):
    """An older package, say: no rule names a column that is not there, and none is left empty."""
    root = ElementTree.fromstring(sld(style_of(layer, ["geometry"], {"Polygon"})))
    assert not list(root.iter(f"{OGC}PropertyName"))
    assert all(len(rules) for rules in root.iter(f"{SLD}FeatureTypeStyle"))
    assert [fault(element) for element in root.iter() if fault(element)] == []
    assert next(root.iter(f"{SLD}Rule"), None) is not None
