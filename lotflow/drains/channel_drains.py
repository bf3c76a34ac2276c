"""
What a channel drain can serve: its longest run, the place of its outlet, and an upper bound.

References
----------
Chow, V. T. (1959), Open-Channel Hydraulics, chapter 12 (from memory). Beij, K. H. (1934), Flow in
Roof Gutters, Journal of Research of the National Bureau of Standards 12, RP644 (from memory).
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from lotflow.drains.channel_profile import Channel, water_profile
from lotflow.drains.domain import GRAVITY, Floats, as_given, bisect_rising, not_negative, positive


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


def frictionless_capacity(depth: Floats, width: Floats) -> Floats:
    """
    Flow a level channel with a free end passes at a depth at its far end, without friction.

    The depth at the far end is then the square root of 3 times the critical depth at the outlet:
    an upper bound, and a check.

    Parameters
    ----------
    depth
        At the far end [m]; 0 or more.
    width
        Inside width [m]; greater than 0.

    Returns
    -------
    flow
        At the outlet [m^3/s].

    Raises
    ------
    ParameterError
        If a depth is negative or a width not greater than 0.

    References
    ----------
    Beij (1934), from memory.

    Examples
    --------
    >>> frictionless_capacity(1.0, 1.0)
    1.374
    """
    not_negative(depth=depth)
    positive(width=width)
    return as_given(np.sqrt(GRAVITY) * np.multiply(width, np.power(depth, 1.5)) / 3.0**0.75)


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
