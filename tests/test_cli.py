"""The command line: what is printed, what is written, and what each kind of failure returns."""

from __future__ import annotations

import csv
import json
import os
import signal
import subprocess
import sys
from pathlib import Path

import fiona
import pytest

from geotrim import cli
from geotrim.cli import commands, main
from geotrim.cli.parser import Parser, metavar_of, operation_parser, param_help, text_of, value_of
from geotrim.errors import GeotrimError, RangeError
from geotrim.ops import chain, plugins
from geotrim.ops.catalogue import OPERATIONS
from geotrim.ops.chain import closure
from geotrim.ops.registry import Operation, Param

ROOT = Path(__file__).resolve().parent.parent
PLAIN = ROOT / "sample_data" / "plain_lot"
CURVED = ROOT / "sample_data" / "curved_shore"
FILES = [
    *("--lots", str(PLAIN / "site.gpkg"), "--lots-layer", "lots"),
    *("--mhw-line", str(PLAIN / "site.gpkg"), "--mhw-origin", "survey"),
]


def run(*words, capsys):
    """Exit code, standard output and standard error of one command."""
    code = main([str(word) for word in words])
    out, err = capsys.readouterr()
    return code, out, err


def refused(*words, capsys):
    """Standard error of a command that must be refused: one line, no traceback, nothing printed."""
    code, out, err = run(*words, capsys=capsys)
    assert code == 2 and out == ""
    assert err.startswith("geotrim: ") and err.count("\n") == 1
    assert "; needed " in err and "To mend: " in err
    return err


def in_a_process(*words, **env):
    return subprocess.run(
        [sys.executable, "-m", "geotrim", *map(str, words)],
        capture_output=True,
        check=False,
        env={**os.environ, **env},
    )


def test_help_names_every_command_and_operation(capsys):
    for words in ([], ["--help"], ["-h"], ["help"]):
        code, out, err = run(*words, capsys=capsys)
        assert code == 0 and err == ""
        for name in (*cli.COMMANDS, *OPERATIONS):
            assert f"\n  {name} " in out
        assert max(map(len, out.splitlines())) <= 80


def test_version(capsys):
    code, out, _ = run("--version", capsys=capsys)
    assert code == 0 and out.startswith("geotrim 0.")


@pytest.mark.parametrize("name", OPERATIONS)
def test_the_help_of_an_operation_tells_each_option_with_limits_and_default(name):
    """Its own options and those of all it builds on."""
    chosen = closure([name])
    text = " ".join(operation_parser(OPERATIONS[name], chosen).format_help().split())
    for operation in chosen.values():
        for param in operation.params:
            assert f"{param.option} " in text or f"{param.option}, --no-" in text
            help_text = " ".join(param_help(param).replace("%%", "%").split())
            # argparse may break a line at a hyphen
            assert help_text.replace("- ", "-") in text.replace("- ", "-")
    assert OPERATIONS[name].caution in text


def test_an_operation_prints_its_tables_with_units(capsys):
    code, out, err = run("frontage", PLAIN / "site.toml", capsys=capsys)
    assert code == 0 and err == ""
    head = out.split("SB-07")[0]
    assert "frontage" in head and "length," in head and "ft" in head
    assert OPERATIONS["frontage"].caution in out


#: Operations, and samples that hold what each one needs.
PAIRS = [
    (name, site)
    for site in ("plain_lot", "curved_shore", "canal_corner")
    for name in OPERATIONS
    # readings are in no sample, and no eye looks over the canal
    if name != "calibrate" and (name, site) != ("sightlines", "canal_corner")
]


@pytest.mark.parametrize(("name", "site"), PAIRS)
def test_every_operation_runs_on_every_sample_site(name, site, capsys, tmp_path):
    """Whatever is missing in a table, it is printed and written."""
    out = tmp_path / "all.gpkg"
    words = [name, ROOT / "sample_data" / site / "site.toml", "--all", "--out", out]
    code, printed, err = run(*words, capsys=capsys)
    assert code == 0 and err == ""
    for table in OPERATIONS[name].outputs:
        assert f"{table.replace('_', ' ')}\n" in printed
    assert set(OPERATIONS[name].outputs) <= set(fiona.listlayers(out))


