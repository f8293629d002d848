"""The solver is kept from printing: seen from outside, in a process of its own."""

import os
import subprocess
import sys

import pytest

from geotrim.core import window_clock
from geotrim.core.window_clock import Clock

#: A solver that prints past Python, as the real one now and then does: by the C library, which
#: holds back what goes to a pipe, and straight to the file.
CHILD = """
import ctypes, os, sys
import scipy.optimize
from geotrim.core import window_run
from geotrim.core.window_model import Program

true_milp = scipy.optimize.milp

def talkative(*given, **more):
    ctypes.CDLL(None).puts(b"stray line of the library")
    if "closed" not in sys.argv:
        os.write(1, b"stray line\\n")
    if "fail" in sys.argv:
        raise ArithmeticError("stopped")
    return true_milp(*given, **more)

scipy.optimize.milp = talkative
if "closed" in sys.argv:
    os.close(1)
if "none" in sys.argv:
    sys.stdout = None
program = Program()
program.columns_of(2, is_whole=True, cost=[-1.0, -2.0])
program.row([0, 1], 1.0, 1.0)
ctypes.CDLL(None).puts(b"said before")
if sys.stdout is not None and "closed" not in sys.argv:
    sys.stdout.write("told before\\n")
try:
    found = window_run.run(program, 5.0)
    assert found.x.round().tolist() == [0.0, 1.0]
except ArithmeticError:
    pass
if "closed" not in sys.argv:
    os.write(1, b"said after\\n")
if sys.stdout is not None and "closed" not in sys.argv:
    sys.stdout.write("told after\\n")
sys.stderr.write("done")
if "closed" in sys.argv:
    sys.stdout = None
"""
TOLD = ["told before", "said before", "said after", "told after"]


@pytest.mark.skipif(sys.platform == "win32", reason="the C library has another name there")
@pytest.mark.parametrize(
    ("how", "expected"),
    [
        ("", TOLD),
        ("fail", TOLD),
        ("none", ["said before", "said after"]),
        ("closed", []),
    ],
)
def test_nothing_of_the_solver_is_printed(how, expected):
    """What others print before and after is, in order; without an output nothing breaks."""
    # Where Python is told not to hold back, the C library does not either.
    env = {name: value for name, value in os.environ.items() if name != "PYTHONUNBUFFERED"}
    ran = subprocess.run(
        [sys.executable, "-c", CHILD, how],
        capture_output=True, text=True, timeout=60, check=False, env=env,
    )  # fmt: skip
    # What C and Python hold back before may come in either order.
    told = ran.stdout.splitlines()
    assert sorted(told) == sorted(expected)
    assert told[-2:] == expected[-2:]
    assert (ran.returncode, ran.stderr) == (0, "done")


def test_a_clock_gives_every_search_some_time(monkeypatch):
    """100 s: half of what is left; once 99.5 s are over a second all the same."""
    now = [50.0]
    monkeypatch.setattr(window_clock.time, "monotonic", lambda: now[0])
    clock, short = Clock(100.0), Clock(2.0)
    assert (clock.left(), clock.part(), clock.part(0.5)) == (100.0, 100.0, 50.0)
    assert not clock.is_up()
    now[0] = 149.5
    assert (clock.left(), clock.part(), clock.is_up()) == (0.5, 1.0, True)
    assert (short.left(), short.part()) == (0.0, pytest.approx(0.1))
    now[0] = 151.0
    assert (clock.left(), clock.part(0.5)) == (0.0, 1.0)
