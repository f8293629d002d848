"""Operations ``heights`` and ``slices``: what the height source says of each crown.

Both come from one pass over the source. Called one by one each makes its own; a run that wants
both calls :func:`heights_and_slices` and reads every block once.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely
from pyproj import CRS, Transformer

from geotrim.checks import check_columns, check_height_source
from geotrim.core.coverage import Rings, check_transform, rings_of
from geotrim.core.heights import (
    class_names,
    height_classes,
    nearest_limits,
    quantile_two_sided,
)
from geotrim.core.slices import CanopyMeasures, measure_canopy
from geotrim.core.solids import FORM_FACTORS, solid_above_ft3
from geotrim.errors import RangeError
from geotrim.model import HeightSource, Note, Result
from geotrim.ops import catalogue
from geotrim.ops.height_correction import corrected
from geotrim.ops.profile_model import FAR_OFF_FT, ProfileModel
from geotrim.units import feet_per_map_unit

Floats = npt.NDArray[np.float64]

#: Limits whose own value belongs to the class above them. Source: s. 403.9326(1) F.S.: no mangrove
#: is to be left below 6 ft, so 6 ft is high enough; trees "16 feet or greater" are staged. The
#: caps of 10 and 24 ft "may not exceed", so 10 and 24 ft belong to the class below.
UPWARD_LIMITS_FT = (6.0, 16.0)
#: What a height above the substrate cannot be; an elevation raster can. Common practice, no source.
HIGHEST_FT, LOWEST_FT = 400.0, -50.0
#: Map units within which a vertex that another CRS label leaves in place has not moved.
UNMOVED = 1e-6


def heights(
    crowns: Any,
    heights: HeightSource,
    calibrate: Result | None = None,
    *,
    height_limits_ft: Iterable[float] = (6.0, 10.0, 16.0, 24.0),
    confidence_frac: float = 0.95,
    min_coverage_frac: float = 0.01,
    height_correction: str = "none",
) -> Result:
    """Top, 99th percentile, mean and height class of each crown, with their error.

    Parameters
    ----------
    crowns : GeoDataFrame
        ``crown_id`` and polygons, in the site's CRS.
    heights : HeightSource
        Heights above the substrate, in any CRS.
    calibrate : Result, optional
        Of the operation ``calibrate``, for ``height_correction``.
    height_limits_ft : rising numbers
        A height of 6 or 16 ft belongs to the class above that limit; at every other limit the
        height itself belongs to the class below ("may not exceed"). [ft]
    confidence_frac : float
        A top is too close to call when it is no farther from its nearest limit than its error at
        this confidence, counted to both sides of a normal distribution.
    min_coverage_frac : float
        Cells covered less are ignored for the top and the percentile.
    height_correction : str
        ``none``, ``error`` or ``bias``: what stick readings do to the heights and their error; see
        :func:`geotrim.core.calibration.correction`.

    Returns
    -------
    Result
        Table ``heights``. ``is_too_close`` is missing (NA) when nobody stated the error of the
        heights, or when there is no top.

    Raises
    ------
    GeotrimError
        If a parameter is outside its limits, a column is missing or a CRS cannot be used.
    """
    parameters = catalogue.HEIGHTS.check(
        {
            "height_limits_ft": height_limits_ft,
            "confidence_frac": confidence_frac,
            "min_coverage_frac": min_coverage_frac,
            "height_correction": height_correction,
        }
    )
    view = _View(crowns, heights, calibrate, parameters, 1)
    return _heights_result(view, view.measure(parameters, want_p99=True), parameters)


def slices(
    crowns: Any,
    heights: HeightSource,
    calibrate: Result | None = None,
    profiles: Any = None,
    *,
    band_ft: Iterable[float] = (6.0, 10.0),
    breaks_ft: Iterable[float] | None = None,
    canopy_model: str = "column",
    crown_base_ft: float | None = None,
    crown_base_frac: float | None = None,
    target_height_ft: float | None = None,
    min_coverage_frac: float = 0.01,
    height_correction: str = "none",
) -> Result:
    """Canopy volume of each crown under, in and over the band, and its shares.

    Parameters
    ----------
    crowns : GeoDataFrame
        ``crown_id`` and polygons, in the site's CRS; ``base_height_ft`` and ``target_height_ft``
        are used when given, and go before the parameters for the base and the target.
    heights : HeightSource
        Heights above the substrate, in any CRS.
    calibrate : Result, optional
        Of the operation ``calibrate``, for ``height_correction``.
    profiles : DataFrame, optional
        Leaf-area weights for the canopy model ``profile``; see :mod:`geotrim.model`.
    band_ft : (low, high)
        The window band. [ft]
    breaks_ft : rising numbers, optional
        Each pair of neighbours makes a row of ``slice_bands`` for each crown. [ft]
    canopy_model : str
        ``column`` (solid from the substrate to each cell's height), ``crown-base`` (solid from the
        crown's base to each cell's height), a solid of :mod:`geotrim.core.solids` between the
        base and the crown's top, as wide as the crown's polygon, or ``profile``: the volume of the
        column spread over heights as ``profiles`` spread the crown's leaves.
    crown_base_ft, crown_base_frac : float, optional
        Base of crowns without their own, as a height or as a share of the top; not both.
    target_height_ft : float, optional
        Height to be left; the share of the crown above it is what the cut would take.
    min_coverage_frac : float
        Cells covered less are ignored for the top, never for volumes.
    height_correction : str
        ``none``, ``error`` or ``bias``: what stick readings do to the heights and their error; see
        :func:`geotrim.core.calibration.correction`.

    Returns
    -------
    Result
        Tables ``slices`` and ``slice_bands``. Volumes are of what was seen; NaN when nothing was.
        Shares are of that volume, undefined (NaN) when it is 0; ``is_partial`` marks crowns that
        were not seen whole, so that their shares are not taken for the whole crown's. A solid takes
        the whole polygon and the top that was seen.

    Raises
    ------
    GeotrimError
        If a parameter is outside its limits, a model lacks its base, a column is missing or a CRS
        cannot be used.
    """
    parameters = catalogue.SLICES.check(
        {
            "band_ft": band_ft,
            "breaks_ft": breaks_ft,
            "canopy_model": canopy_model,
            "crown_base_ft": crown_base_ft,
            "crown_base_frac": crown_base_frac,
            "target_height_ft": target_height_ft,
            "min_coverage_frac": min_coverage_frac,
            "height_correction": height_correction,
        }
    )
    view = _View(crowns, heights, calibrate, parameters, 1)
    model = _Model(crowns, parameters, profiles, view.shift_ft)
    seen = model.measure(view, parameters, want_p99=False)
    return _slices_result(view, model, seen, parameters)


def heights_and_slices(
    crowns: Any,
    heights: HeightSource,
    calibrate: Result | None = None,
    profiles: Any = None,
    *,
    n_threads: int = 1,
    **parameters: Any,
) -> tuple[Result, Result]:
    """Both results from one pass: every block of the source is read once.

    (Twice when the base is a share of the top and volumes are counted in cells, because the top
    must be known first.)

    Parameters
    ----------
    crowns, heights, calibrate, profiles :
        As for :func:`heights` and :func:`slices`.
    n_threads : int
        Threads that read the heights; the results are the same whatever their number.
    **parameters :
        Those of both.
    """
    ours, theirs = (
        {param.name for param in operation.params}
        for operation in (catalogue.HEIGHTS, catalogue.SLICES)
    )
    for_heights = catalogue.HEIGHTS.check({k: v for k, v in parameters.items() if k in ours})
    for_slices = catalogue.SLICES.check(
        {k: v for k, v in parameters.items() if k in theirs or k not in ours}
    )
    view = _View(crowns, heights, calibrate, for_heights, n_threads)
    model = _Model(crowns, for_slices, profiles, view.shift_ft)
    seen = model.measure(view, for_slices, want_p99=True)
    return (
        _heights_result(view, seen, for_heights),
        _slices_result(view, model, seen, for_slices),
    )


class _View:
    """The crowns as the height source sees them: rings in its CRS, areas on the ground."""

    def __init__(
        self,
        crowns: Any,
        source: HeightSource,
        calibrate: Result | None,
        parameters: Mapping[str, Any],
        n_threads: int,
    ) -> None:
        check_columns(crowns, ("crown_id",), "crowns")
        check_height_source(source)
        source, told = corrected(source, calibrate, parameters["height_correction"])
        per_unit = feet_per_map_unit(crowns.crs, "crowns")
        shapes = crowns.geometry.to_numpy()
        self.ids = crowns["crown_id"].to_numpy()
        self.source = source
        self.n_threads = n_threads
        self.shift_ft = float(getattr(source, "shift_ft", 0.0))
        self.area_ft2: Floats = np.nan_to_num(shapely.area(shapes)) * per_unit**2
        self.rings = rings_of(shapes)
        self.cell_area_ft2: float | None = (
            check_transform(source.transform, "heights") * per_unit**2
        )
        self.notes: list[Note] = [*getattr(source, "notes", ()), *told]
        if source.crs is not None:
            self._project(CRS.from_user_input(crowns.crs), CRS.from_user_input(source.crs))
        if len(crowns) == 0:
            self.notes.append(Note("crowns", "there are none to measure", "missing"))

    def _project(self, site: CRS, grid: CRS) -> None:
        if grid.equals(site, ignore_axis_order=True):
            return
        moved: Rings = self.rings.moved(Transformer.from_crs(site, grid, always_xy=True).transform)
        if np.abs(moved.xy - self.rings.xy).max(initial=0.0) < UNMOVED:
            return  # another name for the same CRS
        self.rings, self.cell_area_ft2 = moved, None
        text = (
            f"the raster is in {grid.name}; it was not resampled: crowns were taken to its CRS, "
            "and a cell's area is the crown's area on the site over its area in cells"
        )
        self.notes.append(Note("heights", text, "info"))

    def measure(
        self,
        parameters: dict[str, Any],
        *,
        breaks_ft: Iterable[float] = (0.0,),
        base_ft: npt.ArrayLike = 0.0,
        want_p99: bool,
    ) -> CanopyMeasures:
        return measure_canopy(
            self.rings,
            self.source,
            crown_area_ft2=self.area_ft2,
            cell_area_ft2=self.cell_area_ft2,
            breaks_ft=sorted({0.0, *breaks_ft}),
            base_ft=base_ft,
            min_coverage_frac=parameters["min_coverage_frac"],
            want_p99=want_p99,
            n_threads=self.n_threads,
        )

    def named(self, which: npt.NDArray[np.bool_]) -> str:
        """How many crowns, and the first few by name."""
        ids = [str(i) for i in self.ids[which]]
        shown = ", ".join(ids[:5]) + (", ..." if len(ids) > 5 else "")
        return f"{len(ids)} {'crown' if len(ids) == 1 else 'crowns'} ({shown})"

    def tell(self, which: npt.NDArray[np.bool_], text: str, level: str = "missing") -> list[Note]:
        """One note about the crowns in question, or none."""
        return [Note("crowns", f"{self.named(which)}: {text}", level)] if which.any() else []


class _Model:
    """A canopy model and the base of each crown, as far as it is known without heights."""

    def __init__(
        self,
        crowns: Any,
        parameters: dict[str, Any],
        profiles: Any = None,
        shift_ft: float = 0.0,
    ) -> None:
        self.name: str = parameters["canopy_model"]
        self.profile: ProfileModel | None = None
        self.is_solid = self.name in FORM_FACTORS
        self.frac: float | None = parameters["crown_base_frac"]
        common: float | None = parameters["crown_base_ft"]
        if common is not None and self.frac is not None:
            raise RangeError(
                "crown_base_ft and crown_base_frac",
                "both",
                "one of them",
                "leave out the one that is not meant",
            )
        own = _own_heights(crowns, "base_height_ft")
        self._crowns, self._parameters = crowns, parameters
        self.notes: list[Note] = []
        self.target_ft = targets_ft(crowns, parameters["target_height_ft"])
        has_base = common is not None or self.frac is not None
        if self.name == "column":
            if has_base:
                text = (
                    "the crown's base is not used for volumes, since a column stands on the "
                    "substrate; only a planned height is held against it"
                )
                self.notes.append(Note("canopy_model", text, "info"))
            self.base_ft: Floats = np.zeros(len(own))
            self.frac = None
            return
        if self.name == "profile":
            self.profile = ProfileModel(crowns, profiles, shift_ft)
            self.base_ft, self.frac = self.profile.base_ft, None
            if has_base or np.isfinite(own).any():
                text = (
                    "the crown's base is not used for shares, since its profile tells where its "
                    "leaves begin; only a planned height is held against it"
                )
                self.notes.append(Note("canopy_model", text, "info"))
            return
        if not has_base and len(own) and not np.isfinite(own).any():
            raise RangeError(
                f"canopy_model {self.name!r}",
                "no base height, neither a parameter nor a column base_height_ft",
                "the height of each crown's base",
                "give crown_base_ft or crown_base_frac (0 for crowns down to the substrate)",
            )
        self.base_ft = own if common is None else np.where(np.isnan(own), common, own)

    def measure(self, view: _View, parameters: dict[str, Any], *, want_p99: bool) -> CanopyMeasures:
        """The pass, with bases that were waiting for a top filled in."""
        waits = np.isnan(self.base_ft)
        breaks = {*parameters["band_ft"], *(parameters["breaks_ft"] or ()), *self._one_target()}
        if self.frac is not None and waits.any():
            want_first = want_p99 and self.is_solid  # else there is another pass
            seen = view.measure(parameters, breaks_ft=breaks, want_p99=want_first)
            self.base_ft = np.where(waits, self.frac * seen.top_ft, self.base_ft)
            if self.is_solid:
                return seen
        base = np.nan_to_num(self.base_ft) if self.profile is None else 0.0
        return view.measure(parameters, breaks_ft=breaks, base_ft=base, want_p99=want_p99)

    def above_ft3(self, seen: CanopyMeasures, break_ft: float) -> Floats:
        """Volume above a break under this model; NaN where the base is not known."""
        if self.profile is not None:
            return seen.over_ft3(0.0) * self.profile.above(break_ft)
        if self.is_solid:
            return solid_above_ft3(
                self.name, seen.crown_area_ft2, self.base_ft, seen.top_ft, break_ft
            )
        return np.where(np.isnan(self.base_ft), np.nan, seen.over_ft3(break_ft))

    def above_target_ft3(
        self, view: _View, seen: CanopyMeasures, parameters: dict[str, Any]
    ) -> tuple[Floats, Floats]:
        """Foliage above each crown's own target, and all its foliage; NaN without a target.

        Foliage begins at the crown's base wherever that is known, under the column model too: what
        a cut takes is a share of the crown, not of the trunk's room under it. Targets or bases that
        differ from what the first pass looked at need a pass of their own.
        """
        unknown = np.isnan(self.target_ft) | np.isnan(self.base_ft)
        whole = self.above_ft3(seen, 0.0)
        if unknown.all():
            nothing = np.full(len(unknown), np.nan)
            return nothing, nothing
        if self.profile is not None:
            return whole * self.profile.above(self.target_ft), whole
        if self.is_solid:
            area, top = seen.crown_area_ft2, seen.top_ft
            return solid_above_ft3(self.name, area, self.base_ft, top, self.target_ft), whole
        base = self.foliage_base_ft(seen.top_ft)
        one = self._one_target()
        if one and (base == self.base_ft).all():
            over = seen.over_ft3(one[0])
        else:
            floor = np.nan_to_num(np.fmax(self.target_ft, base))
            over = view.measure(parameters, base_ft=floor, want_p99=False).over_ft3(0.0)
        if (base > self.base_ft).any():
            whole = view.measure(parameters, base_ft=base, want_p99=False).over_ft3(0.0)
        return np.where(unknown, np.nan, over), np.where(unknown, np.nan, whole)

    def foliage_base_ft(self, top_ft: Floats) -> Floats:
        """Where each crown's foliage begins: 0 where nobody knows under the column model. [ft]."""
        if self.name != "column":
            return self.base_ft
        return np.nan_to_num(foliage_bases_ft(self._crowns, self._parameters, top_ft))

    def _one_target(self) -> tuple[float, ...]:
        """The target of all crowns that have one, if it is the same for all."""
        known = np.unique(self.target_ft[np.isfinite(self.target_ft)])
        return (float(known[0]),) if known.size == 1 else ()


