"""A screening as one would write it in an afternoon: geopandas, shapely and rasterstats.

    python scripts/plain_screen.py SCREEN.toml --out lots.csv

It is what ``scripts/bench_screen.py`` holds geotrim against: the same measures of the same files,
written plainly and fairly. Spatial joins go through geopandas' index, rasterstats is called once
for all crowns with the statistics it is to find, and the conditions of the ways to an authorisation
are columns of numpy. Limits are read from the same rule files. It uses nothing of geotrim but
those files, and copes with none of the odd cases: ties, overlaps, islands, broken shapes, unknown
facts, errors of lots, resuming.

What it takes more simply: the shore is cut into pieces of a foot, each for the lot just inland; a
cell is a crown's where its middle is in the crown; side limits go straight out from the ends of a
lot's shore; the local rules that tighten a limit decide as the limit itself would.

On plain lots (one stretch of shore, neighbours on both sides) its figures should agree with
geotrim's so: frontage within 4 ft, in all within 1 %; length of the fringe, its trees and canopy
volumes in all within 5 %; highest top on nine lots of ten within 1 ft.
Areas of fringe and zone come out a fifth smaller: the plain outline looks along the middle of each
cell of 2.5 ft, geotrim's takes the innermost and outermost edge anywhere in it.
``tests/test_screen_laws.py`` holds both to that.
"""

from __future__ import annotations

import argparse
import time
import tomllib
import warnings
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import rasterio
import rasterstats
import shapely
from shapely.geometry import LineString, Polygon

RULES = Path(__file__).resolve().parent.parent / "geotrim" / "rules"
REACH_FT, SMOOTHING_FT = 5.0, 50.0
SPACING_FT, SWATH_FT, OUTLINE_FT = 10.0, 20.0, 2.5
BAND_FT = (6.0, 10.0)
HEIGHT_LIMITS_FT = (6.0, 10.0, 16.0, 24.0)
NOT_MET, UNSURE, MET = 0, 1, 2


@dataclass
class Given:
    """The inputs as tables, and what the screen file says."""

    said: dict[str, Any]
    folder: Path
    lots: gpd.GeoDataFrame
    shore: gpd.GeoDataFrame
    crowns: gpd.GeoDataFrame
    exclusions: gpd.GeoDataFrame
    towns: gpd.GeoDataFrame
    seconds: dict[str, np.ndarray] = field(default_factory=dict)


def read(path: Path, box: tuple[float, float, float, float] | None = None) -> Given:
    """Read everything the screen file names; only what lies in a box, if told."""
    said = tomllib.loads(path.read_text(encoding="utf-8"))

    def layer(name: str) -> gpd.GeoDataFrame:
        source = path.parent / said[name]["file"]
        if source.suffix == ".parquet":
            return gpd.read_parquet(source, bbox=box)
        return gpd.read_file(source, layer=said[name].get("layer"), bbox=box and tuple(box))

    lots = layer("lots").rename(columns={said["lots"]["id_field"]: "lot_id"})
    names = {
        said["crowns"]["id_field"]: "crown_id",
        said["crowns"]["species_field"]: "species",
        said["crowns"]["base_height_field"]: "base_ft",
    }
    crowns = layer("crowns").rename(columns=names)
    if box is not None:
        lots = lots[lots.within(shapely.box(*box))].reset_index(drop=True)
        crowns = crowns[crowns.within(shapely.box(*box))].reset_index(drop=True)
    shore, exclusions, towns = layer("mhw_line"), layer("exclusions"), layer("jurisdictions")
    return Given(said, path.parent, lots, shore, crowns, exclusions, towns)


def frontages(given: Given) -> gpd.GeoDataFrame:
    """Each lot's shore as one line: pieces of a foot, each for the lot just inland of it."""
    line = shapely.segmentize(given.shore.geometry.array, 1.0)
    xy, index = shapely.get_coordinates(line, return_index=True)
    same = index[1:] == index[:-1]
    ends = np.stack([xy[:-1][same], xy[1:][same]], axis=1)
    pieces = gpd.GeoDataFrame(geometry=shapely.linestrings(ends), crs=given.shore.crs)
    way = (ends[:, 1] - ends[:, 0]) / np.linalg.norm(ends[:, 1] - ends[:, 0], axis=1)[:, None]
    left = np.stack([-way[:, 1], way[:, 0]], axis=1)
    found = []
    for side in (1.0, -1.0):  # nobody says on which side of the line the land is
        inland = ends.mean(axis=1) + side * (REACH_FT + 1.0) * left
        points = gpd.GeoDataFrame(geometry=shapely.points(inland), crs=pieces.crs)
        found.append(gpd.sjoin(points, given.lots[["lot_id", "geometry"]], predicate="within"))
    near = pd.concat(found)
    near = near[~near.index.duplicated()]
    mine = pieces.loc[near.index].assign(lot_id=near["lot_id"])
    lines = mine.dissolve("lot_id").geometry.line_merge()
    out = lines.to_frame("geometry").reset_index()
    out["frontage_length_ft"] = out.length
    longest = [max(shapely.get_parts(shape), key=lambda part: part.length) for shape in lines]
    out["run"] = gpd.GeoSeries(longest, crs=given.lots.crs)
    return out


