"""Random inputs with names, shared by the property tests."""

from __future__ import annotations

import datetime
import re
from dataclasses import replace

import numpy as np
import shapely
from cases import lot
from hypothesis import assume
from hypothesis import strategies as st

from geotrim.rules.case import Measured
from geotrim.rules.readings import Readings, questions
from geotrim.rules.rule_file import built_in, routes


def numbers(low: float, high: float) -> st.SearchStrategy[float]:
    """Finite numbers on a grid of thousandths, so that failures can be read."""
    return st.integers(round(low * 1000), round(high * 1000)).map(lambda i: i / 1000)


@st.composite
def stars(draw, low=-3.0, high=12.0, most=7.0):
    """A ring around a centre, as irregular as a crown drawn by hand; valid, often not convex."""
    n = draw(st.integers(3, 12))
    x, y = draw(numbers(low, high)), draw(numbers(low, high))
    reach = np.array(draw(st.lists(numbers(0.3, most), min_size=n, max_size=n)))
    turn = 2 * np.pi * (np.arange(n) + draw(numbers(0.0, 1.0))) / n
    ring = shapely.Polygon(np.column_stack([x + reach * np.cos(turn), y + reach * np.sin(turn)]))
    assume(ring.is_valid and ring.area > 0.01)
    return ring


@st.composite
def crowns(draw, low=-3.0, high=12.0):
    """A valid polygon or multipolygon, often with holes, its rings running either way."""
    shape = draw(stars(low, high))
    for _ in range(draw(st.integers(0, 2))):
        shape = shapely.difference(shape, draw(stars(low, high, most=3.0)))
    if draw(st.booleans()):
        shape = shapely.union(shape, draw(stars(low, high, most=3.0)))
    parts = [part for part in shapely.get_parts(shape) if part.geom_type == "Polygon"]
    parts = [part for part in parts if part.area > 1e-6]
    assume(parts)
    shape = parts[0] if len(parts) == 1 else shapely.MultiPolygon(parts)
    assume(shape.is_valid)
    return shapely.reverse(shape) if draw(st.booleans()) else shape


@st.composite
def transforms(draw):
    """A grid laid any way: north-up, south-up, turned, with cells of any two sides."""
    turn = draw(st.sampled_from([0.0, 0.3, 1.2, np.pi / 2, 2.5, 4.0]))
    wide, high = draw(numbers(0.4, 2.5)), draw(numbers(0.4, 2.5))
    flip = draw(st.sampled_from([-1.0, 1.0]))
    west, north = draw(numbers(-2.0, 2.0)), draw(numbers(-2.0, 12.0))
    cos, sin = np.cos(turn), np.sin(turn)
    return (wide * cos, -flip * high * sin, west, wide * sin, flip * high * cos, north)


@st.composite
def height_grids(draw, rows=9, cols=11, has_gaps=True):
    """Heights of -2 to 60, ties among them; some NaN or infinite when gaps are wanted."""
    seed = draw(st.integers(0, 2**32 - 1))
    rng = np.random.default_rng(seed)
    heights = np.round(rng.uniform(-2.0, 60.0, (rows, cols)), draw(st.integers(0, 3)))
    if has_gaps:
        heights[rng.random((rows, cols)) < draw(st.sampled_from([0.0, 0.2]))] = np.nan
        if draw(st.booleans()):
            heights[rng.integers(rows), rng.integers(cols)] = np.inf
    return heights


def breaks_to(top: float) -> st.SearchStrategy[list[float]]:
    """Rising heights from 0 up to ``top``, with any others between."""
    inner = st.lists(numbers(0.001, top - 0.001), max_size=6, unique=True)
    return inner.map(lambda values: [0.0, *sorted(values), top])


def errors_of_values() -> st.SearchStrategy[float]:
    """Standard errors as they come: none, not stated, small, great."""
    return st.sampled_from([0.0, float("nan"), 0.01, 0.1, 0.5, 2.0, 20.0])


@st.composite
def cut_low_counts(draw, most=3000):
    """Trees trimmed, at least one, and how many of them were cut too low; often near 5 %."""
    n_trimmed = draw(st.integers(1, most))
    edge = n_trimmed // 20
    near = st.integers(max(edge - 2, 0), min(edge + 2, n_trimmed))
    return n_trimmed, draw(st.one_of(near, st.integers(0, n_trimmed)))


@st.composite
def half_known_trees(draw):
    """Up to five trees: trimmed or not, low or not, each 1, 0 or unknown (NaN)."""
    one = st.sampled_from([1.0, 0.0, float("nan")])
    n = draw(st.integers(1, 5))
    return tuple(np.array(draw(st.lists(one, min_size=n, max_size=n))) for _ in range(2))


@st.composite
def half_known_plans(draw):
    """Up to six trees with a height to be left and a species, either of them not known at times."""
    n = draw(st.integers(1, 6))
    heights = st.sampled_from([4.0, 5.99, 6.0, 8.0, float("nan")])
    kinds = st.sampled_from(["red mangrove", "buttonwood", None])
    return [draw(st.lists(one, min_size=n, max_size=n)) for one in (heights, kinds)]


