"""Lengths, depths and places along the shores of all lots, as rules see them.

Whatever costs much is only measured if it is asked for: a screening looks at one set of readings,
the operation ``route`` at every one of them.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import numpy.typing as npt
import shapely

from geotrim.core.fringe import OUTLINE_STEP_FT, Baseline, covered_spans, swath_depths
from geotrim.core.stretches import joined, side_lines
from geotrim.model import Result
from geotrim.ops.fringes import baselines, fringe_again, regions_of
from geotrim.ops.route_trees import Floats, Inputs, Trees
from geotrim.ops.tables import rows_by
from geotrim.rules.case import Measured
from geotrim.rules.rule_file import built_in
from geotrim.rules.side_by_side import Rows

Ints = npt.NDArray[np.intp]
Flags = npt.NDArray[np.bool_]
_NO_ROWS = np.empty(0, dtype=np.intp)


@dataclass(frozen=True, slots=True, eq=False)
class Lots:
    """The m measured lots with the trees that are theirs.

    trees : (k,) rows of ``Trees``, lot after lot, in the order of the crowns within each.
    rows : which of these are of which lot, of those lots that have trees.
    planted : numbers of the lots that have trees, rising.
    """

    ids: list[str]
    shapes: npt.NDArray[np.object_]
    trees: Ints
    rows: Rows
    planted: Ints

    def of_lots(self, planted: Any, missing: Any = np.nan) -> Any:
        """(m,) values of every lot, of those of lots that have trees."""
        out = np.full(len(self.ids), missing, dtype=np.asarray(planted).dtype)
        out[self.planted] = planted
        return out


@dataclass(frozen=True, slots=True, eq=False)
class Transects:
    """Depths of fringes, station by station; NaN where no tree stands."""

    lot: npt.NDArray[np.object_]
    stretch: npt.NDArray[np.object_]
    station_ft: Floats
    depth_ft: Floats
    landward_ft: Floats


class Shore:
    """What is measured along the shores of all lots.

    Parameters
    ----------
    given : Inputs
    lots : Lots
    trees : Trees or None
    feet : float
        International feet in one map unit.
    wants : callable
        Whether a value of this name will be looked at.
    """

    def __init__(
        self,
        given: Inputs,
        lots: Lots,
        trees: Trees | None,
        feet: float,
        wants: Callable[[str], bool],
    ) -> None:
        self.given, self.lots, self.feet, self.wants = given, lots, feet, wants
        self.number = {lot_id: k for k, lot_id in reversed(list(enumerate(lots.ids)))}
        table = given.frontage["frontage"]
        is_mine = table["lot_id"].isin(self.number).to_numpy(dtype=bool)
        self.stretches = table[is_mine]
        rows = rows_by(self.stretches["lot_id"])
        #: Rows of ``stretches`` of each lot
        self.of_lot = [rows.get(lot_id, _NO_ROWS) for lot_id in lots.ids]
        self.has_shore = np.array([mine.size > 0 for mine in self.of_lot], dtype=bool)
        self.runs = self.stretches["run_id"].to_numpy(dtype=object)
        self.lines = np.asarray(self.stretches.geometry.array, dtype=object)
        self.rmse = float(given.mhw_facts.get("position_rmse_ft", np.nan))
        self._base: list[Baseline] | None = None
        self.sure: Flags | None = None
        if trees is not None and np.isnan(trees.is_mangrove).any():
            self.sure = ~np.isnan(trees.is_mangrove)

    @property
    def base(self) -> list[Baseline]:
        """Baseline of every stretch."""
        if self._base is None:
            given = self.given
            smoothing = float(given.frontage.parameters.get("smoothing_length_ft", 50.0))
            some = {**given.frontage.tables, "frontage": self.stretches}
            mine = replace(given.frontage, tables=some)
            self._base = baselines(mine, given.mhw_line, smoothing, self.feet)
        return self._base

    def lengths(self) -> dict[str, Measured]:
        """The shoreline of each lot, measured three ways, with its error; of lots with a shore."""
        table = self.given.frontage["lots"]
        at = {lot_id: k for k, lot_id in reversed(list(enumerate(table["lot_id"].tolist())))}
        mine = [at[lot_id] for lot_id in self.lots.ids]
        n_runs = np.array([len(set(self.runs[rows].tolist())) for rows in self.of_lot])
        error = np.sqrt(2.0 * n_runs) * self.rmse
        out = {}
        for name, column in (("along", "frontage_length_ft"), ("chord", "frontage_chord_ft")):
            values = table[column].to_numpy(dtype=np.float64)[mine]
            out[f"shoreline_{name}_ft"] = Measured.of(values, error)
        if self.wants("shoreline_smoothed_ft"):
            each = [float(shapely.length(shapely.LineString(base.xy))) for base in self.base]
            smooth = np.array([sum(each[k] for k in rows) for rows in self.of_lot])
            out["shoreline_smoothed_ft"] = Measured.of(smooth * self.feet, error)
        return out

    def depths(self, trees: Trees) -> dict[str, Measured]:
        """Depth of the fringe: its greatest, and where each tree stands; square both ways.

        The greatest is one a lot, (m,); what is told where trees stand, (k,).
        """
        fringe, out = self.given.fringe, {}
        error = self._depth_error(trees)
        of_trees = self.lots.rows.spread(error)
        has_places = self.given.riparian_lines is not None
        for name in ("", "local_") if has_places and fringe is not None else ("",):
            greatest, station = f"depth_{name}greatest_ft", f"depth_{name}station_ft"
            if fringe is None or (name and not (self.wants(greatest) or self.wants(station))):
                continue
            found = self._again(None) if name else _transects_of(fringe)
            sure = None if self.sure is None or not has_places else self._sure(found, trees, name)
            depth = Measured.of(self._greatest(found), self.lots.of_lots(error))
            out[greatest] = _with_least(depth, None if sure is None else self._greatest(sure))
            if name and not self.wants(station):
                continue
            at, landward = self._at_transects(found, trees)
            if self.wants(station):
                least = None if sure is None else self._at_transects(sure, trees)[0]
                out[station] = _with_least(Measured.of(at, of_trees), least)
            if not name:
                inward = trees.offset[self.lots.trees] - landward
                out["from_innermost_ft"] = Measured.of(inward, of_trees)
        return out

    def _depth_error(self, trees: Trees) -> Floats:
        """Of each lot that has trees: root of two times the mean square error of a place. [ft]."""
        mine = self.lots.trees
        places = trees.place_error[mine]
        known = np.isfinite(places) & (trees.is_mangrove[mine] != 0.0)
        n = self.lots.rows.count(known)
        squares = np.where(known, places, 0.0) ** 2
        total = np.add.reduceat(squares, self.lots.rows.starts) if mine.size else np.empty(0)
        with np.errstate(invalid="ignore"):
            error: Floats = np.sqrt(2.0 * (total / n))
        return error

    def _again(self, keep: Flags | None, smoothing_ft: float | None = 0.0) -> Transects:
        """The fringe again: of some crowns, and square to the shore as it is drawn."""
        given = self.given
        if given.fringe is None:
            raise ValueError("a fringe is measured again only where it was measured")
        again = fringe_again(
            given.lots,
            given.mhw_line,
            given.crowns,
            given.frontage,
            given.fringe,
            trunks=given.trunks,
            keep=keep,
            smoothing_length_ft=smoothing_ft,
        )
        return _transects_of(again)

    def _sure(self, found: Transects, trees: Trees, name: str) -> Transects:
        """The depths if none of the plants of unknown species is a mangrove.

        Trees stand where they stood, so that offsets are looked at once more, and no shore; canopy
        edges are not known by tree.
        """
        asked = {} if self.given.fringe is None else self.given.fringe.parameters
        if name or asked["fringe_reference"] == "edge":
            return self._again(self.sure, 0.0 if name else None)
        counts = trees.is_mangrove == 1.0
        if asked["fringe_reference"] == "trunk":
            counts &= trees.has_trunk
        doubted = set(trees.stretch[np.isnan(trees.is_mangrove)].tolist())
        standing = rows_by(np.where(counts, trees.stretch, None))
        deep, inner = found.depth_ft.copy(), found.landward_ft.copy()
        for stretch, rows in rows_by(found.stretch).items():
            if stretch in doubted:
                mine = standing.get(stretch, _NO_ROWS)
                at, s, off = found.station_ft[rows], trees.station[mine], trees.offset[mine]
                low, high, _ = swath_depths(at, s, off, float(asked["swath_ft"]))
                deep[rows], inner[rows] = high - low, low
        return replace(found, depth_ft=deep, landward_ft=inner)

    def _greatest(self, found: Transects) -> Floats:
        """(m,) greatest depth of each lot's fringe; NaN where a lot has none. [ft]."""
        out = np.full(len(self.lots.ids), np.nan)
        number = np.array([self.number.get(lot_id, -1) for lot_id in found.lot], dtype=np.intp)
        mine = number >= 0
        np.fmax.at(out, number[mine], found.depth_ft[mine])
        return out

    def _at_transects(self, found: Transects, trees: Trees) -> tuple[Floats, Floats]:
        """(k,) depth and landward end at the nearest transect, of those where trees stand."""
        mine = self.lots.trees
        station, stretch = trees.station[mine], trees.stretch[mine]
        depth, landward = np.full(mine.size, np.nan), np.full(mine.size, np.nan)
        rows_of = rows_by(
            np.where(np.isnan(found.depth_ft), np.array(None, dtype=object), found.stretch)
        )
        for name, here in rows_by(np.where(np.isfinite(station), stretch, None)).items():
            rows = rows_of.get(name)
            if rows is not None:
                gap = np.abs(station[here][:, None] - found.station_ft[rows])
                nearest = rows[gap.argmin(axis=1)]
                depth[here] = found.depth_ft[nearest]
                landward[here] = found.landward_ft[nearest]
        return depth, landward

    def places(self, trees: Trees) -> tuple[dict[str, Measured], Flags]:
        """(k,) how far each trunk, and each crown, lies inside its lot's side limits.

        A tree of a lot stands in the lot or in its water: that is how it came to be its own.
        Second, (m,) lots with a shore all round: there is no side to stand beyond. Of lots without
        a shore nothing is told.
        """
        lines, mine = self.given.riparian_lines, self.lots.trees
        trunk, crown = np.full(mine.size, np.inf), np.full(mine.size, np.inf)
        is_round = np.zeros(len(self.lots.ids), dtype=bool)
        wants_crown = self.wants("crown_margin_ft")
        regions = self._regions() if wants_crown else {}
        limits = None if lines is None else lines["riparian_lines"]
        rows = {} if limits is None else rows_by(limits["lot_id"])
        shapes = None if limits is None else np.asarray(limits.geometry.array, dtype=object)
        first, sizes = self.lots.rows.starts, self.lots.rows.sizes
        for k, low, n in zip(self.lots.planted.tolist(), first, sizes, strict=True):
            if not self.has_shore[k] or shapes is None:
                continue
            sides = self._sides(k, shapes[rows.get(self.lots.ids[k], _NO_ROWS)])
            is_round[k] = shapely.is_empty(sides)
            if is_round[k]:
                continue
            which, here = mine[low : low + n], slice(low, low + n)
            trunk[here] = shapely.distance(shapely.points(trees.point[which]), sides) * self.feet
            if wants_crown:
                region = regions[self.lots.ids[k]][1]
                crown[here] = _crown_margins(trees.shape[which], sides, region) * self.feet
        out = {"trunk_margin_ft": Measured.of(trunk, trees.place_error[mine])}
        if wants_crown:
            out["crown_margin_ft"] = Measured.of(crown)
        return out, is_round

    def _regions(self) -> dict[str, tuple[Any, Any]]:
        """Each lot, and the lot with its water."""
        given = self.given
        reach = float(given.frontage.parameters.get("reach_ft", 5.0)) / self.feet
        return regions_of(given.lots, given.frontage, given.riparian_lines, reach)  # type: ignore[arg-type]

    def _sides(self, k: int, limits: Any) -> Any:
        """Where a lot and its water end to the sides: riparian lines, and its own side lines."""
        runs = rows_by(self.runs[self.of_lot[k]]).values()
        fronts = [joined(self.lines[self.of_lot[k][rows]]) for rows in runs]
        return shapely.union_all([*limits, side_lines(self.lots.shapes[k], fronts)])

    def shares(self, trees: Trees) -> tuple[dict[str, Measured], Flags]:
        """(m,) of what the plan would trim, the share three ways; and of which lots it is known.

        The greatest it can be: of unknown species, those that are cut count, no others. The least:
        those that are cut are no mangroves, the others are.
        """
        mine, rows = self.lots.trees, self.lots.rows
        counts = self._counts(trees)
        is_known = rows.count(counts & np.isnan(trees.planned[mine])) == 0
        is_cut, is_sure = trees.planned[mine] == 1.0, trees.is_mangrove[mine] == 1.0
        cut, every = counts & is_cut, counts & (is_sure | is_cut)
        cut_sure, every_least = counts & is_cut & is_sure, counts & (is_sure | ~is_cut)
        tall = np.where(np.isnan(trees.field), trees.top, trees.field)[mine]
        floor = built_in()[0].rules["permit-share-counted"].limit.number
        over, may_be_over = tall > floor, ~(tall <= floor)
        tall_cut, tall_sure = cut & may_be_over, cut_sure & over
        out = {
            "share_of_trees_frac": self._share(rows.count, cut, every, cut_sure, every_least),
            "permit_share_frac": self._share(
                rows.count,
                tall_cut,
                tall_cut | (every & over),
                tall_sure,
                tall_sure | (every_least & may_be_over),
            ),
        }
        area = trees.area_ft2[mine]
        if self.wants("share_of_area_frac"):
            out["share_of_area_frac"] = self._share(
                lambda flags: np.add.reduceat(np.where(flags, area, 0.0), rows.starts),
                cut,
                every,
                cut_sure,
                every_least,
            )
        if self.wants("share_of_length_frac"):
            sizes = self._lengths_along(trees, [cut, every, cut_sure, every_least])
            out["share_of_length_frac"] = self._share(lambda size: size, *sizes)
        return out, self.lots.of_lots(is_known, missing=False)

    def fringe_lengths(self, trees: Trees) -> dict[str, Measured]:
        """(m,) length of shore that each lot's mangroves, and what may be some, stand along."""
        if not self.wants("fringe_length_ft"):
            return {}
        (length,) = self._lengths_along(trees, [self._counts(trees)])
        return {"fringe_length_ft": Measured.of(self.lots.of_lots(length * self.feet))}

    def _counts(self, trees: Trees) -> Flags:
        """(k,) trees of a fringe that are mangroves, or may be."""
        mine = self.lots.trees
        flags: Flags = trees.on_shore[mine] & (trees.is_mangrove[mine] != 0.0)
        return flags

    def _share(self, size: Callable[[Any], Any], *sets: Any) -> Measured:
        """(m,) share of each lot from what is cut and what counts; and the least it can be."""
        cut, every, cut_least, every_least = (np.asarray(size(one), np.float64) for one in sets)
        most, least = _part(cut, every), _part(cut_least, every_least)
        of_lots = self.lots.of_lots
        return replace(Measured.of(of_lots(most), 0.0), least=Measured.of(of_lots(least), 0.0))

    def _lengths_along(self, trees: Trees, sets: list[Flags]) -> list[Floats]:
        """Length of shore along which trees stand, of each lot that has trees. [map units].

        Trees that are in the same sets are looked at together, so that no outline is followed
        twice.
        """
        mine, m = self.lots.trees, self.lots.planted.size
        out = [np.zeros(m) for _ in sets]
        kind = np.zeros(mine.size, dtype=np.intp)
        for bit, flags in enumerate(sets):
            kind |= flags.astype(np.intp) << bit
        standing = rows_by(np.where(kind > 0, trees.stretch[mine], None))
        ids = self.stretches["stretch_id"].tolist()
        step = OUTLINE_STEP_FT / self.feet
        for k, lot in enumerate(self.lots.planted):
            for row in self.of_lot[lot]:
                here = standing.get(ids[row], _NO_ROWS)
                if not here.size:
                    continue
                kinds = kind[here]
                spans = {
                    int(one): covered_spans(
                        self.base[row], trees.shape[mine[here[kinds == one]]], step
                    )
                    for one in np.unique(kinds)
                }
                for bit, total in enumerate(out):
                    total[k] += _length([some for one, some in spans.items() if one >> bit & 1])
        return out


