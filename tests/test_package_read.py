"""A result package read back, and the frame of what is made of it."""

from __future__ import annotations

import hashlib
import json
import math
import shutil
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from geotrim.errors import FileError, GeotrimError, LayerError, RangeError
from geotrim.handover import catalogue, work
from geotrim.handover.declared import Handover
from geotrim.handover.job import Job, Made
from geotrim.io.package_read import read_package
from geotrim.io.replaceable import kind_of
from geotrim.ops.registry import Param
from geotrim.report.sheets import lettering
from geotrim.report.sheets.true_scale import SCALES_FT, Frame, scale_that_fits
from geotrim.run import run_site

SAMPLES = Path(__file__).resolve().parent.parent / "sample_data"


@pytest.fixture(scope="module")
def package(tmp_path_factory):
    """A package of the sample that has no window, so that it is quick."""
    folder = tmp_path_factory.mktemp("read") / "canal"
    run_site(SAMPLES / "canal_corner" / "site.toml", folder)
    return folder


@pytest.fixture
def mine(package, tmp_path):
    """A copy that a test may spoil."""
    shutil.copytree(package, tmp_path / "canal")
    return tmp_path / "canal"


def test_what_is_read_is_what_lies_there(package):
    read = read_package(package)
    told = json.loads((package / "record.json").read_text(encoding="utf-8"))
    assert read.site_name == told["site"]["name"]
    assert read.lot_ids() == told["site"]["measured_lots"]
    assert set(read.tables) == set(told["layers"])
    for name, n_rows in told["layers"].items():
        assert len(read.tables[name]) == n_rows
    sha = hashlib.sha256((package / "record.json").read_bytes()).hexdigest()
    assert read.sha256 == sha
    assert read.changed == ()


def test_feet_of_a_map_unit_are_the_crs_own(package):
    """1200/3937 m is the US survey foot, 0.3048 m the international (NIST SP 811, B.6)."""
    read = read_package(package)
    expected = {"US survey foot": 1200 / 3937 / 0.3048, "metre": 1 / 0.3048}
    assert read.feet_per_unit == pytest.approx(expected[read.record["crs"]["map_unit"]], rel=1e-12)


def test_rows_of_a_lot_a_table_and_nothing(package):
    read = read_package(package)
    lot = read.lot_ids()[0]
    assert set(read.rows("stage_cuts", lot)["lot_id"]) == {lot}
    assert read.rows("stage_cuts", "no such lot").empty
    assert len(read.rows("trunks", lot)) == len(read.tables["trunks"])  # it names no lot
    assert read.rows("no such table").empty


def test_parameters_are_those_of_the_run(package):
    read = read_package(package)
    assert read.parameter("frontage", "reach_ft") == 5.0
    assert read.parameter("frontage", "no_such", 7) == 7
    assert read.parameter("no-such", "reach_ft") is None


@pytest.mark.parametrize("file", ["results.gpkg", "lots.csv"])
def test_a_file_that_was_changed_is_told(mine, file):
    with (mine / file).open("ab") as out:
        out.write(b"\n")
    assert read_package(mine).changed == (file,)


def test_a_file_that_is_gone_is_told(mine):
    (mine / "summary.txt").unlink()
    assert read_package(mine).changed == ("summary.txt",)


def test_what_is_no_package_is_refused(mine, tmp_path):
    with pytest.raises(FileError, match="no folder of that name"):
        read_package(tmp_path / "nowhere")
    with pytest.raises(FileError, match="no result package"):
        read_package(tmp_path)
    (mine / "record.json").write_text("{", encoding="utf-8")
    with pytest.raises(FileError, match="no result package"):
        read_package(mine)


@pytest.mark.parametrize("spoil", ["gone", "empty"])
def test_a_package_without_its_layers_is_refused(mine, spoil):
    (mine / "results.gpkg").unlink()
    if spoil == "empty":
        (mine / "results.gpkg").write_bytes(b"")
    with pytest.raises(FileError, match=r"results\.gpkg"):
        read_package(mine)


GULLS = Handover(
    "crew",  # a name that is known, so that its folder may be replaced
    "Counts gulls.",
    function="test_package_read:count_gulls",
    outputs={"gulls.txt": "how many"},
    suffix="gulls",
    params=(catalogue.LOT, Param("wing_ft", "number", 4.0, "Least span.", low=0.0)),
)


def count_gulls(job: Job) -> Made:
    """A handover that writes one file."""
    if job.params["wing_ft"] > 20:
        raise RangeError("wing_ft", "a roc", "a gull", "look again")
    (job.folder / "gulls.txt").write_text(f"{job.params['wing_ft']}\n", encoding="utf-8")
    return Made({"gulls.txt": "how many"}, {"n_gulls": 3}, after=lambda folder: f"in {folder.name}")


@pytest.fixture
def gulls(monkeypatch):
    monkeypatch.setitem(work.HANDOVERS, "crew", GULLS)
    return "crew"


def test_papers_lie_beside_the_package_and_never_in_it(mine, gulls):
    before = sorted(path.name for path in mine.iterdir())
    first = work.hand_over(gulls, mine)
    second = work.hand_over(gulls, mine)
    assert [first.folder.name, second.folder.name] == ["canal-gulls", "canal-gulls-2"]
    assert first.folder.parent == mine.parent
    assert sorted(path.name for path in mine.iterdir()) == before
    assert first.after == "in canal-gulls"


