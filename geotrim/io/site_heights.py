"""The rasters of a site: heights, held to lie under its crowns, and the ground."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np
import shapely
from pyproj import CRS

from geotrim.core.datums import known_datum
from geotrim.errors import CRSError, LayerError
from geotrim.io.crs import move_note, parse_crs, plan_move, same_crs
from geotrim.io.datum_match import check_same_datum, settled_datum
from geotrim.io.files import local_path, sha256_of
from geotrim.io.raster_digest import RASTER_HASH, digest_of_all, raster_digests
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
        source, notes, told = _open(run, "heights", given)
        run.notes += notes
        run.inputs.append(told)
        check_under(run, "heights", source, "crowns", crowns)
    if source.rmse_ft is None:
        text = "no standard error stated; if its maker gives one, say it as rmse_ft"
        run.notes.append(Note("heights", text, "missing"))
    return source


def read_ground(run: Loading, lots: Any) -> Any:
    """The elevations of the ground, a source as the heights are; None where none was given.

    Raises
    ------
    LayerError
        If it lies under none of the lots, or the file says that it holds heights.
    CRSError
        If its vertical datum is not that of the MHW line, or none the tide is counted from.
    UnitError
        If its vertical unit is stated nowhere.
    """
    given = run.spec.values.get("ground")
    if given is None:
        return None
    with placed(run.spec, "ground"):
        source, notes, told = _open(run, "ground", given)
        run.notes += notes
        run.inputs.append(told)
        check_under(run, "ground", source, "lots", lots)
        _check_datum(run, given)
    return source


def _open(
    run: Loading, role: str, given: Mapping[str, Any]
) -> tuple[Any, tuple[Note, ...], InputFile]:
    source = given["file"]
    if not isinstance(source, str):
        own = getattr(source, "crs", None)
        crs = None if own is None else code_of(CRS.from_user_input(own))
        return source, (), InputFile(role, "given in memory", "", crs=crs)
    from geotrim.io.height_tiles import open_heights_of

    path = Path(resolved(run.spec.folder, source, role))
    if role != "heights" or not path.is_dir():  # a folder of tiles is one raster
        path = local_path(path, role)
    if path.is_dir():
        digest, how = digest_of_all(raster_digests(path)), RASTER_HASH
    else:
        digest, how = sha256_of(path)
    opened = open_heights_of(
        path,
        unit=given.get("unit"),
        band=given.get("band", 1),
        rmse_ft=given.get("rmse_ft"),
        crs=given.get("crs"),
        subject=role,
        holds="heights" if role == "heights" else "elevations",
    )
    detail = {"sha256_of": how, **opened.describe()}
    for own in ("path", "folder"):
        detail.pop(own, None)
    shown = relative(run.spec.folder, source)
    told = InputFile(role, shown, digest, crs=code_of(opened.crs), detail=detail)
    return opened, tuple(opened.notes), told


def _check_datum(run: Loading, given: Mapping[str, Any]) -> None:
    """The ground and the MHW line count from one datum; what is not known of either is told."""
    datum, source = given.get("vertical_datum"), given["file"]
    line = (run.spec.table("mhw_line") or {}).get("vertical_datum")
    try:
        if isinstance(source, str):
            path = resolved(run.spec.folder, source, "ground")
            datum = settled_datum(path, datum, "ground")
        datum = None if datum is None else known_datum(datum, "ground")
        check_same_datum(line, datum, ("MHW line", "ground"))
    except CRSError as error:  # named by the key of the site file
        where = "ground vertical_datum"
        raise CRSError(where, error.found, error.need, error.mend) from error
    lost = [name for name, known in (("the ground", datum), ("the MHW line", line)) if not known]
    if lost:
        text = f"vertical datum of {' and '.join(lost)} not stated; both are taken to be above one"
        run.notes.append(Note("ground", text, "assumed"))


def check_under(run: Loading, role: str, source: Any, what: str, table: Any) -> None:
    """Refuse a raster that lies under none; tell when the others must be moved to its CRS."""
    assert run.crs is not None  # settled with the lots
    rows, cols = source.shape
    a, b, c, d, e, f = source.transform
    at = np.array([(0, 0), (cols, 0), (cols, rows), (0, rows)], dtype=float)
    corners = np.column_stack([a * at[:, 0] + b * at[:, 1] + c, d * at[:, 0] + e * at[:, 1] + f])
    own = run.crs if source.crs is None else parse_crs(source.crs, f"{role} crs")
    if not same_crs(own, run.crs):
        bounds = np.concatenate([corners.min(axis=0), corners.max(axis=0)])
        move = plan_move(own, run.crs, bounds, role)
        corners = move.apply(corners)
        note = move_note(own, run.crs, move, role)
        text = note.text.replace("reprojected from", "the raster stays in", 1)
        moved = "crowns" if role == "heights" else "points"
        text = text.replace(" to the site's", f", and {moved} are moved to it from the site's", 1)
        run.notes.append(Note(role, text, note.level))
    if table is None:
        return
    area = shapely.Polygon(corners)
    if (
        not np.isfinite(corners).all()
        or not shapely.intersects(area, np.asarray(table.geometry.array)).any()
    ):
        raise LayerError(
            role,
            f"a raster that lies under no {what.removesuffix('s')}",
            f"{'heights' if role == 'heights' else 'ground'} under the {what}",
            f"check the CRS of the raster and of the {what}, or choose another tile",
        )
