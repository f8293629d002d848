"""What each rule must say, typed by hand from the law and the trade, and lots on both its sides.

Numbers, sections and how sure they are come from a sheet of facts compiled from the Florida
Statutes (excerpts of 2023 to 2025) and the state's booklet; ``M-..``, ``P-..`` and ``A-..`` are its
row numbers. Nothing here is read from the rule files.
"""

from __future__ import annotations

import datetime
from dataclasses import dataclass, field
from typing import Any

from cases import GENERAL, INDIVIDUAL, OUTSIDE, A, B, C, D, lot

SOURCE, SECOND_HAND, MEMORY = "read in source", "read second-hand", "from memory"
OWNER, PROFESSIONAL = {"who": "owner"}, {"who": "professional"}
EVERY_TRIM = (A, B, C, D, GENERAL)


@dataclass(frozen=True)
class Edge:
    """One rule: its limit in words, where it comes from, and lots on both sides of the limit.

    lots : (changes of a lot, verdict): just inside, on and just outside; for yes-no: good, bad and
        not known.
    """

    limit: str
    unit: str
    effect: str
    routes: tuple[str, ...]
    section: str
    confidence: str
    lots: tuple[tuple[dict[str, Any], str], ...]
    when: tuple[str, ...] = ()


def value(name, *pairs, **more):
    """Lots that differ in one value."""
    return tuple(({**more, "values": {**more.get("values", {}), name: v}}, w) for v, w in pairs)


def fact(name, *pairs, **more):
    """Lots that differ in one answer."""
    return tuple(({**more, "facts": {**more.get("facts", {}), name: v}}, w) for v, w in pairs)


def option(name, *pairs, **more):
    """Lots that differ in one figure of :func:`cases.lot`."""
    return tuple(({**more, name: v}, word) for v, word in pairs)


def yes(name, **more):
    """A fact that must be so."""
    return fact(name, (True, "met"), (False, "not met"), (None, "unknown"), **more)


def no(name, **more):
    """A fact that must not be so."""
    return fact(name, (False, "met"), (True, "not met"), (None, "unknown"), **more)


def at_most(name, low, on, high, **more):
    return option(name, (low, "met"), (on, "met"), (high, "not met"), **more)


def at_least(name, high, on, low, **more):
    return option(name, (high, "met"), (on, "met"), (low, "not met"), **more)


def days(before, word, start=datetime.date(2026, 11, 10)):
    """A notice so many days before the work."""
    return {"notice_date": start - datetime.timedelta(days=before), "start_date": start}, word


def notices(who, *pairs, **facts):
    told = [days(*pair) for pair in pairs]
    return tuple(({"who": who, "facts": {**dates, **facts}}, word) for dates, word in told)


def dates(name, *pairs, **more):
    """Lots that differ in one date, given as year, month, day."""
    told = [(None if day is None else datetime.date(*day), word) for day, word in pairs]
    return fact(name, *told, **more)


FLOOR_6 = (6.01, 6.0, 5.99)  # M-22, M-27, M-52: 6.00 passes, 5.99 fails
#: A tree of 16 ft, of whose foliage so much is taken in one year; M-28: at most 25 %.
QUARTER = ((0.2499, "met"), (0.25, "met"), (0.2501, "not met"))
#: Work by a professional on tall trees, with proof of an earlier height of 4 ft.
TALL = {"who": "professional", "height_ft": 16.0, "target_ft": 12.0}
#: M-29: 10 days; 9 days flag, 10 pass.
TEN_DAYS = ((11, "met"), (10, "met"), (9, "not met"))
FIRST_REDS = {"is_first_red_trim": True}
BY_PROFESSIONAL = (
    ({"who": "professional"}, "met"),
    ({"who": "owner"}, "not met"),
    ({"who": None}, "unknown"),
)
RED_FIRST_TIME = ("yes", "yes")

