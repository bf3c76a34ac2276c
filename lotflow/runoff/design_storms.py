"""The design storm of a return period: its rain step by step, and what of it each ground sheds."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from lotflow.runoff.composites import storm_coefficient
from lotflow.runoff.curve_number import runoff_depth
from lotflow.runoff.hydrograph import (
    STORM_DURATION_S,
    Hydrograph,
    Storm,
    excess_rain,
    nested_storm,
    unit_hydrograph,
)

if TYPE_CHECKING:
    from lotflow.grid import FloatArray
    from lotflow.rainfall import Rainfall
    from lotflow.runoff.covers import CoverValues

_STEP_S: Final = 300.0
#: The unit hydrograph asks for steps of at most 0.133 of the time of concentration.
_STEP_SHARE: Final = 0.133


@dataclass(frozen=True, eq=False)
class DesignStorm:
    """
    Rain of one return period, nested about its middle.

    Parameters
    ----------
    return_period_yr
        [yr].
    storm
        Rain in steps.
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

        Parameters
        ----------
        values
            Of the kinds.

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

        Parameters
        ----------
        values
            Of the kinds.

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
    rainfall
        Table or formula.
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
    storm
        Gives the steps.
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
