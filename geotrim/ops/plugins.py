"""Operations brought by other packages, through Python entry points.

A package names an object in the entry point group ``geotrim.operations``: an
:class:`~geotrim.ops.registry.Operation`, or a callable that returns one or several. A plug-in
that cannot be loaded is told by name and never stops the others, so the faults come back beside
the operations instead of being raised.
"""

from __future__ import annotations

from collections.abc import Iterable
from functools import cache
from typing import Any

from geotrim.errors import RegistryError
from geotrim.ops.catalogue import OPERATIONS
from geotrim.ops.registry import Operation

GROUP = "geotrim.operations"

#: Entry point as the user finds it, and what went wrong with it.
Fault = tuple[str, str]


def operations_from(entry_points: Iterable[Any]) -> tuple[dict[str, Operation], tuple[Fault, ...]]:
    """Operations of some entry points, and what went wrong with the others.

    Parameters
    ----------
    entry_points : iterable
        Objects with ``name``, ``value`` and ``load()``.

    Returns
    -------
    operations : dict
        By operation name; each follows those it builds on.
    faults : tuple of (entry point, what went wrong)
    """
    found: dict[str, Operation] = {}
    brought_by: dict[str, str] = {}
    faults: list[Fault] = []
    for point in sorted(entry_points, key=lambda p: (str(p.name), str(p.value))):
        label = f"{point.name} ({point.value})"
        try:
            for operation in _declared(point.load()):
                _check_new(operation, found)
                found[operation.name] = operation
                brought_by[operation.name] = label
        except Exception as error:  # whatever a stranger's code does, the others still run
            faults.append((label, f"{type(error).__name__}: {error}"))
    ordered, left = in_order(found, given=OPERATIONS)
    for name, operation in left.items():
        after = ", ".join(operation.after)
        faults.append((brought_by[name], f"{name!r} builds on {after}: not there, or a ring"))
    return ordered, tuple(faults)


@cache
def plugins() -> tuple[dict[str, Operation], tuple[Fault, ...]]:
    """Operations of the packages installed here, and the faults found while loading them."""
    from importlib.metadata import entry_points

    return operations_from(entry_points(group=GROUP))


def all_operations() -> dict[str, Operation]:
    """Every operation in the order of a run: geotrim's own, then those of plug-ins."""
    return {**OPERATIONS, **plugins()[0]}


def in_order(
    operations: dict[str, Operation], given: Iterable[str] = ()
) -> tuple[dict[str, Operation], dict[str, Operation]]:
    """Operations so that each follows those it builds on, and those for which that cannot be.

    Parameters
    ----------
    operations : dict
        The given order is kept wherever it can be.
    given : iterable of str
        Operations that run before all of these.
    """
    done: dict[str, Operation] = {}
    waiting = dict(operations)
    before = set(given)
    while waiting:
        ready = [op for op in waiting.values() if before.issuperset(op.builds_on())]
        if not ready:
            break
        done[ready[0].name] = waiting.pop(ready[0].name)
        before.add(ready[0].name)
    return done, waiting


def _declared(thing: Any) -> list[Operation]:
    """The operations an entry point stands for."""
    if callable(thing):
        thing = thing()
    things = [thing] if isinstance(thing, Operation) else list(thing)
    for one in things:
        if not isinstance(one, Operation):
            raise RegistryError(
                "entry point",
                f"a {type(one).__name__}",
                "an Operation, or a callable that returns one or several",
                "point the entry at a geotrim.ops.registry.Operation",
            )
    return things


def _check_new(operation: Operation, others: dict[str, Operation]) -> None:
    """Refuse a declaration that could not run."""
    from dataclasses import fields

    from geotrim.model import Site

    subject = f"operation {operation.name!r}"
    if operation.name in OPERATIONS or operation.name in others:
        raise RegistryError(subject, "a name that is taken", "a name of its own", "rename it")
    known = {field.name for field in fields(Site)}
    unknown = [item for item in operation.inputs if item.removesuffix("?") not in known]
    if unknown:
        raise RegistryError(
            subject, f"input {unknown[0]!r}", f"one of {', '.join(sorted(known))}", "correct it"
        )
    if not callable(operation.load()):
        raise RegistryError(
            subject,
            f"{operation.function!r}, which cannot be called",
            "a function, as 'package.module:function'",
            "point 'function' at one",
        )
