"""Every crown with the values that rules compare, as arrays in the order of the crowns."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, fields
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely

from geotrim.core.calibration import ENOUGH_CHECKS, is_bias_sure
from geotrim.model import Facts, Note, Result
from geotrim.ops.canopy import foliage_bases_ft, targets_ft
from geotrim.ops.kept import is_kept
from geotrim.ops.profile_model import ProfileModel
from geotrim.rules.case import Measured, either
from geotrim.rules.species import is_mangrove, is_red
from geotrim.rules.verdict import AT_LIMIT_FT, standard_errors

Floats = npt.NDArray[np.float64]
#: A trunk that was not surveyed stands this share of the crown's radius from its centre, as a
#: standard error. Common practice, no source.
OFF_CENTRE_FRAC = 0.5
#: A field height this far from the raster's is worth a look. Common practice, no source. [ft]
FAR_OFF_FT = 3.0
#: Kind of land set aside -> value of a case that is 1 for the trees it covers.
COVERED = {
    "conservation": ("in_conservation",),
    "mitigation": ("in_mitigation",),
    "uninhabited-island": ("in_island",),
    "public-uninhabited-island": ("in_island", "in_public_island"),
}


@dataclass(frozen=True, slots=True, eq=False)
class Inputs:
    """What the operation was given; as in :class:`geotrim.model.Site` and its results."""

    lots: Any
    mhw_line: Any
    frontage: Result
    riparian_lines: Result | None
    fringe: Result | None
    heights: Result | None
    slices: Result | None
    crowns: Any
    trunks: Any
    trunks_rmse_ft: float | None
    mhw_facts: Mapping[str, Any]
    set_aside: Any
    exclusions: Any
    facts: Facts
    target_height_ft: float | None
    stage_years: int
    unstated_height_error_ft: float
    confidence_frac: float
    calibrate: Result | None = None
    profiles: Any = None

    @classmethod
    def of(cls, said: Mapping[str, Any]) -> Inputs:
        """What an operation was called with, as its ``locals()`` have it at the start."""
        values = {one.name: said[one.name] for one in fields(cls)}
        mhw_facts, facts = values["mhw_facts"] or {}, values["facts"] or Facts()
        return cls(**{**values, "mhw_facts": mhw_facts, "facts": facts})


class Trees:
    """Every crown with its values, in the order of the crowns."""

    def __init__(self, given: Inputs, fringe: Result, feet: float) -> None:
        crowns, places = given.crowns, fringe["fringe_crowns"]
        self.ids = crowns["crown_id"].astype(str).to_numpy(dtype=object)
        at = _in_order(places, self.ids, _PLACES)
        self.lot = at["lot_id"].to_numpy(dtype=object)
        self.is_placed = pd.notna(self.lot)
        self.stretch = at["stretch_id"].to_numpy(dtype=object)
        self.station = at["station_ft"].to_numpy(dtype=np.float64)
        self.offset = at["offset_ft"].to_numpy(dtype=np.float64)
        self.has_trunk = at["has_trunk"].to_numpy(dtype=bool)
        self.on_shore = pd.notna(self.stretch)
        self.shape = np.asarray(crowns.geometry.array, dtype=object)
        self.point = _points(given, self.ids, self.shape, self.has_trunk)
        self.area_ft2: Floats = shapely.area(self.shape) * feet**2
        rmse = np.nan if given.trunks_rmse_ft is None else given.trunks_rmse_ft
        off_centre = OFF_CENTRE_FRAC * np.sqrt(self.area_ft2 / np.pi)
        self.place_error = np.where(self.has_trunk, rmse, off_centre)
        self.notes: list[Note] = []
        if given.trunks_rmse_ft is None and self.has_trunk.any():
            text = "their position error is not stated, so each is taken to stand where it is drawn"
            self.notes.append(Note("trunks", text, "assumed"))
        names = crowns["species"] if "species" in crowns.columns else [None] * len(crowns)
        self.is_mangrove = _of_names(is_mangrove, names)
        self.is_red = _of_names(is_red, names)
        self.to_trim = _yes_no(crowns["is_to_trim"]) if "is_to_trim" in crowns.columns else None
        self.kept = is_kept(crowns)
        self._measured(given)
        self._leave_kept()
        self.covered = _covered(given, self.point, self.place_error / feet)
        lacking = int((~self.has_trunk & self.is_placed).sum())
        if lacking:
            text = (
                f"{lacking} trees stand at their crown's centre here, give or take half its radius"
            )
            self.notes.append(Note("trunks", text, "assumed"))
        n_out = int(_inside(given.exclusions, self.point).sum())
        if n_out:
            text = (
                f"{n_out} trees stand in an exclusion, where nothing may be trimmed by what the "
                "user says; they are judged here by the rules alone"
            )
            self.notes.append(Note("exclusions", text, "info"))
        n_away = int((~self.is_placed).sum())
        if n_away:
            which = f"{n_away} of {len(self.ids)} stand on no measured lot and in no lot's water"
            self.notes.append(Note("crowns", f"{which}: not judged", "info"))

    def _measured(self, given: Inputs) -> None:
        """Heights with their errors, and the share above the planned height."""
        crowns, n = given.crowns, len(self.ids)
        self.field = _column(crowns, "field_height_ft", n)
        self.field_error = _column(crowns, "field_height_error_ft", n)
        # A kept tree is left at its own height, whatever height is planned
        self.target = np.where(self.kept, np.inf, targets_ft(crowns, given.target_height_ft))
        self.top, self.top_error = np.full(n, np.nan), np.full(n, np.nan)
        if given.heights is not None:
            table = _in_order(given.heights["heights"], self.ids, _HEIGHTS)
            whole = ~table["is_partial"].to_numpy(dtype=bool)
            self.top = np.where(whole, table["top_height_ft"], np.nan)
            self.top_error = table["height_error_ft"].to_numpy(dtype=np.float64)
            if np.isnan(self.top_error[np.isfinite(self.top)]).any():
                self.top_error = np.full(n, given.unstated_height_error_ft)
                text = (
                    f"their error is not stated; {given.unstated_height_error_ft:g} ft is taken "
                    "here, as found for uncorrected ground under south-west Florida's wetlands"
                )
                self.notes.append(Note("heights", text, "assumed"))
            if _is_unstated_floor(given.calibrate):
                self.top_error = np.fmax(self.top_error, given.unstated_height_error_ft)
        found = {} if given.heights is None else given.heights.parameters
        is_moved = found.get("height_correction") == "bias"
        self.is_corrected = is_moved and _is_bias_sure(given.calibrate)
        if self.is_corrected:
            text = (
                "stick readings took their bias off, so the reading that the ground under them is "
                "high (substrate_reading) raises them no further"
            )
            self.notes.append(Note("heights", text, "info"))
        elif is_moved:
            text = (
                f"stick readings of fewer than {ENOUGH_CHECKS} trees, or that agree with the "
                "raster within chance, do not settle how high the ground under them reads, so the "
                "reading that it is high (substrate_reading) raises them all the same"
            )
            self.notes.append(Note("heights", text, "assumed"))
        self.removed = np.full(n, np.nan)
        self.profile: ProfileModel | None = None
        bases = {} if given.slices is None else given.slices.parameters
        self.base = foliage_bases_ft(crowns, bases, self.top)
        if given.slices is not None:
            table = _in_order(given.slices["slices"], self.ids, _SLICES)
            whole = ~table["is_partial"].to_numpy(dtype=bool)
            self.removed = np.where(whole, table["share_above_target_frac"], np.nan)
            if bases.get("canopy_model") == "profile":
                self._look_at_profiles(given, table)
        tall = np.where(np.isnan(self.field), self.top, self.field)
        if (np.isfinite(self.field) & np.isnan(self.field_error)).any():
            text = "heights measured in the field state no error and are taken at their word"
            self.notes.append(Note("crowns", text, "assumed"))
        self._compare_heights()
        bare = np.isnan(self.base) & (tall > self.target) & self.is_placed
        if self.profile is not None:
            self._tell_lacking_profiles(tall)
        elif bare.any():
            text = (
                f"{int(bare.sum())} without a height of the lowest foliage; what a cut takes of "
                "them is reckoned as if they bore leaves down to the substrate"
            )
            self.notes.append(Note("crowns", text, "assumed"))
        # Without a choice of trees the plan cuts those that are taller than they are to be left
        known = np.isfinite(tall) & np.isfinite(self.target)
        self.planned = np.where(known, (tall > self.target).astype(np.float64), np.nan)
        if self.to_trim is not None:
            self.planned = self.to_trim

    def _leave_kept(self) -> None:
        """Take trees marked to be kept out of the plan, even those chosen to be trimmed."""
        if not self.kept.any():
            return
        mine = self.kept & self.is_placed
        if mine.any():
            text = (
                f"{int(mine.sum())} marked to be left as they are ({_named(self.ids[mine])}): no "
                "cut of them is planned, whatever height they are to be left at"
            )
            self.notes.append(Note("crowns", text, "info"))
        chosen = np.full(len(self.ids), np.nan) if self.to_trim is None else self.to_trim
        both = mine & (chosen == 1.0)
        if both.any():
            text = (
                f"{int(both.sum())} both to be trimmed (is_to_trim) and to be kept (keep): "
                f"{_named(self.ids[both])}; they are kept: mend one of the two"
            )
            self.notes.append(Note("crowns", text, "assumed"))
        self.to_trim = np.where(self.kept, 0.0, chosen)
        self.planned = np.where(self.kept, 0.0, self.planned)

    def _look_at_profiles(self, given: Inputs, slices: Any) -> None:
        """Lowest leaves where no base was measured; and heights that are not the profile's."""
        self.profile = ProfileModel(given.crowns, given.profiles, _shift_ft(given.calibrate))
        own = _column(given.crowns, "base_height_ft", len(self.ids))
        seen = slices["crown_base_ft"].to_numpy(dtype=np.float64)
        self.base = np.where(np.isnan(own) & np.isfinite(seen), seen, self.base)
        other = np.abs(self.field - self.top) > AT_LIMIT_FT
        n_other = int((other & np.isfinite(self.removed)).sum())
        if n_other:
            text = (
                f"{n_other} measured in the field at another height than the raster's: where it is "
                "taller their profile is moved up as a whole, where it is lower it is left as it "
                "is; of both, what takes more of the leaves"
            )
            self.notes.append(Note("crowns", text, "assumed"))

    def _tell_lacking_profiles(self, tall: Floats) -> None:
        """Name the trees of which nobody knows what share of the leaves a cut takes."""
        is_cut = (tall > self.target) & ~(self.target <= self.base) & self.is_placed
        lost = is_cut & np.isnan(self.removed)
        if self.profile is None or not lost.any():
            return
        for which, why in (
            (lost & ~self.profile.is_known, "have no profile"),
            (lost & self.profile.is_known, "were not seen whole by the raster"),
        ):
            if which.any():
                text = (
                    f"{int(which.sum())} {why} ({_named(self.ids[which])}); what share of their "
                    "leaves a cut takes is not known, and nothing stands in for it"
                )
                self.notes.append(Note("crowns", text, "missing"))

    def leaves_above(self, which: Any) -> Callable[[Floats], Floats] | None:
        """Shares of some trees' leaves over heights; None where no profiles are asked for."""
        profile = self.profile
        if profile is None:
            return None

        def above(height_ft: Floats) -> Floats:
            heights = np.full(len(self.ids), np.nan)
            heights[which] = height_ft
            share: Floats = profile.above(heights)[which]
            return share

        return above

    def _compare_heights(self) -> None:
        """Tell heights of the field that are far from the raster's: a wrong tag, a wrong unit."""
        gap = np.abs(self.field - self.top)
        errors = np.hypot(np.nan_to_num(self.field_error), np.nan_to_num(self.top_error))
        far = gap > np.maximum(FAR_OFF_FT, 3.0 * errors)
        if not far.any():
            return
        worst = int(np.nanargmax(np.where(far, gap, np.nan)))
        pair = f"{self.field[worst]:.1f} against {self.top[worst]:.1f} ft"
        text = (
            f"{int(far.sum())} heights measured in the field are far from the raster's, most of "
            f"all at {self.ids[worst]} ({pair}): check tags and units"
        )
        self.notes.append(Note("crowns", text, "assumed"))

    def values(self) -> dict[str, Measured]:
        """Values of every tree that do not hang on its lot."""
        out = {
            "is_mangrove": Measured.of(self.is_mangrove, 0.0),
            "is_red": Measured.of(self.is_red, 0.0),
            "raster_height_ft": Measured.of(self.top, self.top_error),
            "field_height_ft": Measured.of(self.field, self.field_error),
            "target_height_ft": Measured.of(self.target, 0.0),
            "base_height_ft": Measured.of(self.base),
            "foliage_removed_frac": Measured.of(self.removed),
            "on_shore": Measured.of(self.on_shore.astype(np.float64), 0.0),
            "canopy_area_ft2": Measured.of(self.area_ft2),
        }
        if self.to_trim is not None:
            out["is_to_trim"] = Measured.of(self.to_trim, 0.0)
        return out | {name: Measured.of(flags, 0.0) for name, flags in self.covered.items()}


