"""A virtual environment of the project's own, made when it is not there or out of date.

Only the standard library, and nothing newer than Python 3.7, so that an older Python can still say
what it lacks. Used by ``demo.py`` and ``run_tests.py``.
"""

from __future__ import annotations

import hashlib
import os
import shutil
import subprocess
import sys
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent
OLDEST = (3, 11)
STAMP = "geotrim-stamp.txt"


def ready(name, extras=""):
    """Python of the environment ``name`` in the project folder, with geotrim installed in it.

    The environment is used again as long as ``pyproject.toml``, the Python and the extras are the
    same; otherwise it is made anew. geotrim is installed so that the code of this folder runs.

    Parameters
    ----------
    name : str
        Folder, for example ``.venv-demo``.
    extras : str
        For example ``test``.
    """
    check_python()
    folder = ROOT / name
    python = folder / ("Scripts/python.exe" if os.name == "nt" else "bin/python")
    wanted = stamp(extras)
    marker = folder / STAMP
    if python.exists() and marker.exists() and marker.read_text(encoding="utf-8") == wanted:
        return python
    print(f"Setting up {name} (a few minutes the first time) ...", flush=True)
    make(folder)
    what = str(ROOT) + (f"[{extras}]" if extras else "")
    install = ["-m", "pip", "install", "--quiet", "--disable-pip-version-check", "--editable", what]
    if subprocess.run([str(python), *install], env=clean_env(), cwd=str(ROOT)).returncode:
        sys.exit("The installation failed; pip says why above. Is the network there?")
    marker.write_text(wanted, encoding="utf-8")
    return python


def check_python():
    """Stop with a plain message on a Python that is too old or lacks its venv module."""
    if sys.version_info < OLDEST:
        sys.exit(
            "geotrim needs Python {}.{} or newer; this is {}. Start this script with a newer "
            "one, for example: python3.11 {}".format(*OLDEST, sys.version.split()[0], sys.argv[0])
        )
    try:
        import ensurepip  # noqa: F401
        import venv  # noqa: F401
    except ImportError:
        sys.exit(
            "This Python has no 'venv' (or no 'ensurepip'), so no environment can be made. On "
            "Debian or Ubuntu: sudo apt install python3-venv"
        )


def make(folder):
    """A fresh environment in the folder; one of ours that stands there is replaced."""
    import venv

    if folder.exists():
        if not (folder / "pyvenv.cfg").exists():
            sys.exit(f"{folder} is there and is no environment; move it away.")
        shutil.rmtree(folder)
    venv.EnvBuilder(with_pip=True).create(folder)


def stamp(extras):
    """What an environment was made from: the project file, the Python and the extras."""
    project = hashlib.sha256((ROOT / "pyproject.toml").read_bytes()).hexdigest()
    return "\n".join([project, sys.version.split()[0], extras, str(ROOT)])


def clean_env(**more):
    """The environment variables, less those that point libraries at another installation."""
    drop = ("PYTHONHOME", "PYTHONPATH", "PIP_USER", "PROJ_DATA", "PROJ_LIB", "GDAL_DATA")
    return {**{k: v for k, v in os.environ.items() if k not in drop}, **more}
