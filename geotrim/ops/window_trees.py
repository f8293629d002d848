"""Trees of one lot for a window: what may be done to each, and which limits keep the others."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely

from geotrim.core.foliage import Foliage
from geotrim.core.window_problem import Options
from geotrim.errors import LayerError
from geotrim.ops import window_rules as rules
from geotrim.ops.window_menu import menu
from geotrim.ops.window_rules import Seen, Way
from geotrim.rules.rule_file import Rule, number_words
from geotrim.rules.species import is_mangrove, is_red
from geotrim.rules.verdict import MET, NOT_MET, TOO_CLOSE, UNKNOWN, standard_errors

Floats = npt.NDArray[np.float64]
Flags = npt.NDArray[np.bool_]
#: A trunk this close to the zone's edge stands in it: outlines are drawn in steps. [ft]
EDGE_FT = 0.05
#: Between the names of limits that rule one option out together.
AND = " and "
#: Trees named in a note.
MOST_IDS = 12


@dataclass(frozen=True, slots=True)
class Limit:
    """A limit in words, for the table of limits.

    value, allowed : what was found and what it is held against; NaN where it is no number.
    """

    name: str
    words: str
    source: str
    value: float = np.nan
    allowed: float = np.nan
    unit: str = ""


@dataclass(frozen=True, slots=True, eq=False)
class Stand:
    """All crowns of the site, n, as the window of one lot sees them.

    ids, species : (n,)
    is_mine : (n,) on the lot or in the water before it.
    is_fringe : (n,) in its fringe, so that it may be treated.
    is_other : (n,) known to be no mangrove.
    is_gone : (n,) taken away before the window is cut.
    point : (n, 2) trunk, else the crown's centre. [map units]
    shape, area_ft2 : (n,) the crowns, in map units, and their areas. [ft2]
    keep : (n,) why it is to be left, "" if it need not be.
    seen : what rules compare.
    is_unseen : (n,) no height that can be relied on.
    """

    ids: npt.NDArray[np.object_]
    species: npt.NDArray[np.object_]
    is_mine: Flags
    is_fringe: Flags
    is_other: Flags
    is_gone: Flags
    stretch: npt.NDArray[np.object_]
    station_ft: Floats
    point: Floats
    shape: npt.NDArray[np.object_]
    area_ft2: Floats
    keep: npt.NDArray[np.object_]
    seen: Seen
    is_unseen: Flags


def stand_of(
    lot_id: str, crowns: Any, trunks: Any, fringe: Any, route: Any, foliage: Foliage, *,
    keep: Mapping[str, str], remove_others: bool, confidence_frac: float, feet: float,
) -> Stand:  # fmt: skip
    """The trees of one lot among all crowns.

    Parameters
    ----------
    lot_id : str
    crowns, trunks : GeoDataFrame
    fringe, route : Result
        Of those operations.
    foliage : Foliage
        Of all crowns.
    keep : mapping
        Id -> why it is to be left.
    remove_others : bool
        The lot's plants that are known to be no mangroves are taken away first.
    confidence_frac : float
    feet : float
        International feet in one map unit.
    """
    ids = crowns["crown_id"].astype(str).to_numpy(dtype=object)
    places = _in_order(fringe["fringe_crowns"], ids)
    judged = route["tree_outcomes"]
    judged = _in_order(judged[judged["lot_id"] == lot_id], ids)
    lots = route["lot_outcomes"]
    shore = lots[lots["lot_id"] == lot_id]
    names = crowns["species"] if "species" in crowns.columns else [None] * len(crowns)
    kind = np.array([_flag(is_mangrove(name)) for name in names], dtype=np.float64)
    is_mine = (places["lot_id"] == lot_id).to_numpy(dtype=bool)
    base = _numbers(crowns, "base_height_ft", len(ids))
    top = judged["top_height_ft"].to_numpy(dtype=np.float64)
    return Stand(
        ids=ids,
        species=np.array([_text(name) for name in names], dtype=object),
        is_mine=is_mine,
        is_fringe=is_mine & places["is_fringe"].fillna(False).to_numpy(dtype=bool),
        is_other=kind == 0.0,
        is_gone=is_mine & (kind == 0.0) & remove_others,
        stretch=places["stretch_id"].to_numpy(dtype=object),
        station_ft=places["station_ft"].to_numpy(dtype=np.float64),
        point=_points(crowns, trunks, ids, places["has_trunk"].fillna(False).to_numpy(dtype=bool)),
        shape=np.asarray(crowns.geometry.array, dtype=object),
        area_ft2=shapely.area(np.asarray(crowns.geometry.array, dtype=object)) * feet**2,
        keep=_kept(crowns, ids, keep),
        seen=Seen(
            top_ft=top,
            error_ft=judged["height_error_ft"].to_numpy(dtype=np.float64),
            is_red=np.array([_flag(is_red(name)) for name in names], dtype=np.float64),
            is_mangrove=kind,
            base_ft=np.where(np.isfinite(base), base, _seen_bases(foliage)),
            shoreline_ft=_first(shore, "shoreline_length_ft"),
            shoreline_error_ft=_first(shore, "shoreline_error_ft"),
            confidence_frac=confidence_frac,
        ),
        is_unseen=np.isnan(top) | (foliage.is_partial & ~foliage.is_even),
    )


def ids_of(text: str | None, known: Any) -> list[str]:
    """Ids of trees from a text with commas.

    Raises
    ------
    LayerError
        Names those that are not there.
    """
    asked = [part.strip() for part in (text or "").split(",") if part.strip()]
    lost = [name for name in asked if name not in set(known)]
    if lost:
        some = ", ".join(list(known)[:8]) + (" ..." if len(known) > 8 else "")
        raise LayerError(
            "keep", f"no tree {', '.join(repr(name) for name in lost)}", f"ids of crowns: {some}",
            "check the ids, with commas between them",
        )  # fmt: skip
    return asked


def _in_order(table: Any, ids: Any) -> Any:
    """Rows of a table of crowns in the order of the ids."""
    return table.set_index(table["crown_id"].astype(str)).reindex(ids)


def _numbers(table: Any, name: str, n: int) -> Floats:
    if name not in table.columns:
        return np.full(n, np.nan)
    column: Floats = table[name].to_numpy(dtype=np.float64, na_value=np.nan)
    return column


def _first(rows: Any, name: str) -> float:
    return float(rows[name].iloc[0]) if len(rows) else float("nan")


def _flag(value: bool | None) -> float:
    return float("nan") if value is None else float(value)


def _text(value: Any) -> str | None:
    return str(value) if isinstance(value, str) and value.strip() else None


def _seen_bases(foliage: Foliage) -> Floats:
    """Lowest foliage as the canopy model has it, where that says something about the tree.

    Under ``column`` a tree of unknown base stands on the substrate for want of anything better.
    """
    if foliage.model == "column":
        return np.full(len(foliage), np.nan)
    return foliage.base_ft


def _points(crowns: Any, trunks: Any, ids: Any, has_trunk: Flags) -> Floats:
    """Trunk of each crown where it is known, else its centre. [map units]."""
    shapes = np.asarray(crowns.geometry.array, dtype=object)
    points: Floats = shapely.get_coordinates(shapely.centroid(shapes)).reshape(-1, 2)
    if trunks is None or not has_trunk.any():
        return points
    first = trunks.drop_duplicates("crown_id")
    at = pd.Index(first["crown_id"].astype(str)).get_indexer(ids)
    found = has_trunk & (at >= 0)
    points[found] = shapely.get_coordinates(np.asarray(first.geometry.array)[at[found]])
    return points


def _kept(crowns: Any, ids: Any, keep: Mapping[str, str]) -> Any:
    """Why each tree is to be left: by the crowns' own field, and by what the user asked for."""
    own = crowns["keep"] if "keep" in crowns.columns else [None] * len(ids)
    out = np.array([_text(why) or "" for why in own], dtype=object)
    for k, name in enumerate(ids):
        if name in keep:
            out[k] = f"{out[k]}, {keep[name]}" if out[k] else keep[name]
    return out


