"""Reference systems: one projected CRS a site, and every move into it told."""

from __future__ import annotations

import warnings
from dataclasses import dataclass
from typing import Any

import numpy as np
import shapely
from pyproj import CRS, Proj, Transformer
from pyproj.aoi import AreaOfInterest
from pyproj.database import query_utm_crs_info
from pyproj.exceptions import CRSError as ProjCRSError
from pyproj.exceptions import ProjError
from pyproj.transformer import TransformerGroup

from geotrim.errors import CRSError
from geotrim.model import Note

#: Florida state plane zones on NAD83(2011), US survey feet. Source: EPSG registry.
FLORIDA_ZONES = {"East": 6438, "West": 6443, "North": 6441}
#: Central meridians of the two transverse Mercator zones. [deg] Source: EPSG registry.
CENTRAL_MERIDIAN_DEG = {"East": -81.0, "West": -82.0}
#: A choice closer than this to the edge of a zone's area of use is doubted. [deg]
EDGE_DEG = 0.1
#: North of this the North zone is taken where its area of use overlaps another's. [deg]
NORTH_FROM_DEG = 29.5
#: Scale errors above which lengths are refused, and above which they are told. [share]
SCALE_REFUSED_FRAC, SCALE_TOLD_FRAC = 0.01, 0.001
#: A layer this far outside its CRS's area of use is taken for mislabelled. [deg]
FAR_OUTSIDE_DEG = 3.0


def parse_crs(text: Any, subject: str) -> CRS:
    """CRS of an EPSG code, WKT or anything else pyproj takes; horizontal part only.

    Raises
    ------
    CRSError
        If it names no reference system on the Earth.
    """
    try:
        crs = horizontal(CRS.from_user_input(text))
    except (ProjCRSError, TypeError, ValueError) as error:
        raise CRSError(
            subject,
            f"{text!r}, which names no known reference system",
            "a code such as EPSG:6443, or WKT",
            "look the code up in the data's own description",
        ) from error
    if crs.is_engineering or not (crs.is_projected or crs.is_geographic):
        raise CRSError(
            subject,
            f"{crs.name}, which is not tied to the Earth",
            "a projected or geographic reference system",
            "state the real one with crs, for example EPSG:6443",
        )
    return crs


def horizontal(crs: CRS) -> CRS:
    """The plane part of a compound, bound or three-dimensional CRS.

    Examples
    --------
    >>> horizontal(CRS.from_epsg(8727)).to_epsg(), horizontal(CRS.from_epsg(4979)).to_epsg()
    (2237, 4326)
    """
    while crs.is_compound or crs.is_bound:
        inner = crs.sub_crs_list[0] if crs.is_compound else crs.source_crs
        if inner is None:
            break
        crs = inner
    return crs.to_2d() if len(crs.axis_info) > 2 else crs


def is_measurable(crs: CRS) -> bool:
    """Whether lengths on the plane of this CRS can be ground lengths somewhere.

    Examples
    --------
    >>> [is_measurable(CRS.from_epsg(code)) for code in (6443, 3857, 4326)]
    [True, False, False]
    """
    if not crs.is_projected:
        return False
    operation = crs.coordinate_operation
    method = operation.method_name if operation else ""
    return "Pseudo" not in method and "Pseudo-Mercator" not in crs.name


def same_crs(one: CRS, other: CRS) -> bool:
    """Whether two descriptions mean one CRS (axis order aside)."""
    if one.equals(other, ignore_axis_order=True):
        return True
    code = one.to_epsg()
    return code is not None and code == other.to_epsg()


