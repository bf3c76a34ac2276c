"""What inlets cannot take: the rule Qb = Q - Qi of FHWA HEC-22, 3rd edition (2009), section 4.4."""

from dataclasses import replace

import numpy as np
import pytest

from lotflow.criteria import Criteria
from lotflow.drains.inlet_bypass import (
    InletBypass,
    WayPast,
    bypass_findings,
    inlet_bypasses,
)
from lotflow.drains.inlet_checks import InletFacts, grate_flow
from lotflow.drains.judged import Limits
from lotflow.terrain.level_error import LevelError

INCH, CFS = 0.0254, 0.0283168
NAN = float("nan")
LIMITS = Limits(Criteria(), LevelError(0.1, 10.0, 0.1), None, 1.0)
GRATE = InletFacts(
    "G", "catch basin", 1.0, 2.0, NAN, 12 * INCH, 12 * INCH, 0.4, NAN, NAN, NAN,
    removable=True, walked_on=False,
)  # fmt: skip


NEXT = WayPast(0.05, "Next")


def bypass(arriving, grate, line, way=NEXT):
    return InletBypass("G", 10.0, arriving, grate, line, way)


# computed from HEC-22 equations 4-26 and 4-27: 12 x 12 in, 40 % open, clean, in cfs
@pytest.mark.parametrize(("inches", "cfs"), [(1, 0.289), (2, 0.816), (3, 1.075)])
def test_what_a_yard_grate_takes(inches, cfs):
    assert grate_flow(GRATE, inches * INCH, 0.0) / CFS == pytest.approx(cfs, rel=4e-3)
    assert grate_flow(GRATE, inches * INCH, 0.5) / CFS == pytest.approx(cfs / 2, rel=4e-3)


def test_a_grate_of_unknown_size_takes_an_unknown_flow():
    assert np.isnan(grate_flow(replace(GRATE, open_share=NAN), 0.05, 0.5))
    assert np.isnan(grate_flow(replace(GRATE, grate_width_m=NAN), 0.05, 0.5))


@pytest.mark.parametrize(
    ("grate", "line", "taken", "limited"),
    [
        (0.004, 0.009, 0.004, "grate"),
        (0.009, 0.004, 0.004, "line"),
        (0.020, 0.010, 0.010, ""),  # all of it
        (NAN, 0.004, 0.004, "line"),
        (0.004, NAN, 0.004, "grate"),
        (0.004, 0.0, 0.0, "line"),  # a full line
        (0.00995, 0.02, 0.00995, ""),  # rounding
        (NAN, NAN, NAN, ""),
    ],
)
def test_what_is_taken_and_what_passes_add_up(grate, line, taken, limited):
    one = bypass(0.010, grate, line)
    assert one.taken_m3s == pytest.approx(taken, nan_ok=True)
    assert one.passed_m3s == pytest.approx(0.010 - taken, nan_ok=True)
    assert one.limited_by == limited


@pytest.mark.parametrize(
    ("way", "told"),
    [
        (WayPast(0.05, "Next"), "Next"),
        (WayPast(0.05, leaves_at=(3.0, 4.0)), "off the lot"),
        (WayPast(0.05), "stays on the ground"),
    ],
)
def test_the_finding_says_what_passes_and_where_it_goes(way, told):
    storms = np.array([2.0, 10.0])
    (found,) = bypass_findings([GRATE], [bypass(0.010, 0.004, 0.009, way)], storms, LIMITS)
    assert (found.rule, found.severity, found.subject) == ("inlet-passed-by", "warn", "G")
    assert (found.measured, found.limit, found.unit) == (0.006, 0.0, "m3/s")
    assert f"go on: {told}." in found.message
    assert "HEC-22" in found.source
    assert bypass_findings([GRATE], [bypass(0.010, 0.020, 0.010)], storms, LIMITS) == []
    assert bypass_findings([GRATE], [replace(bypass(1.0, 0.0, 0.0), return_period_yr=2.0)],
                           storms, LIMITS) == []  # fmt: skip


def passed_by(bench, make, parts, *, given=None, up=9.6, down=9.5):
    """Two inlets in one line of 10 + 10 m, the second at a junction of both."""
    bench.water = make.water(parts, given=given)
    lines = [
        make.line("U", [(0, 0), (10, 0)], "Up", "G", up=up + 0.1, down=up),
        make.line("L", [(10, 0), (20, 0)], "G", "Out", up=up, down=down),
    ]
    placed = [make.inlet("Up", 0, 0), make.inlet("G", 10, 0), make.outlet("Out", 20, 0)]
    state = bench.state(lines, placed)
    inlets = [replace(GRATE, name="Up"), GRATE]
    ways = [WayPast(0.05, "G"), WayPast(0.05, leaves_at=(1.0, 1.0))]
    return state, inlet_bypasses(state, inlets, ways, LIMITS)


def test_the_line_has_room_for_what_is_not_piped_to_it(bench, make):
    """180 mm/h on 40 m2 are 2 l/s; the line's capacity less the upper line's flow and a pump's."""
    parts = [("Up", 300.0, 40.0), ("G", 300.0, 40.0)]
    state, (upper, lower) = passed_by(bench, make, parts, given={"G": 0.001})
    capacity = state.hydraulics.capacity_m3s
    names = [line.name for line in state.lines]
    assert upper.arriving_m3s == lower.arriving_m3s == pytest.approx(0.002)
    assert upper.line_m3s == pytest.approx(capacity[names.index("U")])
    assert lower.line_m3s == pytest.approx(capacity[names.index("L")] - 0.002 - 0.001)
    assert (upper.limited_by, lower.limited_by) == ("", "")


def test_what_one_inlet_lets_pass_is_not_counted_at_the_next(bench, make):
    """36 l/s do not fit into 4 in: most passes, the next inlet's arriving water stays its own."""
    parts = [("Up", 300.0, 720.0), ("G", 300.0, 40.0)]
    state, (upper, lower) = passed_by(bench, make, parts)
    assert upper.limited_by
    assert upper.taken_m3s + upper.passed_m3s == pytest.approx(0.036)
    assert lower.arriving_m3s == pytest.approx(0.002)
    # the lines keep the whole flow, on the safe side; so nothing is left for the lower inlet
    assert state.flows.flow_m3s[-1, 0] == pytest.approx(0.038, rel=0.01)
    assert (lower.taken_m3s, lower.limited_by) == (0.0, "line")


def test_stated_rain_is_judged_too():
    """Its return period is not known, and equal to nothing."""
    one = replace(bypass(0.01, 0.004, 0.009), return_period_yr=NAN)
    (found,) = bypass_findings([GRATE], [one], np.array([NAN]), LIMITS)
    assert found.rule == "inlet-passed-by"
    assert found.message.startswith("In the stated rain it takes ")


def test_without_rain_nothing_is_said_to_pass(bench, make):
    lines = [make.line("L", [(0, 0), (10, 0)], "G", "Out")]
    state = bench.state(lines, [make.inlet("G", 0, 0), make.outlet("Out", 10, 0)])
    assert inlet_bypasses(state, [GRATE], [WayPast(0.05)], LIMITS) == []
    assert bypass_findings([GRATE], [], np.zeros(0), LIMITS) == []
