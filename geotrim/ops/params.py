"""Parameters of the operations.

Those that several operations share are one object, so they cannot drift apart.
"""

from __future__ import annotations

from geotrim.ops.registry import Param

REACH = Param(
    "reach_ft",
    "number",
    5.0,
    "How far a lot may stop short of the shore line and still front it.",
    low=0.0,
    high=200.0,
)
SMOOTHING = Param(
    "smoothing_length_ft",
    "number",
    50.0,
    "Bumps in the shore shorter than this are smoothed away before a square is dropped on it.",
    low=0.0,
    high=5000.0,
)
CORNER = Param(
    "corner_deg",
    "number",
    60.0,
    "Where the shore turns by more than this, one stretch ends and the next begins.",
    low=0.0,
    high=180.0,
    is_low_open=True,
)
RIPARIAN_METHOD = Param(
    "riparian_method",
    "choice",
    "square-to-shore",
    "How the side limits over the water are proposed.",
    choices=("square-to-shore", "square-to-channel", "prolonged-lot-lines", "proportional"),
)
RIPARIAN_LENGTH = Param(
    "riparian_length_ft",
    "number",
    100.0,
    "How far the side limits run over the water when no channel or mouth line ends them.",
    low=0.0,
    high=5000.0,
    is_low_open=True,
)
SPACING = Param(
    "transect_spacing_ft",
    "number",
    10.0,
    "Distance between transects along the frontage.",
    low=0.0,
    high=1000.0,
    is_low_open=True,
)
SWATH = Param(
    "swath_ft",
    "number",
    20.0,
    "Trunks within half of this on either side count at a transect.",
    low=0.0,
    high=1000.0,
    is_low_open=True,
)
FRINGE_REFERENCE = Param(
    "fringe_reference",
    "choice",
    "auto",
    "What depth is measured between; auto takes a crown's trunk where known, else its centre.",
    choices=("auto", "trunk", "centre", "edge"),
)
FRINGE_LIMIT = Param(
    "fringe_limit_ft",
    "number",
    50.0,
    "Depth over which a place is pointed out; 50 ft in s. 403.9325(7) F.S.",
    low=0.0,
    high=5000.0,
    is_low_open=True,
)
SEARCH = Param(
    "search_ft",
    "number",
    500.0,
    "Trees farther from the shore than this, on either side, are not part of its fringe.",
    low=0.0,
    high=5000.0,
    is_low_open=True,
)
MIN_COVERAGE = Param(
    "min_coverage_frac",
    "number",
    0.01,
    "A cell covered less than this is ignored for the top height (never for volumes).",
    low=0.0,
    high=1.0,
)
HEIGHT_LIMITS = Param(
    "height_limits_ft",
    "numbers",
    (6.0, 10.0, 16.0, 24.0),
    "Heights that divide the height classes.",
    low=0.0,
    high=500.0,
)
CONFIDENCE = Param(
    "confidence_frac",
    "number",
    0.95,
    "A height closer to a limit than its error at this confidence is too close to call.",
    low=0.5,
    high=0.9999,
)
BAND = Param(
    "band_ft",
    "numbers",
    (6.0, 10.0),
    "Low and high side of the window band, above the substrate.",
    low=0.0,
    high=500.0,
    n_numbers=2,
)
BREAKS = Param(
    "breaks_ft",
    "numbers",
    None,
    "More heights to slice between; each pair gets a row for each crown.",
    low=0.0,
    high=500.0,
)
CANOPY_MODEL = Param(
    "canopy_model",
    "choice",
    "column",
    "How volume is spread under the canopy top.",
    choices=(
        "column",
        "crown-base",
        "cylinder",
        "cone",
        "paraboloid",
        "half-ellipsoid",
        "ellipsoid",
        "neiloid",
        "profile",
    ),
)
CROWN_BASE = Param(
    "crown_base_ft",
    "number",
    None,
    "Height of the crown's base above the substrate, for every crown without its own.",
    low=0.0,
    high=500.0,
)
CROWN_BASE_FRAC = Param(
    "crown_base_frac",
    "number",
    None,
    "Height of the crown's base as a share of the crown's top height.",
    low=0.0,
    high=1.0,
)