#: Rule -> what it must say. The comment names the row of the sheet it is typed from.
EDGES: dict[str, Edge] = {
    # M-01: exactly three species; a buttonwood is not a mangrove under the act
    "species-of-the-act": Edge(
        "yes",
        "yes-no",
        "condition",
        (A, B, C, D, GENERAL, INDIVIDUAL),
        "s. 403.9325(3) F.S.",
        SOURCE,
        option("species", ("black", "met"), ("buttonwood", "not met"), (None, "unknown")),
    ),
    # M-01, D-18
    "not-of-the-act": Edge(
        "no",
        "yes-no",
        "condition",
        (OUTSIDE,),
        "s. 403.9325(3) F.S.",
        SOURCE,
        option("species", ("buttonwood", "met"), ("white", "not met"), (None, "unknown")),
    ),
    # M-06: 50.00 passes, 50.01 fails. Maintenance: "as established" (1.6), so not bound
    "fringe-depth": Edge(
        "at most 50 ft",
        "ft",
        "condition",
        (A, B, C),
        "s. 403.9325(7) F.S.",
        SECOND_HAND,
        at_most("depth_ft", 49.99, 50.0, 50.01),
    ),
    # M-09: each flag alone turns every riparian exemption off
    "island": Edge(
        "no",
        "yes-no",
        "condition",
        (A, B, C, D),
        "s. 403.9325(7) F.S.",
        SECOND_HAND,
        no("is_uninhabited_island"),
    ),
    # M-09, M-10
    "conservation-land": Edge(
        "no",
        "yes-no",
        "condition",
        (A, B, C, D),
        "s. 403.9325(6), (7) F.S.",
        SECOND_HAND,
        no("is_conservation_land"),
    ),
    # M-09, M-11; the papers of this lot do not provide for trimming
    "mitigation-land": Edge(
        "no",
        "yes-no",
        "condition",
        (A, B, C, D),
        "s. 403.9325(4), (7) F.S.",
        SECOND_HAND,
        no("is_mitigation_land"),
    ),
    # M-12: the intent section; a permit is for the authority to weigh
    "set-aside-intent": Edge(
        "no",
        "yes-no",
        "check",
        (GENERAL, INDIVIDUAL),
        "s. 403.9323(2) F.S.",
        SOURCE,
        no("is_conservation_land", who="professional"),
    ),
    # M-60: exemptions
    "no-chemicals": Edge(
        "no",
        "yes-no",
        "condition",
        (A, B, C, D),
        "s. 403.9326(1) F.S.",
        SOURCE,
        no("uses_herbicide"),
    ),
    # M-60: both permits
    "no-chemicals-permit": Edge(
        "no",
        "yes-no",
        "condition",
        (GENERAL, INDIVIDUAL),
        "ss. 403.9327, 403.9328 F.S.",
        MEMORY,
        no("uses_herbicide", who="professional"),
    ),
    # M-04: taking 100 % of the foliage is no trimming at any height; a cut at the lowest foliage,
    # here at 3 ft, takes all of it
    "trim-leaves-foliage": Edge(
        "over 0 ft",
        "ft",
        "condition",
        EVERY_TRIM,
        "s. 403.9325(8) F.S.",
        SECOND_HAND,
        value("base_height_ft", (7.49, "met"), (7.5, "not met"), (None, "unknown")),
    ),
    # M-20, M-25
    "land-controlled": Edge(
        "yes",
        "yes-no",
        "condition",
        (A, B),
        "s. 403.9326(1)(a)1, (1)(b)1 F.S.",
        SOURCE,
        yes("controls_land"),
    ),
    # M-20, M-25: clipped to lines square to the shore at the lot's ends; a trunk on the line is in
    "inside-limits": Edge(
        "at least 0 ft",
        "ft",
        "condition",
        (A, B),
        "s. 403.9326(1)(a)1, (1)(b)1 F.S.",
        SOURCE,
        value("trunk_margin_ft", (0.01, "met"), (0.0, "met"), (-0.01, "not met")),
    ),
    # the same for the other ways; nobody has read that it holds there
    "inside-limits-otherwise": Edge(
        "at least 0 ft",
        "ft",
        "condition",
        (C, D, GENERAL),
        "ss. 403.9326(1)(c), (d), 403.9327 F.S.",
        MEMORY,
        value("trunk_margin_ft", (0.01, "met"), (0.0, "met"), (-0.01, "not met")),
    ),
    # M-20
    "owner-supervises": Edge(
        "yes",
        "yes-no",
        "condition",
        (A,),
        "s. 403.9326(1)(a)1 F.S.",
        SOURCE,
        option("who", ("owner", "met"), ("professional", "not met"), (None, "unknown")),
    ),
    # M-21: 10.00 passes, 10.01 fails
    "owner-height-before": Edge(
        "at most 10 ft",
        "ft",
        "condition",
        (A,),
        "s. 403.9326(1)(a)2 F.S.",
        SOURCE,
        at_most("height_ft", 9.99, 10.0, 10.01),
    ),
    # M-22
    "owner-height-after": Edge(
        "at least 6 ft",
        "ft",
        "condition",
        (A,),
        "s. 403.9326(1)(a)2 F.S.",
        SOURCE,
        at_least("target_ft", *FLOOR_6),
    ),
    # M-23: over 150 ft 65 %
    "owner-share": Edge(
        "at most 65 %",
        "frac",
        "share",
        (A,),
        "s. 403.9326(1)(a) F.S., closing sentences",
        SOURCE,
        value(
            "share_of_trees_frac",
            (0.6499, "met"),
            (0.65, "met"),
            (0.6501, "not met"),
            shore_ft=200.0,
        ),
        ("over 150 ft",),
    ),
    # M-24
    "professional-supervises": Edge(
        "yes",
        "yes-no",
        "condition",
        (B,),
        "s. 403.9326(1)(b) F.S.",
        SOURCE,
        BY_PROFESSIONAL,
    ),
    # M-26: 24.00 passes, 24.01 fails
    "professional-height-before": Edge(
        "at most 24 ft",
        "ft",
        "condition",
        (B,),
        "s. 403.9326(1)(b)2 F.S.",
        SOURCE,
        at_most("height_ft", 23.99, 24.0, 24.01, who="professional", target_ft=20.0),
    ),
    # M-27
    "professional-height-after": Edge(
        "at least 6 ft",
        "ft",
        "condition",
        (B,),
        "s. 403.9326(1)(b)2 F.S.",
        SOURCE,
        at_least("target_ft", *FLOOR_6, who="professional"),
    ),
    # M-28: 25 % of the foliage a year from 16 ft up
    "professional-stages": Edge(
        "at most 25 %",
        "frac",
        "stages",
        (B,),
        "s. 403.9326(1)(b)3 F.S.",
        SOURCE,
        value("foliage_removed_frac", *QUARTER, **TALL),
        ("at least 16 ft",),
    ),
    # M-29
    "professional-red-notice": Edge(
        "at least 10 days",
        "days",
        "notice",
        (B,),
        "s. 403.9326(1)(b)4 F.S.",
        SECOND_HAND,
        notices("professional", *TEN_DAYS, **FIRST_REDS),
        RED_FIRST_TIME,
    ),
    # M-30, A-01
    "professional-share": Edge(
        "at most 65 %",
        "frac",
        "share",
        (B,),
        "s. 403.9326(1)(b) F.S., closing sentences",
        MEMORY,
        value(
            "share_of_length_frac",
            (0.6499, "met"),
            (0.65, "met"),
            (0.6501, "not met"),
            shore_ft=200.0,
            who="professional",
        ),
        ("over 150 ft",),
    ),
    # M-32
    "earlier-proof": Edge(
        "yes",
        "yes-no",
        "condition",
        (C,),
        "s. 403.9326(1)(c) F.S.",
        MEMORY,
        fact("earlier_proof", ("affidavit", "met"), ("none", "not met"), (None, "unknown")),
    ),
    # M-31: 24 ft from memory
    "earlier-height-before": Edge(
        "at most 24 ft",
        "ft",
        "condition",
        (C,),
        "s. 403.9326(1)(c) F.S.",
        MEMORY,
        at_most("height_ft", 23.99, 24.0, 24.01, who="professional", target_ft=20.0),
    ),
    # M-35: a documented 4 ft hedge is no violation of the floor
    "earlier-height-after": Edge(
        "at least 0 ft",
        "ft",
        "condition",
        (C,),
        "s. 403.9326(1)(c) F.S.",
        SECOND_HAND,
        at_least("target_ft", 4.01, 4.0, 3.99),
    ),
    # M-33: a professional over 10 ft
    "earlier-professional": Edge(
        "yes",
        "yes-no",
        "condition",
        (C,),
        "s. 403.9326(1)(c) F.S.",
        SECOND_HAND,
        tuple(({**who, "height_ft": 12.0}, word) for who, word in BY_PROFESSIONAL),
        ("over 10 ft",),
    ),
    # table of who is bound by what (1.6): a cautious default, text not seen
    "earlier-stages": Edge(
        "at most 25 %",
        "frac",
        "stages",
        (C,),
        "s. 403.9326(1)(c) F.S.",
        MEMORY,
        value("foliage_removed_frac", *QUARTER, **TALL, facts={"controls_land": False}),
        ("at least 16 ft",),
    ),
    # M-33: notice from memory
    "earlier-red-notice": Edge(
        "at least 10 days",
        "days",
        "notice",
        (C,),
        "s. 403.9326(1)(c) F.S.",
        MEMORY,
        notices("owner", *TEN_DAYS, **FIRST_REDS),
        RED_FIRST_TIME,
    ),
    # M-34
    "maintenance-proof": Edge(
        "yes",
        "yes-no",
        "condition",
        (D,),
        "s. 403.9326(1)(d) F.S.",
        MEMORY,
        yes("was_lawfully_trimmed"),
    ),
    # M-34: not beyond the height previously established; partly read second-hand, rest from memory
    "maintenance-height-after": Edge(
        "at least 0 ft",
        "ft",
        "condition",
        (D,),
        "s. 403.9326(1)(d) F.S.",
        MEMORY,
        at_least("target_ft", 4.01, 4.0, 3.99),
    ),
    # M-34: a professional above 10 ft
    "maintenance-professional": Edge(
        "yes",
        "yes-no",
        "condition",
        (D,),
        "s. 403.9326(1)(d) F.S.",
        MEMORY,
        tuple(({**who, "height_ft": 12.0}, word) for who, word in BY_PROFESSIONAL),
        ("over 10 ft",),
    ),
    # M-50: 500.00 passes, 500.01 goes to an individual permit
    "permit-distance": Edge(
        "at most 500 ft",
        "ft",
        "condition",
        (GENERAL,),
        "s. 403.9327(1)(a) F.S.",
        SECOND_HAND,
        at_most("depth_ft", 499.99, 500.0, 500.01, who="professional"),
    ),
    # M-53
    "permit-professional": Edge(
        "yes",
        "yes-no",
        "condition",
        (GENERAL,),
        "s. 403.9327(1)(a) F.S.",
        MEMORY,
        BY_PROFESSIONAL,
    ),
    # M-52
    "permit-height-after": Edge(
        "at least 6 ft",
        "ft",
        "condition",
        (GENERAL,),
        "s. 403.9327(1)(a) F.S.",
        SECOND_HAND,
        at_least("target_ft", *FLOOR_6, who="professional"),
    ),
    # M-51
    "permit-share": Edge(
        "at most 65 %",
        "frac",
        "share",
        (GENERAL,),
        "s. 403.9327(1)(a) F.S.",
        SECOND_HAND,
        value("permit_share_frac", (0.6499, "met"), (0.65, "met"), (0.6501, "not met")),
    ),
    # M-51: counted among mangroves taller than 6 ft
    "permit-share-counted": Edge(
        "over 6 ft",
        "ft",
        "told",
        (GENERAL,),
        "s. 403.9327(1)(a) F.S.",
        SECOND_HAND,
        option("height_ft", (6.01, "met"), (6.0, "not met"), (5.99, "not met"), target_ft=5.0),
    ),
    # M-54: department and trade apply it; paragraph not seen
    "permit-stages": Edge(
        "at most 25 %",
        "frac",
        "stages",
        (GENERAL,),
        "s. 403.9327 F.S.",
        MEMORY,
        value(
            "foliage_removed_frac",
            *QUARTER,
            **{**TALL, "depth_ft": 60.0, "facts": {"was_lawfully_trimmed": False}},
        ),
        ("at least 16 ft",),
    ),
    # M-59: decision in 30 days, from memory
    "permit-decision": Edge(
        "at least 30 days",
        "days",
        "notice",
        (GENERAL,),
        "s. 403.9327(3), (4) F.S.",
        MEMORY,
        notices("professional", (31, "met"), (30, "met"), (29, "not met")),
    ),
    # M-14: told, never decided
    "multifamily": Edge(
        "no",
        "yes-no",
        "told",
        (A, B),
        "s. 403.9323(5) F.S.",
        SOURCE,
        no("is_multifamily"),
    ),
    # M-36: 3.0 passes
    "surveyor-swath": Edge(
        "at most 3 ft",
        "ft",
        "told",
        (),
        "s. 403.9326(1)(e) F.S.",
        MEMORY,
        value("survey_swath_ft", (2.99, "met"), (3.0, "met"), (3.01, "not met")),
    ),
    # M-80: 1 of 20 is reached, 1 of 21 is not
    "restoration-trigger": Edge(
        "at least 5 %",
        "frac",
        "consequence",
        (),
        "s. 403.9332(1)(a) F.S.",
        SOURCE,
        value("cut_low_frac", (3 / 59, "met"), (1 / 20, "met"), (1 / 21, "not met")),
    ),
    # M-82: 2:1 by canopy area
    "restoration-ratio": Edge(
        "at least 2 to 1",
        "ratio",
        "consequence",
        (),
        "s. 403.9332(1)(a) F.S.",
        SOURCE,
        value("created_ratio", (2.01, "met"), (2.0, "met"), (1.99, "not met")),
    ),
    # M-82: at least $4 a square foot created
    "restoration-price": Edge(
        "at least $4 per sq ft",
        "usd-per-ft2",
        "consequence",
        (),
        "s. 403.9332(1)(a) F.S.",
        SOURCE,
        value("donation_usd_per_ft2", (4.01, "met"), (4.0, "met"), (3.99, "not met")),
    ),
    # M-81: within 5 years
    "restoration-years": Edge(
        "at most 5 years",
        "years",
        "consequence",
        (),
        "s. 403.9332(1)(a) F.S.",
        SOURCE,
        value("restoration_years", (4.99, "met"), (5.0, "met"), (5.01, "not met")),
    ),
    # P-01, A-07: a quarter in a season at any height
    "quarter-a-year": Edge(
        "at most 25 %",
        "frac",
        "warning",
        EVERY_TRIM,
        "ANSI A300-1995, 5.3.1, as others quote it; later editions were not read for the number",
        SECOND_HAND,
        value("foliage_removed_frac", *QUARTER),
    ),
    # P-12: a red is not cut under its lowest foliage
    "red-not-below-foliage": Edge(
        "at least 0 ft",
        "ft",
        "warning",
        EVERY_TRIM,
        "state guidelines for homeowners, species pages; a city's mangrove page",
        SECOND_HAND,
        value("base_height_ft", (7.49, "met"), (7.5, "met"), (7.51, "not met"), target_ft=7.5),
        ("yes",),
    ),
    # P-13: 6 ft is a floor, not a target
    "floor-is-no-target": Edge(
        "over 6 ft",
        "ft",
        "warning",
        EVERY_TRIM,
        "contractors' and cities' pages",
        SECOND_HAND,
        option("target_ft", (6.01, "met"), (6.0, "not met"), (5.99, "not met")),
    ),
    # P-08: October to March
    "season": Edge(
        "at most 0 days",
        "days",
        "warning",
        EVERY_TRIM,
        "state guidelines for homeowners, Timing",
        SOURCE,
        dates(
            "start_date",
            ((2026, 10, 1), "met"),
            ((2027, 3, 31), "met"),
            ((2027, 4, 1), "not met"),
            ((2026, 9, 30), "not met"),
            (None, "unknown"),
        ),
    ),
    # P-08: six months after a freeze; the start is on 10 November
    "after-a-freeze": Edge(
        "at least 6 months",
        "months",
        "warning",
        EVERY_TRIM,
        "state guidelines for homeowners, Timing",
        SOURCE,
        dates(
            "last_freeze_date",
            ((2026, 5, 9), "met"),
            ((2026, 5, 10), "met"),
            ((2026, 5, 11), "not met"),
            (None, "unknown"),
        ),
    ),
    # P-17: caution from February to September
    "nesting": Edge(
        "no",
        "yes-no",
        "warning",
        EVERY_TRIM,
        "16 U.S.C. 703; rules 68A-16.001, 68A-27.003 F.A.C.; nesting dates: wildlife commission "
        "reminder",
        SECOND_HAND,
        dates(
            "start_date",
            ((2027, 1, 31), "met"),
            ((2027, 2, 1), "not met"),
            ((2026, 9, 30), "not met"),
            ((2026, 10, 1), "met"),
            (None, "unknown"),
        ),
    ),
}


