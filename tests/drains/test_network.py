"""Lines become a forest that runs downstream; whatever is drawn wrong is found, with its place."""

from itertools import pairwise

import networkx as nx
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from lotflow.drains.drain_lines import Condition, DrainLine, GivenInverts, Pipe
from lotflow.drains.network import build_network, connection_findings
from lotflow.drains.nodes import DrainNode, EndReach
from lotflow.errors import InputError

REACH = EndReach(0.5, 0.5)


def build(lines, placed, **names):
    network, findings = build_network(lines, placed, REACH, **names)
    return network, [*findings, *connection_findings(network)]


def rules(findings):
    return {finding.rule for finding in findings}


@given(st.lists(st.integers(0, 100), min_size=1, max_size=25), st.randoms())
@settings(max_examples=60, deadline=None)
def test_random_tree_is_what_networkx_makes_of_it(choices, random):
    """Order, upstream sets and outlets of random trees, rows shuffled, against networkx."""
    graph = nx.DiGraph()
    lines = []
    for node, choice in enumerate(choices, start=1):
        parent = choice % node
        path = shapely.LineString([(node, 5), (parent, 0)])
        name = "outlet" if parent == 0 else f"n{parent}"
        graph.add_edge(f"n{node}", name, line=f"L{node}")
        lines.append(
            DrainLine(f"L{node}", path, path.length, f"n{node}", name, False,
                      Pipe("pvc", 0.010, 0.1, 0.1, 0.1), GivenInverts(), Condition())
        )  # fmt: skip
    random.shuffle(lines)
    placed = [DrainNode("outlet", "outlet", shapely.Point(0, 0), "curb")]
    entries = {f"n{node}" for node in range(1, len(choices) + 1)}
    network, _ = build(lines, placed, entries=entries)
    place = {line.name: i for i, line in enumerate(network.lines)}
    for start, end, line in graph.edges(data="line"):
        below = [data["line"] for _, _, data in graph.out_edges(end, data=True)]
        assert all(place[line] < place[other] for other in below)
        way = nx.shortest_path(graph, start, "outlet")
        expected = [graph.edges[pair]["line"] for pair in pairwise(way)]
        assert [network.lines[i].name for i in network.way_down(place[line])] == expected
        assert network.outlet(place[line]).name == "outlet"
    assert network.share.tolist() == [1.0] * len(lines)


def test_order_does_not_depend_on_rows(make):
    """The same lines in another order give the same network."""
    lines = [make.line("A", [(0, 0), (10, 0)], "in", "mid"), make.line("B", [(10, 0), (20, 0)],
             "mid", "out"), make.line("C", [(10, 9), (10, 0)], "in2", "mid")]  # fmt: skip
    placed = [make.inlet("in", 0, 0), make.inlet("in2", 10, 9), make.outlet("out", 20, 0)]
    first, second = build(lines, placed)[0], build(lines[::-1], placed)[0]
    assert [line.name for line in first.lines] == [line.name for line in second.lines]


def test_ends_without_names_meet_what_lies_within_reach(make):
    """Inlet, joint of three ends and outlet are found by place alone; 0.6 m off they are not."""
    lines = [make.line("A", [(0.3, 0), (10, 0)]), make.line("B", [(10.2, 0.1), (20, 0.3)]),
             make.line("C", [(10, 9), (10, 0.2)])]  # fmt: skip
    placed = [make.inlet("in", 0, 0), make.inlet("in2", 10, 9), make.outlet("out", 20, 0)]
    network, findings = build(lines, placed)
    assert not findings
    assert {network.outlet(i).name for i in range(3)} == {"out"}
    far = [lines[0], make.line("B", [(10.7, 0), (20, 0)]), lines[2]]
    network, findings = build(far, placed)
    loose = [f for f in findings if f.rule == "loose-end"]
    assert len(loose) == 1
    assert (loose[0].severity, loose[0].x, loose[0].y) == ("fail", 10.0, 0.0)


def test_line_drawn_backwards_is_turned_round(make):
    """By its names, and without names by the outlet at its start."""
    placed = [make.inlet("in", 0, 0), make.outlet("out", 20, 0)]
    for line in (make.line("A", [(20, 0), (0, 0)], "in", "out"), make.line("A", [(20, 0), (0, 0)])):
        network, findings = build([line], placed)
        assert rules(findings) == {"line-drawn-backwards"}
        assert list(network.lines[0].path.coords) == [(0.0, 0.0), (20.0, 0.0)]
        assert (network.lines[0].start, network.lines[0].end) == ("in", "out")


def test_end_away_from_its_node_is_said_with_the_distance(make):
    """The name counts, and the finding says how far off the end is drawn."""
    placed = [make.inlet("in", 0, 0), make.outlet("out", 20, 0)]
    _, findings = build([make.line("A", [(0, 3), (20, 0)], "in", "out")], placed)
    assert [(f.rule, f.measured, f.limit) for f in findings] == [("line-off-its-node", 3.0, 0.5)]


