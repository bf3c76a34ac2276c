"""
Bare ground out of single returns: the elevation of each cell, and how well it is known.

Between returns the surface is that of the triangles between them. How far it may be off there is
learned from the returns themselves: some are left out, and the surface without them is held
against them.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from affine import Affine

from lotflow.grid import FloatArray, SingleArray
from lotflow.terrain.level_error import SPREAD_95

#: Standard deviations to either side that hold 90 % of a normal distribution.
SPREAD_90: Final = 1.645
#: Cells farther from every return than this count as hidden [m].
FAR_M: Final = 1.0
#: Returns closer than this in plan are one [m].
_SAME_M: Final = 0.01
#: Returns so close that the ground between them has no relief of its own [m], and how many such
#: pairs tell the noise of a return.
_PAIR_M: Final = 0.10
_PAIRS: Final = 50
#: Share that is left out; and discs of so many metres in which all are, as under a tree.
_LEFT_OUT: Final = 0.10
_DISCS_M: Final = (1.0, 5.0)
#: Returns left out at least for a law, and for one distance of those it is fitted to [m].
_LEAST_RETURNS: Final = 500
_LEAST_AT_ONCE: Final = 50
_DISTANCES_M: Final = (0.0, 0.25, 0.5, 0.75, 1.0, 1.5, 2.0, 2.5, 3.0, 4.0, 5.0)
#: Rounds of leaving out, and returns at most that take part: those round the middle of all.
_ROUNDS: Final = 4
_MOST_RETURNS: Final = 200_000
_SEED: Final = 23


@dataclass(frozen=True)
class DistanceLaw:
    """
    How far an interpolated level may be off, by the distance to the nearest return.

    The variance is s0^2 + (c d^h)^2: noise of a return, and what grows between them.

    Parameters
    ----------
    s0_m
        Standard deviation at a return [m].
    c
        Standard deviation that is added at a distance of 1 m [m].
    h
        Power by which it grows with the distance.
    returns
        Number of returns it was learned from.
    farthest_m
        Greatest distance at which it was learned [m]; beyond it is continued.

    Examples
    --------
    >>> law = DistanceLaw(0.03, 0.08, 0.5, 1000, 4.0)
    >>> law.deviation(np.array([0.0, 1.0, 4.0])).round(3)
    array([0.03 , 0.085, 0.163])
    """

    s0_m: float
    c: float
    h: float
    returns: int
    farthest_m: float

    def deviation(self, distance_m: Any) -> FloatArray:
        """Standard deviation at a distance from the nearest return [m]."""
        grown = self.c * np.asarray(distance_m, dtype=np.float64) ** self.h
        return np.asarray(np.sqrt(self.s0_m**2 + grown**2))


@dataclass(frozen=True, eq=False)
class GriddedGround:
    """
    Ground on cells.

    Parameters
    ----------
    elevation
        At the centre of each cell [m]; NaN beyond the reach of the returns.
    distance
        From the centre of each cell to the nearest return [m].
    returns
        Number of returns in each cell.
    """

    elevation: FloatArray
    distance: FloatArray
    returns: FloatArray

    @property
    def missing_share(self) -> float:
        """Share of the cells without an elevation."""
        return float(np.isnan(self.elevation).mean())

    @property
    def far_share(self) -> float:
        """Share of the cells that lie far from every return."""
        return float((self.distance > FAR_M).mean())

    def bands(self, no_data: float) -> dict[str, SingleArray]:
        """Give what is written, by name, in single precision."""
        elevation = np.where(np.isnan(self.elevation), no_data, self.elevation)
        return {
            "elevation": elevation.astype(np.float32),
            "distance to the nearest return": self.distance.astype(np.float32),
            "returns per cell": self.returns.astype(np.float32),
        }


def bounds_of_returns(xyz: FloatArray) -> tuple[float, float, float, float]:
    """West, south, east and north of returns; zeros of none."""
    if not len(xyz):
        return 0.0, 0.0, 0.0, 0.0
    (west, south), (east, north) = xyz[:, :2].min(axis=0), xyz[:, :2].max(axis=0)
    return float(west), float(south), float(east), float(north)


def in_metres(xyz: FloatArray, metres_per_unit: float) -> FloatArray:
    """
    Bring coordinates of a CRS to metres; heights are in metres already.

    Examples
    --------
    >>> in_metres(np.array([[10.0, 20.0, 1.5]]), 0.3048).round(3).tolist()
    [[3.048, 6.096, 1.5]]
    """
    return np.asarray(xyz * np.array([metres_per_unit, metres_per_unit, 1.0]))


def thinned_returns(xyz: FloatArray) -> FloatArray:
    """
    Take returns at one place as one, with their mean height.

    Parameters
    ----------
    xyz
        Shape (n, 3) [m].

    Examples
    --------
    >>> thinned_returns(np.array([[0.0, 0.0, 1.0], [0.001, 0.0, 3.0], [5.0, 0.0, 4.0]])).tolist()
    [[0.0, 0.0, 2.0], [5.0, 0.0, 4.0]]
    """
    places = np.round(xyz[:, :2] / _SAME_M).astype(np.int64)
    _, first, of, count = np.unique(
        places, axis=0, return_index=True, return_inverse=True, return_counts=True
    )
    height = np.bincount(of.ravel(), weights=xyz[:, 2]) / count
    return np.column_stack([xyz[first, :2], height])


def triangulated(xyz: FloatArray, at: FloatArray) -> FloatArray:
    """
    Interpolate on the triangles between returns; NaN outside of all.

    Parameters
    ----------
    xyz
        Returns, shape (n, 3) [m].
    at
        Places, shape (m, 2) [m].

    References
    ----------
    Delaunay triangulation by Qhull: Barber, Dobkin, Huhdanpaa (1996), The Quickhull algorithm for
    convex hulls, ACM Transactions on Mathematical Software 22(4), from memory.
    """
    from scipy.interpolate import LinearNDInterpolator  # noqa: PLC0415 - slow to import
    from scipy.spatial import Delaunay  # noqa: PLC0415

    # near the origin, where differences are exact
    origin = xyz[:, :2].min(axis=0)
    triangles = Delaunay(xyz[:, :2] - origin)
    # else worked out triangle by triangle by a library that starts threads for each: ten times as
    # slow as all the rest; where scipy no longer keeps them under this name, it does so again
    corners = np.asarray(triangles.points)[triangles.simplices]
    setattr(triangles, "_transform", _inverses(corners))  # noqa: B010 - not among its types
    return np.asarray(LinearNDInterpolator(triangles, xyz[:, 2])(at - origin))


def _inverses(corners: FloatArray) -> FloatArray:
    """
    Give what turns a place into shares of the corners of each triangle, as scipy keeps it.

    Per triangle the inverse of the matrix of its two sides from the last corner, and that corner.
    """
    last = corners[:, 2]
    (a, c), (b, d) = ((corners[:, i] - last).T for i in (0, 1))
    area = a * d - b * c
    size = np.maximum(np.abs([a, b, c, d]).max(axis=0), 1e-300)
    area[np.abs(area) < 1e-12 * size**2] = np.nan
    inverse = np.stack([d, -b, -c, a], axis=1) / area[:, None]
    return np.concatenate([inverse.reshape(-1, 2, 2), last[:, None, :]], axis=1)


def nearest(xyz: FloatArray, at: FloatArray) -> FloatArray:
    """
    Measure the distance to the nearest return [m].

    Parameters
    ----------
    xyz, at
        As of `triangulated`.
    """
    from scipy.spatial import cKDTree  # noqa: PLC0415 - slow to import

    return np.asarray(cKDTree(xyz[:, :2]).query(at)[0], dtype=np.float64)


def grid_returns(
    xyz: FloatArray, transform: Affine, shape: tuple[int, int], reach_m: float
) -> GriddedGround:
    """
    Bring returns to cells.

    Parameters
    ----------
    xyz
        Returns, shape (n, 3) [m].
    transform
        From (column, row) to coordinates [m]; north-up.
    shape
        Rows and columns.
    reach_m
        Cells farther from every return have no elevation [m].
    """
    rows, columns = shape
    t = transform
    x = t.c + (np.arange(columns) + 0.5) * t.a
    y = t.f + (np.arange(rows) + 0.5) * t.e
    at = np.stack(np.meshgrid(x, y), axis=-1).reshape(-1, 2)
    distance = nearest(xyz, at).reshape(shape)
    near = (distance <= reach_m).ravel()
    elevation = np.full(rows * columns, np.nan)
    elevation[near] = triangulated(xyz, at[near])
    column = np.floor((xyz[:, 0] - t.c) / t.a).astype(np.int64)
    row = np.floor((xyz[:, 1] - t.f) / t.e).astype(np.int64)
    inside = (row >= 0) & (row < rows) & (column >= 0) & (column < columns)
    cell = row[inside] * columns + column[inside]
    returns = np.bincount(cell, minlength=rows * columns).astype(np.float64)
    return GriddedGround(elevation.reshape(shape), distance, returns.reshape(shape))


def left_out(
    xyz: FloatArray, random: np.random.Generator
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """
    Leave some returns out and hold the surface without them against them.

    Left out are a tenth of all, and all in discs of 1 to 5 m on ground with plenty of returns,
    about a tenth of the ground: so there are some far from what is left, as under a tree.

    Parameters
    ----------
    xyz
        Returns, shape (n, 3) [m].
    random
        What decides which.

    Returns
    -------
    error, distance, place
        Surface less return, distance to the nearest return that was left [m], and place.
    """
    from scipy.spatial import cKDTree  # noqa: PLC0415 - slow to import

    out = random.random(len(xyz)) < _LEFT_OUT
    tree = cKDTree(xyz[:, :2])
    area = float(np.prod(np.ptp(xyz[:, :2], axis=0)))
    density = len(xyz) / max(area, 1.0)
    covered = 0.0
    for _ in range(int(area / np.pi)):
        if covered > _LEFT_OUT * area:
            break
        radius = random.uniform(*_DISCS_M)
        inside = tree.query_ball_point(xyz[random.integers(len(xyz)), :2], radius)
        covered += np.pi * radius**2
        if len(inside) >= density / 2 * np.pi * radius**2:  # else there is a roof already
            out[inside] = True
    left = xyz[~out]
    if len(left) < 4:
        return np.zeros(0), np.zeros(0), np.zeros((0, 2))
    error = triangulated(left, xyz[out, :2]) - xyz[out, 2]
    known = np.isfinite(error)
    return error[known], nearest(left, xyz[out, :2])[known], xyz[out, :2][known]


def distance_law(error: FloatArray, distance: FloatArray, noise_m: float) -> DistanceLaw | None:
    """
    Fit how errors grow with the distance; None where there are too few.

    Parameters
    ----------
    error, distance
        As `left_out` gives them [m].
    noise_m
        Of a return, which the error of two holds anyway [m].
    """
    from scipy.optimize import curve_fit  # noqa: PLC0415 - slow to import

    parts = [
        part for part in np.split(np.argsort(distance), np.searchsorted(
            np.sort(distance), _DISTANCES_M[1:])) if part.size >= _LEAST_AT_ONCE
    ]  # fmt: skip
    if error.size < _LEAST_RETURNS or len(parts) < 3:
        return None
    x = np.array([distance[part].mean() for part in parts])
    # by what nine in ten errors stay within, so that single steps of a wall do not rule
    y = np.array([np.percentile(np.abs(error[part]), 90) / SPREAD_90 for part in parts])
    # returns lie densest where flights overlap and in shrubs, which is not where they err least
    y = np.maximum.accumulate(y)

    # fitted with the rest it vanishes, as errors grow fastest near returns
    s0 = max(noise_m, float(y[0]))

    def deviation(d: FloatArray, c: float, h: float) -> FloatArray:
        return np.asarray(np.sqrt(s0**2 + (c * d**h) ** 2))

    (c, h), _ = curve_fit(
        deviation, x[1:], y[1:], p0=(0.05, 0.7), sigma=y[1:], bounds=([0.0, 0.1], [1.0, 2.0])
    )
    return DistanceLaw(s0, float(c), float(h), int(error.size), float(distance.max()))


def return_noise(xyz: FloatArray) -> float:
    """
    Noise of a return, by pairs so close that the ground between them is level [m].

    Where there are too few pairs, 0.03 m: that of the one survey tried, and lotflow's assumption.

    Parameters
    ----------
    xyz
        Returns, shape (n, 3) [m].
    """
    from scipy.spatial import cKDTree  # noqa: PLC0415 - slow to import

    found: Any = cKDTree(xyz[:, :2]).query(xyz[:, :2], 2)
    distance, other = found
    close = distance[:, 1] < _PAIR_M
    if close.sum() < _PAIRS:
        return 0.03
    apart = xyz[close, 2] - xyz[other[close, 1], 2]
    return float(np.percentile(np.abs(apart), 95) / SPREAD_95 / np.sqrt(2.0))


def learned_law(xyz: FloatArray) -> DistanceLaw | None:
    """
    Learn from returns how errors grow with the distance; the same returns give the same law.

    Parameters
    ----------
    xyz
        Returns, shape (n, 3) [m].
    """
    if len(xyz) > _MOST_RETURNS:
        place = xyz[:, :2]
        away = np.abs(place - np.median(place, axis=0)).max(axis=1)
        xyz = xyz[np.argpartition(away, _MOST_RETURNS)[:_MOST_RETURNS]]
    if len(xyz) < _LEAST_RETURNS:
        return None
    random = np.random.default_rng(_SEED)
    # several times: the few large gaps of one round lie on whatever ground they happen to
    rounds = [left_out(xyz, random)[:2] for _ in range(_ROUNDS)]
    error, distance = (np.concatenate(one) for one in zip(*rounds, strict=True))
    return distance_law(error, distance, return_noise(xyz))
