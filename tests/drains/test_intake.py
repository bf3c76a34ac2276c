"""What inlets take and refuse: one balance for all, against a slow one written by hand."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import HealthCheck, settings
from hypothesis import given as drawn
from hypothesis import strategies as st
from scipy.optimize import brentq

from lotflow.criteria import Criteria
from lotflow.drains.circular_section import critical_depth
from lotflow.drains.drain_system import run_system
from lotflow.drains.grade_line import Reach, bend_heads, hydraulics, node_coefficient, reach_grade
from lotflow.drains.inlet_checks import InletFacts, grate_flow
from lotflow.drains.inlets import grate_efficiency
from lotflow.drains.intake import (
    Intake,
    StormSeries,
    WayPast,
    grate_intake,
    inlet_intakes,
    intake_findings,
)
from lotflow.drains.judged import Limits
from lotflow.drains.receivers import Receiver
from lotflow.drains.shared_lines import SharedLines
from lotflow.drains.storm_findings import storm_findings
from lotflow.terrain.level_error import LevelError

INCH, CFS, FOOT = 0.0254, 0.0283168, 0.3048
NAN = float("nan")
LIMITS = Limits(Criteria(), LevelError(0.1, 10.0, 0.1), None, 1.0)
GRATE = InletFacts(
    "G", "catch basin", 1.0, 2.0, NAN, 12 * INCH, 12 * INCH, 0.4, NAN, NAN, NAN,
    removable=True, walked_on=False,
)  # fmt: skip
#: As large as can be drawn: the line alone counts.
WIDE = replace(GRATE, grate_length_m=3.0, grate_width_m=3.0, open_share=1.0)
AWAY = WayPast(0.05, leaves_at=(1.0, 1.0))


def shared(make, bench, parts, count=3, *, size=0.1, fall=0.002, rim=None, given=None, **line):
    """So many inlets 10 m apart on one line; CA of 1 m2 is 0.05 l/s."""
    bench.water = make.water(parts, given=given)
    names = [f"I{k}" for k in range(count)]
    ends = [*names, "Out"]
    levels = [9.4 - 10.0 * fall * k for k in range(count + 1)]
    lines = [
        make.line(f"L{k}", [(10.0 * k, 0), (10.0 * (k + 1), 0)], ends[k], ends[k + 1], size=size,
                  up=levels[k], down=levels[k + 1], **line)
        for k in range(count)
    ]  # fmt: skip
    placed = [make.inlet(name, 10.0 * k, 0) for k, name in enumerate(names)]
    if rim is not None:
        bench.rims = dict.fromkeys(names, rim)
    state = bench.state(lines, [*placed, make.outlet("Out", 10.0 * count, 0)])
    return state, [replace(WIDE, name=name, rim_m=10.0) for name in names]


def steady(state, names, litres, *, seconds=1800, roofs=None):
    """The same flow of each inlet for so long, in every storm."""
    storms, steps = state.system.storms.size, seconds // 60
    flow = {n: np.full((storms, steps), q / 1000) for n, q in zip(names, litres, strict=True)}
    piped = {n: np.full((storms, steps), q / 1000) for n, q in (roofs or {}).items()}
    return StormSeries(60.0, flow, piped)


def adds_up(one):
    """Refused, taken and passed are what arrived, in flow and volume."""
    assert one.taken_m3s + one.stands_m3s + one.passed_m3s == pytest.approx(one.arriving_m3s)
    assert min(one.taken_m3s, one.stands_m3s, one.passed_m3s) >= -1e-12
    if not np.isnan(one.taken_m3):
        came = one.own_m3 + one.from_inlets_m3 + one.backs_up_m3
        assert one.taken_m3 + one.stands_m3 + one.passed_m3 == pytest.approx(came, abs=1e-9)
        assert min(one.taken_m3, one.stands_m3, one.passed_m3) >= -1e-9


# computed from HEC-22 equations 4-26 and 4-27: 12 x 12 in, 40 % open, clean, in cfs
@pytest.mark.parametrize(("inches", "cfs"), [(1, 0.289), (2, 0.816), (3, 1.075)])
def test_what_a_yard_grate_takes(inches, cfs):
    assert grate_flow(GRATE, inches * INCH, 0.0) / CFS == pytest.approx(cfs, rel=4e-3)
    assert grate_flow(GRATE, inches * INCH, 0.5) / CFS == pytest.approx(cfs / 2, rel=4e-3)


def test_a_grate_of_unknown_size_takes_an_unknown_flow():
    assert np.isnan(grate_flow(replace(GRATE, open_share=NAN), 0.05, 0.5))
    assert np.isnan(grate_flow(replace(GRATE, grate_width_m=NAN), 0.05, 0.5))


def test_a_grate_on_a_slope_takes_frontal_and_side_flow():
    """
    HEC-22, 3rd edition (2009), example 4-7, from memory: E = 1.0 x 0.70 + 0.10 x 0.30 = 0.73.

    The gutter of example 4-2 with 2.3 cfs: T 8.2 ft, a strip of 2 ft 2 in deep, V = Q / A.
    """
    velocity = 2.3 / (0.5 * 0.02 * 8.2**2 + 0.5 * 2.0 * 2.0 / 12.0) * FOOT
    share = grate_efficiency(0.70, velocity, 6.0 * FOOT, 0.02, 2.0 * FOOT)
    assert share == pytest.approx(0.73, abs=0.005)
    # beyond the splash-over velocity a tenth is lost per ft/s (0.295 per m/s)
    fast = grate_efficiency(1.0, (6.0 + 1.0) * FOOT, 6.0 * FOOT, 0.02, 2.0 * FOOT)
    assert fast == pytest.approx(0.91, abs=0.001)


def test_in_a_gutter_a_grate_takes_less_than_at_a_low_point_and_unknown_is_a_range():
    slope = WayPast(0.05, in_sag=False)
    flow = np.array([0.001, 0.01, 0.05])
    gutter = replace(GRATE, gutter_slope=0.02, cross_slope=0.02)
    taken, basis = grate_intake(gutter, slope, flow, 0.5)
    assert basis == "gutter"
    assert (np.diff(taken / flow) < 0).all()
    assert (taken < flow).all()
    most, basis = grate_intake(GRATE, slope, flow, 0.5)
    assert basis == "slope"
    assert most[0] == pytest.approx(grate_flow(GRATE, 0.05, 0.5))
    assert grate_intake(GRATE, AWAY, flow, 0.5)[1] == "low point"
    unknown, basis = grate_intake(replace(GRATE, open_share=NAN), AWAY, flow, 0.5)
    assert basis == "not given"
    assert np.isinf(unknown).all()


def test_three_inlets_on_one_line_refuse_what_it_cannot_carry(bench, make):
    """Each alone would fit: 2 l/s each into a line that carries less than 6 l/s together."""
    parts = [(f"I{k}", 300.0, 40.0) for k in range(3)]
    state, inlets = shared(make, bench, parts, rim=9.55)
    series = steady(state, ["I0", "I1", "I2"], [2, 2, 2])
    found = inlet_intakes(state, inlets, [AWAY] * 3, LIMITS, series=series)
    taken = np.array([one.taken_m3s for one in found.rows])
    assert taken.sum() < 0.006
    # all rims are level, so that the water first stands at that of the uppermost
    assert taken[1:] == pytest.approx([0.002, 0.002])
    assert found.line_flow_m3s[-1, 0] == pytest.approx(taken.sum())
    assert [one.limited_by for one in found.rows] == ["line", "", ""]
    for one in found.rows:
        adds_up(one)
        assert one.refused_m3 == pytest.approx((0.002 - one.taken_m3s) * 1800, rel=1e-3)
    assert found.rows[0].line_m3s == pytest.approx(taken[0], rel=0.01)
    assert found.rows[1].line_m3s > 0.00205
    # as much as lifts the grade line to a rim, by the code of the grade line itself
    water = [level_of(state, found.line_flow_m3s * f)[0] for f in (1.0, 1.01)]
    assert water[0] <= 10.001
    assert water[1] > 10.001


def level_of(state, flow):
    """Highest water above a rim in the upper nodes of all lines, by storm, as if rims were 10 m."""
    done = hydraulics(state.system.network, state.inverts, state.system.nodes, flow)
    rims = np.array([state.system.nodes[line.start].rim_m for line in state.lines])[:, None]
    return (done.node_m - rims).max(axis=0) + 10.0


def test_three_inlets_refuse_what_the_line_leaves_of_their_volume(bench, make):
    """
    One line of 3.29 l/s, three inlets of 2.15 l/s for half an hour: 5.7 m3 find no room.

    (3 x 2.15 - 3.29) l/s x 1800 s = 5.69 m3. Each alone fits. All tables and findings say it.
    """
    parts = [(f"I{k}", 300.0, 43.0) for k in range(3)]
    state, inlets = shared(make, bench, parts, rim=9.46517)  # with it the line carries so much
    series = steady(state, ["I0", "I1", "I2"], [2.15] * 3)
    found = inlet_intakes(state, inlets, [AWAY] * 3, LIMITS, series=series)
    assert found.line_flow_m3s[-1, 0] == pytest.approx(0.00329, rel=1e-3)
    for one in found.rows:
        adds_up(one)
    assert sum(one.refused_m3 for one in found.rows) == pytest.approx(5.69, rel=5e-3)
    told = intake_findings(inlets, found.rows, state.system.storms, LIMITS)
    refused = sum(f.measured for f in told if f.rule == "inlet-passed-by")
    assert refused == pytest.approx(0.00316, rel=5e-3)


def test_an_adverse_line_takes_all_where_its_water_is_far_below_the_rim(bench, make):
    """The rims lie 0.9 m above the grade line: nothing is refused though Manning carries none."""
    state, inlets = shared(make, bench, [("I0", 300.0, 20.0)], fall=-0.2 / 30, rim=10.6)
    assert state.hydraulics.capacity_m3s.tolist() == [0.0, 0.0, 0.0]
    (one, *_) = inlet_intakes(state, inlets, [AWAY] * 3, LIMITS).rows
    assert 10.6 - state.hydraulics.node_m[0, 0] > 0.85
    assert one.taken_m3s == pytest.approx(0.001)
    assert one.limited_by == ""


def test_a_small_grate_refuses_the_same_share_in_flow_and_volume(bench, make):
    """A grate of 40 mm: what passes by the flow passes by the storm too."""
    state, _ = shared(make, bench, [("I0", 300.0, 80.0)], 1)
    small = replace(GRATE, name="I0", grate_length_m=0.04, grate_width_m=0.04, rim_m=10.0)
    (one,) = inlet_intakes(
        state, [small], [AWAY], LIMITS, series=steady(state, ["I0"], [1.0])
    ).rows  # fmt: skip
    adds_up(one)
    assert one.limited_by == "grate"
    assert one.taken_m3s < 0.4 * one.own_m3s
    # the storm of 1 l/s is brought to the 4 l/s of the flow table: a quarter of its time
    assert one.refused_m3 / one.own_m3 == pytest.approx(one.refused_m3s / one.own_m3s, rel=0.02)


def test_a_low_lateral_gives_way_to_a_trunk(bench, make):
    """Water of the trunk that finds no room comes up out of the low grate beside it."""
    bench.water = make.water([("T", 300.0, 160.0), ("S", 300.0, 2.0)])
    bench.rims = {"T": 10.6, "S": 9.75}
    lines = [
        make.line("LT", [(0, 0), (10, 0)], "T", "J", up=9.5, down=9.45, size=0.15),
        make.line("LS", [(10, 5), (10, 0)], "S", "J", up=9.46, down=9.45, size=0.05),
        make.line("LJ", [(10, 0), (40, 0)], "J", "Out", up=9.45, down=9.4, size=0.1),
    ]
    placed = [make.inlet("T", 0, 0), make.inlet("S", 10, 5), make.inlet("J", 10, 0),
              make.outlet("Out", 40, 0)]  # fmt: skip
    bench.rims["J"] = 10.5
    state = bench.state(lines, placed)
    inlets = [replace(WIDE, name=name, rim_m=bench.rims[name]) for name in ("T", "S", "J")]
    found = inlet_intakes(state, inlets, [AWAY] * 3, LIMITS)
    trunk, side, _ = found.rows
    assert (trunk.limited_by, trunk.taken_m3s) == ("", pytest.approx(0.008))
    assert side.taken_m3s == 0.0
    assert side.backs_up_m3s > 0.0005
    stands_where_it_is_refused(state, found, inlets, range(1))


@pytest.mark.parametrize("peak", [0.5, 1.0, 2.0, 6.0])
def test_a_storm_is_brought_to_the_peak_of_the_flow_table(bench, make, peak):
    """A hump of 2 l/s at its peak, whatever the peak by the rational method: volume kept."""
    state, inlets = shared(make, bench, [("I0", 300.0, peak * 20.0)], 1)
    hump = 0.002 * np.sin(np.linspace(0, np.pi, 41)[None, :]) ** 2
    series = StormSeries(60.0, {"I0": hump}, {})
    (one,) = inlet_intakes(state, inlets, [AWAY], LIMITS, series=series).rows
    adds_up(one)
    assert one.own_m3s == pytest.approx(peak / 1000)
    assert one.own_m3 == pytest.approx(hump.sum() * 60.0)
    assert (one.refused_m3s > 1e-9) == (one.refused_m3 > 1e-9) == (one.limited_by != "")


def test_an_adverse_line_takes_what_the_height_above_it_drives(bench, make):
    """It rises by 0.2 m over 30 m, and its grates lie 0.3 m higher still."""
    state, inlets = shared(make, bench, [("I0", 300.0, 400.0)], fall=-0.2 / 30, rim=10.0)
    assert state.hydraulics.capacity_m3s.tolist() == [0.0, 0.0, 0.0]
    (one, *_) = inlet_intakes(state, inlets, [AWAY] * 3, LIMITS).rows
    adds_up(one)
    assert 0.0005 < one.taken_m3s < 0.015
    assert one.limited_by == "line"


def test_what_passes_is_added_at_the_next_inlet(bench, make):
    """36 l/s do not fit into the upper line; the lower one is wide and takes what it can."""
    bench.water = make.water([("Up", 300.0, 720.0), ("G", 300.0, 40.0)])
    lines = [
        make.line("U", [(0, 0), (10, 0)], "Up", "Out", up=9.6, down=9.5),
        make.line("L", [(0, 10), (10, 10)], "G", "Out2", up=9.6, down=9.5, size=0.25),
    ]
    placed = [make.inlet("Up", 0, 0), make.inlet("G", 0, 10), make.outlet("Out", 10, 0),
              make.outlet("Out2", 10, 10)]  # fmt: skip
    state = bench.state(lines, placed)
    inlets = [replace(WIDE, name="Up"), replace(WIDE, name="G")]
    upper, lower = inlet_intakes(state, inlets, [WayPast(0.05, "G"), AWAY], LIMITS).rows
    adds_up(upper)
    adds_up(lower)
    assert upper.passed_m3s > 0.01
    assert lower.from_inlets_m3s == pytest.approx(upper.passed_m3s)
    assert lower.arriving_m3s == pytest.approx(0.002 + upper.passed_m3s)
    assert lower.taken_m3s > 0.01


def test_a_low_spot_holds_before_anything_goes_on(bench, make):
    parts = [(f"I{k}", 300.0, 80.0) for k in range(2)]
    state, inlets = shared(make, bench, parts, 2)
    series = steady(state, ["I0", "I1"], [4, 4])
    rest = inlet_intakes(state, inlets, [WayPast(0.05, "I1"), AWAY], LIMITS, series=series).rows
    refused = rest[0].refused_m3
    for held, passes in ((refused * 2, 0.0), (refused / 4, refused * 3 / 4)):
        ways = [WayPast(0.05, "I1", held_m3=held), AWAY]
        first, second = inlet_intakes(state, inlets, ways, LIMITS, series=series).rows
        adds_up(first)
        adds_up(second)
        assert first.passed_m3 == pytest.approx(passes, rel=0.1, abs=1e-9)
        assert (first.passed_m3s > 0) == (passes > 0)
        assert second.from_inlets_m3 == pytest.approx(first.passed_m3)


def test_a_low_spot_fills_before_the_peak_or_after_it(bench, make):
    """Of a hump it keeps what comes first: one that is not full at the peak lets no peak go on."""
    parts = [("I0", 300.0, 400.0), ("I1", 300.0, 80.0)]
    state, inlets = shared(make, bench, parts, 2)
    hump = np.sin(np.linspace(0, np.pi, 31)) ** 2
    series = StormSeries(60.0, {f"I{k}": np.tile(0.01 * hump, (state.system.storms.size, 1))
                                for k in range(2)}, {})  # fmt: skip
    refused = inlet_intakes(state, inlets, [AWAY, AWAY], LIMITS, series=series).rows[0].refused_m3
    assert refused > 1.0
    for share, at_peak in ((0.8, False), (0.1, True)):
        ways = [replace(AWAY, held_m3=share * refused), AWAY]
        one = inlet_intakes(state, inlets, ways, LIMITS, series=series).rows[0]
        assert one.passed_m3 == pytest.approx((1 - share) * refused, rel=0.1)
        assert (one.passed_m3s > 1e-9) is at_peak
        assert one.empties_m3s == pytest.approx(one.line_m3s)


def test_a_ring_of_ways_is_cut_at_its_lowest_inlet(bench, make):
    parts = [(f"I{k}", 300.0, 80.0) for k in range(3)]
    state, inlets = shared(make, bench, parts)
    inlets = [replace(one, rim_m=level) for one, level in zip(inlets, (10.0, 9.9, 9.95),
                                                              strict=True)]  # fmt: skip
    ways = [WayPast(0.05, "I1"), WayPast(0.05, "I2"), WayPast(0.05, "I0")]
    rows = inlet_intakes(state, inlets, ways, LIMITS).rows
    assert [one.way.runs_to for one in rows] == ["I1", "", "I0"]
    for one in rows:
        adds_up(one)


def test_a_pump_takes_room_and_what_finds_none_comes_up(bench, make):
    parts = [("I0", 300.0, 40.0)]
    free, inlets = shared(make, bench, parts, 1)
    alone = inlet_intakes(free, inlets, [AWAY], LIMITS).rows[0]
    room = alone.line_m3s
    assert alone.limited_by == ""
    pumped, _ = shared(make, bench, parts, 1, given={"I0": room - 0.001})
    one = inlet_intakes(pumped, inlets, [AWAY], LIMITS).rows[0]
    assert one.taken_m3s == pytest.approx(0.001, rel=0.02)
    flooded, _ = shared(make, bench, parts, 1, given={"I0": room + 0.003})
    one = inlet_intakes(flooded, inlets, [AWAY], LIMITS).rows[0]
    adds_up(one)
    assert one.taken_m3s == pytest.approx(0.0, abs=1e-6)
    assert one.backs_up_m3s == pytest.approx(0.003, rel=0.02)


def test_a_full_dry_well_refuses(bench, make):
    """2 l/s for half an hour, 3.6 m3, into a well of 1 m3 through which 0.5 l/s soak away."""
    bench.water = make.water([("G", 300.0, 40.0)])
    lines = [make.line("L", [(0, 0), (10, 0)], "G", "W", up=9.6, down=9.4)]
    state = bench.state(lines, [make.inlet("G", 0, 0), make.outlet("W", 10, 0, "dry well")])
    well = Receiver("W", "dry well", 10.0, 0.0, storage_m3=1.0, soaking_area_m2=50.0,
                    soil_rate_m_s=1e-5)  # fmt: skip
    series = steady(state, ["G"], [2])
    found = inlet_intakes(
        state, [replace(WIDE, name="G")], [AWAY], LIMITS, series=series, receivers=[well]
    )
    (one,) = found.rows
    adds_up(one)
    assert one.limited_by == "dry well"
    assert one.taken_m3 == pytest.approx(1.0 + 0.0005 * 1800, rel=0.01)
    (told,) = intake_findings([replace(WIDE, name="G")], [one], state.system.storms, LIMITS)
    assert told.rule == "inlet-passed-by"


def test_a_well_of_3_m3_takes_no_71_9_m3(bench, make):
    """40 l/s for half an hour, 71.9 m3: 3 m3 are taken, the rest comes out and is told."""
    bench.water = make.water([("G", 300.0, 799.0)])
    lines = [make.line("L", [(0, 0), (10, 0)], "G", "W", up=9.6, down=9.4, size=0.3)]
    state = bench.state(lines, [make.inlet("G", 0, 0), make.outlet("W", 10, 0, "dry well")])
    well = Receiver("W", "dry well", 10.0, 0.0, storage_m3=3.0, soaking_area_m2=0.0,
                    soil_rate_m_s=0.0)  # fmt: skip
    series = steady(state, ["G"], [39.95])
    wide = [replace(WIDE, name="G", rim_m=10.0)]
    (one,) = inlet_intakes(state, wide, [AWAY], LIMITS, series=series, receivers=[well]).rows
    adds_up(one)
    assert one.own_m3 == pytest.approx(71.9, abs=0.05)
    assert one.taken_m3 == pytest.approx(3.0, abs=1e-3)
    assert one.refused_m3 == pytest.approx(68.9, abs=0.05)
    assert one.limited_by == "dry well"


def test_water_stands_no_higher_than_it_can(bench, make):
    """36 l/s in 4 in: the grade line of all lies metres above the grate, the water does not."""
    state, _ = shared(make, bench, [("I0", 300.0, 720.0)])
    system = replace(state.system, stands_m={"I0": 0.2})
    state = run_system(system)
    assert state.hydraulics.node_m[0, 0] > 15.0
    assert state.node_water_m("I0")[0] == pytest.approx(10.2)
    found = {f.subject: f for f in storm_findings(state, LIMITS) if f.rule == "water-above-grate"}
    assert found["I0"].measured == pytest.approx(10.2)
    assert found["I0"].severity == "fail"


def test_lines_follow_the_grade_line_of_the_check(bench, make):
    """Levels from tables against `grade_line.hydraulics`, over four decades of flow."""
    for fall, tail in ((0.01, NAN), (0.0, 9.6), (-0.004, NAN)):
        bench.waters = {"Out": tail}
        state, _ = shared(make, bench, [("I0", 300.0, 40.0)], fall=fall)
        names = ["I0", "I1", "I2"]
        lines = SharedLines(state, names, names, 0.02)
        entering = np.outer([1.0, 0.5, 0.2], np.geomspace(1e-6, 1e-2, 40))
        flow = lines.carried @ entering
        exact = hydraulics(state.system.network, state.inverts, state.system.nodes, flow)
        order = [list(state.system.network.nodes).index(line.start) for line in state.lines]
        free = np.ones_like(flow), np.full_like(flow, np.inf)
        assert np.abs(lines.levels(flow, *free)[order] - exact.node_m).max() < 2e-3


@pytest.mark.parametrize(
    ("way", "told"),
    [
        (WayPast(0.05, "Next"), ("Next", False)),
        (WayPast(0.05, leaves_at=(3.0, 4.0)), ("", True)),
        (WayPast(0.05), ("", False)),
    ],
)
def test_the_finding_says_what_passes_and_where_it_goes(way, told):
    storms = np.array([2.0, 10.0])
    one = Intake("G", 10.0, 0.010, 0.0, 0.0, 0.004, 0.009, 0.004, 0.0, 0.006, "grate",
                 "low point", way)  # fmt: skip
    (found,) = intake_findings([GRATE], [one], storms, LIMITS)
    assert (found.rule, found.severity, found.subject) == ("inlet-passed-by", "warn", "G")
    assert (found.measured, found.limit, found.unit) == (0.006, 0.0, "m3/s")
    assert (found.facts["runs_to"], found.facts["leaves_lot"]) == told
    assert (found.facts["passed_m3s"], found.facts["stands_m3s"]) == (0.006, 0.0)
    assert "HEC-22" in found.source
    assert intake_findings([GRATE], [replace(one, return_period_yr=2.0)], storms, LIMITS) == []
    # its return period is not known, and equal to nothing
    (stated,) = intake_findings(
        [GRATE], [replace(one, return_period_yr=NAN)], np.array([NAN]), LIMITS
    )
    assert stated.facts["storm_yr"] is None
    (asked,) = intake_findings(
        [GRATE], [replace(one, limited_by="", grate_basis="slope")], storms, LIMITS
    )
    assert (asked.rule, asked.measured) == ("grate-on-slope-unknown", 0.0)
    # one that is known to take nothing is not asked about
    nothing = replace(one, limited_by="line", grate_basis="slope", taken_m3s=0.0)
    assert [f.rule for f in intake_findings([GRATE], [nothing], storms, LIMITS)] == [
        "inlet-passed-by"
    ]


def test_without_rain_nothing_is_said_to_pass(bench, make):
    lines = [make.line("L", [(0, 0), (10, 0)], "G", "Out")]
    state = bench.state(lines, [make.inlet("G", 0, 0), make.outlet("Out", 10, 0)])
    assert inlet_intakes(state, [GRATE], [AWAY], LIMITS).rows == ()
    assert intake_findings([GRATE], [], np.zeros(0), LIMITS) == []


# ---------------------------------------------------------------- random networks


def random_case(make, seed):
    """A tree of lines: falling, flat, adverse, shrinking; drowned, pumped, piped; a dry well."""
    rng = np.random.default_rng(seed)
    count = int(rng.integers(2, 8))
    bench = make.bench(ground=make.ground(columns=120))
    names = [f"N{k}" for k in range(count)]
    below = [int(rng.integers(k + 1, count + 1)) for k in range(count)]
    invert = [0.0] * count + [float(rng.uniform(8.6, 9.3))]
    for k in reversed(range(count)):
        invert[k] = min(invert[below[k]] + float(rng.uniform(-0.05, 0.2)), 9.85)
    size = [float(rng.choice([0.05, 0.075, 0.1, 0.15])) for _ in range(count)]
    spot = [(10.0 * k, float(rng.uniform(-8, 8))) for k in range(count + 1)]
    well = bool(rng.random() < 0.3)
    lines = [
        make.line(f"L{k}", [spot[k], spot[below[k]]], names[k], [*names, "Out"][below[k]],
                  size=size[k], up=invert[k], down=invert[below[k]])
        for k in range(count)
    ]  # fmt: skip
    placed = [make.inlet(name, *spot[k]) for k, name in enumerate(names)]
    placed.append(make.outlet("Out", *spot[-1], "dry well" if well else "curb"))
    bench.rims = {name: float(rng.uniform(9.95, 10.4)) for name in names}
    if rng.random() < 0.3:
        bench.waters = {"Out": float(rng.uniform(9.0, 9.9))}
    given = {name: float(rng.uniform(0, 0.003)) for name in names if rng.random() < 0.2}
    storms = (2.0, 10.0, 100.0)
    parts = [(name, float(rng.uniform(300, 1500)), float(rng.uniform(0, 120))) for name in names]
    bench.water = make.water(parts, storms=storms, given=given)
    state = bench.state(lines, placed)
    inlets = [
        replace(GRATE, name=name, rim_m=bench.rims[name], grate_length_m=float(rng.uniform(0.1, 1)),
                open_share=float(rng.choice([0.4, 1.0, NAN])))
        for name in names
    ]  # fmt: skip
    ways = []
    for k in range(count):
        to = [*names, "", ""][int(rng.integers(0, count + 2))]
        ways.append(WayPast(float(rng.uniform(0.05, 0.3)), "" if to == names[k] else to,
                            held_m3=float(rng.choice([0.0, 0.5, 5.0])),
                            in_sag=bool(rng.random() < 0.7)))  # fmt: skip
    steps = 30
    hump = np.sin(np.linspace(0, np.pi, steps)) ** 2
    peak = rng.uniform(0, 0.006, (count, 1, 1)) * np.array([0.5, 1.0, 2.0])[:, None]
    surface = dict(zip(names, peak * hump, strict=True))
    roofs = {names[0]: np.full((3, steps), 0.0004)}
    receivers = [Receiver("Out", "dry well", 0, 0, storage_m3=float(rng.uniform(0.5, 8)),
                          soaking_area_m2=4.0, soil_rate_m_s=0.0)] if well else []  # fmt: skip
    return state, inlets, ways, StormSeries(60.0, surface, roofs), receivers


def check_case(make, seed):
    """
    Balance one random network by hand; gives what of all inlets was refused.

    By hand: what arrives is summed from the ways; water that enters the lines is led down one
    line after the other; the level that it gives, by the code of the grade line, is held against
    every rim; and any line-limited inlet that is given 2 % more lifts water above a rim.
    """
    state, inlets, ways, series, receivers = random_case(make, seed)
    found = inlet_intakes(state, inlets, ways, LIMITS, series=series, receivers=receivers)
    names, given = [one.name for one in inlets], state.system.water.given_m3s
    refused = 0
    for storm in range(3):
        rows = found.of_storm(storm)
        assert list(rows) == names
        for one in rows.values():
            adds_up(one)
            came = sum(r.passed_m3s for r in rows.values() if r.way.runs_to == one.name)
            assert one.from_inlets_m3s == pytest.approx(came, abs=1e-9)
            volume = sum(r.passed_m3 for r in rows.values() if r.way.runs_to == one.name)
            assert one.from_inlets_m3 == pytest.approx(volume, abs=1e-6)
            own = series.surface_m3s[one.name][storm].sum() * 60.0
            assert one.own_m3 == pytest.approx(own)
            assert one.least_m3s <= one.taken_m3s
            if one.grate_m3s == one.grate_m3s:
                assert one.taken_m3s <= one.grate_m3s * (1 + 1e-9)
            refused += bool(one.limited_by)
        # all that came is somewhere
        off = sum(r.passed_m3 for r in rows.values() if not r.way.runs_to)
        held = sum(r.stands_m3 + r.taken_m3 for r in rows.values())
        came = sum(r.own_m3 + r.backs_up_m3 for r in rows.values())
        assert off + held == pytest.approx(came, abs=1e-6)
        if receivers:
            taken = sum(r.taken_m3 - r.backs_up_m3 for r in rows.values())
            piped = 60.0 * 30 * sum(given.values()) + 60.0 * 30 * 0.0004
            assert taken + piped <= receivers[0].storage_m3 + 1e-4
    stands_where_it_is_refused(state, found, inlets, storms=() if receivers else range(3))
    agrees_in_volume(found, receivers)
    return refused


def on_the_way(state, name):
    """Lines from an inlet to the outlet, one after the other."""
    way, at = [], name
    while True:
        after = [i for i, line in enumerate(state.lines) if line.start == at]
        if not after:
            return way
        way.append(after[0])
        at = state.lines[after[0]].end


def hand_lines(state):
    """Of each line its data, and tables of the depths at which it runs, of 4000 flows."""
    lines, flows = [], 0.06 * np.linspace(0, 1, 4000) ** 3
    for i, line in enumerate(state.lines):
        pipe, up, down = (
            line.pipe.narrowest_m,
            *(float(inverts[i]) for inverts in (state.inverts.up_m, state.inverts.down_m)),
        )
        bends, node = bend_heads(line), node_coefficient(state.system.network, i)
        n, length = line.pipe.roughness, line.length_m
        own = reach_grade(-99.0, Reach(flows, pipe, length, n, down, up, bends, node)).own_depth
        area = np.pi * pipe**2 / 4
        friction = length * (n / (area * (pipe / 4) ** (2 / 3))) ** 2
        lines.append((line, pipe, area, up, down, friction, bends, node, flows, np.asarray(own),
                      np.asarray(critical_depth(flows, pipe))))  # fmt: skip
    return lines


def wet_area(depth, pipe):
    """Of a circle filled so deep."""
    if depth >= pipe:
        return np.pi * pipe**2 / 4
    angle = 2 * np.arccos(1 - 2 * depth / pipe)
    return (angle - np.sin(angle)) * pipe**2 / 8


def hand_levels(state, lines, flow):
    """
    Water in the nodes, line by line from the outlet up, in plain numbers.

    HEC-22, section 7.1.5, as `grade_line.reach_grade` states it. Water that runs back up a line
    loses what it would in a full pipe: friction by Manning, bends, velocity heads at the node.
    """
    water = {}
    for i in reversed(range(len(lines))):
        line, pipe, area, up, down, friction, bends, node, flows, owns, criticals = lines[i]
        q = float(flow[i])
        own, critical = (float(np.interp(q, flows, t)) for t in (owns, criticals))
        below = water.get(line.end)
        if below is None:
            below = down + (0.5 * (critical + pipe) if q > 0 else 0.0)
            below = np.fmax(below, state.system.nodes[line.end].water_m)
        full = (abs(q) / area) ** 2 / (2 * 9.80665)
        if q < 0:
            level = max(below, down, up) - friction * q**2 - (bends + node) * full
        else:
            level = max(below, down + own) + friction * q**2 + bends * full
            depth = max(max(level, up + own) - up, critical)
            speed = q / wet_area(depth, pipe) if q > 0 else 0.0
            level = up + depth + node * speed**2 / (2 * 9.80665)
        water[line.start] = max(water.get(line.start, -np.inf), level)
    return water


def hand_flow(state, entering):
    """What enters, led down one line after the other."""
    flow = np.zeros(len(state.lines))
    for name, q in entering.items():
        flow[on_the_way(state, name)] += q
    return flow


def stands_where_it_is_refused(state, found, inlets, storms):
    """In every node either all enters, or water stands at its rim: levels by hand."""
    lines = hand_lines(state)
    still = hand_levels(state, lines, np.zeros(len(state.lines)))
    for storm in storms:
        water = hand_levels(state, lines, found.line_flow_m3s[:, storm])
        for name, one in found.of_storm(storm).items():
            rim = max(state.system.nodes[name].rim_m, still[name])
            assert water[name] <= rim + 3e-3, (name, storm)
            wanted = np.nanmin([one.arriving_m3s - one.backs_up_m3s, one.grate_m3s])
            if one.backs_up_m3s > 2e-5 or one.taken_m3s < wanted - 2e-5:
                assert water[name] >= rim - 3e-3, (name, storm)
                # less than a hundredth is told of nothing
                if one.arriving_m3s - one.taken_m3s > 0.011 * one.arriving_m3s:
                    assert one.limited_by == "line"


def agrees_in_volume(found, receivers):
    """
    All of the flow taken is no volume refused, and the reverse.

    But for wells, which fill, for storms of which one brings less than its peak in 30 s, and where
    water of other inlets comes: that may come after the peak, when their low spots are full.
    """
    for storm in () if receivers else range(3):
        rows = found.of_storm(storm).values()
        short = any(one.own_m3 < 30 * one.own_m3s for one in rows)
        for one in rows:
            comes = one.own_m3 + one.from_inlets_m3 + one.backs_up_m3
            if one.refused_m3s < 1e-7 and not one.from_inlets_m3 > 0:
                assert one.refused_m3 <= 2e-4 + 2e-3 * comes, one
            if one.refused_m3s > 1e-5 + 1e-3 * one.arriving_m3s and not short:
                assert one.refused_m3 > 0, one


def slow_steady_state(state, wants):
    """
    Solve the steady state by hand, inlet by inlet, again and again until nothing changes.

    Each in turn lets in the most that keeps its own water below its rim while the others let in
    what they do; that may be less than nothing.
    """
    given = {n: state.system.water.given_m3s.get(n, 0.0) for n in wants}
    enters = {n: want + given[n] for n, want in wants.items()}
    supply, all_of_it = dict(enters), sum(enters.values())
    lines = hand_lines(state)
    still = hand_levels(state, lines, np.zeros(len(state.lines)))
    rims = {n: max(state.system.nodes[n].rim_m, still[n]) for n in wants}
    for _ in range(400):
        before = dict(enters)
        for name in sorted(wants):
            low, high = -all_of_it, supply[name]
            if (
                hand_levels(state, lines, hand_flow(state, {**enters, name: high}))[name]
                <= rims[name]
            ):
                enters[name] = high
                continue

            def over(q, name=name):
                water = hand_levels(state, lines, hand_flow(state, {**enters, name: q}))
                return water[name] - rims[name]

            enters[name] = brentq(over, low, high, xtol=1e-7) if over(low) < 0 else low
        if max(abs(enters[n] - before[n]) for n in wants) < 2e-6:
            return enters
    return None  # it swings between two states, and says nothing


def check_shares(make, seed, storms=(0, 1, 2)):
    """Nothing goes on to other inlets: what enters at each, by hand and by code."""
    state, inlets, ways, _, _ = random_case(make, seed)
    ways = [replace(way, runs_to="") for way in ways]
    found = inlet_intakes(state, inlets, ways, LIMITS)
    full = 0
    for storm in storms:
        rows = found.of_storm(storm)
        wants = {n: float(np.nanmin([r.own_m3s, r.grate_m3s])) for n, r in rows.items()}
        given = {n: state.system.water.given_m3s.get(n, 0.0) for n in wants}
        most = hand_flow(state, {n: wants[n] + given[n] for n in wants})
        if (state.flows.flow_m3s[:, storm] < most * 0.999).any() and not np.allclose(
            state.flows.flow_m3s[:, storm],
            hand_flow(state, {n: r.own_m3s + given[n] for n, r in rows.items()}), rtol=1e-3,
        ):  # fmt: skip
            continue  # peaks that do not come at once are not for the hand
        by_hand = slow_steady_state(state, wants)
        if by_hand is None:
            continue
        for name, one in rows.items():
            enters = one.taken_m3s - one.backs_up_m3s + given[name]
            assert enters == pytest.approx(by_hand[name], rel=0.02, abs=5e-5), (seed, storm, name)
            full += one.limited_by == "line"
    return full


@settings(max_examples=2, deadline=None,
          suppress_health_check=[HealthCheck.function_scoped_fixture])  # fmt: skip
@drawn(seed=st.integers(0, 10**6))
def test_random_networks_add_up(make, seed):
    check_case(make, seed)


def test_a_random_network_shares_as_by_hand(make):
    assert check_shares(make, 25, storms=[2]) > 0


@pytest.mark.nightly
def test_many_random_networks_share_as_by_hand(make):
    full = [check_shares(make, seed, storms=[2]) for seed in range(60)]
    assert sum(full) > 60  # of 60 networks, 3 or so in which the hand does not settle


@pytest.mark.nightly
def test_many_random_networks_add_up(make):
    refused = [check_case(make, seed) for seed in range(300)]
    assert sum(count > 0 for count in refused) > 100


def _old_run(make, bench, *, detail="curb", down=9.2, proposed=False):
    """A measured line from a grate, and a second one on to an outlet; 8 l/s come."""
    bench.water = make.water([("G", 300.0, 160.0)])
    lines = [
        make.line("Upper", [(0, 0), (10, 0)], "G", "Bend", size=0.1, up=9.5, down=9.4),
        make.line("Lower", [(10, 0), (20, 0)], "Bend", "Out", size=0.1, up=9.4, down=down,
                  proposed=proposed),
    ]  # fmt: skip
    state = bench.state(lines, [make.inlet("G", 0, 0), make.outlet("Out", 20, 0, detail)])
    (one,) = inlet_intakes(state, [replace(WIDE, rim_m=10.0)], [AWAY], LIMITS).rows
    return one


@pytest.mark.parametrize(
    ("detail", "down"), [("not found", NAN), ("not found", 9.2), ("storm drain", NAN)]
)
def test_old_line_without_known_end_or_fall_takes_nothing(make, bench, detail, down):
    """What nobody knows must not make the water at a door stand lower than if it took nothing."""
    one = _old_run(make, bench, detail=detail, down=down)
    assert one.taken_m3s == pytest.approx(0.0, abs=1e-6)
    assert one.refused_m3s == pytest.approx(one.own_m3s, abs=1e-6)
    assert one.own_m3s > 0.004
    assert one.line_m3s == pytest.approx(0.0, abs=1e-6)
    assert (one.limited_by, one.not_counted) == ("line", ("Lower",))
    (told,) = [
        found for found in intake_findings([GRATE], [one], np.array([one.return_period_yr]), LIMITS)
        if found.rule == "inlet-passed-by"
    ]  # fmt: skip
    assert told.facts["not_counted"] == ("Lower",)


@pytest.mark.parametrize(
    "known", [{}, {"down": NAN, "proposed": True}, {"detail": "pump", "down": NAN}]
)
def test_lines_of_known_fall_are_counted(make, bench, known):
    """Measured old lines, lines yet to be laid, and those to a pump take what they did."""
    one = _old_run(make, bench, **known)
    assert one.taken_m3s > 0.004
    assert one.not_counted == ()


def test_piped_water_above_a_line_that_is_not_counted_comes_up_at_its_grate(make, bench):
    """2 l/s of a pump enter below the grate; with no way on they stand in the grate, not lost."""
    bench.water = make.water([("G", 300.0, 20.0)], given={"Bend": 0.002})
    lines = [
        make.line("Upper", [(0, 0), (10, 0)], "G", "Bend", size=0.1, up=9.5, down=9.4),
        make.line("Lower", [(10, 0), (20, 0)], "Bend", "Out", size=0.1, up=9.4),
    ]  # fmt: skip
    state = bench.state(lines, [make.inlet("G", 0, 0), make.outlet("Out", 20, 0, "not found")])
    found = inlet_intakes(state, [replace(WIDE, rim_m=10.0)], [AWAY], LIMITS)
    (one,) = found.rows
    adds_up(one)
    assert one.taken_m3s == 0.0
    assert one.backs_up_m3s == pytest.approx(0.002)
    assert found.line_flow_m3s[1] == pytest.approx(0.0, abs=1e-12)