@pytest.mark.parametrize(
    ("start", "end", "at", "column", "remedy"),
    [
        ("in", "Crub", (20, 9), "to_node", "Did you mean 'Curb'?"),
        ("in", "X", (20, 0), "to_node", "Did you mean 'Curb'?"),
        ("in", "nowhere at all", (20, 9), "to_node", "Draw an outlet of this name"),
        ("inn", "Curb", (20, 0), "from_node", "Did you mean 'in'?"),
    ],
)
def test_unknown_node_is_refused(make, start, end, at, column, remedy):
    """The fault names column, value and the nearest known name."""
    placed = [make.inlet("in", 0, 0), make.outlet("Curb", 20, 0)]
    with pytest.raises(InputError) as error:
        build([make.line("A", [(0, 0), at], start, end)], placed)
    assert len(error.value.faults) == 1
    fault = error.value.faults[0]
    assert (fault.layer, fault.column) == ("drain_lines", column)
    assert remedy in fault.remedy


def test_line_that_ends_where_it_starts_is_refused(make):
    """A line from an inlet to the same inlet is no line."""
    with pytest.raises(InputError, match="starts and ends at in"):
        build([make.line("A", [(0, 0), (20, 0)], "in", "in")], [make.inlet("in", 0, 0)])


def test_circle_is_cut_and_told_of_with_all_its_lines(make):
    """Every line of the circle fails; what enters each is still known."""
    lines = [make.line("A", [(0, 0), (10, 0)], "in", "m1"), make.line("B", [(10, 0), (20, 0)],
             "m1", "m2"), make.line("C", [(20, 0), (10, 0)], "m2", "m1")]  # fmt: skip
    network, findings = build(lines, [make.inlet("in", 0, 0)])
    circle = [f for f in findings if f.rule == "lines-in-a-circle"]
    assert sorted(f.subject for f in circle) == ["B", "C"]
    assert all(f.facts["lines"] == ("B", "C") and f.x is not None for f in circle)
    assert len(network.lines) == 3


def test_split_leads_all_water_down_the_lowest_line(make):
    """One line takes all, the other none, and two outlets of one system are said."""
    lines = [make.line("High", [(0, 0), (20, 5)], "in", "o1", up=9.0),
             make.line("Low", [(0, 0), (20, -5)], "in", "o2", up=8.5)]  # fmt: skip
    placed = [make.inlet("in", 0, 0), make.outlet("o1", 20, 5), make.outlet("o2", 20, -5)]
    network, findings = build(lines, placed)
    share = {line.name: network.share[i] for i, line in enumerate(network.lines)}
    assert share == {"High": 0.0, "Low": 1.0}
    assert rules(findings) == {"lines-split", "several-outlets"}


def test_channel_drain_with_outlets_at_both_ends_is_no_split(make):
    """Each line takes the water of its half."""
    channel = DrainNode(
        "ch", "inlet", shapely.LineString([(0, 0), (10, 0)]), "channel drain"
    )  # fmt: skip
    lines = [make.line("L", [(0, 0), (0, 9)], "ch", "o1"),
             make.line("R", [(10, 0), (10, 9)], "ch", "o2")]  # fmt: skip
    network, findings = build(
        lines, [channel, make.outlet("o1", 0, 9), make.outlet("o2", 10, 9)]
    )  # fmt: skip
    assert network.share.tolist() == [0.5, 0.5]
    assert not findings


def test_end_on_the_middle_of_a_line_joins_at_its_upper_end(make):
    """The branch counts from the upper end of the main on, and it is said where."""
    lines = [make.line("Main", [(0, 0), (20, 0)]), make.line("Branch", [(8, 6), (8, 0.2)])]
    placed = [make.inlet("in", 0, 0), make.inlet("in2", 8, 6), make.outlet("out", 20, 0)]
    network, findings = build(lines, placed)
    assert {line.name: line.end for line in network.lines} == {"Main": "out", "Branch": "in"}
    joined = next(f for f in findings if f.rule == "line-joins-midway")
    assert (joined.subject, joined.x, joined.y) == ("Branch", 8.0, 0.2)


def test_several_systems_idle_inlets_and_outlets_are_said(make):
    """Two systems on one lot, an inlet without a line, an outlet nothing runs to."""
    lines = [make.line("A", [(0, 0), (20, 0)], "i1", "o1"),
             make.line("B", [(0, 9), (20, 9)], "i2", "o2")]  # fmt: skip
    placed = [
        make.inlet("i1", 0, 0), make.inlet("i2", 0, 9), make.inlet("i3", 5, 15),
        make.outlet("o1", 20, 0), make.outlet("o2", 20, 9), make.outlet("o3", 20, 15),
    ]  # fmt: skip
    _, findings = build(lines, placed)
    assert rules(findings) == {"several-systems", "inlet-without-line", "outlet-without-line"}
    assert next(f for f in findings if f.rule == "several-systems").measured == 2


def test_name_of_another_case_makes_a_loose_end(make):
    """A line that stays, and leads to what is yet to be built, ends nowhere today."""
    _, findings = build(
        [make.line("A", [(0, 0), (20, 0)], "in", "new")], [make.inlet("in", 0, 0)],
        elsewhere={"new"},
    )  # fmt: skip
    assert rules(findings) == {"loose-end"}
