"""Checks of finished sheets, read back from the PDF by general-purpose libraries.

A word is looked at as the turned box around its letters, from a little under the baseline to the
height of small capitals, so that neither a turned word nor the lines of a paragraph are taken for
words on top of each other.
"""

from __future__ import annotations

import io
from dataclasses import dataclass

import numpy as np
import pdfplumber
import shapely

#: Letter paper on its side: 11 x 8.5 in of 72 pt. [pt]
WIDTH_PT, HEIGHT_PT = 792.0, 612.0
#: From the edge of the paper to the frame. [pt]
MARGIN_PT = 28.8
#: Of the size of letters: foot and head of the box that is looked at.
FOOT, HEAD = -0.12, 0.62
#: Least size of words on paper. [pt]
LEAST_PT = 5.5
#: Least area that two words share before they are said to lie on each other. [pt2]
TOUCH_PT2 = 0.25


@dataclass(frozen=True)
class Word:
    """Letters that follow each other on one page; the box is in points from the lower left."""

    page: int
    text: str
    box: shapely.Polygon
    size_pt: float


def pages_of(pdf: bytes) -> list[list[Word]]:
    """Words of each page."""
    return [words for _, _, words in _read(pdf)]


def _read(pdf: bytes):
    """Size, number of pictures of dots, and words of each page; each is let go once it is read."""
    with pdfplumber.open(io.BytesIO(pdf)) as opened:
        for page in opened.pages:
            yield (float(page.width), float(page.height)), len(page.images), words_of(page)
            page.close()


def words_of(page) -> list[Word]:
    """Words of one page: letters of one line with no gap between them."""
    out, run = [], []
    for char in page.chars:
        if char["text"].isspace() or char["text"] == "\u200b":
            out += _word(page, run)
            run = []
            continue
        if run and not _follows(run[-1], char):
            out += _word(page, run)
            run = []
        run.append(char)
    return out + _word(page, run)


def _along(char):
    """Unit vector along a letter's baseline, its origin, size and advance.

    The box around a turned letter is as wide as advance and size lie along the paper: two
    equations, but for words at half a right angle, whose letters are taken for 0.55 of their size.
    """
    a, b, _, _, x, y = char["matrix"]
    way = np.array([a, b]) / np.hypot(a, b)
    cos, sin = np.abs(way)
    wide, high = char["x1"] - char["x0"], char["bottom"] - char["top"]
    det = cos**2 - sin**2
    if abs(det) > 0.2:
        advance, size = (wide * cos - high * sin) / det, (high * cos - wide * sin) / det
    else:
        size = wide / (0.55 * cos + sin)
        advance = 0.55 * size
    return way, np.array([x, y]), float(size), float(advance)


def _follows(one, other):
    way, at, size, _ = _along(one)
    way2, at2, size2, _ = _along(other)
    is_half = abs(way[0] ** 2 - way[1] ** 2) <= 0.2  # its size is not known well
    if (abs(size - size2) > 0.05 * size and not is_half) or way @ way2 < 0.999:
        return False
    step = at2 - at
    aside = abs(way[0] * step[1] - way[1] * step[0])
    return aside < 0.1 * size and 0.0 <= way @ step < 1.6 * size


def _word(page, run):
    if not run:
        return []
    way, start, size, _ = _along(run[0])
    _, last, _, advance = _along(run[-1])
    up = np.array([-way[1], way[0]])
    end = last + way * advance
    low, high = up * size * FOOT, up * size * HEAD
    box = shapely.Polygon([start + low, end + low, end + high, start + high])
    text = "".join(char["text"] for char in run)
    return [Word(page.page_number, text, box, size)]


def overlaps(words: list[Word]) -> list[tuple[str, str]]:
    """Pairs of words of a page that lie on each other."""
    boxes = [word.box for word in words]
    tree = shapely.STRtree(boxes)
    left, right = tree.query(boxes, predicate="intersects")
    found = []
    for i, j in zip(left.tolist(), right.tolist(), strict=True):
        if i < j and boxes[i].intersection(boxes[j]).area > TOUCH_PT2:
            found.append((words[i].text, words[j].text))
    return found


def outside(words: list[Word]) -> list[str]:
    """Words of a page that stand outside its frame, or stick out of it."""
    frame = shapely.box(MARGIN_PT, MARGIN_PT, WIDTH_PT - MARGIN_PT, HEIGHT_PT - MARGIN_PT)
    return [word.text for word in words if not frame.covers(word.box)]


def check_sheets(pdf: bytes) -> list[list[Word]]:
    """Every page is letter paper on its side, and no word lies on another or out of the frame.

    Returns the words, page by page.
    """
    sizes, images, pages = zip(*_read(pdf), strict=True)
    assert set(sizes) == {(WIDTH_PT, HEIGHT_PT)}
    assert not any(images), f"pictures of dots on {images}"
    for number, words in enumerate(pages, start=1):
        assert words, f"sheet {number} has no words"
        assert not overlaps(words), f"sheet {number}: {overlaps(words)[:5]}"
        assert not outside(words), f"sheet {number}: {outside(words)[:5]}"
        least = min(word.size_pt for word in words)
        assert least >= LEAST_PT - 0.01, f"sheet {number}: words of {least} pt"
    return list(pages)
