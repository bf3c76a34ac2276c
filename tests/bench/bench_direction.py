"""
How well catchments of channel drains keep to the exact ones: strips of planes, sectors of cones.

Run: python tests/bench/bench_direction.py [planes]. Both shapes are exact by geometry: above a line
on a plane lies a strip, above an arc of a cone a sector. Drains, planes and azimuths are drawn from
seed 0. Beside the rule of record (D8-LTD) stand the steepest neighbour, and for cones the area by
D-infinity (Tarboton 1997), which splits the flow, and other ways to hand the deviation on, in plain
Python written here. Prints tables; docs/methods.md holds their figures. Nothing is judged here.
"""

import sys

import numpy as np
import shapely
from affine import Affine

from lotflow.grid import Grid
from lotflow.terrain import drainage, kernels
from lotflow.terrain.inlet_places import DrawnInlet, drains_of, place_inlets
from lotflow.terrain.routing import no_drains, route
from lotflow.terrain.surface import prepare_surface

CELLS_M = (1.0, 0.5, 0.25)
HALF_M = 30.0
#: Facets of D-infinity: two neighbours as (row, column) steps, the straight one first.
FACETS = [((0, 1), (-1, 1)), ((-1, 0), (-1, 1)), ((-1, 0), (-1, -1)), ((0, -1), (-1, -1)),
          ((0, -1), (1, -1)), ((1, 0), (1, -1)), ((1, 0), (1, 1)), ((0, 1), (1, 1))]  # fmt: skip


def centres(cell):
    """Places of the cells of a square of twice HALF_M round the origin."""
    count = round(2 * HALF_M / cell)
    at = (np.arange(count) + 0.5) * cell - HALF_M
    return np.meshgrid(at, -at)


def ring(shape):
    rim = np.ones(shape, dtype=bool)
    rim[1:-1, 1:-1] = False
    return rim


def strip(rule, cell, draw):
    """Overlap of the catchment of one random channel drain on one random plane with its strip."""
    turn, slope, length, across, x0, y0 = draw
    up = np.array([np.cos(turn), np.sin(turn)])
    along = np.array([np.cos(turn + across), np.sin(turn + across)])
    x, y = centres(cell)
    transform = Affine(cell, 0, -HALF_M, 0, -cell, HALF_M)
    grid = Grid(50 + slope * (up[0] * x + up[1] * y), transform, None)
    ends = np.array([[x0, y0] - along * length / 2, [x0, y0] + along * length / 2])
    surface = prepare_surface(grid)
    base = route(surface, no_drains(surface), rule=rule)
    placed = place_inlets([DrawnInlet("channel", shapely.LineString(ends))], surface)
    drains, _ = drains_of(placed, surface, base.drains.culverts)
    found = route(surface, drains, rule=rule).label == 1
    far = 4 * HALF_M * up
    exact = shapely.contains_xy(shapely.Polygon([*ends, ends[1] + far, ends[0] + far]), x, y)
    exact &= ~ring(exact.shape)
    return (found & exact).sum() / (found | exact).sum()


def planes(number):
    """Overlaps over random planes: least, middle, greatest."""
    random = np.random.default_rng(0)
    draws = [
        (random.uniform(0, 2 * np.pi), random.uniform(0.01, 0.08), random.uniform(6, 15),
         np.radians(random.uniform(30, 150)), *random.uniform(-8, 8, 2))
        for _ in range(number)
    ]  # fmt: skip
    print(f"overlap with the exact strip, {number} planes: least, 5 %, middle, greatest")
    for rule in ("ltd", "steepest"):
        for cell in CELLS_M:
            found = [strip(rule, cell, draw) for draw in draws]
            print(f"  {rule:<9}{cell:5.2f} m ", np.quantile(found, [0, 0.05, 0.5, 1]).round(2))


#: Other ways to keep the deviation small: share that is kept, and whose deviation is handed on.
MEMORIES = {
    "plain ltd": (1.0, "largest"), "lambda 0.5": (0.5, "largest"), "lambda 0": (0.0, "largest"),
    "smallest": (1.0, "smallest"), "mean": (1.0, "mean"),
}  # fmt: skip