@dataclass(frozen=True, slots=True, eq=False)
class Treatments:
    """What may be done, and by which limits.

    options : ``barred_by`` counts in ``bars``.
    bars : names; several limits that rule one option out together have one name of their own.
    limits : the single limits by name, in words.
    of_tree : limit -> (n,) trees it keeps, or one of whose options it rules out.
    kept : (n,) limits that keep a tree whatever is done to it, joined; "" where none.
    told : what could not be judged, once for each fact.
    """

    options: Options
    bars: tuple[str, ...]
    limits: Mapping[str, Limit]
    of_tree: Mapping[str, Flags]
    kept: npt.NDArray[np.object_]
    told: tuple[str, ...]


def treatments(
    stand: Stand, station: Any, foliage: Foliage, is_clearable: Flags, way: Way, findings: Any,
    lot_id: str, zone: Any, *, band_ft: tuple[float, float],
    lower_to_ft: tuple[float, ...] | None, most_frac: Floats, margin_ft: float,
    least_kept_frac: float, feet: float,
) -> Treatments:  # fmt: skip
    """Every option of every tree of the lot, with the limits that rule it out.

    Parameters
    ----------
    stand : Stand
    station : (n,) array
        Station of each tree, -1 for none.
    foliage : Foliage
    is_clearable : (k,) array
        Cells of the foliage that lie in the zone.
    way : Way
    findings : DataFrame
        Of ``route``.
    lot_id : str
    zone : Polygon or MultiPolygon
        Of the lot.
    band_ft, lower_to_ft, margin_ft, least_kept_frac :
        Parameters of the operation.
    most_frac : (n,) array
        Most of its foliage each tree may lose over all the years.
    feet : float
    """
    least = rules.least_height_ft(way, margin_ft)
    may = stand.is_fringe & (np.asarray(station) >= 0)  # known non-mangroves are in no fringe
    cuts = menu(may, foliage, is_clearable, band_ft, lower_to_ft, least, most_frac)
    tree, low, high, share = cuts
    book = _Book(len(tree))
    whole = _by_tree(stand, may, way, findings, lot_id, zone, feet, book)
    for limit, flags in whole.values():
        book.add(limit, flags[tree], flags)
    _by_option(stand, way, book, tree, low, high, share, least, least_kept_frac)
    left = book.without_hopeless()
    tree, low, high, share = tree[left], low[left], high[left], share[left]
    names, number = book.numbers()
    n = len(stand.ids)
    return Treatments(
        options=Options(tree, low, high, share * foliage.whole_ft3[tree], share, number),
        bars=names,
        limits=book.limits,
        of_tree={name: book.trees(name, tree, n) for name in book.limits},
        kept=_joined_names(whole, n),
        told=tuple(book.told),
    )


