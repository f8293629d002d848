"""Facts a map cannot give: what is asked, what an answer may be, and how a site file gives it."""

from __future__ import annotations

import datetime
import json
import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from geotrim.errors import RangeError, SiteFileError
from geotrim.io.site_file import site_from_tables
from geotrim.io.site_spec import FILL_IN, SITE_TABLES
from geotrim.io.starter_facts import answers
from geotrim.model import Facts
from geotrim.rules.facts import facts
from geotrim.units import unit_of
from tests.test_site_file import LOTS, PLAIN, SHORE, folder, master, site, told

__all__ = ["folder", "master"]  # fixtures

DAY = datetime.date(2027, 1, 15)
#: An answer of each kind as TOML and as it arrives, and what is no answer of that kind.
ANSWERS = {
    "yes-no": ("true", True, ["1", '"yes"', '"true"']),
    "number": ("4", 4.0, ["true", "nan", "inf", '"4 ft"', "-0.01", "100.01"]),
    "whole": ("4", 4, ["4.0", "true", '"four"', "0", "10001"]),
    "date": ("2027-01-15", DAY, ['"2027-01-15"', "2027-01-15T08:00:00", "2027", "08:00:00"]),
    "text": ('" Saltspindle Bay "', "Saltspindle Bay", ["7", '" "', "[]"]),
}


def answer(fact):
    """TOML of an answer, and the answer."""
    if fact.kind == "choice":
        return json.dumps(fact.choices[-1]), fact.choices[-1]
    return ANSWERS[fact.kind][:2]


# ---- what is asked ------------------------------------------------------------------------------


@pytest.mark.parametrize("fact", facts().values(), ids=list(facts()))
def test_a_fact_is_complete(fact):
    assert "?" in fact.question and fact.question[0].isupper()
    assert fact.settle[0].islower() and not fact.settle.endswith(".")
    assert "F.S." in fact.source or "guidelines" in fact.source
    assert bool(fact.choices) == (fact.kind == "choice")
    assert (fact.low is not None and fact.high is not None) == (fact.kind in ("number", "whole"))
    assert fact.unit == unit_of(fact.key)
    assert fact.key.startswith("n_") == (fact.kind == "whole")
    assert fact.key.endswith("_date") == (fact.kind == "date")


def test_what_a_route_hangs_on_is_asked():
    """Beside each, the section that makes it a question (fact sheet rows M-09 to M-34)."""
    assert set(facts()) >= {
        "supervisor",  # s. 403.9326(1)(a)1 F.S. against (1)(b)
        "professional_credential",  # s. 403.9329(1)
        "controls_land",  # s. 403.9326(1)(a)1
        "is_uninhabited_island",  # s. 403.9325(7)
        "is_conservation_land",  # s. 403.9325(7)
        "is_mitigation_land",  # s. 403.9325(7)
        "mitigation_provides_trimming",  # s. 403.9325(7)
        "is_first_red_trim",  # s. 403.9326(1)(b)4
        "notice_date",  # s. 403.9326(1)(b)4
        "earlier_proof",  # s. 403.9326(1)(c)
        "earlier_height_ft",  # s. 403.9326(1)(c), (d)
        "uses_herbicide",  # s. 403.9326(1)
        "is_multifamily",  # s. 403.9323(5)
    }


def test_credentials_are_those_of_the_act():
    """Source: s. 403.9329(1) F.S., read second-hand.

    Four societies' certificates, landscape architects, and people whom the department or a
    delegated local government qualified.
    """
    assert set(facts()["professional_credential"].choices) == {
        "certified-arborist",
        "wetland-scientist",
        "environmental-professional",
        "certified-ecologist",
        "landscape-architect",
        "state-qualified",
        "locally-qualified",
        "none",
    }


def test_proof_is_what_the_act_takes():
    """Source: s. 403.9326(1)(c) F.S., from memory: affidavit, past permits, or photographs."""
    assert set(facts()["earlier_proof"].choices) == {"affidavit", "permit", "photographs", "none"}


