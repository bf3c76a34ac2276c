"""
Channel drains: the water surface along them, what one outlet serves, and what is wrong.

Water that drops in from above brings no momentum along the channel, so that in a rectangular
channel M = Q^2 / (g b y) + b y^2 / 2 changes only by the fall of the bed and friction:
dM/dx = b y (S0 - Sf), with Q growing with x. M is integrated from the outlet up and the depth
taken from it as the root above critical depth; unlike dy/dx, neither is singular at a free end.

References
----------
Chow, V. T. (1959), Open-Channel Hydraulics, chapter 12 (from memory). Beij, K. H. (1934), Flow in
Roof Gutters, Journal of Research of the National Bureau of Standards 12, RP644 (from memory).
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import pairwise
from typing import TYPE_CHECKING, Final

import numpy as np
from numpy.typing import NDArray

from lotflow.drains.domain import (
    GRAVITY,
    Floats,
    as_given,
    bisect_rising,
    finite,
    not_negative,
    positive,
)
from lotflow.drains.inlet_checks import InletFacts, inlet_finding
from lotflow.drains.judged import NOTHING_M3S
from lotflow.drains.pipes import channel_roughness

if TYPE_CHECKING:
    from collections.abc import Sequence

    from lotflow.drains.judged import Limits
    from lotflow.findings import Finding

#: Steps from the outlet to the far end; doubling them moves the depth there by 4e-6 of itself.
_STEPS: Final = 32


@dataclass(frozen=True)
class Channel:
    """
    A rectangular channel with an outlet at one end; numbers, or arrays of one value per channel.

    Parameters
    ----------
    width
        Inside width [m]; greater than 0.
    length
        From the far end to the outlet [m]; greater than 0.
    inflow
        Water taken in per length [m^2/s]; 0 or more.
    roughness
        Manning n [s/m^(1/3)]; 0 for a channel without friction.
    slope
        Fall of the bed toward the outlet divided by length [-]; 0 for a level channel.
    outlet_depth
        Depth of water the outlet holds in the channel [m]; 0 for a free end.
    head_flow
        Water that a pipe or leader lets in at the far end [m^3/s]; 0 or more. It is taken to bring
        no momentum along the channel.

    Raises
    ------
    ParameterError
        If one lies outside what is stated.

    Examples
    --------
    20 x 20 ft of patio (C = 0.9) at 5 in/h, into a level channel 4 in wide:

    >>> inflow = 0.9 * 20 * 0.3048 * 5 * 0.0254 / 3600
    >>> channel = Channel(4 * 0.0254, 20 * 0.3048, inflow, roughness=0.0)
    >>> channel.flow * 1000, water_profile(channel).far_end / 0.0254
    (1.18, 1.63)
    """

    width: Floats
    length: Floats
    inflow: Floats
    roughness: Floats
    slope: Floats = 0.0
    outlet_depth: Floats = 0.0
    head_flow: Floats = 0.0

    def __post_init__(self) -> None:
        positive(width=self.width, length=self.length)
        not_negative(
            inflow=self.inflow, roughness=self.roughness,
            outlet_depth=self.outlet_depth, head_flow=self.head_flow,
        )  # fmt: skip
        finite(slope=self.slope)

    @property
    def flow(self) -> Floats:
        """Flow at the outlet [m^3/s]."""
        return as_given(np.multiply(self.inflow, self.length) + self.head_flow)


@dataclass(frozen=True)
class ChannelProfile:
    """
    The water surface in a channel drain.

    Parameters
    ----------
    distance
        From the outlet [m]; first axis from the outlet to the far end, then that of the channel.
    depth
        Above the bed at the same places [m]. Where the bed is so steep that water runs faster
        than critical, the critical depth, which it stays below.
    """

    distance: NDArray[np.float64]
    depth: NDArray[np.float64]

    @property
    def far_end(self) -> Floats:
        """Depth at the far end [m]."""
        return as_given(self.depth[-1])

    @property
    def deepest(self) -> Floats:
        """Greatest depth anywhere [m]; in a level channel that at the far end."""
        return as_given(self.depth.max(axis=0))

    def freeboard(self, channel_depth: Floats, slope: Floats = 0.0) -> Floats:
        """
        Least height of a level grate above the water.

        Parameters
        ----------
        channel_depth
            From the bed to the grate at the outlet [m]; greater than 0.
        slope
            Fall of the bed toward the outlet [-]: the channel is shallower at its far end.

        Returns
        -------
        freeboard
            Negative where water stands above the grate [m].

        Raises
        ------
        ParameterError
            If a depth is not greater than 0.

        Examples
        --------
        >>> profile = water_profile(Channel(0.1, 10.0, 0.0003, 0.012))
        >>> profile.freeboard(0.10)
        0.0135
        """
        positive(channel_depth=channel_depth)
        available = channel_depth - np.multiply(slope, self.distance)
        return as_given((available - self.depth).min(axis=0))


def critical_depth(flow: Floats, width: Floats) -> Floats:
    """
    Depth at which a flow runs over the free end of a rectangular channel: (Q^2 / g b^2)^(1/3).

    Parameters
    ----------
    flow
        Discharge [m^3/s]; 0 or more.
    width
        Inside width [m]; greater than 0.

    Returns
    -------
    depth
        One value per channel [m].

    Raises
    ------
    ParameterError
        If a flow is negative or a width not greater than 0.

    Examples
    --------
    >>> critical_depth(0.003, 0.1)
    0.0451
    """
    not_negative(flow=flow)
    positive(width=width)
    return as_given(np.cbrt(np.square(np.divide(flow, width)) / GRAVITY))


def water_profile(channel: Channel, *, steps: int = _STEPS) -> ChannelProfile:
    """
    Water surface in a channel drain with uniform inflow, from its outlet to its far end.

    Runge-Kutta steps in the momentum function, from critical depth (or the deeper water the
    outlet holds). They are short at both ends: at the outlet the depth leaves critical depth with
    the square root of the distance, at the far end of a steep channel the water is shallow.

    Returns
    -------
    profile
        Depths at `steps` + 1 places.

    References
    ----------
    Chow (1959), chapter 12, with a momentum coefficient of 1 (from memory).

    Examples
    --------
    3 l/s taken in along 10 m of a 100 mm channel, n = 0.012:

    >>> water_profile(Channel(0.1, 10.0, 0.0003, 0.012)).far_end
    0.0865
    """
    shape = np.broadcast_shapes(*(np.shape(value) for value in vars(channel).values()))
    along = np.square(np.sin(np.linspace(0.0, 0.5 * np.pi, steps + 1)))
    distance = np.multiply.outer(along, np.broadcast_to(channel.length, shape))
    start = np.maximum(channel.outlet_depth, critical_depth(channel.flow, channel.width))
    momentum = _momentum(np.broadcast_to(start, shape), channel, distance[0])
    depths = [np.broadcast_to(start, shape)]
    for near, far in pairwise(distance):
        momentum = _runge_kutta_step(momentum, channel, near, far - near)
        # less momentum than critical flow has: the bed is steep, and the control lies higher up
        momentum = np.maximum(momentum, 1.5 * np.square(_critical(channel, far)))
        depths.append(_depth(momentum, channel, far))
    return ChannelProfile(distance, np.asarray(depths))


def _flow_at(channel: Channel, distance: NDArray[np.float64]) -> NDArray[np.float64]:
    """Flow at a distance from the outlet: what comes in above it."""
    along = np.maximum(np.subtract(channel.length, distance), 0.0)
    return np.asarray(channel.head_flow + channel.inflow * along)


def _momentum(
    depth: NDArray[np.float64], channel: Channel, distance: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Momentum function per width and weight, q^2 / (g y) + y^2 / 2; no flow has no depth yet."""
    unit_flow = _flow_at(channel, distance) / channel.width
    safe = np.where(depth > 0, depth, 1.0)
    return np.asarray(np.square(unit_flow) / (GRAVITY * safe) + 0.5 * np.square(depth))


