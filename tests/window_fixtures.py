"""Results of the window's operations built by hand, for figures and words.

Nothing is measured here: spans, treatments and cuts are set down in the columns the operations
declare, on top of any site with a frontage, places of its crowns and their heights.
"""

from __future__ import annotations

import geopandas
import numpy as np
import pandas as pd
import shapely
import shapely.ops

from geotrim.model import Result

NAN = float("nan")
BAND = (6.0, 10.0)
EYES = (("porch", 0.4, 70.0), ("dock end", 0.7, 45.0))  # id, share along the shore, ft off it


def plain(rows, columns):
    return pd.DataFrame(rows, columns=list(columns))


def shaped(rows, columns, crs):
    return geopandas.GeoDataFrame(plain(rows, columns), geometry="geometry", crs=crs)


def feet_of(site):
    return site.crs.axis_info[0].unit_conversion_factor / 0.3048


def lot_trees(site, results, lot):
    """Crowns of one lot with station, top and area."""
    places = results["fringe"].tables["fringe_crowns"]
    mine = places[places["lot_id"] == lot].set_index("crown_id")
    tops = results["heights"].tables["heights"].set_index("crown_id")["top_height_ft"]
    crowns = site.crowns.set_index("crown_id")
    for crown_id, place in mine.iterrows():
        yield {
            "crown_id": crown_id,
            "species": crowns.loc[crown_id, "species"],
            "station_ft": float(place["station_ft"]),
            "top_ft": float(tops[crown_id]),
            "area_ft2": float(crowns.loc[crown_id, "geometry"].area),
        }


def treated(tree, k, spans, lot):
    """A row of ``window_trees``: tall trees are lowered or cleared in turn, low ones lowered."""
    is_in = any(a <= tree["station_ft"] <= b for a, b in spans)
    top, low, high, how, after, why = tree["top_ft"], NAN, NAN, "leave", tree["top_ft"], ""
    if is_in and top > 14.0 and k % 3 == 0:
        how, low, after = "lower-top", 10.0, 10.0
    elif is_in and top > BAND[1]:
        how, low, high = "clear-band", *BAND
    elif is_in and top > 6.5:
        how, low, after = "lower-top", 6.5, 6.5
    elif is_in:
        why = "under the least height after trimming"
    foliage = tree["area_ft2"] * top
    removed = tree["area_ft2"] * max(min(top, high if high == high else top) - low, 0.0)
    removed = 0.0 if how == "leave" else removed
    return {
        "lot_id": lot,
        "crown_id": tree["crown_id"],
        "species": tree["species"],
        "station_ft": tree["station_ft"],
        "is_in_span": is_in,
        "treatment": how,
        "why_left": why,
        "top_height_ft": top,
        "cut_low_ft": low,
        "cut_high_ft": high,
        "height_after_ft": after,
        "foliage_ft3": foliage,
        "removed_ft3": removed,
        "removed_frac": removed / foliage if foliage > 0 else NAN,
        "share_max_frac": 0.5781,
        "bar": "floor" if why else "",
    }


def span_shape(site, results, lot, span):
    """The zone between two stations, as far as straight stretches go."""
    rows = results["frontage"].tables["frontage"]
    feet = feet_of(site)
    for row in rows[rows["lot_id"] == lot].itertuples():
        if row.station_from_ft - 1e-6 <= span[0] < row.station_to_ft:
            a, b = ((s - row.station_from_ft) / feet for s in span)
            part = shapely.ops.substring(row.geometry, a, b)
            strip = shapely.buffer(part, 60.0, cap_style="flat")
            zone = results["zone"].tables["zone"]
            zone = shapely.union_all(zone[zone["lot_id"] == lot].geometry.values)
            return row.stretch_id, shapely.intersection(strip, zone)
    raise ValueError(span)


