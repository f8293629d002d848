"""Every operation geotrim brings, declared once.

The command line, the README's table, the record and later faces are made from this list.
Parameters that several operations share are one object, so they cannot drift apart.
"""

from __future__ import annotations

from geotrim.ops.registry import Operation, Param

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

FRONTAGE = Operation(
    "frontage",
    "Shares the MHW line out among the lots and measures each lot's stretches of it.",
    function="geotrim.ops.frontages:frontage",
    inputs=("lots", "mhw_line"),
    outputs={
        "frontage": (
            "frontage_length_ft",
            "frontage_chord_ft",
            "station_from_ft",
            "station_to_ft",
        ),
        "lots": ("frontage_length_ft", "frontage_chord_ft", "n_stretches", "lot_area_ft2"),
    },
    params=(REACH, SMOOTHING, CORNER),
    caution="A lot boundary and an MHW line are for a licensed surveyor to fix.",
)
RIPARIAN_LINES = Operation(
    "riparian-lines",
    "Proposes the side limits of each lot over the water, by a stated method.",
    function="geotrim.ops.riparian:riparian_lines",
    inputs=("lots", "mhw_line", "channel?", "mouth_line?"),
    after=("frontage",),
    outputs={
        "riparian_lines": ("bearing_deg", "length_ft", "lot_line_angle_deg", "is_crossing"),
        "riparian_areas": ("water_area_ft2",),
    },
    params=(RIPARIAN_METHOD, SMOOTHING, RIPARIAN_LENGTH),
    caution="A proposed allocation by one method; courts follow no single rule.",
)
FRINGE = Operation(
    "fringe",
    "Measures how deep the mangrove fringe is, square to the shore, along each frontage.",
    function="geotrim.ops.fringes:fringe",
    inputs=("lots", "mhw_line", "crowns", "trunks?"),
    after=("frontage", "riparian-lines"),
    outputs={
        "transects": (
            "station_ft",
            "span_ft",
            "fringe_depth_ft",
            "landward_ft",
            "waterward_ft",
            "n_trees",
            "is_over_limit",
        ),
        "fringe": ("fringe_area_ft2", "fringe_length_ft"),
        "fringe_lots": (
            "fringe_depth_max_ft",
            "fringe_depth_mean_ft",
            "fringe_depth_max_station_ft",
            "fringe_over_limit_length_ft",
            "fringe_length_ft",
            "n_fringe_trees",
        ),
        "fringe_crowns": ("station_ft", "offset_ft"),
    },
    params=(SPACING, SWATH, FRINGE_REFERENCE, FRINGE_LIMIT, SEARCH, SMOOTHING),
    caution="Depth runs from trunk to trunk; where trunks were not surveyed it is an estimate.",
)
ZONE = Operation(
    "zone",
    "Draws where trimming may be considered: the fringe inside the limits, less what is set aside.",
    function="geotrim.ops.zones:zone",
    inputs=("lots", "mhw_line", "channel?", "exclusions?", "setbacks?"),
    after=("frontage", "riparian-lines", "fringe"),
    outputs={
        "zone": ("zone_area_ft2", "zone_length_ft", "zone_width_max_ft", "zone_width_mean_ft"),
        "zone_stations": ("station_ft", "zone_width_ft"),
        "zone_taken": ("distance_ft", "taken_area_ft2", "taken_alone_area_ft2"),
    },
    caution="Where trimming may be considered, not where it is allowed.",
)
SETBACKS = Operation(
    "setbacks",
    "Flags each crown and trunk that stands inside a setback, with its margin.",
    function="geotrim.ops.setback_flags:setbacks",
    inputs=("lots", "mhw_line", "crowns", "trunks?", "channel?", "exclusions?", "setbacks?"),
    after=("frontage", "riparian-lines"),
    outputs={
        "setbacks": ("distance_ft", "setback_area_ft2"),
        "setback_flags": (
            "inside_area_frac",
            "setback_margin_ft",
            "trunk_margin_ft",
            "is_past_setback",
            "is_trunk_past_setback",
        ),
    },
    caution="A setback binds what its own source says it binds; read the source.",
)
CALIBRATE = Operation(
    "calibrate",
    "Holds stick readings of tree heights against the raster: bias, RMSE and outliers.",
    function="geotrim.ops.calibrate:calibrate",
    words="geotrim.report.calibration_text:calibration_text",
    inputs=("heights", "readings", "crowns?"),
    outputs={
        "calibration": (
            "n_trees",
            "n_readings",
            "n_not_compared",
            "n_outliers",
            "n_left_out",
            "bias_ft",
            "bias_error_ft",
            "bias_low_ft",
            "bias_high_ft",
            "sd_ft",
            "rmse_ft",
            "mean_absolute_ft",
            "median_ft",
            "reading_error_ft",
            "rmse_with_reading_error_ft",
            "stated_error_ft",
            "trend_frac",
            "trend_low_frac",
            "trend_high_frac",
            "shift_ft",
            "corrected_error_ft",
        ),
        "stick_readings": (
            "height_ft",
            "raster_height_ft",
            "difference_ft",
            "modified_z",
            "is_outlier",
            "is_compared",
        ),
        "calibration_readers": ("n_trees", "bias_ft", "sd_ft", "rmse_ft"),
    },
    params=(READING_RADIUS, MIN_COVERAGE, LEAVE_OUT_OUTLIERS, HEIGHT_CORRECTION),
    caution="What is found here holds for this place and this raster: a correction does not "
    "transfer to another site.",
)
HEIGHTS = Operation(
    "heights",
    "Measures each crown's top, its 99th percentile and its height class, with their error.",
    function="geotrim.ops.canopy:heights",
    inputs=("crowns", "heights"),
    after=("calibrate?",),
    outputs={
        "heights": (
            "top_height_ft",
            "p99_height_ft",
            "mean_height_ft",
            "height_error_ft",
            "nearest_limit_ft",
            "limit_margin_ft",
            "is_too_close",
            "covered_frac",
            "is_partial",
        ),
    },
    params=(HEIGHT_LIMITS, CONFIDENCE, MIN_COVERAGE, HEIGHT_CORRECTION),
    caution="Ground under mangrove reads high, so heights read low: check near a limit by stick.",
)
SLICES = Operation(
    "slices",
    "Measures how much of each crown's canopy lies under, in and over the window band.",
    function="geotrim.ops.canopy:slices",
    inputs=("crowns", "heights", "profiles?"),
    after=("calibrate?",),
    outputs={
        "slices": (
            "crown_base_ft",
            "crown_area_ft2",
            "volume_ft3",
            "volume_under_ft3",
            "volume_band_ft3",
            "volume_over_ft3",
            "share_under_frac",
            "share_band_frac",
            "share_over_frac",
            "target_height_ft",
            "volume_above_target_ft3",
            "share_above_target_frac",
            "covered_frac",
            "is_partial",
        ),
        "slice_bands": ("low_ft", "high_ft", "volume_ft3", "share_frac"),
    },
    params=(
        BAND,
        BREAKS,
        CANOPY_MODEL,
        CROWN_BASE,
        CROWN_BASE_FRAC,
        TARGET_HEIGHT,
        MIN_COVERAGE,
        HEIGHT_CORRECTION,
    ),
    caution="A share of canopy volume under a stated model, not a count of leaves.",
)