# ---- what an answer may be ----------------------------------------------------------------------


@pytest.mark.parametrize("key", facts())
def test_an_answer_arrives_in_its_own_type(folder, key):
    said, expected = answer(facts()[key])
    extra = "is_mitigation_land = true\n" if key == "mitigation_provides_trimming" else ""
    got = site(folder, f"{PLAIN}[facts]\n{extra}{key} = {said}\n").facts.of("A")[key]
    assert got == expected and type(got) is type(expected)


ANSWERED = [fact for fact in facts().values() if fact.kind in ANSWERS]
WRONG = [(fact.key, wrong) for fact in ANSWERED for wrong in ANSWERS[fact.kind][2]]
WRONG += [(fact.key, '"neither"') for fact in facts().values() if fact.kind == "choice"]
WRONG += [("supervisor", "true"), ("supervisor", '["owner"]')]


@pytest.mark.parametrize(("key", "wrong"), WRONG)
def test_what_is_no_answer_is_refused_with_its_line(folder, key, wrong):
    with pytest.raises(RangeError, match=rf"\[facts\] {key} \(line 11 of site.toml\): found "):
        site(folder, f"{PLAIN}[facts]\n{key} = {wrong}\n")


def test_a_slip_in_a_choice_is_mended(folder):
    with pytest.raises(RangeError, match="say 'professional' if you meant that"):
        site(folder, PLAIN + '[facts]\nsupervisor = "profesional"\n')


@pytest.mark.parametrize("key", facts())
def test_a_mark_is_no_answer(folder, key):
    """A text that is still to be filled in would pass for the name of a town."""
    with pytest.raises(SiteFileError, match=rf"\[facts\] {key} \(line 11 .*filled in") as caught:
        site(folder, f'{PLAIN}[facts]\n{key} = "{FILL_IN}"\n')
    assert caught.value.need.startswith(facts()[key].question)


@pytest.mark.parametrize(("value", "is_good"), [(0, True), (100, True), (-0.01, False)])
def test_edges_of_a_number(value, is_good):
    fact = facts()["earlier_height_ft"]
    if is_good:
        assert fact.check(value, "here") == value
    else:
        with pytest.raises(RangeError, match="from 0 up to 100"):
            fact.check(value, "here")


def test_answers_are_told_in_words():
    assert answers(facts()["supervisor"]) == '"owner" or "professional"'
    assert answers(facts()["earlier_height_ft"]) == "a number of ft, from 0 to 100"
    assert answers(facts()["n_units"]) == "a whole number, from 1 to 10000"


# ---- which lot it is of -------------------------------------------------------------------------

TWO = '[facts]\nsupervisor = "owner"\ncontrols_land = true\n'


def test_nothing_answered_is_nothing_known(folder):
    """Missing means unknown, never a default yes: an empty table is as good as none."""
    for text in (PLAIN, PLAIN + "[facts]\n", PLAIN + '[facts]\n[[lot_facts]]\nlot = "A"\n'):
        assert site(folder, text).facts is None


def test_a_lot_can_differ(folder):
    lot = '[[lot_facts]]\nlot = "B"\nsupervisor = "professional"\nuses_herbicide = false\n'
    got = site(folder, PLAIN + TWO + lot).facts
    assert got.of("A") == {"supervisor": "owner", "controls_land": True}
    assert got.of("B") == {
        "supervisor": "professional",
        "controls_land": True,
        "uses_herbicide": False,
    }
    assert got.of("Z") == got.everywhere


def test_a_lot_may_have_a_number():
    lots = LOTS.assign(lot_id=[7.0, 8.0])
    got = site_from_tables({"lots": lots, "lot_facts": [{"lot": 8, "n_units": 2}]})
    assert got.facts.of("8") == {"n_units": 2} and got.facts.of("7") == {}


