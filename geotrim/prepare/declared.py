"""What a preparation is, said once; the command, its help and the README grow from it.

A preparation makes an input of a site from raw files. It differs from an operation in that it opens
files and writes them, and needs no site. Like operations, declarations are kept light.
"""

from __future__ import annotations

from geotrim.errors import RegistryError
from geotrim.ops.registry import Param, checked_params, loaded

#: Kinds of file -> what may be said of every file of the kind: (key, metavar, help).
KINDS: dict[str, tuple[tuple[str, str, str], ...]] = {
    "vector": (
        ("layer", "NAME", "layer, if several"),
        ("crs", "CRS", "its CRS, if the file says none"),
    ),
    "raster": (
        ("unit", "UNIT", "vertical unit, if the file says none: ft, us-ft, m"),
        ("band", "N", "band to read, from 1"),
        ("crs", "CRS", "its CRS, if the file says none"),
    ),
    "counts": (
        ("band", "N", "band to read, from 1"),
        ("crs", "CRS", "its CRS, if the file says none"),
    ),
    "distances": (
        ("unit", "UNIT", "unit of the distances, if the file says none: ft, us-ft, m"),
        ("band", "N", "band to read, from 1"),
        ("crs", "CRS", "its CRS, if the file says none"),
    ),
    "table": (
        ("layer", "NAME", "layer, if several"),
        ("crs", "CRS", "CRS of its positions, if the file says none"),
    ),
    "cloud": (
        ("unit", "UNIT", "vertical unit, if the file says none: ft, us-ft, m"),
        ("crs", "CRS", "its CRS, if the file says none"),
    ),
    "ledger": (),
}
#: Keys whose value is a number.
NUMBER_KEYS = {"band": int}


class Source:
    """A file, or several, that a preparation reads.

    Parameters
    ----------
    name : str
        Also the option: ``--name FILE``.
    kind : str
        A key of ``KINDS``.
    help : str
        One line, in plain words.
    is_required : bool
    is_many : bool
        Whether the option may be said again, for more files of the kind.
    keys : tuple of (key, metavar, help)
        What may be said of it beside that of its kind; ``_ft`` and ``rmse`` keys are numbers.
    """

    __slots__ = ("help", "is_many", "is_required", "keys", "kind", "name")

    def __init__(
        self,
        name: str,
        kind: str,
        help: str,
        *,
        is_required: bool = False,
        is_many: bool = False,
        keys: tuple[tuple[str, str, str], ...] = (),
    ) -> None:
        if kind not in KINDS:
            raise RegistryError(f"source {name!r}", f"kind {kind!r}", ", ".join(KINDS), "fix it")
        self.name, self.kind, self.help = name, kind, help
        self.is_required, self.is_many = is_required, is_many
        self.keys = (*keys, *KINDS[kind])

    @property
    def option(self) -> str:
        """Name on the command line."""
        return "--" + self.name.replace("_", "-")

    def option_of(self, key: str) -> str:
        """Option of a key."""
        return f"{self.option}-{key.replace('_', '-')}"


class Preparation:
    """One declared preparation.

    Parameters
    ----------
    name : str
        The word after ``geotrim prepare``.
    summary : str
        One sentence, with a full stop.
    function : str
        ``package.module:function``; it takes a :class:`geotrim.prepare.task.Task` and returns a
        :class:`geotrim.prepare.task.Prepared`.
    sources : tuple of Source
    outputs : dict
        File -> what it is.
    params : tuple of Param
    caution : str
        What a reader of the output must not forget.
    """

    __slots__ = ("caution", "function", "name", "outputs", "params", "sources", "summary")

    def __init__(
        self,
        name: str,
        summary: str,
        *,
        function: str,
        sources: tuple[Source, ...],
        outputs: dict[str, str],
        params: tuple[Param, ...] = (),
        caution: str = "",
    ) -> None:
        self.name, self.summary, self.function = name, summary, function
        self.sources, self.outputs, self.params, self.caution = sources, outputs, params, caution

    def load(self) -> object:
        """The function itself."""
        return loaded(self.function)

    def check(self, values: dict[str, object]) -> dict[str, object]:
        """Every parameter with its checked value, defaults filled in."""
        return checked_params(self.params, values, f"prepare {self.name}")