def smoothed(line: LineString) -> LineString:
    """A line's moving average: every 5 ft, over the smoothing length."""
    n = max(2, int(line.length // 5.0) + 1)
    at = np.linspace(0.0, line.length, n)
    xy = shapely.get_coordinates(shapely.line_interpolate_point(line, at))
    half = int(SMOOTHING_FT / 2 / 5.0)
    out = [
        xy[max(0, k - reach) : k + reach + 1].mean(axis=0)
        for k in range(n)
        for reach in [min(half, k, n - 1 - k)]
    ]
    return LineString(out)


def squares(line: LineString, at: np.ndarray, side: float) -> tuple[np.ndarray, np.ndarray]:
    """Points on a line and unit vectors square to it, out over the water."""
    here = shapely.get_coordinates(shapely.line_interpolate_point(line, at))
    a = shapely.get_coordinates(shapely.line_interpolate_point(line, np.maximum(at - 5.0, 0.0)))
    b = shapely.get_coordinates(
        shapely.line_interpolate_point(line, np.minimum(at + 5.0, line.length))
    )
    way = (b - a) / np.linalg.norm(b - a, axis=1)[:, None]
    return here, side * np.stack([-way[:, 1], way[:, 0]], axis=1)


def water_side(line: LineString, lot: Polygon) -> float:
    """1 if the water is on a line's left, else -1: the lot's middle is on the other side."""
    middle = shapely.get_coordinates(lot.representative_point())[0]
    at = line.project(lot.representative_point())
    here, left = squares(line, np.array([at]), 1.0)
    return -1.0 if float((middle - here[0]) @ left[0]) > 0 else 1.0


def side_limits(given: Given, fronts: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
    """Fronts with their smoothed line, water side, side limits and the water between these."""
    shapes = given.lots.set_index("lot_id").geometry
    reach = float(given.said["options"]["riparian_length_ft"])
    rows = []
    for row in fronts.itertuples():
        line = smoothed(row.run)
        side = water_side(line, shapes[row.lot_id])
        _, out = squares(line, np.array([0.0, line.length]), side)
        ends = shapely.get_coordinates(row.run)[[0, -1]]
        far = ends + reach * out
        limits = shapely.multilinestrings(shapely.linestrings(np.stack([ends, far], axis=1)))
        ring = np.concatenate([shapely.get_coordinates(row.run), far[::-1]])
        water = shapely.make_valid(Polygon(ring))
        rows.append((line, side, limits, water))
    names = ("base", "side", "limits", "water")
    return fronts.assign(**dict(zip(names, map(list, zip(*rows, strict=True)), strict=True)))


def trees_of_lots(given: Given, fronts: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
    """Crowns with the lot they stand in, or whose water they stand in."""
    points = gpd.GeoDataFrame(geometry=given.crowns.centroid)
    on_land = gpd.sjoin(points, given.lots[["lot_id", "geometry"]], predicate="within")
    water = gpd.GeoDataFrame(fronts[["lot_id"]], geometry=list(fronts["water"]), crs=points.crs)
    in_water = gpd.sjoin(points, water, predicate="within")
    crowns = given.crowns.copy()
    crowns["lot_id"] = on_land["lot_id"][~on_land.index.duplicated()]
    crowns["lot_id"] = crowns["lot_id"].fillna(in_water["lot_id"][~in_water.index.duplicated()])
    table = tomllib.loads((RULES / "species.toml").read_text(encoding="utf-8"))["species"]
    kinds = {one["common"]: float(one["is_mangrove"]) for one in table.values()}
    crowns["is_mangrove"] = crowns["species"].map(kinds)
    crowns["x"], crowns["y"] = points.geometry.x, points.geometry.y
    crowns["radius"] = np.sqrt(crowns.area / np.pi)
    return crowns


def fringes(
    given: Given, fronts: gpd.GeoDataFrame, crowns: gpd.GeoDataFrame
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Depth by transects, outline and zone of each lot's fringe; station and offset of trees."""
    shapes = given.lots.set_index("lot_id").geometry
    away = gpd.GeoSeries(
        [shape.buffer(5.0) for shape in fronts["limits"]], crs=given.lots.crs
    )  # a setback of 5 ft from the side limits
    away = pd.concat([away, given.exclusions.geometry], ignore_index=True)
    mangroves = crowns[(crowns["is_mangrove"] != 0.0) & crowns["lot_id"].notna()]
    groups = dict(iter(mangroves.groupby("lot_id")))
    rows, places = [], []
    for front in fronts.itertuples():
        if (trees := groups.get(front.lot_id)) is None:
            continue
        line = front.base
        points = shapely.points(trees["x"], trees["y"])
        station = shapely.line_locate_point(line, points)
        here, out = squares(line, station, front.side)
        gap = shapely.get_coordinates(points) - here
        offset = (gap * out).sum(axis=1)
        places.append(pd.DataFrame({"station": station, "offset": offset}, index=trees.index))
        at = np.arange(min(SPACING_FT / 2, line.length / 2), line.length, SPACING_FT)
        depths = []
        for s in at:
            mine = offset[np.abs(station - s) <= SWATH_FT / 2]
            if mine.size:
                depths.append(mine.max() - mine.min())
        at = np.arange(OUTLINE_FT / 2, line.length, OUTLINE_FT)
        here, out = squares(line, at, front.side)
        rays = shapely.linestrings(np.stack([here - 500.0 * out, here + 500.0 * out], axis=1))
        cut = shapely.intersection(rays, trees.geometry.union_all())
        cells = []
        for k, part in enumerate(cut):
            if part.is_empty:
                continue
            along = (shapely.get_coordinates(part) - here[k]) @ out[k]
            aside = OUTLINE_FT / 2 * np.array([-out[k, 1], out[k, 0]])
            low, high = here[k] + along.min() * out[k], here[k] + along.max() * out[k]
            cells.append(Polygon([low - aside, high - aside, high + aside, low + aside]))
        shape = shapely.union_all(cells) if cells else Polygon()
        region = shapely.union_all([shapes[front.lot_id].buffer(REACH_FT), front.water])
        zone = shape.intersection(region)
        for k in away.sindex.query(zone, predicate="intersects") if not zone.is_empty else ():
            zone = zone.difference(away.iloc[k])
        width = shapely.length(shapely.intersection(rays, zone))
        rows.append(
            {
                "lot_id": front.lot_id,
                "fringe_depth_max_ft": max(depths, default=np.nan),
                "fringe_depth_mean_ft": float(np.mean(depths)) if depths else np.nan,
                "fringe_over_limit_length_ft": SPACING_FT * sum(d > 50.0 for d in depths),
                "fringe_length_ft": OUTLINE_FT * len(cells),
                "fringe_area_ft2": shape.area,
                "n_fringe_trees": len(trees),
                "zone_area_ft2": zone.area,
                "zone_length_ft": OUTLINE_FT * int((width > 0).sum()),
                "zone_width_max_ft": float(width.max()),
            }
        )
    return pd.DataFrame(rows), pd.concat(places)


def past_setbacks(given: Given, fronts: gpd.GeoDataFrame, crowns: gpd.GeoDataFrame) -> pd.Series:
    """Which crowns reach into a setback or an exclusion."""
    strips = [shape.buffer(5.0) for shape in fronts["limits"]]
    every = gpd.GeoDataFrame(geometry=[*strips, *given.exclusions.geometry], crs=crowns.crs)
    hit = gpd.sjoin(crowns[["geometry"]], every, predicate="intersects")
    return pd.Series(crowns.index.isin(hit.index), index=crowns.index)


def make_vrt(folder: Path, out: Path) -> Path:
    """A VRT over a folder of tiles, as GDAL's own tool would write it."""
    parts, bounds, first = [], [], None
    for path in sorted(folder.glob("*.tif")):
        with rasterio.open(path) as tile:
            bounds.append(tile.bounds)
            parts.append((path, tile.width, tile.height, tile.bounds))
            first = first or (tile.res[0], tile.crs.to_wkt(), tile.nodata)
    cell, wkt, nodata = first
    west, north = min(b.left for b in bounds), max(b.top for b in bounds)
    width = round((max(b.right for b in bounds) - west) / cell)
    height = round((north - min(b.bottom for b in bounds)) / cell)
    sources = "".join(
        f"<ComplexSource><SourceFilename>{path.resolve()}</SourceFilename><SourceBand>1</SourceBand>"
        f'<SrcRect xOff="0" yOff="0" xSize="{w}" ySize="{h}"/>'
        f'<DstRect xOff="{round((b.left - west) / cell)}" yOff="{round((north - b.top) / cell)}" '
        f'xSize="{w}" ySize="{h}"/><NODATA>{nodata}</NODATA></ComplexSource>'
        for path, w, h, b in parts
    )
    out.write_text(
        f'<VRTDataset rasterXSize="{width}" rasterYSize="{height}"><SRS>{wkt}</SRS>'
        f"<GeoTransform>{west}, {cell}, 0, {north}, 0, {-cell}</GeoTransform>"
        f'<VRTRasterBand dataType="Float32" band="1"><NoDataValue>{nodata}</NoDataValue>{sources}'
        "</VRTRasterBand></VRTDataset>",
        encoding="utf-8",
    )
    return out


def canopies(crowns: gpd.GeoDataFrame, raster: Path, target: float, boundless: bool) -> Any:
    """Heights and volumes of every crown by rasterstats."""
    with rasterio.open(raster) as source:
        cell = source.res[0] * source.res[1]
    low, high = BAND_FT

    def under(x: Any) -> float:
        return float(np.minimum(x, low).sum() * cell)

    def band(x: Any) -> float:
        return float(np.clip(x - low, 0.0, high - low).sum() * cell)

    def over(x: Any) -> float:
        return float(np.maximum(x - high, 0.0).sum() * cell)

    def above_target(x: Any) -> float:
        return float(np.maximum(x - target, 0.0).sum() * cell)

    found = rasterstats.zonal_stats(
        crowns.geometry,
        str(raster),
        stats=["count", "max", "mean", "percentile_99"],
        add_stats={"under": under, "band": band, "over": over, "above_target": above_target},
        boundless=boundless,
    )
    table = pd.DataFrame(found, index=crowns.index)
    table["volume"] = table["under"] + table["band"] + table["over"]
    return table.rename(columns={"max": "top_height_ft", "percentile_99": "p99_height_ft"})


def judge(value: Any, error: Any, compare: str, number: float) -> np.ndarray:
    """2 met, 1 too close or unknown, 0 not met."""
    value, error = np.broadcast_arrays(np.asarray(value, float), np.asarray(error, float))
    gap = value - number
    at = np.abs(gap) <= 0.005
    holds = {
        "<=": (gap < 0) | at,
        "<": (gap < 0) & ~at,
        ">=": (gap > 0) | at,
        ">": (gap > 0) & ~at,
        "==": at,
    }[compare]
    code = np.where(holds, MET, NOT_MET)
    if compare != "==":
        code[(error > 0) & (np.abs(gap) <= 1.96 * error + 0.005)] = UNSURE
    code[np.isnan(value)] = UNSURE
    return code


def ways(given: Given, crowns: pd.DataFrame) -> pd.DataFrame:
    """For each tree how each way to an authorisation stands: conditions on columns."""
    facts = given.said["facts"]
    yes = {True: 1.0, False: 0.0}

    def fact(name: str) -> float:
        return yes.get(facts.get(name), np.nan)

    target = float(given.said["options"]["target_height_ft"])
    top = crowns["top_height_ft"].to_numpy(float)
    top_error = float(given.said["heights"]["rmse_ft"])
    after = np.where(np.isnan(top), np.nan, np.minimum(top, target))
    lower = top < target
    proof = facts.get("earlier_proof")
    is_professional = facts.get("supervisor") == "professional" and facts.get(
        "professional_credential", "none"
    ) not in (None, "none")
    place_error = 0.5 * crowns["radius"].to_numpy()
    depth_error = np.hypot(crowns["place_rms"], crowns["place_rms"])
    known: dict[str, tuple[Any, Any]] = {
        "is_mangrove": (crowns["is_mangrove"], 0.0),
        "fringe_depth_ft": (crowns["fringe_depth_max_ft"], depth_error),
        "is_island_out": (fact("is_uninhabited_island"), 0.0),
        "is_conservation_land": (fact("is_conservation_land"), 0.0),
        "is_mitigation_silent": (fact("is_mitigation_land"), 0.0),
        "is_set_aside": (
            max(map(fact, ("is_uninhabited_island", "is_conservation_land", "is_mitigation_land"))),
            0.0,
        ),
        "uses_herbicide": (fact("uses_herbicide"), 0.0),
        "cut_above_base_ft": (target - crowns["base_ft"].to_numpy(float), 0.0),
        "controls_land": (fact("controls_land"), 0.0),
        "limit_margin_ft": (crowns["margin_ft"], place_error),
        "is_owner_supervising": (float(facts.get("supervisor") == "owner"), 0.0),
        "top_height_ft": (top, top_error),
        "height_after_ft": (after, np.where(lower, top_error, 0.0)),
        "is_professional": (float(is_professional), 0.0),
        "has_earlier_proof": (np.nan if proof is None else float(proof != "none"), 0.0),
        "above_earlier_ft": (np.nan, 0.0),
        "was_lawfully_trimmed": (fact("was_lawfully_trimmed"), 0.0),
        "from_innermost_ft": (crowns["offset"] - crowns["landward"], depth_error),
    }
    rules = tomllib.loads((RULES / "state_act.toml").read_text(encoding="utf-8"))["rule"]
    routes = tomllib.loads((RULES / "routes.toml").read_text(encoding="utf-8"))["route"]
    local = {
        town: tomllib.loads((given.folder / names[0]).read_text(encoding="utf-8"))["tighten"]
        for town, names in given.said["jurisdictions"]["overlays"].items()
    }
    town = crowns["town"].to_numpy(object)
    n = len(crowns)
    out = {route: np.full(n, MET) for route in routes}
    for name, rule in rules.items():
        if rule["effect"] not in ("condition", "check"):
            continue
        value, error = known[rule["measure"]]
        code = np.broadcast_to(judge(value, error, rule["compare"], rule["number"]), n).copy()
        for place, tightened in local.items():
            if name in tightened:
                here = town == place
                number = tightened[name]["number"]
                code[here] = np.broadcast_to(judge(value, error, rule["compare"], number), n)[here]
        bound = np.full(n, MET)
        for when in rule.get("when", ()):
            value, error = known[when["measure"]]
            bound = np.minimum(bound, judge(value, error, when["compare"], when["number"]))
        code = np.maximum(code, MET - bound)  # it does not bind: met
        if rule["effect"] == "check":
            code = np.maximum(code, UNSURE)
        for route in rule["routes"]:
            out[route] = np.minimum(out[route], code)
    table = pd.DataFrame(out, index=crowns.index)
    names = [route for route in routes if route not in ("no-mangrove", "individual-permit")]
    low = judge(top - target, top_error, "<=", 0.0) == MET
    conditions = [table["no-mangrove"] == MET, low]
    conditions += [table[name] == MET for name in names]
    conditions += [table[name] == UNSURE for name in names]
    conditions += [table["individual-permit"] == MET]
    choices = ["no-mangrove", "left-alone", *names, *names, "individual-permit"]
    outcome = np.select([np.asarray(c) for c in conditions], choices, "none")
    return table.assign(outcome_route=outcome)


def margins(given: Given, fronts: gpd.GeoDataFrame, crowns: gpd.GeoDataFrame) -> pd.Series:
    """How far each tree stands inside its lot's side lines and limits; negative outside."""
    shapes = given.lots.set_index("lot_id").geometry
    out = pd.Series(np.nan, index=crowns.index)
    groups = crowns.groupby("lot_id").groups
    for front in fronts.itertuples():
        if (mine := groups.get(front.lot_id)) is None:
            continue
        lot = shapes[front.lot_id]
        sides = lot.boundary.difference(front.geometry.buffer(REACH_FT + 1.0)).union(front.limits)
        points = shapely.points(crowns.loc[mine, "x"], crowns.loc[mine, "y"])
        out.loc[mine] = shapely.distance(points, sides)
    return out


def screen(
    path: Path, *, boundless: bool = True, box: tuple[float, float, float, float] | None = None
) -> tuple[pd.DataFrame, dict[str, np.ndarray]]:
    """The whole screening: a lot a row, and seconds of each step by the clock and of processor."""
    seconds: dict[str, np.ndarray] = {}
    last = np.array([time.perf_counter(), time.process_time()])

    def mark(name: str) -> None:
        nonlocal last
        now = np.array([time.perf_counter(), time.process_time()])
        seconds[name], last = now - last, now

    given = read(path, box)
    mark("reading")
    fronts = frontages(given)
    mark("frontage")
    fronts = side_limits(given, fronts)
    crowns = trees_of_lots(given, fronts)
    mark("limits and crowns of lots")
    fringe, places = fringes(given, fronts, crowns)
    mark("fringe and zone")
    crowns["is_past_setback"] = past_setbacks(given, fronts, crowns)
    mark("setbacks")
    raster = given.folder / given.said["heights"]["file"]
    if raster.is_dir():
        raster = make_vrt(raster, given.folder / "plain.vrt")
    seen = canopies(crowns, raster, float(given.said["options"]["target_height_ft"]), boundless)
    mark("heights and volumes")
    crowns = crowns.join(seen).join(places)
    crowns = crowns.merge(fringe[["lot_id", "fringe_depth_max_ft"]], on="lot_id", how="left")
    crowns["margin_ft"] = margins(given, fronts, crowns)
    is_fringe = crowns["is_mangrove"] != 0.0
    rms = (crowns["radius"].where(is_fringe) / 2) ** 2
    crowns["place_rms"] = np.sqrt(rms.groupby(crowns["lot_id"]).transform("mean"))
    crowns["landward"] = crowns["offset"].groupby(crowns["lot_id"]).transform("min")
    middles = gpd.GeoDataFrame(geometry=given.lots.centroid)
    town = gpd.sjoin(middles, given.towns, predicate="within")["name"]
    town = dict(zip(given.lots["lot_id"], town.reindex(given.lots.index), strict=True))
    crowns["town"] = crowns["lot_id"].map(town)
    crowns = crowns.join(ways(given, crowns))
    lots = rows(given, fronts, fringe, crowns, town)
    mark("rules and rows")
    return lots, seconds


def rows(
    given: Given, fronts: Any, fringe: pd.DataFrame, crowns: pd.DataFrame, town: dict[str, Any]
) -> pd.DataFrame:
    """Figures of crowns gathered by lot, beside those of the shore."""
    lots = given.lots[["lot_id"]].assign(lot_area_ft2=given.lots.area)
    lots["jurisdiction"] = lots["lot_id"].map(town)
    lots = lots.merge(fronts[["lot_id", "frontage_length_ft"]], how="left").fillna(
        {"frontage_length_ft": 0.0}
    )
    lots = lots.merge(fringe, on="lot_id", how="left")
    edges = [-np.inf, *HEIGHT_LIMITS_FT, np.inf]
    crowns["height_class"] = pd.cut(crowns["top_height_ft"], edges)
    by_lot = crowns.groupby("lot_id")
    sums = by_lot.agg(
        n_crowns=("crown_id", "size"),
        n_past_setback=("is_past_setback", "sum"),
        tallest_ft=("top_height_ft", "max"),
        volume_ft3=("volume", "sum"),
        volume_band_ft3=("band", "sum"),
        volume_over_target_ft3=("above_target", "sum"),
    )
    sums["share_band_frac"] = sums["volume_band_ft3"] / sums["volume_ft3"]
    lots = lots.merge(sums.reset_index(), on="lot_id", how="left")
    classes = by_lot["height_class"].value_counts().unstack(fill_value=0)
    classes.columns = [f"n in {name}" for name in classes.columns]
    lots = lots.merge(classes.reset_index(), on="lot_id", how="left")
    names = tomllib.loads((RULES / "routes.toml").read_text(encoding="utf-8"))["route"]
    best = by_lot[list(names)].max().map(("closed", "depends", "open").__getitem__)
    outcome = by_lot["outcome_route"].agg(lambda column: column.value_counts().index[0])
    return lots.merge(best.assign(outcome_route=outcome).reset_index(), on="lot_id", how="left")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("screen", type=Path)
    parser.add_argument("--out", type=Path)
    parser.add_argument("--box", type=float, nargs=4, help="west south east north: only inside")
    parser.add_argument("--tuned", action="store_true", help="rasterstats with boundless=False")
    asked = parser.parse_args()
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # rasterstats and affine tell of each other's ways
        lots, seconds = screen(asked.screen, boundless=not asked.tuned, box=asked.box)
    for name, (clock, cpu) in seconds.items():
        print(f"{name:28s} {clock:8.1f} s clock {cpu:8.1f} s cpu")
    if asked.out:
        lots.to_csv(asked.out, index=False)
    n_crowns = int(lots["n_crowns"].sum())
    print(f"{len(lots)} lots, {n_crowns} crowns at them")


if __name__ == "__main__":
    main()
