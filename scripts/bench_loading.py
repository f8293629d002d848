"""Time the way of crowns from a GeoPackage to arrays, with and without geometry objects.

Run it as ``python scripts/bench_loading.py`` (100,000 crowns) or with ``--quick``. The crowns are
those of ``bench_slices.py``, written to a temporary folder with a fixed seed and removed at the
end. In each round, one after the other:

table        geopandas.read_file, then arrays of its geometry objects
tuned table  the same through Arrow (``use_arrow=True``), the fastest a GeoDataFrame is to be had
ours         pyogrio's batches of Arrow, then arrays straight from their bytes; ids and the other
             columns are at hand in Arrow just the same

"Beyond reading" leaves out what all three have in common: reading the same batches and doing
nothing with them. Ratios are medians of the ratios of each round, by the clock and by processor
time, which other work on the machine disturbs less.
"""

from __future__ import annotations

import argparse
import shutil
import tempfile
from collections.abc import Callable
from pathlib import Path

import geopandas as gpd
import numpy as np
import pyogrio
from bench_slices import Watch, make_crowns

from geotrim.core.coverage import Rings, rings_of
from geotrim.core.wkb_rings import rings_of_wkb
from geotrim.io.wkb_columns import wkb_column


def by_table(path: Path) -> list[Rings]:
    return [rings_of(gpd.read_file(path).geometry.to_numpy())]


def by_tuned_table(path: Path) -> list[Rings]:
    return [rings_of(gpd.read_file(path, use_arrow=True).geometry.to_numpy())]


def ours(path: Path) -> list[Rings]:
    out = []
    with pyogrio.open_arrow(path, batch_size=65_536, use_pyarrow=True) as (meta, reader):
        name = meta["geometry_name"] or "wkb_geometry"
        for batch in reader:
            column = wkb_column(batch.column(name), "crowns")
            out.append(rings_of_wkb(column.data, column.offsets, is_null=column.is_null))
    return out


def reading(path: Path) -> list[Rings]:
    with pyogrio.open_arrow(path, batch_size=65_536, use_pyarrow=True) as (_, reader):
        for _batch in reader:
            pass
    return []


WAYS: dict[str, Callable[[Path], list[Rings]]] = {
    "table": by_table,
    "tuned table": by_tuned_table,
    "ours": ours,
    "reading": reading,
}


def check_same(one: list[Rings], other: list[Rings]) -> None:
    for name in ("xy", "is_hole"):
        parts = [np.concatenate([getattr(rings, name) for rings in some]) for some in (one, other)]
        np.testing.assert_array_equal(*parts)
    counts = [
        [np.concatenate([np.diff(getattr(r, name)) for r in some]) for some in (one, other)]
        for name in ("ring_offsets", "crown_offsets")
    ]
    for pair in counts:
        np.testing.assert_array_equal(*pair)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("--crowns", type=int, default=100_000)
    parser.add_argument("--rounds", type=int, default=5)
    parser.add_argument("--quick", action="store_true", help="2,000 crowns, once")
    parser.add_argument("--folder", type=Path, help="where to make the data (removed afterwards)")
    asked = parser.parse_args()
    if asked.quick:
        asked.crowns, asked.rounds = 2_000, 1
    n = asked.crowns
    folder = Path(tempfile.mkdtemp(prefix="bench-loading-", dir=asked.folder))
    try:
        path = folder / "crowns.gpkg"
        table = gpd.GeoDataFrame(
            {
                "crown_id": [f"c{i:07}" for i in range(n)],
                "species": np.tile(["red", "black", "white", None], n)[:n],
                "base_height_ft": np.linspace(0.0, 9.0, n),
            },
            geometry=make_crowns(n, np.random.default_rng(20)),
            crs="EPSG:6443",
        )
        pyogrio.write_dataframe(table, path)
        print(f"{n:,} crowns in a GeoPackage of {path.stat().st_size / 1e6:.0f} MB\n")
        report(path, asked.rounds)
    finally:
        shutil.rmtree(folder, ignore_errors=True)


def report(path: Path, n_rounds: int) -> None:
    ours(path)  # compile, and have the file in memory, outside the clock
    seconds: dict[str, list[np.ndarray]] = {name: [] for name in WAYS}
    for number in range(n_rounds):
        found = {}
        for name, way in WAYS.items():
            watch = Watch()
            found[name] = way(path)
            seconds[name].append(watch())
        check_same(found["table"], found["ours"])
        check_same(found["tuned table"], found["ours"])
        told = "  ".join(f"{name} {seconds[name][-1][0]:.3f} s" for name in WAYS)
        print(f"round {number + 1}: {told}")
    times = {name: np.array(seconds[name]) for name in WAYS}
    for k, kind in enumerate(("by the clock", "processor time")):
        plain, tuned, mine, base = (times[name][:, k] for name in WAYS)
        rows = [
            ("table / ours", plain / mine, "   (goal: at least 4)"),
            ("tuned table / ours", tuned / mine, ""),
            ("tuned table / ours, both beyond reading", (tuned - base) / (mine - base), ""),
        ]
        print(f"\n{kind}: " + ", ".join(f"{n} {np.median(times[n][:, k]):.3f} s" for n in WAYS))
        for name, ratios, goal in rows:
            print(f"  {name:46s} {np.median(ratios):6.2f}{goal}")


if __name__ == "__main__":
    main()
