"""A stated rain intensity as the one storm that the drains of a case are checked for."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from lotflow.runoff.catchment_parts import catchment_parts
from lotflow.runoff.rational import RunoffParts
from lotflow.runoff.storm_parts import overflow_intensity, part_ground
from lotflow.runoff.storms import way_timer
from lotflow.terrain.flow_paths import courses_to

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from numpy.typing import ArrayLike, NDArray

    from lotflow.grid import FloatArray
    from lotflow.runoff.covers import GroundCover
    from lotflow.runoff.storm_parts import PartGround
    from lotflow.terrain.roofs import RoofWater
    from lotflow.terrain.routing import Routing


@dataclass(frozen=True)
class StatedRainfall:
    """
    Rain of one intensity, however long it lasts; its return period is not known.

    Parameters
    ----------
    intensity_m_s
        Greater than 0 [m/s].

    Examples
    --------
    >>> rain = StatedRainfall(0.001)
    >>> rain.intensity([60, 3600], math.nan).tolist(), rain.depth(60, math.nan).tolist()
    ([0.001, 0.001], 0.06)
    """

    intensity_m_s: float

    @property
    def source(self) -> str:
        """Where the figure comes from."""
        return "the job's stated intensity"

    @property
    def uplift(self) -> float:
        """Nothing is added to what is stated."""
        return 1.0

    @property
    def duration_range_s(self) -> tuple[float, float]:
        """It holds for every duration [s]."""
        return 0.0, math.inf

    @property
    def return_period_range_yr(self) -> tuple[float, float]:
        """Not known [yr]."""
        return math.nan, math.nan

    def depth(self, duration_s: ArrayLike, return_period_yr: ArrayLike) -> FloatArray:
        """Rain depth: intensity times duration [m]; the return period does not count."""
        duration = np.asarray(duration_s, dtype=np.float64)
        return np.multiply(self.intensity(duration, return_period_yr), duration)

    def intensity(self, duration_s: ArrayLike, return_period_yr: ArrayLike) -> FloatArray:
        """The stated intensity for every duration [m/s]; the return period does not count."""
        shape = np.broadcast_shapes(np.shape(duration_s), np.shape(return_period_yr))
        return np.full(shape, self.intensity_m_s)


@dataclass(frozen=True, eq=False)
class StatedStorm:
    """
    What the stated intensity brings to the drains of a case.

    Parameters
    ----------
    rainfall
        Of one intensity.
    parts
        Water that enters the drains, for one storm.
    """

    rainfall: StatedRainfall
    parts: RunoffParts

    @property
    def storms(self) -> FloatArray:
        """Return period of the one storm: not known [yr]."""
        return np.array([math.nan])


def stated_storm(
    intensity_m_s: float, routing: Routing, names: Sequence[str], roofs: RoofWater,
    cover: GroundCover,
) -> StatedStorm:  # fmt: skip
    """
    Find what the stated intensity brings to the drains of a case.

    The intensity is the same however long the water takes, so that every part of every catchment
    counts in full: Q = i sum(C A) in every line. C has no frequency factor.

    Parameters
    ----------
    intensity_m_s
        Greater than 0 [m/s].
    routing
        With the inlets of the case.
    names
        Of the inlets, in the order of their numbers.
    roofs
        With the downspouts of the case.
    cover
        Of every cell.
    """
    rain = StatedRainfall(intensity_m_s)
    courses = courses_to(routing, routing.drains.inlet)
    catchments = catchment_parts(courses, len(names), cover, way_timer(rain))
    ground = part_ground(courses, names, cover, roofs, catchments)
    return StatedStorm(rain, _parts(ground, roofs, cover, intensity_m_s))


def stated_flows(
    routing: Routing, ca_weight: FloatArray, places: Mapping[str, NDArray[np.int64]],
    intensity_m_s: float,
) -> dict[str, float]:  # fmt: skip
    """
    Flow that a stated intensity brings to each of other places than inlets [m^3/s].

    Parameters
    ----------
    routing
        With the inlets of the case.
    ca_weight
        Runoff coefficient times area that enters at each cell [m^2].
    places
        Flat indices of the cells of each, by its name.
    intensity_m_s
        Greater than 0 [m/s].
    """
    through = routing.field.accumulated(ca_weight).ravel()
    return {name: float(through[cells].max()) * intensity_m_s for name, cells in places.items()}


def _parts(
    ground: PartGround, roofs: RoofWater, cover: GroundCover, intensity_m_s: float
) -> RunoffParts:
    """Parts with the water of leaders that run over at the eaves."""
    values, cell_m2 = cover.values.runoff_coefficient, roofs.surface.ground.cell_m2
    limit = overflow_intensity(roofs, float(values[cover.keys.index("roof")]))
    overflow = np.maximum(1.0 - limit / intensity_m_s, 0.0)
    cells = ground.cells(overflow[:, None])
    return RunoffParts(
        node=tuple(ground.names[i] for i in ground.node),
        kind=ground.kind,
        time_s=ground.time_s,
        area_m2=ground.fixed.sum(axis=1) * cell_m2,
        ca_m2=np.einsum("pks,k->ps", cells, values) * cell_m2,
    )
