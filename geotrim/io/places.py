"""Jurisdictions: which one a lot lies in, and whether another one holds a part of it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import shapely

from geotrim.errors import SiteFileError
from geotrim.io.fields import one_named
from geotrim.io.site_layers import Loading
from geotrim.io.site_rules import read_overlays, read_rule_files
from geotrim.model import InputFile, Note

#: A lot of which more than this lies in another jurisdiction is told to.
OTHER_FRAC = 0.01


@dataclass(frozen=True, slots=True, eq=False)
class Places:
    """Jurisdictions as polygons, the smallest first: a town goes before the county around it."""

    names: tuple[str, ...]
    shapes: Any

    @classmethod
    def of_table(cls, table: Any) -> Places:
        """Jurisdictions from a layer with ``name``; empty without one."""
        if table is None:
            return cls((), np.empty(0, dtype=object))
        shapes = np.asarray(table.geometry.array)
        order = np.argsort(shapely.area(shapes), kind="stable")
        shapely.prepare(shapes)
        return cls(tuple(table["name"].iloc[order]), shapes[order])

    def of(self, lots: Any) -> tuple[list[str | None], list[str]]:
        """Jurisdiction of each lot, and what is to be told of it ("" for nothing).

        Parameters
        ----------
        lots : (n,) array of polygons

        Notes
        -----
        It is the one that holds a point of the lot's inside (GEOS point on surface); of several,
        the smallest.
        """
        n, none = len(lots), len(self.names)
        if not none:
            return [None] * n, [""] * n
        tree = shapely.STRtree(shapely.point_on_surface(lots))
        place, lot = tree.query(self.shapes, predicate="covers")
        home = np.full(n, none)
        np.minimum.at(home, lot, place)
        names = [*self.names, None]
        return [names[k] for k in home], self._told(lots, home)

    def _told(self, lots: Any, home: Any) -> list[str]:
        tree = shapely.STRtree(lots)
        place, lot = tree.query(self.shapes, predicate="intersects")
        is_other = place != home[lot]
        place, lot = place[is_other], lot[is_other]
        shared = shapely.area(shapely.intersection(self.shapes[place], lots[lot]))
        share = shared / shapely.area(lots[lot])
        told: dict[int, list[str]] = {}
        for k, row, part in zip(place, lot, share, strict=True):
            if part > OTHER_FRAC:
                words = f"{100 * part:.0f} % of it lies in {self.names[k]}"
                told.setdefault(int(row), []).append(words)
        return ["; ".join(told.get(row, ())) for row in range(len(lots))]


def read_rules(
    run: Loading, places: Places
) -> tuple[dict[str, tuple[Any, ...]], tuple[InputFile, ...]]:
    """Local rule files: those that hold everywhere under "", the others by jurisdiction.

    Raises
    ------
    GeotrimError
        If a rule file does not read, or is named for a jurisdiction that there is not.
    """
    spec = run.spec
    everywhere, inputs = read_overlays(spec)
    overlays: dict[str, tuple[Any, ...]] = {"": everywhere}
    asked: Mapping[str, Any] = (spec.table("jurisdictions") or {}).get("overlays", {})
    for name, files in asked.items():
        at = ("jurisdictions", "overlays", name)
        known = list(dict.fromkeys(places.names))
        mend = "name it as the polygons do, in name_field"
        place = one_named(name, known, spec.where(*at), "jurisdiction", mend)
        if place in overlays:
            raise SiteFileError(
                spec.where(*at),
                f"rule files of {place!r} a second time",
                "one list for each jurisdiction",
                "put them into one",
            )
        overlays[place], more = read_rule_files(spec, files, *at, beside=everywhere)
        inputs = (*inputs, *more)
    bare = [name for name in dict.fromkeys(places.names) if name not in overlays]
    if bare and asked:
        text = f"no local rule file for {', '.join(bare[:6])}"
        text += f" and {len(bare) - 6} more" if len(bare) > 6 else ""
        run.notes.append(Note("jurisdictions", text, "info"))
    return overlays, inputs
