"""The working folder of a screening: what reading leaves for the partitions, and they for the end.

    NAME.unfinished/
      state.json            what the work is about (inputs, options, versions), and how far it is
      common.pickle         what all partitions share: a :class:`Common`
      lots.arrow            lots fit to measure, partition by partition, in file order within each
      unfit_lots.arrow      lots that cannot be measured, each with its reason
      jurisdictions.arrow   outlines of the jurisdictions, for the map; only where there are any
      lines.npz             the shore: ``xy`` (v, 2), and ``starts`` of its lines with the end
      shore/00012.npz       the part of it near the lots of partition 12, likewise
      crowns/00012.arrow    crowns that are at home in partition 12, in file order
      tasks/00012.pickle    a :class:`Task`
      done/00012.arrow ...  what partition 12 found; there only when it is whole

Arrow IPC files are written in batches of ``BATCH_ROWS``, so that a range of rows is read without
the rest. Every file is written aside and renamed. Coordinates are in the site's CRS.
"""

from __future__ import annotations

import pickle
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import pyarrow as pa

from geotrim.io.aside import new_file
from geotrim.model import HeightSource, Setback
from geotrim.rules.outcome import OUTSIDE
from geotrim.rules.rule_file import routes

BATCH_ROWS = 1024

#: Lots fit to measure. ``lot_number`` counts the rows of the input from 0 and tells lots apart
#: whatever their ids; ``facts`` is JSON, what the lot's own fields say of it; ``note`` is what was
#: mended in it; a lot with ``is_reported`` False is a neighbour: it takes its share of the shore,
#: and gets no row and no tree.
LOTS = pa.schema(
    [
        ("lot_number", pa.int64()),
        ("lot_id", pa.string()),
        ("is_reported", pa.bool_()),
        ("jurisdiction", pa.string()),
        ("facts", pa.string()),
        ("fields", pa.string()),
        ("note", pa.string()),
        ("wkb", pa.binary()),
    ]
)
#: Lots that cannot be measured: ``reason`` in plain words, ``fault`` a short name of its kind;
#: ``wkb`` is null where there is no shape that could be drawn.
UNFIT_LOTS = pa.schema(
    [
        ("lot_number", pa.int64()),
        ("lot_id", pa.string()),
        ("fields", pa.string()),
        ("fault", pa.string()),
        ("reason", pa.string()),
        ("wkb", pa.binary()),
    ]
)
#: Jurisdictions as the input draws them, in the site's CRS; a name may come more than once.
JURISDICTIONS = pa.schema([("name", pa.string()), ("wkb", pa.binary())])
#: Crowns; NaN and null are unknown, as in :mod:`geotrim.model`.
CROWNS = pa.schema(
    [
        ("crown_number", pa.int64()),
        ("crown_id", pa.string()),
        ("species", pa.string()),
        ("base_height_ft", pa.float64()),
        ("field_height_ft", pa.float64()),
        ("field_height_error_ft", pa.float64()),
        ("target_height_ft", pa.float64()),
        ("is_to_trim", pa.bool_()),
        ("keep", pa.string()),
        ("trunk_x", pa.float64()),
        ("trunk_y", pa.float64()),
        ("wkb", pa.binary()),
    ]
)


@dataclass(frozen=True, slots=True, eq=False)
class Common:
    """What is the same for all partitions.

    crs_wkt : of the site; all coordinates of the working folder are in it.
    overlays : jurisdiction -> its local rule files; key "" holds those of lots in none.
    facts : what holds for every lot; a lot's own facts go before it.
    has_crowns : False where crowns are to be drafted from the heights.
    crown_columns : columns of ``CROWNS`` that the input really has; the others are left out of the
        tables that operations get.
    has_trunks : some crowns have a trunk of their own.
    cache_mb : decoded heights that a process keeps at most. [MB]
    """

    name: str
    crs_wkt: str
    mhw_origin: str
    mhw_facts: Mapping[str, Any]
    options: Mapping[str, Any]
    heights: HeightSource | None = None
    cache_mb: int = 60
    has_crowns: bool = True
    crown_columns: tuple[str, ...] = ("crown_id", "species", "base_height_ft")
    has_trunks: bool = False
    trunks_rmse_ft: float | None = None
    channel: Any = None
    mouth_line: Any = None
    exclusions: Any = None
    setbacks: tuple[Setback, ...] = ()
    set_aside: Any = None
    facts: Mapping[str, Any] = field(default_factory=dict)
    overlays: Mapping[str, tuple[Any, ...]] = field(default_factory=dict)


@dataclass(frozen=True, slots=True, eq=False)
class Task:
    """One partition: paths and rows, no data.

    own : first row of ``lots.arrow`` to report, and the one after the last.
    front : rows of own lots that may have a shore.
    near : rows of lots that are measured along with them, because trees or water may be theirs.
    beside : rows of lots that only take their share of the shore.
    crown_files : partitions whose crowns may stand at these lots, this one among them.
    bounds : west, south, east, north of all that matters to the lots to report. [map units]
    reach : how far from such a lot its trees may stand. [map units]
    """

    number: int
    own: tuple[int, int]
    front: tuple[int, ...]
    near: tuple[int, ...]
    beside: tuple[int, ...]
    crown_files: tuple[int, ...]
    bounds: tuple[float, float, float, float]
    reach: float