def foliage_bases_ft(crowns: Any, parameters: Mapping[str, Any], top_ft: Floats) -> Floats:
    """Height of each crown's lowest foliage: its own, else the common one; NaN if unknown. [ft].

    Parameters
    ----------
    crowns : DataFrame
    parameters : mapping
        ``crown_base_ft`` and ``crown_base_frac`` as the operation ``slices`` used them.
    top_ft : (n,) array
        Tops, for a base that is a share of them.
    """
    own = _own_heights(crowns, "base_height_ft")
    common, share = parameters.get("crown_base_ft"), parameters.get("crown_base_frac")
    if common is not None:
        return np.where(np.isnan(own), common, own)
    return own if share is None else np.where(np.isnan(own), share * top_ft, own)


def targets_ft(crowns: Any, common_ft: float | None) -> Floats:
    """Height each crown is to be left at: its own, else the common one; NaN if unknown. [ft]."""
    own = _own_heights(crowns, "target_height_ft")
    return own if common_ft is None else np.where(np.isnan(own), common_ft, own)


def _own_heights(crowns: Any, column: str) -> Floats:
    """Heights of a column of the crowns, NaN where it says nothing."""
    if column not in crowns.columns:
        return np.full(len(crowns), np.nan)
    own: Floats = crowns[column].to_numpy(dtype=np.float64, na_value=np.nan)
    own = np.where(np.isfinite(own), own, np.nan)
    low = np.flatnonzero(own < 0.0)
    if low.size:
        raise RangeError(
            f"crowns {column}",
            f"{own[low[0]]:g} for crown {crowns['crown_id'].iloc[low[0]]}",
            "a height of 0 ft or more above the substrate",
            "correct it, or leave it empty if it is not known",
        )
    return own


