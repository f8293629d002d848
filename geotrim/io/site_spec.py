"""What a site file may say, in one table; the reader, the starter and the checks all use it."""

from __future__ import annotations

import difflib
import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from geotrim.errors import SiteFileError
from geotrim.io.toml_lines import Place, line_of
from geotrim.model import MHW_ORIGINS, SET_ASIDE_KINDS, SETBACK_REFERENCES
from geotrim.ops.catalogue import option_params
from geotrim.ops.registry import Param
from geotrim.rules.facts import Fact, facts
from geotrim.units import VERTICAL_UNITS_M

#: Stands in a starter file where only the user knows the answer.
FILL_IN = "FILL IN"
#: Characters of a list of known names in a message; of a longer one the names alike are told.
LONGEST_LIST = 450

_KINDS = {
    "text": "text, in quotes",
    "file": "a path, in quotes",
    "number": "a number, without quotes or unit",
    "whole": "a whole number",
    "id": "an id: text in quotes, or a number",
    "texts": "a list of ids",
    "overlays": 'a list such as ["local.toml"]',
    "match": "a table such as { field = value }",
    "fields": 'a list of fields such as ["OWNER"]',
    "field-of": 'a table such as { n_units = "UNITS" }',
    "overlays-of": 'a table such as { "Cay Town" = ["town.toml"] }',
    "crs": 'a code such as "EPSG:6443"',
}


@dataclass(frozen=True, slots=True)
class Named:
    """A table whose keys are names.

    kind, help : of the value beside each name; as in :class:`Key`.
    known : the names there are; empty where they are the user's own.
    what : what a name stands for.
    """

    kind: str
    help: str
    known: tuple[str, ...] = ()
    what: str = "name"


@dataclass(frozen=True, slots=True)
class Key:
    """One key of a site file.

    kind : a key of ``_KINDS``, or "fact".
    low : least number allowed.
    fact : for a fact, what it asks and how an answer is checked.
    names : for a table of names, what stands beside each.
    """

    kind: str
    help: str
    is_required: bool = False
    choices: tuple[str, ...] = ()
    low: float | None = None
    fact: Fact | None = None
    names: Named | None = None


_FILE = Key("file", "path of the file, relative to the site file", is_required=True)
_LAYER = Key("text", "which layer, if the file has several")
_CRS = Key("crs", "what the file is in, only if it does not say so itself")
_ID = Key("text", "field that holds the id")
_NAME = Key("text", "field that holds a name")
_SOURCE = {"file": _FILE, "layer": _LAYER, "crs": _CRS}
_UNITS = tuple(VERTICAL_UNITS_M)
_FACTS = {
    name: Key("fact", fact.question, choices=fact.choices, fact=fact)
    for name, fact in facts().items()
}

