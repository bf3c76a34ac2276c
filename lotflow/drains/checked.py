"""One state of the drain system, checked: what its lines and inlets carry, and what was found."""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import takewhile
from typing import TYPE_CHECKING, Any

import numpy as np

from lotflow.drains.network_flows import node_peaks
from lotflow.terrain.downspouts import downspout_name, unknown_ways

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from lotflow.drains.channel_drains import ChannelResult
    from lotflow.drains.drain_system import DrainState, SizedSystem
    from lotflow.drains.house import PathOf
    from lotflow.drains.inlet_checks import InletFacts
    from lotflow.drains.intake import Intakes
    from lotflow.drains.outlet_findings import AvailableFall
    from lotflow.drains.receivers import ReceiverStorm
    from lotflow.findings import Finding
    from lotflow.layers.drawn import Case, Drawn


@dataclass(frozen=True, eq=False)
class CheckedCase:
    """
    One state of the drain system, checked.

    Parameters
    ----------
    case
        "today" or "proposed".
    state
        What its lines do.
    status
        Of each line, by name, as drawn.
    design
        Position of the design storm; None without rain.
    sized, sized_rarest
        With the sizes that work in the design storm, and in the rarest; None without rain.
    falls
        Available fall of its inlets.
    inlets, channels
        Facts of its inlets, and what its channel drains do.
    received
        What each storm does at each outlet.
    intakes
        What each inlet takes in each storm, and where the rest goes.
    grate_depth_m
        Water over each grate that takes the design storm, by name [m].
    findings
        What was found.
    """

    case: str
    state: DrainState
    status: Mapping[str, str]
    design: int | None
    sized: SizedSystem | None
    sized_rarest: SizedSystem | None
    falls: Sequence[AvailableFall]
    inlets: Sequence[InletFacts]
    channels: Sequence[ChannelResult]
    received: Sequence[ReceiverStorm]
    intakes: Intakes
    grate_depth_m: Mapping[str, float]
    findings: Sequence[Finding]

    @property
    def design_storm_yr(self) -> float:
        """Return period of the design storm [yr]; NaN without rain."""
        return np.nan if self.design is None else float(self.state.system.storms[self.design])

    def needed(self, position: int) -> dict[str, Any]:
        """
        Give the size a line needs in the design storm, and that in the rarest beside it.

        Parameters
        ----------
        position
            Of the line.
        """
        return {
            "design_storm_yr": self.design_storm_yr,
            "required_size": _size(self.sized, position),
            "rarest_storm_yr": np.nan if self.design is None else self.state.system.storms[-1],
            "rarest_storm_size": _size(self.sized_rarest, position),
        }


def _size(sized: SizedSystem | None, position: int) -> str | None:
    """Size of a line as it is ordered; None where none on sale is enough."""
    return None if sized is None else sized.labels[position] or None


def ties(
    checked: Sequence[CheckedCase],
) -> tuple[dict[tuple[bool, str], list[str]], dict[tuple[bool, str], str]]:
    """
    Tell what lies below each inlet and line, and which old pipes are one run.

    Of what is to be replaced a run goes as far as old pipes follow one another; an old pipe that
    stays is judged by itself.
    """
    below: dict[tuple[bool, str], list[str]] = {}
    old_run: dict[tuple[bool, str], str] = {}
    for number, case in enumerate(checked):
        network, today = case.state.system.network, number > 0
        for position, line in enumerate(network.lines):
            way = [network.lines[i] for i in network.way_down(position)]
            names = [name for one in way for name in (one.name, one.end)]
            below[today, line.name] = names[1:]
            below.setdefault((today, line.start), names)
            old = list(takewhile(lambda one: not one.proposed, way))
            if old:
                old_run[today, line.name] = old[-1].name if today else line.name
    return below, old_run


def inlet_capacities(checked: CheckedCase) -> dict[str, float]:
    """
    Tell what the line of each inlet takes from it at most in the design storm.

    By the grade line, while the other inlets take what they do.

    Parameters
    ----------
    checked
        A case.

    Returns
    -------
    capacities
        By the name of the inlet; only those whose lines' size and levels are known [m^3/s];
        none without rain.
    """
    if checked.design is None:
        return {}
    rows = checked.intakes.of_storm(checked.design)
    return {name: row.line_m3s for name, row in rows.items() if np.isfinite(row.line_m3s)}


def inlets_in_storm(
    inlets: Sequence[InletFacts], state: DrainState, storm: int | None
) -> tuple[InletFacts, ...]:
    """Inlets with what the design storm brings over the ground, and the water below them."""
    water, network = state.system.water, state.system.network
    if water is None or storm is None:
        return tuple(inlets)
    names = [inlet.name for inlet in inlets]
    over_ground = node_peaks(names, water, storm, roofs=False)
    roofs = node_peaks(names, water, storm, roofs=True)
    entering, leaving = network.entering, network.leaving
    return tuple(
        replace(
            inlet,
            flow_m3s=float(over_ground[i]),
            entering_m3s=tuple(
                float(state.flows.flow_m3s[line, storm]) for line in entering.get(inlet.name, ())
            ),
            other_m3s=float(roofs[i]) + water.given_m3s.get(inlet.name, 0.0),
            water_level_m=float(state.node_water_m(inlet.name)[storm])
            if inlet.name in leaving
            else np.nan,
            water_rests_on=state.levels_below(leaving[inlet.name][0])
            if inlet.name in leaving
            else (),
        )
        for i, inlet in enumerate(inlets)
    )


def refused_shares(intakes: Intakes) -> dict[str, float]:
    """Largest share of its water in any storm that each inlet refuses."""
    shares: dict[str, float] = {}
    for row in intakes.rows:
        came, left = row.arriving_m3s + row.backs_up_m3s, row.refused_m3s
        if np.isfinite(row.taken_m3):
            came, left = row.refused_m3 + row.taken_m3, row.refused_m3
        share = left / came if came > 0 else 0.0
        shares[row.name] = max(shares.get(row.name, 0.0), share)
    return shares


def of_unknown_ways(
    findings: list[Finding], site: Drawn, case: Case, path_of: PathOf, names: Sequence[str]
) -> list[Finding]:
    """
    Say of what inlets take that it counts roof water of which nobody gave where it leads.

    Parameters
    ----------
    findings
        Of a case.
    site
        What is drawn, of all cases.
    case
        State of the drain system.
    path_of
        Over the ground with the inlets of the case.
    names
        Of these inlets.
    """
    rows = unknown_ways(site, case)
    counted: dict[str, list[str]] = {}
    for index, name, foot in zip(rows.index, rows["name"], rows.geometry, strict=True):
        path = path_of((float(foot.x), float(foot.y)))
        if path is not None and path.inlet:
            label = downspout_name(name, int(index) + 1)
            counted.setdefault(names[path.inlet - 1], []).append(label)
    return [
        replace(
            one, facts={**one.facts, "unknown_ways": tuple(counted[one.subject])}, severity="note"
        )
        if one.rule == "inlet-passed-by" and one.subject in counted else one
        for one in findings
    ]  # fmt: skip
