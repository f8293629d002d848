"""What is told beside the tables of the operation ``stages``."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np

from geotrim.core.foliage import IN_COLUMNS
from geotrim.model import Note
from geotrim.ops.canopy import foliage_bases_ft
from geotrim.ops.stage_cuts import Staged

#: Ids named in a note.
MOST_IDS = 5


def stage_notes(
    staged: Staged, crowns: Any, tables: Mapping[str, Any], used: Mapping[str, Any]
) -> list[Note]:
    """What was taken for granted, and what cannot be reached.

    Parameters
    ----------
    staged : Staged
    crowns : DataFrame
    tables : mapping
        Table name -> table, as they were made.
    used : mapping
        Parameters of the operation.
    """
    trees = tables["stage_trees"]
    if not len(trees):
        return []
    notes = [_model_note(staged), _regrowth_note(used), _reading_note(used)]
    notes += _on_bases(staged, crowns, used)
    lost = trees[~trees["is_reachable"].to_numpy(dtype=bool)]
    if len(lost):
        text = f"{_named(lost['crown_id'])}: not reached as planned; the table says why"
        notes.append(Note("stages", text, "missing"))
    close = trees["crown_id"][staged.limits.is_close]
    if len(close):
        text = (
            f"{_named(close)}: too close to the height from which a rule on stages binds to tell "
            "whether it does; its yearly share is kept"
        )
        notes.append(Note("stages", text, "assumed"))
    planned = int(used["stage_years"])
    late = trees["crown_id"][trees["n_years"] > planned]
    if len(late):
        years = f"{planned} year{'s' if planned > 1 else ''} of stage_years"
        text = f"{_named(late)}: more years than the {years}; they are staged all the same"
        notes.append(Note("stages", text, "info"))
    if len(tables["stage_cuts"]) and tables["stage_cuts"]["date"].isna().any():
        text = "without the day the work starts (start_date) some cuts have no date"
        notes.append(Note("facts", text, "missing"))
    return notes


def _model_note(staged: Staged) -> Note:
    n, k = 0, len(staged.plan)
    if staged.leaves is not None:
        n = int(np.isfinite(staged.leaves.whole_ft3[staged.plan.row]).sum())
    by_leaves = f"; of {n} of {k} trees by leaf area as well" if n else ""
    text = (
        f"shares are of foliage under the canopy model {staged.foliage.model}{by_leaves}; each "
        "year takes the full share until the cut is done, the last one what is left"
    )
    return Note("stages", text, "assumed")


def _regrowth_note(used: Mapping[str, Any]) -> Note:
    regrowth = used["regrowth_frac"]
    if regrowth == 0.0:
        return Note("regrowth_frac", "no regrowth between two cuts is counted", "assumed")
    text = (
        f"{100.0 * regrowth:g} % of what stands is taken to grow back between two cuts, where it "
        "was cut, and never to more than stood at first"
    )
    return Note("regrowth_frac", text, "assumed")


def _reading_note(used: Mapping[str, Any]) -> Note:
    words = {
        "standing-each-year": "of what stands at the start of each year",
        "original": "of what stood before the first cut",
    }
    text = (
        f"A-06: a year's share is {words[used['foliage_reading']]}; the years under both readings "
        "are told"
    )
    return Note("foliage_reading", text, "assumed")


def _on_bases(staged: Staged, crowns: Any, used: Mapping[str, Any]) -> list[Note]:
    """Trees whose lowest foliage nobody knows, where that was taken as the substrate."""
    if staged.foliage.model not in IN_COLUMNS[:1]:
        return []
    base = foliage_bases_ft(crowns, used, staged.foliage.top_ft)[staged.plan.row]
    if not np.isnan(base).any():
        return []
    ids = crowns["crown_id"].to_numpy()[staged.plan.row][np.isnan(base)]
    text = (
        f"{_named(ids)}: no height of the lowest foliage, so leaves are taken to reach down to the "
        "substrate; a cut may take more of them than told"
    )
    return [Note("crowns", text, "assumed")]


def _named(ids: Any) -> str:
    """How many trees, and the first few by name."""
    names = [str(one) for one in ids]
    shown = ", ".join(names[:MOST_IDS]) + (", ..." if len(names) > MOST_IDS else "")
    return f"{len(names)} tree{'' if len(names) == 1 else 's'} ({shown})"
