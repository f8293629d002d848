"""Whether elevations count from one vertical datum."""

from __future__ import annotations

from pathlib import Path

from geotrim.core.datums import are_one_datum, datum_named
from geotrim.errors import CRSError
from geotrim.io.vertical import vertical_datum


def settled_datum(path: str | Path, stated: str | None, subject: str) -> str | None:
    """The vertical datum of a raster, from its file or from the user; None if nobody says it.

    Raises
    ------
    CRSError
        If the two contradict each other.
    """
    label = vertical_datum(path, subject)
    own = None if label is None else datum_named(label)
    said = None if stated is None else datum_named(stated)
    if own is not None and said is not None and not are_one_datum(own, said):
        raise CRSError(
            f"{subject} datum",
            f"{said} as stated, where the file says {own}",
            "one vertical datum",
            "leave the datum out if the file is right, or correct the file's label",
        )
    return own or said


def check_same_datum(
    one: str | None,
    other: str | None,
    subjects: tuple[str, str],
    mend: str = "have one of them brought to the other's datum before heights are taken",
) -> None:
    """Two known vertical datums must be one.

    Raises
    ------
    CRSError
        If they differ: the difference between them would be read as height.
    """
    if one is not None and other is not None and not are_one_datum(one, other):
        raise CRSError(
            f"{subjects[1]} datum",
            f"{other}, where the {subjects[0].lstrip('-')} is in {one}",
            "both in one vertical datum",
            mend,
        )
