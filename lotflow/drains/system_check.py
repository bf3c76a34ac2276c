"""Everything that is checked of a system of drain lines, and the one change that mends most."""

from __future__ import annotations

import math
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from lotflow.drains.drain_lines import Condition, GivenInverts
from lotflow.drains.drain_system import DrainState, run_system
from lotflow.drains.judged import about
from lotflow.drains.line_findings import SAME_BORE_M, laying_findings, pipe_findings
from lotflow.drains.network import Network, systems_of
from lotflow.drains.network_flows import LineFlows
from lotflow.drains.outlet_findings import outlet_findings
from lotflow.drains.pipes import pipe_size
from lotflow.drains.storm_findings import storm_findings
from lotflow.errors import ParameterError

if TYPE_CHECKING:
    from lotflow.drains.drain_lines import DrainLine
    from lotflow.drains.drain_system import SizedSystem
    from lotflow.drains.judged import Limits
    from lotflow.findings import Finding

#: Lines beyond this are not tried: each trial runs the system again.
_MOST_TRIALS: Final = 60
#: So many lines are run anew, all trials together and each change counted once.
_MOST_LINES: Final = 20_000


@dataclass(frozen=True, eq=False)
class Surroundings:
    """
    What a system's findings depend on beside the system.

    Parameters
    ----------
    limits
        What it is judged by.
    access
        Names of the nodes through which a line can be cleaned.
    outlet_diameter_m
        Inside diameter of each outlet [m]; NaN where not given.
    well_depth_m
        Depth of the storage of each dry well [m]; NaN where not given.
    """

    limits: Limits
    access: Collection[str]
    outlet_diameter_m: Mapping[str, float]
    well_depth_m: Mapping[str, float] = field(default_factory=dict)


def check_system(state: DrainState, around: Surroundings) -> list[Finding]:
    """
    Judge the lines of a system: pipes, laying, outlets, storms.

    Parameters
    ----------
    around
        What it is judged by.
    """
    return [
        *pipe_findings(state),
        *laying_findings(state, around.limits, around.access),
        *outlet_findings(state, around.outlet_diameter_m, around.limits, around.well_depth_m),
        *storm_findings(state, around.limits),
    ]


def best_single_change(
    state: DrainState, sized: SizedSystem | None, around: Surroundings, findings: list[Finding]
) -> list[Finding]:
    """
    Find the one change to one line that removes most failures.

    Tried for every line of a system in which something fails: cleaning it; laying it with the
    size that works; where it is smaller than what runs into it, laying it and what follows as
    large as that; relaying it, with tight joints and proposed levels; both; relaying it and all
    below it. Flows stay as they are. Of changes that remove as much the smaller one counts.

    Parameters
    ----------
    state
        What the system does now.
    sized
        With the sizes that work; None where no rain is given: sizes stay.
    around
        What it is judged by.
    findings
        Of the system now, from `check_system`.

    Returns
    -------
    findings
        One note, or none where no single change removes a failure.
    """
    failing = {(f.rule, f.subject) for f in findings if f.severity == "fail"}
    failures = sum(f.severity == "fail" for f in findings)
    best: tuple[int, int, int, int, dict[str, Any]] | None = None
    all_of_them = _failing(state, findings)
    tried = _tried(all_of_them)
    parts: dict[int, tuple[DrainState, int]] = {}
    for position, system in tried:
        if system[0] not in parts:
            part = _part(state, system)
            # what fails elsewhere does so whatever is changed here
            elsewhere = _left(findings, failing) - _left(check_system(part, around), failing)
            parts[system[0]] = part, elsewhere
        part, elsewhere = parts[system[0]]
        for order, (what, changes) in enumerate(_changes(state, sized, position)):
            lines = [changes.get(i, state.lines[i]) for i in system]
            changed = run_system(part.system.with_lines(lines), flows=part.flows)
            left = elsewhere + _left(check_system(changed, around), failing)
            # fewest failures left, then the fewest lines, the smallest change, the first line
            rank = (left, len(changes), order, position)
            if left < failures and (best is None or rank < best[:4]):
                best = (*rank, what)
    if best is None:
        return []
    left, _, _, position, what = best
    number = None if len(tried) == len(all_of_them) else len(tried)
    return [
        about(
            state.lines[position], "best-single-change", "note",
            facts={**what, "left": left, "failures": failures, "tried": number},
            measured=left, limit=failures, unit="failures", source="lotflow's trials, one by one",
        )
    ]  # fmt: skip


def _failing(state: DrainState, findings: Collection[Finding]) -> list[tuple[int, Sequence[int]]]:
    """Lines of the systems in which a line or node fails, each with all of its system."""
    network = state.system.network
    subjects = {finding.subject for finding in findings if finding.severity == "fail"}
    return sorted(
        (position, system)
        for system in systems_of(network)
        if any({network.lines[i].name, network.lines[i].start} & subjects for i in system)
        for position in system
    )


def _tried(failing: Sequence[tuple[int, Sequence[int]]]) -> Sequence[tuple[int, Sequence[int]]]:
    """As many of them as can be tried in some seconds: a trial runs the whole of a system."""
    lines = np.cumsum([len(system) for _, system in failing])
    return failing[: min(_MOST_TRIALS, max(int(np.sum(lines <= _MOST_LINES)), 1))]


