"""Rule files: limits as data, read and checked.

A rule without a number, a unit, an edge, a source or a confidence is refused. An overlay, the file
of a local government, may tighten a rule or add one; what would loosen a rule is refused too.
"""

from __future__ import annotations

import difflib
import math
import re
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, replace
from functools import lru_cache
from importlib.resources import files
from typing import Any

from geotrim.errors import RuleError
from geotrim.rules.verdict import AT_LIMIT, AT_LIMIT_FT, COMPARISONS, Codes, judge

KINDS = ("state", "practice", "overlay")
UNITS = ("ft", "ft2", "frac", "yes-no", "days", "months", "years", "ratio", "usd-per-ft2")
APPLIES_TO = ("lot", "tree", "stretch")
EFFECTS = ("condition", "check", "share", "stages", "notice", "warning", "consequence", "told")
CONFIDENCES = (
    "read in source",
    "read second-hand",
    "from memory",
    "common practice, no source",
)
#: Effects an overlay may give to a rule of its own: none of them opens a route.
OVERLAY_EFFECTS = ("condition", "check", "share", "stages", "notice", "warning", "told")
#: Least and greatest number a limit in a unit may have; a share of 25 is surely meant as 0.25.
RANGES = {
    "ft": (-1000.0, 10_000.0),
    "ft2": (0.0, 1e9),
    "frac": (0.0, 1.0),
    "yes-no": (-math.inf, math.inf),  # 1 or 0, which is told in words of its own
    "days": (-3660.0, 3660.0),
    "months": (0.0, 120.0),
    "years": (0.0, 100.0),
    "ratio": (0.0, 100.0),
    "usd-per-ft2": (0.0, 1e6),
}
#: What a rule of these effects can be about.
MEASURES_OF = {
    "share": ("share_trimmed_frac", "permit_share_frac"),
    "stages": ("yearly_removed_frac",),
    "notice": ("notice_days",),
}
BUILT_IN_FILES = ("state_act.toml", "good_practice.toml")

_FILE_KEYS = ("id", "kind", "title", "jurisdiction", "version")
_RULE_KEYS = (
    "words",
    "measure",
    "compare",
    "number",
    "unit",
    "applies_to",
    "binds",
    "routes",
    "effect",
    "section",
    "confidence",
    "read_on",
)
#: The month a source was read; with or without the day.
_MONTH = re.compile(r"\d{4}-(0[1-9]|1[0-2])(-\d{2})?")
_LIMIT_KEYS = ("measure", "compare", "number", "unit")
_TIGHTEN_KEYS = ("number", "unit", "compare", "section", "confidence", "read_on", "words")


@dataclass(frozen=True, slots=True)
class Limit:
    """A measured value against a number, with its edge."""

    measure: str
    compare: str
    number: float
    unit: str

    def judge(self, value: Any, error: Any, confidence_frac: float) -> Codes:
        """Verdict on values with their errors: :func:`geotrim.rules.verdict.judge`."""
        at_limit = AT_LIMIT_FT if self.unit == "ft" else AT_LIMIT
        return judge(
            value,
            error,
            self.compare,
            self.number,
            confidence_frac=confidence_frac,
            at_limit=at_limit,
        )

    def words(self) -> str:
        """The limit as it is printed: ``<= 10 ft``.

        Examples
        --------
        >>> Limit("top_height_ft", "<=", 10.0, "ft").words()
        'at most 10 ft'
        >>> Limit("share_trimmed_frac", "<=", 0.65, "frac").words()
        'at most 65 %'
        """
        if self.unit == "yes-no":
            return "yes" if self.number == 1.0 else "no"
        how = {
            "<=": "at most",
            "<": "under",
            ">=": "at least",
            ">": "over",
            "==": "exactly",
        }[self.compare]
        return f"{how} {number_words(self.number, self.unit)}"


@dataclass(frozen=True, slots=True)
class Rule:
    """One limit and where it comes from; the keys are explained in ``state_act.toml``.

    tightened_by : id of the overlay whose number this is, "" if it is the rule's own.
    tightens : for such a rule, the limit it stood at before.
    """

    id: str
    file_id: str
    limit: Limit
    when: tuple[Limit, ...]
    applies_to: str
    binds: str
    routes: tuple[str, ...]
    effect: str
    section: str
    confidence: str
    read_on: str
    words: str
    tightened_by: str = ""
    tightens: Limit | None = None

    @property
    def source(self) -> str:
        """The section and how sure it is, as a finding prints it."""
        return f"{self.section} ({self.confidence})"


