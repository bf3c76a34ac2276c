"""
Rational method: peak flow of small catchments, and the storage a limited release asks for.

References
----------
FHWA HEC-22, Urban Drainage Design Manual, 3rd edition (2009), sections 3.2.2 and 7.2.2.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from lotflow.errors import ParameterError
from lotflow.grid import BoolArray, FloatArray
from lotflow.rainfall import Rainfall
from lotflow.runoff.limits import within


@dataclass(frozen=True, eq=False)
class RunoffParts:
    """
    Water that enters drains: one entry per part of a catchment or connected roof.

    Parameters
    ----------
    node
        Name of the inlet or node at which each part enters.
    kind
        What it is: "paved", "unpaved", "roof".
    time_s
        Time of concentration of each part, at its node [s].
    area_m2
        Its area [m^2].
    ca_m2
        Shape (parts, storms), runoff coefficient with frequency factor times area [m^2].

    Raises
    ------
    ParameterError
        If the lengths differ.
    """

    node: tuple[str, ...]
    kind: tuple[str, ...]
    time_s: FloatArray
    area_m2: FloatArray
    ca_m2: FloatArray

    def __post_init__(self) -> None:
        sizes = {len(self.node), len(self.kind), len(self.time_s), len(self.area_m2)}
        if sizes != {np.shape(self.ca_m2)[0]} or np.ndim(self.ca_m2) != 2:
            raise ParameterError("parts need one node, kind, time and area each, C A per storm.")

    def __len__(self) -> int:
        return len(self.node)


@dataclass(frozen=True, eq=False)
class PeakFlows:
    """
    Peak of every inlet or node in every storm, and what governs it; arrays (groups, storms).

    Parameters
    ----------
    flow_m3s
        Q [m^3/s]; 0 where a group has no parts.
    time_of_concentration_s
        Duration whose rain gives the peak [s]; NaN where a group has no parts.
    intensity_m_s
        Intensity of that duration [m/s]; NaN where a group has no parts.
    ca_m2
        C times area of the parts that have arrived by then [m^2].
    total_ca_m2
        C times area of all parts [m^2]; more than `ca_m2` where late parts do not count.
    """

    flow_m3s: FloatArray
    time_of_concentration_s: FloatArray
    intensity_m_s: FloatArray
    ca_m2: FloatArray
    total_ca_m2: FloatArray


@dataclass(frozen=True, eq=False)
class Storage:
    """
    Largest volume to be held back, per site and storm.

    Parameters
    ----------
    volume_m3
        Shape (sites, storms); 0 where the release is never exceeded [m^3].
    duration_s
        Duration of rain that fills it [s].
    at_longest
        Whether that is the longest duration tried: the true volume may be larger.
    """

    volume_m3: FloatArray
    duration_s: FloatArray
    at_longest: BoolArray


def rational_flow(
    runoff_coefficient: ArrayLike, intensity_m_s: ArrayLike, area_m2: ArrayLike
) -> FloatArray:
    """
    Peak flow by the rational method.

    Q = C i A, for catchments below 80 ha. In US units the factor 1.00833 that makes cubic feet
    per second of acre-inches per hour is dropped by convention; here nothing is dropped, so
    flows are 0.8 % above those of a sheet in US units.

    Parameters
    ----------
    runoff_coefficient
        C, 0 to 1 [-].
    intensity_m_s
        Mean rain intensity over the time of concentration [m/s].
    area_m2
        Catchment [m^2].

    Returns
    -------
    flow
        The arguments broadcast against one another [m^3/s].

    Raises
    ------
    ParameterError
        If C lies outside 0 to 1, or intensity or area is negative.

    References
    ----------
    FHWA HEC-22, 3rd edition (2009), equation 3-1.

    Examples
    --------
    17.55 ha of C 0.315 in rain of 58 mm/h:

    >>> round(float(rational_flow(0.315, 58e-3 / 3600, 17.55e4)), 2)
    0.89
    """
    coefficient = within("runoff coefficient", runoff_coefficient, 0.0, 1.0)
    intensity = within("intensity", intensity_m_s, 0.0, unit="m/s")
    return coefficient * intensity * within("area", area_m2, 0.0, unit="m2")


def governing_flows(
    time_of_concentration_s: ArrayLike,
    ca_m2: ArrayLike,
    group: ArrayLike,
    rainfall: Rainfall,
    return_periods_yr: ArrayLike,
    *,
    groups: int,
) -> PeakFlows:
    """
    Peak flow of inlets or nodes whose catchments have parts that arrive at different times.

    Q = max over t of i(t) sum(C A of the parts with t_c <= t), t being each part's own time of
    concentration: a small paved part near the inlet may peak higher in a short storm than the
    whole catchment does in a long one.

    Parameters
    ----------
    time_of_concentration_s
        Shape (parts,), time at which each part has arrived in full at its group's inlet [s];
        not below the shortest duration of the rainfall (see `concentration.MINIMUM_TIME_S`).
    ca_m2
        C times area of each part, shape (parts,), or (parts, storms) where C depends on the
        storm [m^2].
    group
        Shape (parts,), inlet or node of each part, 0 to `groups` - 1. A part that drains to
        several nodes in turn is listed once for each.
    return_periods_yr
        Storms, shape (storms,) [yr].
    groups
        Number of inlets or nodes.

    Returns
    -------
    peaks
        Arrays of shape (groups, storms).

    Raises
    ------
    ParameterError
        If shapes do not fit, a group is unknown, or C A is negative.
    InputError
        If a time or storm lies outside the rainfall.

    References
    ----------
    FHWA HEC-22, 3rd edition (2009), section 7.2.2.

    Examples
    --------
    Pavement (5 min) beside lawn (25 min) in one catchment, and lawn alone in another:

    >>> from lotflow.rainfall import RainfallTable
    >>> rain = RainfallTable([300, 3600], [10], [[0.0176], [0.0635]], "example")
    >>> peaks = governing_flows([300, 1500, 1500], [167, 56, 56], [0, 0, 1], rain, [10], groups=2)
    >>> (peaks.flow_m3s * 1e3).round(2).tolist(), peaks.ca_m2.tolist()
    ([[9.8], [1.51]], [[167.0], [56.0]])
    """
    storms = np.atleast_1d(np.asarray(return_periods_yr, dtype=np.float64))
    times, ca, member = _parts(time_of_concentration_s, ca_m2, group, storms.size, groups)
    if not times.size:
        return _no_flows(groups, storms.size)
    first = np.flatnonzero(np.diff(member, prepend=-1))
    size = np.diff(first, append=member.size)
    running = np.cumsum(ca, axis=0)
    arrived = running - np.repeat(running[first] - ca[first], size, axis=0)
    intensity = rainfall.intensity(times[:, None], storms)
    flow = intensity * arrived
    peak = np.maximum.reduceat(flow, first, axis=0)
    # the first part that reaches its group's peak governs
    is_peak = flow == np.repeat(peak, size, axis=0)
    rows = np.where(is_peak, np.arange(member.size)[:, None], member.size)
    governing = np.minimum.reduceat(rows, first, axis=0)
    result = _no_flows(groups, storms.size)
    found = member[first]
    result.flow_m3s[found] = peak
    result.time_of_concentration_s[found] = times[governing]
    result.intensity_m_s[found] = np.take_along_axis(intensity, governing, axis=0)
    every = np.broadcast_to(arrived, flow.shape)
    result.ca_m2[found] = np.take_along_axis(every, governing, axis=0)
    result.total_ca_m2[found] = arrived[first + size - 1]
    return result


def storage_volume(
    ca_m2: ArrayLike,
    release_m3s: ArrayLike,
    rainfall: Rainfall,
    return_periods_yr: ArrayLike,
    *,
    durations_s: ArrayLike | None = None,
) -> Storage:
    """
    Volume that must be held back when only so much may leave (modified rational method).

    V = max over D of C A P(D) - release D: the volume of rain of every duration, less what
    leaves meanwhile. The storm that peaks highest is rarely the one that fills most.

    Parameters
    ----------
    ca_m2
        C times area, shape (sites,), or (sites, storms) where C depends on the storm [m^2].
    release_m3s
        Steady outflow or infiltration, shape (sites,) [m^3/s].
    return_periods_yr
        Storms, shape (storms,) [yr].
    durations_s
        Durations to try, rising [s]; by default 200 over the whole range of the rainfall.

    Returns
    -------
    storage
        Arrays of shape (sites, storms).

    Raises
    ------
    ParameterError
        If C A or release is negative.
    InputError
        If a duration or storm lies outside the rainfall.

    References
    ----------
    Modified rational method with steady release, from memory.

    Examples
    --------
    >>> from lotflow.rainfall import RainfallTable
    >>> rain = RainfallTable([300, 3600, 86400], [10], [[0.02], [0.06], [0.10]], "example")
    >>> storage = storage_volume([100], [0.001], rain, [10], durations_s=[300, 3600, 86400])
    >>> storage.volume_m3.round(2).tolist(), storage.duration_s.tolist()
    ([[2.4]], [[3600.0]])
    """
    storms = np.atleast_1d(np.asarray(return_periods_yr, dtype=np.float64))
    if durations_s is None:
        durations = np.geomspace(*rainfall.duration_range_s, 200)
    else:
        durations = np.atleast_1d(np.asarray(durations_s, dtype=np.float64))
    area = np.atleast_1d(within("C A", ca_m2, 0.0, unit="m2"))
    area = area[:, None, None] if area.ndim == 1 else area[:, None, :]
    release = np.atleast_1d(within("release", release_m3s, 0.0, unit="m3/s"))[:, None, None]
    depth = rainfall.depth(durations[:, None], storms)
    volume = area * depth - release * durations[:, None]
    longest = np.argmax(volume, axis=1)
    most = np.maximum(volume.max(axis=1), 0.0)
    return Storage(most, durations[longest], (longest == durations.size - 1) & (most > 0))


def _parts(
    times: ArrayLike, ca: ArrayLike, group: ArrayLike, storms: int, groups: int
) -> tuple[FloatArray, FloatArray, NDArray[np.intp]]:
    """Check parts and sort them by group, then by time; C A has one column or one per storm."""
    time = within("time of concentration", times, 0.0, above=True, unit="s")
    member = np.asarray(group, dtype=np.intp)
    area = within("C A", ca, 0.0, unit="m2")
    area = area[:, None] if area.ndim == 1 else area
    if time.shape != member.shape or area.shape not in ((time.size, 1), (time.size, storms)):
        raise ParameterError(
            f"{time.shape} times, {member.shape} groups and {np.shape(ca)} areas do not fit."
        )
    if member.size and not (member.min() >= 0 and member.max() < groups):
        raise ParameterError(f"groups must lie between 0 and {groups - 1}.")
    order = np.lexsort((time, member))
    return time[order], area[order], member[order]


def _no_flows(groups: int, storms: int) -> PeakFlows:
    """Peaks of groups without parts."""
    shape = (groups, storms)
    return PeakFlows(
        np.zeros(shape), np.full(shape, np.nan), np.full(shape, np.nan), np.zeros(shape),
        np.zeros(shape),
    )  # fmt: skip