def layer_crs(own: Any, stated: Any, bounds: Any, subject: str) -> tuple[CRS, tuple[Note, ...]]:
    """The CRS a layer is in, from its own label and from what the user states.

    A label of degrees over coordinates that cannot be degrees (a GeoJSON without its CRS, say)
    counts as no label.

    Raises
    ------
    CRSError
        If there is none, or the two contradict each other, or the coordinates contradict it.
    """
    label = None if own is None else parse_crs(own, subject)
    said = None if stated is None else parse_crs(stated, f"{subject} crs")
    notes: list[Note] = []
    if label is not None and label.is_geographic and not _can_be_degrees(bounds, label):
        if said is None:
            raise CRSError(
                subject,
                f"coordinates such as {_shown(bounds)}, labelled as degrees ({label.name})",
                "degrees up to 180, or a label that fits the coordinates",
                'state what they are in with crs, for example crs = "EPSG:6443"',
            )
        notes.append(Note(subject, f"label {label.name} does not fit; taken as {named(said)}"))
        label = None
    if label is not None and said is not None and not same_crs(label, said):
        raise CRSError(
            f"{subject} crs",
            f"{named(said)}, but the file says it is in {named(label)}",
            "one answer",
            "leave crs out to trust the file; if the file is wrong, mend its label",
        )
    crs = label or said
    if crs is None:
        raise CRSError(
            subject,
            "no coordinate reference system",
            "to know what the coordinates are in",
            'state it with crs, for example crs = "EPSG:6443"',
        )
    if label is None and said is not None and own is None:
        notes.append(Note(subject, f"taken as {named(crs)}, as stated", "assumed"))
    _check_place(crs, bounds, subject)
    return crs, tuple(notes)


def _shown(bounds: Any) -> str:
    return f"({bounds[0]:.10g}, {bounds[1]:.10g})"


def named(crs: CRS) -> str:
    """Code and name of a CRS.

    Examples
    --------
    >>> named(CRS.from_epsg(6443))
    'EPSG:6443 (NAD83(2011) / Florida West (ftUS))'
    """
    code = crs.to_epsg()
    return f"EPSG:{code} ({crs.name})" if code else str(crs.name)


def _can_be_degrees(bounds: Any, crs: CRS) -> bool:
    if not np.isfinite(bounds).all():
        return True  # nothing to judge by
    if "degree" not in str(crs.axis_info[0].unit_name):
        return True
    x, y = np.abs(bounds[[0, 2]]).max(), np.abs(bounds[[1, 3]]).max()
    return bool(x <= 360.0 and y <= 90.0)


def _check_place(crs: CRS, bounds: Any, subject: str) -> None:
    """Refuse a projected label over coordinates it cannot have made."""
    if not crs.is_projected or not np.isfinite(bounds).all():
        return
    small = bounds[2] - bounds[0] < 2 and bounds[3] - bounds[1] < 2
    if (
        0 < np.abs(bounds).max() <= 180
        and small
        and (bounds[2] > bounds[0] or bounds[3] > bounds[1])
    ):
        raise CRSError(
            subject,
            f"coordinates such as {_shown(bounds)}, which look like degrees, in {named(crs)}",
            "plane coordinates",
            'state what they are in with crs, for example crs = "EPSG:4326"',
        )
    lon, lat = to_degrees(crs, (bounds[0] + bounds[2]) / 2, (bounds[1] + bounds[3]) / 2)
    area = crs.area_of_use
    if not (np.isfinite(lon) and np.isfinite(lat)):
        away = np.inf
    elif area is None or area.west > area.east:  # not said, or across the date line
        return
    else:
        away = max(area.west - lon, lon - area.east, area.south - lat, lat - area.north)
    if away > FAR_OUTSIDE_DEG:
        raise CRSError(
            subject,
            f"coordinates such as {_shown(bounds)}, far outside the area of {named(crs)}",
            "coordinates that fit their reference system",
            "find out what they are in; feet and metres, or two zones, may have been confused",
        )


def to_degrees(crs: CRS, x: float, y: float) -> tuple[float, float]:
    """Longitude and latitude of one point on the CRS's own datum; not finite if there is none."""
    geographic = crs.geodetic_crs
    if geographic is None or crs.is_geographic:
        return float(x), float(y)
    change = Transformer.from_crs(crs, geographic.to_2d(), always_xy=True)
    lon, lat = change.transform(x, y)
    return float(lon), float(lat)


