"""What every inlet takes of every storm, what it refuses, and where that goes: one balance."""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace
from itertools import product
from typing import TYPE_CHECKING, Final

import numpy as np

from lotflow.drains.inlet_checks import grate_flow
from lotflow.drains.inlets import grate_on_grade, gutter_spread
from lotflow.drains.judged import (
    NOTHING_M3S,
    Limits,
    about_place,
    is_design_storm,
)
from lotflow.drains.network_flows import node_peaks
from lotflow.drains.receivers import GUTTER_ROUGHNESS
from lotflow.drains.shared_lines import SharedLines

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence

    from lotflow.drains.drain_system import DrainState
    from lotflow.drains.inlet_checks import InletFacts
    from lotflow.drains.receivers import Receiver
    from lotflow.findings import Finding
    from lotflow.grid import FloatArray

_HEC_22: Final = (
    "FHWA HEC-22, 3rd edition (2009), section 4.4: bypass is the flow less what is taken, "
    "Qb = Q - Qi; grate by equations 4-26 and 4-27"
)
#: Rounds in which dry wells are held to what they hold, at most.
_WELL_ROUNDS: Final = 20
#: Share of what arrives that is said to be refused; less is rounding, lotflow's rule [-].
_TELLING_SHARE: Final = 0.01
#: Rounds in which refused water finds its way, and flows that differ by less are the same [m^3/s].
_ROUNDS: Final = 25
_SAME_M3S: Final = 1e-7
#: A storm is brought to its peak in steps of no less [s], and stretched by no more.
_SHORTEST_STEP_S: Final = 15.0
_MOST_STRETCHED: Final = 50.0


@dataclass(frozen=True)
class WayPast:
    """
    The way of water that an inlet does not take.

    Parameters
    ----------
    depth_m
        How deep water can stand over the inlet before it goes on [m].
    runs_to
        Name of the inlet to whose catchment it runs; empty for none.
    leaves_at
        Where it leaves the lot; None where it does not, or another inlet comes first.
    held_m3
        What its low spot holds before any goes on [m^3].
    in_sag
        Whether it lies in a low spot, or across the flow as a channel drain does.
    """

    depth_m: float
    runs_to: str = ""
    leaves_at: tuple[float, float] | None = None
    held_m3: float = 0.0
    in_sag: bool = True

    @property
    def told(self) -> str:
        """Where it goes, in words."""
        if self.runs_to:
            return self.runs_to
        return "off the lot" if self.leaves_at else "stays on the ground"


@dataclass(frozen=True)
class Intake:
    """
    What becomes of the water of one inlet in one storm; flows at the peak [m^3/s], volumes [m^3].

    own + from inlets + backs up = taken + stands + passed, in flow and in volume. Volumes are NaN
    where no storm of known duration is given.

    Parameters
    ----------
    return_period_yr
        Storm [yr].
    own_m3s, own_m3
        From its own catchment over the ground.
    from_inlets_m3s, from_inlets_m3
        What other inlets let pass to it.
    backs_up_m3s, backs_up_m3
        What is piped to it from roofs, pumps and the lines above or below it, finds no room in
        its line and comes up out of its grate; the inlets above it count that as taken.
    grate_m3s
        What its half clogged grate takes at most; NaN where not known.
    line_m3s
        What its line takes from it before the water stands at its rim, while the others take
        what they do; NaN where not known.
    taken_m3s, taken_m3
        What it takes; at most so much where its grate is not known.
    least_m3s
        What it takes at least: the same, or nothing where its grate is not known.
    stands_m3s, stands_m3
        What it refuses and its low spot holds.
    passed_m3s, passed_m3
        What it refuses and goes on down the surface.
    limited_by
        "grate", "line" or "dry well"; empty where all is taken.
    grate_basis
        How its grate was judged: "low point", "gutter", "slope", "not given".
    empties_m3s
        What goes on draining through it of the water that it refused, once the storm is over;
        of a full dry well what soaks away. 0 where nothing was refused.
    not_counted
        Old lines on its way down that are counted as taking nothing, see `DrainState`.
    """

    name: str
    return_period_yr: float
    own_m3s: float
    from_inlets_m3s: float
    backs_up_m3s: float
    grate_m3s: float
    line_m3s: float
    taken_m3s: float
    stands_m3s: float
    passed_m3s: float
    limited_by: str
    grate_basis: str
    way: WayPast
    own_m3: float = math.nan
    from_inlets_m3: float = math.nan
    backs_up_m3: float = math.nan
    taken_m3: float = math.nan
    stands_m3: float = math.nan
    passed_m3: float = math.nan
    empties_m3s: float = 0.0
    not_counted: tuple[str, ...] = ()

    @property
    def arriving_m3s(self) -> float:
        """All that comes to it over the ground or out of its grate [m^3/s]."""
        return self.own_m3s + self.from_inlets_m3s + self.backs_up_m3s

    @property
    def refused_m3s(self) -> float:
        """What it does not take [m^3/s]."""
        return self.stands_m3s + self.passed_m3s

    @property
    def least_m3s(self) -> float:
        """What it takes at least [m^3/s]."""
        return self.taken_m3s if self.grate_basis in ("low point", "gutter") else 0.0

    @property
    def refused_m3(self) -> float:
        """What it does not take of the whole storm [m^3]."""
        return self.stands_m3 + self.passed_m3


