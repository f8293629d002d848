"""Every operation keeps the promises of its declaration, whichever face it is reached by."""

from __future__ import annotations

import inspect
import re
from dataclasses import fields, replace
from pathlib import Path

import pytest

from geotrim.cli import help_text
from geotrim.cli.commands import operation_json
from geotrim.cli.parser import text_of, value_of
from geotrim.errors import RangeError, RegistryError
from geotrim.io.site_file import read_site
from geotrim.model import Result, Site
from geotrim.ops import catalogue
from geotrim.ops.catalogue import CAUTIONS, OPERATIONS
from geotrim.ops.chain import measure
from geotrim.ops.registry import KINDS, Operation, Param
from geotrim.units import unit_of
from tests.sites import readings_of

ROOT = Path(__file__).resolve().parent.parent
PARAMS = catalogue.option_params()
#: Site fields that an operation may read.
FIELDS = {field.name for field in fields(Site)} - {"name", "crs", "options", "inputs", "notes"}


@pytest.mark.parametrize("name", OPERATIONS)
def test_the_declaration_is_complete(name):
    op = OPERATIONS[name]
    assert re.fullmatch(r"[a-z]+(-[a-z]+)*", name) and op.name == name
    assert op.summary.endswith(".") and op.summary[0].isupper() and "\n" not in op.summary
    assert op.caution.endswith(".")
    assert {item.removesuffix("?") for item in op.inputs} <= FIELDS
    assert set(op.builds_on()) <= set(OPERATIONS)
    assert name in help_text() and op.summary.split()[0] in help_text()
    assert f"| `{name}` |" in (ROOT / "README.md").read_text(encoding="utf-8")


@pytest.mark.parametrize("name", OPERATIONS)
def test_measured_columns_carry_their_unit(name):
    for column in (c for columns in OPERATIONS[name].outputs.values() for c in columns):
        assert unit_of(column) or column.startswith(("is_", "n_")) or column.endswith("_id"), column


@pytest.mark.parametrize("name", OPERATIONS)
def test_the_function_takes_what_is_declared_and_nothing_else(name):
    """Inputs and results by keyword; parameters as keywords only, with the declared defaults."""
    op = OPERATIONS[name]
    signature = inspect.signature(op.load())
    given = {item.removesuffix("?") for item in op.inputs}
    spare = {item.removesuffix("?") for item in op.inputs if item.endswith("?")}
    for other in op.after:
        before = other.removesuffix("?").replace("-", "_")
        keyword = f"{before}_result" if before in given else before
        spare |= {keyword} if other.endswith("?") else set()
        given = given | {keyword}
    params = {param.name: param for param in op.params}
    assert set(signature.parameters) == given | set(params)
    for one in signature.parameters.values():
        if one.name in params:
            assert one.kind is inspect.Parameter.KEYWORD_ONLY
            assert one.default == params[one.name].default, f"default of {one.name}"
        elif one.name in spare:
            assert one.default in (None, ()), f"{one.name} may be left out"
        else:
            assert one.default is inspect.Parameter.empty, f"{one.name} is needed"
    assert signature.return_annotation in (Result, "Result")
    assert inspect.getdoc(op.load())


@pytest.mark.parametrize("name", PARAMS)
def test_a_parameter_is_complete_and_its_default_passes_its_own_check(name):
    param = PARAMS[name]
    assert param.kind in KINDS
    assert param.help.endswith(".") and param.help[0].isupper()
    assert param.option == "--" + name.replace("_", "-")
    if param.kind in ("number", "numbers"):
        assert unit_of(name), f"{name} has no unit"
        assert param.low is not None and param.high is not None, f"{name} has no limits"
    assert (param.kind == "choice") == bool(param.choices)
    assert param.check(param.default) == param.default
    if param.default is not None:
        assert value_of(param, text_of(param.default)) == param.default


def test_operations_that_share_a_parameter_share_its_declaration():
    for op in OPERATIONS.values():
        for param in op.params:
            assert PARAMS[param.name] is param


@pytest.mark.parametrize("name", OPERATIONS)
def test_the_schema_says_what_the_check_does(name):
    """Keywords of JSON Schema (draft 2020-12, validation, section 6)."""
    schema = operation_json(OPERATIONS[name])["parameters"]
    assert schema["type"] == "object" and schema["additionalProperties"] is False
    for param in OPERATIONS[name].params:
        told = schema["properties"][param.name]
        assert told["type"] in ("number", "integer", "array", "string", "boolean")
        limits = told["items"] if told["type"] == "array" else told
        if param.low is not None:
            assert limits["exclusiveMinimum" if param.is_low_open else "minimum"] == param.low
        if param.choices:
            assert told["enum"] == list(param.choices)