@dataclass(frozen=True)
class Binding:
    """A rule that binds only under a condition: a lot that breaks its limit, on both sides of it.

    lots : (changes, whether it binds, verdict).
    """

    lots: tuple[tuple[dict[str, Any], str, str], ...]
    breaks: dict[str, Any] = field(default_factory=dict)


def over(feet, name, breaks, is_on=False):
    """A condition on a length: not just under it, on it only where the edge belongs to it."""
    on = ("met", "not met") if is_on else ("not met", "met")
    return Binding(
        (
            ({name: round(feet - 0.01, 2)}, "not met", "met"),
            ({name: feet}, *on),
            ({name: round(feet + 0.01, 2)}, "met", "not met"),
        ),
        breaks,
    )


HALF = {"values": {"foliage_removed_frac": 0.5}, "target_ft": 8.0, "who": "professional"}
ALL_OF_IT = {"values": {"share_of_area_frac": 1.0}}
LATE = {"facts": {"notice_date": datetime.date(2026, 11, 9), "is_first_red_trim": True}}
NOT_FIRST = {"facts": {"notice_date": datetime.date(2026, 11, 9), "is_first_red_trim": False}}
FIRST_UNKNOWN = {"facts": {"notice_date": datetime.date(2026, 11, 9), "is_first_red_trim": None}}
RED_NOTICE = Binding(
    (
        ({**LATE, "species": "red"}, "met", "not met"),
        ({**LATE, "species": "black"}, "not met", "met"),  # M-29: no reds, not required
        ({**LATE, "species": None}, "unknown", "unknown"),
        ({**NOT_FIRST, "species": "red"}, "not met", "met"),
        ({**FIRST_UNKNOWN, "species": "red"}, "unknown", "unknown"),
    ),
    {"who": "professional"},
)

