"""Run the tests, from nothing.

``python3 scripts/run_tests.py`` makes its own virtual environment (``.venv-test``), installs
geotrim with its test extras, and runs pytest twice: the tests of compiled code with the compiler
off (the same lines as plain Python), then everything with the compiler on. Further words go to
pytest, for example ``python3 scripts/run_tests.py -k frontage``. ``--setup-only`` stops after the
installation.
"""

from __future__ import annotations

import subprocess
import sys

from environment import ROOT, clean_env, ready

#: pytest's exit code for "nothing was selected".
NOTHING = 5


def main():
    """Run both; the exit code is the worse of the two."""
    words = sys.argv[1:]
    python = ready(".venv-test", "test")
    if words == ["--setup-only"]:
        return 0
    print("\n--- tests of compiled code, compiler off ---", flush=True)
    plain = pytest(python, ["-m", "jit", *words], NUMBA_DISABLE_JIT="1")
    print("\n--- every test, compiler on ---", flush=True)
    whole = pytest(python, words)
    return whole or (0 if plain == NOTHING else plain)


def pytest(python, words, **env):
    """Exit code of one run of pytest."""
    command = [str(python), "-m", "pytest", "-q", *words]
    return subprocess.run(command, env=clean_env(**env), cwd=str(ROOT)).returncode


if __name__ == "__main__":
    sys.exit(main())