ROUTE = Operation(
    "route",
    "Tells which limits a lot meets by which figures, and which way to an authorisation that "
    "leaves open.",
    function="geotrim.ops.route:route",
    inputs=(
        "lots",
        "mhw_line",
        "crowns?",
        "trunks?",
        "trunks_rmse_ft?",
        "mhw_facts?",
        "mhw_origin?",
        "set_aside?",
        "exclusions?",
        "facts?",
        "overlays?",
        "profiles?",
    ),
    after=("frontage", "riparian-lines?", "fringe?", "heights?", "slices?", "calibrate?"),
    outputs={
        "lot_outcomes": (
            "shoreline_length_ft",
            "shoreline_error_ft",
            "shoreline_chord_ft",
            "fringe_depth_ft",
            "fringe_depth_error_ft",
            "n_trees",
            "n_mangroves",
            "n_other_plants",
            "n_species_unknown",
            "n_staged_trees",
        ),
        "lot_routes": (
            "n_open_trees",
            "n_depends_trees",
            "n_closed_trees",
            "n_other_plan_trees",
        ),
        "tree_outcomes": (
            "top_height_ft",
            "height_error_ft",
            "target_height_ft",
            "removed_frac",
            "n_stage_years",
            "is_staged",
        ),
        "findings": ("is_binding", "is_local"),
        "findings_by_rule": ("n_met", "n_not_met", "n_too_close", "n_unknown", "n_not_binding"),
        "readings": ("is_default", "is_changing"),
        "shares": (
            "share_frac",
            "is_binding",
            "planned_share_frac",
            "n_planned_trees",
            "n_counted_trees",
            "n_allowed_trees",
            "counted_length_ft",
            "allowed_length_ft",
            "counted_area_ft2",
            "allowed_area_ft2",
            "n_uncertain_trees",
        ),
        "notices": ("lead_days", "short_days", "is_binding"),
        "checklist": (),
        "questions": ("is_for_outcome", "is_for_route", "n_routes"),
    },
    params=(TARGET_HEIGHT, STAGE_YEARS, CONFIDENCE, UNSTATED_ERROR, *READINGS),
    rules=("state-act", "good-practice"),
    words="geotrim.report.route_text:route_text",
    caution="Open means that no limit in the rule files closes a way by these figures. It is no "
    "permission: the department or the delegated local government decides.",
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
CONSEQUENCE = Operation(
    "consequence",
    "Works out, for planning, when trees cut too low call for restoration and what that takes.",
    function="geotrim.ops.consequences:consequence",
    words="geotrim.report.consequence_text:consequence_text",
    inputs=("crowns?", "overlays?"),
    after=("heights?", "route?"),
    outputs={
        "consequence": (
            "is_triggered",
            "n_trimmed",
            "n_cut_low",
            "n_uncertain_trees",
            "share_cut_low_frac",
            "share_least_frac",
            "share_most_frac",
            "trigger_frac",
            "margin_frac",
            "n_more_to_trigger",
            "lost_area_ft2",
            "created_area_ft2",
            "credit_area_ft2",
            "donation_usd",
            "restoration_years",
        ),
        "cut_low_trees": ("is_cut_low", "top_height_ft", "target_height_ft", "crown_area_ft2"),
        "consequence_rules": ("is_local",),
    },
    params=(N_TRIMMED, N_CUT_LOW, LOST_AREA, TARGET_HEIGHT, CONFIDENCE),
    rules=("state-act",),
    caution="For planning, not as advice. Applicant, permittee, landowner and the person trimming "
    "answer jointly and severally (s. 403.9332(1)(b) F.S.).",
)

#: In the order of a run.
BUILT_IN = (
    FRONTAGE,
    RIPARIAN_LINES,
    FRINGE,
    ZONE,
    SETBACKS,
    CALIBRATE,
    HEIGHTS,
    SLICES,
    ROUTE,
    CONSEQUENCE,
)
OPERATIONS = {operation.name: operation for operation in BUILT_IN}

#: Cautions that travel with every result.
CAUTIONS = (
    "Screening, not a survey and not legal advice. Boundaries and MHW lines are for a licensed "
    "surveyor and mapper.",
    "The state department or the delegated local government decides, and local rules may be "
    "stricter.",
    "No herbicide or other chemical may be used to remove leaves.",
    "Confirm every species in the field. Buttonwood is no mangrove under the state act and is "
    "easily taken for white mangrove: its leaves are alternate, the mangroves' opposite.",
    "Look for active nests before any work.",
    "Keep clear of electric conductors: qualified people only.",
    "Work with saws, from boats or ladders, follows the trade's safety standard (ANSI Z133).",
)


def option_params() -> dict[str, Param]:
    """Every parameter a site file may set, by name."""
    return {param.name: param for operation in BUILT_IN for param in operation.params}
