"""The summary in its three forms: promised keys, stable numbers, harmless text, plain words."""

import csv
import io
import json
import math

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from lotflow.layers import RESULT_LAYERS
from lotflow.outputs.summary import CONTRACT, json_text, summary_content, summary_csv
from lotflow.outputs.summary_text import WIDTH, _standing, summary_text

BALANCE = {"on_m2": 1234.5, "lot_m2": 800.0, "off_m2": 0.0}
PROVENANCE = {"run_id": "0123", "inputs": [{"file": "dem.tif", "sha256": "ab"}], "step": 1e-9 / 3}


def content_of(layers, **more):
    given_parts = {"balance": BALANCE, "provenance": PROVENANCE, "accuracy": {"rmse_m": 0.1}}
    return summary_content(layers, **{**given_parts, **more})


@pytest.fixture
def content(make_layers):
    return content_of(make_layers(6))


def rows_of(text):
    return list(csv.DictReader(io.StringIO(text)))


# the content


def test_every_entry_has_the_promised_keys_first(content):
    for section in ("low_spots", "inlets", "runoff", "findings"):
        for entry in content[section]:
            assert tuple(entry)[: len(CONTRACT[section])] == CONTRACT[section]


def test_every_declared_column_is_in_its_entry(content):
    for section in ("low_spots", "inlets", "runoff", "findings", "lot_line_crossings"):
        declared = {column.key for column in RESULT_LAYERS[section].columns}
        assert len(content[section]) == 6
        assert all(declared <= set(entry) for entry in content[section])


def test_lines_and_ponds_have_the_promised_keys_and_keep_others():
    content = content_of(
        {},
        sections={
            "lines": [{"name": "L1", "fall_m": np.float64(0.12345678), "note": "x"}],
            "ponds": [{}],
        },
    )
    assert tuple(content["lines"][0]) == (*CONTRACT["lines"], "note")
    assert (content["lines"][0]["fall_m"], content["lines"][0]["capacity_m3s"]) == (0.1235, None)
    assert content["ponds"] == [dict.fromkeys(CONTRACT["ponds"])]


def test_the_sections_of_the_contract_are_there_without_anything_to_tell():
    content = content_of({})
    assert content["schema_version"] == "1"
    assert content["lot"]["area_m2"] is None
    for section in ("low_spots", "inlets", "runoff", "lines", "findings", "ponds"):
        assert content[section] == []
    assert content["balance"] == BALANCE


def test_the_lot_is_all_its_parts_together():
    lot = pd.DataFrame({"name": ["A", "A", None], "area_m2": [100.0, 50.25, 1.0]})
    assert content_of({"lot": lot})["lot"] == {"name": "A", "area_m2": 151.25}


def test_findings_stay_in_the_order_of_their_layer(make_layers):
    """It is that of `findings.ordered`, for every output."""
    layers = make_layers(6)
    layers["findings"]["severity"] = ["note", "fail", "warn", "note", "fail", "warn"]
    layers["findings"]["rule"] = list("abcdef")
    rules = [finding["rule"] for finding in content_of(layers)["findings"]]
    assert rules == list("abcdef")


def test_no_value_and_no_finite_number_are_null(make_layers):
    layers = make_layers(5)
    layers["low_spots"]["depth_m"] = [np.nan, np.inf, -np.inf, -0.0, 1.0]
    layers["low_spots"]["inner_low_spots"] = [np.nan, 1.0, 2.0, 3.0, 4.0]
    layers["low_spots"]["cut_by_edge"] = pd.array([None, True, False, True, True], dtype="boolean")
    spots = content_of(layers)["low_spots"]
    assert [spot["depth_m"] for spot in spots] == [None, None, None, 0.0, 1.0]
    assert math.copysign(1, spots[3]["depth_m"]) == 1
    assert [spot["inner_low_spots"] for spot in spots] == [None, 1, 2, 3, 4]
    assert [spot["cut_by_edge"] for spot in spots] == [None, True, False, True, True]
    assert isinstance(spots[1]["inner_low_spots"], int)


