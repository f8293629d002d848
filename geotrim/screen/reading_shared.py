"""What all partitions share: the shore as plain arrays, heights, and layers as a run reads them."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np
import shapely

from geotrim.io.aside import new_file
from geotrim.io.files import local_path
from geotrim.io.site_heights import check_under
from geotrim.io.site_layers import Loading, code_of, placed, read_plain, relative, resolved
from geotrim.io.site_load import (
    LINE_FACTS,
    NAMED_LAYERS,
    check_distance,
    named_layer,
    number_of,
    set_aside_of,
    setbacks_of,
    tell_line_gaps,
)
from geotrim.model import InputFile, Note
from geotrim.screen.screen_file import ScreenSpec
from geotrim.screen.store import Common, Store


def read_shore(run: Loading, store: Store) -> Any:
    """Read the shore, leave its vertices in the working folder, and hand its lines back.

    Lines of several parts are taken apart; parts without length are dropped, and so is a vertex
    that repeats the one before it. Coordinates that need not be moved are those of the file, to the
    last bit.

    Returns
    -------
    (n,) array of lines
    """
    rows = read_plain(run, "mhw_line", ("line",))
    tell_line_gaps(run, run.spec.values["mhw_line"])
    lines = shapely.get_parts(np.asarray(rows.geometry.array))
    lines = lines[shapely.length(lines) > 0]
    xy, line = shapely.get_coordinates(lines, return_index=True)
    keep = np.ones(len(xy), dtype=bool)
    keep[1:] = (xy[1:] != xy[:-1]).any(axis=1) | (line[1:] != line[:-1])
    n_points = np.bincount(line[keep], minlength=len(lines))
    xy, starts = xy[keep], np.concatenate([[0], np.cumsum(n_points)])
    with new_file(store.lines) as aside, aside.open("wb") as sink:
        np.savez(sink, xy=xy, starts=starts)
    return lines


def read_heights(run: Loading, around: Any, key: Mapping[str, Any], tell: Any) -> Any:
    """The heights of one raster, a VRT or a folder of tiles; None where none was given."""
    from geotrim.io.height_tiles import open_heights_of

    given = run.spec.values.get("heights")
    if given is None:
        return None
    with placed(run.spec, "heights"):
        path = resolved(run.spec.folder, given["file"], "heights")
        if not Path(path).is_dir():
            path = str(local_path(path, "heights"))
        source = open_heights_of(
            path,
            progress=lambda done, n: tell(f"reading heights, headers of {done:,} of {n:,} tiles"),
            unit=given.get("unit"),
            band=given.get("band", 1),
            rmse_ft=given.get("rmse_ft"),
            crs=given.get("crs"),
            subject="heights",
        )
        run.notes += source.notes
        run.inputs.append(_heights_told(run, source, key))
        check_under(run, "heights", source, "lots", around)
    if source.rmse_ft is None:
        text = "no standard error stated; if its maker gives one, say it as rmse_ft"
        run.notes.append(Note("heights", text, "missing"))
    return source


def _heights_told(run: Loading, source: Any, key: Mapping[str, Any]) -> InputFile:
    hashed = key["files"]["heights"]
    detail = {"sha256_of": hashed["sha256_of"], **source.describe()}
    for name in ("path", "folder"):
        detail.pop(name, None)
    shown = relative(run.spec.folder, run.spec.values["heights"]["file"])
    return InputFile("heights", shown, hashed["sha256"], crs=code_of(source.crs), detail=detail)


def read_common(
    run: Loading,
    spec: ScreenSpec,
    around: Any,
    *,
    key: Mapping[str, Any],
    overlays: Mapping[str, tuple[Any, ...]],
    facts: Mapping[str, Any],
    crown_columns: tuple[str, ...],
    tell: Any,
) -> Common:
    """All that is the same for every lot.

    Parameters
    ----------
    around : Polygon
        Box around the lots to report.
    crown_columns : tuple of str
        Columns the crowns have; empty where there are no crowns.

    Raises
    ------
    GeotrimError
        If a layer cannot be read, or lies away from the lots.
    """
    assert run.crs is not None  # settled with the lots
    more: dict[str, Any] = {"crown_columns": crown_columns} if crown_columns else {}
    named = {name: named_layer(run, name, kinds) for name, kinds in NAMED_LAYERS.items()}
    for role, table in named.items():
        if table is not None:
            check_distance(run, np.asarray(table.geometry.array), around, role)
    setbacks = setbacks_of(run)
    for i, setback in enumerate(setbacks):
        if setback.geometry is not None:
            check_distance(run, np.array([setback.geometry]), around, "setbacks", i)
    set_aside = set_aside_of(run, None)
    if set_aside is not None:
        check_distance(run, np.asarray(set_aside.geometry.array), around, "set_aside")
    given = spec.said.values["mhw_line"]
    return Common(
        name=spec.name,
        crs_wkt=run.crs.to_wkt(),
        mhw_origin=given["origin"],
        mhw_facts={key: given[key] for key in LINE_FACTS if key in given},
        options=spec.options,
        heights=read_heights(run, _box_table(around, run.crs), key, tell),
        has_crowns=bool(crown_columns),
        has_trunks="trunks" in spec.said.values,
        trunks_rmse_ft=number_of(spec.said, "trunks", "position_rmse_ft"),
        setbacks=setbacks,
        set_aside=set_aside,
        facts=facts,
        overlays=overlays,
        **named,
        **more,
    )


def _box_table(around: Any, crs: Any) -> Any:
    import geopandas as gpd

    return gpd.GeoDataFrame(geometry=[around], crs=crs)
