"""One preparation from start to end: checked, done aside, recorded, renamed."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import asdict, dataclass
from functools import partial
from pathlib import Path
from typing import Any, cast

from geotrim.errors import GeotrimError
from geotrim.io import aside, record
from geotrim.io.replaceable import check_replaceable
from geotrim.prepare.catalogue import PREPARATIONS
from geotrim.prepare.declared import Preparation
from geotrim.prepare.task import GivenFile, Prepared, Task, named_files

#: Where prepared inputs go when no folder is named.
PREPARED = Path("prepared")
#: The tables of a site file that use what was made.
SITE_PART = "for_site_file.toml"


@dataclass(frozen=True, slots=True)
class Done:
    """A finished preparation and its folder."""

    folder: Path
    prepared: Prepared


def prepare_input(
    name: str,
    files: Mapping[str, Any],
    params: Mapping[str, Any] | None = None,
    *,
    out: str | Path | None = None,
    is_replacing: bool = False,
    progress: Callable[[str], None] | None = None,
) -> Done:
    """Make a missing input of a site from raw files.

    Parameters
    ----------
    name : str
        A key of ``geotrim.prepare.catalogue.PREPARATIONS``.
    files : mapping
        Source -> a path, a list of paths, or a :class:`GivenFile` with what is said of it.
    params : mapping, optional
        Parameter -> value.
    out : path-like, optional
        New folder; by default the first free one of ``prepared/NAME``, ``prepared/NAME-2`` ...
    is_replacing : bool
        Whether an earlier folder of this preparation at ``out`` may go, as geotrim left it, once
        the new one is whole.
    progress : callable, optional
        Called with what is being done.

    Raises
    ------
    GeotrimError
        If an input does not fit. Nothing is left behind then.
    """
    declared = named(name)
    started = record.now()
    given = {source: named_files(value, source) for source, value in files.items()}
    _check_sources(declared, given)
    stated = {key: value for key, value in (params or {}).items() if value is not None}
    checked = declared.check(stated)
    read = [Path(item.path) for many in given.values() for item in many]
    may_replace = partial(check_replaceable, kind=name, inputs=read) if is_replacing else None
    folder = Path(out) if out is not None else aside.first_free(PREPARED / name)
    with aside.new_folder(folder, may_replace=may_replace) as work:
        task = Task(given, checked, work, progress or (lambda _: None), frozenset(stated))
        made = cast("Callable[[Task], Prepared]", declared.load())(task)
        _write_site_part(work, declared, made)
        _write_record(work, declared, task, made, started)
    return Done(folder, made)


def named(name: str) -> Preparation:
    """The preparation of this name.

    Raises
    ------
    GeotrimError
        If there is none.
    """
    if name in PREPARATIONS:
        return PREPARATIONS[name]
    import difflib

    near = difflib.get_close_matches(name, PREPARATIONS, n=1)
    raise GeotrimError(
        "prepare",
        f"{name!r}",
        f"one of {', '.join(PREPARATIONS)}",
        f"say {near[0]!r} if you meant that" if near else "see geotrim prepare --help",
    )


def _check_sources(declared: Preparation, given: Mapping[str, tuple[GivenFile, ...]]) -> None:
    known = {source.name: source for source in declared.sources}
    for name, files in given.items():
        if name not in known:
            raise GeotrimError(
                f"prepare {declared.name}",
                f"a file for {name!r}",
                f"one of {', '.join(known)}",
                "check the name",
            )
        if len(files) > 1 and not known[name].is_many:
            raise GeotrimError(
                files[0].subject, f"{len(files)} files", "one file", "name the one that is meant"
            )
    for source in declared.sources:
        if source.is_required and not given.get(source.name):
            raise GeotrimError(source.option, "nothing", source.help, f"say {source.option} FILE")


def _write_site_part(folder: Path, declared: Preparation, made: Prepared) -> None:
    """The tables of a site file that use what was made, ready to be copied."""
    lines = [
        f"# Made by: geotrim prepare {declared.name}. Paths are relative to this file's folder.",
        *([f"# {declared.caution}"] if declared.caution else []),
    ]
    for table, values in made.site.items():
        lines += ["", f"[{table}]"]
        lines += [f"{key} = {_toml(value)}" for key, value in values.items() if value is not None]
    path = folder / SITE_PART
    path.write_text("\n".join(lines) + "\n", encoding="utf-8", newline="\n")


def _toml(value: Any) -> str:
    """A value as TOML writes it; JSON's text is TOML's."""
    import json

    if hasattr(value, "item"):
        value = value.item()
    return json.dumps(value, ensure_ascii=False)


def _files_named(task: Task) -> dict[str, list[dict[str, Any]]]:
    """Each file as it was named, where it lay, and what was said of it."""
    return {
        source: [
            {"path": item.path, "absolute_path": str(Path(item.path).absolute()), **item.said}
            for item in files
        ]
        for source, files in task.files.items()
    }


def _write_record(
    folder: Path, declared: Preparation, task: Task, made: Prepared, started: Any
) -> None:
    record.write_record(
        folder,
        {
            "record_version": record.RECORD_VERSION,
            "preparation": declared.name,
            "inputs": [asdict(item) for item in made.inputs],
            "files_named": _files_named(task),
            "parameters": {
                key: {"value": value, "is_default": key not in task.stated}
                for key, value in task.params.items()
            },
            "figures": made.figures,
            "what_the_files_are": made.files,
            "site_file_tables": made.site,
            "notes": record.by_level(made.notes),
            "caution": declared.caution,
            "units": record.UNITS_TOLD,
            "versions": record.versions(),
            "started_utc": record.utc(started),
        },
    )
