"""How the layers of a package look in a map program: the colours and dashes of the overview map.

What a tree is to have done is told by marks over its colour, and its kind by the dashes of its
edge, so that grey paper tells both. Rules name only columns the written layer has. The text is
written by :mod:`geotrim.io.styles`.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Collection, Mapping
from pathlib import Path
from typing import Any

from geotrim.io.styles import (
    PX_PER_PT,
    Area,
    Either,
    Every,
    Is,
    Label,
    Line,
    Mark,
    Not,
    Rule,
    Stroke,
    Style,
    Test,
    Unknown,
    columns_of,
    sld,
)
from geotrim.model import MHW_ORIGINS, SET_ASIDE_KINDS
from geotrim.report.crown_marks import KINDS
from geotrim.report.map_layers import (
    CHANNEL_DASH,
    FRINGE_DASH,
    MHW_DASH,
    MOUTH_DASH,
    RIPARIAN_DASH,
    SETBACK_HATCH_COLOUR,
)
from geotrim.report.palette import (
    BLACK,
    BLUE,
    GREEN,
    GREY,
    LOT_FACE,
    NEIGHBOUR_FACE,
    ORANGE,
    PAPER,
    PURPLE,
    VERMILION,
)
from geotrim.report.screen_stands import STANDS
from geotrim.report.window_facts import TREATMENTS
from geotrim.report.window_marks import SPAN_HATCH_COLOUR, SPAN_LOOK

#: Folder of the styles in a package.
FOLDER = "styles"
#: Words are drawn at these scales and closer, or a map of the whole shore would be words alone.
NEAR, MIDDLE, FAR = 800, 2500, 10_000
#: A line that is dotted, in its own widths.
DOTS = (0, (1.0, 1.4))
YES, NO = "true", "false"  # as XML Schema writes them
Rules = tuple[tuple[Rule, ...], ...]


def write_styles(folder: Path, layers: Mapping[str, Any]) -> None:
    """Write ``styles/LAYER.sld`` for each layer that has shapes.

    Parameters
    ----------
    folder : Path
        Of the package.
    layers : mapping
        Layer -> table, as they were written.
    """
    shaped = {name: table for name, table in layers.items() if "geometry" in table.columns}
    place = folder / FOLDER
    place.mkdir()
    for name, table in shaped.items():
        kinds = {str(kind).removeprefix("Multi") for kind in table.geometry.geom_type.dropna()}
        text = sld(style_of(name, list(table.columns), kinds))
        path = place / f"{file_stem(name)}.sld"
        path.write_text(text, encoding="utf-8", newline="\n")


def write_screen_styles(folder: Path) -> None:
    """Write ``styles/lots.sld`` and ``styles/crowns.sld`` of a screening.

    Its layers have other columns than those of a run under the same names, so they look otherwise.
    """
    place = folder / FOLDER
    place.mkdir()
    for name, (title, rules) in SCREEN_STYLES.items():
        text = sld(Style(name, title, rules))
        (place / f"{name}.sld").write_text(text, encoding="utf-8", newline="\n")


def file_stem(layer: str) -> str:
    """A layer's name as a file may be called anywhere.

    Examples
    --------
    >>> file_stem("mhw_line"), file_stem("gulls/2027")
    ('mhw_line', 'gulls_2027')
    """
    return re.sub(r"[^\w-]+", "_", layer)


def style_of(layer: str, columns: Collection[str], kinds: Collection[str] = ()) -> Style:
    """The style of a layer, of those rules whose columns it has.

    Parameters
    ----------
    layer : str
        Its name; one that is not known, of a plug-in say, gets a plain look.
    columns : collection of str
    kinds : collection of str
        Kinds of its shapes: ``Point``, ``LineString``, ``Polygon``.
    """
    if layer not in STYLES:
        return Style(layer, layer.replace("_", " "), _plain(kinds))
    title, made = STYLES[layer]
    passes = made(columns) if callable(made) else made
    kept = [tuple(rule for rule in rules if columns_of(rule) <= set(columns)) for rules in passes]
    return Style(layer, title, tuple(rules for rules in kept if rules) or _plain(kinds))


def _stroke(colour: str, width_pt: float, dash: Any = "-") -> Stroke:
    """A stroke from the figures' own terms: points, and dashes in widths of the line."""
    pattern = () if isinstance(dash, str) else dash[1]
    width = round(width_pt * PX_PER_PT, 2)
    return Stroke(colour, width, tuple(round(part * width, 2) for part in pattern))


