"""What is wrong with the way a network hangs together: several outlets, systems, idle inlets."""

from __future__ import annotations

from collections import defaultdict
from typing import TYPE_CHECKING, Final

from lotflow.findings import Finding

if TYPE_CHECKING:
    from collections.abc import Collection

    from lotflow.drains.network import Network

_OWN_RULE: Final = "lotflow's rule"


def connection_findings(network: Network, led_to: Collection[str] = ()) -> list[Finding]:
    """
    Judge how a network hangs together.

    Parameters
    ----------
    network
        In flow order.
    led_to
        Names of nodes and lines that downspouts lead to.
    """
    return (
        _outlet_findings(network) + _system_findings(network) + _unused(network, led_to)
        + _joined_lines(network, led_to)
    )  # fmt: skip


def systems_of(network: Network) -> list[list[int]]:
    """
    Lines of each system that hangs together, in the order of their first lines.

    Parameters
    ----------
    network
        In flow order.
    """
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
