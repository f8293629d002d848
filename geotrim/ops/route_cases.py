"""From a site's tables and the results before it to one case a lot, as the rules see it."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely

from geotrim.core.calibration import ENOUGH_CHECKS, is_bias_sure
from geotrim.core.fringe import canopy_extent
from geotrim.core.stretches import joined, side_lines
from geotrim.model import Facts, Note, Result
from geotrim.ops.canopy import foliage_bases_ft, targets_ft
from geotrim.ops.fringes import OUTLINE_STEPS, baselines, regions_of
from geotrim.ops.fringes import fringe as measure_fringe
from geotrim.ops.kept import is_kept
from geotrim.ops.profile_model import ProfileModel
from geotrim.rules.case import Case, Measured, either
from geotrim.rules.rule_file import built_in
from geotrim.rules.species import is_mangrove, is_red
from geotrim.rules.verdict import AT_LIMIT_FT, standard_errors
from geotrim.units import feet_per_map_unit

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


def cases(given: Inputs) -> tuple[list[Case], list[Note]]:
    """One case for each measured lot, and what was taken for granted.

    Parameters
    ----------
    given : Inputs

    Notes
    -----
    Errors of lengths along the shore: each end of a run of shore lies as far off as the line's
    position error, so the length by the square root of two times that. Depth from trunk to trunk
    likewise, with the trunks' error; a crown's centre stands in for a trunk that was not surveyed
    with half the crown's radius as its error.
    """
    feet = feet_per_map_unit(given.lots.crs, "lots")
    shore = _Shore(given, feet)
    trees = None if given.fringe is None else _Trees(given, given.fringe, feet)
    notes = [] if trees is None else trees.notes
    out = []
    for row in given.lots[given.lots["is_measured"].to_numpy(dtype=bool)].itertuples():
        lot_id = str(row.lot_id)
        values = shore.values(lot_id)
        ids: tuple[str, ...] = ()
        if trees is not None:
            which = np.flatnonzero(trees.lot == lot_id)
            ids = tuple(trees.ids[which])
        if trees is not None and ids:  # of a lot without trees, nothing is known of any
            values |= trees.values(which) | shore.depths(lot_id, trees.stretch[which], trees, which)
            values |= shore.places(lot_id, row.geometry, trees, which)
            values |= shore.shares(lot_id, trees, which)
        facts = given.facts.of(lot_id)
        above = trees.leaves_above(which) if trees is not None and ids else None
        out.append(Case(lot_id, ids, values, facts, given.stage_years, above))
    return out, notes


class _Trees:
    """Every crown with its values, in the order of the crowns."""

    def __init__(self, given: Inputs, fringe: Result, feet: float) -> None:
        crowns, places = given.crowns, fringe["fringe_crowns"]
        self.ids = crowns["crown_id"].astype(str).to_numpy(dtype=object)
        at = places.set_index(places["crown_id"].astype(str)).reindex(self.ids)
        self.lot = at["lot_id"].to_numpy(dtype=object)
        self.stretch = at["stretch_id"].to_numpy(dtype=object)
        self.station = at["station_ft"].to_numpy(dtype=np.float64)
        self.offset = at["offset_ft"].to_numpy(dtype=np.float64)
        self.has_trunk = at["has_trunk"].to_numpy(dtype=bool)
        self.on_shore = at["stretch_id"].notna().to_numpy(dtype=bool)
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
        self.is_mangrove = _yes_no([is_mangrove(name) for name in names])
        self.is_red = _yes_no([is_red(name) for name in names])
        self.to_trim = _yes_no(crowns["is_to_trim"]) if "is_to_trim" in crowns.columns else None
        self.kept = is_kept(crowns)
        self._measured(given)
        self._leave_kept()
        self.covered = _covered(given, self.point, self.place_error / feet)
        lacking = int((~self.has_trunk & pd.notna(self.lot)).sum())
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
        n_away = int(pd.isna(self.lot).sum())
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
            table = _in_order(given.heights["heights"], self.ids)
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
            table = _in_order(given.slices["slices"], self.ids)
            whole = ~table["is_partial"].to_numpy(dtype=bool)
            self.removed = np.where(whole, table["share_above_target_frac"], np.nan)
            if bases.get("canopy_model") == "profile":
                self._look_at_profiles(given, table)
        tall = np.where(np.isnan(self.field), self.top, self.field)
        if (np.isfinite(self.field) & np.isnan(self.field_error)).any():
            text = "heights measured in the field state no error and are taken at their word"
            self.notes.append(Note("crowns", text, "assumed"))
        self._compare_heights()
        bare = np.isnan(self.base) & (tall > self.target) & pd.notna(self.lot)
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
        mine = self.kept & pd.notna(self.lot)
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
        is_cut = (tall > self.target) & ~(self.target <= self.base) & pd.notna(self.lot)
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

    def values(self, which: Any) -> dict[str, Measured]:
        """Values of some trees that do not hang on their lot."""
        out = {
            "is_mangrove": Measured.of(self.is_mangrove[which], 0.0),
            "is_red": Measured.of(self.is_red[which], 0.0),
            "raster_height_ft": Measured.of(self.top[which], self.top_error[which]),
            "is_raster_corrected": Measured.of(float(self.is_corrected), 0.0),
            "field_height_ft": Measured.of(self.field[which], self.field_error[which]),
            "target_height_ft": Measured.of(self.target[which], 0.0),
            "base_height_ft": Measured.of(self.base[which]),
            "foliage_removed_frac": Measured.of(self.removed[which]),
            "on_shore": Measured.of(self.on_shore[which].astype(np.float64), 0.0),
            "canopy_area_ft2": Measured.of(self.area_ft2[which]),
        }
        if self.to_trim is not None:
            out["is_to_trim"] = Measured.of(self.to_trim[which], 0.0)
        for name, flags in self.covered.items():
            out[name] = Measured.of(flags[which], 0.0)
        return out


class _Shore:
    """Lengths, depths and places along each lot's shore."""

    def __init__(self, given: Inputs, feet: float) -> None:
        self.given, self.feet = given, feet
        smoothing = float(given.frontage.parameters.get("smoothing_length_ft", 50.0))
        self.stretches = given.frontage["frontage"]
        self.base = baselines(given.frontage, given.mhw_line, smoothing, feet)
        self.rmse = float(given.mhw_facts.get("position_rmse_ft", np.nan))
        self.regions: dict[str, tuple[Any, Any]] = {}
        self.local: Result | None = None
        self.sure: dict[str, Result | None] = {"": None, "local_": None}
        if given.fringe is not None and given.riparian_lines is not None:
            reach = float(given.frontage.parameters.get("reach_ft", 5.0)) / feet
            self.regions = regions_of(given.lots, given.frontage, given.riparian_lines, reach)
            self.local = self._fringe(given.crowns, smoothing_length_ft=0.0)
            mangrove = [is_mangrove(name) for name in given.crowns["species"]]
            if None in mangrove:  # how deep is the fringe if none of those is one?
                sure = given.crowns[[one is not None for one in mangrove]]
                self.sure[""] = self._fringe(sure)
                self.sure["local_"] = self._fringe(sure, smoothing_length_ft=0.0)
        self.fringes = {"": given.fringe, "local_": self.local}
        self.transects = {name: _by_stretch(one) for name, one in self.fringes.items()}
        self.sure_transects = {name: _by_stretch(one) for name, one in self.sure.items()}

    def _fringe(self, crowns: Any, **changed: float) -> Result:
        """The fringe again, of other crowns or with other parameters."""
        given = self.given
        if given.fringe is None or given.riparian_lines is None:
            raise ValueError("a fringe is measured again only where it was measured")
        trunks = given.trunks
        if trunks is not None:
            trunks = trunks[trunks["crown_id"].isin(crowns["crown_id"])]
        return measure_fringe(
            given.lots,
            given.mhw_line,
            crowns,
            given.frontage,
            given.riparian_lines,
            trunks=trunks,
            **{**given.fringe.parameters, **changed},
        )

    def values(self, lot_id: str) -> dict[str, Measured]:
        """The shoreline of a lot, measured three ways, with its error."""
        lots = self.given.frontage["lots"]
        row = lots[lots["lot_id"] == lot_id].iloc[0]
        mine = (self.stretches["lot_id"] == lot_id).to_numpy()
        if not mine.any():
            return {}
        n_runs = self.stretches.loc[mine, "run_id"].nunique()
        error = np.sqrt(2.0 * n_runs) * self.rmse
        smooth = sum(
            float(shapely.length(shapely.LineString(base.xy)))
            for base, is_mine in zip(self.base, mine, strict=True)
            if is_mine
        )
        return {
            "shoreline_along_ft": Measured.of(float(row["frontage_length_ft"]), error),
            "shoreline_chord_ft": Measured.of(float(row["frontage_chord_ft"]), error),
            "shoreline_smoothed_ft": Measured.of(smooth * self.feet, error),
        }

    def depths(self, lot_id: str, stretch: Any, trees: _Trees, which: Any) -> dict[str, Measured]:
        """Depth of the fringe: its greatest, and where each tree stands; square both ways."""
        out = {}
        places = trees.place_error[which][trees.is_mangrove[which] != 0.0]
        known = places[np.isfinite(places)]
        error = np.sqrt(2.0 * np.mean(known**2)) if known.size else np.nan
        for name in ("", "local_"):
            result, sure = self.fringes[name], self.sure[name]
            if result is None:
                continue
            depth = Measured.of(_greatest(result, lot_id), error)
            least = None if sure is None else _least(_greatest(sure, lot_id), error)
            out[f"depth_{name}greatest_ft"] = replace(depth, least=least)
            where = trees.station[which]
            depth_at, landward = _at_transects(self.transects[name], stretch, where)
            if sure is not None:
                at, _ = _at_transects(self.sure_transects[name], stretch, where)
                least = _least(at, error)
            out[f"depth_{name}station_ft"] = replace(Measured.of(depth_at, error), least=least)
            if not name:
                inward = trees.offset[which] - landward
                out["from_innermost_ft"] = Measured.of(inward, error)
        return out

    def places(self, lot_id: str, lot: Any, trees: _Trees, which: Any) -> dict[str, Measured]:
        """How far each trunk, and each crown, lies inside the lot's side limits."""
        lines = self.given.riparian_lines
        mine = (self.stretches["lot_id"] == lot_id).to_numpy()
        if lot_id not in self.regions or lines is None or not mine.any():
            return {}
        limits = lines["riparian_lines"]
        sides = limits.geometry.array[(limits["lot_id"] == lot_id).to_numpy()]
        parts = self.stretches[mine].groupby("run_id", sort=False)
        every = shapely.union_all(
            [*sides, side_lines(lot, [joined(rows.geometry.array) for _, rows in parts])]
        )
        if every.is_empty:  # a shore all round: there is no side to stand beyond
            return {
                name: Measured.of(np.inf, 0.0) for name in ("trunk_margin_ft", "crown_margin_ft")
            }
        region = self.regions[lot_id][1]
        points = shapely.points(trees.point[which])
        to_line = shapely.distance(points, every) * self.feet
        inside = np.where(shapely.intersects(region, points), to_line, -to_line)
        crown = shapely.distance(trees.shape[which], every) * self.feet
        out = shapely.difference(trees.shape[which], region)
        over = (crown == 0.0) & ~shapely.is_empty(out)
        beyond = shapely.hausdorff_distance(out[over], shapely.intersection(every, out[over]))
        crown[over] = -beyond * self.feet
        return {
            "trunk_margin_ft": Measured.of(inside, trees.place_error[which]),
            "crown_margin_ft": Measured.of(crown),
        }

    def shares(self, lot_id: str, trees: _Trees, which: Any) -> dict[str, Measured]:
        """Length of the fringe; and of what the plan would trim, the share three ways."""
        counts = trees.on_shore[which] & (trees.is_mangrove[which] != 0.0)
        fringe = self._covered(lot_id, trees, which[counts])
        out = {"fringe_length_ft": Measured.of(fringe * self.feet)}
        if np.isnan(trees.planned[which[counts]]).any():
            return out
        mine = which[counts]
        is_cut, is_sure = trees.planned[mine] == 1.0, trees.is_mangrove[mine] == 1.0
        # The greatest the share can be: of unknown species, those that are cut count, no others
        cut, all_counted = mine[is_cut], mine[is_sure | is_cut]
        tall = np.where(np.isnan(trees.field), trees.top, trees.field)
        floor = built_in()[0].rules["permit-share-counted"].limit.number
        tall_cut = cut[~(tall[cut] <= floor)]
        tall_all = np.union1d(tall_cut, all_counted[tall[all_counted] > floor])
        # The least: those that are cut are no mangroves, the others are
        cut_sure, all_least = mine[is_cut & is_sure], mine[is_sure | ~is_cut]
        tall_sure = cut_sure[tall[cut_sure] > floor]
        tall_least = np.union1d(tall_sure, all_least[~(tall[all_least] <= floor)])
        kinds: dict[str, Callable[[Any], float]] = {
            "share_of_trees_frac": len,
            "share_of_area_frac": lambda trees_: float(trees.area_ft2[trees_].sum()),
            "share_of_length_frac": lambda trees_: self._covered(lot_id, trees, trees_),
        }
        for name, size in kinds.items():
            most = _part(size(cut), size(all_counted))
            least = _part(size(cut_sure), size(all_least))
            out[name] = replace(Measured.of(most, 0.0), least=Measured.of(least, 0.0))
        most, least = _part(len(tall_cut), len(tall_all)), _part(len(tall_sure), len(tall_least))
        out["permit_share_frac"] = replace(Measured.of(most, 0.0), least=Measured.of(least, 0.0))
        return out

    def _covered(self, lot_id: str, trees: _Trees, which: Any) -> float:
        """Length of shore that some crowns stand along. [map units]."""
        total = 0.0
        for row, base in zip(self.stretches.itertuples(), self.base, strict=True):
            mine = which[trees.stretch[which] == row.stretch_id]
            if row.lot_id != lot_id or not mine.size:
                continue
            spacing = 10.0 / OUTLINE_STEPS / self.feet
            edges, low, _ = canopy_extent(base, trees.shape[mine], spacing, 0.5 / self.feet)
            total += float(np.diff(edges)[np.isfinite(low)].sum())
        return total


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
    return shapely.intersects(shapely.union_all(areas.geometry.array), shapely.points(points))


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
        inside = shapely.intersects(area, spots).astype(np.float64)
        if which.any():
            edge = shapely.distance(shapely.boundary(area), spots)
            inside[(edge <= reach) & (reach > 0.0)] = np.nan
        for name in names:
            out[name] = inside if name not in out else either(out[name], inside)
    return out


