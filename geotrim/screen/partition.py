"""One partition of a screening: the same operations as for one lot, and rows of what they found.

What comes out hangs on the working folder alone, to the last bit: not on who works the partition
off, nor on what was worked off before.
"""

from __future__ import annotations

import json
import time
import traceback
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from datetime import date
from functools import lru_cache
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import pandas as pd
import pyarrow as pa
import shapely
from pyproj import CRS

from geotrim.core.block_cache import BlockCache
from geotrim.errors import FileError, GeotrimError
from geotrim.model import Facts, Note, Result, Setback, Site
from geotrim.ops.canopy import heights_and_slices
from geotrim.ops.catalogue import HEIGHTS, ROUTE, SLICES
from geotrim.ops.chain import params_of, run_operation
from geotrim.ops.route_brief import route_brief
from geotrim.ops.setback_flags import draw_strips
from geotrim.rules.facts import facts
from geotrim.screen.draft import COLUMNS, NOTE, drafted
from geotrim.screen.partition_rows import Found, crown_rows, lot_rows, note_rows
from geotrim.screen.plan import bounds_of_shapes, meets, reaches
from geotrim.screen.state import check_same_work, state_text
from geotrim.screen.store import (
    CROWNS,
    Common,
    Store,
    Task,
    read_pickle,
    read_rows,
    read_table,
    write_table,
)

NO_HEIGHTS = Note(
    "heights",
    "none given: no tree's height is known, so every way that asks for one depends on it at best",
    "missing",
)
#: Where this many lots, one after another, break the operations alone, none of them is to blame.
TRIED_FIRST = 5
Flags = npt.NDArray[np.bool_]


def run_partition(folder: str, number: int) -> dict[str, float]:
    """Work one partition off and leave what it found in the working folder.

    Parameters
    ----------
    folder : str
        The working folder.
    number : int
        Of the partition.

    Returns
    -------
    dict
        ``n_lots``, ``n_crowns``, and ``cpu_s``: seconds of processor time.

    Raises
    ------
    GeotrimError
        If what all lots share cannot be read: a truncated tile, a full disk. Trouble with one lot
        is a row of that lot.
    """
    started = time.thread_time()
    store = Store(Path(folder))
    begun = state_text(store)
    task: Task = read_pickle(store.task(number))
    common = _common(folder, (store.folder / "common.pickle").stat().st_mtime_ns)
    given = Given.of(store, task, common)
    found = measured(given, common)
    crowns, lots = crown_rows(given, found), lot_rows(given, found)
    rows = {"crowns": crowns, "notes": note_rows(found.notes), "lots": lots}
    for name, table in rows.items():  # lots last: they say that all is there
        check_same_work(store, begun)
        write_table(store.done(number, name), table)
    cpu_s = time.thread_time() - started
    return {"n_lots": lots.num_rows, "n_crowns": crowns.num_rows, "cpu_s": cpu_s}


@lru_cache(maxsize=2)
def _common(folder: str, _written_ns: int) -> Common:
    """What all partitions share, read once by each process; blocks of heights are kept for a while.

    A block that two partitions look at is then decoded once, as long as one follows the other.
    """
    common = Store(Path(folder)).read_common()
    if common.heights is None:
        return common
    return replace(common, heights=BlockCache(common.heights, common.cache_mb * 1_000_000))


@dataclass(frozen=True, slots=True, eq=False)
class Given:
    """What a partition looks at, in the site's CRS.

    lots : own lots, those near and those beside, in file order: ``lot_number``, ``lot_id`` (made
        different where ids repeat), ``is_own`` (gets a row here), ``is_measured`` (these and those
        near that get a row elsewhere), ``jurisdiction``, ``facts``, ``fields``, ``note``, and
        polygons.
    crowns : crowns that may stand at the own lots, and those at home here: ``crown_number``,
        ``crown_id`` (likewise), ``is_home``, further columns, and polygons.
    reach : how far from a lot its trees may stand. [map units]
    """

    lots: Any
    crowns: Any
    trunks: Any
    mhw_line: Any
    reach: float

    @classmethod
    def of(cls, store: Store, task: Task, common: Common) -> Given:
        crs = CRS.from_wkt(common.crs_wkt)
        own = np.arange(*task.own)
        rows = np.concatenate([own, task.near, task.beside]).astype(np.int64)
        table = read_rows(store.lots, rows)
        lots = _shapes(table, crs)
        is_here = np.arange(len(lots)) < own.size
        is_told = lots["is_reported"].to_numpy(dtype=bool)
        lots["is_own"] = is_here & is_told
        lots["is_front"] = np.isin(rows, task.front)
        lots["is_measured"] = (np.arange(len(lots)) < own.size + len(task.near)) & is_told
        lots = lots.sort_values("lot_number", ignore_index=True)
        lots["name"] = lots["lot_id"]
        lots["lot_id"] = told_apart(lots["lot_id"], lots["lot_number"])
        with np.load(store.shore(task.number)) as read:
            line = [shapely.LineString(part) for part in _split(read["xy"], read["starts"])]
        shore = gpd.GeoDataFrame(geometry=line, crs=crs)
        crowns = _crowns(store, task, lots, crs)
        return cls(lots, crowns, _trunks(crowns, common, crs), shore, task.reach)

    def without(self, lost: Iterable[int]) -> Given:
        """The same without some lots, by their numbers."""
        keep = ~self.lots["lot_number"].isin(list(lost)).to_numpy()
        return replace(self, lots=self.lots[keep].reset_index(drop=True))


