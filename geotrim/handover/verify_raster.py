"""Heights of crowns in a new raster, measured as the plan's own were."""

from __future__ import annotations

from typing import Any

import numpy as np
from pyproj import CRS

from geotrim.errors import LayerError
from geotrim.io.files import local_path, sha256_of
from geotrim.io.package_read import Package
from geotrim.io.rasters import open_heights
from geotrim.model import InputFile, Note
from geotrim.ops.after_unit import seems_in
from geotrim.ops.canopy import heights_and_slices
from geotrim.prepare.task import GivenFile

#: Parameters of the plan that a new raster is measured by as well.
SAME = {
    "heights": ("confidence_frac", "min_coverage_frac"),
    "slices": ("canopy_model", "crown_base_ft", "crown_base_frac"),
}
#: Columns of the height before, the first that is there.
TOPS = ("tree_outcomes_top_height_ft", "top_height_ft")
#: Canopy models whose volumes are told apart by cells; the others need nothing but the top.
BY_CELLS = ("column", "crown-base")
#: Standard errors each way that hold 95 % of a normal distribution.
REACH = 1.96
#: Shares of a cell within which two rasters have cells of one size: rounding of a projection.
SAME_CELL = 1e-3
#: Standard error of a height that nobody stated, where the plan has none. Source: as for the
#: parameter of that name of ``route``. [ft]
UNSTATED_FT = 1.46


def raster_found(
    package: Package, given: GivenFile
) -> tuple[Any, tuple[Note, ...], tuple[InputFile, ...]]:
    """Top and volume of every crown of a package under a new height raster.

    Parameters
    ----------
    package : Package
    given : GivenFile
        The raster: heights above the substrate, any CRS and unit.

    Returns
    -------
    table : DataFrame
        ``crown_id``, ``height_ft``, ``height_error_ft``, ``volume_ft3``, ``cell_error_ft`` (of one
        cell, for volumes); NaN where a crown was not seen whole, since what was not seen may stand
        higher.
    notes, inputs

    Raises
    ------
    GeotrimError
        If the raster cannot be read, its unit or CRS is not told, it shows none of the crowns, or
        its heights seem to be in another unit.

    Notes
    -----
    Where the raster's CRS or cells are not those of the plan's own, a cell at the edge of a crown
    may belong to its neighbour in one of the two, and the top with it. How much that can do is told
    by how far the top of a crown stands over the height that 99 % of its cells keep, in either
    raster: it is joined to the error of a top, as what 95 % of tops keep, and it is told.
    """
    source = open_heights(
        given.path,
        unit=given.get("unit"),
        band=given.get("band", 1),
        rmse_ft=given.get("rmse_ft"),
        crs=given.get("crs"),
        subject=given.subject,
    )
    crowns = package.rows("crowns")
    columns = [c for c in ("crown_id", "base_height_ft", "geometry") if c in crowns.columns]
    tall, thick = heights_and_slices(crowns[columns], source, **_parameters(package))
    names = ["crown_id", "top_height_ft", "height_error_ft", "is_partial", "p99_height_ft"]
    table = tall["heights"][names]
    table = table.assign(volume_ft3=thick["slices"]["volume_ft3"])
    table = table.rename(columns={"top_height_ft": "height_ft"})
    if not np.isfinite(table["height_ft"]).any():
        raise LayerError(
            given.subject,
            "a raster that shows none of the crowns",
            "heights under the crowns of the package",
            "check its CRS and its extent, or choose another tile",
        )
    _check_unit(package, table, given, source)
    error, notes = _error(package, source)
    has_top = np.isfinite(table["height_ft"])
    table["cell_error_ft"] = np.where(has_top, error, np.nan)
    table["height_error_ft"] = table["cell_error_ft"]
    if (other := _other_grid(package, source)) is not None:
        edge = _edge_ft(package, table)
        table["height_error_ft"] = np.where(has_top, np.hypot(error, edge / REACH), np.nan)
        notes.append(Note("heights", _grid_words(other, edge[has_top]), "assumed"))
    half = table["is_partial"].to_numpy(dtype=bool) & np.isfinite(table["height_ft"])
    table.loc[half, ["height_ft", "height_error_ft", "cell_error_ft", "volume_ft3"]] = np.nan
    if half.any():
        text = f"{int(half.sum())} crowns seen in part only are taken as not read"
        notes.append(Note("heights", text, "missing"))
    if package.parameter("heights", "height_correction", "none") != "none":
        text = "the plan's heights were corrected by stick readings; the new raster's are not"
        notes.append(Note("heights", text, "assumed"))
    seen = [
        Note("heights", n.text, n.level) for n in tall.notes if "error is not stated" not in n.text
    ]
    return table, (*seen, *notes), (_told(given, source),)


