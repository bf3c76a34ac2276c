"""The area that is asked for: round a lot, or of bounds in degrees."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np
from pyproj import CRS, Transformer

from lotflow.errors import InputError
from lotflow.inputs.georeference import Bounds, horizontal_crs
from lotflow.inputs.site import layer_in
from lotflow.inputs.sources import LayerFile
from lotflow.inputs.vectors import read_layer


@dataclass(frozen=True)
class Area:
    """
    What is asked for.

    Parameters
    ----------
    bounds, crs
        West, south, east and north of the lot.
    margin_m
        Ground wanted round it [m].
    """

    bounds: Bounds
    crs: CRS
    margin_m: float

    def within(self, crs: CRS) -> Bounds:
        """
        Give the bounds of the area and its margin in another CRS.

        Examples
        --------
        >>> lot = Area((-77.05, 38.80, -77.05, 38.80), CRS(4326), 100.0)
        >>> west, south, east, north = lot.within(CRS(26918))
        >>> round(east - west), round(north - south)
        (204, 204)
        """
        own = horizontal_crs(self.crs)
        if own == crs and own.is_projected:
            unit = float(own.axis_info[0].unit_conversion_factor)
            west, south, east, north = self.bounds
            room = self.margin_m / unit
            return west - room, south - room, east + room, north + room
        to_degrees = Transformer.from_crs(self.crs, 4326, always_xy=True)
        west, south, east, north = to_degrees.transform_bounds(*self.bounds)
        here = CRS(f"+proj=aeqd +lat_0={(south + north) / 2} +lon_0={(west + east) / 2} +units=m")
        flat = Transformer.from_crs(self.crs, here, always_xy=True).transform_bounds(*self.bounds)
        wide = np.add(flat, np.array([-1, -1, 1, 1]) * self.margin_m)
        found = Transformer.from_crs(here, crs, always_xy=True).transform_bounds(*wide)
        if not np.isfinite(found).all():
            raise InputError(f"the area lies where {crs.name} is not defined",
                             "Check the lot, or the tile")  # fmt: skip
        west, south, east, north = map(float, found)
        return west, south, east, north


def lot_area(lot: Path, margin_m: float) -> Area:
    """
    Give the area round a lot.

    Parameters
    ----------
    lot
        A layer with its boundary.
    margin_m
        Ground wanted round it [m].
    """
    source = layer_in(LayerFile(lot), "lot")
    frame = read_layer(source.path, source.layer)
    west, south, east, north = map(float, frame.total_bounds)
    return Area((west, south, east, north), CRS(frame.crs), margin_m)


def degrees_area(bounds: tuple[float, float, float, float], margin_m: float) -> Area:
    """
    Give the area round bounds in degrees.

    Parameters
    ----------
    bounds
        West, south, east and north: longitude and latitude of WGS 84.
    margin_m
        Ground wanted round them [m].
    """
    return Area(bounds, CRS(4326), margin_m)


def widened(bounds: Bounds, by_m: float, metres_per_unit: float) -> Bounds:
    """
    Take an area farther to all sides.

    Examples
    --------
    >>> widened((0.0, 0.0, 2.0, 2.0), 10.0, 2.0)
    (-5.0, -5.0, 7.0, 7.0)
    """
    by = by_m / metres_per_unit
    west, south, east, north = bounds
    return west - by, south - by, east + by, north + by
