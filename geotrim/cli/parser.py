"""Argument parsers made from the registry: an option for each input and each parameter.

Values arrive as text and leave in their own kind; what is wrong with one is told in the same four
parts as every other bad input, under the option's own name.
"""

from __future__ import annotations

import argparse
import difflib
import re
from collections.abc import Iterable, Mapping
from dataclasses import replace
from typing import Any, NoReturn

from geotrim.errors import GeotrimError, RangeError
from geotrim.model import MHW_ORIGINS, SET_ASIDE_KINDS, SETBACK_REFERENCES, Note
from geotrim.ops.chain import inputs_of, params_of
from geotrim.ops.registry import Operation, Param
from geotrim.units import UNIT_HEADINGS, VERTICAL_UNITS_M, unit_of

#: Site field -> the site file's table of that name, what it is, and further keys: (key, metavar,
#: help). ``layer`` and ``crs`` may be given for every one of them.
INPUTS: dict[str, tuple[str, tuple[tuple[str, str, str], ...]]] = {
    "lots": ("lot polygons", (("id_field", "FIELD", "field that holds the lot's id"),)),
    "neighbours": (
        "neighbouring lots, which take their share of the shore",
        (("id_field", "FIELD", "field that holds the lot's id"),),
    ),
    "mhw_line": (
        "line of the shore",
        (
            ("origin", "ORIGIN", f"where it comes from: {', '.join(MHW_ORIGINS)}"),
            ("position_rmse_ft", "FT", "standard error of its position, ft"),
        ),
    ),
    "crowns": (
        "crown polygons",
        (
            ("id_field", "FIELD", "field that holds the crown's id"),
            ("species_field", "FIELD", "field that holds the species"),
            ("base_height_field", "FIELD", "field that holds the height of the crown's base"),
            ("base_height_unit", "UNIT", f"unit of that field: {', '.join(VERTICAL_UNITS_M)}"),
            ("height_field", "FIELD", "field that holds the height measured from the substrate"),
            ("height_unit", "UNIT", f"unit of that field: {', '.join(VERTICAL_UNITS_M)}"),
            ("height_rmse_ft", "FT", "standard error of those heights, ft"),
            ("target_height_field", "FIELD", "field that holds the height to be left"),
            ("trim_field", "FIELD", "field that says which are to be trimmed"),
            ("keep_field", "FIELD", "field that says why a tree is to be left as it is"),
        ),
    ),
    "heights": (
        "raster of heights above the substrate",
        (
            ("unit", "UNIT", f"vertical unit: {', '.join(VERTICAL_UNITS_M)}"),
            ("band", "N", "band to read, from 1"),
            ("rmse_ft", "FT", "standard error of one height, ft"),
        ),
    ),
    "ground": (
        "raster of elevations of the ground",
        (
            ("unit", "UNIT", f"vertical unit: {', '.join(VERTICAL_UNITS_M)}"),
            ("band", "N", "band to read, from 1"),
            ("vertical_datum", "DATUM", "what its elevations are above, if it does not say"),
        ),
    ),
    "eyes": (
        "points that the water is looked at from",
        (
            ("id_field", "FIELD", "field that holds the eye's id"),
            ("height_ft", "FT", "of all of them: eye above the ground under it"),
            ("elevation_ft", "FT", "or its elevation, above the datum of ground and MHW line"),
            ("height_field", "FIELD", "or the field that holds the height"),
            ("elevation_field", "FIELD", "or the elevation"),
            ("unit", "UNIT", f"unit of these fields: {', '.join(VERTICAL_UNITS_M)}"),
            ("lot_field", "FIELD", "field that holds the lot's id"),
        ),
    ),
    "readings": (
        "stick readings of heights: a table or points",
        (
            ("crown_id_field", "FIELD", "field that holds the crown's id"),
            ("height_field", "FIELD", "field that holds the height from the substrate"),
            ("height_unit", "UNIT", f"its unit: {', '.join(VERTICAL_UNITS_M)}"),
            ("height_rmse_ft", "FT", "standard error of one reading, ft"),
            ("reader_field", "FIELD", "field that holds who read it"),
            ("date_field", "FIELD", "field that holds when"),
            ("x_field", "FIELD", "of a table: easting or longitude"),
            ("y_field", "FIELD", "of a table: northing or latitude"),
        ),
    ),
    "profiles": ("leaf-area weights of the crowns, as geotrim prepare profiles makes them", ()),
    "trunks": (
        "trunk points",
        (
            ("crown_id_field", "FIELD", "field that holds the crown's id"),
            ("position_rmse_ft", "FT", "standard error of a trunk's position, ft"),
        ),
    ),
    "channel": ("line of the channel", ()),
    "mouth_line": ("line across the mouth of the cove", ()),
    "exclusions": (
        "polygons in which nothing may be trimmed",
        (("name_field", "FIELD", "field that holds the name"),),
    ),
    "set_aside": (
        "polygons of land set aside",
        (
            ("kind", "KIND", f"what all of it is: {', '.join(SET_ASIDE_KINDS)}"),
            ("kind_field", "FIELD", "or the field that says so of each"),
            ("name_field", "FIELD", "field that holds the name"),
        ),
    ),
}
NUMBER_KEYS = {
    "band": int,
    "rmse_ft": float,
    "height_rmse_ft": float,
    "position_rmse_ft": float,
    "height_ft": float,
    "elevation_ft": float,
}
#: Columns of the help texts: a terminal of the usual width.
HELP_WIDTH = 80


