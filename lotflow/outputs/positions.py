"""Places of a result in latitude and longitude: as waypoints and as tables."""

from __future__ import annotations

import csv
import io
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

import numpy as np
from pyproj import CRS, Transformer

from lotflow.advice.first_levels import question_words
from lotflow.errors import OutputError
from lotflow.layers import RESULT_LAYERS
from lotflow.outputs.summary import guarded

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from geopandas import GeoDataFrame
    from numpy.typing import ArrayLike

    from lotflow.grid import FloatArray
    from lotflow.layers import Layer
    from lotflow.units import UnitSystem


_SPOTS: Final = RESULT_LAYERS["low_spots"]
_INLETS: Final = RESULT_LAYERS["inlets"]
_LEVELS: Final = RESULT_LAYERS["levels_to_take"]
_STAKES: Final = RESULT_LAYERS["stakes"]

#: Marks of waypoints by kind, by names that receivers know.
_SYMBOLS: Final = {
    "low spot": "Flag, Blue", "inlet": "Square, Black", "outlet": "Circle, Purple",
    "run-on": "Triangle, Orange", "level": "Pin, Green", "stake": "Pin, Red",
}  # fmt: skip

#: Decimals of degrees that are written: 1 cm on the ground.
_DEGREE_DECIMALS: Final = 7
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


def bounds_of(lot: GeoDataFrame) -> list[float] | None:
    """
    West, south, east and north of a lot [degrees], as they are written.

    Parameters
    ----------
    lot
        In any CRS.

    Returns
    -------
    bounds
        None of a lot that is nowhere on Earth.
    """
    west, south, east, north = lot.total_bounds
    try:
        latitude, longitude = latitude_longitude(
            [west, west, east, east], [south, north, south, north], lot.crs
        )
    except OutputError:
        return None
    bounds = (longitude.min(), latitude.min(), longitude.max(), latitude.max())
    return [round(float(one), _DEGREE_DECIMALS) for one in bounds]


def place_table(
    layer: Layer, entries: Sequence[Mapping[str, Any]], crs: Any, units: UnitSystem
) -> str:
    """
    Write entries that have a place as a table, one row each, in the units of the report.

    Parameters
    ----------
    layer
        Of which they are; it knows their units.
    entries
        Entries of one list of a summary, all with the same keys, among them `x` and `y`.
    crs
        Coordinate reference system of `x` and `y`, which stay as they are.

    Returns
    -------
    table
        CSV with a header: names with the unit of the report, then latitude and longitude in
        degrees of WGS 84. Where there are no entries, the columns of places alone.

    Examples
    --------
    >>> inlet = {"name": "C1", "x": 500_000.0, "y": 0.0, "moved_m": 0.3048}
    >>> print(place_table(RESULT_LAYERS["inlets"], [inlet], "EPSG:32617", "us"), end="")
    name,x,y,moved_ft,latitude,longitude
    C1,500000.0,0.0,1.0,0.0,-81.0
    """
    if not entries:
        return "x,y,latitude,longitude\n"
    latitude, longitude = latitude_longitude(
        [entry["x"] for entry in entries], [entry["y"] for entry in entries], crs
    )
    target = io.StringIO()
    writer = csv.writer(target, lineterminator="\n")
    columns = [layer.column(key) for key in entries[0]]
    writer.writerow((*(column.heading(units) for column in columns), "latitude", "longitude"))
    for entry, north, east in zip(entries, latitude, longitude, strict=True):
        place = (round(float(north), _DEGREE_DECIMALS), round(float(east), _DEGREE_DECIMALS))
        told = (column.in_spreadsheet(entry[column.name], units) for column in columns)
        writer.writerow(guarded((*told, *place)))
    return target.getvalue()


@dataclass(frozen=True)
class Waypoint:
    """
    A place to walk to.

    Parameters
    ----------
    name
        Short name, shown beside the point.
    kind
        What it is: "low spot", "inlet", "outlet", "run-on", "level", "stake".
    description
        What is known of it, in the units of the reports.
    x, y
        Position [unit of the CRS].
    elevation_m
        Elevation in the raster's datum [m]; None where it is not known.
    """

    name: str
    kind: str
    description: str
    x: float
    y: float
    elevation_m: float | None


def waypoints(
    content: Mapping[str, Any], outlets: Sequence[Waypoint], units: UnitSystem
) -> list[Waypoint]:
    """
    List the places of a result: low spots, inlets, outlets, run-on, levels to take first, stakes.

    Parameters
    ----------
    outlets
        Drawn ends of drain lines.
    units
        "us" or "metric", of the descriptions.

    Returns
    -------
    points
        Low spots that may be artefacts are among them, and say so.
    """
    spots = [_low_spot(spot, units) for spot in content["low_spots"]]
    inlets = [_inlet(inlet, units) for inlet in content["inlets"]]
    crossings = [
        _run_on(crossing, units)
        for crossing in content["lot_line_crossings"]
        if crossing["direction"] == "on"
    ]
    levels = [_level(one, units) for one in content["levels_to_take"]]
    staked = [_stake(one, units) for one in content.get("stakes", ())]
    return [*spots, *inlets, *outlets, *crossings, *levels, *staked]


