"""Readings after a cut, as crews and the crew page write them.

A foot is 12 inches; an international foot is 0.3048 m and a US survey foot 1200/3937 m (Federal
Register 85 FR 62698).
"""

from __future__ import annotations

import pandas as pd
import pytest

from geotrim.errors import GeotrimError, LayerError, RangeError, UnitError
from geotrim.io.cut_heights import feet_of
from geotrim.io.cut_readings import (
    COLUMNS,
    check_belongs,
    fitting,
    of_earlier_years,
    read_cut_readings,
)

SHA = "ab" * 32
HEAD = (
    "plan_sha256,lot_id,crown_id,year,is_done,height_ft,height_error_ft,cleared_from_ft,"
    "cleared_to_ft,reader,date,note"
)


def table_of(tmp_path, text, **said):
    path = tmp_path / "readings.csv"
    path.write_text(text, encoding="utf-8")
    table, notes = read_cut_readings(path, **said)
    return table.set_index("crown_id", drop=False), notes


def test_the_export_of_the_crew_page(tmp_path):
    rows = [
        f"{SHA},L1,T1,1,true,12.5,0.1,,,Ann,2027-01-12,ok",
        f"{SHA},L1,T2,1,false,,,,,,,",
        f"{SHA},L1,T3,1,true,18,,6,8.5,Ann,2027-01-12T10:30:00,",
    ]
    table, notes = table_of(tmp_path, "\n".join([HEAD, *rows]), height_rmse_ft=0.2)
    assert tuple(table.columns) == COLUMNS
    assert table["height_ft"].fillna(-1).tolist() == [12.5, -1, 18.0]
    assert table["height_error_ft"].tolist() == [0.1, 0.2, 0.2]  # a row's own goes first
    assert table["is_done"].tolist() == [True, False, True]
    assert table.loc["T3", ["cleared_from_ft", "cleared_to_ft"]].tolist() == [6.0, 8.5]
    assert table["date"].tolist() == ["2027-01-12", None, "2027-01-12"]
    assert table["year"].tolist() == [1, 1, 1]
    assert all(note.level == "info" for note in notes)


def test_columns_in_another_order_and_case_and_no_more_than_two(tmp_path):
    table, _ = table_of(tmp_path, "Height (ft);TREE\n9,5;7\n10;8\n")
    assert table["height_ft"].to_dict() == {"7": 9.5, "8": 10.0}
    assert table["is_done"].tolist() == [None, None]


@pytest.mark.parametrize(
    ("text", "feet"),
    [
        ("12' 6\"", 12.5),
        ("12'6", 12.5),
        ("12 ft 6 in", 12.5),
        ("12ft", 12.0),
        ("12\N{PRIME} 3\N{DOUBLE PRIME}", 12.25),
        ("12' 6 3/4\"", 12.5625),  # 6.75 / 12
        ('6"', 0.5),
        ("12.5'", 12.5),
        ("12.5' 3\"", None),
        ("12' 12\"", None),
        ("12", None),
        ("12 m", None),
        ("'", None),
    ],
)
def test_feet_and_inches(text, feet):
    assert feet_of(text) == (None if feet is None else pytest.approx(feet, abs=1e-12))


def test_feet_and_inches_beside_numbers(tmp_path):
    table, _ = table_of(tmp_path, 'crown_id,height_ft\nA,"12\' 6"""\nB,7.25\nC,\n')
    assert table["height_ft"].fillna(-1).tolist() == [12.5, 7.25, -1]


def test_metres_and_survey_feet(tmp_path):
    table, _ = table_of(tmp_path, "crown_id,height_m\nA,3.048\n")
    assert table["height_ft"].tolist() == pytest.approx([10.0])
    table, _ = table_of(tmp_path, "crown_id,height\nA,10\n", height_unit="us-ft")
    assert table["height_ft"].tolist() == pytest.approx([10 * 1200 / 3937 / 0.3048], rel=1e-12)


def test_the_latest_reading_of_a_tree_counts_and_is_told(tmp_path):
    text = "crown_id,height_ft,date\nA,9,2027-01-12\nA,8,2027-02-01\nA,,2027-03-01\nB,7,\n"
    table, notes = table_of(tmp_path, text)
    assert table["height_ft"].to_dict() == {"A": 8.0, "B": 7.0}
    assert any("line 3 of 2, 3, 4" in note.text for note in notes if note.level == "assumed")


