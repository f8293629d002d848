"""What is made of a package: beside it, recorded, whole or not at all."""

from __future__ import annotations

import json
import shutil

import pytest
from packages_made import sample_folder, sample_package

from geotrim.errors import FileError, GeotrimError, LayerError, RangeError
from geotrim.handover import catalogue, work
from geotrim.handover.declared import Handover
from geotrim.handover.job import Job, Made
from geotrim.io.package_read import read_package
from geotrim.io.replaceable import kind_of
from geotrim.ops.registry import Param


@pytest.fixture
def mine(tmp_path):
    """A copy that a test may spoil."""
    shutil.copytree(sample_folder("canal_corner"), tmp_path / "canal")
    return tmp_path / "canal"


GULLS = Handover(
    "crew",  # a name that is known, so that its folder may be replaced
    "Counts gulls.",
    function="test_handover_frame:count_gulls",
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


def test_lots_are_chosen_by_id():
    read = sample_package("canal_corner")
    package = read.folder
    lot = read.lot_ids()[0]
    assert Job(read, {}, {"lot": None}, package).lots() == [lot]
    assert Job(read, {}, {"lot": f" {lot} "}, package).lots() == [lot]
    with pytest.raises(LayerError, match="no lot 'X-1'"):
        Job(read, {}, {"lot": "X-1"}, package).lots()
    for nothing in (",", " , ", ""):
        with pytest.raises(LayerError, match="names no lot"):
            Job(read, {}, {"lot": nothing}, package).lots()


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
