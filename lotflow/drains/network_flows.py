"""What every line carries in every storm: the water of all nodes above it, as it arrives."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from lotflow.drains.circular_section import flow_ratio, velocity_ratio
from lotflow.drains.domain import bisect_rising
from lotflow.drains.pipes import full_flow_capacity, full_flow_velocity
from lotflow.runoff.rational import governing_flows

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from lotflow.drains.network import Network
    from lotflow.grid import FloatArray
    from lotflow.rainfall import Rainfall
    from lotflow.runoff.rational import RunoffParts

#: Rounds of velocity and travel time; flows of small lots no longer change after three.
_ROUNDS: Final = 5
#: Filling at which water runs fastest.
_FASTEST_FILLING: Final = 0.8128


@dataclass(frozen=True, eq=False)
class DrainWater:
    """
    Water that enters the drains.

    Parameters
    ----------
    parts
        Parts of catchments and connected roofs, by node.
    storms
        Return periods [yr], shape (storms,).
    given_m3s
        Flow that enters at a node in every storm, such as a sump pump's [m^3/s].
    """

    parts: RunoffParts
    rainfall: Rainfall
    storms: FloatArray
    given_m3s: Mapping[str, float]


@dataclass(frozen=True, eq=False)
class LineFlows:
    """
    Flow of every line in every storm; arrays of shape (lines, storms).

    Parameters
    ----------
    flow_m3s
        With the given flows [m^3/s].
    time_s
        Duration of rain that governs [s]; NaN where no rain comes in.
    ca_m2
        Runoff coefficient times area that has arrived by then [m^2].
    """

    flow_m3s: FloatArray
    time_s: FloatArray
    ca_m2: FloatArray


@dataclass(frozen=True, eq=False)
class Pipes:
    """
    What travel in the lines of a network depends on; arrays of shape (lines,).

    Parameters
    ----------
    diameter_m, slope, roughness
        NaN diameter or slope where not known: water takes no time there.
    length_m
        Of each line [m].
    """

    diameter_m: FloatArray
    slope: FloatArray
    roughness: FloatArray
    length_m: FloatArray


def travel_velocity(flow_m3s: FloatArray, pipes: Pipes) -> FloatArray:
    """
    Velocity at which water travels down each line, never less for more flow.

    Of uniform flow up to the filling at which that is fastest; the same beyond, until the full
    pipe under pressure is faster. So a flow that comes in never slows the others down.

    Parameters
    ----------
    flow_m3s
        Shape (lines, storms) [m^3/s].

    Returns
    -------
    velocity
        Same shape [m/s]; 0 without flow, infinite where a pipe is not known.

    References
    ----------
    FHWA HEC-22, 3rd edition (2009), section 7.1.3; the bound near the crown is lotflow's rule.

    Examples
    --------
    >>> pipes = Pipes(np.array([0.1]), np.array([0.01]), np.array([0.010]), np.array([10.0]))
    >>> travel_velocity(np.array([[0.0, 0.0017, 0.0067, 0.0072, 0.0200]]), pipes).round(2)
    array([[0.  , 0.71, 0.97, 0.97, 2.55]])
    """
    known = np.isfinite(pipes.diameter_m) & np.isfinite(pipes.slope)
    diameter = np.where(known, pipes.diameter_m, 1.0)[:, None]
    slope = np.where(known, pipes.slope, 0.0)[:, None]
    capacity = np.asarray(full_flow_capacity(diameter, slope, pipes.roughness[:, None]))
    full = np.asarray(full_flow_velocity(diameter, slope, pipes.roughness[:, None]))
    with np.errstate(divide="ignore", invalid="ignore"):
        ratio = np.where(flow_m3s > 0, flow_m3s / capacity, 0.0)
    filling = bisect_rising(
        lambda filled: np.asarray(flow_ratio(filled)), ratio, 0.0, _FASTEST_FILLING, steps=40
    )
    uniform = full * np.asarray(velocity_ratio(filling))
    pressed = flow_m3s / (0.25 * np.pi * np.square(diameter))
    velocity = np.where(ratio > 1.0, np.maximum(uniform, pressed), uniform)
    velocity = np.where(flow_m3s > 0, velocity, 0.0)
    return np.where(known[:, None], velocity, np.inf)


def line_flows(network: Network, water: DrainWater, pipes: Pipes) -> LineFlows:
    """
    Compute the flow of every line.

    In each line Q is the largest of i(t) sum(C A) over all times t at which a part of any
    catchment upstream has arrived in full, parts counting with their time of concentration and
    their travel through the pipes. Travel starts from none, which gives the largest flows, and
    five rounds of velocity and flow follow: every round stays on the safe side of the exact
    answer, and more water at one node never means less in a line.

    References
    ----------
    FHWA HEC-22, 3rd edition (2009), sections 3.2.2 and 7.2.2; that the largest over all times
    of arrival counts is section 7.2.2's rule for the small paved area carried down the line.
    """
    storms = np.atleast_1d(np.asarray(water.storms, dtype=np.float64))
    shape = (len(network.lines), storms.size)
    given = led_down(network, {node: np.array([q]) for node, q in water.given_m3s.items()})
    travel = np.zeros(shape)
    flows = LineFlows(np.zeros(shape), np.full(shape, np.nan), np.zeros(shape))
    for _ in range(_ROUNDS):
        flows = _flows(network, water, travel, storms)
        flows = LineFlows(flows.flow_m3s + given, flows.time_s, flows.ca_m2)
        velocity = travel_velocity(flows.flow_m3s, pipes)
        with np.errstate(divide="ignore"):
            travel = np.where(velocity > 0, pipes.length_m[:, None] / velocity, 0.0)
    return flows


def led_down(network: Network, entering: Mapping[str, FloatArray]) -> FloatArray:
    """
    Lead what enters at nodes down the lines, whenever it comes.

    Parameters
    ----------
    entering
        By node, shape (n,); nodes that are not named take none.

    Returns
    -------
    total
        Shape (lines, n), in the same unit.
    """
    size = max((values.size for values in entering.values()), default=1)
    total = np.zeros((len(network.lines), size))
    for position, line in enumerate(network.lines):
        above = total[network.entering.get(line.start, [])].sum(axis=0)
        total[position] = network.share[position] * (above + entering.get(line.start, 0.0))
    return total


def node_peaks(names: Sequence[str], water: DrainWater, storm: int, *, roofs: bool) -> FloatArray:
    """
    Peak flow that enters at each of some nodes, from roofs or from the ground [m^3/s].

    Parameters
    ----------
    roofs
        True for connected roofs, which come in below a grate; False for all else.
    """
    parts = water.parts
    number = {name: i for i, name in enumerate(names)}
    chosen = [
        i for i, (node, kind) in enumerate(zip(parts.node, parts.kind, strict=True))
        if node in number and (kind == "roof") is roofs
    ]  # fmt: skip
    peaks = governing_flows(
        np.asarray(parts.time_s)[chosen], np.asarray(parts.ca_m2)[chosen, storm],
        np.array([number[parts.node[i]] for i in chosen], dtype=int),
        water.rainfall, water.storms[storm], groups=len(names),
    )  # fmt: skip
    return np.asarray(peaks.flow_m3s[:, 0])


def _arrivals(network: Network, travel: FloatArray) -> list[list[tuple[str, float, FloatArray]]]:
    """Per line, the nodes whose water it carries, with their share and travel time per storm."""
    carried: list[list[tuple[str, float, FloatArray]]] = []
    for position, line in enumerate(network.lines):
        share = float(network.share[position])
        arriving = [(line.start, share, np.zeros(travel.shape[1]))] if share else []
        for upper in network.entering.get(line.start, []):
            arriving += [
                (node, part * share, time + travel[upper])
                for node, part, time in carried[upper]
                if share
            ]
        carried.append(arriving)
    return carried


def _flows(
    network: Network, water: DrainWater, travel: FloatArray, storms: FloatArray
) -> LineFlows:
    """Rational flows of all lines for one set of travel times."""
    parts = water.parts
    of_node: dict[str, list[int]] = {}
    for number, node in enumerate(parts.node):
        of_node.setdefault(node, []).append(number)
    rows = [
        (line, number, share, time)
        for line, arriving in enumerate(_arrivals(network, travel))
        for node, share, time in arriving
        for number in of_node.get(node, [])
    ]
    shape = (len(network.lines), storms.size)
    result = LineFlows(np.zeros(shape), np.full(shape, np.nan), np.zeros(shape))
    if not rows:
        return result
    group = np.array([row[0] for row in rows])
    part = np.array([row[1] for row in rows])
    share = np.array([row[2] for row in rows])
    arrival = np.asarray(parts.time_s)[part][:, None] + np.array([row[3] for row in rows])
    # a trickle takes days to get down a flat line; rain is not known for so long, and more than
    # that of the longest known duration it cannot be
    arrival = np.minimum(arrival, water.rainfall.duration_range_s[1])
    for storm in range(storms.size):
        peaks = governing_flows(
            arrival[:, storm],
            np.asarray(parts.ca_m2)[part, storm] * share,
            group, water.rainfall, storms[storm], groups=len(network.lines),
        )  # fmt: skip
        result.flow_m3s[:, storm] = peaks.flow_m3s[:, 0]
        result.time_s[:, storm] = peaks.time_of_concentration_s[:, 0]
        result.ca_m2[:, storm] = peaks.ca_m2[:, 0]
    return result