def _marks(name: str, colour: str, size_px: float = 7.0) -> Mark:
    """A mark to be repeated over an area, drawn as lines."""
    return Mark(name, size_px, None, Stroke(colour, 1.0))


def _one(title: str, *symbols: Any) -> Rules:
    return ((Rule(title, symbols),),)


def _words(title: str, label: Label, scale: int) -> tuple[Rule, ...]:
    """A pass of words over what is drawn."""
    return (Rule(f"{title} (closer than 1:{scale:,})", (label,), None, scale),)


def _plain(kinds: Collection[str]) -> Rules:
    """A look for shapes nobody knows: outlines in grey, points as small circles."""
    edge = _stroke(GREY, 1.0)
    if set(kinds) == {"Point"}:
        return _one("point", Mark("circle", 6.0, PAPER, edge))
    return _one("shape", Line(edge))


def _crowns(columns: Collection[str]) -> Rules:
    """Crowns: what is to be done by colour and marks, the kind of plant by the edge over them.

    Every crown falls under one rule of each.
    """
    has_window, has_kept = "treatment" in columns, "keep" in columns
    free = (Unknown("keep"),) if has_kept else ()
    left = Either((Is("treatment", "leave"), Unknown("treatment")))
    loose = (*free, left) if has_window else free
    rules = []
    if has_kept:
        star = _marks("star", BLACK, 9.0)
        rules.append(_crown("kept: named to be left", GREEN, star, Not(Unknown("keep"))))
    if has_window:
        for treatment, colour, name in (
            ("lower-top", ORANGE, "triangle"),
            ("clear-band", VERMILION, "cross"),
        ):
            test = _both(Is("treatment", treatment), *free)
            rules.append(_crown(TREATMENTS[treatment], colour, _marks(name, BLACK), test))
        test = _both(Is("is_mangrove", YES), Is("treatment", "leave"), *free)
        rules.append(_crown(f"mangrove, {TREATMENTS['leave']}", GREEN, None, test))
        test = _both(Is("is_mangrove", YES), Unknown("treatment"), *free)
        rules.append(_crown("mangrove no window was planned for", PAPER, None, test))
    else:
        rules.append(_crown("mangrove", GREEN, None, _both(Is("is_mangrove", YES), *free)))
    others: tuple[tuple[str, str, Test], ...] = (
        ("not a mangrove", "x", Is("is_mangrove", NO)),
        ("species unknown", "circle", Unknown("is_mangrove")),
    )
    for title, name, kind in others:
        rules.append(_crown(title, PAPER, _marks(name, GREY), _both(kind, *loose)))
    label = Label("crown_id", BLACK, PAPER, is_bold=True)
    return (tuple(rules), _kinds(), _words("number of the crown", label, NEAR))


def _crown(title: str, colour: str, marks: Mark | None, where: Any) -> Rule:
    """Colour, and marks over it."""
    over = () if marks is None else (Area(marks),)
    return Rule(title, (Area(colour, None, 0.45), *over), where)


def _kinds() -> tuple[Rule, ...]:
    """Edges of crowns by the kind of plant, as on the map."""
    tests: dict[str, Test] = {
        "mangrove": Is("is_mangrove", YES),
        "other": Is("is_mangrove", NO),
        "unknown": Unknown("is_mangrove"),
    }
    titles = {
        kind: f"edge: {words.split(',')[0].rstrip(')')})" for kind, (_, _, words) in KINDS.items()
    }
    return tuple(
        Rule(titles[kind], (Area(None, _stroke(BLACK, width, dash)),), tests[kind])
        for kind, (width, dash, _) in KINDS.items()
    )


def _both(*tests: Any) -> Any:
    return tests[0] if len(tests) == 1 else Every(tests)


