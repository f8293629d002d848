"""The crew page in a real browser: what is entered stays, and goes out and in again unharmed.

The browser is one that is installed already: the path in GEOTRIM_BROWSER, else one found by name.
"""

from __future__ import annotations

import contextlib
import datetime
import io
import shutil

import pytest
from browsers import DESK, PHONE, a_browser
from packages_made import SAMPLES, sample_folder, sample_package

from geotrim.handover.work import hand_over
from geotrim.io.cut_readings import read_cut_readings
from geotrim.io.text_table import read_text_table


@pytest.fixture(scope="module")
def browser():
    with a_browser("the crew page") as one:
        yield one


@pytest.fixture(scope="module")
def folders(tmp_path_factory):
    """Crew lists of all samples, year 1, and of the plain lot, year 2."""
    tmp = tmp_path_factory.mktemp("crew_pages")
    out = {name: hand_over("crew", sample_folder(name), out=tmp / name).folder for name in SAMPLES}
    second = hand_over("crew", sample_folder("plain_lot"), params={"year": 2}, out=tmp / "second")
    return {**out, "second": second.folder}


@contextlib.contextmanager
def opened(browser, folder, size=PHONE, script=None, context=None):
    """The page, open; everything it says or asks for is listed and must be nothing."""
    own = context or browser.new_context(viewport=size, accept_downloads=True)
    page = own.new_page()
    page.said, page.asked = [], []
    page.on("console", lambda one: page.said.append(one.text))
    page.on("pageerror", lambda one: page.said.append(str(one)))
    page.on("request", lambda one: page.asked.append(one.url))
    if script:
        page.add_init_script(script)
    page.goto((folder / "crew_list.html").as_uri())
    try:
        yield page
    finally:
        page.close()
        if context is None:
            own.close()


def at(page, crown_id):
    """Number of a tree's card in the page."""
    title = page.locator("h3", has=page.get_by_text(crown_id, exact=True))
    return title.get_attribute("id").removesuffix("-title")


def enter(page, crown_id, **what):
    """Fill in a tree's card."""
    card = at(page, crown_id)
    if "done" in what:
        page.check(f"#{card}-{'done' if what.pop('done') else 'undone'}")
    for name, text in what.items():
        page.fill(f"#{card}-{name}", text)
    return card


def export(page, path):
    """The file the page saves."""
    with page.expect_download() as waiting:
        page.click("#export")
    waiting.value.save_as(path)
    assert path.read_bytes().startswith(b"\xef\xbb\xbf")  # so that a spreadsheet knows UTF-8
    return path


def enter_all(page):
    """Entries by hand: tree -> (done, height, band) in feet, worked out beside each."""
    page.fill("#reader", 'R. Quill, "Ry" <b>')
    page.fill("#error", "0.25")
    enter(page, "SB-09", done=True, height="18' 1 1/2\"", to="7 ft 9 in")
    page.fill(f"#{at(page, 'SB-09')}-from", "6")
    enter(page, "SB-11", done=True, height="17.5", note='=1+1, "two"\nlines')
    enter(page, "SB-13", done=False, height="19 ft")
    return {
        "SB-09": (True, 18.125, (6.0, 7.75)),  # 1.5 / 12 = 0.125; 9 / 12 = 0.75
        "SB-11": (True, 17.5, None),
        "SB-13": (False, 19.0, None),
    }


def check_rows(path, wanted):
    """The exported file by the reader of readings."""
    table, _ = read_cut_readings(path)
    rows = {row["crown_id"]: row for row in table.to_dict("records")}
    for tree, (is_done, height, band) in wanted.items():
        row = rows[tree]
        assert row["is_done"] is is_done
        assert row["height_ft"] == pytest.approx(height, abs=1e-4)
        assert row["height_error_ft"] == pytest.approx(0.25)
        assert row["reader"] == 'R. Quill, "Ry" <b>'
        assert row["date"] == datetime.date.today().isoformat()
        assert row["year"] == 1 and row["lot_id"] == "SB-07"
        assert row["plan_sha256"] == sample_package("plain_lot").sha256
        if band:
            got = (row["cleared_from_ft"], row["cleared_to_ft"])
            assert got == pytest.approx(band, abs=1e-4)
    assert rows["SB-11"]["note"] == '=1+1, "two" lines'
    others = [row for tree, row in rows.items() if tree not in wanted]
    assert others and all(row["is_done"] is None for row in others)  # nobody said anything
    assert all(row["height_ft"] != row["height_ft"] for row in others)  # NaN
    return rows


