"""
Hydrograph of a design storm: nested rain, excess of each ground, dimensionless unit hydrograph.

No storm of an agency is needed: the rain of every duration up to the whole is that of the user's
own rainfall, nested about the middle. Nothing is lost on the way: the hydrograph's volume is the
area times the depth of runoff.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from lotflow.errors import ParameterError
from lotflow.grid import FloatArray
from lotflow.rainfall import Rainfall
from lotflow.runoff.composites import storm_coefficient
from lotflow.runoff.curve_number import runoff_depth
from lotflow.runoff.limits import within
from lotflow.tables import read_table
from lotflow.tables.runoff import UnitHydrographPoint

if TYPE_CHECKING:
    from lotflow.runoff.covers import CoverValues

#: Duration of a nested storm unless another is given [s].
STORM_DURATION_S: Final = 86_400.0
#: Longest step of unit rain, as a share of the time of concentration.
_STEP_SHARE: Final = 0.133
_LAG_SHARE: Final = 0.6
_STEP_S: Final = 300.0


@dataclass(frozen=True, eq=False)
class Storm:
    """Rain in equal steps."""

    #: Length of a step.
    step_s: float
    #: Shape (n,), rain of each step.
    depths_m: FloatArray

    @property
    def total_m(self) -> float:
        """Rain of the whole storm [m]."""
        return float(self.depths_m.sum())


@dataclass(frozen=True, eq=False)
class Hydrograph:
    """
    Flow in equal steps, from the beginning of the storm to the end of its runoff.

    Parameters
    ----------
    step_s
        Length of a step [s].
    flow_m3s
        Shape (n,), flow at the steps' ends, the first one at 0 s [m^3/s].
    """

    step_s: float
    flow_m3s: FloatArray

    @property
    def times_s(self) -> FloatArray:
        """Times of the flows [s]."""
        return self.step_s * np.arange(self.flow_m3s.size, dtype=np.float64)

    @property
    def peak_m3s(self) -> float:
        """Greatest flow [m^3/s]."""
        return float(self.flow_m3s.max())

    @property
    def peak_time_s(self) -> float:
        """Time of the greatest flow [s]."""
        return self.step_s * float(np.argmax(self.flow_m3s))

    @property
    def volume_m3(self) -> float:
        """Volume that runs off [m^3]."""
        return self.step_s * float(self.flow_m3s.sum())


def nested_storm(
    rainfall: Rainfall,
    return_period_yr: float,
    *,
    step_s: float = 300.0,
    duration_s: float = STORM_DURATION_S,
) -> Storm:
    """
    Build a balanced storm: the rain of every duration lies within the rain of every longer one.

    The first block is the rain of one step; each further one is what another step adds, placed
    in turn behind and before those already there (alternating blocks).

    Parameters
    ----------
    return_period_yr
        Of all durations [yr].
    step_s
        Not below the shortest duration of the rainfall [s].
    duration_s
        Whole number of steps [s].

    Returns
    -------
    storm
        Its total is the depth of the whole duration.

    Raises
    ------
    ParameterError
        If the duration is not a whole number of steps.
    InputError
        If step, duration or storm lies outside the rainfall.

    References
    ----------
    Chow, V. T., Maidment, D. R. and Mays, L. W. (1988), Applied Hydrology, section 14.4.

    Examples
    --------
    >>> from lotflow.rainfall import RainfallTable
    >>> rain = RainfallTable([300, 600, 900], [10], [[0.010], [0.016], [0.020]], "example")
    >>> nested_storm(rain, 10, duration_s=900).depths_m.round(4).tolist()
    [0.004, 0.01, 0.006]
    """
    count = round(duration_s / step_s) if step_s > 0 else 0
    if count < 1 or abs(count * step_s - duration_s) > 1e-6 * duration_s:
        raise ParameterError(f"{duration_s:g} s is not a whole number of steps of {step_s:g} s.")
    depths = rainfall.depth(step_s * np.arange(1, count + 1), return_period_yr)
    added = np.diff(depths, prepend=0.0)
    return Storm(step_s, np.concatenate([added[2::2][::-1], added[:1], added[1::2]]))


def excess_rain(storm: Storm, curve_number: float) -> FloatArray:
    """
    Runoff of each step: the curve number applied to the rain fallen so far.

    Parameters
    ----------
    curve_number
        30 to 100 [-].

    Returns
    -------
    excess
        Shape (n,); adds up to the runoff depth of the whole storm [m].

    Raises
    ------
    ParameterError
        If the curve number lies outside its range.

    References
    ----------
    NRCS NEH 630, chapter 10, applied to accumulated rain.

    Examples
    --------
    >>> excess_rain(Storm(300.0, np.array([0.02, 0.03])), 90).round(4).tolist()
    [0.0048, 0.0223]
    """
    return np.diff(runoff_depth(np.cumsum(storm.depths_m), curve_number), prepend=0.0)


def unit_hydrograph(area_m2: float, time_of_concentration_s: float, step_s: float) -> FloatArray:
    """
    Flow that one metre of runoff, fallen within one step, makes over time.

    The dimensionless unit hydrograph with its peak at Tp = step / 2 + 0.6 tc, sampled at the
    steps and scaled so that its volume is exactly the area times one metre.

    Parameters
    ----------
    area_m2
        Catchment [m^2].
    time_of_concentration_s
        Greater than 0 [s].
    step_s
        Not longer than 0.133 tc, or the peak is missed [s].

    Returns
    -------
    flow
        Shape (n,), at 0, 1, 2 ... steps from the beginning of the rain [m^3/s].

    Raises
    ------
    ParameterError
        If area or time is not greater than 0, or the step is longer than 0.133 tc.

    References
    ----------
    NRCS NEH 630, chapter 16, Table 16-1, from memory; it is the shape behind the peak rate
    factor of 484.

    Examples
    --------
    >>> flow = unit_hydrograph(1000.0, 600.0, 75.0)
    >>> round(75.0 * float(flow.sum()), 6), int(flow.argmax())
    (1000.0, 5)
    """
    area = float(within("area", area_m2, 0.0, above=True, unit="m2"))
    time = float(
        within("time of concentration", time_of_concentration_s, 0.0, above=True, unit="s")
    )
    step = float(within("step", step_s, 0.0, _STEP_SHARE * time * (1 + 1e-9), above=True, unit="s"))
    rows = read_table("unit_hydrograph", UnitHydrographPoint)
    ratios = [row.time_ratio for row in rows]
    peak_time = step / 2.0 + _LAG_SHARE * time
    count = int(np.ceil(ratios[-1] * peak_time / step)) + 1
    shape = np.interp(np.arange(count) * step / peak_time, ratios, [row.flow_ratio for row in rows])
    shape[-1] = 0.0  # it stands at the end of the table or beyond, but for rounding
    result: FloatArray = shape * (area / (step * shape.sum()))
    return result


@dataclass(frozen=True, eq=False)
class DesignStorm:
    """
    Rain of one return period, nested about its middle.

    Parameters
    ----------
    return_period_yr
        [yr].
    by_curve_number
        Whether the rain lasts 24 hours, for which curve numbers hold; of a shorter one runoff
        coefficients give the runoff.
    """

    return_period_yr: float
    storm: Storm
    by_curve_number: bool

    def runoff_depths(self, values: CoverValues) -> FloatArray:
        """
        Runoff of the whole storm from each kind of ground.

        Returns
        -------
        depth
            Shape (kinds,) [m].
        """
        if self.by_curve_number:
            return runoff_depth(self.storm.total_m, values.curve_number)
        return self.storm.total_m * self._coefficients(values)

    def excess(self, values: CoverValues) -> FloatArray:
        """
        Runoff of each step from each kind of ground.

        Returns
        -------
        excess
            Shape (kinds, steps); adds up to the runoff of the whole storm [m].
        """
        if self.by_curve_number:
            return np.array([excess_rain(self.storm, float(cn)) for cn in values.curve_number])
        return np.outer(self._coefficients(values), self.storm.depths_m)

    def _coefficients(self, values: CoverValues) -> FloatArray:
        return storm_coefficient(values.runoff_coefficient, self.return_period_yr)

    def share_above(self, intensity_m_s: FloatArray) -> FloatArray:
        """
        Share of the rain that falls faster than an intensity.

        Parameters
        ----------
        intensity_m_s
            One or more [m/s]; infinite for no limit.

        Returns
        -------
        share
            Shape of the intensities, 0 to 1 [-].
        """
        carried = np.asarray(intensity_m_s)[..., None] * self.storm.step_s
        above = np.maximum(self.storm.depths_m - carried, 0.0).sum(axis=-1)
        return np.asarray(above / self.storm.total_m)


def design_storm(rainfall: Rainfall, return_period_yr: float) -> DesignStorm:
    """
    Build the storm of 24 hours, or of the longest duration of a shorter rainfall.

    Its steps are of 5 minutes, or longer where the rainfall knows no rain as short.

    Parameters
    ----------
    return_period_yr
        [yr].

    Examples
    --------
    >>> from lotflow.rainfall import RainfallTable
    >>> rain = RainfallTable([300, 900], [10], [[0.010], [0.020]], "example")
    >>> design = design_storm(rain, 10)
    >>> round(design.storm.total_m, 6), design.storm.depths_m.size, design.by_curve_number
    (0.02, 3, False)
    """
    shortest, longest = rainfall.duration_range_s
    is_day = shortest <= STORM_DURATION_S <= longest
    if is_day:
        step = next(
            _STEP_S * steps for steps in range(1, 289)
            if not 288 % steps and _STEP_S * steps >= shortest
        )  # fmt: skip
        duration = STORM_DURATION_S
    else:
        step = max(shortest, min(_STEP_S, longest))
        duration = step * int(longest / step * (1 + 1e-12))
    storm = nested_storm(rainfall, return_period_yr, step_s=step, duration_s=duration)
    return DesignStorm(return_period_yr, storm, is_day)


def joint_hydrograph(storm: Storm, excess_m3: FloatArray, times_s: FloatArray) -> Hydrograph:
    """
    Flow of several parts of a catchment that arrive at different times.

    Parameters
    ----------
    excess_m3
        Shape (parts, steps): volume that each part sheds in each step [m^3].
    times_s
        Shape (parts,), one or more: their times of concentration, greater than 0 [s].

    Returns
    -------
    hydrograph
        Its volume is that of all the excess.

    References
    ----------
    NRCS NEH 630, chapter 16.

    Examples
    --------
    >>> storm = Storm(300.0, np.array([0.01, 0.03, 0.01]))
    >>> flow = joint_hydrograph(storm, np.array([[1.0, 3.0, 1.0], [0.0, 2.0, 1.0]]),
    ...                         np.array([300.0, 900.0]))
    >>> round(flow.volume_m3, 6)
    8.0
    """
    divided = int(np.ceil(storm.step_s / (_STEP_SHARE * float(np.min(times_s)))))
    step = storm.step_s / divided
    parts = [
        np.convolve(np.repeat(excess / divided, divided), unit_hydrograph(1.0, float(time), step))
        for excess, time in zip(excess_m3, times_s, strict=True)
    ]
    flow = np.zeros(max(part.size for part in parts))
    for part in parts:
        flow[: part.size] += part
    return Hydrograph(step, flow)
