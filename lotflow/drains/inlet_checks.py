"""What is known of inlets, and what is wrong with their grates: too small, too coarse, fixed."""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import pairwise
from typing import TYPE_CHECKING, Any, Final

from lotflow.drains.inlets import grate_capacity, grate_depth, grate_perimeter
from lotflow.drains.judged import NOTHING_M3S, PRACTICE, Limits, about_place

if TYPE_CHECKING:
    from collections.abc import Sequence

    from lotflow.findings import Finding, LevelSource, Severity

#: Widest opening of a grate that is walked on [m].
WALKED_ON_OPENING_M: Final = 0.0127
_ADA: Final = "ADA Standards (2010), 302.3: openings no wider than 1/2 in"
_HEC_22: Final = "FHWA HEC-22, 3rd edition (2009), equations 4-26 and 4-27"
#: A line that ends this near an outlet of a channel drain leaves there, lotflow's rule [m].
_AT_OUTLET_M: Final = 0.3


@dataclass(frozen=True)
class InletFacts:
    """
    What is known of an inlet; NaN where not given.

    Parameters
    ----------
    length_m
        Of a channel drain, from its line [m]; NaN for a grate.
    grate_length_m, grate_width_m, open_share, opening_width_m
        Of the grate [m], [-].
    channel_depth_m, channel_width_m
        Inside [m].
    removable
        Whether the grate can be taken out; None where not known.
    walked_on
        Whether it lies in paving or a sidewalk.
    outlets_at
        Where lines leave a channel drain, as shares of its length from its first point.
    entries_at
        Of each line that ends in a channel drain, where, in the same way.
    flow_m3s
        Surface water that reaches it in the design storm [m^3/s]; NaN without rain.
    entering_m3s
        What each of those lines brings in the design storm [m^3/s].
    other_m3s
        What comes into it from roofs and as given, at a place that is not known [m^3/s].
    water_level_m
        Level of the water in the drain below it in the design storm [m]; NaN without.
    water_rests_on
        Where the levels of the lines come from that hold it there.
    rim_m
        Level of its grate [m].
    top_fall_m
        Difference of the highest and lowest ground along a channel drain [m].
    top_doubt_m
        Half the 95 % interval of that from the error of the elevation data [m].
    gutter_slope, cross_slope
        Of the gutter or swale it lies in, along and across [-].
    """

    name: str
    kind: str
    x: float
    y: float
    length_m: float
    grate_length_m: float
    grate_width_m: float
    open_share: float
    opening_width_m: float
    channel_depth_m: float
    channel_width_m: float
    removable: bool | None
    walked_on: bool
    outlets_at: tuple[float, ...] = ()
    entries_at: tuple[float, ...] = ()
    flow_m3s: float = math.nan
    entering_m3s: tuple[float, ...] = ()
    other_m3s: float = 0.0
    water_level_m: float = math.nan
    water_rests_on: tuple[LevelSource, ...] = ()
    rim_m: float = math.nan
    top_fall_m: float = math.nan
    top_doubt_m: float = math.nan
    gutter_slope: float = math.nan
    cross_slope: float = math.nan

    @property
    def is_channel(self) -> bool:
        """Whether it is a channel drain with a length."""
        return self.length_m > 0

    @property
    def piped_m3s(self) -> float:
        """Water that comes into it below its grate in the design storm [m^3/s]."""
        return sum(self.entering_m3s) + self.other_m3s

    @property
    def stretches(self) -> list[tuple[float, float]]:
        """
        Length of each stretch of a channel drain that runs to one outlet, and what is piped in.

        A line that ends in a stretch counts as if it came in at its far end; one that ends at an
        outlet leaves there. What comes in at no known place counts in the longest.
        """
        at = sorted(self.outlets_at) or [0.0]
        middles = [(a + b) / 2 for a, b in pairwise(at)]
        far, near = [0.0, *middles, *middles, 1.0], [at[0], *at[:-1], *at[1:], at[-1]]
        found = [
            (self.length_m * max(abs(a - b), 1e-3), self._entering(min(a, b), max(a, b)))
            for a, b in zip(far, near, strict=True)
        ]
        longest = max(range(len(found)), key=lambda k: found[k])
        found[longest] = (found[longest][0], found[longest][1] + self.other_m3s)
        return found

    def _entering(self, low: float, high: float) -> float:
        """What lines bring to a stretch between shares of the length [m^3/s]."""
        clear = _AT_OUTLET_M / self.length_m
        return sum(
            flow
            for share, flow in zip(self.entries_at, self.entering_m3s, strict=True)
            if low <= share <= high
            and all(abs(share - outlet) > clear for outlet in self.outlets_at)
        )