def _points(given: Inputs, ids: Any, shapes: Any, has_trunk: Any) -> Floats:
    """Trunk of each crown where it is known, else its centre."""
    points: Floats = shapely.get_coordinates(shapely.centroid(shapes)).reshape(-1, 2)
    if given.trunks is not None and has_trunk.any():
        known = given.trunks.drop_duplicates("crown_id")
        known = known.set_index(known["crown_id"].astype(str))
        at = known.index.get_indexer(ids)
        found = has_trunk & (at >= 0)
        points[found] = shapely.get_coordinates(np.asarray(known.geometry.array)[at[found]])
    return points


def _inside(areas: Any, points: Floats) -> npt.NDArray[np.bool_]:
    """Which points a table of polygons covers."""
    if areas is None or not len(areas):
        return np.zeros(len(points), dtype=bool)
    area = shapely.union_all(areas.geometry.array)
    shapely.prepare(area)
    return shapely.intersects(area, shapely.points(points))


def _covered(given: Inputs, points: Floats, place_error: Floats) -> dict[str, Floats]:
    """For each kind of land set aside, 1 where it covers a point, NaN where that is too close."""
    out: dict[str, Floats] = {}
    if given.set_aside is None:
        return out
    reach = standard_errors(given.confidence_frac) * np.nan_to_num(place_error)
    spots = shapely.points(points)
    for kind, names in COVERED.items():
        which = (given.set_aside["kind"] == kind).to_numpy()
        area = shapely.union_all(np.asarray(given.set_aside.geometry.array)[which])
        shapely.prepare(area)
        inside = shapely.intersects(area, spots).astype(np.float64)
        if which.any():
            edge = _distances(shapely.boundary(area), spots)
            inside[(edge <= reach) & (reach > 0.0)] = np.nan
        for name in names:
            out[name] = inside if name not in out else either(out[name], inside)
    return out