def test_a_value_of_another_kind_is_a_fault_of_ours():
    with pytest.raises(TypeError, match="Timestamp"):
        content_of({}, balance={"when": pd.Timestamp("2020-01-01")})


def test_provenance_is_kept_to_the_last_digit(content):
    assert content["provenance"] == PROVENANCE


@pytest.mark.parametrize(
    ("key", "rounded"),
    [
        ("depth_m", 1.2346), ("area_m2", 1.2346), ("volume_m3", 1.234568),
        ("flow_m3s", 1.234567891), ("x", 1.2346), ("slope_m_per_m", 1.234568),
        ("catchment_m2_p05", 1.2346), ("probability", 1.234568),
    ],
)  # fmt: skip
def test_numbers_are_rounded_by_their_unit(key, rounded):
    assert content_of({}, balance={key: 1.2345678912})["balance"] == {key: rounded}


@given(st.floats(-1e7, 1e7), st.floats(-1e-12, 1e-12))
def test_the_last_bits_of_a_computation_do_not_show(value, noise):
    """Unless the value lies right between two roundings."""
    first, second = (
        content_of({}, balance={"area_m2": v})["balance"]["area_m2"] for v in (value, value + noise)
    )
    assert first == second or abs(first - second) == pytest.approx(1e-4, rel=1e-3)
    assert content_of({}, balance={"area_m2": first})["balance"]["area_m2"] == first


def test_without_rounding_numbers_are_those_of_the_layers(make_layers):
    layers = make_layers()
    exact, rounded = (content_of(layers, rounded=which) for which in (False, True))
    depths = layers["low_spots"]["depth_m"].dropna().tolist()
    told = [one["depth_m"] for one in exact["low_spots"] if one["depth_m"] is not None]
    assert told == depths
    assert [round(depth, 4) for depth in depths] != depths
    assert [one["depth_m"] for one in rounded["low_spots"] if one["depth_m"] is not None] == [
        round(depth, 4) for depth in depths
    ]


# JSON


def test_json_reads_back_and_keeps_the_order(content):
    text = json_text(content)
    assert json.loads(text) == content
    assert list(json.loads(text)) == list(content)
    assert "é" in text
    assert text.endswith("}\n")


def test_the_same_tables_give_the_same_text(make_layers):
    first, second = (json_text(content_of(make_layers(6))) for _ in range(2))
    assert first == second


def test_numbers_json_has_not_are_refused():
    with pytest.raises(ValueError, match="JSON"):
        json_text({"x": float("inf")})


# the table


def test_every_value_stands_in_the_table_once(content):
    rows = rows_of(summary_csv(content))
    spots = [row for row in rows if row["section"] == "low_spots" and row["quantity"] == "depth"]
    assert [(row["name"], row["unit"]) for row in spots] == [(str(n), "m") for n in range(1, 7)]
    expected = ["" if s["depth_m"] is None else str(s["depth_m"]) for s in content["low_spots"]]
    assert [row["value"] for row in spots] == expected
    columns = len(content["low_spots"][0])
    assert sum(row["section"] == "low_spots" for row in rows) == 6 * columns


@pytest.mark.parametrize(
    ("row", "expected"),
    [
        ({"section": "balance", "quantity": "on"}, ("", "1234.5", "m2")),
        ({"section": "accuracy", "quantity": "rmse"}, ("", "0.1", "m")),
        ({"section": "provenance", "quantity": "inputs.1.sha256"}, ("", "ab", "")),
        ({"section": "lines", "quantity": "slope"}, ("L1 10 yr", "0.01", "m/m")),
        ({"section": "lines", "quantity": "flow"}, ("L1 10 yr", "0.001", "m3/s")),
        ({"section": "ponds", "quantity": "level"}, ("1", "2.5", "m")),
        ({"section": "ponds", "quantity": "x"}, ("1", "7.0", "CRS")),
    ],
)
def test_names_quantities_and_units(row, expected):
    line = {"name": "L1", "return_period_yr": 10.0, "slope_m_per_m": 0.01, "flow_m3s": 1e-3}
    content = content_of({}, sections={"lines": [line], "ponds": [{"level_m": 2.5, "x": 7.0}]})
    found = [r for r in rows_of(summary_csv(content)) if row.items() <= r.items()]
    assert [(r["name"], r["value"], r["unit"]) for r in found] == [expected]


