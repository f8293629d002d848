"""Every preparation geotrim brings, declared once."""

from __future__ import annotations

from geotrim.ops.registry import Param
from geotrim.prepare.declared import Preparation, Source

GROUND = Source(
    "ground",
    "raster",
    "ground model: elevations of the bare ground",
    keys=(
        ("datum", "DATUM", "its vertical datum, if the file says none, such as NAVD88"),
        ("rmse_ft", "FT", "standard error of one ground elevation, ft"),
    ),
)
LOTS = Source("lots", "vector", "lot polygons: only what lies near them is prepared")
CLOUD = Source("cloud", "cloud", "lidar point cloud, LAS or LAZ (may be said again)", is_many=True)
HEIGHTS = Source(
    "heights",
    "raster",
    "raster of heights above the substrate",
    is_required=True,
    keys=(("rmse_ft", "FT", "standard error of one height, ft"),),
)
CROWNS = Source(
    "crowns",
    "vector",
    "crown polygons",
    keys=(("id_field", "FIELD", "field that holds the crown's id"),),
)
MARGIN = Param(
    "margin_ft",
    "number",
    200.0,
    "How far around the lots the work reaches.",
    low=0.0,
    high=20000.0,
)
CRS = Param("crs", "text", None, "Projected CRS of what is written [from the lots or the place].")

MHW = Preparation(
    "mhw",
    "Draws the mean high water line: the contour of a ground model at an MHW elevation.",
    function="geotrim.prepare.mhw:prepare_mhw",
    sources=(
        Source(GROUND.name, GROUND.kind, GROUND.help, is_required=True, keys=GROUND.keys[:-3]),
        LOTS,
        Source("stations", "table", "published tidal datums of stations, one row each"),
        Source("datum_grid", "raster", "gridded tidal datum: MHW above local mean sea level"),
    ),
    params=(
        Param("mhw_elevation_ft", "number", None, "MHW elevation in the ground's datum."),
        Param("mhw_datum", "text", None, "Vertical datum of that elevation, such as NAVD88."),
        Param("epoch", "text", None, "Tidal epoch, such as 1983-2001."),
        Param("station", "text", None, "Id of the station, or several with commas between."),
        MARGIN,
        CRS,
    ),
    outputs={
        "mhw_line.gpkg": "the line, piece by piece, and the band it may lie in",
        "mhw_line.png": "the line on the ground model",
    },
    caution="Approximate; not an MHW survey under ch. 177 F.S., which only a licensed surveyor "
    "and mapper may make.",
)
HEIGHTS_FROM = Preparation(
    "heights",
    "Makes heights above the substrate: surface less ground, from rasters or a lidar cloud.",
    function="geotrim.prepare.heights:prepare_heights",
    sources=(
        Source("surface", "raster", "surface model: elevations of the canopy's top"),
        GROUND,
        CLOUD,
        Source("water", "vector", "water at the time of flight, polygons: heights are left out"),
        LOTS,
    ),
    params=(
        Param(
            "cell_ft",
            "number",
            None,
            "Side of a cell [the surface's own, or from the cloud's density].",
            low=0.1,
            high=100.0,
        ),
        MARGIN,
    ),
    outputs={
        "heights.tif": "heights above the substrate, ft",
        "ground.tif": "elevation of the ground, ft, from a cloud",
        "heights.png": "the heights, and where they are left out",
    },
    caution="Lidar ground under mangrove often reads high, so heights read low: the unsafe side "
    "for limits of 10, 16 and 24 ft. Check with stick readings (geotrim calibrate).",
)
CROWNS_FROM = Preparation(
    "crowns",
    "Drafts crown polygons from a height raster, for the field to confirm.",
    function="geotrim.prepare.crowns:prepare_crowns",
    sources=(HEIGHTS, Source("area", "vector", "polygons, lots for example, to work near")),
    params=(MARGIN,),
    outputs={
        "crowns.gpkg": "crowns and treetops, a draft",
        "crowns.png": "the crowns on the heights",
    },
    caution="A draft: every crown, tree and species must be confirmed in the field.",
)
PROFILES = Preparation(
    "profiles",
    "Measures how each crown's leaf area is spread over its height, from a lidar cloud.",
    function="geotrim.prepare.profiles:prepare_profiles",
    sources=(
        Source(CLOUD.name, CLOUD.kind, CLOUD.help, is_required=True, is_many=True),
        Source(CROWNS.name, CROWNS.kind, CROWNS.help, is_required=True, keys=CROWNS.keys[:1]),
        GROUND,
    ),
    params=(),
    outputs={
        "profiles.gpkg": "leaf-area weights of each crown, layer by layer",
        "profiles.png": "the profiles of up to 12 crowns",
    },
    caution="Relative weights within one tree; not an amount of leaves.",
)
SURVEY = Preparation(
    "survey",
    "Makes crowns and trunks of a field table of trees, and lists what contradicts.",
    function="geotrim.prepare.survey:prepare_survey",
    sources=(
        Source("trees", "table", "field table of trees: CSV, GPX or points", is_required=True),
        CROWNS,
    ),
    params=(CRS,),
    outputs={
        "trees.gpkg": "crowns and trunks",
        "trees.csv": "the table, cleaned",
        "trees.gpx": "waypoints of the trunks",
        "conflicts.csv": "what contradicts, and what was done",
        "trees.png": "trees and conflicts on a map",
    },
    caution="Measured as the field table says; positions and species are the surveyor's word.",
)

#: Preparations in the order they are usually needed.
PREPARATIONS = {p.name: p for p in (HEIGHTS_FROM, MHW, CROWNS_FROM, PROFILES, SURVEY)}