def _distances(shape: Any, spots: Any) -> Floats:
    """Distance of points to one shape, which is made ready for many questions."""
    shapely.prepare(shape)
    away: Floats = shapely.distance(shape, spots)
    return away


def _named(ids: Any) -> str:
    """The first few by name."""
    return ", ".join(str(i) for i in ids[:5]) + (", ..." if len(ids) > 5 else "")


def _is_bias_sure(calibrate: Result | None) -> bool:
    """Whether stick readings show a bias for sure."""
    if calibrate is None or "calibration" not in calibrate.tables:
        return False
    row = calibrate["calibration"].iloc[0]
    return is_bias_sure(int(row["n_trees"]), row["bias_low_ft"], row["bias_high_ft"])


def _is_unstated_floor(calibrate: Result | None) -> bool:
    """Whether too few stick readings made the error of heights that state none."""
    if calibrate is None or "calibration" not in calibrate.tables:
        return False
    row = calibrate["calibration"].iloc[0]
    is_made = np.isfinite(row["corrected_error_ft"]) and np.isnan(row["stated_error_ft"])
    return bool(is_made and row["n_trees"] < ENOUGH_CHECKS)


def _shift_ft(calibrate: Result | None) -> float:
    """What stick readings took off the heights. [ft]."""
    if calibrate is None or "calibration" not in calibrate.tables:
        return 0.0
    return float(np.nan_to_num(calibrate["calibration"]["shift_ft"].iloc[0]))