def test_limits_carry_the_unit_of_their_finding(make_layers):
    layers = make_layers(1)
    layers["findings"] = layers["findings"].assign(unit="mm", measured=-3.5, limit_value=2.0)
    rows = rows_of(summary_csv(content_of(layers)))
    found = {r["quantity"]: (r["value"], r["unit"]) for r in rows if r["section"] == "findings"}
    assert (found["measured"], found["limit"]) == (("-3.5", "mm"), ("2.0", "mm"))


@given(st.text(st.characters(exclude_categories=["Cs"])))
def test_text_comes_back_and_is_never_a_formula(text):
    lot = pd.DataFrame({"name": [text], "area_m2": [1.0]})
    table = summary_csv(content_of({"lot": lot}))
    # the reader of the standard library, told to leave line breaks within cells alone
    rows = list(csv.reader(io.StringIO(table, newline="")))
    (value,) = [row[3] for row in rows if row[:3] == ["lot", "", "name"]]
    kept = text.replace("\r", " ")
    assert value in {kept, f"'{kept}"}
    assert not value.startswith(("=", "+", "-", "@", "\t", "\r"))
    assert {len(row) for row in rows} == {5}


# the text


def lines_under(text, heading):
    lines = text.splitlines()
    start = lines.index(heading) + 1
    end = lines.index("", start) if "" in lines[start:] else len(lines)
    return lines[start:end]


def spots_of(make_layers, **columns):
    layers = make_layers(3)
    plain = {
        "depth_m": 0.1524, "area_m2": 9.290304, "volume_m3": 0.5, "contributing_area_m2": 92.90304,
        "runoff_to_fill_mm": 25.4, "artefact": "", "inlets": "", "cut_by_edge": False,
        "not_closed": False,
        "on_lot_m2": 9.0, "probability": np.nan,
    }  # fmt: skip
    layers["low_spots"] = layers["low_spots"].assign(**{**plain, **columns})
    return layers


@pytest.mark.parametrize(
    ("units", "cells"),
    [
        ("us", ["1", "6.0 in", "100 ft²", "17.7 ft³", "1,000 ft²", "1.00 in"]),
        ("metric", ["1", "0.15 m", "9 m²", "0.50 m³", "93 m²", "25 mm"]),
    ],
)
def test_low_spots_are_told_in_the_units_asked_for(make_layers, units, cells):
    text = summary_text(content_of(spots_of(make_layers)), units)
    first = lines_under(text, "Where water can stand")[1]
    assert " ".join(first.split()) == " ".join(cells)


def test_low_spots_off_the_lot_come_last_and_what_may_be_none_is_one_sentence(make_layers):
    layers = spots_of(make_layers, artefact=["under a roof", "", ""], on_lot_m2=[5.0, 0.0, 5.0])
    lines = lines_under(summary_text(content_of(layers), "us"), "Where water can stand")
    assert [line.split()[0] for line in lines[1:3]] == ["3", "2"]
    assert lines[2].endswith("off the lot")
    assert lines[3] == "  may be no water: no. 1 (under a roof)"


def test_low_spots_say_the_chance_that_they_are_there(make_layers):
    layers = spots_of(make_layers, probability=[0.96, 0.5, np.nan])
    lines = lines_under(summary_text(content_of(layers), "us"), "Where water can stand")
    assert "Chance" in lines[0]
    assert [line.split()[-1] for line in lines[1:4]] == ["96%", "50%", "-"]


def test_what_is_cut_by_the_edge_is_said_to_be_at_least_so_much(make_layers):
    layers = spots_of(make_layers, cut_by_edge=[True, False, False], inlets=["CB1", "", ""])
    lines = lines_under(summary_text(content_of(layers), "us"), "Where water can stand")
    assert lines[1].endswith("at least; inlets: CB1")
    assert lines[-1].startswith("  at least: more may drain to it")


