"""The operation that makes what sheets and proofs are drawn from, declared."""

from __future__ import annotations

from geotrim.ops.catalogue_window import WATER_ELEVATION
from geotrim.ops.params import CANOPY_MODEL, CROWN_BASE, CROWN_BASE_FRAC
from geotrim.ops.registry import Operation, Param

SECTION_STATIONS = Param(
    "section_stations_ft",
    "numbers",
    None,
    "Stations of cross-sections of your own; by default where the fringe is deepest, in the "
    "window's spans, and at the tallest tree that is cut.",
    low=0.0,
    high=100_000.0,
    n_least=1,
    is_any_order=True,
)
SECTION_WIDTH = Param(
    "section_width_ft",
    "number",
    10.0,
    "Width of the strip along a cross-section in which crowns are seen.",
    low=0.0,
    high=50.0,
    is_low_open=True,
)
SECTION_STEP = Param(
    "section_step_ft",
    "number",
    0.5,
    "Step along a cross-section.",
    low=0.1,
    high=10.0,
)

SECTIONS = Operation(
    "sections",
    "Cuts the shore across at chosen stations: ground, trunks and canopy, for drawings and proof.",
    function="geotrim.ops.sections:sections",
    words="geotrim.report.sections_text:sections_text",
    inputs=("lots", "mhw_line", "crowns", "heights", "ground?", "mhw_facts?", "profiles?"),
    after=("frontage", "fringe", "heights", "calibrate?", "route?", "window?", "stages?"),
    outputs={
        "sections": (
            "station_ft",
            "land_ft",
            "water_ft",
            "water_elevation_ft",
            "fringe_depth_ft",
            "landward_trunk_ft",
            "waterward_trunk_ft",
            "half_width_ft",
            "smoothed_line_ft",
        ),
        "section_ground": ("offset_ft", "ground_ft"),
        "section_columns": ("offset_ft", "base_ft", "top_ft"),
        "section_trunks": ("offset_ft", "aside_ft"),
        "crown_sides": ("station_ft", "top_ft", "is_from_raster"),
        "foliage_curves": ("height_ft", "above_frac"),
    },
    params=(
        SECTION_STATIONS,
        SECTION_WIDTH,
        SECTION_STEP,
        CANOPY_MODEL,
        CROWN_BASE,
        CROWN_BASE_FRAC,
        WATER_ELEVATION,
    ),
    caution="Crowns as the raster shows them from above; stems and prop roots under them are not "
    "measured.",
)
