"""Level notes, against published reductions and what a crew may write wrongly."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from lotflow.errors import InputError
from lotflow.inputs.level_notes import parse_level_notes

# Universiti Sains Malaysia, School of Civil Engineering, surveying course page "Example of the
# Height of Collimation method": five set-ups, misclosure +10 mm, adjusted levels as printed.
USM = """point,bs,is,fs,level,remark
OBM 1,1.717,,,29.23,
A,,1.432,,,
B,2.918,,1.716,,
C,,2.272,,,
D,0.816,,0.953,,
E,1.436,,3.005,,
CP,1.246,,1.391,,
F,,1.353,,,
G,,1.462,,,
OBM 2,,,0.628,29.66,
"""
USM_ADJUSTED = {"OBM 1": 29.23, "A": 29.513, "B": 29.229, "C": 29.873, "D": 31.192, "E": 29.001,
                "CP": 29.044, "F": 28.935, "G": 28.826, "OBM 2": 29.660}  # fmt: skip
# Ghilani and Wolf, Elementary Surveying, 14th ed., problem 5.12, as quoted on a student's page
# (the columns ran together there; this is the reading that closes): a loop from 852.045 m.
LOOP = """point,backsight,foresight,level
BM 7,4.388,,852.045
TP 1,6.907,4.538,
BM 8,4.680,8.800,
TP 2,3.730,5.978,
TP 3,8.464,5.245,
BM 7,,3.598,852.045
"""
# A differential run in feet from an examination page: levels and misclosure (0.04 ft) as printed.
FEET = """point,bs_ft,fs_ft,level_ft
BM A,3.10,,100.00
TP1,6.44,9.82,
TP2,8.76,6.96,
TP3,7.12,3.27,
BM B,,10.42,{known}
"""


def reduced(text, unit="m"):
    return parse_level_notes(text.encode(), "notes.csv", unit)


def fault_of(text, unit="m"):
    with pytest.raises(InputError) as caught:
        reduced(text, unit)
    return caught.value.faults


def test_a_published_page_by_height_of_collimation_to_the_last_digit():
    notes = reduced(USM)
    assert round(notes.misclosure_m, 3) == 0.010
    assert notes.set_ups == 5
    assert abs(notes.page_check_m) < 1e-9
    adjusted = dict(zip(notes.points["point"], notes.points["adjusted_m"], strict=True))
    assert {name: round(level, 3) for name, level in adjusted.items()} == USM_ADJUSTED
    seen_once = notes.points.loc[~notes.points["is_checked"], "point"].tolist()
    assert seen_once == ["A", "C", "F", "G"]


def test_a_published_loop_closes():
    """Ten millimetres in five set-ups are within 5 mm times the root of five."""
    notes = reduced(LOOP)
    assert round(notes.misclosure_m, 3) == 0.010
    assert abs(notes.page_check_m) < 1e-9
    assert notes.points["adjusted_m"].iloc[-1] == pytest.approx(852.045)


def test_a_published_run_in_feet_and_its_misclosure():
    open_run = reduced(FEET.format(known=""))
    levels = dict(zip(open_run.points["point"], open_run.points["level_m"] / 0.3048, strict=True))
    printed = {"BM A": 100.00, "TP1": 93.28, "TP2": 92.76, "TP3": 98.25, "BM B": 94.95}
    assert {name: round(level, 2) for name, level in levels.items()} == printed
    assert math.isnan(open_run.misclosure_m)
    (fault,) = fault_of(FEET.format(known="94.91"))  # 0.04 ft in four set-ups, 0.033 allowed
    assert "do not close: +0.012 m after 4 set-ups, 0.010 m are allowed" in fault.rule
    assert fault.line == 6


def test_a_published_field_book_with_its_heights_of_instrument():
    """
    NPTEL, Surveying, module 4, "Arithmetic check for reduction of level", table 13.3, to its last
    digit: heights of instrument, reduced levels, sum of backsights less that of foresights.
    """
    notes = reduced(
        "point,bs,fs,level\nA,2.365,,100.000\nS1,0.685,1.235,\nS2,1.745,3.570,\nB,,2.340,\n"
    )
    points = notes.points
    assert points["level_m"].round(3).tolist() == [100.000, 101.130, 98.245, 97.650]
    # the height of a set-up is that from which its foresight was read
    assert points["instrument_m"].dropna().round(3).tolist() == [102.365, 101.815, 99.990]
    turned = points["backsight_m"].sum() - points["foresight_m"].sum()
    assert round(turned, 3) == -2.350
    assert abs(notes.page_check_m) < 1e-9
    rise = points["level_m"].diff()
    assert rise[rise > 0].round(3).tolist() == [1.130]
    assert (-rise[rise < 0]).round(3).tolist() == [2.885, 0.595]
    assert math.isnan(notes.misclosure_m)


def test_a_published_sight_in_feet():
    """
    Ghilani and Wolf, Elementary Surveying, section on differential leveling, as quoted in the
    document "Differential Leveling" (scribd 282803623, page 1): BM Rock at 820.00 ft, 8.42 on it,
    gives 828.42; 1.20 on X.
    """
    notes = reduced("point,bs_ft,fs_ft,level_ft\nBM Rock,8.42,,820.00\nX,,1.20,\n")
    assert (notes.points["level_m"] / 0.3048).round(2).tolist() == [820.00, 827.22]
    assert round(notes.points["instrument_m"].iloc[1] / 0.3048, 2) == 828.42


def test_closing_on_a_point_whose_level_was_given_needs_no_second_level():
    notes = reduced("point,bs,fs,level\nBM,1.500,,10\nTP,1.2,1.4,\nBM,,1.304,\n")
    assert round(notes.misclosure_m, 4) == -0.004
    assert notes.points["adjusted_m"].iloc[-1] == pytest.approx(10.0)


def test_the_allowed_misclosure_is_that_of_the_job():
    text = "point,bs,fs,level\nBM,1.500,,10\nBM,,1.504,\n"
    assert reduced(text).allowed_m == 0.005
    with pytest.raises(InputError, match=r"0\.002 m are allowed"):
        parse_level_notes(text.encode(), "notes.csv", "m", misclosure_m=0.002)


def test_a_column_that_is_like_none_is_left_alone_and_those_of_shots_are_kept():
    notes = reduced(
        "point,bs,fs,level,weather,line,part,order,line_depth_mm\nBM,1.5,,10,,,,,\n"
        "A,1.5,1.4,,rain,Swale,bed,2,120\n"
    )
    kept = notes.points.loc[1, ["line", "line_part", "line_rank", "line_depth_mm"]]
    assert kept.tolist() == ["Swale", "bed", "2", "120"]
    assert "weather" not in notes.points


@pytest.mark.parametrize(
    ("text", "line", "rule"),
    [
        ("point,bs,is,fs,level\nA,,1.2,,\n", 2, "before any backsight"),
        ("point,bs,is,fs,level\nA,,,1.2,\n", 2, "before any backsight"),
        ("point,bs,is,fs,level\nA,1.2,,,\n", 2, "level is not known"),
        ("point,bs,is,fs,level\nA,1.2,,,9\nB,1.0,1.1,,\n", 3, "no other reading"),
        ("point,bs,is,fs,level\nA,1.2,,,9\n,,1.1,,\n", 3, "must have a point"),
        ("point,bs,is,fs,level\nA,1.2,,,9\nB,,,,\n", 3, "has no reading"),
        ("point,bs,is,fs,level\nA,1.2,,,9\nB,,,,8.5\n", 3, "without a reading"),
        ("point,bs,is,fs,level\nA,1.2,,,9\nB,,1;3,,\n", 3, "must be a number"),
        ("point,bs,is,fs,level\nA,12.1,,,9\n", 2, "no rod is longer"),
        ("point,bs,is,fs,level\nA,1.2,,,9\nwalk, upper,,1.1,,\n", 3, "hold a comma"),
        ("point,bs_m,is_ft,fs_m,level_m\nA,1,,,9\n", 1, "metres and feet"),
        ("point,bs,is,level\nA,1,,9\n", 1, "foresight are missing"),
        ("point,bs,bs_m,fs,level\nA,1,,,9\n", 1, "stands twice"),
        ("point,bs,is,fs,level\nA,1,,,9\nA,,,1,8.9\n", 3, "another level was given"),
        ("point,backsigth,bs,fs,level\nA,1,,,9\n", 1, "no such column"),
    ],
)
def test_what_a_crew_may_write_wrongly_is_named_with_its_line(text, line, rule):
    faults = fault_of(text)
    assert [fault.line for fault in faults if rule in fault.rule] == [line]


def test_a_unit_that_nobody_gave_is_asked_for_and_empty_notes_are_refused():
    assert "unit of the readings" in fault_of(USM, None)[0].rule
    assert "empty" in fault_of("\n\n")[0].rule
    assert "no backsight" in fault_of("point,bs,fs,level\nA,,,9\n")[0].rule
    with pytest.raises(InputError, match="UTF-8"):
        parse_level_notes(b"point,bs\n\xff\xfe", "notes.csv", "m")


@settings(max_examples=60)
@given(st.lists(st.floats(-1, 1), min_size=1, max_size=12), st.floats(0, 500), st.randoms())
def test_notes_written_off_known_levels_give_them_back(falls, start, random):
    """A run over points of known levels and back to the first: made here, reduced there."""
    levels = [start, *(start + fall for fall in falls), start]
    lines, height = ["point,bs,is,fs,level"], 0.0
    for number, level in enumerate(levels):
        known = "P0" if number in (0, len(levels) - 1) else f"P{number}"
        fs = "" if number == 0 else f"{height - level:.6f}"
        height = level + random.uniform(1.1, 2.5)
        bs = "" if number == len(levels) - 1 else f"{height - level:.6f}"
        value = f"{start:.6f}" if known == "P0" else ""
        lines.append(f"{known},{bs},,{fs},{value}")
    notes = reduced("\n".join(lines) + "\n")
    np.testing.assert_allclose(notes.points["level_m"], levels, atol=1e-4)
    assert abs(notes.misclosure_m) < 1e-4
    assert abs(notes.page_check_m) < 1e-9


# how crews and spreadsheets write


def test_feet_and_inches_columns_in_another_order_and_semicolons_are_read_alike():
    """By hand: 100 + 5.375 - 6.0625 = 99.3125 ft; closed on 100 within 1/8 in."""
    plain = ("point,backsight,intermediate,foresight,level,remark\nsill,5.375,,,100,start\n"
             "lip,,6.0625,,,\nsill,,,5.375,100,\n")  # fmt: skip
    crew = ("\ufeffStation;F.S.;H.I.;B.S.;I.S.;Elev.;Remarks\r\n"
            "sill;;105' 4 1/2\";5' 4 1/2\";;100';start\r\n"
            "lip;;;;\"6' 0 3/4\"\"\";;\r\nsill;5’ 4.5”;;;;;\r\n")  # fmt: skip
    tabs = plain.replace(",", "\t").replace("6.0625", "6,0625")
    found = [reduced(text, "ft") for text in (plain, crew, tabs)]
    for notes in found:
        assert notes.points["level_m"].tolist() == pytest.approx(
            [30.48, 99.3125 * 0.3048, 30.48], abs=1e-9
        )
        assert notes.is_closed
        assert notes.points["remark"].tolist() == ["start", "", ""]


@pytest.mark.parametrize("reading", ["5' 4 1", "5,375", "4 1/2", "5ft 4in", "4' 14\"", '"', "1/2'"])
def test_a_reading_written_otherwise_is_no_number(reading):
    quoted = reading.replace('"', '""')
    text = f'point,bs,fs,level\nsill,"{quoted}",,100\nsill,,5.375,100\n'
    (fault, *_) = fault_of(text, "ft")
    assert (fault.line, fault.column, fault.value) == (2, "backsight", reading)


def test_inches_in_notes_in_metres_are_no_number():
    (fault, *_) = fault_of("point,bs,fs,level\nsill,1' 4\",,100\nsill,,1.3,100\n", "m")
    assert (fault.line, fault.column) == (2, "backsight")