def window_result(site, results, lot, spans, *, is_optimal=True, status="planned"):
    trees = [treated(t, k, spans, lot) for k, t in enumerate(lot_trees(site, results, lot))]
    cut = [t for t in trees if t["treatment"] != "leave"]
    removed, whole = sum(t["removed_ft3"] for t in cut), sum(t["foliage_ft3"] for t in trees)
    rows = []
    for n, span in enumerate(spans, start=1):
        stretch, shape = span_shape(site, results, lot, span)
        rows.append(
            {
                "lot_id": lot,
                "span_id": f"{lot}/w{n}",
                "stretch_id": stretch,
                "station_from_ft": span[0],
                "station_to_ft": span[1],
                "span_length_ft": span[1] - span[0],
                "n_cut_trees": sum(span[0] <= t["station_ft"] <= span[1] for t in cut),
                "geometry": shape,
            }
        )
    length = sum(b - a for a, b in spans)
    after = 0.08 + 0.004 * length
    lots = {
        "lot_id": lot,
        "status": status if spans else "no window",
        "reason": "" if spans else "no tree may be cut within the limits",
        "way": "professional-exemption",
        "way_words": "professional exemption",
        "view_of": "eyes",
        "n_eyes": 2,
        "view_before_frac": 0.08,
        "view_after_frac": after,
        "view_bound_frac": after if is_optimal else after + 0.03,
        "view_centred_frac": 0.9 * after,
        "is_optimal": is_optimal,
        "n_spans": len(spans),
        "window_length_ft": length,
        "n_cut_trees": len(cut),
        "foliage_removed_ft3": removed,
        "foliage_removed_frac": removed / whole if whole else NAN,
        "target_view_frac": 0.6,
        "is_target_met": False,
        "target_words": "a view of 60 % cannot be had; span-max stands in its way",
    }
    frontier = [
        {
            "lot_id": lot,
            "point": n,
            "foliage_removed_ft3": removed * n / 6,
            "foliage_removed_frac": removed * n / 6 / whole if whole else NAN,
            "view_after_frac": 0.08 + (after - 0.08) * (1.0 - (1.0 - n / 6) ** 1.7),
            "view_bound_frac": 0.08
            + (after - 0.08) * (1.0 - (1.0 - n / 6) ** 1.7)
            + (0.0 if is_optimal or n < 4 else 0.02),
            "window_length_ft": length * n / 6,
            "n_spans": len(spans),
            "n_cut_trees": n,
            "spans": ", ".join(f"{a:g}-{a + (b - a) * n / 6:g}" for a, b in spans),
            "is_chosen": n == 6,
            "is_knee": n == 3,
        }
        for n in range(1, 7)
        if spans
    ]
    limits = [
        limit(lot, "floor", "no tree is left under 6 ft", 6.5, 6.0, "ft", "kept", NAN, 0),
        limit(lot, "span-max", "no span is longer than 30 ft", 30.0, 30.0, "ft", "binds", 0.41, 0),
        limit(
            lot, "foliage-share", "25 % of a tree's foliage a year", 0.578, 0.578, "frac",
            "binds", 0.37, 2, "s. 403.9326(1)(b)3 F.S.",
        ),
        limit(
            lot, "allowance-length", "65 % of the shoreline", NAN, NAN, "ft", "not in force",
            NAN, 0, "s. 403.9326(1)(a) F.S.",
        ),
        limit(lot, "nest", "trees marked keep: nest", NAN, NAN, "", "kept", NAN, 1, "user"),
    ]  # fmt: skip
    tables = {
        "window_lots": plain([lots], lots),
        "window_spans": shaped(
            rows,
            rows[0] if rows else ["lot_id", "span_id", "stretch_id", "station_from_ft", "geometry"],
            site.crs,
        ),
        "window_trees": plain(trees, trees[0] if trees else ()),
        "window_limits": plain(limits, limits[0]),
        "window_frontier": plain(frontier, frontier[0] if frontier else ("lot_id",)),
    }
    return Result("window", tables, (), {"band_ft": BAND, "foliage_reading": "standing-each-year"})