def _heights_result(view: _View, seen: CanopyMeasures, parameters: dict[str, Any]) -> Result:
    limits = np.asarray(parameters["height_limits_ft"])
    rmse = view.source.rmse_ft
    nearest, margin = nearest_limits(seen.top_ft, limits)
    classes = height_classes(seen.top_ft, limits, UPWARD_LIMITS_FT)
    names = np.array([*class_names(limits), "no data"], dtype=object)  # -1 is the last
    has_top = np.isfinite(seen.top_ft)
    too_close = pd.array([pd.NA] * len(has_top), dtype="boolean")
    notes = [*view.notes, *_notes_on_sight(view, seen)]
    if rmse is None:
        text = "their error is not stated, so no height can be told too close to call"
        notes.append(Note("heights", text, "missing"))
    else:
        reach = quantile_two_sided(parameters["confidence_frac"]) * rmse
        too_close[has_top] = np.abs(margin[has_top]) <= reach
    table = pd.DataFrame(
        {
            "crown_id": view.ids,
            "height_class": names[classes],
            "top_height_ft": seen.top_ft,
            "p99_height_ft": seen.p99_ft,
            "mean_height_ft": seen.mean_ft,
            "height_error_ft": np.where(has_top, np.nan if rmse is None else rmse, np.nan),
            "nearest_limit_ft": nearest,
            "limit_margin_ft": margin,
            "is_too_close": too_close,
            "covered_frac": seen.covered_frac,
            "is_partial": seen.is_partial,
        }
    )
    return Result("heights", {"heights": table}, tuple(notes), parameters)