def _part(state: DrainState, system: Sequence[int]) -> DrainState:
    """One of the systems that do not hang together, by itself."""
    network, at = state.system.network, list(system)
    lines = tuple(network.lines[i] for i in at)
    ends = {name for line in lines for name in (line.start, line.end)}
    nodes = {name: node for name, node in network.nodes.items() if name in ends}
    part = replace(
        state.system,
        network=Network(lines, nodes, network.share[at]),
        ground=tuple(state.system.ground[i] for i in at),
    )
    flows = state.flows
    flows = LineFlows(flows.flow_m3s[at], flows.time_s[at], flows.ca_m2[at])
    return run_system(part, flows=flows)


def _left(findings: Collection[Finding], failing: Collection[tuple[str, str]]) -> int:
    """Failures after a change; one that is only doubted now, its levels being ours, is left."""
    return sum(
        f.severity == "fail" or (f.severity == "warn" and (f.rule, f.subject) in failing)
        for f in findings
    )


def _changes(
    state: DrainState, sized: SizedSystem | None, position: int
) -> list[tuple[dict[str, Any], Mapping[int, DrainLine]]]:
    """
    Changes to try at one line, the smallest first.

    Each with the facts by which it is told, and the lines changed by their position.
    """
    line, lines = state.lines[position], list(state.lines)
    changes: list[tuple[dict[str, Any], Mapping[int, DrainLine]]] = []
    condition = line.condition
    if np.nan_to_num(condition.sediment_m) > 0 or np.nan_to_num(condition.standing_water_m) > 0:
        changes.append(({"change": "clean"}, {position: _cleaned(line)}))
    larger = _sized(line, sized, position)
    if larger.pipe != line.pipe:
        changes.append(({"change": "lay", **_size(larger)}, {position: larger}))
    wide, above = _as_large_as_above(state, position)
    if wide:
        names = tuple(lines[i].name for i in wide)
        as_large = {"lines": names, "larger": above, **_size(wide[position])}
        changes.append(({"change": "lay as large", **as_large}, wide))
    known = {} if sized is None or not sized.labels[position] else _size(larger)
    changes.append(({"change": "relay", **known}, {position: _relaid(larger)}))
    if wide:
        relaid = {i: _relaid(one) for i, one in wide.items()}
        changes.append(({"change": "relay as large", **as_large}, relaid))
    way = state.system.network.way_down(position)
    if len(way) > 1:
        run = {i: _relaid(_sized(wide.get(i, lines[i]), sized, i)) for i in way}
        changes.append(({"change": "relay the run"}, run))
    return changes


def _as_large_as_above(state: DrainState, position: int) -> tuple[dict[int, DrainLine], str]:
    """
    Lay a line, and what follows it, as large as the largest that runs into it.

    Empty where it is no smaller. The name is that of the larger line.
    """
    network = state.system.network
    line = network.lines[position]
    entering = [network.lines[k] for k in network.entering.get(line.start, [])
                if not math.isnan(network.lines[k].pipe.diameter_down_m)]  # fmt: skip
    if not entering or network.share[position] == 0:
        return {}, ""
    above = max(entering, key=lambda one: one.pipe.diameter_down_m)
    bore = above.pipe.diameter_down_m
    # of a line that narrows on its way only the upper end is known to have the nominal size
    size = above.pipe.size_m if bore == above.pipe.diameter_m else bore
    smaller = {
        i: network.lines[i].with_pipe(bore, size)
        for i in network.way_down(position)
        if network.lines[i].pipe.narrowest_m < bore - SAME_BORE_M
    }
    return (smaller, above.name) if position in smaller else ({}, "")


def _size(line: DrainLine) -> dict[str, Any]:
    """Nominal size of a line as it is ordered; its inside diameter where it is none."""
    try:
        return {"size": pipe_size(line.pipe.material, line.pipe.size_m).label}
    except ParameterError:
        return {"diameter_m": line.pipe.diameter_m}


def _cleaned(line: DrainLine) -> DrainLine:
    bare = replace(line.condition, sediment_m=0.0, standing_water_m=0.0)
    return replace(line, condition=bare)


def _sized(line: DrainLine, sized: SizedSystem | None, position: int) -> DrainLine:
    """A line of one size that works; its larger end's where that is enough or none is known."""
    own = line.pipe
    bore = max(own.diameter_m, own.diameter_down_m)
    size = own.size_m if bore == own.diameter_m else bore
    if sized is not None and sized.labels[position]:
        pipe = sized.state.lines[position].pipe
        # nobody lays a smaller pipe to mend a system
        if not pipe.diameter_m <= bore:
            bore, size = pipe.diameter_m, pipe.size_m
    return line if math.isnan(bore) else line.with_pipe(bore, size)


def _relaid(line: DrainLine) -> DrainLine:
    """A line laid anew: proposed levels, tight joints, nothing in it."""
    return replace(
        line, given=GivenInverts(), condition=Condition(joint="glued"), proposed=True
    )  # fmt: skip
