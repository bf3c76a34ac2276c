"""Positions of a result in latitude and longitude, as receivers and phones want them."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
from pyproj import CRS, Transformer

if TYPE_CHECKING:
    from numpy.typing import ArrayLike

    from lotflow.grid import FloatArray


def latitude_longitude(x: ArrayLike, y: ArrayLike, crs: Any) -> tuple[FloatArray, FloatArray]:
    """
    Bring positions to WGS 84.

    Parameters
    ----------
    x, y
        Easting and northing, shape (n,) [unit of the CRS].
    crs
        Coordinate reference system of the result; a vertical part does not count.

    Returns
    -------
    latitude, longitude
        Shape (n,) [degrees].

    References
    ----------
    EPSG:4326. Where a datum differs from WGS 84 by less than a metre and no grid is at hand,
    the difference is left out, as receivers do.

    Examples
    --------
    The central meridian of UTM zone 17 on the equator:

    >>> latitude, longitude = latitude_longitude([500_000.0], [0.0], "EPSG:32617")
    >>> latitude.round(6).tolist(), longitude.round(6).tolist()
    ([0.0], [-81.0])
    """
    system = CRS.from_user_input(crs)
    if system.is_compound:
        system = system.sub_crs_list[0]
    transformer = Transformer.from_crs(system, 4326, always_xy=True)
    east, north = np.asarray(x, dtype=np.float64), np.asarray(y, dtype=np.float64)
    longitude, latitude = transformer.transform(east, north)
    return np.atleast_1d(latitude), np.atleast_1d(longitude)