class _Book:
    """Which limits rule which options out."""

    def __init__(self, n_options: int) -> None:
        self.n = n_options
        self.limits: dict[str, Limit] = {}
        self.flags: dict[str, Flags] = {}
        self.whole: dict[str, Flags] = {}
        self.told: list[str] = []

    def add(self, limit: Limit, flags: Flags, of_tree: Flags | None = None) -> None:
        """A limit and the options it rules out; and the trees it keeps whatever is done."""
        if not flags.any() and (of_tree is None or not of_tree.any()):
            return
        self.limits[limit.name] = limit
        self.flags[limit.name] = flags
        if of_tree is not None:
            self.whole[limit.name] = of_tree

    def tell(self, text: str) -> None:
        if text not in self.told:
            self.told.append(text)

    def trees(self, name: str, tree: Any, n: int) -> Flags:
        """(n,) trees a limit keeps, or an option of which it rules out."""
        out = np.zeros(n, dtype=bool)
        out[tree[self.flags[name]]] = True
        return out | self.whole.get(name, np.zeros(n, dtype=bool))

    def without_hopeless(self) -> Flags:
        """(m,) options that stay: one under the floor is there to tell what the floor costs.

        Where another limit rules it out too, the same cut above the floor tells what that one does.
        """
        under = self.flags.get("floor", np.zeros(self.n, dtype=bool))
        others = [flags for name, flags in self.flags.items() if name != "floor"]
        left: Flags = ~(under & np.any(others, axis=0)) if others else np.ones(self.n, dtype=bool)
        self.n = int(left.sum())
        self.flags = {name: flags[left] for name, flags in self.flags.items()}
        return left

    def numbers(self) -> tuple[tuple[str, ...], Any]:
        """Names of the limits that rule options out, alone or together, and each option's."""
        names: dict[str, int] = {}
        out = np.full(self.n, -1, dtype=np.intp)
        for m in range(self.n):
            mine = [name for name, flags in self.flags.items() if flags[m]]
            if mine:
                out[m] = names.setdefault(AND.join(mine), len(names))
        return tuple(names), out


