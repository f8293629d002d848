"""A first site file from the files in a folder; what must not be guessed is marked."""

from __future__ import annotations

import json
import os
from collections.abc import Iterable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from geotrim.errors import FileError, GeotrimError
from geotrim.io.aside import new_file
from geotrim.io.field_table import split_unit
from geotrim.io.fields import text_id
from geotrim.io.layers import first_values
from geotrim.io.repair import counted, listed
from geotrim.io.site_spec import FILL_IN, MANY, REQUIRED_TABLES, SITE_TABLES, Key
from geotrim.io.starter_facts import OPEN, comment, facts_blocks, remark
from geotrim.io.starter_find import (
    FIELD_NAMES,
    HEIGHTS_DOUBT,
    Found,
    guess_roles,
    look_in,
    overlays_in,
    usual_field_of,
)
from geotrim.io.starter_prepared import Part, lots_of, parts_of, prepared_in
from geotrim.model import SET_ASIDE_KINDS, Note
from geotrim.ops.catalogue import option_params
from geotrim.rules.facts import facts
from geotrim.rules.overlays import installed
from geotrim.units import VERTICAL_UNITS_M

#: Tables whose keys are questions.
FACT_TABLES = ("facts", "lot_facts")
#: Tables that name a raster -> what it must hold.
RASTERS = {"heights": "heights", "ground": "elevations"}


@dataclass(slots=True)
class _Draft:
    """The starter while it is made."""

    base: Path
    roles: dict[str, Found]
    doubts: dict[str, str]
    notes: list[Note] = field(default_factory=list)
    overlays: list[str] = field(default_factory=list)
    parts: dict[str, Part] = field(default_factory=dict)
    n_marks: int = 0


def write_starter(
    folder: str | os.PathLike[str], out: str = "site.toml", *, overwrite: bool = False
) -> tuple[Path, tuple[Note, ...]]:
    """Write a commented site file for the files found in a folder.

    Layers are matched to roles by their geometry and by words in their names; every match is told
    and can be changed. What ``geotrim prepare`` made in folders below goes before loose files, with
    all that the preparation knows of it. What only the user knows (where the MHW line comes from,
    the vertical unit of the heights) is marked ``FILL IN``, and a site file with such a mark is
    refused with words that say what to put there.

    Parameters
    ----------
    folder : path-like
    out : str
        Name of the file to write, relative to the folder.
    overwrite : bool
        Whether a file of that name may be replaced.

    Returns
    -------
    path : Path
    notes : tuple of Note

    Raises
    ------
    FileError
        If the folder does not exist, or the file exists and may not be replaced.
    """
    place = Path(folder)
    if not place.is_dir():
        what = f"the file {place}" if place.exists() else f"no folder {place.absolute()}"
        raise FileError("folder", what, "a folder that holds the files", "check the path")
    target = place / out
    if target.exists() and not overwrite:
        raise FileError(
            str(target),
            "a file that exists",
            "a free name; nothing is written over",
            "rename it, or choose another name",
        )
    notes: list[Note] = []
    vectors, rasters = look_in(place, notes)
    roles, doubts = guess_roles(vectors, rasters)
    draft = _Draft(target.parent, roles, doubts, notes)
    _take_prepared(draft, place)
    draft.overlays = [name for name in overlays_in(place) if place / name != target]
    text = _text(draft, place)
    with new_file(target, overwrite=overwrite) as aside:
        aside.write_text(text, encoding="utf-8", newline="\n")
    _tell(draft, vectors, rasters)
    return target, tuple(draft.notes)


def _take_prepared(draft: _Draft, place: Path) -> None:
    """Give tables to what was prepared; the file that would have been taken is told beside it."""
    made = prepared_in(place, draft.notes)
    draft.parts = parts_of(made, place)
    for table, part in draft.parts.items():
        before = draft.roles.pop(table, None)
        draft.doubts[table] = part.told
        if before is not None:
            draft.doubts[table] += f"; also possible: {before.name}"
        if part.found is not None:
            draft.roles[table] = part.found
    if "lots" not in draft.roles and (lots := lots_of(made)) is not None:
        draft.roles["lots"], told = lots
        draft.doubts["lots"] = told