def cone_area(cell, azimuth, width, rule, shape):
    """Area of a sector by a rule, as a share of the exact one, less 1."""
    x, y = centres(cell)
    away = np.hypot(x, y)
    turned = (np.degrees(np.arctan2(x, y)) - azimuth + 180) % 360 - 180
    sector = np.abs(turned) < width / 2
    if shape == "cone":  # falls outward; the drain is an arc, the sector lies within it
        radius, elevation = 0.8 * HALF_M, 50 - 0.05 * away
        number = (sector & (np.abs(away - radius) < cell)).astype(np.int32)
        zone = away < radius - cell
    else:  # a funnel falls inward; all within the arc drains
        radius, elevation = 0.33 * HALF_M, 50 + 0.05 * away
        number = np.where(away > radius, 0, np.where(sector, 1, 2)).astype(np.int32)
        zone = (away > radius) & (away < HALF_M - 2)
    drain = ring(elevation.shape) | (number > 0)
    if rule == "d-infinity":
        found = d_infinity(elevation, number == 1, drain)
    elif rule in MEMORIES:
        found = least_deviation(elevation, number == 1, drain, *MEMORIES[rule])
    else:
        filled = kernels.priority_flood(elevation, drain)
        found = drainage.flow_field(filled, drain, rule=rule).labels(number) == 1
    return float(found[zone].sum() / (sector & zone).sum() - 1)


def steepest_facet(elevation, row, column):
    """Ways to both neighbours of the steepest facet, its angle from the straight one, its sense."""
    steepest, found = 0.0, None
    here = elevation[row, column]
    for place, ((r1, c1), (r2, c2)) in enumerate(FACETS):
        first, second = elevation[row + r1, column + c1], elevation[row + r2, column + c2]
        along, across = here - first, first - second
        angle = min(max(np.arctan2(across, along), 0.0), np.pi / 4)
        slope = along * np.cos(angle) + across * np.sin(angle)
        if slope > steepest:
            steepest, found = slope, ((r1, c1), (r2, c2), angle, (1, -1)[place % 2])
    return found


def least_deviation(elevation, target, drain, kept, memory):
    """Cells that drain to the target, each by the neighbour that keeps its path true."""
    flow, deviation = np.zeros(elevation.shape), np.zeros(elevation.shape)
    weight = np.zeros(elevation.shape)
    way = {}
    order = [divmod(int(i), elevation.shape[1]) for i in np.argsort(-elevation, axis=None)]
    for at in order:
        if drain[at]:
            continue
        facet = steepest_facet(elevation, *at)
        if facet is None:
            continue
        straight, diagonal, angle, sense = facet
        inherited = kept * deviation[at] / (weight[at] if memory == "mean" and weight[at] else 1)
        left = inherited - sense * np.sin(angle)
        right = inherited + sense * (np.cos(angle) - np.sin(angle))
        step, off = (straight, left) if abs(left) <= abs(right) else (diagonal, right)
        way[at] = below = at[0] + step[0], at[1] + step[1]
        share = flow[at] + 1
        flow[below] += share
        if memory == "mean":
            deviation[below] += share * off
            weight[below] += share
        elif not weight[below] or (
            share > weight[below] if memory == "largest" else abs(off) < abs(deviation[below])
        ):
            deviation[below], weight[below] = off, share
    found = target.copy()
    for at in reversed(order):
        if at in way:
            found[at] = found[way[at]]
    return found


def d_infinity(elevation, target, drain):
    """Share of each cell's water that reaches the target, cell by cell from low to high."""
    share = target.astype(float)
    columns = elevation.shape[1]
    for flat in np.argsort(elevation, axis=None):
        row, column = divmod(int(flat), columns)
        if drain[row, column]:
            continue
        facet = steepest_facet(elevation, row, column)
        if facet is not None:
            (r1, c1), (r2, c2), angle, _ = facet
            part = angle / (np.pi / 4)
            share[row, column] = (1 - part) * share[row + r1, column + c1]
            share[row, column] += part * share[row + r2, column + c2]
    return share


def cones(width=15.0):
    """Errors of sectors of all azimuths."""
    print(f"area of a sector of {width:g} degrees, all azimuths: root mean square, greatest error")
    for shape in ("cone", "funnel"):
        rules = {"ltd": (*CELLS_M, 0.125), "steepest": CELLS_M, "d-infinity": CELLS_M[:2]}
        for rule, cells in (rules | dict.fromkeys(MEMORIES, CELLS_M[:2])).items():
            azimuths = range(0, 360, 3) if rule in ("ltd", "steepest") else (9, 18, 27, 36, 72)
            for cell in cells:
                found = np.array([cone_area(cell, a, width, rule, shape) for a in azimuths])
                at = cone_area(cell, 72, width, rule, shape)
                print(f"  {shape:<7}{rule:<11}{cell:6.3f} m  rms {np.sqrt((found**2).mean()):.3f}"
                      f"  most {np.abs(found).max():.3f}  at 72 degrees {at:+.3f}")  # fmt: skip


if __name__ == "__main__":
    planes(int(sys.argv[1]) if len(sys.argv) > 1 else 60)
    cones()
