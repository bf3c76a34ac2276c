"""Head losses in velocity heads and metres."""

from __future__ import annotations

import numpy as np
import pytest

from lotflow.drains.losses import (
    bend_coefficient,
    contraction_coefficient,
    friction_loss,
    structure_coefficient,
    velocity_head,
)
from lotflow.drains.pipes import full_flow_capacity
from lotflow.errors import ParameterError


def test_velocity_head_is_the_height_a_stone_falls_to_reach_the_velocity():
    # 9.80665 m/s is reached after 1 s, in which a stone falls half that many metres
    assert velocity_head(9.80665) == pytest.approx(9.80665 / 2)


def test_friction_over_the_length_of_a_just_full_pipe_is_its_fall():
    flow = full_flow_capacity(0.15, 0.012, 0.010)
    assert friction_loss(flow, 0.15, 25.0, 0.010) == pytest.approx(25.0 * 0.012)


def test_bends_add_up_degree_by_degree():
    assert bend_coefficient(90.0) == pytest.approx(0.297)
    assert 2 * bend_coefficient(45.0) == pytest.approx(bend_coefficient(90.0))
    assert bend_coefficient(0.0) == 0.0


# HEC-22, 3rd ed. 2009, section 7.1.6, approximate method
@pytest.mark.parametrize(
    ("structure", "deflection", "expected"),
    [
        ("inlet", 0, 0.50),
        ("inlet", 90, 1.50),
        ("access hole", 0, 0.15),
        ("access hole", 22.5, 0.45),
        ("access hole", 45, 0.75),
        ("access hole", 60, 0.85),
        ("access hole", 90, 1.00),
        ("access hole", 75, 0.925),  # between the printed angles
    ],
)
def test_structure_losses_are_the_printed_ones(structure, deflection, expected):
    assert structure_coefficient(structure, deflection) == pytest.approx(expected)


# HEC-22, 3rd ed. 2009, section 7.1.6: sudden contraction
def test_contraction_losses_are_the_printed_ones():
    ratios = np.array([0.1, 0.2, 0.4, 0.6, 0.8, 1.0, 1.5])
    assert contraction_coefficient(ratios).tolist() == [0.5, 0.5, 0.4, 0.3, 0.1, 0.0, 0.0]


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: velocity_head(np.nan), "velocity must be a finite number"),
        (lambda: friction_loss(0.1, 0.0, 1.0, 0.01), "diameter must be greater than 0, not 0"),
        (lambda: friction_loss(0.1, 0.1, -1.0, 0.01), "length must be 0 or more, not -1"),
        (lambda: bend_coefficient(-5.0), "deflection must lie between 0 and 180, not -5"),
        (lambda: structure_coefficient("access hole", 120), "between 0 and 90, not 120"),
        (lambda: structure_coefficient("pond", 0), "'pond' is neither an inlet nor"),
        (lambda: contraction_coefficient(0.0), "diameter ratio must be greater than 0"),
    ],
)
def test_outside_the_domain_the_value_and_the_rule_are_said(call, message):
    with pytest.raises(ParameterError, match=message):
        call()
