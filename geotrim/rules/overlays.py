"""Rule files brought by other packages, through the entry point group ``geotrim.rules``.

An entry point names the text of an overlay, a path to it, or a callable that returns either. One
that cannot be loaded is told by name and never stops the others.
"""

from __future__ import annotations

from collections.abc import Iterable
from functools import cache
from typing import Any

from geotrim.rules.rule_file import RuleFile, read_overlay

GROUP = "geotrim.rules"

#: Entry point as the user finds it, and what went wrong with it.
Fault = tuple[str, str]


def overlays_from(
    entry_points: Iterable[Any],
) -> tuple[dict[str, tuple[RuleFile, str]], tuple[Fault, ...]]:
    """Overlays of some entry points by name, each with its text, and the faults of the others.

    Parameters
    ----------
    entry_points : iterable
        Objects with ``name``, ``value`` and ``load()``.
    """
    found: dict[str, tuple[RuleFile, str]] = {}
    faults: list[Fault] = []
    for point in sorted(entry_points, key=lambda p: (str(p.name), str(p.value))):
        label = f"{point.name} ({point.value})"
        try:
            if point.name in found:
                raise ValueError("a name that another package has taken")
            text = _text_of(point.load())
            found[point.name] = (read_overlay(text, label), text)
        except Exception as error:  # whatever a stranger's code does, the others still load
            faults.append((label, f"{type(error).__name__}: {error}"))
    return found, tuple(faults)


@cache
def installed() -> tuple[dict[str, tuple[RuleFile, str]], tuple[Fault, ...]]:
    """Overlays of the packages installed here, and the faults found while loading them."""
    from importlib.metadata import entry_points

    return overlays_from(entry_points(group=GROUP))


def _text_of(thing: Any) -> str:
    """TOML text from text, from something with ``read_text``, or from a callable."""
    if callable(thing):
        thing = thing()
    if hasattr(thing, "read_text"):
        thing = thing.read_text(encoding="utf-8")
    if not isinstance(thing, str):
        raise TypeError(f"a {type(thing).__name__}, not the text of a rule file or a path to it")
    return thing
