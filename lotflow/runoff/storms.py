"""The design storms of a study: what each part of the ground sheds, and what enters the drains."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property
from typing import TYPE_CHECKING, Final

import numpy as np

from lotflow.runoff.catchment_parts import Timed, catchment_parts
from lotflow.runoff.composites import storm_coefficient
from lotflow.runoff.concentration import (
    MINIMUM_TIME_S,
    PathProfile,
    PathRules,
    PathTime,
    path_time,
    path_time_in_storm,
)
from lotflow.runoff.curve_number import runoff_depth
from lotflow.runoff.hydrograph import STORM_DURATION_S, DesignStorm, design_storm, joint_hydrograph
from lotflow.runoff.rational import PeakFlows, RunoffParts, governing_flows
from lotflow.runoff.storm_parts import PartGround, overflow_intensity, part_ground
from lotflow.terrain.flow_paths import courses_to

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from numpy.typing import NDArray

    from lotflow.grid import FloatArray
    from lotflow.rainfall import Rainfall
    from lotflow.runoff.covers import GroundCover
    from lotflow.runoff.hydrograph import Hydrograph
    from lotflow.terrain.roofs import RoofWater
    from lotflow.terrain.routing import Routing
    from lotflow.terrain.surface import Surface

#: Sheet flow by TR-55 is timed with the rain of 24 hours of this return period [yr].
_SHEET_FLOW_YR: Final = 2.0
#: Return periods that are looked at between the most frequent and the rarest of a rainfall.
_PERIODS: Final = 2001


@dataclass(frozen=True, eq=False)
class StormStudy:
    """
    Design storms over a lot, in one state of its drains.

    Parameters
    ----------
    rainfall
        Table or formula.
    storms
        Return periods, rising [yr].
    roofs
        With the downspouts of the case.
    cover
        Of every cell.
    ground
        Cells of every part that enters the drains, and the way that times it.
    designs
        The storm of each return period.
    """

    rainfall: Rainfall
    storms: tuple[float, ...]
    roofs: RoofWater
    cover: GroundCover
    ground: PartGround
    designs: tuple[DesignStorm, ...]

    @property
    def node_names(self) -> tuple[str, ...]:
        """Inlets in their order, then what else downspouts lead into."""
        return self.ground.names

    @property
    def surface(self) -> Surface:
        """With the landings of roof water."""
        return self.roofs.surface

    @cached_property
    def coefficients(self) -> FloatArray:
        """Shape (kinds of ground, storms): runoff coefficient with frequency factor [-]."""
        given = self.cover.values.runoff_coefficient
        return storm_coefficient(given[:, None], np.array(self.storms))

    @cached_property
    def depths_m(self) -> FloatArray:
        """Shape (kinds of ground, storms): runoff of the whole storm [m]."""
        return np.stack([design.runoff_depths(self.cover.values) for design in self.designs], 1)

    @cached_property
    def leader_limit_m_s(self) -> FloatArray:
        """Shape (downspouts,): rain from which each leader overflows; infinite if unknown."""
        roof = self.cover.keys.index("roof")
        coefficient = float(self.cover.values.runoff_coefficient[roof])
        return overflow_intensity(self.roofs, coefficient)

    @cached_property
    def peak_overflow(self) -> FloatArray:
        """
        Shape (downspouts, storms): share of a roof's peak that its leader cannot take [-].

        Judged by the rain of the shortest time of concentration.
        """
        time = self._shortest_s
        intensity = self.rainfall.intensity(time, np.array(self.storms))
        return np.maximum(1.0 - self.leader_limit_m_s[:, None] / intensity, 0.0)

    @cached_property
    def volume_overflow(self) -> FloatArray:
        """Shape (downspouts, storms): share of the whole storm that its leader cannot take [-]."""
        shares = [design.share_above(self.leader_limit_m_s) for design in self.designs]
        return np.stack(shares, axis=1)

    @cached_property
    def part_cells(self) -> FloatArray:
        """Shape (parts, kinds of ground, storms): cells in each part at the peak."""
        return self.ground.cells(self.peak_overflow)

    @cached_property
    def volume_cells(self) -> FloatArray:
        """Shape (parts, kinds of ground, storms): cells in each part over the whole storm."""
        return self.ground.cells(self.volume_overflow)

    @cached_property
    def times_s(self) -> FloatArray:
        """Time of concentration of each part, not below the shortest of the rainfall [s]."""
        return np.maximum(self.ground.time_s, self._shortest_s)

    @cached_property
    def parts(self) -> RunoffParts:
        """Water that enters the drains."""
        cell_m2 = self.surface.ground.cell_m2
        return RunoffParts(
            node=tuple(self.node_names[i] for i in self.ground.node),
            kind=self.ground.kind,
            time_s=self.times_s,
            area_m2=self.ground.fixed.sum(axis=1) * cell_m2,
            ca_m2=np.einsum("pks,ks->ps", self.part_cells, self.coefficients) * cell_m2,
        )

    @cached_property
    def peaks(self) -> PeakFlows:
        """Peak of each node in each storm by the rational method."""
        return governing_flows(
            self.parts.time_s, self.parts.ca_m2, self.ground.node, self.rainfall, self.storms,
            groups=len(self.node_names),
        )  # fmt: skip

    @cached_property
    def volumes_m3(self) -> FloatArray:
        """Shape (nodes, storms): runoff of the whole storm that enters at each node [m^3]."""
        volume = (
            np.einsum("pks,ks->ps", self.volume_cells, self.depths_m) * self.surface.ground.cell_m2
        )
        total = np.zeros((len(self.node_names), len(self.storms)))
        np.add.at(total, self.ground.node, volume)
        return total

    def ca_weight(self, storm: int) -> FloatArray:
        """
        Runoff coefficient times area that enters the flow at each cell in a storm [m^2].

        Shape of the grid, roofs led into drains left out; `storm` is its position, as everywhere.
        """
        entering = self._entering(self.coefficients[:, storm], self.peak_overflow[:, storm])
        return entering * self.surface.ground.cell_m2

    def runoff_depth(self, storm: int, /) -> FloatArray:
        """
        Runoff of each cell in a whole storm, at the cell where it enters the flow [m].

        Shape of the grid, roofs led into drains left out.
        """
        return self._entering(self.depths_m[:, storm], self.volume_overflow[:, storm])

    def connected_volume(self, storm: int, /) -> dict[str, float]:
        """Roof water of a whole storm led into each node that takes any [m^3]."""
        depth = self.depths_m[self.cover.number, storm] * self.surface.share
        led = np.bincount(
            self.roofs.served.ravel(), weights=depth.ravel(),
            minlength=len(self.roofs.downspouts) + 1,
        )[1:]  # fmt: skip
        kept = led * (1.0 - self.volume_overflow[:, storm]) * self.surface.ground.cell_m2
        volumes: dict[str, float] = {}
        for downspout, volume in zip(self.roofs.downspouts, kept.tolist(), strict=True):
            if downspout.node:
                volumes[downspout.node] = volumes.get(downspout.node, 0.0) + volume
        return volumes

    def hydrograph(
        self, node: str, storm: int, /, *, roofs: bool | None = None
    ) -> Hydrograph | None:
        """
        Flow that reaches a node in a storm; None where nothing does.

        `roofs` is True for roofs led into it alone, False for all else, None for both.
        """
        return self.hydrograph_at(self.node_names.index(node), storm, roofs=roofs)

    def hydrograph_at(
        self, position: int, storm: int, *, roofs: bool | None = None
    ) -> Hydrograph | None:
        """As `hydrograph`, by the position of the node."""
        own = np.flatnonzero(self.ground.node == position)
        if roofs is not None:
            own = own[[(self.ground.kind[i] == "roof") is roofs for i in own]]
        if not own.size:
            return None
        design = self.designs[storm]
        cells = self.volume_cells[own, :, storm]
        excess = cells @ design.excess(self.cover.values) * self.surface.ground.cell_m2
        return joint_hydrograph(design.storm, excess, self.times_s[own])

    @property
    def _shortest_s(self) -> float:
        """Shortest time of concentration that the rainfall knows rain for [s]."""
        return max(MINIMUM_TIME_S, self.rainfall.duration_range_s[0])

    def _entering(self, values: FloatArray, overflow: FloatArray) -> FloatArray:
        """Bring a value of each kind of ground to the cells where water enters the flow."""
        return _entering(self.cover, self.roofs, values, overflow)


def _entering(
    cover: GroundCover, roofs: RoofWater, values: FloatArray, overflow: FloatArray
) -> FloatArray:
    """Bring a value of each kind of ground to the cells; of roofs a share runs over the gutter."""
    surface = roofs.surface
    value = np.where(surface.missing, 0.0, values[cover.number] * surface.share)
    over = np.append(0.0, overflow)[roofs.served]
    comes_down = np.where(surface.piped, 0.0, value * (1.0 - over))
    size = value.size
    entering = np.bincount(surface.landing.ravel(), comes_down.ravel(), minlength=size)
    if over.any():
        spilt = (value * over).ravel()
        entering += np.bincount(surface.eave_cell.ravel(), spilt, minlength=size)
    return np.asarray(entering.reshape(value.shape), dtype=np.float64)


def rain_of_a_day(cover: GroundCover, roofs: RoofWater, rain_m: float) -> FloatArray:
    """
    Runoff of a day of which only the depth of rain is known, where it enters the flow [m].

    By curve number, as of a design storm of 24 hours; how hard it rained is not known, so that
    no gutter is taken to run over.

    Parameters
    ----------
    cover
        Of every cell.
    roofs
        With the downspouts of the case.
    rain_m
        Rain of the day [m]; 0 or more.

    Returns
    -------
    runoff
        Shape of the grid, roofs led into drains left out.

    References
    ----------
    NRCS TR-55, equations 2-3 and 2-4.
    """
    depth = runoff_depth(rain_m, cover.values.curve_number)
    return _entering(cover, roofs, depth, np.zeros(len(roofs.downspouts)))


def return_period_of_a_day(rainfall: Rainfall, rain_m: float) -> tuple[float, int] | None:
    """
    Tell how often so much rain falls in 24 hours.

    Parameters
    ----------
    rainfall
        Table or formula.
    rain_m
        Rain of the day [m].

    Returns
    -------
    period, side
        Return period [yr], and 0; where it lies outside the rainfall its nearest period, and -1
        for more often than that, 1 for less. None where the rainfall does not reach 24 hours.

    Examples
    --------
    >>> from lotflow.rainfall import RainfallTable
    >>> rain = RainfallTable([3600, 86400], [2, 10], [[0.03, 0.05], [0.08, 0.12]], "example")
    >>> return_period_of_a_day(rain, 0.05), return_period_of_a_day(rain, 0.12)
    ((2.0, -1), (10.0, 0))
    >>> period, side = return_period_of_a_day(rain, (0.08 * 0.12) ** 0.5)
    >>> round(period, 2), side
    (4.47, 0)
    """
    shortest, longest = rainfall.duration_range_s
    if not shortest <= STORM_DURATION_S <= longest:
        return None
    low, high = rainfall.return_period_range_yr
    # what fell is held against what was published, not against a changed climate
    rain_m = rain_m * rainfall.uplift
    depths = rainfall.depth(STORM_DURATION_S, np.array([low, high]))
    slack = 1e-9 * rain_m
    if rain_m < depths[0] - slack or rain_m > depths[1] + slack:
        return (low, -1) if rain_m < depths[0] else (high, 1)
    # depths rise with the logarithm of the period between those of the table
    periods = np.exp(np.linspace(np.log(low), np.log(high), _PERIODS))
    of_each = rainfall.depth(STORM_DURATION_S, np.clip(periods, low, high))
    return float(np.exp(np.interp(rain_m, of_each, np.log(periods)))), 0


def periods_of_days(
    rainfall: Rainfall | None, depths_m: Sequence[float]
) -> dict[float, tuple[float, int]]:
    """
    Tell how often so much rain falls in a day, by its depth; none without a rainfall of 24 hours.

    Parameters
    ----------
    rainfall
        Table or formula; None where none is given.
    depths_m
        Rain of days; what is no number is left out [m].
    """
    known = [depth for depth in depths_m if np.isfinite(depth)] if rainfall is not None else []
    found = {depth: return_period_of_a_day(rainfall, depth) for depth in known if rainfall}
    return {depth: period for depth, period in found.items() if period is not None}


def study_storms(
    rainfall: Rainfall, periods: Sequence[float], routing: Routing, names: Sequence[str],
    roofs: RoofWater, cover: GroundCover,
) -> StormStudy:  # fmt: skip
    """
    Find what the design storms bring to the drains of a case.

    Parameters
    ----------
    rainfall
        Table or formula.
    periods
        Return periods, rising [yr].
    routing
        With the inlets of the case.
    names
        Of the inlets, in the order of their numbers.
    roofs
        With the downspouts of the case.
    cover
        Of every cell.

    Raises
    ------
    InputError
        If the rainfall does not reach as long as the water takes to an inlet.
    """
    courses = courses_to(routing, routing.drains.inlet)
    catchments = catchment_parts(courses, len(names), cover, way_timer(rainfall))
    return StormStudy(
        rainfall=rainfall,
        storms=tuple(periods),
        roofs=roofs,
        cover=cover,
        ground=part_ground(courses, names, cover, roofs, catchments),
        designs=tuple(design_storm(rainfall, period) for period in periods),
    )


def peaks_reaching(
    storms: StormStudy, routing: Routing, places: Mapping[str, NDArray[np.int64]], storm: int
) -> dict[str, float]:
    """
    Peak that a storm brings to each of other places than inlets, such as swales [m^3/s].

    Parameters
    ----------
    storms
        Of the case.
    routing
        With its inlets: what they take does not come.
    places
        Flat indices of the cells of each, by its name; what runs through one reaches the next.
    storm
        Its position.
    """
    found = {}
    for name, cells in places.items():
        number = np.zeros(routing.surface.ground.shape, dtype=np.int32)
        number.ravel()[cells] = 1
        courses = courses_to(routing, number)
        catchments = catchment_parts(courses, 1, storms.cover, way_timer(storms.rainfall))
        ground = part_ground(courses, (name,), storms.cover, storms.roofs, catchments)
        found[name] = float(replace(storms, ground=ground).peaks.flow_m3s[0, storm])
    return found


def sheet_flow_rain(rainfall: Rainfall) -> tuple[float, float | None]:
    """
    Give the storm that sheet flow is timed in, and its rain of a day.

    Parameters
    ----------
    rainfall
        Table or formula.

    Returns
    -------
    return_period
        2 years, or what comes nearest to it in the rainfall [yr].
    rain
        Of 24 hours in the 2-year storm; None where the rainfall does not hold it [m].
    """
    low, high = rainfall.return_period_range_yr
    shortest, longest = rainfall.duration_range_s
    if low <= _SHEET_FLOW_YR <= high and shortest <= STORM_DURATION_S <= longest:
        return _SHEET_FLOW_YR, float(rainfall.depth(STORM_DURATION_S, _SHEET_FLOW_YR))
    return min(max(_SHEET_FLOW_YR, low), high), None


def way_timer(rainfall: Rainfall) -> Timed:
    """
    Give what times a way: sheet flow by TR-55, or by the kinematic wave.

    The kinematic wave stands in where the rainfall has no 2-year rain of 24 hours, in the storm
    nearest to 2 years that it has.

    Parameters
    ----------
    rainfall
        Table or formula.
    """
    period, rain = sheet_flow_rain(rainfall)
    if rain is not None:

        def by_rain_of_a_day(profile: PathProfile) -> PathTime:
            return path_time(profile, rain)

        return by_rain_of_a_day
    # of shorter rain than it has, a rainfall cannot be asked
    rules = PathRules(minimum_s=max(MINIMUM_TIME_S, rainfall.duration_range_s[0]))

    def in_storm(profile: PathProfile) -> PathTime:
        return path_time_in_storm(profile, rainfall, period, rules=rules)

    return in_storm
