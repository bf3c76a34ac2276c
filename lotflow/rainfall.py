"""
Design rainfall: depth and intensity for a duration and a return period.

Two forms share one protocol: a table as a weather service publishes it, and coefficients of
i = a / (t + b)^c. Neither is ever asked outside the durations and return periods it states.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, Literal, Protocol

import numpy as np
from numpy.typing import ArrayLike, NDArray

from lotflow.errors import Fault, InputError
from lotflow.findings import Finding
from lotflow.rainfall_checks import (
    FloatArray,
    between,
    duration_text,
    durations_within,
    order_faults,
    return_periods_within,
    rises,
    table_faults,
    uplift_faults,
)
from lotflow.units import MILLIMETRES_PER_INCH, UnitSystem, both_units, from_si, to_si

#: The greatest point rainfalls of the world, R = 422 D^0.475 [mm, h]: Jennings, A. H. (1950),
#: World's greatest observed point rainfalls, Monthly Weather Review 78, 4-5.
_WORLD_MM: Final = 422.0
_WORLD_POWER: Final = 0.475
#: Records since then lie above it by up to 32 %: 4,869 mm in 4 days, Commerson, Reunion, 2007
#: (WMO-No. 1045, Manual on Estimation of Probable Maximum Precipitation, 2009, from memory).
_RECORDS_SINCE: Final = 4.0 / 3.0
#: The 10-year rain of 1 h that published tables hold, with room, and a third of the least [mm]:
#: NOAA Atlas 14 has 8 mm in deserts and 120 mm on the Gulf coast (from memory); other durations
#: follow the power above.
_ORDINARY_MM: Final = (5.0, 200.0)
_LEAST_MM: Final = 2.5
_ORDINARY_SOURCE: Final = "range of NOAA Atlas 14 with room on both sides, from memory"
_HOUR_S: Final = 3600.0
#: Where a formula is looked at: 1 min to 24 h [s].
_USUAL_DURATIONS_S: Final = (60.0, 300.0, 600.0, 900.0, 1800.0, 3600.0, 10_800.0, 86_400.0)


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
    seems_cut
        Why its file may have been cut short between two rows; empty where nothing says so.
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
    seems_cut: str = ""
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


def greatest_depth_m(duration_s: ArrayLike) -> FloatArray:
    """
    Give the greatest rain that has ever been measured anywhere, with some room [m].

    Examples
    --------
    The record of 1 h is 401 mm (Shangdi, China, 1975), that of 24 h 1,825 mm (Foc-Foc, Reunion).

    >>> (greatest_depth_m([3600, 86400]) * 1000).round().tolist()
    [563.0, 2546.0]
    """
    hours = np.asarray(duration_s, dtype=np.float64) / _HOUR_S
    return np.asarray(_RECORDS_SINCE * _WORLD_MM / 1e3 * hours**_WORLD_POWER)


def reference_rain(rainfall: Rainfall) -> tuple[float, float, float]:
    """
    Give the 10-year rain of 1 h, or of what lies nearest to both in a rainfall.

    Returns
    -------
    duration_s, return_period_yr, depth_m
        Without the uplift.
    """
    duration = float(np.clip(_HOUR_S, *rainfall.duration_range_s))
    period = float(np.clip(10.0, *rainfall.return_period_range_yr))
    return duration, period, float(rainfall.depth(duration, period)) / rainfall.uplift


def impossible_rain(rainfall: Rainfall) -> list[Fault]:
    """Find rain that no place on Earth has, and name the unit that would explain it."""
    shortest, longest = rainfall.duration_range_s
    known = getattr(rainfall, "durations_s", np.array(_USUAL_DURATIONS_S))
    durations = np.union1d(known[(known >= shortest) & (known <= longest)], [shortest, longest])
    rarest = rainfall.return_period_range_yr[1]
    depths = rainfall.depth(durations, rarest) / rainfall.uplift
    worst = int(np.argmax(depths / greatest_depth_m(durations)))
    _, period, depth = reference_rain(rainfall)
    said = rain_said(*reference_rain(rainfall))
    if depths[worst] > greatest_depth_m(durations[worst]):
        most = float(greatest_depth_m(durations[worst]))
        rule = (
            f"{both_units(float(depths[worst]), 'rain_depth')} in "
            f"{duration_text(float(durations[worst]))} once in {rarest:g} years is more than has "
            f"ever been measured on Earth, {both_units(most, 'rain_depth')}"
        )
        return [Fault(f"{rule}; {said}", unit_remedy(_taken_for(rainfall)))]
    if period >= 10.0 and depth < _LEAST_MM / 1e3 * _of_an_hour(rainfall):
        rule = f"{said}: the driest places of published tables have three times as much"
        return [Fault(rule, unit_remedy(_taken_for(rainfall)))]
    return []


def rain_doubts(rainfall: Rainfall) -> list[Finding]:
    """Ask about rain that hardly any place has, though some may."""
    duration, period, depth = reference_rain(rainfall)
    low, high = (bound * _of_an_hour(rainfall) / 1e3 for bound in _ORDINARY_MM)
    if low <= depth <= high:
        return []
    limit = low if depth < low else high
    return [
        Finding(
            "rain-unit-doubted", "warn", "rainfall",
            facts={"duration_s": duration, "return_period_yr": period, "depth_m": depth,
                   "little": depth < low, "taken_for": _taken_for(rainfall)},
            measured=round(depth, 5), limit=round(limit, 5), unit="m", source=_ORDINARY_SOURCE,
        )
    ]  # fmt: skip


def _of_an_hour(rainfall: Rainfall) -> float:
    """How much more than in an hour it may rain in the duration that stands for it."""
    duration, _, _ = reference_rain(rainfall)
    return float((duration / _HOUR_S) ** _WORLD_POWER)


def rain_said(
    duration_s: float, return_period_yr: float, depth_m: float, units: UnitSystem | None = None
) -> str:
    """Say the depth of a storm in the units of the report; without them in both."""
    millimetres = depth_m * 1e3
    metric = f"{_three_digits(millimetres)} mm"
    us = f"{_three_digits(millimetres / MILLIMETRES_PER_INCH)} in"
    depth = {"metric": metric, "us": us, None: f"{metric} ({us})"}[units]
    return f"the {return_period_yr:g}-year rain of {duration_text(duration_s)} is {depth}"


def _three_digits(value: float) -> str:
    """Show a number to three digits, a large one to its last before the point."""
    return f"{value:,.0f}" if value >= 100 else f"{value:.3g}"


def _taken_for(rainfall: Rainfall) -> str:
    """Tell as which unit figures of the other one would have been read; empty where as neither."""
    _, _, depth = reference_rain(rainfall)
    low, high = (bound * _of_an_hour(rainfall) / 1e3 for bound in _ORDINARY_MM)
    for factor, said in (
        (1 / MILLIMETRES_PER_INCH, "inches"),
        (MILLIMETRES_PER_INCH, "millimetres"),
    ):
        if low <= depth * factor <= high and not low <= depth <= high:
            return said
    return ""


def unit_remedy(taken_for: str) -> str:
    """Name the factor between the units where millimetres or inches were taken for the other."""
    if not taken_for:
        return "Check figures, unit and durations against the source"
    meant = "millimetres" if taken_for == "inches" else "inches"
    return (
        f"Figures in {meant} that are said to be {taken_for} would explain it (a factor of 25.4): "
        "check the unit against the source"
    )
