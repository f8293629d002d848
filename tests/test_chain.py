"""From a site to its results: what is bound, what is left out and told, and plug-ins."""

from __future__ import annotations

from types import SimpleNamespace

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely

from geotrim.errors import GeotrimError, RangeError, RegistryError
from geotrim.model import CanopyGrid, Note, Result, Site
from geotrim.ops import chain, plugins
from geotrim.ops.catalogue import OPERATIONS
from geotrim.ops.registry import Operation, Param

CRS = 6443


def plain_site(**more):
    """A 100 ft lot on a straight shore, water in the south; no trees."""
    lots = gpd.GeoDataFrame(
        {"lot_id": ["A"], "is_measured": [True]}, geometry=[shapely.box(0, 0, 100, 90)], crs=CRS
    )
    shore = gpd.GeoDataFrame(geometry=[shapely.LineString([(-300, 0), (400, 0)])], crs=CRS)
    return Site("plain", CRS, lots, shore, "survey", **more)


def echo(**bound):
    """An operation that hands back what it was given."""
    return Result("echo", {"bound": [bound]}, (), bound)


def breaks(**_):
    raise ZeroDivisionError("one over nothing")


def not_a_result(**_):
    return 42


def declared(name, function="echo", inputs=("lots", "trunks?"), after=(), params=()):
    return Operation(
        name,
        "Hands back what it gets.",
        function=f"{__name__}:{function}",
        inputs=inputs,
        outputs={"bound": ()},
        after=after,
        params=params,
    )


WIDTH = Param("width_ft", "number", 3.0, "Width.", low=0.0, high=10.0)


def entry(name, thing):
    """An entry point as importlib.metadata hands it out, for what these functions use of it."""

    def load():
        if isinstance(thing, Exception):
            raise thing
        return thing

    return SimpleNamespace(name=name, value=f"package:{name}", load=load)


@pytest.fixture
def _plugged(monkeypatch):
    """Two plug-in operations beside geotrim's own: one that fails, one that works."""
    found = plugins.operations_from(
        [entry("one", declared("breaks", "breaks")), entry("two", declared("echo"))]
    )
    monkeypatch.setattr(plugins, "plugins", lambda: found)
    monkeypatch.setattr(chain, "plugins", lambda: found)


def test_everything_is_bound_by_keyword():
    """Inputs, an absent optional input as None, results with - as _, checked parameters."""
    operation = declared("wide", after=("riparian-lines",), params=(WIDTH,))
    site = plain_site()
    before = {"riparian-lines": Result("riparian-lines", {"riparian_lines": []})}
    got = chain.run_operation(operation, site, before, {"width_ft": 4}).parameters
    assert set(got) == {"lots", "trunks", "riparian_lines", "width_ft"}
    assert got["lots"] is site.lots and got["trunks"] is None
    assert got["riparian_lines"] is before["riparian-lines"]
    assert got["width_ft"] == 4.0 and isinstance(got["width_ft"], float)


def test_options_come_from_the_site_and_defaults_fill_in():
    operation = declared("wide", params=(WIDTH,))
    assert chain.run_operation(operation, plain_site(), {}).parameters["width_ft"] == 3.0
    site = plain_site(options={"width_ft": 5.0, "reach_ft": 2.0})
    assert chain.run_operation(operation, site, {}).parameters["width_ft"] == 5.0


def test_a_parameter_outside_its_limits_is_refused():
    with pytest.raises(RangeError, match="width_ft: found 11; needed from 0 up to 10"):
        chain.run_operation(declared("wide", params=(WIDTH,)), plain_site(), {}, {"width_ft": 11})


def test_an_operation_that_returns_something_else_is_a_bug():
    with pytest.raises(TypeError, match="returned a int, not a Result"):
        chain.run_operation(declared("odd", "not_a_result"), plain_site(), {})


def test_a_missing_input_is_an_error_when_asked_for_by_name():
    with pytest.raises(GeotrimError, match=r"heights: found no crowns .* needed crowns .*raster"):
        chain.measure(plain_site(), ["heights"])


def test_a_missing_result_is_an_error():
    with pytest.raises(GeotrimError, match="the result of frontage"):
        chain.run_operation("riparian-lines", plain_site(), {})


