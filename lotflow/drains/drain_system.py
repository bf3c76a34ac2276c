"""A system of drain lines as it is laid, what it does in every storm, and the sizes that work."""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import TYPE_CHECKING

import numpy as np

from lotflow.drains.drain_lines import GivenInverts, GroundProfile, LineProfile, laid_profile
from lotflow.drains.grade_line import SAME_SIZE_M, LineHydraulics, hydraulics
from lotflow.drains.levels import (
    LineInverts,
    NodeLevel,
    OutletLevel,
    datums_of_ends,
    least_fall,
    line_inverts,
    outlet_level,
)
from lotflow.drains.network_flows import DrainWater, LineFlows, Pipes, line_flows
from lotflow.drains.pipes import sizes_offered, smallest_standard_size
from lotflow.terrain.level_error import SPREAD_95, LevelError, deviation_between

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from lotflow.drains.drain_lines import DrainLine
    from lotflow.drains.network import Network
    from lotflow.findings import LevelSource
    from lotflow.grid import BoolArray, FloatArray
    from lotflow.tables.drains import PipeSize
    from lotflow.terrain.level_error import Datum
    from lotflow.units import UnitSystem


@dataclass(frozen=True, eq=False)
class DrainSystem:
    """
    Lines in their ground, and the water that enters them.

    Parameters
    ----------
    cover_m
        Least cover, for inverts that are proposed [m].
    water
        What enters in each storm; None where no rain is given.
    error
        Of the elevation data; None where levels out of it count as exact.
    stands_m
        How deep water can stand over an inlet before it runs on, by name [m].
    """

    network: Network
    ground: tuple[GroundProfile, ...]
    nodes: Mapping[str, NodeLevel]
    cover_m: float
    water: DrainWater | None
    error: LevelError | None = None
    stands_m: Mapping[str, float] = field(default_factory=dict)

    @property
    def storms(self) -> FloatArray:
        """Return periods [yr]; none without rain."""
        return np.zeros(0) if self.water is None else np.asarray(self.water.storms, dtype=float)

    def with_lines(self, lines: Sequence[DrainLine]) -> DrainSystem:
        """
        Lay the same system with other pipes or levels.

        Parameters
        ----------
        lines
            In the same order, between the same nodes.
        """
        return replace(self, network=self.network.with_lines(lines))


@dataclass(frozen=True, eq=False)
class DrainState:
    """
    What a system does.

    Parameters
    ----------
    flows, hydraulics
        Per line and storm; no storms where no rain is given.
    """

    system: DrainSystem
    inverts: LineInverts
    flows: LineFlows
    hydraulics: LineHydraulics

    @property
    def lines(self) -> tuple[DrainLine, ...]:
        """Lines in flow order."""
        return self.system.network.lines

    @cached_property
    def not_counted(self) -> BoolArray:
        """
        Old lines that nothing may be led through on paper: end not found, or bore or fall unknown.

        How much they take nobody knows: it may be nothing, so no level may rest on it (lotflow's
        rule). What is yet to be laid gets its fall; water led to a pump needs none.
        """
        network = self.system.network
        bore = np.array([line.pipe.narrowest_m for line in self.lines], dtype=float)
        unknown = ~np.isfinite(bore + self.inverts.up_m - self.inverts.down_m)
        ends = [network.nodes[line.end].detail for line in self.lines]
        found = [
            not line.proposed and (end == "not found" or (unknown[i] and end != "pump"))
            for i, (line, end) in enumerate(zip(self.lines, ends, strict=True))
        ]
        return np.array(found, dtype=bool)

    def levels_below(self, position: int) -> tuple[LevelSource, ...]:
        """Where the levels come from on which the water at a line's upper end rests."""
        network = self.system.network
        way = network.way_down(position)
        sources = [source for i in way for source in self.inverts.basis(i)]
        end = network.nodes[network.lines[way[-1]].end]
        if end.detail == "pop-up emitter":  # its lip holds the water
            sources.append(self.outlet_level(end.name).source)
        return tuple(dict.fromkeys(sources))

    def datum_of_line(self, position: int, error: LevelError) -> Datum:
        """Tell what the inverts of a line are measured from: the benchmark where both are."""
        ends = datums_of_ends(self.system.network, self.inverts, position, error.given)
        return "benchmark" if ends == ("benchmark", "benchmark") else "raster"

    def outlet_level(self, name: str) -> OutletLevel:
        """Give the best that is known of an outlet's level."""
        return outlet_level(self.system.network, self.system.nodes, self.inverts, name)

    @cached_property
    def highest_m(self) -> dict[str, float]:
        """
        Highest that water can stand in each node from which lines leave [m].

        In an inlet: its rim and what can stand over it; then the line is full, and the rest
        stands or runs on. In a closed node: as high as in the highest inlet above it, or its
        ground where there is none.
        """
        network, highest = self.system.network, dict[str, float]()
        for line in network.lines:  # in the order of flow
            node = self.system.nodes[line.start]
            own = node.rim_m + self.system.stands_m.get(line.start, 0.0)
            if network.nodes[line.start].kind != "inlet":
                above = [highest[network.lines[i].start]
                         for i in network.entering.get(line.start, [])]  # fmt: skip
                own = max([own, *above])
            highest[line.start] = own if np.isfinite(own) else np.inf
        return highest

    def node_water_m(self, name: str) -> FloatArray:
        """
        Level of the water in a node in each storm, no higher than water can stand there [m].

        Parameters
        ----------
        name
            Of a node from which a line leaves.
        """
        leaving = self.system.network.leaving[name]
        return np.asarray(np.minimum(self.hydraulics.node_m[leaving[0]], self.highest_m[name]))

    def profile(self, position: int) -> LineProfile:
        """Pipe in its ground."""
        pipe = self.lines[position].pipe
        return laid_profile(
            self.system.ground[position], float(self.inverts.up_m[position]),
            float(self.inverts.down_m[position]), pipe.diameter_m, pipe.diameter_down_m,
        )  # fmt: skip


