"""The result layers about outlets and the ground round the house."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from lotflow.outputs.result_layers import layer_frame

if TYPE_CHECKING:
    from collections.abc import Sequence

    import geopandas as gpd

    from lotflow.terrain.freeboard import OpeningLevels
    from lotflow.terrain.house_ring import Facade
    from lotflow.terrain.outlet_search import OutletOption


def outlet_options_layer(options: Sequence[Sequence[OutletOption]], crs: Any) -> gpd.GeoDataFrame:
    """
    Give the ways to lower places.

    Parameters
    ----------
    options
        Per low spot and inlet, best first.
    crs
        Of the grid.
    """
    ranked = [(rank, one) for of_start in options for rank, one in enumerate(of_start, 1)]
    rows = [one for _, one in ranked]
    columns: dict[str, Any] = {
        "subject": [one.start.name for one in rows],
        "rank": np.array([rank for rank, _ in ranked], dtype=int),
        "kind": [one.place.kind for one in rows],
        "place": [one.place.name for one in rows],
        "verdict": [one.verdict for one in rows],
    }
    numbers = {
        "x": [one.place.x for one in rows],
        "y": [one.place.y for one in rows],
        "level_m": [one.place.level for one in rows],
        "run_m": [one.run_m for one in rows],
        "surface_fall_m": [one.surface_fall_m for one in rows],
        "fall_m": [one.fall_m for one in rows],
        "least_fall_m": [one.fall_m - one.left_m for one in rows],
        "left_m": [one.left_m for one in rows],
        "left_low_m": [one.left_low_m for one in rows],
        "left_high_m": [one.left_high_m for one in rows],
        "deepest_m": [one.deepest_m for one in rows],
        "off_lot_m": [one.off_lot_m for one in rows],
    }
    columns |= {name: np.array(values, dtype=float) for name, values in numbers.items()}
    return layer_frame("outlet_options", columns, [one.way for one in rows], crs)


def facades_layer(facades: Sequence[Facade], crs: Any) -> gpd.GeoDataFrame:
    """
    Give the facades with the fall of the ground before them.

    Parameters
    ----------
    facades
        As judged.
    crs
        Of the grid.
    """
    columns: dict[str, Any] = {
        "name": [one.name for one in facades],
        "building": [one.building for one in facades],
        "surface": ["paving" if one.is_paved else "soil" for one in facades],
        "verdict": [one.verdict for one in facades],
    }
    numbers = {
        "x": [one.x for one in facades],
        "y": [one.y for one in facades],
        "length_m": [one.length_m for one in facades],
        "reach_m": [one.reach_m for one in facades],
        "fall_m": [one.fall_m for one in facades],
        "slope": [one.slope for one in facades],
        "slope_low": [one.slope_low for one in facades],
        "slope_high": [one.slope_high for one in facades],
        "slope_limit": [one.slope_limit for one in facades],
    }
    columns |= {name: np.array(values, dtype=float) for name, values in numbers.items()}
    return layer_frame("facades", columns, [one.line for one in facades], crs)


def openings_layer(openings: Sequence[OpeningLevels], crs: Any) -> gpd.GeoDataFrame:
    """
    Give the openings with their freeboard.

    Parameters
    ----------
    openings
        With the levels round them.
    crs
        Of the grid.
    """
    columns: dict[str, Any] = {
        "name": [one.name for one in openings],
        "kind": [one.kind for one in openings],
        "low_spot": [one.low_spot for one in openings],
        "is_touched": [one.is_touched for one in openings],
        "not_closed": [one.not_closed for one in openings],
    }
    numbers = {
        "sill_m": [one.sill for one in openings],
        "ground_m": [one.ground for one in openings],
        "ground_spread_m": [one.spread for one in openings],
        "above_ground_m": [one.above_ground for one in openings],
        "spill_elevation_m": [one.spill for one in openings],
        "freeboard_m": [one.freeboard for one in openings],
        "freeboard_low_m": [one.freeboard_low for one in openings],
        "freeboard_high_m": [one.freeboard_high for one in openings],
    }
    columns |= {name: np.array(values, dtype=float) for name, values in numbers.items()}
    return layer_frame("openings", columns, [one.point for one in openings], crs)
