"""What the outlets of a lot run into: streets, dry wells, sewers, as drawn and as the ground is."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from lotflow.drains.receivers import Receiver
from lotflow.drains.standing_water import soil_infiltration
from lotflow.study.cases import in_case
from lotflow.terrain.discharge_path import discharge_path
from lotflow.units import to_si

if TYPE_CHECKING:
    from lotflow.study.drain_inputs import CaseRun
    from lotflow.study.lot_water import LotWater
    from lotflow.terrain.routing import Routing

#: Length of the gutter over which its fall is taken from the ground [m].
_GUTTER_RUN_M: Final = 10.0
#: Outlets of one lot no farther apart along a curb run into one gutter, lotflow's rule [m].
_SAME_GUTTER_M: Final = 30.0


def case_receivers(lot: LotWater, run: CaseRun) -> list[Receiver]:
    """
    Tell what the outlets of a case run into.

    Parameters
    ----------
    lot
        Ground and site.
    run
        The case.
    """
    outlets = in_case(lot.site.outlets, run.case)
    curbs = outlets[outlets["kind"] == "curb"]
    reach = _SAME_GUTTER_M / lot.window.surface.ground.metres_per_unit
    found = []
    for row in outlets.to_dict("records"):
        point, kind = row["geometry"], row["kind"] if isinstance(row["kind"], str) else ""
        near = curbs[(curbs["name"] != row["name"]) & (curbs.distance(point) <= reach)]
        given = float(row["gutter_slope_pct"]) / 100.0
        measured = math.nan
        if kind == "curb" and math.isnan(given):
            measured = _fall_along(lot, run.inlets.routing, point)
        found.append(
            Receiver(
                str(row["name"]), kind, float(point.x), float(point.y),
                water_level_m=float(row["water_level_m"]),
                gutter_slope=measured if math.isnan(given) else given,
                slope_is_given=not math.isnan(given),
                cross_slope=float(row["cross_slope_pct"]) / 100.0,
                curb_height_m=float(row["curb_height_m"]),
                gutter_flow_m3s=float(row["gutter_flow_m3s"]),
                same_gutter=tuple(near["name"]) if kind == "curb" else (),
                storage_m3=float(row["storage_m3"]),
                soaking_area_m2=float(row["soaking_area_m2"]),
                soil_rate_m_s=_soil_rate(lot),
            )
        )  # fmt: skip
    return found


def _soil_rate(lot: LotWater) -> float:
    """Infiltration of the soil below: by a soak test, else the slowest of its group [m/s]."""
    general = lot.job.job
    if general.soak_test_m_s is not None:
        return general.soak_test_m_s
    return to_si(soil_infiltration(general.soil_group).rate_in_h, "in_h")


def _fall_along(lot: LotWater, routing: Routing, point: Any) -> float:
    """Fall of the way that water takes from a place on the ground; NaN where it has none [-]."""
    path = discharge_path(routing, lot.low_spots, lot.window.lot, (float(point.x), float(point.y)))
    if path is None or path.line is None:
        return math.nan
    grid = routing.surface.ground
    steps = np.diff(np.asarray(path.line.coords), axis=0)
    along = np.concatenate([[0.0], np.cumsum(np.hypot(*steps.T))]) * grid.metres_per_unit
    last = int(np.searchsorted(along, _GUTTER_RUN_M, side="right")) - 1
    if last < 1:
        return math.nan
    level = routing.field.filled.ravel()[path.cells[[0, last]]]
    return float((level[0] - level[1]) / along[last])
