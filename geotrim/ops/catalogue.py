"""Every operation geotrim brings, declared once.

The command line, the README's table, the record and later faces are made from this list.
"""

from __future__ import annotations

from geotrim.ops.catalogue_sections import SECTIONS
from geotrim.ops.catalogue_window import RISKS, SIGHTLINES, STAGES, WINDOW
from geotrim.ops.params import (
    BAND,
    BREAKS,
    CANOPY_MODEL,
    CONFIDENCE,
    CORNER,
    CROWN_BASE,
    CROWN_BASE_FRAC,
    FRINGE_LIMIT,
    FRINGE_REFERENCE,
    HEIGHT_CORRECTION,
    HEIGHT_LIMITS,
    LEAVE_OUT_OUTLIERS,
    LOST_AREA,
    MIN_COVERAGE,
    N_CUT_LOW,
    N_TRIMMED,
    REACH,
    READING_RADIUS,
    READINGS,
    RIPARIAN_LENGTH,
    RIPARIAN_METHOD,
    SEARCH,
    SMOOTHING,
    SPACING,
    STAGE_YEARS,
    SWATH,
    TARGET_HEIGHT,
    UNSTATED_ERROR,
)
from geotrim.ops.registry import Operation, Param

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
        "neighbour_frontage": (
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
    WINDOW,
    SIGHTLINES,
    STAGES,
    RISKS,
    SECTIONS,
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
