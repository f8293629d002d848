"""Makes sample_data/: invented sites with known answers, the same bytes every time.

Run ``python scripts/make_sample_data.py`` from the project folder. The answers come from the
formulas that drew the sites and from cutting every raster cell with shapely; geotrim is not used.
"""

from __future__ import annotations

import argparse
import math
from pathlib import Path
from typing import Any

import geopandas
import numpy as np
from sample_cloud import FOLDER, write_bare_lot
from sample_files import (
    EPSG,
    sha256,
    toml_table,
    toml_value,
    write_heights,
    write_layers,
    write_text,
)
from sample_parts import Crown, measure_cells
from sample_planting import MANGROVES, Grid
from sample_sites import SampleSite, all_sites, answer, is_apart
from shapely.geometry import Point

BAND_FT = (6.0, 10.0)
MADE_BY = "scripts/make_sample_data.py"
DOME = "closed form of the {dome} over the crown's outline, column model; the raster samples it"
CELLS = "every raster cell cut with shapely, stored float32 heights, column model"


def tables(site: SampleSite) -> dict[str, geopandas.GeoDataFrame]:
    """Layers of the site's GeoPackage."""
    crs = f"EPSG:{EPSG}"
    out = {
        name: geopandas.GeoDataFrame(rows, geometry="geometry", crs=crs)
        for name, rows in site.layers.items()
    }
    key, species, base = site.crown_fields
    as_id = int if key == "tree_no" else str
    rows = [
        {
            key: as_id(c.crown_id),
            species: c.species,
            base: math.nan if c.base is None else c.base,
            **({"keep": site.kept.get(c.crown_id)} if site.kept else {}),
            "geometry": c.polygon,
        }
        for c in site.crowns
    ]
    out["crowns"] = geopandas.GeoDataFrame(rows, geometry="geometry", crs=crs)
    out["trunks"] = geopandas.GeoDataFrame(
        [
            {key: as_id(c.crown_id), "geometry": Point(c.trunk)}
            for c in site.crowns
            if c.trunk is not None
        ],
        geometry="geometry",
        crs=crs,
    )
    return out


def crown_answers(site: SampleSite, crown: Crown) -> dict[str, Any]:
    """What is known of one crown beforehand."""
    unit_ft, grid = site.grid.feet, site.grid
    stored = site.heights.astype(np.float32).astype(float)
    cells = measure_cells(crown.polygon, stored, grid.west, grid.north, grid.cell, unit_ft, BAND_FT)
    out: dict[str, Any] = {"crown_id": crown.crown_id, "species": crown.species or "unknown"}
    out["crown_area_ft2"] = answer(cells.area_ft2, 0.001, "shoelace formula")
    out["covered_frac"] = answer(cells.covered_frac, 1e-6, CELLS)
    if cells.covered_frac == 0.0:
        return out
    how = DOME.format(dome=crown.dome)
    out["cell_top_height_ft"] = answer(cells.top_ft, 1e-4, CELLS)
    out["cell_volume_ft3"] = answer(cells.volume_ft3, 1e-6 * cells.volume_ft3, CELLS)
    out["cell_share_band_frac"] = answer(cells.band_ft3 / cells.volume_ft3, 1e-6, CELLS)
    if cells.covered_frac > 1 - 1e-9 and is_apart(crown, site.crowns, 1.5 * grid.cell):
        volume = crown.volume(0.0, math.inf, unit_ft)
        share = crown.volume(*BAND_FT, unit_ft) / volume
        out["dome_top_height_ft"] = answer(crown.tip * unit_ft, 0.15, "the tip as drawn")
        slack = 0.001 if crown.dome == "flat" else 0.03  # of the cells along the outline
        out["dome_volume_ft3"] = answer(volume, slack * volume, how)
        out["dome_share_band_frac"] = answer(share, slack / 2, how)
    return out


def told_crowns(site: SampleSite) -> list[Crown]:
    """Crowns whose answers are stored: all that stand apart, and two of each other kind."""
    apart, other, partial = [], [], []
    for crown in site.crowns:
        cells = measure_cells(
            crown.polygon,
            site.heights,
            site.grid.west,
            site.grid.north,
            site.grid.cell,
            site.grid.feet,
            BAND_FT,
        )
        if cells.covered_frac < 1 - 1e-9:
            partial.append(crown)
        elif is_apart(crown, site.crowns, 1.5 * site.grid.cell):
            apart.append(crown)
        else:
            other.append(crown)
    return [*apart[:8], *other[:4], *partial]


def answers_text(site: SampleSite) -> str:
    """The known answers of one site, as TOML."""
    n = len(site.crowns)
    mangrove = sum(c.species in MANGROVES for c in site.crowns)
    unknown = sum(c.species is None for c in site.crowns)
    parts = [
        "# Known answers of an invented site. Feet are international; see how for each.\n"
        "# cell_*: what a solid column in each raster cell holds. dome_*: the formula behind it.\n",
        toml_table(
            "[counts]",
            {
                "n_crowns": n,
                "n_mangroves": mangrove,
                "n_other_species": n - mangrove - unknown,
                "n_species_unknown": unknown,
                "n_trunks": sum(c.trunk is not None for c in site.crowns),
                "n_base_heights": sum(c.base is not None for c in site.crowns),
            },
        ),
    ]
    for lot_id, rows in site.lot_answers.items():
        parts.append(toml_table(f"[lots.{toml_value(lot_id)}]", rows))
    for name, group in site.other_answers.items():
        parts += [
            toml_table(f"[{name}.{toml_value(key)}]", dict(rows)) for key, rows in group.items()
        ]
    parts += [toml_table("[[crowns]]", crown_answers(site, c)) for c in told_crowns(site)]
    return "\n".join(parts)


