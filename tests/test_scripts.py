"""The two commands of the README: what they do before geotrim is even installed."""

from __future__ import annotations

import ast
import importlib.util
import subprocess
import sys
from pathlib import Path

import pytest

SCRIPTS = Path(__file__).resolve().parent.parent / "scripts"


@pytest.fixture
def environment(monkeypatch, tmp_path):
    """``scripts/environment.py`` as a module, on an empty project; nothing is installed."""
    spec = importlib.util.spec_from_file_location("environment", SCRIPTS / "environment.py")
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    (tmp_path / "pyproject.toml").write_text("[project]\n", encoding="utf-8")
    monkeypatch.setattr(module, "ROOT", tmp_path)
    module.calls = []

    def make(folder):
        (folder / "bin").mkdir(parents=True, exist_ok=True)
        (folder / "Scripts").mkdir(exist_ok=True)
        for name in ("bin/python", "Scripts/python.exe"):
            (folder / name).touch()
        module.calls.append("make")

    def install(command, **_):
        module.calls.append(command[-1])
        return subprocess.CompletedProcess(command, module.pip_code)

    module.pip_code = 0
    monkeypatch.setattr(module, "make", make)
    monkeypatch.setattr(module.subprocess, "run", install)
    return module


def test_an_environment_is_made_once_and_used_again(environment, tmp_path):
    python = environment.ready(".venv-x", "test")
    assert python.parent.parent == tmp_path / ".venv-x"
    assert environment.calls == ["make", f"{tmp_path}[test]"]
    assert environment.ready(".venv-x", "test") == python
    assert len(environment.calls) == 2


def test_it_is_made_anew_when_the_project_file_or_the_extras_change(environment, tmp_path):
    environment.ready(".venv-x")
    (tmp_path / "pyproject.toml").write_text("[project]\nname = 'x'\n", encoding="utf-8")
    environment.ready(".venv-x")
    environment.ready(".venv-x", "test")
    assert environment.calls.count("make") == 3


def test_an_installation_that_failed_is_not_taken_for_a_good_one(environment, capsys):
    environment.pip_code = 1
    with pytest.raises(SystemExit, match="installation failed"):
        environment.ready(".venv-x")
    environment.pip_code = 0
    environment.ready(".venv-x")
    assert environment.calls.count("make") == 2


def test_an_old_python_is_told_what_is_needed(environment, monkeypatch):
    monkeypatch.setattr(environment, "OLDEST", (99, 0))
    with pytest.raises(SystemExit, match=r"geotrim needs Python 99\.0 or newer; this is 3\."):
        environment.ready(".venv-x")


def test_a_python_without_venv_is_told_what_to_install(environment, monkeypatch):
    monkeypatch.setitem(sys.modules, "ensurepip", None)  # as Debian ships it without python3-venv
    with pytest.raises(SystemExit, match="apt install python3-venv"):
        environment.ready(".venv-x")


def test_a_folder_that_is_no_environment_is_left_alone(tmp_path):
    spec = importlib.util.spec_from_file_location("environment", SCRIPTS / "environment.py")
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    (tmp_path / "mine.txt").write_text("mine", encoding="utf-8")
    with pytest.raises(SystemExit, match="move it away"):
        module.make(tmp_path)
    assert (tmp_path / "mine.txt").exists()


def test_libraries_are_not_pointed_at_another_installation(environment, monkeypatch):
    """PROJ_DATA of another installation breaks the look-up of a CRS."""
    monkeypatch.setenv("PROJ_DATA", "elsewhere")
    monkeypatch.setenv("KEPT", "yes")
    env = environment.clean_env(NUMBA_DISABLE_JIT="1")
    assert "PROJ_DATA" not in env and env["KEPT"] == "yes" and env["NUMBA_DISABLE_JIT"] == "1"


@pytest.mark.parametrize("name", ["environment.py", "demo.py", "run_tests.py"])
def test_the_commands_need_the_standard_library_only(name):
    """They run before anything is installed, on a Python that may be too old to go on."""
    text = (SCRIPTS / name).read_text(encoding="utf-8")
    tree = ast.parse(text, feature_version=(3, 7))
    own = {"environment", "write_readme"}  # the latter once there is a Python that can: see below
    for node in ast.walk(tree):
        names = []
        if isinstance(node, ast.Import):
            names = [alias.name for alias in node.names]
        elif isinstance(node, ast.ImportFrom):
            names = [node.module]
        for one in names:
            assert one.split(".")[0] in sys.stdlib_module_names | own, one


def test_the_sequence_of_the_readme_is_found_with_the_standard_library_only():
    """The demo reads it with the Python it was started with, which lacks geotrim."""
    done = subprocess.run(
        [sys.executable, "-I", "-S", "-c", SEQUENCE, str(SCRIPTS)],
        capture_output=True,
        text=True,
        check=True,
    )
    assert done.stdout.split() == ["prepare"] * 4 + ["new", "run"]


SEQUENCE = """
import sys
sys.path.insert(0, sys.argv[1])
from write_readme import ROOT, sequence
print(*(words[0] for words in sequence((ROOT / "README.md").read_text(encoding="utf-8"))))
"""


def test_the_start_benchmark_still_runs():
    done = subprocess.run(
        [sys.executable, str(SCRIPTS / "bench_start.py"), "--quick"],
        capture_output=True,
        text=True,
        check=True,
    )
    assert "ratio" in done.stdout and "goal: at most 2" in done.stdout
