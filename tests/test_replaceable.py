"""Folders in a package: recorded, checked, and no way to lose what a user put there."""

from __future__ import annotations

import json
import shutil
from functools import partial

import pytest
from packages_made import sample_folder

from geotrim.errors import FileError
from geotrim.io import aside
from geotrim.io.files import sha256_of
from geotrim.io.package_read import read_package
from geotrim.io.replaceable import PACKAGE, check_replaceable

MAY_REPLACE = partial(check_replaceable, kind=PACKAGE)


@pytest.fixture
def mine(tmp_path):
    """A package of one's own to spoil."""
    return shutil.copytree(sample_folder("canal_corner"), tmp_path / "canal")


def test_files_in_folders_are_in_the_record(mine):
    told = json.loads((mine / "record.json").read_text(encoding="utf-8"))["files"]
    by_name = {item["file"]: item for item in told}
    files = {p.relative_to(mine).as_posix() for p in mine.rglob("*") if p.is_file()}
    assert set(by_name) == files - {"record.json"}
    style = by_name["styles/crowns.sld"]
    path = mine / "styles" / "crowns.sld"
    assert style["sha256"] == sha256_of(path)[0] and style["n_bytes"] == path.stat().st_size


def test_a_package_as_it_was_left_may_be_replaced(mine):
    with aside.new_folder(mine, may_replace=MAY_REPLACE) as work:
        (work / "new.txt").write_text("new", encoding="utf-8")
    assert [path.name for path in mine.iterdir()] == ["new.txt"]


def spoil(mine, how):
    """Something of the user's in a package."""
    styles = mine / "styles"
    if how == "a file added":
        (styles / "mine.sld").write_text("mine", encoding="utf-8")
    elif how == "a file changed":
        (styles / "crowns.sld").write_text("mine", encoding="utf-8")
    elif how == "a folder added":
        (styles / "old").mkdir()
    elif how == "a folder in place of a file":
        (styles / "crowns.sld").unlink()
        (styles / "crowns.sld").mkdir()
    elif how == "a link in place of the folder":
        styles.rename(mine.with_name("kept"))
        styles.symlink_to(mine.with_name("kept"), target_is_directory=True)
    elif how == "a file in place of the folder":
        shutil.rmtree(styles)
        styles.write_text("mine", encoding="utf-8")


@pytest.mark.parametrize(
    ("how", "told"),
    [
        ("a file added", "styles/mine.sld in it, which geotrim did not write"),
        ("a file changed", "styles/crowns.sld in it, which was changed"),
        ("a folder added", "styles/old in it, which geotrim did not write"),
        ("a folder in place of a file", "styles/crowns.sld in it, which was changed"),
        ("a link in place of the folder", "styles in it, which geotrim did not write"),
        ("a file in place of the folder", "styles in it, which geotrim did not write"),
    ],
)
def test_what_a_user_put_there_is_never_deleted(mine, how, told):
    spoil(mine, how)
    before = sorted(path.relative_to(mine) for path in mine.rglob("*"))
    with (
        pytest.raises(FileError, match=told),
        aside.new_folder(mine, may_replace=MAY_REPLACE) as work,
    ):
        (work / "new.txt").write_text("new", encoding="utf-8")
    assert sorted(path.relative_to(mine) for path in mine.rglob("*")) == before


def test_a_package_of_before_there_were_styles_may_be_replaced(mine):
    shutil.rmtree(mine / "styles")
    record = json.loads((mine / "record.json").read_text(encoding="utf-8"))
    record["files"] = [f for f in record["files"] if not f["file"].startswith("styles/")]
    (mine / "record.json").write_text(json.dumps(record), encoding="utf-8")
    assert check_replaceable(mine, PACKAGE)
    assert read_package(mine).changed == ()


def test_a_style_that_was_changed_is_told_when_the_package_is_read(mine):
    (mine / "styles" / "lots.sld").write_text("mine", encoding="utf-8")
    (mine / "styles" / "zone.sld").unlink()
    assert set(read_package(mine).changed) == {"styles/lots.sld", "styles/zone.sld"}
