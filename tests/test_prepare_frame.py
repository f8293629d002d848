"""What every preparation has in common: declarations, the command, the folder, the record."""

from __future__ import annotations

import json
import os
import re
import tomllib

import pytest

from geotrim.cli import main
from geotrim.cli.prepare import given_sources, preparation_parser
from geotrim.errors import GeotrimError, RangeError
from geotrim.io.site_spec import SITE_TABLES
from geotrim.model import InputFile, Note
from geotrim.ops.registry import Param
from geotrim.prepare import work
from geotrim.prepare.catalogue import PREPARATIONS
from geotrim.prepare.declared import Preparation, Source
from geotrim.prepare.task import Prepared


def echo(task):
    """A preparation for the tests: it writes down what it was given."""
    task.progress("echoing")
    (task.folder / "echo.txt").write_text(task.one("words").path, encoding="utf-8")
    if task.params["is_failing"]:
        raise RangeError("words", "a wish to fail", "none", "leave it out")
    if task.params["is_broken"]:
        raise ZeroDivisionError
    return Prepared(
        {"echo.txt": "what was said"},
        {"crowns": {"file": "echo.txt", "layer": None, "height_rmse_ft": 0.5}},
        {"length_ft": float("nan"), "n_words": 1},
        (Note("words", "taken as they are", "assumed"),),
        "One word.",
        (InputFile("words", task.one("words").path, "0" * 64),),
    )


@pytest.fixture
def declared(monkeypatch):
    """The preparation ``echo``, beside those there are."""
    one = Preparation(
        "echo",
        "Writes down what it was given.",
        function="test_prepare_frame:echo",
        sources=(
            Source("words", "table", "what to say", is_required=True),
            Source(
                "more", "raster", "more of it", is_many=True, keys=(("rmse_ft", "FT", "error"),)
            ),
        ),
        outputs={"echo.txt": "what was said"},
        params=(
            Param("is_failing", "flag", False, "Whether to refuse."),
            Param("is_broken", "flag", False, "Whether to break."),
            Param("reach_ft", "number", 5.0, "A reach.", low=0.0),
        ),
        caution="Only an echo.",
    )
    monkeypatch.setitem(PREPARATIONS, "echo", one)
    return one


@pytest.mark.parametrize("name", PREPARATIONS)
def test_declaration_is_complete(name):
    one = PREPARATIONS[name]
    assert one.name == name and one.summary.endswith(".") and one.caution.endswith(".")
    assert callable(one.load())
    assert one.outputs and len({s.name for s in one.sources}) == len(one.sources)
    names = [param.name for param in one.params]
    assert len(set(names)) == len(names)
    help_text = preparation_parser(one).format_help()
    for option in [s.option for s in one.sources] + [p.option for p in one.params]:
        assert option in help_text
    for source in one.sources:
        keys = [key for key, _, _ in source.keys]
        assert len(set(keys)) == len(keys), source.name
        assert not {f"{source.name}_{key}" for key in keys} & set(names)


def test_list_names_every_preparation(capsys):
    assert main(["prepare"]) == 0
    told = capsys.readouterr().out
    assert all(re.search(rf"^  {name} ", told, re.M) for name in PREPARATIONS)
    assert max(map(len, told.splitlines())) <= 80


