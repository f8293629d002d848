"""One handover from start to end: checked, done aside, recorded, renamed."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import asdict, dataclass
from functools import partial
from pathlib import Path
from typing import Any, cast

from geotrim.handover.catalogue import HANDOVERS
from geotrim.handover.declared import Handover
from geotrim.handover.job import Job, Made
from geotrim.io import aside, record
from geotrim.io.package_read import Package, read_package
from geotrim.io.replaceable import check_replaceable
from geotrim.prepare.task import named_files


@dataclass(frozen=True, slots=True, eq=False)
class Done:
    """A finished handover and its folder.

    after : what was done once the folder was in place, in words.
    """

    folder: Path
    made: Made
    after: str = ""


def hand_over(
    name: str,
    package: str | Path,
    files: Mapping[str, Any] | None = None,
    params: Mapping[str, Any] | None = None,
    *,
    out: str | Path | None = None,
    is_replacing: bool = False,
    progress: Callable[[str], None] | None = None,
) -> Done:
    """Make the papers of a result package.

    Parameters
    ----------
    name : str
        A key of ``geotrim.handover.catalogue.HANDOVERS``.
    package : path-like
        Folder that ``geotrim run`` wrote.
    files : mapping, optional
        Source -> a path, or a :class:`GivenFile` with what is said of it.
    params : mapping, optional
        Parameter -> value.
    out : path-like, optional
        New folder; by default the first free one of ``PACKAGE-sheets``, ``PACKAGE-sheets-2`` ...
        beside the package.
    is_replacing : bool
        Whether an earlier folder of this handover at ``out`` may go, as geotrim left it, once the
        new one is whole.
    progress : callable, optional
        Called with what is being done.

    Raises
    ------
    GeotrimError
        If an input does not fit. Nothing is left behind then.
    """
    declared = HANDOVERS[name]
    started = record.now()
    given = {source: named_files(value, f"--{source}") for source, value in (files or {}).items()}
    stated = {key: value for key, value in (params or {}).items() if value is not None}
    checked = declared.check(stated)
    tell = progress or (lambda _: None)
    tell("reading the package")
    read = read_package(package)
    inputs = [read.folder / "record.json", *(Path(f.path) for one in given.values() for f in one)]
    may_replace = partial(check_replaceable, kind=name, inputs=inputs) if is_replacing else None
    folder = Path(out) if out is not None else aside.first_free(_beside(read, declared))
    with aside.new_folder(folder, may_replace=may_replace) as work:
        job = Job(read, given, checked, work, tell, frozenset(stated))
        made = cast("Callable[[Job], Made]", declared.load())(job)
        _write_record(work, declared, job, made, started)
    after = made.after(folder) if made.after is not None else ""
    return Done(folder, made, after)


def _beside(package: Package, declared: Handover) -> Path:
    """The usual folder of a handover: beside the package, named after it."""
    folder = package.folder
    if not folder.name:  # "." and the like
        folder = folder.resolve()
    return folder.with_name(f"{folder.name}-{declared.suffix}")


def _write_record(folder: Path, declared: Handover, job: Job, made: Made, started: Any) -> None:
    record.write_record(
        folder,
        {
            "record_version": record.RECORD_VERSION,
            "handover": declared.name,
            "package": {
                "site": job.package.site_name,
                "folder": job.package.folder.name,
                "record_sha256": job.package.sha256,
                "changed_files": list(job.package.changed),
            },
            "inputs": [asdict(item) for item in made.inputs],
            "parameters": {
                key: {"value": value, "is_default": key not in job.stated}
                for key, value in job.params.items()
            },
            "figures": made.figures,
            "what_the_files_are": made.files,
            "notes": record.by_level(made.notes),
            "caution": declared.caution,
            "units": record.UNITS_TOLD,
            "versions": record.versions(),
            "started_utc": record.utc(started),
        },
    )
