"""Rainfall of a job: files as they are found and as they are damaged, and coefficients."""

from contextlib import suppress
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.testing import assert_allclose, assert_array_equal

from lotflow.errors import InputError
from lotflow.inputs.job_tables import Coefficients, Rain
from lotflow.inputs.rainfall import (
    duration_seconds,
    parse_rainfall,
    read_rainfall,
    return_period_years,
    rounding,
    stated_unit,
)
from lotflow.rainfall import RainfallFormula, RainfallTable
from lotflow.units import TO_SI

FOUND = Path(__file__).parents[3] / "shared" / "data" / "noaa-atlas14"
INCH = 0.0254

#: Rows of NOAA Atlas 14 (public domain): Volume 2 Version 3, Pulaski VA, exported 2022-11-02.
PULASKI_ROWS = [
    "5-min:, 0.279,0.332,0.401,0.452,0.516,0.562,0.608,0.650,0.704,0.745",
    "10-min:, 0.446,0.532,0.643,0.723,0.822,0.894,0.966,1.03,1.11,1.17",
    "60-min:, 0.953,1.16,1.48,1.72,2.06,2.31,2.58,2.84,3.20,3.48",
    "24-hr:, 1.96,2.37,2.99,3.49,4.22,4.82,5.45,6.12,7.07,7.84",
    "60-day:, 9.65,11.3,12.8,13.9,15.4,16.4,17.3,18.2,19.2,19.9",
]
PERIODS = "by duration for ARI (years):, 1,2,5,10,25,50,100,200,500,1000"
MEAN = "PRECIPITATION FREQUENCY ESTIMATES"
UPPER = f"{MEAN} AT UPPER BOUND OF 90% CONFIDENCE INTERVAL"


def served(rows=PULASKI_ROWS, *, unit="inches", kind="depth", periods=PERIODS, more=()):
    """Lay rows out as the Precipitation Frequency Data Server does."""
    head = [
        f"Point precipitation frequency estimates ({unit})",
        "NOAA Atlas 14 Volume 2 Version 3",
        f"Data type: Precipitation {kind}",
        "Time series type: Partial duration",
        "Project area: Ohio River Basin",
        "Location name (ESRI Maps): Pulaski, Virginia, USA",
        "Station Name: PULASKI",
        "Latitude: 37.0556°",
        "Longitude: -80.7842°",
        "Elevation (USGS): 1850 ft",
        "",
        "",
        MEAN,
        periods,
    ]
    tail = ["", *more, "Date/time (GMT):  Wed Nov  2 16:13:01 2022", "pyRunTime:  0.0078", ""]
    return "\n".join([*head, *rows, *tail])


def parsed(text, encoding="utf-8"):
    return parse_rainfall(text.encode(encoding), "rain.csv")


def raises(text, message):
    with pytest.raises(InputError, match=message) as caught:
        parsed(text)
    assert all(fault.file == "rain.csv" for fault in caught.value.faults)
    return caught.value


# --- the server's layout --------------------------------------------------------------------


def test_a_file_as_served_is_read_with_place_and_series_as_its_source():
    table = parsed(served())
    assert_array_equal(table.durations_s, [300, 600, 3600, 86_400, 60 * 86_400])
    assert_array_equal(table.return_periods_yr, [1, 2, 5, 10, 25, 50, 100, 200, 500, 1000])
    assert_allclose(table.depths_m[2, 3], 1.72 * INCH)
    assert table.source == (
        "NOAA Atlas 14 Volume 2 Version 3, Pulaski, Virginia, USA, 37.0556, -80.7842, "
        "partial duration series, mean estimates"
    )
    assert table.notes == ()


def resaved(text):
    """Save as a spreadsheet does: Latin-1, CRLF, every line padded to 11 fields, zeros lost."""
    lines = [line.replace(", ", ",").replace("0.650", "0.65") for line in text.split("\n")]
    return "\r\n".join(line + "," * (10 - line.count(",")) for line in lines).encode("latin-1")


@pytest.mark.parametrize(
    "data",
    [
        served().encode("latin-1"),
        served().encode("utf-8-sig"),
        served().replace("\n", "\r\n").encode(),
        served().replace("\n", "\r").encode(),
        resaved(served()),
        served(periods=PERIODS.replace("by duration for ARI (years):", "")).encode(),
        served([row.replace(":", "") for row in PULASKI_ROWS]).encode(),
        served().partition("\n\nDate/time")[0].encode(),
        served().replace("\n\nDate/time", "\nDate/time").encode(),
    ],
    ids=[
        "latin-1", "byte order mark", "crlf", "cr", "spreadsheet", "no header label", "no colons",
        "no line end", "no empty line",
    ],
)  # fmt: skip
def test_what_servers_and_spreadsheets_do_to_a_file_changes_no_figure(data):
    expected = parsed(served())
    table = parse_rainfall(data, "rain.csv")
    assert_array_equal(table.depths_m, expected.depths_m)
    assert_array_equal(table.return_periods_yr, expected.return_periods_yr)


