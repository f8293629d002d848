"""The MHW line itself: traced on the ground, sorted, smoothed, and made into tables."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np
import shapely

from geotrim.core.contour import Block, at_level_within, blocks_of, contour
from geotrim.core.contour_lines import (
    KINDS,
    LevelLine,
    band,
    band_parts,
    lengths_at,
    n_crossings,
    placed,
    position_errors,
    quantile,
    smoothed,
    without_short,
)
from geotrim.errors import LayerError
from geotrim.model import Note
from geotrim.prepare.mhw_ground import Ground, near_lots, window_near_lots
from geotrim.prepare.mhw_level import MhwLevel
from geotrim.prepare.task import Task

#: Parts of a band are rounded to this when blocks are put together. [cells]
BAND_GRID_CELLS = 1e-7
#: How often the work is told of. [blocks]
PROGRESS_BLOCKS = 16
#: What every piece says of itself.
LABEL = "approximate; not an MHW survey under ch. 177"


@dataclass(frozen=True, slots=True, eq=False)
class Traced:
    """What was drawn: contours at the level and at its two limits, and the band between these."""

    raw: list[LevelLine]
    low_high: tuple[list[LevelLine], list[LevelLine]] | None
    band: Any
    n_blocks: int
    range_ft: tuple[float, float]


def trace(task: Task, ground: Ground, level: MhwLevel, error_ft: float | None) -> Traced:
    """Contours at the level and its limits, and the band; every block is read once.

    Raises
    ------
    LayerError
        If the ground meets the level nowhere.
    """
    raster, feet_per_z = ground.raster, ground.raster.feet_per_unit
    levels = [level.elevation_ft / feet_per_z]
    if error_ft:
        levels += [levels[0] - error_ft / feet_per_z, levels[0] + error_ft / feet_per_z]
    tie = at_level_within(levels[0], raster.describe()["dtype"] == "float32")
    blocks = blocks_of(
        raster, window=window_near_lots(task, ground), is_wanted=near_lots(task, ground)
    )
    parts: list[Any] = []
    seen: list[tuple[float, float]] = []
    watched = _watched(task, blocks, levels[1:], parts, seen)
    found = contour(watched, levels, raster.shape[1], tie=tie)
    drawn = [placed(pieces, ground.place, ground.feet, feet_per_z) for pieces in found]
    low = min((pair[0] for pair in seen), default=np.inf) * feet_per_z
    high = max((pair[1] for pair in seen), default=-np.inf) * feet_per_z
    if not drawn[0]:
        raise LayerError(
            "MHW line",
            f"no ground at {level.elevation_ft:+.2f} ft {level.datum}: "
            + (f"it lies from {low:+.2f} to {high:+.2f} ft" if low <= high else "no data there"),
            "a ground model that crosses the MHW elevation",
            "check unit and datum of both, and that the ground reaches the water near the lots",
        )
    return Traced(
        drawn[0],
        (drawn[1], drawn[2]) if error_ft else None,
        band(parts, ground.place, BAND_GRID_CELLS * ground.cell) if parts else None,
        len(seen),
        (low, high),
    )


def _watched(
    task: Task,
    blocks: Iterator[Block],
    limits: list[float],
    parts: list[Any],
    seen: list[tuple[float, float]],
) -> Iterator[Block]:
    """The blocks as they pass; the band's parts and each block's range of heights are kept."""
    for block in blocks:
        known = block.height[np.isfinite(block.height)]
        seen.append((float(known.min()), float(known.max())) if known.size else (np.inf, -np.inf))
        if limits:
            parts += band_parts(block, limits[0], limits[1])
        if len(seen) % PROGRESS_BLOCKS == 0:
            task.progress(f"contour: {len(seen)} blocks read")
        yield block


def finish_lines(
    task: Task, ground: Ground, traced: Traced
) -> tuple[list[LevelLine], list[Note], dict[str, Any]]:
    """Lines without the short ones, smoothed where asked; what was done, told.

    Raises
    ------
    LayerError
        If nothing is left.
    """
    params, feet = task.params, ground.feet
    least = {kind: params[f"least_{kind}_ft"] / feet for kind in ("shore", "island", "pond")}
    kept, dropped = without_short(traced.raw, least)
    notes = []
    figures: dict[str, Any] = {
        "dropped": {
            kind: {"n_pieces": n, "length_ft": length * feet}
            for kind, (n, length) in dropped.items()
        }
    }
    for kind, (n, length) in dropped.items():
        text = f"{n} {kind} {'piece' if n == 1 else 'pieces'} shorter than "
        text += f"{params[f'least_{kind}_ft']:g} ft left out, {length * feet:,.1f} ft in all"
        notes.append(Note("MHW line", text, "info"))
    if not any(line.kind != "pond" or params["with_ponds"] for line in kept):
        told = ", ".join(f"{n} {kind}" for kind, (n, _) in dropped.items()) or "none"
        n_ponds = sum(line.kind == "pond" for line in kept)
        raise LayerError(
            "MHW line",
            f"no shore and no island: {n_ponds} closed around water (ponds), {told} too short",
            "a line",
            "say --with-ponds if the water is tidal, or ask for shorter pieces",
        )
    if params["smooth_ft"]:
        kept, told_too, figures["smoothing"] = _smooth(task, kept, feet)
        notes += told_too
    else:
        notes.append(Note("MHW line", "not smoothed: every bend of the ground model counts"))
    return kept, notes, figures


def _smooth(
    task: Task, lines: list[LevelLine], feet: float
) -> tuple[list[LevelLine], list[Note], dict[str, float]]:
    scale, most = task.params["smooth_ft"], task.params["most_move_ft"]
    before = sum(line.length for line in lines) * feet
    n_before = n_crossings(lines)
    n_small = sum(line.is_closed and line.length * feet < 2 * np.pi * scale for line in lines)
    done = [smoothed(line, scale / feet, most / feet) for line in lines]
    lines = [line for line, _ in done]
    moved = max(move for _, move in done) * feet
    after = sum(line.length for line in lines) * feet
    text = f"smoothed along the line over {scale:g} ft (normal weights, Mokhtarian and Mackworth "
    text += f"1986): {before:,.1f} ft became {after:,.1f} ft; no vertex moved more than "
    text += f"{moved:.2f} ft (at most {most:g} ft allowed)"
    notes = [Note("MHW line", text, "assumed")]
    if n_small:
        text = f"{n_small} closed {'line' if n_small == 1 else 'lines'} too short to be smoothed "
        notes.append(Note("MHW line", text + f"over {scale:g} ft, left as drawn"))
    n_new = n_crossings(lines) - n_before
    if n_new > 0:
        text = f"smoothing made {n_new} {'line' if n_new == 1 else 'lines'} cross; smooth less"
        notes.append(Note("MHW line", text, "assumed"))
    figures = {
        "length_before_ft": before,
        "length_after_ft": after,
        "most_moved_ft": moved,
        "n_new_crossings": float(n_new),
    }
    return lines, notes, figures


def line_layers(
    task: Task,
    ground: Ground,
    traced: Traced,
    lines: list[LevelLine],
    level: MhwLevel,
    error_ft: float | None,
) -> dict[str, Any]:
    """Tables to write: ``mhw_line``, and ``mhw_ponds`` and ``mhw_band`` where there are any."""
    import geopandas as gpd

    order = {kind: k for k, kind in enumerate(KINDS)}
    lines = sorted(lines, key=lambda line: (order[line.kind], -line.length))
    rows = [_row(task, ground, line, level, error_ft) for line in lines]
    shapes = [shapely.LineString(line.xy) for line in lines]
    table = gpd.GeoDataFrame(rows, geometry=shapes, crs=ground.crs)
    table.insert(0, "line_id", [f"{row['kind']}-{k}" for k, row in enumerate(rows, 1)])
    is_apart = (table["kind"] == "pond") & (not task.params["with_ponds"])
    layers = {"mhw_line": table[~is_apart].reset_index(drop=True)}
    if is_apart.any():
        layers["mhw_ponds"] = table[is_apart].reset_index(drop=True)
    if error_ft and traced.band is not None:
        about = {
            "low_ft": level.elevation_ft - error_ft,
            "high_ft": level.elevation_ft + error_ft,
            "error_ft": error_ft,
            "error_is_lower_bound": not level.is_error_whole,
            "area_ft2": traced.band.area * ground.feet**2,
            "vertical_datum": level.datum,
            "epoch": level.epoch,
            "told_as": LABEL,
        }
        layers["mhw_band"] = gpd.GeoDataFrame([about], geometry=[traced.band], crs=ground.crs)
    return layers


def _row(
    task: Task, ground: Ground, line: LevelLine, level: MhwLevel, error_ft: float | None
) -> dict[str, Any]:
    row = {
        "kind": line.kind,
        "length_ft": line.length * ground.feet,
        "origin": "datum-and-ground",
        "elevation_ft": level.elevation_ft,
        "vertical_datum": level.datum,
        "epoch": level.epoch,
        "told_as": LABEL,
    }
    return row | _position(task, [line], level, error_ft)


def _position(
    task: Task, lines: list[LevelLine], level: MhwLevel, error_ft: float | None
) -> dict[str, Any]:
    """Error of the position along lines, by length: median, worst tenth, largest, capped share.

    It is a lower bound where a part of it is not known, or told as less than it is.
    """
    names = [f"position_error_{name}_ft" for name in ("median", "p90", "max", "rms")]
    if error_ft is None or not lines:
        return {**dict.fromkeys([*names, "capped_frac"], np.nan), "error_is_lower_bound": True}
    most = task.params["most_error_ft"]
    errors = np.concatenate([position_errors(line.slope, error_ft, most) for line in lines])
    lengths = np.concatenate([lengths_at(line.xy) for line in lines])
    values = [
        quantile(errors, lengths, 0.5),
        quantile(errors, lengths, 0.9),
        float(errors.max()),
        float(np.sqrt((errors**2 @ lengths) / lengths.sum())),
    ]
    capped = float(lengths[errors >= most].sum() / lengths.sum())
    is_least = capped > 0 or not level.is_error_whole
    told = dict(zip(names, values, strict=True))
    return {**told, "capped_frac": capped, "error_is_lower_bound": is_least}


def line_figures(
    task: Task,
    ground: Ground,
    traced: Traced,
    lines: list[LevelLine],
    level: MhwLevel,
    error_ft: float | None,
) -> dict[str, Any]:
    """What was found, in numbers, for the record and the terminal."""
    kept = [line for line in lines if line.kind != "pond" or task.params["with_ponds"]]
    feet = ground.feet
    figures: dict[str, Any] = {
        "mhw_elevation_ft": level.elevation_ft,
        "vertical_error_ft": error_ft,
        "n_contour_pieces": len(traced.raw),
        "length_at_level_ft": sum(line.length for line in traced.raw) * feet,
        "n_lines": len(kept),
        "n_ponds_apart": len(lines) - len(kept),
        "line_length_ft": sum(line.length for line in kept) * feet,
        "ground_low_ft": traced.range_ft[0],
        "ground_high_ft": traced.range_ft[1],
        "n_blocks": traced.n_blocks,
    }
    figures |= {f"n_{kind}": sum(line.kind == kind for line in lines) for kind in KINDS}
    if traced.low_high is not None:
        for name, drawn in zip(("low", "high"), traced.low_high, strict=True):
            figures[f"length_at_{name}_ft"] = sum(line.length for line in drawn) * feet
    if traced.band is not None:
        figures["band_area_ft2"] = traced.band.area * feet**2
    if error_ft is not None:
        figures |= _position(task, kept, level, error_ft)
    return figures
