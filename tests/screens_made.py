"""Working folders of invented screenings with a fixed seed: lots along a winding shore with canals.

Nothing is measured: figures are drawn by lot, so that what comes out of gathering can be held
against what went in. Ids, names and fields are odd on purpose.
"""

from __future__ import annotations

import atexit
import itertools
import json
import shutil
import tempfile
from dataclasses import dataclass, field
from functools import cache
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pyarrow as pa
import shapely
from pyproj import CRS

from geotrim.model import Note
from geotrim.report.screen_outlines import OutlinesSeen
from geotrim.report.screen_view import ScreenView
from geotrim.rules.rule_file import routes
from geotrim.screen.gather import gather
from geotrim.screen.gather_crowns import check_crowns, trees_told
from geotrim.screen.gather_rows import lot_order, lot_tables
from geotrim.screen.gather_sums import by_jurisdiction, by_route
from geotrim.screen.gather_view import view_of
from geotrim.screen.plan import partition_lots
from geotrim.screen.store import (
    CROWN_ROWS,
    CROWNS,
    JURISDICTIONS,
    LOTS,
    NOTES,
    UNFIT_LOTS,
    Common,
    Store,
    lot_rows_schema,
    route_column,
    write_pickle,
    write_table,
)

#: Ids that try to get out of where they stand, or are read as something else.
ODD_IDS = (
    "</script><script>window.broken=1</script>",
    '<img src=x onerror="window.broken=1">',
    "\N{GREEK SMALL LETTER OMEGA}-\N{SNOWMAN} \N{RIGHT-TO-LEFT OVERRIDE}lot",
    "=1+1",
    'a "quoted", id; with\nlines',
    "007",
    "]]>--><!--",
)
TOWNS = ("Heron Bay", "Port <b>Ibis</b>", "\N{LATIN CAPITAL LETTER N WITH TILDE}andu Key")
X0, Y0, WIDE, DEEP = 420_000.0, 1_200_000.0, 75.0, 120.0
FINDINGS = ("owner-height-before", "owner-depth", "owner-frontage", "not-a-rule")


@dataclass
class Made:
    """A working folder and what is in it, row by row in the order of the input."""

    store: Store
    reading: SimpleNamespace
    lots: pd.DataFrame
    crowns: pd.DataFrame
    fields: list[dict] = field(default_factory=list)


@cache
def gathered_screening() -> SimpleNamespace:
    """A screening of 300 lots and all that is gathered of it, made once; nobody may write there.

    made : what went in; folder : what came out; done : what was told of it; said : its stages.
    """
    above = Path(tempfile.mkdtemp(prefix="geotrim_screens_"))
    atexit.register(shutil.rmtree, above, ignore_errors=True)
    made, folder, said = make_screening(above / "work"), above / "out", list[str]()
    folder.mkdir()
    done = gather(made.store, folder, made.reading, memory_mb=500, progress=said.append)
    return SimpleNamespace(made=made, folder=folder, done=done, said=said)


def view_of_made(made: Made) -> ScreenView:
    """What map and page are made from."""
    order = lot_order(made.store, made.reading.n_partitions)
    table = pa.concat_tables(lot_tables(made.store, order, most_bytes=10**9))
    seen = OutlinesSeen(made.store.read_common().crs_wkt, len(table))
    seen.add(shapely.from_wkb(table["geometry"].to_pylist()))
    table = table.drop_columns(["geometry"])
    check = check_crowns(made.store, made.reading.n_partitions, has_input=True)
    trees = trees_told(made.store, made.reading.n_partitions, check)
    sums = {
        "summary_by_jurisdiction": by_jurisdiction(table),
        "summary_by_route": by_route(table, trees),
    }
    return view_of(made.store, made.store.read_common(), table, seen.outlines(), 9, sums)


def make_screening(
    folder: Path, n_lots: int = 300, crowns_per_lot: int = 3, seed: int = 7, per_partition: int = 64
) -> Made:
    """Fill a working folder as reading and the partitions would."""
    rng = np.random.default_rng(seed)
    store = Store(folder)
    folder.mkdir(parents=True)
    shapes, is_shore = _shapes(n_lots)
    fields = [_fields(k, rng) for k in range(n_lots)]
    rows = [_lot(k, shapes[k], bool(is_shore[k]), fields[k], rng) for k in range(n_lots)]
    lots = pd.DataFrame(rows)
    unfit = lots["status"] == "unfit"
    fit = np.flatnonzero(~unfit)
    points = shapely.get_coordinates(shapely.centroid(shapes[fit]))
    order = partition_lots(points, per_partition=per_partition)
    parts = [fit[rows] for rows in np.split(order.rows, order.starts[1:-1])]
    crowns = _crowns(lots, shapes, parts, crowns_per_lot, rng)
    _write(store, lots, parts, crowns, shapes)
    reading = SimpleNamespace(
        n_lots=n_lots,
        n_fit=len(fit),
        n_unfit=int(unfit.sum()),
        n_crowns=len(crowns),
        n_partitions=len(parts),
        inputs=(),
        notes=(Note("lots", "3 rings were turned", "repaired"),),
        jurisdictions=TOWNS,
        key={},
    )
    return Made(store, reading, lots, crowns, fields)


