"""What the rules' operations tell besides verdicts: what was taken for granted, who decides."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any

import numpy as np

from geotrim.model import Note
from geotrim.rules.delegated import delegated_words
from geotrim.rules.shares import unit_length_ft

#: Of the note on facts that are missing, before their names.
MISSING = "facts a map cannot give are unknown: "


def shore_notes(mhw_origin: str | None, mhw_facts: Mapping[str, Any]) -> list[Note]:
    """What was taken for granted about the shore."""
    notes = []
    if mhw_origin == "apparent-shoreline":
        text = (
            "lengths are of an apparent shoreline, the outer edge of the plants, not of an MHW line"
        )
        notes.append(Note("shoreline", text, "assumed"))
    if "position_rmse_ft" not in mhw_facts:
        text = "the line's position error is not stated, so its length is taken at its word"
        notes.append(Note("shoreline", text, "assumed"))
    return notes


def missing_facts(questions: Any) -> list[Note]:
    """Facts that some tree's own way hangs on, of the table of questions."""
    return facts_note(questions.loc[questions["is_for_outcome"].astype(bool), "fact"])


def facts_note(keys: Iterable[str]) -> list[Note]:
    """The note that names facts, each once; none where there are none.

    Examples
    --------
    >>> [note.text for note in facts_note(["supervisor", "n_units", "supervisor"])]
    ['2 facts a map cannot give are unknown: n_units, supervisor']
    """
    missing = sorted(set(keys))
    text = f"{len(missing)} {MISSING}{', '.join(missing)}"
    return [Note("facts", text, "missing")] if missing else []


def facts_named(about: str, text: str) -> set[str]:
    """The facts that such a note names; none where it is another note.

    Examples
    --------
    >>> sorted(facts_named("facts", "2 facts a map cannot give are unknown: n_units, supervisor"))
    ['n_units', 'supervisor']
    """
    _, is_one, named = text.partition(MISSING)
    return set(named.split(", ")) if about == "facts" and is_one else set()


def land_notes(lot_id: str, known: Mapping[str, Any], length_ft: float) -> list[Note]:
    """What is told of a lot besides its limits: who decides, several units, an aquatic preserve.

    Parameters
    ----------
    lot_id : str
    known : mapping
        Facts of the lot.
    length_ft : float
        Of its shoreline; NaN is unknown. [ft]
    """
    about = f"lot {lot_id}"
    notes = []
    if "local_government" in known:
        notes.append(Note(about, delegated_words(known["local_government"]), "info"))
    if known.get("is_aquatic_preserve"):
        text = "an aquatic preserve alone takes no exemption away: s. 403.9326(3) F.S., from memory"
        notes.append(Note(about, text, "info"))
    n_units = known.get("n_units")
    if known.get("is_multifamily") and n_units and np.isfinite(length_ft):
        each = unit_length_ft(length_ft, n_units)
        text = (
            f"{n_units} units: {each:.1f} ft of shoreline each if shared by number; "
            "s. 403.9323(5) F.S. asks for an equitable share and gives no formula"
        )
        notes.append(Note(about, text, "info"))
    return notes
