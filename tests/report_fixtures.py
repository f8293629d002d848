"""Hand-built sites and results for the report's tests: a straight shore, crowns in a row.

Nothing is measured here: every figure is written down, in the columns the operations declare, so
that a figure can be checked for what it was told.
"""

from __future__ import annotations

import geopandas
import numpy as np
import pandas as pd
import shapely
from shapely.geometry import LineString, MultiPolygon, Point, box

from geotrim.model import CanopyGrid, Note, Result, Setback, Site

CRS = "EPSG:6443"
X0, Y0 = 280_000.0, 1_180_000.0
SPECIES = ("Rhizophora mangle", "Avicennia germinans", "Conocarpus erectus", None)
CLASSES = ("under 6 ft", "6-10 ft", "10-16 ft", "16-24 ft", "over 24 ft")
TOPS_FT = (5.0, 8.0, 13.0, 20.0, 26.0)


def moved(shape):
    """Local feet to map coordinates."""
    return shapely.transform(shape, lambda xy: xy + np.array((X0, Y0)))


def frame(rows, columns, geometry=True):
    """A table with exactly these columns, also when it has no rows."""
    table = pd.DataFrame(rows, columns=columns)
    return geopandas.GeoDataFrame(table, geometry="geometry", crs=CRS) if geometry else table


def crown_table(n, length_ft, species=SPECIES):
    """``n`` round crowns along the shore, in two rows."""
    rows = []
    for k in range(n):
        radius = min(4.0, 0.45 * length_ft / max(n, 1) + 1.0)
        x = (k + 0.5) * length_ft / max(n, 1)
        y = 6.0 if k % 2 else 20.0
        rows.append(
            {
                "crown_id": f"T-{k + 1:03d}",
                "species": species[k % len(species)] if species else None,
                "base_height_ft": 3.0 if k % 3 else np.nan,
                "geometry": moved(Point(x, y).buffer(radius, quad_segs=5)),
            }
        )
    return frame(rows, ["crown_id", "species", "base_height_ft", "geometry"])


def make_site(
    n_crowns=6,
    *,
    length_ft=100.0,
    n_lots=1,
    name="A made-up lot",
    origin="survey",
    species=SPECIES,
    heights=None,
    setbacks=(),
    exclusions=None,
    crowns=True,
):
    """One measured lot (or several side by side) on a straight shore along y = 0, water north."""
    width = length_ft / n_lots
    lots = frame(
        [
            {
                "lot_id": f"L{k + 1}",
                "is_measured": True,
                "geometry": moved(box(k * width, -80.0, (k + 1) * width, 0.0)),
            }
            for k in range(n_lots)
        ],
        ["lot_id", "is_measured", "geometry"],
    )
    shore = moved(LineString([(-60.0, 0.0), (length_ft + 60.0, 0.0)]))
    return Site(
        name=name,
        crs=lots.crs,
        lots=lots,
        mhw_line=geopandas.GeoDataFrame(geometry=[shore], crs=CRS),
        mhw_origin=origin,
        mhw_facts={"epoch": "1983-2001", "vertical_datum": "NAVD88", "elevation_ft": 0.3},
        crowns=crown_table(n_crowns, length_ft, species) if crowns else None,
        heights=heights,
        setbacks=setbacks,
        exclusions=exclusions,
    )


def flat_heights(length_ft, height_ft=12.0, rmse_ft=0.5):
    """A raster that says one height everywhere."""
    cells = np.full((60, int(length_ft) + 40), height_ft)
    return CanopyGrid(cells, X0 - 20.0, Y0 + 50.0, 1.0, rmse_ft=rmse_ft)


def make_results(site, *, stretches=(1.0,), partial=(), no_data=(), zone=True, setbacks=True):
    """Results of every operation, written down for the first lot (and, shorter, the others)."""
    lots = list(site.measured_lot_ids())
    length = float(np.ptp(shapely.get_coordinates(shapely.union_all(site.lots.geometry))[:, 0]))
    width = length / len(lots)
    out = {}
    rows, per_lot = [], []
    for i, lot in enumerate(lots):
        start = 0.0
        for k, share in enumerate(stretches):
            a, b = i * width + start, i * width + start + share * width
            rows.append(
                {
                    "lot_id": lot,
                    "stretch_id": f"{lot}/{k + 1}",
                    "run_id": f"{lot}/r1",
                    "frontage_length_ft": b - a,
                    "frontage_chord_ft": b - a,
                    "station_from_ft": start,
                    "station_to_ft": start + b - a,
                    "geometry": moved(LineString([(a, 0.0), (b, 0.0)])),
                }
            )
            start += b - a
        per_lot.append(
            {
                "lot_id": lot,
                "status": "ok" if stretches else "no-frontage",
                "reason": "" if stretches else "no frontage: the line is 40.0 ft from the lot",
                "n_stretches": len(stretches),
                "frontage_length_ft": start,
                "frontage_chord_ft": start,
                "lot_area_ft2": 80.0 * width,
                "geometry": site.lots.geometry.iloc[i],
            }
        )
    columns = ["lot_id", "stretch_id", "run_id", "frontage_length_ft", "frontage_chord_ft"]
    columns += ["station_from_ft", "station_to_ft", "geometry"]
    out["frontage"] = Result(
        "frontage",
        {"frontage": frame(rows, columns), "lots": frame(per_lot, list(per_lot[0]))},
        parameters={"reach_ft": 5.0},
    )
    out["riparian-lines"] = riparian_result(rows)
    out["fringe"] = fringe_result(site, rows)
    if zone:
        out["zone"] = zone_result(rows)
    if setbacks and site.setbacks:
        out["setbacks"] = setback_result(site, length)
    if site.crowns is not None:
        out["heights"] = height_result(site, partial, no_data)
        out["slices"] = slice_result(site, partial, no_data)
    return out


