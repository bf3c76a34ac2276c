"""What is dug for a drain line: depth by classes, volumes, surface to take up and put back."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from lotflow.drains.domain import not_negative, positive

if TYPE_CHECKING:
    from collections.abc import Sequence

    from lotflow.grid import FloatArray


@dataclass(frozen=True)
class TrenchRule:
    """
    How a trench is dug; all defaults are common practice, no published source.

    Parameters
    ----------
    side_m
        Room on either side of the pipe [m]: 4 in, so 12 in for a 4 in pipe.
    bedding_m
        Depth of the bedding under it [m]: 4 in.
    swell
        Loose volume of spoil over its volume in the ground [-]; from memory.
    """

    side_m: float = 0.1016
    bedding_m: float = 0.1016
    swell: float = 1.25


@dataclass(frozen=True, eq=False)
class Trench:
    """
    A trench along a line.

    Parameters
    ----------
    length_m
        Length dug in each class of depth [m].
    width_m
        Its width [m].
    excavation_m3, bedding_m3
        Volumes in the ground [m^3].
    spoil_m3
        Loose volume that is not put back: what pipe and bedding take up [m^3].
    """

    length_m: FloatArray
    width_m: float
    excavation_m3: float
    bedding_m3: float
    spoil_m3: float


def dig_trench(
    distance_m: FloatArray,
    pipe_depth_m: FloatArray,
    diameter_m: float,
    classes_m: Sequence[float],
    rule: TrenchRule | None = None,
) -> Trench:
    """
    Dig a trench for a pipe in its ground.

    Parameters
    ----------
    distance_m
        Stations along the line [m], rising.
    pipe_depth_m
        Ground above the invert at each [m]; NaN counts as the mean of the others.
    diameter_m
        Of the pipe [m].
    classes_m
        Depths at which a class ends [m], rising; deeper trenches are one more class.
    rule
        How it is dug.

    Returns
    -------
    trench
        Lengths by class have one entry more than `classes_m`.

    Raises
    ------
    ParameterError
        If the diameter is not greater than 0, or no depth is known.

    Examples
    --------
    100 ft of 4 in pipe, 20 in deep to the invert: 12 in wide, 24 in deep, in cubic yards:

    >>> inch, yard = 0.0254, 0.9144
    >>> trench = dig_trench(np.array([0.0, 1200 * inch]), np.full(2, 20 * inch), 4 * inch, (1.0,))
    >>> round(trench.width_m / inch, 3), round(trench.excavation_m3 / yard**3, 1)
    (12.0, 7.4)
    """
    rule = rule or TrenchRule()
    known = np.isfinite(pipe_depth_m)
    positive(diameter=diameter_m, stations_with_depth=float(known.sum()))
    not_negative(distance=distance_m)
    depth = np.where(known, pipe_depth_m, np.mean(pipe_depth_m[known])) + rule.bedding_m
    depth = np.maximum(depth, 0.0)
    step = np.diff(distance_m)
    middle = 0.5 * (depth[:-1] + depth[1:])
    # a depth at the end of a class belongs to it, whatever binary fractions make of it
    of_class = np.digitize(middle - 1e-9, np.asarray(classes_m, dtype=float), right=True)
    width = diameter_m + 2.0 * rule.side_m
    length = float(step.sum())
    bedding = width * rule.bedding_m * length
    pipe = 0.25 * np.pi * diameter_m**2 * length
    return Trench(
        length_m=np.bincount(of_class, weights=step, minlength=len(classes_m) + 1).astype(float),
        width_m=width,
        excavation_m3=float((middle * step).sum()) * width,
        bedding_m3=bedding,
        spoil_m3=rule.swell * (bedding + pipe),
    )


def lengths_by_cover(path: Any, covers: Sequence[tuple[str, Any]], ground: str) -> dict[str, float]:
    """
    Length of a line over each cover.

    Parameters
    ----------
    path
        The line.
    covers
        Cover and polygon; where they overlap the later one counts.
    ground
        Cover of ground without a polygon.

    Returns
    -------
    lengths
        By cover, in units of the coordinates; covers that are not crossed are left out.

    Examples
    --------
    >>> import shapely
    >>> line = shapely.LineString([(0, 0), (10, 0)])
    >>> lengths_by_cover(line, [("concrete", shapely.box(2, -1, 5, 1))], "lawn")
    {'concrete': 3.0, 'lawn': 7.0}
    """
    lengths: dict[str, float] = {}
    left = path
    for cover, polygon in reversed(covers):
        lengths[cover] = lengths.get(cover, 0.0) + float(left.intersection(polygon).length)
        left = left.difference(polygon)
    lengths[ground] = lengths.get(ground, 0.0) + float(left.length)
    return {cover: length for cover, length in lengths.items() if length > 0}