class Parser(argparse.ArgumentParser):
    """A parser whose complaints are errors of the family; nothing is abbreviated."""

    def __init__(self, command: str, description: str, usage: str = "") -> None:
        super().__init__(
            f"geotrim {command}",
            description=description,
            allow_abbrev=False,
            usage=f"geotrim {usage or command}",
            formatter_class=lambda prog: argparse.HelpFormatter(
                prog, max_help_position=30, width=HELP_WIDTH
            ),
        )

    def error(self, message: str) -> NoReturn:
        """Tell a complaint of argparse's in four parts."""
        mend = f"see {self.prog} --help"
        if unknown := re.match(r"unrecognized arguments: (\S+)", message):
            word = unknown[1].partition("=")[0]
            bare = {name.lstrip("-"): name for name in self._option_string_actions}
            near = difflib.get_close_matches(word.lstrip("-"), bare, n=1, cutoff=0.75)
            is_option = word.startswith("-")
            near = [bare[name] for name in near if is_option]
            raise GeotrimError(
                word,
                "an option not known here" if is_option else "a word too many",
                f"what {self.prog} takes",
                f"say {near[0]} if you meant that" if near else mend,
            )
        if wanting := re.match(r"argument ([^:]+): expected (.*) arguments?", message):
            raise GeotrimError(
                wanting[1], "no value or too few", f"{wanting[2]} after it", f"add it, or {mend}"
            )
        if lost := re.match(r"the following arguments are required: (.*)", message):
            raise GeotrimError(
                "command line",
                f"no {lost[1]}",
                f"one: {self._meaning(lost[1])}",
                f"add it, or {mend}",
            )
        raise GeotrimError("command line", message, f"what {self.prog} takes", mend)

    def _meaning(self, metavar: str) -> str:
        """What a word of the command line stands for."""
        told = [str(a.help) for a in self._actions if a.metavar == metavar and a.help]
        return told[0] if told else metavar


def operation_parser(operation: Operation, chain: Mapping[str, Operation]) -> Parser:
    """Parser of one operation's command.

    Parameters
    ----------
    operation : Operation
    chain : mapping
        The operation and all it builds on; their inputs and parameters are options too.
    """
    builds_on = [name for name in chain if name != operation.name]
    *others, last = builds_on or [""]
    told = f"{', '.join(others)} and {last}" if others else last
    verb = "run" if others else "runs"
    told = f" Builds on {told}, which {verb} first." if builds_on else ""
    caution = f" Caution: {operation.caution}" if operation.caution else ""
    name = operation.name
    usage = f"{name} SITE [options]\n       geotrim {name} --FILES ... [options]"
    parser = Parser(name, f"{operation.summary}{told}{caution}", usage)
    parser.add_argument("site", nargs="?", metavar="SITE", help="site file, instead of files")
    inputs = inputs_of(chain.values())
    add_inputs(parser, inputs)
    add_params(parser, params_of(chain.values()).values())
    if "lots" in inputs:
        add_lot_choice(parser.add_argument_group("lots"))
    if "facts" in inputs:
        add_facts(parser.add_argument_group("facts a map cannot give"))
    out = parser.add_argument_group("output")
    out.add_argument("--out", metavar="FILE", help="write it: .gpkg, .geojson, .csv or .json")
    out.add_argument(
        "--replace", action="store_true", help="let a file of that name go, at the end"
    )
    out.add_argument("--table", metavar="NAME", help="table for a file that holds one only")
    told = "print every row" if not operation.words else "print the tables, every row"
    out.add_argument("--all", action="store_true", help=told)
    return parser


