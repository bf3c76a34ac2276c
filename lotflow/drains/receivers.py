"""What takes the water at the outlets: a gutter, dry well, sewer or ditch; what is wrong there."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from lotflow.drains.dry_wells import STONE_VOIDS, emptying_time, excavated_volume, storage_need
from lotflow.drains.inlets import gutter_spread
from lotflow.drains.judged import NOTHING_M3S, PRACTICE, Limits, about_place, is_design_storm
from lotflow.drains.network_flows import led_down, node_peaks
from lotflow.units import from_si

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from lotflow.drains.drain_system import DrainState
    from lotflow.drains.network import Network
    from lotflow.drains.network_flows import DrainWater
    from lotflow.findings import Finding, Severity
    from lotflow.grid import FloatArray
    from lotflow.rainfall import Rainfall

#: Manning n of asphalt with a rough texture, or of a broomed concrete gutter [s/m^(1/3)].
GUTTER_ROUGHNESS: Final = 0.016
#: Cross slope of a street where none is given [-]; from memory: 1.5 to 2 % is usual.
CROSS_SLOPE: Final = 0.02
#: Least fall along a gutter that is counted [-]: HEC-22, section 4.2.2, from memory.
LEAST_GUTTER_SLOPE: Final = 0.003
#: Height of a curb where none is given [m]: 6 in, common practice, no published source.
CURB_HEIGHT_M: Final = 0.1524
_DURATIONS: Final = 200


@dataclass(frozen=True)
class Receiver:
    """
    What an outlet runs into; NaN where not known.

    Parameters
    ----------
    water_level_m
        Highest water in a sewer, ditch or pond [m].
    gutter_slope, cross_slope
        Along and across the gutter of the street [-].
    slope_is_given
        Whether the fall along the gutter was given; else it is that of the elevation data.
    curb_height_m
        Of the curb [m].
    gutter_flow_m3s
        What already runs in the gutter [m^3/s].
    same_gutter
        Names of the other outlets whose water runs there too.
    storage_m3, soaking_area_m2
        Water that a dry well holds [m^3], and its base [m^2].
    soil_rate_m_s
        Infiltration of its soil [m/s].
    """

    name: str
    kind: str
    x: float
    y: float
    water_level_m: float = math.nan
    gutter_slope: float = math.nan
    cross_slope: float = math.nan
    slope_is_given: bool = False
    curb_height_m: float = math.nan
    gutter_flow_m3s: float = math.nan
    same_gutter: tuple[str, ...] = ()
    storage_m3: float = math.nan
    soaking_area_m2: float = math.nan
    soil_rate_m_s: float = math.nan


@dataclass(frozen=True)
class ReceiverStorm:
    """
    What a storm does at an outlet; NaN where it does not apply or is not known.

    Parameters
    ----------
    receiver
        What the outlet runs into.
    return_period_yr
        Storm [yr].
    flow_m3s
        Peak that comes out of the lines, and of downspouts led to the outlet itself [m^3/s].
    gutter_flow_m3s, spread_m, curb_depth_m
        Together with what else is known to run in the gutter [m^3/s]; width and depth at the
        curb [m].
    needed_m3
        What a dry well must hold [m^3].
    rain_s
        Duration of the rain that fills it most [s].
    longer
        Whether longer rain than the rainfall knows may fill it more.
    empties_s
        Time in which that soaks away [s]; infinite where nothing does.
    """

    receiver: Receiver
    return_period_yr: float
    flow_m3s: float
    gutter_flow_m3s: float = math.nan
    spread_m: float = math.nan
    curb_depth_m: float = math.nan
    needed_m3: float = math.nan
    rain_s: float = math.nan
    longer: bool = False
    empties_s: float = math.nan


def receiver_storms(
    state: DrainState, receivers: Sequence[Receiver], *, longest_s: float = math.inf
) -> list[ReceiverStorm]:
    """
    Find what each storm does at each outlet that a line runs to, or a downspout is led to.

    The peaks of lines and of such downspouts are added, as if they came at one time.

    Parameters
    ----------
    longest_s
        Longest rain that counts as one storm for a dry well [s]: within that time it must be
        empty again, so that what falls later meets an empty well.

    Returns
    -------
    storms
        Outlet by outlet, storm by storm; none without rain.

    References
    ----------
    FHWA HEC-22, 3rd edition (2009), equation 4-2; Building Research Establishment (1991), Digest
    365, storage over all durations.
    """
    network, water = state.system.network, state.system.water
    if water is None:
        return []
    entering = _entering_ca(network, water)
    area = led_down(network, entering)
    steady = led_down(network, {name: np.array([q]) for name, q in water.given_m3s.items()})[:, 0]

    def lines_to(*outlets: str) -> list[int]:
        return [line for name in outlets for line in network.entering.get(name, [])]

    names = [receiver.name for receiver in receivers]
    periods = np.atleast_1d(water.storms).tolist()
    direct = [
        dict(zip(names, node_peaks(names, water, storm, roofs=True).tolist(), strict=True))
        for storm in range(len(periods) if names else 0)
    ]
    found = []
    for receiver in receivers:
        at, beside = lines_to(receiver.name), lines_to(*receiver.same_gutter)
        led = receiver.name in water.parts.node
        for storm, period in enumerate(periods if at or led else []):
            flow, roofs = state.flows.flow_m3s[:, storm], direct[storm]
            one = ReceiverStorm(receiver, period, float(flow[at].sum()) + roofs[receiver.name])
            if receiver.kind == "curb":
                others = sum(roofs.get(name, 0.0) for name in receiver.same_gutter)
                one = _in_gutter(one, float(flow[beside].sum()) + others)
            # rain of a stated intensity has no longest duration, and nothing to be stored for
            elif receiver.kind == "dry well" and np.isfinite(water.rainfall.duration_range_s[1]):
                ca = float(area[at, storm].sum() + entering[receiver.name][storm])
                one = _in_well(one, ca, float(steady[at].sum()), water.rainfall, longest_s)
            found.append(one)
    return found


def _entering_ca(network: Network, water: DrainWater) -> Mapping[str, FloatArray]:
    """Runoff coefficient times area that enters at each node, in each storm."""
    parts = water.parts
    entering = {name: np.zeros(np.atleast_1d(water.storms).size) for name in network.nodes}
    for node, ca in zip(parts.node, np.asarray(parts.ca_m2), strict=True):
        if node in entering:
            entering[node] += ca
    return entering


def _in_gutter(one: ReceiverStorm, others: float) -> ReceiverStorm:
    """Spread of the outlet's water and what else runs there."""
    receiver = one.receiver
    total = one.flow_m3s + others + float(np.nan_to_num(receiver.gutter_flow_m3s))
    if math.isnan(receiver.gutter_slope):
        return replace(one, gutter_flow_m3s=total)
    across = CROSS_SLOPE if math.isnan(receiver.cross_slope) else receiver.cross_slope
    along = max(receiver.gutter_slope, LEAST_GUTTER_SLOPE)
    spread = float(gutter_spread(total, across, along, GUTTER_ROUGHNESS))
    return replace(one, gutter_flow_m3s=total, spread_m=spread, curb_depth_m=spread * across)


