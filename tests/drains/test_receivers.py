"""What takes the water at outlets: gutter spread, dry wells over all durations, tailwater."""

from dataclasses import replace

import numpy as np
import pytest

from lotflow.criteria import Criteria
from lotflow.drains.receivers import Receiver, receiver_findings, receiver_storms

STORMS = (2.0, 10.0)


def one_line(bench, make, kind, ca=100.0, given=None, **storms):
    """One inlet, one line of 20 m at 2.5 % and one outlet; rain of 180 mm/h, half more in 10 yr."""
    bench.ground = make.ground(gradient=0.025)
    bench.water = make.water([("in", 300.0, ca)], storms=STORMS, given=given, **storms)
    placed = [make.inlet("in", 0, 0), make.outlet("out", 20, 0, kind)]
    return bench.state([make.line("A", [(0, 0), (20, 0)], "in", "out", up=9.5, down=9.0)], placed)


def found(bench, state, receiver):
    storms = receiver_storms(state, [receiver])
    return {f.rule: f for f in receiver_findings(storms, np.array(STORMS), bench.limits)}, storms


def test_spread_is_that_of_the_worked_example(bench, make):
    """HEC-22, 3rd edition (2009), example 4-1: 0.05 m3/s at 1 %, 2 % across, n 0.016: 2.7 m."""
    state = one_line(bench, make, "curb")
    flow = state.flows.flow_m3s[0, 1]
    street = Receiver("out", "curb", 20, 0, gutter_slope=0.01, cross_slope=0.02,
                      slope_is_given=True, gutter_flow_m3s=0.05 - flow)  # fmt: skip
    rules, storms = found(bench, state, street)
    assert storms[1].gutter_flow_m3s == pytest.approx(0.05)
    assert storms[1].spread_m == pytest.approx(2.7, abs=0.05)
    assert storms[1].curb_depth_m == pytest.approx(0.054, abs=0.001)
    assert rules["gutter-spread"].severity == "warn"
    facts = rules["gutter-spread"].facts
    assert (facts["fall_by_data"], facts["assumed_cross_slope"]) == (None, None)
    assert facts["street_left_out"] is False


def test_a_narrow_gutter_flow_is_a_note_and_says_what_is_not_known(bench, make):
    rules, _ = found(bench, one_line(bench, make, "curb"), Receiver("out", "curb", 20, 0,
                     gutter_slope=0.02))  # fmt: skip
    assert rules["gutter-spread"].severity == "note"
    facts = rules["gutter-spread"].facts
    assert (facts["fall_by_data"], facts["assumed_cross_slope"]) == (0.02, 0.02)
    assert facts["street_left_out"] is True


def test_a_gutter_deeper_than_its_curb_fails(bench, make):
    street = Receiver("out", "curb", 20, 0, gutter_slope=0.01, cross_slope=0.05,
                      curb_height_m=0.05, gutter_flow_m3s=0.05)  # fmt: skip
    rules, storms = found(bench, one_line(bench, make, "curb"), street)
    assert rules["gutter-overtops-curb"].limit == 0.05
    assert rules["gutter-overtops-curb"].measured == pytest.approx(storms[1].curb_depth_m, abs=1e-4)


def test_a_level_gutter_counts_with_the_least_fall_and_one_without_ground_not_at_all(bench, make):
    state = one_line(bench, make, "curb")
    level, least, unknown = (
        receiver_storms(state, [Receiver("out", "curb", 20, 0, gutter_slope=slope)])[0]
        for slope in (0.0, 0.003, np.nan)
    )
    assert level.spread_m == least.spread_m > 0
    assert np.isnan(unknown.spread_m)
    assert unknown.gutter_flow_m3s == level.gutter_flow_m3s


def test_outlets_into_one_gutter_add_up(bench, make):
    """Two lines, two curb outlets: each gutter carries both."""
    bench.ground = make.ground(gradient=0.025)
    bench.water = make.water([("a", 300.0, 60.0), ("b", 300.0, 40.0)], storms=STORMS)
    placed = [make.inlet("a", 0, 0), make.outlet("out", 20, 0), make.inlet("b", 0, 5),
              make.outlet("other", 20, 5)]  # fmt: skip
    lines = [make.line("A", [(0, 0), (20, 0)], "a", "out", up=9.5, down=9.0),
             make.line("B", [(0, 5), (20, 5)], "b", "other", up=9.5, down=9.0)]  # fmt: skip
    state = bench.state(lines, placed)
    street = Receiver("out", "curb", 20, 0, gutter_slope=0.01, same_gutter=("other",))
    one = receiver_storms(state, [street])[0]
    assert one.gutter_flow_m3s == pytest.approx(state.flows.flow_m3s[:, 0].sum())
    assert one.flow_m3s == pytest.approx(0.6 * one.gutter_flow_m3s)


def test_storage_of_a_dry_well_is_the_largest_over_all_durations(bench, make):
    """100 m2 in rain of 270 mm/h less 2 m2 at 100 mm/h: all of it, in the longest rain."""
    state = one_line(bench, make, "dry well")
    rate = 0.1 / 3600
    well = Receiver("out", "dry well", 20, 0, storage_m3=1.0, soaking_area_m2=2.0,
                    soil_rate_m_s=rate)  # fmt: skip
    rules, storms = found(bench, state, well)
    exact = 100.0 * 0.27 * 24 - 2.0 * 0.1 * 24
    assert storms[1].needed_m3 == pytest.approx(exact)
    assert storms[1].longer
    assert storms[1].rain_s == pytest.approx(86_400)
    assert storms[1].empties_s == pytest.approx(1.0 / (2.0 * rate))  # of the cubic metre it holds
    assert rules["dry-well-small"].measured == pytest.approx(exact, abs=1e-3)
    assert "dry-well-slow" not in rules  # the metre it holds is gone in 5 h