def run_parser(operations: Mapping[str, Operation]) -> Parser:
    """Parser of ``geotrim run``."""
    does = "Measures all that a site file allows and writes one result package."
    parser = Parser("run", does, "run SITE [options]")
    parser.add_argument("site", metavar="SITE", help="site file")
    parser.add_argument(
        "--out", metavar="FOLDER", help="new folder for the package [results/NAME, then NAME-2 ...]"
    )
    parser.add_argument(
        "--replace", action="store_true", help="let an earlier package at --out go, at the end"
    )
    add_lot_choice(parser)
    add_facts(parser)
    add_params(parser, params_of(operations.values()).values())
    return parser


def add_lot_choice(parser: Any) -> None:
    parser.add_argument(
        "--lot",
        action="append",
        metavar="ID",
        help="lot to report; the others are neighbours (may be said again) [all]",
    )


def add_facts(parser: Any) -> None:
    from geotrim.rules.facts import facts

    parser.add_argument(
        "--fact",
        action="append",
        metavar="NAME=ANSWER",
        help="a fact of every lot, before the site file's (may be said again): "
        + ", ".join(facts()),
    )


def given_facts(args: argparse.Namespace) -> dict[str, Any]:
    """Facts said on the command line, each checked.

    Raises
    ------
    GeotrimError
        If there is no such fact, or the answer is not one of its kind.
    """
    from geotrim.rules.facts import facts

    told: dict[str, Any] = {}
    for text in getattr(args, "fact", None) or ():
        name, equals, answer = text.partition("=")
        name = name.strip().replace("-", "_")
        if not equals or name not in facts():
            near = difflib.get_close_matches(name, facts(), n=1)
            raise GeotrimError(
                "--fact",
                repr(text),
                f"NAME=ANSWER with one of {', '.join(facts())}",
                f"say {near[0]}=..." if near else "check the name",
            )
        told[name] = facts()[name].parse(answer.strip(), f"--fact {name}")
    return told


def add_inputs(parser: Parser, needed: Mapping[str, bool]) -> None:
    """An option for each input file, with what else may be said of it."""
    group = parser.add_argument_group("files, instead of a site file")
    if "lots" in needed:
        needed = {**needed, "neighbours": False}
    for field, (what, keys) in INPUTS.items():
        if field not in needed:
            continue
        name = option_of(field)
        group.add_argument(
            name, metavar="FILE", help=what if needed[field] else f"{what} (may be left out)"
        )
        for key, metavar, text in keys:
            group.add_argument(
                option_of(field, key), dest=f"{field}.{key}", metavar=metavar, help=text
            )
        if field not in ("heights", "ground"):
            group.add_argument(
                f"{name}-layer", dest=f"{field}.layer", metavar="NAME", help="layer, if several"
            )
        if field == "profiles":
            continue  # a table without shapes
        group.add_argument(
            f"{name}-crs", dest=f"{field}.crs", metavar="CRS", help="its CRS, if the file says none"
        )
    if "setbacks" in needed:
        group.add_argument(
            "--setback",
            nargs=4,
            action="append",
            metavar=("NAME", "REFERENCE", "FT", "SOURCE"),
            help=f"distance to keep, from {', '.join(SETBACK_REFERENCES[:-1])}; may be said again",
        )
    if "overlays" in needed:
        group.add_argument(
            "--local-rules",
            action="append",
            metavar="FILE",
            help="local rule file, or the name of an installed one (may be said again)",
        )
    group.add_argument("--crs", metavar="CRS", help="projected CRS to measure in [from the lots]")


def add_params(parser: Parser, params: Iterable[Param]) -> None:
    """An option for each parameter, with its limits, its unit and its default in the help."""
    group = parser.add_argument_group("parameters")
    for param in params:
        if param.kind == "flag":
            group.add_argument(
                param.option,
                action=argparse.BooleanOptionalAction,
                default=None,
                help=param_help(param),
            )
        else:
            group.add_argument(param.option, metavar=metavar_of(param), help=param_help(param))


