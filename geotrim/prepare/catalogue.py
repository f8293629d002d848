"""Every preparation geotrim brings, declared once."""

from __future__ import annotations

from geotrim.ops.params import BAND
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
        Source(
            GROUND.name,
            GROUND.kind,
            GROUND.help,
            is_required=True,
            keys=(
                *GROUND.keys[:-3],
                ("epoch", "EPOCH", "tidal epoch of a ground above a tidal datum, such as MSL"),
            ),
        ),
        LOTS,
        Source("stations", "table", "published tidal datums of stations, one row each, as CSV"),
        Source("datum_grid", "raster", "gridded tidal datum: MHW above local mean sea level"),
    ),
    params=(
        Param(
            "mhw_elevation_ft", "number", None, "MHW elevation, in feet.", low=-100.0, high=100.0
        ),
        Param("mhw_elevation_m", "number", None, "The same, in metres.", low=-30.0, high=30.0),
        Param("mhw_datum", "text", None, "Vertical datum of that elevation, such as NAVD88."),
        Param("epoch", "text", None, "Tidal epoch of the MHW elevation, such as 1983-2001."),
        Param("station", "text", None, "Id of the station, or several with commas between."),
        Param(
            "stations_within_ft",
            "number",
            None,
            "Or: all stations this near, the nearer counting more.",
            low=0.0,
        ),
        Param(  # 30 miles: common practice, no source
            "station_reach_ft",
            "number",
            158400.0,
            "A station farther than this is refused: its tide is another.",
            low=0.0,
        ),
        Param(
            "grid_reach_ft",
            "number",
            None,
            "How far the datum grid's nearest value may lie [0: it must be at the lots].",
            low=0.0,
            high=100000.0,
        ),
        Param(
            "msl_above_navd88_ft",
            "number",
            None,
            "Local mean sea level above NAVD88, for a datum grid under a ground in NAVD88.",
            low=-30.0,
            high=30.0,
        ),
        Param(
            "datum_error_ft",
            "number",
            None,
            "Standard error of the MHW elevation [how far several stations differ].",
            low=0.0,
            high=30.0,
        ),
        Param("least_shore_ft", "number", 0.0, "Shortest open piece kept.", low=0.0),
        Param("least_island_ft", "number", 0.0, "Shortest line around an island kept.", low=0.0),
        Param("least_pond_ft", "number", 0.0, "Shortest line around a pond kept.", low=0.0),
        Param("with_ponds", "flag", False, "Count lines closed around water as MHW line too."),
        Param(
            "smooth_ft",
            "number",
            0.0,
            "Smooth along the line over this length [0: not at all].",
            low=0.0,
            high=1000.0,
        ),
        Param(
            "most_move_ft",
            "number",
            5.0,
            "Smoothing moves no vertex farther than this.",
            low=0.0,
            high=1000.0,
        ),
        Param(
            "most_error_ft",
            "number",
            100.0,
            "Errors of the position beyond this, on flat ground, are told as this.",
            low=1.0,
            high=10000.0,
        ),
        MARGIN,
        CRS,
    ),
    outputs={
        "mhw_line.gpkg": "the line, piece by piece, ponds apart, and the band it may lie in",
        "mhw_line.png": "the line on the ground model (mhw_line.svg: the same)",
    },
    caution="Approximate; not an MHW survey under ch. 177 F.S., which only a licensed surveyor "
    "and mapper may make.",
)
HEIGHTS_FROM = Preparation(
    "heights",
    "Makes heights above the substrate: surface less ground, from rasters or a lidar cloud.",
    function="geotrim.prepare.heights:prepare_heights",
    sources=(
        Source(
            "surface",
            "raster",
            "surface model: elevations of the canopy's top",
            keys=(
                ("datum", "DATUM", "its vertical datum, if the file says none, such as NAVD88"),
                ("rmse_ft", "FT", "standard error of one surface elevation, ft"),
            ),
        ),
        GROUND,
        Source(
            CLOUD.name,
            CLOUD.kind,
            CLOUD.help,
            is_many=True,
            keys=(
                ("top_rmse_ft", "FT", "standard error of one canopy return's elevation, ft"),
                ("ground_rmse_ft", "FT", "standard error of the ground made from it, ft"),
            ),
        ),
        Source("water", "vector", "water at the time of flight, polygons: heights are left out"),
        LOTS,
        Source("ground_returns", "counts", "number of ground returns in each cell"),
        Source("ground_distance", "distances", "distance of a cell from the nearest ground return"),
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
        Param(
            "ground_gap_ft",
            "number",
            10.0,
            "Heights farther than this from any ground return are left out.",
            low=0.0,
            high=1000.0,
        ),
        Param(
            "flight_water_level_ft",
            "number",
            None,
            "Water level at the time of flight, in the ground's datum: ground below is left out.",
        ),
        Param(
            "below_ground_ft",
            "number",
            None,
            "A surface up to this far below the ground counts as at it [twice the error].",
            low=0.0,
            high=100.0,
        ),
        Param(
            "tops",
            "choice",
            "first",
            "Cloud: returns that may be a cell's top. A later return lies under another leaf.",
            choices=("first", "all"),
        ),
        Param(
            "ground_from",
            "choice",
            "auto",
            "Cloud: ground by its class, by a filter, or by the filter where no class is given.",
            choices=("auto", "class", "filter"),
        ),
        Param(
            "leave_out_classes",
            "text",
            "6, 13, 14, 15, 16, 17, 19",
            "Cloud: classes that are no plants: buildings, wires, towers, bridges; - for none.",
        ),
        Param(
            "overlap",
            "choice",
            "keep",
            "Cloud: returns flagged as overlap of flight lines.",
            choices=("keep", "leave-out"),
        ),
        Param(
            "fill_cells",
            "whole",
            3,
            "Cloud: holes of up to this many cells without returns are filled from around.",
            low=0,
            high=1000,
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
    params=(
        Param(
            "margin_ft",
            "number",
            20.0,
            "How far around the area crowns are kept.",
            low=0.0,
            high=20000.0,
        ),
        Param(
            "height_min_ft",
            "number",
            4.0,
            "Lowest treetop, and lowest cell of a crown: 6 ft less what lidar ground takes away.",
            low=2.0,
            high=100.0,
        ),
        Param(
            "smooth_ft",
            "number",
            1.0,
            "Standard deviation of the Gaussian that smooths the canopy; 0 for none.",
            low=0.0,
            high=20.0,
        ),
        Param(
            "window_base_ft",
            "number",
            3.0,
            "Radius of the search window at height 0; no higher point within it makes a treetop.",
            low=0.0,
            high=50.0,
        ),
        Param(
            "window_slope_frac",
            "number",
            0.1,
            "Growth of that radius, ft a ft of height.",
            low=0.0,
            high=1.0,
        ),
        Param(
            "edge_frac",
            "number",
            0.5,
            "A crown ends where the canopy falls under this share of its treetop's height.",
            low=0.0,
            high=1.0,
        ),
        Param(
            "radius_max_ft",
            "number",
            40.0,
            "No crown, and no search window, reaches further from its treetop.",
            low=5.0,
            high=100.0,
        ),
        Param(
            "hole_max_ft2",
            "number",
            25.0,
            "Gaps inside one crown up to this size are filled.",
            low=0.0,
            high=10000.0,
        ),
        Param(
            "area_min_ft2",
            "number",
            12.5,
            "Smaller crowns are left out, and those of fewer than 4 cells.",
            low=0.0,
            high=10000.0,
        ),
    ),
    outputs={
        "crowns.gpkg": "layers crowns (a draft, with a confidence) and treetops",
        "crowns_draft.png": "the draft on the heights",
    },
    caution="A draft: every crown, tree and species must be confirmed in the field. Mangroves of "
    "many stems and low, even canopy hardly part into trees this way.",
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
    params=(
        Param(
            "layer_ft",
            "number",
            2.0,
            "Depth of a layer; thinner ones hold too few pulses at usual densities, in deeper ones "
            "leaves are taken to lie evenly.",
            low=0.25,
            high=10.0,
        ),
        Param(
            "returns",
            "choice",
            "weighted",
            "Share each pulse out among its returns, or count its first return alone.",
            choices=("weighted", "first"),
        ),
        Param(
            "extinction_k",
            "number",
            0.5,
            "Share of a leaf's area that stands in a pulse's way; weights do not depend on it.",
            low=0.05,
            high=2.0,
        ),
        Param(
            "min_pulses", "whole", 30, "Crowns with fewer have no profile.", low=2, high=1_000_000
        ),
        Param(
            "floor_ft",
            "number",
            2.0,
            "Returns lower than this count as from the ground: ground plants, roots and errors.",
            low=0.0,
            high=20.0,
        ),
        Param(
            "ground_gap_ft",
            "number",
            10.0,
            "Holes between ground returns are bridged up to a radius of four times this.",
            low=1.0,
            high=1000.0,
        ),
        Param(
            "ground_from",
            "choice",
            "auto",
            "Without a ground raster: by class, by a filter, or by the filter where no class is.",
            choices=("auto", "class", "filter"),
        ),
        Param(
            "base_weight_frac",
            "number",
            0.02,
            "Foliage begins at the lowest layer with more than this share of the leaves.",
            low=0.0,
            high=0.5,
        ),
        BAND,
    ),
    outputs={
        "profiles.gpkg": "leaf-area weights of each crown, layer by layer, and a summary",
        "profiles.csv": "the layers",
        "profile_summary.csv": "the summary",
        "profiles.png": "the profiles of up to 12 crowns",
    },
    caution="Relative weights within one tree; not an amount of leaves.",
)
SURVEY = Preparation(
    "survey",
    "Makes crowns and trunks of a field table of trees, and lists what contradicts.",
    function="geotrim.prepare.survey:prepare_survey",
    sources=(
        Source(
            "trees",
            "table",
            "field table of trees: CSV, GPX waypoints, or points",
            is_required=True,
            keys=(
                ("unit", "UNIT", "unit of lengths whose column tells none: ft, us-ft, m"),
                ("tag_field", "COLUMN", "column of the tags [tag, tree_id, id, name ...]"),
                ("stem_field", "COLUMN", "column of the stems of one tree [stem]"),
                ("species_field", "COLUMN", "column of the species [species]"),
                ("height_field", "COLUMN", "height from the substrate [height]"),
                ("base_height_field", "COLUMN", "height of the lowest foliage [base_height ...]"),
                ("spread_1_field", "COLUMN", "crown spread along the bearing [spread_1 ...]"),
                ("spread_2_field", "COLUMN", "crown spread square to it [spread_2 ...]"),
                (
                    "bearing_field",
                    "COLUMN",
                    "bearing of spread 1 from grid north [bearing], else 0",
                ),
                ("radius_n_field", "COLUMN", "or crown radius to the north [radius_n]"),
                ("radius_e_field", "COLUMN", "to the east [radius_e]"),
                ("radius_s_field", "COLUMN", "to the south [radius_s]"),
                ("radius_w_field", "COLUMN", "to the west [radius_w]"),
                ("remarks_field", "COLUMN", "column of remarks [remarks, notes ...]"),
                ("date_field", "COLUMN", "column of the dates [date]"),
                ("who_field", "COLUMN", "column of who measured [who, crew ...]"),
                ("x_field", "COLUMN", "easting or longitude [lon, easting, x ...]"),
                ("y_field", "COLUMN", "northing or latitude [lat, northing, y ...]"),
                ("decimal", "MARK", "point or comma, where the numbers do not tell"),
            ),
        ),
        Source(
            "crowns",
            "vector",
            "crown polygons, a draft for example, to join the trees to",
            keys=(
                ("id_field", "FIELD", "field that holds the crown's id"),
                ("species_field", "FIELD", "field that holds the species, to compare"),
                ("height_field", "FIELD", "field that holds the top height, to compare"),
                ("height_unit", "UNIT", "its unit, if its name tells none: ft, us-ft, m"),
            ),
        ),
    ),
    params=(
        Param(
            "crs",
            "text",
            None,
            "Projected CRS of what is written [that of the crowns, the trees, or the place].",
        ),
        Param(
            "trunk_position_error_ft",
            "number",
            None,
            "Standard error of a trunk's position; trunks this near an edge are conflicts.",
            low=0.0,
            high=500.0,
        ),
        Param(
            "height_error_ft",
            "number",
            None,
            "Standard error of one height measured in the field.",
            low=0.0,
            high=100.0,
        ),
        Param(
            "height_gap_ft",
            "number",
            5.0,
            "Field and crown heights further apart than this are a conflict.",
            low=0.0,
            high=200.0,
        ),
        Param(
            "far_tree_ft",
            "number",
            500.0,
            "A tree farther than this, and than 20 usual gaps, from all others is a conflict.",
            low=10.0,
            high=1_000_000.0,
        ),
        Param(
            "least_overlap_frac",
            "number",
            0.4,
            "Shared over joint area under which spreads and crown are a conflict.",
            low=0.0,
            high=1.0,
        ),
    ),
    outputs={
        "trees.gpkg": "layers crowns and trunks",
        "trees.csv": "the table, cleaned",
        "trees.gpx": "waypoints of the trunks",
        "conflicts.csv": "what contradicts, and what was done",
        "survey_map.png": "crowns, trunks and conflicts on a map",
    },
    caution="Positions, heights and species are the surveyor's word; conflicts are for the field "
    "to settle.",
)

#: Preparations in the order they are usually needed.
PREPARATIONS = {p.name: p for p in (HEIGHTS_FROM, MHW, CROWNS_FROM, PROFILES, SURVEY)}