def readme_text(files: list[tuple[str, str]]) -> str:
    """What is here, and the hashes."""
    rows = "\n".join(f"| `{path}` | `{digest}` |" for path, digest in files)
    return README.format(rows=rows)


def write_ground(path: Path, grid: Grid, elevations: np.ndarray) -> None:
    """Elevations of the ground, labelled with their unit and with what they are."""
    about = "elevation of the ground above NAVD 88 (invented)"
    write_heights(
        path,
        elevations,
        grid.west,
        grid.north,
        grid.cell,
        unit="ft",
        about=about,
        tags={"holds": "elevations"},
    )


def make(into: Path) -> None:
    """Write every sample file below a folder."""
    files: list[tuple[str, str]] = []
    for site in all_sites():
        folder = into / site.folder
        folder.mkdir(parents=True, exist_ok=True)
        write_layers(folder / "site.gpkg", tables(site))
        grid = site.grid
        write_heights(
            folder / "heights.tif", site.heights, grid.west, grid.north, grid.cell, site.unit_tag
        )
        if site.ground is not None:
            write_ground(folder / "ground.tif", *site.ground)
        write_text(folder / "site.toml", site.site_toml)
        write_text(folder / "answers.toml", answers_text(site))
        for name, text in site.more_files.items():
            write_text(folder / name, text)
        names = ["site.toml", "site.gpkg", "heights.tif", "answers.toml", *site.more_files]
        names += [] if site.ground is None else ["ground.tif"]
        files += [(f"{site.folder}/{name}", sha256(folder / name)) for name in names]
    files += [
        (f"{FOLDER}/{name}", sha256(into / FOLDER / name)) for name in write_bare_lot(into / FOLDER)
    ]
    write_text(into / ".gitattributes", "# bytes are hashed: no line-end conversion\n* -text\n")
    write_text(into / "README.md", readme_text(files))
    files += [(name, sha256(into / name)) for name in (".gitattributes", "README.md")]
    parts = ["# Every file of this folder. Invented data.\n"]
    for path, digest in files:
        known = f"{path.split('/')[0]}/answers.toml" if "/" in path else "none"
        parts.append(
            toml_table(
                "[[file]]",
                {"path": path, "made_by": MADE_BY, "answer": known, "sha256": digest},
            )
        )
    write_text(into / "manifest.toml", "\n".join(parts))


README = """\
# Sample data (invented)

Waterfront sites that do not exist: every place, lot, tree, line and height here, and every
rule called invented, was made by `scripts/make_sample_data.py` from fixed seeds. The coordinates
(NAD83(2011) / Florida West, US survey feet, EPSG:6443) lie in open water. Use them to learn and
to test, never as a picture of a real place or of its rules.

- `plain_lot`: 7 Drifttide Lane, Saltspindle Bay. 120 ft of straight shore, a fringe 38 ft deep,
  every trunk known; a professional is to do the work, and every question is answered. Two eyes, a
  deck and a room upstairs, a ground (`ground.tif`), and a tree with a nest that is left as it is.
- `curved_shore`: 21 Marlspike Cove. 180 ft of a cove, two neighbours, a channel, a conservation
  strip, two setbacks, and a corner without heights; most questions are still open. One eye, by its
  elevation, and no ground.
- `canal_corner`: 3 Wickwater Row, Lanternjack Canals. 84 and 62 ft round a corner, three lots in
  one layer, heights in metres, one trunk in five unknown; the bank is set aside as mitigation, and
  the town has rules of its own (`local_rules.toml`). No eyes: the view is taken along the shore.
- `bare_lot`: 11 Sandwhistle Point. A lot polygon (`lot.gpkg`), a lidar cloud (`cloud.laz`, 75,000
  returns, heights above NAVD 88 in US survey feet) and two tide stations (`stations.csv`), and
  nothing else: the MHW line, the heights and the crowns are to be made of them. 120 ft of shore, a
  fringe of 35 trees, 36 ft deep, a house, open water; flown at low water. Drawn by
  `scripts/sample_cloud.py`. Trees do not stand so clear of each other on a real shore.

In each of the first three folders: `site.toml` (what geotrim reads), `site.gpkg` (all vectors),
`heights.tif` (canopy height above the substrate) and `answers.toml` (what must come out, with a
tolerance and how it is known). Crowns are lumpy outlines with a paraboloid, half-ellipsoid or flat
top, so their volumes are known by formula; the raster is that surface at each cell's centre, the
highest where crowns overlap. The ground of `plain_lot` is straight between the corners of a
profile, with a swell along the shore, and meets mean high water at the line
(`scripts/sample_ground.py`). Answers come from those formulas and from cutting raster cells with
shapely, never from geotrim.

Make them again: `python scripts/make_sample_data.py`. On one machine the bytes repeat; other
versions of the file libraries may write other bytes with the same content. `manifest.toml` lists
every file.

| file | SHA-256 |
| --- | --- |
{rows}
"""


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    default = Path(__file__).resolve().parent.parent / "sample_data"
    parser.add_argument("--into", type=Path, default=default, help="folder to write to")
    into = parser.parse_args().into
    make(into)
    print(f"sample data written to {into}")


if __name__ == "__main__":
    main()
