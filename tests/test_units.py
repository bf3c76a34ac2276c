"""Unit conversions against pint, which knows nothing of lotflow."""

import pint
import pytest
from hypothesis import given
from hypothesis import strategies as st

from lotflow.units import TO_SI, from_si, shown, to_si

#: Our key, the unit as pint writes it, and the SI unit it is brought to.
AS_PINT_SAYS = [
    ("m", "metre", "metre"),
    ("ft", "foot", "metre"),
    ("us-ft", "survey_foot", "metre"),
    ("in", "inch", "metre"),
    ("mm", "millimetre", "metre"),
    ("m2", "metre**2", "metre**2"),
    ("ft2", "foot**2", "metre**2"),
    # pint's own acre is made of survey feet, 4 parts in a million larger
    ("acre", "43560 * foot**2", "metre**2"),
    ("ha", "hectare", "metre**2"),
    ("m3", "metre**3", "metre**3"),
    ("ft3", "foot**3", "metre**3"),
    ("yd3", "yard**3", "metre**3"),
    ("gal", "gallon", "metre**3"),
    ("m3s", "metre**3 / second", "metre**3 / second"),
    ("l_s", "litre / second", "metre**3 / second"),
    ("lpm", "litre / minute", "metre**3 / second"),
    ("gpm", "gallon / minute", "metre**3 / second"),
    ("cfs", "foot**3 / second", "metre**3 / second"),
    ("mm_h", "millimetre / hour", "metre / second"),
    ("in_h", "inch / hour", "metre / second"),
    ("s", "second", "second"),
    ("min", "minute", "second"),
    ("h", "hour", "second"),
    ("yr", "year", "second"),
    ("m_s", "metre / second", "metre / second"),
    ("ft_s", "foot / second", "metre / second"),
    ("1", "dimensionless", "dimensionless"),
    ("%", "0.01 dimensionless", "dimensionless"),
]


@pytest.fixture(scope="module")
def registry():
    return pint.UnitRegistry()


def test_every_unit_is_compared_with_pint():
    assert {key for key, _, _ in AS_PINT_SAYS} == set(TO_SI)


@pytest.mark.parametrize(("key", "unit", "si"), AS_PINT_SAYS)
def test_conversion_to_si_is_that_of_pint(registry, key, unit, si):
    expected = registry.parse_expression(unit).to(si).magnitude
    assert to_si(1.0, key) == pytest.approx(expected, rel=1e-12)


@given(st.sampled_from(sorted(TO_SI)), st.floats(-1e9, 1e9))
def test_a_value_comes_back_from_si_as_it_was(key, value):
    assert from_si(to_si(value, key), key) == pytest.approx(value, rel=1e-12, abs=1e-300)


def test_two_million_survey_feet_are_four_feet_longer_than_as_many_international_feet():
    """Federal Register 85 FR 62698 (2020): 2 ppm, 1.219 m at 2 000 000 ft."""
    difference = to_si(2_000_000, "us-ft") - to_si(2_000_000, "ft")
    assert difference == pytest.approx(1.219, abs=0.0005)
    assert from_si(difference, "ft") == pytest.approx(4.000, abs=0.0005)


def test_a_cubic_foot_per_second_is_448_831_gallons_per_minute():
    """FHWA HEC-22 and trade tables: 1 cfs = 448.831 gpm = 0.0283168 m^3/s."""
    assert to_si(1, "cfs") / to_si(1, "gpm") == pytest.approx(448.831, abs=0.0005)
    assert to_si(1, "cfs") == pytest.approx(0.0283168, abs=5e-8)


@pytest.mark.parametrize(
    ("value", "quantity", "us", "metric"),
    [
        (0.1524, "depth", "6.0 in", "0.15 m"),
        (1.0 / 3600, "rain", "39.37 in/h", "1,000.0 mm/h"),
        (0.0063, "flow", "99.9 gpm", "6.30 l/s"),
        (float("nan"), "area", "-", "-"),
    ],
)
def test_values_are_shown_in_the_units_of_the_report(value, quantity, us, metric):
    assert (shown(value, quantity, "us"), shown(value, quantity, "metric")) == (us, metric)