def told_apart(ids: Any, numbers: Any) -> list[str]:
    """Ids, with the number of the row behind those that come more than once.

    Examples
    --------
    >>> told_apart(pd.Series(["A", "B", "A"]), pd.Series([3, 4, 9]))
    ['A (row 4)', 'B', 'A (row 10)']
    """
    again = ids.duplicated(keep=False)
    return [
        f"{name} (row {number + 1})" if is_again else str(name)
        for name, number, is_again in zip(ids, numbers, again, strict=True)
    ]


def _shapes(table: pa.Table, crs: CRS) -> Any:
    """An Arrow table with WKB as a GeoDataFrame; what is unknown is None or NaN."""
    columns = {
        field.name: _values(table[field.name]) for field in table.schema if field.name != "wkb"
    }
    frame = pd.DataFrame(columns, columns=list(columns))
    shapes = shapely.from_wkb(table["wkb"].to_numpy(zero_copy_only=False))
    return gpd.GeoDataFrame(frame, geometry=shapes, crs=crs)


def _values(column: pa.ChunkedArray) -> Any:
    """Numbers as an array; text and flags one by one, since they may be None."""
    if pa.types.is_floating(column.type) or pa.types.is_integer(column.type):
        return column.to_numpy()
    return pd.Series(column.to_pylist(), dtype=object)  # text would be a kind that has no None


def _split(xy: Any, starts: Any) -> list[Any]:
    return np.split(xy, starts[1:-1]) if len(starts) > 1 else []


def _crowns(store: Store, task: Task, lots: Any, crs: CRS) -> Any:
    """Crowns at home in the partition, and those of others that may stand at its lots."""
    parts = []
    for number in task.crown_files:
        path = store.crowns(number)
        if not path.exists():
            continue
        table = read_table(path)
        is_home = number == task.number
        if not is_home:  # most of them stand elsewhere: a look at the bytes tells
            table = table.filter(pa.array(_may_stand_at(bounds_of_shapes(table), lots, task)))
        parts.append(table.append_column("is_home", pa.array(np.full(len(table), is_home))))
    if not parts:
        empty = _shapes(CROWNS.empty_table(), crs)
        return empty.assign(name=empty["crown_id"], is_home=np.empty(0, dtype=bool))
    every = pa.concat_tables(parts).sort_by("crown_number")
    crowns = _shapes(every, crs)
    crowns["is_home"] = crowns["is_home"].astype(bool)
    crowns["name"] = crowns["crown_id"]
    crowns["crown_id"] = told_apart(crowns["crown_id"], crowns["crown_number"])
    return crowns


def _may_stand_at(bounds: Any, lots: Any, task: Task) -> Flags:
    """Which crowns, by their boxes, may stand on own lots or in the water before them."""
    at = np.flatnonzero(meets(bounds, task.bounds))
    tree = shapely.STRtree(shapely.box(*bounds[at].T))
    shapes = np.asarray(lots.geometry.array, dtype=object)
    own, front = (lots[name].to_numpy(dtype=bool) for name in ("is_own", "is_front"))
    found = [
        tree.query(shapes[own & front], predicate="dwithin", distance=task.reach)[1],
        tree.query(shapes[own & ~front], predicate="intersects")[1],
    ]
    out = np.zeros(len(bounds), dtype=bool)
    out[at[np.unique(np.concatenate(found))]] = True
    return out


def _trunks(crowns: Any, common: Common, crs: CRS) -> Any:
    if not common.has_trunks or not len(crowns):
        return None
    known = crowns["trunk_x"].notna()
    points = gpd.points_from_xy(crowns.loc[known, "trunk_x"], crowns.loc[known, "trunk_y"])
    return gpd.GeoDataFrame({"crown_id": crowns.loc[known, "crown_id"]}, geometry=points, crs=crs)


def measured(given: Given, common: Common) -> Found:
    """Run the operations; lots that break them are taken out, and told as failed."""
    try:
        return _measured(given, common)
    except (FileError, MemoryError):
        raise  # what all lots share
    except Exception:
        failed = _culprits(given, common)
        if not failed or len(failed) == int(given.lots["is_measured"].sum()):
            raise  # no lot's own fault
    return replace(_measured(given.without(failed), common), failed=failed)


