"""What inlets cannot take, and where it goes on: the bypass of each storm."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from lotflow.drains.inlet_checks import grate_flow
from lotflow.drains.judged import NOTHING_M3S, Limits, is_design_storm, storm_named
from lotflow.drains.network_flows import node_peaks
from lotflow.findings import Finding
from lotflow.units import both_units

if TYPE_CHECKING:
    from collections.abc import Sequence

    from lotflow.drains.drain_system import DrainState
    from lotflow.drains.inlet_checks import InletFacts
    from lotflow.grid import FloatArray

_HEC_22: Final = (
    "FHWA HEC-22, 3rd edition (2009), section 4.4: bypass is the flow less what is taken, "
    "Qb = Q - Qi; grate by equations 4-26 and 4-27"
)
#: Share of the flow that is said to pass an inlet by; less is rounding, lotflow's rule [-].
_TELLING_SHARE: Final = 0.01


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
    """

    depth_m: float
    runs_to: str = ""
    leaves_at: tuple[float, float] | None = None

    @property
    def told(self) -> str:
        """Where it goes, in words."""
        if self.runs_to:
            return self.runs_to
        return "off the lot" if self.leaves_at else "stays on the ground"


@dataclass(frozen=True)
class InletBypass:
    """
    What becomes of the surface water of one inlet in one storm; NaN where not known [m^3/s].

    Parameters
    ----------
    name
        Of the inlet.
    return_period_yr
        Storm [yr].
    arriving_m3s
        Peak from its own catchment.
    grate_m3s
        What its half clogged grate takes under the deepest water that stands over it.
    line_m3s
        What the lines that leave it carry, flowing full, less what is piped to it.
    way
        Where the rest goes.
    """

    name: str
    return_period_yr: float
    arriving_m3s: float
    grate_m3s: float
    line_m3s: float
    way: WayPast

    @property
    def taken_m3s(self) -> float:
        """What it takes [m^3/s]; NaN where neither grate nor line is known."""
        least = np.fmin(self.grate_m3s, self.line_m3s)
        return float(np.minimum(self.arriving_m3s, least))

    @property
    def passed_m3s(self) -> float:
        """What goes on down the surface [m^3/s]."""
        return self.arriving_m3s - self.taken_m3s

    @property
    def limited_by(self) -> str:
        """Which of "grate" and "line" takes less; empty where nothing passes."""
        if not self.passed_m3s > max(_TELLING_SHARE * self.arriving_m3s, NOTHING_M3S):
            return ""
        # one that is not known limits nothing
        return "grate" if np.fmin(self.grate_m3s, self.line_m3s) == self.grate_m3s else "line"


def inlet_bypasses(
    state: DrainState, inlets: Sequence[InletFacts], ways: Sequence[WayPast], limits: Limits
) -> list[InletBypass]:
    """
    Find what each inlet takes and what passes it by, storm by storm.

    Each inlet is judged with the water of its own catchment: what others let pass is not added,
    nor is anything taken off the lines, so that no water counts twice.

    Parameters
    ----------
    state
        What the lines do.
    inlets
        What is known of them.
    ways
        Of the same inlets.
    limits
        With the clogged share.

    Returns
    -------
    bypasses
        Inlet by inlet, storm by storm; none without rain.

    References
    ----------
    FHWA HEC-22, 3rd edition (2009), section 4.4 (bypass flow) and equations 4-26 and 4-27.
    """
    water, names = state.system.water, [inlet.name for inlet in inlets]
    if water is None or not names:
        return []
    storms = range(state.system.storms.size)
    arriving = np.array([node_peaks(names, water, k, roofs=False) for k in storms])
    roofs = np.array([node_peaks(names, water, k, roofs=True) for k in storms])
    found = []
    for i, (inlet, way) in enumerate(zip(inlets, ways, strict=True)):
        grate = grate_flow(inlet, way.depth_m, limits.criteria.clogged_share)
        room = _room(state, inlet.name, roofs[:, i] + water.given_m3s.get(inlet.name, 0.0))
        found += [
            InletBypass(inlet.name, float(state.system.storms[k]), float(arriving[k, i]), grate,
                        float(room[k]), way)
            for k in storms
        ]  # fmt: skip
    return found


def _room(state: DrainState, name: str, piped: FloatArray) -> FloatArray:
    """What the lines that leave an inlet can take from its grate; NaN where not known."""
    network = state.system.network
    leaving, entering = network.leaving.get(name, []), network.entering.get(name, [])
    if not leaving:
        return np.full(piped.shape, math.nan)
    full = state.hydraulics.capacity_m3s[leaving].sum()
    left = full - state.flows.flow_m3s[entering].sum(axis=0) - piped
    return np.asarray(np.maximum(left, 0.0))


def bypass_findings(
    inlets: Sequence[InletFacts], bypasses: Sequence[InletBypass], storms: FloatArray,
    limits: Limits,
) -> list[Finding]:  # fmt: skip
    """
    Say where the design storm's water passes an inlet by, and where it goes.

    Parameters
    ----------
    inlets
        What is known of them.
    bypasses
        From `inlet_bypasses`.
    storms
        Return periods, rising [yr].
    limits
        What they are judged by.
    """
    places = {inlet.name: inlet for inlet in inlets}
    return [
        Finding(
            "inlet-passed-by", "warn", one.name,
            f"In the {storm_named(one.return_period_yr)} it takes "
            f"{both_units(one.taken_m3s, 'flow')} of the "
            f"{both_units(one.arriving_m3s, 'flow')} that reach it: its {one.limited_by} takes no "
            f"more. {both_units(one.passed_m3s, 'flow')} pass it by and go on: {one.way.told}. "
            f"{_REMEDIES[one.limited_by]}",
            measured=round(one.passed_m3s, 6), limit=0.0, unit="m3/s",
            source=f"{_HEC_22}, from memory; {limits.source('clogged_share')}",
            x=places[one.name].x, y=places[one.name].y,
        )
        for one in bypasses
        if one.limited_by and is_design_storm(one.return_period_yr, storms, limits.criteria)
    ]  # fmt: skip


_REMEDIES: Final = {
    "grate": "Set a larger grate or a second inlet, or see that the way of the rest does no harm.",
    "line": "Lay a larger line or lead water elsewhere, or see that the way of the rest does no "
    "harm.",
}
