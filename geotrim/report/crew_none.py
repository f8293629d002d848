"""Why a lot has no plan to make a crew list of, as its package tells it."""

from __future__ import annotations

from typing import Any

from geotrim.errors import LayerError
from geotrim.io.package_read import Package
from geotrim.report.crew_near import keep_word
from geotrim.report.window_facts import row_of, text_of

ASK = "run again with eyes or a target height, so that the window and stages are planned"
NEED = "a window, or heights to cut to"


def no_plan(package: Package, lot_id: str) -> LayerError:
    """The error that names the first cause that stands in the way of a plan.

    Causes are looked for in the order in which a run needs things: the lot's shore, its crowns,
    trees that may be cut, a window, stages.
    """
    found, mend = _cause(package, lot_id)
    return LayerError(f"lot {lot_id}", f"no plan of what is cut: {found}", NEED, mend)


def _cause(package: Package, lot_id: str) -> tuple[str, str]:
    of = package.results
    lot: dict[str, Any] = next(iter(package.rows("lots", lot_id).to_dict("records")), {})
    if lot.get("is_measured") is False:
        why = text_of(lot.get("reason")) or "no frontage was found"
        return f"the lot was not measured ({why})", "mend its boundary or MHW line and run again"
    if "crowns" not in package.tables:
        return "the package has no crowns", "give a layer of crowns and run again"
    crowns = package.rows("crowns", lot_id).to_dict("records")
    if not crowns:
        return "no crown stands on the lot", "check the crowns and their place, and run again"
    if all(keep_word(row) for row in crowns):
        return "every tree is marked to be kept", "nothing is to be cut, and no list is needed"
    window = row_of(of, "window", "window_lots", lot_id)
    stages = row_of(of, "stages", "stage_lots", lot_id)
    told = [text_of(row.get("reason")).rstrip(".") for row in (window, stages) if row is not None]
    told = list(dict.fromkeys(why for why in told if why))
    if told:
        return "; ".join(told), "settle that and run again; without a plan nothing is cut"
    return "nobody asked for a window or gave heights", ASK