def _least(depth: Any, error: float) -> Measured:
    """Depth of the known mangroves: none where there is none of them."""
    return Measured.of(np.nan_to_num(depth), error)


def _part(part: float, whole: float) -> float:
    """A share; nothing of nothing is none."""
    return part / whole if whole else (0.0 if not part else np.nan)


def _greatest(fringe: Result, lot_id: str) -> float:
    """Greatest depth of a lot's fringe; 0 where a lot has none. [ft]."""
    lots = fringe["fringe_lots"]
    depth = lots.loc[lots["lot_id"] == lot_id, "fringe_depth_max_ft"].to_numpy(dtype=np.float64)
    return float(depth[0]) if depth.size else np.nan


def _by_stretch(fringe: Result | None) -> dict[str, Any]:
    """Transects where trees stand, by stretch."""
    if fringe is None:
        return {}
    rows = fringe["transects"]
    return dict(iter(rows[rows["fringe_depth_ft"].notna()].groupby("stretch_id")))


def _at_transects(
    transects: Mapping[str, Any], stretch: Any, station: Floats
) -> tuple[Floats, Floats]:
    """Depth and landward end at the transect nearest to each tree, of those where trees stand."""
    depth, landward = np.full(len(station), np.nan), np.full(len(station), np.nan)
    for name in set(stretch[pd.notna(stretch)]) & set(transects):
        rows = transects[name]
        mine = np.flatnonzero((stretch == name) & np.isfinite(station))
        at = rows["station_ft"].to_numpy(dtype=np.float64)
        nearest = np.abs(station[mine][:, None] - at).argmin(axis=1)
        depth[mine] = rows["fringe_depth_ft"].to_numpy(dtype=np.float64)[nearest]
        landward[mine] = rows["landward_ft"].to_numpy(dtype=np.float64)[nearest]
    return depth, landward


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


def _in_order(table: Any, ids: Any) -> Any:
    """Rows of a table of crowns in the order of the ids."""
    return table.set_index(table["crown_id"].astype(str)).reindex(ids)


def _column(table: Any, name: str, n: int) -> Floats:
    if name not in table.columns:
        return np.full(n, np.nan)
    column: Floats = table[name].to_numpy(dtype=np.float64, na_value=np.nan)
    return column


def _yes_no(values: Any) -> Floats:
    """1, 0 and NaN for True, False and None."""
    known = {True: 1.0, False: 0.0}
    return np.array([known.get(v, np.nan) for v in values], dtype=np.float64)


def lots_without_shore(frontage: Result) -> Iterator[tuple[str, str]]:
    """Ids of lots that have no frontage, with the reason."""
    for row in frontage["lots"].itertuples():
        if row.n_stretches == 0:
            yield str(row.lot_id), str(row.reason)