@pytest.mark.parametrize(
    ("unit", "kind", "rows", "expected"),
    [
        ("millimeters", "depth", ["5-min:, 8,10", "24-hr:, 60,71"], [[8, 10], [60, 71]]),
        ("inches/hour", "intensity", ["5-min:, 3.6,4.8", "24-hr:, 0.077,0.090"],
         [[7.62, 10.16], [46.9392, 54.864]]),
        ("millimeters/hour", "intensity", ["5-min:, 96,120", "24-hr:, 2,3"], [[8, 10], [48, 72]]),
    ],
)  # fmt: skip
def test_depth_and_intensity_in_inches_and_millimetres_come_out_as_depths(
    unit, kind, rows, expected
):
    table = parsed(served(rows, unit=unit, kind=kind, periods="by duration for ARI (years):, 2,10"))
    assert_allclose(table.depths_m * 1e3, expected)


def test_of_a_file_with_bounds_the_mean_estimates_are_taken():
    upper = [row.replace("0.279", "0.300") for row in PULASKI_ROWS]
    table = parsed(served(more=[UPPER, PERIODS, *upper, ""]))
    assert_allclose(table.depths_m[0, 0], 0.279 * INCH)


def test_bounds_may_be_out_of_order_but_must_be_whole():
    falling = ["5-min:, 5,4", "10-min:, 3,2"]
    header = "by duration for ARI (years):, 2,10"
    rows = ["5-min:, 1,2", "10-min:, 1.5,3"]
    more = [UPPER, header, *falling, ""]
    assert parsed(served(rows, periods=header, more=more)).depths_m.shape == (2, 2)
    raises(
        served(rows, periods=header, more=[*more[:-2], "10-min:, 3", ""]),
        "line 21, '10-min:': the row has 1 values where the header has 2",
    )


def test_a_file_of_bounds_alone_is_refused():
    raises(served().replace(MEAN, UPPER), "no table of mean precipitation frequency estimates")


def test_exceedance_probabilities_of_an_annual_maximum_series_are_return_periods():
    """The server writes AEP as '1/2; without its digits in order that would be 12 years."""
    text = served(
        ["5-min:, 0.3,0.4,0.5", "60-day:, 9,10,11"],
        periods="by duration for AEP:, '1/2,'1/10,'1/100",
    ).replace("Partial duration", "Annual maximum")
    table = parsed(text)
    assert_array_equal(table.return_periods_yr, [2, 10, 100])
    assert "annual maximum series" in table.source


def test_intensities_printed_as_zero_are_left_out_and_it_is_said():
    """In millimetres per hour the server prints whole numbers, 0 for long durations."""
    rows = ["24-hr:, 2,3", "7-day:, 0,1", "10-day:, 0,0"]
    text = served(rows, unit="millimeters/hour", kind="intensity", periods="ARI, 2,10")
    table = parsed(text)
    assert_array_equal(table.durations_s, [86_400])
    assert table.notes == (
        "rain.csv: durations from 7-day on are left out, their figures round to 0",
    )


def test_a_zero_before_longer_durations_is_a_fault():
    rows = ["24-hr:, 0,3", "7-day:, 1,1"]
    text = served(rows, unit="millimeters/hour", kind="intensity", periods="ARI, 2,10")
    raises(text, "line 15, 2 yr = 0.0: a depth must be a number greater than 0")


def test_depths_that_seem_to_fall_by_rounding_of_intensities_are_settled_and_it_is_said():
    """3 mm/h for 12 h are 36 mm, 1 mm/h for 24 h are 24 mm: rounding, not rain."""
    rows = ["12-hr:, 3", "24-hr:, 1"]
    text = served(rows, unit="millimeters/hour", kind="intensity", periods="ARI, 10")
    table = parsed(text)
    assert_allclose(table.depths_m[:, 0] * 1e3, [36, 36])
    assert table.notes == ("rain.csv: 1 figures out of order by less than their rounding, settled",)


def test_depths_that_fall_by_more_than_rounding_are_a_fault():
    rows = ["12-hr:, 30", "24-hr:, 10"]
    text = served(rows, unit="millimeters/hour", kind="intensity", periods="ARI, 10")
    raises(text, "line 16, 10 yr = '240.0 mm': the depth falls from 360.0 mm in 12 h")


