"""The network of drain lines: a forest that runs down to outlets, and how it hangs together."""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass, replace
from functools import cached_property
from graphlib import CycleError, TopologicalSorter
from itertools import pairwise
from typing import TYPE_CHECKING, Final

import numpy as np

from lotflow.drains.nodes import DrainNode, EndReach, end_point, match_ends
from lotflow.findings import Finding

if TYPE_CHECKING:
    from collections.abc import Collection, Mapping, Sequence

    from lotflow.drains.drain_lines import DrainLine
    from lotflow.grid import FloatArray

_OWN_RULE: Final = "lotflow's rule"


@dataclass(frozen=True, eq=False)
class Network:
    """
    Lines between nodes, upstream lines before those they run into.

    Parameters
    ----------
    lines
        In flow order, each with both nodes named.
    share
        Per line, the share of its upper node's water that it takes [-]: 1 in a tree. Of two
        lines that leave a channel drain at different places each takes that of its stretch; of
        others that leave one node the lowest takes all.
    """

    lines: tuple[DrainLine, ...]
    nodes: Mapping[str, DrainNode]
    share: FloatArray

    @cached_property
    def entering(self) -> dict[str, list[int]]:
        """Lines that run into each node."""
        found: dict[str, list[int]] = defaultdict(list)
        for position, line in enumerate(self.lines):
            found[line.end].append(position)
        return dict(found)

    @cached_property
    def leaving(self) -> dict[str, list[int]]:
        """Lines that start at each node, the one that takes most first."""
        found: dict[str, list[int]] = defaultdict(list)
        for position, line in enumerate(self.lines):
            found[line.start].append(position)
        return {name: sorted(at, key=lambda i: -self.share[i]) for name, at in found.items()}

    def next_line(self, position: int) -> int | None:
        """Line that takes a line's water on; None at an outlet or loose end."""
        following = self.leaving.get(self.lines[position].end)
        return following[0] if following else None

    def way_down(self, position: int) -> list[int]:
        """Lines from one to its outlet, itself first."""
        way = [position]
        while (following := self.next_line(way[-1])) is not None:
            way.append(following)
        return way

    def outlet(self, position: int) -> DrainNode:
        """Node at which a line's water leaves the drains."""
        return self.nodes[self.lines[self.way_down(position)[-1]].end]

    def with_lines(self, lines: Sequence[DrainLine]) -> Network:
        """
        Lay the same network with other pipes or levels.

        Parameters
        ----------
        lines
            In the same order, between the same nodes.
        """
        return replace(self, lines=tuple(lines))


def build_network(
    lines: Sequence[DrainLine],
    placed: Sequence[DrainNode],
    reach: EndReach,
    *,
    entries: Collection[str] = (),
    elsewhere: Collection[str] = (),
) -> tuple[Network, list[Finding]]:
    """
    Connect lines to a network that runs downstream.

    Lines that run in a circle are cut off at their lower ends, so that what enters each is
    still known; it is a failure all the same.

    Parameters
    ----------
    reach
        How far an end may be drawn from its node.
    entries
        Names at which downspouts enter.
    elsewhere
        Names of inlets and outlets that take no part in this case of the system.

    Returns
    -------
    network, findings
        The network, and what is wrong with the way it is connected.

    Raises
    ------
    InputError
        If a name is no node's, or a line ends where it starts.

    Examples
    --------
    >>> import shapely
    >>> from lotflow.drains.drain_lines import Condition, DrainLine, GivenInverts, Pipe
    >>> pipe = Pipe("pvc", 0.010, 0.1, 0.1, 0.1)
    >>> def line(name, start, end, *ends):
    ...     return DrainLine(name, shapely.LineString(ends), 9.0, start, end, False, pipe,
    ...                      GivenInverts(), Condition())
    >>> lower = line("L2", "", "Curb", (0, 9), (0, 0))
    >>> upper = line("L1", "Basin", "", (0, 18), (0, 9.2))
    >>> placed = [DrainNode("Basin", "inlet", shapely.Point(0, 18)),
    ...           DrainNode("Curb", "outlet", shapely.Point(0, 0), "curb")]
    >>> network, findings = build_network([lower, upper], placed, EndReach(0.5, 0.5))
    >>> [line.name for line in network.lines], network.outlet(0).name, findings
    (['L1', 'L2'], 'Curb', [])
    """
    named, nodes, findings = match_ends(
        lines, placed, reach, entries=entries, elsewhere=elsewhere
    )  # fmt: skip
    named, nodes = _without_cycles(named, nodes, findings)
    ordered = _in_flow_order(named)
    share, splits = _shares(ordered, nodes)
    network = Network(tuple(ordered), nodes, share)
    return network, findings + splits


