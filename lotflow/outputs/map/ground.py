"""How ground, water and courses are drawn: colours of cells, and lines without their steps."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
import shapely
from numpy.typing import NDArray

from lotflow.grid import BoolArray, FloatArray, Grid
from lotflow.units import METRES_PER_INCH, SHOWN, UnitSystem, from_si

Pixels = NDArray[np.uint8]

#: Ground in shade and in light: warm greys, so that all blue is water.
_SHADE: Final = ((0.0, (122, 116, 108)), (0.5, (214, 208, 198)), (1.0, (252, 250, 245)))
#: Depth from shallow to deep: lightness falls all the way, so that it reads in grey too and to
#: any eye.
DEPTH_STOPS: Final = (
    (0.0, (190, 226, 240)), (0.35, (92, 170, 214)), (0.7, (33, 95, 170)), (1.0, (23, 32, 98)),
)  # fmt: skip
_DEPTH_OPACITY: Final = 225
#: Slope that the steeper parts of the ground are shaded as; how much it may be exaggerated.
_SHADED_SLOPE: Final = 0.35
_EXAGGERATION: Final = (1.0, 6.0)

#: Steps of the scale of depths: whole inches or centimetres [m].
_STEP_M: Final[dict[UnitSystem, float]] = {"us": METRES_PER_INCH, "metric": 0.01}


def _coloured(values: FloatArray, stops: tuple[tuple[float, tuple[int, int, int]], ...]) -> Pixels:
    """Colour values of 0 to 1 by stops, linearly between them; fully opaque."""
    places = [place for place, _ in stops]
    bands = [np.interp(values, places, [colour[k] for _, colour in stops]) for k in range(3)]
    return np.stack([*bands, np.full(values.shape, 255.0)], axis=-1).astype(np.uint8)


def illumination(grid: Grid) -> FloatArray:
    """
    Light that falls on the ground from the north-west and from above.

    Slopes are exaggerated until the steeper tenth of the ground shows; on level ground no more
    than six times, so that noise stays noise.

    `grid`: elevation [m].

    Returns 0 to 1, 0.5 on level ground; NaN where there is no ground.

    Examples
    --------
    >>> from affine import Affine
    >>> level = Grid(np.zeros((3, 3)), Affine(1, 0, 0, 0, -1, 3), None)
    >>> float(illumination(level)[1, 1])
    0.5
    """
    missing = grid.missing
    south, east = (_rise(grid.values, axis) / grid.cell_m for axis in (0, 1))
    slope = np.hypot(south, east)
    steep = float(np.percentile(slope[~missing], 90)) if not missing.all() else 0.0
    exaggeration = float(np.clip(_SHADED_SLOPE / max(steep, 1e-6), *_EXAGGERATION))
    # rises towards the south-east face the light
    facing = (south + east) * exaggeration / np.sqrt(2.0)
    upright = 1.0 / np.sqrt(1.0 + (slope * exaggeration) ** 2)
    light = 0.5 + 0.5 * facing * upright - 0.25 * (1.0 - upright)
    return np.where(missing, np.nan, np.clip(light, 0.0, 1.0))


def _rise(values: FloatArray, axis: int) -> FloatArray:
    """Rise per cell along an axis, one-sided beside gaps and edges, 0 where there is no pair."""
    step = np.diff(values, axis=axis)
    edge = np.full_like(values.take([0], axis=axis), np.nan)
    sides = np.stack([
        np.concatenate([edge, step], axis=axis), np.concatenate([step, edge], axis=axis)
    ])  # fmt: skip
    known = ~np.isnan(sides)
    result: FloatArray = np.where(known, sides, 0.0).sum(axis=0) / np.maximum(known.sum(axis=0), 1)
    return result


def ground_pixels(grid: Grid) -> Pixels:
    """
    Colour the ground by the light on it; transparent where there is none.

    `grid`: elevation [m].
    """
    light = illumination(grid)
    pixels = _coloured(np.nan_to_num(light), _SHADE)
    pixels[np.isnan(light), 3] = 0
    return pixels


def share_pixels(share: FloatArray, colour: str, opacity: float) -> Pixels:
    """
    Tint cells by how likely they are to belong to something; transparent where never.

    `share`: 0 to 1 [-]; NaN where not known; `opacity`: of a cell that always does, 0 to 1.

    Examples
    --------
    >>> share_pixels(np.array([[0.0, 0.5, 1.0]]), "#ff0000", 0.4)[0].tolist()
    [[255, 0, 0, 0], [255, 0, 0, 51], [255, 0, 0, 102]]
    """
    pixels = np.empty((*share.shape, 4), dtype=np.uint8)
    pixels[..., :3] = [int(colour[k : k + 2], 16) for k in (1, 3, 5)]
    pixels[..., 3] = np.round(np.nan_to_num(share) * opacity * 255)
    return pixels


def depth_pixels(depth: FloatArray, deepest: float) -> Pixels:
    """
    Colour low spots by depth; transparent where there is none.

    `depth`: depth below the spill level [m]; 0 or NaN where there is no low spot; `deepest`:
    depth of the darkest colour [m].
    """
    wet: BoolArray = np.nan_to_num(depth) > 0
    pixels = _coloured(np.where(wet, depth, 0.0) / deepest, DEPTH_STOPS)
    pixels[..., 3] = np.where(wet, _DEPTH_OPACITY, 0)
    return pixels


@dataclass(frozen=True)
class DepthScale:
    """The scale of the colours of depth."""

    #: Round depths from 0 to that of the darkest colour, in `unit`.
    ticks: tuple[float, ...]
    #: Of depths in every report.
    unit: str
    #: Depth of the darkest colour [m].
    deepest_m: float
    #: Whether there are deeper places, in the darkest colour too.
    exceeded: bool


def depth_scale(depth: FloatArray, units: UnitSystem, *, certain_m: float = np.inf) -> DepthScale:
    """
    Find round depths for the scale of colours.

    It ends at the depth that all but a fiftieth of the wet cells stay below, so that one pit
    between buildings does not make all else pale.

    `depth`: depths shown [m]; 0 or NaN where there is no low spot; `certain_m`: depth of the
    deepest low spot that nothing speaks against [m]: deeper ones are not looked at, so that an
    artefact does not make all else pale either.

    Examples
    --------
    >>> depth_scale(np.array([0.0, 0.17, np.nan]), "metric").ticks
    (0.0, 0.05, 0.1, 0.15, 0.2)
    >>> depth_scale(np.array([0.17]), "us").ticks
    (0.0, 2.0, 4.0, 6.0, 8.0)
    """
    unit, length = SHOWN["depth"][units][0], _STEP_M[units]
    wet = np.nan_to_num(depth[np.nan_to_num(depth) > 0]) / length
    looked_at = wet[wet <= certain_m / length * (1.0 + 1e-6)]
    shown = max(float(np.percentile(looked_at, 98)) if looked_at.size else 0.0, 1.0)
    steps = (step * 10.0**power for power in range(6) for step in (1.0, 2.0, 5.0))
    step = next(step for step in steps if step * 5 >= shown)
    count = max(int(np.ceil(shown / step - 1e-9)), 2)
    ticks = [step * number for number in range(count + 1)]
    printed = tuple(round(from_si(tick * length, unit), 9) for tick in ticks)
    return DepthScale(printed, unit, ticks[-1] * length, bool((wet > ticks[-1]).any()))


Points = NDArray[np.float64]


def smoothed(line: Points, rounds: int = 2) -> Points:
    """
    Cut the corners of a line that runs from cell to cell; its ends stay.

    References
    ----------
    Chaikin, G. M. (1974), An algorithm for high-speed curve generation, Computer Graphics and
    Image Processing 3(4).

    Examples
    --------
    >>> smoothed(np.array([(0.0, 0.0), (4.0, 0.0), (4.0, 4.0)]), rounds=1).tolist()
    [[0.0, 0.0], [3.0, 0.0], [4.0, 1.0], [4.0, 4.0]]
    """
    for _ in range(rounds):
        early, late = 0.75 * line[:-1] + 0.25 * line[1:], 0.25 * line[:-1] + 0.75 * line[1:]
        cut = np.stack([early, late], axis=1).reshape(-1, 2)
        line = np.concatenate([line[:1], cut[1:-1], line[-1:]])
    return line


def drawn_course(line: Points, cell: float, *, rounds: int = 2) -> Points:
    """
    Give the course of a line from cell to cell as it is drawn: without the steps of the cells.

    It leaves the centres of the cells by less than a cell; its ends stay.

    `cell`: side of a cell, in the same unit; `rounds`: how often corners are cut.

    Examples
    --------
    A slight slant across the cells becomes a straight line:

    >>> slant = np.array([(0, 0), (1, 0), (2, 0), (3, 1), (4, 1), (5, 1), (6, 2)], dtype=float)
    >>> drawn = drawn_course(slant, 1.0)
    >>> float(np.abs(drawn[:, 1] - drawn[:, 0] / 3.0).max()) < 1e-9
    True
    """
    bare = shapely.simplify(shapely.LineString(line), 0.75 * cell, preserve_topology=False)
    # short pieces keep the rounding of corners short too
    return smoothed(shapely.get_coordinates(shapely.segmentize(bare, 2.5 * cell)), rounds)