@dataclass(frozen=True, slots=True)
class Store:
    """Paths in the working folder, and how its files are read and written."""

    folder: Path

    @property
    def state(self) -> Path:
        return self.folder / "state.json"

    @property
    def lots(self) -> Path:
        return self.folder / "lots.arrow"

    @property
    def unfit_lots(self) -> Path:
        return self.folder / "unfit_lots.arrow"

    @property
    def jurisdictions(self) -> Path:
        return self.folder / "jurisdictions.arrow"

    @property
    def lines(self) -> Path:
        return self.folder / "lines.npz"

    def shore(self, partition: int) -> Path:
        """The shore near one partition's lots, as ``lines`` holds all of it."""
        return self.folder / "shore" / f"{partition:05d}.npz"

    def crowns(self, partition: int) -> Path:
        return self.folder / "crowns" / f"{partition:05d}.arrow"

    def task(self, partition: int) -> Path:
        return self.folder / "tasks" / f"{partition:05d}.pickle"

    def done(self, partition: int, table: str = "lots") -> Path:
        """What a partition found: tables ``crowns``, ``notes`` and, written last, ``lots``."""
        return self.folder / "done" / f"{partition:05d}.{table}.arrow"

    def write_common(self, common: Common) -> None:
        write_pickle(self.folder / "common.pickle", common)

    def read_common(self) -> Common:
        found: Common = read_pickle(self.folder / "common.pickle")
        return found


def write_pickle(path: Path, value: Any) -> None:
    path.parent.mkdir(parents=True, exist_ok=True)
    with new_file(path) as aside:
        aside.write_bytes(pickle.dumps(value, protocol=5))


def read_pickle(path: Path) -> Any:
    """A value this program wrote into its own working folder."""
    return pickle.loads(path.read_bytes())


def write_table(path: Path, table: pa.Table) -> None:
    """Write a table as an Arrow IPC file, aside and renamed."""
    path.parent.mkdir(parents=True, exist_ok=True)
    with (
        new_file(path) as aside,
        pa.OSFile(str(aside), "wb") as sink,
        pa.ipc.new_file(sink, table.schema) as writer,
    ):
        writer.write_table(table.combine_chunks(), max_chunksize=BATCH_ROWS)


def read_table(path: Path) -> pa.Table:
    """All of an Arrow IPC file."""
    with pa.OSFile(str(path), "rb") as source:
        return pa.ipc.open_file(source).read_all()


def read_batches(path: Path) -> Iterator[pa.RecordBatch]:
    """The batches of an Arrow IPC file, one after another."""
    with pa.OSFile(str(path), "rb") as source:
        reader = pa.ipc.open_file(source)
        for number in range(reader.num_record_batches):
            yield reader.get_batch(number)


