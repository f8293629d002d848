"""Styles of layers, written in the open standard Styled Layer Descriptor.

Version 1.0.0 (OGC 02-070) is written, not 1.1: it has one vocabulary instead of two, and readers of
1.1 read it too, while many readers know 1.0.0 only. The order of elements is that of its schema,
StyledLayerDescriptor.xsd, and of filter.xsd of Filter Encoding 1.0.0 (OGC 02-059), both from
memory; names of marks are the six of the standard. Nothing is written that is an extension of one
program. Sizes are pixels of 0.28 mm, the standard's own.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from xml.etree import ElementTree

SLD, OGC = "http://www.opengis.net/sld", "http://www.opengis.net/ogc"
SCHEMA = "http://www.w3.org/2001/XMLSchema-instance"
VERSION = "1.0.0"
#: Pixels in a point of 1/72 in.
PX_PER_PT = 25.4 / 72.0 / 0.28
#: The marks every reader of the standard knows.
MARKS = ("square", "circle", "triangle", "star", "cross", "x")

Element = ElementTree.Element


@dataclass(frozen=True, slots=True)
class Is:
    """A column has a value."""

    column: str
    value: str


@dataclass(frozen=True, slots=True)
class Unknown:
    """A column has no value."""

    column: str


@dataclass(frozen=True, slots=True)
class Not:
    """A test does not hold.

    Of :class:`Unknown` only: readers differ on whether a value that is not known is unlike another.
    """

    test: Unknown


@dataclass(frozen=True, slots=True)
class Every:
    """Two or more tests hold together."""

    tests: tuple[Test, ...]


@dataclass(frozen=True, slots=True)
class Either:
    """One of two or more tests holds."""

    tests: tuple[Test, ...]


Test = Is | Unknown | Not | Every | Either


@dataclass(frozen=True, slots=True)
class Stroke:
    """A line's look. dash_px : dashes and gaps in turn; () is a solid line."""

    colour: str
    width_px: float
    dash_px: tuple[float, ...] = ()


@dataclass(frozen=True, slots=True)
class Mark:
    """A sign at a point, or repeated over an area.

    name : one of ``MARKS``.
    fill : its colour, None for an outline alone.
    """

    name: str
    size_px: float
    fill: str | None
    stroke: Stroke | None = None


@dataclass(frozen=True, slots=True)
class Line:
    """Lines, and outlines of areas."""

    stroke: Stroke


@dataclass(frozen=True, slots=True)
class Area:
    """An area: a colour, or a mark repeated over it, and an outline.

    opacity_frac : of the colour.
    """

    fill: str | Mark | None = None
    stroke: Stroke | None = None
    opacity_frac: float = 1.0


@dataclass(frozen=True, slots=True)
class Label:
    """Words of a column.

    halo : colour round the letters, so that they are read on any ground.
    is_along : whether they run along a line.
    lift_px : how far beside a point or line they stand; 0 is upon it.
    """

    column: str
    colour: str
    halo: str
    size_px: float = 11.0
    is_bold: bool = False
    is_along: bool = False
    lift_px: float = 0.0


@dataclass(frozen=True, slots=True)
class Rule:
    """What is drawn of the rows a test picks.

    title : what a legend says, in plain words.
    where : None picks every row.
    closest_scale : drawn at this scale and closer, its denominator; None: at every scale.
    """

    title: str
    symbols: tuple[Line | Area | Mark | Label, ...]
    where: Test | None = None
    closest_scale: int | None = None


@dataclass(frozen=True, slots=True)
class Style:
    """The look of a layer.

    passes : groups of rules, painted one over the other.
    """

    layer: str
    title: str
    passes: tuple[tuple[Rule, ...], ...]


def columns_of(rule: Rule) -> set[str]:
    """Columns a rule reads."""
    named = {symbol.column for symbol in rule.symbols if isinstance(symbol, Label)}
    return named | (set() if rule.where is None else _tested(rule.where))


def _tested(test: Test) -> set[str]:
    if isinstance(test, (Every, Either)):
        return set().union(*map(_tested, test.tests))
    return _tested(test.test) if isinstance(test, Not) else {test.column}


def sld(style: Style) -> str:
    """A style as the text of an SLD document.

    Examples
    --------
    >>> rule = Rule("shore", (Line(Stroke("#000000", 1.0)),))
    >>> text = sld(Style("mhw_line", "Shore", ((rule,),)))
    >>> text.splitlines()[0]
    '<?xml version="1.0" encoding="UTF-8"?>'
    >>> "<Name>mhw_line</Name>" in text and 'version="1.0.0"' in text
    True
    """
    root = Element(
        "StyledLayerDescriptor",
        {
            "xmlns": SLD,
            "xmlns:ogc": OGC,
            "xmlns:xsi": SCHEMA,
            "xsi:schemaLocation": f"{SLD} {SLD.replace('www', 'schemas')}/1.0.0/"
            "StyledLayerDescriptor.xsd",
            "version": VERSION,
        },
    )
    layer = _under(root, "NamedLayer")
    _words(layer, "Name", style.layer)
    user = _under(layer, "UserStyle")
    _words(user, "Name", style.layer)
    _words(user, "Title", style.title)
    _words(user, "IsDefault", "1")
    for rules in style.passes:
        painted = _under(user, "FeatureTypeStyle")
        for rule in rules:
            _rule(painted, rule)
    ElementTree.indent(root)
    body = ElementTree.tostring(root, encoding="unicode")
    return f'<?xml version="1.0" encoding="UTF-8"?>\n{body}\n'