SITE_TABLES: dict[str, dict[str, Key]] = {
    "site": {
        "name": Key("text", "what to call the site", is_required=True),
        "crs": Key(
            "crs", "the projected CRS to measure in; else the lots' own or a state plane zone"
        ),
    },
    "lots": {
        **_SOURCE,
        "id_field": _ID,
        "measure": Key("texts", "ids of the lots to report; the others are neighbours"),
        "where": Key("match", "report only lots with this value; the others are neighbours"),
    },
    "neighbours": {**_SOURCE, "id_field": _ID},
    "mhw_line": {
        **_SOURCE,
        "origin": Key("text", "where the line comes from", True, tuple(MHW_ORIGINS)),
        "epoch": Key("text", 'tidal epoch, for example "1983-2001"'),
        "vertical_datum": Key("text", 'datum of elevation_ft, for example "NAVD 88"'),
        "elevation_ft": Key("number", "elevation of mean high water"),
        "position_rmse_ft": Key("number", "standard error of the line's position", low=0.0),
        "position_rmse_is": Key(
            "text", "whether that is all of it", choices=("whole", "lower-bound")
        ),
    },
    "crowns": {
        **_SOURCE,
        "id_field": _ID,
        "species_field": Key("text", "field that holds the species"),
        "base_height_field": Key("text", "field that holds the height of the crown's base"),
        "base_height_unit": Key("text", "its unit", choices=_UNITS),
        "height_field": Key(
            "text",
            "field that holds the height measured on site, from the substrate under the trunk; "
            "it goes before the raster's",
        ),
        "target_height_field": Key("text", "field that holds the height to be left"),
        "height_unit": Key("text", "unit of these two fields", choices=_UNITS),
        "height_rmse_ft": Key("number", "standard error of one height in height_field", low=0.0),
        "trim_field": Key("text", "field that says whether a tree is to be trimmed: yes or no"),
        "keep_field": Key(
            "text",
            "field that says why a tree is to be left as it is, such as nest, or yes or no; "
            "empty: it may be cut",
        ),
    },
    "trunks": {
        **_SOURCE,
        "crown_id_field": Key("text", "field that holds the crown's id"),
        "position_rmse_ft": Key("number", "standard error of a trunk's position", low=0.0),
    },
    "heights": {
        "file": _FILE,
        "crs": _CRS,
        "band": Key("whole", "which band, from 1", low=1),
        "unit": Key("text", "vertical unit as its maker gives it", choices=_UNITS),
        "rmse_ft": Key("number", "standard error of one height", low=0.0),
    },
    "ground": {
        "file": _FILE,
        "crs": _CRS,
        "band": Key("whole", "which band, from 1", low=1),
        "unit": Key("text", "vertical unit as its maker gives it", choices=_UNITS),
        "vertical_datum": Key(
            "text", 'what its elevations are above, if it does not say: for example "NAVD 88"'
        ),
    },
    "eyes": {
        "name": Key("text", "what to call one point"),
        "x": Key("number", "easting of the point, in the site's CRS"),
        "y": Key("number", "northing"),
        "longitude": Key("number", "or its place in degrees, west negative", low=-180.0),
        "latitude": Key("number", "north positive", low=-90.0),
        "height_ft": Key(
            "number", "eye above the ground under it, such as 5.5 for standing", low=0.0
        ),
        "elevation_ft": Key(
            "number",
            "or its elevation, in the vertical datum of the ground and the MHW line: the floor's, "
            "and 5.5",
        ),
        "lot": Key("id", "id of the lot it looks over; else by position"),
        "file": Key("file", "points instead of one: path relative to the site file"),
        "layer": _LAYER,
        "crs": _CRS,
        "id_field": _ID,
        "height_field": Key("text", "field that holds the height above the ground"),
        "elevation_field": Key("text", "field that holds the elevation"),
        "unit": Key(
            "text", "unit of these two, unless their names end in _ft or _m", False, _UNITS
        ),
        "lot_field": Key("text", "field that holds the lot's id"),
    },
    "readings": {
        **_SOURCE,
        "crown_id_field": Key("text", "field that holds the crown's id; else position tells"),
        "height_field": Key("text", "field that holds the height read from the substrate"),
        "height_unit": Key("text", "its unit, unless its name ends in _ft or _m", choices=_UNITS),
        "height_rmse_ft": Key("number", "standard error of one reading", low=0.0),
        "reader_field": Key("text", "field that holds who read it"),
        "date_field": Key("text", "field that holds when"),
        "x_field": Key("text", "of a table without shapes: easting or longitude; crs says which"),
        "y_field": Key("text", "northing or latitude"),
    },
    "profiles": {"file": _FILE, "layer": _LAYER},
    "channel": {**_SOURCE, "name_field": _NAME},
    "mouth_line": {**_SOURCE, "name_field": _NAME},
    "exclusions": {**_SOURCE, "name_field": _NAME},
    "set_aside": {
        **_SOURCE,
        "kind": Key("text", "what all of it is", choices=tuple(SET_ASIDE_KINDS)),
        "kind_field": Key("text", "or the field that holds one of these for each polygon"),
        "name_field": _NAME,
    },
    "setbacks": {
        "name": Key("text", "what to call it", is_required=True),
        "reference": Key("text", "what it is measured from", True, SETBACK_REFERENCES),
        "distance_ft": Key("number", "distance to keep", True, low=0.0),
        "source": Key("text", "the rule, covenant or easement it comes from", is_required=True),
        "file": Key("file", 'for reference = "file"'),
        "layer": _LAYER,
        "crs": _CRS,
    },
    "facts": _FACTS,
    "lot_facts": {"lot": Key("id", "id of the lot", is_required=True), **_FACTS},
    "rules": {
        "overlays": Key(
            "overlays", "paths relative to the site file, or names of installed rule files"
        ),
    },
    "band": {
        "low_ft": Key("number", "low side of the window band", True, low=0.0),
        "high_ft": Key("number", "high side of the window band", True, low=0.0),
    },
}
#: Tables of which there may be many.
MANY = ("setbacks", "lot_facts", "eyes")
#: Tables without which there is no site.
REQUIRED_TABLES = ("site", "lots", "mhw_line")