def _shore() -> Rules:
    """The shore by its origin: what is no MHW line does not look like one."""
    rules = tuple(
        Rule(
            words,
            (Line(_stroke(BLUE, 1.5, DOTS if origin == "apparent-shoreline" else MHW_DASH)),),
            Is("origin", origin),
        )
        for origin, words in MHW_ORIGINS.items()
    )
    label = Label("label", BLUE, PAPER, is_along=True, lift_px=9.0)
    return (rules, _words("where the line comes from", label, MIDDLE))


def _set_aside() -> Rules:
    """Land set aside, by its kind: the marks differ, the edge is one."""
    marks = ("star", "x", "cross", "triangle", "square", "circle")
    edge = Area(None, _stroke(GREY, 1.4, DOTS))
    rules = tuple(
        Rule(words, (Area(_marks(mark, GREY, 9.0)), edge), Is("kind", kind))
        for (kind, words), mark in zip(SET_ASIDE_KINDS.items(), marks, strict=True)
    )
    label = Label("name", BLACK, PAPER)
    return (rules, _words("its name", label, MIDDLE))


def _lots() -> Rules:
    rules = tuple(
        Rule(words, (Area(face, _stroke(BLACK, width)),), Is("is_measured", value))
        for words, face, width, value in (
            ("lot that was measured", LOT_FACE, 1.5, YES),
            ("neighbouring lot", NEIGHBOUR_FACE, 0.7, NO),
        )
    )
    return (rules, _words("lot", Label("lot_id", BLACK, PAPER, 12.0, is_bold=True), FAR))


def _transects() -> Rules:
    rules = (
        Rule(
            "transect where the fringe is within the depth limit",
            (Line(_stroke(GREY, 0.55)),),
            Is("is_over_limit", NO),
        ),
        Rule(
            "transect where the fringe is deeper than the limit",
            (Line(_stroke(PURPLE, 1.8)),),
            Is("is_over_limit", YES),
        ),
        Rule(
            "transect whose depth is not known",
            (Line(_stroke(GREY, 0.55, DOTS)),),
            Unknown("is_over_limit"),
        ),
    )
    return (rules, _words("station, ft", Label("station_ft", BLACK, PAPER, 9.0), NEAR))


def _line_with(title: str, stroke: Stroke, words: str, label: Label, scale: int) -> Rules:
    return (*_one(title, Line(stroke)), _words(words, label, scale))


def _area_with(title: str, area: Area, words: str, label: Label, scale: int) -> Rules:
    return (*_one(title, area), _words(words, label, scale))


def _window_spans() -> Rules:
    edge = _stroke(SPAN_LOOK["edgecolor"], SPAN_LOOK["linewidth"], SPAN_LOOK["linestyle"])
    area = Area(_marks("triangle", SPAN_HATCH_COLOUR), edge)
    label = Label("span_id", VERMILION, PAPER, 12.0, is_bold=True)
    return _area_with("window: the zone between two stations", area, "its name", label, MIDDLE)


def _readings() -> Rules:
    circle = Mark("circle", 8.0, PAPER, _stroke(BLACK, 1.0))
    label = Label("height_ft", BLACK, PAPER, 9.0, lift_px=7.0)
    return (*_one("height read by stick", circle), _words("height, ft", label, NEAR))


def _eyes() -> Rules:
    mark = Mark("square", 9.0, BLUE, _stroke(PAPER, 0.8))
    label = Label("eye_id", BLUE, PAPER, is_bold=True, lift_px=8.0)
    return (*_one("eye: where it is looked from", mark), _words("its name", label, MIDDLE))


def _on(column: str, colour: str = BLACK) -> Label:
    return Label(column, colour, PAPER, 10.0, is_along=True, lift_px=8.0)


#: Hatch of a lot's kind -> the mark that is repeated for it. SLD 1.0.0 knows these alone.
_HATCH_MARKS = {".": "circle", "/": "triangle", "x": "x", "-": "square", "|": "star", "\\": "cross"}


def _screen_lots() -> Rules:
    """Lots of a screening by how they stand: a colour, and over it a mark for grey paper."""
    edge = _stroke(BLACK, 0.5)
    rules = []
    for key, kind in STANDS.items():
        symbols = [Area(kind.colour, edge)]
        if kind.hatch:
            mark = _HATCH_MARKS[kind.hatch[0]]
            symbols.append(Area(_marks(mark, kind.hatch_colour, 6.0), None))
        rules.append(Rule(kind.words, tuple(symbols), Is("stand", key)))
    return (tuple(rules), _words("lot", Label("lot_id", BLACK, PAPER, 12.0), FAR))


