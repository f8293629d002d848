"""What a calibration tells where readings are of another place, or higher than trees grow."""

from __future__ import annotations

import numpy as np
import pytest
from test_calibrate import CRS, TOPS, X, Y, by_id, crowns, figures, grid, readings, told

from geotrim.model import Site
from geotrim.ops.calibrate import calibrate
from geotrim.report.calibration_text import calibration_text

SITE = Site("s", CRS, None, None, "")


def text_of(result):
    return calibration_text(SITE, {"calibrate": result})


@pytest.mark.parametrize("n", [1, 3])
def test_readings_of_another_place_are_told_first(n):
    places = [(X - 5000 + 30 * k, Y) for k in range(n)]
    result = calibrate(grid(), readings([None] * n, [9.0] * n, places))
    assert figures(result)["n_trees"] == 0
    first = result.notes[0]
    assert first.about == "calibrate" and first.text.startswith("nothing overlaps: every reading")
    text = " ".join(text_of(result).split())
    assert text.startswith("Nothing overlaps: every reading lies off the raster or on no data.")
    assert "reference system" in text and f"not compared: {n}" in text
    assert "not known" not in text


def test_other_reasons_are_not_called_another_place():
    """One off the raster, one without a height; then two of one reason."""
    two = calibrate(grid(), readings([None, "t1"], [9.0, np.nan], [(X - 5000, Y), None]), crowns())
    assert text_of(two).startswith("No reading could be compared with the raster.")
    assert "nothing overlaps" not in told(two)
    tags = calibrate(grid(), readings(["a", "b"], [9.0, 9.0]), crowns())
    assert text_of(tags).startswith("No reading could be compared: no crown has its crown id.")
    some = calibrate(grid(), readings([None, "t1"], [9.0, 9.0], [(X - 5000, Y), None]), crowns())
    assert text_of(some).startswith("Stick readings against the height raster")
    assert "nothing overlaps" not in told(some)


@pytest.mark.parametrize(("tall", "has"), [(400.0, True), (100.1, True), (100.0, False)])
def test_a_reading_higher_than_trees_grow_is_told(tall, has):
    heights = np.array(TOPS) + 1.0
    heights[2] = tall
    given = by_id(0.0)
    given["height_ft"] = heights
    result = calibrate(grid(), given, crowns())
    note = "1 reading over 100 ft, higher than mangroves grow in Florida (from memory); kept: "
    assert (f"{note}check reading and unit (row 3, crown t2: {tall:.1f} ft)" in told(result)) == has
    assert figures(result)["n_trees"] == len(TOPS)  # told, and left to the person who read it