def inlet_findings(inlets: Sequence[InletFacts], limits: Limits) -> list[Finding]:
    """
    Judge grates: their size, openings, and whether they can be taken out.

    Parameters
    ----------
    inlets
        What is known of them.
    limits
        What they are judged by.
    """
    findings = []
    for inlet in inlets:
        findings += _grate_size(inlet, limits)
        findings += _grate_make(inlet)
    return findings


def inlet_finding(inlet: InletFacts, rule: str, severity: Severity, **others: Any) -> Finding:
    """Make a finding about an inlet; `others` as for `about_place`."""
    return about_place(inlet.name, (inlet.x, inlet.y), rule, severity, **others)


def grate_water_depth(inlet: InletFacts, clogged_share: float) -> float:
    """
    Depth of water over a grate that drives its flow in [m].

    Parameters
    ----------
    inlet
        What is known of it; NaN where its size, open share or flow is not.
    clogged_share
        Share of the grate that is blocked [-].
    """
    edge, opening = _grate(inlet)
    if not (edge > 0 and opening > 0 and inlet.flow_m3s >= 0):
        return math.nan
    return float(grate_depth(inlet.flow_m3s, edge, opening, clogged_share=clogged_share))


def grate_flow(inlet: InletFacts, depth: float, clogged_share: float) -> float:
    """
    Flow that a grate takes under a depth of water [m^3/s].

    Parameters
    ----------
    inlet
        What is known of it; NaN where its size or open share is not.
    depth
        Of the water over it [m].
    clogged_share
        Share of the grate that is blocked [-].
    """
    edge, opening = _grate(inlet)
    if not (edge > 0 and opening > 0):
        return math.nan
    return float(grate_capacity(depth, edge, opening, clogged_share=clogged_share))


def _grate(inlet: InletFacts) -> tuple[float, float]:
    """Edge [m] and open area [m^2] of a grate; NaN where not known."""
    length = inlet.length_m if inlet.is_channel else inlet.grate_length_m
    width = inlet.grate_width_m
    if inlet.is_channel and math.isnan(width):
        width = inlet.channel_width_m
    if not (length > 0 and width > 0):
        return math.nan, math.nan
    return float(grate_perimeter(length, width)), length * width * inlet.open_share


def _grate_size(inlet: InletFacts, limits: Limits) -> list[Finding]:
    """A grate that takes its flow only under deep water once it is half clogged."""
    if not inlet.flow_m3s > NOTHING_M3S:
        return []
    most, clogged = limits.criteria.grate_water_m, limits.criteria.clogged_share
    depth = grate_water_depth(inlet, clogged)
    if math.isnan(depth):
        return [
            inlet_finding(
                inlet, "grate-size-unknown", "note", facts={"flow_m3s": inlet.flow_m3s},
                source=_HEC_22,
            )
        ]  # fmt: skip
    if depth <= most:
        return []
    return [
        inlet_finding(
            inlet, "grate-too-small", "fail",
            facts={"clogged": clogged, "flow_m3s": inlet.flow_m3s, "depth_m": depth},
            # how its water stands hangs on a line of which nothing is known
            rests_on=("unknown",) if "unknown" in inlet.water_rests_on else (),
            measured=depth, limit=most, unit="m",
            source=f"{_HEC_22}; {limits.source('grate_water_m')}; "
            f"{limits.source('clogged_share')}",
        )
    ]  # fmt: skip


def _grate_make(inlet: InletFacts) -> list[Finding]:
    """A grate that cannot be taken out, or whose openings catch heels and wheels."""
    findings = []
    if inlet.removable is False:
        findings.append(inlet_finding(inlet, "grate-not-removable", "warn", source=PRACTICE))
    if inlet.walked_on and inlet.opening_width_m > WALKED_ON_OPENING_M + 1e-6:
        findings.append(
            inlet_finding(
                inlet, "grate-opening-too-wide", "warn",
                facts={"opening_m": inlet.opening_width_m},
                measured=inlet.opening_width_m, limit=WALKED_ON_OPENING_M, unit="m", source=_ADA,
            )
        )  # fmt: skip
    return findings