def test_facts_of_a_lot_that_is_not_reported_are_kept_and_told(folder):
    """It may be chosen to be reported later, on the command line."""
    text = PLAIN.replace("[lots]\n", '[lots]\nmeasure = ["A"]\n') + (
        '[[lot_facts]]\nlot = "B"\nis_multifamily = true\n'
    )
    got = site(folder, text)
    assert "answered for 1 lot not reported here, and not used: B" in told(got)
    assert got.facts.of("B") == {"is_multifamily": True} and got.facts.of("A") == {}


@given(
    everywhere=st.dictionaries(st.sampled_from(list(facts())), st.integers()),
    own=st.dictionaries(st.sampled_from(list(facts())), st.integers()),
)
def test_no_fact_comes_from_nowhere(everywhere, own):
    """Law: what is known of a lot was said, for it or for all; its own answer goes first."""
    got = Facts(everywhere, {"A": own}).of("A")
    assert set(got) == {*everywhere, *own}
    assert all(got[key] == own.get(key, everywhere.get(key)) for key in got)


# ---- answers that do not agree ------------------------------------------------------------------

AGREE = [
    "is_mitigation_land = true\nmitigation_provides_trimming = true",
    "is_mitigation_land = false\nmitigation_provides_trimming = false",
    "mitigation_provides_trimming = true",
    "is_multifamily = false\nn_units = 1",
    "is_multifamily = true\nn_units = 2",
    "n_units = 2",
    "start_date = 2027-01-15\nnotice_date = 2027-01-16",  # late: a finding shows it
    'supervisor = "owner"\nprofessional_credential = "certified-arborist"',
]


@pytest.mark.parametrize("said", AGREE)
def test_answers_that_agree(folder, said):
    assert site(folder, f"{PLAIN}[facts]\n{said}\n").facts is not None


APART = [
    ("mitigation_provides_trimming = true", "is_mitigation_land = false"),
    ("n_units = 2", "is_multifamily = false"),
]


@pytest.mark.parametrize(("detail", "whole"), APART)
def test_answers_that_do_not_agree(folder, detail, whole):
    key, lot = detail.split()[0], '[[lot_facts]]\nlot = "A"\n'
    with pytest.raises(SiteFileError, match=rf"^\[facts\] {key} \(line 12.* correct one"):
        site(folder, f"{PLAIN}[facts]\n{whole}\n{detail}\n")
    with pytest.raises(SiteFileError, match=rf"^\[\[lot_facts\]\] number 1 {key} \(line 14"):
        site(folder, f"{PLAIN}[facts]\n{whole}\n{lot}{detail}\n")
    other = whole.split()[0]
    with pytest.raises(SiteFileError, match=rf"number 1 {other} .*answer {key} for this lot too"):
        site(folder, f"{PLAIN}[facts]\n{detail}\n{lot}{whole}\n")


def test_a_lot_that_answers_both_is_fine(folder):
    """The land as a whole is mitigation that provides for trimming; one lot is none at all."""
    text = PLAIN + (
        "[facts]\nis_mitigation_land = true\nmitigation_provides_trimming = true\n"
        '[[lot_facts]]\nlot = "A"\nis_mitigation_land = false\n'
        "mitigation_provides_trimming = false\n"
    )
    assert site(folder, text).facts.of("A")["mitigation_provides_trimming"] is False


def test_the_site_file_knows_every_fact():
    assert list(SITE_TABLES["facts"]) == list(facts())
    assert list(SITE_TABLES["lot_facts"]) == ["lot", *facts()]


def test_from_python_with_the_line_of_nothing():
    got = site_from_tables(
        {
            "lots": LOTS,
            "mhw_line": {"file": SHORE, "origin": "survey"},
            "facts": {"start_date": DAY, "earlier_height_ft": 6},
        }
    )
    assert got.facts.of("A") == {"start_date": DAY, "earlier_height_ft": 6.0}
    with pytest.raises(RangeError, match=r"^\[facts\] earlier_height_ft: found nan"):
        site_from_tables({"lots": LOTS, "facts": {"earlier_height_ft": math.nan}})
