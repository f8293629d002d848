"""Heights of crowns in a new raster, measured as the plan's own were."""

from __future__ import annotations

from typing import Any

import numpy as np

from geotrim.errors import LayerError
from geotrim.io.files import local_path, sha256_of
from geotrim.io.package_read import Package
from geotrim.io.rasters import open_heights
from geotrim.model import InputFile, Note
from geotrim.ops.canopy import heights_and_slices
from geotrim.prepare.task import GivenFile

#: Parameters of the plan that a new raster is measured by as well.
SAME = {
    "heights": ("confidence_frac", "min_coverage_frac"),
    "slices": ("canopy_model", "crown_base_ft", "crown_base_frac"),
}
#: Canopy models whose volumes are told apart by cells; the others need nothing but the top.
BY_CELLS = ("column", "crown-base")
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
        ``crown_id``, ``height_ft``, ``height_error_ft``, ``volume_ft3``; NaN where a crown was not
        seen whole, since what was not seen may stand higher.
    notes, inputs

    Raises
    ------
    GeotrimError
        If the raster cannot be read, its unit or CRS is not told, or it shows none of the crowns.
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
    table = tall["heights"][["crown_id", "top_height_ft", "height_error_ft", "is_partial"]]
    table = table.assign(volume_ft3=thick["slices"]["volume_ft3"])
    table = table.rename(columns={"top_height_ft": "height_ft"})
    if not np.isfinite(table["height_ft"]).any():
        raise LayerError(
            given.subject,
            "a raster that shows none of the crowns",
            "heights under the crowns of the package",
            "check its CRS and its extent, or choose another tile",
        )
    error, notes = _error(package, source)
    table["height_error_ft"] = np.where(np.isfinite(table["height_ft"]), error, np.nan)
    half = table["is_partial"].to_numpy(dtype=bool) & np.isfinite(table["height_ft"])
    table.loc[half, ["height_ft", "height_error_ft", "volume_ft3"]] = np.nan
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
