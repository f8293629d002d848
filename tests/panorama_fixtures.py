"""Made-up views for the panorama's tests: every angle is written down, none is measured."""

from __future__ import annotations

import itertools

import geopandas
import numpy as np
import pandas as pd
import report_fixtures as fx
import shapely

from geotrim.model import Note, Result


def view(
    eye_id="porch",
    *,
    lot_id="L1",
    from_deg=320.0,
    n=81,
    step=1.0,
    height_ft=14.0,
    depth_ft=60.0,
    trees=((5.0, 4.0, 3.0), (30.0, 6.0, 1.0), (55.0, 5.0, 9.0)),
    band=(-9.0, -4.0),
    others=(),
    ground=True,
    gaps=(),
    after=True,
    horizon_deg=-0.06,
    turn_max_deg=75.0,
):
    """Tables of one eye before a straight shore, as ``sightlines`` hands them over.

    ``trees``: middle and half width [deg to the right of the first ray], top [deg]. The window
    takes ``band`` of them away; ``others`` are trees that are removed first.
    """
    x = np.arange(n) * step
    x = x[[not any(a < one < b for a, b in gaps) for one in x]]
    middle = x.mean()
    away = depth_ft / np.cos(np.radians(np.clip(x - middle, -turn_max_deg, turn_max_deg)))
    edge = -np.degrees(np.arctan2(height_ft, away))
    horizon = np.full(x.size, horizon_deg)
    blocks, is_open, is_after = [], np.ones(x.size), np.ones(x.size)
    for k, one in enumerate(x):
        azimuth = (from_deg + one) % 360.0
        low = edge[k] - 6.0
        if ground:
            blocks.append((azimuth, low, edge[k] - 0.4, "ground", None, 30.0))
        for t, (at, half, top) in enumerate((*trees, *others)):
            if abs(one - at) > half:
                continue
            peak = edge[k] + (top - edge[k]) * np.sqrt(1 - ((one - at) / half) ** 2)
            name = f"T-{t + 1}"
            foot = edge[k] - 0.4 if ground else low
            if t >= len(trees):
                blocks.append((azimuth, foot, peak, "removed first", name, 41.0))
                continue
            cuts = sorted({foot, peak, *(b for b in band if foot < b < peak)})
            for a, b in itertools.pairwise(cuts):
                is_cut = band[0] <= (a + b) / 2 <= band[1] and after
                what = "removed by the window" if is_cut else "canopy"
                blocks.append((azimuth, a, b, what, name, 44.0))
            is_open[k] = 0.2
            is_after[k] = 0.6
    azimuth = (from_deg + x) % 360.0
    rays = pd.DataFrame(
        {
            "eye_id": eye_id,
            "lot_id": lot_id,
            "azimuth_deg": azimuth,
            "edge_distance_ft": away,
            "edge_deg": edge,
            "horizon_deg": horizon,
            "open_now_frac": is_open,
            "open_after_frac": is_after if after else np.nan,
            "width_deg": step,
        }
    )
    place = fx.moved(shapely.Point(50.0, -depth_ft))
    eye = {
        "eye_id": eye_id,
        "lot_id": lot_id,
        "eye_elevation_ft": height_ft + 0.31,
        "water_elevation_ft": 0.31,
        "azimuth_from_deg": (azimuth[0] - step / 2) % 360.0,
        "azimuth_to_deg": (azimuth[-1] + step / 2) % 360.0,
        "view_deg2": float(((horizon - edge) * step).sum()),
        "view_now_frac": 0.412,
        "view_others_removed_frac": 0.45 if others else np.nan,
        "view_after_frac": 0.687 if after else np.nan,
        "reason": "",
        "horizon_now_frac": 0.12,
        "horizon_after_frac": 0.18 if after else np.nan,
        "is_at_most": False,
        "geometry": place,
    }
    columns = ["azimuth_deg", "low_deg", "high_deg", "what", "crown_id", "distance_ft"]
    table = pd.DataFrame(blocks, columns=columns)
    table.insert(0, "eye_id", eye_id)
    return eye, rays, table


def blind(eye_id="cellar", reason="the eye is under the water: at -2 ft, the water at 0.31 ft"):
    """An eye that sees nothing, with no sight lines."""
    eye, _, _ = view(eye_id)
    unknown = {key: np.nan for key in eye if key.endswith(("_frac", "_deg", "_deg2"))}
    return {**eye, **unknown, "reason": reason}, None, None


def results(*views):
    """Results with ``sightlines`` out of some views."""
    eyes = geopandas.GeoDataFrame([eye for eye, _, _ in views], geometry="geometry", crs=fx.CRS)
    _, empty, none = view()
    rays = [one for _, one, _ in views if one is not None] or [empty.iloc[:0]]
    blocks = [one for _, _, one in views if one is not None] or [none.iloc[:0]]
    tables = {
        "sight_eyes": eyes,
        "sight_rays": pd.concat(rays, ignore_index=True),
        "sight_blocks": pd.concat(blocks, ignore_index=True),
    }
    text = "the earth curves away under a line of sight, refraction takes back 13 % of that"
    parameters = {"canopy_model": "column", "azimuth_step_deg": 1.0}
    return {
        "sightlines": Result("sightlines", tables, (Note("sight lines", text, "info"),), parameters)
    }