def riparian_result(stretches):
    rows = []
    for one in stretches:
        ends = shapely.get_coordinates(one["geometry"])
        for side, end in (("left", ends[0]), ("right", ends[-1])):
            rows.append(
                {
                    "lot_id": one["lot_id"],
                    "run_id": one["run_id"],
                    "side": side,
                    "method": "square-to-shore",
                    "bearing_deg": 0.0,
                    "length_ft": 100.0,
                    "lot_line_angle_deg": 0.0,
                    "is_crossing": False,
                    "geometry": LineString([end, end + np.array((0.0, 100.0))]),
                }
            )
    columns = ["lot_id", "run_id", "side", "method", "bearing_deg", "length_ft"]
    columns += ["lot_line_angle_deg", "is_crossing", "geometry"]
    return Result("riparian-lines", {"riparian_lines": frame(rows, columns)})


def fringe_result(site, stretches):
    transects, outlines, places = [], [], []
    for one in stretches:
        (x0, y0), (x1, _) = shapely.get_coordinates(one["geometry"])
        for x in np.arange(x0 + 5.0, x1, 10.0):
            transects.append(
                {
                    "lot_id": one["lot_id"],
                    "stretch_id": one["stretch_id"],
                    "station_ft": x - x0 + one["station_from_ft"],
                    "reference": "trunk",
                    "fringe_depth_ft": 14.0,
                    "landward_ft": 6.0,
                    "waterward_ft": 20.0,
                    "n_trees": 2,
                    "geometry": LineString([(x, y0 + 6.0), (x, y0 + 20.0)]),
                }
            )
        outlines.append(
            {
                "lot_id": one["lot_id"],
                "stretch_id": one["stretch_id"],
                "fringe_area_ft2": 22.0 * (x1 - x0),
                "geometry": box(x0, y0 + 2.0, x1, y0 + 24.0),
            }
        )
    crowns = [] if site.crowns is None else list(site.crowns.itertuples())
    for crown in crowns:
        x, y = crown.geometry.centroid.x, crown.geometry.centroid.y
        here = [
            s for s in stretches if s["geometry"].bounds[0] <= x <= s["geometry"].bounds[2] + 1e-6
        ]
        one = here[0] if here else None
        places.append(
            {
                "crown_id": crown.crown_id,
                "lot_id": one["lot_id"] if one else None,
                "stretch_id": one["stretch_id"] if one else None,
                "station_ft": x - one["geometry"].bounds[0] + one["station_from_ft"]
                if one
                else np.nan,
                "offset_ft": y - Y0,
            }
        )
    lots = list(dict.fromkeys(s["lot_id"] for s in stretches))
    summary = [
        {
            "lot_id": lot,
            "fringe_depth_max_ft": 14.0 if crowns else np.nan,
            "fringe_depth_mean_ft": 14.0 if crowns else np.nan,
            "fringe_depth_max_station_ft": 5.0 if crowns else np.nan,
            "fringe_length_ft": 100.0 if crowns else 0.0,
            "n_fringe_trees": sum(p["lot_id"] == lot for p in places),
            "fringe_reference": "trunk",
        }
        for lot in lots
    ]
    t_columns = ["lot_id", "stretch_id", "station_ft", "reference", "fringe_depth_ft"]
    t_columns += ["landward_ft", "waterward_ft", "n_trees", "geometry"]
    return Result(
        "fringe",
        {
            "transects": frame(transects if crowns else [], t_columns),
            "fringe": frame(outlines, ["lot_id", "stretch_id", "fringe_area_ft2", "geometry"]),
            "fringe_lots": frame(
                summary,
                [
                    "lot_id",
                    "fringe_depth_max_ft",
                    "fringe_depth_mean_ft",
                    "fringe_depth_max_station_ft",
                    "fringe_length_ft",
                    "n_fringe_trees",
                    "fringe_reference",
                ],
                geometry=False,
            ),
            "fringe_crowns": frame(
                places,
                ["crown_id", "lot_id", "stretch_id", "station_ft", "offset_ft"],
                geometry=False,
            ),
        },
    )