def test_in_a_whole_run_what_lacks_an_input_is_left_out_and_told():
    results = chain.measure(plain_site())
    assert list(results) == list(OPERATIONS)
    assert results["frontage"]["lots"]["frontage_length_ft"].iloc[0] == pytest.approx(
        100 * 1200 / 3937 / 0.3048  # 100 US survey feet in international feet
    )
    for name in ("fringe", "setbacks", "heights", "slices"):
        (note,) = results[name].notes
        assert results[name].tables == {}
        assert note.level == "missing" and "crowns" in note.text
    (note,) = results["zone"].notes
    assert note == Note("zone", "not measured, for want of the result of fringe", "missing")


def test_asking_for_one_runs_what_it_builds_on_and_no_more():
    seen = []
    results = chain.measure(plain_site(), ["riparian-lines"], progress=seen.append)
    assert list(results) == ["frontage", "riparian-lines"] == seen


def test_an_unknown_option_and_an_unknown_operation_are_named():
    with pytest.raises(RangeError, match="option 'reech_ft'"):
        chain.measure(plain_site(options={"reech_ft": 3.0}))
    with pytest.raises(RegistryError, match="'frontages'"):
        chain.measure(plain_site(), ["frontages"])


def test_the_order_of_a_run_holds_what_is_built_on():
    done: set[str] = set()
    for name, operation in OPERATIONS.items():
        assert done.issuperset(operation.builds_on()), f"{name} runs before what it builds on"
        done.add(name)


@pytest.mark.usefixtures("_plugged")
def test_a_plug_in_that_fails_stops_nobody():
    results = chain.measure(plain_site())
    assert results["frontage"].tables and results["echo"].tables
    (note,) = results["breaks"].notes
    assert note.level == "missing" and "ZeroDivisionError: one over nothing" in note.text


@pytest.mark.usefixtures("_plugged")
def test_a_plug_in_asked_for_by_name_keeps_its_traceback():
    with pytest.raises(ZeroDivisionError):
        chain.measure(plain_site(), ["breaks"])


def test_entry_points_may_be_one_operation_or_a_callable_for_many():
    many = [declared("b", after=("a", "frontage")), declared("a")]
    found, faults = plugins.operations_from([entry("x", lambda: many), entry("y", declared("c"))])
    assert list(found) == ["a", "b", "c"] and faults == ()


@pytest.mark.parametrize(
    ("thing", "told"),
    [
        (ImportError("no module"), "ImportError: no module"),
        (lambda: 1 / 0, "ZeroDivisionError"),
        ("text", "found a str"),
        (declared("frontage"), "a name that is taken"),
        (declared("far", after=("nowhere",)), "not there"),
        (declared("ring", after=("ring",)), "or a ring"),
        (declared("hollow", "no_such_function"), "no_such_function"),
        (declared("hungry", inputs=("fish",)), "input 'fish'"),
    ],
)
def test_a_broken_plug_in_is_told_by_name_and_the_others_stay(thing, told):
    found, faults = plugins.operations_from([entry("bad", thing), entry("good", declared("fine"))])
    assert list(found) == ["fine"]
    ((name, what),) = faults
    assert name == "bad (package:bad)" and told in what


class CountedGrid(CanopyGrid):
    """A canopy 8 ft high that counts how often it is read."""

    reads = 0

    def read(self, row0, row1, col0, col1):
        CountedGrid.reads += 1
        return super().read(row0, row1, col0, col1)


def test_heights_and_slices_read_the_raster_once_and_say_the_same():
    """A crown of 10 by 10 map units, 8 ft high: a fourth of it lies over 6 ft."""
    crowns = gpd.GeoDataFrame({"crown_id": ["t"]}, geometry=[shapely.box(5, 5, 15, 15)], crs=CRS)
    grid = CountedGrid(np.full((20, 20), 8.0), west=0.0, north=20.0, cell=1.0)
    site = plain_site(crowns=crowns, heights=grid, options={"height_limits_ft": (6.0, 9.0)})
    CountedGrid.reads = 0
    both = chain.measure(site, ["slices", "heights"])
    n_together, CountedGrid.reads = CountedGrid.reads, 0
    alone = {**chain.measure(site, ["slices"]), **chain.measure(site, ["heights"])}
    assert n_together == CountedGrid.reads / 2 > 0
    assert both["slices"]["slices"]["share_band_frac"].iloc[0] == pytest.approx(0.25, rel=1e-9)
    for name in ("heights", "slices"):
        pd.testing.assert_frame_equal(both[name][name], alone[name][name])
        assert both[name].parameters == alone[name].parameters