def read_rows(path: Path, rows: Sequence[int] | npt.NDArray[np.int64]) -> pa.Table:
    """Some rows of an Arrow IPC file in the order asked for; other batches are not read.

    Parameters
    ----------
    path : Path
        Written by :func:`write_table`: every batch but the last has ``BATCH_ROWS`` rows.
    rows : (n,) whole numbers
    """
    asked = np.asarray(rows, dtype=np.int64)
    with pa.OSFile(str(path), "rb") as source:
        reader = pa.ipc.open_file(source)
        batches = np.unique(asked // BATCH_ROWS)
        read = [reader.get_batch(int(b)) for b in batches]
        table = pa.Table.from_batches(read, reader.schema)
    at = np.searchsorted(batches, asked // BATCH_ROWS) * BATCH_ROWS + asked % BATCH_ROWS
    return table.take(pa.array(at))


#: A lot a row of what a partition found, before and after the columns of routes. ``status``:
#: ``measured``, ``no shore``, ``failed``, and from reading ``unfit``; ``reason`` says why. Verdicts
#: are unknown where a lot is not ``measured``: without a shore nothing is judged.
#: ``n_unseen``: crowns of which the heights show nothing. ``to_find_out``: what is not known and
#: would settle what depends, ``to_check``: what a look at the place would settle, both in words.
#: ``stand``: how the lot stands, a key of :data:`geotrim.report.screen_stands.STANDS`, worked out
#: from the mangroves that the plan cuts (trees that may be mangroves among them) and from
#: ``unmet_duties``, what is surely not met as planned; ``stand_words`` says why. Plants outside the
#: act count in ``n_other_plants`` alone. ``n_mangroves_*``: mangroves that the plan cuts, by how
#: they stand. ``n_open_*``: of all trees that are told as open, those outside the act among them.
#: ``findings_*``: rules that bear on the way the lot is told by and bind, and warnings, each with
#: the number of trees that have this verdict: ``owner-depth (3);season (5)``. Where no way is left,
#: the rules of all ways.
_LOT_FIGURES = [
    ("lot_number", pa.int64()),
    ("lot_id", pa.string()),
    ("jurisdiction", pa.string()),
    ("status", pa.string()),
    ("reason", pa.string()),
    ("lot_area_ft2", pa.float64()),
    ("frontage_length_ft", pa.float64()),
    ("frontage_chord_ft", pa.float64()),
    ("n_stretches", pa.int64()),
    ("shoreline_length_ft", pa.float64()),
    ("shoreline_error_ft", pa.float64()),
    ("fringe_depth_max_ft", pa.float64()),
    ("fringe_depth_mean_ft", pa.float64()),
    ("fringe_depth_error_ft", pa.float64()),
    ("fringe_length_ft", pa.float64()),
    ("fringe_over_limit_length_ft", pa.float64()),
    ("fringe_area_ft2", pa.float64()),
    ("zone_area_ft2", pa.float64()),
    ("zone_length_ft", pa.float64()),
    ("zone_width_max_ft", pa.float64()),
    ("n_crowns", pa.int64()),
    ("n_fringe_trees", pa.int64()),
    ("n_mangroves", pa.int64()),
    ("n_other_plants", pa.int64()),
    ("n_species_unknown", pa.int64()),
    ("n_past_setback", pa.int64()),
    ("tallest_ft", pa.float64()),
    ("height_classes", pa.string()),
    ("n_too_close", pa.int64()),
    ("n_partial", pa.int64()),
    ("n_unseen", pa.int64()),
    ("n_in_exclusion", pa.int64()),
    ("canopy_area_ft2", pa.float64()),
    ("volume_ft3", pa.float64()),
    ("volume_band_ft3", pa.float64()),
    ("share_band_frac", pa.float64()),
    ("stand", pa.string()),
    ("stand_words", pa.string()),
    ("n_mangroves_open", pa.int64()),
    ("n_mangroves_depend", pa.int64()),
    ("n_mangroves_other_plan", pa.int64()),
    ("n_mangroves_closed", pa.int64()),
    ("unmet_duties", pa.string()),
    ("outcome_route", pa.string()),
    ("outcome_standing", pa.string()),
    ("outcome_words", pa.string()),
]
_LOT_REST = [
    ("n_staged_trees", pa.int64()),
    ("n_open_in_exclusion", pa.int64()),
    ("n_open_past_setback", pa.int64()),
    ("findings_not_met", pa.string()),
    ("findings_too_close", pa.string()),
    ("findings_unknown", pa.string()),
    ("to_find_out", pa.string()),
    ("to_check", pa.string()),
    ("fields", pa.string()),
    ("note", pa.string()),
    ("wkb", pa.binary()),
]
#: A crown a row; ``lot_number`` is null where it stands on no lot and in no lot's water.
CROWN_ROWS = pa.schema(
    [
        ("crown_number", pa.int64()),
        ("crown_id", pa.string()),
        ("lot_number", pa.int64()),
        ("lot_id", pa.string()),
        ("species", pa.string()),
        ("stretch_id", pa.string()),
        ("station_ft", pa.float64()),
        ("offset_ft", pa.float64()),
        ("is_fringe", pa.bool_()),
        ("is_past_setback", pa.bool_()),
        ("is_in_exclusion", pa.bool_()),
        ("top_height_ft", pa.float64()),
        ("p99_height_ft", pa.float64()),
        ("mean_height_ft", pa.float64()),
        ("height_class", pa.string()),
        ("height_error_ft", pa.float64()),
        ("is_too_close", pa.bool_()),
        ("covered_frac", pa.float64()),
        ("is_partial", pa.bool_()),
        ("crown_area_ft2", pa.float64()),
        ("volume_ft3", pa.float64()),
        ("volume_under_ft3", pa.float64()),
        ("volume_band_ft3", pa.float64()),
        ("volume_over_ft3", pa.float64()),
        ("share_under_frac", pa.float64()),
        ("share_band_frac", pa.float64()),
        ("share_over_frac", pa.float64()),
        ("target_height_ft", pa.float64()),
        ("share_above_target_frac", pa.float64()),
        ("outcome_route", pa.string()),
        ("outcome_standing", pa.string()),
        ("wkb", pa.binary()),
    ]
)
#: What was told while a partition was measured.
NOTES = pa.schema([("about", pa.string()), ("text", pa.string()), ("level", pa.string())])


def lot_rows_schema() -> pa.Schema:
    """Columns of a lot's row: figures, a column ``route_...`` for each way, findings, fields.

    Plants outside the act are no way of a lot, and have no such column.
    """
    ways = [(route_column(name), pa.string()) for name in routes() if name != OUTSIDE]
    return pa.schema([*_LOT_FIGURES, *ways, *_LOT_REST])


def route_column(route: str) -> str:
    """Column that says how a route stands for a lot.

    Examples
    --------
    >>> route_column("owner-exemption")
    'route_owner_exemption'
    """
    return f"route_{route.replace('-', '_')}"