def _in_well(
    one: ReceiverStorm, ca: float, steady: float, rainfall: Rainfall, longest_s: float
) -> ReceiverStorm:  # fmt: skip
    """Storage over all durations; where its base is not given nothing soaks away."""
    base, rate = np.nan_to_num([one.receiver.soaking_area_m2, one.receiver.soil_rate_m_s]).tolist()
    shortest, longest = rainfall.duration_range_s
    end = max(min(longest, longest_s), shortest * 1.001)
    need = storage_need(
        lambda time: ca * rainfall.depth(time, one.return_period_yr) + steady * time,
        np.geomspace(shortest, end, _DURATIONS), 1.0, rate, base,
    )  # fmt: skip
    return replace(
        one,
        needed_m3=need.volume,
        rain_s=need.critical_duration if need.volume else math.nan,
        # rain beyond the bound is the next storm's
        longer=need.governed_by_longest and end >= longest,
        # a well holds no more than its storage, however much is wanted
        empties_s=float(emptying_time(np.fmin(need.volume, one.receiver.storage_m3), rate, base))
        if base
        else math.inf,
    )


_DIGEST_365: Final = (
    "Building Research Establishment, Digest 365 (1991): storage over all durations"
)
_TAILWATER: Final = "FHWA HEC-22, 3rd edition (2009), section 7.1.5: tailwater at the outlet"
#: Where the water of others stands, and how high is for its owner to say.
_WATERS_OF_OTHERS: Final = ("storm sewer", "public inlet")


def receiver_findings(
    found: Sequence[ReceiverStorm], storms: FloatArray, limits: Limits
) -> list[Finding]:
    """
    Judge what takes the water in the design storm.

    Parameters
    ----------
    found
        Of every outlet and storm.
    storms
        Return periods, rising [yr].
    limits
        What it is judged by.
    """
    return [
        finding
        for one in found
        if is_design_storm(one.return_period_yr, storms, limits.criteria)
        for finding in _of_outlet(one, limits)
    ]


