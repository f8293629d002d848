"""What the columns of a screening mean: headings and words, for the page and for a file."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any

from geotrim.rules.rule_file import routes
from geotrim.units import UNIT_HEADINGS, heading, unit_of

#: Headings that are not made of the name.
HEADS = {
    "lot_id": "lot",
    "outcome_route": "way",
    "outcome_standing": "how it stands",
    "outcome_words": "what came out",
    "n_crowns": "trees",
    "n_past_setback": "trees past a setback",
    "tallest_ft": "tallest tree, ft",
    "n_too_close": "tree heights too close to call",
    "n_partial": "trees not wholly on the heights",
    "n_unseen": "trees the heights do not show",
    "n_in_exclusion": "trees in an exclusion",
    "share_band_frac": "foliage share in the band",
    "findings_not_met": "rules not met",
    "findings_too_close": "rules too close to call",
    "findings_unknown": "rules unknown",
    "unmet_duties": "duties not met",
    "fault": "kind of fault",
    "n_mangroves_open": "mangroves with a way open",
    "n_mangroves_depend": "mangroves whose way depends",
    "n_mangroves_other_plan": "mangroves for another plan",
    "n_mangroves_closed": "mangroves without a way",
    "n_open_in_exclusion": "open trees in an exclusion",
    "n_open_past_setback": "open trees past a setback",
    "n_staged_trees": "trees to be cut in stages",
    "n_species_unknown": "trees of unknown species",
}
_SHARED = {
    "lot_id": "id of the lot, as its file has it",
    "lot_number": "row of the lot in its file, counted from 0; tells lots of one id apart",
    "outcome_route": "way that is told: the first that is open, else the one nearest to it; none, "
    "or left-alone where nothing is cut",
    "outcome_standing": "how that way stands: open, depends (on what is not known), other plan "
    "(closed as planned, another plan might open it), closed, not cut; open is no permission",
    "geometry": "the shape, in the reference system of the site (well-known binary)",
    "bbox": "box around the shape, so that readers can skip what lies elsewhere",
    "volume_ft3": "volume of canopy between its base and its top, by the stated model",
    "volume_band_ft3": "volume of canopy in the window band",
    "share_band_frac": "share of the canopy's volume in the window band",
}
LOT_WORDS = {
    "jurisdiction": "jurisdiction the lot lies in, whose local rules are read with the rest; empty "
    "in none",
    "status": "measured, no shore, unfit (its shape or id cannot be used) or failed (broke while "
    "it was measured)",
    "reason": "why it is not measured, or what the measuring had to leave open",
    "fault": "short name of what makes a lot unfit, such as far-away or repeated",
    "stand": "how the lot stands, as the map shows it",
    "stand_words": "why it stands so",
    "lot_area_ft2": "area inside the lot's boundary",
    "frontage_length_ft": "length of shore (mean high water line) that falls to the lot, along it",
    "frontage_chord_ft": "the same straight from end to end of each stretch",
    "n_stretches": "separate stretches of shore that fall to the lot",
    "shoreline_length_ft": "length of shore that the rules are judged by",
    "shoreline_error_ft": "one standard error of that length",
    "fringe_depth_max_ft": "greatest depth of the mangrove fringe, square to the shore",
    "fringe_depth_mean_ft": "mean depth where there is a fringe",
    "fringe_depth_error_ft": "one standard error of the depth that the rules are judged by",
    "fringe_length_ft": "length of shore with mangroves before it",
    "fringe_over_limit_length_ft": "length of shore where the fringe is deeper than the limit",
    "fringe_area_ft2": "area of the fringe before the lot",
    "zone_area_ft2": "area where trimming may be considered, less what is set aside; not where it "
    "is allowed",
    "zone_length_ft": "length of that area along the shore",
    "zone_width_max_ft": "greatest width of that area, square to the shore",
    "n_crowns": "tree crowns on the lot and in the water before it",
    "n_fringe_trees": "crowns that are part of the fringe",
    "n_mangroves": "trees known to be one of the three mangroves of the act",
    "n_other_plants": "trees known to be something else",
    "n_species_unknown": "trees whose species is not recorded",
    "n_past_setback": "trees that reach into a setback, by crown or by trunk",
    "tallest_ft": "height of the tallest tree by the heights raster",
    "height_classes": "how many trees are in which class of height",
    "n_too_close": "trees whose height is too close to a limit to tell the side from the raster",
    "n_partial": "trees that the heights cover in part",
    "n_unseen": "trees of which the heights show nothing",
    "n_in_exclusion": "trees whose centre, or trunk, stands in an exclusion",
    "canopy_area_ft2": "area of the crowns, summed",
    "outcome_words": "what came out, in words",
    "n_mangroves_open": "mangroves the plan cuts, and trees that may be mangroves, with a way open",
    "n_mangroves_depend": "those whose way depends on what is not known",
    "n_mangroves_other_plan": "those closed as planned that another plan might open a way for",
    "n_mangroves_closed": "those without an open way",
    "n_open_in_exclusion": "trees told as open that stand in an exclusion all the same",
    "n_open_past_setback": "trees told as open that reach into a setback all the same",
    "n_staged_trees": "trees whose cut has to be spread over years",
    "findings_not_met": "rules that bear on that way and are not met: id, and trees in brackets",
    "findings_too_close": "such rules whose figure is too close to the limit to call",
    "findings_unknown": "such rules that wait for what is not known",
    "unmet_duties": "what is surely not met as planned though a way is open",
    "to_find_out": "what is not known and would settle what depends",
    "to_check": "what a look at the place would settle, with numbers of trees",
    "note": "what was mended in the lot, and what was told of it while it was measured",
}
CROWN_WORDS = {
    "crown_number": "row of the crown in its file, or of its drafting, counted from 0",
    "crown_id": "id of the crown",
    "lot_number": "row of the lot it stands on, or in whose water; empty on none",
    "lot_id": "id of that lot",
    "species": "species as it was given",
    "stretch_id": "stretch of shore it stands at",
    "station_ft": "place along the shore of the lot, from its first end",
    "offset_ft": "distance from the shore's base line, positive over the water",
    "is_fringe": "whether it is part of the fringe",
    "is_past_setback": "whether its crown or trunk reaches into a setback",
    "is_in_exclusion": "whether its centre, or trunk, stands in an exclusion",
    "top_height_ft": "height of its top by the heights raster",
    "p99_height_ft": "height that 99 % of its cells do not exceed",
    "mean_height_ft": "mean height of its cells",
    "height_class": "class of height its top falls in",
    "height_error_ft": "one standard error of its height",
    "is_too_close": "whether its height is too close to a limit to tell the side from the raster",
    "covered_frac": "share of the crown that the heights cover",
    "is_partial": "whether the heights cover it in part only",
    "crown_area_ft2": "area of the crown's outline",
    "volume_under_ft3": "volume of canopy under the window band",
    "volume_over_ft3": "volume of canopy over the window band",
    "share_under_frac": "share of the canopy's volume under the window band",
    "share_over_frac": "share of the canopy's volume over the window band",
    "target_height_ft": "height it is to be left at, as planned",
    "share_above_target_frac": "share of the canopy's volume over that height",
}
OWN_WORDS = "field of the lots' file, as it is there"


def head_of(name: str) -> str:
    """Heading of a column of ours.

    Examples
    --------
    >>> head_of("tallest_ft"), head_of("route_maintenance"), head_of("zone_area_ft2")
    ('tallest tree, ft', 'maintenance', 'zone area, ft²')
    """
    return HEADS.get(name) or heading(name.removeprefix("route_"))


def lot_words(name: str) -> str | None:
    """What a column of the lots means; None for one that is not ours."""
    ways = {f"route_{key.replace('-', '_')}": table for key, table in routes().items()}
    if name in ways:
        way = ways[name]
        return f"how this way stands for the lot: {way['name']}, {way['section']}"
    return LOT_WORDS.get(name) or _SHARED.get(name)


def crown_words(name: str) -> str | None:
    """What a column of the crowns means; None for one that is not ours."""
    return CROWN_WORDS.get(name) or _SHARED.get(name)


def unit_words(name: str) -> str:
    """Unit of a column, "" for none.

    Examples
    --------
    >>> unit_words("zone_area_ft2"), unit_words("share_band_frac"), unit_words("n_crowns")
    ('ft²', 'share, 0 to 1', 'count')
    """
    unit = unit_of(name)
    if unit is None:
        return "count" if name.startswith("n_") else ""
    return "share, 0 to 1" if unit == "frac" else UNIT_HEADINGS[unit]


def columns_table(lots: Iterable[str], crowns: Iterable[str], own: Iterable[str]) -> Any:
    """All columns of the results with their units and words.

    Parameters
    ----------
    lots, crowns : iterable of str
        Names of the columns.
    own : iterable of str
        Those of the lots that are fields of the input.

    Returns
    -------
    DataFrame
        ``table``, ``column``, ``unit``, ``words``.
    """
    import pandas as pd

    given = set(own)
    rows: list[Mapping[str, str]] = [
        {
            "table": table,
            "column": name,
            "unit": "" if name in given else unit_words(name),
            "words": (OWN_WORDS if name in given else words(name)) or "",
        }
        for table, names, words in (("lots", lots, lot_words), ("crowns", crowns, crown_words))
        for name in names
    ]
    return pd.DataFrame(rows, columns=["table", "column", "unit", "words"])
