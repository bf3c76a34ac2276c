"""Rain of one stated intensity, in the place of storms: flow of inlets, water of drains."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from lotflow.runoff.catchment_parts import catchment_parts
from lotflow.runoff.parts import RunoffParts
from lotflow.runoff.rational import rational_flow
from lotflow.runoff.storm_parts import overflow_intensity, part_ground
from lotflow.runoff.storms import way_timer
from lotflow.terrain.courses import courses_to
from lotflow.units import from_si, to_si

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import ArrayLike

    from lotflow.grid import FloatArray
    from lotflow.runoff.ground_cover import GroundCover
    from lotflow.runoff.storm_parts import PartGround
    from lotflow.terrain.roofs import RoofWater
    from lotflow.terrain.routing import Routing


def inlet_areas(cells: FloatArray, roofs: RoofWater, names: Sequence[str]) -> FloatArray:
    """
    Area that reaches each inlet, over the ground and from roofs led into it.

    Parameters
    ----------
    cells
        Of the catchment of each inlet.
    roofs
        With their downspouts.
    names
        Of the inlets.

    Returns
    -------
    area
        Shape (inlets,) [m^2].
    """
    return (cells + roofs.connected_cells(names)) * roofs.surface.ground.cell_m2


def composite_coefficients(
    routing: Routing, cover: GroundCover, roofs: RoofWater, names: Sequence[str], area: FloatArray
) -> FloatArray:
    """
    Composite runoff coefficient of all that reaches each inlet.

    Parameters
    ----------
    routing
        With the inlets.
    cover
        Of every cell.
    roofs
        With their downspouts.
    names
        Of the inlets.
    area
        From `inlet_areas` [m^2].

    Returns
    -------
    coefficient
        Shape (inlets,); NaN where nothing reaches one [-].
    """
    surface, value = routing.surface, cover.coefficient
    known = ~surface.missing
    weights = (value * surface.share)[known]
    over_ground = np.bincount(routing.label[known], weights, minlength=len(names) + 1)[1:]
    roof = float(cover.values.runoff_coefficient[cover.keys.index("roof")])
    sums = over_ground + roof * roofs.connected_cells(names)
    result = np.full(area.shape, np.nan)
    np.divide(sums * surface.ground.cell_m2, area, out=result, where=area > 0)
    return result


def one_coefficient(coefficient: float, area: FloatArray) -> FloatArray:
    """Give the coefficient of all ground to each inlet that anything reaches; NaN to others [-]."""
    return np.where(area > 0, coefficient, np.nan)


def stated_columns(
    roofs: RoofWater, names: Sequence[str], coefficient: FloatArray, area: FloatArray,
    intensity: float | None,
) -> dict[str, FloatArray]:  # fmt: skip
    """
    Flow of the inlets for the stated intensity, and for one of 10 mm/h.

    Parameters
    ----------
    roofs
        With their downspouts.
    names
        Of the inlets.
    coefficient
        Composite runoff coefficient of each inlet; NaN where nothing reaches it [-].
    area
        From `inlet_areas` [m^2].
    intensity
        None where none is stated [m/s].

    Returns
    -------
    columns
        Of the layer "inlets".
    """
    # an inlet without a catchment has no coefficient, and no flow either
    ca = np.nan_to_num(coefficient) * area
    return {
        "runoff_coefficient": coefficient,
        "roof_connected_m2": roofs.connected_cells(names) * roofs.surface.ground.cell_m2,
        "flow_m3s": ca * (np.nan if intensity is None else intensity),
        "flow_per_10mm_h_m3s": ca * to_si(10.0, "mm_h"),
    }


def stated_rows(
    names: Sequence[str], coefficient: FloatArray, area: FloatArray, intensity: float | None
) -> list[dict[str, Any]]:
    """
    Give the rows of the layer "runoff" for a stated intensity.

    Parameters
    ----------
    names, coefficient, area, intensity
        As for `stated_columns`.

    Returns
    -------
    rows
        None without an intensity.
    """
    if intensity is None:
        return []
    flow = rational_flow(np.nan_to_num(coefficient), intensity, area)
    return [
        {
            "subject": name,
            "kind": "inlet",
            "return_period_yr": np.nan,
            "method": "rational",
            "area_m2": area[i],
            "runoff_coefficient": coefficient[i],
            "intensity_mm_h": from_si(intensity, "mm_h"),
            "flow_m3s": flow[i],
        }
        for i, name in enumerate(names)
    ]


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