def limit(lot, name, words, value, allowed, unit, standing, without, n, source="chosen by you"):
    return {
        "lot_id": lot,
        "limit": name,
        "words": words,
        "value": value,
        "allowed": allowed,
        "unit": unit,
        "standing": standing,
        "view_without_frac": without,
        "n_trees": n,
        "source": source,
    }


def stage_result(lot, trees, n_years, *, plan="window"):
    """Each tree's cut in as many equal slices as years, tops from above, bands from below."""
    cut_trees = [t for t in trees if t["treatment"] != "leave"]
    cuts, rows, quarters = [], [], []
    for tree in cut_trees:
        low, top = tree["cut_low_ft"], tree["top_height_ft"]
        is_top = tree["cut_high_ft"] != tree["cut_high_ft"]
        high = top if is_top else tree["cut_high_ft"]
        # a top comes down from above, a band is cleared from its low side up
        edges = np.linspace(*((high, low) if is_top else (low, high)), n_years + 1)
        for year in range(1, n_years + 1):
            share = tree["removed_frac"] / n_years
            cuts.append(
                {
                    "lot_id": tree["lot_id"],
                    "crown_id": tree["crown_id"],
                    "year": year,
                    "date": f"{2026 + year}-01-11",
                    "from_ft": edges[year] if is_top else edges[year - 1],
                    "to_ft": NAN if is_top else edges[year],
                    "height_after_ft": edges[year] if is_top else top,
                    "removed_ft3": tree["removed_ft3"] / n_years,
                    "removed_of_standing_frac": share / (1.0 - share * (year - 1)),
                    "removed_of_original_frac": share,
                    "leaf_of_standing_frac": NAN,
                    "standing_frac": 1.0 - share * year,
                }
            )
        rows.append(
            {
                "lot_id": tree["lot_id"],
                "crown_id": tree["crown_id"],
                "species": tree["species"],
                "treatment": tree["treatment"],
                "from_ft": low,
                "to_ft": tree["cut_high_ft"],
                "top_height_ft": top,
                "height_after_ft": tree["height_after_ft"],
                "canopy_model": "column",
                "removed_frac": tree["removed_frac"],
                "leaf_removed_frac": NAN,
                "n_standing_years": n_years,
                "n_original_years": max(n_years - 1, 1),
                "n_years": n_years,
                "share_binds": "act" if top >= 16.0 else "good practice",
                "is_reachable": True,
                "why": "",
            }
        )
        quarters += [
            {
                "lot_id": tree["lot_id"],
                "crown_id": tree["crown_id"],
                "canopy_model": model,
                "is_chosen": model == "column",
                "share_frac": 0.25,
                "cut_height_ft": top * (1.0 - depth),
                "cut_depth_ft": top * depth,
            }
            for model, depth in (("column", 0.25), ("cone", 0.63), ("paraboloid", 0.5))
        ]
    lots = {
        "lot_id": lot,
        "plan": plan,
        "n_years": n_years,
        "n_cut_trees": len(cut_trees),
        "n_unreachable_trees": 0,
        "removed_ft3": sum(t["removed_ft3"] for t in cut_trees),
        "reason": "",
    }
    tables = {
        "stage_lots": plain([lots], lots),
        "stage_trees": plain(rows, rows[0] if rows else ("lot_id",)),
        "stage_cuts": plain(cuts, cuts[0] if cuts else ("lot_id",)),
        "stage_quarters": plain(quarters, quarters[0] if quarters else ("lot_id",)),
    }
    return Result("stages", tables, (), {"foliage_reading": "standing-each-year"})


