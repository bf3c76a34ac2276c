"""The grade line of a network against the formulas of one pipe, and published numbers."""

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from lotflow.drains.drain_lines import Condition, DrainLine, GivenInverts, Pipe
from lotflow.drains.grade_line import Reach, grade_line, outlet_level
from lotflow.drains.levels import LineInverts, NodeLevel
from lotflow.drains.losses import bend_coefficient
from lotflow.drains.network import build_network
from lotflow.drains.network_grade import bends_deg, hydraulics, node_coefficient, turn_deg
from lotflow.drains.nodes import DrainNode, EndReach

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
