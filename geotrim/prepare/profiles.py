"""Preparation ``profiles``: how each crown's leaf area is spread over its height, from a cloud."""

from __future__ import annotations

from contextlib import ExitStack
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import numpy.typing as npt
import shapely

from geotrim.core.crown_points import points_in_crowns
from geotrim.core.leaf_area import LeafProfiles, count_returns, leaf_profiles
from geotrim.errors import LayerError
from geotrim.io.cloud_tiles import TILE_POINTS
from geotrim.io.clouds import GROUND, WATER, Points, vertical_name
from geotrim.io.crs import to_site
from geotrim.io.datum_match import check_same_datum, settled_datum
from geotrim.io.files import local_path, sha256_of
from geotrim.io.package import write_layers
from geotrim.io.rasters import HeightRaster, open_heights
from geotrim.io.repair import clean_layer, counted, listed
from geotrim.io.site_parts import feature_ids
from geotrim.io.text_table import write_text_table
from geotrim.io.vectors import read_rows
from geotrim.model import InputFile, Note
from geotrim.prepare.cloud_work import OpenClouds, open_clouds
from geotrim.prepare.places import input_file
from geotrim.prepare.profile_returns import returns_near
from geotrim.prepare.profile_tables import layer_table, pulses, summary_table, words_of
from geotrim.prepare.task import GivenFile, Prepared, Task
from geotrim.report.profile_figure import draw_profiles

Floats = npt.NDArray[np.float64]

#: Returns higher than this are no foliage; as for the heights of a raster. [ft]
HIGHEST_FT = 400.0
#: A polygon larger than this is hardly one crown: a disc 80 ft across. Common practice, no source.
#: [ft2]
LARGEST_FT2 = 5000.0


@dataclass(slots=True, eq=False)
class _Counted:
    """What is counted of each crown, tile by tile."""

    counts: Floats
    highest_ft: Floats
    n_returns: npt.NDArray[np.int64]
    n_no_ground: npt.NDArray[np.int64]
    n_shared: int = 0


@dataclass(slots=True, eq=False)
class _Work:
    """Crowns and clouds as they were read."""

    crowns: Any
    shapes: Any
    clouds: OpenClouds
    ground: HeightRaster | None
    notes: list[Note] = field(default_factory=list)
    inputs: list[InputFile] = field(default_factory=list)


def prepare_profiles(task: Task, *, tile_points: int = TILE_POINTS) -> Prepared:
    """Leaf-area weights of each crown, layer by layer.

    Parameters
    ----------
    task : Task
    tile_points : int
        Returns worked on at a time, about; the result does not hang on it.

    Raises
    ------
    GeotrimError
        If an input does not fit, or no crown has enough pulses for a profile.

    Notes
    -----
    The cloud is read once, by tile; counts of a crown add up over the tiles it lies in, so memory
    does not grow with the cloud. A return in two crowns counts for both.
    """
    with ExitStack() as open_files:
        work = _opened(task, open_files)
        found = _counted(task, work, tile_points)
    params = task.params
    profiles = leaf_profiles(
        _up_to_the_top(found.counts),
        layer_ft=params["layer_ft"],
        k=params["extinction_k"],
        min_pulses=params["min_pulses"],
        floor_ft=params["floor_ft"],
        top_ft=found.highest_ft,
    )
    _check_some(task, work, found, profiles)
    ids = list(work.crowns["crown_id"])
    layers = layer_table(ids, profiles)
    summary = summary_table(
        work.crowns, profiles, found.highest_ft, found.n_returns, found.n_no_ground, params
    )
    work.notes += _told(task, found, profiles, ids)
    _write(task, layers, summary)
    n_profiles = int(profiles.is_measured.sum())
    shares = summary["share_band_frac"]
    return Prepared(
        files={
            "profiles.gpkg": "layer profiles: leaf-area weights, one row a crown and layer of "
            "height; layer profile_summary: one row a crown",
            "profiles.csv": "the layer profiles",
            "profile_summary.csv": "the layer profile_summary without its shapes",
            "profiles.png": "the profiles of up to 12 crowns",
        },
        site={
            "profiles": {"file": "profiles.gpkg", "layer": "profiles"},
            "options": {"canopy_model": "profile"},
        },
        figures={
            "n_crowns": len(ids),
            "n_profiles": n_profiles,
            "n_pulses": float(profiles.n_pulses.sum()),
            "n_pulses_median": float(np.median(profiles.n_pulses[profiles.is_measured])),
            "n_capped": int(profiles.is_capped.any(axis=1).sum()),
            "share_band_median_frac": float(shares.median()),
            "share_band_error_median_frac": float(summary["share_band_error_frac"].median()),
        },
        notes=tuple(work.notes),
        words=words_of(summary, params),
        inputs=tuple(work.inputs),
    )


