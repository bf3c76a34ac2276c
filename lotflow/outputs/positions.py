"""Positions of a result in latitude and longitude, as receivers and phones want them."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final

import numpy as np
from pyproj import CRS, Transformer

from lotflow.errors import OutputError

if TYPE_CHECKING:
    from geopandas import GeoDataFrame
    from numpy.typing import ArrayLike

    from lotflow.grid import FloatArray

#: Largest latitude and longitude [degrees].
_POLE: Final = 90.0
_DATE_LINE: Final = 180.0


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
        Shape (n,) [degrees], each finite, within -90 to 90 and -180 to 180.

    Raises
    ------
    OutputError
        If a position is nowhere on Earth: what would be written could not be read.

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
    longitude, latitude = map(np.atleast_1d, transformer.transform(east, north))
    # a comparison with what is no number is false
    nowhere = ~((np.abs(latitude) <= _POLE) & (np.abs(longitude) <= _DATE_LINE))
    if nowhere.any():
        first = int(np.flatnonzero(nowhere)[0])
        raise OutputError(
            f"the position {np.atleast_1d(east)[first]:g}, {np.atleast_1d(north)[first]:g} in "
            f"{system.name} has no latitude and longitude. Check the CRS of the inputs."
        )
    return latitude, longitude


def place_of(lot: GeoDataFrame) -> tuple[float, float] | None:
    """
    Latitude and longitude of the middle of a lot [degrees].

    Parameters
    ----------
    lot
        In any CRS.

    Returns
    -------
    place
        None of a lot that is nowhere on Earth: the files with positions are refused for it.
    """
    middle = lot.geometry.union_all().centroid
    try:
        latitude, longitude = latitude_longitude([middle.x], [middle.y], lot.crs)
    except OutputError:
        return None
    return float(latitude[0]), float(longitude[0])