def _joined_names(whole: Mapping[str, tuple[Limit, Flags]], n: int) -> Any:
    out = np.full(n, "", dtype=object)
    for name, (_, flags) in whole.items():
        for k in np.flatnonzero(flags):
            out[k] = f"{out[k]}{AND}{name}" if out[k] else name
    return out


def _by_tree(
    stand: Stand, may: Flags, way: Way, findings: Any, lot_id: str, zone: Any, feet: float,
    book: _Book,
) -> dict[str, tuple[Limit, Flags]]:  # fmt: skip
    """Limits that keep a tree whatever would be done to it."""
    out: dict[str, tuple[Limit, Flags]] = {}

    def put(limit: Limit, flags: Flags) -> None:
        out[limit.name] = (limit, flags & may)

    kept = stand.keep != ""
    why = "; ".join(dict.fromkeys(str(text) for text in stand.keep[kept & may]))
    put(Limit("keep", f"Marked to be left as they are: {why}", "the user"), kept)
    words = "Its height is not known, or only part of its crown was seen: measure by stick first"
    put(Limit("height-unknown", words, "too little is known"), stand.is_unseen)
    at = shapely.points(stand.point)
    is_out = ~shapely.dwithin(zone, at, EDGE_FT / feet) if not shapely.is_empty(zone) else may
    words = "The trunk stands outside the zone: beyond the lot's limits, in a setback or exclusion"
    put(Limit("trunk-outside-zone", words, "zone and setbacks of this site"), is_out)
    for rule in way.before:
        codes = np.full(len(may), MET, dtype=np.int8)
        which = np.flatnonzero(may)
        codes[which], settle = rules.codes_found(findings, lot_id, rule.id, stand.ids[which])
        for limit, flags in _limits_of(rule, codes, stand, may):
            put(limit, flags)
        unknown = (codes == UNKNOWN) & may
        if unknown.any() and rule.limit.measure != rules.BEFORE:
            ask = f"; to find out: {settle}" if settle else ""
            whom = "" if unknown.sum() == may.sum() else f" for {int(unknown.sum())} trees"
            book.tell(f"not known{whom}: {rules.rule_words(rule)} [{rule.source}]{ask}")
    return out


def _limits_of(rule: Rule, codes: Any, stand: Stand, may: Flags) -> list[tuple[Limit, Flags]]:
    """A rule's limits: what is past it, and what is too close to it to call."""
    words, n = rules.rule_words(rule), rule.limit.number
    past, close = codes == NOT_MET, codes == TOO_CLOSE
    if rule.limit.measure == "limit_margin_ft":
        too = f"Whose tree it is cannot be told: its trunk stands too close to the limit. {words}"
        return [
            (Limit("not-of-this-lot", words, rule.source), past),
            (Limit("borderline", too, rule.source), close),
        ]
    if rule.limit.measure != rules.BEFORE:
        too = f"Too close to call, so taken as not met. {words}"
        return [
            (Limit(rule.id, words, rule.source), past),
            (Limit(f"{rule.id}-close", too, rule.source), close),
        ]
    told = number_words(n, "ft")
    local = rule.id.replace(":", "-") if ":" in rule.id else ""
    suffix = f"-{local}" if local else ""
    most = [_greatest(stand.seen.top_ft[flags & may]) for flags in (past, close)]
    too = f"The height is too close to {told} to call: measure by stick first"
    return [
        (Limit(f"height-before{suffix}", words, rule.source, most[0], n, "ft"), past),
        (Limit(f"height-too-close{suffix}", too, rule.source, most[1], n, "ft"), close),
    ]