def test_a_basin_that_the_data_do_not_close_is_said_to_be_at_least_so_deep(make_layers):
    layers = spots_of(make_layers, not_closed=[True, False, False])
    lines = lines_under(summary_text(content_of(layers), "us"), "Where water can stand")
    assert lines[1].endswith("not closed: at least")
    assert lines[-1].startswith("  not closed: its basin goes on")


def inlets_of(make_layers, *, flow=None, per_10mm_h=None, runoff=None, **bounds):
    layers = make_layers(2)
    layers["inlets"] = layers["inlets"].assign(
        name=["CB1", "CB2"], catchment_m2=[92.90304, 9.290304], off_lot_m2=0.0,
        roof_connected_m2=0.0, residual_depth_m=[0.0254, 0.0], cut_by_edge=False, not_closed=False,
        flow_m3s=flow, flow_per_10mm_h_m3s=per_10mm_h,
        **{f"{name}_p{share}": bounds.get(f"{name}_p{share}", np.nan) for share in ("05", "95")
           for name in ("catchment_m2", "ground_flow_per_10mm_h_m3s")},
    )  # fmt: skip
    layers["runoff"] = layers["runoff"].iloc[:0] if runoff is None else runoff
    return layers


def runoff_of(*rows):
    columns = [column.name for column in RESULT_LAYERS["runoff"].columns]
    return pd.DataFrame([{**dict.fromkeys(columns), **row} for row in rows])


def storm_row(method, years, flow):
    return {"subject": "CB1", "method": method, "return_period_yr": years, "flow_m3s": flow}


#: A gallon per minute: 231 cubic inches (NIST Handbook 44, appendix C).
GPM = 3.785411784e-3 / 60


@pytest.mark.parametrize(
    ("parts", "heads", "cells"),
    [
        ({}, "Roofs led to it  Note", "0 ft²  leaves 1.0 in standing"),
        (
            {"per_10mm_h": [GPM, GPM]},
            "Roofs led to it  Flow per 1 in/h  Note",
            "0 ft²          2.5 gpm  leaves",
        ),
        (
            {"flow": [3 * GPM, np.nan], "runoff": runoff_of({"intensity_mm_h": 50.8})},
            "Roofs led to it  Flow at 2.00 in/h  Note",
            "3.0 gpm  leaves",
        ),
        (
            {
                "runoff": runoff_of(
                    storm_row("rational", 2.0, GPM),
                    storm_row("nrcs", 2.0, 9 * GPM),
                    storm_row("nrcs", 10.0, 4 * GPM),
                )
            },
            "Flow 2 yr  Flow 10 yr  Note",
            "1.0 gpm     4.0 gpm  leaves",
        ),
    ],
)  # fmt: skip
def test_flows_are_told_for_what_rain_is_known(make_layers, parts, heads, cells):
    """Per storm, else for the intensity stated, else per unit of intensity; never invented."""
    text = summary_text(content_of(inlets_of(make_layers, **parts)), "us")
    head, first = lines_under(text, "What the inlets take")[:2]
    assert heads in head
    assert first.split()[:3] == ["CB1", "1,000", "ft²"]
    assert cells in first


def test_numbers_that_the_data_leave_open_are_told_as_ranges(make_layers):
    """1,000 ft2 where the data say 100 to 10,000: no single figure; 90 to 110 stays one."""
    ft2 = 0.09290304
    storm = storm_row("rational", 2.0, GPM) | {"flow_m3s_p05": 0.0, "flow_m3s_p95": 12 * GPM}
    layers = inlets_of(
        make_layers, runoff=runoff_of(storm),
        catchment_m2_p05=[100 * ft2, 90 * ft2], catchment_m2_p95=[10_000 * ft2, 110 * ft2],
    )  # fmt: skip
    joint = {"inlets_catchment_m2_p05": 300 * ft2, "inlets_catchment_m2_p95": 10_050 * ft2}
    text = summary_text(content_of(layers, sections={"confidence": [joint]}), "us")
    lines = lines_under(text, "What the inlets take")
    assert lines[1].split()[:5] == ["CB1", "100", "to", "10,000", "ft²"]
    assert lines[2].split()[:3] == ["CB2", "100", "ft²"]
    assert lines[4].split() == ["CB1", "0.0", "to", "12.0", "gpm"]
    assert "together take 300 to 10,050 ft²" in " ".join(" ".join(lines).split())
    assert max(map(len, lines)) <= 100


