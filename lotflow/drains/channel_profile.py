"""
The water surface in a channel drain that takes water in along its whole length.

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

from dataclasses import dataclass
from itertools import pairwise
from typing import Final

import numpy as np
from numpy.typing import NDArray

from lotflow.drains.domain import GRAVITY, Floats, as_given, finite, not_negative, positive

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

    Parameters
    ----------
    channel
        The channel or channels.
    steps
        Number of steps.

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
