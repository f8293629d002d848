"""The rooms keep their order: imports point down, and importing stays light."""

from __future__ import annotations

import ast
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parent.parent / "geotrim"
FLOORS = [
    {"errors"},
    {"units", "quiet"},
    {"checks"},
    {"model"},
    {"core", "rules"},
    {"ops", "io"},
    {"report"},
    {"screen", "run", "prepare"},
    {"handover"},
    {"cli", "desk", "service"},
    {"__main__"},
]
FLOOR = {room: number for number, rooms in enumerate(FLOORS) for room in rooms}
FILES = sorted(path for path in ROOT.rglob("*.py") if path != ROOT / "__init__.py")
#: Declarations are vocabulary, though they are kept in ops: any room may read them.
VOCABULARY = {
    "geotrim.ops.catalogue",
    "geotrim.ops.catalogue_sections",
    "geotrim.ops.catalogue_window",
    "geotrim.ops.params",
    "geotrim.ops.registry",
}
#: All that core may know beside the standard library, and what it must not know of that.
CORE_LIBRARIES = {"geotrim", "numpy", "shapely", "numba", "scipy", "skimage", "contourpy"}
FILES_AND_SYSTEM = {"pathlib", "os", "shutil", "io", "subprocess", "sqlite3"}
READERS = {"rasterio", "fiona", "pyogrio", "laspy"}


def imported(source: str, package: str = "geotrim") -> set[str]:
    """Every dotted name a file imports, wherever in the file it does so."""
    names: set[str] = set()
    for node in ast.walk(ast.parse(source)):
        if isinstance(node, ast.Import):
            names |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom) and node.level == 0 and node.module:
            # "from geotrim.io import package" is an import of geotrim.io.package
            names |= {f"{node.module}.{alias.name}" for alias in node.names}
        elif isinstance(node, ast.ImportFrom):
            names.add(f"{package}.RELATIVE.{node.module}")
    return names


def room_of(path: Path) -> str:
    return path.relative_to(ROOT).with_suffix("").parts[0]


def faults(room: str, names: set[str]) -> list[str]:
    """What is wrong with a file of a room that imports these names."""
    told = []
    for name in sorted(names):
        if name.rpartition(".")[0] in VOCABULARY and room not in ("errors", "units"):
            continue
        top, other, *_ = [*name.split("."), ""]
        if top == "geotrim" and other in FLOOR and other != room:
            if FLOOR[other] >= FLOOR[room]:
                told.append(f"{room} must not import {other}")
        elif top == "geotrim" and other == "RELATIVE":
            told.append("imports are absolute here")
        is_own = top in sys.stdlib_module_names or top in CORE_LIBRARIES
        if room == "core" and (not is_own or top in FILES_AND_SYSTEM):
            told.append(f"core must not import {top}")
        if room == "ops" and top in READERS | {"pathlib"}:
            told.append(f"ops opens no file and must not import {top}")
    return told


@pytest.mark.parametrize("path", FILES, ids=lambda p: p.relative_to(ROOT).as_posix())
def test_imports_point_down(path):
    room = room_of(path)
    assert room in FLOOR, f"{room} has no floor; add it to FLOORS"
    assert faults(room, imported(path.read_text(encoding="utf-8"))) == []


@pytest.mark.parametrize(
    ("room", "line"),
    [
        ("core", "import geopandas as gpd"),
        ("core", "import laspy"),
        ("core", "from pathlib import Path"),
        ("core", "from geotrim.ops import chain"),
        ("units", "from geotrim.ops.registry import Param"),
        ("ops", "from geotrim.io.vectors import read_layer"),
        ("io", "from geotrim.ops.chain import measure"),
        ("ops", "import rasterio"),
        ("model", "def late():\n    from geotrim.core import slices"),
        ("report", "from geotrim import run"),
        ("report", "from . import figures"),
    ],
)
def test_the_check_itself_sees_a_wrong_import(room, line):
    assert faults(room, imported(line))


@pytest.mark.parametrize("name", sorted(VOCABULARY))
def test_the_vocabulary_knows_nothing_but_errors(name):
    path = ROOT.parent.joinpath(*name.split(".")).with_suffix(".py")
    names = imported(path.read_text(encoding="utf-8"))
    below = {"geotrim.errors", "__future__", "importlib", *VOCABULARY}
    assert {one.rpartition(".")[0] for one in names} <= below


def loaded_by(code: str) -> set[str]:
    """Modules a fresh interpreter holds after some code."""
    show = "import sys; sys.stderr.write(' '.join(sys.modules))"
    done = subprocess.run(
        [sys.executable, "-I", "-c", f"{code}\n{show}"],
        capture_output=True,
        text=True,
        encoding="utf-8",
        check=True,
    )
    return set(done.stderr.split())


HEAVY = {"numpy", "geopandas", "rasterio", "fiona", "matplotlib", "numba", "shapely", "pyproj"}


def test_importing_the_package_is_light():
    assert not loaded_by("import geotrim") & HEAVY


@pytest.mark.parametrize("words", [["--help"], [], ["--version"]])
def test_help_loads_next_to_nothing(words):
    """The command must start in about the time of a bare interpreter.

    Each of these alone takes as long as everything else the help needs.
    """
    slow = HEAVY | {"argparse", "typing", "dataclasses", "pathlib", "re", "importlib.metadata"}
    bare = loaded_by("pass")
    found = loaded_by(f"from geotrim.cli import main; assert main({words!r}) == 0")
    assert not (found - bare) & slow


def test_the_catalogue_loads_no_operation():
    assert not loaded_by("import geotrim.ops.catalogue") & (HEAVY | {"geotrim.ops.frontages"})


def test_every_public_name_is_there():
    """The names the package promises, each loaded from where it says."""
    import geotrim

    for name in geotrim.__all__:
        assert getattr(geotrim, name) is not None
