"""Pipe and leader tables of American plumbing codes beside the formulas."""

from __future__ import annotations

import numpy as np
import pytest

from lotflow.drains.pipes import full_flow_capacity, full_flow_velocity, minimum_fall
from lotflow.runoff.storm_parts import leader_capacity

INCH = 0.0254
GPM = 231 * INCH**3 / 60


# International Plumbing Code 2018, table 1106.2, horizontal storm drains, gallons per minute at
# 1/16, 1/8, 1/4 and 1/2 in per ft. The rows of 2, 5 and 15 in do not follow the n of the others
# and are left out.
@pytest.mark.parametrize(
    ("inches", "gallons"),
    [
        (3, (39, 55, 79, 111)),
        (4, (81, 115, 163, 231)),
        (6, (243, 344, 487, 689)),
        (8, (505, 714, 1010, 1429)),
        (10, (927, 1311, 1855, 2623)),
        (12, (1480, 2093, 2960, 4187)),
    ],
)
def test_ipc_table_1106_2_is_manning_full_with_n_0_010_within_7_percent(inches, gallons):
    slopes = np.array([1 / 16, 1 / 8, 1 / 4, 1 / 2]) / 12
    assert full_flow_capacity(inches * INCH, slopes, 0.010) / GPM == pytest.approx(
        gallons, rel=0.07
    )


# National Standard Plumbing Code 2006, table 13.6.1, vertical leaders at 7/24 full
@pytest.mark.parametrize(
    ("inches", "gallons"),
    [(2, 23), (3, 67), (4, 144), (5, 261), (6, 424), (8, 913), (10, 1655), (12, 2692), (15, 4880)],
)
def test_nspc_table_13_6_1_vertical_leaders(inches, gallons):
    assert leader_capacity(inches * INCH) / GPM == pytest.approx(gallons, abs=0.6)


# older area tables (IPC until 2012, UPC; from memory): square feet at 1 in/h, n about 0.015
@pytest.mark.parametrize(
    ("inches", "square_feet"),
    [(3, (3288, 4640, 6576)), (4, (7520, 10600, 15040)), (6, (21400, 30200, 42800))],
)
def test_older_area_tables_are_manning_full_with_n_0_015(inches, square_feet):
    flows = np.array(square_feet) / 96.25 * GPM
    slopes = np.array([1 / 8, 1 / 4, 1 / 2]) / 12
    assert full_flow_capacity(inches * INCH, slopes, 0.015) == pytest.approx(flows, rel=0.05)


# Chicago plumbing code, table 18-29-704.1: 1/4, 1/8, 1/16 in per ft are 2.083, 1.042, 0.521 %
def test_minimum_falls_in_percent():
    falls = [100 * minimum_fall("pipe", inches * INCH).least for inches in (2, 4, 8)]
    assert falls == pytest.approx([2.083, 1.042, 0.521], abs=6e-4)


# HEC-22, equation 7-34, with its printed exponent 0.67, n 0.010: slope for 3 ft/s
@pytest.mark.parametrize(("inches", "slope"), [(3, 0.0166), (4, 0.0113), (6, 0.0065)])
def test_a_small_pipe_at_code_fall_is_about_self_cleansing(inches, slope):
    # the exponent 2/3 asks for 1 % less slope in 3 in, less so in larger pipes
    needed = (3 * 0.3048 / full_flow_velocity(inches * INCH, 1.0, 0.010)) ** 2
    assert needed == pytest.approx(slope, rel=0.012)