READING_RADIUS = Param(
    "reading_radius_ft",
    "number",
    5.0,
    "Of a stick reading in no crown, the raster's height is the highest cell this near.",
    low=0.0,
    high=100.0,
    is_low_open=True,
)
LEAVE_OUT_OUTLIERS = Param(
    "leave_out_outliers",
    "flag",
    False,
    "Take the figures of a calibration without the outliers; they are shown either way.",
)
HEIGHT_CORRECTION = Param(
    "height_correction",
    "choice",
    "none",
    "What stick readings do to the raster's heights: nothing, give them the error found, or take "
    "the bias off them as well.",
    choices=("none", "error", "bias"),
)

TARGET_HEIGHT = Param(
    "target_height_ft",
    "number",
    None,
    "Height the mangroves are to be left at, for every crown without its own; a plan, no advice.",
    low=0.0,
    high=500.0,
)
UNSTATED_ERROR = Param(
    "unstated_height_error_ft",
    "number",
    1.46,
    "Standard error taken for heights of a raster that states none; 44.5 cm in a USGS release.",
    low=0.0,
    high=100.0,
)
STAGE_YEARS = Param(
    "stage_years", "whole", 1, "Years the cut is planned to be spread over.", low=1, high=50
)


def _reading(name: str, default: str, choices: tuple[str, ...], help: str) -> Param:
    return Param(name, "choice", default, help, choices=choices)


#: Questions the act leaves open; rules/readings.toml explains each, and a test holds these to it.
READINGS = (
    _reading(
        "share_cap_reading",
        "owner-and-professional",
        ("owner-and-professional", "owner-only"),
        "A-01: whether the cap of 65 % over 150 ft binds the professional exemption too.",
    ),
    _reading(
        "share_measure_reading",
        "smallest",
        ("smallest", "trees", "length", "area"),
        "A-02: what the 65 % are of.",
    ),
    _reading(
        "shoreline_reading",
        "along-line",
        ("along-line", "smoothed", "chord"),
        "A-03: which length is the shoreline that may be 150 ft.",
    ),
    _reading(
        "substrate_reading",
        "as-given",
        ("as-given", "ground-reads-high"),
        "A-04: whether heights of a raster are taken as given, or the ground under them as high.",
    ),
    _reading(
        "substrate_place_reading",
        "under-the-trunk",
        ("under-the-trunk", "under-the-crown"),
        "A-05: substrate under the trunk (measured in the field) or under each part of the crown.",
    ),
    _reading(
        "foliage_reading",
        "standing-each-year",
        ("standing-each-year", "original"),
        "A-06: which foliage the 25 % a year are of.",
    ),
    _reading(
        "quarter_reading",
        "from-16-ft",
        ("from-16-ft", "any-height"),
        "A-07: from which height the 25 % a year bind.",
    ),
    _reading(
        "cap_reading",
        "each-tree",
        ("each-tree", "tallest-tree"),
        "A-08: whether the caps of 10 and 24 ft look at each tree or at the tallest.",
    ),
    _reading(
        "depth_reading",
        "greatest",
        ("greatest", "by-station"),
        "A-09: which depth of a fringe that is wider here and narrower there.",
    ),
    _reading(
        "square_reading",
        "general-direction",
        ("general-direction", "local"),
        "A-10: square to which shoreline on a curved shore.",
    ),
    _reading(
        "cliff_reading",
        "as-written",
        ("as-written", "at-least-150"),
        "A-11: whether 65 % of a shore over 150 ft may be less than 150 ft.",
    ),
    _reading(
        "season_reading",
        "october-to-march",
        ("october-to-march", "late-spring"),
        "A-12: which season is advised.",
    ),
    _reading(
        "boundary_reading",
        "trunk",
        ("trunk", "whole-crown"),
        "A-13: whose a tree on the lot line is.",
    ),
    _reading(
        "island_reading",
        "every-island",
        ("every-island", "public-islands"),
        "A-14: which uninhabited islands are out.",
    ),
)

N_TRIMMED = Param(
    "n_trimmed",
    "whole",
    None,
    "Mangroves trimmed; with n_cut_low, goes before the plan.",
    low=1,
    high=1_000_000,
)
N_CUT_LOW = Param(
    "n_cut_low",
    "whole",
    None,
    "Of these, cut below 6 ft (not as (c) or (d) provides), destroyed, defoliated or removed.",
    low=0,
    high=1_000_000,
)
LOST_AREA = Param(
    "lost_area_ft2",
    "number",
    None,
    "Canopy area lost; goes before the plan.",
    low=0.0,
    high=1e8,
)
