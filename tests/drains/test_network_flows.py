"""What lines carry: water of all nodes above, when it arrives."""

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from lotflow.drains.drain_lines import Condition, DrainLine, GivenInverts, Pipe
from lotflow.drains.network import build_network
from lotflow.drains.network_flows import DrainWater, Pipes, line_flows, travel_velocity
from lotflow.drains.nodes import DrainNode, EndReach
from lotflow.rainfall import RainfallTable
from lotflow.runoff.rational import RunoffParts

#: Rain whose intensity falls fast with its duration.
RAIN = RainfallTable(
    [300, 900, 3600, 86_400], [10], [[0.0105], [0.0180], [0.0300], [0.0900]], "invented"
)


def test_pipe_chain_of_hec_22(bench, make):
    """FHWA HEC-22, 3rd ed. 2009, example 7-3: C 0.73, 180 mm/h: 0.10, 0.15 and 0.19 m3/s."""
    lines = [
        make.line("40-41", [(0, 0), (20, 0)], "40", "41", size=0.46, material="concrete"),
        make.line("41-42", [(20, 0), (40, 0)], "41", "42", size=0.46, material="concrete"),
        make.line("42-43", [(40, 0), (44, 0)], "42", "43", size=0.61, material="concrete"),
    ]
    placed = [make.inlet("40", 0, 0), make.inlet("41", 20, 0), make.inlet("42", 40, 0),
              make.outlet("43", 44, 0)]  # fmt: skip
    areas = {"40": 0.26, "41": 0.14, "42": 0.13}
    bench.water = make.water(
        [(node, 300.0, 0.73 * ha * 1e4) for node, ha in areas.items()], make.rain(180.0)
    )
    flows = bench.state(lines, placed).flows
    # printed to two digits, the areas from sums of rounded products
    assert flows.flow_m3s[:, 0] == pytest.approx([0.10, 0.15, 0.19], abs=0.0055)
    assert flows.ca_m2[:, 0] / 1e4 == pytest.approx([0.19, 0.29, 0.38], abs=0.008)


def test_late_lawn_does_not_hide_the_early_pavement(bench, make):
    """By hand: 300 s on 200 m2 is 7.0 l/s; 3600 s on 300 m2 is 2.5 l/s."""
    placed = [make.inlet("in", 0, 0), make.outlet("out", 20, 0)]
    bench.water = make.water([("in", 300.0, 200.0), ("in", 3600.0, 100.0)], RAIN)
    flows = bench.state([make.line("A", [(0, 0), (20, 0)], up=9.5, down=9.3)], placed).flows
    assert flows.flow_m3s[0, 0] == pytest.approx(0.0105 / 300 * 200)
    assert (flows.time_s[0, 0], flows.ca_m2[0, 0]) == (300.0, 200.0)


def test_travel_time_delays_what_comes_from_above(bench, make):
    """Upper water arrives later by length over velocity, and the rain of that time counts."""
    lines = [make.line("A", [(0, 0), (40, 0)], "in", "m", up=9.5, down=9.1),
             make.line("B", [(40, 0), (50, 0)], "m", "out", up=9.1, down=9.0)]  # fmt: skip
    placed = [make.inlet("in", 0, 0), make.outlet("out", 50, 0)]
    bench.water = make.water([("in", 300.0, 100.0)], RAIN)
    state = bench.state(lines, placed)
    velocity = state.hydraulics.velocity_m_s[0, 0]
    assert state.flows.time_s[1, 0] == pytest.approx(300.0 + 40.0 / velocity, rel=1e-3)
    late = float(RAIN.intensity(state.flows.time_s[1, 0], 10.0)) * 100.0
    assert state.flows.flow_m3s[1, 0] == pytest.approx(late)
    assert state.flows.flow_m3s[1, 0] < state.flows.flow_m3s[0, 0]


