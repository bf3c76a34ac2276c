"""Rain of the days on which water was seen, and what observations may hold."""

import datetime as dt

import geopandas as gpd
import pandas as pd
import pytest
import shapely

from lotflow.errors import InputError
from lotflow.inputs import columns
from lotflow.inputs.day_rain import DayRain, parse_day_rain, read_day_rain, require_days
from lotflow.inputs.job_tables import Observations
from lotflow.inputs.site import read_site
from lotflow.inputs.sources import LayerFile

INCH = 0.0254
LOT = gpd.GeoDataFrame({"name": ["Lot"]}, geometry=[shapely.box(0, 0, 20, 20)], crs="EPSG:26918")


def faults_of(call):
    with pytest.raises(InputError) as caught:
        call()
    return caught.value.faults


def test_rain_is_read_in_either_unit_with_traces_and_days_without_a_reading():
    """T and M as the stations of the US weather service write them (from memory)."""
    text = (
        b'# invented\nSTATION,DATE,"RAIN (in)"\nX,2026-05-02,T\nX,2026-05-03,1.62\nX,2026-05-04,M\n'
    )
    assert parse_day_rain(text, "rain.csv") == {
        "2026-05-02": 0.0, "2026-05-03": pytest.approx(1.62 * INCH), "2026-05-04": None,
    }  # fmt: skip


@pytest.mark.parametrize("header", ["date,rain", "DATE,PRCP", "date,depth", "date,precipitation"])
def test_rain_without_a_unit_is_asked_for_it(header):
    (fault,) = faults_of(lambda: parse_day_rain(f"{header}\n2026-05-03,41\n".encode(), "r.csv"))
    assert (fault.file, fault.line, fault.column) == ("r.csv", 1, header.split(",")[1])
    assert "unit" in fault.rule
    assert "rain_mm or rain_in" in fault.remedy


@pytest.mark.parametrize(
    ("rows", "column", "value"),
    [
        ("05/03/2026,41", "date", "05/03/2026"),
        (",41", "date", ""),
        ("2026-02-30,41", "date", "2026-02-30"),
        ("2026-05-03,-1", "rain_mm", "-1"),
        ("2026-05-03,heavy", "rain_mm", "heavy"),
        ("2026-05-03,2600", "rain_mm", "2600"),
        ("2026-05-02,3\n2026-05-02,4", "rain_mm", "4"),
    ],
)
def test_a_row_that_cannot_be_read_is_named(rows, column, value):
    table = f"date,rain_mm\n2026-05-01,1\n{rows}\n".encode()
    (fault,) = faults_of(lambda: parse_day_rain(table, "r.csv"))
    assert (fault.file, fault.column, fault.value) == ("r.csv", column, value)
    assert fault.line == 2 + len(rows.splitlines())
    assert fault.remedy


@pytest.mark.parametrize(
    "table", [b"", b"# nothing\n", b"date,rain_mm\n", b"day,rain_mm\n2026-05-03,1\n",
              b"date,wind\n2026-05-03,1\n", b"date,rain_mm,rain_in\n2026-05-03,25.4,1\n",
              b"date;rain_mm\n2026-05-03;1,5\n2026-05-04;1,5\n", b"<!doctype html>"],
)  # fmt: skip
def test_what_is_no_table_of_daily_rain_is_refused(table):
    (fault,) = faults_of(lambda: parse_day_rain(table, "r.csv"))
    assert fault.file == "r.csv"
    assert fault.remedy


def test_days_may_stand_in_the_job_itself():
    given = Observations.model_validate({"rain_in": {"2026-05-03": 1.62}})
    assert read_day_rain(given).days == {"2026-05-03": pytest.approx(1.62 * INCH)}
    assert read_day_rain(None).days == {}
    with pytest.raises(ValueError, match="say the same thing"):
        Observations.model_validate({"rain_in": {"2026-05-03": 1.0}, "rain_mm": {"2026-05-03": 25}})
    with pytest.raises(ValueError, match="no date"):
        Observations.model_validate({"rain_in": {"3 May": 1.62}})
    much = Observations.model_validate({"rain_in": {"2026-05-03": 162.0}})
    (fault,) = faults_of(lambda: read_day_rain(much))
    assert fault.column == "observations.rain_in"