def test_a_site_without_eyes_is_told_what_sightlines_needs(capsys):
    out = refused("sightlines", ROOT / "sample_data" / "canal_corner" / "site.toml", capsys=capsys)
    assert "eyes" in out


def test_files_and_a_site_file_give_the_same_answer(capsys):
    """120 US survey feet, as the sample was drawn, in international feet."""
    _, by_site, _ = run("frontage", PLAIN / "site.toml", capsys=capsys)
    code, by_files, _ = run("frontage", *FILES, capsys=capsys)
    assert code == 0 and by_files == by_site
    assert "120.0" in by_files


def test_crowns_are_measured_without_a_lot(capsys):
    """Heights and slices ask for no lot and no shore."""
    words = ["--crowns", PLAIN / "site.gpkg", "--crowns-layer", "crowns"]
    words += ["--heights", PLAIN / "heights.tif", "--heights-unit", "us-ft"]
    words += ["--heights-rmse-ft", "0.4", "--crowns-base-height-field", "base_height_ft"]
    words += ["--crowns-base-height-unit", "us-ft"]
    plans = {"heights": [], "slices": ["--target-height-ft", "12"]}  # the site file has a plan
    for name, plan in plans.items():
        code, by_files, err = run(name, *words, *plan, capsys=capsys)
        _, by_site, _ = run(name, PLAIN / "site.toml", capsys=capsys)
        assert code == 0 and err == "" and by_files == by_site


def test_options_reach_the_operation(capsys, tmp_path):
    out = tmp_path / "t.json"
    run("fringe", PLAIN / "site.toml", "--transect-spacing-ft", "50", "--out", out, capsys=capsys)
    told = json.loads(out.read_text(encoding="utf-8"))
    assert told["parameters"]["transect_spacing_ft"] == 50.0
    assert len(told["tables"]["transects"]) == 3  # 120 ft, at most 50 apart
    words = ["slices", PLAIN / "site.toml", "--band-ft", "5,9", "--out", out, "--replace"]
    run(*words, capsys=capsys)
    told = json.loads(out.read_text(encoding="utf-8"))
    assert told["parameters"]["band_ft"] == [5.0, 9.0]


@pytest.mark.parametrize("suffix", [".gpkg", ".geojson", ".csv", ".json"])
def test_one_result_is_written_as_its_ending_says(suffix, tmp_path, capsys):
    out = tmp_path / f"frontage{suffix}"
    code, printed, _ = run("frontage", PLAIN / "site.toml", "--out", out, capsys=capsys)
    assert code == 0 and f"written: {out}" in printed
    assert [path.name for path in tmp_path.iterdir()] == [out.name]
    if suffix == ".csv":
        with out.open(encoding="utf-8", newline="") as stream:
            (row,) = csv.DictReader(stream)
        assert row["lot_id"] == "SB-07"
    elif suffix == ".json":
        told = json.loads(out.read_text(encoding="utf-8"))
        assert told["operation"] == "frontage" and "lots" in told["tables"]
    else:
        with fiona.open(out) as source:
            (row,) = source
            assert row["properties"]["lot_id"] == "SB-07"
            assert row["geometry"]["type"] == "LineString"


def test_a_table_is_chosen_by_name(tmp_path, capsys):
    out = tmp_path / "lots.csv"
    words = ["frontage", PLAIN / "site.toml", "--out", out, "--replace"]
    assert run(*words, "--table", "lots", capsys=capsys)[0] == 0
    assert "lot_area_ft2" in out.read_text(encoding="utf-8")
    err = refused(*words, "--table", "lot", capsys=capsys)
    assert err.startswith("geotrim: --table: found 'lot'; needed one of frontage, ")


