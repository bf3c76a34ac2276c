"""The grade line from the outlet up: of one drain, of a network against it, and published."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from lotflow.drains.circular_section import critical_depth, normal_flow
from lotflow.drains.drain_lines import Condition, DrainLine, GivenInverts, Pipe
from lotflow.drains.grade_line import (
    EMITTER_OPENING_HEAD_M,
    Reach,
    bends_deg,
    emitter_level,
    grade_line,
    hydraulics,
    node_coefficient,
    outlet_level,
    reach_grade,
    turn_deg,
)
from lotflow.drains.levels import LineInverts, NodeLevel
from lotflow.drains.losses import bend_coefficient, friction_loss, velocity_head
from lotflow.drains.network import build_network
from lotflow.drains.nodes import DrainNode, EndReach
from lotflow.drains.pipes import full_flow_capacity
from lotflow.errors import ParameterError

FOOT = 0.3048
CFS = FOOT**3
D = 0.1016


def a_reach(**changes):
    """Twenty metres of smooth 4 in pipe at 1 %."""
    return replace(Reach(0.004, D, 20.0, 0.010, 30.0, 30.2), **changes)


reaches = st.builds(
    lambda flow, diameter, length, down, fall: Reach(
        flow, diameter, length, 0.010, down, down + fall * length
    ),
    st.floats(0.0, 0.05),
    st.floats(0.05, 0.3),
    st.floats(1.0, 60.0),
    st.floats(20.0, 21.0),
    st.floats(-0.01, 0.1),
)


@settings(max_examples=25, deadline=None)
@given(st.floats(15.0, 25.0), reaches)
def test_the_line_never_lies_below_normal_depth_nor_below_the_water_below(level, reach):
    grade = reach_grade(level, reach)
    normal = normal_flow(reach.flow, reach.diameter, reach.slope, reach.roughness)
    depth = 0.0 if normal.surcharged else normal.depth
    assert grade.pipe_down >= max(level, reach.invert_down + depth) - 1e-9
    assert grade.pipe_up >= reach.invert_up + depth - 1e-9
    assert grade.pipe_up >= grade.pipe_down - 1e-9
    assert grade.node_up >= grade.pipe_up - 1e-9
    assert grade.surcharged == normal.surcharged


@settings(max_examples=25, deadline=None)
@given(st.floats(15.0, 25.0), st.floats(0.0, 2.0), reaches)
def test_higher_water_below_never_lowers_the_water_above(level, rise, reach):
    lower, higher = reach_grade(level, reach), reach_grade(level + rise, reach)
    assert higher.pipe_up >= lower.pipe_up - 1e-9


def test_a_drowned_pipe_adds_friction_bends_and_velocity_heads():
    reach = a_reach(bend_coefficient=bend_coefficient(90.0))
    grade = reach_grade(31.0, reach)
    head = velocity_head(0.004 / (np.pi * D**2 / 4))
    friction = friction_loss(0.004, D, 20.0, 0.010)
    assert grade.pipe_up == pytest.approx(31.0 + friction + 0.297 * head)
    assert grade.node_up == pytest.approx(grade.pipe_up + 1.5 * head)


def test_a_free_pipe_runs_at_normal_depth_whatever_lies_far_below():
    low, lower = reach_grade(29.0, a_reach()), reach_grade(10.0, a_reach())
    depth = normal_flow(0.004, D, 0.01, 0.010).depth
    assert low == lower
    assert low.pipe_down == pytest.approx(30.0 + depth)
    assert low.pipe_up == pytest.approx(30.2 + depth)
    assert low.own_depth == pytest.approx(depth)


def test_still_water_stands_level_through_a_pipe_without_flow():
    grade = reach_grade(30.5, a_reach(flow=0.0))
    assert (grade.pipe_down, grade.pipe_up, grade.node_up) == (30.5, 30.5, 30.5)
    empty = reach_grade(29.0, a_reach(flow=0.0))
    assert (empty.pipe_down, empty.pipe_up, empty.node_up) == (30.0, 30.2, 30.2)


def test_a_steep_pipe_is_held_by_its_entrance():
    # at 10 % the flow is faster than critical: water in the basin stands at critical energy
    grade = reach_grade(29.0, a_reach(invert_up=32.0))
    critical = critical_depth(0.004, D)
    assert grade.own_depth < critical
    angle = 2 * np.arccos(1 - 2 * critical / D)
    area = D**2 / 8 * (angle - np.sin(angle))
    assert grade.node_up == pytest.approx(32.0 + critical + 1.5 * velocity_head(0.004 / area))


@pytest.mark.parametrize("fall", [0.0, -0.1])
def test_a_pipe_without_fall_is_driven_by_the_water_above_it(fall):
    reach = a_reach(invert_up=30.0 + fall)
    grade = reach_grade(29.0, reach)
    end = 0.5 * (critical_depth(0.004, D) + D)
    assert grade.surcharged is True
    assert grade.own_depth == pytest.approx(end)
    assert grade.pipe_up == pytest.approx(30.0 + end + friction_loss(0.004, D, 20.0, 0.010))


def test_a_surcharged_pipe_is_said_to_be_so_and_its_line_is_steeper_than_the_pipe():
    flow = 1.3 * full_flow_capacity(D, 0.01, 0.010)
    grade = reach_grade(29.0, a_reach(flow=flow))
    assert grade.surcharged is True
    assert (grade.pipe_up - grade.pipe_down) / 20.0 == pytest.approx(0.01 * 1.3**2)


def test_the_chain_hands_the_node_on_and_arrays_do_as_numbers_do():
    lower, upper = a_reach(), a_reach(invert_down=30.2, invert_up=30.4, flow=0.003)
    first, second = grade_line(30.6, [lower, upper])
    assert second == reach_grade(first.node_up, upper)
    both = reach_grade(
        np.array([30.6, first.node_up]),
        Reach(
            np.array([0.004, 0.003]), D, 20.0, 0.010, np.array([30, 30.2]), np.array([30.2, 30.4])
        ),
    )
    assert both.node_up == pytest.approx([first.node_up, second.node_up])


# HEC-22, 3rd ed. 2009, section 7.1.5: start at the higher of tailwater and (dc + D) / 2
@pytest.mark.parametrize(
    ("cfs", "critical", "start"), [(0.05, 0.123, 0.228), (0.10, 0.177, 0.255), (0.20, 0.252, 0.293)]
)
def test_start_of_the_line_at_a_free_4_inch_end(cfs, critical, start):
    assert critical_depth(cfs * CFS, D) / FOOT == pytest.approx(critical, abs=6e-4)
    assert outlet_level(0.0, cfs * CFS, D) / FOOT == pytest.approx(start, abs=6e-4)


def test_tailwater_above_the_start_takes_over():
    assert outlet_level(30.0, 0.004, D, tailwater=30.5) == 30.5
    assert outlet_level(30.0, 0.0, D) == 30.0
    assert outlet_level(30.0, 0.0, D, tailwater=29.0) == 30.0


def test_an_emitter_needs_its_opening_head_only_while_water_flows():
    assert emitter_level(30.0, 0.001) == 30.0 + EMITTER_OPENING_HEAD_M
    assert emitter_level(30.0, 0.001, opening_head=0.05) == 30.05
    assert emitter_level(30.0, 0.0) == 30.0


# emitter check, computed independently: 0.25 cfs, 4 in, n 0.010, 60 ft, two 45 degree bends:
# friction 0.613, bends 0.038, entrance 0.064, exit 0.127, total 0.84 ft above lip and lid
def test_emitter_example_term_by_term():
    flow = 0.25 * CFS
    velocity = flow / (np.pi * D**2 / 4)
    head = velocity_head(velocity) / FOOT
    assert velocity / FOOT == pytest.approx(2.865, abs=6e-4)
    assert head == pytest.approx(0.127, abs=6e-4)
    assert friction_loss(flow, D, 60 * FOOT, 0.010) / FOOT == pytest.approx(0.613, abs=6e-4)
    assert 2 * bend_coefficient(45.0) * head == pytest.approx(0.038, abs=6e-4)
    lip = emitter_level(10.0, flow)
    reach = Reach(flow, D, 60 * FOOT, 0.010, 9.5, 9.6, 2 * bend_coefficient(45.0))
    assert (reach_grade(lip, reach).node_up - lip) / FOOT == pytest.approx(0.84, abs=0.005)


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: a_reach(diameter=-0.1), "diameter must be greater than 0, not -0.1"),
        (lambda: a_reach(length=0.0), "length must be greater than 0, not 0"),
        (lambda: a_reach(roughness=0.0), "roughness must be greater than 0"),
        (lambda: a_reach(flow=-0.1), "flow must be 0 or more"),
        (lambda: a_reach(invert_up=np.nan), "invert up must be a finite number, not nan"),
        (lambda: a_reach(node_coefficient=-1.0), "node coefficient must be 0 or more"),
        (lambda: reach_grade(np.inf, a_reach()), "level below must be a finite number"),
        (lambda: emitter_level(30.0, 0.1, opening_head=-0.1), "opening head must be 0 or more"),
        (lambda: outlet_level(np.nan, 0.1, D), "invert must be a finite number"),
    ],
)
def test_outside_the_domain_the_value_and_the_rule_are_said(call, message):
    with pytest.raises(ParameterError, match=message):
        call()


FOOT, CFS = 0.3048, 0.0283168


def test_chain_is_the_grade_line_of_its_pipes(bench, make):
    """Three pipes in series between inlets: level by level what `grade_line` gives."""
    lines = [make.line("A", [(0, 0), (20, 0)], "i1", "i2", up=9.5, down=9.3),
             make.line("B", [(20, 0), (30, 0)], "i2", "i3", up=9.3, down=9.2),
             make.line("C", [(30, 0), (45, 0)], "i3", "out", up=9.2, down=9.05)]  # fmt: skip
    placed = [make.inlet("i1", 0, 0), make.inlet("i2", 20, 0), make.inlet("i3", 30, 0),
              make.outlet("out", 45, 0)]  # fmt: skip
    bench.water = make.water([("i1", 300.0, 40.0), ("i2", 300.0, 60.0), ("i3", 300.0, 90.0)])
    state = bench.state(lines, placed)
    flow = state.flows.flow_m3s[:, 0]
    reaches = [
        Reach(float(q), 0.1016, line.length_m, 0.010, line.given.down_m, line.given.up_m)
        for q, line in zip(flow, state.lines, strict=True)
    ]
    start = outlet_level(9.05, float(flow[2]), 0.1016)
    expected = [grade.node_up for grade in grade_line(float(start), reaches[::-1])]
    assert state.hydraulics.node_m[::-1, 0] == pytest.approx(expected, abs=1e-9)


def test_emitter_lip_holds_the_line_up(bench, make):
    """0.25 cfs in 60 ft of 4 in pipe, two 45 degree bends: 0.84 ft above lip and opening head."""
    run = 60 * FOOT / 3
    corners = [(0, 0), (run, 0), (run * (1 + 0.5**0.5), run * 0.5**0.5)]
    path = [*corners, (corners[-1][0] + run, corners[-1][1])]
    lip = 9.5
    bench.inverts = {"out": lip}
    line = make.line("A", path, "in", "out", up=9.1, down=9.0)
    placed = [make.inlet("in", 0, 0), make.outlet("out", *path[-1], "pop-up emitter")]
    bench.water = make.water([], given={"in": 0.25 * CFS})
    state = bench.state([line], placed)
    assert bends_deg(line.path) == pytest.approx([45.0, 45.0])
    above = (state.hydraulics.node_m[0, 0] - lip - 0.0254) / FOOT
    assert above == pytest.approx(0.84, abs=0.005)


def test_turn_of_a_junction_counts_as_an_access_hole(bench, make):
    """FHWA HEC-22, 3rd ed. 2009, 7.1.6: straight 0.15, right angle 1.00, no more beyond it."""
    main = make.line("B", [(20, 0), (40, 0)], "m", "out")
    placed = [make.inlet("in", 0, 0), make.outlet("out", 40, 0)]
    for start, turn, expected in (((0, 0), 0.0, 0.15), ((20, 9), 90.0, 1.0), ((29, 9), 135.0, 1.0)):
        branch = make.line("A", [start, (20, 0)], "in", "m")
        network, _ = bench.network([branch, main], [make.inlet("in", *start), placed[1]])
        assert turn_deg(network.lines[0], network.lines[1]) == pytest.approx(turn)
        assert node_coefficient(network, 1) == pytest.approx(expected)
        assert node_coefficient(network, 0) == 1.5  # still water in the inlet


def test_bends_are_lost_in_the_line(bench, make):
    """A right angle costs 0.0033 velocity heads per degree (FHWA HEC-22, section 7.1.6)."""
    placed = [make.inlet("in", 0, 0), make.outlet("out", 10, 10)]
    straight = make.line("A", [(0, 0), (20, 0)], "in", "out", up=9.0, down=9.0, size=0.1)
    bent = make.line("A", [(0, 0), (10, 0), (10, 10)], "in", "out", up=9.0, down=9.0, size=0.1)
    bench.water = make.water([], given={"in": 0.008})
    without = bench.state([straight], placed).hydraulics.node_m[0, 0]
    head = (0.008 / (np.pi * 0.05**2)) ** 2 / (2 * 9.80665)
    got = bench.state([bent], placed).hydraulics.node_m[0, 0]
    assert got - without == pytest.approx(float(bend_coefficient(90.0)) * head, rel=1e-6)


@given(
    st.lists(st.tuples(st.floats(-0.3, 0.6), st.floats(0, 0.03)), min_size=1, max_size=6),
    st.floats(0.05, 0.3),
)
@settings(max_examples=40, deadline=None)
def test_grade_line_never_lies_below_normal_depth(falls, size):
    """Whatever the falls, also adverse, and the flows."""
    count = len(falls)
    lines, placed = [], [DrainNode("n0", "outlet", shapely.Point(0, 0), "daylight")]
    for i in range(count):
        path = shapely.LineString([(10 * i + 10, 0), (10 * i, 0)])
        pipe, ends = Pipe("pvc", 0.010, size, size, size), (f"n{i + 1}", f"n{i}")
        lines.append(
            DrainLine(f"L{i}", path, 10.0, *ends, False, pipe, GivenInverts(), Condition())
        )
    entries = {f"n{i + 1}" for i in range(count)}
    network, _ = build_network(lines, placed, EndReach(0.5, 0.5), entries=entries)
    down = np.concatenate([[0.0], np.cumsum([fall for fall, _ in falls])[:-1]])[::-1]
    up = np.cumsum([fall for fall, _ in falls])[::-1]
    flow = np.array([flow for _, flow in falls])[::-1][:, None]
    inverts = LineInverts(up, down, ("given",) * count, ("given",) * count)
    nodes = {name: NodeLevel(9.0, 9.0) for name in network.nodes}
    done = hydraulics(network, inverts, nodes, flow)
    depth = np.nan_to_num(done.depth_m[:, 0])
    assert (done.level_down_m[:, 0] >= down + depth - 1e-9).all()
    assert (done.level_up_m[:, 0] >= up + depth - 1e-9).all()
    assert (done.node_m >= done.level_up_m - 1e-9).all()
