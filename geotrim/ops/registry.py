"""What an operation is, said once; every face grows from it.

The classes here are plain on purpose: ``geotrim --help`` reads every declaration, and must start
about as fast as Python itself, so nothing is imported and no operation is loaded until it runs.
"""

from __future__ import annotations

from geotrim.errors import RangeError, RegistryError

KINDS = ("number", "whole", "choice", "text", "numbers", "flag")


class Param:
    """One typed parameter of an operation.

    Parameters
    ----------
    name : str
        The unit is its last word (``reach_ft``).
    kind : str
        ``number``, ``whole``, ``choice``, ``text``, ``numbers`` (rising list) or ``flag``.
    default : object
        Value when the user says nothing. None means "not used".
    help : str
        One line, in plain words.
    low, high : float, optional
        Limits, both allowed unless ``is_low_open`` says the low one is not.
    choices : tuple of str
        For kind ``choice``.
    n_numbers : int, optional
        For kind ``numbers``: how many there must be, if not any number from ``n_least`` up.
    n_least : int
        For kind ``numbers``: the fewest. Where it is 1 a number by itself is a list of one.
    is_any_order : bool
        For kind ``numbers``: those that do not rise are put in order, and told twice count once.
    is_list : bool
        For kind ``text``: a list of texts is taken too, and joined with commas.
    """

    __slots__ = (
        "choices",
        "default",
        "help",
        "high",
        "is_any_order",
        "is_list",
        "is_low_open",
        "kind",
        "low",
        "n_least",
        "n_numbers",
        "name",
    )

    def __init__(
        self,
        name: str,
        kind: str,
        default: object,
        help: str,
        *,
        low: float | None = None,
        high: float | None = None,
        is_low_open: bool = False,
        choices: tuple[str, ...] = (),
        n_numbers: int | None = None,
        n_least: int = 2,
        is_any_order: bool = False,
        is_list: bool = False,
    ) -> None:
        if kind not in KINDS:
            raise RegistryError(f"parameter {name!r}", f"kind {kind!r}", ", ".join(KINDS), "fix it")
        self.name, self.kind, self.default, self.help = name, kind, default, help
        self.low, self.high, self.is_low_open, self.choices = low, high, is_low_open, choices
        self.n_numbers, self.n_least, self.is_any_order = n_numbers, n_least, is_any_order
        self.is_list = is_list

    @property
    def option(self) -> str:
        """Name on the command line."""
        return "--" + self.name.replace("_", "-")

    def check(self, value: object, where: str | None = None) -> object:
        """The value in its own type, or an error that names it.

        Parameters
        ----------
        value : object
            Text is not converted here: the command line does that first.
        where : str, optional
            How the user knows the parameter; the name by default.
        """
        where = where or self.name
        if hasattr(value, "tolist"):  # numpy's own numbers and arrays
            value = value.tolist()
        if value is None and self.default is None:
            return None
        if self.kind in ("number", "whole"):
            return self._number(value, where)
        if self.kind == "numbers":
            return self._numbers(value, where)
        if self.kind == "choice" and value not in self.choices:
            raise RangeError(
                where, f"{value!r}", f"one of {', '.join(self.choices)}", "choose one of these"
            )
        if self.is_list and isinstance(value, (list, tuple)) and value:
            value = ", ".join(value) if all(isinstance(item, str) for item in value) else value
        if self.kind in ("text", "choice") and not isinstance(value, str):
            raise RangeError(where, f"{value!r}", "text", "put it in quotes")
        if self.kind == "flag" and not isinstance(value, bool):
            raise RangeError(where, f"{value!r}", "true or false", "write it without quotes")
        return value

    def _number(self, value: object, where: str) -> float | int:
        whole = self.kind == "whole"
        good = isinstance(value, int if whole else (int, float)) and not isinstance(value, bool)
        if not good or value != value or value in (float("inf"), float("-inf")):
            raise RangeError(
                where,
                f"{value!r}",
                "a whole number" if whole else "a number",
                "write it in digits, without quotes or unit",
            )
        number: float = value  # type: ignore[assignment]
        too_low = self.low is not None and (
            number < self.low or (self.is_low_open and number == self.low)
        )
        if too_low or (self.high is not None and number > self.high):
            raise RangeError(
                where, f"{number:g}", self.limits(), "choose a value inside the limits"
            )
        return int(number) if whole else float(number)

    def _numbers(self, value: object, where: str) -> tuple[float, ...]:
        if self.n_least == 1 and isinstance(value, (int, float)) and not isinstance(value, bool):
            value = [value]
        if not isinstance(value, (list, tuple)) or len(value) < self.n_least:
            one_only = isinstance(value, (list, tuple)) and len(value) == 1
            raise RangeError(
                where,
                f"only {value[0]}" if one_only else f"{value!r}",  # type: ignore[index]
                "one number or more" if self.n_least == 1 else "two numbers or more, rising",
                "write them as a list with commas between, such as 6,10",
            )
        if self.n_numbers is not None and len(value) != self.n_numbers:
            raise RangeError(
                where,
                f"{len(value)} numbers",
                f"{self.n_numbers} numbers, rising",
                "leave out those that are not meant",
            )
        one = Param(self.name, "number", 0.0, self.help, low=self.low, high=self.high)
        numbers = tuple(float(one._number(item, where)) for item in value)
        if self.is_any_order:
            return tuple(sorted(set(numbers)))
        if any(numbers[i + 1] <= numbers[i] for i in range(len(numbers) - 1)):
            shown = ", ".join(f"{n:g}" for n in numbers)
            raise RangeError(where, f"{shown}", "numbers that rise", "put the lowest first")
        return numbers

    def limits(self) -> str:
        """The limits in words."""
        low = "" if self.low is None else f"{'above' if self.is_low_open else 'from'} {self.low:g}"
        high = "" if self.high is None else f"up to {self.high:g}"
        return " ".join(part for part in (low, high) if part) or "any number"

    def schema(self) -> dict[str, object]:
        """JSON Schema of the value."""
        kinds = {"number": "number", "whole": "integer", "numbers": "array", "flag": "boolean"}
        out: dict[str, object] = {"type": kinds.get(self.kind, "string"), "description": self.help}
        if self.default is not None:
            out["default"] = list(self.default) if isinstance(self.default, tuple) else self.default
        if self.choices:
            out["enum"] = list(self.choices)
        target: dict[str, object] = out
        if self.kind == "numbers":
            target = {"type": "number"}
            out |= {"items": target, "minItems": self.n_numbers or self.n_least}
            if self.n_numbers is not None:
                out["maxItems"] = self.n_numbers
        if self.low is not None:
            target["exclusiveMinimum" if self.is_low_open else "minimum"] = self.low
        if self.high is not None:
            target["maximum"] = self.high
        return out


