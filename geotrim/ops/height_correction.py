"""Heights corrected by what stick readings found, where that is asked for."""

from __future__ import annotations

import numpy as np

from geotrim.core.calibration import (
    CORRECTIONS,
    ENOUGH_CHECKS,
    NO_SHIFT_FT,
    CorrectedHeights,
    Correction,
    correction,
)
from geotrim.errors import RangeError
from geotrim.model import HeightSource, Note, Result


def corrected(
    source: HeightSource, calibrate: Result | None, choice: str
) -> tuple[HeightSource, tuple[Note, ...]]:
    """The source as the heights and slices are to be read from it, and what is told of that.

    Parameters
    ----------
    source : HeightSource
    calibrate : Result or None
        Of the operation ``calibrate``.
    choice : str
        One of :data:`geotrim.core.calibration.CORRECTIONS`.

    Raises
    ------
    RangeError
        If a correction is asked for and there are no readings, or too few.
    """
    if choice == CORRECTIONS[0]:
        return source, ()
    if calibrate is None or "calibration" not in calibrate.tables:
        raise RangeError(
            "height_correction",
            f"{choice!r} without stick readings",
            "readings to correct by",
            "give them ([readings], --readings), or say height_correction none",
        )
    row = calibrate["calibration"].iloc[0]
    n = int(row["n_trees"])
    found = correction(
        choice,
        n=n,
        bias_ft=float(row["bias_ft"]),
        sd_ft=float(row["sd_ft"]),
        rmse_ft=float(row["rmse_ft"]),
        reading_error_ft=float(row["reading_error_ft"]),
        stated_error_ft=np.nan if source.rmse_ft is None else source.rmse_ft,
    )
    assert found is not None  # a choice was made
    text = correction_words(choice, found, n)
    note = Note("heights", text, "assumed")
    return CorrectedHeights(source, found.shift_ft, found.error_ft), (note,)


def correction_words(choice: str, made: Correction, n: int) -> str:
    """What was done to every height, with the caveat of few checks."""
    how = f"by stick readings of {n} trees"
    error = f"error {made.error_ft:.2f} ft"
    few = f" ({n} are fewer than the {ENOUGH_CHECKS} that a statement of accuracy asks for)"
    few = few if n < ENOUGH_CHECKS else ""
    usual = ", as taken where none is stated, since so few trees cannot show that it is less"
    if choice == "error":
        found = "as stated, no less being found" if made.is_stated else "as found"
        why = f"{usual} ({n} with stick readings)" if made.is_usual else f", {found} {how}"
        return f"{error}{why}; the heights themselves are not changed{few}"
    size = np.abs(made.shift_ft)
    if size < NO_SHIFT_FT:
        text = f"not moved, since the bias found {how} is less than 0.01 ft"
    else:
        does = "raised" if made.shift_ft < 0 else "lowered"
        text = f"{does} by {size:.2f} ft, the bias found {how}"
    source = " as stated" if made.is_stated else usual if made.is_usual else ""
    return f"{text}; {error}{source}{few}"