def test_flow_per_unit_of_rain_has_the_range_of_its_catchment(make_layers):
    """Of a screening nothing else is known: in proportion to the area."""
    layers = inlets_of(
        make_layers, per_10mm_h=[GPM, GPM], catchment_m2_p05=[92.90304, 9.0],
        catchment_m2_p95=[4 * 92.90304, 9.5],
    )  # fmt: skip
    lines = lines_under(summary_text(content_of(layers), "us"), "What the inlets take")
    assert [row.split()[-2] for row in lines[4:6]] == ["10.2", "2.5"]  # 2.54 gpm, four times that


def test_run_on_and_run_off_are_told_with_their_largest_places(make_layers):
    layers = make_layers(4)
    layers["lot_line_crossings"] = layers["lot_line_crossings"].assign(
        direction=["on", "on", "on", "on"], area_m2=[10.0, 40.0, 30.0, 20.0], id=[1, 2, 3, 4]
    )
    told = " ".join(
        " ".join(
            lines_under(summary_text(content_of(layers), "metric"), "Over the lot line")
        ).split()
    )
    assert told == (
        "Water from 1,234 m² in all comes onto the lot at 4 places; the largest drain 40 m² (no. "
        "2), 30 m² (no. 3), 20 m² (no. 4). Hardly any water leaves the lot."
    )


def test_crossings_that_do_not_add_up_are_said_to(make_layers):
    """Water that comes in, goes out and comes in again is in two places, and once in the whole."""
    layers = make_layers(2)
    for area, expected in ((600.0, False), (1000.0, True)):  # of 1,234 m2 in all
        layers["lot_line_crossings"] = layers["lot_line_crossings"].assign(
            direction=["on", "on"], area_m2=[area, area - 1], id=[1, 2]
        )
        text = " ".join(summary_text(content_of(layers), "metric").split())
        assert ("do not add up" in text) == expected


def test_lines_are_told_for_the_storm_they_are_sized_for_the_rarer_one_beside_it():
    line = {"name": "L1", "slope_m_per_m": 0.012, "diameter_m": 0.1, "design_storm_yr": 10.0}
    lines = [
        {**line, "return_period_yr": years, "flow_m3s": years / 1e3, "required_size": "160 mm",
         "required_diameter_m": bore, "rarest_storm_size": "200 mm"}
        for years, bore in ((100, 0.21), (10, 0.14), (2, 0.09))
    ]  # fmt: skip
    text = summary_text(content_of({}, sections={"lines": lines}), "metric")
    head, row = lines_under(text, "What the drain lines carry")
    assert [word for word in ("Flow 10 yr", "Needed 10 yr", "For 100 yr") if word not in head] == []
    assert "Flow 100 yr" not in head
    assert row.split() == [
        "L1",
        "10.00",
        "l/s",
        "-",
        "1.20%",
        "100",
        "mm",
        "160",
        "mm",
        "200",
        "mm",
    ]


def test_without_a_size_on_sale_the_bore_is_what_is_needed():
    """And where the design storm is the rarest there is nothing beside it."""
    line = {"name": "L1", "return_period_yr": 10.0, "design_storm_yr": 10.0, "flow_m3s": 1.0,
            "required_diameter_m": 0.55, "required_size": None}  # fmt: skip
    text = summary_text(content_of({}, sections={"lines": [line]}), "metric")
    head, row = lines_under(text, "What the drain lines carry")
    assert head.split()[-3:] == ["Needed", "10", "yr"]
    assert row.split()[-2:] == ["550", "mm"]