def risk_result(lot, trees):
    cut = [t for t in trees if t["treatment"] != "leave"]
    limits = [
        {
            "lot_id": lot,
            "limit": "floor",
            "words": "no tree is left under 6 ft",
            "n_trees": len(cut),
            "n_draws": 400,
            "n_broken_draws": 3,
            "broken_frac": 0.0075,
            "low_frac": 0.0015,
            "high_frac": 0.0218,
        },
        {
            "lot_id": lot,
            "limit": "foliage-share",
            "words": "25 % of a tree's foliage a year",
            "n_trees": len(cut),
            "n_draws": 400,
            "n_broken_draws": 88,
            "broken_frac": 0.22,
            "low_frac": 0.18,
            "high_frac": 0.264,
        },
    ]
    rows = [
        {
            "lot_id": lot,
            "crown_id": t["crown_id"],
            "limit": "foliage-share",
            "top_height_ft": t["top_height_ft"],
            "height_error_ft": 0.5,
            "broken_frac": 0.22 if k < 2 else 0.01,
            "is_stick_first": k < 2,
            "words": "more than a quarter of its foliage in a year in 22 % of the draws",
        }
        for k, t in enumerate(cut)
    ]
    tables = {
        "risk_limits": plain(limits, limits[0]),
        "risk_trees": plain(rows, rows[0] if rows else ("lot_id",)),
    }
    return Result("risks", tables, (), {"n_draws": 400, "risk_frac": 0.05})


def sight_result(site, results, lot, eyes=EYES):
    """Eyes behind the shore, each with rays to both ends of the first stretch and between."""
    rows = results["frontage"].tables["frontage"]
    line = rows[rows["lot_id"] == lot].geometry.iloc[0]
    xy = shapely.get_coordinates(line)
    way = (xy[-1] - xy[0]) / np.hypot(*(xy[-1] - xy[0]))
    land = np.array([way[1], -way[0]])  # water on the left of the line
    seen, rays = [], []
    for eye_id, share, off in eyes:
        at = shapely.get_coordinates(line.interpolate(share, normalized=True))[0] + land * off
        for s in np.linspace(0.0, 1.0, 81):
            end = shapely.get_coordinates(line.interpolate(s, normalized=True))[0]
            rays.append(
                {
                    "eye_id": eye_id,
                    "lot_id": lot,
                    "azimuth_deg": float(np.degrees(np.arctan2(*(end - at))) % 360.0),
                    "edge_distance_ft": float(np.hypot(*(end - at))) * feet_of(site),
                    "edge_deg": -8.0,
                    "horizon_deg": 0.0,
                    "open_now_frac": 0.08,
                    "open_after_frac": 0.4 if 0.3 < s < 0.5 else 0.08,
                    "geometry": shapely.LineString([at, end]),
                }
            )
        seen.append(
            {
                "eye_id": eye_id,
                "lot_id": lot,
                "eye_elevation_ft": 14.3,
                "water_elevation_ft": 0.3,
                "reason": "",
                "azimuth_from_deg": 300.0,
                "azimuth_to_deg": 50.0,
                "view_deg2": 812.0,
                "view_now_frac": 0.081,
                "view_others_removed_frac": 0.104,
                "view_after_frac": 0.236,
                "geometry": shapely.Point(at),
            }
        )
    tables = {
        "sight_eyes": shaped(seen, seen[0], site.crs),
        "sight_rays": shaped(rays, rays[0], site.crs),
    }
    return Result("sightlines", tables)


def with_window(
    site, results, spans, *, lot=None, n_years=3, stages=True, sight=True, risks=True, **how
):
    """The results and those of the window's four operations."""
    lot = lot or next(iter(site.measured_lot_ids()))
    window = window_result(site, results, lot, spans, **how)
    trees = window.tables["window_trees"].to_dict("records")
    more = {"window": window}
    if sight:
        more["sightlines"] = sight_result(site, results, lot)
    if stages:
        more["stages"] = stage_result(lot, trees, n_years)
    if risks:
        more["risks"] = risk_result(lot, trees)
    return {**results, **more}
