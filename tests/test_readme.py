"""The README says what is so."""

from __future__ import annotations

import re
import shlex
import shutil
from pathlib import Path

import pytest

from geotrim.cli import COMMANDS, main
from geotrim.cli.commands import operations_markdown
from geotrim.cli.handover import handover_parser, handovers_markdown
from geotrim.cli.parser import operation_parser
from geotrim.cli.prepare import preparation_parser, preparations_markdown
from geotrim.handover.catalogue import HANDOVERS
from geotrim.ops.catalogue import CAUTIONS, OPERATIONS
from geotrim.ops.chain import closure
from geotrim.prepare.catalogue import PREPARATIONS

ROOT = Path(__file__).resolve().parent.parent
README = (ROOT / "README.md").read_text(encoding="utf-8")
GUIDE = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")


def between(start, end):
    """Text between a marked line and another."""
    found = re.search(rf"<!-- {start}[^>]*-->\n(.*?)\n<!-- {end} -->", README, re.DOTALL)
    assert found, f"the README lost its mark {start!r}"
    return found[1]


def blocks(text=README, language=""):
    """Fenced blocks of one language, without their fences."""
    found = re.findall(r"^ *```(\w*)\n(.*?)\n *```$", text, re.DOTALL | re.MULTILINE)
    return [body for told, body in found if told == language]


def test_the_operation_table_is_the_registry():
    assert between("operations", "end of operations") == operations_markdown(OPERATIONS)


def test_the_preparation_table_is_the_catalogue():
    made = preparations_markdown(PREPARATIONS)
    assert between("preparations", "end of preparations") == made


def test_the_handover_table_is_the_catalogue():
    assert between("handovers", "end of handovers") == handovers_markdown(HANDOVERS)


def test_the_cautions_are_those_that_travel():
    assert between("cautions", "end of cautions") == "\n".join(f"- {text}" for text in CAUTIONS)


EXAMPLES = [block for block in blocks() if block.startswith("$ geotrim ")]


@pytest.mark.parametrize("block", EXAMPLES, ids=lambda b: b.splitlines()[0])
def test_an_example_prints_what_is_shown(block, capsys, monkeypatch, tmp_path):
    """Run in an empty folder, so that the results folder has its first name."""
    command, _, shown = block.partition("\n")
    words = shlex.split(command.removeprefix("$ geotrim "))
    monkeypatch.chdir(tmp_path)
    shutil.copytree(ROOT / "sample_data", tmp_path / "sample_data")
    assert main(words) == 0
    assert capsys.readouterr().out.replace("\\", "/").rstrip() == shown.rstrip()


def test_there_are_examples():
    assert len(EXAMPLES) == 4


def test_commands_and_options_exist():
    """Every ``geotrim ...`` line names a command, and only options that it has."""
    lines = [
        line
        for text in (README, GUIDE)
        for block in blocks(text)
        for line in block.replace("\\\n", " ").split("\n")
    ]
    used = [line.removeprefix("$ ").split("#")[0].split() for line in lines]
    used = [words[1:] for words in used if words[:1] == ["geotrim"] and words[1:]]
    assert len(used) >= 5
    for command, *words in used:
        assert command in (*COMMANDS, *OPERATIONS)
        if command in OPERATIONS:
            text = operation_parser(OPERATIONS[command], closure([command])).format_help()
            assert all(f"{word} " in text for word in words if word.startswith("--"))
        if command in HANDOVERS:
            text = handover_parser(HANDOVERS[command]).format_help()
            assert all(f"{word} " in text for word in words if word.startswith("--"))
        if command == "prepare" and words[:1] not in ([], ["NAME"]):
            text = preparation_parser(PREPARATIONS[words[0]]).format_help()
            assert all(f"{word} " in text for word in words if word.startswith("--"))


def test_scripts_and_pictures_that_are_named_exist():
    for text in (README, GUIDE):
        for name in re.findall(r"python3 (scripts/\w+\.py)", text):
            assert (ROOT / name).is_file(), name
        for name in re.findall(r"\]\(([^)#:]+)\)", text):
            assert (ROOT / name).is_file(), name
        for name in re.findall(
            r"`((?:scripts|tests|notebooks|geotrim|sample_data)/[\w./]+)`", text
        ):
            assert (ROOT / name).exists(), name


def test_the_picture_is_small():
    (picture,) = re.findall(r"\]\(([^)]+\.png)\)", README)
    assert (ROOT / picture).stat().st_size < 400_000


def test_the_python_example_runs(monkeypatch, capsys):
    (code,) = blocks(language="python")
    monkeypatch.chdir(ROOT)
    names: dict[str, object] = {}
    exec(compile(code, "README.md", "exec"), names)
    out = capsys.readouterr().out
    assert "frontage_length_ft" in out and "SB-07" in out
    # 120 US survey feet, as drawn, in international feet
    assert names["tables"]["lots"]["frontage_length_ft"].iloc[0] == pytest.approx(
        120.00024, abs=0.01
    )


def test_every_file_of_a_package_is_in_the_table(tmp_path, capsys):
    out = tmp_path / "out"
    assert main(["run", str(ROOT / "sample_data/plain_lot/site.toml"), "--out", str(out)]) == 0
    capsys.readouterr()
    table = README[README.index("The folder it names holds") :]
    for path in out.iterdir():
        stem = "panorama_EYE" if path.stem.startswith("panorama_") else path.stem
        known = (f"{stem}{path.suffix}", f"`{stem}.png`, `{path.suffix}`")
        assert any(name in table for name in known), path.name