@dataclass(frozen=True, slots=True)
class RuleFile:
    """One rule file as read.

    tightenings : for an overlay, rule id -> the table that tightens it.
    """

    id: str
    kind: str
    title: str
    jurisdiction: str
    version: str
    rules: Mapping[str, Rule]
    tightenings: Mapping[str, Mapping[str, Any]]


@lru_cache(maxsize=1)
def built_in() -> tuple[RuleFile, ...]:
    """The rule files geotrim brings: the state act and good practice."""
    folder = files("geotrim.rules")
    return tuple(
        read_rule_file(folder.joinpath(name).read_text(encoding="utf-8"), name)
        for name in BUILT_IN_FILES
    )


@lru_cache(maxsize=1)
def measures() -> dict[str, dict[str, Any]]:
    """What a rule may compare, from ``measures.toml``."""
    return _own_table("measures.toml", "measure")


@lru_cache(maxsize=1)
def routes() -> dict[str, dict[str, Any]]:
    """The ways to an authorisation, from ``routes.toml``, in the order they are tried."""
    return _own_table("routes.toml", "route")


def _own_table(name: str, head: str) -> dict[str, dict[str, Any]]:
    text = files("geotrim.rules").joinpath(name).read_text(encoding="utf-8")
    table: dict[str, dict[str, Any]] = tomllib.loads(text)[head]
    return table


def read_rule_file(text: str, where: str) -> RuleFile:
    """Read one rule file.

    Parameters
    ----------
    text : str
        TOML, as ``rules/state_act.toml``.
    where : str
        Name of the file, for messages.

    Raises
    ------
    RuleError
        If it is no TOML, or a rule lacks a key or says something unknown; names file and rule.
    """
    data = _parsed(text, where)
    head = data.get("file", {})
    if not isinstance(head, dict):
        raise RuleError(f"{where}, file", repr(head), "a table [file]", "write [file] above it")
    for key in head:
        if key not in _FILE_KEYS:
            raise _no_choice(f"{where}, [file]", key, _FILE_KEYS)
    for key in _FILE_KEYS:
        if not isinstance(head.get(key), str) or not head[key].strip():
            raise RuleError(f"{where}, [file]", f"no {key}", f"{key}: text", f'add {key} = "..."')
    if head["kind"] not in KINDS:
        raise _no_choice(f"{where}, [file] kind", head["kind"], KINDS)
    for name in data:
        if name not in ("file", "rule", "tighten"):
            raise _no_choice(where, name, ("file", "rule", "tighten"))
    tighten = data.get("tighten", {})
    if tighten and head["kind"] != "overlay":
        raise RuleError(
            f"{where}, [tighten]", f"kind {head['kind']!r}", 'kind "overlay"', "change the kind"
        )
    rules = {
        key: _rule(key, table, head, f"{where}, rule {key!r}")
        for key, table in _tables(data.get("rule", {}), where).items()
    }
    return RuleFile(
        rules=rules,
        tightenings=_tables(tighten, where),
        **{key: head[key] for key in _FILE_KEYS},
    )


def read_overlay(text: str, where: str) -> RuleFile:
    """Read the rule file of a local government and hold it to what it may say.

    Parameters
    ----------
    text : str
        TOML with ``kind = "overlay"``: ``[tighten.RULE]`` tables that give a rule of geotrim's a
        stricter number, and ``[rule.NAME]`` tables that add conditions, checks, notices, warnings.
    where : str
        Name of the file, for messages.

    Raises
    ------
    RuleError
        If it would loosen a rule, replace one, or does not read.
    """
    found = read_rule_file(text, where)
    if found.kind != "overlay":
        raise RuleError(
            f"{where}, [file] kind", repr(found.kind), 'kind "overlay"', "only overlays are added"
        )
    if ":" in found.id or found.id in {file.id for file in built_in()}:
        need = "an id of its own, without a colon"
        raise RuleError(f"{where}, [file] id", repr(found.id), need, "rename the overlay")
    known = {rule.id: rule for file in built_in() for rule in file.rules.values()}
    for key, rule in found.rules.items():
        place = f"{where}, rule {key!r}"
        if key in known:
            raise RuleError(
                place, "the name of a rule of geotrim's", "a name of its own", "use [tighten]"
            )
        if rule.effect not in OVERLAY_EFFECTS:
            raise _no_choice(f"{place} effect", rule.effect, OVERLAY_EFFECTS)
    for key, table in found.tightenings.items():
        place = f"{where}, [tighten.{key}]"
        if key not in known:
            raise _no_choice(place, key, tuple(known))
        tightened(known[key], table, found.id, place)
    return found