def test_flows_of_lines_in_a_stated_rain_name_no_storm():
    line = {"name": "L1", "case": "proposed", "flow_m3s": 0.001, "return_period_yr": None}
    text = summary_text(content_of({}, sections={"lines": [line]}), "metric")
    head, _ = lines_under(text, "What the drain lines carry")
    assert head.split()[:3] == ["Name", "Flow", "Can"]


def test_a_line_that_stays_is_told_in_both_cases_the_proposed_one_first():
    line = {"name": "L1", "return_period_yr": 10.0, "slope_m_per_m": 0.01}
    lines = [
        {**line, "case": case, "flow_m3s": flow}
        for case, flow in (("today", 2e-3), ("proposed", 1e-3))
    ]
    text = summary_text(content_of({}, sections={"lines": lines}), "metric")
    rows = [row.split()[:3] for row in lines_under(text, "What the drain lines carry")[1:]]
    assert rows == [["L1", "proposed", "1.00"], ["L1", "today", "2.00"]]


def item(**more):
    usual = {
        "rank": 1, "theme": "walls", "harm": "The ground falls 6.4 % towards the wall.",
        "place": "House", "causes": [], "steps": ["Lead DS1 away.", "Grade the soil."],
        "takes": "", "check": "Level the ground.", "left": "", "grade": "likely",
        "grade_means": "likely: take these levels first", "findings": [],
    }  # fmt: skip
    return usual | more


def test_the_answer_comes_first_and_says_what_why_what_to_do_and_how_sure():
    causes = [
        {"source": "neighbour", "share": 0.7, "subject": "crossing 4"},
        {"source": "roof", "share": 0.2, "subject": "DS1"},
        *({"source": "own yard", "share": 0.025, "subject": str(n)} for n in range(4)),
    ]
    told = item(causes=causes, takes="5 m³ of fill.", left="After it there is still: a door.")
    text = summary_text(content_of({}) | {"answer": [told]}, "metric")
    assert text.splitlines()[2:10] == [
        " 1  The ground falls 6.4 % towards the wall.",
        "    Why? 70 % from the neighbour (crossing 4), 20 % roof (DS1), 2 % your own yard (0), "
        "2 % your own",
        "      yard (1), 5 % others",
        "    Do first: Lead DS1 away.",
        "    Then: Grade the soil.",
        "    Takes: 5 m³ of fill.",
        "    How sure? Likely: take these levels first. Level the ground.",
        "    After it there is still: a door.",
    ]


def test_what_is_measured_for_several_items_is_said_once():
    items = [item(), item(rank=2, harm="Another wall.")]
    text = summary_text(content_of({}) | {"answer": items}, "metric")
    assert text.count("Level the ground.") == 1


def test_a_screening_is_short_and_ends_with_what_to_open_and_to_do_next(make_layers):
    content = content_of(spots_of(make_layers)) | {"answer": [item()]}
    text = summary_text(content, "us", is_screening=True, opens=("result.gpkg", "plan.html"))
    end = " ".join(text.split("What next")[1].split())
    assert "plan.html in any browser" in end
    assert "result.gpkg in a GIS viewer" in end
    assert "field_sheet.pdf" not in end  # not written
    assert "lotflow start FOLDER" in end
    for machinery in ("Over the lot line", "note", "realisation", "Grade the soil"):
        assert machinery not in text
    assert "What next" not in summary_text(content, "us")


def test_findings_are_counted_under_the_answer_and_told_where_they_are_in_no_item(make_layers):
    layers = make_layers(4)
    layers["findings"] = layers["findings"].assign(
        rule=["a", "b", "c", "d"], subject="L1", severity=["fail", "warn", "warn", "note"],
        message=["It narrows.", "It is short.", "Of another place.", "As assumed."],
        today=[True, False, False, False],
    )  # fmt: skip
    keys = [{"rule": r, "subject": "L1", "scenario": s} for r, s in (("a", "today"), ("b", ""))]
    content = content_of(layers) | {
        "answer": [item(findings=keys)],
        "evidence_only": [{"rule": "c", "subject": "L1", "scenario": "", "reason": "data"}],
    }
    assert lines_under(summary_text(content, "metric"), "Found beside that") == [
        "  warn L1: Of another place.",
        "  2 findings stand behind the items above; 1 note on data and assumptions; all with their "
        "figures",
        "  and sources: layer findings of result.gpkg.",
    ]