def test_entries_survive_a_reload_and_go_out_and_in_again(browser, folders, tmp_path):
    folder = folders["plain_lot"]
    with opened(browser, folder) as page:
        wanted = enter_all(page)
        before = page.text_content("#progress")
        assert before == "2 of 22 done, 3 of 22 read, 1 not done"
        page.reload()
        assert page.text_content("#progress") == before
        assert page.is_checked(f"#{at(page, 'SB-09')}-done")
        assert not page.is_checked(f"#{at(page, 'SB-13')}-done")
        assert page.input_value(f"#{at(page, 'SB-09')}-height") == "18' 1 1/2\""
        assert page.input_value("#reader") == 'R. Quill, "Ry" <b>'
        path = export(page, tmp_path / "readings.csv")
        check_rows(path, wanted)
        copied = page.input_value("#copy")
        saved = path.read_text(encoding="utf-8-sig")
        assert copied.split() == saved.split()
        # cleared, only after it was asked; then read in again
        page.once("dialog", lambda one: one.dismiss())
        page.click("#clear")
        assert page.text_content("#progress") == before
        page.once("dialog", lambda one: one.accept())
        page.click("#clear")
        assert page.text_content("#progress").startswith("0 of ")
        page.reload()
        assert page.text_content("#progress").startswith("0 of ")
        page.set_input_files("#import", path)
        page.wait_for_function("document.getElementById('import-told').textContent !== ''")
        assert page.text_content("#import-told") == "3 trees read"
        assert page.text_content("#progress") == before
        page.fill("#error", "0.25")
        again = export(page, tmp_path / "again.csv")
        check_rows(again, wanted)
        assert again.read_text(encoding="utf-8-sig") == saved
        assert page.said == []
        assert {one.split(":")[0] for one in page.asked} <= {"file", "blob", "data"}
        assert [one for one in page.asked if one.startswith("file")] == [
            (folder / "crew_list.html").as_uri()
        ] * 3


def test_verify_takes_what_the_page_exports(browser, folders, tmp_path):
    with opened(browser, folders["plain_lot"]) as page:
        wanted = enter_all(page)
        card = at(page, "SB-10")  # a plant that is no mangrove: left unless it is ordered
        assert not page.is_visible(f"#{card}-done")
        page.check(f"#{card}-ordered")
        enter(page, "SB-10", done=True)
        path = export(page, tmp_path / "readings.csv")
    done = hand_over(
        "verify", sample_folder("plain_lot"), {"readings": path}, {"year": 1}, out=tmp_path / "out"
    )
    table, _ = read_text_table(done.folder / "verification.csv")
    rows = {row["crown_id"]: row for row in table.to_dict("records")}
    for tree, (is_done, height, band) in wanted.items():
        assert rows[tree]["is_done"] == str(is_done)
        assert float(rows[tree]["found_ft"]) == pytest.approx(height, abs=1e-4)
        if band:
            got = [float(rows[tree][name]) for name in ("cleared_from_ft", "cleared_to_ft")]
            assert got == pytest.approx(band, abs=1e-4)
    assert rows["SB-13"]["state"] == "not done" and rows["SB-10"]["state"] == "no mangrove"


def test_another_year_keeps_its_own_entries(browser, folders, tmp_path):
    context = browser.new_context(viewport=PHONE, accept_downloads=True)
    with opened(browser, folders["plain_lot"], context=context) as page:
        enter_all(page)
        path = export(page, tmp_path / "readings.csv")
    with opened(browser, folders["second"], context=context) as page:
        assert page.text_content("#progress").startswith("0 of ")
        page.set_input_files("#import", path)
        page.wait_for_function("document.getElementById('import-told').textContent !== ''")
        assert "0 trees read" in page.text_content("#import-told")
        assert "of another plan or year left out" in page.text_content("#import-told")
    with opened(browser, folders["plain_lot"], context=context) as page:
        assert page.text_content("#progress").startswith("2 of ")
        (tmp_path / "other.csv").write_text("a,b\n1,2\n")
        page.set_input_files("#import", tmp_path / "other.csv")
        page.wait_for_function("document.getElementById('import-told').textContent !== ''")
        assert "not a file of this page" in page.text_content("#import-told")
    context.close()