def florida_zone(lon: float, lat: float) -> tuple[int, str, str | None]:
    """State plane zone of a place in Florida: (EPSG code, why, doubt or None).

    The zones follow county lines. Here the zones' areas of use (EPSG registry, boxes) are tried
    first; where boxes overlap, North is taken north of 29.5 deg, else the nearer central meridian
    of East (81 W) and West (82 W). A choice that needed a tie-break, or that lies close to the
    edge of a box, comes with a doubt. Every zone measures lengths here to about 0.01 %.

    Raises
    ------
    CRSError
        If the place is in none of the three boxes.
    """
    boxes = {name: CRS.from_epsg(code).area_of_use for name, code in FLORIDA_ZONES.items()}
    inside = {
        name: min(lon - box.west, box.east - lon, lat - box.south, box.north - lat)
        for name, box in boxes.items()
        if box is not None
    }
    fits = [name for name, margin in inside.items() if margin >= 0]
    if not fits:
        raise CRSError(
            "site crs",
            f"a place at {lat:.4f} N, {-lon:.4f} W, outside Florida, in a CRS not to measure in",
            "a projected CRS to measure in",
            f'state one, for example crs = "{utm_code(lon, lat)}"',
        )
    zone, why = _zone_of(fits, lon, lat)
    doubt = None
    if len(fits) > 1:
        others = ", ".join(f"{n} (EPSG:{FLORIDA_ZONES[n]})" for n in fits if n != zone)
        doubt = f"the area of use of {others} also holds this place; zones follow county lines"
    elif min(abs(margin) for margin in inside.values()) < EDGE_DEG:
        doubt = "the place is close to the edge of a zone; zones follow county lines"
    return FLORIDA_ZONES[zone], why, doubt


def _zone_of(fits: list[str], lon: float, lat: float) -> tuple[str, str]:
    if len(fits) == 1:
        return fits[0], "the only Florida zone whose area of use holds the place"
    if "North" in fits and lat >= NORTH_FROM_DEG:
        return "North", f"it lies north of {NORTH_FROM_DEG:g} deg"
    near = [name for name in fits if name != "North"]
    zone = min(near, key=lambda name: abs(lon - CENTRAL_MERIDIAN_DEG[name]))
    return zone, f"its central meridian ({-CENTRAL_MERIDIAN_DEG[zone]:g} W) is the nearest"


def utm_code(lon: float, lat: float) -> str:
    """Code of the UTM zone (WGS 84) that holds a place.

    Examples
    --------
    >>> utm_code(-73.93, 40.77)
    'EPSG:32618'
    """
    here = AreaOfInterest(lon, lat, lon, lat)
    found = query_utm_crs_info(datum_name="WGS 84", area_of_interest=here)
    return f"EPSG:{found[0].code}" if found else "EPSG:6933"


def choose_site_crs(
    lots_crs: CRS,
    bounds: Any,
    stated: Any,
    where: str = "site crs",
    role: str = "lots",
) -> tuple[CRS, tuple[Note, ...]]:
    """The one projected CRS of a site.

    What the site file states; else the lots' own if it can be measured in; else the Florida state
    plane zone of the lots' position, US survey feet, NAD83(2011).

    Parameters
    ----------
    lots_crs : CRS
    bounds : (4,) array
        Of the lots, in ``lots_crs``.
    stated : anything pyproj understands, or None
    where, role : str
        How the user knows the choice and the layer, for messages.

    Raises
    ------
    CRSError
        If the stated CRS cannot be measured in at the lots, or none can be chosen.
    """
    middle = ((bounds[0] + bounds[2]) / 2, (bounds[1] + bounds[3]) / 2)
    if stated is not None:
        crs = parse_crs(stated, where)
        _check_measurable(crs, where)
        move = plan_move(lots_crs, crs, bounds, role)
        x, y = (float(v) for v in move.apply(np.array([middle]))[0])
        return crs, _scale_notes(crs, x, y, where)
    if is_measurable(lots_crs) and _scale_error(lots_crs, *middle) <= SCALE_REFUSED_FRAC:
        told = Note("site crs", f"{named(lots_crs)}, that of the {role}", "info")
        return lots_crs, (told, *_scale_notes(lots_crs, *middle, where))
    lon, lat = to_degrees(lots_crs, *middle)
    code, why, doubt = florida_zone(lon, lat)
    crs = CRS.from_epsg(code)
    text = f"{named(crs)}, chosen from the position of the {role}: {why}"
    text += f". In doubt: {doubt}; state crs to settle it" if doubt else ""
    return crs, (Note("site crs", text, "assumed"),)