def _culprits(given: Given, common: Common) -> dict[int, str]:
    """Lots that cannot be measured even alone, with what they break by."""
    failed: dict[int, str] = {}
    for n_tried, number in enumerate(given.lots.loc[given.lots["is_measured"], "lot_number"]):
        if n_tried == len(failed) == TRIED_FIRST:
            return {}  # no lot's own fault
        others = set(given.lots["lot_number"]) - {number}
        alone = given.without(others)
        try:
            _measured(alone, common)
        except GeotrimError as error:
            failed[int(number)] = str(error)
        except Exception as error:  # a bug of ours is a row too; the rest goes on
            last = traceback.extract_tb(error.__traceback__)[-1]
            place = f"{Path(last.filename).name}, line {last.lineno}"
            failed[int(number)] = f"a fault of geotrim: {type(error).__name__}: {error} ({place})"
    return failed


def _measured(given: Given, common: Common) -> Found:
    """All operations of a screening, in the order of a run."""
    lots, crowns = given.lots, given.crowns
    site = _site(given, common)
    results: dict[str, Result] = {}
    for name in ("frontage", "riparian-lines"):
        results[name] = run_operation(name, site, results)
    if not common.has_crowns and common.heights is not None:
        water = reaches(common)[1]
        measured_lots = site.lots[site.lots["is_measured"].to_numpy(dtype=bool)]
        try:
            crowns = drafted(common.heights, measured_lots, results["frontage"], water)
        except GeotrimError as error:  # what is wrong with the heights is wrong for all lots
            raise FileError(error.subject, error.found, error.need, error.mend) from error
        site = replace(site, crowns=crowns[[*COLUMNS, "geometry"]])
    results["fringe"] = run_operation("fringe", site, results)
    places = results["fringe"]["fringe_crowns"]
    own_ids = set(lots.loc[lots["is_own"], "lot_id"])
    is_own = places["lot_id"].isin(own_ids).to_numpy()
    is_lost = places["lot_id"].isna().to_numpy() & crowns["is_home"].to_numpy(dtype=bool)
    told = crowns[is_own | is_lost].assign(is_own=is_own[is_own | is_lost])
    told = told.reset_index(drop=True)
    site = replace(
        site,
        setbacks=_drawn(site, results),
        lots=lots[["lot_id", "geometry"]].assign(is_measured=lots["is_own"].to_numpy(dtype=bool)),
        crowns=told[list(site.crowns.columns)],
    )
    notes = [note for result in results.values() for note in result.notes]
    notes += [] if common.has_crowns else [NOTE]
    if common.heights is not None:
        params = params_of((HEIGHTS, SLICES))
        asked = {name: common.options[name] for name in params if name in common.options}
        both = heights_and_slices(site.crowns, common.heights, **asked)
        results |= dict(zip(("heights", "slices"), both, strict=True))
    results["zone"] = run_operation("zone", site, results)
    results["setbacks"] = run_operation("setbacks", _with_crowns_past(site, results), results)
    judged = _judged(site, given, common, results)
    later = [results[name] for name in ("heights", "slices", "zone", "setbacks") if name in results]
    notes += [note for result in [*later, *judged] for note in result.notes]
    notes += [] if common.heights is not None else [NO_HEIGHTS]
    excluded = _excluded(site)
    return Found(results, tuple(judged), told, tuple(dict.fromkeys(notes)), excluded)


def _excluded(site: Site) -> frozenset[str]:
    """Ids of crowns in an exclusion, by their trunk where it is known, else by their centre."""
    if site.exclusions is None or not len(site.crowns):
        return frozenset()
    points = shapely.centroid(np.asarray(site.crowns.geometry.array, dtype=object))
    if site.trunks is not None:
        known = dict(zip(site.trunks["crown_id"], site.trunks.geometry.array, strict=True))
        ids = site.crowns["crown_id"]
        points = np.array([known.get(i, at) for i, at in zip(ids, points, strict=True)])
    tree = shapely.STRtree(points)
    inside = tree.query(np.asarray(site.exclusions.geometry.array), predicate="intersects")[1]
    return frozenset(site.crowns["crown_id"].iloc[np.unique(inside)])


def _drawn(site: Site, results: Mapping[str, Result]) -> tuple[Setback, ...]:
    """Setbacks from side lines as lines of their own: those of lots near by count as well."""
    out = []
    for one in site.setbacks:
        if one.reference == "lot-lines":
            (strip,), _ = draw_strips(
                site.lots,
                site.mhw_line,
                results["frontage"],
                results["riparian-lines"],
                site.channel,
                None,
                (one,),
            )
            one = Setback(one.name, "file", one.distance_ft, one.source, strip.reference)
        out.append(one)
    return tuple(out)