def _critical(channel: Channel, distance: NDArray[np.float64]) -> NDArray[np.float64]:
    """Critical depth of the flow at a distance from the outlet."""
    unit_flow = _flow_at(channel, distance) / channel.width
    return np.asarray(np.cbrt(np.square(unit_flow) / GRAVITY))


def _depth(
    momentum: NDArray[np.float64], channel: Channel, distance: NDArray[np.float64]
) -> NDArray[np.float64]:
    """
    Depth above critical with a given momentum: the greatest root of y^3 - 2 M y + 2 yc^3 = 0.

    Cardano's three real roots, since M is never less than that of critical flow.
    """
    critical = _critical(channel, distance)
    scale = np.maximum(np.sqrt(np.maximum(momentum, 0.0) / 1.5), critical)
    ratio = critical / np.where(scale > 0, scale, 1.0)
    return np.asarray(2.0 * scale * np.cos(np.arccos(-(ratio**3)) / 3.0))


def _momentum_gradient(
    momentum: NDArray[np.float64], channel: Channel, distance: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Change of the momentum function per distance from the outlet: y (Sf - S0)."""
    depth = _depth(momentum, channel, distance)
    wet = np.where(depth > 0, depth, 1.0)
    area = channel.width * wet
    radius = area / (channel.width + 2.0 * wet)
    velocity = _flow_at(channel, distance) / area
    friction = np.square(channel.roughness * velocity) / np.power(radius, 4.0 / 3.0)
    return np.asarray(depth * (friction - channel.slope))


def _runge_kutta_step(
    momentum: NDArray[np.float64],
    channel: Channel,
    distance: NDArray[np.float64],
    step: NDArray[np.float64],
) -> NDArray[np.float64]:
    """One fourth-order step away from the outlet."""
    middle, end = distance + 0.5 * step, distance + step
    first = _momentum_gradient(momentum, channel, distance)
    second = _momentum_gradient(momentum + 0.5 * step * first, channel, middle)
    third = _momentum_gradient(momentum + 0.5 * step * second, channel, middle)
    fourth = _momentum_gradient(momentum + step * third, channel, end)
    return np.asarray(momentum + step * (first + 2.0 * (second + third) + fourth) / 6.0)


@dataclass(frozen=True)
class OutletComparison:
    """
    Greatest depth in a channel by the place of its outlet [m].

    Parameters
    ----------
    one_end
        The whole length runs one way.
    both_ends
        Half of the length runs to either end; each outlet takes half of the flow. A flow at the
        head, which enters at an end, leaves by the outlet there.
    middle
        Both halves run to one outlet, which takes all of it. A flow at the head runs down one.
    """

    one_end: Floats
    both_ends: Floats
    middle: Floats


def longest_run(channel: Channel, greatest_depth: Floats, *, tolerance: float = 1e-5) -> Floats:
    """
    Longest channel one outlet can serve before the water stands too deep in it.

    Parameters
    ----------
    channel
        The channel or channels; their length is of no account.
    greatest_depth
        Depth that must not be passed anywhere along the run [m]; greater than 0.
    tolerance
        Share of the longest run conceivable within which the answer is sought [-].

    Returns
    -------
    length
        From the far end to the outlet [m]; 0 where the outlet itself holds the water too deep, or
        the flow at the head alone is too much.

    Raises
    ------
    ParameterError
        If there is no inflow, so that any length would do, or the depth is not greater than 0.

    Examples
    --------
    >>> longest_run(Channel(0.1, 1.0, 0.0003, 0.012), 0.0865)
    10.0
    """
    positive(inflow=channel.inflow, greatest_depth=greatest_depth)
    # longer than this, critical depth alone is too deep at the outlet
    fullest = np.sqrt(GRAVITY) * channel.width * np.power(greatest_depth, 1.5)
    most = np.maximum(fullest - channel.head_flow, 0.0) / channel.inflow
    shape = np.broadcast_shapes(
        *(np.shape(value) for value in vars(channel).values()), np.shape(greatest_depth)
    )

    def deepest(length: NDArray[np.float64]) -> Floats:
        # where nothing more fits, the answer below is 0 whatever this says
        return water_profile(replace(channel, length=np.maximum(length, 1e-9))).deepest

    length = bisect_rising(
        deepest,
        np.broadcast_to(greatest_depth, shape),
        0.0,
        most,
        steps=int(np.ceil(-np.log2(tolerance))),
    )
    fits = np.less(channel.outlet_depth, greatest_depth) & (most > 0)
    return as_given(np.where(fits, length, 0.0))


def compare_outlets(channel: Channel) -> OutletComparison:
    """
    Set the greatest depths side by side for an outlet at one end, at both ends, in the middle.

    Parameters
    ----------
    channel
        The whole channel; a fall of its bed is taken to run toward the outlets wherever they are.

    Returns
    -------
    comparison
        Greatest depth for each.

    Examples
    --------
    Halving the run of a level channel without friction lowers the water to 2^(-2/3):

    >>> depths = compare_outlets(Channel(0.1, 10.0, 0.0003, 0.0))
    >>> depths.both_ends / depths.one_end
    0.630
    """
    half = replace(channel, length=as_given(0.5 * np.asarray(channel.length)))
    return OutletComparison(
        one_end=water_profile(channel).deepest,
        both_ends=water_profile(replace(half, head_flow=0.0)).deepest,
        middle=water_profile(half).deepest,
    )


_CHOW: Final = "Chow (1959), chapter 12, from memory: spatially varied flow with friction"


@dataclass(frozen=True)
class ChannelResult:
    """
    What a channel drain does in the design storm.

    Parameters
    ----------
    depth_m
        Greatest depth of the water in it [m].
    freeboard_m
        From the water to the grate [m]; negative where it overflows.
    longest_run_m
        Longest run one outlet can serve [m]; NaN where nothing comes in through its grate.
    one_end_m, both_ends_m, middle_m
        Greatest depth with the outlet at one end, at both ends, in the middle [m].
    """

    name: str
    depth_m: float
    freeboard_m: float
    longest_run_m: float
    one_end_m: float
    both_ends_m: float
    middle_m: float


def channel_results(inlets: Sequence[InletFacts]) -> list[ChannelResult]:
    """
    Compute the water in every channel drain whose size and flow are known.

    The bed is taken as level, and the water as coming in evenly along the length. What lines,
    roofs and pumps let in below the grate comes in at the far end of its stretch, the peaks of all
    added: on the safe side. Water that stands in the drain line above the bed holds it up at the
    outlet.

    Parameters
    ----------
    inlets
        What is known of them.
    """
    known = [
        inlet for inlet in inlets
        if inlet.is_channel and inlet.channel_depth_m > 0 and inlet.channel_width_m > 0
        and _comes(inlet)
    ]  # fmt: skip
    return [_channel_result(inlet) for inlet in known]


def _comes(inlet: InletFacts) -> bool:
    """Whether water comes into a channel drain; without rain it is not known."""
    return inlet.flow_m3s + inlet.piped_m3s > NOTHING_M3S


def _channel_result(inlet: InletFacts) -> ChannelResult:
    """Water in one channel drain: in each stretch, and with its outlet elsewhere."""
    roughness, depth = channel_roughness("polymer concrete channel").n_design, inlet.channel_depth_m
    per_length = inlet.flow_m3s / inlet.length_m
    whole = Channel(
        inlet.channel_width_m, inlet.length_m, per_length, roughness, 0.0, _held(inlet),
        inlet.piped_m3s,
    )  # fmt: skip
    run, piped = np.array(inlet.stretches).T
    deepest = float(np.max(water_profile(replace(whole, length=run, head_flow=piped)).deepest))
    longest = np.nan
    if inlet.flow_m3s > NOTHING_M3S:
        longest = float(longest_run(whole, depth, tolerance=1e-3))
    compared = compare_outlets(whole)
    return ChannelResult(
        inlet.name, deepest, depth - deepest, longest,
        *(float(place) for place in (compared.one_end, compared.both_ends, compared.middle)),
    )  # fmt: skip


def _held(inlet: InletFacts) -> float:
    """Depth of water that the drain line holds in a channel at its outlet [m]."""
    bed = inlet.rim_m - inlet.channel_depth_m
    return max(float(np.nan_to_num(inlet.water_level_m - bed)), 0.0)


def channel_findings(
    inlets: Sequence[InletFacts], results: Sequence[ChannelResult], limits: Limits
) -> list[Finding]:
    """
    Say which channel drains overflow or lie on a slope, and what another outlet would do.

    Parameters
    ----------
    inlets
        What is known of them.
    limits
        What they are judged by.
    """
    by_name = {result.name: result for result in results}
    findings = []
    for inlet in inlets:
        findings += _channel_top(inlet, limits)
        result = by_name.get(inlet.name)
        if result is None:
            if inlet.is_channel and _comes(inlet):
                findings.append(inlet_finding(inlet, "channel-size-unknown", "note", source=_CHOW))
            continue
        # water that the drain line holds up is told of the line; no other outlet would help
        if result.freeboard_m >= 0 or _held(inlet) > inlet.channel_depth_m:
            continue
        findings.append(
            inlet_finding(
                inlet, "channel-too-long", "fail",
                facts={
                    "water_m": result.depth_m, "depth_m": inlet.channel_depth_m,
                    "piped_m3s": inlet.piped_m3s if inlet.piped_m3s > NOTHING_M3S else None,
                    "longest_run_m": result.longest_run_m, "one_end_m": result.one_end_m,
                    "both_ends_m": result.both_ends_m, "middle_m": result.middle_m,
                },
                rests_on=inlet.water_rests_on if _held(inlet) > 0 else (),
                measured=result.depth_m, limit=inlet.channel_depth_m, unit="m", source=_CHOW,
            )
        )  # fmt: skip
    return findings


def _channel_top(inlet: InletFacts, limits: Limits) -> list[Finding]:
    """Ground that falls along a channel drain, whose top is set level."""
    most = limits.criteria.channel_level_m
    if not (inlet.is_channel and inlet.top_fall_m > most):
        return []
    certain = inlet.top_fall_m - inlet.top_doubt_m > most
    return [
        inlet_finding(
            inlet, "channel-ground-not-level", "warn" if certain else "note",
            facts={"fall_m": inlet.top_fall_m, "doubt_m": inlet.top_doubt_m},
            measured=inlet.top_fall_m, limit=most, unit="m",
            source=limits.source("channel_level_m"),
        )
    ]  # fmt: skip