_HEADS = {
    "site": "",
    "lots": "Lot polygons.",
    "neighbours": "Neighbouring lots: they take their share of the shore but are not reported.",
    "mhw_line": "The mean high water line.",
    "crowns": "Canopy polygons, one a tree.",
    "trunks": "Trunk points, where they were surveyed.",
    "heights": "Raster of heights above the ground the trees stand in.",
    "ground": "Raster of elevations of the ground, in the vertical datum of the MHW line: the eyes "
    "stand on it, and it can hide the water.",
    "eyes": "Where the water is looked at from: a deck, a room; one block for each point, or a "
    "file of points, with height_ft or elevation_ft. Without eyes the view is taken at stations.",
    "readings": "Stick readings of tree heights, by crown id or by position, as a table or points: "
    "the raster's heights are held against them.",
    "profiles": "Leaf-area weights of the crowns, as geotrim prepare profiles makes them.",
    "channel": "Channel or thread line, for side limits square to it and for setbacks from it.",
    "mouth_line": "Line across the mouth of a cove, where side limits end.",
    "exclusions": "Areas where nothing may be trimmed.",
    "set_aside": "Land set aside for conservation or as mitigation, islands, preserves: what it is "
    "decides which exemptions hold. Without a file of it, answer in [facts].",
    "setbacks": "A distance to keep, and the rule it comes from; one block for each.",
    "rules": "Rule files of a local government. They can only tighten a rule, or ask for a check.",
    "band": "Low and high side of the window band, above the ground.",
}
_EXAMPLES = {
    "crs": '"EPSG:6443"',
    "measure": '["1", "2"]',
    "where": '{ street = "Shore Lane" }',
    "epoch": '"1983-2001"',
    "vertical_datum": '"NAVD 88"',
    "elevation_ft": "0.5",
    "position_rmse_ft": "1.0",
    "position_rmse_is": '"whole"',
    "rmse_ft": "0.5",
    "band": "1",
    "distance_ft": "10.0",
    "low_ft": "6.0",
    "high_ft": "10.0",
    "file": '"file.gpkg"',
    "layer": '"layer"',
    "reference": '"riparian-lines"',
    "name": '"name"',
    "source": '"the rule it comes from"',
    "origin": '"survey"',
    "unit": '"ft"',
    "base_height_unit": '"ft"',
    "height_unit": '"ft"',
    "height_rmse_ft": "0.3",
    "kind": '"conservation"',
    "x": "400000.0",
    "y": "1100000.0",
    "longitude": "-82.5",
    "latitude": "27.3",
    "height_ft": "5.5",
    "eyes.elevation_ft": "18.5",
    "eyes.name": '"deck"',
    "lot": '"1"',
    "x_field": '"easting"',
    "y_field": '"northing"',
    "overlays": '["local.toml"]',
}


def _example(table: str, name: str) -> str:
    return _EXAMPLES.get(f"{table}.{name}") or _EXAMPLES.get(name) or _quoted(name)


def _quoted(text: str) -> str:
    return json.dumps(text, ensure_ascii=False).replace("\x7f", "\\u007f")


def _text(draft: _Draft, folder: Path) -> str:
    name = folder.resolve().name or "site"
    blocks = [
        "# A site for geotrim, started from the files in this folder.\n"
        f"# Put an answer wherever it says {FILL_IN}, check the rest, and take out what is wrong.\n"
        "# Paths are relative to this file. A line that begins with # is not read.\n"
    ]
    for table in SITE_TABLES:
        if table in FACT_TABLES:
            continue
        known = {"name": _quoted(name)} if table == "site" else _known(draft, table)
        blocks.append(_block(draft, table, known))
        if table == "setbacks":
            blocks.append(facts_blocks(_first_lot(draft)))
    blocks.append(_options(draft))
    return "\n".join(blocks)


