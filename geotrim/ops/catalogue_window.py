"""The operations about the window, declared: where, what it opens, how many years, how surely."""

from __future__ import annotations

from geotrim.ops.params import (
    BAND,
    CANOPY_MODEL,
    CONFIDENCE,
    CROWN_BASE,
    CROWN_BASE_FRAC,
    READINGS,
    STAGE_YEARS,
    TARGET_HEIGHT,
    UNSTATED_ERROR,
)
from geotrim.ops.registry import Operation, Param

AZIMUTH_STEP = Param(
    "azimuth_step_deg",
    "number",
    0.25,
    "Between two lines of sight from one eye.",
    low=0.01,
    high=5.0,
)
FLAT_EARTH = Param(
    "flat_earth", "flag", False, "Leave out the curvature of the earth and refraction."
)
REFRACTION_PARAM = Param(
    "refraction_frac",
    "number",
    0.13,
    "Share of the curvature that refraction takes back.",
    low=0.0,
    high=0.9,
)
WATER_ELEVATION = Param(
    "water_elevation_ft",
    "number",
    None,
    "Elevation of the water looked at; by default that of the MHW line where known, else 0.",
    low=-100.0,
    high=1000.0,
)
HIDES_FROM = Param(
    "hides_from",
    "choice",
    "crown-base",
    "Where a crown begins to hide the view: at its lowest foliage where that is known, or at the "
    "substrate, as if stems and prop roots were solid.",
    choices=("crown-base", "substrate"),
)
REMOVE_OTHERS = Param(
    "remove_others",
    "flag",
    False,
    "Take the lot's plants that are known to be no mangroves as removed first.",
)
STATION_STEP = Param(
    "station_step_ft",
    "number",
    1.0,
    "Length of a station, the grain of a window's ends.",
    low=0.25,
    high=50.0,
)
SPAN_MIN = Param(
    "span_min_ft", "number", 5.0, "Least length of one span of a window.", low=0.0, high=1000.0
)
SPAN_MAX = Param(
    "span_max_ft",
    "number",
    None,
    "Greatest length of one span.",
    low=0.0,
    high=5000.0,
    is_low_open=True,
)
SPAN_GAP = Param(
    "span_gap_ft", "number", 5.0, "Shore left as it is between two spans.", low=0.0, high=1000.0
)
N_SPANS = Param("n_spans", "whole", 3, "Most spans of a window.", low=1, high=100)
FOLIAGE_BUDGET = Param(
    "foliage_budget_frac",
    "number",
    None,
    "Most of the lot's mangrove foliage the window may take, over all its years.",
    low=0.0,
    high=1.0,
)
TARGET_VIEW = Param(
    "target_view_frac",
    "number",
    None,
    "View that is wanted open; what stands in its way is told.",
    low=0.0,
    high=1.0,
)
LOWER_TO = Param(
    "lower_to_ft",
    "numbers",
    None,
    "Heights a top may be lowered to; by default the least height, the band's high side, and 8, "
    "10, 12, 14, 16 ft, or as far as the years allow.",
    low=0.0,
    high=500.0,
    n_least=1,
    is_any_order=True,
)
FLOOR_MARGIN = Param(
    "floor_margin_ft",
    "number",
    0.5,
    "Kept over the least height after trimming: the floor is a limit, no target.",
    low=0.0,
    high=20.0,
)
SHARE_FROM = Param(
    "share_from_ft",
    "number",
    0.0,
    "Trees from this height up keep the yearly foliage share; 0: every tree, good practice; "
    "16: those the act names.",
    low=0.0,
    high=500.0,
)
SHARE_MARGIN = Param(
    "share_margin_frac",
    "number",
    0.0,
    "Planned under the yearly foliage share: 0.03 plans 22 % where 25 % is the most, for heights "
    "that are not sure.",
    low=0.0,
    high=0.9,
)
LEAST_KEPT = Param(
    "least_kept_frac",
    "number",
    0.1,
    "Least share of its foliage a tree keeps, whatever else binds: more would not be trimming.",
    low=0.0,
    high=1.0,
)
KEEP = Param(
    "keep",
    "text",
    None,
    "Ids of trees to leave as they are, divided by commas.",
    is_list=True,
)
WINDOW_ROUTE = Param(
    "window_route",
    "choice",
    "auto",
    "Whose limits the window keeps; auto takes the way of who supervises.",
    choices=("auto", "owner-exemption", "professional-exemption", "general-permit"),
)
WINDOW_SPANS = Param(
    "window_spans_ft",
    "text",
    None,
    "A window of your own, to be judged: stations such as 43-61,80-95.",
)
WINDOW_TREATMENT = Param(
    "window_treatment",
    "choice",
    "best",
    "What is done in a window of your own: the best choice for each tree within the limits, or "
    "the band cleared of every tree.",
    choices=("best", "clear-band"),
)
FRONTIER_POINTS = Param(
    "frontier_points",
    "whole",
    8,
    "Plans of growing cost to choose from; 0 makes none.",
    low=0,
    high=50,
)
SOLVE_SECONDS = Param(
    "solve_seconds",
    "number",
    60.0,
    "Longest search for one lot, all its plans together; what is not proven best by then is told.",
    low=0.1,
    high=86400.0,
)
REGROWTH = Param(
    "regrowth_frac",
    "number",
    0.0,
    "Share of its standing foliage a tree grows back between two cuts.",
    low=0.0,
    high=5.0,
)
STAGE_LIMIT = Param(
    "stage_limit_years", "whole", 25, "Longest plan that is looked for.", low=1, high=200
)
STAGE_PLAN = Param(
    "stage_plan",
    "choice",
    "auto",
    "What is staged: the window, the planned heights, or the window where there is one.",
    choices=("auto", "window", "target-height"),
)
N_DRAWS = Param(
    "n_draws", "whole", 400, "Times the heights are drawn anew within their error.",
    low=10, high=100_000,
)  # fmt: skip
DRAW_SEED = Param("draw_seed", "whole", 20261126, "Start of the draws.", low=0, high=2**31 - 1)
STICK_ERROR = Param(
    "stick_error_ft",
    "number",
    0.2,
    "Standard error of a height the crew cuts to by a marked stick.",
    low=0.0,
    high=10.0,
)
RISK_LIMIT = Param(
    "risk_frac",
    "number",
    0.05,
    "A tree that breaks a limit in more of the draws than this is to be read by stick first, where "
    "that helps.",
    low=0.0,
    high=1.0,
)