def _sorter(lines: Sequence[DrainLine]) -> TopologicalSorter[str]:
    """Order of the nodes; names are added sorted, so that the order never depends on rows."""
    sorter: TopologicalSorter[str] = TopologicalSorter()
    for line in sorted(lines, key=lambda line: line.name):
        sorter.add(line.end, line.start)
    return sorter


def _without_cycles(
    lines: list[DrainLine], nodes: dict[str, DrainNode], findings: list[Finding]
) -> tuple[list[DrainLine], dict[str, DrainNode]]:
    """Cut lines that run in a circle at their lower ends, one circle after the other."""
    lines, nodes = list(lines), dict(nodes)
    while True:
        try:
            _sorter(lines).prepare()
        except CycleError as error:
            # the first and the last node are the same; each precedes the next in flow
            circle = error.args[1]
            pairs = set(pairwise(circle))
        else:
            return lines, nodes
        inside = [i for i, line in enumerate(lines) if (line.start, line.end) in pairs]
        names = tuple(sorted(lines[i].name for i in inside))
        for i in inside:
            at = end_point(lines[i], "end")
            cut = DrainNode(f"end of {lines[i].name}", "loose end", at)
            nodes[cut.name] = cut
            findings.append(
                Finding(
                    "lines-in-a-circle", "fail", lines[i].name,
                    facts={"lines": names}, source=_OWN_RULE, x=float(at.x), y=float(at.y),
                )
            )  # fmt: skip
            lines[i] = replace(lines[i], end=cut.name)


def _in_flow_order(lines: Sequence[DrainLine]) -> list[DrainLine]:
    """Lines sorted so that each comes after those that run into it."""
    place = {name: order for order, name in enumerate(_sorter(lines).static_order())}
    return sorted(lines, key=lambda line: (place[line.start], place[line.end], line.name))


def _shares(
    lines: Sequence[DrainLine], nodes: Mapping[str, DrainNode]
) -> tuple[FloatArray, list[Finding]]:
    """How the water of each node divides over the lines that leave it."""
    share = np.ones(len(lines))
    leaving: dict[str, list[int]] = defaultdict(list)
    for position, line in enumerate(lines):
        leaving[line.start].append(position)
    findings = []
    for name, at in leaving.items():
        if len(at) < 2:
            continue
        stretches = _stretches(nodes[name], [lines[i] for i in at])
        if stretches is not None:
            share[at] = stretches
            continue
        main = min(at, key=lambda i: _rank(lines[i]))
        share[at] = [float(i == main) for i in at]
        x, y = nodes[name].xy
        all_of_them = tuple(lines[i].name for i in at)
        findings.append(
            Finding(
                "lines-split", "warn", name,
                facts={"lines": all_of_them, "counted_in": lines[main].name},
                source=_OWN_RULE, x=x, y=y,
            )
        )  # fmt: skip
    return share, findings


def _rank(line: DrainLine) -> tuple[float, float, str]:
    """Which of several lines that leave a node takes its water: the lowest, then the widest."""
    invert = line.given.up_m
    if np.isnan(invert):
        invert = 1e6 - np.nan_to_num(line.given.up_below_rim_m)
    return float(invert), -float(np.nan_to_num(line.pipe.diameter_m)), line.name