def zone_result(stretches):
    rows = []
    for one in stretches:
        x0, y0, x1, _ = one["geometry"].bounds
        shape = box(x0 + 10.0, y0 + 2.0, x1 - 10.0, y0 + 24.0) if x1 - x0 > 20.0 else MultiPolygon()
        rows.append(
            {
                "lot_id": one["lot_id"],
                "zone_area_ft2": shape.area,
                "zone_length_ft": max(x1 - x0 - 20.0, 0.0),
                "zone_width_max_ft": 22.0,
                "zone_width_mean_ft": 22.0,
                "geometry": shape,
            }
        )
    taken = [
        {
            "lot_id": stretches[0]["lot_id"],
            "setback_name": "a strip with quite a long name that has to be broken somewhere",
            "source": "invented",
            "distance_ft": 10.0,
            "taken_area_ft2": 440.0,
            "taken_alone_area_ft2": 440.0,
        }
    ]
    columns = ["lot_id", "zone_area_ft2", "zone_length_ft", "zone_width_max_ft"]
    columns += ["zone_width_mean_ft", "geometry"]
    return Result(
        "zone",
        {"zone": frame(rows, columns), "zone_taken": frame(taken, list(taken[0]), geometry=False)},
    )


def setback_result(site, length_ft):
    rows = [
        {
            "setback_name": one.name,
            "reference": one.reference,
            "distance_ft": one.distance_ft,
            "source": one.source,
            "setback_area_ft2": 1000.0,
            "geometry": moved(box(-10.0, 0.0, 10.0, 60.0)),
        }
        for one in site.setbacks
    ]
    flags = [
        {
            "crown_id": crown.crown_id,
            "setback_name": one.name,
            "inside": "partly" if k == 0 else "not",
            "inside_area_frac": 0.5 if k == 0 else 0.0,
            "setback_margin_ft": -1.0 if k == 0 else 9.0,
            "trunk_margin_ft": 1.0,
            "is_past_setback": k == 0,
            "is_trunk_past_setback": False,
        }
        for one in site.setbacks
        for k, crown in enumerate(site.crowns.itertuples())
    ]
    columns = ["crown_id", "setback_name", "inside", "inside_area_frac", "setback_margin_ft"]
    columns += ["trunk_margin_ft", "is_past_setback", "is_trunk_past_setback"]
    return Result(
        "setbacks",
        {"setbacks": frame(rows, list(rows[0])), "setback_flags": frame(flags, columns, False)},
    )


def height_result(site, partial, no_data):
    rows = []
    for k, crown_id in enumerate(site.crowns["crown_id"]):
        is_blind = crown_id in no_data
        rows.append(
            {
                "crown_id": crown_id,
                "height_class": "no data" if is_blind else CLASSES[k % 5],
                "top_height_ft": np.nan if is_blind else TOPS_FT[k % 5],
                "p99_height_ft": np.nan if is_blind else TOPS_FT[k % 5],
                "mean_height_ft": np.nan if is_blind else 0.8 * TOPS_FT[k % 5],
                "height_error_ft": 0.5,
                "nearest_limit_ft": 6.0,
                "limit_margin_ft": np.nan if is_blind else TOPS_FT[k % 5] - 6.0,
                "is_too_close": k % 5 == 0,
                "covered_frac": 0.0 if is_blind else 0.6 if crown_id in partial else 1.0,
                "is_partial": is_blind or crown_id in partial,
            }
        )
    columns = ["crown_id", "height_class", "top_height_ft", "p99_height_ft", "mean_height_ft"]
    columns += ["height_error_ft", "nearest_limit_ft", "limit_margin_ft", "is_too_close"]
    columns += ["covered_frac", "is_partial"]
    note = Note("crowns", "T-001 lies on no data", "missing")
    return Result(
        "heights",
        {"heights": frame(rows, columns, False)},
        (note,) if no_data else (),
        {"height_limits_ft": (6.0, 10.0, 16.0, 24.0)},
    )


def slice_result(site, partial, no_data):
    rows = [
        {
            "crown_id": crown_id,
            "canopy_model": "column",
            "crown_area_ft2": 50.0,
            "volume_ft3": 500.0,
            "volume_under_ft3": 300.0,
            "volume_band_ft3": 125.0,
            "volume_over_ft3": 75.0,
            "share_under_frac": 0.6,
            "share_band_frac": 0.25,
            "share_over_frac": 0.15,
            "covered_frac": 1.0,
            "is_partial": crown_id in (*partial, *no_data),
        }
        for crown_id in site.crowns["crown_id"]
    ]
    columns = ["crown_id", "canopy_model", "crown_area_ft2", "volume_ft3", "volume_under_ft3"]
    columns += ["volume_band_ft3", "volume_over_ft3", "share_under_frac", "share_band_frac"]
    columns += ["share_over_frac", "covered_frac", "is_partial"]
    return Result(
        "slices",
        {"slices": frame(rows, columns, False)},
        parameters={"band_ft": (6.0, 10.0), "canopy_model": "column"},
    )


def strip_setback(name="neighbours' agreement", distance_ft=10.0):
    return Setback(name, "riparian-lines", distance_ft, "invented agreement")
