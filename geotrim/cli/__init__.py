"""The command line. This front door is kept light: asking for help starts about as fast as Python.

Only the catalogue is imported here; argument parsing, libraries and plug-ins come when a command
runs. Exit codes: 0 done; 2 bad input, told in one message; 1 a bug, with its traceback; 130 stopped
by the user; 143 stopped by the system (SIGTERM), which cleans up alike.
"""

from __future__ import annotations

import sys

import geotrim
from geotrim.errors import GeotrimError
from geotrim.ops.catalogue import OPERATIONS

#: Commands that are no operation -> what they do.
COMMANDS = {
    "run": "Measures all that a site file allows and writes one result package.",
    "screen": "Measures many lots, a neighbourhood or a county, into one table and map.",
    "prepare": "Makes an input that is missing: heights, MHW line, crowns, tree table ...",
    "sheets": "Draws the plan set of a result package, as PDF on 8.5 x 11 in.",
    "crew": "Writes the crew list of one year's cut: to print, for the phone, GPX and CSV.",
    "verify": "Holds what was cut against the plan: stick readings or a new height raster.",
    "enter": "Enters a plan, a cut, readings or a correction in the site's ledger.",
    "history": "Tells the life of a tree or a lot from the site's ledger.",
    "new": "Writes a commented starter site file from the files found in a folder.",
    "layers": "Lists the layers of a vector file, with their fields.",
    "operations": "Lists every operation, those of plug-ins among them.",
}


def main(argv: list[str] | None = None) -> int:
    """Run one command; the exit code comes back."""
    words = sys.argv[1:] if argv is None else list(argv)
    _make_printable(sys.stdout)
    _make_printable(sys.stderr)
    try:
        code = _dispatch(words)
        sys.stdout.flush()
    except GeotrimError as error:
        return _stop(f"geotrim: {error}", 2)
    except KeyboardInterrupt as stopped:  # Ctrl-C, or the system's own request
        told = getattr(stopped, "words", "stopped; nothing was left half-written")
        return _stop(f"geotrim: {told}", int(getattr(stopped, "exit_code", 130)))
    except BrokenPipeError:
        return _hang_up()
    return code


def help_text() -> str:
    """What ``geotrim --help`` prints, made from the catalogue."""
    left = max(len(name) for name in (*COMMANDS, *OPERATIONS)) + 4
    own = [_entry(name, does, left) for name, does in COMMANDS.items()]
    measures = [_entry(name, op.summary, left) for name, op in OPERATIONS.items()]
    return "\n".join(
        [
            f"geotrim {geotrim.__version__}",
            "Measures a waterfront lot, its mangrove fringe and the canopy in the window.",
            "",
            "usage: geotrim COMMAND ...",
            "",
            "commands:",
            *own,
            "",
            "one measure, with those it builds on:",
            *measures,
            "",
            "'geotrim COMMAND --help' tells the options of a command,",
            "'geotrim --version' the version.",
        ]
    )


def _entry(name: str, text: str, left: int, width: int = 80) -> str:
    """A name and what it does, folded at the margin, without textwrap for a quick start."""
    lines = [f"{'  ' + name:<{left}}"]
    for word in text.split():
        if len(lines[-1]) + len(word) > width:
            lines.append(" " * left)
        lines[-1] += word + " "
    return "\n".join(line.rstrip() for line in lines)


def _dispatch(words: list[str]) -> int:
    if len(words) > 1 and words[0] == "help":
        words = [words[1], "--help"]
    if not words or words[0] in ("-h", "--help", "help"):
        print(help_text())
        return 0
    if words[0] in ("-V", "--version"):
        print(f"geotrim {geotrim.__version__}")
        return 0
    from geotrim.cli.stopping import stop_as_interrupt

    with stop_as_interrupt():
        from geotrim.cli.commands import run_command

        return run_command(words[0], words[1:])


def _make_printable(stream: object) -> None:
    """Let a console that lacks a character print a stand-in for it instead of failing."""
    reconfigure = getattr(stream, "reconfigure", None)
    if reconfigure is not None:
        reconfigure(errors="replace")


def _stop(message: str, code: int) -> int:
    try:
        sys.stdout.flush()
    except BrokenPipeError:
        _hang_up()
    print(message, file=sys.stderr)
    return code


def _hang_up() -> int:
    """Nobody reads on: leave without a word; what is still buffered goes nowhere."""
    import os

    os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
    return 0