def param_help(param: Param) -> str:
    """What a parameter is, its limits and its default.

    Where nothing is the default, the help may end with what then stands in, in brackets.

    Examples
    --------
    >>> param_help(Param("cell_ft", "number", None, "Side of a cell [the raster's].", low=1.0))
    "Side of a cell. [from 1; default: the raster's]"
    """
    text, facts = param.help, []
    if param.kind == "choice":
        facts.append(f"one of {', '.join(param.choices)}")
    elif param.kind in ("number", "whole", "numbers"):
        facts.append(param.limits())
    if param.default is not None:
        facts.append(f"default {text_of(param.default)}")
    elif text.endswith("]."):
        text, _, stands_in = text.removesuffix("].").rpartition(" [")
        text, facts = f"{text}.", [*facts, f"default: {stands_in}"]
    else:
        facts.append("default none")
    return f"{text} [{'; '.join(facts)}]".replace("%", "%%")


def metavar_of(param: Param) -> str:
    """What stands for the value in the help: its unit, or its kind."""
    unit = UNIT_HEADINGS.get(unit_of(param.name) or "", param.kind).upper()
    return f"{unit},{unit},..." if param.kind == "numbers" else unit


def text_of(value: object) -> str:
    """A value as the user would type it.

    Examples
    --------
    >>> text_of((6.0, 10.0)), text_of("column")
    ('6,10', 'column')
    """
    if isinstance(value, (list, tuple)):
        return ",".join(text_of(item) for item in value)
    if isinstance(value, bool):
        return "yes" if value else "no"
    return f"{value:g}" if isinstance(value, float) else str(value)


def value_of(param: Param, text: Any) -> object:
    """The checked value of a parameter from what was typed.

    Raises
    ------
    RangeError
        If it is not of the parameter's kind or outside its limits, under the option's name.

    Examples
    --------
    >>> value_of(Param("band_ft", "numbers", None, "Band."), "6,10")
    (6.0, 10.0)
    """
    value: object = text
    if param.kind == "flag":  # the option itself is a yes, its --no- a no
        value = {"yes": True, "no": False}.get(text, text)
    if param.kind == "numbers":
        value = [
            number_of(part, param.option) for part in text.replace(" ", ",").split(",") if part
        ]
    elif param.kind == "whole":
        value = number_of(text, param.option, whole=True)
    elif param.kind == "number":
        value = number_of(text, param.option)
    return param.check(value, param.option)


def given_params(args: argparse.Namespace, params: Iterable[Param]) -> dict[str, object]:
    """Parameters the user set on the command line, checked."""
    typed = {param: getattr(args, param.name, None) for param in params}
    return {p.name: value_of(p, text) for p, text in typed.items() if text is not None}


def given_files(args: argparse.Namespace) -> dict[str, Any]:
    """What was said of files, in the form of a site file's tables."""
    tables: dict[str, Any] = {}
    for field in INPUTS:
        if (file := getattr(args, field, None)) is not None:
            tables[field] = {"file": file}
    for dest, text in vars(args).items():
        field, dot, key = dest.partition(".")
        if not dot or text is None:
            continue
        if field not in tables:
            raise GeotrimError(
                option_of(field),
                f"its {key.replace('_', ' ')} without a file",
                "the file too",
                f"say {option_of(field)} FILE",
            )
        kind = NUMBER_KEYS.get(key, str)
        option = option_of(field, key)
        tables[field][key] = text if kind is str else number_of(text, option, whole=kind is int)
    setbacks = [_setback(*words) for words in getattr(args, "setback", None) or ()]
    if setbacks:
        tables["setbacks"] = setbacks
    if rules := getattr(args, "local_rules", None):
        tables["rules"] = {"overlays": rules}
    return tables


def check_required(tables: Mapping[str, Any], needed: Mapping[str, bool]) -> None:
    """Refuse files of which something that must be known is not said; names the option."""
    from geotrim.io.site_spec import SITE_TABLES

    for field, is_needed in needed.items():
        if is_needed and field in INPUTS and field not in tables:
            option = option_of(field)
            raise GeotrimError(option, "nothing", INPUTS[field][0], f"say {option} FILE")
    for field, table in tables.items():
        for key, rule in SITE_TABLES.get(field, {}).items():
            if field in INPUTS and rule.is_required and key not in table:
                option = option_of(field, key)
                need = ", ".join(rule.choices) or rule.help
                raise GeotrimError(option, "nothing", f"one of {need}", f"say {option}")