def test_a_file_that_exists_is_kept_unless_it_may_be_replaced(tmp_path, capsys):
    out = tmp_path / "lots.csv"
    out.write_text("mine", encoding="utf-8")
    words = ["frontage", PLAIN / "site.toml", "--out", out]
    assert "a file of that name" in refused(*words, capsys=capsys)
    assert out.read_text(encoding="utf-8") == "mine"
    assert run(*words, "--replace", capsys=capsys)[0] == 0
    assert "SB-07" in out.read_text(encoding="utf-8")


@pytest.mark.parametrize("suffix", [".gpkg", ".geojson"])
def test_a_table_of_crowns_gets_their_shapes(suffix, tmp_path, capsys):
    out = tmp_path / f"heights{suffix}"
    code, _, _ = run("heights", PLAIN / "site.toml", "--out", out, capsys=capsys)
    with fiona.open(out) as source:
        rows = list(source)
    assert code == 0 and len(rows) == 43
    assert {row["geometry"]["type"] for row in rows} == {"Polygon"}
    assert {row["properties"]["crown_id"] for row in rows} >= {"SB-01", "SB-42"}


def test_a_file_without_shapes_is_no_geojson(tmp_path, capsys):
    out = tmp_path / "t.geojson"
    words = ["zone", PLAIN / "site.toml", "--out", out, "--table", "zone_taken"]
    err = refused(*words, capsys=capsys)
    assert "no shapes in it" in err and list(tmp_path.iterdir()) == []


def test_layers_are_listed_with_their_fields(capsys):
    code, out, _ = run("layers", PLAIN / "site.gpkg", capsys=capsys)
    assert code == 0
    assert "crowns: " in out and "polygon shapes" in out and "EPSG:6443" in out
    assert "field   crown_id (str)" in out


def test_operations_are_listed_with_their_schema(capsys):
    code, out, _ = run("operations", capsys=capsys)
    assert code == 0 and all(f"{name}\n" in out for name in OPERATIONS)
    _, out, _ = run("operations", "--json", capsys=capsys)
    told = {op["name"]: op for op in json.loads(out)}
    reach = told["frontage"]["parameters"]["properties"]["reach_ft"]
    assert reach["minimum"] == 0.0 and reach["default"] == 5.0 and reach["type"] == "number"


BAD = {
    "unknown command": (["frontag"], "say 'frontage' if you meant that"),
    "option first": (["--reach-ft", "3"], "an option before a command"),
    "unknown option": (["frontage", "--reach-fd", "3"], "--reach-fd: found an option not known"),
    "abbreviated option": (["frontage", "x.toml", "--reach", "3"], "say --reach-ft if you meant"),
    "no value": (["frontage", "--reach-ft"], "--reach-ft: found no value"),
    "text for a number": (["frontage", "x", "--reach-ft", "wide"], "--reach-ft: found 'wide'"),
    "not a number": (["frontage", "x", "--reach-ft", "nan"], "--reach-ft: found nan"),
    "under the limit": (["frontage", "x", "--reach-ft", "-1"], "needed from 0 up to 200"),
    "over the limit": (["frontage", "x", "--reach-ft", "201"], "--reach-ft: found 201"),
    "at an open limit": (["frontage", "x", "--corner-deg", "0"], "needed above 0 up to 180"),
    "no such choice": (["zone", "x", "--riparian-method", "guess"], "one of square-to-shore"),
    "band upside down": (["slices", "x", "--band-ft", "10,6"], "numbers that rise"),
    "band of one": (["slices", "x", "--band-ft", "6"], "two numbers or more"),
    "band of words": (["slices", "x", "--band-ft", "six,ten"], "--band-ft: found 'six'"),
    "nothing to read": (["frontage"], "a site file, or files"),
    "no such site file": (["frontage", "nowhere.toml"], "nowhere.toml"),
    "two site files": (["frontage", "a.toml", "b.toml"], "b.toml: found a word too many"),
    "file and site file": (["frontage", PLAIN / "site.toml", *FILES], "one or the other"),
    "crs beside a site file": (["frontage", PLAIN / "site.toml", "--crs", "EPSG:6443"], "--crs:"),
    "no lots": (["frontage", *FILES[4:]], "--lots: found nothing"),
    "no origin": (["frontage", *FILES[:6]], "--mhw-origin: found nothing"),
    "unknown origin": (["frontage", *FILES[:7], "guess"], "found 'guess'"),
    "layer without file": (["frontage", "--lots-layer", "lots"], "its layer without a file"),
    "no such layer": (["frontage", *FILES[:3], "lotz", *FILES[4:]], "no layer 'lotz'"),
    "no such lot": (["frontage", PLAIN / "site.toml", "--lot", "X"], "no lot 'X'"),
    "no such CRS": (["frontage", *FILES, "--crs", "EPSG:1"], "EPSG:1"),
    "missing input": (["slices", *FILES], "an option not known here"),
    "no crowns": (["fringe", *FILES], "--crowns: found nothing; needed crown polygons"),
    "no such file": (["layers", "nothing.gpkg"], "nothing.gpkg"),
    "no such ending": (["frontage", PLAIN / "site.toml", "--out", "t.xyz"], "the ending '.xyz'"),
    "no ending": (["frontage", PLAIN / "site.toml", "--out", "t"], "no ending"),
    "no folder": (["frontage", PLAIN / "site.toml", "--out", "no/t.csv"], "no folder to write"),
    "replace without out": (["frontage", PLAIN / "site.toml", "--replace"], "--replace: found no"),
    "table without out": (
        ["frontage", PLAIN / "site.toml", "--table", "lots"],
        "--table: found no",
    ),
    "run without a site": (["run"], "command line: found no SITE"),
    "replace without a folder": (["run", PLAIN / "site.toml", "--replace"], "--replace: found no"),
}