@dataclass(frozen=True, slots=True, eq=False)
class SiteSpec:
    """What the user said about a site, and where it was said.

    values : table -> key -> value, as in a site file.
    folder : what relative paths are relative to.
    source : name of the site file, or what stands in for it in messages.
    lines : place -> line in the site file; empty without one.
    needs : tables that must be there.
    params : options that may be set; geotrim's own, and a plug-in's where the caller adds them.
    tables : what may be said: that of a site, or of a screening.
    """

    values: Mapping[str, Any]
    folder: Path
    source: str = "site"
    lines: Mapping[Place, int] = field(default_factory=dict)
    needs: tuple[str, ...] = REQUIRED_TABLES
    params: Mapping[str, Param] = field(default_factory=option_params)
    tables: Mapping[str, Mapping[str, Key]] = field(default_factory=lambda: SITE_TABLES)

    def where(self, *place: str | int) -> str:
        """A place as the user knows it: ``[lots] id_field (line 4 of site.toml)``."""
        table, *rest = place
        head = f"[{table}]"
        if rest and isinstance(first := rest[0], int):
            head, rest = f"[[{table}]] number {first + 1}", rest[1:]
        keys = ".".join(str(part) for part in rest if isinstance(part, str))
        numbers = [f"number {part + 1}" for part in rest if isinstance(part, int)]
        text = ", ".join([f"{head} {keys}".strip(), *numbers])
        line = line_of(dict(self.lines), tuple(place))
        return f"{text} (line {line} of {self.source})" if line else text

    def table(self, name: str) -> Mapping[str, Any] | None:
        """One table as the user wrote it, or None."""
        return self.values.get(name)


def check_spec(spec: SiteSpec) -> None:
    """Hold a spec to the table of keys: names, kinds, choices, required keys.

    Raises
    ------
    SiteFileError
        For the first thing that does not fit, with its key and line.
    """
    known = (*spec.tables, "options")
    for name, value in spec.values.items():
        if name not in known:
            raise _unknown(spec, (name,), name, known, "table")
        if name in MANY:
            _check_many(spec, name, value)
        elif not isinstance(value, Mapping):
            raise SiteFileError(
                spec.where(name),
                f"{_shown(value)}",
                "a table",
                f"write a line [{name}] above its keys",
            )
        elif name == "options":
            _check_option_names(spec, value)
        else:
            _check_table(spec, (name,), value, spec.tables[name])
    for name in spec.needs:
        needed = [key for key, rule in spec.tables[name].items() if rule.is_required]
        if name not in spec.values:
            raise SiteFileError(
                spec.source,
                f"no [{name}] table",
                "one, since every site has it",
                f"add [{name}] with its keys: {', '.join(needed)}",
            )


def _check_many(spec: SiteSpec, name: str, value: Any) -> None:
    if not isinstance(value, (list, tuple)) or not all(isinstance(v, Mapping) for v in value):
        raise SiteFileError(
            spec.where(name),
            "a single table or value",
            "a list of tables",
            f"write [[{name}]] with two brackets above each one",
        )
    for i, item in enumerate(value):
        _check_table(spec, (name, i), item, spec.tables[name])


def _check_table(
    spec: SiteSpec, place: Place, table: Mapping[str, Any], keys: Mapping[str, Key]
) -> None:
    for name, value in table.items():
        if name not in keys:
            raise _unknown(spec, (*place, name), name, tuple(keys), "key")
        _check_value(spec, (*place, name), value, keys[name])
    for name, key in keys.items():
        if key.is_required and name not in table:
            need = f"{name}: {key.help}" + (f" ({', '.join(key.choices)})" if key.choices else "")
            raise SiteFileError(spec.where(*place), f"no {name}", need, f"add {name} = ...")


def _check_value(spec: SiteSpec, place: Place, value: Any, key: Key) -> None:
    if isinstance(value, str) and value.strip().upper().startswith(FILL_IN):
        need = f"{key.help}" + (f": one of {', '.join(key.choices)}" if key.choices else "")
        raise SiteFileError(
            spec.where(*place),
            "a mark that it is still to be filled in",
            need,
            "put your own answer there; it must not be guessed",
        )
    if key.fact is not None:
        key.fact.check(value, spec.where(*place))
        return
    if key.names is not None and isinstance(value, Mapping):
        _check_named(spec, place, value, key.names)
        return
    if not _fits(value, key.kind):
        raise SiteFileError(
            spec.where(*place), _shown(value), _KINDS[key.kind], "rewrite the value"
        )
    if key.choices and value not in key.choices:
        near = difflib.get_close_matches(str(value), key.choices, n=1)
        raise SiteFileError(
            spec.where(*place),
            _shown(value),
            f"one of {', '.join(key.choices)}",
            f"say {near[0]!r} if you meant that" if near else "choose one of these",
        )
    if key.low is not None and value < key.low:
        raise SiteFileError(
            spec.where(*place), f"{value:g}", f"{key.low:g} or more", "correct the number"
        )