def _low_spot(spot: Mapping[str, Any], units: UnitSystem) -> Waypoint:
    """A low spot at its deepest point."""
    parts = [
        f"{'at least ' if spot.get('not_closed') else ''}{_SPOTS.shown(spot, 'depth_m', units)} "
        f"deep, {_SPOTS.shown(spot, 'volume_m3', units)}, "
        f"{_SPOTS.shown(spot, 'contributing_area_m2', units)} drain to it"
    ]
    if spot["probability"] is not None:
        parts.append(f"chance that it is there {_SPOTS.shown(spot, 'probability', units)}")
    if spot["artefact"]:
        parts.append(f"may be none: {spot['artefact']}")
    return Waypoint(
        f"Low spot {spot['id']}", "low spot", "; ".join(parts), spot["x"], spot["y"],
        spot["bed_elevation_m"],
    )  # fmt: skip


def _inlet(inlet: Mapping[str, Any], units: UnitSystem) -> Waypoint:
    """An inlet where it was drawn."""
    text = f"takes {_INLETS.shown_open(inlet, 'catchment_m2', units)} of ground"
    if inlet["moved_m"]:
        text += f"; the water runs {_INLETS.shown(inlet, 'moved_m', units)} beside it"
    return Waypoint(
        str(inlet["name"]), "inlet", text, inlet["x"], inlet["y"], inlet["ground_elevation_m"]
    )


def _run_on(crossing: Mapping[str, Any], units: UnitSystem) -> Waypoint:
    """A place where water comes onto the lot."""
    return Waypoint(
        f"Run-on {crossing['id']}", "run-on",
        f"water from {RESULT_LAYERS['lot_line_crossings'].shown(crossing, 'area_m2', units)} comes "
        "onto the lot",
        crossing["x"], crossing["y"], crossing["elevation_m"],
    )  # fmt: skip


def _level(one: Mapping[str, Any], units: UnitSystem) -> Waypoint:
    """A level to take, and what it settles."""
    away = "" if one["away_m"] is None else f"{_LEVELS.shown(one, 'away_m', units)} "
    return Waypoint(
        f"Level {one['rank']}", "level", f"{away}{one['place']}; {question_words(one)}",
        one["x"], one["y"], one["level_m"],
    )  # fmt: skip


def _stake(one: Mapping[str, Any], units: UnitSystem) -> Waypoint:
    """A stake to set out, by what it is of and how it is found."""
    parts = [f"{one['subject']}, {one['part']}"]
    if one["level_m"] is not None:
        parts.append(f"{one['level_of']} {_STAKES.shown(one, 'level_m', units)}")
    if one["corner_a"] is not None:
        parts += [
            f"{_STAKES.shown(one, 'tie_a_m', units)} from {one['corner_a']}",
            f"{_STAKES.shown(one, 'tie_b_m', units)} from {one['corner_b']}, {one['side']} of the "
            "line between them",
        ]
    return Waypoint(
        f"Stake {one['id']}", "stake", "; ".join(parts), one["x"], one["y"], one["ground_m"]
    )


def gpx_text(points: Sequence[Waypoint], crs: Any, *, title: str) -> str:
    """
    Write waypoints as GPX.

    Parameters
    ----------
    points
        In the order in which they are listed.
    crs
        Coordinate reference system of their positions.

    Returns
    -------
    text
        XML without any time: the same points give the same text. Elevations are in the
        raster's datum, which may be some metres off what a receiver shows.

    References
    ----------
    GPX 1.1 schema, topografix.com/GPX/1/1.

    Examples
    --------
    >>> point = Waypoint("C1", "inlet", "", 500_000.0, 0.0, 12.5)
    >>> text = gpx_text([point], "EPSG:32617", title="A lot")
    >>> "<name>C1</name>" in text, "<ele>12.5</ele>" in text
    (True, True)
    """
    from gpxpy import gpx  # noqa: PLC0415 - only where waypoints are asked for

    document = gpx.GPX()
    document.creator = "lotflow"
    document.name = title or None
    latitude, longitude = latitude_longitude(
        [point.x for point in points], [point.y for point in points], crs
    )
    for place, north, east in zip(points, latitude, longitude, strict=True):
        document.waypoints.append(
            gpx.GPXWaypoint(
                latitude=_degrees(north),
                longitude=_degrees(east),
                elevation=None if place.elevation_m is None else round(place.elevation_m, 3),
                name=place.name,
                description=place.description or None,
                type=place.kind,
                symbol=_SYMBOLS[place.kind],
            )
        )
    text: str = document.to_xml(version="1.1")
    return text + "\n"


def _degrees(value: np.float64) -> float:
    """Degrees to the centimetre."""
    return round(float(value), _DEGREE_DECIMALS)
