"""Shapes of the map's symbols: outlines with holes, stretches, arrowheads, triangles."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise
from typing import Any, Final

import numpy as np
import shapely
from matplotlib.path import Path
from numpy.typing import NDArray

from lotflow.outputs.smooth_lines import Points

#: An arrowhead and a triangle of length 1 that point east, their middle at the origin.
_ARROWHEAD: Final = np.array([(0.5, 0.0), (-0.5, 0.42), (-0.28, 0.0), (-0.5, -0.42)])
_TRIANGLE: Final = np.array([(0.5, 0.0), (-0.5, 0.58), (-0.5, -0.58)])


def outline(polygon: Any) -> Path:
    """
    Make one path of a polygon with its parts and holes.

    Parameters
    ----------
    polygon
        Polygon or multipolygon, not empty.

    Examples
    --------
    >>> len(outline(shapely.box(0, 0, 1, 1)).vertices)
    5
    """
    rings = [
        ring
        for part in shapely.get_parts(shapely.normalize(polygon))
        for ring in (part.exterior, *part.interiors)
    ]
    # normalised rings run clockwise outside and anticlockwise inside, as filling asks for
    return Path.make_compound_path(*(Path(shapely.get_coordinates(r), closed=True) for r in rings))


def lines_of(geometries: Any) -> tuple[list[Points], NDArray[np.int64]]:
    """
    Split lines into their parts.

    Parameters
    ----------
    geometries
        Array of lines, of one part or several.

    Returns
    -------
    lines
        Coordinates, shape (n, 2), of each part.
    rows
        Number of the geometry each part comes from.
    """
    parts, rows = shapely.get_parts(geometries, return_index=True)
    return [shapely.get_coordinates(part) for part in parts], rows


def stretches(line: Points, area: Any) -> list[tuple[Points, bool]]:
    """
    Divide a line into stretches within an area and outside, in its own direction.

    Parameters
    ----------
    line
        Coordinates, shape (n, 2).
    area
        Polygon or multipolygon; a piece is within if its middle is.

    Returns
    -------
    stretches
        Coordinates of each, and whether it is within.

    Examples
    --------
    >>> line = np.array([(0.0, 0.0), (2.0, 0.0), (4.0, 0.0)])
    >>> parts = stretches(line, shapely.box(2, -1, 9, 1))
    >>> [(part[:, 0].tolist(), within) for part, within in parts]
    [([0.0, 2.0], False), ([2.0, 4.0], True)]
    """
    middle = (line[:-1] + line[1:]) / 2.0
    within = shapely.contains_xy(area, middle[:, 0], middle[:, 1])
    ends = np.concatenate([[0], np.flatnonzero(np.diff(within)) + 1, [len(within)]])
    return [(line[start : end + 1], bool(within[start])) for start, end in pairwise(ends.tolist())]


def arrowheads(lines: Sequence[Points], length: float, least: float) -> list[Points]:
    """
    Make arrowheads that show which way lines run, on those long enough to bear one.

    Parameters
    ----------
    lines
        Coordinates of each, downstream.
    length
        Of an arrowhead.
    least
        Length of the shortest line with one.
    """
    heads = []
    for line in lines:
        along = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(line, axis=0).T))])
        if along[-1] < least:
            continue
        place = 0.55 * along[-1]
        tail, middle, tip = (
            np.array([np.interp(at, along, line[:, k]) for k in (0, 1)])
            for at in (place - length, place, place + length)
        )
        heads.append(middle + length * _turned(_ARROWHEAD, tip - tail))
    return heads


def _turned(shape: Points, towards: Points) -> Points:
    """Turn a shape that points east into a direction."""
    x, y = towards / max(float(np.hypot(*towards)), 1e-12)
    return np.asarray(shape @ np.array([[x, y], [-y, x]]))


def crossing_triangles(
    points: Points, inward: NDArray[np.bool_], lengths: Points, lot: Any
) -> list[Points]:
    """
    Make triangles on the lot line that point the way the water goes.

    Parameters
    ----------
    points
        Where it crosses, shape (n, 2); each triangle is set on the lot line beside it.
    inward
        Whether it comes onto the lot.
    lengths
        Of the triangles.
    lot
        Polygon of the lot.
    """
    boundary = shapely.boundary(lot)
    step = 1e-3 * float(np.sqrt(shapely.area(lot)))
    triangles = []
    for point, comes, length in zip(points, inward, lengths, strict=True):
        along = shapely.line_locate_point(boundary, shapely.Point(point))
        on_line = shapely.get_coordinates(shapely.line_interpolate_point(boundary, along))[0]
        inside = _inward(boundary, lot, float(along), step)
        triangles.append(on_line + length * _turned(_TRIANGLE, inside if comes else -inside))
    return triangles


def _inward(boundary: Any, lot: Any, along: float, step: float) -> Points:
    """Direction square to the lot line that leads onto the lot."""
    behind, ahead = (
        shapely.get_coordinates(shapely.line_interpolate_point(boundary, max(at, 0.0)))[0]
        for at in (along - step, along + step)
    )
    side = ahead - behind
    square = np.array([-side[1], side[0]])
    middle = (ahead + behind) / 2.0
    return square if shapely.contains_xy(lot, *(middle + 0.5 * square)) else -square