def test_the_same_reading_twice_is_one(tmp_path):
    table, _ = table_of(tmp_path, "crown_id,height_ft,date\nA,9,2027-01-12\nA,9,2027-01-12\n")
    assert table["height_ft"].tolist() == [9.0]


BAD = {
    "two on one day": ("crown_id,height_ft,date\nA,9,2027-01-12\nA,8,2027-01-12\n", LayerError),
    "two without a day": ("crown_id,height_ft\nA,9\nA,8\n", LayerError),
    "no tree": ("crown_id,height_ft\nA,9\n,8\n", LayerError),
    "no column of trees": ("height_ft\n9\n", LayerError),
    "no heights": ("crown_id,remark\nA,x\n", LayerError),
    "no number": ("crown_id,height_ft\nA,nine\n", LayerError),
    "negative": ("crown_id,height_ft\nA,-1\n", RangeError),
    "too tall": ("crown_id,height_ft\nA,120.1\n", RangeError),
    "no unit": ("crown_id,height\nA,9\n", UnitError),
    "unit unknown": ("crown_id,height_in\nA,90\n", UnitError),
    "feet among metres": ('crown_id,height_m\nA,"9\' 2"""\nB,3\n', UnitError),
    "half a band": ("crown_id,height_ft,cleared_from_ft,cleared_to_ft\nA,9,6,\n", RangeError),
    "band turned": ("crown_id,height_ft,cleared_from_ft,cleared_to_ft\nA,9,8,6\n", RangeError),
    "day of another kind": ("crown_id,height_ft,date\nA,9,1/12/2027\n", LayerError),
    "no such day": ("crown_id,height_ft,date\nA,9,2027-02-29\n", LayerError),
    "done, perhaps": ("crown_id,height_ft,is_done\nA,9,perhaps\n", LayerError),
    "half a year": ("crown_id,height_ft,year\nA,9,1.5\n", RangeError),
    "two heights": ("crown_id,height_ft,height_m\nA,9,3\n", LayerError),
    "header alone": ("crown_id,height_ft\n", LayerError),
}


@pytest.mark.parametrize("name", BAD)
def test_bad_tables_are_told(tmp_path, name):
    text, kind = BAD[name]
    with pytest.raises(kind) as told:
        table_of(tmp_path, text)
    assert "--readings" in told.value.subject
    assert told.value.need and told.value.mend


def test_edges_of_what_a_height_may_be(tmp_path):
    """A tree cut to the ground has a height of 0; 120 ft is the most that is taken."""
    table, _ = table_of(tmp_path, "crown_id,height_ft\nA,0\nB,120\n")
    assert table["height_ft"].tolist() == [0.0, 120.0]


@pytest.mark.parametrize(
    "said", [{"height_unit": "cm"}, {"height_rmse_ft": -1.0}, {"height_rmse_ft": float("nan")}]
)
def test_what_is_said_of_the_table_is_checked(tmp_path, said):
    with pytest.raises(GeotrimError):
        table_of(tmp_path, "crown_id,height_ft\nA,9\n", **said)


def test_a_unit_said_against_the_columns_own(tmp_path):
    with pytest.raises(UnitError):
        table_of(tmp_path, "crown_id,height_ft\nA,9\n", height_unit="m")


CROWNS = pd.DataFrame({"crown_id": ["A", "B", "C"], "lot_id": ["L1", "L1", "L2"]})


def fitted(tmp_path, text, *, year=1, lots=("L1",), sha=SHA):
    table, _ = table_of(tmp_path, text)
    found, notes = fitting(
        table, CROWNS, plan_sha256=sha, year=year, lots=lots, subject="--readings"
    )
    return found["crown_id"].tolist(), " ".join(note.text for note in notes)


def test_readings_of_other_years_and_lots_are_left_out_and_told(tmp_path):
    text = "crown_id,height_ft,year\nA,9,1\nB,9,2\nC,9,1\n"
    ids, told = fitted(tmp_path, text)
    assert ids == ["A"]
    assert "1 reading of another year than 1" in told and "1 reading on other lots" in told


