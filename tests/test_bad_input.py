"""Bad input, kind by kind: each a clear error or a told repair, none another exception.

``WRONG`` lists what is refused: how to make it, the error it must be, words the message must say.
``MENDED`` lists what is put right: words the notes must say.
"""

from __future__ import annotations

import atexit
import shutil
import tempfile
import warnings
import zipfile
from collections.abc import Callable
from dataclasses import dataclass
from functools import cache
from pathlib import Path

import geopandas as gpd
import numpy as np
import pytest
import rasterio
import shapely

from geotrim import errors
from geotrim.errors import (
    CRSError,
    FileError,
    LayerError,
    RangeError,
    RuleError,
    ShapeError,
    SiteFileError,
    UnitError,
)
from geotrim.io.layers import write_layer
from geotrim.io.rasters import open_heights
from geotrim.io.site_file import read_site, site_from_tables
from geotrim.io.vectors import read_layer
from geotrim.model import CanopyGrid, Setback
from geotrim.ops.catalogue import OPERATIONS
from geotrim.rules.rule_file import built_in
from geotrim.units import feet_per_map_unit, feet_per_vertical_unit
from tests.test_site_file import LOCAL

X, Y = 400_000.0, 1_100_000.0
SQUARE = shapely.box(X, Y, X + 100, Y + 150)
OTHER = shapely.box(X + 100, Y, X + 180, Y + 150)
SHORE = shapely.LineString([(X - 50, Y + 150), (X + 250, Y + 150)])
POINT = shapely.Point(X + 20, Y + 150)
CROWN = shapely.box(X + 10, Y + 140, X + 30, Y + 160)
TIE = shapely.Polygon([(X, Y), (X + 10, Y + 10), (X + 10, Y), (X, Y + 10)])
FAR = shapely.box(X + 90_000, Y, X + 90_020, Y + 20)


def frame(*shapes, crs: object = 6443, **fields):
    return gpd.GeoDataFrame(fields, geometry=list(shapes), crs=crs)


