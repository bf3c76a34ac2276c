"""Every storm with every set of open inlets: all, each blocked, none, and all that take no more."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Final

import numpy as np

from lotflow.errors import EngineError
from lotflow.ponding.ponds import Spills, case_storm
from lotflow.ponding.refused import blocked_routing
from lotflow.scenarios import ALL_BLOCKED, LIMITED, OPEN, Scenario
from lotflow.terrain.ponding import PondNetwork, pond_network, standing_water

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence

    from lotflow.drains.intake import Intake
    from lotflow.grid import FloatArray
    from lotflow.ponding.ponds import PondGround
    from lotflow.ponding.records import CaseStorm, Pond
    from lotflow.terrain.inlet_places import SetInlet
    from lotflow.terrain.ponding import StandingWater
    from lotflow.terrain.routing import Routing

#: Water that may go missing in a balance: a litre [m^3].
_LITRE_M3: Final = 0.001


def scenario_routings(
    natural: Routing, opened: Routing, placed: Sequence[SetInlet], rule: str
) -> Iterator[tuple[Scenario, Routing]]:
    """
    Give the routing with every inlet open, with each blocked in turn, and with all blocked.

    Parameters
    ----------
    natural, opened
        The ground without inlets, and with all of them.
    placed
        The inlets.
    rule
        Of directions, as for `route`.

    Yields
    ------
    scenario, routing
        One at a time: each may fill much memory.
    """
    yield OPEN, opened
    if not placed:
        return
    for position, inlet in enumerate(placed):
        yield (
            Scenario.one_blocked(inlet.drawn.name),
            blocked_routing(natural, placed, {position}, rule),
        )
    yield ALL_BLOCKED, natural


def run_storms(
    ground: PondGround, routings: Iterable[tuple[Scenario, Routing]], runoff: Sequence[FloatArray],
    *, opened: Sequence[StandingWater] | None, tell: Callable[[str], None],
) -> tuple[list[CaseStorm], list[tuple[CaseStorm, StandingWater]], PondNetwork]:  # fmt: skip
    """
    Run all storms on every set of open inlets.

    Parameters
    ----------
    ground
        What ponds are judged by.
    routings
        From `scenario_routings`: the last is the ground without inlets.
    runoff
        Of each storm, at the cell where it enters the flow [m].
    opened
        Where the water of each storm is with every inlet open, where it is known already.
    tell
        Called with the set of open inlets that is being looked at.

    Returns
    -------
    found
        In the order of the sets of open inlets, storms rising.
    first
        Those with every inlet open, and where the water of each is.
    natural
        Depressions of the ground without inlets.
    """
    found: list[CaseStorm] = []
    first: list[tuple[CaseStorm, StandingWater]] = []
    for scenario, routing in routings:
        tell(f"ponds, {scenario}")
        if scenario == OPEN and opened:
            waters: Sequence[StandingWater] = opened
            network = opened[0].network
        else:
            network = pond_network(routing)
            waters = [standing_water(network, depth) for depth in runoff]
        spills = Spills(ground, network)
        for storm, water in enumerate(waters):
            if scenario == OPEN:
                found.append(case_storm(ground, scenario, storm, water, spills=spills))
                first.append((found[-1], water))
            else:
                found.append(case_storm(ground, scenario, storm, water, first[storm], spills))
    return found, first, network


def limited_storm(
    ground: PondGround,
    placed: Sequence[SetInlet],
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
    placed
        The inlets.
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
    rows = [intakes.get(inlet.drawn.name) for inlet in placed]

    def each(name: str) -> FloatArray:
        return np.array([0.0 if row is None else getattr(row, name) for row in rows], dtype=float)

    stands, passed, backs_up = each("stands_m3"), each("passed_m3"), each("backs_up_m3")
    poured, drains = water.depth.copy(), np.zeros(water.depth.shape)
    for inlet, row, held, gone in zip(placed, rows, stands, passed, strict=True):
        if row is not None:
            volume = held + (0.0 if row.way.runs_to else gone)
            area_m2 = ground.grid.cell_m2 * inlet.cells.size
            poured.ravel()[inlet.cells] += volume / area_m2
            drains.ravel()[inlet.cells] += row.empties_m3s / area_m2
    ground = replace(ground, inlet_rate=drains)
    after = case_storm(ground, LIMITED, before.storm, standing_water(natural, poured), opened)
    # what ran over before the inlets were full ran over, too
    first = {pond.bed_cell: pond for pond in before.ponds if pond.overflow_m3 > 0}
    return replace(
        after,
        ponds=tuple(_ran_over(pond, first) for pond in after.ponds),
        rises=tuple(
            rise if rise.pond is None else replace(rise, pond=_ran_over(rise.pond, first))
            for rise in after.rises
        ),
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


def _ran_over(pond: Pond, first: Mapping[int, Pond]) -> Pond:
    """A pond with what ran over it before, by its deepest cell; where to, unless it says so."""
    before = first.get(pond.bed_cell)
    if before is None:
        return pond
    overflow = before.overflow_m3 + pond.overflow_m3
    return replace(pond, overflow_m3=overflow, spill=pond.spill or before.spill)


def require_closed(found: Sequence[CaseStorm]) -> None:
    """
    Refuse a result in which water was lost.

    Raises
    ------
    EngineError
        If a litre or more is missing.
    """
    for storm in found:
        if abs(storm.residual_m3) >= _LITRE_M3:
            raise EngineError(
                f"the water of case {storm.scenario} does not add up: "
                f"{storm.residual_m3 * 1000:.1f} litres of {storm.runoff_m3:.1f} m3 are missing."
            )