@dataclass(frozen=True, eq=False)
class StormSeries:
    """
    Storms as they come, step by step.

    Parameters
    ----------
    step_s
        Length of a step [s].
    surface_m3s
        Water that comes to each inlet over the ground, by name, shape (storms, steps).
    roofs_m3s
        Water that is piped to each node, in the same way.
    reaching
        Share of the runoff of each inlet's ground that comes to it, by name, shape (storms,);
        hollows above it keep the rest. All of it where not given.
    """

    step_s: float
    surface_m3s: Mapping[str, FloatArray]
    roofs_m3s: Mapping[str, FloatArray]
    reaching: Mapping[str, FloatArray] = field(default_factory=dict)


@dataclass(frozen=True, eq=False)
class Intakes:
    """
    Of all inlets and storms, and what the lines carry then.

    Parameters
    ----------
    rows
        Inlet by inlet, storm by storm.
    line_flow_m3s
        What each line carries, shape (lines, storms) [m^3/s].
    backed_up
        Roof and given water that finds no room where it enters, by node, shape (storms,) [m^3/s].
    surfaced_m3
        Of the water that comes up at inlets: what was never on the ground before, shape (storms,)
        [m^3]. The rest came in at other inlets.
    """

    rows: tuple[Intake, ...] = ()
    line_flow_m3s: FloatArray = field(default_factory=lambda: np.zeros((0, 0)))
    backed_up: Mapping[str, FloatArray] = field(default_factory=dict)
    surfaced_m3: FloatArray = field(default_factory=lambda: np.zeros(0))

    def of_storm(self, position: int) -> dict[str, Intake]:
        """Give those of one storm by the name of the inlet."""
        count = len({row.name for row in self.rows})
        storms = len(self.rows) // count if count else 0
        return {self.rows[i].name: self.rows[i] for i in range(position, len(self.rows), storms)} \
            if storms else {}  # fmt: skip


@dataclass(frozen=True, eq=False)
class _Balanced:
    """Flows of inlets, and of all nodes what enters and what does not, shape (…, n)."""

    own: FloatArray
    arriving: FloatArray
    taken: FloatArray
    entering: FloatArray
    backs_up: FloatArray
    refused: FloatArray
    stands: FloatArray
    passed: FloatArray