def endless(shape):
    """A shape with a corner at infinity."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        corners = shapely.get_coordinates(shape)
        corners[1] = np.inf
        return shapely.set_coordinates(shapely.from_wkb(shape.wkb), corners)


def stored(folder: Path, name: str, *shapes, crs: object = 6443, **fields) -> Path:
    path = folder / name
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # chatter of the writer
        frame(*shapes, crs=crs, **fields).to_file(path)
    return path


def text(folder: Path, name: str, content: str | bytes) -> Path:
    path = folder / name
    path.write_bytes(content if isinstance(content, bytes) else content.encode("utf-8"))
    return path


def wkt(folder: Path, *texts: str) -> Path:
    rows = "\n".join(f'{i},"{item}"' for i, item in enumerate(texts, start=1))
    return text(folder, "shapes.csv", f"n,WKT\n{rows}\n")


def zipped(folder: Path, **members: str) -> Path:
    with zipfile.ZipFile(folder / "a.zip", "w") as archive:
        for name, content in members.items():
            archive.writestr(name.replace("_", "."), content)
    return folder / "a.zip"


def without(path: Path, suffix: str) -> Path:
    path.with_suffix(suffix).unlink()
    return path


def cut(path: Path, n_bytes: int) -> Path:
    path.write_bytes(path.read_bytes()[:n_bytes])
    return path


def folder_named(folder: Path, name: str) -> Path:
    (folder / name).mkdir()
    return folder / name


def raster(folder: Path, *, crs="EPSG:6443", unit=None, at=(X, Y + 160), dtype="float32", **more):
    path = folder / "heights.tif"
    moved = rasterio.Affine(5, 0, at[0], 0, -5, at[1]) if at else rasterio.Affine.identity()
    profile = {"driver": "GTiff", "width": 20, "height": 20, "count": 1} | more
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        with rasterio.open(path, "w", crs=crs, dtype=dtype, transform=moved, **profile) as out:
            out.write(np.full((profile["count"], 20, 20), 8, dtype=dtype))
            if unit:
                out.units = (unit,) * profile["count"]
    return path


FEATURE = '{"type":"Feature","properties":{"a":1},"geometry":%s}'
GEOJSON = '{"type":"FeatureCollection","features":[' + FEATURE + "]}"


@dataclass(frozen=True)
class Case:
    """One kind of bad input. ``do`` makes it in a folder and hands it to geotrim."""

    name: str
    do: Callable[[Path], object]
    words: str
    error: type[errors.GeotrimError] | None = None


# ---- files --------------------------------------------------------------------------------------

FILES = [
    Case("missing file", lambda d: read_layer(d / "no.gpkg"), "no file", FileError),
    Case("missing folder", lambda d: read_layer(d / "x" / "no.gpkg"), "no such folder", FileError),
    Case("folder", lambda d: read_layer(folder_named(d, "f")), "a file", FileError),
    Case(
        "empty geodatabase folder",
        lambda d: read_layer(folder_named(d, "f.gdb")),
        "f.gdb",
        FileError,
    ),
    Case("empty file", lambda d: read_layer(text(d, "a.gpkg", "")), "0 bytes", FileError),
    Case(
        "text called gpkg",
        lambda d: read_layer(text(d, "a.gpkg", "hi")),
        "cannot be read",
        FileError,
    ),
    Case("text called shp", lambda d: read_layer(text(d, "a.shp", "hi")), "without its", FileError),
    Case(
        "text called parquet",
        lambda d: read_layer(text(d, "a.parquet", "hi")),
        "damaged",
        FileError,
    ),
    Case(
        "text called zip", lambda d: read_layer(text(d, "a.zip", "hi")), "no zip archive", FileError
    ),
    Case(
        "zip without a layer",
        lambda d: read_layer(zipped(d, a_txt="x")),
        "no vector file",
        FileError,
    ),
    Case(
        "zip of rubbish", lambda d: read_layer(zipped(d, a_gpkg="x")), "cannot be read", FileError
    ),
    Case(
        "web address",
        lambda d: read_layer("https://example.org/a.gpkg"),
        "on this machine",
        FileError,
    ),
    Case(
        "reader's own path",
        lambda d: read_layer("/vsicurl/http://x/a"),
        "on this machine",
        FileError,
    ),
    Case("NUL in a path", lambda d: read_layer("a\0b.gpkg"), "on this machine", FileError),
    Case("raster as vector", lambda d: read_layer(raster(d)), "cannot be read", FileError),
    Case(
        "shapefile without shx",
        lambda d: read_layer(without(stored(d, "a.shp", SQUARE), ".shx")),
        ".shx",
        FileError,
    ),
    Case(
        "shapefile without dbf",
        lambda d: read_layer(without(stored(d, "a.shp", SQUARE), ".dbf")),
        ".dbf",
        FileError,
    ),
    Case(
        "shapefile without prj",
        lambda d: read_layer(without(stored(d, "a.shp", SQUARE), ".prj")),
        "no coordinate",
        CRSError,
    ),
    Case(
        "GeoJSON that breaks off",
        lambda d: read_layer(cut(stored(d, "a.geojson", SQUARE, crs=4326), 200)),
        "a.geojson",
        FileError,
    ),
    Case(
        "FlatGeobuf that breaks off",
        lambda d: read_layer(cut(stored(d, "a.fgb", *[SQUARE] * 99), -900)),
        "a.fgb",
        FileError,
    ),
    Case(
        "FlatGeobuf of a head only",
        lambda d: read_layer(cut(stored(d, "a.fgb", *[SQUARE] * 99), 3000)),
        "after 0 of 99 features",
        FileError,
    ),
    Case(
        "shapefile that breaks off",
        lambda d: read_layer(cut(stored(d, "a.shp", *[SQUARE] * 99), -900)),
        "breaks off after",
        FileError,
    ),
    Case(
        "GeoPackage that breaks off",
        lambda d: read_layer(cut(stored(d, "a.gpkg", SQUARE), 5000)),
        "a.gpkg",
        FileError,
    ),
    Case(
        "GeoParquet without geometry",
        lambda d: (
            frame(SQUARE).assign(n=1)[["n"]].to_parquet(d / "a.parquet"),
            read_layer(d / "a.parquet"),
        ),
        "a.parquet",
        FileError,
    ),
]

# ---- layers, fields, features -------------------------------------------------------------------


def two_layers(folder: Path) -> Path:
    for name, shape in {"alpha": SQUARE, "beta": OTHER}.items():
        write_layer(frame(shape, lot=["A"]), folder / "two.gpkg", layer=name)
    return folder / "two.gpkg"


def table_only(folder: Path) -> Path:
    return text(folder, "a.csv", "lot,owner\n1,x\n")


LAYERS = [
    Case(
        "two layers, none named",
        lambda d: read_layer(two_layers(d)),
        "alpha (polygon, 1)",
        LayerError,
    ),
    Case(
        "layer misspelt", lambda d: read_layer(two_layers(d), layer="alhpa"), "'alpha'", LayerError
    ),
    Case(
        "table without geometry",
        lambda d: read_layer(table_only(d), crs=6443),
        "geometry",
        LayerError,
    ),
    Case(
        "layer without features",
        lambda d: read_layer(text(d, "a.geojson", '{"type":"FeatureCollection","features":[]}')),
        "no features",
        LayerError,
    ),
    Case(
        "field misspelt",
        lambda d: read_layer(stored(d, "a.gpkg", SQUARE, parcel=["1"]), where={"parcle": 1}),
        "'parcel'",
        LayerError,
    ),
    Case(
        "value that no feature has",
        lambda d: read_layer(stored(d, "a.gpkg", SQUARE, p=["1"]), where={"p": 2}),
        "holds: 1",
        LayerError,
    ),
    Case(
        "lines where polygons are due",
        lambda d: read_layer(stored(d, "a.gpkg", SHORE)),
        "close the lines",
        LayerError,
    ),
    Case(
        "polygons where lines are due",
        lambda d: read_layer(stored(d, "a.gpkg", SQUARE), kinds=("line",)),
        "edge as a line",
        LayerError,
    ),
    Case(
        "polygons where points are due",
        lambda d: read_layer(stored(d, "a.gpkg", SQUARE), kinds=("point",)),
        "points",
        LayerError,
    ),
    Case(
        "only null geometries",
        lambda d: read_layer(text(d, "a.geojson", GEOJSON % "null")),
        "no geometry",
        LayerError,
    ),
    Case(
        "only flat polygons",
        lambda d: read_layer(wkt(d, "POLYGON((0 0,9 9,0 0,0 0))"), crs=6443),
        "no usable geometry",
        LayerError,
    ),
    Case(
        "only lines of one point",
        lambda d: read_layer(wkt(d, "LINESTRING(5 5,5 5)"), crs=6443, kinds=("line",)),
        "no usable",
        LayerError,
    ),
    Case(
        "coordinate that is no number",
        lambda d: read_layer(wkt(d, "POLYGON((0 0,nan 0,9 9,0 0))"), crs=6443),
        "feature 1",
        ShapeError,
    ),
    Case(
        "infinite coordinate",
        lambda d: tables(crowns=frame(CROWN, endless(CROWN))),
        "crown 2",
        ShapeError,
    ),
]

# ---- reference systems --------------------------------------------------------------------------

REFERENCES = [
    Case(
        "no CRS",
        lambda d: read_layer(stored(d, "a.gpkg", SQUARE, crs=None)),
        "no coordinate",
        CRSError,
    ),
    Case(
        "CRS that does not exist",
        lambda d: read_layer(stored(d, "a.gpkg", SQUARE, crs=None), crs="EPSG:1"),
        "names no known",
        CRSError,
    ),
    Case(
        "CRS that is no text",
        lambda d: read_layer(stored(d, "a.gpkg", SQUARE, crs=None), crs=[1]),
        "names no known",
        CRSError,
    ),
    Case(
        "CRS not tied to the Earth",
        lambda d: read_layer(stored(d, "a.gpkg", SQUARE, crs=None), crs='LOCAL_CS["x"]'),
        "not tied to the Earth",
        CRSError,
    ),
    Case(
        "heights as CRS",
        lambda d: read_layer(stored(d, "a.gpkg", SQUARE, crs=None), crs=5703),
        "not tied to the Earth",
        CRSError,
    ),
    Case(
        "CRS stated against the file",
        lambda d: read_layer(stored(d, "a.gpkg", SQUARE), crs=6438),
        "the file says",
        CRSError,
    ),
    Case(
        "feet labelled as degrees",
        lambda d: read_layer(text(d, "a.geojson", GEOJSON % shapely.to_geojson(SQUARE))),
        "labelled as degrees",
        CRSError,
    ),
    Case(
        "degrees labelled as feet",
        lambda d: read_layer(stored(d, "a.gpkg", shapely.box(-82.5, 27.3, -82.4, 27.4))),
        "look like degrees",
        CRSError,
    ),
    Case(
        "metres labelled as feet",
        lambda d: read_layer(stored(d, "a.gpkg", shapely.box(3.4e5, 3.02e6, 3.41e5, 3.03e6))),
        "far outside",
        CRSError,
    ),
    Case("site in degrees", lambda d: tables(site={"crs": 4326}), "not ground lengths", CRSError),
    Case(
        "site in web map metres",
        lambda d: tables(site={"crs": 3857}),
        "not ground lengths",
        CRSError,
    ),
    Case(
        "site zone of another state",
        lambda d: tables(site={"crs": 2263}),
        "whose lengths at the lots",
        CRSError,
    ),
    Case(
        "degrees outside Florida",
        lambda d: tables(lots=frame(shapely.box(-73.94, 40.77, -73.93, 40.78), crs=4326)),
        "EPSG:32618",
        CRSError,
    ),
    Case(
        "line in another place",
        lambda d: tables(mhw_line={"file": frame(FAR.boundary), "origin": "survey"}),
        "miles to the lots",
        CRSError,
    ),
    Case(
        "crowns in another place",
        lambda d: tables(crowns=frame(FAR)),
        "miles to the lots",
        CRSError,
    ),
    Case(
        "degrees as plane lengths",
        lambda d: feet_per_map_unit(4326, "lots"),
        "not plane lengths",
        CRSError,
    ),
]


def tables(**changes):
    """A good site from tables, with something in it made bad."""
    good = {
        "lots": frame(SQUARE, OTHER, lot_id=["A", "B"]),
        "mhw_line": {"file": frame(SHORE), "origin": "survey"},
    }
    return site_from_tables({**good, **changes})


# ---- tables of a site ---------------------------------------------------------------------------

CROWNS = frame(CROWN, crown_id=["1"])
TABLES = [
    Case(
        "lots with one id twice",
        lambda d: tables(lots=frame(SQUARE, OTHER, lot_id=["A", "A"])),
        "used twice",
        LayerError,
    ),
    Case(
        "lot without an id",
        lambda d: tables(lots=frame(SQUARE, OTHER, lot_id=["A", None])),
        "row 2",
        LayerError,
    ),
    Case(
        "crowns with one id twice",
        lambda d: tables(crowns=frame(CROWN, CROWN, crown_id=[7.0, 7])),
        "twice or more: 7",
        LayerError,
    ),
    Case(
        "id field that is not there",
        lambda d: tables(crowns={"file": CROWNS, "id_field": "crwn_id"}),
        "'crown_id'",
        LayerError,
    ),
    Case(
        "lot to report that is not there",
        lambda d: tables(lots={"file": frame(SQUARE, lot_id=["A"]), "measure": ["B"]}),
        "no lot 'B'",
        LayerError,
    ),
    Case(
        "lot asked for and left out",
        lambda d: tables(
            lots={
                "file": frame(SQUARE, OTHER, lot_id=["A", "B"]),
                "measure": ["B"],
                "where": {"lot_id": "A"},
            }
        ),
        "which where leaves out",
        LayerError,
    ),
    Case(
        "neighbour with a lot's id",
        lambda d: tables(neighbours=frame(FAR, lot_id=["A"])),
        "elsewhere have too: A",
        LayerError,
    ),
    Case(
        "base height without unit",
        lambda d: tables(crowns={"file": CROWNS.assign(b=2), "base_height_field": "b"}),
        "base_height_unit",
        SiteFileError,
    ),
    Case(
        "base height in words",
        lambda d: tables(
            crowns={
                "file": CROWNS.assign(b="tall"),
                "base_height_field": "b",
                "base_height_unit": "ft",
            }
        ),
        "'tall' for crown 1",
        LayerError,
    ),
    Case(
        "base height under the ground",
        lambda d: tables(
            crowns={"file": CROWNS.assign(b=-2), "base_height_field": "b", "base_height_unit": "ft"}
        ),
        "crown 1",
        RangeError,
    ),
    Case(
        "trunks of other crowns",
        lambda d: tables(crowns=CROWNS, trunks=frame(shapely.Point(X, Y))),
        "stand in no crown",
        LayerError,
    ),
    Case(
        "table without geometry in Python",
        lambda d: tables(lots={"file": CROWNS[["crown_id"]]}),
        "a DataFrame",
        FileError,
    ),
    Case(
        "table of no rows in Python", lambda d: tables(crowns=CROWNS[:0]), "no features", LayerError
    ),
    Case("no input at all", lambda d: site_from_tables({}), "no input", SiteFileError),
    Case(
        "height without unit",
        lambda d: crowns_with(height_field="h", height_unit=None),
        "height_field: found no height_unit; needed one of ft, us-ft, m",
        SiteFileError,
    ),
    Case(
        "planned height without unit",
        lambda d: crowns_with(target_height_field="h", height_unit=None),
        "target_height_field: found no height_unit",
        SiteFileError,
    ),
    Case(
        "unit of no height",
        lambda d: crowns_with(),
        "a unit without height_field",
        SiteFileError,
    ),
    Case(
        "error of no height",
        lambda d: crowns_with(target_height_field="h", height_rmse_ft=0.5),
        "an error without height_field",
        SiteFileError,
    ),
    Case(
        "error of a height below nothing",
        lambda d: crowns_with(height_field="h", height_rmse_ft=-0.5),
        "height_rmse_ft: found -0.5",
        SiteFileError,
    ),
    Case(
        "height field that is not there",
        lambda d: crowns_with(height_field="hh"),
        "say 'h' if you meant that",
        LayerError,
    ),
    Case(
        "height with its unit",
        lambda d: crowns_with("9 ft", height_field="h"),
        "'9 ft' for crown 1; needed a number, or nothing",
        LayerError,
    ),
    Case(
        "height without end",
        lambda d: crowns_with(np.inf, height_field="h"),
        "'inf' for crown 1",
        LayerError,
    ),
    Case(
        "height under the ground",
        lambda d: crowns_with(-0.01, height_field="h"),
        "-0.01 for crown 1; needed 0 or more",
        RangeError,
    ),
    Case(
        "planned height under the ground",
        lambda d: crowns_with(-1, target_height_field="h"),
        "-1 for crown 1; needed 0 or more",
        RangeError,
    ),
    Case(
        "neither yes nor no",
        lambda d: crowns_with("maybe", height_unit=None, trim_field="h"),
        "'maybe' for crown 1; needed true or false, 1 or 0, yes or no",
        LayerError,
    ),
    Case(
        "two for yes or no",
        lambda d: crowns_with(2, height_unit=None, trim_field="h"),
        "'2' for crown 1",
        LayerError,
    ),
    Case(
        "accuracy of trunks below nothing",
        lambda d: tables(crowns=CROWNS, trunks={"file": frame(POINT), "position_rmse_ft": -1}),
        "position_rmse_ft: found -1; needed 0 or more",
        SiteFileError,
    ),
    Case(
        "land set aside of no kind",
        lambda d: tables(set_aside=frame(CROWN)),
        "neither kind nor kind_field; needed one of the two; kinds are conservation, ",
        SiteFileError,
    ),
    Case(
        "land set aside of two kinds",
        lambda d: land(kind="conservation", kind_field="k"),
        "kind_field: found both kind and kind_field",
        SiteFileError,
    ),
    Case(
        "land set aside of a kind of our own",
        lambda d: land(kind="conservation land"),
        "say 'conservation' if you meant that",
        SiteFileError,
    ),
    Case(
        "kind field that is not there",
        lambda d: land(kind_field="kind"),
        "no field 'kind'; needed one of the fields: k",
        LayerError,
    ),
    Case(
        "kind in the file that is none",
        lambda d: land("mitigation", "park", kind_field="k"),
        "'park' in row 2; needed one of conservation, mitigation, ",
        LayerError,
    ),
    Case(
        "kind in the file that is misspelt",
        lambda d: land("mitigation", "aquatic preserve", kind_field="k"),
        "say 'aquatic-preserve' if that is meant",
        LayerError,
    ),
    Case(
        "no kind in the file",
        lambda d: land("mitigation", None, kind_field="k"),
        "no kind in row 2",
        LayerError,
    ),
    Case(
        "land set aside in another place",
        lambda d: tables(set_aside={"file": frame(FAR), "kind": "mitigation"}),
        "set aside no nearer than 17.0 miles to the lots",
        CRSError,
    ),
    Case(
        "setback from something in another place",
        lambda d: tables(
            setbacks=[
                {"name": "w", "reference": "file", "distance_ft": 9, "source": "x"}
                | {"file": frame(FAR.boundary)}
            ]
        ),
        "[[setbacks]] number 1 file: found setbacks no nearer than 17.0 miles",
        CRSError,
    ),
    Case(
        "land set aside drawn as lines",
        lambda d: tables(set_aside={"file": frame(SHORE), "kind": "mitigation"}),
        "[set_aside] file: found only 1 line; needed polygons",
        LayerError,
    ),
    Case(
        "facts without lots",
        lambda d: site_from_tables({"crowns": CROWNS, "lot_facts": [{"lot": "A"}]}),
        "no lot 'A'; needed lots, with their ids",
        LayerError,
    ),
    Case(
        "state rules as a local rule file",
        lambda d: tables(rules={"overlays": [built_in()[0]]}),
        "a rule file of kind 'state'; needed an overlay",
        SiteFileError,
    ),
    Case(
        "what is no rule file",
        lambda d: tables(rules={"overlays": [CROWNS]}),
        "a GeoDataFrame; needed a path, a name, or a RuleFile",
        SiteFileError,
    ),
]


def crowns_with(value: object = 9.0, **said):
    """One crown with something in its field ``h``; heights are in feet unless told otherwise."""
    keys = {"height_unit": "ft", **said}
    rows = CROWNS.assign(h=[value])
    return tables(crowns={"file": rows, **{k: v for k, v in keys.items() if v is not None}})


def land(*kinds: str | None, **said):
    """Land set aside with kinds in its field ``k``."""
    rows = frame(*[CROWN] * (len(kinds) or 1), k=kinds or ["mitigation"])
    return tables(set_aside={"file": rows, **said})


# ---- site files ---------------------------------------------------------------------------------

GOOD = """\
[site]
name = "test"
[lots]
file = "lots.gpkg"
[mhw_line]
file = "line.gpkg"
origin = "survey"
"""


def overlay(*names: str) -> str:
    """A good site with local rule files, named on line 9."""
    listed = ", ".join(f'"{name}"' for name in names)
    return f"{GOOD}[rules]\noverlays = [{listed}]\n"


def site(folder: Path, content: str | bytes):
    for path in good_files().iterdir():
        shutil.copy(path, folder)
    return read_site(text(folder, "site.toml", content))


@cache
def good_files() -> Path:
    """Two lots and a shore, written once for all site files; gone when the tests end."""
    folder = Path(tempfile.mkdtemp())
    atexit.register(shutil.rmtree, folder, ignore_errors=True)
    stored(folder, "lots.gpkg", SQUARE, OTHER, lot_id=["A", "B"])
    stored(folder, "line.gpkg", SHORE)
    return folder


def setback(**changes) -> str:
    keys = {
        "name": '"s"',
        "reference": '"mhw-line"',
        "distance_ft": "10",
        "source": '"x"',
    } | changes
    return GOOD + "[[setbacks]]\n" + "".join(f"{k} = {v}\n" for k, v in keys.items() if v)


SITES = [
    Case("no such site file", lambda d: read_site(d / "site.toml"), "no file", FileError),
    Case("empty site file", lambda d: site(d, ""), "0 bytes", FileError),
    Case("binary site file", lambda d: site(d, b"\xff\xfe\x00"), "not UTF-8", SiteFileError),
    Case(
        "text without quotes",
        lambda d: site(d, GOOD.replace('"test"', "test")),
        "site.toml, line 2",
        SiteFileError,
    ),
    Case(
        "backslash in a path",
        lambda d: site(d, GOOD.replace("lots.gpkg", r"data\lots.gpkg")),
        "turn \\ in paths",
        SiteFileError,
    ),
    Case(
        "table given twice",
        lambda d: site(d, GOOD + "[lots]\n"),
        "site.toml, line 8",
        SiteFileError,
    ),
    Case("file that breaks off", lambda d: site(d, GOOD + 'x = "'), "no TOML", SiteFileError),
    Case("unknown table", lambda d: site(d, GOOD + "[heigths]\n"), "'heights'", SiteFileError),
    Case(
        "unknown key", lambda d: site(d, GOOD.replace("origin", "orgin")), "'origin'", SiteFileError
    ),
    Case(
        "no lots",
        lambda d: site(d, GOOD.replace("[lots]", "[neighbours]")),
        "no [lots]",
        SiteFileError,
    ),
    Case("no name", lambda d: site(d, GOOD.replace('name = "test"', "")), "no name", SiteFileError),
    Case(
        "number for text",
        lambda d: site(d, GOOD.replace('"test"', "7")),
        "in quotes",
        SiteFileError,
    ),
    Case(
        "empty text",
        lambda d: site(d, GOOD.replace('"test"', '" "')),
        "text, in quotes",
        SiteFileError,
    ),
    Case(
        "table for a value",
        lambda d: site(d, "crowns = 3\n" + GOOD),
        "needed a table",
        SiteFileError,
    ),
    Case(
        "origin of our own making",
        lambda d: site(d, GOOD.replace("survey", "map")),
        "one of survey",
        SiteFileError,
    ),
    Case(
        "still to be filled in",
        lambda d: site(d, GOOD.replace("survey", "FILL IN")),
        "filled in",
        SiteFileError,
    ),
    Case(
        "missing input",
        lambda d: site(d, GOOD.replace("line.gpkg", "shore.gpkg")),
        "[mhw_line] file (line 6",
        FileError,
    ),
    Case(
        "tidal facts of an apparent shoreline",
        lambda d: site(d, GOOD.replace("survey", "apparent-shoreline") + 'epoch = "1983-2001"\n'),
        "epoch (line 8",
        SiteFileError,
    ),
    Case(
        "elevation above nothing",
        lambda d: site(d, GOOD + "elevation_ft = 0.3\n"),
        "without vertical_datum",
        SiteFileError,
    ),
    Case(
        "accuracy below nothing",
        lambda d: site(d, GOOD + "position_rmse_ft = -1\n"),
        "0 or more",
        SiteFileError,
    ),
    Case(
        "accuracy that is no number",
        lambda d: site(d, GOOD + "position_rmse_ft = nan\n"),
        "a number",
        SiteFileError,
    ),
    Case(
        "band upside down",
        lambda d: site(d, GOOD + "[band]\nlow_ft = 10\nhigh_ft = 6\n"),
        "rise",
        RangeError,
    ),
    Case(
        "band of no height",
        lambda d: site(d, GOOD + "[band]\nlow_ft = 6\nhigh_ft = 6\n"),
        "rise",
        RangeError,
    ),
    Case(
        "band below the ground",
        lambda d: site(d, GOOD + "[band]\nlow_ft = -6\nhigh_ft = 6\n"),
        "0 or more",
        SiteFileError,
    ),
    Case(
        "band given twice",
        lambda d: site(d, GOOD + "[band]\nlow_ft = 6\nhigh_ft = 8\n[options]\nband_ft = [6, 8]\n"),
        "twice",
        SiteFileError,
    ),
    Case(
        "unknown option",
        lambda d: site(d, GOOD + "[options]\nreach = 5\n"),
        "'reach_ft'",
        SiteFileError,
    ),
    Case(
        "option out of limits",
        lambda d: site(d, GOOD + "[options]\nreach_ft = -5\n"),
        "(line 9 of site.toml)",
        RangeError,
    ),
    Case(
        "option that is no number",
        lambda d: site(d, GOOD + "[options]\nreach_ft = nan\n"),
        "a number",
        RangeError,
    ),
    Case(
        "option with its unit",
        lambda d: site(d, GOOD + '[options]\nreach_ft = "5 ft"\n'),
        "without quotes",
        RangeError,
    ),
    Case(
        "two crown bases",
        lambda d: site(d, GOOD + "[options]\ncrown_base_ft = 5\ncrown_base_frac = 0.4\n"),
        "in feet and as a share",
        SiteFileError,
    ),
    Case(
        "crown base model without a base",
        lambda d: site(d, GOOD + '[options]\ncanopy_model = "crown-base"\n'),
        "without a crown base",
        SiteFileError,
    ),
    Case(
        "square to no channel",
        lambda d: site(d, GOOD + '[options]\nriparian_method = "square-to-channel"\n'),
        "[channel]",
        SiteFileError,
    ),
    Case(
        "setback from no channel",
        lambda d: site(d, setback(reference='"channel"')),
        "[channel]",
        SiteFileError,
    ),
    Case(
        "setback from no file",
        lambda d: site(d, setback(reference='"file"')),
        "without a file",
        SiteFileError,
    ),
    Case(
        "setback with a file too many",
        lambda d: site(d, setback(file='"line.gpkg"')),
        "with a file",
        SiteFileError,
    ),
    Case(
        "setback without a source",
        lambda d: site(d, setback(source="")),
        "no source",
        SiteFileError,
    ),
    Case(
        "setback below nothing",
        lambda d: site(d, setback(distance_ft="-1")),
        "0 or more",
        SiteFileError,
    ),
    Case(
        "two setbacks of one name",
        lambda d: site(d, setback() + setback().removeprefix(GOOD)),
        "second setback",
        SiteFileError,
    ),
    Case(
        "one bracket too few",
        lambda d: site(d, setback().replace("[[setbacks]]", "[setbacks]")),
        "two brackets",
        SiteFileError,
    ),
    Case(
        "trunks without crowns",
        lambda d: site(d, GOOD + '[trunks]\nfile = "lots.gpkg"\n'),
        "without a [crowns]",
        SiteFileError,
    ),
    Case(
        "address for a file",
        lambda d: site(d, GOOD.replace("lots.gpkg", "https://example.org/a")),
        "[lots] file (line 4",
        FileError,
    ),
    Case(
        "unknown fact",
        lambda d: site(d, GOOD + "[facts]\nuses_herbicides = false\n"),
        "[facts] uses_herbicides (line 9 of site.toml): found an unknown key",
        SiteFileError,
    ),
    Case(
        "fact that is no answer",
        lambda d: site(d, GOOD + '[facts]\ncontrols_land = "yes"\n'),
        "[facts] controls_land (line 9 of site.toml): found 'yes'; needed true or false",
        RangeError,
    ),
    Case(
        "choice that is none",
        lambda d: site(d, GOOD + '[facts]\nsupervisor = "nobody"\n'),
        "[facts] supervisor (line 9 of site.toml): found 'nobody'; needed one of owner, prof",
        RangeError,
    ),
    Case(
        "date in quotes",
        lambda d: site(d, GOOD + '[facts]\nstart_date = "2027-01-15"\n'),
        "without quotes",
        RangeError,
    ),
    Case(
        "height of an earlier configuration under the ground",
        lambda d: site(d, GOOD + "[facts]\nearlier_height_ft = -4\n"),
        "from 0 up to 100",
        RangeError,
    ),
    Case(
        "fact still to be filled in",
        lambda d: site(d, GOOD + '[facts]\nlocal_government = "FILL IN"\n'),
        "needed Which county, town or city is it in?",
        SiteFileError,
    ),
    Case(
        "fact with its mark taken off and no answer",
        lambda d: site(d, GOOD + "[facts]\nsupervisor = ...\n"),
        "site.toml, line 9, supervisor: found three dots",
        SiteFileError,
    ),
    Case(
        "table of facts with two brackets",
        lambda d: site(d, GOOD + "[[facts]]\nn_units = 2\n"),
        "needed a table",
        SiteFileError,
    ),
    Case(
        "facts of one lot with one bracket",
        lambda d: site(d, GOOD + '[lot_facts]\nlot = "1"\n'),
        "two brackets",
        SiteFileError,
    ),
    Case(
        "facts of no lot",
        lambda d: site(d, GOOD + "[[lot_facts]]\nn_units = 2\n"),
        "[[lot_facts]] number 1 (line 8 of site.toml): found no lot",
        SiteFileError,
    ),
    Case(
        "facts of a lot without a name",
        lambda d: site(d, GOOD + '[[lot_facts]]\nlot = ""\n'),
        "an id: text in quotes, or a number",
        SiteFileError,
    ),
    Case(
        "facts of a lot that is not there",
        lambda d: site(d, GOOD + '[[lot_facts]]\nlot = "SB-07"\n'),
        "[[lot_facts]] number 1 lot (line 9 of site.toml): found no lot 'SB-07'",
        LayerError,
    ),
    Case(
        "facts of a lot, given twice",
        lambda d: site(d, GOOD + '[[lot_facts]]\nlot = "1"\n[[lot_facts]]\nlot = 1\n'),
        "number 2 lot (line 11 of site.toml): found a second [[lot_facts]] for lot '1'",
        SiteFileError,
    ),
    Case(
        "mitigation that is none and provides for trimming",
        lambda d: site(
            d,
            f"{GOOD}[facts]\nis_mitigation_land = false\nmitigation_provides_trimming = true\n",
        ),
        "provides_trimming (line 10 of site.toml): found true, where [facts] is_mitigation_land",
        SiteFileError,
    ),
    Case(
        "units of what is not multifamily",
        lambda d: site(d, GOOD + "[facts]\nis_multifamily = false\nn_units = 2\n"),
        "n_units (line 10 of site.toml): found 2, where [facts] is_multifamily (line 9",
        SiteFileError,
    ),
    Case(
        "rule file that is not there",
        lambda d: site(d, overlay("local.toml")),
        "[rules] overlays, number 1 (line 9 of site.toml), local.toml: found no file",
        FileError,
    ),
    Case(
        "rule file in a folder that is not there",
        lambda d: site(d, overlay("codes/local")),
        "codes/local: found no file",
        FileError,
    ),
    Case(
        "rule file that is not installed",
        lambda d: site(d, overlay("saltspindle")),
        "'saltspindle': found no installed rule file of that name, and no such file",
        FileError,
    ),
    Case(
        "rule file at an address",
        lambda d: site(d, overlay("https://example.org/local.toml")),
        "a file on this machine",
        FileError,
    ),
    Case(
        "rule file that is no TOML",
        lambda d: (text(d, "local.toml", "hi"), site(d, overlay("local.toml"))),
        "(line 9 of site.toml), local.toml: found text that is no TOML",
        RuleError,
    ),
    Case(
        "rule file that is no text",
        lambda d: (text(d, "local.toml", b"\xff\xfe"), site(d, overlay("local.toml"))),
        "text that is not UTF-8",
        FileError,
    ),
    Case(
        "rule file that loosens",
        lambda d: (
            text(d, "local.toml", LOCAL.replace("8.0", "12.0")),
            site(d, overlay("local.toml")),
        ),
        "(line 9 of site.toml), local.toml, [tighten.owner-height-before]: found at most 12 ft, "
        "where the rule itself says at most 10 ft",
        RuleError,
    ),
    Case(
        "rule file of the state's kind",
        lambda d: (
            text(d, "local.toml", LOCAL.replace('"overlay"', '"state"')),
            site(d, overlay("local.toml")),
        ),
        "local.toml, [tighten]: found kind 'state'",
        RuleError,
    ),
    Case(
        "rule file named twice",
        lambda d: (
            text(d, "local.toml", LOCAL),
            site(d, overlay("local.toml", "./local.toml")),
        ),
        "number 2 (line 9 of site.toml): found ./local.toml with the id 'saltspindle', which "
        "local.toml has too",
        SiteFileError,
    ),
    Case(
        "rule file that is no name",
        lambda d: site(d, GOOD + "[rules]\noverlays = [3]\n"),
        'a list such as ["local.toml"]',
        SiteFileError,
    ),
    Case(
        "rule file outside a list",
        lambda d: site(d, GOOD + '[rules]\noverlays = "local.toml"\n'),
        'a list such as ["local.toml"]',
        SiteFileError,
    ),
    Case(
        "where without a value",
        lambda d: site(d, GOOD.replace("[mhw", "where = {}\n[mhw")),
        "{ field = value }",
        SiteFileError,
    ),
]

# ---- rasters ------------------------------------------------------------------------------------


def with_heights(folder: Path, **how):
    raster(folder, **how)
    return tables(crowns=CROWNS, heights=open_heights(folder / "heights.tif", unit="ft"))


RASTERS = [
    Case("missing raster", lambda d: open_heights(d / "no.tif", unit="ft"), "no file", FileError),
    Case(
        "text called tif",
        lambda d: open_heights(text(d, "a.tif", "hi"), unit="ft"),
        "does not open",
        FileError,
    ),
    Case(
        "vector as raster",
        lambda d: open_heights(stored(d, "a.geojson", SQUARE, crs=4326), unit="ft"),
        "does not open",
        FileError,
    ),
    Case(
        "raster tied to nothing",
        lambda d: open_heights(raster(d, at=None), unit="ft"),
        "no georeference",
        FileError,
    ),
    Case(
        "raster without CRS",
        lambda d: open_heights(raster(d, crs=None), unit="ft"),
        "without a coordinate",
        CRSError,
    ),
    Case(
        "raster CRS stated against the file",
        lambda d: open_heights(raster(d), unit="ft", crs=6438),
        "was stated",
        CRSError,
    ),
    Case(
        "no vertical unit", lambda d: open_heights(raster(d)), "a guess is not accepted", UnitError
    ),
    Case(
        "vertical unit unknown",
        lambda d: open_heights(raster(d), unit="yd"),
        "ft, us-ft, m",
        UnitError,
    ),
    Case(
        "vertical unit against the file",
        lambda d: open_heights(raster(d, unit="metre"), unit="ft"),
        "one vertical unit",
        UnitError,
    ),
    Case(
        "band that is not there",
        lambda d: open_heights(raster(d), unit="ft", band=2),
        "from 1 to 1",
        LayerError,
    ),
    Case("band 0", lambda d: open_heights(raster(d), unit="ft", band=0), "from 1 to 1", LayerError),
    Case(
        "complex numbers as heights",
        lambda d: open_heights(raster(d, dtype="complex64"), unit="ft"),
        "complex",
        LayerError,
    ),
    Case(
        "accuracy of a raster below nothing",
        lambda d: open_heights(raster(d), unit="ft", rmse_ft=-1.0),
        "0 or more",
        RangeError,
    ),
    Case(
        "raster under no crown",
        lambda d: with_heights(d, at=(X + 5000, Y)),
        "under no crown",
        LayerError,
    ),
    Case(
        "raster without unit in a site file",
        lambda d: (raster(d), site(d, GOOD + '[heights]\nfile = "heights.tif"\n')),
        "[heights] unit (line 8",
        UnitError,
    ),
]

# ---- numbers and shapes given in Python ---------------------------------------------------------

NUMBERS = [
    Case(
        "vertical unit in words",
        lambda d: feet_per_vertical_unit("feet", "heights"),
        "us-ft",
        UnitError,
    ),
    Case(
        "distance that is no number",
        lambda d: Setback("s", "mhw-line", float("nan"), "x"),
        "0 ft or more",
        RangeError,
    ),
    Case(
        "distance without end",
        lambda d: Setback("s", "mhw-line", float("inf"), "x"),
        "0 ft or more",
        RangeError,
    ),
    Case(
        "setback from the moon",
        lambda d: Setback("s", "moon", 1.0, "x"),
        "one of riparian-lines",
        RangeError,
    ),
    Case(
        "heights in one row",
        lambda d: CanopyGrid(np.zeros(3), 0, 0, 1),
        "rows and columns",
        ShapeError,
    ),
    Case(
        "cells of no size", lambda d: CanopyGrid(np.zeros((2, 2)), 0, 0, 0), "above 0", RangeError
    ),
    Case(
        "band of one height",
        lambda d: OPERATIONS["slices"].check({"band_ft": [6]}),
        "two numbers",
        RangeError,
    ),
    Case(
        "parameter of another operation",
        lambda d: OPERATIONS["heights"].check({"reach_ft": 5}),
        "no such parameter",
        RangeError,
    ),
    Case(
        "truth for a number",
        lambda d: OPERATIONS["frontage"].check({"reach_ft": True}),
        "a number",
        RangeError,
    ),
    Case(
        "confidence of certainty",
        lambda d: OPERATIONS["heights"].check({"confidence_frac": 1.0}),
        "up to",
        RangeError,
    ),
]

WRONG = [*FILES, *LAYERS, *REFERENCES, *TABLES, *SITES, *RASTERS, *NUMBERS]

# ---- mended, and told ---------------------------------------------------------------------------

MENDED = [
    Case(
        "crossing outline",
        lambda d: read_layer(stored(d, "a.gpkg", TIE))[1],
        "repaired (self-intersection)",
    ),
    Case(
        "null geometry",
        lambda d: read_layer(stored(d, "a.gpkg", SQUARE, None))[1],
        "without a geometry",
    ),
    Case(
        "empty geometry",
        lambda d: read_layer(stored(d, "a.gpkg", SQUARE, shapely.Polygon()))[1],
        "without a geometry",
    ),
    Case(
        "heights on vertices",
        lambda d: read_layer(stored(d, "a.gpkg", shapely.force_3d(SQUARE, 3)))[1],
        "Z values dropped",
    ),
    Case(
        "measures on vertices",
        lambda d: read_layer(wkt(d, "LINESTRING M (0 0 1,9 0 2)"), crs=6443, kinds=("line",))[1],
        "M values dropped",
    ),
    Case(
        "arcs",
        lambda d: read_layer(
            wkt(d, "CURVEPOLYGON(CIRCULARSTRING(0 0,2 2,4 0,2 -2,0 0))"), crs=6443
        )[1],
        "arcs straightened",
    ),
    Case(
        "open ring",
        lambda d: read_layer(
            text(d, "a.geojson", GEOJSON % '{"type":"Polygon","coordinates":[[[0,0],[1,0],[1,1]]]}')
        )[1],
        "1 closed",
    ),
    Case(
        "line of one point",
        lambda d: read_layer(
            wkt(d, "LINESTRING(0 0,3 4)", "LINESTRING(1 1,1 1)"), crs=6443, kinds=("line",)
        )[1],
        "without length",
    ),
    Case(
        "lines among polygons",
        lambda d: read_layer(
            stored(d, "a.geojson", *frame(SQUARE, SHORE).to_crs(4326).geometry, crs=4326)
        )[1],
        "1 line left out",
    ),
    Case(
        "no CRS but one stated",
        lambda d: read_layer(stored(d, "a.gpkg", SQUARE, crs=None), crs=6443)[1],
        "as stated",
    ),
    Case(
        "text in another encoding",
        lambda d: read_layer(
            text(
                d,
                "a.geojson",
                (GEOJSON % '{"type":"Point","coordinates":[0,0]}')
                .replace('"a":1', '"a":"\xe9"')
                .encode("latin-1"),
            ),
            kinds=("point",),
        )[1],
        "ISO-8859-1",
    ),
    Case("lots without ids", lambda d: tables(lots=frame(SQUARE, OTHER)).notes, "numbered 1 to 2"),
    Case(
        "lots in degrees",
        lambda d: tables(lots=frame(SQUARE).to_crs(4326)).notes,
        "chosen from the position",
    ),
    Case(
        "crowns of an older datum",
        lambda d: tables(crowns=CROWNS.to_crs(26759)).notes,
        "reprojected from EPSG:26759",
    ),
    Case(
        "neighbour that is a lot",
        lambda d: tables(neighbours=frame(SQUARE, lot_id=["A"])).notes,
        "already a lot: A",
    ),
    Case(
        "trunk without a crown",
        lambda d: tables(crowns=CROWNS, trunks=frame(POINT, shapely.Point(X, Y))).notes,
        "1 trunk left out",
    ),
    Case(
        "trunk in two crowns",
        lambda d: tables(crowns=frame(CROWN, CROWN.buffer(1)), trunks=frame(POINT)).notes,
        "in two crowns",
    ),
    Case(
        "facts of a neighbour",
        lambda d: (
            tables(
                lots={"file": frame(SQUARE, OTHER, lot_id=["A", "B"]), "measure": ["A"]},
                lot_facts=[{"lot": "B", "n_units": 2}],
            ).notes
        ),
        "not reported here, and not used: B",
    ),
    Case(
        "tree not said to be trimmed or left",
        lambda d: crowns_with(None, height_unit=None, trim_field="h").notes,
        "not said of 1 crown of 1 whether to trim",
    ),
    Case(
        "heights on site without an error",
        lambda d: crowns_with(height_field="h").notes,
        "no standard error of the heights measured on site",
    ),
    Case(
        "species not known",
        lambda d: tables(crowns=frame(CROWN, species=[" "])).notes,
        "without a species",
    ),
    Case("heights without an error", lambda d: with_heights(d).notes, "no standard error"),
    Case(
        "raster in another CRS",
        lambda d: (
            with_heights(d, crs="EPSG:6442", at=(X * 1200 / 3937, (Y + 160) * 1200 / 3937)).notes
        ),
        "crowns are moved",
    ),
]


def test_there_are_fifty_kinds():
    names = [case.name for case in (*WRONG, *MENDED)]
    assert len(names) == len(set(names)) >= 50


@pytest.mark.parametrize("case", WRONG, ids=[case.name for case in WRONG])
def test_refused_in_words(case, tmp_path):
    assert case.error is not None
    with pytest.raises(errors.GeotrimError) as caught:
        case.do(tmp_path)
    error = caught.value
    assert type(error) is case.error
    assert case.words in str(error)
    assert all((error.subject, error.found, error.need, error.mend))
    assert len(str(error)) < 700


@pytest.mark.parametrize("case", MENDED, ids=[case.name for case in MENDED])
def test_mended_and_told(case, tmp_path):
    notes = case.do(tmp_path)
    assert case.words in " | ".join(str(note) for note in notes)


@pytest.mark.parametrize("given", ["lots.shp", Path("lots.shp"), np.zeros((3, 2)), None])
def test_what_is_no_table_is_named_before_an_operation_starts(given):
    import geotrim

    lots = frame(SQUARE, lot_id=["A"], is_measured=[True])
    with pytest.raises(LayerError, match=r"lots: found a .*; needed a GeoDataFrame"):
        geotrim.frontage(given, frame(SHORE))
    with pytest.raises(LayerError, match="needed a GeoDataFrame"):
        geotrim.frontage(lots, given)