def test_rain_longer_than_the_time_between_storms_sizes_no_dry_well(bench, make):
    """Sixty days of steady rain would ask for the water of sixty days; three count."""
    sixty = type(make.rain(storms=STORMS))(
        [300.0, 60 * 86_400.0], list(STORMS),
        np.array([[300.0], [60 * 86_400.0]]) * np.ones((1, 2)) * 1e-6, "steady, invented",
    )  # fmt: skip
    state = one_line(bench, make, "dry well", ca=100.0, rain=sixty)
    (one, *_) = receiver_storms(state, [Receiver("out", "dry well", 20, 0)], longest_s=72 * 3600.0)
    assert one.needed_m3 == pytest.approx(100.0 * 1e-6 * 72 * 3600, rel=1e-6)
    assert one.rain_s == pytest.approx(72 * 3600.0)
    assert not one.longer


def test_worked_example_of_a_trench_for_one_storm(bench, make):
    """
    Ordinance of a Pennsylvania municipality: 1 in from 1680 ft2 is 140 ft3 of water.

    With rain that brings 1 in in every duration and nothing soaking away.
    """
    foot, inch = 0.3048, 0.0254
    one_inch = type(make.rain(storms=STORMS))(
        [300.0, 86_400.0], list(STORMS), np.full((2, 2), inch), "one inch, whatever the duration"
    )
    state = one_line(bench, make, "dry well", ca=1680 * foot**2, rain=one_inch)
    rules, storms = found(bench, state, Receiver("out", "dry well", 20, 0))
    assert storms[1].needed_m3 / foot**3 == pytest.approx(140.0)
    assert rules["dry-well-not-given"].facts["missing"] == ("storage", "soaking_area")
    assert np.isinf(storms[1].empties_s)


def test_a_dry_well_that_is_large_and_quick_has_no_findings(bench, make):
    well = Receiver("out", "dry well", 20, 0, storage_m3=700.0, soaking_area_m2=200.0,
                    soil_rate_m_s=0.1 / 3600)  # fmt: skip
    rules, _ = found(bench, one_line(bench, make, "dry well"), well)
    assert rules == {}


def test_a_given_inflow_fills_a_dry_well_too(bench, make):
    """A sump pump of 1 l/s over a day is 86.4 m3."""
    well = Receiver("out", "dry well", 20, 0)
    with_pump = receiver_storms(one_line(bench, make, "dry well", given={"in": 1e-3}), [well])
    without = receiver_storms(one_line(bench, make, "dry well"), [well])
    assert with_pump[0].needed_m3 - without[0].needed_m3 == pytest.approx(86.4)


def test_a_sewer_whose_water_is_not_given_is_told(bench, make):
    state = one_line(bench, make, "storm sewer")
    rules, _ = found(bench, state, Receiver("out", "storm sewer", 20, 0))
    assert rules["tailwater-not-given"].severity == "note"
    assert found(bench, state, Receiver("out", "storm sewer", 20, 0, water_level_m=9.0))[0] == {}


def test_water_in_the_sewer_holds_the_line_up(bench, make):
    """
    Tailwater above the outlet starts the grade line.

    FHWA HEC-22, 3rd edition (2009), section 7.1.5: the higher of tailwater and (dc + D) / 2.
    """
    free = one_line(bench, make, "storm sewer").hydraulics
    bench.waters = {"out": 9.7}
    held = one_line(bench, make, "storm sewer").hydraulics
    assert held.level_down_m[0, 0] == pytest.approx(9.7)
    assert free.level_down_m[0, 0] < 9.2
    assert held.node_m[0, 0] > free.node_m[0, 0]
    bench.waters = {"out": 5.0}
    low = one_line(bench, make, "storm sewer").hydraulics
    assert low.level_down_m[0, 0] == free.level_down_m[0, 0]


def test_no_rain_and_no_line_give_nothing(bench, make):
    state = one_line(bench, make, "curb")
    assert receiver_storms(state, [Receiver("elsewhere", "curb", 0, 0)]) == []
    bench.water = None
    bench.criteria = Criteria(gutter_spread_m=1.0)
    placed = [make.inlet("in", 0, 0), make.outlet("out", 20, 0)]
    dry = bench.state([make.line("A", [(0, 0), (20, 0)], "in", "out", up=9.5, down=9.0)], placed)
    assert receiver_storms(dry, [Receiver("out", "curb", 20, 0)]) == []
    assert receiver_findings([], np.array([]), bench.limits) == []


def test_a_downspout_led_to_an_outlet_runs_out_there(bench, make):
    """Its peak beside that of the line, in the outlet's flow, its gutter and its dry well."""
    state = one_line(bench, make, "curb")
    parts = [("in", 300.0, 100.0), ("out", 300.0, 50.0)]
    bench.water = make.water(parts, storms=STORMS)
    water = replace(bench.water, parts=replace(bench.water.parts, kind=("unpaved", "roof")))
    led = replace(state, system=replace(state.system, water=water))
    street = Receiver("out", "curb", 20, 0, gutter_slope=0.01)
    alone, both = (receiver_storms(one, [street])[1] for one in (state, led))
    extra = 0.18 * 1.5 / 3600 * 50  # 180 mm/h, half more in 10 years
    assert both.flow_m3s - alone.flow_m3s == pytest.approx(extra)
    assert both.gutter_flow_m3s - alone.gutter_flow_m3s == pytest.approx(extra)
    well = Receiver("out", "dry well", 20, 0, storage_m3=1.0)
    needed = [receiver_storms(one, [well])[1].needed_m3 for one in (state, led)]
    assert needed[1] == pytest.approx(1.5 * needed[0])
