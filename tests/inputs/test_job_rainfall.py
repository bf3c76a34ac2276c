"""The rainfall of a job: either form, its uplift, and what is refused at once."""

import numpy as np
import pytest

from lotflow.errors import InputError
from lotflow.inputs.job_tables import Coefficients, Rain
from lotflow.inputs.rainfall import read_rainfall
from lotflow.rainfall import RainfallFormula, RainfallTable

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
