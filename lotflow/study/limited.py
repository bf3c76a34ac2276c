"""Inlets that take no more than grate, line and dry well let them: the rest stands or runs on."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Final, Protocol, runtime_checkable

import numpy as np

from lotflow.drains.intake import StormSeries
from lotflow.scenarios import LIMITED
from lotflow.study.pond_cases import case_storm
from lotflow.terrain.pond_network import PondNetwork, pond_network
from lotflow.terrain.ponding import standing_water

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from lotflow.drains.intake import Intake
    from lotflow.grid import FloatArray
    from lotflow.runoff.hydrograph import Hydrograph
    from lotflow.study.lot_water import LotWater
    from lotflow.study.pond_cases import PondGround
    from lotflow.study.pond_records import CaseStorm
    from lotflow.terrain.ponding import StandingWater
    from lotflow.terrain.routing import Routing

#: Steps in which inlets take their water [s].
_STEP_S: Final = 120.0


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
    """
    Let every storm run with every inlet taking all that comes.

    Parameters
    ----------
    routing
        With the inlets of the case.
    storms
        Runoff of each storm.
    """
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


def limited_storm(
    ground: PondGround,
    lot: LotWater,
    natural: PondNetwork,
    opened: tuple[CaseStorm, StandingWater],
    intakes: Mapping[str, Intake],
    surfaced_m3: float,
) -> CaseStorm:
    """
    Let what inlets refuse stand above them, or run on.

    A balance of volumes: the storm runs as with every inlet open; then what each inlet refuses
    and no other inlet takes is poured out over it, on the ground without inlets and with the
    ponds of the storm standing. What goes on to another inlet is counted there.

    Parameters
    ----------
    ground
        What ponds are judged by.
    lot
        Places of the inlets.
    natural
        The ground without inlets.
    opened
        The same storm with every inlet open.
    intakes
        What each inlet takes of this storm, by name; one that is not named takes all.
    surfaced_m3
        Roof water led into drains that comes up at inlets.
    """
    before, water = opened
    rows = [intakes.get(name) for name in lot.names]

    def each(name: str) -> FloatArray:
        return np.array([0.0 if row is None else getattr(row, name) for row in rows], dtype=float)

    stands, passed, backs_up = each("stands_m3"), each("passed_m3"), each("backs_up_m3")
    poured, drains = water.depth.copy(), np.zeros(water.depth.shape)
    for inlet, row, held, gone in zip(lot.inlets.placed, rows, stands, passed, strict=True):
        if row is not None:
            volume = held + (0.0 if row.way.runs_to else gone)
            area_m2 = ground.grid.cell_m2 * inlet.cells.size
            poured.ravel()[inlet.cells] += volume / area_m2
            drains.ravel()[inlet.cells] += row.empties_m3s / area_m2
    ground = replace(ground, inlet_rate=drains)
    after = case_storm(ground, LIMITED, before.storm, standing_water(natural, poured), opened)
    return replace(
        after,
        runoff_m3=before.runoff_m3 + surfaced_m3,
        left_m3=before.left_m3 + after.left_m3,
        direct_m3=before.direct_m3,
        passed_on_m3=before.passed_on_m3,
        from_inlets_m3=each("from_inlets_m3"),
        backs_up_m3=backs_up,
        refused_m3=stands,
        gone_on_m3=passed,
        surfaced_m3=surfaced_m3,
    )
