"""What the user says about a plan set that a package does not hold."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Choices:
    """What stands on the sheets beside what was measured.

    prepared_by : name, credential, company; "" leaves a line for a hand to fill in.
    prepared_for : likewise.
    date : day that stands on the sheets, ISO text; "" for none.
    scale_ft : feet in an inch of the plan view; None for what fits.
    """

    prepared_by: str = ""
    prepared_for: str = ""
    date: str = ""
    scale_ft: int | None = None