def test_an_import_asks_before_it_replaces(browser, folders, tmp_path):
    with opened(browser, folders["plain_lot"]) as page:
        enter_all(page)
        path = export(page, tmp_path / "readings.csv")
        card = enter(page, "SB-09", height="12 ft")
        asked = []
        page.once("dialog", lambda one: (asked.append(one.message), one.dismiss()))
        page.set_input_files("#import", path)
        page.wait_for_function("document.getElementById('import-told').textContent !== ''")
        assert "have entries here already" in asked[0]
        assert page.input_value(f"#{card}-height") == "12 ft"


def test_a_browser_that_keeps_nothing_is_told_of(browser, folders):
    refuse = "Storage.prototype.setItem = () => { throw new Error('full'); };"
    with opened(browser, folders["plain_lot"], script=refuse) as page:
        assert page.is_visible("#not-kept")
        assert "does not keep what you enter" in page.text_content("#not-kept")
    with opened(browser, folders["plain_lot"]) as page:
        assert not page.is_visible("#not-kept")


def test_a_spoilt_store_does_not_stop_the_page(browser, folders):
    context = browser.new_context(viewport=PHONE)
    with opened(browser, folders["plain_lot"], context=context) as page:
        enter(page, "SB-11", done=True)
        key = page.evaluate("Object.keys(localStorage).find((k) => k.startsWith('geotrim-crew:'))")
        assert key == f"geotrim-crew:{sample_package('plain_lot').sha256}:1"
        page.evaluate("(key) => localStorage.setItem(key, '{')", key)
        page.reload()
        assert page.text_content("#progress").startswith("0 of ") and page.said == []
        assert page.evaluate("(key) => localStorage.getItem(key)", f"{key}:unread") == "{"
        assert "all of it" in page.text_content("#unread")
    context.close()


def test_what_cannot_be_understood_is_told_and_not_lost(browser, folders, tmp_path):
    with opened(browser, folders["plain_lot"]) as page:
        card = enter(page, "SB-11", done=True, height="12 6", note="leaning")
        assert "not understood" in page.text_content(f"#{card}-height-told")
        half = enter(page, "SB-09", done=True, to="7.5")
        assert page.input_value(f"#{half}-from") == ""
        table, _ = read_cut_readings(export(page, tmp_path / "a.csv"))
        rows = {row["crown_id"]: row for row in table.to_dict("records")}
        assert rows["SB-11"]["height_ft"] != rows["SB-11"]["height_ft"]
        assert rows["SB-11"]["note"] == "leaning; as written: height: 12 6"
        assert rows["SB-09"]["note"] == "as written: cleared: ? to 7.5"
        assert rows["SB-09"]["cleared_to_ft"] != rows["SB-09"]["cleared_to_ft"]
        assert "SB-09, SB-11" in page.text_content("#export-told")


def test_a_reading_under_the_mark_is_told(browser, folders):
    """SB-24 is lowered to 6 ft 6 in, half a foot over the act's 6 ft; 6 ft 4 in is 2 in under."""
    with opened(browser, folders["plain_lot"]) as page:
        card = enter(page, "SB-24", height="6 ft 4 in")
        told = page.text_content(f"#{card}-height-told")
        assert told.startswith("understood: 6 ft 4 in = 6.33 ft; under the mark by 0 ft 2 in")
        page.fill(f"#{card}-height", "6' 6\"")
        assert page.text_content(f"#{card}-height-told") == "understood: 6 ft 6 in = 6.50 ft"


def test_only_what_is_left(browser, folders):
    with opened(browser, folders["plain_lot"]) as page:
        card = enter(page, "SB-11", done=True)
        item = page.locator(f"#{card}-title").locator("xpath=ancestor::li")
        page.check("#left-only")
        assert item.is_visible()  # done, but not yet read
        page.fill(f"#{card}-height", "1")
        assert item.is_visible()  # while somebody writes in it
        page.fill(f"#{card}-height", "17.5")
        page.focus("#reader")
        assert not item.is_visible()
        page.uncheck("#left-only")
        assert item.is_visible()