def _rule(parent: Element, rule: Rule) -> None:
    out = _under(parent, "Rule")
    _words(out, "Title", rule.title)
    if rule.where is not None:
        _test(_under(out, "ogc:Filter"), rule.where)
    if rule.closest_scale is not None:
        _words(out, "MaxScaleDenominator", str(rule.closest_scale))
    for symbol in rule.symbols:
        if isinstance(symbol, Line):
            _stroke(_under(out, "LineSymbolizer"), symbol.stroke)
        elif isinstance(symbol, Area):
            _area(_under(out, "PolygonSymbolizer"), symbol)
        elif isinstance(symbol, Mark):
            _graphic(_under(out, "PointSymbolizer"), symbol)
        else:
            _label(_under(out, "TextSymbolizer"), symbol)


def _test(parent: Element, test: Test) -> None:
    """A test as elements of Filter Encoding."""
    if isinstance(test, Is):
        equal = _under(parent, "ogc:PropertyIsEqualTo")
        _words(equal, "ogc:PropertyName", test.column)
        _words(equal, "ogc:Literal", test.value)
    elif isinstance(test, Unknown):
        _words(_under(parent, "ogc:PropertyIsNull"), "ogc:PropertyName", test.column)
    elif isinstance(test, Not):
        _test(_under(parent, "ogc:Not"), test.test)
    else:
        both = _under(parent, "ogc:And" if isinstance(test, Every) else "ogc:Or")
        for one in test.tests:
            _test(both, one)


def _area(parent: Element, area: Area) -> None:
    if area.fill is not None:
        fill = _under(parent, "Fill")
        if isinstance(area.fill, Mark):
            _graphic(_under(fill, "GraphicFill"), area.fill)
        else:
            _look(fill, "fill", area.fill)
            if area.opacity_frac < 1.0:
                _look(fill, "fill-opacity", _number(area.opacity_frac))
    if area.stroke is not None:
        _stroke(parent, area.stroke)


def _graphic(parent: Element, mark: Mark) -> None:
    graphic = _under(parent, "Graphic")
    drawn = _under(graphic, "Mark")
    _words(drawn, "WellKnownName", mark.name)
    if mark.fill is not None:
        _look(_under(drawn, "Fill"), "fill", mark.fill)
    if mark.stroke is not None:
        _stroke(drawn, mark.stroke)
    _words(graphic, "Size", _number(mark.size_px))


def _stroke(parent: Element, stroke: Stroke) -> None:
    out = _under(parent, "Stroke")
    _look(out, "stroke", stroke.colour)
    _look(out, "stroke-width", _number(stroke.width_px))
    if stroke.dash_px:
        _look(out, "stroke-dasharray", " ".join(map(_number, stroke.dash_px)))


def _label(parent: Element, label: Label) -> None:
    _words(_under(parent, "Label"), "ogc:PropertyName", label.column)
    font = _under(parent, "Font")
    _look(font, "font-family", "DejaVu Sans")
    _look(font, "font-size", _number(label.size_px))
    if label.is_bold:
        _look(font, "font-weight", "bold")
    place = _under(parent, "LabelPlacement")
    if label.is_along:
        line = _under(place, "LinePlacement")
        _words(line, "PerpendicularOffset", _number(label.lift_px))
    else:
        point = _under(place, "PointPlacement")
        anchor = _under(point, "AnchorPoint")
        _words(anchor, "AnchorPointX", "0" if label.lift_px else "0.5")
        _words(anchor, "AnchorPointY", "0.5")
        if label.lift_px:
            moved = _under(point, "Displacement")
            _words(moved, "DisplacementX", _number(label.lift_px))
            _words(moved, "DisplacementY", "0")
    halo = _under(parent, "Halo")
    _words(halo, "Radius", "1.5")
    _look(_under(halo, "Fill"), "fill", label.halo)
    _look(_under(parent, "Fill"), "fill", label.colour)


def _under(parent: Element, name: str) -> Element:
    return ElementTree.SubElement(parent, name)


def _words(parent: Element, name: str, words: str) -> None:
    _under(parent, name).text = words


def _look(parent: Element, name: str, value: str) -> None:
    ElementTree.SubElement(parent, "CssParameter", {"name": name}).text = value


def _number(value: float) -> str:
    """A number as short as it can be said.

    Examples
    --------
    >>> _number(2.0), _number(1.8900000001)
    ('2', '1.89')
    """
    return f"{value:.2f}".rstrip("0").rstrip(".")


def px(points: Iterable[float]) -> tuple[float, ...]:
    """Pixels of the standard, of points.

    Examples
    --------
    >>> px([72.0])  # an inch: 25.4 mm / 0.28 mm
    (90.71,)
    """
    return tuple(round(one * PX_PER_PT, 2) for one in points)