def inlet_intakes(
    state: DrainState, inlets: Sequence[InletFacts], ways: Sequence[WayPast], limits: Limits, *,
    series: StormSeries | None = None, receivers: Sequence[Receiver] = (),
) -> Intakes:  # fmt: skip
    """
    Find what each inlet takes, storm by storm, and what becomes of the rest.

    It takes the least of what arrives (its own catchment and what other inlets let pass to it),
    what its grate takes, and what its lines take by the grade line, see `SharedLines`. What it
    refuses stands in its low spot until that is full and then goes on to the next inlet, where it
    is added. A dry well takes what it holds and what soaks away meanwhile, from all lines
    together. Nothing that was refused is taken later in the storm.

    Parameters
    ----------
    state
        What the lines do when everything enters them.
    inlets
        What is known of them.
    series
        The storms step by step, for volumes; None where there are none: then nothing is held
        back in low spots and wells.

    References
    ----------
    FHWA HEC-22, 3rd edition (2009), sections 4.4 (bypass flow), 7.1 (grade line).
    """
    water = state.system.water
    if water is None or not len(state.system.storms):
        return Intakes()
    names = _entering(state, inlets)
    ways = without_loops(inlets, ways)
    count, storms = len(inlets), state.system.storms.size
    surface = np.zeros((len(names), storms))
    surface[:count] = _peaks(names[:count], state, roofs=False)
    roofs = _peaks(names, state, roofs=True)
    given = np.array([water.given_m3s.get(name, 0.0) for name in names])[:, None]
    peaks = float((surface + roofs + given).sum(axis=0).max(initial=0.0))
    if series is not None:
        for flows in (*series.surface_m3s.values(), *series.roofs_m3s.values()):
            peaks += float(flows.max(initial=0.0))
    lines = SharedLines(state, names, _open_nodes(state, inlets, roofs + given, names), peaks)
    run = _Run(lines, names, inlets, ways, limits)
    # peaks of several catchments do not all come at once
    total = lines.carried @ (surface + roofs + given)
    with np.errstate(divide="ignore", invalid="ignore"):
        share = np.where(total > 0, state.flows.flow_m3s / total, 1.0)
    come = _as_they_come(names, count, (surface, roofs), given, series)
    columns = come.surface.shape[2]
    together = np.repeat(np.minimum(share, 1.0), columns, axis=1)
    flat = storms * columns  # not -1: there may be no grate at all
    own = come.surface[:count].reshape(count, flat)
    piped = come.piped.reshape(len(names), flat)
    holds = np.array([way.held_m3 for way in ways])
    most = np.full(together.shape, np.inf)

    def balanced() -> _Balanced:
        return run.balance(own, piped, together, most, lambda left: come.goes_on(left, holds))

    found, wells = balanced(), [] if series is None else _wells(state, receivers)
    for _ in range(_WELL_ROUNDS if wells else 0):  # what one refuses may come later, or to another
        full = _full_wells(lines.carried @ found.entering, wells, come)
        if not (full < most).any():
            break
        most = np.minimum(most, full)
        found = balanced()
    first = slice(None, None, columns)
    return Intakes(
        tuple(_rows(run, state, found, come, together, most, wells)),
        (together * (lines.carried @ found.entering))[:, first],
        {name: found.refused[i, first] for i, name in enumerate(names) if i >= count}
        | {inlet.name: found.backs_up[i, first] for i, inlet in enumerate(inlets)},
        _surfaced(lines, found.backs_up, piped, come),
    )


def _surfaced(
    lines: SharedLines, backs_up: FloatArray, piped: FloatArray, come: _Storms
) -> FloatArray:
    """Volume of roof and given water that comes up; in each system it comes up before others'."""
    flow = np.zeros((1, piped.shape[1]))
    for _, nodes in lines.systems():
        up = backs_up[nodes[nodes < len(backs_up)]].sum(axis=0)
        flow += np.minimum(up, piped[nodes].sum(axis=0))
    return np.asarray(come.volume(flow)[0])


def without_loops(inlets: Sequence[InletFacts], ways: Sequence[WayPast]) -> list[WayPast]:
    """
    Cut ways past inlets that lead back to where they began, at the lowest of their inlets.

    Parameters
    ----------
    inlets
        With the levels of their grates.

    Returns
    -------
    ways
        Water of an inlet at which a ring was cut stays on the ground.
    """
    found = list(ways)
    number = {inlet.name: i for i, inlet in enumerate(inlets)}
    for first in range(len(found)):
        seen: list[int] = []
        at: int | None = first
        while at is not None and at not in seen:
            seen.append(at)
            at = number.get(found[at].runs_to)
        if at is None:
            continue
        ring = seen[seen.index(at) :]
        level = {i: np.nan_to_num(inlets[i].rim_m, nan=np.inf) for i in ring}
        lowest = min(ring, key=lambda i: (level[i], inlets[i].name))
        found[lowest] = replace(found[lowest], runs_to="")
    return found


