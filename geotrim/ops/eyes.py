"""Eyes: whose lot each looks from, and the level of the water they look at."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
import shapely

from geotrim.checks import check_columns, check_kind, check_same_crs
from geotrim.errors import LayerError, RangeError
from geotrim.model import Note
from geotrim.units import feet_per_map_unit

EYE_COLUMNS = ("eye_id", "height_ft", "elevation_ft", "lot_id")
#: An eye without a lot may stand this far (five miles) from the nearest one that is measured;
#: farther, it is more likely a slip in its coordinates. Common sense, no source. [ft]
FAR_FT = 5 * 5280.0


def eyes_of_lots(lots: Any, eyes: Any) -> tuple[Any, tuple[Note, ...]]:
    """Eyes that look over a measured lot, each with its ``lot_id``.

    Parameters
    ----------
    lots, eyes : GeoDataFrame
        As at the top of :mod:`geotrim.model`.

    Returns
    -------
    eyes : GeoDataFrame
        Those of measured lots, in their order: by the lot they name, else the lot they stand in,
        else the nearest measured lot.
    notes : tuple of Note
        Where a lot was taken by nearness, and which eyes were left out as a neighbour's.

    Raises
    ------
    GeotrimError
        If there are no eyes, two have one id, one has no usable place or height, names a lot that
        is not there, or stands far from every lot.
    """
    _check_eyes(eyes)
    check_same_crs({"lots": lots, "eyes": eyes})
    feet = feet_per_map_unit(lots.crs, "lots")
    measured = set(lots.loc[lots["is_measured"].to_numpy(dtype=bool), "lot_id"].astype(str))
    known = [str(lot) for lot in lots["lot_id"]]
    notes: list[Note] = []
    owner: list[str | None] = []
    for eye in eyes.itertuples():
        lot, note = _lot_of(eye, lots, known, measured, feet)
        owner.append(lot)
        notes += [] if note is None else [note]
    out = eyes.copy()
    out["eye_id"] = out["eye_id"].astype(str)
    out["lot_id"] = np.array(owner, dtype=object)
    return out[[lot is not None for lot in owner]].reset_index(drop=True), tuple(notes)


def water_level(
    water_elevation_ft: float | None, mhw_facts: Mapping[str, Any] | None
) -> tuple[float, Note]:
    """Elevation of the water looked at, and where it is from. [ft].

    Examples
    --------
    >>> level, note = water_level(None, {"elevation_ft": 0.31})
    >>> level, note.level
    (0.31, 'info')
    """
    if water_elevation_ft is not None:
        text = f"at {water_elevation_ft:g} ft, as given"
        return float(water_elevation_ft), Note("water", text, "info")
    told = (mhw_facts or {}).get("elevation_ft")
    if told is not None and np.isfinite(float(told)):
        text = f"at {float(told):g} ft, the elevation of the MHW line"
        return float(told), Note("water", text, "info")
    text = "taken at elevation 0 ft, since neither water_elevation_ft nor that of the line is given"
    return 0.0, Note("water", text, "assumed")


def _check_eyes(eyes: Any) -> None:
    """Points with ids of their own, each with a height or an elevation."""
    check_columns(eyes, EYE_COLUMNS, "eyes")
    check_kind(eyes, {"Point"}, "points", "eyes")
    ids = eyes["eye_id"].astype(str)
    if ids.duplicated().any():
        twice = ids[ids.duplicated()].iloc[0]
        raise LayerError("eyes", f"eye_id {twice!r} twice", "an id for each", "rename one of them")
    height = eyes["height_ft"].to_numpy(dtype=float)
    elevation = eyes["elevation_ft"].to_numpy(dtype=float)
    place = shapely.get_coordinates(eyes.geometry.array)
    for k, eye_id in enumerate(ids):
        about = f"eye {eye_id!r}"
        if not np.isfinite(place[k]).all():
            raise RangeError(about, "no usable coordinates", "a place", "give its point")
        if np.isnan(height[k]) and np.isnan(elevation[k]):
            raise RangeError(
                about,
                "neither a height nor an elevation",
                "height_ft above the ground under it, or elevation_ft",
                "give one of the two; about 5 ft is the eye of one who stands",
            )
        if np.isinf([height[k], elevation[k]]).any() or height[k] < 0.0:
            told = height[k] if np.isinf(height[k]) or height[k] < 0.0 else elevation[k]
            raise RangeError(
                about, f"{told:g} ft", "a height from 0 ft up, or an elevation", "correct it"
            )


def _lot_of(
    eye: Any, lots: Any, known: list[str], measured: set[str], feet: float
) -> tuple[str | None, Note | None]:
    """Measured lot of one eye, None if it is a neighbour's, and what is to be told of that."""
    about = f"eye {eye.eye_id}"
    if isinstance(eye.lot_id, str) and eye.lot_id:
        if eye.lot_id not in known:
            some = ", ".join(known[:10]) + (" ..." if len(known) > 10 else "")
            raise LayerError(
                f"eye {str(eye.eye_id)!r}", f"lot {eye.lot_id!r}", f"one of {some}", "check the id"
            )
        if eye.lot_id in measured:
            return eye.lot_id, None
        return None, Note(about, f"left out: its lot {eye.lot_id} is not measured", "info")
    stands_in = [
        lot for lot, shape in zip(known, lots.geometry.array, strict=True)
        if shapely.intersects(shape, eye.geometry)
    ]  # fmt: skip
    for lot in stands_in:
        if lot in measured:
            return lot, None
    if stands_in:
        text = f"left out: it stands in lot {stands_in[0]}, which is not measured; name its lot"
        return None, Note(about, text, "info")
    mine = [k for k, lot in enumerate(known) if lot in measured]
    away = shapely.distance(lots.geometry.array[mine], eye.geometry) * feet
    nearest = int(np.argmin(away)) if len(away) else -1
    if nearest < 0:
        return None, Note(about, "left out: no lot is measured", "info")
    if away[nearest] > FAR_FT:
        raise RangeError(
            f"eye {str(eye.eye_id)!r}",
            f"a place {away[nearest]:,.0f} ft from the nearest measured lot",
            f"one in a lot, or not over {FAR_FT:,.0f} ft from it",
            "check its coordinates and their CRS, or name the lot it looks over (lot_id)",
        )
    lot = known[mine[nearest]]
    text = f"stands in no lot; taken as of lot {lot}, the nearest, {away[nearest]:.1f} ft away"
    return lot, Note(about, text, "assumed")
