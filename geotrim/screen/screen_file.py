"""The file of a screening: a site file of many lots, with what only many lots ask for.

Beyond a site file it has ``[jurisdictions]`` (whose polygons pick local rule files), fields of the
lots that answer facts (``[lots.facts]``) and fields that are carried through (``keep_fields``). Two
tables of a site file are refused, since without them figures would differ from those of
``geotrim run``: ``[readings]`` corrects heights, ``[profiles]`` weighs slices. ``[eyes]`` and
``[ground]`` only add to what is measured; they are left aside, and told.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from geotrim.errors import SiteFileError
from geotrim.io.site_checks import check_contradictions
from geotrim.io.site_file import read_spec
from geotrim.io.site_screened import SCREEN_TABLES
from geotrim.io.site_spec import SiteSpec, check_spec, checked_options
from geotrim.model import Note

#: Tables of a site file that would change figures of a lot, and that a screening does not read.
REFUSED = {
    "readings": "stick readings, by which heights would be corrected",
    "profiles": "profiles of crowns, by which slices would be weighed",
}
#: Tables that only add to what is measured of a lot.
LEFT_ASIDE = {"eyes": "what is seen from it", "ground": "the ground under lines of sight"}


@dataclass(frozen=True, slots=True, eq=False)
class ScreenSpec:
    """What the user said about a screening, checked as far as no file is opened.

    path : the screen file.
    said : its tables, and the line of every key.
    options : parameter name -> value, only those the user set.
    """

    path: Path
    said: SiteSpec
    options: Mapping[str, Any]

    @property
    def name(self) -> str:
        return str(self.said.values["site"]["name"])


def read_screen_file(path: str | Path) -> ScreenSpec:
    """A screen file, held to the table of keys.

    Raises
    ------
    SiteFileError
        If the file says something unknown, wrong or contradictory; names the key and the line.
    """
    said = replace(read_spec(path), tables=SCREEN_TABLES)
    check_spec(said)
    options = checked_options(said)
    _check_refused(said)
    _check_trees(said)
    check_contradictions(said, options)
    _check_method(said, options)
    return ScreenSpec(Path(path), said, options)


def _check_method(said: SiteSpec, options: Mapping[str, Any]) -> None:
    """Refuse limits that hang on all lots of a cove at once, since lots are measured in parts."""
    if options.get("riparian_method") == "proportional":
        raise SiteFileError(
            said.where("options", "riparian_method"),
            "'proportional', which divides a whole cove among all its lots at once",
            "a method that each lot's own shore settles: square-to-shore, square-to-channel or "
            "prolonged-lot-lines",
            "choose one of these, and measure the lots of a cove with geotrim run",
        )


def _check_refused(said: SiteSpec) -> None:
    for name, what in REFUSED.items():
        if name in said.values:
            raise SiteFileError(
                said.where(name),
                what,
                "inputs of a screening of many lots",
                f"take [{name}] out, or measure that lot with geotrim run",
            )
    for name, table in said.values.items():
        source = table.get("file") if isinstance(table, Mapping) else None
        if source is not None and not isinstance(source, str):
            raise SiteFileError(
                said.where(name, "file"), "a value in memory", "a path", "write it to a file"
            )


def _check_trees(said: SiteSpec) -> None:
    """Without crowns and without heights to draft them from, nothing is known of any tree."""
    if "crowns" not in said.values and "heights" not in said.values:
        raise SiteFileError(
            f"{said.where('crowns')} and {said.where('heights')}",
            f"neither of them in {said.source}",
            "outlines of trees, or heights to draft them from",
            "name the layer of crowns in [crowns], or a raster of heights in [heights]",
        )


def left_aside(said: SiteSpec) -> tuple[Note, ...]:
    """What is told of tables that a screening does not use."""
    return tuple(
        Note(name, f"[{name}] left aside: a screening does not tell {what}", "info")
        for name, what in LEFT_ASIDE.items()
        if name in said.values
    )
