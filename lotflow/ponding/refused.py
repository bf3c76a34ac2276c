"""Water that inlets refuse: how it comes to them in a storm, and where it goes over the ground."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import TYPE_CHECKING, Final, Protocol, runtime_checkable

import numpy as np

from lotflow.drains.intake import StormSeries, WayPast
from lotflow.terrain.discharge_path import discharge_path
from lotflow.terrain.inlet_places import inlet_numbers
from lotflow.terrain.kernels import connected_parts
from lotflow.terrain.ponding import pond_network, standing_water
from lotflow.terrain.routing import Drains, Routing, route

if TYPE_CHECKING:
    from collections.abc import Collection, Mapping, Sequence

    from lotflow.criteria import Criteria
    from lotflow.drains.inlet_checks import InletFacts
    from lotflow.drains.network import Network
    from lotflow.grid import BoolArray, FloatArray
    from lotflow.runoff.hydrograph import Hydrograph
    from lotflow.terrain.inlet_places import SetInlet
    from lotflow.terrain.low_spots import LowSpots
    from lotflow.terrain.ponding import StandingWater

#: Steps in which inlets take their water [s].
_STEP_S: Final = 120.0


def blocked_routing(
    natural: Routing, placed: Sequence[SetInlet], blocked: Collection[int], rule: str
) -> Routing:
    """
    Route the water with some inlets blocked, by position: their cells are ground like any other.

    Inlets keep their numbers; that of a blocked one does not occur. An inlet hidden by a blocked
    one in the same cell takes its place.
    """
    working = [position for position in range(len(placed)) if position not in blocked]
    shape = natural.surface.ground.shape
    number, _ = inlet_numbers([placed[position] for position in working], shape)
    own_number = np.array([0, *(position + 1 for position in working)], dtype=np.int32)
    levels = {position + 1: placed[position].level for position in working}
    drains = Drains(
        inlet=own_number[number],
        level={number: level for number, level in levels.items() if level is not None},
        culverts=natural.drains.culverts,
        number=len(placed),
    )
    return route(natural.surface, drains, rule=rule)


class WaysPast:
    """
    Where the water goes that inlets refuse: over the ground with them blocked, the others open.

    It stands in the depression above an inlet until that is full; then it runs into the next
    inlet or away.

    Parameters
    ----------
    natural
        The ground without inlets.
    placed
        Inlets of one case of the drains.
    low_spots, lot
        Of the ground without inlets; cells of the lot.
    rule
        Of directions, as for `route`.
    criteria
        Gives the water a grate needs, and the depth from which it stands in a sag.
    """

    def __init__(
        self, natural: Routing, placed: Sequence[SetInlet], low_spots: LowSpots, lot: BoolArray, *,
        rule: str, criteria: Criteria,
    ) -> None:  # fmt: skip
        self._natural, self._placed, self._rule = natural, placed, rule
        self._low_spots, self._lot = low_spots, lot
        self._sag_m, self._least_m = criteria.pond_depth_m, criteria.grate_water_m
        self._number = {inlet.drawn.name: k for k, inlet in enumerate(placed)}
        self._alone: dict[str, WayPast] = {}

    def of(
        self, inlets: Sequence[InletFacts], network: Network,
        refused: Mapping[str, float] | None = None,
    ) -> list[WayPast]:  # fmt: skip
        """
        Follow the water past each inlet, and lead ways that run in a ring of inlets out of it.

        Inlets in one low spot make such a ring. All of it are taken as blocked for the last of
        them: it holds what the whole low spot does, less what the others hold already. The last
        is the lowest inlet of the ring, or, where its inlets belong to several systems of lines
        and it is known what they refuse, that of the system which refuses least: what one system
        refuses another may still take.

        Parameters
        ----------
        inlets
            Those whose way is sought.
        network
            Their lines.
        refused
            Largest share of its water that each inlet refuses by ways without `refused`; None
            where that is not known yet.

        Returns
        -------
        ways
            One per inlet, with the water that a grate needs at least.
        """
        number = self._number
        known = {inlet.name: inlet for inlet in inlets if inlet.name in number}
        closed = {name: {number[name]} for name in known}
        led = {name: self._past_alone(name) for name in known}
        # each round more is taken as blocked
        while ring := _ring({name: way.runs_to for name, way in led.items()}):
            last = _last(ring, known, network, refused)
            closed[last] |= {number[name] for name in ring}
            whole = self._past(number[last], closed[last])
            others = max((led[name].held_m3 for name in ring if name != last), default=0.0)
            held = max(whole.held_m3 - others, led[last].held_m3)
            led[last] = replace(whole, held_m3=held)
        return [
            replace(led[one.name], depth_m=max(led[one.name].depth_m, self._least_m))
            if one.name in led
            else WayPast(self._least_m)
            for one in inlets
        ]

    def _past_alone(self, name: str) -> WayPast:
        """Way past an inlet with it alone blocked; asked for twice, found once."""
        if name not in self._alone:
            position = self._number[name]
            self._alone[name] = self._past(position, {position})
        return self._alone[name]

    def _past(self, position: int, blocked: Collection[int]) -> WayPast:
        """Way past one inlet with some blocked, itself among them."""
        inlet, grid = self._placed[position], self._natural.surface.ground
        routing = blocked_routing(self._natural, self._placed, blocked, self._rule)
        ground = grid.values.ravel()[inlet.cells]
        lowest = int(inlet.cells[np.argmin(ground)])
        level = float(ground.min()) if inlet.level is None else inlet.level
        parts, _ = connected_parts(routing.depth > 0)
        here = np.unique(parts.ravel()[inlet.cells])
        pool = np.isin(parts, here[here > 0])
        deep = float(routing.depth.ravel()[inlet.cells].max(initial=0.0))
        stands = float(routing.field.filled.ravel()[lowest]) - level
        x, y = grid.xy(*divmod(lowest, grid.shape[1]))
        path = discharge_path(routing, self._low_spots, self._lot, (float(x), float(y)))
        onward = int(routing.label.ravel()[lowest])
        return WayPast(
            max(stands, 0.0),
            runs_to=self._placed[onward - 1].drawn.name if onward else "",
            leaves_at=None if onward or path is None else path.leaves_at,
            held_m3=float(routing.depth[pool].sum()) * grid.cell_m2,
            in_sag=deep >= self._sag_m,
        )


def _ring(runs_to: Mapping[str, str]) -> list[str]:
    """Names that follow one another in a circle; none where there is no circle."""
    for first in runs_to:
        way = [first]
        while (following := runs_to.get(way[-1], "")) and following not in way:
            way.append(following)
        if following == first:
            return way
    return []


def _last(
    ring: Sequence[str], known: Mapping[str, InletFacts], network: Network,
    refused: Mapping[str, float] | None,
) -> str:  # fmt: skip
    """Inlet of a ring from which water leaves the ring, once all of it are full."""
    system = {name: _system(name, network) for name in ring}

    def refuses(one: str) -> float:
        if refused is None:
            return 0.0
        return max(refused.get(name, 0.0) for name in ring if system[name] == one)

    def worth(name: str) -> tuple[float, float, str]:
        rim = known[name].rim_m
        return refuses(system[name]), float("inf") if math.isnan(rim) else rim, name

    return min(ring, key=worth)


def _system(name: str, network: Network) -> str:
    """Where the lines of an inlet end, by which its system is known; itself without lines."""
    leaving = network.leaving.get(name)
    return network.lines[network.way_down(leaving[0])[-1]].end if leaving else name


@runtime_checkable
class SteppedStorms(Protocol):
    """What is asked of storms whose water comes step by step."""

    @property
    def storms(self) -> Sequence[float]:
        """Return periods, rising [yr]."""

    @property
    def node_names(self) -> Sequence[str]:
        """Nodes at which water enters."""

    def runoff_depth(self, storm: int, /) -> FloatArray:
        """Runoff of each cell, at the cell where it enters the flow [m]."""

    def hydrograph(self, node: str, storm: int, /, *, roofs: bool) -> Hydrograph | None:
        """Flow that reaches a node from roofs led into it, or over the ground."""


def opened_water(routing: Routing, storms: SteppedStorms) -> list[StandingWater]:
    """Let every storm run with every inlet taking all that comes."""
    network = pond_network(routing)
    return [standing_water(network, storms.runoff_depth(i)) for i in range(len(storms.storms))]


def storm_series(
    storms: SteppedStorms, inlets: Sequence[str], opened: Sequence[StandingWater], cell_m2: float
) -> StormSeries:
    """
    Give the water of inlets step by step.

    Over the ground its volume is what reaches the inlet when ponds above it keep theirs; it comes
    in the rhythm of its hydrograph, or of all the water where it has none of its own.

    Parameters
    ----------
    storms
        With hydrographs.
    inlets
        Names, in the order of their numbers.
    opened
        From `opened_water`.
    cell_m2
        Area of a cell.
    """
    count = range(len(storms.storms))
    ground = {name: [_flow(storms, name, k, roofs=False) for k in count] for name in inlets}
    roofs = {name: [_flow(storms, name, k, roofs=True) for k in count]
             for name in storms.node_names}  # fmt: skip
    steps = max((flow.size for flows in (*ground.values(), *roofs.values()) for flow in flows),
                default=0)  # fmt: skip
    steps = max(steps, 1)

    def even(flows: Mapping[str, Sequence[FloatArray]]) -> dict[str, FloatArray]:
        return {name: np.array([np.pad(flow, (0, steps - flow.size)) for flow in of_storms])
                for name, of_storms in flows.items()}  # fmt: skip

    surface = even(ground)
    reaching = {}
    every = np.sum([*surface.values()], axis=0) if surface else np.zeros((len(count), steps))
    every = np.where(every.sum(axis=1, keepdims=True) > 0, every, 1.0)
    for position, name in enumerate(inlets):
        volume = np.array([water.taken[position] for water in opened]) * cell_m2
        own = surface[name].sum(axis=1, keepdims=True)
        gross = own[:, 0] * _STEP_S
        reaching[name] = np.minimum(
            np.divide(volume, gross, out=np.ones_like(volume), where=gross > 0), 1.0
        )
        shape = np.where(own > 0, surface[name], every)
        surface[name] = shape / shape.sum(axis=1, keepdims=True) * volume[:, None] / _STEP_S
    return StormSeries(_STEP_S, surface, even(roofs), reaching)


def _flow(storms: SteppedStorms, node: str, storm: int, *, roofs: bool) -> FloatArray:
    """Mean flow of a node in every step, its volume kept."""
    hydrograph = storms.hydrograph(node, storm, roofs=roofs)
    if hydrograph is None:
        return np.zeros(0)
    passed = np.concatenate([[0.0], np.cumsum(hydrograph.flow_m3s) * hydrograph.step_s])
    at = hydrograph.step_s * np.arange(passed.size)
    steps = int(np.ceil(at[-1] / _STEP_S))
    return np.asarray(np.diff(np.interp(_STEP_S * np.arange(steps + 1), at, passed)) / _STEP_S)
