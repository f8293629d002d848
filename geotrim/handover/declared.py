"""What a handover is, said once; its command and its help grow from it.

A handover makes papers of a result package: it reads the package, never the site's own inputs.
Declarations are kept light, as those of operations and preparations are.
"""

from __future__ import annotations

from geotrim.ops.registry import Param, checked_params, loaded
from geotrim.prepare.declared import Source


class Handover:
    """One declared handover.

    Parameters
    ----------
    name : str
        The command.
    summary : str
        One sentence, with a full stop.
    function : str
        ``package.module:function``; it takes a :class:`geotrim.handover.job.Job` and returns a
        :class:`geotrim.handover.job.Made`.
    outputs : dict
        File -> what it is.
    sources : tuple of Source
        Files it reads beside the package.
    params : tuple of Param
    suffix : str
        The folder is named after the package's, with this word after it.
    caution : str
        What a reader of the output must not forget.
    """

    __slots__ = (
        "caution",
        "function",
        "name",
        "outputs",
        "params",
        "sources",
        "suffix",
        "summary",
    )

    def __init__(
        self,
        name: str,
        summary: str,
        *,
        function: str,
        outputs: dict[str, str],
        suffix: str,
        sources: tuple[Source, ...] = (),
        params: tuple[Param, ...] = (),
        caution: str = "",
    ) -> None:
        self.name, self.summary, self.function, self.suffix = name, summary, function, suffix
        self.sources, self.outputs, self.params, self.caution = sources, outputs, params, caution

    def load(self) -> object:
        """The function itself."""
        return loaded(self.function)

    def check(self, values: dict[str, object]) -> dict[str, object]:
        """Every parameter with its checked value, defaults filled in."""
        return checked_params(self.params, values, self.name)
