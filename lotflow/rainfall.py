"""
Design rainfall: depth and intensity for a duration and a return period.

Two forms share one protocol: a table as a weather service publishes it, and coefficients of
i = a / (t + b)^c. Neither is ever asked outside the durations and return periods it states.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal, Protocol

import numpy as np
from numpy.typing import ArrayLike, NDArray

from lotflow.errors import Fault, InputError
from lotflow.rainfall_checks import (
    FloatArray,
    between,
    durations_within,
    order_faults,
    return_periods_within,
    rises,
    table_faults,
    uplift_faults,
)
from lotflow.units import from_si, to_si


class Rainfall(Protocol):
    """What the runoff formulas ask of a rainfall, whatever its form."""

    @property
    def source(self) -> str:
        """Where the figures come from."""

    @property
    def uplift(self) -> float:
        """Factor by which the published figures are raised; 1 when off."""

    @property
    def duration_range_s(self) -> tuple[float, float]:
        """Shortest and longest duration [s]."""

    @property
    def return_period_range_yr(self) -> tuple[float, float]:
        """Most frequent and rarest storm [yr]."""

    def depth(self, duration_s: ArrayLike, return_period_yr: ArrayLike) -> FloatArray:
        """Rain depth [m]; the arguments are broadcast against one another."""

    def intensity(self, duration_s: ArrayLike, return_period_yr: ArrayLike) -> FloatArray:
        """Mean intensity over the duration [m/s]; the arguments are broadcast."""


@dataclass(frozen=True, eq=False)
class RainfallTable:
    """
    Depths by duration and return period, interpolated log-log in both.

    Parameters
    ----------
    durations_s
        Shape (n,), rising [s].
    return_periods_yr
        Shape (m,), rising [yr].
    depths_m
        Shape (n, m), greater than 0 [m].
    source
        Who published it, and for which place.
    uplift
        Factor on every depth, for a changed climate; 1 is off.
    notes
        What reading it left out or settled, for the report.
    sha256
        Of the bytes it was read from; empty where it was not read from a file.
    place
        Latitude and longitude it was published for [degrees]; None where the table does not say.

    Raises
    ------
    InputError
        If shapes do not fit, a depth falls with duration or return period, or an intensity
        rises with duration; all such faults at once.

    References
    ----------
    Power law between durations, P = P1 (t / t1)^m: TxDOT, Hydraulic Design Manual, chapter 4,
    which prefers tabulated rainfall to fitted coefficients.

    Examples
    --------
    NOAA Atlas 14, Irving TX, 10 years: 0.693 in fall in 5 min and 1.11 in within 10 min.

    >>> table = RainfallTable([300, 600], [10], [[0.693 * 0.0254], [1.11 * 0.0254]], "Atlas 14")
    >>> round(float(table.intensity(480, 10)) / 0.0254 * 3600, 3)
    7.154
    """

    durations_s: FloatArray
    return_periods_yr: FloatArray
    depths_m: FloatArray
    source: str
    uplift: float = 1.0
    notes: tuple[str, ...] = ()
    sha256: str = ""
    place: tuple[float, float] | None = None

    def __post_init__(self) -> None:
        for name in ("durations_s", "return_periods_yr", "depths_m"):
            object.__setattr__(self, name, _frozen_array(getattr(self, name)))
        faults = table_faults(self.durations_s, self.return_periods_yr, self.depths_m)
        faults += uplift_faults(self.uplift)
        if faults:
            raise InputError(faults)

    @property
    def duration_range_s(self) -> tuple[float, float]:
        """Shortest and longest duration [s]."""
        return float(self.durations_s[0]), float(self.durations_s[-1])

    @property
    def return_period_range_yr(self) -> tuple[float, float]:
        """Most frequent and rarest storm [yr]."""
        return float(self.return_periods_yr[0]), float(self.return_periods_yr[-1])

    def depth(self, duration_s: ArrayLike, return_period_yr: ArrayLike) -> FloatArray:
        """
        Rain depth, log-log between the table's durations and return periods.

        Parameters
        ----------
        duration_s
            Duration [s].
        return_period_yr
            Return period [yr]; broadcast against `duration_s`.

        Returns
        -------
        depth
            With the uplift [m].

        Raises
        ------
        InputError
            If one lies outside the table; the message says its range.
        """
        row, along = between(self.durations_s, durations_within(duration_s, self.duration_range_s))
        storms, storm = np.unique(np.asarray(return_period_yr, np.float64), return_inverse=True)
        column, across = between(
            self.return_periods_yr, return_periods_within(storms, self.return_period_range_yr)
        )
        # storms are few and durations many: a curve per storm first, then all durations on it
        logs = np.log(self.depths_m)
        next_column = np.minimum(column + 1, len(self.return_periods_yr) - 1)
        curves = (1 - across) * logs[:, column] + across * logs[:, next_column]
        steps = np.diff(curves, axis=0, append=curves[-1:])
        place = row * storms.size + storm.reshape(np.shape(return_period_yr))
        result: FloatArray = self.uplift * np.exp(curves.take(place) + along * steps.take(place))
        return result

    def intensity(self, duration_s: ArrayLike, return_period_yr: ArrayLike) -> FloatArray:
        """
        Mean intensity over the duration: depth divided by duration.

        Parameters
        ----------
        duration_s, return_period_yr
            As for `depth`.

        Returns
        -------
        intensity
            With the uplift [m/s].
        """
        duration = np.asarray(duration_s, dtype=np.float64)
        return np.divide(self.depth(duration, return_period_yr), duration)


@dataclass(frozen=True, eq=False)
class RainfallFormula:
    """
    Intensity by coefficients, i = a / (t + b)^c with t in minutes, log-log between storms.

    Parameters
    ----------
    return_periods_yr
        Shape (m,), rising [yr].
    a, b, c
        Shape (m,) each; a and c greater than 0, b not below 0.
    unit
        Unit of i: "in_h" or "mm_h".
    duration_range_s
        Shortest and longest duration the coefficients were fitted to [s].
    source
        Who published them, and for which place.
    uplift
        Factor on every intensity, for a changed climate; 1 is off.

    Raises
    ------
    InputError
        If the coefficients give a depth that falls with duration or return period within the
        stated range, or are not numbers of the right sign and count.

    References
    ----------
    TxDOT, Hydraulic Design Manual, equation 4-21.

    Examples
    --------
    >>> irving = RainfallFormula([10], [63.67], [9.53], [0.7619], "in_h", (300, 86400), "fit")
    >>> round(float(irving.intensity(3600, 10)) / 0.0254 * 3600, 2)
    2.51
    """

    return_periods_yr: FloatArray
    a: FloatArray
    b: FloatArray
    c: FloatArray
    unit: Literal["in_h", "mm_h"]
    duration_range_s: tuple[float, float]
    source: str
    uplift: float = 1.0

    def __post_init__(self) -> None:
        for name in ("return_periods_yr", "a", "b", "c"):
            object.__setattr__(self, name, _frozen_array(getattr(self, name)))
        faults = _coefficient_faults(self) or _formula_faults(self)
        if faults:
            raise InputError(faults)

    @property
    def return_period_range_yr(self) -> tuple[float, float]:
        """Most frequent and rarest storm [yr]."""
        return float(self.return_periods_yr[0]), float(self.return_periods_yr[-1])

    def intensity(self, duration_s: ArrayLike, return_period_yr: ArrayLike) -> FloatArray:
        """
        Mean intensity over the duration.

        Parameters
        ----------
        duration_s
            Duration [s].
        return_period_yr
            Return period [yr]; broadcast against `duration_s`.

        Returns
        -------
        intensity
            With the uplift [m/s].

        Raises
        ------
        InputError
            If one lies outside the stated range; the message says it.
        """
        duration = durations_within(duration_s, self.duration_range_s)
        column, across = between(
            self.return_periods_yr,
            return_periods_within(return_period_yr, self.return_period_range_yr),
        )
        following = np.minimum(column + 1, len(self.return_periods_yr) - 1)
        logs = (1 - across) * self._log_intensity(duration, column)
        logs = logs + across * self._log_intensity(duration, following)
        result: FloatArray = self.uplift * np.exp(logs) * to_si(1.0, self.unit)
        return result

    def depth(self, duration_s: ArrayLike, return_period_yr: ArrayLike) -> FloatArray:
        """
        Rain depth: intensity times duration.

        Parameters
        ----------
        duration_s, return_period_yr
            As for `intensity`.

        Returns
        -------
        depth
            With the uplift [m].
        """
        duration = np.asarray(duration_s, dtype=np.float64)
        return np.multiply(self.intensity(duration, return_period_yr), duration)

    def _log_intensity(self, duration_s: FloatArray, column: NDArray[np.intp]) -> FloatArray:
        """Logarithm of the intensity in the formula's own unit, for tabulated storms."""
        minutes = from_si(1.0, "min") * duration_s
        result: FloatArray = np.log(self.a[column]) - self.c[column] * np.log(
            minutes + self.b[column]
        )
        return result


