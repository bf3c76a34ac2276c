"""
Time of concentration along the longest path of a catchment, segment by segment.

The path starts as sheet flow, goes on as shallow concentrated flow over paved or unpaved ground,
and may end in a pipe. The result keeps every segment, so that a reader can retrace the sum.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Final, Literal

import numpy as np

from lotflow.errors import ParameterError
from lotflow.grid import BoolArray, FloatArray
from lotflow.rainfall import Rainfall
from lotflow.runoff.travel import (
    shallow_flow_velocity,
    sheet_flow_time,
    sheet_flow_time_in_storm,
    travel_time,
)
from lotflow.units import METRES_PER_FOOT

#: Shortest time of concentration (FHWA HEC-22, 3rd edition, section 7.2.2) [s].
MINIMUM_TIME_S: Final = 300.0

SegmentKind = Literal["sheet", "shallow paved", "shallow unpaved"]

_SHEET_SOURCE: Final = "NRCS TR-55 (1986), equation 3-3"
_KINEMATIC_SOURCE: Final = "FHWA HEC-22, 3rd ed. 2009, equation 3-3"
_SHALLOW_SOURCE: Final = "NRCS TR-55 (1986), appendix F, from memory"


@dataclass(frozen=True)
class PathRules:
    """
    How a path is cut into segments.

    Parameters
    ----------
    sheet_length_m
        Longest sheet flow; 100 ft, NRCS NEH 630 chapter 15 (2010) [m].
    least_slope
        Slope taken where a segment is flatter, so that its time is finite; lotflow's rule:
        1 in 1000 is level within the accuracy of elevation data [m/m].
    minimum_s
        Shortest time of concentration; 5 min, FHWA HEC-22 section 7.2.2 [s].
    """

    sheet_length_m: float = 100.0 * METRES_PER_FOOT
    least_slope: float = 0.001
    minimum_s: float = MINIMUM_TIME_S


@dataclass(frozen=True, eq=False)
class PathProfile:
    """
    A path from its top to the inlet.

    Parameters
    ----------
    distance_m
        Shape (n,), two or more, from 0 at the top, rising [m].
    elevation_m
        Shape (n,) [m].
    roughness
        Shape (n - 1,), Manning n of sheet flow between neighbouring points [s/m^(1/3)].
    paved
        Shape (n - 1,), whether the ground between them is paved.

    Raises
    ------
    ParameterError
        If shapes do not fit, distances do not rise, or something is not a number.
    """

    distance_m: FloatArray
    elevation_m: FloatArray
    roughness: FloatArray
    paved: BoolArray

    def __post_init__(self) -> None:
        n = np.size(self.distance_m)
        shapes = [np.shape(part) for part in (self.distance_m, self.elevation_m)]
        reaches = [np.shape(part) for part in (self.roughness, self.paved)]
        if n < 2 or shapes != [(n,)] * 2 or reaches != [(n - 1,)] * 2:
            raise ParameterError("a path has n distances and elevations and n - 1 reaches, n > 1.")
        if not (np.isfinite(self.elevation_m).all() and (np.asarray(self.roughness) > 0).all()):
            raise ParameterError("elevations must be numbers, and roughness greater than 0.")
        if self.distance_m[0] != 0 or not (np.diff(self.distance_m) > 0).all():
            raise ParameterError("distances of a path must rise from 0.")


@dataclass(frozen=True)
class Segment:
    """
    One line of the sum: a stretch of one kind of flow.

    Parameters
    ----------
    kind
        "sheet", "shallow paved" or "shallow unpaved".
    length_m, fall_m
        Of the stretch; the fall is negative where it rises [m].
    slope
        Taken in the formula [m/m].
    slope_raised
        Whether that is the least slope, the ground being flatter.
    roughness
        Manning n, weighed by length; None where the formula has none [s/m^(1/3)].
    time_s
        Travel time [s].
    source
        Where the formula comes from.
    """

    kind: SegmentKind
    length_m: float
    fall_m: float
    slope: float
    slope_raised: bool
    roughness: float | None
    time_s: float
    source: str


@dataclass(frozen=True)
class PathTime:
    """
    Time of concentration of a path.

    Parameters
    ----------
    travel_s
        Sum of the segments [s].
    time_s
        Time of concentration: the sum, or the minimum [s].
    minimum_governs
        Whether it is the minimum.
    """

    segments: tuple[Segment, ...]
    travel_s: float
    time_s: float
    minimum_governs: bool


@dataclass(frozen=True)
class _Stretch:
    """A stretch of path before its time is known."""

    kind: SegmentKind
    length_m: float
    fall_m: float
    slope: float
    slope_raised: bool
    roughness: float


def path_time(
    profile: PathProfile, two_year_rain_m: float, *, rules: PathRules | None = None
) -> PathTime:
    """
    Time of concentration of a path, sheet flow by TR-55.

    Sheet flow runs for the first 100 ft, or the whole path if that is shorter, over the mean
    slope and, weighed by length, the mean roughness; then shallow concentrated flow in stretches
    of paved and unpaved ground, each over its mean slope. A stretch flatter than the least slope
    is taken at that, and says so.

    Parameters
    ----------
    two_year_rain_m
        Depth of the 2-year storm of 24 hours [m].
    rules
        Sheet length, least slope and minimum; by default those of `PathRules`.

    Returns
    -------
    time
        With its segments.

    Raises
    ------
    ParameterError
        If the rain is not greater than 0, or the sheet length is above 300 ft.

    References
    ----------
    NRCS TR-55 (1986), chapter 3; NRCS NEH 630, chapter 15 (2010).

    Examples
    --------
    100 ft of lawn at 1 %, then 50 m of street at 2 %:

    >>> path = PathProfile(np.array([0.0, 30.48, 80.48]), np.array([1.3048, 1.0, 0.0]),
    ...                    np.array([0.24, 0.011]), np.array([False, True]))
    >>> time = path_time(path, 3.6 * 0.0254)
    >>> [(s.kind, round(s.time_s)) for s in time.segments], round(time.time_s / 60, 1)
    ([('sheet', 1065), ('shallow paved', 57)], 18.7)
    """

    def timed(stretch: _Stretch, _: float) -> float:
        return float(
            sheet_flow_time(stretch.length_m, stretch.slope, stretch.roughness, two_year_rain_m)
        )

    return _timed(profile, rules or PathRules(), timed, _SHEET_SOURCE)


def path_time_in_storm(
    profile: PathProfile,
    rainfall: Rainfall,
    return_period_yr: float,
    *,
    rules: PathRules | None = None,
) -> PathTime:
    """
    Time of concentration of a path in a storm, sheet flow by the kinematic wave.

    As `path_time`, but the sheet flow's time depends on the storm, and is repeated with the
    intensity of the whole path's time until both agree.

    Parameters
    ----------
    return_period_yr
        Storm [yr].
    rules
        Sheet length, least slope and minimum; by default those of `PathRules`.

    Returns
    -------
    time
        With its segments.

    Raises
    ------
    InputError
        If the time or the storm lies outside the rainfall.

    References
    ----------
    FHWA HEC-22, 3rd edition (2009), section 3.2.2.3.

    Examples
    --------
    >>> from lotflow.rainfall import RainfallTable
    >>> rain = RainfallTable([300, 3600], [10], [[0.0176], [0.0635]], "example")
    >>> path = PathProfile(np.array([0.0, 20.0]), np.array([0.4, 0.0]),
    ...                    np.array([0.24]), np.array([False]))
    >>> round(path_time_in_storm(path, rain, 10).time_s)
    436
    """
    rules = rules or PathRules()

    def timed(stretch: _Stretch, further_s: float) -> float:
        return float(
            sheet_flow_time_in_storm(
                stretch.length_m,
                stretch.slope,
                stretch.roughness,
                rainfall,
                return_period_yr,
                further_time_s=further_s,
                minimum_s=rules.minimum_s,
            )
        )

    return _timed(profile, rules, timed, _KINEMATIC_SOURCE)


def _timed(
    profile: PathProfile,
    rules: PathRules,
    sheet_time: Callable[[_Stretch, float], float],
    sheet_source: str,
) -> PathTime:
    """Time all stretches; the sheet flow last, since its time may depend on the others'."""
    sheet, *shallow = _stretches(profile, rules)
    later = [_shallow_segment(stretch) for stretch in shallow]
    further = sum(segment.time_s for segment in later)
    first = _segment(sheet, sheet_time(sheet, further), sheet.roughness, sheet_source)
    travel = first.time_s + further
    return PathTime((first, *later), travel, max(travel, rules.minimum_s), travel < rules.minimum_s)


