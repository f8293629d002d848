"""What a screening depends on, so that a run that goes on with kept work sees what has changed.

Vector and rule files are told by the hash of all their bytes. Rasters can be tens of gigabytes:
each is told by its name, its size, and the bytes at both ends and at some places between. The time
of the last change says nothing: a copy has another one, and so has a file that was only touched.
"""

from __future__ import annotations

import hashlib
import os
import re
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any

import geotrim
from geotrim.io.files import local_path, sha256_of
from geotrim.io.record import plain
from geotrim.io.repair import listed
from geotrim.io.site_layers import placed, relative, resolved
from geotrim.io.site_spec import SiteSpec
from geotrim.screen.screen_file import LEFT_ASIDE, ScreenSpec

#: Bytes of a raster that are hashed at both ends and at even steps between; likewise of a tile.
END_BYTES, TILE_END_BYTES = 1 << 20, 1 << 16
#: How many such pieces of one raster, and of one of many tiles.
N_PIECES, N_TILE_PIECES = 16, 4
RASTER_HASH = "names, sizes, both ends of the files and pieces between"
#: Files beside a raster that say where it lies, and the marks by which one says so that mostly
#: holds statistics: viewers write it.
BESIDE = (".tfw", ".wld", ".prj", ".tif.msk")
BESIDE_ALL, BESIDE_MARKS = ".aux.xml", rb"<(?:SRS|GeoTransform|NoDataValue|Offset|Scale|UnitType)\b"
#: Letters of a tile's own digest, and tiles that a message names.
N_DIGEST, MOST_NAMED = 16, 3


def input_key(spec: ScreenSpec) -> dict[str, Any]:
    """Everything the answer depends on, in JSON's own kinds.

    Returns
    -------
    dict
        ``geotrim``: its version. ``said``: the screen file's tables. ``files``: role -> ``path``
        as the user wrote it, ``sha256``, and ``sha256_of``: what was hashed; of heights, ``tiles``:
        the digest of each file.

    Raises
    ------
    FileError
        If a file is not there.
    """
    said = spec.said
    known: dict[Path, tuple[str, str]] = {}
    files: dict[str, Any] = {}
    for role, text in _files(said):
        path = resolved(said.folder, text, role)
        one: dict[str, Any] = {"path": relative(said.folder, text)}
        if role == "heights":
            with placed(said, role):
                tiles = _raster_digests(Path(path))
            every = "".join(f"{name}\0{digest}\0" for name, digest in tiles.items())
            whole = hashlib.sha256(every.encode("utf-8", "surrogateescape")).hexdigest()
            one |= {"sha256": whole, "sha256_of": RASTER_HASH, "tiles": tiles}
        else:
            found = local_path(path, role)
            digest, how = known.setdefault(found, known.get(found) or sha256_of(found))
            one |= {"sha256": digest, "sha256_of": how}
        files[role] = one
    files.update(_installed_rules(said))
    values = {name: table for name, table in said.values.items() if name not in LEFT_ASIDE}
    return {"geotrim": geotrim.__version__, "said": plain(values), "files": files}


def _files(said: SiteSpec) -> Iterator[tuple[str, str]]:
    """Role and path of every file that is read, as the user wrote it."""
    for name, table in said.values.items():
        if name in LEFT_ASIDE:
            continue
        if isinstance(table, Mapping) and isinstance(table.get("file"), str):
            yield name, table["file"]
    for i, item in enumerate(said.values.get("setbacks", ()), start=1):
        if "file" in item:
            yield f"setback {i}", item["file"]
    for named in _rule_names(said):
        if (said.folder / named).is_file():
            yield f"rules {named}", named


def _rule_names(said: SiteSpec) -> list[str]:
    places = (said.values.get("jurisdictions") or {}).get("overlays", {})
    lists = [(said.values.get("rules") or {}).get("overlays", ()), *places.values()]
    return list(dict.fromkeys(one for many in lists for one in many if isinstance(one, str)))


def _installed_rules(said: SiteSpec) -> dict[str, dict[str, str]]:
    """Rule files that are named and installed, by the hash of their text."""
    named = [name for name in _rule_names(said) if not (said.folder / name).is_file()]
    if not named:
        return {}
    from geotrim.rules.overlays import installed

    texts = {name: text for name, (_, text) in installed()[0].items()}
    return {
        f"rules {name}": {
            "path": f"{name} (installed)",
            "sha256": hashlib.sha256(texts[name].encode("utf-8")).hexdigest(),
            "sha256_of": "its text as UTF-8",
        }
        for name in named
        if name in texts
    }


