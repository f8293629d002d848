"""What a screening is given, read into the working folder.

Lots and crowns are streamed: a batch is in memory at a time, whatever the size of the file. What
must be held are some numbers for each: bounds, an id, a partition.
"""

from __future__ import annotations

import shutil
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import partial
from typing import Any

import numpy as np
import shapely

from geotrim.errors import LayerError
from geotrim.io.crs import choose_site_crs
from geotrim.io.files import local_path
from geotrim.io.places import read_rules
from geotrim.io.site_facts import site_facts
from geotrim.io.site_layers import Loading, code_of, relative, resolved
from geotrim.model import Facts, InputFile, Note
from geotrim.screen.input_key import input_key
from geotrim.screen.lot_faults import usual_bounds
from geotrim.screen.plan import homes, partition_lots
from geotrim.screen.reading_crowns import read_crowns, write_crowns
from geotrim.screen.reading_judged import AllLots, judged
from geotrim.screen.reading_layers import Streamed, open_role
from geotrim.screen.reading_lots import move, set_down, settle_crs
from geotrim.screen.reading_places import read_places
from geotrim.screen.reading_shared import read_common, read_shore
from geotrim.screen.screen_file import ScreenSpec, left_aside
from geotrim.screen.store import Store
from geotrim.screen.writing_lots import write_lots

#: Rows of a batch for each megabyte of the budget, and least and most: a crown of thirty vertices
#: takes some 3 kB while it is looked at, and a tenth of the budget is for that.
ROWS_PER_MB = 30
LEAST_ROWS, MOST_ROWS = 2048, 65536


@dataclass(frozen=True, slots=True)
class Reading:
    """What was read, in plain values.

    n_lots : to be reported, fit or not; n_fit, n_unfit : of these.
    key : what the answer depends on (:func:`geotrim.screen.input_key.input_key`).
    """

    n_lots: int
    n_fit: int
    n_unfit: int
    n_crowns: int
    n_partitions: int
    inputs: tuple[InputFile, ...]
    notes: tuple[Note, ...]
    jurisdictions: tuple[str, ...]
    key: dict[str, Any]


def read_into(
    spec: ScreenSpec,
    store: Store,
    *,
    memory_mb: int = 2000,
    progress: Callable[[str], None] | None = None,
    key: dict[str, Any] | None = None,
) -> Reading:
    """Read all inputs of a screening into its working folder.

    Parameters
    ----------
    memory_mb : int
        About what reading may take beside the libraries themselves. The answer does not depend on
        it.
    progress : callable, optional
        Called with what is being done.
    key : dict, optional
        From :func:`input_key`, where it has been worked out already.

    Raises
    ------
    GeotrimError
        If an input does not fit, or no lot is fit to measure. A bad lot is no error but a row of
        ``unfit_lots.arrow``.
    """
    tell = progress or (lambda _: None)
    key = key or input_key(spec)
    rows = int(np.clip(ROWS_PER_MB * memory_mb, LEAST_ROWS, MOST_ROWS))
    run = _loading(spec, key)
    store.folder.mkdir(parents=True, exist_ok=True)
    facts = site_facts(spec.said) or Facts()
    lots = _lots(run, store, facts, rows, tell)
    tell("reading jurisdictions")
    places = read_places(run, store)
    overlays, rule_files = read_rules(run, places)
    order = partition_lots(lots.points, n_crowns=_n_crowns(run))
    n_unfit = write_lots(run, store, lots, order, places, rows=rows)
    around = shapely.box(*shapely.total_bounds(shapely.box(*lots.bounds[lots.fit_reported].T)))
    columns, n_crowns = _crowns(run, store, lots.points, order, around, rows, memory_mb, tell)
    tell("reading what all lots share")
    common = read_common(
        run,
        spec,
        around,
        key=key,
        overlays=overlays,
        facts=facts.everywhere,
        crown_columns=columns,
        tell=tell,
    )
    store.write_common(common)
    close = getattr(common.heights, "close", None)
    if close is not None:
        close()
    shutil.rmtree(store.folder / "reading", ignore_errors=True)
    n_fit = len(lots.fit_reported)
    inputs = (*_ordered(run.inputs), *rule_files)
    names = tuple(dict.fromkeys(places.names))
    return Reading(
        n_fit + n_unfit,
        n_fit,
        n_unfit,
        n_crowns,
        order.n_partitions,
        inputs,
        tuple(run.notes),
        names,
        key,
    )