#: What is looked at of tables of crowns.
_PLACES = ("lot_id", "stretch_id", "station_ft", "offset_ft", "has_trunk")
_HEIGHTS = ("is_partial", "top_height_ft", "height_error_ft")
_SLICES = ("is_partial", "share_above_target_frac", "crown_base_ft")


def _in_order(table: Any, ids: Any, columns: tuple[str, ...]) -> Any:
    """Some columns of a table of crowns, its rows in the order of the ids."""
    some = table[[name for name in columns if name in table.columns]]
    return pd.DataFrame(some).set_index(table["crown_id"].astype(str)).reindex(ids)


def _column(table: Any, name: str, n: int) -> Floats:
    if name not in table.columns:
        return np.full(n, np.nan)
    column: Floats = table[name].to_numpy(dtype=np.float64, na_value=np.nan)
    return column


def _yes_no(values: Any) -> Floats:
    """1, 0 and NaN for True, False and None."""
    known = {True: 1.0, False: 0.0}
    return np.array([known.get(v, np.nan) for v in values], dtype=np.float64)


def _of_names(ask: Callable[[object], bool | None], names: Any) -> Floats:
    """What is asked of each name, asked once of every name there is."""
    codes, every = pd.factorize(np.asarray(names, dtype=object))
    told: Floats = np.append(_yes_no([ask(name) for name in every]), np.nan)[codes]
    return told
