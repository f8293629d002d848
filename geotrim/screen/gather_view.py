"""What map, page and summary show of a screening, read from the working folder once."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
import pyarrow as pa
import shapely

from geotrim.report.screen_outlines import Outlines, OutlinesSeen
from geotrim.report.screen_stands import stand_codes
from geotrim.report.screen_view import ScreenView
from geotrim.rules.rule_file import Rule
from geotrim.rules.rule_set import rule_set
from geotrim.screen.gather_sums import jurisdictions_of
from geotrim.screen.store import Common, Store, lot_rows_schema, read_table


def view_of(
    store: Store,
    common: Common,
    lots: pa.Table,
    outlines: Outlines,
    n_crowns: int,
    sums: Mapping[str, Any],
) -> ScreenView:
    """Put together what is shown.

    Parameters
    ----------
    store : Store
    common : Common
    lots : Table
        All lots, without their shapes.
    outlines : Outlines
        Of the lots.
    n_crowns : int
    sums : mapping
        Name -> summary table.
    """
    ours = {*lot_rows_schema().names, "fault"}
    names, towns = _towns(store, common, outlines)
    return ScreenView(
        name=common.name,
        crs_wkt=common.crs_wkt,
        mhw_origin=common.mhw_origin,
        lots=lots,
        own_fields=tuple(name for name in lots.column_names if name not in ours),
        codes=stand_codes(lots["stand"].to_pylist()),
        places=jurisdictions_of(lots),
        outlines=outlines,
        shore=_on_grid(_shore(store), common, outlines),
        towns=towns,
        town_names=names,
        rules=_rules(common),
        n_crowns=n_crowns,
        has_crowns=common.has_crowns,
        has_heights=common.heights is not None,
        sums=sums,
    )


def _on_grid(shapes: Any, common: Common, like: Outlines) -> Outlines:
    seen = OutlinesSeen(common.crs_wkt, like.n_shapes)
    seen.add(shapes)
    return seen.outlines(like.origin)


def _shore(store: Store) -> Any:
    if not store.lines.exists():
        return np.empty(0, dtype=object)
    with np.load(store.lines) as read:
        xy, starts = read["xy"], read["starts"]
    lines = [shapely.LineString(part) for part in np.split(xy, starts[1:-1]) if len(part) > 1]
    return np.array(lines, dtype=object)


def _towns(store: Store, common: Common, like: Outlines) -> tuple[tuple[str, ...], Outlines]:
    if not store.jurisdictions.exists():
        return (), _on_grid(np.empty(0, dtype=object), common, like)
    table = read_table(store.jurisdictions)
    shapes = shapely.from_wkb(table["wkb"].to_numpy(zero_copy_only=False))
    return tuple(table["name"].to_pylist()), _on_grid(shapes, common, like)


def _rules(common: Common) -> dict[str, Mapping[str, Rule]]:
    """Rules in force in each jurisdiction; "" for lots in none."""
    everywhere = common.overlays.get("", ())
    return {
        "": rule_set(everywhere).rules,
        **{
            name: rule_set((*everywhere, *own)).rules
            for name, own in common.overlays.items()
            if name
        },
    }