def _screen_crowns() -> Rules:
    """Crowns of a screening by the side of the shore they stand on: fringe or not."""
    rules = (
        Rule(
            "crown in the mangrove fringe",
            (Area(GREEN, _stroke(BLACK, 0.5), 0.45),),
            Is("is_fringe", YES),
        ),
        Rule(
            "crown outside the fringe",
            (Area(None, _stroke(GREEN, 1.0, DOTS)),),
            Either((Is("is_fringe", NO), Unknown("is_fringe"))),
        ),
    )
    return (rules, _words("top height, ft", Label("top_height_ft", BLACK, PAPER, 9.0), NEAR))


#: Layers of a screening.
SCREEN_STYLES: dict[str, tuple[str, Rules]] = {
    "lots": ("Lots, by how they stand", _screen_lots()),
    "crowns": ("Crowns", _screen_crowns()),
}
#: Layer -> its title, and its rules or what makes them of the columns there are.
STYLES: dict[str, tuple[str, Rules | Callable[[Collection[str]], Rules]]] = {
    "lots": ("Lots", _lots()),
    "mhw_line": ("Shore line, by its origin", _shore()),
    "frontage": (
        "Frontage of the lot",
        _line_with(
            "frontage", _stroke(BLACK, 2.4), "its stretch", _on("stretch_id"), MIDDLE,
        ),
    ),
    "neighbour_frontage": (
        "Frontage of the neighbours",
        _one("frontage of a neighbour", Line(_stroke(GREY, 1.6))),
    ),
    "riparian_lines": (
        "Riparian lines, proposed",
        _line_with(
            "riparian line, proposed", _stroke(BLACK, 1.2, RIPARIAN_DASH),
            "how it was drawn", _on("label"), MIDDLE,
        ),
    ),
    "riparian_areas": (
        "Water between riparian lines, proposed",
        _one("riparian area, proposed", Area(BLUE, _stroke(BLUE, 0.6, DOTS), 0.08)),
    ),
    "transects": ("Transects square to the shore", _transects()),
    "fringe": (
        "Mangrove fringe",
        _one("mangrove fringe, canopy outline", Area(None, _stroke(GREEN, 1.5, FRINGE_DASH))),
    ),
    "zone": (
        "Zone where trimming may be considered",
        _one(
            "zone where trimming may be considered, not where it is allowed",
            Area(ORANGE, _stroke(ORANGE, 3.2), 0.16),
        ),
    ),
    "setbacks": (
        "Setbacks",
        _area_with(
            "setback", Area(_marks("cross", SETBACK_HATCH_COLOUR), _stroke(PURPLE, 0.9)),
            "its name", Label("setback_name", PURPLE, PAPER), MIDDLE,
        ),
    ),
    "exclusions": (
        "Exclusions",
        _area_with(
            "exclusion", Area(_marks("x", GREY, 9.0), _stroke("#333333", 1.4, DOTS)),
            "its name", Label("name", BLACK, PAPER), MIDDLE,
        ),
    ),
    "set_aside": ("Land set aside", _set_aside()),
    "window_spans": ("Window", _window_spans()),
    "eyes": ("Eyes", _eyes()),
    "sight_eyes": ("Eyes, with what they see", _eyes()),
    "sight_rays": ("Sight lines", _one("sight line", Line(_stroke(BLUE, 0.55)))),
    "channel": ("Channel", _one("channel line", Line(_stroke(BLUE, 1.4, CHANNEL_DASH)))),
    "mouth_line": ("Mouth", _one("mouth line", Line(_stroke(GREY, 1.4, MOUTH_DASH)))),
    "crowns": ("Crowns, by what is to be done", _crowns),
    "trunks": ("Trunks", _one("trunk", Mark("circle", 4.0, BLACK))),
    "sections": (
        "Cross-sections",
        _line_with(
            "cross-section", _stroke(BLACK, 1.6, MOUTH_DASH), "its letter",
            _on("section_id"), MIDDLE,
        ),
    ),
    "stick_readings": ("Heights read by stick", _readings()),
}  # fmt: skip