def _known(draft: _Draft, table: str) -> dict[str, str]:
    """Keys of one table that the files answer, or that only the user can."""
    if table == "rules" and draft.overlays:
        return {"overlays": f"[{', '.join(map(_quoted, draft.overlays))}]"}
    if table in draft.parts:
        return _prepared(draft, table)
    found = draft.roles.get(table)
    if found is None:
        if table not in REQUIRED_TABLES:
            return {}
        return {
            name: _quoted(FILL_IN) for name, key in SITE_TABLES[table].items() if key.is_required
        }
    known = {"file": _quoted(_path(draft, found.path))}
    if found.schema is not None:
        if found.n_layers > 1:
            known["layer"] = _quoted(found.schema.name)
        if not found.schema.crs or "undefined" in found.schema.crs.lower():
            known["crs"] = _quoted(FILL_IN)
        for role, key in FIELD_NAMES:
            match = usual_field_of(found.schema, role, key) if role == table else None
            if match is not None:
                known[key] = _quoted(match)
    if table == "mhw_line":
        known["origin"] = _quoted(FILL_IN)
    if table in RASTERS:
        known |= _raster_marks(draft, found, RASTERS[table])
    if table == "eyes":
        known |= _eye_marks(known)
    if "base_height_field" in known:
        known["base_height_unit"] = _unit_told(json.loads(known["base_height_field"]))
    if table == "crowns" and {"height_field", "target_height_field"} & set(known):
        known["height_unit"] = _quoted(FILL_IN)
    if table == "crowns" and "height_field" in known:
        doubt = HEIGHTS_DOUBT.format(json.loads(known["height_field"]))
        told = (draft.doubts.get(table), doubt)
        draft.doubts[table] = "; ".join(part for part in told if part)
    if table == "set_aside":
        known |= _land_kind(found)
    return known


def _prepared(draft: _Draft, table: str) -> dict[str, str]:
    """Keys of a table as its preparation gives them; a field is never guessed beside them."""
    known = dict(draft.parts[table].values)
    if "file" in known:
        known["file"] = _path(draft, Path(known["file"]))
    return {key: _toml(value) for key, value in known.items()}


def _path(draft: _Draft, path: Path) -> str:
    return Path(os.path.relpath(path, draft.base)).as_posix()


def _toml(value: Any) -> str:
    """A value as TOML writes it; JSON's text is TOML's, but for letters that it may not hold."""
    return _quoted(value) if isinstance(value, str) else json.dumps(value, ensure_ascii=False)


def _land_kind(found: Found) -> dict[str, str]:
    """A field that holds kinds of land set aside, else a mark: only the user knows the kind."""
    for name in found.schema.fields if found.schema is not None else ():
        assert found.schema is not None
        values = first_values(found.path, found.schema, name, n=50)
        if values and all(str(value).strip().lower() in SET_ASIDE_KINDS for value in values):
            return {"kind_field": _quoted(name)}
    return {"kind": _quoted(FILL_IN)}


def _first_lot(draft: _Draft) -> str | None:
    """Id of the first lot in the file, for an example."""
    found = draft.roles.get("lots")
    if found is None or found.schema is None:
        return None
    match = usual_field_of(found.schema, "lots", "id_field")
    values = first_values(found.path, found.schema, match, n=1) if match else []
    return text_id(values[0]) if values else None


def _eye_marks(known: dict[str, str]) -> dict[str, str]:
    """What no field says of the eyes of a file: how high they are, or the unit of that."""
    fields = [known[key] for key in ("height_field", "elevation_field") if key in known]
    if not fields:
        return {"height_ft": _quoted(FILL_IN)}
    is_told = all(json.loads(name).lower().endswith(("_ft", "_m")) for name in fields)
    return {} if is_told else {"unit": _quoted(FILL_IN)}


def _unit_told(field: str) -> str:
    """The unit that ends a field's name; without one only the user knows it."""
    unit = split_unit(field)[1]
    return _quoted(unit if unit in VERTICAL_UNITS_M else FILL_IN)


def _raster_marks(draft: _Draft, found: Found, holds: str) -> dict[str, str]:
    """What the raster does not say itself: its CRS, its vertical unit."""
    from geotrim.errors import CRSError, UnitError
    from geotrim.io.rasters import open_heights

    marks: dict[str, str] = {}
    facts: dict[str, Any] = {}
    for _ in range(2):
        try:
            open_heights(found.path, holds=holds, **facts).close()
            break
        except UnitError:
            marks["unit"], facts["unit"] = _quoted(FILL_IN), "ft"
        except CRSError:
            marks["crs"], facts["crs"] = _quoted(FILL_IN), "EPSG:6443"
        except GeotrimError as error:
            draft.notes.append(Note(found.path.name, f"may not do: {error.found}", "missing"))
            break
    return marks