def shore_at(x: np.ndarray) -> np.ndarray:
    """How far north the shore lies, winding. [map units]."""
    return Y0 + 260 * np.sin(x / 900.0) + 70 * np.sin(x / 210.0)


def _shapes(n: int) -> tuple[np.ndarray, np.ndarray]:
    """Lots in rows behind the shore; every ninth gap is a canal with nothing on it."""
    wide = max(int(np.ceil(n / 3)), 1)
    column, row = np.arange(n) % wide, np.arange(n) // wide
    west = column * WIDE + 25.0 * (column // 9)
    east = west + WIDE
    out = []
    for x0, x1, back in zip(west, east, row * DEEP, strict=True):
        x = np.array([x0, (x0 + x1) / 2, x1])
        front = shore_at(x) - back
        ring = [*zip(x, front, strict=True), *zip(x[::-1], front[::-1] - DEEP, strict=True)]
        out.append(shapely.Polygon([(X0 + a, b) for a, b in ring]))
    shapes = np.array(out, dtype=object)
    if n > 20:  # a lot in two parts, one with a hole
        far = shapely.transform(shapes[20], lambda xy: xy - [0.0, 700.0])
        hole = shapes[11].centroid.buffer(12.0)
        shapes[20] = shapely.MultiPolygon([shapes[20], far])
        shapes[11] = shapes[11].difference(hole)
    return shapes, row == 0


def _fields(k: int, rng: np.random.Generator) -> dict:
    out = {"OWNER": f"Owner & <i>{k}</i>", "STATUS": int(rng.integers(9)), "fid": k * 2}
    out |= {"acres": round(float(rng.uniform(0.1, 2.0)), 3) if k % 7 else None}
    if k % 5 == 0:
        out |= {"is rented": bool(k % 2), "mixed": k if k % 10 else "none"}
    return out


def _lot(k: int, shape, is_shore: bool, fields: dict, rng: np.random.Generator) -> dict:
    lot_id = ODD_IDS[k] if k < len(ODD_IDS) else f"L-{k:05d}"
    row = dict.fromkeys(lot_rows_schema().names)
    row |= {"lot_number": k, "lot_id": lot_id, "fields": json.dumps(fields), "wkb": shape.wkb}
    row |= {"is_reported": True}
    row |= {"jurisdiction": (*TOWNS, "")[int(rng.integers(4))], "fault": None}
    if k % 50 == 17:
        empty = None if k % 100 == 17 else shape.wkb
        row |= {"status": "unfit", "stand": "unfit", "fault": "crossing", "jurisdiction": None}
        return row | {"reason": "its edges cross <here>", "wkb": empty}
    if k % 90 == 31:
        return row | {
            "status": "failed",
            "stand": "failed",
            "reason": "no line could be drawn; measured anew",
        }
    if not is_shore:
        return row | {"status": "no shore", "reason": "no shore within reach", "n_crowns": 0,
                      "lot_area_ft2": shape.area, "frontage_length_ft": 0.0,
                      "stand": "no shore", "outcome_route": "no-mangrove",
                      "outcome_standing": "open", "findings_not_met": "owner-depth"}  # fmt: skip
    length = float(rng.uniform(40, 220))
    row |= {"status": "measured", "reason": "", "note": "narrow" if k % 11 == 0 else ""}
    for name in lot_rows_schema().names:
        if name.endswith(("_ft", "_ft2", "_ft3")):
            row[name] = float(rng.uniform(0, 300)) if rng.random() > 0.1 else np.nan
        elif name.startswith("n_"):
            row[name] = int(rng.integers(0, 30))
    ways = list(routes())
    stands = ("open", "depends", "other plan", "closed", "not cut")
    how = stands[int(rng.integers(5))]
    name = {"closed": "none", "not cut": "left-alone"}.get(how, ways[int(rng.integers(7))])
    row |= {"frontage_length_ft": length, "n_stretches": 1, "outcome_route": name}
    row |= _stand(k, rng)
    row |= {"outcome_standing": how, "outcome_words": f"Told for {row['n_crowns']} trees."}
    row |= {route_column(w): ("open", "depends", "closed")[int(rng.integers(3))] for w in ways[1:]}
    for verdict in ("not_met", "too_close", "unknown"):
        which = [f"{one} ({rng.integers(1, 30)})" for one in FINDINGS if rng.random() < 0.25]
        row[f"findings_{verdict}"] = ";".join(which)
    row |= {"height_classes": "2 under 6 ft; 3 over 10 ft", "share_band_frac": rng.random()}
    return row


def _stand(k: int, rng: np.random.Generator) -> dict:
    """How a lot stands, and what it is worth a visit for."""
    stand = ("open", "open in part", "depends", "other plan", "closed", "nothing to judge")[k % 6]
    out = {"stand": stand, "stand_words": f"told as {stand}"}
    out |= {"to_check": f"species unknown: {k}" if k % 3 == 0 else None}
    return out | {"unmet_duties": "cap of the general permit" if stand == "open in part" else ""}


def _crowns(lots, shapes, parts, per_lot, rng) -> pd.DataFrame:
    """Crowns by partition; numbers follow another order, as those of a file would."""
    places = [(k, lot) for k, rows in enumerate(parts) for lot in rows for _ in range(per_lot)]
    numbers = rng.permutation(len(places))
    out = []
    for number, (part, lot) in zip(numbers, places, strict=True):
        x, y = shapes[lot].centroid.x, shapes[lot].bounds[3]
        at = shapely.Point(x + rng.uniform(-30, 30), y + rng.uniform(-10, 10))
        row = dict.fromkeys(CROWN_ROWS.names)
        is_mine = lots["status"].iat[lot] == "measured"
        row |= {
            "partition": part,
            "crown_number": int(number),
            "crown_id": f"C{number}",
            "lot_number": int(lot) if is_mine else None,
            "lot_id": lots["lot_id"].iat[lot] if is_mine else None,
            "species": (None, "red", "<i>")[int(rng.integers(3))],
            "is_fringe": bool(rng.random() < 0.5),
            "top_height_ft": float(rng.uniform(3, 40)) if rng.random() > 0.1 else np.nan,
            "crown_area_ft2": 78.5,
            "outcome_route": _ways_of(number)[0] if is_mine else None,
            "outcome_standing": _ways_of(number)[1] if is_mine else None,
            "wkb": at.buffer(rng.uniform(4, 9), quad_segs=4).wkb,
        }
        out.append(row)
    return pd.DataFrame(out)


def _ways_of(number: int) -> tuple[str, str]:
    """What a tree is told by, and how that stands."""
    ways = (
        ("owner-exemption", "open"),
        ("no-mangrove", "open"),
        ("owner-exemption", "depends"),
        ("general-permit", "other plan"),
        ("none", "closed"),
    )
    return ways[int(number) % len(ways)]


def table_of(frame: pd.DataFrame, schema: pa.Schema) -> pa.Table:
    """Rows of a frame under a schema; whole numbers with gaps stay whole."""
    columns = []
    for one in schema:
        values = frame[one.name].tolist() if one.name in frame else [None] * len(frame)
        if not pa.types.is_floating(one.type):
            values = [None if v is None or v != v else v for v in values]
        if pa.types.is_integer(one.type):
            values = [None if v is None else int(v) for v in values]
        columns.append(pa.array(values, one.type))
    return pa.Table.from_arrays(columns, schema=schema)


def _write(store, lots, parts, crowns, shapes) -> None:
    write_table(store.unfit_lots, table_of(lots[lots["status"] == "unfit"], UNFIT_LOTS))
    write_table(store.lots, table_of(lots.iloc[np.concatenate(parts)], LOTS))
    for k, rows in enumerate(parts):
        mine = crowns[crowns["partition"] == k]
        write_table(store.crowns(k), table_of(mine.sort_values("crown_number"), CROWNS))
        write_table(store.done(k, "crowns"), table_of(mine, CROWN_ROWS))
        said = [("lot " + lots["lot_id"].iat[r], "no trunk is known", "assumed") for r in rows]
        said.append(("heights", "a cell in ten has no data", "missing"))
        notes = pd.DataFrame(said, columns=NOTES.names)
        write_table(store.done(k, "notes"), table_of(notes, NOTES))
        write_table(store.done(k), table_of(lots.iloc[rows], lot_rows_schema()))
        write_pickle(store.task(k), {"number": k})
    bounds = shapely.total_bounds(shapes)
    x = np.arange(-100.0, bounds[2] - X0 + 100.0, 20.0)
    line = np.column_stack([X0 + x, shore_at(x)])
    np.savez(store.lines, xy=np.vstack([line, line[:9] + 500.0]), starts=[0, len(x), len(x) + 9])
    cuts = np.linspace(bounds[0], bounds[2], len(TOWNS) + 1)
    boxes = [shapely.box(a, bounds[1], b, bounds[3] + 40).wkb for a, b in itertools.pairwise(cuts)]
    towns = pa.Table.from_arrays([pa.array(TOWNS), pa.array(boxes)], schema=JURISDICTIONS)
    write_table(store.jurisdictions, towns)
    crs = CRS.from_epsg(6438).to_wkt()
    store.write_common(Common("Heron <Shore>", crs, "survey", {}, {}, overlays={"": ()}))