def _slices_result(
    view: _View, model: _Model, seen: CanopyMeasures, parameters: dict[str, Any]
) -> Result:
    low, high = parameters["band_ft"]
    whole, over_low, over_high = (model.above_ft3(seen, b) for b in (0.0, low, high))
    over_target, foliage = model.above_target_ft3(view, seen, parameters)
    table = pd.DataFrame(
        {
            "crown_id": view.ids,
            "canopy_model": np.full(len(view.ids), model.name, dtype=object),
            "crown_base_ft": model.base_ft,
            "crown_area_ft2": seen.crown_area_ft2,
            "volume_ft3": whole,
            "volume_under_ft3": whole - over_low,
            "volume_band_ft3": over_low - over_high,
            "volume_over_ft3": over_high,
            "share_under_frac": _share(whole - over_low, whole),
            "share_band_frac": _share(over_low - over_high, whole),
            "share_over_frac": _share(over_high, whole),
            "target_height_ft": model.target_ft,
            "volume_above_target_ft3": over_target,
            "share_above_target_frac": _share(over_target, foliage),
            "covered_frac": seen.covered_frac,
            "is_partial": seen.is_partial,
        }
    )
    notes = [*view.notes, *_notes_on_sight(view, seen), *model.notes]
    unknown = np.isnan(model.base_ft) & ~np.isnan(seen.top_ft)
    lacking = "base height" if model.profile is None else "profile"
    notes += view.tell(unknown, f"no {lacking}, so no volume under this model")
    bare = model.base_ft >= seen.top_ft
    has_base = model.name not in ("column", "profile")
    if has_base:
        notes += view.tell(bare, "base at or over the top: no volume, undefined shares")
    if model.profile is not None:
        notes += _notes_on_profiles(view, model.profile, seen)
    empty = (whole == 0.0) & ~(bare if has_base else np.zeros_like(bare))
    notes += view.tell(empty, "no volume, so undefined shares")
    tables = {"slices": table, "slice_bands": _bands(view, model, seen, whole, parameters)}
    return Result("slices", tables, tuple(notes), parameters)


