"""The plan page: which rows it draws, how they look, and what its tables say."""

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely
from affine import Affine

from lotflow.grid import Grid
from lotflow.layers import RESULT_LAYERS
from lotflow.outputs.plan_page.answers import answer_html
from lotflow.outputs.plan_page.drawn import (
    DRAWN,
    blocked_overflow,
    blocked_ponds,
    drawn_layers,
    joints,
    outlets,
    sizes_told,
)
from lotflow.outputs.plan_page.tables import TABLES, page_tables
from lotflow.outputs.summary import CONTRACT, summary_content

GROUND = Grid(np.zeros((10, 10)), Affine(1, 0, 100, 0, -1, 210), None)


def ponds(*rows):
    names = ("return_period_yr", "scenario", "low_spot", "depth_m")
    return pd.DataFrame([dict(zip(names, row, strict=True)) for row in rows])


def layer(name, rows, shapes):
    """A layer of the result with all its columns; those not given are empty."""
    columns = [column.name for column in RESULT_LAYERS[name].columns]
    data = {column: [row.get(column) for row in rows] for column in columns}
    return gpd.GeoDataFrame(data, geometry=shapes) if shapes else pd.DataFrame(data)


def drawn(name, rows, shape):
    """Layers of the page made of one layer of the result, by their keys."""
    layers = {name: layer(name, rows, [shape] * len(rows))}
    return {one["key"]: one for one in drawn_layers(layers, GROUND)}


@pytest.mark.parametrize("key", DRAWN)
def test_every_column_a_drawn_layer_names_is_in_the_result(key):
    shown = DRAWN[key]
    columns = {column.name for column in RESULT_LAYERS[shown.source or key].columns}
    named = set(shown.told) | {shown.heading} - {""}
    if shown.verdicts is not None:
        named.add(shown.verdicts.column)
    if shown.bold is not None:
        named.add(shown.bold[0])
    assert named <= columns


def test_the_worst_of_the_blocked_cases_is_drawn_and_of_equals_the_first():
    """One inlet blocked is named rather than all, where that is as bad to the millimetre."""
    chosen = blocked_ponds(ponds(
        (10, "open", 1, 5.0), (10, "blocked:A", 1, 5.2), (10, "blocked:all", 1, 5.2 + 1e-9),
        (10, "blocked:A", 2, 7.0), (10, "blocked:all", 2, 7.3), (100, "blocked:B", 1, 5.4),
    ))  # fmt: skip
    assert chosen[["return_period_yr", "low_spot", "scenario"]].to_numpy().tolist() == [
        [10, 1, "A blocked"], [10, 2, "all inlets blocked"], [100, 1, "B blocked"]
    ]  # fmt: skip


def test_no_case_is_blocked_where_there_is_no_inlet():
    assert len(blocked_ponds(ponds((10, "open", 1, 5.0)))) == 0


def test_of_ways_of_overflow_that_of_the_most_water_is_drawn():
    frame = pd.DataFrame({"scenario": ["blocked:A", "blocked:all", "open"], "low_spot": [1, 1, 1],
                          "overflow_m3": [2.0, 3.0, 9.0]})  # fmt: skip
    assert list(blocked_overflow(frame)["overflow_m3"]) == [3.0]


def test_outlets_are_those_of_the_proposed_system_and_all_else_are_joints():
    kinds, cases = ["outlet", "outlet", "junction"], ["today", "proposed", "proposed"]
    nodes = pd.DataFrame({"scenario": cases, "kind": kinds, "name": ["a", "b", "c"]})
    assert list(outlets(nodes)["name"]) == ["b"]
    assert list(joints(nodes)["name"]) == ["a", "c"]
    assert list(outlets(nodes[:1])["name"]) == ["a"]  # nothing is proposed


def test_walls_have_the_look_of_their_verdict_and_the_key_names_those_that_occur():
    rows = [{"name": "N", "verdict": "too flat"}, {"name": "S", "verdict": "cannot tell"}]
    walls = drawn("facades", rows, shapely.LineString([(101, 201), (105, 201)]))["facades"]
    key = {text: colour for text, colour, _ in walls["verdicts"]}
    assert list(key) == ["too flat", "cannot tell"]
    assert [one["colour"] for one in walls["features"]] == list(key.values())


def test_a_low_spot_fades_with_its_probability():
    rows = [{"id": 1, "probability": 0.25}, {"id": 2, "probability": 1.0}, {"id": 3}]
    spots = drawn("low_spots", rows, shapely.box(101, 201, 103, 204))["low_spots"]["features"]
    assert [spot.get("fade") for spot in spots] == [0.75, None, None]


def test_a_doubtful_low_spot_is_dashed():
    rows = [{"id": 1, "artefact": "in a building"}, {"id": 2, "artefact": ""}]
    spots = drawn("low_spots", rows, shapely.box(101, 201, 103, 204))["low_spots"]["features"]
    assert [bool(spot.get("dashes")) for spot in spots] == [True, False]