@pytest.mark.parametrize("name", BAD)
def test_bad_input_is_one_message_and_exit_code_2(name, capsys, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    words, told = BAD[name]
    assert told in refused(*words, capsys=capsys)
    assert list(tmp_path.iterdir()) == []


def test_a_bug_keeps_its_traceback(monkeypatch):
    monkeypatch.setattr(cli, "help_text", lambda: 1 / 0)
    with pytest.raises(ZeroDivisionError):
        main(["--help"])


@pytest.mark.skipif(os.name == "nt", reason="Windows ends a program without asking it")
def test_a_request_to_end_cleans_up_and_is_143(tmp_path):
    """128 + 15, as shells tell it (POSIX); the folder that was begun is gone."""
    code = (
        "import os, signal, sys\n"
        "from pathlib import Path\n"
        "from geotrim.cli import commands, main\n"
        "from geotrim.io.aside import new_folder\n"
        "def work(name, words):\n"
        "    with new_folder(Path(words[0])) as aside:\n"
        "        (aside / 'begun').write_text('')\n"
        "        os.kill(os.getpid(), signal.SIGTERM)\n"
        "        raise AssertionError('went on')\n"
        "commands.run_command = work\n"
        "sys.exit(main(['run', sys.argv[1]]))\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", code, str(tmp_path / "out")],
        capture_output=True, text=True, check=False, timeout=60,
    )  # fmt: skip
    assert done.returncode == 143 and "Traceback" not in done.stderr
    assert done.stderr.strip() == "geotrim: stopped; nothing was left half-written"
    assert list(tmp_path.iterdir()) == []


def test_a_request_to_end_is_answered_by_us_only_while_we_run(monkeypatch):
    before = signal.getsignal(signal.SIGTERM)
    seen = []
    monkeypatch.setattr(
        commands, "run_command", lambda *_: seen.append(signal.getsignal(signal.SIGTERM)) or 0
    )
    assert cli.main(["run"]) == 0 and signal.getsignal(signal.SIGTERM) is before
    if before is signal.SIG_DFL:
        assert callable(seen[0])
    try:
        signal.signal(signal.SIGTERM, signal.SIG_IGN)
        assert cli.main(["run"]) == 0 and seen[-1] is signal.SIG_IGN, "another's answer stays"
    finally:
        signal.signal(signal.SIGTERM, before)


