"""Rasters told by some of their bytes: they can be tens of gigabytes.

Each is told by its name, its size, and the bytes at both ends and at some places between. The time
of the last change says nothing: a copy has another one, and so has a file that was only touched.
"""

from __future__ import annotations

import hashlib
import os
import re
from collections.abc import Mapping
from pathlib import Path

from geotrim.io.files import local_path

#: Bytes of a raster that are hashed at both ends and at even steps between; likewise of a tile.
END_BYTES, TILE_END_BYTES = 1 << 20, 1 << 16
#: How many such pieces of one raster, and of one of many tiles.
N_PIECES, N_TILE_PIECES = 16, 4
RASTER_HASH = "names, sizes, both ends of the files and pieces between"
#: Files beside a raster that say where it lies, and the marks by which one says so that mostly
#: holds statistics: viewers write it.
BESIDE = (".tfw", ".wld", ".prj", ".tif.msk")
BESIDE_ALL, BESIDE_MARKS = ".aux.xml", rb"<(?:SRS|GeoTransform|NoDataValue|Offset|Scale|UnitType)\b"
#: Letters of a file's own digest.
N_DIGEST = 16


def digest_of_all(digests: Mapping[str, str]) -> str:
    """One SHA-256 of the digests of several files, by their names."""
    every = "".join(f"{name}\0{digest}\0" for name, digest in digests.items())
    return hashlib.sha256(every.encode("utf-8", "surrogateescape")).hexdigest()


def raster_digests(path: Path) -> dict[str, str]:
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