def grate_intake(
    inlet: InletFacts, way: WayPast, arriving: FloatArray, clogged_share: float
) -> tuple[FloatArray, str]:
    """
    Tell what a grate takes of what arrives at it, and how that was judged.

    In a low spot, and all along a channel drain, as weir or orifice under the water that can
    stand over it. In a gutter of known section by frontal and side flow. On a slope whose section
    is not known it may take nothing, and at most what it would in a low spot.

    Parameters
    ----------
    inlet
        What is known of it.
    way
        How deep water can stand over it, and whether it lies in a low spot.
    arriving
        Surface water that reaches it [m^3/s].
    clogged_share
        Share of the grate that is blocked [-].

    Returns
    -------
    most, basis
        [m^3/s], infinite where not known; "low point", "gutter", "slope", "not given".

    References
    ----------
    FHWA HEC-22, 3rd edition (2009), sections 4.4.4.1 (on grade) and 4.4.5.1 (in a sag).
    """
    arriving = np.asarray(arriving, dtype=np.float64)
    in_gutter = inlet.gutter_slope > 0 and inlet.cross_slope > 0
    if in_gutter and inlet.grate_length_m > 0 and inlet.grate_width_m > 0 and not way.in_sag:
        spread = gutter_spread(arriving, inlet.cross_slope, inlet.gutter_slope, GUTTER_ROUGHNESS)
        taken = grate_on_grade(
            arriving, spread, inlet.cross_slope,
            inlet.grate_length_m * (1.0 - clogged_share), inlet.grate_width_m,
        )  # fmt: skip
        return np.asarray(taken), "gutter"
    most = grate_flow(inlet, way.depth_m, clogged_share)
    if math.isnan(most):
        return np.full(arriving.shape, np.inf), "not given"
    basis = "low point" if way.in_sag or inlet.is_channel else "slope"
    return np.full(arriving.shape, most), basis


def _entering(state: DrainState, inlets: Sequence[InletFacts]) -> list[str]:
    """Inlets, then the other nodes at which roofs or given flows come in."""
    water = state.system.water
    names = [inlet.name for inlet in inlets]
    piped = [] if water is None else [*water.parts.node, *water.given_m3s]
    nodes = state.system.network.nodes
    return names + sorted({name for name in piped if name in nodes} - set(names))


def _open_nodes(
    state: DrainState, inlets: Sequence[InletFacts], piped: FloatArray, names: Sequence[str]
) -> set[str]:
    """Nodes from which water can get out: grates, and where roofs or given flows come in."""
    entries = {name for name, flow in zip(names, piped, strict=True) if flow.any()}
    nodes = state.system.network.nodes
    return {name for name in {inlet.name for inlet in inlets} | entries
            if name in nodes and nodes[name].kind != "outlet"}  # fmt: skip


def _peaks(names: Sequence[str], state: DrainState, *, roofs: bool) -> FloatArray:
    """Peaks of nodes, shape (names, storms) [m^3/s]."""
    water, storms = state.system.water, state.system.storms.size
    if water is None or not names:
        return np.zeros((len(names), storms))
    return np.stack([node_peaks(names, water, k, roofs=roofs) for k in range(storms)], axis=1)


def _padded(flow: FloatArray, rows: int) -> FloatArray:
    """Flows of inlets as flows of all nodes at which water enters."""
    return np.concatenate([flow, np.zeros((rows - flow.shape[0], *flow.shape[1:]))])