def test_the_record_names_the_plan(mine, gulls):
    done = work.hand_over(gulls, mine, params={"wing_ft": 5.0})
    told = json.loads((done.folder / "record.json").read_text(encoding="utf-8"))
    assert told["package"]["record_sha256"] == read_package(mine).sha256
    assert told["parameters"]["wing_ft"] == {"value": 5.0, "is_default": False}
    assert told["figures"] == {"n_gulls": 3}
    assert [item["file"] for item in told["files"]] == ["gulls.txt"]
    assert kind_of(done.folder) == "crew"


def test_what_fails_leaves_nothing(mine, gulls, tmp_path):
    with pytest.raises(RangeError, match="a roc"):
        work.hand_over(gulls, mine, params={"wing_ft": 30.0}, out=tmp_path / "out")
    assert not (tmp_path / "out").exists()
    assert sorted(path.name for path in tmp_path.iterdir()) == ["canal"]


def test_only_its_own_kind_is_replaced(mine, gulls, tmp_path):
    out = tmp_path / "out"
    work.hand_over(gulls, mine, out=out)
    with pytest.raises(FileError, match="exists"):
        work.hand_over(gulls, mine, out=out)
    work.hand_over(gulls, mine, params={"wing_ft": 6.0}, out=out, is_replacing=True)
    assert (out / "gulls.txt").read_text(encoding="utf-8") == "6.0\n"
    with pytest.raises(FileError, match="another kind"):
        work.hand_over(gulls, mine, out=mine, is_replacing=True)
    (out / "mine.txt").write_text("by hand", encoding="utf-8")
    with pytest.raises(FileError, match=r"mine\.txt"):
        work.hand_over(gulls, mine, out=out, is_replacing=True)


def test_lots_are_chosen_by_id(package):
    read = read_package(package)
    lot = read.lot_ids()[0]
    assert Job(read, {}, {"lot": None}, package).lots() == [lot]
    assert Job(read, {}, {"lot": f" {lot} "}, package).lots() == [lot]
    with pytest.raises(LayerError, match="no lot 'X-1'"):
        Job(read, {}, {"lot": "X-1"}, package).lots()


@pytest.mark.parametrize("name", sorted(catalogue.HANDOVERS))
def test_a_declared_handover_is_complete(name):
    one = catalogue.HANDOVERS[name]
    assert callable(one.load())
    assert one.summary.endswith(".") and one.caution.endswith(".")
    assert one.outputs
    for param in one.params:
        if param.default is not None:
            assert param.check(param.default) == param.default
    with pytest.raises(GeotrimError, match="no_such"):
        one.check({"no_such": 1})


# -- the ground on paper


@given(
    st.sampled_from(SCALES_FT),
    st.floats(-180, 180),
    st.floats(0, 360),
    st.floats(0.5, 500),
    st.sampled_from([1.0, 1200 / 3937 / 0.3048, 1 / 0.3048]),
)
@settings(max_examples=60, deadline=None)
def test_a_length_on_paper_is_the_length_on_the_ground(scale, turn, way, length_ft, feet):
    """An inch is 72 points, so L ft at 1 in = S ft are 72 L/S points, whichever way they run."""
    frame = Frame(280_000.0, 1_180_000.0, feet, turn, float(scale), 720.0, 450.0)
    step = length_ft / feet * np.array([math.cos(way), math.sin(way)])
    ends = frame.points([(280_010.0, 1_180_003.0), np.array([280_010.0, 1_180_003.0]) + step])
    assert math.dist(*ends) == pytest.approx(72.0 * length_ft / scale, rel=1e-6)


def test_the_ground_is_turned_counter_clockwise():
    """East of the centre lies up on the paper where the ground is turned by a quarter."""
    frame = Frame(0.0, 0.0, 1.0, 90.0, 20.0, 200.0, 100.0)
    assert frame.points([(20.0, 0.0)])[0] == pytest.approx((100.0, 50.0 - 72.0))
    assert frame.points([(0.0, 20.0)])[0] == pytest.approx((100.0 - 72.0, 50.0))


def test_the_scale_that_fits_is_the_largest_drawing():
    """144 pt are 2 in: 60 ft across fit at 1 in = 30 ft, and 60.1 ft do not."""
    assert scale_that_fits(60.0, 60.0, 144.0, 144.0) == 30
    assert scale_that_fits(60.1, 60.0, 144.0, 144.0) == 40
    assert scale_that_fits(60.0, 60.1, 144.0, 144.0) == 40
    assert scale_that_fits(200.1, 1.0, 144.0, 144.0) is None


@pytest.mark.parametrize("is_bold", [False, True])
def test_words_are_as_wide_as_another_library_has_them(is_bold):
    """Pillow, an independent reader of the same font, without kerning."""
    from PIL import ImageFont

    name = "DejaVuSans-Bold.ttf" if is_bold else "DejaVuSans.ttf"
    font = ImageFont.truetype(str(lettering.font_folder() / name), 1000)
    for letter in "SB-07 mgj|éñ±²":
        expected = font.getlength(letter) / 100.0
        assert lettering.width_pt(letter, 10.0, is_bold=is_bold) == pytest.approx(
            expected, abs=0.02
        )


@given(st.text(alphabet="ab im-W", max_size=60), st.floats(12.0, 200.0))
@settings(max_examples=50, deadline=None)
def test_folded_lines_fit_and_lose_no_letter(words, room):
    lines = lettering.folded(words, 8.0, room)
    assert "".join("".join(lines).split()) == "".join(words.split())
    assert all(lettering.width_pt(line, 8.0) <= room or len(line) == 1 for line in lines)