#: As written -> feet, worked out by hand: inches are twelfths.
UNDERSTOOD = {
    "12.5": 12.5, "12": 12.0, ".5": 0.5, " 7 ft ": 7.0, "7 feet": 7.0, "12'": 12.0,
    "12' 6\"": 12.5, "12'6": 12.5, "12'6\"": 12.5, "12 ft 6 in": 12.5, "12ft6in": 12.5,
    "12 FT. 6 IN.": 12.5, "12 feet 6 inches": 12.5, "12\u2019 6\u201d": 12.5,
    "12\u2032 6\u2033": 12.5, "12' 6''": 12.5, "12 ft 0 in": 12.0, "9' 11 1/2\"": 9 + 11.5 / 12,
    "9' 11\u00bd\"": 9 + 11.5 / 12, "6' 3/4\"": 6 + 0.75 / 12, "150 in": 12.5, "78\"": 6.5,
    "6 ft 4.5 in": 6.375, "0": 0.0, "12.5 ft": 12.5, "120": 120.0,
    "12-6": 12.5, "12 - 6": 12.5, "12\u20136": 12.5, "12-6 1/2": 12 + 6.5 / 12, "12,5": 12.5,
    "12 1/2": 12.5, "12\u00bd": 12.5, "12 1/2 ft": 12.5, "78 1/2 in": 78.5 / 12, "6' 4,5\"": 6.375,
}  # fmt: skip
REFUSED = ("12 6", "12-12", "12-", "1,200", "12 3/2", "12-6-1",
           "12' 12\"", "six", "-3", "1e3", "120.1", "12' 6/0\"",
           "12' 6\" 3", "12..5", "12 m", "' 6", "1441 in")  # fmt: skip


def test_feet_and_inches_by_hand(browser, folders):
    with opened(browser, folders["plain_lot"]) as page:
        for text, feet in UNDERSTOOD.items():
            got = page.evaluate("(text) => geotrimCrew.parseFeet(text)", text)
            assert got.get("ft") == pytest.approx(feet, abs=1e-9), text
        for text in REFUSED:
            got = page.evaluate("(text) => geotrimCrew.parseFeet(text)", text)
            assert got["why"] and "ft" not in got, text
        assert page.evaluate("geotrimCrew.parseFeet('  ')") is None
        words = page.evaluate("[12.4999, 9 + 11.5 / 12, 5.99, 6.02].map(geotrimCrew.feetWords)")
        # 5.99 ft = 71.88 in, nearest quarter 72; 6.02 ft = 72.24 in
        assert words == ["12 ft 6 in", "9 ft 11 1/2 in", "6 ft 0 in", "6 ft 0 1/4 in"]


@pytest.mark.parametrize("name", [*SAMPLES, "second"])
@pytest.mark.parametrize("size", [PHONE, DESK], ids=["phone", "desk"])
def test_nothing_is_cut_off_and_everything_has_a_name(browser, folders, name, size):
    with opened(browser, folders[name], size=size) as page:
        page.evaluate("document.querySelectorAll('details').forEach((one) => { one.open = true; })")
        wide = "document.documentElement.scrollWidth <= document.documentElement.clientWidth"
        assert page.evaluate(wide)
        out = page.evaluate(
            "[...document.querySelectorAll('body *')].filter((one) => one.getClientRects().length"
            " && one.getBoundingClientRect().right > innerWidth + 0.5).length"
        )
        assert out == 0
        unnamed = page.evaluate(
            "[...document.querySelectorAll('input, textarea')].filter((one) => !one.labels.length)"
            ".length"
        )
        assert unnamed == 0
        # 44 CSS px: least size of a target, WCAG 2.1, 2.5.5 (a label belongs to its box)
        small = page.evaluate(
            "[...document.querySelectorAll('button, summary, input:not([type=checkbox]), .choice')]"
            ".filter((one) => one.getClientRects().length)"
            ".filter((one) => one.getBoundingClientRect().height < 44).length"
        )
        assert small == 0
        assert page.said == []


def test_keys_are_enough(browser, folders):
    with opened(browser, folders["plain_lot"]) as page:
        card = at(page, "SB-11")
        page.focus(f"#{card}-done")
        page.keyboard.press("Space")
        page.keyboard.press("Tab")  # to "Not done"
        page.keyboard.press("Tab")
        page.keyboard.type("17 ft 6 in")
        assert page.is_checked(f"#{card}-done")
        assert page.input_value(f"#{card}-height") == "17 ft 6 in"
        assert page.input_value(f"#{card}-date") == datetime.date.today().isoformat()