def _block(draft: _Draft, table: str, known: dict[str, str]) -> str:
    is_live = bool(known)
    head = f"[[{table}]]" if table in MANY else f"[{table}]"
    lines = comment(_HEADS[table])
    lines += comment(draft.doubts.get(table, ""))
    found = draft.roles.get(table)
    if found is not None and found.schema is not None:
        lines += comment(f"Its fields: {listed(found.schema.fields, 30) or 'none'}")
    lines.append(head if is_live else f"# {head}")
    for name, key in SITE_TABLES[table].items():
        value = known.get(name)
        draft.n_marks += value is not None and FILL_IN in value
        mark = "" if value is not None else "# "
        text = f"{mark}{name} = {value or _example(table, name)}"
        lines.append(remark(text, _help(draft, table, name, key)))
    return "\n".join(lines) + "\n"


def _help(draft: _Draft, table: str, name: str, key: Key) -> str:
    text = key.help + (f": {', '.join(key.choices)}" if key.choices else "")
    found = draft.roles.get(table)
    if table == "rules" and (names := installed()[0]):
        text += f"; installed here: {listed(names, 10)}"
    if table == "lots" and name == "measure" and found is not None and found.schema is not None:
        match = usual_field_of(found.schema, "lots", "id_field")
        values = first_values(found.path, found.schema, match) if match else []
        if values:
            text += f"; the first are {', '.join(str(value) for value in values)}"
    return " ".join(text.split())


def _options(draft: _Draft) -> str:
    part = draft.parts.get("options")
    known = {} if part is None else part.values
    lines = ["# Choices of the operations; these are the defaults.", "# [options]"]
    if part is not None:
        lines = [f"# Choices of the operations; {part.told}, the others are the defaults."]
        lines.append("[options]")
    for name, param in option_params().items():
        if name == "band_ft":
            continue
        default = known.get(name, param.default)
        value = list(default) if isinstance(default, tuple) else default
        shown = json.dumps(value) if value is not None else OPEN
        choices = f" ({', '.join(param.choices)})" if param.choices else ""
        mark = "" if name in known else "# "
        lines.append(remark(f"{mark}{name} = {shown}", f"{param.help}{choices}"))
    return "\n".join(lines) + "\n"


def _tell(draft: _Draft, vectors: list[Found], rasters: list[Found]) -> None:
    say = draft.notes.append
    if not vectors and not rasters and not draft.parts:
        say(
            Note(
                "folder", "no vector layer or raster found; the file says what is needed", "missing"
            )
        )
    for role, found in draft.roles.items():
        doubt = f" ({draft.doubts[role]})" if role in draft.doubts else ""
        say(Note(role, f"{found.name}{doubt}", "assumed"))
    for table, part in draft.parts.items():
        if table not in draft.roles and "file" in part.values:
            say(Note(table, f"{part.values['file']} is not there ({part.told})", "missing"))
    lost = [role for role in REQUIRED_TABLES if role != "site" and role not in draft.roles]
    if lost and (vectors or rasters or draft.parts):
        say(Note("folder", f"nothing found for {' and '.join(lost)}", "missing"))
    used = {id(found) for found in draft.roles.values()}
    rest = [found.name for found in _both(vectors, rasters) if id(found) not in used]
    if rest:
        say(Note("folder", f"not used: {listed(rest, 10)}", "info"))
    if draft.overlays:
        say(Note("rules", listed(draft.overlays, 10), "assumed"))
    text = f"{len(facts())} facts a map cannot give are unknown; answer what you can in [facts]: "
    say(Note("facts", f"{text}which route is open hangs on them", "missing"))
    if draft.n_marks:
        say(
            Note(
                "site file",
                f"{counted(draft.n_marks, 'place')} to fill in, marked {FILL_IN}",
                "missing",
            )
        )


def _both(vectors: Iterable[Found], rasters: Iterable[Found]) -> list[Found]:
    return [*vectors, *rasters]