class _Run:
    """One network, its inlets and their ways, balanced for any flows."""

    def __init__(
        self, lines: SharedLines, names: Sequence[str], inlets: Sequence[InletFacts],
        ways: Sequence[WayPast], limits: Limits,
    ) -> None:  # fmt: skip
        self.lines, self.names, self.inlets, self.ways = lines, names, inlets, ways
        self.clogged = limits.criteria.clogged_share
        number = {inlet.name: i for i, inlet in enumerate(inlets)}
        self.next = np.array([number.get(way.runs_to, -1) for way in ways], dtype=int)
        self.order = self._order()

    def _order(self) -> list[int]:
        """Inlets, each after those whose water comes to it."""
        depth = []
        for i in range(len(self.next)):
            steps, at = 0, i
            while (at := int(self.next[at])) >= 0:
                steps += 1
            depth.append(steps)
        return sorted(range(len(depth)), key=lambda i: (-depth[i], i))

    def grate(self, position: int, arriving: FloatArray) -> FloatArray:
        """What a grate takes of what arrives."""
        inlet, way = self.inlets[position], self.ways[position]
        return np.minimum(arriving, grate_intake(inlet, way, arriving, self.clogged)[0])

    def grates(self, arriving: FloatArray) -> FloatArray:
        """What the grates take of what arrives."""
        taken = [self.grate(i, flow) for i, flow in enumerate(arriving)]
        return np.array(taken).reshape(arriving.shape)

    def balance(
        self, own: FloatArray, piped: FloatArray, together: FloatArray, most: FloatArray,
        held: Callable[[FloatArray], FloatArray],
    ) -> _Balanced:  # fmt: skip
        """
        Let water come, be taken, be refused and come to the next inlet, until nothing changes.

        `most` limits lines; `held` gives what of the water refused by each inlet goes on.
        """
        count, nodes = len(self.inlets), len(self.names)
        arriving, refused = own.copy(), np.zeros_like(piped)
        passed, wanted = np.zeros_like(own), np.zeros_like(own)
        at = np.arange(own.shape[1])
        for _ in range(_ROUNDS):
            wanted[:, at] = self.grates(arriving[:, at])
            supply = piped[:, at] + _padded(wanted[:, at], nodes)
            refused[:, at] = self.lines.settle(supply, together[:, at], most[:, at],
                                               refused[:, at], piped[:, at])  # fmt: skip
            before = passed
            passed = held(arriving - wanted + refused[:count])
            arriving = own.copy()
            for i in np.flatnonzero(self.next >= 0).tolist():
                arriving[self.next[i]] += passed[i]
            at = np.flatnonzero((np.abs(passed - before) > _SAME_M3S).any(axis=0))
            if not at.size:
                break
        # what still comes is no longer taken, so that everything adds up
        taken = np.maximum(wanted - refused[:count], 0.0)
        backs_up = np.maximum(refused[:count] - wanted, 0.0)
        arriving = own.copy()
        for i in self.order:
            passed[i] = held(np.maximum(arriving - taken, 0.0) + backs_up)[i]
            if self.next[i] >= 0:
                arriving[self.next[i]] += passed[i]
        taken = np.minimum(taken, arriving)
        stands = np.maximum(arriving - taken + backs_up - passed, 0.0)
        entering = piped + _padded(wanted, nodes) - refused
        return _Balanced(own, arriving, taken, entering, backs_up, refused, stands, passed)


@dataclass(frozen=True, eq=False)
class _Storms:
    """
    Storms step by step; of each the first column is its peak, which lasts no time.

    Arrays of shape (nodes, storms, 1 + steps); `peak` is the step in which all peaks lie.
    """

    step_s: float
    surface: FloatArray
    piped: FloatArray
    peak: int

    def volume(self, flow: FloatArray) -> FloatArray:
        """Volumes of storms, shape (rows, storms)."""
        steps = flow.reshape(-1, *self.surface.shape[1:])[:, :, 1:]
        return np.asarray(steps.sum(axis=2) * self.step_s)

    def goes_on(self, refused: FloatArray, holds_m3: FloatArray) -> FloatArray:
        """
        Tell what of the refused water of inlets goes on when their low spots hold some of it.

        A low spot fills first, step by step; what comes when it is full goes on.
        """
        flow = refused.reshape(-1, *self.surface.shape[1:])
        if not self.step_s:  # no volumes: nothing is held back
            return refused
        steps = flow[:, :, 1:]
        over = np.maximum(np.cumsum(steps, axis=2) * self.step_s - holds_m3[:, None, None], 0.0)
        passed = np.zeros_like(flow)
        passed[:, :, 1:] = np.diff(over, axis=2, prepend=0.0) / self.step_s
        with np.errstate(divide="ignore", invalid="ignore"):
            share = passed[:, :, 1 + self.peak] / flow[:, :, 1 + self.peak]
        none = (holds_m3[:, None] <= 0) | (over[:, :, -1] > 0)
        share = np.where(flow[:, :, 1 + self.peak] > 0, share, none)
        passed[:, :, 0] = np.clip(share, 0.0, 1.0) * flow[:, :, 0]
        return passed.reshape(refused.shape)