def test_command_writes_folder_record_and_site_part(declared, tmp_path, monkeypatch, capsys):
    monkeypatch.chdir(tmp_path)
    words = ["--words", "hello", "--more", "b.tif", "--more-unit", "us-ft", "--more-rmse-ft", "0.3"]
    assert main(["prepare", "echo", *words, "--reach-ft", "7"]) == 0
    folder = tmp_path / "prepared" / "echo"
    assert (folder / "echo.txt").read_text() == "hello"
    told = json.loads((folder / "record.json").read_text())
    assert told["preparation"] == "echo"
    assert told["parameters"]["reach_ft"] == {"value": 7.0, "is_default": False}
    assert told["parameters"]["is_failing"] == {"value": False, "is_default": True}
    assert told["files_named"]["more"] == [
        {
            "path": "b.tif",
            "absolute_path": str(tmp_path / "b.tif"),
            "unit": "us-ft",
            "rmse_ft": 0.3,
        }
    ]
    assert told["figures"] == {"length_ft": None, "n_words": 1}
    assert told["notes"]["assumed"] == [{"about": "words", "text": "taken as they are"}]
    assert {f["file"] for f in told["files"]} == {"echo.txt", "for_site_file.toml"}
    part = tomllib.loads((folder / "for_site_file.toml").read_text())
    assert part == {"crowns": {"file": "echo.txt", "height_rmse_ft": 0.5}}
    shown = capsys.readouterr().out
    for text in ("One word.", "assumed: words: taken", "caution: Only an echo.", "echo.txt"):
        assert text in shown
    assert main(["prepare", "echo", "--words", "again"]) == 0
    assert (tmp_path / "prepared" / "echo-2" / "echo.txt").read_text() == "again"


@pytest.mark.parametrize("out", [(), ("--out", "made"), ("--out", "deep/down/made")], ids=str)
@pytest.mark.parametrize("flag", ["--is-failing", "--is-broken"])
def test_failure_leaves_nothing_behind(declared, tmp_path, monkeypatch, capsys, flag, out):
    monkeypatch.chdir(tmp_path)
    words = ["prepare", "echo", "--words", "hello", *out, flag]
    if flag == "--is-failing":
        assert main(words) == 2
        assert "a wish to fail" in capsys.readouterr().err
    else:  # a bug keeps its traceback
        with pytest.raises(ZeroDivisionError):
            main(words)
    assert list(tmp_path.iterdir()) == []


def test_replace_takes_a_prepared_folder_only(declared, tmp_path, capsys):
    out, words = tmp_path / "made", ["prepare", "echo", "--words"]
    assert main([*words, "one", "--out", str(out)]) == 0
    assert main([*words, "two", "--out", str(out)]) == 2
    assert "--replace" in capsys.readouterr().err
    assert main([*words, "two", "--out", str(out), "--replace"]) == 0
    assert (out / "echo.txt").read_text() == "two"
    (out / "record.json").unlink()
    assert main([*words, "three", "--out", str(out), "--replace"]) == 2
    assert (out / "echo.txt").read_text() == "two"


KEPT = {
    "another preparation": lambda out: (out / "record.json").write_text(
        (out / "record.json").read_text().replace('"preparation": "echo"', '"preparation": "mhw"')
    ),
    "a run": lambda out: (out / "record.json").write_text(
        (out / "record.json").read_text().replace('"preparation": "echo",', "")
    ),
    "a file of the user's": lambda out: (out / "mine.txt").write_text("mine"),
    "a folder of the user's": lambda out: (out / "mine").mkdir(),
    "a file that was changed": lambda out: (out / "echo.txt").write_text("by hand"),
}


@pytest.mark.parametrize("what", KEPT)
def test_replace_deletes_nothing_but_its_own(declared, tmp_path, capsys, what):
    out, words = tmp_path / "made", ["prepare", "echo", "--words"]
    assert main([*words, "one", "--out", str(out)]) == 0
    KEPT[what](out)
    before = sorted(p.name for p in out.iterdir())
    assert main([*words, "two", "--out", str(out), "--replace"]) == 2
    assert "choose another name" in capsys.readouterr().err
    assert sorted(p.name for p in out.iterdir()) == before


def test_a_folder_that_stays_is_told_before_the_work(declared, tmp_path, capsys, monkeypatch):
    out, words = tmp_path / "made", ["prepare", "echo", "--words", "one"]
    assert main([*words, "--out", str(out)]) == 0
    (out / "mine.txt").write_text("mine")
    monkeypatch.setattr(declared.__class__, "load", lambda self: pytest.fail("it worked"))
    for more in ([], ["--replace"]):
        assert main([*words, "--out", str(out), *more]) == 2