def _stretches(node: DrainNode, lines: Sequence[DrainLine]) -> list[float] | None:
    """Shares of a channel drain's length that run to each of its outlets."""
    if node.shape.geom_type != "LineString":
        return None
    along = np.array([node.shape.project(end_point(line, "start"), normalized=True)
                      for line in lines])  # fmt: skip
    order = np.argsort(along)
    if np.diff(along[order]).min() < 0.1:  # both at the same place
        return None
    between = 0.5 * (along[order][1:] + along[order][:-1])
    share = np.empty(len(lines))
    share[order] = np.diff([0.0, *between, 1.0])
    return [float(part) for part in share]


def connection_findings(network: Network, led_to: Collection[str] = ()) -> list[Finding]:
    """
    Judge how a network hangs together.

    Parameters
    ----------
    led_to
        Names of nodes and lines that downspouts lead to.
    """
    return (
        _outlet_findings(network) + _system_findings(network) + _unused(network, led_to)
        + _joined_lines(network, led_to)
    )  # fmt: skip


def systems_of(network: Network) -> list[list[int]]:
    """Lines of each system that hangs together, in the order of their first lines."""
    root = {name: name for name in network.nodes}

    def find(name: str) -> str:
        while root[name] != name:
            root[name] = root[root[name]]  # so that a long chain is not walked again and again
            name = root[name]
        return name

    for line in network.lines:
        root[find(line.start)] = find(line.end)
    systems: dict[str, list[int]] = defaultdict(list)
    for position, line in enumerate(network.lines):
        systems[find(line.start)].append(position)
    return list(systems.values())


def _outlet_findings(network: Network) -> list[Finding]:
    """Say which systems end at several outlets without being led there from one channel drain."""
    findings = []
    for system in systems_of(network):
        ends = sorted({network.lines[i].end for i in system if network.next_line(i) is None})
        outlets = [name for name in ends if network.nodes[name].kind == "outlet"]
        split = [i for i in system if network.share[i] == 0]
        if len(outlets) > 1 and split:
            x, y = network.nodes[outlets[0]].xy
            findings.append(
                Finding(
                    "several-outlets", "warn", outlets[0], facts={"outlets": tuple(outlets)},
                    measured=len(outlets), limit=1, source=_OWN_RULE, x=x, y=y,
                )
            )  # fmt: skip
    return findings


def _system_findings(network: Network) -> list[Finding]:
    """Say how many systems there are on a lot with several."""
    systems = systems_of(network)
    if len(systems) < 2:
        return []
    told = tuple(
        (tuple(network.lines[i].name for i in system), network.outlet(system[-1]).name)
        for system in systems
    )
    return [
        Finding(
            "several-systems", "note", "drain_lines", facts={"systems": told},
            measured=len(systems), source=_OWN_RULE,
        )
    ]  # fmt: skip


def _joined_lines(network: Network, led_to: Collection[str]) -> list[Finding]:
    """Say where water of downspouts counts that are led to a line by the line's name."""
    return [
        Finding(
            "downspout-joins-line", "note", line.name,
            facts={"upper_end": line.start}, source=_OWN_RULE, x=line.middle[0], y=line.middle[1],
        )
        for line in network.lines
        if line.name in led_to and line.name not in network.nodes
    ]  # fmt: skip


def _unused(network: Network, led_to: Collection[str]) -> list[Finding]:
    """Say which inlets have no line, and which outlets nothing that reaches them."""
    if not network.lines:
        return []
    findings = []
    for node in network.nodes.values():
        idle_inlet = node.kind == "inlet" and node.name not in network.leaving
        reached = {*network.entering, *led_to}
        if idle_inlet or (node.kind == "outlet" and node.name not in reached):
            x, y = node.xy
            findings.append(
                Finding(
                    f"{node.kind}-without-line", "warn" if idle_inlet else "note", node.name,
                    source=_OWN_RULE, x=x, y=y,
                )
            )  # fmt: skip
    return findings