def test_ctrl_c_is_a_line_and_130(monkeypatch, capsys):
    def stop(words):
        raise KeyboardInterrupt

    monkeypatch.setattr(cli, "_dispatch", stop)
    code, out, err = run("run", "x", capsys=capsys)
    assert code == 130 and out == ""
    assert err == "geotrim: stopped; nothing was left half-written\n"


@pytest.mark.skipif(os.name == "nt", reason="pipes close differently on Windows")
def test_a_reader_that_goes_away_is_met_with_silence():
    command = f"{sys.executable} -m geotrim slices {PLAIN / 'site.toml'} --all | head -1"
    done = subprocess.run(["bash", "-c", command], capture_output=True, check=False)
    assert done.stdout == b"slices\n" and done.stderr == b""


def test_a_console_of_few_characters_is_no_obstacle():
    """A square foot has a superscript; an ASCII console gets a stand-in, cp1252 has it."""
    done = in_a_process("frontage", PLAIN / "site.toml", PYTHONIOENCODING="ascii", PYTHONUTF8="0")
    assert done.returncode == 0 and b"ft?" in done.stdout
    done = in_a_process("frontage", PLAIN / "site.toml", PYTHONIOENCODING="cp1252", PYTHONUTF8="0")
    assert done.returncode == 0 and "ft²".encode("cp1252") in done.stdout


def test_exit_codes_of_the_process():
    assert in_a_process("--version").returncode == 0
    assert in_a_process("frontag").returncode == 2


@pytest.mark.parametrize(
    ("param", "text", "expected"),
    [
        (Param("a_ft", "number", 1.0, "A."), "2.5", 2.5),
        (Param("n", "whole", 1, "N."), "3", 3),
        (Param("b_ft", "numbers", None, "B."), "6, 10", (6.0, 10.0)),
        (Param("c", "choice", "x", "C.", choices=("x", "y")), "y", "y"),
        (Param("t", "text", "", "T."), "12", "12"),
        (Param("f", "flag", False, "F."), True, True),
    ],
)
def test_text_becomes_the_kind_of_the_parameter(param, text, expected):
    got = value_of(param, text)
    assert got == expected and type(got) is type(expected)
    if param.kind != "flag":
        assert value_of(param, text_of(expected)) == expected  # what is shown can be typed


@pytest.mark.parametrize("text", ["1.5", "x", ""])
def test_a_whole_number_is_whole(text):
    with pytest.raises(RangeError, match="--n: found"):
        value_of(Param("n", "whole", 1, "N."), text)


def test_a_percent_sign_in_a_help_text_is_harmless():
    parser = Parser("x", "X.")
    parser.add_argument("--a", help=param_help(Param("a", "number", 5.0, "Under 65 % of it.")))
    assert "Under 65 % of it." in " ".join(parser.format_help().split())


def test_the_metavar_tells_the_unit():
    assert metavar_of(OPERATIONS["frontage"].params[0]) == "FT"
    assert metavar_of(OPERATIONS["slices"].params[0]) == "FT,FT,..."


def plugged(**bound):
    from geotrim.model import Note, Result

    return Result("depth-of-mud", {}, (Note("mud", f"{bound['stick_ft']:g} ft", "info"),), bound)


@pytest.fixture
def _mud(monkeypatch):
    """A plug-in that works, and one that does not."""
    mud = Operation(
        "depth-of-mud",
        "Measures mud.",
        function=f"{__name__}:plugged",
        inputs=("lots", "mhw_line"),
        outputs={},
        params=(Param("stick_ft", "number", 4.0, "Length of the stick."),),
    )
    found = {"depth-of-mud": mud}, (("worms (package:worms)", "ImportError: no worms"),)
    for module in (plugins, chain):
        monkeypatch.setattr(module, "plugins", lambda: found)
    from geotrim.cli import commands

    monkeypatch.setattr(commands, "plugins", lambda: found)


