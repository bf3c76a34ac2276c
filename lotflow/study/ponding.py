"""How deep water stands after each storm, with every inlet open and with inlets blocked."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final, Protocol

import numpy as np

from lotflow.drains.standing_water import infiltration_rates
from lotflow.errors import EngineError
from lotflow.findings import Finding
from lotflow.scenarios import OPEN
from lotflow.study import pond_layers as layers
from lotflow.study.blocked import drain_cases
from lotflow.study.chapter import Chapter, Raster, say_nothing
from lotflow.study.cover import ground_infiltration
from lotflow.study.limited import limited_storm
from lotflow.study.pond_cases import Spills, case_storm, pond_ground
from lotflow.study.pond_findings import PondsFound, pond_findings
from lotflow.terrain.drainage import LEVEL_STEP
from lotflow.terrain.pond_network import pond_network
from lotflow.terrain.ponding import standing_water
from lotflow.units import both_units

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence

    from lotflow.drains.intake import Intakes
    from lotflow.grid import FloatArray
    from lotflow.runoff.ground_cover import GroundCover
    from lotflow.study.lot_water import LotWater
    from lotflow.study.pond_cases import PondGround
    from lotflow.study.pond_records import CaseStorm
    from lotflow.terrain.pond_network import PondNetwork
    from lotflow.terrain.ponding import StandingWater

#: Water that may go missing in a balance: a litre [m^3].
_LITRE_M3: Final = 0.001


class StormRunoff(Protocol):
    """What is asked of the storms of a study."""

    @property
    def storms(self) -> Sequence[float]:
        """Return periods, rising [yr]."""

    @property
    def cover(self) -> GroundCover:
        """Cover of every cell."""

    def runoff_depth(self, storm: int, /) -> FloatArray:
        """Runoff of each cell, at the cell where it enters the flow [m]."""

    def connected_volume(self, storm: int, /) -> Mapping[str, float]:
        """Roof water led into each node of the drains [m^3]."""


def ponding_chapter(
    lot: LotWater, storms: StormRunoff, *, intakes: Intakes | None = None,
    opened: Sequence[StandingWater] | None = None, tell: Callable[[str], None] = say_nothing,
) -> Chapter:  # fmt: skip
    """
    Find what stands after each storm, what inlets take, and what happens when they do not.

    Parameters
    ----------
    lot
        Ground, low spots and inlets.
    storms
        Runoff of each storm.
    intakes
        What inlets take, with volumes; with it there is a case "limited".
    opened
        Where the water of each storm is with every inlet open, where it is known already.
    tell
        Called with the set of open inlets that is being looked at.

    Raises
    ------
    EngineError
        If a litre of water is lost.
    """
    rate = ground_infiltration(lot.job.job, storms.cover)
    ground = pond_ground(lot, rate, storms.cover.paved)
    runoff = [storms.runoff_depth(i) for i in range(len(storms.storms))]
    found, first, natural = _all_cases(lot, ground, runoff, opened, tell)
    if intakes is not None and intakes.rows and lot.names:
        found += [
            limited_storm(ground, lot, natural, one, intakes.of_storm(i), up)
            for i, (one, up) in enumerate(zip(first, intakes.surfaced_m3.tolist(), strict=True))
        ]
    _require_closed(found)
    return _chapter(lot, storms, ground, found, [water.depth for _, water in first])


def _all_cases(
    lot: LotWater,
    ground: PondGround,
    runoff: Sequence[FloatArray],
    known: Sequence[StandingWater] | None,
    tell: Callable[[str], None],
) -> tuple[list[CaseStorm], list[tuple[CaseStorm, StandingWater]], PondNetwork]:
    """
    Run all storms on every set of open inlets.

    Of the first set its water is kept, of the last its network: that of the ground without inlets.
    """
    found: list[CaseStorm] = []
    opened: list[tuple[CaseStorm, StandingWater]] = []
    for case, routing in drain_cases(lot):
        tell(f"ponds, {case}")
        if case == OPEN and known:
            waters: Sequence[StandingWater] = known
            network = known[0].network
        else:
            network = pond_network(routing)
            waters = [standing_water(network, depth) for depth in runoff]
        spills = Spills(ground, network)
        for storm, water in enumerate(waters):
            if case == OPEN:
                found.append(case_storm(ground, case, storm, water, spills=spills))
                opened.append((found[-1], water))
            else:
                found.append(case_storm(ground, case, storm, water, opened[storm], spills))
    return found, opened, network


def _require_closed(found: Sequence[CaseStorm]) -> None:
    """Refuse a result in which water was lost."""
    for storm in found:
        if abs(storm.residual_m3) >= _LITRE_M3:
            raise EngineError(
                f"the water of case {storm.case} does not add up: {storm.residual_m3 * 1000:.1f} "
                f"litres of {storm.runoff_m3:.1f} m3 are missing."
            )


def _chapter(
    lot: LotWater,
    storms: StormRunoff,
    ground: PondGround,
    found: Sequence[CaseStorm],
    open_depths: Sequence[FloatArray],
) -> Chapter:
    """Put layers, tables, rasters and findings together."""
    periods = [float(period) for period in storms.storms]
    spots = lot.low_spots
    beds = {
        number + 1: (int(spots.bed_cell[number]), float(spots.bed[number]))
        for number in range(len(spots))
    }
    connected = [float(sum(storms.connected_volume(i).values())) for i in range(len(periods))]
    judged = PondsFound(ground, found, periods, lot.job.criteria, connected)
    listed = layers.listed_ponds(found)
    ponds = layers.ponds_layer(ground, listed, periods)
    return Chapter(
        layers={
            "ponds": ponds,
            "overflow_paths": layers.overflow_paths_layer(ground, listed, periods),
            "pond_cases": layers.pond_cases_table(ground, found, periods, connected),
            "wall_water": layers.wall_water_table(ground, listed, periods),
            "inlet_intake": layers.inlet_intake_table(ground, found, periods),
        },
        findings=[
            *_soil_note(lot, len(ponds)),
            *_listing_note(layers.rows_of_all(found)),
            *pond_findings(judged),
        ],
        sections={"ponds": layers.pond_entries(ground, ponds, found, listed, periods, beds)},
        rasters={
            f"pond_depth_{period:g}yr.tif": _raster(ground, depth, period)
            for period, depth in zip(periods, open_depths, strict=True)
        },
    )


def _raster(ground: PondGround, depth: FloatArray, period: float) -> Raster:
    """Depth of standing water; dry cells have none."""
    wet = np.where(depth > LEVEL_STEP / 2, depth, np.nan)
    description = f"depth of water standing after the {period:g}-year storm, every inlet open"
    return Raster(ground.grid.with_values(wet), description, "m")


def _listing_note(rows: int) -> list[Finding]:
    """Say that not every pond is listed in every case."""
    if rows <= layers.LISTED_PONDS:
        return []
    return [
        Finding(
            "ponds-listed", "note", "lot",
            "There are many ponds and many inlets. With one inlet blocked, only the ponds are "
            "listed that differ from those with every inlet open; the others are the same.",
            measured=rows, limit=layers.LISTED_PONDS, unit="rows",
        )
    ]  # fmt: skip


def _soil_note(lot: LotWater, ponds: int) -> list[Finding]:
    """Say by which infiltration the times are counted."""
    job = lot.job.job
    if not ponds:
        return []
    rate = float(infiltration_rates(["soil"], job.soil_group, measured=job.soak_test_m_s)[0])
    measured = job.soak_test_m_s is not None
    basis = "the soak test" if measured else f"soil of hydrologic group {job.soil_group}"
    return [
        Finding(
            "infiltration-counted", "note", "lot",
            f"Times until ponds are gone count {both_units(rate, 'rain')} into open ground, of "
            f"{basis}, once the storm is over; none while it lasts."
            + ("" if measured else " Measure it on site: [job] soak_test_in_h or soak_test_mm_h."),
            measured=round(rate * 3.6e6, 3), unit="mm/h",
            source="measured on site" if measured
            else "Minnesota Stormwater Manual, design infiltration rates",
        )
    ]  # fmt: skip
