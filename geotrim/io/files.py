"""Local paths: checked before a reader sees them, and hashed so that a run can be repeated."""

from __future__ import annotations

import hashlib
import os
import re
import zipfile
from pathlib import Path

from geotrim.errors import FileError

#: Parts of a shapefile that carry what is read: shapes, attributes, reference system, encoding.
SHAPEFILE_PARTS = (".shp", ".dbf", ".prj", ".cpg")
#: Parts without which a shapefile is not read at all.
SHAPEFILE_NEEDS = (".shx", ".dbf")
#: Folders that are one data set.
FOLDER_FORMATS = (".gdb",)

_REMOTE = re.compile(r"^([a-z][a-z0-9+.-]+:/|/vsi)", re.IGNORECASE)


def local_path(path: str | os.PathLike[str], subject: str) -> Path:
    """The path of a local, readable, non-empty file, with the parts it needs.

    Parameters
    ----------
    path : path-like
        As the user wrote it.
    subject : str
        The input, for the message.

    Raises
    ------
    FileError
        If it is an address, does not exist, is a folder, is empty, may not be read, or is a
        shapefile without its index or attributes.
    """
    text = os.fspath(path)
    if "\0" in text or _REMOTE.match(text):
        raise FileError(
            subject, f"the address {text!r}", "a file on this machine", "fetch it first"
        )
    found = Path(text).expanduser()
    if not found.exists():
        raise FileError(
            subject, _missing(found), "a file that exists", "check the path and its spelling"
        )
    if found.is_dir() and found.suffix.lower() not in FOLDER_FORMATS:
        raise FileError(subject, f"the folder {found}", "a file", "name one file inside it")
    if found.is_file() and found.stat().st_size == 0:
        raise FileError(subject, f"{found}, which is empty (0 bytes)", "data", "export it again")
    if not os.access(found, os.R_OK):
        raise FileError(
            subject, f"{found}, which may not be read", "a readable file", "change its permissions"
        )
    if found.suffix.lower() == ".shp":
        _check_shapefile(found, subject)
    return found


def _missing(path: Path) -> str:
    """Say what is not there, and what is nearly there."""
    import difflib

    text = f"no file {path.absolute()}"
    if path.parent.is_dir():
        names = sorted(item.name for item in path.parent.iterdir())
        near = difflib.get_close_matches(path.name, names, n=1, cutoff=0.75)
        return f"{text} (but there is {near[0]!r} there)" if near else text
    return f"{text} (there is no such folder either)"


def sidecar(path: Path, suffix: str) -> Path | None:
    """The file of the same name with another suffix, in either case, or None."""
    for name in (suffix, suffix.upper()):
        if (other := path.with_suffix(name)).exists():
            return other
    return None


def _check_shapefile(path: Path, subject: str) -> None:
    lost = [suffix for suffix in SHAPEFILE_NEEDS if sidecar(path, suffix) is None]
    if lost:
        what = {".shx": "index", ".dbf": "attributes"}
        raise FileError(
            subject,
            f"{path.name} without {' and '.join(f'its {s} ({what[s]})' for s in lost)}",
            "all parts of the shapefile side by side (.shp, .shx, .dbf, .prj)",
            "copy the missing part into the same folder, or export it again as a GeoPackage",
        )
    _check_length(path, subject)


def _check_length(path: Path, subject: str) -> None:
    """A shapefile's head says how long it is, in words of two bytes.

    Source: the format's public technical description (1998), main file header.
    """
    with path.open("rb") as stream:
        head = stream.read(28)
    n_told = 2 * int.from_bytes(head[24:28], "big")
    n_bytes = path.stat().st_size
    if len(head) < 28 or n_told > n_bytes:
        raise FileError(
            subject,
            f"{path.name}, which breaks off after {n_bytes:,} of {n_told:,} bytes",
            "a complete shapefile",
            "copy or export it again",
        )


def parts_of(path: Path) -> list[Path]:
    """Every file whose bytes decide what is read from ``path``, in the order they are hashed."""
    if path.is_dir():
        return sorted(item for item in path.rglob("*") if item.is_file())
    if path.suffix.lower() == ".shp":
        return [part for suffix in SHAPEFILE_PARTS if (part := sidecar(path, suffix))]
    return [path]


def sha256_of(path: Path) -> tuple[str, str]:
    """SHA-256 of an input, and what went into it.

    One file is hashed as it is. Of a data set of several files the bytes are hashed one file after
    the other, in the order named: for a shapefile ``.shp``, ``.dbf``, ``.prj``, ``.cpg`` (those
    that exist), for a folder all files by name.

    Returns
    -------
    digest : str
        Hexadecimal.
    how : str
        The files, in order.
    """
    digest = hashlib.sha256()
    parts = parts_of(path)
    for part in parts:
        with part.open("rb") as stream:
            while block := stream.read(1 << 20):
                digest.update(block)
    return digest.hexdigest(), " + ".join(part.name for part in parts)


def zipped_members(path: Path, suffixes: tuple[str, ...], subject: str) -> list[str]:
    """Names of the data files inside a zip archive, by suffix."""
    try:
        with zipfile.ZipFile(path) as archive:
            names = archive.namelist()
    except zipfile.BadZipFile as error:
        raise FileError(
            subject, f"{path}, which is no zip archive", "a zip archive", "pack it again"
        ) from error
    return [n for n in names if n.lower().endswith(suffixes) and not n.startswith("__MACOSX")]