def test_ponds_belong_to_their_storm_and_overflow_to_it_and_all_larger_ones():
    pond = {"return_period_yr": 10.0, "scenario": "open", "low_spot": 1}
    (one,) = drawn("ponds", [pond], shapely.box(101, 201, 103, 204))["ponds"]["features"]
    assert one["storm"] == 10.0
    way = {"least_return_period_yr": 2.0, "scenario": "open", "low_spot": 1}
    line = shapely.LineString([(101, 201), (105, 201)])
    (one,) = drawn("overflow_paths", [way], line)["overflow_paths"]["features"]
    assert one["leastStorm"] == 2.0


def tables(**layers):
    content = summary_content(
        {name: layer(name, rows, []) for name, rows in layers.items()}, balance={}, provenance={}
    )
    return {table["key"]: table for table in page_tables(content, {})}


def test_every_key_a_table_names_is_promised_or_a_column():
    content = summary_content({}, balance={}, provenance={})
    assert page_tables(content, {}) == []
    promised = {**CONTRACT, "lines_today": CONTRACT["lines"], "outlets": ("detail", "invert_m")}
    promised["outlets"] += ("name", "flow_m3s")
    for name, table in TABLES.items():
        key = "low_spots" if name.startswith("low_spots") else name
        known = {*promised[key], *(c.name for c in columns_of(key)), "flow_m3s"}
        known |= {"reason"}  # of `evidence_only`
        assert {heading.column.name for heading in table.headings} <= known, key


def columns_of(name):
    return RESULT_LAYERS[name].columns if name in RESULT_LAYERS else ()


def test_a_line_names_one_needed_size_and_the_rarest_storm_beside_it():
    """With their storms; where the storm it is sized for is the rarest there is nothing beside."""
    sizes = {"required_size": "4 in", "design_storm_yr": 10.0, "rarest_storm_size": "6 in"}
    assert sizes_told({**sizes, "rarest_storm_yr": 100.0}) == {
        "required_size": "4 in (10 yr)", "rarest_storm_size": "6 in (100 yr)"
    }  # fmt: skip
    assert sizes_told({**sizes, "rarest_storm_yr": 10.0})["rarest_storm_size"] is None
    assert set(sizes_told({}).values()) == {None}
    line = {"name": "L", "return_period_yr": 10.0, "rarest_storm_yr": 100.0, **sizes}
    content = summary_content({}, balance={}, provenance={}, sections={"lines": [line]})
    (table,) = page_tables(content, {})
    labels = [label for label, _ in table["columns"]]
    assert table["rows"][0]["cells"][labels.index("Needed")] == "4 in (10 yr)"


def test_columns_without_a_value_are_left_out():
    made = tables(facades=[{"name": "N", "verdict": "too narrow to tell"}])["facades"]
    assert [label for label, _ in made["columns"]] == ["Wall", "By the data"]
    assert [row["cells"] for row in made["rows"]] == [["N", "too narrow to tell"]]


def test_an_inlet_has_its_own_flow_where_a_downspout_is_called_the_same():
    runoff = [
        {"subject": "A", "kind": kind, "method": method, "return_period_yr": 10.0,
         "flow_m3s": flow, "flow_m3s_p95": bound}
        for kind, method, flow, bound in (
            ("inlet", "rational", 0.003, 0.004), ("inlet", "nrcs", 0.002, None),
            ("downspout", "rational", 0.001, None),
        )
    ]  # fmt: skip
    made = tables(inlets=[{"name": "A", "catchment_m2": 50.0}], runoff=runoff)["inlets"]
    assert [label for label, _ in made["columns"]] == ["Name", "Catchment", "Flow"]
    assert [row["cells"] for row in made["rows"]] == [["A", 50.0, {"10": 0.003}]]
    # a value that the data leave open has two ends instead
    runoff[0] |= {"flow_m3s_p05": 0.001, "flow_m3s_p95": 0.009}
    wide = {"catchment_m2_p05": 8.0, "catchment_m2_p95": 160.0}
    made = tables(inlets=[{"name": "A", "catchment_m2": 50.0, **wide}], runoff=runoff)["inlets"]
    assert [row["cells"] for row in made["rows"]] == [["A", [8.0, 160.0], {"10": [0.001, 0.009]}]]


def test_only_the_best_outlet_of_each_subject_is_in_the_table():
    rows = [{"subject": "A", "rank": rank, "kind": kind} for rank, kind in enumerate("xy", 1)]
    made = tables(outlet_options=rows)["outlet_options"]
    assert [row["cells"] for row in made["rows"]] == [["A", "x"]]