_SIGHT = (HIDES_FROM, AZIMUTH_STEP, FLAT_EARTH, REFRACTION_PARAM, WATER_ELEVATION, REMOVE_OTHERS)
_MODEL = (BAND, CANOPY_MODEL, CROWN_BASE, CROWN_BASE_FRAC)
_BY_NAME = {param.name: param for param in READINGS}

WINDOW = Operation(
    "window",
    "Chooses where along the shore to open a window and what to do to each tree: the most view "
    "for the foliage it costs, within every limit.",
    function="geotrim.ops.window:window",
    words="geotrim.report.window_text:window_text",
    inputs=(
        "lots",
        "mhw_line",
        "crowns",
        "heights",
        "trunks?",
        "eyes?",
        "ground?",
        "mhw_facts?",
        "facts?",
        "profiles?",
        "overlays?",
    ),
    after=(
        "frontage",
        "fringe",
        "zone",
        "setbacks?",
        "heights",
        "route",
        "calibrate?",
    ),
    outputs={
        "window_lots": (
            "n_eyes",
            "view_before_frac",
            "view_after_frac",
            "view_bound_frac",
            "view_centred_frac",
            "n_spans",
            "window_length_ft",
            "n_cut_trees",
            "foliage_removed_ft3",
            "foliage_removed_frac",
            "is_optimal",
            "is_target_met",
            "target_view_frac",
            "view_others_removed_frac",
            "view_best_frac",
            "centred_length_ft",
            "lot_foliage_ft3",
            "least_height_ft",
            "is_way_assumed",
            "is_without_proven",
        ),
        "window_spans": ("station_from_ft", "station_to_ft", "span_length_ft", "n_cut_trees"),
        "window_trees": (
            "station_ft",
            "top_height_ft",
            "cut_low_ft",
            "cut_high_ft",
            "height_after_ft",
            "foliage_ft3",
            "removed_ft3",
            "removed_frac",
            "share_max_frac",
            "is_in_span",
        ),
        "window_limits": ("view_without_frac", "n_trees"),
        "window_frontier": (
            "foliage_removed_ft3",
            "foliage_removed_frac",
            "view_after_frac",
            "view_bound_frac",
            "window_length_ft",
            "n_cut_trees",
            "is_chosen",
            "is_knee",
        ),
    },
    params=(
        *_MODEL,
        STATION_STEP,
        SPAN_MIN,
        SPAN_MAX,
        SPAN_GAP,
        N_SPANS,
        FOLIAGE_BUDGET,
        TARGET_VIEW,
        LOWER_TO,
        FLOOR_MARGIN,
        SHARE_FROM,
        SHARE_MARGIN,
        LEAST_KEPT,
        KEEP,
        STAGE_YEARS,
        REGROWTH,
        WINDOW_ROUTE,
        WINDOW_SPANS,
        WINDOW_TREATMENT,
        FRONTIER_POINTS,
        SOLVE_SECONDS,
        *_SIGHT,
        CONFIDENCE,
        _BY_NAME["foliage_reading"],
        _BY_NAME["share_measure_reading"],
    ),
    rules=("state-act", "good-practice"),
    caution="A plan within the limits it names, no permission; what is seen on site goes first.",
)
SIGHTLINES = Operation(
    "sightlines",
    "Measures how much of the water each eye sees between its near edge and the horizon, now and "
    "after the window.",
    function="geotrim.ops.sightlines:sightlines",
    words="geotrim.report.sight_text:sight_text",
    inputs=("lots", "eyes", "crowns", "heights", "ground?", "mhw_facts?", "profiles?"),
    after=("frontage", "fringe", "zone", "heights", "route?", "calibrate?", "window?"),
    outputs={
        "sight_eyes": (
            "eye_elevation_ft",
            "water_elevation_ft",
            "azimuth_from_deg",
            "azimuth_to_deg",
            "view_deg2",
            "view_now_frac",
            "view_others_removed_frac",
            "view_after_frac",
            "horizon_now_frac",
            "horizon_after_frac",
            "is_at_most",
        ),
        "sight_rays": (
            "azimuth_deg",
            "edge_distance_ft",
            "edge_deg",
            "horizon_deg",
            "open_now_frac",
            "open_after_frac",
            "width_deg",
        ),
        "sight_blocks": ("azimuth_deg", "low_deg", "high_deg", "distance_ft"),
    },
    params=(CANOPY_MODEL, CROWN_BASE, CROWN_BASE_FRAC, *_SIGHT),
    caution="Crowns count as solid; nothing stands in the way but the crowns and the ground given.",
)  # fmt: skip
STAGES = Operation(
    "stages",
    "Spreads the cuts over years: what comes off each tree in each year, by canopy and by leaves.",
    function="geotrim.ops.stages:stages",
    words="geotrim.report.stages_text:stages_text",
    inputs=("crowns", "heights", "profiles?", "facts?", "overlays?"),
    after=("zone?", "heights", "calibrate?", "route?", "window?"),
    outputs={
        "stage_lots": ("n_years", "n_cut_trees", "n_unreachable_trees", "removed_ft3"),
        "stage_trees": (
            "n_standing_years",
            "n_original_years",
            "n_years",
            "removed_frac",
            "leaf_removed_frac",
            "is_reachable",
        ),
        "stage_cuts": (
            "from_ft",
            "to_ft",
            "height_after_ft",
            "removed_of_standing_frac",
            "removed_of_original_frac",
            "leaf_of_standing_frac",
            "standing_frac",
        ),
        "stage_quarters": ("share_frac", "cut_height_ft", "cut_depth_ft"),
    },
    params=(
        *_MODEL,
        TARGET_HEIGHT,
        STAGE_PLAN,
        STAGE_YEARS,
        STAGE_LIMIT,
        REGROWTH,
        FLOOR_MARGIN,
        SHARE_FROM,
        SHARE_MARGIN,
        LEAST_KEPT,
        _BY_NAME["foliage_reading"],
    ),
    rules=("state-act", "good-practice"),
    caution="How deep a quarter of the foliage is depends on the canopy model; it is printed.",
)
RISKS = Operation(
    "risks",
    "Draws the heights anew within their error and counts how often the plan would break a limit.",
    function="geotrim.ops.risks:risks",
    words="geotrim.report.risks_text:risks_text",
    inputs=("crowns", "heights", "profiles?", "facts?", "overlays?"),
    after=("fringe?", "heights?", "calibrate?", "route", "window?", "stages"),
    outputs={
        "risk_limits": ("n_trees", "n_draws", "n_broken_draws", "broken_frac"),
        "risk_trees": (
            "top_height_ft", "height_error_ft", "broken_frac", "is_stick_first", "marks_only_frac",
        ),
    },
    params=(
        *_MODEL, N_DRAWS, DRAW_SEED, STICK_ERROR, RISK_LIMIT, UNSTATED_ERROR, SHARE_FROM,
        _BY_NAME["foliage_reading"],
    ),
    rules=("state-act", "good-practice"),
    caution="Only the error of heights and of the stick is drawn; species and lines are not.",
)  # fmt: skip
