"""The heights of a site: opened, and held to lie under its crowns."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
import shapely
from pyproj import CRS

from geotrim.errors import LayerError
from geotrim.io.crs import move_note, parse_crs, plan_move, same_crs
from geotrim.io.files import local_path, sha256_of
from geotrim.io.site_layers import Loading, code_of, placed, relative, resolved
from geotrim.model import InputFile, Note


def read_heights(run: Loading, crowns: Any) -> Any:
    """The height source of a site, None where none was given.

    Raises
    ------
    LayerError
        If it lies under none of the crowns.
    """
    given = run.spec.values.get("heights")
    if given is None:
        return None
    with placed(run.spec, "heights"):
        source, notes, told = _open(run, given)
        run.notes += notes
        run.inputs.append(told)
        _check_under_crowns(run, source, crowns)
    if source.rmse_ft is None:
        text = "no standard error stated; if its maker gives one, say it as rmse_ft"
        run.notes.append(Note("heights", text, "missing"))
    return source


def _open(run: Loading, given: Mapping[str, Any]) -> tuple[Any, tuple[Note, ...], InputFile]:
    source = given["file"]
    if not isinstance(source, str):
        own = getattr(source, "crs", None)
        crs = None if own is None else code_of(CRS.from_user_input(own))
        return source, (), InputFile("heights", "given in memory", "", crs=crs)
    from geotrim.io.rasters import open_heights

    path = local_path(resolved(run.spec.folder, source, "heights"), "heights")
    digest, how = sha256_of(path)
    opened = open_heights(
        path,
        unit=given.get("unit"),
        band=given.get("band", 1),
        rmse_ft=given.get("rmse_ft"),
        crs=given.get("crs"),
    )
    detail = {"sha256_of": how, **opened.describe()}
    detail.pop("path", None)
    shown = relative(run.spec.folder, source)
    told = InputFile("heights", shown, digest, crs=code_of(opened.crs), detail=detail)
    return opened, tuple(opened.notes), told


def _check_under_crowns(run: Loading, source: Any, crowns: Any) -> None:
    """Refuse a raster that lies under no crown; tell when crowns must be moved to its CRS."""
    assert run.crs is not None  # settled with the lots
    rows, cols = source.shape
    a, b, c, d, e, f = source.transform
    at = np.array([(0, 0), (cols, 0), (cols, rows), (0, rows)], dtype=float)
    corners = np.column_stack([a * at[:, 0] + b * at[:, 1] + c, d * at[:, 0] + e * at[:, 1] + f])
    own = run.crs if source.crs is None else parse_crs(source.crs, "heights crs")
    if not same_crs(own, run.crs):
        bounds = np.concatenate([corners.min(axis=0), corners.max(axis=0)])
        move = plan_move(own, run.crs, bounds, "heights")
        corners = move.apply(corners)
        note = move_note(own, run.crs, move, "heights")
        text = note.text.replace("reprojected from", "the raster stays in", 1)
        text = text.replace(" to the site's", ", and crowns are moved to it from the site's", 1)
        run.notes.append(Note("heights", text, note.level))
    if crowns is None:
        return
    if (
        not np.isfinite(corners).all()
        or not shapely.intersects(shapely.Polygon(corners), np.asarray(crowns.geometry.array)).any()
    ):
        raise LayerError(
            "heights",
            "a raster that lies under no crown",
            "heights under the crowns",
            "check the CRS of the raster and of the crowns, or choose another tile",
        )
