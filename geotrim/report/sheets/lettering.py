"""How much paper words take, measured in the font they are printed in."""

from __future__ import annotations

from functools import cache
from pathlib import Path
from typing import Any

#: The font of all sheets. It comes with matplotlib, so that no font of the system is needed.
FONT = "DejaVu Sans"
#: Of the size: from the baseline to the top of capitals, and to the foot of a letter such as g.
RISE, FALL = 0.73, 0.236
_SIZE = 100.0


def font_folder() -> Path:
    """Folder that holds the font's files."""
    import matplotlib as mpl

    return Path(mpl.get_data_path()) / "fonts" / "ttf"


def width_pt(words: str, size_pt: float, *, is_bold: bool = False) -> float:
    """Width of words on one line. [pt].

    Examples
    --------
    >>> round(width_pt("0", 10.0), 2), width_pt("", 10.0)
    (6.36, 0.0)
    """
    return sum(_advance(letter, is_bold) for letter in words) * size_pt / _SIZE


def folded(words: str, size_pt: float, room_pt: float, *, is_bold: bool = False) -> list[str]:
    """Words broken into lines no wider than a room; a word that is too long is cut.

    Examples
    --------
    >>> folded("red mangrove", 10.0, 50.0)
    ['red', 'mangrov', 'e']
    """
    lines, line = [], ""
    for word in words.split():
        longer = f"{line} {word}".strip()
        if width_pt(longer, size_pt, is_bold=is_bold) <= room_pt:
            line = longer
            continue
        if line:
            lines.append(line)
        while width_pt(word, size_pt, is_bold=is_bold) > room_pt and len(word) > 1:
            n = next(
                k for k in range(len(word), 0, -1)
                if k == 1 or width_pt(word[:k], size_pt, is_bold=is_bold) <= room_pt
            )  # fmt: skip
            lines.append(word[:n])
            word = word[n:]
        line = word
    return [*lines, line] if line or not lines else lines


def missing_letters(words: str) -> list[str]:
    """Letters the font has no shape for, each once: a box is printed for them.

    Examples
    --------
    >>> missing_letters("T-7, Wang"), len(missing_letters("\u6f22\u5b57 \u6f22"))
    ([], 2)
    """
    return [one for one in dict.fromkeys(words) if one.isprintable() and not _has(one)]


@cache
def _has(letter: str) -> bool:
    return bool(_font(False).get_char_index(ord(letter)))


@cache
def _advance(letter: str, is_bold: bool) -> float:
    """Advance width of a letter at the measuring size; of the box where the font has none."""
    font = _font(is_bold)
    glyph = font.get_char_index(ord(letter))  # 0, the box, where there is none
    return float(font.load_glyph(glyph).linearHoriAdvance / 65536.0)


@cache
def _font(is_bold: bool) -> Any:
    from matplotlib.ft2font import FT2Font

    name = "DejaVuSans-Bold.ttf" if is_bold else "DejaVuSans.ttf"
    font = FT2Font(str(font_folder() / name))
    font.set_size(_SIZE, 72)
    return font
