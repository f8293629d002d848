"""The error family: bad input has a name, a place and a way to mend it.

Every error is built from the same four parts, so no message can forget one: which input, what was
found, what is needed, and one way to mend it. Catch :class:`GeotrimError` to catch them all. The
``code`` is stable, for tables and services; the wording is free to improve.
"""

from __future__ import annotations


class GeotrimError(ValueError):
    """Bad input, told in four parts.

    Parameters
    ----------
    subject : str
        The input at fault, as the user knows it: a key, an option, a file, a layer.
    found : str
        What was found there.
    need : str
        What is needed instead.
    mend : str
        One way to mend it.

    Examples
    --------
    >>> print(GeotrimError("lot", "3 crowns", "1 polygon", "choose another layer"))
    lot: found 3 crowns; needed 1 polygon. To mend: choose another layer.
    """

    code = "input"

    def __init__(self, subject: str, found: str, need: str, mend: str) -> None:
        self.subject, self.found, self.need, self.mend = subject, found, need, mend
        super().__init__(f"{subject}: found {found}; needed {need}. To mend: {mend}.")


class CRSError(GeotrimError):
    """Coordinates without a usable reference system."""

    code = "crs"


class UnitError(GeotrimError):
    """A unit that is missing, unknown or contradicted."""

    code = "unit"


class ShapeError(GeotrimError):
    """Arrays or geometries whose shape does not fit the measure."""

    code = "shape"


class RangeError(GeotrimError):
    """A number outside its limits."""

    code = "range"


class FileError(GeotrimError):
    """A file that is missing, unreadable or of the wrong kind."""

    code = "file"


class LayerError(GeotrimError):
    """A layer, field or feature that a file does not hold, or holds in the wrong kind."""

    code = "layer"


class SiteFileError(GeotrimError):
    """A site file that says something unknown, wrong or contradictory."""

    code = "site-file"


class RegistryError(GeotrimError):
    """An operation that is unknown or badly declared."""

    code = "registry"


class RuleError(GeotrimError):
    """A rule file that lacks something, says something unknown, or would loosen a rule."""

    code = "rule"


class EngineError(GeotrimError):
    """Workers that cannot be reached, or that end before their work does."""

    code = "engine"