def test_each_year_of_a_tree_has_its_reading(tmp_path):
    """Of one file with both years, each year finds its own, and the one before."""
    rows = ["A,1,9.5,2027-01-20", "A,2,7.3,2028-01-20", "A,1,9.4,2027-01-22", "B,,8,2027-01-20"]
    path = tmp_path / "readings.csv"
    path.write_text("\n".join(["crown_id,year,height_ft,date", *rows]), encoding="utf-8")
    table, _ = read_cut_readings(path)
    for year, height in ((1, 9.4), (2, 7.3)):
        mine, _ = fitting(
            table, CROWNS, plan_sha256=SHA, year=year, lots=("L1",), subject="--readings"
        )
        assert mine.set_index("crown_id")["height_ft"].to_dict() == {"A": height, "B": 8.0}
    assert of_earlier_years(table, 1).empty
    assert of_earlier_years(table, 2)[["crown_id", "height_ft"]].to_numpy().tolist() == [["A", 9.4]]
    every, _ = read_cut_readings(path, is_each_day=True)
    assert len(every) == 4


def test_a_row_of_no_year_beside_one_of_the_year_is_the_latest_of_both(tmp_path):
    text = "crown_id,year,height_ft,date\nA,1,9.5,2027-01-20\nA,,9.1,2027-01-25\n"
    path = tmp_path / "readings.csv"
    path.write_text(text, encoding="utf-8")
    table, _ = read_cut_readings(path)
    mine, notes = fitting(table, CROWNS, plan_sha256=SHA, year=1, lots=["L1"], subject="--readings")
    assert mine["height_ft"].tolist() == [9.1]
    assert any("line 3 of 2, 3" in note.text for note in notes)


def test_readings_of_this_plan_or_of_none_named(tmp_path):
    text = f"crown_id,height_ft,plan_sha256\nA,9,{SHA}\nB,9,\nC,9,{SHA[:8].upper()}\n"
    assert fitted(tmp_path, text, lots=("L1", "L2"))[0] == ["A", "B", "C"]


@pytest.mark.parametrize(
    ("text", "found"),
    [
        (f"crown_id,height_ft,plan_sha256\nA,9,{'cd' * 32}\n", "plan cdcdcdcd"),
        ("crown_id,height_ft,plan_sha256\nA,9,abab\n", "plan abab"),  # too short to name one
        ("crown_id,height_ft\nA,9\nZ,9\n", "1 tree that the plan does not know (Z)"),
        ("crown_id,height_ft,lot_id\nA,9,L2\n", "tree A on lot 'L2'"),
        ("crown_id,height_ft,year\nA,9,2\n", "no reading of year 1"),
        ("crown_id,height_ft\nC,9\n", "no reading of year 1 on these lots"),
    ],
)
def test_what_does_not_belong_to_the_plan_is_refused(tmp_path, text, found):
    with pytest.raises(LayerError) as told:
        fitted(tmp_path, text)
    assert found in told.value.found


def test_a_binary_table_is_refused(tmp_path):
    path = tmp_path / "readings.xlsx"
    path.write_bytes(b"PK\x03\x04")
    with pytest.raises(LayerError, match="as text"):
        read_cut_readings(path)


def test_a_tree_of_no_lot_is_on_none_that_the_plan_does_not_know(tmp_path):
    crowns = pd.DataFrame({"crown_id": ["A", "B"], "lot_id": [None, "L1"]})
    for lot, is_refused in (("L1", False), ("L9", True)):
        table, _ = table_of(tmp_path, f"crown_id,height_ft,lot_id\nA,9,{lot}\n")
        said = {"plan_sha256": SHA, "subject": "--readings"}
        if not is_refused:
            assert check_belongs(table, crowns, **said) == {"A": None, "B": "L1"}
            continue
        with pytest.raises(LayerError, match="on lot 'L9'"):
            check_belongs(table, crowns, **said)


def test_where_no_tree_has_a_lot_none_is_on_another(tmp_path):
    table, _ = table_of(tmp_path, "crown_id,height_ft\nA,9\n")
    crowns = pd.DataFrame({"crown_id": ["A"]})
    found, _ = fitting(table, crowns, plan_sha256=SHA, year=1, lots=("L1",), subject="--readings")
    assert found["crown_id"].tolist() == ["A"]
    half = pd.DataFrame({"crown_id": ["A", "B"], "lot_id": [None, "L1"]})
    with pytest.raises(LayerError, match="no reading of year 1 on these lots"):
        fitting(table, half, plan_sha256=SHA, year=1, lots=("L1",), subject="--readings")
