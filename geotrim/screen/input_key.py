"""What a screening depends on, so that a run that goes on with kept work sees what has changed.

Vector and rule files are told by the hash of all their bytes, rasters by some of them
(:mod:`geotrim.io.raster_digest`).
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any

import geotrim
from geotrim.io.files import local_path, sha256_of
from geotrim.io.raster_digest import RASTER_HASH, digest_of_all, raster_digests
from geotrim.io.record import plain
from geotrim.io.repair import listed
from geotrim.io.site_layers import placed, relative, resolved
from geotrim.io.site_spec import SiteSpec
from geotrim.screen.screen_file import LEFT_ASIDE, ScreenSpec

#: Tiles that a message names.
MOST_NAMED = 3


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
                tiles = raster_digests(Path(path))
            one |= {"sha256": digest_of_all(tiles), "sha256_of": RASTER_HASH, "tiles": tiles}
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
