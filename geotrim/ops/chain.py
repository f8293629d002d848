"""From a site to its results: each operation gets what it declares, in the order of a run.

The functions of the operations know nothing of a :class:`~geotrim.model.Site`; this module hands
them its fields, the results they build on and their checked parameters, all by keyword.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from typing import Any, cast

from geotrim.errors import GeotrimError, RangeError, RegistryError
from geotrim.model import HeightSource, Note, Result, Site
from geotrim.ops.catalogue import OPERATIONS
from geotrim.ops.plugins import all_operations, plugins
from geotrim.ops.registry import Operation, Param

#: Site field -> how a message calls it, where the field's name is not enough.
INPUT_WORDS = {
    "lots": "lots (parcel polygons)",
    "mhw_line": "a shore line (mhw_line)",
    "crowns": "crowns (canopy polygons)",
    "heights": "a raster of heights above the substrate (heights)",
    "trunks": "trunk points (trunks)",
    "eyes": "eyes (points to look from)",
    "ground": "a raster of ground elevations (ground)",
    "readings": "stick readings of tree heights (readings)",
}

#: Operations of the same inputs that read the height raster once between them.
ONE_PASS = ("heights", "slices")


def measure(
    site: Site,
    operations: Iterable[str] | None = None,
    *,
    progress: Callable[[str], None] | None = None,
) -> dict[str, Result]:
    """Run operations on a site.

    Parameters
    ----------
    site : Site
    operations : iterable of str, optional
        Names of operations; those they build on are run too. All of them by default, and then one
        that lacks an input is left out, with a note of level ``missing`` in its place.
    progress : callable, optional
        Called with the name of each operation before it runs.

    Returns
    -------
    results : dict
        Operation name -> Result, in the order they ran. The result of one that was left out has
        no tables.

    Raises
    ------
    GeotrimError
        If an option is unknown or outside its limits, if an operation asked for by name lacks an
        input, or if an input does not fit.

    Notes
    -----
    Bad input stops the run, because figures that follow from it would be wrong. Only an operation
    of a plug-in may fail alone: it is told, and the others go on.
    """
    every = all_operations()
    asked = None if operations is None else list(operations)
    chosen = every if asked is None else closure(asked, every)
    needed = set() if asked is None else closure(asked, every, only_needed=True)
    check_options(site.options, every)
    results: dict[str, Result] = {}
    for name in chosen:
        if name in results:
            continue
        if progress is not None:
            progress(name)
        if name == ONE_PASS[0] and ONE_PASS[1] in chosen and not _lacking(chosen[name], site, {}):
            results |= _one_pass(site, results)
        else:
            results[name] = _step(chosen[name], site, results, is_asked=name in needed)
    return results


def run_operation(
    name: str | Operation,
    site: Site,
    results: Mapping[str, Result],
    options: Mapping[str, Any] | None = None,
) -> Result:
    """Run one operation on a site.

    Parameters
    ----------
    name : str or Operation
    site : Site
    results : mapping
        Results of the operations it builds on, by name.
    options : mapping, optional
        Parameter name -> value; those of other operations are ignored. The site's by default.

    Raises
    ------
    GeotrimError
        If an input or a result it needs is missing, a parameter is outside its limits, or an
        input does not fit.
    """
    operation = name if isinstance(name, Operation) else operation_named(name)
    lacking = _lacking(operation, site, results)
    if lacking:
        raise GeotrimError(
            operation.name,
            f"no {_without_article(lacking[0])}",
            " and ".join(lacking),
            "give what is missing, or leave this operation out",
        )
    given = site.options if options is None else options
    parameters = operation.check(_of(operation.params, given))
    bound: dict[str, Any] = {item: getattr(site, item) for item in _fields(operation)}
    for other in operation.builds_on():
        result, key = results.get(other), other.replace("-", "_")
        key = f"{key}_result" if key in bound else key  # an input has the name already
        bound[key] = result if _has_tables(result) else None
    function = cast(Callable[..., Any], operation.load())
    result = function(**bound, **parameters)
    if not isinstance(result, Result):
        raise TypeError(f"{operation.function} returned a {type(result).__name__}, not a Result")
    return result


def operation_named(name: str, every: Mapping[str, Operation] = OPERATIONS) -> Operation:
    """The operation of that name, from those given, geotrim's own or a plug-in.

    Raises
    ------
    RegistryError
        If there is none.
    """
    if name in every:
        return every[name]
    every = all_operations()
    if name not in every:
        broken = [label for label, _ in plugins()[1]]
        hint = f"; broken plug-ins: {', '.join(broken)}" if broken else ""
        raise RegistryError(
            "operation", f"{name!r}", f"one of {', '.join(every)}{hint}", "check the spelling"
        )
    return every[name]


def closure(
    names: Iterable[str],
    every: Mapping[str, Operation] | None = None,
    *,
    only_needed: bool = False,
) -> dict[str, Operation]:
    """The named operations and all they build on, in the order of a run.

    Parameters
    ----------
    names : iterable of str
    every : mapping, optional
        Name -> Operation to choose from.
    only_needed : bool
        Leave out those that are only used where they could run.
    """
    every = all_operations() if every is None else every
    wanted: set[str] = set()
    waiting = list(names)
    while waiting:
        name = waiting.pop()
        if name not in wanted:
            operation = operation_named(name, every)
            waiting.extend(operation.needs() if only_needed else operation.builds_on())
            wanted.add(name)
    return {name: every[name] for name in every if name in wanted}


def params_of(operations: Iterable[Operation]) -> dict[str, Param]:
    """Parameters of some operations by name, each once, in order."""
    return {param.name: param for operation in operations for param in operation.params}


def inputs_of(operations: Iterable[Operation]) -> dict[str, bool]:
    """Site fields some operations read, and whether one of them cannot do without.

    The last of them is what is asked for: an operation that only serves it where it can run makes
    no input needed.
    """
    chain = {operation.name: operation for operation in operations}
    sure = closure([list(chain)[-1]], chain, only_needed=True) if chain else {}
    needed: dict[str, bool] = {}
    for name, operation in chain.items():
        for item in operation.inputs:
            field = item.removesuffix("?")
            is_needed = name in sure and not item.endswith("?")
            needed[field] = needed.get(field, False) or is_needed
    return needed


def check_options(options: Mapping[str, Any], every: Mapping[str, Operation]) -> None:
    """Refuse an option that no operation knows, or a value outside its limits."""
    known = params_of(every.values())
    for name, value in options.items():
        if name not in known:
            raise RangeError(
                f"option {name!r}", "no such option", f"one of {', '.join(known)}", "check it"
            )
        known[name].check(value)


def _step(
    operation: Operation, site: Site, results: Mapping[str, Result], *, is_asked: bool
) -> Result:
    """One operation of a chain, or the note that stands in its place."""
    lacking = _lacking(operation, site, results)
    if lacking and not is_asked:
        text = f"not measured, for want of {' and '.join(lacking)}"
        return Result(operation.name, {}, (Note(operation.name, text, "missing"),))
    if is_asked or operation.name in OPERATIONS:
        return run_operation(operation, site, results)
    try:
        return run_operation(operation, site, results)
    except Exception as error:  # a plug-in that fails never stops the others
        text = f"this plug-in's operation failed: {type(error).__name__}: {error}"
        return Result(operation.name, {}, (Note(operation.name, text, "missing"),))


def _one_pass(site: Site, results: Mapping[str, Result]) -> dict[str, Result]:
    """Heights and slices from one reading of the raster."""
    from geotrim.ops.canopy import heights_and_slices

    params = params_of(OPERATIONS[name] for name in ONE_PASS)
    parameters = _of(params.values(), site.options)
    calibrated = results.get("calibrate")
    both = heights_and_slices(
        site.crowns,
        cast(HeightSource, site.heights),
        calibrated if _has_tables(calibrated) else None,
        site.profiles,
        **parameters,
    )
    return dict(zip(ONE_PASS, both, strict=True))


def _lacking(operation: Operation, site: Site, results: Mapping[str, Result]) -> list[str]:
    """What an operation needs and does not get, in words."""
    fields = [item for item in operation.inputs if not item.endswith("?")]
    lacking = [INPUT_WORDS.get(f, f) for f in fields if getattr(site, f, None) is None]
    if lacking:
        return lacking
    without = [name for name in operation.needs() if not _has_tables(results.get(name))]
    return [f"the result of {name}" for name in without]


def _without_article(words: str) -> str:
    """Words that can stand behind "no".

    Examples
    --------
    >>> _without_article("a shore line (mhw_line)"), _without_article("lots (parcel polygons)")
    ('shore line (mhw_line)', 'lots (parcel polygons)')
    >>> _without_article("the result of frontage")
    'result of frontage'
    """
    first, _, rest = words.partition(" ")
    return rest if first in ("a", "an", "the") else words


def _has_tables(result: Result | None) -> bool:
    return result is not None and bool(result.tables)


def _fields(operation: Operation) -> list[str]:
    return [item.removesuffix("?") for item in operation.inputs]


def _of(params: Iterable[Param], options: Mapping[str, Any]) -> dict[str, Any]:
    return {param.name: options[param.name] for param in params if param.name in options}