def test_a_table_that_ends_early_says_so():
    table = parsed(served(PULASKI_ROWS[:4]))
    assert table.duration_range_s == (300, 86_400)
    assert table.seems_cut == "rain.csv ends before 60 days, where the server's files end"


# --- damage ---------------------------------------------------------------------------------

WHOLE = served(more=[UPPER, PERIODS, *PULASKI_ROWS, ""]).encode()


def test_a_file_cut_at_any_byte_is_refused_or_gives_only_true_figures():
    """
    No cut may pass off a shortened number as rain.

    One can: the rarest storm of 60 days, where files end and some have no end of line.
    """
    whole = parse_rainfall(WHOLE, "rain.csv").depths_m
    refused = 0
    for length in range(len(WHOLE)):
        try:
            found = parse_rainfall(WHOLE[:length], "rain.csv").depths_m
        except InputError:
            refused += 1
            continue
        same = found == whole[: len(found)]
        same[len(whole) - 1 :, -1] = True
        assert same.all(), length
    assert refused > 0.7 * len(WHOLE)


def test_zeros_a_spreadsheet_dropped_do_not_widen_the_rounding():
    """2 among figures like 2.47 was 2.00; a half unit of it is 0.005, not 0.5."""
    assert_allclose(rounding([["2.47", "2"], ["0.3", "0.321"]]), [[5e-3, 5e-3], [5e-4, 5e-4]])


@pytest.mark.parametrize(
    ("old", "new", "message"),
    [
        ("1.72,2.06,2.31,2.58,2.84,3.20,3.48", "1.72", "line 17, '60-min:': the row has 4 values"),
        ("(inches)", "(cubits)", "line 1, .*the title must end in"),
        ("(inches)", "", "line 1, .*the title must end in"),
        ("depth", "intensity", "line 3, .*the data type contradicts the unit of the title, in"),
        ("1.72", "1,72", "the row has 11 values where the header has 10"),
        ("1.72", "-1.72", "line 17, 10 = '-1.72': a rainfall figure must be a number"),
        ("1.72", "1.72x", "line 17, 10 = '1.72x'"),
        ("1.72", "nan", "line 17, 10 = 'nan'"),
        ("1.72", "0.172", "line 17, 10 yr = '4.4 mm': the depth falls"),
        ("1.72", "9.72", "line 17, 10 yr = '246.9 mm': the intensity is greater than that of 10"),
        ("1.72", "1.40", "line 17, 10 yr = '35.6 mm': the depth is less than that of the 5-year"),
        ("60-min:", "60-mi", "line 17, '60-mi': the first cell of a row must be a duration"),
        ("60-min:", "5-min:", "durations must be greater than 0 and rise"),
        ("ARI (years):, 1,2", "ARI (years):, 1,two", "line 14, 'two': .* return periods in years"),
        ("ARI (years):, 1,2", "ARI (years):, 2,1", "return periods must be greater than 0 and"),
        (MEAN, "ESTIMATES", "no table of mean precipitation frequency estimates"),
    ],
)
def test_a_damaged_file_is_refused_with_line_and_value(old, new, message):
    assert old in served()
    raises(served().replace(old, new, 1), message)


def test_all_damage_is_reported_at_once():
    text = served().replace("1.72", "x").replace("24-hr:", "24:").replace(",19.9", "")
    assert len(raises(text, "60-day").faults) == 3


@pytest.mark.parametrize(
    ("data", "message"),
    [
        (b"", "rain.csv: the file is empty"),
        (b"\n,,,\n", "the file is empty"),
        (b"\x89PNG\r\n\x1a\n\0\0", "not a text file"),
        ("depth_mm,2\n5 min,8\n".encode("utf-16"), "not a text file"),
        (b"a" * 200_000, "not a comma-separated table"),
        (b"Error 3.0: Selected location is not within a project area\nsorry\n", "first cell"),
    ],
)
def test_what_is_no_rainfall_file_is_refused(data, message):
    with pytest.raises(InputError, match=message):
        parse_rainfall(data, "rain.csv")


@given(
    st.sampled_from(
        [b"", b"Point precipitation frequency estimates (inches)\n", b"depth_mm,2,10\n"]
    ),
    st.binary(max_size=300),
)
@settings(max_examples=300)
def test_no_bytes_make_the_reader_stumble(head, data):
    """Whatever follows, the answer is a table or an InputError, never another exception."""
    with suppress(InputError):
        assert parse_rainfall(head + data, "rain.csv").depths_m.size