def _with_crowns_past(site: Site, results: Mapping[str, Result]) -> Site:
    """The site with those crowns alone that meet a setback: only that is told of them."""
    strips, _ = draw_strips(
        site.lots,
        site.mhw_line,
        results["frontage"],
        results["riparian-lines"],
        site.channel,
        site.exclusions,
        site.setbacks,
    )
    parts = shapely.get_parts(np.array([strip.shape for strip in strips], dtype=object))
    tree = shapely.STRtree(np.asarray(site.crowns.geometry.array, dtype=object))
    meets = np.unique(tree.query(parts, predicate="intersects")[1])
    return replace(site, crowns=site.crowns.iloc[meets].reset_index(drop=True))


def _site(given: Given, common: Common) -> Site:
    lots = given.lots[["lot_id", "is_measured", "geometry"]]
    near = _all_round(given, common)
    return Site(
        name=common.name,
        crs=lots.crs,
        lots=lots,
        mhw_line=given.mhw_line,
        mhw_origin=common.mhw_origin,
        mhw_facts=common.mhw_facts,
        crowns=_canopies(given.crowns, common),
        trunks=given.trunks,
        heights=common.heights,
        channel=common.channel,
        mouth_line=common.mouth_line,
        exclusions=_near(common.exclusions, near),
        setbacks=common.setbacks,
        set_aside=_near(common.set_aside, near),
        trunks_rmse_ft=common.trunks_rmse_ft,
        options=common.options,
    )


def _all_round(given: Given, common: Common) -> tuple[float, float, float, float]:
    """Bounds of all that a lot's figures can hang on: lots, shore, the water before it, crowns."""
    tables = [given.lots, given.mhw_line, given.crowns]
    bounds = np.array([table.total_bounds for table in tables if len(table)])
    far = given.reach + max((s.distance_ft for s in common.setbacks), default=0.0)
    low, high = bounds[:, :2].min(axis=0) - far, bounds[:, 2:].max(axis=0) + far
    return float(low[0]), float(low[1]), float(high[0]), float(high[1])


def _canopies(crowns: Any, common: Common) -> Any:
    """Crowns with the columns that the input had."""
    return crowns[[*common.crown_columns, "geometry"]]


def _near(table: Any, box: tuple[float, float, float, float]) -> Any:
    """Rows of a table of polygons that meet a box; None where there is no table."""
    if table is None:
        return None
    keep = meets(shapely.bounds(np.asarray(table.geometry.array, dtype=object)), box)
    return table[keep].reset_index(drop=True) if keep.any() else None


def _judged(
    site: Site, given: Given, common: Common, results: Mapping[str, Result]
) -> list[Result]:
    """The rules, under the local rule files of each jurisdiction."""
    own = given.lots[given.lots["is_own"].to_numpy(dtype=bool)]
    names = {param.name for param in ROUTE.params}
    asked = {name: value for name, value in site.options.items() if name in names}
    places = results["fringe"]["fringe_crowns"].set_index("crown_id")["lot_id"]
    lot_of = places.reindex(site.crowns["crown_id"]).to_numpy(dtype=object)
    out = []
    for place, rows in own.groupby([name or "" for name in own["jurisdiction"]], sort=True):
        mine = set(rows["lot_id"])
        lots = site.lots.assign(is_measured=[lot in mine for lot in site.lots["lot_id"]])
        by_lot = {
            lot: dict_of_facts(text)
            for lot, text in zip(rows["lot_id"], rows["facts"], strict=True)
            if text
        }
        local = common.overlays.get(str(place), ()) if place else ()
        out.append(
            route_brief(
                lots,
                site.mhw_line,
                results["frontage"],
                riparian_lines=results["riparian-lines"],
                fringe=results["fringe"],
                heights=results.get("heights"),
                slices=results.get("slices"),
                crowns=site.crowns[pd.Series(lot_of).isin(mine).to_numpy()].reset_index(drop=True),
                trunks=site.trunks,
                trunks_rmse_ft=site.trunks_rmse_ft,
                mhw_facts=site.mhw_facts,
                mhw_origin=site.mhw_origin,
                set_aside=site.set_aside,
                exclusions=site.exclusions,
                facts=Facts(common.facts, by_lot),
                overlays=(*common.overlays.get("", ()), *local),
                **asked,
            )
        )
    return out


def dict_of_facts(text: str) -> dict[str, Any]:
    """Facts of one lot from JSON, in which a date is text.

    Examples
    --------
    >>> dict_of_facts('{"n_units": 4, "start_date": "2027-01-15"}')
    {'n_units': 4, 'start_date': datetime.date(2027, 1, 15)}
    """
    return {
        name: date.fromisoformat(value) if facts()[name].kind == "date" else value
        for name, value in json.loads(text).items()
    }