def test_a_page_open_twice_shows_the_newest(browser, folders):
    context = browser.new_context(viewport=PHONE)
    with (
        opened(browser, folders["plain_lot"], context=context) as one,
        opened(browser, folders["plain_lot"], context=context) as other,
    ):
        enter(one, "SB-11", done=True)
        other.wait_for_function(
            "document.getElementById('progress').textContent.startsWith('1 of')"
        )
        enter(other, "SB-13", done=True)
        one.wait_for_function("document.getElementById('progress').textContent.startsWith('2 of')")
    context.close()


def test_odd_names_are_text_in_the_page(browser, folders, tmp_path):
    """Names that would be markup, end the script, or break a row of the file."""
    from dataclasses import replace

    from geotrim.report.crew_html import crew_html
    from geotrim.report.crew_order import crew_lot
    from geotrim.report.crew_words import CrewHead

    name = '=x</script><img src=x onerror=alert(1)>"\n,'
    lot = crew_lot(sample_package("plain_lot"), "SB-07", 1)
    lot = replace(lot, work=(replace(lot.work[4], crown_id=name), *lot.work[5:]))
    head = CrewHead("Shore </title><b>", sample_package("plain_lot").sha256, "", "2026-11-26")
    (tmp_path / "crew_list.html").write_text(crew_html([lot], head), encoding="utf-8")
    with opened(browser, tmp_path) as page:
        assert page.text_content("#t0-title") == name and page.locator("img").count() == 0
        assert "Shore </title><b>" in page.title()
        page.check("#t0-done")
        path = export(page, tmp_path / "a.csv")
        page.once("dialog", lambda one: one.accept())
        page.click("#clear")
        page.set_input_files("#import", path)
        page.wait_for_function("document.getElementById('import-told').textContent !== ''")
        assert "1 trees read" in page.text_content("#import-told")
        assert page.is_checked("#t0-done") and page.said == []
        import csv

        rows = list(csv.DictReader(io.StringIO(path.read_text(encoding="utf-8-sig"))))
        assert len(rows) == len(lot.work) and rows[0]["crown_id"] == "'" + name


def read_in(page, path):
    """What the page says after it has read a file."""
    page.set_input_files("#import", path)
    page.wait_for_function("document.getElementById('import-told').textContent !== ''")
    return page.text_content("#import-told")


def rows_of(path):
    import csv

    text = path.read_text(encoding="utf-8-sig")
    return {row["crown_id"].lstrip("'"): row for row in csv.DictReader(io.StringIO(text))}


def test_done_not_done_and_nothing_said(browser, folders, tmp_path):
    with opened(browser, folders["plain_lot"]) as page:
        card = enter(page, "SB-11", done=True)
        page.check(f"#{card}-undone")
        assert not page.is_checked(f"#{card}-done")
        other = enter(page, "SB-13", done=True)
        page.uncheck(f"#{other}-done")
        enter(page, "SB-09", height="17.5")
        page.reload()
        assert page.is_checked(f"#{card}-undone") and not page.is_checked(f"#{card}-done")
        assert page.text_content("#progress").endswith("1 not done")
        rows = rows_of(export(page, tmp_path / "a.csv"))
        assert {k: row["is_done"] for k, row in rows.items() if row["is_done"]} == {"SB-11": "no"}
        assert rows["SB-09"]["height_ft"] == "17.5"
        assert "0 done" in page.text_content("#export-told")


