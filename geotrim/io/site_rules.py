"""Local rule files: found by path or by name, read, and held to be different ones."""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from geotrim.errors import FileError, GeotrimError, SiteFileError
from geotrim.io.files import local_path, sha256_of
from geotrim.io.repair import listed
from geotrim.io.site_layers import relative, resolved
from geotrim.io.site_spec import SiteSpec
from geotrim.model import InputFile
from geotrim.rules.rule_file import RuleFile, read_overlay

ROLE = "rules"


def read_overlays(spec: SiteSpec) -> tuple[tuple[RuleFile, ...], tuple[InputFile, ...]]:
    """The rule files that ``[rules]`` names, in their order, and each as an input.

    What ends in ``.toml`` or holds a slash is a path. Any other text is the name of an installed
    rule file if there is one of that name, else a path too.

    Raises
    ------
    GeotrimError
        If one does not exist, does not read or would loosen a rule, or two have one id; names the
        key and the line.
    """
    named = (spec.table("rules") or {}).get("overlays", ())
    return read_rule_files(spec, named, "rules", "overlays")


def read_rule_files(
    spec: SiteSpec, names: Sequence[Any], *at: str, beside: Sequence[RuleFile] = ()
) -> tuple[tuple[RuleFile, ...], tuple[InputFile, ...]]:
    """The rule files of one list, in its order, and each as an input.

    Parameters
    ----------
    names : sequence
        Paths or names, as :func:`read_overlays` takes them.
    at : str
        Place of the list in the file, for messages.
    beside : sequence of RuleFile
        Rule files that hold along with these; none of these may have their ids.

    Raises
    ------
    GeotrimError
        As :func:`read_overlays`.
    """
    found: dict[str, RuleFile] = {}
    inputs: list[InputFile] = []
    owner: dict[str, str] = {overlay.id: "one that holds everywhere" for overlay in beside}
    for i, named in enumerate(names):
        place = spec.where(*at, i)
        try:
            overlay, shown, digest, how = _read(spec, named)
        except GeotrimError as error:
            subject = f"{place}, {error.subject}"
            raise type(error)(subject, error.found, error.need, error.mend) from error
        if overlay.id in owner:
            raise SiteFileError(
                place,
                f"{shown} with the id {overlay.id!r}, which {owner[overlay.id]} has too",
                "rule files of different ids",
                "take one of them out, or correct its id",
            )
        found[overlay.id], owner[overlay.id] = overlay, shown
        detail = {key: getattr(overlay, key) for key in ("id", "title", "version", "jurisdiction")}
        inputs.append(InputFile(ROLE, shown, digest, detail={**how, **detail}))
    return tuple(found.values()), tuple(inputs)


def _read(spec: SiteSpec, named: Any) -> tuple[RuleFile, str, str, dict[str, str]]:
    """A rule file, how it is called, its hash, and what was hashed."""
    if isinstance(named, RuleFile):
        if named.kind != "overlay":
            raise SiteFileError(
                named.id, f"a rule file of kind {named.kind!r}", "an overlay", "take it out"
            )
        return named, "given in memory", "", {}
    if not isinstance(named, str):
        raise SiteFileError(
            ROLE, f"a {type(named).__name__}", "a path, a name, or a RuleFile", "read it first"
        )
    if not _is_path(named):
        from geotrim.rules.overlays import installed

        overlays, faults = installed()
        if named in overlays:
            overlay, text = overlays[named]
            digest = hashlib.sha256(text.encode("utf-8")).hexdigest()
            return overlay, f"{named} (installed)", digest, {"sha256_of": "its text as UTF-8"}
        if not (spec.folder / named).exists():
            known = f", or one installed: {listed(overlays, 10)}" if overlays else ""
            broken = "".join(f" ({label} could not be loaded: {why})" for label, why in faults)
            raise FileError(
                repr(named),
                f"no installed rule file of that name, and no such file{broken}",
                f"the path of a rule file{known}",
                "check the name",
            )
    path = local_path(resolved(spec.folder, named, named), named)
    digest, how = sha256_of(path)
    shown = relative(spec.folder, named)
    return read_overlay(_text(path), path.name), shown, digest, {"sha256_of": how}


def _is_path(named: str) -> bool:
    return named.lower().endswith(".toml") or "/" in named or "\\" in named


def _text(path: Path) -> str:
    try:
        return path.read_bytes().decode("utf-8-sig").replace("\r\n", "\n")
    except UnicodeDecodeError as error:
        raise FileError(
            path.name, "text that is not UTF-8", "a UTF-8 text file", "save it as UTF-8"
        ) from error