def _of_outlet(one: ReceiverStorm, limits: Limits) -> list[Finding]:
    """What is wrong at one outlet."""
    kind = one.receiver.kind
    if kind == "curb":
        return _gutter_findings(one, limits)
    if kind == "dry well":
        return _well_findings(one, limits) if one.flow_m3s > NOTHING_M3S else []
    if kind in _WATERS_OF_OTHERS and math.isnan(one.receiver.water_level_m):
        return [_about(one, "tailwater-not-given", "note", source=_TAILWATER)]
    return []


def _gutter_findings(one: ReceiverStorm, limits: Limits) -> list[Finding]:
    """Water along the curb that spreads too wide or overtops it."""
    if math.isnan(one.spread_m) or not one.gutter_flow_m3s > NOTHING_M3S:
        return []
    curb = one.receiver.curb_height_m
    height = CURB_HEIGHT_M if math.isnan(curb) else curb
    receiver = one.receiver
    along = max(receiver.gutter_slope, LEAST_GUTTER_SLOPE)
    facts = {
        "storm_yr": one.return_period_yr, "flow_m3s": one.gutter_flow_m3s,
        "spread_m": one.spread_m, "depth_m": one.curb_depth_m,
        "fall_by_data": None if receiver.slope_is_given else along,
        "assumed_cross_slope": CROSS_SLOPE if math.isnan(receiver.cross_slope) else None,
        "street_left_out": math.isnan(receiver.gutter_flow_m3s),
    }  # fmt: skip
    if one.curb_depth_m > height:
        return [
            _about(
                one, "gutter-overtops-curb", "fail", facts=facts,
                rests_on=("given" if one.receiver.slope_is_given else "from ground",),
                measured=one.curb_depth_m, limit=height, unit="m",
                source=PRACTICE if math.isnan(curb) else "height of the curb, as given",
            )
        ]  # fmt: skip
    most = limits.criteria.gutter_spread_m
    severity: Severity = "warn" if one.spread_m > most else "note"
    return [
        _about(
            one, "gutter-spread", severity, facts=facts, measured=one.spread_m, limit=most,
            unit="m", source=limits.source("gutter_spread_m"),
        )
    ]  # fmt: skip


def _well_findings(one: ReceiverStorm, limits: Limits) -> list[Finding]:
    """A dry well that is too small, empties too slowly, or of which too little is known."""
    receiver, findings = one.receiver, []
    if math.isnan(one.needed_m3):
        return [_about(one, "dry-well-not-judged", "note", source=_DIGEST_365)]
    unknown = tuple(
        word for word, value in (("storage", receiver.storage_m3),
                                 ("soaking_area", receiver.soaking_area_m2)) if math.isnan(value)
    )  # fmt: skip
    facts: dict[str, Any] = {
        "storm_yr": one.return_period_yr, "needed_m3": one.needed_m3,
        "rain_h": from_si(one.rain_s, "h"), "may_be_longer": one.longer,
        "pit_m3": float(excavated_volume(one.needed_m3)), "voids": STONE_VOIDS,
    }  # fmt: skip
    if unknown:
        findings.append(
            _about(
                one, "dry-well-not-given", "warn", facts={**facts, "missing": unknown},
                measured=one.needed_m3, unit="m3", source=_DIGEST_365,
            )
        )  # fmt: skip
    elif one.needed_m3 > receiver.storage_m3:
        findings.append(
            _about(
                one, "dry-well-small", "fail",
                facts={**facts, "storage_m3": receiver.storage_m3},
                measured=one.needed_m3, limit=receiver.storage_m3, unit="m3", source=_DIGEST_365,
            )
        )  # fmt: skip
    most = limits.criteria.standing_longest_h
    if "soaking_area" not in unknown and from_si(one.empties_s, "h") > most:
        hours = None if math.isinf(one.empties_s) else from_si(one.empties_s, "h")
        findings.append(
            _about(
                one, "dry-well-slow", "fail",
                facts={"storm_yr": one.return_period_yr, "empties_h": hours},
                measured=hours, limit=most, unit="h",
                source=limits.source("standing_longest_h"),
            )
        )  # fmt: skip
    return findings


def _about(one: ReceiverStorm, rule: str, severity: Severity, **others: Any) -> Finding:
    """Make a finding about an outlet."""
    receiver = one.receiver
    return about_place(receiver.name, (receiver.x, receiver.y), rule, severity, **others)