def run_system(system: DrainSystem, *, flows: LineFlows | None = None) -> DrainState:
    """
    Settle levels, lead the water down and follow the grade line up.

    Parameters
    ----------
    flows
        Of the same lines in another state, to be kept: other pipes change the time of travel,
        and so the flows by a little. None to compute them.
    """
    network = system.network
    inverts = line_inverts(network, system.ground, system.nodes, cover_m=system.cover_m)
    if flows is None:
        flows = _flows(system, inverts)
    done = hydraulics(network, inverts, system.nodes, flows.flow_m3s)
    return DrainState(system, inverts, flows, _without_guesses(system, inverts, done))


def _without_guesses(
    system: DrainSystem, inverts: LineInverts, done: LineHydraulics
) -> LineHydraulics:
    """Tell no capacity of an old line whose fall is no larger than the elevation data's error."""
    if system.error is None:
        return done
    known = np.ones(len(system.network.lines), dtype=bool)
    for position, line in enumerate(system.network.lines):
        datums = datums_of_ends(system.network, inverts, position, system.error.given)
        doubt = SPREAD_95 * deviation_between(system.error, line.length_m, *datums, line.ends)
        fall = abs(float(inverts.up_m[position] - inverts.down_m[position]))
        known[position] = line.proposed or "ground" not in datums or not fall <= doubt
    each = known[:, None]
    return replace(
        done,
        capacity_m3s=np.where(known, done.capacity_m3s, np.nan),
        full_velocity_m_s=np.where(known, done.full_velocity_m_s, np.nan),
        required_diameter_m=np.where(each, done.required_diameter_m, np.nan),
        flow_ratio=np.where(each, done.flow_ratio, np.nan),
        depth_m=np.where(each, done.depth_m, np.nan),
        velocity_m_s=np.where(each, done.velocity_m_s, np.nan),
        surcharged=done.surcharged & each,
    )


def _flows(system: DrainSystem, inverts: LineInverts) -> LineFlows:
    """Flows of all lines; no storms without rain."""
    lines = system.network.lines
    if system.water is None:
        none = np.zeros((len(lines), 0))
        return LineFlows(none, none, none)
    length = np.array([line.length_m for line in lines])
    pipes = Pipes(
        np.array([line.pipe.narrowest_m for line in lines], dtype=float),
        (inverts.up_m - inverts.down_m) / length,
        np.array([line.pipe.roughness for line in lines], dtype=float),
        length,
    )
    return line_flows(system.network, system.water, pipes)


