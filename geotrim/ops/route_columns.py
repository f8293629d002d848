"""Columns of the tables of the operation ``route``."""

from __future__ import annotations

from geotrim.rules.rule_file import routes

COLUMNS = {
    "lot_outcomes": (
        "lot_id", "outcome_route", "outcome_standing", "outcome_words", "n_trees", "n_mangroves",
        "n_other_plants", "n_species_unknown", "shoreline_length_ft", "shoreline_error_ft",
        "shoreline_chord_ft", "fringe_depth_ft", "fringe_depth_error_ft", "n_staged_trees",
        "reason",
    ),
    "lot_routes": (
        "lot_id", "route", "route_name", "status", "n_open_trees", "n_depends_trees",
        "n_closed_trees", "n_other_plan_trees", "decided_by", "settle", "other_plan", "section",
    ),
    "tree_outcomes": (
        "lot_id", "crown_id", "species", "is_mangrove", "top_height_ft", "height_error_ft",
        "height_source", "target_height_ft", "outcome_route", "outcome_standing",
        *(name.replace("-", "_") for name in routes()), "removed_frac", "n_stage_years",
        "is_staged", "settle",
    ),
    "findings": (
        "lot_id", "crown_id", "rule_id", "measure", "value", "standard_error", "unit", "limit",
        "verdict", "margin", "is_binding", "effect", "routes", "words", "section", "confidence",
        "settle", "is_local",
    ),
    "findings_by_rule": (
        "lot_id", "rule_id", "effect", "routes", "words", "limit", "section", "confidence",
        "is_local", "n_met", "n_not_met", "n_too_close", "n_unknown", "n_not_binding",
        "value_low", "value_high", "unit", "least_margin", "settle",
    ),
    "readings": (
        "lot_id", "setting", "ambiguity", "question", "used", "used_words", "is_default", "other",
        "other_words", "is_changing", "changes",
    ),
    "shares": (
        "lot_id", "route", "rule_id", "share_frac", "is_binding", "verdict",
        "planned_share_frac", "n_planned_trees", "n_counted_trees", "n_allowed_trees",
        "counted_length_ft", "allowed_length_ft", "counted_area_ft2", "allowed_area_ft2",
        "n_uncertain_trees", "words", "section", "confidence",
    ),
    "notices": (
        "lot_id", "route", "rule_id", "words", "lead_days", "notice_date", "start_date", "due",
        "short_days", "verdict", "is_binding", "section", "confidence",
    ),
    "checklist": (
        "lot_id", "item", "words", "verification", "general_permit", "individual_permit",
        "filled", "source", "confidence",
    ),
    "questions": (
        "lot_id", "fact", "question", "settle", "is_for_outcome", "is_for_route", "n_routes",
    ),
}  # fmt: skip