def tightened(rule: Rule, table: Mapping[str, Any], overlay_id: str, where: str) -> Rule:
    """The rule with the stricter number of an overlay.

    Raises
    ------
    RuleError
        If the number is not stricter, or not in the rule's unit.

    Examples
    --------
    >>> rule = built_in()[0].rules["owner-height-before"]
    >>> new = dict(number=8.0, unit="ft", section="local code 1", confidence="read in source",
    ...     read_on="2026-11", words="At most 8 ft.")
    >>> tightened(rule, new, "local", "here").limit.words()
    'at most 8 ft'
    """
    _check_keys(table, _TIGHTEN_KEYS, where, optional=("compare", "words"))
    _check_source(table, where)
    limit = rule.limit
    if table["unit"] != limit.unit:
        raise RuleError(
            f"{where} unit", repr(table["unit"]), repr(limit.unit), "convert the number"
        )
    number = _number(table["number"], f"{where} number", limit.unit)
    compare = table.get("compare", limit.compare)
    if compare not in COMPARISONS:
        raise _no_choice(f"{where} compare", compare, COMPARISONS)
    if not is_stricter(limit, rule.effect, compare, number):
        raise RuleError(
            where,
            f"{Limit(limit.measure, compare, number, limit.unit).words()}, where the rule itself "
            f"says {limit.words()}",
            "a limit that is stricter: an overlay can only tighten",
            "correct the number, or take the table out",
        )
    return replace(
        rule,
        limit=Limit(limit.measure, compare, number, limit.unit),
        section=table["section"],
        confidence=table["confidence"],
        read_on=table["read_on"],
        words=table.get("words") or _local_words(rule, compare, number),
        tightened_by=overlay_id,
        tightens=limit,
    )


def _local_words(rule: Rule, compare: str, number: float) -> str:
    """Words for a number of an overlay that has none of its own: the rule's would tell another."""
    told = Limit(rule.limit.measure, compare, number, rule.limit.unit).words()
    what = measures()[rule.limit.measure]["words"]
    whose = "good practice" if rule.effect == "warning" else "the act"
    return f"{what[0].upper()}{what[1:]}: {told} by a local rule, stricter than {whose}."


def number_words(number: float, unit: str) -> str:
    """A number with its unit as it is printed.

    Examples
    --------
    >>> number_words(0.25, "frac"), number_words(10.0, "days"), number_words(1.0, "yes-no")
    ('25 %', '10 days', 'yes')
    """
    if unit == "yes-no":
        return "yes" if number else "no"
    if unit == "frac":
        return f"{100 * number:g} %"
    if unit == "ratio":
        return f"{number:g} to 1"
    if unit == "usd-per-ft2":
        return f"${number:g} per sq ft"
    return f"{number:g} {'sq ft' if unit == 'ft2' else unit}"


def is_stricter(limit: Limit, effect: str, compare: str, number: float) -> bool:
    """Whether every value that keeps the new limit keeps the old one, and not the reverse.

    Examples
    --------
    >>> cap = Limit("top_height_ft", "<=", 10.0, "ft")
    >>> is_stricter(cap, "condition", "<", 10.0), is_stricter(cap, "condition", "<=", 12.0)
    (True, False)
    """
    if limit.compare == "==" or effect == "told":  # a way to count is neither strict nor loose
        return False
    low, is_open = limit.compare[0] == "<", "=" not in limit.compare
    if effect == "consequence":  # a trigger: reached sooner is stricter
        low = not low if limit.unit == "frac" else low
    if compare[0] != limit.compare[0]:
        return False
    closes = "=" not in compare and not is_open
    if number == limit.number:
        return closes and effect != "consequence"
    return number < limit.number if low else number > limit.number