def _length(spans: list[Floats]) -> float:
    """Length of spans, counted once where they overlap."""
    if not spans:
        return 0.0
    every = np.concatenate(spans)
    if len(spans) == 1:
        return float((every[:, 1] - every[:, 0]).sum())
    low, high = every[np.argsort(every[:, 0], kind="stable")].T
    before = np.concatenate([[-np.inf], np.maximum.accumulate(high)[:-1]])
    return float(np.maximum(high - np.maximum(low, before), 0.0).sum())


def _part(part: Floats, whole: Floats) -> Floats:
    """A share; nothing of nothing is none."""
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.where(whole > 0.0, part / whole, np.where(part > 0.0, np.nan, 0.0))


def _crown_margins(crowns: Any, sides: Any, region: Any) -> Floats:
    """How far crowns lie inside side limits, less than 0 beyond them. [map units]."""
    margin: Floats = shapely.distance(crowns, sides)
    out = shapely.difference(crowns, region)
    over = (margin == 0.0) & ~shapely.is_empty(out)
    margin[over] = -shapely.hausdorff_distance(out[over], shapely.intersection(sides, out[over]))
    return margin


def _transects_of(fringe: Result) -> Transects:
    """Transects of a measured fringe."""
    table = fringe["transects"]
    names = [table[name].to_numpy(dtype=object) for name in ("lot_id", "stretch_id")]
    units = ("station_ft", "fringe_depth_ft", "landward_ft")
    return Transects(*names, *(table[name].to_numpy(dtype=np.float64) for name in units))


def _with_least(depth: Measured, least: Floats | None) -> Measured:
    """With the depth of the known mangroves: none where there is none of them."""
    if least is None:
        return depth
    return replace(depth, least=Measured.of(np.nan_to_num(least), depth.error))