#: Rule -> where it begins to bind.
BINDINGS: dict[str, Binding] = {
    "owner-share": over(150.0, "shore_ft", ALL_OF_IT),  # M-23
    "professional-share": over(150.0, "shore_ft", {**ALL_OF_IT, **PROFESSIONAL}),
    "professional-stages": over(16.0, "height_ft", HALF, is_on=True),  # M-28: 15.99, 16.00
    "earlier-stages": over(16.0, "height_ft", HALF, is_on=True),
    "permit-stages": over(16.0, "height_ft", HALF, is_on=True),  # M-54
    "earlier-professional": over(10.0, "height_ft", OWNER),  # M-33
    "maintenance-professional": over(10.0, "height_ft", OWNER),  # M-34
    "professional-red-notice": RED_NOTICE,  # M-29
    "earlier-red-notice": RED_NOTICE,  # M-33
    "red-not-below-foliage": Binding(  # P-12: black and white sprout again
        (
            ({"species": "red"}, "met", "not met"),
            ({"species": "white"}, "not met", "met"),
            ({"species": None}, "unknown", "unknown"),
        ),
        {"values": {"base_height_ft": 8.0}},
    ),
}


def scenarios():
    """Every lot of the tables above by a name, for tests that look at all of them."""
    for rule, edge in EDGES.items():
        for changes, word in edge.lots:
            yield f"{rule} {word} {changes}", lot(**changes)
    for rule, binding in BINDINGS.items():
        for changes, binds, _ in binding.lots:
            yield f"{rule} binds {binds} {changes}", lot(**{**binding.breaks, **changes})
