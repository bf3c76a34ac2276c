"""
Worked examples and tables of FHWA, Urban Drainage Design Manual, HEC-22, 3rd edition (2009).

Examples are computed in the unit system they are printed in, and compared to the digits printed.
Slips of the print are left out: the Qn of example 4-1, the SI depth of example 4-14 (0.24 m; the
formula printed with it gives 0.227 m), the chart readings of V / Vf in example 7-3 beyond 4 %.
"""

from __future__ import annotations

import numpy as np
import pytest

from lotflow.drains.circular_section import normal_flow
from lotflow.drains.grade_line import outlet_level
from lotflow.drains.inlets import (
    grate_depth,
    grate_perimeter,
    gutter_flow,
    gutter_spread,
)
from lotflow.drains.losses import structure_coefficient, velocity_head
from lotflow.drains.pipes import (
    full_flow_capacity,
    full_flow_velocity,
    required_diameter,
    smallest_standard_size,
)

FOOT, INCH = 0.3048, 0.0254
CFS = FOOT**3


# Example 4-1: SL 0.01, Sx 0.02, n 0.016: 1.8 cfs spreads 9.0 ft, 0.05 m3/s 2.7 m; a spread of
# 8.2 ft carries 1.4 cfs, 2.5 m 0.039 m3/s
def test_example_4_1_uniform_gutter():
    gutter = (0.02, 0.01, 0.016)
    assert gutter_spread(1.8 * CFS, *gutter) / FOOT == pytest.approx(9.0, abs=0.05)
    assert gutter_spread(0.05, *gutter) == pytest.approx(2.7, abs=0.05)
    assert gutter_flow(8.2 * FOOT, *gutter) / CFS == pytest.approx(1.4, abs=0.05)
    assert gutter_flow(2.5, *gutter) == pytest.approx(0.039, abs=1e-3)


# Example 4-11: 6.71 cfs (0.19 m3/s), Sx 0.05, spread 9.84 ft, grate 2 ft wide: average depth
# 0.44 ft asks for a perimeter of 7.66 ft (2.31 m); a double 2 x 3 ft grate half clogged along the
# curb has 8 ft and takes the flow at 0.43 ft (0.130 m)
def test_example_4_11_grate_in_a_sag_half_clogged():
    average = 0.05 * (9.84 - 1.0) * FOOT
    assert average / FOOT == pytest.approx(0.44, abs=0.005)
    large = 100.0  # openings so large that the grate is a weir, as in the example
    at_8_ft = grate_perimeter(2 * 3 * FOOT, 0.5 * 2 * FOOT, side_against=2 * 3 * FOOT)
    assert at_8_ft / FOOT == pytest.approx(8.0)
    # the perimeter at which the depth is the average one printed: 0.44 ft
    perimeters = np.linspace(7.0, 9.0, 2001) * FOOT
    depths = grate_depth(6.71 * CFS, perimeters, large, clogged_share=0.0)
    needed = np.interp(-0.44 * FOOT, -depths, perimeters)
    assert needed / FOOT == pytest.approx(7.66, abs=0.025)
    depths = grate_depth(0.19, perimeters, large, clogged_share=0.0)
    assert np.interp(-0.1346, -depths, perimeters) == pytest.approx(2.31, abs=0.015)
    at_8_ft_depth = grate_depth(6.71 * CFS, at_8_ft, large, clogged_share=0.0)
    assert at_8_ft_depth / FOOT == pytest.approx(0.43, abs=0.005)
    assert grate_depth(0.19, at_8_ft, large, clogged_share=0.0) == pytest.approx(0.130, abs=5e-4)


# Example 7-1: 17.6 cfs, S 0.015: n 0.013 needs 1.69 ft, 21 in; n 0.017 1.87 ft, 24 in
@pytest.mark.parametrize(("roughness", "feet", "inches"), [(0.013, 1.69, 21), (0.017, 1.87, 24)])
def test_example_7_1_required_diameter(roughness, feet, inches):
    flow = 17.6 * CFS
    # the factor 0.46 of the print is 0.4632 in full: 0.3 % of the diameter
    assert required_diameter(flow, 0.015, roughness) / FOOT == pytest.approx(feet, abs=0.008)
    sizes = np.array([15, 18, 21, 24, 27]) * INCH
    assert smallest_standard_size(flow, 0.015, roughness, sizes) / INCH == pytest.approx(inches)


# Example 7-2: 21 in, n 0.013: 19.3 cfs, 8.0 ft/s; 24 in, n 0.017: 21.1 cfs, 6.8 ft/s. In SI 0.53 m
# 0.54 m3/s, 2.44 m/s; 0.61 m 0.60 m3/s. The 8.0 is 8.07 by the equation, with 0.59 and 0.67 8.09.
@pytest.mark.parametrize(
    ("diameter", "roughness", "flow", "velocity"),
    [
        (21 * INCH, 0.013, 19.3 * CFS, 8.05 * FOOT),
        (24 * INCH, 0.017, 21.1 * CFS, 6.8 * FOOT),
        (0.53, 0.013, 0.54, 2.44),
        (0.61, 0.017, 0.60, None),
    ],
)
def test_example_7_2_full_flow(diameter, roughness, flow, velocity):
    assert full_flow_capacity(diameter, 0.015, roughness) == pytest.approx(flow, rel=0.007)
    if velocity is not None:
        computed = full_flow_velocity(diameter, 0.015, roughness)
        assert computed == pytest.approx(velocity, rel=0.009)