NAN = float("nan")
#: Values near the limits of the rules, on both sides, and unknown.
HEIGHTS_FT = (5.0, 5.99, 6.0, 9.0, 9.9, 10.0, 10.5, 12.0, 15.9, 16.0, 18.0, 24.0, 24.5, 30.0, NAN)
TARGETS_FT = (3.0, 4.0, 5.9, 6.0, 6.5, 8.0, 12.0, 20.0, NAN)
#: Fact -> answers to try; None is no answer. The first is the one that stands in nobody's way.
ANSWERS: dict[str, tuple[object, ...]] = {
    "supervisor": ("owner", "professional", None),
    "professional_credential": ("certified-arborist", "none", None),
    "controls_land": (True, False, None),
    "is_uninhabited_island": (False, True, None),
    "is_public_land": (False, True, None),
    "is_conservation_land": (False, True, None),
    "is_mitigation_land": (False, True, None),
    "mitigation_provides_trimming": (False, True, None),
    "uses_herbicide": (False, True, None),
    "is_first_red_trim": (False, True, None),
    "earlier_proof": ("photographs", "none", None),
    "earlier_height_ft": (4.0, 6.0, 2.0, None),
    "was_lawfully_trimmed": (True, False, None),
    "is_multifamily": (False, True, None),
    "notice_date": (datetime.date(2026, 9, 1), datetime.date(2026, 11, 5), None),
    "start_date": (datetime.date(2026, 11, 10), datetime.date(2027, 4, 1), None),
    "last_freeze_date": (datetime.date(2026, 1, 20), datetime.date(2026, 12, 20), None),
}


#: (value, what it may be instead of harmless): one a tree, then one a lot.
TREE_VALUES = {
    "raster_height_ft": HEIGHTS_FT,
    "field_height_ft": HEIGHTS_FT,
    "target_height_ft": TARGETS_FT,
    "is_mangrove": (0.0, NAN),
    "is_red": (0.0, NAN),
    "foliage_removed_frac": (0.0, 0.25, 0.4, 1.0, NAN),
    "trunk_margin_ft": (0.0, 0.5, -0.5, -10.0, NAN),
    "crown_margin_ft": (0.0, -5.0, NAN),
    "from_innermost_ft": (0.0, 499.5, 500.0, 501.0, NAN),
    "depth_station_ft": (30.0, 50.5, NAN),
    "base_height_ft": (0.0, 7.0, NAN),
    "in_conservation": (0.0, 1.0, NAN),
    "in_mitigation": (0.0, 1.0, NAN),
    "in_island": (0.0, 1.0, NAN),
    "in_public_island": (0.0, 1.0, NAN),
}
LOT_VALUES = {
    "depth_greatest_ft": (49.5, 50.0, 50.01, 501.0, NAN),
    "depth_local_greatest_ft": (38.0, 52.0, NAN),
    "shoreline_along_ft": (149.5, 150.0, 151.0, 300.0, NAN),
    "shoreline_chord_ft": (149.5, 300.0, NAN),
    "share_of_trees_frac": (0.65, 0.9, NAN),
    "permit_share_frac": (0.65, 0.9, NAN),
}
_TREE_CHANGES = [(name, value) for name, some in TREE_VALUES.items() for value in some]
_LOT_CHANGES = [(name, value) for name, some in LOT_VALUES.items() for value in some]
_FACT_CHANGES = [(key, answer) for key, some in ANSWERS.items() for answer in some[1:]]
_WITH_ERROR = sorted(name for name in (*TREE_VALUES, *LOT_VALUES) if name.endswith("_ft"))


@st.composite
def answers(draw, most_changes=5):
    """Answers to the facts of a lot, most of them harmless; a fact without an answer is missing."""
    changes = draw(st.lists(st.sampled_from(_FACT_CHANGES), max_size=most_changes))
    first = {key: some[0] for key, some in ANSWERS.items()}
    first["supervisor"] = draw(st.sampled_from(["owner", "professional"]))
    told = {**first, **dict(changes)}
    return {key: answer for key, answer in told.items() if answer is not None}


@st.composite
def rule_cases(draw, most_trees=3):
    """A lot with a few trees as rules see it.

    One that could be trimmed, with changes: values at and beyond limits, gaps, errors, answers.
    """
    n = draw(st.integers(1, most_trees))
    case = lot(height_ft=[9.0] * n, target_ft=draw(st.sampled_from([7.5, 6.0, 12.0])))
    values = {name: seen.value.copy() for name, seen in case.values.items()}
    trees = st.tuples(st.sampled_from(_TREE_CHANGES), st.integers(0, n - 1))
    for (name, value), k in draw(st.lists(trees, max_size=6)):
        harmless = NAN if name == "field_height_ft" else 0.0  # of what the lot does not have yet
        values.setdefault(name, np.full(n, harmless))[k] = value
    for name, value in draw(st.lists(st.sampled_from(_LOT_CHANGES), max_size=2)):
        values[name] = np.asarray(value)
    errors = draw(st.dictionaries(st.sampled_from(_WITH_ERROR), errors_of_values(), max_size=3))
    seen = {name: Measured.of(value, errors.get(name, 0.0)) for name, value in values.items()}
    years = draw(st.sampled_from([1, 4]))
    return replace(case, values=seen, facts=draw(answers()), stage_years=years)


