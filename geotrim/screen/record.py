"""The record of a screening: what went in, what was done to it, what came out."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict, dataclass
from typing import Any

from geotrim.io import record
from geotrim.model import MHW_ORIGINS
from geotrim.ops.catalogue import CAUTIONS, OPERATIONS
from geotrim.ops.registry import Operation
from geotrim.screen.gather import Gathered
from geotrim.screen.gather_notes import gathered_notes
from geotrim.screen.reading import Reading
from geotrim.screen.store import Common, Store, read_pickle

#: Operations of a screening, in the order they run.
MEASURES = (
    "frontage",
    "riparian-lines",
    "fringe",
    "heights",
    "slices",
    "zone",
    "setbacks",
    "route",
)


@dataclass(frozen=True, slots=True)
class Work:
    """How the work was done, which changes nothing of the answer.

    n_kept : partitions that were there from before when this run began.
    """

    workers: int
    engine: str
    memory_mb: int
    n_partitions: int
    n_kept: int


def screen_record(
    store: Store,
    reading: Reading,
    gathered: Gathered,
    work: Work,
    *,
    screen_file: Mapping[str, Any],
    key: Mapping[str, Any],
    started_utc: str,
) -> dict[str, Any]:
    """The record of a screening, but for its files (:func:`geotrim.io.record.write_record`).

    Parameters
    ----------
    store : Store
        The working folder, every partition measured.
    reading, gathered : Reading, Gathered
        What was found, and what was written.
    screen_file : mapping
        Name, size and hash of the screen file as it was read.
    key : mapping
        What the answer depends on, as it is held against the next run's.
    started_utc : str
        Of the first start, if there was more than one.
    """
    common = store.read_common()
    return {
        "record_version": record.RECORD_VERSION,
        "screening": {
            "name": common.name,
            "screen_file": dict(screen_file),
            "mhw_line": {
                "origin": common.mhw_origin,
                "label": MHW_ORIGINS[common.mhw_origin],
                **common.mhw_facts,
            },
            "has_crowns": common.has_crowns,
            "jurisdictions": list(reading.jurisdictions),
            "setbacks": [record.describe_setback(setback) for setback in common.setbacks],
        },
        "counts": {
            "n_lots": gathered.n_lots,
            "n_crowns": gathered.n_crowns,
            "by_status": dict(gathered.by_status),
            "by_stand": dict(gathered.by_stand),
        },
        "crs": record.crs_facts(common.crs_wkt, middle_of(store, work.n_partitions)),
        "units": record.UNITS_TOLD,
        "inputs": [asdict(item) for item in reading.inputs],
        "input_key": key,
        "options_set_by_user": dict(common.options),
        "facts": dict(common.facts),
        "overlays": _overlays(common),
        "operations": [_operation(OPERATIONS[name], common.options) for name in MEASURES],
        "notes": _notes(store, reading, gathered, work.n_partitions),
        "cautions": list(CAUTIONS),
        "rule_files": record.rule_files(),
        "versions": record.versions(),
        "layers": dict(gathered.layers),
        "run": asdict(work),
        "started_utc": started_utc,
    }


def middle_of(store: Store, n_partitions: int) -> tuple[float, float, float, float]:
    """Bounds of all partitions. [map units]."""
    boxes = [read_pickle(store.task(k)).bounds for k in range(n_partitions)]
    west, south, east, north = zip(*boxes, strict=True)
    return min(west), min(south), max(east), max(north)


def _overlays(common: Common) -> list[dict[str, Any]]:
    """Local rule files, jurisdiction by jurisdiction; null for those that hold everywhere."""
    return [
        {
            "in": place or None,
            "id": overlay.id,
            "title": overlay.title,
            "jurisdiction": overlay.jurisdiction,
            "version": overlay.version,
        }
        for place, overlays in common.overlays.items()
        for overlay in overlays
    ]


def _operation(operation: Operation, options: Mapping[str, Any]) -> dict[str, Any]:
    return {
        "name": operation.name,
        "parameters": {
            param.name: {
                "value": options.get(param.name, param.default),
                "is_default": param.name not in options,
            }
            for param in operation.params
        },
        "caution": operation.caution,
    }


def _notes(
    store: Store, reading: Reading, gathered: Gathered, n_partitions: int
) -> dict[str, list[dict[str, Any]]]:
    """Notes under their levels, each once, with how often it was told and of whom first."""
    told = gathered_notes(store, n_partitions, [*reading.notes, *gathered.notes]).table()
    columns = ["about", "text", "n", "named"]
    return {
        level: told.loc[told["level"] == level, columns].to_dict("records")
        for level in record.NOTE_LEVELS
    }