# Table 7-7: slope for 3 ft/s when full, n 0.012 / 0.013 / 0.024
@pytest.mark.parametrize(
    ("inches", "slopes"),
    [
        (8, (0.0064, 0.0075, 0.0256)),
        (10, (0.0048, 0.0056, 0.0190)),
        (12, (0.0037, 0.0044, 0.0149)),
        (15, (0.0028, 0.0032, 0.0111)),
    ],
)
def test_table_7_7_minimum_slopes(inches, slopes):
    at_full_slope = full_flow_velocity(inches * INCH, 1.0, np.array([0.012, 0.013, 0.024]))
    computed = (3 * FOOT / at_full_slope) ** 2
    # one unit of the last digit: 10 in at n 0.012 computes to 0.0047
    assert computed == pytest.approx(slopes, abs=1.2e-4)


# Example 7-3 (SI, n 0.013, 180 mm/h): three runs; diameter calculated and used, Qf, Vf, V, inverts
def test_example_7_3_pipe_chain():
    unrounded = np.array([0.19, 0.29, 0.38]) * 1e4 * 0.180 / 3600
    slope, roughness = np.array([0.03, 0.03, 0.001]), 0.013
    flow = np.array([0.10, 0.15, 0.19])  # the printed flows are carried on to the diameters
    assert unrounded == pytest.approx(flow, abs=0.0051)
    needed = required_diameter(flow, slope, roughness)
    assert needed == pytest.approx([0.25, 0.29, 0.59], abs=0.006)
    sizes = np.array([0.46, 0.53, 0.61, 0.76])
    used = np.maximum.accumulate(smallest_standard_size(flow, slope, roughness, sizes))
    assert used.tolist() == [0.46, 0.46, 0.61]
    assert full_flow_capacity(used, slope, roughness) == pytest.approx([0.52, 0.52, 0.20], abs=6e-3)
    velocity_full = full_flow_velocity(used, slope, roughness)
    assert velocity_full == pytest.approx([3.14, 3.14, 0.69], abs=0.012)
    # V / Vf was read off a chart as 0.74, 0.84, 1.15; 4 % from what Manning gives
    ratio = normal_flow(flow, used, slope, roughness).velocity / velocity_full
    assert ratio == pytest.approx([0.770, 0.866, 1.138], abs=4e-3)  # Qf rounded to 0.52
    assert ratio == pytest.approx([0.74, 0.84, 1.15], rel=0.042)
    assert ratio * [3.14, 3.14, 0.69] == pytest.approx([2.32, 2.64, 0.79], rel=0.044)


def test_example_7_3_inverts_and_drops():
    # structure losses: straight inlet 0.5 at 2.64 m/s, 90 degree inlet 1.5 at 0.79 m/s
    straight = structure_coefficient("inlet", 0) * velocity_head(2.64)
    turned = structure_coefficient("inlet", 90) * velocity_head(0.79)
    assert straight == pytest.approx(0.18, abs=0.005)
    assert turned == pytest.approx(0.048, abs=5e-4)
    first_up = 112.77 - 0.90 - 0.46  # ground, cover, diameter
    first_down = first_up - 110 * 0.03
    second_up = first_down - 0.18
    second_down = second_up - 100 * 0.03
    third_up = second_down - turned
    assert [first_up, first_down, second_up, second_down, third_up] == pytest.approx(
        [111.41, 108.11, 107.93, 104.93, 104.88], abs=0.005
    )
    assert third_up - 4.3 * 0.001 == pytest.approx(104.876, abs=0.005)
    assert first_down + 0.46 + 0.90 == pytest.approx(109.47)


# section 7.1.3: most at 93 % of the depth; half full as fast as full
def test_section_7_1_3_part_full_flow():
    capacity = full_flow_capacity(0.3, 0.01, 0.012)
    most = normal_flow(1.0757 * capacity, 0.3, 0.01, 0.012)
    half = normal_flow(0.5 * capacity, 0.3, 0.01, 0.012)
    assert most.filling == pytest.approx(0.93, abs=0.01)
    assert half.filling == pytest.approx(0.5, abs=1e-6)
    assert half.velocity == pytest.approx(full_flow_velocity(0.3, 0.01, 0.012), rel=1e-6)


# section 7.2.4: 3 ft/s when full keeps 2 ft/s at a quarter of the depth
def test_section_7_2_4_self_cleansing_at_a_quarter_of_the_depth():
    slope = (3 * FOOT / full_flow_velocity(0.2, 1.0, 0.012)) ** 2
    flow = 0.137 * full_flow_capacity(0.2, slope, 0.012)
    quarter = normal_flow(flow, 0.2, slope, 0.012)
    assert quarter.filling == pytest.approx(0.25, abs=0.002)
    assert quarter.velocity / FOOT >= 2.0


# section 7.1.5: the grade line starts at the higher of tailwater and (dc + D) / 2
def test_section_7_1_5_start_of_the_grade_line():
    free = outlet_level(100.0, 0.19, 0.61)
    assert 100.0 + 0.61 / 2 < free < 100.0 + 0.61
    assert outlet_level(100.0, 0.19, 0.61, tailwater=101.0) == 101.0