def test_a_dry_low_spot_is_called_dry_and_water_that_stays_never_gone():
    common = {"scenario": "open", "volume_m3": 1.0, "low_spot": 1}
    rows = [common | {"return_period_yr": 2.0, "depth_m": 0.0},
            common | {"return_period_yr": 10.0, "depth_m": 0.1, "stays_m": 0.1,
                      "soaks_away_h": 0.4},
            common | {"return_period_yr": 50.0, "depth_m": 0.1, "stays_m": 0.002,
                      "soaks_away_h": 0.4},
            common | {"return_period_yr": 100.0, "depth_m": 0.2}]  # fmt: skip
    made = tables(ponds=rows)["ponds"]
    cells = dict(
        zip([label for label, _ in made["columns"]], made["rows"][0]["cells"], strict=True)
    )
    assert cells["Depth"] == {"2": "dry", "10": 0.1, "50": 0.1, "100": 0.2}
    # what the soil at its edge takes in half an hour does not empty what lies on paving
    gone = cells["Gone after"]
    assert (gone["2"], gone["50"], gone["100"]) == (None, 0.4, "never")
    assert isinstance(gone["10"], str)


def test_blocked_cases_are_rows_with_a_value_per_storm():
    rows = [{"scenario": case, "return_period_yr": 2.0, "low_spot": 3, "depth_m": 0.1}
            for case in ("open", "blocked:A", "blocked:all")]  # fmt: skip
    made = tables(pond_cases=rows)["pond_cases"]
    assert [row["cells"][:2] for row in made["rows"]] == [
        ["A blocked", {"2": 3}], ["all inlets blocked", {"2": 3}]
    ]  # fmt: skip


def test_where_a_blocked_case_runs_over_to_stands_in_a_line_of_its_own():
    """As a seventh column it left the others no room on a phone."""
    headings = TABLES["pond_cases"].headings
    remarks = [heading.column.name for heading in headings if heading.is_remark]
    assert remarks == ["touches", "spills_to", "not_closed"]


def test_what_the_data_do_not_close_has_a_remark_that_says_so():
    made = tables(
        low_spots=[
            {"id": 1, "depth_m": 0.2, "not_closed": True},
            {"id": 2, "depth_m": 0.2, "not_closed": False},
        ]
    )["low_spots"]
    where = [label for label, _ in made["columns"]].index("Not closed")
    assert [bool(row["cells"][where]) for row in made["rows"]] == [True, False]


def test_outlets_have_a_row_each_with_their_flow_per_storm():
    """Those of the proposed system; what comes to one of today's with the same name is not its."""
    node = {
        "kind": "outlet",
        "scenario": "proposed",
        "name": "Curb",
        "detail": "curb",
        "invert_m": 30.0,
    }
    nodes = layer(
        "nodes", [node, node | {"scenario": "today"}, node | {"kind": "inlet"}], [None] * 3
    )
    storms = [
        {"case": case, "name": "Curb", "return_period_yr": years, "flow_m3s": flow}
        for case, years, flow in (("proposed", 2.0, 0.003), ("proposed", 10.0, 0.004),
                                  ("today", 2.0, 0.9))
    ]  # fmt: skip
    content = summary_content({}, balance={}, provenance={}, sections={"outlet_storms": storms})
    (table,) = page_tables(content, {"nodes": nodes})
    assert table["layer"] == "outlets"
    assert [row["cells"] for row in table["rows"]] == [
        ["Curb", "curb", 30.0, {"2": 0.003, "10": 0.004}]
    ]


def test_lines_of_today_have_a_table_of_their_own_beside_proposed_ones():
    content = summary_content({}, balance={}, provenance={}, sections={
        "lines": [{"name": name, "case": case, "return_period_yr": 2.0}
                  for name, case in (("new", "proposed"), ("old", "today"))]})  # fmt: skip
    made = {
        table["key"]: [row["name"] for row in table["rows"]] for table in page_tables(content, {})
    }
    assert made == {"lines": ["new"], "lines_today": ["old"]}


def test_what_to_measure_names_the_levels_to_take_first():
    """By the numbers on the map; an item without any has its own words alone."""
    item = {
        "harm": "h", "grade": "sure", "grade_means": "sure", "causes": [], "verdict": "",
        "remedy": "", "takes": "", "left": "", "risk": "", "evidence": "", "source": "",
    }  # fmt: skip
    summary = {
        "answer": [
            {**item, "rank": rank, "check": f"check {rank}.", "findings": [
                {"rule": "r", "subject": of, "scenario": ""}]}
            for rank, of in ((1, "low spot 3"), (2, "C1"))
        ],
        "findings": [],
        "levels_to_take": [{"rank": 4, "subject": "low spot 3"}, {"rank": 7, "subject": "D"}],
    }  # fmt: skip
    told = answer_html(summary, (0.0, 0.0))
    assert "check 1. Level 4 of" in told
    assert "<dd>check 2.</dd>" in told


def test_levels_to_take_are_listed_by_the_numbers_on_the_map_with_what_they_settle():
    rows = [
        {"rank": rank, "place": f"place {rank}", "question": "line", "subject": "C1", "x": 1.0,
         "y": 2.0, "level_m": 3.0, "settles": 0.2, "together_with": None}
        for rank in (1, 2)
    ]  # fmt: skip
    made = tables(levels_to_take=rows)["levels_to_take"]
    assert [row["name"] for row in made["rows"]] == [1, 2]
    assert made["rows"][0]["place"] == [1.0, 2.0]
    assert "C1" in made["rows"][0]["cells"][-1]
    assert made["forSite"]