# --- plain tables ---------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("header", "factor", "rate"),
    [
        ("depth_mm", 1e-3, False),
        ("Depth (in)", INCH, False),
        ("rainfall depth [inches]", INCH, False),
        ("mm", 1e-3, False),
        ("intensity_mm_h", TO_SI["mm_h"], True),
        ("Intensity (in/hr)", TO_SI["in_h"], True),
        ("inches per hour", TO_SI["in_h"], True),
    ],
)
def test_the_first_cell_of_a_plain_table_states_quantity_and_unit(header, factor, rate):
    table = parsed(f"{header},2,10 yr\n5 min,8,12\n10-min,7.9,11.9\n" if rate else
                   f"{header},2,10 yr\n5 min,8,12\n10-min,12,18\n")  # fmt: skip
    assert_allclose(table.depths_m[0], np.array([8, 12]) * factor * (300 if rate else 1))


def test_remarks_of_a_plain_table_are_its_source():
    table = parsed("# Town of X, 2020,\n# annual series\ndepth_mm,2\n5 min,8\n")
    assert table.source == "Town of X, 2020 annual series"
    assert parsed("depth_mm,2\n5 min,8\n").source == "rain.csv"


@pytest.mark.parametrize(
    ("header", "message"),
    [
        ("Storm,2,10", "line 1, 'Storm': the first cell of the header must state"),
        ("depth,2,10", "must state depth or intensity and its unit"),
        ("depth_cm,2,10", "must state depth or intensity and its unit"),
        ("depth_mm_h,2,10", "must state depth or intensity and its unit"),
        ("intensity_in,2,10", "must state depth or intensity and its unit"),
        ("depth_mm_in,2,10", "must state depth or intensity and its unit"),
        ("5 min,2,10", "must state depth or intensity and its unit"),
        ("depth_mm", "the header holds no return periods"),
        ("depth_mm,2,ten", "line 1, 'ten': the header must hold return periods"),
        ("depth_mm,2,0", "line 1, '0': the header must hold return periods"),
    ],
)
def test_a_plain_header_that_leaves_something_open_is_refused(header, message):
    raises(f"{header}\n5 min,8,12\n10 min,12,18\n", message)


@pytest.mark.parametrize(
    ("rows", "message"),
    [
        ("", "the table has no rows"),
        ("5,8,12\n", "line 2, '5': the first cell of a row must be a duration with its unit"),
        ("5 fortnights,8,12\n", "must be a duration with its unit"),
        ("5 min,8\n", "the row has 1 values where the header has 2"),
        ("5 min,8,12\n10 min,7,18\n", "line 3, 2 yr = '7.0 mm': the depth falls"),
        ("10 min,8,12\n5 min,7,9\n", "durations must be greater than 0 and rise"),
        ("5 min,0,12\n", "a depth must be a number greater than 0"),
        ("5 min,8,0x12\n", "a rainfall figure must be a number"),
        ("5 min,8,9e99\n", "a rainfall figure must be a number"),
    ],
)
def test_plain_rows_that_cannot_be_rain_are_refused(rows, message):
    raises(f"depth_mm,2,10\n{rows}", message)


@pytest.mark.parametrize("cell", ["5-min:", "5 min", "5min", "5 minutes", "5 MIN", "0.08333333h"])
def test_five_minutes_in_many_hands(cell):
    assert duration_seconds(cell) == pytest.approx(300, rel=1e-6)


def test_a_return_period_is_read_whole_or_not_at_all():
    cells = ["100", "100-yr", "100 years", "'1/100", "1/100", "100x", "-2", "1/0", "2/100", ""]
    assert [return_period_years(cell) for cell in cells] == [100] * 5 + [None] * 5


def test_a_unit_is_never_guessed():
    assert [stated_unit(text) for text in ("", "depth", "rain", "in mm", "m")] == [None] * 5


# --- the files as they were found -----------------------------------------------------------

needs_files = pytest.mark.skipif(
    not FOUND.is_dir(), reason="the NOAA Atlas 14 files are not beside this repository"
)