def _check_measurable(crs: CRS, where: str) -> None:
    if not is_measurable(crs):
        what = "degrees" if crs.is_geographic else "a web map projection"
        raise CRSError(
            where,
            f"{named(crs)}, {what}, in which lengths are not ground lengths",
            "a projected CRS made for measuring",
            "name a state plane zone, or leave crs out and one is chosen from the lots' position",
        )


def _scale_error(crs: CRS, x: float, y: float) -> float:
    """Greatest departure of the two grid scale factors from 1; infinite off the map."""
    try:
        lon, lat = Proj(crs)(x, y, inverse=True, errcheck=True)
        factors = Proj(crs).get_factors(lon, lat, errcheck=True)
    except ProjError:
        return float("inf")
    errors = np.abs([factors.meridional_scale - 1, factors.parallel_scale - 1])
    return float(errors.max()) if np.isfinite(errors).all() else float("inf")


def _scale_notes(crs: CRS, x: float, y: float, where: str) -> tuple[Note, ...]:
    error = _scale_error(crs, x, y)
    if error > SCALE_REFUSED_FRAC:
        share = f"off by {100 * error:.1f} %" if np.isfinite(error) else "undefined"
        lon, lat = to_degrees(crs, x, y)
        mend = f"use a zone made for the place, for example {utm_code(lon, lat)}"
        if not (np.isfinite(lon) and np.isfinite(lat)):
            mend = "use the zone made for the place"
        raise CRSError(
            where,
            f"{named(crs)}, whose lengths at the lots are {share}",
            f"lengths within {100 * SCALE_REFUSED_FRAC:g} %",
            mend,
        )
    if error > SCALE_TOLD_FRAC:
        text = f"grid lengths in {named(crs)} are off ground lengths by up to {100 * error:.2f} %"
        return (Note("site crs", text, "assumed"),)
    return ()


def grid_scale_factor(crs: Any, x: float, y: float) -> float:
    """Grid length over ellipsoid length at a point, along the meridian.

    Equal in every direction on the conformal projections of state plane and UTM zones.

    Parameters
    ----------
    crs : anything pyproj understands
        A projected CRS.
    x, y : float
        The point. [map units]

    Examples
    --------
    The central meridian of Florida East, 1 - 1/17000 (EPSG registry):

    >>> round(grid_scale_factor(6438, 656166.6667, 600000.0), 7)
    0.9999412
    """
    projection = Proj(horizontal(CRS.from_user_input(crs)))
    lon, lat = projection(x, y, inverse=True)
    return float(projection.get_factors(lon, lat).meridional_scale)


@dataclass(frozen=True, slots=True)
class Move:
    """A change of CRS, and what is known of its accuracy.

    steps : applied one after the other.
    accuracy_m : None when nobody has stated it. [m]
    is_ballpark : the datums differ and no transformation between them was at hand.
    better : name of a better transformation whose grid is not installed.
    """

    steps: tuple[Any, ...]
    accuracy_m: float | None
    is_ballpark: bool = False
    better: str | None = None

    def apply(self, coordinates: Any) -> Any:
        """Coordinates (n, 2) in the other CRS."""
        x, y = coordinates[:, 0], coordinates[:, 1]
        for step in self.steps:
            x, y = step.transform(x, y)
        return np.column_stack([x, y])


def _group(source: CRS, target: CRS, here: Any) -> TransformerGroup:
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # "best transformation not available": told as a note
        return TransformerGroup(source, target, always_xy=True, area_of_interest=here)


