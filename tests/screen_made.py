"""Working folders of a screening made from a site in memory."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa
import shapely

from geotrim.model import Site
from geotrim.screen import plan
from geotrim.screen.store import CROWNS, LOTS, Common, Store, read_table, write_table


def working_folder(
    folder: Path,
    site: Site,
    per_partition: int,
    *,
    has_crowns: bool = True,
    jurisdiction: Sequence[str | None] | None = None,
    facts: Sequence[str | None] | None = None,
    overlays: Any = None,
) -> tuple[Store, int]:
    """What reading and planning would leave of a site, and the number of partitions."""
    folder.mkdir(parents=True)
    store = Store(folder)
    shapes = np.asarray(site.lots.geometry.array, dtype=object)
    points = shapely.get_coordinates(shapely.point_on_surface(shapes))
    order = plan.partition_lots(points, per_partition=per_partition)
    columns = {
        "lot_number": np.arange(len(shapes)),
        "lot_id": site.lots["lot_id"].astype(str).to_numpy(dtype=object),
        "jurisdiction": _or_none(jurisdiction, len(shapes)),
        "facts": _or_none(facts, len(shapes)),
        "is_reported": site.lots["is_measured"].to_numpy(dtype=bool),
        "fields": _or_none(None, len(shapes)),
        "note": _or_none(None, len(shapes)),
        "wkb": shapely.to_wkb(shapes),
    }
    write_table(store.lots, _table({k: v[order.rows] for k, v in columns.items()}, LOTS))
    lines = shapely.get_parts(np.asarray(site.mhw_line.geometry.array, dtype=object))
    xy, line = shapely.get_coordinates(lines, return_index=True)
    starts = np.searchsorted(line, np.arange(len(lines) + 1))
    np.savez(store.lines, xy=xy, starts=starts)
    if has_crowns:
        _write_crowns(store, site.crowns, order, points)
    names = [name for name in CROWNS.names if has_crowns and name in site.crowns.columns]
    common = Common(
        name=site.name,
        crs_wkt=site.crs.to_wkt(),
        mhw_origin=site.mhw_origin,
        mhw_facts=dict(site.mhw_facts),
        options=dict(site.options),
        heights=site.heights,
        has_crowns=has_crowns,
        crown_columns=tuple(names),
        channel=site.channel,
        mouth_line=site.mouth_line,
        exclusions=site.exclusions,
        setbacks=site.setbacks,
        set_aside=site.set_aside,
        facts={} if site.facts is None else site.facts.everywhere,
        overlays=overlays or {"": site.overlays},
    )
    store.write_common(common)
    plan.make_tasks(store, order.n_partitions)
    return store, order.n_partitions


def _write_crowns(store: Store, crowns: Any, order: Any, points: Any) -> None:
    shapes = np.asarray(crowns.geometry.array, dtype=object)
    centres = shapely.get_coordinates(shapely.centroid(shapes))
    home = plan.homes(order, points, centres)
    columns = {
        name: crowns[name].to_numpy(dtype=object) for name in CROWNS.names if name in crowns.columns
    }
    columns |= {"crown_number": np.arange(len(shapes)), "wkb": shapely.to_wkb(shapes)}
    for k in range(order.n_partitions):
        mine = {name: values[home == k] for name, values in columns.items()}
        write_table(store.crowns(k), _table(mine, CROWNS))


def _or_none(values: Sequence[Any] | None, n: int) -> Any:
    return np.array([*(values or [None] * n), None], dtype=object)[:-1]


def _table(columns: dict[str, Any], schema: pa.Schema) -> pa.Table:
    n = len(columns["wkb"])
    arrays = [
        pa.array(columns[field.name], field.type, from_pandas=True)
        if field.name in columns
        else pa.nulls(n, field.type)
        for field in schema
    ]
    return pa.Table.from_arrays(arrays, schema=schema)


def rows_of(store: Store, n_partitions: int, table: str = "lots") -> Any:
    """What all partitions found, in the order of the input."""
    key = "crown_number" if table == "crowns" else "lot_number"
    every = pa.concat_tables([read_table(store.done(k, table)) for k in range(n_partitions)])
    return every.to_pandas().sort_values(key, ignore_index=True)