class Operation:
    """One declared operation.

    Parameters
    ----------
    name : str
        Command name, words joined by hyphens.
    summary : str
        One sentence.
    function : str
        ``package.module:function``, loaded when the operation first runs. It takes the fields of
        ``inputs`` and the results of ``after`` by name (with ``_`` for ``-``, and ``_result``
        after the name where an input has it too) and the parameters as keywords, and returns a
        :class:`geotrim.model.Result`.
    inputs : tuple of str
        Site fields it needs; those ending in ``?`` are used when given.
    after : tuple of str
        Operations whose results it builds on; those ending in ``?`` are used where they could
        run, and handed over as None where they could not.
    outputs : dict
        Table name -> names of its measured columns, units last.
    params : tuple of Param
    rules : tuple of str
        Ids of the rules it uses.
    caution : str
        What a reader of its results must not forget.
    words : str
        ``package.module:function`` that tells a result in words, from a site and the results by
        name. Without it the tables themselves are printed.
    """

    __slots__ = (
        "after",
        "caution",
        "function",
        "inputs",
        "name",
        "outputs",
        "params",
        "rules",
        "summary",
        "words",
    )

    def __init__(
        self,
        name: str,
        summary: str,
        *,
        function: str,
        inputs: tuple[str, ...],
        outputs: dict[str, tuple[str, ...]],
        params: tuple[Param, ...] = (),
        after: tuple[str, ...] = (),
        rules: tuple[str, ...] = (),
        caution: str = "",
        words: str = "",
    ) -> None:
        self.name, self.summary, self.function, self.words = name, summary, function, words
        self.inputs, self.outputs, self.params = inputs, outputs, params
        self.after, self.rules, self.caution = after, rules, caution

    def builds_on(self) -> tuple[str, ...]:
        """Names of the operations before it, needed or not."""
        return tuple(name.removesuffix("?") for name in self.after)

    def needs(self) -> tuple[str, ...]:
        """Names of the operations it cannot do without."""
        return tuple(name for name in self.after if not name.endswith("?"))

    def load(self) -> object:
        """The function itself."""
        return loaded(self.function)

    def load_words(self) -> object | None:
        """The function that tells a result in words, or None."""
        return loaded(self.words) if self.words else None

    def check(self, values: dict[str, object]) -> dict[str, object]:
        """Every parameter with its checked value, defaults filled in."""
        return checked_params(self.params, values, self.name)


def checked_params(
    params: tuple[Param, ...], values: dict[str, object], owner: str
) -> dict[str, object]:
    """Every parameter with its checked value, defaults filled in.

    Raises
    ------
    RangeError
        If a value is outside its limits, or names no parameter of the owner.
    """
    known = {param.name: param for param in params}
    for name in values:
        if name not in known:
            raise RangeError(
                name,
                f"no such parameter of {owner}",
                f"one of {', '.join(known)}",
                "check the spelling",
            )
    return {name: p.check(values.get(name, p.default)) for name, p in known.items()}


def loaded(name: str) -> object:
    """What ``package.module:function`` names."""
    from importlib import import_module

    module, _, function = name.partition(":")
    return getattr(import_module(module), function)