def _check_named(spec: SiteSpec, place: Place, value: Mapping[str, Any], names: Named) -> None:
    """A table whose keys are names: of facts, or the user's own."""
    for name, inner in value.items():
        if names.known and name not in names.known:
            raise _unknown(spec, (*place, name), name, names.known, names.what)
        _check_value(spec, (*place, name), inner, Key(names.kind, names.help))


def _fits(value: Any, kind: str) -> bool:
    is_text = isinstance(value, str) and bool(value.strip())
    is_whole = isinstance(value, int) and not isinstance(value, bool)
    if kind == "text":
        return is_text
    if kind == "file":  # from Python a table or a height source may stand for its file
        return is_text or not isinstance(value, (str, int, float, bool, list, dict))
    if kind == "number":
        return is_whole or (isinstance(value, float) and math.isfinite(value))
    if kind == "whole":
        return is_whole
    if kind == "id":
        return is_text or (_is_id(value) and not isinstance(value, str))
    if kind == "texts":
        return isinstance(value, (list, tuple)) and bool(value) and all(map(_is_id, value))
    if kind == "overlays":  # from Python a rule file that was read may stand for its name
        plain = (int, float, list, tuple, Mapping, type(None))
        return isinstance(value, (list, tuple)) and not any(
            isinstance(item, plain) or (isinstance(item, str) and not item.strip())
            for item in value
        )
    if kind == "match":
        return (
            isinstance(value, Mapping)
            and bool(value)
            and all(
                _is_id(v) or (isinstance(v, (list, tuple)) and v and all(map(_is_id, v)))
                for v in value.values()
            )
        )
    if kind in ("field-of", "overlays-of"):  # tables are looked at name by name
        return False
    if kind == "fields":
        return isinstance(value, (list, tuple)) and bool(value) and all(map(_is_text, value))
    return is_text or is_whole or not isinstance(value, (str, int, float, bool, list, dict))


def _is_text(value: Any) -> bool:
    return isinstance(value, str) and bool(value.strip())


def _is_id(value: Any) -> bool:
    return isinstance(value, (str, int, float)) and not isinstance(value, bool)


def _shown(value: Any) -> str:
    text = "true" if value is True else "false" if value is False else repr(value)
    return text if len(text) <= 60 else text[:57] + "..."


def _unknown(
    spec: SiteSpec, place: Place, name: str, known: tuple[str, ...], what: str
) -> SiteFileError:
    near = difflib.get_close_matches(name, known, n=1, cutoff=0.5)
    need = f"one of {', '.join(known)}"
    if len(need) > LONGEST_LIST:
        alike = difflib.get_close_matches(name, known, n=8, cutoff=0.0)
        need = f"one of the {len(known)} there are, such as {', '.join(alike)}"
    return SiteFileError(
        spec.where(*place),
        f"an unknown {what} {name!r}",
        need,
        f"say {near[0]!r} if you meant that" if near else "take it out",
    )


def _check_option_names(spec: SiteSpec, options: Mapping[str, Any]) -> None:
    known = tuple(spec.params)
    for name in options:
        if name not in known:
            raise _unknown(spec, ("options", name), name, known, "option")


def checked_options(spec: SiteSpec) -> dict[str, object]:
    """Options the user set, each checked by its own parameter; the band among them.

    Raises
    ------
    RangeError, SiteFileError
        If a value is outside its limits, or two of them contradict each other.
    """
    params = spec.params
    given = spec.table("options") or {}
    options = {
        name: params[name].check(value, spec.where("options", name))
        for name, value in given.items()
    }
    band = spec.table("band")
    if band is not None:
        if "band_ft" in options:
            raise SiteFileError(
                spec.where("options", "band_ft"),
                "the band given twice, here and in [band]",
                "one answer",
                "take one of them out",
            )
        pair = [float(band["low_ft"]), float(band["high_ft"])]
        options["band_ft"] = params["band_ft"].check(pair, spec.where("band", "low_ft"))
    return options
