"""
The invented ground of 14 Alder Court: what a bare-earth lidar raster of such a block looks like.

Everything is said in block coordinates: `u` along the street, positive up the street, `v` from
the middle of the street towards the lot, both in metres; u = 0 is the middle of the lot. Each
function describes one thing a walker would name. Elevations are in metres.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter

Array = NDArray[np.float64]

CELL_M: Final = 0.5
ROWS: Final = 180
COLUMNS: Final = 220
SEED: Final = 32
#: Each cell is the mean of this many by this many points, as a gridded lidar cell is a mean:
#: edges that run across the grid come out soft instead of as a staircase.
POINTS_PER_CELL_SIDE: Final = 3
POINT_M: Final = CELL_M / POINTS_PER_CELL_SIDE

LOT_WIDTH_M: Final = 24.0
LOT_FRONT_V: Final = 7.5
LOT_REAR_V: Final = 47.5
CURB_V: Final = 4.5
CROWN_M: Final = 30.30
STREET_GRADE: Final = 0.015
DRIVE_U: Final = (7.6, 10.6)
SWALE_U: Final = -10.8
#: Dents that hold a puddle: middle, reach along each axis, how far the ground has sunk [m].
PUDDLES: Final = (
    ((6.0, 40.6), (1.5, 1.2), 0.13),  # worn lawn behind the garage
    ((-10.8, 25.5), (0.7, 1.6), 0.075),  # in the swale, where a cart crosses it
    ((9.1, 21.5), (1.1, 0.8), 0.095),  # the drive, where a car stands
    ((-17.0, 34.0), (1.2, 0.9), 0.09),  # the neighbour's lawn
)
#: Bumps and dents of the lawns: tussocks, molehills, old roots, hoof and wheel marks.
BUMPS_PER_100_M2: Final = 2.0
#: Swells and tufts of a lawn as a survey shows them: reach and deviation [m], an octave each,
#: 3 cm together. Somewhat smoother than the open rasters in `tests/jobs/data` (Delft, New Mexico):
#: what a Gaussian of 1 m takes away and one of 0.5 m leaves deviates by 1.5 cm there (median of
#: tiles of 10 m) and by 0.9 cm here, between 1 m and 2 m by 2.1 to 2.4 cm there and 1.7 cm here.
LAWN_OCTAVES: Final = ((0.35, 0.013), (0.7, 0.014), (1.4, 0.015), (2.8, 0.017), (5.6, 0.015))


@dataclass(frozen=True)
class Block:
    """
    Where the block lies in the raster's own coordinates, lower left corner at (0, 0).

    Parameters
    ----------
    x, y
        The middle of the street in front of the lot [m].
    turn_degrees
        Direction of the street, anticlockwise from east. Not along the grid, as no street is.
    """

    x: float = 55.0
    y: float = 15.0
    turn_degrees: float = 9.0

    def from_xy(self, x: Array, y: Array) -> tuple[Array, Array]:
        """Turn raster coordinates into block coordinates."""
        c, s = np.cos(np.radians(self.turn_degrees)), np.sin(np.radians(self.turn_degrees))
        return (x - self.x) * c + (y - self.y) * s, (y - self.y) * c - (x - self.x) * s

    def to_xy(self, uv: Array) -> Array:
        """Turn block coordinates, shape (n, 2), into raster coordinates."""
        c, s = np.cos(np.radians(self.turn_degrees)), np.sin(np.radians(self.turn_degrees))
        u, v = uv[:, 0], uv[:, 1]
        return np.column_stack((self.x + u * c - v * s, self.y + u * s + v * c))


def ramp(value: Array, start: float, end: float) -> Array:
    """Go smoothly from 0 at `start` to 1 at `end`."""
    t = np.clip((value - start) / (end - start), 0.0, 1.0)
    return t * t * (3.0 - 2.0 * t)


def stretch(value: Array, start: float, end: float, blend: float = 1.5) -> Array:
    """Be 1 between `start` and `end`, fading to 0 over `blend` outside."""
    return ramp(value, start - blend, start) - ramp(value, end, end + blend)


def soft_minimum(a: Array, b: Array, softness: float) -> Array:
    """Take the lower of two surfaces and round the edge between them off, as a mower does."""
    return -softness * np.logaddexp(-a / softness, -b / softness)


def bump(u: Array, v: Array, middle: tuple[float, float], reach: tuple[float, float]) -> Array:
    """Rise of 1 at `middle` that fades within about 1.5 times `reach` along each axis."""
    return np.exp(-(((u - middle[0]) / reach[0]) ** 2) - ((v - middle[1]) / reach[1]) ** 2)


def lot_of(u: Array) -> Array:
    """Number the lots along the street; this lot is 0."""
    return np.round(u / LOT_WIDTH_M)


def street(u: Array, v: Array) -> Array:
    """
    Crowned street, gutter pans, 15 cm curbs and a sidewalk, falling down the street.

    At driveways the curb is dropped to 3 cm.
    """
    out = np.abs(v)
    pavement = -0.02 * np.minimum(out, CURB_V) - 0.04 * np.clip(out - (CURB_V - 0.6), 0.0, 0.6)
    du = u - LOT_WIDTH_M * lot_of(u)
    dropped = stretch(du, *DRIVE_U, blend=0.8) * (v > 0) * (1.0 - ramp(out, CURB_V, CURB_V + 1.7))
    curb = (0.15 - 0.12 * dropped) * (out > CURB_V)
    verge = 0.02 * np.maximum(out - CURB_V, 0.0)
    return CROWN_M + STREET_GRADE * u + pavement + curb + verge


def step_up(u: Array, v: Array) -> Array:
    """
    Each lot lies one step higher than its neighbour down the street, behind the houses less so.

    Within a lot the ground leans towards its swale, the step is taken at the lot line.
    """
    du = u - LOT_WIDTH_M * lot_of(u)
    lean = np.interp(du, [-12.0, -9.0, 11.0, 12.0], [-0.15, -0.10, 0.14, 0.21])
    return lot_step(lot_of(u), v) + lean


def lot_step(lot: Array, v: Array) -> Array:
    """Height of a lot above this lot."""
    return STREET_GRADE * LOT_WIDTH_M * lot * (1.0 - 0.3 * ramp(v, 28.0, 35.0))


def yards(u: Array, v: Array) -> Array:
    """
    Ground of the lots from the sidewalk to the ridge behind them, before swales and drives.

    A bank behind the sidewalk, front lawn up to the house, rear lawn down to a low line at
    v = 39, then the slope of the neighbour behind, up to a ridge at v = 61 and down again: the
    divide lies inside the raster, so that no catchment of the lot reaches its edge.
    """
    along = np.array(
        [
            (7.5, 30.38), (8.0, 30.43), (10.5, 30.94), (14.5, 31.28), (18.0, 31.52),
            (28.5, 31.62), (33.0, 31.54), (37.0, 31.40), (39.5, 31.36), (43.0, 31.44),
            (47.5, 31.68), (54.0, 32.16), (58.5, 32.46), (61.0, 32.52), (64.0, 32.48),
            (72.0, 32.20), (100.0, 31.10),
        ]
    )  # fmt: skip
    height = np.interp(v, along[:, 0], along[:, 1])
    stepped = ramp(v, 8.0, 14.0) * (1.0 - ramp(v, 46.0, 52.0))
    even = STREET_GRADE * np.where(v > 30.0, 0.6, 1.0) * u
    return height + stepped * step_up(u, v) + (1.0 - stepped) * even


def planting_beds(u: Array, v: Array) -> Array:
    """Mounded beds: along the front of the house, and along the lower lot line in the rear."""
    front = 0.08 * stretch(u, -6.5, 1.5) * np.exp(-(((v - 17.2) / 0.8) ** 2))
    rear = 0.28 * stretch(v, 32.5, 46.5) * np.exp(-(((u + 12.0) / 0.9) ** 2))
    return front + rear


def swale(u: Array, v: Array) -> Array:
    """
    Side-yard swale of each lot, from the rear lawn to the sidewalk.

    The one of this lot is partly blocked at v = 33: the rear lawn can only drain over the block.
    """
    along = np.array([(7.5, 30.30), (8.2, 30.36), (10.8, 30.72), (20.0, 30.98), (33.0, 31.15),
                      (39.0, 31.22), (44.0, 31.70), (46.0, 33.0)])  # fmt: skip
    invert = np.interp(v, along[:, 0], along[:, 1])
    lot = np.round((u - SWALE_U) / LOT_WIDTH_M)
    aside = np.abs(u - SWALE_U - LOT_WIDTH_M * lot)
    block = 0.165 * np.exp(-(((v - 33.0) / 1.5) ** 2)) * (lot == 0)
    sides = 0.12 * np.maximum(aside - 0.4, 0.0)
    # the smaller step from the front on: else the step between the houses would dam the swale
    return invert + block + sides + lot_step(lot, 28.0 + 7.0 * ramp(v, 9.0, 14.0))


def driveway(u: Array, v: Array, ground: Array) -> Array:
    """Driveway of each lot: an even ramp from the sidewalk to the house, level across."""
    lot = lot_of(u)
    du = u - LOT_WIDTH_M * lot
    along = np.array([(7.5, 30.46), (11.0, 30.94), (14.5, 31.28), (18.0, 31.52), (25.0, 31.69),
                      (31.0, 31.67)])  # fmt: skip
    level = np.interp(v, along[:, 0], along[:, 1]) + STREET_GRADE * LOT_WIDTH_M * lot
    share = stretch(du, *DRIVE_U) * ramp(v, 7.4, 8.6) * (1.0 - ramp(v, 32.0, 34.0))
    return ground + share * (level - ground)


def garage_dip(u: Array, v: Array) -> Array:
    """Settled slab in front of the garage door."""
    return -0.17 * bump(u, v, (8.9, 29.4), (1.5, 1.4))


def patio(u: Array, v: Array, ground: Array) -> Array:
    """Patio behind the house: its rim lies level, its middle has settled against the wall."""
    slab = 31.600 - 0.195 * bump(u, v, (0.6, 29.4), (3.0, 1.9))
    inside = stretch(u, -4.5, 4.5, blend=0.6) * stretch(v, 26.5, 32.4, blend=0.6)
    return ground + inside * (slab - ground)


def rear_lawn_dish(u: Array, v: Array) -> Array:
    """Shallow dish in the rear lawn, an old bed that has settled."""
    return -0.15 * bump(u, v, (-4.5, 39.8), (5.5, 3.4))


def neighbour_hollow(u: Array, v: Array) -> Array:
    """Hollow in the slope behind, which gathers its water and brings it onto the lot."""
    middle = 3.0 + 0.25 * (v - 47.5)
    return -0.24 * np.exp(-(((u - middle) / 4.0) ** 2)) * stretch(v, 47.5, 54.0, blend=6.0)


def puddles(u: Array, v: Array) -> Array:
    """Dents that hold water a few centimetres deep after rain."""
    return -sum(depth * bump(u, v, middle, reach) for middle, reach, depth in PUDDLES)


def settled_strip(u: Array, v: Array) -> Array:
    """Backfill along the upper side wall of the house: it has sunk, the drive beside it not."""
    return -0.12 * ramp(u, 3.0, 5.5) * (1.0 - ramp(u, 5.8, 6.8)) * stretch(v, 20.0, 27.0)


def bare_ground(u: Array, v: Array) -> Array:
    """Put the pieces together, without texture."""
    lots = yards(u, v) + rear_lawn_dish(u, v) + neighbour_hollow(u, v)
    lots = soft_minimum(lots, swale(u, v), 0.02)
    # graded ground has no creases
    lots = gaussian_filter(lots + planting_beds(u, v), 0.7 / POINT_M)
    lots = driveway(u, v, lots) + garage_dip(u, v)
    lots = patio(u, v, lots)
    opposite = street(u, -LOT_FRONT_V + 0 * v) + 0.035 * np.maximum(-v - LOT_FRONT_V, 0.0)
    result = np.where(v > LOT_FRONT_V, lots, street(u, v))
    result = np.where(v < -LOT_FRONT_V, opposite, result)
    return result + puddles(u, v) + settled_strip(u, v)


def cell_points() -> tuple[Array, Array]:
    """Raster coordinates of the points that each cell is the mean of, row 0 in the north."""
    n = POINTS_PER_CELL_SIDE
    x = (np.arange(COLUMNS * n) + 0.5) * CELL_M / n
    y = (np.arange(ROWS * n)[::-1] + 0.5) * CELL_M / n
    return np.meshgrid(x, y)


def cell_means(values: Array) -> Array:
    """Average the points of each cell."""
    n = POINTS_PER_CELL_SIDE
    return values.reshape(ROWS, n, COLUMNS, n).mean(axis=(1, 3))


def lawn_bumps(random: np.random.Generator, x: Array, y: Array) -> Array:
    """Bumps up to 8 cm high and dents half as deep, a step or two across, strewn at random."""
    width_m, height_m = COLUMNS * CELL_M, ROWS * CELL_M
    height = np.zeros(x.shape)
    for _ in range(round(BUMPS_PER_100_M2 * width_m * height_m / 100.0)):
        at = random.uniform((0.0, 0.0), (width_m, height_m))
        reach, rise = random.uniform(0.35, 0.9), random.uniform(-0.04, 0.08)
        height += rise * np.exp(-(((x - at[0]) ** 2 + (y - at[1]) ** 2) / reach**2))
    return height


def roughness(smooth_share: Array) -> Array:
    """
    Lawn and survey roughness: swells and tufts of all sizes, bumps, and white noise.

    Parameters
    ----------
    smooth_share
        1 on paving, which is smoother, 0 on lawn; shape (rows, columns).
    """
    random = np.random.default_rng(SEED)

    def field(reach_m: float, deviation_m: float) -> Array:
        rough = gaussian_filter(random.standard_normal((ROWS, COLUMNS)), reach_m / CELL_M)
        return rough * (deviation_m / rough.std())

    swells = sum(field(*octave) for octave in LAWN_OCTAVES)
    x = (np.arange(COLUMNS) + 0.5) * CELL_M
    y = (np.arange(ROWS)[::-1] + 0.5) * CELL_M
    bumps = lawn_bumps(random, *np.meshgrid(x, y))
    white = 0.005 * random.standard_normal((ROWS, COLUMNS))
    return swells * (1.0 - 0.7 * smooth_share) + bumps * (1.0 - smooth_share) + white


def without_buildings(ground: Array, covered: NDArray[np.bool_]) -> Array:
    """
    Span the ground smoothly under buildings, as bare-earth filtering leaves it.

    The mean of the four neighbours, again and again: a soap film over the footprint.
    """
    result = ground.copy()
    for _ in range(3000):
        around = (
            np.roll(result, 1, 0) + np.roll(result, -1, 0)
            + np.roll(result, 1, 1) + np.roll(result, -1, 1)
        )  # fmt: skip
        result[covered] = 0.25 * around[covered]
    return result


def elevation(block: Block, covered: NDArray[np.bool_], paved: NDArray[np.bool_]) -> Array:
    """
    Elevation of every cell, rounded to a tenth of a millimetre.

    Not coarser: equal neighbours and equal slopes would be ties, and float32 metres and float32
    feet break ties differently.

    Parameters
    ----------
    block
        Where the block lies.
    covered, paved
        Cells under buildings and on paving; shape (rows, columns).
    """
    u, v = block.from_xy(*cell_points())
    ground = cell_means(bare_ground(u, v))
    ground = ground + roughness(gaussian_filter(paved.astype(np.float64), 0.7))
    return without_buildings(ground, covered).round(4)