def _as_they_come(
    names: Sequence[str], inlets: int, peaks: tuple[FloatArray, FloatArray], given: FloatArray,
    series: StormSeries | None,
) -> _Storms:  # fmt: skip
    """
    Bring storms to the peaks of the flow table: stretched in time, their volumes kept.

    All peaks lie in the same step, so that no step brings more than the flow table does.
    """
    surface, roofs = peaks
    storms = surface.shape[1]
    if series is None:
        piped = roofs + given
        return _Storms(0.0, surface[:, :, None], piped[:, :, None], 0)
    humps = [
        (flows[name][k], float(peak[row, k]), row, k, kind)
        for kind, (flows, peak) in enumerate(((series.surface_m3s, surface),
                                              (series.roofs_m3s, roofs)))
        for row, name in enumerate(names) if name in flows and (kind or row < inlets)
        for k in range(storms) if flows[name][k].sum() > 0
    ]  # fmt: skip
    lasts = [float(flow.sum()) * series.step_s / peak for flow, peak, *_ in humps if peak > 0]
    step = min([series.step_s, *(max(one, _SHORTEST_STEP_S) for one in lasts)])
    placed = [_stretched(flow, series.step_s, peak, step) for flow, peak, *_ in humps]
    # given water comes as long as the storm lasts
    lasting = max((flows.shape[1] for flows in series.surface_m3s.values()), default=0)
    lasting = max([lasting, *(flows.shape[1] for flows in series.roofs_m3s.values())])
    count = math.ceil(lasting * series.step_s / step)
    part = lasting * series.step_s / (step * max(count, 1))
    before = max([count // 2, *(at for at, _ in placed)])
    after = max([count - count // 2, 1, *(flow.size - at for at, flow in placed)])
    columns = np.zeros((2, len(names), storms, before + after))
    for (_, _, row, k, kind), (at, flow) in zip(humps, placed, strict=True):
        columns[kind, row, k, before - at : before - at + flow.size] = flow
    whole = np.concatenate([np.stack(peaks)[:, :, :, None], columns], axis=3)
    # a peak that no stretching brings down to the flow table's counts there too
    whole[:, :, :, 0] = np.maximum(whole[:, :, :, 0], columns.max(axis=3))
    begin = before - count // 2
    piped = whole[1]
    piped[:, :, 0] += given
    piped[:, :, 1 + begin : 1 + begin + count] += part * given[:, :, None]
    return _Storms(step, whole[0], piped, before)


def _stretched(
    flow: FloatArray, step_s: float, peak_m3s: float, new_step_s: float
) -> tuple[int, FloatArray]:
    """
    Stretch or shorten a storm so that its greatest step is the peak, its volume kept.

    Gives the number of that step and the mean flows of all. A storm of less volume than its peak
    in one step comes in that step.
    """
    at = step_s * np.arange(flow.size + 1)
    whole = np.concatenate([[0.0], np.cumsum(flow)]) * step_s
    volume = float(whole[-1])
    part = min(peak_m3s * new_step_s, volume)
    # the shortest time in which so much comes begins or ends with a step
    rising = whole + np.linspace(0.0, 1e-12 * volume, whole.size)
    ends = np.interp(whole + part, rising, at, right=np.inf) - at
    begins = at - np.interp(whole - part, rising, at, left=-np.inf)
    first, last = int(np.argmin(ends)), int(np.argmin(begins))
    if ends[first] <= begins[last]:
        start, width = float(at[first]), float(ends[first])
    else:
        start, width = float(at[last] - begins[last]), float(begins[last])
    if not np.isfinite(width):  # all of it in one step
        start, width = 0.0, float(at[-1])
    width = max(width, new_step_s / _MOST_STRETCHED)
    before = math.ceil(max(start, 0.0) / width - 1e-9)
    after = math.ceil(max(float(at[-1]) - start, width) / width - 1e-9)
    edges = start + width * np.arange(-before, after + 1)
    return before, np.diff(np.interp(edges, at, whole)) / new_step_s


def _wells(
    state: DrainState, receivers: Sequence[Receiver]
) -> list[tuple[list[int], float, float]]:
    """Lines into each dry well of known storage, what it holds and what soaks away of it."""
    found = []
    for one in receivers:
        lines = state.system.network.entering.get(one.name, [])
        if one.kind == "dry well" and lines and not math.isnan(one.storage_m3):
            soaks = float(np.nan_to_num(one.soaking_area_m2) * np.nan_to_num(one.soil_rate_m_s))
            found.append((lines, one.storage_m3, soaks))
    return found


def _full_wells(
    sums: FloatArray, wells: Sequence[tuple[list[int], float, float]], storms: _Storms
) -> FloatArray:
    """What lines into wells can carry, column by column; infinite where their well is not full."""
    limit = np.full(sums.shape, np.inf)
    columns = storms.surface.shape[2]
    for (lines, storage, soaks), begin in product(wells, range(0, sums.shape[1], columns)):
        at = slice(begin + 1, begin + columns)
        total = sums[lines, at].sum(axis=0)
        takes = _well_takes(total, storage, soaks, storms.step_s)
        short = takes < total * (1 - 1e-6)
        with np.errstate(divide="ignore", invalid="ignore"):
            part = np.where(total > 0, sums[lines, at] / total, 0.0)
        limit[lines, at] = np.where(short, part * takes, np.inf)
        # full before the greatest flow comes: that finds no more room than what soaks away
        if short[: storms.peak + 1].any():
            limit[lines, begin] = part[:, storms.peak] * soaks
    return limit


def _well_takes(
    flow: FloatArray, storage_m3: float, soaks_m3s: float, step_s: float
) -> FloatArray:  # fmt: skip
    """What a dry well takes of a flow, step by step: what soaks away, and what it still holds."""
    held, takes = 0.0, []
    for comes in flow.tolist():
        accepted = min(comes, soaks_m3s + (storage_m3 - held) / step_s)
        held = max(held + (accepted - soaks_m3s) * step_s, 0.0)
        takes.append(accepted)
    return np.array(takes)


def _rows(
    run: _Run, state: DrainState, found: _Balanced, come: _Storms, together: FloatArray,
    most: FloatArray, wells: Sequence[tuple[list[int], float, float]],
) -> list[Intake]:  # fmt: skip
    """One row per inlet and storm: flows of the peak, volumes of all steps."""
    first = slice(None, None, come.surface.shape[2])
    volumes = {
        name: come.volume(flow) if come.step_s else None
        for name, flow in (("own_m3", found.own), ("from_inlets_m3", found.arriving - found.own),
                           ("backs_up_m3", found.backs_up), ("taken_m3", found.taken),
                           ("stands_m3", found.stands), ("passed_m3", found.passed))
    }  # fmt: skip
    full = np.isfinite(most).reshape(len(most), *come.surface.shape[1:]).any(axis=2)
    network = state.system.network
    unknown = {
        name: tuple(state.lines[k].name for k in network.way_down(leaving[0])
                    if state.not_counted[k])
        for name, leaving in network.leaving.items()
    }  # fmt: skip
    by_well = (run.lines.carried[:, : len(run.inlets)].T > 0).astype(float) @ full > 0
    rows = []
    for i, (inlet, way) in enumerate(zip(run.inlets, run.ways, strict=True)):
        parts = ("own", "arriving", "taken", "backs_up", "stands", "passed")
        peak = {name: getattr(found, name)[i, first] for name in parts}
        grate, basis = grate_intake(inlet, way, peak["arriving"], run.clogged)
        room = peak["taken"] + run.lines.room_of(
            i, found.entering[:, first], together[:, first], most[:, first]
        )
        for k, period in enumerate(state.system.storms.tolist()):
            now = {name: float(flow[k]) for name, flow in peak.items()}
            by_volume = {name: float(volume[i, k]) for name, volume in volumes.items()
                         if volume is not None}  # fmt: skip
            rows.append(
                Intake(
                    inlet.name, period, now["own"], now["arriving"] - now["own"], now["backs_up"],
                    _known(grate[k]), _known(room[k]), now["taken"], now["stands"], now["passed"],
                    _limited_by(now["arriving"] + now["backs_up"], now["taken"], float(grate[k]),
                                by_volume, bool(by_well[i, k]), bool(np.isfinite(room[k]))),
                    basis, way, **by_volume, not_counted=unknown.get(inlet.name, ()),
                )
            )  # fmt: skip
    return _emptying(rows, run, state, wells)


def _emptying(
    rows: list[Intake], run: _Run, state: DrainState,
    wells: Sequence[tuple[list[int], float, float]],
) -> list[Intake]:  # fmt: skip
    """Tell what goes on draining through inlets; those of one full well share what soaks away."""
    network, capacity = state.system.network, state.hydraulics.capacity_m3s
    carries = {
        name: float(np.nan_to_num(capacity[network.way_down(leaving[0])]).min())
        if not state.not_counted[network.way_down(leaving[0])].any()
        else 0.0
        for name, leaving in network.leaving.items()
    }
    into = [
        {inlet.name for i, inlet in enumerate(run.inlets) if run.lines.carried[lines, i].any()}
        for lines, _, _ in wells
    ]

    def led(row: Intake, well: int) -> bool:
        return row.limited_by == "dry well" and row.name in into[well]

    found = []
    for row in rows:
        # once the others bring nothing a line takes what it carries
        line = np.nanmax([row.line_m3s, carries.get(row.name, 0.0), 0.0])
        rate = {"line": line, "grate": row.grate_m3s}.get(row.limited_by, 0.0)
        for k, (_, _, soaks) in enumerate(wells):
            if led(row, k):
                period = row.return_period_yr
                rate = soaks / sum(led(one, k) for one in rows if one.return_period_yr == period)
        found.append(replace(row, empties_m3s=0.0 if math.isnan(rate) else rate))
    return found


def _known(value: float) -> float:
    return float(value) if np.isfinite(value) else math.nan


def _limited_by(
    arriving: float, taken: float, grate: float, volume: Mapping[str, float], well_full: bool,
    has_line: bool,
) -> str:  # fmt: skip
    """Which of grate, line and dry well takes no more; empty where all is taken."""
    refuses = arriving - taken > max(_TELLING_SHARE * arriving, NOTHING_M3S)
    refused = volume.get("stands_m3", 0.0) + volume.get("passed_m3", 0.0)
    comes = refused + volume.get("taken_m3", 0.0)
    if not refuses and not refused > max(_TELLING_SHARE * comes, NOTHING_M3S):
        return ""
    if refuses and taken >= grate * (1.0 - 1e-6):
        return "grate"
    if well_full:
        return "dry well"
    return "line" if has_line or refuses else "grate"


def intake_findings(
    inlets: Sequence[InletFacts], intakes: Sequence[Intake], storms: FloatArray, limits: Limits
) -> list[Finding]:
    """
    Say where the design storm's water is refused by an inlet, and where it goes.

    Parameters
    ----------
    inlets
        What is known of them.
    storms
        Return periods, rising [yr].
    limits
        What they are judged by.
    """
    places = {inlet.name: inlet for inlet in inlets}
    findings = []
    for one in intakes:
        if not is_design_storm(one.return_period_yr, storms, limits.criteria):
            continue
        at = places[one.name].x, places[one.name].y
        # volume alone is told with the ponds
        refuses = one.refused_m3s > NOTHING_M3S or one.limited_by == "dry well"
        if one.limited_by and refuses:
            findings.append(_refused(one, limits, at))
        if one.grate_basis == "slope" and one.taken_m3s > NOTHING_M3S:
            findings.append(
                about_place(
                    one.name, at, "grate-on-slope-unknown", "note",
                    facts={
                        "storm_yr": one.return_period_yr, "arriving_m3s": one.arriving_m3s,
                        "taken_m3s": one.taken_m3s,
                    },
                    measured=0.0, limit=round(one.taken_m3s, 6), unit="m3/s",
                    source="FHWA HEC-22, 3rd edition (2009), section 4.4.4",
                )
            )  # fmt: skip
    return findings


def _refused(one: Intake, limits: Limits, at: tuple[float, float]) -> Finding:
    """Water that an inlet refuses."""
    taken = one.taken_m3s if one.taken_m3s > NOTHING_M3S else 0.0
    clogged = limits.criteria.clogged_share
    return about_place(
        one.name, at, "inlet-passed-by", "warn",
        facts={
            "storm_yr": one.return_period_yr, "limited_by": one.limited_by, "taken_m3s": taken,
            # where nothing is known of its line, that may take less still
            "is_most": math.isnan(one.line_m3s) and taken > 0,
            "arriving_m3s": one.arriving_m3s, "clogged": clogged, "water_m": one.way.depth_m,
            "not_counted": one.not_counted if one.limited_by == "line" else (),
            "runs_to": one.way.runs_to, "leaves_lot": one.way.leaves_at is not None,
            "refused_m3": one.refused_m3,
            **{name: flow if flow > NOTHING_M3S else 0.0 for name, flow in (
                ("stands_m3s", one.stands_m3s), ("passed_m3s", one.passed_m3s),
                ("backs_up_m3s", one.backs_up_m3s))},
        },
        measured=round(one.refused_m3s, 6), limit=0.0, unit="m3/s",
        source=f"{_HEC_22}, from memory; {limits.source('clogged_share')}",
    )  # fmt: skip