def test_given_flow_runs_all_the_way_down(bench, make):
    """A sump pump's 0.6 l/s adds to every line below it, also without any rain there."""
    lines = [make.line("A", [(0, 0), (20, 0)], "in", "m", up=9.5, down=9.3),
             make.line("B", [(20, 0), (30, 0)], "m", "out", up=9.3, down=9.2),
             make.line("C", [(20, 9), (20, 0)], "in2", "m", up=9.5, down=9.3)]  # fmt: skip
    placed = [make.inlet("in", 0, 0), make.inlet("in2", 20, 9), make.outlet("out", 30, 0)]
    bench.water = make.water([("in2", 300.0, 10.0)], given={"in": 0.0006})
    state = bench.state(lines, placed)
    flow = dict(zip([line.name for line in state.lines], state.flows.flow_m3s[:, 0], strict=True))
    assert flow["A"] == pytest.approx(0.0006)
    assert flow["B"] == pytest.approx(0.0006 + flow["C"])


def test_channel_with_two_outlets_divides_its_water(bench, make):
    """Shares of a quarter and three quarters of the length."""
    channel = DrainNode(
        "ch", "inlet", shapely.LineString([(0, 0), (8, 0)]), "channel drain"
    )  # fmt: skip
    lines = [make.line("L", [(0, 0), (0, 9)], "ch", "o1", up=9.5, down=9.3),
             make.line("R", [(4, 0), (4, 9)], "ch", "o2", up=9.5, down=9.3)]  # fmt: skip
    bench.water = make.water([("ch", 300.0, 80.0)])
    placed = [channel, make.outlet("o1", 0, 9), make.outlet("o2", 4, 9)]
    flows = bench.state(lines, placed).flows.flow_m3s[:, 0]
    assert flows == pytest.approx(np.array([0.25, 0.75]) * 0.05 * 80 * 1e-3)


def _chain(areas, times):
    """Inlets n0, n1, ... one after the other, each with a part; the last line runs out."""
    lines, placed = [], [DrainNode("out", "outlet", shapely.Point(20 * len(areas), 0), "curb")]
    for i in range(len(areas)):
        path = shapely.LineString([(20 * i, 0), (20 * i + 20, 0)])
        end = f"n{i + 1}" if i + 1 < len(areas) else "out"
        pipe = Pipe("pvc", 0.010, 0.1, 0.1, 0.1)
        lines.append(
            DrainLine(f"L{i}", path, 20.0, f"n{i}", end, False, pipe, GivenInverts(), Condition())
        )
        placed.append(DrainNode(f"n{i}", "inlet", shapely.Point(20 * i, 0)))
    network, _ = build_network(lines, placed, EndReach(0.5, 0.5))
    parts = RunoffParts(
        tuple(f"n{i}" for i in range(len(areas))), ("unpaved",) * len(areas),
        np.array(times), np.array(areas), np.array(areas)[:, None],
    )  # fmt: skip
    pipes = Pipes(*(np.full(len(areas), value) for value in (0.1, 0.01, 0.010, 20.0)))
    water = DrainWater(parts, RAIN, np.array([10.0]), {})
    return line_flows(network, water, pipes).flow_m3s[:, 0]


@given(
    st.lists(st.tuples(st.floats(0, 400), st.floats(300, 3000)), min_size=2, max_size=6),
    st.integers(0, 5),
    st.floats(0.1, 400),
)
@settings(max_examples=40, deadline=None)
def test_more_water_at_one_inlet_never_means_less_in_any_line(inlets, which, more):
    """Also where it makes a pipe run full, and so slower than at four fifths."""
    areas, times = (list(values) for values in zip(*inlets, strict=True))
    before = _chain(areas, times)
    areas[which % len(areas)] += more
    assert (_chain(areas, times) >= before * (1 - 1e-12)).all()


@given(st.lists(st.floats(0, 0.05), min_size=2, max_size=20))
def test_travel_velocity_never_falls_with_the_flow(flows):
    """From a trickle to several times the capacity, also in a pipe without fall."""
    sorted_flows = np.sort(flows)[None, :].repeat(2, axis=0)
    pipes = Pipes(np.array([0.1, 0.1]), np.array([0.01, -0.01]), np.full(2, 0.01), np.full(2, 9.0))
    assert (np.diff(travel_velocity(sorted_flows, pipes), axis=1) >= -1e-12).all()


def test_adding_an_empty_inlet_changes_nothing():
    """An inlet that takes no area leaves the flows of all others as they are."""
    with_it = _chain([100.0, 0.0, 80.0], [300.0, 400.0, 600.0])
    assert with_it[0] == _chain([100.0], [300.0])[0]
    assert with_it[2] > with_it[0]