def _raster_digests(path: Path) -> dict[str, str]:
    """Name -> digest, of a raster, of each tile in a folder, or of a VRT and what it lists.

    Only what is opened is looked at, and what beside it says where it lies.
    """
    from geotrim.io.height_tiles import tile_names

    if path.is_dir():
        tiles = {name: path / name for name in tile_names(path)}
    else:
        path = local_path(path, "heights")
        tiles = {path.name: path}
        if path.suffix.lower() == ".vrt":
            here = path.parent
            tiles |= {Path(os.path.relpath(one, here)).as_posix(): one for one in _listed(path)}
    is_few = len(tiles) < 3
    n_bytes, n_pieces = (END_BYTES, N_PIECES) if is_few else (TILE_END_BYTES, N_TILE_PIECES)
    return {name: _pieces_digest(one, n_bytes, n_pieces) for name, one in tiles.items()}


def _pieces_digest(path: Path, n_bytes: int, n_pieces: int) -> str:
    """Digest of a file's size and some of its bytes, and of what beside it says where it lies."""
    size = path.stat().st_size
    digest = hashlib.sha256(str(size).encode())
    with path.open("rb") as stream:
        if size <= n_bytes * n_pieces:
            digest.update(stream.read())
        else:
            for k in range(n_pieces):
                stream.seek(k * (size - n_bytes) // (n_pieces - 1))
                digest.update(stream.read(n_bytes))
    for beside in (path.with_suffix(ending) for ending in BESIDE):
        if beside.is_file():
            digest.update(beside.read_bytes())
    told = path.with_name(path.name + BESIDE_ALL)
    if told.is_file() and re.search(BESIDE_MARKS, text := told.read_bytes()):
        digest.update(text)
    return digest.hexdigest()[:N_DIGEST]


def _listed(path: Path) -> list[Path]:
    """Files that a list of rasters names; those that are not there are told when it is opened."""
    text = path.read_text(encoding="utf-8", errors="replace")
    found = re.findall(r"<SourceFilename[^>]*>([^<]*)</SourceFilename>", text)
    paths = [path.parent / name.replace("&amp;", "&") for name in dict.fromkeys(found)]
    return [one for one in paths if one.is_file()]


def changed_words(old: Mapping[str, Any], new: Mapping[str, Any]) -> list[str]:
    """What has changed between two keys, a phrase for each thing.

    Examples
    --------
    >>> old = {"geotrim": "1", "said": {"options": {"target_height_ft": 6.0}}, "files": {}}
    >>> new = {"geotrim": "1", "said": {"options": {"target_height_ft": 10.0}}, "files": {}}
    >>> changed_words(old, new)
    ['[options] target_height_ft is 10.0, was 6.0']
    """
    told = []
    if old.get("geotrim") != new.get("geotrim"):
        told.append(f"geotrim is version {new.get('geotrim')}, was {old.get('geotrim')}")
    told += _changed_tables(old.get("said", {}), new.get("said", {}))
    before, now = old.get("files", {}), new.get("files", {})
    for role in dict.fromkeys([*before, *now]):
        one, other = before.get(role), now.get(role)
        if one is None or other is None or one["path"] != other["path"]:
            continue  # told by what the screen file says, but for rules that came or went
        if one["sha256"] != other["sha256"]:
            told.append(f"{role.split(' ')[0]}: {_changed_content(one, other)}")
    for role in before.keys() ^ now.keys():
        if role.startswith("rules "):
            told.append(f"rules: {role[6:]} {'is there now' if role in now else 'is gone'}")
    return told


def _changed_content(old: Mapping[str, Any], new: Mapping[str, Any]) -> str:
    """Which file has changed; of tiles, the first ones by name."""
    before, now = old.get("tiles", {}), new.get("tiles", {})
    names = sorted({*before, *now}) if before and now else []
    odd = [name for name in names if before.get(name) != now.get(name)]
    if not odd or Path(new["path"]).name == odd[0]:
        return f"{new['path']} has another content"
    told = [f"{name} {_change(name in before, name in now)}" for name in odd]
    return f"in {new['path']}, {listed(told, MOST_NAMED)}"


def _change(was_there: bool, is_there: bool) -> str:
    return "has another content" if was_there and is_there else "is new" if is_there else "is gone"


def _changed_tables(old: Mapping[str, Any], new: Mapping[str, Any]) -> Iterator[str]:
    for name in dict.fromkeys([*old, *new]):
        if name not in new or name not in old:
            yield f"[{name}] {'is new' if name in new else 'is gone'}"
        elif not (isinstance(old[name], Mapping) and isinstance(new[name], Mapping)):
            if old[name] != new[name]:
                yield f"[[{name}]] have changed"
        else:
            for key in dict.fromkeys([*old[name], *new[name]]):
                one, other = old[name].get(key), new[name].get(key)
                if one != other:
                    yield f"[{name}] {key} is {_shown(other)}, was {_shown(one)}"


def _shown(value: Any) -> str:
    text = "not said" if value is None else repr(value)
    return text if len(text) <= 60 else f"{text[:57]}..."
