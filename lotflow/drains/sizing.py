"""What would work: the smallest sizes on sale that carry the design storm, and their levels."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from lotflow.drains.drain_lines import GivenInverts
from lotflow.drains.drain_system import DrainState, DrainSystem, run_system
from lotflow.drains.levels import least_fall
from lotflow.drains.network_grade import SAME_SIZE_M
from lotflow.drains.pipe_tables import sizes_offered
from lotflow.drains.pipes import smallest_standard_size

if TYPE_CHECKING:
    from lotflow.drains.drain_lines import DrainLine
    from lotflow.tables.drains import PipeSize
    from lotflow.units import UnitSystem


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
