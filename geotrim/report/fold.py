"""Text in lines as wide as a terminal."""

from __future__ import annotations

import textwrap

WIDTH = 80


def fold(text: str, first: str = "  ", rest: str = "  ") -> list[str]:
    """Lines of at most 80 columns.

    Parameters
    ----------
    text : str
    first, rest : str
        What stands before the first line, and before the others.

    Examples
    --------
    >>> fold("a duty that goes with it", "- ", "  ")
    ['- a duty that goes with it']
    """
    return textwrap.wrap(
        " ".join(str(text).split()), WIDTH, initial_indent=first, subsequent_indent=rest
    )


def bullet(text: str) -> list[str]:
    """One item of a list."""
    return fold(text, "  - ", "    ")
