"""Rule files as text, made from tables, and how one is refused."""

from __future__ import annotations

import pytest

from geotrim.errors import RuleError
from geotrim.rules.rule_file import built_in, read_overlay

HEAD = {
    "id": "cay",
    "kind": "overlay",
    "title": "Code of the Cay",
    "jurisdiction": "Invented Cay",
    "version": "2026-11",
}
RULE = {
    "words": "At most 9 ft by the water.",
    "measure": "top_height_ft",
    "compare": "<=",
    "number": 9.0,
    "unit": "ft",
    "applies_to": "tree",
    "binds": "everyone",
    "routes": ["owner-exemption"],
    "effect": "condition",
    "section": "code 7-1",
    "confidence": "read in source",
    "read_on": "2026-11",
}
TIGHTEN = {
    "number": 8.0,
    "unit": "ft",
    "section": "code 7-2",
    "confidence": "read second-hand",
    "read_on": "2026-11",
}
ALL_RULES = {rule.id: rule for file in built_in() for rule in file.rules.values()}


def as_toml(value):
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, str):
        return f'"{value}"'
    if isinstance(value, dict):
        return "{ " + ", ".join(f"{k} = {as_toml(v)}" for k, v in value.items()) + " }"
    if isinstance(value, list):
        return "[" + ", ".join(as_toml(v) for v in value) + "]"
    return repr(value)


def text_of(rules=None, tighten=None, head=None):
    """A rule file as text; a value of None is left out."""
    tables = {"file": {**HEAD, **(head or {})}}
    tables |= {f"rule.{name}": table for name, table in (rules or {}).items()}
    tables |= {f"tighten.{name}": table for name, table in (tighten or {}).items()}
    lines = []
    for name, table in tables.items():
        lines.append(f"[{name}]")
        lines += [f"{k} = {as_toml(v)}" for k, v in table.items() if v is not None]
    return "\n".join(lines)


def refused(text, *parts, read=read_overlay):
    """The message of a rule file that is refused, which names these."""
    with pytest.raises(RuleError) as caught:
        read(text, "cay.toml")
    message = str(caught.value)
    for part in ("cay.toml", *parts):
        assert part in message, message
    assert caught.value.need and caught.value.mend
    return message


def tighten(name, **changes):
    table = {**TIGHTEN, "unit": ALL_RULES[name].limit.unit, **changes}
    return text_of(tighten={name: table})