def test_a_normal_lot_fits_on_a_screen(make_layers):
    layers = spots_of(make_layers)
    for units in ("us", "metric"):
        lines = summary_text(content_of(layers), units).splitlines()
        assert len(lines) <= 60
        assert max(map(len, lines)) <= WIDTH


@pytest.mark.parametrize("units", ["us", "metric"])
def test_many_rows_are_cut_short_and_counted(make_layers, units):
    layers = make_layers(60)
    layers["findings"]["message"] = "Water stands here. " * 8
    layers["findings"]["today"] = False
    layers["low_spots"]["artefact"] = ""
    text = summary_text(content_of(layers), units)
    lines = text.splitlines()
    assert len(lines) <= 120  # long names and ranges take a second line
    assert max(map(len, lines)) <= WIDTH
    assert not [line for line in lines if line.endswith(("...", "…"))]
    # 8 low spots and 12 of everything else are listed
    left = [line for line in lines if line.endswith("more in result.gpkg")]
    assert left[0] == "  and 52 more in result.gpkg"
    assert len(left) > 2
    assert set(left[1:]) == {"  and 48 more in result.gpkg"}


def test_nothing_of_a_row_that_is_too_wide_is_left_out(make_layers):
    """It goes on below its last column, where the file has all of it."""
    layers = make_layers(3)
    spots = layers["low_spots"]
    layers["low_spots"] = spots.assign(artefact=[f"long {'and longer ' * 20}story {n}" for n in
                                                 range(len(spots))])  # fmt: skip
    text = summary_text(content_of(layers), "metric")
    assert max(map(len, text.splitlines())) <= WIDTH
    told = " ".join(text.split())
    for spot in content_of(layers)["low_spots"]:
        assert spot["artefact"] in told


def test_the_cautions_are_always_there():
    text = " ".join(summary_text(content_of({}), "us").split())
    for words in (
        "good to about 3.9 in (RMSE)", "Call before you dig", "Buried pipes", "curbs",
        "not a survey, not engineering design, not legal advice", "neighbour", "septic",
        "foundations", "Local code", "licensed practice",
    ):  # fmt: skip
        assert words in text


def test_nothing_to_tell_is_told_in_words():
    text = summary_text(content_of({}, balance={}, accuracy=None), "us")
    assert text.splitlines()[:4] == [
        "The lot: -", "", "Where water can stand", "  nowhere deeper than the limit",
    ]  # fmt: skip
    assert "What the inlets take" not in text
    assert "RMSE" not in text


def test_line_breaks_in_text_of_the_data_do_not_break_the_table(make_layers):
    layers = inlets_of(make_layers)
    layers["inlets"]["name"] = ["CB1\nCall nobody", "CB2"]
    lines = lines_under(summary_text(content_of(layers), "us"), "What the inlets take")
    assert lines[1].startswith("  CB1 Call nobody  ")


@pytest.mark.parametrize(("stays_m", "hours"), [(0.115, False), (0.002, True), (None, True)])
def test_water_that_stays_on_paving_is_not_said_to_be_gone_in_hours(stays_m, hours):
    """The soil at its edge takes its share within the hour; what lies on paving must dry."""
    pond = dict.fromkeys(column.name for column in RESULT_LAYERS["ponds"].columns) | {
        "case": "open", "low_spot": 1, "return_period_yr": 10.0, "depth_m": 0.12,
        "soaks_away_h": 0.4, "stays_m": stays_m, "reaches_building": False,
    }  # fmt: skip
    heads, row, *_ = _standing({"ponds": [pond], "low_spots": []}, "metric")
    gone = row[: heads.index("Gone after") + len("Gone after")]  # a right-hand column
    assert gone.endswith(" h") is hours