@pytest.mark.parametrize("name", [n for n, p in PARAMS.items() if p.kind == "number"])
def test_limits_are_checked_on_both_sides_and_on_the_edge(name):
    param = PARAMS[name]
    assert param.check(param.high) == param.high
    with pytest.raises(RangeError, match=name):
        param.check(param.high * 1.001)
    if param.is_low_open:
        with pytest.raises(RangeError, match="above"):
            param.check(param.low)
        assert param.check(param.low + 1e-6) == param.low + 1e-6
    else:
        assert param.check(param.low) == param.low
        with pytest.raises(RangeError):
            param.check(param.low - 1e-6)


@pytest.mark.parametrize(
    ("kind", "value"),
    [
        ("number", "3"),
        ("number", True),
        ("number", float("inf")),
        ("number", None),
        ("whole", 1.5),
        ("whole", True),
        ("numbers", 3.0),
        ("flag", 1),
        ("text", 1),
        ("choice", "z"),
    ],
)
def test_a_value_of_another_kind_is_refused(kind, value):
    param = Param("p", kind, 1, "P.", choices=("a",) if kind == "choice" else ())
    with pytest.raises(RangeError, match=re.escape(f"p: found {value!r}")):
        param.check(value)


def test_a_parameter_of_no_known_kind_is_refused():
    with pytest.raises(RegistryError, match="kind 'colour'"):
        Param("p", "colour", 1, "P.")


def test_an_operation_refuses_parameters_that_are_not_its_own():
    op = Operation("x", "X.", function="a:b", inputs=(), outputs={}, params=(PARAMS["reach_ft"],))
    assert op.check({}) == {"reach_ft": 5.0}
    with pytest.raises(RangeError, match="no such parameter of x"):
        op.check({"band_ft": (6.0, 10.0)})


def test_cautions_say_what_the_tool_is_not():
    text = " ".join(CAUTIONS)
    for word in ("not a survey", "not legal advice", "herbicide", "nests", "conductors", "Z133"):
        assert word in text


@pytest.fixture(scope="module")
def measured():
    site = read_site(ROOT / "sample_data" / "curved_shore" / "site.toml")
    return measure(replace(site, readings=readings_of(site.crowns)))


@pytest.mark.parametrize("name", OPERATIONS)
def test_the_tables_hold_the_columns_that_are_declared(name, measured):
    """And every measured column they hold beyond those carries its unit too."""
    op, result = OPERATIONS[name], measured[name]
    assert result.operation == name
    assert set(result.parameters) == {param.name for param in op.params}
    assert set(result.tables) == set(op.outputs)  # --table refuses others before the work
    for table, columns in op.outputs.items():
        assert set(columns) <= set(result[table].columns), table
    for table, rows in result.tables.items():
        for column in rows.columns:
            if rows[column].dtype.kind == "f" and "unit" not in rows.columns:  # else row by row
                assert unit_of(column), f"{table}.{column} has no unit"


def test_heights_a_top_may_be_lowered_to_are_one_or_more_in_any_order():
    param = PARAMS["lower_to_ft"]
    assert param.check(8) == param.check([8.0]) == (8.0,)
    assert param.check([12, 8.0, 12]) == (8.0, 12.0)
    assert value_of(param, "10,8") == (8.0, 10.0) and value_of(param, "9") == (9.0,)
    for bad in (True, "8", [], [8, "9"], [8, -1.0], [8, 501]):
        with pytest.raises(RangeError, match="lower_to_ft"):
            param.check(bad)
    assert param.schema()["minItems"] == 1 and PARAMS["band_ft"].schema()["minItems"] == 2
    with pytest.raises(RangeError, match="rise"):
        PARAMS["height_limits_ft"].check([10, 6])


def test_trees_to_be_kept_are_text_or_a_list_of_texts():
    param = PARAMS["keep"]
    assert param.check(["SB-20", "SB-21"]) == "SB-20, SB-21"
    assert param.check("SB-20") == "SB-20" and param.check(None) is None
    for bad in ([], [20], 20, ["a", None]):
        with pytest.raises(RangeError, match="keep"):
            param.check(bad)
    with pytest.raises(RangeError, match="window_spans_ft"):
        PARAMS["window_spans_ft"].check(["1-2"])