_CHOICES = [(name, choice) for name, one in questions().items() for choice in one.choices]


def readings():
    """Readings of the open questions, most of them the usual ones."""
    return st.lists(st.sampled_from(_CHOICES), max_size=4).map(lambda some: Readings(dict(some)))


SOURCE_LINES = 'section = "local code"\nconfidence = "read in source"\nread_on = "2026-11"\n'
TIGHTENABLE = tuple(
    rule
    for file in built_in()
    for rule in file.rules.values()
    if rule.limit.compare != "==" and rule.effect != "told"
)
#: What a local rule may look at: measure, comparison, number, unit.
LOCAL_LIMITS = (
    ("top_height_ft", "<=", 8.0, "ft"),
    ("height_after_ft", ">=", 7.0, "ft"),
    ("foliage_removed_frac", "<=", 0.3, "frac"),
    ("fringe_depth_ft", "<", 40.0, "ft"),
    ("is_red", "==", 0.0, "yes-no"),
    ("is_professional", "==", 1.0, "yes-no"),
    ("is_conservation_land", "==", 0.0, "yes-no"),
    ("notice_days", ">=", 20.0, "days"),
    ("months_since_freeze", ">", 2.0, "months"),
)


def stricter_number(rule, step):
    """A number on the strict side of a rule's own, so many tenths away."""
    limit = rule.limit
    is_trigger = rule.effect == "consequence" and limit.unit == "frac"
    sign = -1.0 if (limit.compare[0] == "<") != is_trigger else 1.0
    size = 0.005 if limit.unit == "frac" else 0.5
    return round(limit.number + sign * size * step, 6)


@st.composite
def overlay_texts(draw, name="local"):
    """The rule file of a local government, as text: numbers made stricter, rules added."""
    lines = [
        f'[file]\nid = "{name}"\nkind = "overlay"\ntitle = "Local code"\n'
        'jurisdiction = "a town"\nversion = "1"\n'
    ]
    changes = st.dictionaries(st.integers(0, len(TIGHTENABLE) - 1), st.integers(1, 8), max_size=5)
    for k, step in draw(changes).items():
        rule = TIGHTENABLE[k]
        number = stricter_number(rule, step)
        lines.append(
            f'[tighten.{rule.id}]\nnumber = {number}\nunit = "{rule.limit.unit}"\n{SOURCE_LINES}'
        )
    for k in range(draw(st.integers(0, 3))):
        measure, compare, number, unit = draw(st.sampled_from(LOCAL_LIMITS))
        effect = draw(st.sampled_from(["condition", "check", "warning", "told"]))
        ways = draw(st.lists(st.sampled_from(tuple(routes())), max_size=4, unique=True))
        when = draw(st.booleans())
        condition = '{ measure = "top_height_ft", compare = ">", number = 9.0, unit = "ft" }'
        lines.append(
            f'[rule.own-{k}]\nwords = "A local rule."\nmeasure = "{measure}"\n'
            f'compare = "{compare}"\nnumber = {number}\nunit = "{unit}"\n'
            + (f"when = [{condition}]\n" if when else "")
            + f'applies_to = "tree"\nbinds = "everyone"\nroutes = {list(ways)}\n'
            f'effect = "{effect}"\n{SOURCE_LINES}'
        )
    return "\n".join(lines)


#: What may part the words of one name without making two of it; "" is a name written together.
GAPS = (" ", "  ", "\t", "-", "_", ".", ". ", " - ", "\u00a0", "\u2019", "")


@st.composite
def spellings(draw, names):
    """A name of a plant as people type it: any case, any gap between its words, edges untidy."""
    words = re.findall(r"[^\W_]+", draw(st.sampled_from(names)))
    text = words[0]
    for word in words[1:]:
        text += draw(st.sampled_from(GAPS)) + word
    text = "".join(c.upper() if draw(st.booleans()) else c.lower() for c in text)
    before, after = (draw(st.sampled_from(["", " ", "\n", ".", "*", '"'])) for _ in range(2))
    return before + text + after


#: Ways a tree may be told: route, standing, and whether it is a mangrove.
TOLD = (
    *(
        (name, how, True)
        for name in routes()
        if name != "no-mangrove"
        for how in ("open", "depends", "other plan")
    ),
    ("none", "closed", True),
    ("left-alone", "not cut", True),
    ("left-alone", "not cut", None),
    ("owner-exemption", "depends", None),
    ("no-mangrove", "depends", None),
    ("no-mangrove", "open", False),
)


def told_trees(most: int = 12) -> st.SearchStrategy[list[tuple[str, str, bool | None]]]:
    """Trees as the operation ``route`` tells them; at least one."""
    return st.lists(st.sampled_from(TOLD), min_size=1, max_size=most)