def _shallow_segment(stretch: _Stretch) -> Segment:
    """Time a stretch of shallow concentrated flow."""
    velocity = shallow_flow_velocity(stretch.slope, stretch.kind == "shallow paved")
    return _segment(stretch, float(travel_time(stretch.length_m, velocity)), None, _SHALLOW_SOURCE)


def _segment(stretch: _Stretch, time_s: float, roughness: float | None, source: str) -> Segment:
    """Put a stretch and its time together."""
    return Segment(
        stretch.kind,
        stretch.length_m,
        stretch.fall_m,
        stretch.slope,
        stretch.slope_raised,
        roughness,
        time_s,
        source,
    )


def _stretches(profile: PathProfile, rules: PathRules) -> list[_Stretch]:
    """Cut a path where the sheet flow ends and where the paving changes after that."""
    distance = np.asarray(profile.distance_m, dtype=np.float64)
    end = min(rules.sheet_length_m, float(distance[-1]))
    paved = np.asarray(profile.paved, dtype=bool)
    changes = distance[1:-1][np.diff(paved.astype(int)) != 0]
    cuts = [0.0, end, *changes[changes > end].tolist(), float(distance[-1])]
    # a path no longer than its sheet flow has nothing behind it
    cuts = list(dict.fromkeys(cuts))
    levels = np.interp(cuts, distance, profile.elevation_m)
    middles = np.add(cuts[:-1], cuts[1:]) / 2
    on_pavement = paved[np.searchsorted(distance, middles, side="right") - 1]
    inside = np.clip(np.minimum(distance[1:], end) - np.minimum(distance[:-1], end), 0.0, None)
    sheet_roughness = float(np.average(profile.roughness, weights=inside))
    stretches = []
    for i, length in enumerate(np.diff(cuts).tolist()):
        fall = float(levels[i] - levels[i + 1])
        kind: SegmentKind = "shallow paved" if on_pavement[i] else "shallow unpaved"
        stretches.append(
            _Stretch(
                "sheet" if i == 0 else kind,
                length,
                fall,
                max(fall / length, rules.least_slope),
                fall / length < rules.least_slope,
                sheet_roughness,
            )
        )
    return stretches