def plan_move(source: CRS, target: CRS, bounds: Any, subject: str) -> Move:
    """The best transformation at hand between two CRSs.

    Where PROJ only offers a ballpark step (datum ignored), the way through WGS 84 is tried, which
    has a stated accuracy for NAD27 among others.

    Raises
    ------
    CRSError
        If there is no way at all.
    """
    here = _area(source, bounds)
    try:
        group = _group(source, target, here)
        first = group.transformers[0]
    except (ProjError, IndexError) as error:
        raise CRSError(
            subject,
            f"no way from {named(source)} to {named(target)}",
            "two reference systems on the same Earth",
            "export the layer in the site's CRS",
        ) from error
    better = None if group.best_available else _better(group, first)
    if "allpark" not in first.description:
        return Move((first,), first.accuracy if first.accuracy >= 0 else None, better=better)
    wgs84 = CRS.from_epsg(4326)
    there, back = _group(source, wgs84, here).transformers, _group(wgs84, target, here).transformers
    if there and back and "allpark" not in there[0].description + back[0].description:
        accuracy = there[0].accuracy + back[0].accuracy
        known = min(there[0].accuracy, back[0].accuracy) >= 0
        return Move((there[0], back[0]), accuracy if known else None, better=better)
    return Move((first,), None, is_ballpark=True, better=better)


def _better(group: TransformerGroup, first: Transformer) -> str | None:
    for operation in group.unavailable_operations:
        if operation.accuracy >= 0 and (first.accuracy < 0 or operation.accuracy < first.accuracy):
            return f"one good to {operation.accuracy:g} m exists, but its grid is not installed"
    return None


def _area(crs: CRS, bounds: Any) -> AreaOfInterest | None:
    lows, highs = to_degrees(crs, *bounds[:2]), to_degrees(crs, *bounds[2:])
    west, south, east, north = lows[0], lows[1], highs[0], highs[1]
    good = all(np.isfinite(v) for v in (west, south, east, north))
    if not good or not (-180 <= west <= east <= 180 and -90 <= south <= north <= 90):
        return None
    return AreaOfInterest(west, south, east, north)


def to_site(table: Any, crs: CRS, subject: str) -> tuple[Any, tuple[Note, ...]]:
    """A layer in the site's CRS; coordinates already in it are not touched.

    Parameters
    ----------
    table : GeoDataFrame
        With a CRS.
    crs : CRS
        Of the site.

    Raises
    ------
    CRSError
        If a coordinate has no place in the site's CRS.
    """
    own = horizontal(CRS.from_user_input(table.crs))
    if same_crs(own, crs):
        return table.set_crs(crs, allow_override=True), ()
    shapes = np.asarray(table.geometry.array, dtype=object)
    move = plan_move(own, crs, table.total_bounds, subject)
    moved = shapely.transform(shapes, move.apply)
    if not np.isfinite(shapely.get_coordinates(moved)).all():
        raise CRSError(
            subject,
            f"coordinates in {named(own)} that have no place in {named(crs)}",
            "coordinates near the site",
            "check what the layer is in, and state it with crs if its label is wrong",
        )
    return table.set_geometry(moved, crs=crs), (move_note(own, crs, move, subject),)


def move_note(own: CRS, crs: CRS, move: Move, subject: str) -> Note:
    text = f"reprojected from {named(own)} to the site's {named(crs)}"
    level = "info"
    if move.is_ballpark:
        level = "assumed"
        text += "; the datums differ and no transformation between them is installed, so the shift "
        text += "between them was left out and its size is not known"
    elif move.accuracy_m is None:
        text, level = f"{text}; accuracy not stated", "assumed"
    elif move.accuracy_m > 0:
        text += f"; datum transformation good to about {move.accuracy_m:g} m"
        text += f" ({move.accuracy_m / 0.3048:.1f} ft), a shift common to the whole layer"
        level = "assumed"
    return Note(subject, f"{text}; {move.better}" if move.better else text, level)
