"""In which CRS a raster is worked on, how it is brought there, and in which unit it is."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np
from affine import Affine
from pyproj import CRS, Geod, Transformer
from pyproj.aoi import AreaOfInterest
from pyproj.database import query_utm_crs_info

from lotflow.errors import InputError
from lotflow.findings import Finding
from lotflow.grid import FloatArray, Grid
from lotflow.inputs.raster_header import RasterHeader
from lotflow.units import TO_SI, VERTICAL_UNIT_NAMES, VerticalUnit

#: Beyond this share, lengths of a projection are not lengths on the ground. UTM stays within
#: 0.1 %, state plane zones within 0.02 %, EPSG:3857 is off by 28 % at 38 degrees.
_LENGTH_ERROR: Final = 0.01
Bounds = tuple[float, float, float, float]


@dataclass(frozen=True)
class WorkCrs:
    """The CRS in which areas and slopes are measured."""

    crs: CRS
    #: Length of one of its units [m].
    metres_per_unit: float
    #: Why it is not the CRS of the file; empty where it is.
    why_resampled: str = ""


def horizontal_crs(crs: CRS) -> CRS:
    """
    Give the horizontal part of a CRS, by its EPSG code where it has one.

    It may be compound, three-dimensional, or bound to a datum shift.

    Examples
    --------
    >>> horizontal_crs(CRS("EPSG:26918+5703")).to_epsg(), horizontal_crs(CRS(4979)).to_epsg()
    (26918, 4326)
    """
    if crs.is_compound:
        crs = crs.sub_crs_list[0]
    code = crs.to_2d().to_epsg()
    return CRS.from_epsg(code) if code else crs.to_2d()


def vertical_name(crs: CRS | None) -> str | None:
    """
    Name the vertical part of a CRS, if it has one.

    Examples
    --------
    >>> vertical_name(CRS("EPSG:26918+5703")), vertical_name(CRS(26918))
    ('NAVD88 height', None)
    """
    parts = crs.sub_crs_list if crs is not None else []
    return next((str(part.name) for part in parts if part.is_vertical), None)


def work_crs(crs: CRS, x: float, y: float) -> WorkCrs:
    """
    Keep a projected CRS whose lengths are lengths on the ground, else take the UTM zone there.

    A place outside all UTM zones is refused, and a CRS whose axes do not point east and north.

    Examples
    --------
    >>> work_crs(CRS(2903), 1_639_700, 1_454_600).metres_per_unit
    0.3048006
    >>> found = work_crs(CRS(3857), -8_577_000, 4_694_000)
    >>> found.crs.to_epsg(), found.why_resampled
    (32618, 'lengths in WGS 84 / Pseudo-Mercator are 29 % too long there')
    """
    if crs.is_geographic:
        return WorkCrs(_local_utm(crs, x, y), 1.0, f"{crs.name} is in degrees")
    directions = [axis.direction.lower() for axis in crs.axis_info[:2]]
    if sorted(directions) != ["east", "north"]:
        raise InputError(f"the axes of {crs.name} point {' and '.join(directions)}, not east and "
                         "north", "Reproject the raster to the local UTM zone")  # fmt: skip
    unit = float(crs.axis_info[0].unit_conversion_factor)
    width, height = ground_size(crs, x, y, 1.0, 1.0)
    worst = max((unit / width - 1, unit / height - 1), key=abs)
    if abs(worst) <= _LENGTH_ERROR:
        return WorkCrs(crs, unit)
    said = f"{abs(worst):.0%}".replace("%", " %") + (" too long" if worst > 0 else " too short")
    return WorkCrs(_local_utm(crs, x, y), 1.0, f"lengths in {crs.name} are {said} there")


def ground_size(crs: CRS, x: float, y: float, dx: float, dy: float) -> tuple[float, float]:
    """
    Measure a step in each axis on the ellipsoid [m].

    The steps are centred on the place; all in units of the CRS.

    Examples
    --------
    One second of latitude and longitude at 60 degrees north:

    >>> [round(size, 1) for size in ground_size(CRS(4326), 10.0, 60.0, 1 / 3600, 1 / 3600)]
    [15.5, 30.9]
    """
    geodetic = crs.geodetic_crs
    to_degrees = Transformer.from_crs(crs, geodetic, always_xy=True)
    longitude, latitude = to_degrees.transform(
        [x - dx / 2, x + dx / 2, x, x], [y, y, y - dy / 2, y + dy / 2]
    )
    geod: Geod = crs.get_geod() or Geod(ellps="WGS84")
    _, _, lengths = geod.inv(longitude[::2], latitude[::2], longitude[1::2], latitude[1::2])
    width, height = (float(length) for length in lengths)
    # also where the place is NaN or infinite on the ellipsoid
    if not (0 < width < math.inf and 0 < height < math.inf):
        raise InputError(f"the place {x:g}, {y:g} lies where {crs.name} is not defined",
                         "Check the CRS and the transform of the raster")  # fmt: skip
    return width, height


def _local_utm(crs: CRS, x: float, y: float) -> CRS:
    """Give the UTM zone of a place, on the datum of the CRS where there is such a zone."""
    longitude, latitude = Transformer.from_crs(crs, crs.geodetic_crs, always_xy=True).transform(
        x, y
    )
    if not (abs(longitude) <= 180 and abs(latitude) <= 84):
        raise InputError(f"the place {x:g}, {y:g} in {crs.name} lies in no UTM zone",
                         "Check the CRS and the transform of the raster")  # fmt: skip
    number = int((longitude + 180) // 6) % 60 + 1
    datum = crs.geodetic_crs.name if crs.geodetic_crs else ""
    if datum != "WGS 84":
        name = f"{datum} / UTM zone {number}{'N' if latitude >= 0 else 'S'}"
        place = AreaOfInterest(longitude, latitude, longitude, latitude)
        for zone in query_utm_crs_info(datum_name=datum, area_of_interest=place):
            if zone.name == name:
                return CRS.from_epsg(zone.code)
    return CRS.from_epsg((32600 if latitude >= 0 else 32700) + number)


def square_cells(bounds: Bounds, cell: float) -> tuple[Affine, tuple[int, int]]:
    """
    Cover an area with square cells whose borders are multiples of their side.

    So two areas that overlap share their cells, and a window can grow without shifting.

    Examples
    --------
    >>> transform, shape = square_cells((1.2, 0.0, 3.1, 2.5), 0.5)
    >>> transform.c, transform.f, shape
    (1.0, 2.5, (5, 5))
    """
    west, south, east, north = (value / cell for value in bounds)
    left, top = math.floor(west + 1e-6), math.ceil(north - 1e-6)
    shape = (top - math.floor(south + 1e-6), math.ceil(east - 1e-6) - left)
    return Affine(cell, 0.0, left * cell, 0.0, -cell, top * cell), shape


@dataclass(frozen=True)
class Cells:
    """
    Square cells that cover an area.

    Parameters
    ----------
    transform, metres
        From columns and rows to the CRS, and to metres of its axes.
    shape
        Rows and columns.
    """

    transform: Affine
    metres: Affine
    shape: tuple[int, int]

    @property
    def count(self) -> int:
        """How many there are."""
        return self.shape[0] * self.shape[1]


def cells_over(
    bounds: tuple[float, float, float, float], cell_m: float, metres_per_unit: float
) -> Cells:
    """
    Lay square cells of so many metres over an area.

    Examples
    --------
    >>> found = cells_over((0.0, 0.0, 10.0, 5.0), 0.5, 0.25)
    >>> found.shape, found.count, found.transform.a, found.metres.a
    ((3, 5), 15, 2.0, 0.5)
    """
    transform, shape = square_cells(bounds, cell_m / metres_per_unit)
    metres = Affine(*(value * metres_per_unit for value in transform[:6]))
    return Cells(transform, metres, shape)


def resample(
    values: FloatArray,
    transform: Affine,
    crs: CRS,
    target: WorkCrs,
    cells: tuple[Affine, tuple[int, int]],
) -> Grid:
    """
    Interpolate bilinearly between the cell centres of a raster.

    NaN where the raster has no value near; `cells` is as `square_cells` gives it.
    """
    # only rasters that are not worked on as they are need it
    from rasterio.crs import CRS as RasterCrs  # noqa: N811, PLC0415
    from rasterio.warp import Resampling, reproject  # noqa: PLC0415

    out = np.full(cells[1], np.nan)
    reproject(
        values,
        out,
        src_transform=transform,
        src_crs=RasterCrs.from_wkt(crs.to_wkt()),
        src_nodata=np.nan,
        dst_transform=cells[0],
        dst_crs=RasterCrs.from_wkt(target.crs.to_wkt()),
        dst_nodata=np.nan,
        resampling=Resampling.bilinear,
        # places are exact to this share of a cell, where the usual eighth would leave steps
        tolerance=0.001,
    )
    return Grid(out, cells[0], target.crs, target.metres_per_unit)


def settled_vertical_unit(
    header: RasterHeader, declared: VerticalUnit | None
) -> tuple[VerticalUnit, tuple[Finding, ...]]:
    """
    Find the unit of a raster's elevations: stated in the file, or declared by the user.

    If nobody says, or two say different things, that is refused. The unit is never assumed: most
    public rasters state nothing, and some are in feet.
    """
    _refuse_depths(header)
    stated = _stated_units(header)
    remedy = "State it: --vertical-unit m|ft|us-ft, or vertical_unit under [elevation] in job.toml"
    unknown = header.unit if header.unit and "its unit tag" not in stated else ""
    if declared is None and not stated:
        said = f"states the unit of elevation {unknown!r}, which is none of m, ft, us-ft" if (
            unknown) else "does not state the unit of its elevations"  # fmt: skip
        raise header.fault(f"the raster {said}", remedy)
    units = set(stated.values())
    if len(units) > 1 and declared not in units:
        said = ", ".join(f"{where} says {unit}" for where, unit in stated.items())
        raise header.fault(f"the raster contradicts itself about the unit of elevation: {said}",
                           remedy)  # fmt: skip
    if declared is not None and units and declared not in units:
        where, unit = next(iter(stated.items()))
        rule = f"the unit of elevation is declared as {declared}, but {where} says {unit}"
        raise header.fault(rule, "Correct the declaration, or the file if it is wrong")
    unit = declared or units.pop()
    return unit, _overruled(header, unit, stated, unknown)


def _refuse_depths(header: RasterHeader) -> None:
    """Refuse numbers that count downwards: ground would stand on its head."""
    crs = header.crs
    if crs is not None and any(axis.direction.lower() == "down" for axis in crs.axis_info):
        said = next((part.name for part in crs.sub_crs_list if part.is_vertical), crs.name)
        raise header.fault(f"its vertical CRS ({said}) counts depths, positive downwards: ground "
                           "would stand on its head",
                           "Convert it to heights, or correct its vertical CRS")  # fmt: skip


def _stated_units(header: RasterHeader) -> dict[str, VerticalUnit]:
    """Collect what the file states, by where it stands."""
    stated: dict[str, VerticalUnit] = {}
    tag = VERTICAL_UNIT_NAMES.get(header.unit.lower())
    if tag:
        stated["its unit tag"] = tag
    axis = next((axis for axis in header.crs.axis_info if axis.direction.lower() == "up"),
                None) if header.crs is not None else None  # fmt: skip
    if axis is not None:
        for unit in ("m", "ft", "us-ft"):
            if math.isclose(axis.unit_conversion_factor, TO_SI[unit], rel_tol=1e-7):
                stated["its vertical CRS"] = unit
    return stated


def _overruled(
    header: RasterHeader, unit: VerticalUnit, stated: dict[str, VerticalUnit], unknown: str
) -> tuple[Finding, ...]:
    """Report what the file says otherwise than the unit that was taken."""
    others: list[tuple[str, str]] = [it for it in stated.items() if it[1] != unit]
    if unknown:
        others.append(("its unit tag", unknown))
    return tuple(
        Finding("vertical-unit", "warn", header.name,
                facts={"taken": unit, "where": where, "says": says})
        for where, says in others
    )  # fmt: skip
