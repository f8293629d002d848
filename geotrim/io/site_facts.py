"""Facts a map cannot give, as a site file answers them: for every lot, and lot by lot."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import Any

from geotrim.errors import LayerError, SiteFileError
from geotrim.io.fields import text_id
from geotrim.io.repair import counted, listed
from geotrim.io.site_spec import SiteSpec
from geotrim.io.toml_lines import Place
from geotrim.model import Facts, Note
from geotrim.rules.facts import facts


def site_facts(spec: SiteSpec) -> Facts | None:
    """The answers in their own types; None where there is none.

    Examples
    --------
    >>> from pathlib import Path
    >>> told = {"facts": {"earlier_height_ft": 4}, "lot_facts": [{"lot": 12, "n_units": 3}]}
    >>> got = site_facts(SiteSpec(told, Path(".")))
    >>> got.of("12"), got.of("13")
    ({'earlier_height_ft': 4.0, 'n_units': 3}, {'earlier_height_ft': 4.0})
    """
    everywhere = _answers(spec, ("facts",), spec.table("facts") or {})
    by_lot = {lot: _answers(spec, place, table) for lot, place, table in _lots(spec)}
    by_lot = {lot: answers for lot, answers in by_lot.items() if answers}
    return Facts(everywhere, by_lot) if everywhere or by_lot else None


def check_facts(spec: SiteSpec, options: Mapping[str, object]) -> None:
    """Hold the answers for each lot to one another.

    Raises
    ------
    SiteFileError
        If a lot has two blocks, or two answers contradict each other.
    """
    everywhere = spec.table("facts") or {}
    _check_agree(spec, everywhere, dict.fromkeys(everywhere, ("facts",)))
    seen: set[str] = set()
    for lot, place, table in _lots(spec):
        if lot in seen:
            raise SiteFileError(
                spec.where(*place, "lot"),
                f"a second [[lot_facts]] for lot {lot!r}",
                "one for each lot",
                "put its facts into the first one",
            )
        seen.add(lot)
        places = {**dict.fromkeys(everywhere, ("facts",)), **dict.fromkeys(table, place)}
        _check_agree(spec, {**everywhere, **table}, places)


def check_fact_lots(
    spec: SiteSpec, known: Sequence[str], reported: Sequence[str]
) -> tuple[Note, ...]:
    """Hold the lots that have facts of their own to the lots there are.

    Parameters
    ----------
    known, reported : sequence of str
        Ids of all lots, neighbours among them, and of those that are reported.

    Raises
    ------
    LayerError
        If there is no such lot.
    """
    idle = []
    for lot, place, _ in _lots(spec):
        if lot not in known:
            need = f"ids of the lots: {listed(known, 10)}" if known else "lots, with their ids"
            raise LayerError(spec.where(*place, "lot"), f"no lot {lot!r}", need, "check the id")
        if lot not in reported:
            idle.append(lot)
    if not idle:
        return ()
    text = f"answered for {counted(len(idle), 'lot')} not reported here, and not used: "
    return (Note("facts", text + listed(idle, 10), "info"),)


def _answers(spec: SiteSpec, place: Place, table: Mapping[str, Any]) -> dict[str, Any]:
    return {
        key: fact.check(table[key], spec.where(*place, key))
        for key, fact in facts().items()
        if key in table
    }


def _lots(spec: SiteSpec) -> Iterator[tuple[str, Place, Mapping[str, Any]]]:
    """Lot, place and table of each block of facts for one lot."""
    for i, table in enumerate(spec.values.get("lot_facts", ())):
        yield str(text_id(table["lot"])), ("lot_facts", i), table


def _check_agree(spec: SiteSpec, told: Mapping[str, Any], places: Mapping[str, Place]) -> None:
    """Refuse a detail of what is said not to be; the answer given for the lot is named."""
    for detail, whole in contradictions(told):
        is_here = places[whole] == places[detail]
        at, other = (whole, detail) if len(places[whole]) > len(places[detail]) else (detail, whole)
        there = f"{spec.where(*places[other], other)} is {_shown(told[other])}"
        raise SiteFileError(
            spec.where(*places[at], at),
            f"{_shown(told[at])}, where {there}",
            "answers that agree",
            "correct one of the two" if is_here else f"answer {other} for this lot too",
        )


def contradictions(told: Mapping[str, Any]) -> Iterator[tuple[str, str]]:
    """Details that are said of something that is said not to be, with that something."""
    provides, n_units = told.get("mitigation_provides_trimming"), told.get("n_units", 1)
    for detail, whole, is_told in (
        ("mitigation_provides_trimming", "is_mitigation_land", provides is True),
        ("n_units", "is_multifamily", n_units > 1),
    ):
        if is_told and told.get(whole) is False:
            yield detail, whole


def check_answers(facts: Facts, where: str) -> None:
    """Hold answers from several places to one another.

    Raises
    ------
    SiteFileError
        If two of them contradict each other for some lot.
    """
    for told in (facts.everywhere, *(facts.of(lot) for lot in facts.by_lot)):
        for detail, whole in contradictions(told):
            raise SiteFileError(
                f"{where} {detail}",
                f"{_shown(told[detail])}, where {whole} is {_shown(told[whole])}",
                "answers that agree",
                "correct one of the two",
            )


def _shown(value: object) -> str:
    return str(value).lower() if isinstance(value, bool) else str(value)
