"""Bring the parts of README.md that are made by geotrim up to date: tables, examples, the picture.

Run it in an environment that has geotrim: ``python scripts/write_readme.py``. The tests hold the
README to what it says here.
"""

from __future__ import annotations

import contextlib
import csv
import io
import os
import re
import shlex
import shutil
import sys
import tempfile
import tomllib
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent
PICTURE_OF = "curved_shore"
#: Colours of the picture: those of the figure, and the steps between them at edges.
N_COLOURS = 96
#: The sequence of commands that begins with a cloud, in the README.
SEQUENCE = re.compile(r"```\n(geotrim prepare heights --cloud.*?)\n```", re.DOTALL)
#: Measures of the bare lot that the README tells, and what they are called there.
TOLD = {
    "frontage_length_ft": "frontage along the line, ft",
    "frontage_chord_ft": "frontage, straight, ft",
    "fringe_depth_max_ft": "fringe depth, greatest, ft",
    "n_fringe_trees": "trees in the fringe",
}


def printed(command: str) -> str:
    """What a command of geotrim's prints, run in a folder that holds the sample data only."""
    from geotrim.cli import main

    here, out = Path.cwd(), io.StringIO()
    with tempfile.TemporaryDirectory() as place, contextlib.redirect_stdout(out):
        shutil.copytree(ROOT / "sample_data", Path(place) / "sample_data")
        os.chdir(place)
        try:
            code = main(shlex.split(command.removeprefix("geotrim ")))
        finally:
            os.chdir(here)
    if code:
        sys.exit(f"{command}: exit code {code}")
    return out.getvalue().replace("\\", "/").rstrip()


def with_mark(text: str, start: str, end: str, new: str) -> str:
    """The text with what stands between two marks replaced."""
    mark = re.compile(rf"(<!-- {start}[^>]*-->\n).*?(\n<!-- {end} -->)", re.DOTALL)
    return mark.sub(lambda found: found[1] + new + found[2], text)


def sequence(readme: str) -> list[list[str]]:
    """Words after ``geotrim`` of each command that takes a cloud to a measured lot."""
    found = SEQUENCE.search(readme)
    assert found, "the README lost its sequence"
    return [shlex.split(line)[1:] for line in found[1].replace("\\\n", " ").splitlines()]


def bare_lot_table(place: Path) -> str:
    """What was drawn and what was measured, from the folder in which the sequence ran."""
    answers = tomllib.loads(
        (ROOT / "sample_data" / "bare_lot" / "answers.toml").read_text(encoding="utf-8")
    )
    ((lot_id, drawn),) = answers["lots"].items()
    (table,) = place.glob("results/*/lots.csv")
    with table.open(encoding="utf-8", newline="") as stream:
        (measured,) = (row for row in csv.DictReader(stream) if row["lot_id"] == lot_id)
    rows = ["| | drawn | measured |", "| --- | --- | --- |"]
    for key, words in TOLD.items():
        form = ".0f" if key.startswith("n_") else ".1f"
        rows.append(f"| {words} | {drawn[key]['value']:{form}} | {float(measured[key]):{form}} |")
    return "\n".join(rows)


def measured_bare_lot(readme: str) -> str:
    """The table, from a run of the sequence in a folder of its own."""
    from geotrim.cli import main

    here = Path.cwd()
    with tempfile.TemporaryDirectory() as place:
        shutil.copytree(ROOT / "sample_data", Path(place) / "sample_data")
        os.chdir(place)
        try:
            for words in sequence(readme):
                with contextlib.redirect_stdout(io.StringIO()):
                    code = main(words)
                if code:
                    sys.exit(f"geotrim {shlex.join(words)}: exit code {code}")
        finally:
            os.chdir(here)
        return bare_lot_table(Path(place))


def main() -> int:
    from geotrim.cli.commands import operations_markdown
    from geotrim.cli.handover import handovers_markdown
    from geotrim.cli.prepare import preparations_markdown
    from geotrim.handover.catalogue import HANDOVERS
    from geotrim.ops.catalogue import CAUTIONS, OPERATIONS
    from geotrim.prepare.catalogue import PREPARATIONS

    readme = ROOT / "README.md"
    text = readme.read_text(encoding="utf-8")
    text = with_mark(text, "operations", "end of operations", operations_markdown(OPERATIONS))
    made = preparations_markdown(PREPARATIONS)
    text = with_mark(text, "preparations", "end of preparations", made)
    text = with_mark(text, "handovers", "end of handovers", handovers_markdown(HANDOVERS))
    cautions = "\n".join(f"- {caution}" for caution in CAUTIONS)
    text = with_mark(text, "cautions", "end of cautions", cautions)
    text = with_mark(text, "bare lot", "end of bare lot", measured_bare_lot(text))
    example = re.compile(r"^```\n\$ (geotrim [^\n]+)\n.*?\n```$", re.DOTALL | re.MULTILINE)
    text = example.sub(lambda found: f"```\n$ {found[1]}\n{printed(found[1])}\n```", text)
    readme.write_text(text, encoding="utf-8", newline="\n")
    draw(ROOT / "notebooks" / "pictures" / "shoreline_elevation.png")
    return 0


def draw(path: Path) -> None:
    """The picture at the top, drawn by geotrim from a sample site."""
    import geotrim
    from geotrim.report.elevation import shoreline_elevation
    from geotrim.report.save import save_figure

    site = geotrim.read_site(ROOT / "sample_data" / PICTURE_OF / "site.toml")
    with tempfile.TemporaryDirectory() as place:
        figure = shoreline_elevation(site, geotrim.measure(site))
        png, _ = save_figure(figure, Path(place) / "picture")
        path.parent.mkdir(exist_ok=True)
        make_small(png, path)


def make_small(png: Path, path: Path) -> None:
    """The same picture with so many colours as it needs, for a quick page."""
    from PIL import Image

    with Image.open(png) as whole:
        whole.convert("RGB").quantize(N_COLOURS, dither=Image.Dither.NONE).save(path, optimize=True)


if __name__ == "__main__":
    sys.exit(main())