@pytest.mark.usefixtures("_mud")
def test_a_plug_in_is_a_command_too_and_a_broken_one_is_named(capsys):
    code, out, err = run("depth-of-mud", PLAIN / "site.toml", "--stick-ft", "7", capsys=capsys)
    assert code == 0 and "info: mud: 7 ft" in out
    assert err == "geotrim: plug-in worms (package:worms) was left out: ImportError: no worms\n"
    _, out, err = run("operations", capsys=capsys)
    assert "depth-of-mud (plug-in)" in out and "worms" in err


def test_the_parser_never_leaves_the_process(capsys):
    """The standard parser would print its own words and exit."""
    with pytest.raises(GeotrimError, match="needed what geotrim x takes"):
        Parser("x", "X.").parse_args(["--what"])
    assert capsys.readouterr().err == ""


CANAL = ROOT / "sample_data" / "canal_corner"


@pytest.mark.parametrize(
    ("word", "told"),
    [
        ("is_mitigation_land=no", "--fact mitigation_provides_trimming: found true, where"),
        ("supervisor=me", "--fact supervisor: found 'me'; needed one of owner, professional"),
        ("start_date=1/2/27", "--fact start_date: found '1/2/27'; needed a date such as"),
        ("foo=1", "--fact: found 'foo=1'; needed NAME=ANSWER with one of supervisor,"),
        ("supervisor", "To mend: say supervisor=..."),
        ("n_units=x", "--fact n_units: found 'x'; needed a whole number"),
        ("earlier_height_ft=-1", "--fact earlier_height_ft: found -1; needed from 0 up to 100"),
        ("uses_herbicide=perhaps", "--fact uses_herbicide: found 'perhaps'; needed yes or no"),
    ],
)
def test_a_wrong_fact_is_refused(word, told, capsys):
    words = ["--fact", word, "--fact", "mitigation_provides_trimming=yes"]
    code, _, err = run("route", CANAL / "site.toml", *words, capsys=capsys)
    assert code == 2 and told in err and "Traceback" not in err


def test_a_plan_can_be_tried_out(capsys):
    """The sample's bank is set aside; were it not, the owner could not cut what is over 10 ft."""
    code, out, _ = run("route", CANAL / "site.toml", capsys=capsys)
    assert code == 0 and "Professional exemption  closed\n" in out
    words = ["--fact", "is_mitigation_land=no", "--fact", "supervisor=professional"]
    words += ["--fact", "professional_credential=certified-arborist"]
    code, out, _ = run("route", CANAL / "site.toml", *words, capsys=capsys)
    assert code == 0 and "Professional exemption  open" in out


def test_route_takes_files_and_local_rules(capsys):
    words = ["--lots", CANAL / "site.gpkg", "--lots-layer", "lots", "--lots-id-field", "lot"]
    words += ["--mhw-line", CANAL / "site.gpkg", "--mhw-line-layer", "mhw_line"]
    words += ["--mhw-origin", "digitised", "--lot", "LC-03"]
    words += ["--local-rules", CANAL / "local_rules.toml", "--all"]
    code, out, _ = run("route", *words, capsys=capsys)
    assert code == 0 and "lanternjack:bank-" in out
    wrong = ["--local-rules", CANAL / "answers.toml"]
    code, _, err = run("route", *words[:-3], *wrong, capsys=capsys)
    assert code == 2 and "answers.toml" in err


def test_a_table_that_is_not_made_is_refused_before_the_work_is_done(tmp_path, capsys, monkeypatch):
    from geotrim.ops import chain

    def never(*_, **__):
        raise AssertionError("measured before the table was looked at")

    monkeypatch.setattr(chain, "measure", never)
    words = ["stages", PLAIN / "site.toml", "--out", tmp_path / "st.csv", "--table", "cuts"]
    err = refused(*words, capsys=capsys)
    assert err.startswith("geotrim: --table: found 'cuts'; needed one of stage_lots, stage_trees")
    assert "say 'stage_cuts' if you meant that" in err
    err = refused(*words[:-1], "stage", capsys=capsys)  # all four hold that
    assert "choose one of these" in err