def _loading(spec: ScreenSpec, key: dict[str, Any]) -> Loading:
    """Errors, notes and inputs are gathered as for a site; hashes are known already."""
    run = Loading(spec.said, notes=list(left_aside(spec.said)))
    for role, told in key["files"].items():
        table = spec.said.values.get(role)
        if role != "heights" and table is not None:
            path = local_path(resolved(spec.said.folder, table["file"], role), role)
            run.digests[path] = (told["sha256"], told["sha256_of"])
    return run


def _told(run: Loading, layer: Streamed) -> None:
    """A layer that was streamed, in the list of inputs."""
    text = run.spec.values[layer.role]["file"]
    path = local_path(resolved(run.spec.folder, text, layer.role), layer.role)
    digest, how = run.digest_of(path)
    shown, detail = relative(run.spec.folder, text), {"sha256_of": how}
    code = None if layer.crs is None else code_of(layer.crs)
    run.inputs.append(InputFile(layer.role, shown, digest, layer.name, layer.n_rows, code, detail))


def _ordered(inputs: Sequence[InputFile]) -> list[InputFile]:
    first = {"lots": 0, "neighbours": 1, "mhw_line": 2, "crowns": 3, "trunks": 4, "heights": 5}
    return sorted(inputs, key=lambda item: first.get(item.role, 9))


def _lots(run: Loading, store: Store, facts: Facts, rows: int, tell: Any) -> AllLots:
    """Lots and neighbours set down, moved, and judged."""
    down = partial(set_down, run, store, told=facts, batch_rows=rows, tell=tell)
    layers = [down("lots")]
    if "neighbours" in run.spec.values:
        layers.append(down("neighbours", first=layers[0].n_rows))
    for raw in layers:
        settle_crs(run, raw)
        _told(run, Streamed(raw.role, raw.stream.layer, raw.n_rows, raw.crs))
    stated = run.spec.values["site"].get("crs")
    bounds, where = usual_bounds(layers[0].given), run.spec.where("site", "crs")
    if not np.isfinite(bounds).all():
        raise _none_fit(run, layers[0].faults)
    run.crs, notes = choose_site_crs(layers[0].crs, bounds, stated, where, "lots")
    run.notes += notes
    tell("reading mhw_line")
    shore = read_shore(run, store)
    for raw in layers:
        move(run, raw)
    lots = judged(run, layers, shore)
    if not len(lots.fit_reported):
        raise _none_fit(run, lots.faults)
    return lots


def _none_fit(run: Loading, faults: dict[int, tuple[str, str]]) -> LayerError:
    first = min(faults, default=None)
    why = "" if first is None else f" (row {first + 1}: {faults[first][1]})"
    return LayerError(
        run.spec.where("lots", "file"),
        f"no lot that can be measured{why}",
        "polygons with ids, near the shore line",
        "check the layer on a map",
    )


def _n_crowns(run: Loading) -> int:
    """How many crowns there are said to be; 0 where that is not known before they are read."""
    if "crowns" not in run.spec.values:
        return 0
    return max(open_role(run, "crowns", ("polygon",)).n_features, 0)


def _crowns(
    run: Loading,
    store: Store,
    points: Any,
    order: Any,
    around: Any,
    rows: int,
    memory_mb: int,
    tell: Any,
) -> tuple[tuple[str, ...], int]:
    """Columns and number of the crowns, which are written partition by partition."""
    if "crowns" not in run.spec.values:
        return (), 0
    find = partial(homes, order, points)
    n_partitions = order.n_partitions
    read = read_crowns(run, store, around, find, n_partitions, batch_rows=rows, tell=tell)
    for layer in read.layers:
        _told(run, layer)
    tell(f"writing {read.n_crowns:,} crowns, partition by partition")
    write_crowns(store, read, memory_mb=memory_mb)
    return read.columns, read.n_crowns