def test_clearing_one_lot_leaves_the_other(browser, tmp_path):
    """Two lots of one plan and year, each on a page of its own, and both on a third."""
    from dataclasses import replace

    from geotrim.report.crew_html import crew_html
    from geotrim.report.crew_order import crew_lot
    from geotrim.report.crew_words import CrewHead

    lot = crew_lot(sample_package("plain_lot"), "SB-07", 1)
    head = CrewHead("Shore", "0" * 64, "", "2026-11-26")
    lots = [
        replace(lot, lot_id=name, work=tuple(replace(one, lot_id=name) for one in lot.work[5:8]))
        for name in ("A", "B")
    ]
    for name, mine in (("A", lots[:1]), ("B", lots[1:]), ("both", lots)):
        (tmp_path / name).mkdir()
        (tmp_path / name / "crew_list.html").write_text(crew_html(mine, head), encoding="utf-8")
    context = browser.new_context(viewport=PHONE)
    with opened(browser, tmp_path / "A", context=context) as page:
        page.check("#t0-done")
    with opened(browser, tmp_path / "B", context=context) as page:
        page.check("#t1-done")
        page.once("dialog", lambda one: one.accept())
        page.click("#clear")
        assert page.text_content("#progress").startswith("0 of 3")
    with opened(browser, tmp_path / "A", context=context) as page:
        assert page.is_checked("#t0-done") and page.text_content("#progress").startswith("1 of 3")
    deaf = "addEventListener('storage', (event) => event.stopImmediatePropagation(), true);"
    with opened(browser, tmp_path / "B", context=context, script=deaf) as asleep:
        with opened(browser, tmp_path / "A", context=context) as page:
            page.check("#t2-done")
        asleep.check("#t0-done")
    with opened(browser, tmp_path / "both", context=context) as page:
        assert page.text_content("#progress").startswith("3 of 6")
    context.close()


def test_a_file_of_another_hand_is_read_where_it_is_sure(browser, folders, tmp_path):
    lines = ["lot_id,crown_id,year,is_done,height_ft,date,note"]
    lines += ["SB-07,SB-09,1,YES,17.5,2027-01-20,", "SB-07,SB-11,1,TRUE,18,1/20/2027,leaning"]
    lines += ["SB-07,SB-13,1,No,19,2027-02-30,", "SB-07,SB-24,1,perhaps,6.5,,"]
    (tmp_path / "in.csv").write_text("\n".join(lines))
    with opened(browser, folders["plain_lot"]) as page:
        said = read_in(page, tmp_path / "in.csv")
        assert said.startswith("4 trees read") and said.endswith("SB-11, SB-13, SB-24")
        assert page.is_checked(f"#{at(page, 'SB-09')}-done")
        assert page.is_checked(f"#{at(page, 'SB-11')}-done")
        assert page.is_checked(f"#{at(page, 'SB-13')}-undone")
        path = export(page, tmp_path / "out.csv")
        rows = rows_of(path)
        assert (rows["SB-09"]["is_done"], rows["SB-09"]["date"]) == ("yes", "2027-01-20")
        assert (rows["SB-11"]["is_done"], rows["SB-11"]["date"]) == ("yes", "")
        assert rows["SB-11"]["note"] == "leaning; as written: day: 1/20/2027"
        assert (rows["SB-13"]["is_done"], rows["SB-13"]["date"]) == ("no", "")
        assert rows["SB-24"]["is_done"] == "" and "done: perhaps" in rows["SB-24"]["note"]
        read_cut_readings(path, height_rmse_ft=0.2)  # whoever checks the cut takes it


def test_a_store_that_lacks_fields_is_mended_and_told(browser, folders):
    context = browser.new_context(viewport=PHONE)
    keep = """(trees) => {
      const key = Object.keys(localStorage).find((k) => k.startsWith('geotrim-crew:'));
      localStorage.setItem(key, JSON.stringify({ trees, reader: 7 }));
    }"""
    trees = {
        '["SB-07","SB-09"]': {"done": True},  # as an older page kept it
        '["SB-07","SB-11"]': {"height": 17.5, "done": False, "date": "1/20/2027"},
        '["SB-07","SB-13"]': "done",
        '["SB-07","SB-24"]': None,
    }
    with opened(browser, folders["plain_lot"], context=context) as page:
        page.evaluate(keep, trees)
        page.reload()
        assert page.said == [] and page.text_content("#progress").startswith("1 of 22 done, 1 of")
        assert page.is_checked(f"#{at(page, 'SB-09')}-done")
        card = at(page, "SB-11")
        assert page.input_value(f"#{card}-height") == "17.5"
        assert page.input_value(f"#{card}-note") == "as written: day: 1/20/2027"
        told = page.text_content("#unread")
        assert page.is_visible("#unread") and "reader, SB-11, SB-13, SB-24" in told
        assert page.input_value("#reader") == ""
        page.reload()
        assert not page.is_visible("#unread")
    context.close()