def test_a_day_that_the_table_lacks_is_named_with_the_nearest_it_has():
    seen = pd.DataFrame({"date": ["2026-05-03", None, "2026-05-09", "2026-05-02"]})
    rain = DayRain({"2026-05-01": 0.003, "2026-05-02": None, "2026-05-03": 0.041}, "rain.csv")
    first, second = faults_of(lambda: require_days(seen, rain))
    assert (first.layer, first.row, first.column, first.value) == (
        "observations", 3, "date", "2026-05-09",
    )  # fmt: skip
    assert "nearest day in it is 2026-05-03, with 41 mm" in first.remedy
    assert (second.row, second.value) == (4, "2026-05-02")
    require_days(seen, DayRain())


def site_of(tmp_path, tables):
    file = tmp_path / "site.gpkg"
    LOT.to_file(file, layer="lot")
    for name, frame in tables.items():
        frame.to_file(file, layer=name)
    first, *further = tables
    files = {
        "lot": LayerFile(file, "lot"),
        "observations": LayerFile(file, first, further=tuple(further)),
    }
    return read_site(files, crs=LOT.crs, vertical_unit="m")


def seen(shape, **values):
    return gpd.GeoDataFrame(
        {key: [value] for key, value in values.items()}, geometry=[shape], crs=LOT.crs
    )


def test_points_and_areas_are_read_as_one_layer_in_si(tmp_path):
    tables = {
        "observation_points": seen(
            shapely.Point(5, 5), name="Gate", depth_in=3.0, hours=30.0, date="2026-05-03"
        ),
        "observation_areas": seen(
            shapely.box(8, 8, 10, 10), depth_m=0.1, date=dt.datetime(2026, 5, 4, 7), note="ice"
        ),
    }
    found = site_of(tmp_path, tables).observations
    assert found["depth_m"].tolist() == pytest.approx([3 * INCH, 0.1])
    assert found["date"].tolist() == ["2026-05-03", "2026-05-04"]
    assert found["note"].tolist() == [None, "ice"]
    assert found.geometry.geom_type.tolist() == ["Point", "Polygon"]


@pytest.mark.parametrize(
    ("values", "column"),
    [
        ({"name": "Gate"}, None),
        ({"depth_m": 0.0, "hours": 5.0}, "hours"),
        ({"depth_m": 0.1, "hours": 0.0}, "depth"),
        ({"depth_m": -0.1}, "depth_m"),
        ({"depth_in": 300.0}, "depth_in"),
        ({"hours": -2.0}, "hours"),
        ({"hours": 5000.0}, "hours"),
        ({"depth_m": 0.1, "date": "2026-06-02"}, "date"),
        ({"depth_m": 0.1, "date": "03.05.2026"}, "date"),
        ({"depth_m": 0.1, "date": "last May"}, "date"),
        ({"depth_m": 0.1, "date": "1026-05-03"}, "date"),
        ({"depth": 0.1}, None),
    ],
)
def test_an_observation_that_says_nothing_or_cannot_be_is_named(
    tmp_path, monkeypatch, values, column
):
    """The file, its table, the row, the value, what must hold and what to do."""
    monkeypatch.setattr(columns, "today", lambda: "2026-06-01")
    good = seen(shapely.Point(5, 5), depth_m=0.1, date="2026-06-01")
    tables = {"observation_areas": seen(shapely.box(8, 8, 10, 10), **values)}
    fault = faults_of(lambda: site_of(tmp_path, {"observation_points": good} | tables))[0]
    assert fault.file.endswith("site.gpkg")
    assert (fault.layer, fault.column) == ("observation_areas", column)
    assert fault.row == (None if "depth" in values else 1)
    assert fault.rule
    assert fault.remedy