def _frozen_array(values: ArrayLike) -> FloatArray:
    """Copy values into an array that cannot be changed."""
    result = np.array(values, dtype=np.float64)
    result.setflags(write=False)
    return result


def _coefficient_faults(formula: RainfallFormula) -> list[Fault]:
    """Check count, sign and range of the coefficients."""
    faults = uplift_faults(formula.uplift)
    periods, shortest, longest = formula.return_periods_yr, *formula.duration_range_s
    if not rises(periods):
        faults.append(Fault("return periods must be greater than 0 and rise, each given once"))
    if not 0 < shortest <= longest < np.inf:
        faults.append(
            Fault("the range of durations must rise from above 0", value=formula.duration_range_s)
        )
    for name, least in (("a", "greater than 0"), ("b", "0 or greater"), ("c", "greater than 0")):
        values = getattr(formula, name)
        good = values >= 0 if name == "b" else values > 0
        if values.shape != periods.shape or not (good & np.isfinite(values)).all():
            rule = f"{name} must be {least}, one per return period"
            faults.append(Fault(rule, column=name, value=values.tolist()))
    if formula.unit not in ("in_h", "mm_h"):
        faults.append(Fault("the unit must be in_h or mm_h", column="unit", value=formula.unit))
    return faults


def _formula_faults(formula: RainfallFormula) -> list[Fault]:
    """Check at many durations of the range that the curves are those of rain."""
    shortest, longest = formula.duration_range_s
    durations = np.geomspace(shortest, longest, 200) if longest > shortest else [shortest]
    durations = np.clip(durations, shortest, longest)
    depths = formula.depth(durations[:, None], formula.return_periods_yr)
    return order_faults(durations, formula.return_periods_yr, depths)[:1]