def test_what_is_no_mangrove_is_left_unless_ordered(browser, folders, tmp_path):
    """SB-10, 15, 28, 36 by the sample's species; they are not counted, nor left to do."""
    with opened(browser, folders["plain_lot"]) as page:
        assert page.text_content("#progress") == "0 of 22 done, 0 of 22 read"  # 26 less 4
        card = at(page, "SB-15")
        item = page.locator(f"#{card}-title").locator("xpath=ancestor::li")
        assert "LEAVE UNLESS ORDERED" in item.text_content()
        assert "only if the owner orders it" in item.text_content().lower()
        assert not page.is_visible(f"#{card}-done") and not page.is_visible(f"#{card}-undone")
        page.check("#left-only")
        assert not item.is_visible()
        page.uncheck("#left-only")
        page.check(f"#{card}-ordered")
        page.check(f"#{card}-done")
        page.fill(f"#{card}-note", "a stump stays")
        assert page.text_content("#progress").startswith("0 of 22 done")
        path = export(page, tmp_path / "a.csv")
        saved = path.read_text(encoding="utf-8-sig")
        assert "ordered by the owner; a stump stays" in saved
        page.once("dialog", lambda one: one.accept())
        page.click("#clear")
        assert not page.is_checked(f"#{card}-ordered")
        read_in(page, path)
        assert page.is_checked(f"#{card}-ordered") and page.is_checked(f"#{card}-done")
        assert page.input_value(f"#{card}-note") == "a stump stays"
        assert export(page, tmp_path / "b.csv").read_text(encoding="utf-8-sig") == saved


def test_no_height_and_a_reading_taken_back(browser, folders, tmp_path):
    with opened(browser, folders["plain_lot"]) as page:
        page.fill("#reader", "Ry")
        card = enter(page, "SB-11", height="0")
        assert "is the tree gone?" in page.text_content(f"#{card}-height-told")
        assert "0 of 22 read" in page.text_content("#progress")
        table, _ = read_cut_readings(export(page, tmp_path / "a.csv"))
        row = table.set_index("crown_id").loc["SB-11"]
        assert row["height_ft"] != row["height_ft"] and row["note"] == "as written: height: 0"
        page.fill(f"#{card}-height", "")
        assert page.input_value(f"#{card}-date") == "" == page.input_value(f"#{card}-reader")
        enter(page, "SB-13", height="19", reader="Quill")
        page.fill(f"#{at(page, 'SB-13')}-height", "")  # another's name is not taken away, nor told
        assert page.input_value(f"#{at(page, 'SB-13')}-reader") == "Quill"
        rows = rows_of(export(page, tmp_path / "b.csv"))
        assert all(rows[tree]["reader"] == "" == rows[tree]["date"] for tree in ("SB-11", "SB-13"))


def test_a_day_before_the_plan_is_told(browser, folders):
    """The sample's first year may not begin before 2027-01-11."""
    with opened(browser, folders["plain_lot"]) as page:
        card = enter(page, "SB-11", date="2027-01-10")
        assert "before 2027-01-11" in page.text_content(f"#{card}-date-told")
        page.fill(f"#{card}-date", "2027-01-11")
        assert page.text_content(f"#{card}-date-told") == ""


def test_going_to_a_tree_by_its_number(browser, folders):
    def go(text):
        page.fill("#jump", text)
        page.press("#jump", "Enter")
        return page.text_content("#jump-told")

    with opened(browser, folders["plain_lot"]) as page:
        assert go("41") == ""  # SB-41, the last one
        title = page.locator(f"#{at(page, 'SB-41')}-title")
        low = page.locator("#bar").bounding_box()
        box = title.bounding_box()
        assert low["y"] + low["height"] <= box["y"] and box["y"] + box["height"] <= PHONE["height"]
        assert go("sb-09") == "" and go("9") == ""
        assert "nest" in go("SB-32") and "leave it as it is" in go("32")
        assert "no such tree" in go("99")
        assert page.said == []


def test_a_changed_package_is_told_at_the_head(browser, folders, tmp_path):
    folder = shutil.copytree(sample_folder("plain_lot"), tmp_path / "spoilt")
    with (folder / "summary.txt").open("a") as stream:
        stream.write("more\n")
    done = hand_over("crew", folder, out=tmp_path / "crew")
    with opened(browser, done.folder) as page:
        assert page.is_visible("#changed") and "summary.txt" in page.text_content("#changed")
    with opened(browser, folders["plain_lot"]) as page:
        assert not page.is_visible("#changed")