@needs_files
@pytest.mark.parametrize(
    ("name", "place", "five_min_10_yr", "day_100_yr"),
    [
        ("PF_Depth_English_PDS_pulaski-va.csv", "Pulaski", 0.452, 5.45),
        ("All_Depth_English_PDS_ann-arbor-mi.csv", "Ann Arbor", 0.553, 5.11),
        ("PF_Intensity_English_PDS_west-lafayette-in_spreadsheet-resaved.csv",
         "West Lafayette", 7.55 / 12, 0.256 * 24),
        ("fe_text_mean_depth_26.6_-81.9.csv", "26.6, -81.9", 0.822, 12.1),
        ("fe_text_mean_intensity_39_-105.csv", "39.0, -105.0", 5.52 / 12, 0.236 * 24),
    ],
)  # fmt: skip
def test_files_as_found_are_read(name, place, five_min_10_yr, day_100_yr):
    table = parse_rainfall((FOUND / name).read_bytes(), name)
    assert table.depths_m.shape == (19, 10)
    assert float(table.depth(300, 10)) / INCH == pytest.approx(five_min_10_yr)
    assert float(table.depth(86_400, 100)) / INCH == pytest.approx(day_100_yr)
    assert place in table.source
    assert "mean estimates" in table.source
    assert table.notes == ()


@needs_files
@pytest.mark.parametrize("path", sorted(FOUND.glob("*.csv")), ids=lambda path: path.stem[:20])
@pytest.mark.parametrize("share", [0.05, 0.2, 0.35, 0.5])
def test_files_as_found_and_cut_are_refused_or_cut_short(path, share):
    whole = parse_rainfall(path.read_bytes(), path.name).depths_m
    data = path.read_bytes()
    try:
        found = parse_rainfall(data[: int(share * len(data))], path.name).depths_m
    except InputError:
        return
    assert_array_equal(found, whole[: len(found)])


TABLE = b"depth_mm, 2 yr, 10 yr\n5 min, 8, 12\n1 h, 20, 31\n24 h, 60, 90\n"


def table_file(tmp_path, data=TABLE):
    path = tmp_path / "rain.csv"
    path.write_bytes(data)
    return path


def test_table_is_read_and_raised(tmp_path):
    """An uplift of 1.2 makes 12 mm 14.4 mm."""
    rain = read_rainfall(Rain(file=table_file(tmp_path), storms=(2, 10), uplift=1.2))
    assert isinstance(rain, RainfallTable)
    assert float(rain.depth(300.0, 10.0)) == pytest.approx(0.0144)


def test_coefficients_are_the_formula():
    """i = 63.67 / (60 + 9.53)^0.7619 in/h at one hour."""
    given = Coefficients(
        unit="in_h", return_periods=(10,), a=(63.67,), b=(9.53,), c=(0.7619,),
        shortest_min=5, longest_min=1440, source="fit",
    )  # fmt: skip
    rain = read_rainfall(Rain(coefficients=given, storms=(10,)))
    assert isinstance(rain, RainfallFormula)
    expected = 63.67 / 69.53**0.7619 * 0.0254 / 3600
    assert float(rain.intensity(3600.0, 10.0)) == pytest.approx(expected)
    assert rain.duration_range_s == (300.0, 86_400.0)


def test_storms_outside_the_table_are_refused_with_its_range(tmp_path):
    """All of them at once, before any ground is read."""
    with pytest.raises(InputError) as caught:
        read_rainfall(Rain(file=table_file(tmp_path), storms=(1, 10, 100)))
    assert [fault.value for fault in caught.value.faults] == [1.0, 100.0]
    assert "from 2 to 10 years" in str(caught.value)
    assert "rain.csv" in str(caught.value)


@pytest.mark.parametrize(
    ("data", "said"),
    [
        (b"", "empty"),
        (TABLE[:-12], "values where the header has"),
        (b"depth_mm, 2 yr, 10 yr\n5 min, 8, 12\n1 h, 7, 31\n", "the depth falls"),
        (b"depth_furlong, 2 yr\n5 min, 8\n", "depth_furlong"),
        (b"depth_mm, 2 yr\n5 min, -8\n", "not below 0"),
    ],
    ids=["empty", "cut", "falling", "unit", "negative"],
)
def test_damaged_tables_are_refused_by_name(tmp_path, data, said):
    """Each names the file."""
    with pytest.raises(InputError) as caught:
        read_rainfall(Rain(file=table_file(tmp_path, data), storms=(2,)))
    assert said in str(caught.value)
    assert "rain.csv" in str(caught.value)


def test_missing_file_is_refused(tmp_path):
    with pytest.raises(InputError, match=r"no_such\.csv"):
        read_rainfall(Rain(file=tmp_path / "no_such.csv"))


def test_intensities_do_not_rise_with_duration(tmp_path):
    rain = read_rainfall(Rain(file=table_file(tmp_path), storms=(2,)))
    times = np.geomspace(300, 86_400, 50)
    assert (np.diff(rain.intensity(times, 2.0)) <= 0).all()