@dataclass(frozen=True, eq=False)
class SizedSystem:
    """
    A system laid with the smallest sizes that work.

    Parameters
    ----------
    state
        With these sizes and the inverts that go with them.
    labels
        Nominal size of each line as it is ordered; empty where no size on sale is enough.
    relaid
        Whether each line had to be given other inverts: as it lies it has not its least fall.
    """

    state: DrainState
    labels: tuple[str, ...]
    relaid: tuple[bool, ...]


def size_system(state: DrainState, storm: int, units: UnitSystem) -> SizedSystem:
    """
    Find the smallest size on sale of each line that carries the design storm when full.

    No line is smaller than one that runs into it, as it is or as it is needed. Inverts that give
    a line its least fall are kept; others are proposed anew. Sizes start from the smallest and
    only grow, whatever size a line itself has now: sized again, no line grows, and only one shrinks
    into which a larger pipe ran.

    Parameters
    ----------
    state
        As the system is now.
    storm
        Position of the design storm.
    units
        "us" for sizes in inches, "metric" for millimetres.
    """
    system, relaid = _with_falls(state)
    drawn = [line.pipe.size_m for line in state.lines]
    lines = system.network.lines
    offered = [sizes_offered(line.pipe.material, units) for line in lines]
    chosen = [0] * len(lines)
    enough = [True] * len(lines)
    while True:
        laid = system.with_lines(
            [_laid(line, sizes[k]) for line, sizes, k in zip(lines, offered, chosen, strict=True)]
        )
        sized = run_system(laid)
        larger = [
            _needed(sized, i, storm, offered[i], chosen, drawn, enough)
            for i in range(len(lines))
        ]  # fmt: skip
        if larger == chosen:
            break
        chosen = larger
    labels = tuple(
        sizes[k].label if ok else "" for sizes, k, ok in zip(offered, chosen, enough, strict=True)
    )
    return SizedSystem(sized, labels, relaid)


def _with_falls(state: DrainState) -> tuple[DrainSystem, tuple[bool, ...]]:
    """Forget the inverts of lines that have not their least fall."""
    lines, relaid = [], []
    for line, slope in zip(state.lines, state.hydraulics.slope, strict=True):
        end = state.system.network.nodes[line.end]
        flat = not slope >= least_fall(line, end.detail).least * (1.0 - 1e-6)
        given = not math.isnan(line.given.up_m + line.given.up_below_rim_m) or not math.isnan(
            line.given.down_m
        )
        # what would work is laid anew, whatever lies there
        lines.append(replace(line, given=GivenInverts(), proposed=True) if flat else line)
        relaid.append(flat and given)
    return state.system.with_lines(lines), tuple(relaid)


def _laid(line: DrainLine, size: PipeSize) -> DrainLine:
    return line.with_pipe(size.inside_diameter_m, size.size_m)


def _needed(
    state: DrainState, position: int, storm: int, offered: tuple[PipeSize, ...],
    chosen: list[int], drawn: list[float], enough: list[bool],
) -> int:  # fmt: skip
    """Size a line needs with the flow and fall it has now, never smaller than it or those above."""
    network, line = state.system.network, state.lines[position]
    slope = state.hydraulics.slope[position]
    bores = np.array([size.inside_diameter_m for size in offered])
    above = [
        float(np.nanmax([network.lines[k].pipe.size_m, drawn[k]]))
        for k in network.entering.get(line.start, []) if network.share[position] > 0
    ]  # fmt: skip
    # by nominal size: bores of two materials of one size differ by millimetres
    widest = max(above, default=0.0) - SAME_SIZE_M
    least = [i for i, size in enumerate(offered) if size.size_m >= widest]
    at_least = max(chosen[position], least[0] if least else len(offered) - 1)
    if math.isnan(slope):
        enough[position] = False
        return at_least
    flow = float(state.flows.flow_m3s[position, storm])
    bore = smallest_standard_size(
        flow, float(slope), line.pipe.roughness, bores, at_least=bores[at_least]
    )  # fmt: skip
    enough[position] = not math.isnan(float(bore)) and bool(least)
    if not enough[position]:
        return len(offered) - 1
    return int(np.argmin(np.abs(bores - bore)))