def _check_unit(package: Package, table: Any, given: GivenFile, source: Any) -> None:
    """Refuse heights that read what the trees measured before, in another unit."""
    crowns = package.rows("crowns").drop_duplicates("crown_id").set_index("crown_id")
    name = next((c for c in TOPS if c in crowns.columns), None)
    if name is None:
        return
    before = crowns[name].reindex(table["crown_id"]).to_numpy(float)
    cuts = package.rows("stage_cuts")
    cut = set(cuts["crown_id"].astype(str)) if len(cuts) else set()
    is_left = ~table["crown_id"].astype(str).isin(cut).to_numpy(dtype=bool)
    unit = seems_in(table["height_ft"].to_numpy(float), before, is_left)
    if unit is not None:
        times = "three tenths" if unit == "metres" else "three times"
        raise LayerError(
            f"{given.subject} ({given.path})",
            f"heights in {source.unit} of which most are about {times} of those before the cut, "
            "trees that the plan leaves among them",
            f"heights in the unit that is told; these look like {unit}",
            f"give --heights-unit {'m' if unit == 'metres' else 'ft'} if the raster is in {unit}; "
            "if the trees truly stand like that, verify by stick readings",
        )


def _other_grid(package: Package, source: Any) -> str | None:
    """In what the grid differs from that of the plan's heights; None where it does not.

    None as well where the plan's heights are not from a raster.
    """
    inputs = package.record.get("inputs") or []
    own = next((one for one in inputs if one.get("role") == "heights"), None)
    detail = dict((own or {}).get("detail") or {})
    if not detail.get("crs") or "cell_size_map_units" not in detail:
        return None
    mine = source.describe()
    if CRS.from_user_input(detail["crs"]) != CRS.from_user_input(mine["crs"]):
        return "another CRS"
    cells = np.array([detail["cell_size_map_units"], mine["cell_size_map_units"]], dtype=float)
    if (np.abs(cells[1] / cells[0] - 1.0) > SAME_CELL).any():
        return "cells of another size"
    return None


def _edge_ft(package: Package, table: Any) -> Any:
    """How far each top may be a neighbour's, by what stands over 99 % of its cells. [ft]."""
    gaps = [(table["height_ft"] - table["p99_height_ft"]).to_numpy(float)]
    crowns = package.rows("crowns").drop_duplicates("crown_id").set_index("crown_id")
    if {"top_height_ft", "p99_height_ft"} <= set(crowns.columns):
        own = (crowns["top_height_ft"] - crowns["p99_height_ft"]).reindex(table["crown_id"])
        gaps.append(own.to_numpy(float))
    return np.max(np.maximum(np.nan_to_num(gaps), 0.0), axis=0)


def _grid_words(other: str, edge: Any) -> str:
    return (
        f"the new raster has {other} than the plan's heights, so a cell at a crown's edge may be "
        "its neighbour's in one of the two; the error of each top is widened by what lies over "
        f"99 % of its cells (of half of the crowns no more than {np.median(edge):.1f} ft, at most "
        f"{np.max(edge):.1f} ft). Read by stick whatever it shows cut that was to be left"
    )


def _parameters(package: Package) -> dict[str, Any]:
    found = {
        name: package.parameter(operation, name)
        for operation, names in SAME.items()
        for name in names
    }
    used = {name: value for name, value in found.items() if value is not None}
    if used.get("canopy_model") not in BY_CELLS:  # only its tops are used
        used = {k: v for k, v in used.items() if k in SAME["heights"]}
    return used


def _error(package: Package, source: Any) -> tuple[float, list[Note]]:
    if source.rmse_ft is not None:
        return float(source.rmse_ft), []
    usual = float(package.parameter("route", "unstated_height_error_ft", UNSTATED_FT))
    text = f"no standard error stated (heights_rmse_ft); {usual:g} ft is taken, as for the plan"
    return usual, [Note("heights", text, "assumed")]


def _told(given: GivenFile, source: Any) -> InputFile:
    path = local_path(given.path, given.subject)
    digest, how = sha256_of(path)
    detail = {"sha256_of": how, **source.describe()}
    detail.pop("path", None)
    return InputFile("heights", path.name, digest, detail=detail)