@pytest.mark.skipif(os.name == "nt", reason="links need rights there")
def test_replace_does_not_follow_a_link(declared, tmp_path, capsys):
    out, link, words = tmp_path / "made", tmp_path / "link", ["prepare", "echo", "--words"]
    assert main([*words, "one", "--out", str(out)]) == 0
    link.symlink_to(out, target_is_directory=True)
    assert main([*words, "two", "--out", str(link), "--replace"]) == 2
    assert "no folder of geotrim's" in capsys.readouterr().err
    assert (link / "echo.txt").read_text() == "one" and link.is_symlink()


def test_replace_spares_what_is_read(declared, tmp_path, capsys):
    out, words = tmp_path / "made", ["prepare", "echo", "--words"]
    assert main([*words, "one", "--out", str(out)]) == 0
    words[-1:] = ["--words", "two", "--more", str(out / "echo.txt")]
    assert main([*words, "--out", str(out), "--replace"]) == 2
    assert "echo.txt in it, which is read" in capsys.readouterr().err
    assert (out / "echo.txt").read_text() == "one"


BAD = [
    (["ecko"], "found 'ecko'; needed one of .* say 'echo'"),
    (["echo"], "--words: found nothing; needed what to say"),
    (["echo", "--words-layer", "a"], "--words-layer: found no file it is about"),
    (["echo", "--words", "a", "--reach-ft", "-1"], "--reach-ft: found -1"),
    (["echo", "--words", "a", "--reach-ft", "six"], "--reach-ft: found 'six'; needed a number"),
    (["echo", "--words", "a", "--more", "b", "--more-band", "x"], "--more-band: found 'x'"),
    (["echo", "--words", "a", "--more", "b", "--more-rmse-ft", "x"], "--more-rmse-ft: found 'x'"),
    (["echo", "--words", "a", "--replace"], "--replace: found no --out"),
    (["echo", "--word", "a"], "--word: .* say --words"),
]


@pytest.mark.parametrize(("words", "told"), BAD, ids=[" ".join(w) for w, _ in BAD])
def test_bad_words_are_told(declared, tmp_path, monkeypatch, capsys, words, told):
    monkeypatch.chdir(tmp_path)
    assert main(["prepare", *words]) == 2
    assert re.search(told, capsys.readouterr().err)
    assert list(tmp_path.iterdir()) == []


def test_files_carry_what_was_said_of_their_kind(declared):
    words = [
        "--words",
        "w",
        "--words-layer",
        "l",
        "--more",
        "a",
        "--more",
        "b",
        "--more-unit",
        "ft",
        "--more-rmse-ft",
        "0.5",
    ]
    found = given_sources(declared, preparation_parser(declared).parse_args(words))
    assert found["words"][0].path == "w" and found["words"][0].said == {"layer": "l"}
    assert [item.path for item in found["more"]] == ["a", "b"]
    assert found["more"][1].said == {"unit": "ft", "rmse_ft": 0.5}
    assert found["more"][0].subject == "--more"


def test_python_call_refuses_what_is_not_declared(declared, tmp_path):
    out = tmp_path / "made"
    with pytest.raises(GeotrimError, match="a file for 'wrods'"):
        work.prepare_input("echo", {"words": "w", "wrods": "x"}, out=out)
    with pytest.raises(GeotrimError, match="words: found 2 files"):
        work.prepare_input("echo", {"words": ["w", "x"]}, out=out)
    with pytest.raises(RangeError, match="no such parameter of prepare echo"):
        work.prepare_input("echo", {"words": "w"}, {"rech_ft": 1.0}, out=out)
    done = work.prepare_input("echo", {"words": tmp_path / "w"}, {"reach_ft": None}, out=out)
    assert done.folder == out and done.prepared.figures["n_words"] == 1


def test_sources_that_are_site_inputs_keep_their_names():
    """Where a preparation reads what a site has, the name is the site's."""
    shared = {"lots", "crowns", "heights"}
    named = {source.name for one in PREPARATIONS.values() for source in one.sources}
    assert shared <= named and shared <= set(SITE_TABLES)