def _greatest(values: Floats) -> float:
    return float(values.max()) if values.size else float("nan")


def _by_option(
    stand: Stand, way: Way, book: _Book, tree: Any, low: Floats, high: Floats, share: Floats,
    least: float, least_kept_frac: float,
) -> None:  # fmt: skip
    """Limits on a cut by itself."""
    is_top = np.isinf(high)
    _floor(stand, way, book, tree, low, high, least)
    kept = f"A tree keeps at least {least_kept_frac:.0%} of its foliage: more would be no trimming"
    limit = Limit(
        "least-kept", kept.replace("%", " %"), "s. 403.9325(8) F.S.; the share is the user's",
        _greatest(share), 1.0 - least_kept_frac, "frac",
    )  # fmt: skip
    is_all = (share > 1.0 - least_kept_frac + 1e-9) | (share >= 1.0 - 1e-9)
    book.add(limit, is_all)
    for rule in way.cuts:
        codes = rules.cut_codes(rule, stand.seen, tree, low)
        if rule.id == "trim-leaves-foliage":  # a cleared band leaves the kept top its foliage
            codes = np.where(is_top, codes, MET)
        codes = np.where(is_all, MET, codes)  # told by the limit above
        _add(book, rule, codes, "red-foliage" if rule.id == rules.RED else rule.id)
        if rule.id == rules.RED:
            _tell_unknown(book, stand, np.unique(tree[codes == UNKNOWN]))
    for rule in way.removed:
        _add(book, rule, rules.removed_codes(rule, stand.seen, tree, share), rule.id)
    for rule in way.unseen:
        book.tell(f"not looked at here, check by hand: {rules.rule_words(rule)} [{rule.source}]")


def _add(book: _Book, rule: Rule, codes: Any, name: str) -> None:
    limit = Limit(name, rules.rule_words(rule), rule.source)
    book.add(limit, rules.is_barred(codes))


def _tell_unknown(book: _Book, stand: Stand, trees: Any) -> None:
    """Trees that may be red mangroves whose lowest foliage nobody knows."""
    if trees.size:
        some = ", ".join(stand.ids[trees][:MOST_IDS]) + (", ..." if trees.size > MOST_IDS else "")
        n = "1 tree" if trees.size == 1 else f"{trees.size} trees"
        book.tell(
            f"the lowest foliage of {n} ({some}), or whether they are red mangroves, is not known: "
            "no red mangrove is cut below its lowest foliage, so look first"
        )


def _floor(
    stand: Stand, way: Way, book: _Book, tree: Any, low: Floats, high: Floats, least: float
) -> None:
    """No tree is left under the floor, nor under it by a top that was not where it was thought."""
    if way.floor is None:
        words, source = "Kept over the substrate", "the user"
    else:
        words, source = rules.rule_words(way.floor), way.floor.source
    margin = least - (0.0 if way.floor is None else way.floor.limit.number)
    words = f"{words}; with {margin:.3g} ft kept over it" if margin > 0.0 else words
    is_under = low < least - 1e-9
    seen, top = stand.seen, np.isinf(high)
    limit = Limit("floor", words, source, float(low[top].min()) if top.any() else np.nan, least,
                  "ft")  # fmt: skip
    book.add(limit, is_under & top)
    # Of a tree no taller than the band's top nothing is left over it: it is left at the band's foot
    error = np.nan_to_num(seen.error_ft[tree])
    close = seen.top_ft[tree] - high <= standard_errors(seen.confidence_frac) * error
    words = (
        "The top cannot be told from the top of the band: clearing it might leave nothing above, "
        "and so the tree under its least height; measure by stick first"
    )
    book.add(Limit("top-too-close", words, source, unit="ft"), is_under & ~top & close)