def _opened(task: Task, open_files: ExitStack) -> _Work:
    """Crowns, clouds and ground, made sure of."""
    task.progress("reading crowns")
    crowns, notes, told = _crowns(task)
    clouds, cloud_notes, inputs = _clouds(task)
    moved, move_notes = to_site(crowns, clouds.crs, "crowns")
    given = task.one("ground")
    raster = None
    if given is not None:
        raster = open_files.enter_context(
            open_heights(
                given.path,
                unit=given.get("unit"),
                band=given.get("band", 1),
                crs=given.get("crs"),
                subject=given.subject,
                holds="elevations",
            )
        )
        datum = settled_datum(given.path, given.get("datum"), given.subject)
        own, subjects = (
            vertical_name(clouds.vertical),
            (task.all("cloud")[0].subject, given.subject),
        )
        check_same_datum(own, datum, subjects)
        if own is None or datum is None:
            lost = " and ".join(
                s for s, d in zip(("cloud", "ground"), (own, datum), strict=True) if d is None
            )
            text = f"vertical datum of the {lost} not stated; taken to be one with the other's"
            cloud_notes.append(Note("ground", text, "assumed"))
        inputs.append(input_file(given, "ground", crs=raster.crs, detail=raster.describe()))
        cloud_notes += list(raster.notes)
    shapes = np.asarray(moved.geometry.array)
    shapely.prepare(shapes)
    ids = crowns["crown_id"].to_numpy(dtype=object)
    large = _notes_on_size(ids, shapely.area(shapes) * clouds.feet_per_map_unit**2)
    notes = [*notes, *cloud_notes, *move_notes, *large]
    return _Work(crowns, shapes, clouds, raster, notes, [told, *inputs])


def _crowns(task: Task) -> tuple[Any, list[Note], InputFile]:
    """The crowns in their own CRS, with ids as a site gives them."""
    given = task.all("crowns")[0]
    path = local_path(given.path, given.subject)
    rows, notes = read_rows(
        path,
        layer=given.get("layer"),
        crs=given.get("crs"),
        subject=given.subject,
        kinds=("polygon",),
        role="crowns",
    )
    layer = rows.attrs["layer"]
    id_field = given.get("id_field")
    where = f"{given.subject} id_field" if id_field else given.subject
    ids, told = feature_ids(rows, id_field, "crown_id", "crown", where, "crowns")
    table, mended = clean_layer(
        rows.assign(crown_id=ids),
        subject=given.subject,
        kinds=("polygon",),
        names=[f"crown {one}" for one in ids],
    )
    table = table[["crown_id", "geometry"]].reset_index(drop=True)
    read = input_file(given, "crowns", layer=layer, n_features=len(rows), crs=rows.crs)
    return table, [*notes, *told, *mended], read


def _notes_on_size(ids: Any, area_ft2: Floats) -> list[Note]:
    """Polygons too large for a crown, such as lots given for crowns by mistake."""
    large = area_ft2 > LARGEST_FT2
    if not large.any():
        return []
    text = (
        f"{counted(int(large.sum()), 'crown')} of {len(ids)} over {LARGEST_FT2:,.0f} ft2, the "
        f"largest of {area_ft2.max():,.0f} ft2 ({listed(ids[large])}). Are these crowns of single "
        "trees, and not lots or stands? One profile is made of each"
    )
    return [Note("crowns", text, "assumed")]


def _clouds(task: Task) -> tuple[OpenClouds, list[Note], list[InputFile]]:
    """The clouds in one plane; of a file given twice, under whatever name, the first."""
    files: list[GivenFile] = []
    notes: list[Note] = []
    seen: dict[str, str] = {}
    for given in task.all("cloud"):
        path = local_path(given.path, given.subject)
        digest, _ = sha256_of(path)
        if digest in seen:
            text = f"{path.name} is {seen[digest]} again, byte for byte, and was left out"
            notes.append(Note("cloud", text, "repaired"))
            continue
        seen[digest] = path.name
        files.append(given)
    opened = open_clouds(files)
    inputs = [
        input_file(given, "cloud", crs=cloud.file_crs, detail=cloud.describe())
        for given, cloud in zip(files, opened.clouds, strict=True)
    ]
    return opened, notes, inputs


def _counted(task: Task, work: _Work, tile_points: int) -> _Counted:
    """Returns of each crown by layer of height."""
    n, layer_ft = len(work.shapes), task.params["layer_ft"]
    n_layers = int(np.ceil(HIGHEST_FT / layer_ft))
    found = _Counted(
        np.zeros((n, 1 + n_layers)),
        np.full(n, -np.inf),
        np.zeros(n, np.int64),
        np.zeros(n, np.int64),
    )
    west, south, east, north = (float(v) for v in shapely.total_bounds(work.shapes))
    tiles = returns_near(
        work.clouds,
        (west, south, east, north),
        work.ground,
        task.params,
        folder=task.folder,
        progress=task.progress,
        notes=work.notes,
        tile_points=tile_points,
    )
    for number, tile in enumerate(tiles, 1):
        task.progress(f"counting returns, tile {number}")
        _add(found, tile.points, tile.height_ft, work.shapes, task.params, n_layers)
    return found


