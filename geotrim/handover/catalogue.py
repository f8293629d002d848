"""Every handover geotrim brings, declared once."""

from __future__ import annotations

from geotrim.handover.declared import Handover
from geotrim.ops.params import CONFIDENCE
from geotrim.ops.registry import Param
from geotrim.prepare.declared import Source

LOT = Param("lot", "text", None, "Ids of the lots, divided by commas [all measured].", is_list=True)
PREPARED_BY = Param("prepared_by", "text", None, "Who prepared it: name, credential, company.")
PREPARED_FOR = Param("prepared_for", "text", None, "Whom it is prepared for.")
DATE = Param("date", "text", None, "Day that stands on it, such as 2027-01-11 [today].")

SHEETS = Handover(
    "sheets",
    "Draws the plan set of a result package: sheets of 8.5 x 11 in to a true scale, as PDF.",
    function="geotrim.handover.sheets:make_sheets",
    suffix="sheets",
    params=(
        LOT,
        PREPARED_BY,
        PREPARED_FOR,
        DATE,
        Param(
            "scale_ft", "number", None,
            "Feet in an inch of the plan view: 10, 20, 30, 40, 50, 60 or 100 [what fits].",
            low=10.0, high=100.0,
        ),
        Param("pictures", "flag", True, "Write each sheet as SVG and PNG too."),
    ),
    outputs={
        "plan_set.pdf": "the plan set; plan_set_LOT.pdf where there are several lots",
        "pictures/sheet_01.svg": "each sheet as SVG and PNG",
        "plan_view.dxf": "the plan view for a surveyor's drawing program, in the site's CRS",
    },
    caution="Not a survey. What is drawn is a plan within the limits it names, no permission.",
)  # fmt: skip
CREW = Handover(
    "crew",
    "Writes the crew list of one year's cut: pages to print, a page for the phone, GPX and CSV.",
    function="geotrim.handover.crew:make_crew_list",
    suffix="crew",
    params=(
        LOT,
        PREPARED_BY,
        DATE,
        Param("year", "whole", 1, "Which year of the plan is cut.", low=1, high=200),
    ),
    outputs={
        "crew_list.pdf": "ten trees a page, in large type",
        "crew_list.html": "the same for a phone, without a network: ticks, and readings to export",
        "crew_list.csv": "the same as a table",
        "trees.gpx": "a waypoint for each tree",
    },
    caution="Confirm every species in the field and look for nests before anything is cut.",
)
VERIFY = Handover(
    "verify",
    "Holds what was cut against the plan: readings by stick or a new height raster.",
    function="geotrim.handover.verify:verify_cut",
    suffix="verified",
    sources=(
        Source(
            "readings", "table", "readings after the cut, as the crew page exports them",
            keys=(
                ("height_unit", "UNIT", "unit of heights whose column tells none: ft, us-ft, m"),
                ("height_rmse_ft", "FT", "standard error of one reading, ft"),
            ),
        ),
        Source(
            "heights", "raster", "raster of heights above the substrate after the cut",
            keys=(("rmse_ft", "FT", "standard error of one height, ft"),),
        ),
        Source("ledger", "ledger", "the site's ledger: tells heights before, takes what is found"),
    ),
    params=(
        LOT,
        Param("year", "whole", 1, "Which year of the plan was cut.", low=1, high=200),
        Param("cut_date", "text", None, "Day of the cut, where the readings do not tell it."),
        Param("who", "text", None, "Who read the heights; needed for the ledger."),
        Param(
            "corrects", "whole", None,
            "Number of the verification in the ledger in whose place this one stands.", low=1,
        ),
        CONFIDENCE,
    ),
    outputs={
        "verification.html": "what was found, tree by tree, with figures and findings",
        "verification.csv": "the same as a table",
        "verification.png": "planned and found heights (verification.svg: the same)",
    },
    caution="What was found rests on the readings given; the authority may read anew.",
)  # fmt: skip
HANDOVERS = {one.name: one for one in (SHEETS, CREW, VERIFY)}
