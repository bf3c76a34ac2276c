"""What lines carry if more ground, or less, drains to their inlets than on the measured surface."""

from dataclasses import replace

import numpy as np
import pytest

from lotflow.drains.network_flows import DrainWater
from lotflow.drains.storm_findings import less_what_hollows_keep, line_doubts, realised_line_flows
from lotflow.findings import Finding
from lotflow.runoff.rational import RunoffParts

NAMES = ("left", "right")
#: Of the ground of both inlets on the measured surface [m2].
MEASURED = np.array([100.0, 50.0])
#: Nothing changes; 40 m2 change sides; the left one gains 100; nothing drains to the right one.
INTAKE = np.array([[100.0, 50.0], [60.0, 90.0], [200.0, 50.0], [100.0, 0.0]])
#: Steady rain of 180 mm/h, and one and a half times as much in the rarer storm.
RAIN = np.array([5e-5, 7.5e-5])


@pytest.fixture
def joined(bench, make):
    """Two lines that join; a roof of 20 m2 comes in at the left inlet, a sump pump at the right."""

    def state(coefficients=(1.0, 1.0), size=0.2):
        ca = np.outer([100.0, 20.0, 50.0], coefficients)
        ca[1] = 20.0
        parts = RunoffParts(
            ("left", "left", "right"), ("unpaved", "roof", "paved"), np.full(3, 300.0), ca[:, 0], ca
        )
        bench.water = DrainWater(
            parts, make.rain(storms=(2.0, 10.0)), np.array([2.0, 10.0]), {"right": 0.0006}
        )
        lines = [
            make.line("L", [(0, 0), (20, 0)], "left", "m", size=size, up=9.5, down=9.3),
            make.line("R", [(20, 9), (20, 0)], "right", "m", size=size, up=9.5, down=9.3),
            make.line("J", [(20, 0), (40, 0)], "m", "out", size=size, up=9.3, down=9.1),
        ]
        placed = [make.inlet("left", 0, 0), make.inlet("right", 20, 9), make.outlet("out", 40, 0)]
        return bench.state(lines, placed)  # fmt: skip

    return state


def by_line(state, flow):
    """First axis: L, R, J, whatever the order in the network."""
    order = [line.name for line in state.lines]
    return {name: flow[:, order.index(name)] for name in "LRJ"}


def test_flows_follow_the_ground_and_not_roofs_or_pumps(joined):
    """By hand: intensity times (ground + 20 m2 of roof) plus 0.6 l/s."""
    state = joined()
    flow = by_line(state, realised_line_flows(state, NAMES, MEASURED, INTAKE))
    left, right = INTAKE[:, :1] + 20.0, INTAKE[:, 1:]
    assert flow["L"] == pytest.approx(left * RAIN)
    assert flow["R"] == pytest.approx(right * RAIN + 0.0006)
    assert flow["J"] == pytest.approx((left + right) * RAIN + 0.0006)


def test_what_changes_sides_above_a_line_does_not_change_its_flow(joined):
    state = joined()
    flow = by_line(state, realised_line_flows(state, NAMES, MEASURED, INTAKE))
    assert flow["J"][1] == pytest.approx(flow["J"][0])
    assert flow["L"][1, 0] < flow["L"][0, 0]


def test_more_ground_counts_with_the_coefficient_of_the_storm(joined):
    """In the rarer storm coefficients of the ground are 1.25 times as large."""
    state = joined(coefficients=(1.0, 1.25))
    flow = by_line(state, realised_line_flows(state, NAMES, MEASURED, INTAKE))
    assert flow["L"][2, 1] == pytest.approx((200 * 1.25 + 20) * RAIN[1])


def test_an_inlet_without_ground_on_the_measured_surface_may_get_some(joined):
    state = joined()
    water = state.system.water
    parts = replace(
        water.parts, ca_m2=water.parts.ca_m2 * [[1.0], [1.0], [0.0]], area_m2=np.zeros(3)
    )
    dry = replace(state, system=replace(state.system, water=replace(water, parts=parts)))
    intake = np.array([[100.0, 0.0], [100.0, 30.0]])
    flow = by_line(dry, realised_line_flows(dry, NAMES, np.array([100.0, 0.0]), intake))
    assert flow["J"][1, 0] > flow["J"][0, 0]


def test_without_rain_nothing_varies(bench, make):
    state = bench.state(
        [make.line("A", [(0, 0), (20, 0)], "left", "out")],
        [make.inlet("left", 0, 0), make.outlet("out", 20, 0)],
    )
    assert realised_line_flows(state, NAMES, MEASURED, INTAKE).shape == (4, 1, 0)


def doubts(state, share, more=3.0):
    """Findings if in some share of 100 realisations a multiple of the measured flow comes."""
    flow = np.repeat(state.flows.flow_m3s[None], 100, axis=0)
    flow[: round(100 * share)] *= more
    return {finding.subject: finding for finding in line_doubts(state, 1, flow)}


def test_a_line_that_may_be_too_small_is_told_with_its_share(joined):
    """Bore and fall such that the measured flow passes, and three times as much does not."""
    state = joined(size=0.15)
    capacity = state.hydraulics.capacity_m3s
    measured = state.flows.flow_m3s[:, 1]
    too_small = {
        line.name for line, most, flow in zip(state.lines, capacity, measured, strict=True)
        if flow <= most < 3 * flow
    }  # fmt: skip
    assert too_small
    told = doubts(state, 0.23)
    assert set(told) == too_small
    for finding in told.values():
        assert (finding.rule, finding.severity) == ("capacity-within-doubt", "warn")
        assert finding.measured == pytest.approx(0.23)
        assert (finding.facts["more"], finding.facts["realisations"]) == (23, 100)


def test_what_hardly_ever_comes_or_does_not_pass_anyway_is_not_told(joined):
    assert not doubts(joined(size=0.15), 0.05)
    assert not doubts(joined(size=0.4), 0.5)
    assert not doubts(joined(size=0.05), 0.5)  # over capacity as measured: told elsewhere


def test_sediment_counts_as_it_was_found(joined):
    """A line that carries three times its flow clean does not with half its section lost."""
    state = joined(size=0.2)
    clean = set(doubts(state, 0.5))
    lines = [replace(line, condition=replace(line.condition, sediment_m=0.09))
             for line in state.lines]  # fmt: skip
    silted = replace(state, system=state.system.with_lines(lines))
    assert set(doubts(silted, 0.5)) > clean


@pytest.mark.parametrize(("limit", "severity"), [(0.0045, "warn"), (0.001, "fail")])
def test_a_line_too_small_only_for_what_hollows_keep_is_not_said_to_fail(joined, limit, severity):
    """Of 100 m2 at the left inlet hollows keep 80 %; 40 m2 with the roof are left of 120."""
    state = joined()
    found = [Finding("over-capacity", "fail", "L", limit=limit),
             Finding("over-capacity", "fail", "R", limit=limit),
             Finding("too-fast", "warn", "L")]  # fmt: skip
    reaching = {"left": np.array([0.2, 0.2]), "right": np.ones(2)}
    less, *others = less_what_hollows_keep(found, state, 1, reaching)
    assert others == found[1:]
    assert less.severity == severity
    assert less.facts.get("kept") == (pytest.approx(2 / 3) if severity == "warn" else None)
    assert less_what_hollows_keep(found, state, 1, {}) == found