def _bands(
    view: _View,
    model: _Model,
    seen: CanopyMeasures,
    whole: Floats,
    parameters: dict[str, Any],
) -> pd.DataFrame:
    """One row for each crown and pair of breaks, crown by crown."""
    breaks = parameters["breaks_ft"] or ()
    n, n_bands = len(view.ids), max(len(breaks) - 1, 0)
    above = np.array([model.above_ft3(seen, b) for b in breaks]).reshape(len(breaks), n).T
    volume = (above[:, :-1] - above[:, 1:]).reshape(n * n_bands)
    return pd.DataFrame(
        {
            "crown_id": np.repeat(view.ids, n_bands),
            "low_ft": np.tile(np.asarray(breaks[:-1], dtype=np.float64), n),
            "high_ft": np.tile(np.asarray(breaks[1:], dtype=np.float64), n),
            "volume_ft3": volume,
            "share_frac": _share(volume, np.repeat(whole, n_bands)),
        }
    )


def _share(part: Floats, whole: Floats) -> Floats:
    """Part over whole; undefined where there is no whole."""
    out = np.full(whole.shape, np.nan)
    np.divide(part, whole, out=out, where=whole > 0.0)
    return out


def _notes_on_profiles(view: _View, profile: ProfileModel, seen: CanopyMeasures) -> list[Note]:
    """How far leaf-area weights may be trusted, and where they do not fit the heights."""
    text = (
        "shares are of leaf area as a lidar cloud saw it, for comparing heights within one tree; "
        "the volumes are those of the column, spread by these shares"
    )
    notes = [Note("canopy_model", text, "info")] if profile.is_known.any() else []
    if profile.shift_ft:
        text = "profiles are moved by as much as the heights, as if made from the same ground"
        notes.append(Note("canopy_model", text, "assumed"))
    text = (
        "no pulse was seen to come through the lowest layer of their profile, so that layer's "
        "weight rests on half a pulse, and leaves under it are not in the shares"
    )
    notes += view.tell(profile.is_capped, text, "assumed")
    text = (
        f"top of the heights and of the profile more than {FAR_OFF_FT:g} ft apart. Are both of "
        "the same crown, time and unit?"
    )
    return notes + view.tell(profile.is_far_from(seen.top_ft), text, "assumed")


def _notes_on_sight(view: _View, seen: CanopyMeasures) -> list[Note]:
    """What could not be seen, and what looks like another kind of raster."""
    flat = ~(seen.crown_area_ft2 > 0.0)
    notes = view.tell(flat, "no area, so nothing to measure")
    blind = ~(seen.covered_frac > 0.0)
    notes += view.tell(blind & ~flat, "wholly off the heights or on no data, not measured")
    notes += view.tell(seen.is_partial & ~blind, "seen in part only; shares are of that part")
    small = np.isnan(seen.top_ft) & ~blind
    notes += view.tell(small, "no cell covered by min_coverage_frac, so no top height")
    odd = (seen.top_ft > HIGHEST_FT) | (seen.mean_ft < LOWEST_FT)
    text = (
        f"heights over {HIGHEST_FT:g} ft or under {LOWEST_FT:g} ft, taken as heights above "
        "the substrate all the same. Is this raster one of elevations?"
    )
    return notes + view.tell(odd, text, "assumed")