def option_of(field: str, key: str = "") -> str:
    """Option for an input file, or for something said of it.

    Examples
    --------
    >>> option_of("mhw_line"), option_of("mhw_line", "origin"), option_of("lots", "id_field")
    ('--mhw-line', '--mhw-origin', '--lots-id-field')
    """
    stem = "mhw" if field == "mhw_line" and key == "origin" else field
    return "--" + f"{stem}_{key}".rstrip("_").replace("_", "-")


def under_option_names(error: GeotrimError) -> GeotrimError:
    """An error told under a key of a site file, told under the option of the command line.

    Examples
    --------
    >>> print(under_option_names(GeotrimError("[heights] unit", "none", "ft", "add it")).subject)
    --heights-unit
    """
    subject = re.sub(r"^\[\[setbacks\]\] number (\d+)", r"--setback number \1,", error.subject)
    subject = re.sub(r"^\[\[eyes\]\] number 1\b", "[eyes]", subject)  # one file of them
    subject = re.sub(r"^\[site\] crs\b", "--crs", subject)
    if place := re.match(r"\[(\w+)\](?: (\w+))?", subject):
        field, key = place[1], place[2] or ""
        if field in INPUTS:
            option = option_of(field, "" if key == "file" else key)
            subject = option + subject[place.end() :]
    parts = [
        re.sub(
            r"a?\[(\w+)\](?: table)?",
            lambda m: option_of(m[1]) if m[1] in INPUTS else m[0],
            part,
        )
        for part in (error.found, error.need, error.mend)
    ]
    options = site_options(place[1] if place else error.subject.partition(" ")[0])
    return type(error)(subject, *(in_options(part, options) for part in parts))


def site_options(field: str) -> dict[str, str]:
    """Keys of an input's table in a site file, each with its option; none for what is no input."""
    if field not in INPUTS:
        return {}
    keys = [key for key, _, _ in INPUTS[field][1]]
    return {key: option_of(field, key) for key in (*keys, "layer", "crs")}


def in_options(text: str, options: Mapping[str, str]) -> str:
    """A text that names keys, with the options of the command line instead.

    A key of one word is taken for one only behind a word such as "say" or "with"; what stands in
    quotation marks is a name in a file and stays.

    Examples
    --------
    >>> options = {"crs": "--trees-crs", "tag_field": "--trees-tag-field"}
    >>> in_options("name it with tag_field, not 'tag_field'", options)
    "name it with --trees-tag-field, not 'tag_field'"
    >>> in_options('state it with crs, for example crs = "EPSG:6443"', options)
    'state it with --trees-crs, for example --trees-crs EPSG:6443'
    """
    for key, option in options.items():
        text = re.sub(rf"(?<![\w'-]){key} = \"?([^\"\s,]+)\"?", rf"{option} \1", text)
        if "_" in key:
            text = re.sub(rf"(?<![\w'-]){key}(?![\w'])", option, text)
        else:
            before = r"\b(with|say|state|leave|correct|and no) "
            text = re.sub(rf"{before}{key}\b", rf"\1 {option}", text)
    return text


def notes_in_options(notes: Iterable[Note], params: Iterable[Param]) -> tuple[Note, ...]:
    """Notes that name keys of a site file, told under the options of the command line."""
    own = {param.name: param.option for param in params if "_" in param.name}
    return tuple(
        replace(note, text=in_options(note.text, {**site_options(note.about), **own}))
        for note in notes
    )


def _setback(name: str, reference: str, distance: str, source: str) -> dict[str, Any]:
    return {
        "name": name,
        "reference": reference,
        "distance_ft": number_of(distance, f"--setback {name}"),
        "source": source,
    }


def number_of(text: str, where: str, *, whole: bool = False) -> float | int:
    """The number that was typed, or an error under the option's name."""
    try:
        return int(text) if whole else float(text)
    except ValueError:
        need = "a whole number" if whole else "a number"
        raise RangeError(where, f"{text!r}", need, "write it in digits, without a unit") from None
