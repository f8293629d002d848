"""The ground on paper, and how much room words take."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from geotrim.report.sheets import lettering
from geotrim.report.sheets.true_scale import SCALES_FT, Frame, scale_that_fits


@given(
    st.sampled_from(SCALES_FT),
    st.floats(-180, 180),
    st.floats(0, 360),
    st.floats(0.5, 500),
    st.sampled_from([1.0, 1200 / 3937 / 0.3048, 1 / 0.3048]),
)
@settings(max_examples=60, deadline=None)
def test_a_length_on_paper_is_the_length_on_the_ground(scale, turn, way, length_ft, feet):
    """An inch is 72 points, so L ft at 1 in = S ft are 72 L/S points, whichever way they run."""
    frame = Frame(280_000.0, 1_180_000.0, feet, turn, float(scale), 720.0, 450.0)
    step = length_ft / feet * np.array([math.cos(way), math.sin(way)])
    ends = frame.points([(280_010.0, 1_180_003.0), np.array([280_010.0, 1_180_003.0]) + step])
    assert math.dist(*ends) == pytest.approx(72.0 * length_ft / scale, rel=1e-6)


def test_the_ground_is_turned_counter_clockwise():
    """East of the centre lies up on the paper where the ground is turned by a quarter."""
    frame = Frame(0.0, 0.0, 1.0, 90.0, 20.0, 200.0, 100.0)
    assert frame.points([(20.0, 0.0)])[0] == pytest.approx((100.0, 50.0 - 72.0))
    assert frame.points([(0.0, 20.0)])[0] == pytest.approx((100.0 - 72.0, 50.0))


def test_the_scale_that_fits_is_the_largest_drawing():
    """144 pt are 2 in: 60 ft across fit at 1 in = 30 ft, and 60.1 ft do not."""
    assert scale_that_fits(60.0, 60.0, 144.0, 144.0) == 30
    assert scale_that_fits(60.1, 60.0, 144.0, 144.0) == 40
    assert scale_that_fits(60.0, 60.1, 144.0, 144.0) == 40
    assert scale_that_fits(200.1, 1.0, 144.0, 144.0) is None


@pytest.mark.parametrize("is_bold", [False, True])
def test_words_are_as_wide_as_another_library_has_them(is_bold):
    """Pillow, an independent reader of the same font, without kerning."""
    from PIL import ImageFont

    name = "DejaVuSans-Bold.ttf" if is_bold else "DejaVuSans.ttf"
    font = ImageFont.truetype(str(lettering.font_folder() / name), 1000)
    for letter in "SB-07 mgj|éñ±²":
        expected = font.getlength(letter) / 100.0
        assert lettering.width_pt(letter, 10.0, is_bold=is_bold) == pytest.approx(
            expected, abs=0.02
        )


@given(st.text(alphabet="ab im-W", max_size=60), st.floats(12.0, 200.0))
@settings(max_examples=50, deadline=None)
def test_folded_lines_fit_and_lose_no_letter(words, room):
    lines = lettering.folded(words, 8.0, room)
    assert "".join("".join(lines).split()) == "".join(words.split())
    assert all(lettering.width_pt(line, 8.0) <= room or len(line) == 1 for line in lines)
