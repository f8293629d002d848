"""Screenings of small counties worked off in the process of the tests."""

from __future__ import annotations

from functools import partial
from pathlib import Path
from typing import Any
from unittest import mock

import pandas as pd
import pyarrow as pa

from geotrim.screen import plan, reading
from geotrim.screen.partition import run_partition
from geotrim.screen.screen_file import read_screen_file
from geotrim.screen.store import Store, read_table


def screened_lots(path: Path, out: Path) -> Any:
    """A whole screening with one worker, and its lots as they lie in the results."""
    from geotrim.screen.work import screen

    return pd.read_parquet(screen(path, out, workers=1).folder / "lots.parquet")


def screened(path: Path, folder: Path, per_partition: int | None = None) -> tuple[Any, Any, Store]:
    """Rows of lots and of crowns of a screening in file order, worked off in this process.

    Reading, planning and measuring only: nothing is gathered, drawn or removed.

    Parameters
    ----------
    path : Path
        The screen file.
    folder : Path
        For the working folder; new.
    per_partition : int, optional
        Lots in a partition.
    """
    store = Store(folder)
    cut = plan.partition_lots
    cut = cut if per_partition is None else partial(cut, per_partition=per_partition)
    with mock.patch.object(reading, "partition_lots", cut):
        read = reading.read_into(read_screen_file(path), store)
    n = plan.make_tasks(store, read.n_partitions)
    for k in range(n):
        run_partition(str(folder), k)
    tables = [[read_table(store.done(k, name)) for k in range(n)] for name in ("lots", "crowns")]
    lots, crowns = (pa.concat_tables(one).to_pandas() for one in tables)
    unfit = read_table(store.unfit_lots).to_pandas().assign(status="unfit")
    lots = pd.concat([lots, unfit]) if len(unfit) else lots
    return (
        lots.sort_values("lot_number", ignore_index=True),
        crowns.sort_values("crown_number", ignore_index=True),
        store,
    )
