"""How fast a soil takes water; soaking away by depth over rate, by hand, by time step."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from lotflow.drains.standing_water import (
    infiltration_rates,
    soak_away,
    soil_infiltration,
)
from lotflow.errors import ParameterError

INCH_PER_HOUR = 0.0254 / 3600


# Minnesota Stormwater Manual, design infiltration, inches per hour; 1 in/h = 7.056e-6 m/s
@pytest.mark.parametrize(("group", "rate"), [("A", 0.8), ("B", 0.3), ("C", 0.2), ("D", 0.06)])
def test_design_infiltration_by_soil_group(group, rate):
    soil = soil_infiltration(group)
    assert soil.rate_in_h == rate
    assert soil.rate_m_s == pytest.approx(rate * 7.056e-6, rel=1e-4)


@pytest.mark.parametrize(("group", "lower"), [("A", "B"), ("B", "C"), ("C", "D"), ("D", "D")])
def test_compacted_soil_counts_one_group_lower(group, lower):
    assert soil_infiltration(group, compacted=True) == soil_infiltration(lower)


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: soil_infiltration("E"), "soil group is A, B, C or D, not 'E'"),
        (lambda: soil_infiltration(""), "soil group is A, B, C or D, not ''"),
    ],
)
def test_outside_the_domain_the_value_and_the_rule_are_said(call, message):
    with pytest.raises(ParameterError, match=message):
        call()


def test_even_ground_takes_depth_over_rate():
    """Steps in the bed change nothing where all of it takes water alike: 10 cm at 1 um/s."""
    soak = soak_away([0.10, 0.07, 0.02], 1e-6)
    assert soak.time == pytest.approx(100_000.0)
    assert soak.left == 0


# computed independently: 2 in at 0.06/0.2/0.3/0.5/1 in/h -> 33/10/7/4/2 h
def test_ponds_on_lawns():
    hours = [soak_away([2 * 0.0254], rate * 0.0254 / 3600).time / 3600
             for rate in (0.06, 0.2, 0.3, 0.5, 1.0)]  # fmt: skip
    assert np.round(hours).tolist() == [33, 10, 7, 4, 2]


@settings(max_examples=25, deadline=None)
@given(st.integers(0, 10**6), st.integers(1, 6))
def test_agrees_with_small_time_steps(seed, cells):
    random = np.random.default_rng(seed)
    depth = random.uniform(0.02, 0.2, cells)
    rate = np.where(random.random(cells) < 0.4, 0.0, 2e-6)
    soak = soak_away(depth, rate)
    level, time, step = depth.max(), 0.0, 2.0
    bed = depth.max() - depth
    # as plain numbers: arrays of a few cells take ten times as long, for 100,000 steps
    ground = list(zip(bed.tolist(), rate.tolist(), strict=True))
    while level > 1e-9:
        wet = [taken for height, taken in ground if height < level - 1e-12]
        fall = sum(wet) / len(wet) * step
        if fall == 0:
            break
        level, time = level - fall, time + step
    assert level == pytest.approx(soak.left, abs=1e-5)
    if np.isfinite(soak.time):
        assert time == pytest.approx(soak.time, rel=1e-3, abs=2 * step)
    else:
        assert rate[bed == 0].sum() == time == 0


def test_sealed_ground_keeps_everything():
    soak = soak_away([0.1, 0.05], 0.0)
    assert np.isinf(soak.time)
    assert soak.left == 0.1


@pytest.mark.parametrize(("depth", "rate"), [([], []), ([0.0], [1e-6]), ([0.1], [-1e-6])])
def test_nonsense_is_refused(depth, rate):
    with pytest.raises(ParameterError):
        soak_away(depth, rate)


def test_a_soak_test_counts_but_compacted_soil_stays_slow():
    table = infiltration_rates(["soil", "compacted soil", "none"], "B")
    measured = infiltration_rates(["soil", "compacted soil", "none"], "B", measured=1e-5)
    assert measured[0] == 1e-5
    assert measured[1] == table[1] < table[0]
    assert measured[2] == table[2] == 0
    assert (infiltration_rates(["compacted soil"], "B", measured=0.0) == 0).all()