def _add(
    found: _Counted, points: Points, height_ft: Floats, shapes: Any, params: Any, n_layers: int
) -> None:
    """Count the returns of one tile."""
    point, crown = points_in_crowns(points.x, points.y, shapes)
    weight = 1.0 / np.maximum(points.n_returns, 1)
    if params["returns"] == "first":
        first = points.return_number[point] <= 1
        point, crown = point[first], crown[first]
        weight = np.ones(len(points))
    n = len(shapes)
    height = height_ft[point]
    known = np.isfinite(height)
    found.n_returns += np.bincount(crown, minlength=n)
    found.n_no_ground += np.bincount(crown[~known], minlength=n)
    found.n_shared += point.size - np.unique(point).size
    point, crown, height = point[known], crown[known], height[known]
    found.counts += count_returns(
        crown,
        height,
        weight[point],
        np.isin(points.kind[point], (GROUND, WATER)),
        n_crowns=n,
        n_layers=n_layers,
        layer_ft=params["layer_ft"],
        floor_ft=params["floor_ft"],
    )
    is_leaf = height < n_layers * params["layer_ft"]
    np.maximum.at(found.highest_ft, crown[is_leaf], height[is_leaf])


def _up_to_the_top(counts: Floats) -> Floats:
    """Counts without the layers over all crowns."""
    used = np.flatnonzero(counts.any(axis=0))
    return counts[:, : max(int(used.max(initial=0)), 1) + 1]


def _check_some(task: Task, work: _Work, found: _Counted, profiles: LeafProfiles) -> None:
    if profiles.is_measured.any():
        return
    if not found.n_returns.any():
        raise LayerError(
            "crowns",
            "no return of the cloud in any crown",
            "a cloud over the crowns",
            "check the CRS of both, and that they are of the same place",
        )
    most = profiles.n_pulses.max()
    raise LayerError(
        "crowns",
        f"no crown with a profile: {pulses(most)} pulses in the one that has most, of which "
        f"{int(found.n_no_ground.sum())} returns without ground",
        f"{task.params['min_pulses']:,} pulses or more (min_pulses), some of them stopped",
        "use a denser cloud or a ground raster, or crowns that are not cut so small",
    )


def _told(task: Task, found: _Counted, profiles: LeafProfiles, ids: list[str]) -> list[Note]:
    """What was taken for granted, and what has no profile."""
    names = np.array(ids, dtype=object)
    how = {
        "weighted": "each pulse is shared out among its returns",
        "first": "first returns only, one for each pulse",
    }[task.params["returns"]]
    text = f"{how}; weights hold within one tree, and are not an amount of leaves"
    notes = [Note("profiles", text, "assumed")]
    lost = ~profiles.is_measured
    if lost.any():
        text = f"{counted(int(lost.sum()), 'crown')} of {len(ids)} without one; profile_summary "
        notes.append(Note("profiles", f"{text}says why: {listed(names[lost])}", "missing"))
    capped = profiles.is_capped.any(axis=1)
    if capped.any():
        which = f"{counted(int(capped.sum()), 'crown')} ({listed(names[capped])})"
        text = (
            f"no pulse was seen to come through the lowest layer of {which}: half a pulse is taken "
            "to have left it, and nothing is known of what lies under it"
        )
        notes.append(Note("profiles", text, "assumed"))
    bare = found.n_no_ground > 0
    if bare.any():
        n = int(found.n_no_ground.sum())
        text = (
            f"{n:,} returns in {counted(int(bare.sum()), 'crown')} have no ground under them and "
        )
        notes.append(Note("profiles", f"{text}were not counted: {listed(names[bare])}", "missing"))
    if found.n_shared:
        text = f"{found.n_shared:,} returns lie in two crowns and count for both"
        notes.append(Note("crowns", text, "info"))
    return notes


def _write(task: Task, layers: Any, summary: Any) -> None:
    """Tables and figure."""
    task.progress("writing")
    path = task.folder / "profiles.gpkg"
    write_layers(path, {"profiles": layers, "profile_summary": summary}, summary.crs)
    write_text_table(task.folder / "profiles.csv", layers)
    plain = summary.drop(columns="geometry")
    write_text_table(task.folder / "profile_summary.csv", plain)
    draw_profiles(task.folder / "profiles.png", layers, plain, task.params["band_ft"])