def _rule(key: str, table: Mapping[str, Any], head: Mapping[str, Any], where: str) -> Rule:
    _check_keys(table, _RULE_KEYS, where, optional=("when",))
    _check_source(table, where)
    for name, known in (
        ("applies_to", APPLIES_TO),
        ("effect", EFFECTS),
        ("confidence", CONFIDENCES),
    ):
        if table[name] not in known:
            raise _no_choice(f"{where} {name}", table[name], known)
    ways, known_ways = table["routes"], tuple(routes())
    if not isinstance(ways, list):
        raise RuleError(f"{where} routes", repr(ways), "a list of routes", "put it in brackets")
    for way in ways:
        if way not in known_ways:
            raise _no_choice(f"{where} routes", way, known_ways)
    if (about := MEASURES_OF.get(table["effect"])) and table["measure"] not in about:
        place = f"{where} measure, for the effect {table['effect']!r}"
        raise _no_choice(place, table["measure"], about)
    whens = table.get("when", [])
    if not isinstance(whens, list) or not all(isinstance(one, dict) for one in whens):
        need = "a list of tables, each with measure, compare, number and unit"
        raise RuleError(f"{where} when", repr(whens), need, "put them in brackets")
    for one in whens:
        _check_keys(one, _LIMIT_KEYS, f"{where} when")
    return Rule(
        id=key,
        file_id=head["id"],
        limit=_limit(table, where),
        when=tuple(_limit(item, f"{where} when") for item in whens),
        applies_to=table["applies_to"],
        binds=table["binds"],
        routes=tuple(ways),
        effect=table["effect"],
        section=table["section"],
        confidence=table["confidence"],
        read_on=table["read_on"],
        words=table["words"],
    )


def _limit(table: Mapping[str, Any], where: str) -> Limit:
    measure, compare, unit = table["measure"], table["compare"], table["unit"]
    known_measures = tuple(measures())
    if measure not in known_measures:
        raise _no_choice(f"{where} measure", measure, known_measures)
    if compare not in COMPARISONS:
        raise _no_choice(f"{where} compare", compare, COMPARISONS)
    needed = measures()[measure]["unit"]
    if unit not in UNITS or unit != needed:
        raise RuleError(f"{where} unit", repr(unit), f"{needed!r}, as {measure}", "correct it")
    number = _number(table["number"], f"{where} number", unit)
    if unit == "yes-no" and (compare != "==" or number not in (0.0, 1.0)):
        raise RuleError(where, f"{compare} {number:g}", "== 1 for yes or == 0 for no", "correct it")
    return Limit(measure, compare, number, unit)


def _check_keys(
    table: Mapping[str, Any], keys: tuple[str, ...], where: str, optional: tuple[str, ...] = ()
) -> None:
    for key in table:
        if key not in (*keys, *optional):
            raise _no_choice(where, key, (*keys, *optional))
    for key in keys:
        if key not in optional and key not in table:
            raise RuleError(where, f"no {key}", f"all of {', '.join(keys)}", f"add {key} = ...")


def _check_source(table: Mapping[str, Any], where: str) -> None:
    for key in ("section", "confidence", "read_on", "words", "binds", "effect", "applies_to"):
        value = table.get(key)
        if key in table and not (isinstance(value, str) and value.strip()):
            raise RuleError(f"{where} {key}", repr(value), "text that is not empty", "fill it in")
    if table["confidence"] not in CONFIDENCES:
        raise _no_choice(f"{where} confidence", table["confidence"], CONFIDENCES)
    is_read = table["confidence"] in ("read in source", "read second-hand")
    if not (_MONTH.fullmatch(table["read_on"]) if is_read else table["read_on"] == "not read"):
        need = 'the month it was read, such as "2026-11"' if is_read else '"not read"'
        raise RuleError(f"{where} read_on", repr(table["read_on"]), need, "correct one of the two")


def _number(value: object, where: str, unit: str) -> float:
    is_number = isinstance(value, (int, float)) and not isinstance(value, bool)
    if not is_number or not math.isfinite(value):  # type: ignore[arg-type]
        raise RuleError(where, repr(value), "a number", "write it in digits, without its unit")
    number = float(value)  # type: ignore[arg-type]
    low, high = RANGES[unit]
    if not low <= number <= high:
        mend = "write 25 % as 0.25" if unit == "frac" else "correct the number or its unit"
        raise RuleError(where, f"{number:g}", f"{low:g} to {high:g}, in {unit}", mend)
    return number


def _tables(value: object, where: str) -> dict[str, Mapping[str, Any]]:
    if not isinstance(value, dict) or not all(isinstance(v, dict) for v in value.values()):
        raise RuleError(where, "a value", "a table for each rule", "write [rule.NAME] above it")
    return value


def _parsed(text: str, where: str) -> dict[str, Any]:
    try:
        return tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise RuleError(where, f"text that is no TOML ({error})", "TOML", "correct it") from error


def _no_choice(where: str, found: object, known: tuple[str, ...]) -> RuleError:
    near = difflib.get_close_matches(str(found), known, n=1)
    mend = f"say {near[0]!r} if you meant that" if near else "choose one of these"
    return RuleError(where, repr(found), f"one of {', '.join(known)}", mend)
