"""Which low spots are looked at first."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any, Final

from lotflow.units import METRES_PER_FOOT

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping

    Found = Mapping[str, Any]


#: Distance from a building at which a low spot counts half: the 10 ft within which the ground
#: must fall away (International Residential Code, R401.3). The halving is lotflow's rule.
_HALF_DISTANCE_M: Final = 10.0 * METRES_PER_FOOT


def attention(depth_m: float, confidence: float, distance_m: float | None) -> float:
    """
    Tell how much a low spot asks to be looked at: depth x confidence x nearness.

    Nearness is 1 at the wall, 1/2 at 10 ft, 1/3 at 20 ft.

    `depth_m`: greatest depth below the spill level [m]; `confidence`: chance that it is there,
    0 to 1; `distance_m`: to the nearest building [m]; None where there is none: nearness 1.

    Only the order of such numbers [m] means something.

    References
    ----------
    lotflow's rule.

    Examples
    --------
    >>> attention(0.10, 1.0, 0.0), attention(0.20, 1.0, 3.048), attention(0.20, 0.5, 3.048)
    (0.1, 0.1, 0.05)
    """
    nearness = 1.0 if distance_m is None else _HALF_DISTANCE_M / (_HALF_DISTANCE_M + distance_m)
    return depth_m * confidence * nearness


def confidence(spot: Mapping[str, Any], rmse_m: float | None) -> float:
    """
    Tell how sure it is that a low spot is there.

    `spot`: entry of the summary's list "low_spots"; `rmse_m`: vertical accuracy of the
    elevation data [m]; None where it is not known.

    Returns its chance by the realisations, where they were run; else the chance that its depth
    is more than the error of a difference of two independent levels (normal); 1 where nothing
    is known of the accuracy.

    Examples
    --------
    >>> confidence({"probability": 0.4, "depth_m": 0.3}, 0.1)
    0.4
    >>> round(confidence({"probability": None, "depth_m": 0.1414}, 0.1), 2)
    0.84
    """
    if spot["probability"] is not None:
        return float(spot["probability"])
    if not rmse_m:
        return 1.0
    # the error of a difference is sqrt(2) RMSE, the error function's own sqrt(2) comes on top
    return 0.5 * (1.0 + math.erf(spot["depth_m"] / (2.0 * rmse_m)))


def to_be_levelled(
    spots: Iterable[Mapping[str, Any]], rmse_m: float | None
) -> list[Mapping[str, Any]]:
    """
    Give the low spots on the lot at which levels are taken, by attention.

    One of which it is doubted whether water stands in it is among them, by the same order: levels
    settle it. Only those inside buildings are left out.

    `rmse_m`: vertical accuracy of the elevation data [m].
    """

    def place(spot: Mapping[str, Any]) -> tuple[float, int]:
        sure = confidence(spot, rmse_m)
        return -attention(spot["depth_m"], sure, spot["building_distance_m"]), spot["id"]

    there = [s for s in spots if s["on_lot_m2"] and not s["inside_building"]]
    return sorted(there, key=place)
