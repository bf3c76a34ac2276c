"""Many realisations of the true surface: how sure low spots, catchments and falls are."""

from __future__ import annotations

import math
import os
from collections import deque
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from functools import reduce
from threading import Event
from typing import TYPE_CHECKING, Final

import numpy as np

from lotflow.errors import ParameterError
from lotflow.terrain.drainage import LEVEL_STEP
from lotflow.terrain.loops.ways import (
    count_labels,
    sums_by_label,
    water_in_outlines,
)
from lotflow.terrain.surface import open_levels

if TYPE_CHECKING:
    from collections.abc import Iterator

    from numpy.typing import NDArray

    from lotflow.grid import FloatArray, Grid, IntArray
    from lotflow.terrain.conditioning import Drawn
    from lotflow.terrain.level_error import ErrorModel
    from lotflow.terrain.realisations.likely_surfaces import LikelySurfaces
    from lotflow.terrain.realisations.realisation import Realisation, RealisationPlan
    from lotflow.terrain.surface import Surface

#: Shares of realisations below the lower bound, the middle and the upper bound of an interval.
SHARES: Final = (0.05, 0.50, 0.95)
#: Of fewer surfaces none is the 5th of 100.
FEWEST: Final = 20
#: Standard deviations to either side that hold 95 % of a normal distribution.
_SPREAD_95: Final = 1.96


@dataclass(frozen=True, eq=False)
class Watched:
    """
    What is measured in every realisation.

    Parameters
    ----------
    low_spot
        Number of the low spot on each cell of the measured surface, from 1; 0 where there is
        none.
    weight
        What enters the flow at each cell and is summed up per inlet, such as coefficient times
        area; None where nothing is.
    places
        Flat indices of cells whose level is wanted.
    """

    low_spot: IntArray
    low_spots: int
    weight: FloatArray | None
    places: NDArray[np.int64]


@dataclass(frozen=True, eq=False)
class Realised:
    """
    What all realisations show; the first axis of an array is the realisation.

    Parameters
    ----------
    depth
        Greatest depth of water within the outline of each low spot when all are full [m].
    volume
        Water within that outline, depth times cells [m].
    cells
        Cells of each inlet's catchment.
    intake
        Sum of the weights that reach each inlet.
    level
        Level of each place that was asked for [m].
    hits
        Shape (inlets, rows, columns): in how many realisations a cell drains to each inlet.
    """

    depth: FloatArray
    volume: FloatArray
    cells: FloatArray
    intake: FloatArray
    level: FloatArray
    hits: NDArray[np.uint16]

    @property
    def number(self) -> int:
        """How many realisations there are."""
        return len(self.cells)

    def standing_share(self, limit_m: float) -> FloatArray:
        """
        Share of realisations in which each low spot stands.

        It stands where water stands at least as deep as the limit within the outline that the
        low spot has on the measured surface.

        Parameters
        ----------
        limit_m
            Smallest depth that counts [m].
        """
        return np.asarray((self.depth >= limit_m - LEVEL_STEP).mean(axis=0))

    def standing(self, limit_m: float) -> tuple[FloatArray, FloatArray]:
        """
        Depth and volume of each low spot: 0 in the realisations in which it does not exist.

        Some millimetres of water stand in every dip of a rough surface. Counted as depth they
        would keep an interval from saying that there may be no low spot at all.

        Parameters
        ----------
        limit_m
            As for `standing_share` [m].

        Returns
        -------
        depth, volume
            Like those of the realisations [m].
        """
        exists = self.depth >= limit_m - LEVEL_STEP
        return np.where(exists, self.depth, 0.0), np.where(exists, self.volume, 0.0)

    def draining(self) -> FloatArray:
        """Share of realisations in which a cell drains to each inlet: (inlets, rows, columns)."""
        return np.asarray(self.hits / self.number)

    def most_likely(self) -> tuple[IntArray, FloatArray]:
        """
        Inlet to which each cell drains most often, and in what share of the realisations.

        Returns
        -------
        inlet
            Shape of the grid: number of the inlet, 0 where it most often drains to none; of
            equal ones none first, then the first.
        share
            Shape of the grid.
        """
        none = self.number - self.hits.sum(axis=0, dtype=np.int64)
        votes = np.concatenate([none[None], self.hits])
        return votes.argmax(axis=0).astype(np.int32), np.asarray(votes.max(axis=0) / self.number)

    def fall(self, first: int, second: int) -> FloatArray:
        """
        Fall from one place to another in each realisation [m].

        Parameters
        ----------
        first, second
            Positions in the list of places.
        """
        return np.asarray(self.level[:, first] - self.level[:, second])


def interval(values: FloatArray) -> FloatArray:
    """
    Lower bound, middle and upper bound of what realisations show.

    Parameters
    ----------
    values
        The first axis is the realisation.

    Returns
    -------
    bounds
        First axis: values below which the next realisation would be 5, 50 and 95 times of 100.
        That is a little wider than the shares of the realisations at hand: of few, the outermost
        are not as far out as of many.

    References
    ----------
    Weibull (1939), The phenomenon of rupture in solids: the value of rank k of n is exceeded
    with probability 1 - k / (n + 1); from memory.

    Examples
    --------
    >>> interval(np.arange(99.0))
    array([ 4., 49., 94.])
    """
    return np.asarray(np.quantile(values, SHARES, axis=0, method="weibull"))


def bounds_of(values: FloatArray, error: ErrorModel) -> FloatArray:
    """
    Lower bound, middle and upper bound; of few realisations the middle alone.

    Parameters
    ----------
    values
        The first axis is the realisation.
    error
        Of the elevation data; where there is none, one realisation is all there is to know.

    Returns
    -------
    bounds
        As `interval` gives them, the outer ones NaN where there are fewer than 20.

    Examples
    --------
    >>> from lotflow.terrain.level_error import ErrorModel
    >>> bounds_of(np.array([1.0, 2.0, 6.0]), ErrorModel(0.1, 10.0, 0.1))
    array([nan,  2., nan])
    >>> bounds_of(np.array([2.0]), ErrorModel(0.0, 10.0, 0.1))
    array([2., 2., 2.])
    """
    bounds = interval(values)
    if len(values) < FEWEST and not error.is_none:
        bounds[[0, -1]] = np.nan
    return bounds


def half_width(realisations: int, probability: float = 0.5) -> float:
    """
    How far a share of realisations may be from the share of endlessly many, 95 times of 100.

    Parameters
    ----------
    probability
        The share; 0.5 is the worst case.

    References
    ----------
    Half width of the interval of a binomial share, normal approximation: any textbook of
    statistics, from memory.

    Examples
    --------
    >>> half_width(100), half_width(400)
    (0.098, 0.049)
    """
    if realisations < 1:
        raise ParameterError(f"no share follows from {realisations} realisations.")
    return _SPREAD_95 * math.sqrt(probability * (1 - probability) / realisations)


def realisations_for(precision: float) -> int:
    """
    How many realisations give shares of a precision, see `half_width`.

    Parameters
    ----------
    precision
        How far a share may be off, 95 times of 100.

    Examples
    --------
    >>> realisations_for(0.05), half_width(385)
    (385, 0.049945...)
    """
    if not 0 < precision < 1:
        raise ParameterError(f"a precision is between 0 and 1, not {precision}.")
    return math.ceil((_SPREAD_95 / 2 / precision) ** 2)


def run_realisations(
    plan: RealisationPlan,
    error: ErrorModel,
    watched: Watched,
    *,
    number: int,
    seed: int,
    workers: int | None = None,
    surfaces: Drawn | None = None,
    apart: FloatArray | None = None,
) -> Realised:
    """
    Draw surfaces that may be true and follow the water on each.

    Parameters
    ----------
    plan
        What all realisations have in common.
    number
        How many are drawn; without any error one is enough, and one is run.
    seed
        Of the random numbers: the same seed gives the same result, bit by bit, whatever the
        number of workers.
    workers
        Threads; by default one per processor that may be used.
    surfaces
        Those that may be true, where levels were taken on site: of `level_ground` with the same
        seed. By default they are drawn from the plan's own ground alone.
    apart
        Standard deviation that is added to the error on each cell [m]; None for none.

    Raises
    ------
    ParameterError
        If no realisation is asked for, or more than can be counted.
    """
    if not 1 <= number < np.iinfo(np.uint16).max:
        raise ParameterError(f"{number} realisations cannot be run: ask for 1 to 65,534.")
    surface, stop = plan.surface, Event()
    drawn = surfaces or _drawn(plan.measured, surface.ground.cell_m, error, seed, apart)
    number = 1 if drawn.are_one else number
    workers = min(number, workers or _processors())
    # whoever is done takes the next: a processor may be slower, or have other work to do. It does
    # not matter who computes which, since every realisation has random numbers of its own, and
    # only whole numbers are summed up across realisations
    waiting = deque(drawn.in_turn(number))

    def run(_: int) -> tuple[dict[int, _Row], NDArray[np.uint16]]:
        with _stopping_all(stop):
            return _run(plan, drawn, watched, waiting, seed, stop)

    with ThreadPoolExecutor(workers) as pool, _stopping_all(stop):
        runs = list(pool.map(run, range(workers)))
    found = {position: row for rows, _ in runs for position, row in rows.items()}
    depth, volume, cells, intake, level = (
        np.array(column)
        for column in zip(*(found[position] for position in range(number)), strict=True)
    )
    hits = reduce(np.add, (hits for _, hits in runs)).reshape(-1, *surface.ground.shape)
    return Realised(depth, volume, cells, intake, level, hits)


def drawn_by_seed(
    surface: Surface, error: ErrorModel, seed: int, apart: FloatArray | None = None
) -> LikelySurfaces:
    """Surfaces that may be true of a ground as measured, as realisations of that seed draw them."""
    return _drawn(open_levels(surface.ground), surface.ground.cell_m, error, seed, apart)


def _drawn(
    measured: FloatArray, cell_m: float, error: ErrorModel, seed: int, apart: FloatArray | None
) -> LikelySurfaces:
    # a study without realisations does without what draws and follows them
    from lotflow.terrain.realisations.likely_surfaces import likely_surfaces  # noqa: PLC0415

    return likely_surfaces(measured, error, cell_m, random_stream(seed, 0), apart)


#: Of the environment: threads that realisations may take where several processes run at once.
THREADS: Final = "LOTFLOW_THREADS"


def surfaces_off(
    grid: Grid, error: ErrorModel, seed: int, number: int, surfaces: Drawn | None = None,
    apart: FloatArray | None = None,
) -> Iterator[FloatArray]:  # fmt: skip
    """
    How much higher than a ground each of some surfaces lies that may be true [m].

    Parameters
    ----------
    grid
        Ground without earthworks, as measured or as levels make it [m].
    error
        Of the elevation data; without any there is nothing to ask.
    seed, number
        Of the random numbers, and how many surfaces: the first of the realisations of that seed.
    surfaces
        Those that may be true, where levels were taken on site.
    apart
        Standard deviation that is added to the error on each cell [m]; None for none.
    """
    if error.is_none:
        return
    measured = open_levels(grid)
    drawn = surfaces or _drawn(measured, grid.cell_m, error, seed, apart)
    for position in range(number):
        yield drawn.draw(position, random_stream(seed, position + 1)) - measured


def _processors() -> int:
    """Processors that this process may use."""
    if (told := os.environ.get(THREADS, "")).isdecimal() and int(told) > 0:
        return int(told)
    if hasattr(os, "sched_getaffinity"):
        return len(os.sched_getaffinity(0))
    return os.cpu_count() or 1


def random_stream(seed: int, stream: int) -> np.random.Generator:
    """Random numbers of one realisation, counted from 1; 0 is what all have in common."""
    return np.random.Generator(np.random.SFC64(np.random.SeedSequence((seed, stream))))


_Row = tuple["FloatArray", "FloatArray", "FloatArray", "FloatArray", "FloatArray"]


@contextmanager
def _stopping_all(stop: Event) -> Iterator[None]:
    """Have whatever stops one thread stop all: else it would be told when the last has ended."""
    try:
        yield
    except BaseException:
        stop.set()
        raise


def _run(
    plan: RealisationPlan,
    drawn: Drawn,
    watched: Watched,
    waiting: deque[int],
    seed: int,
    stop: Event,
) -> tuple[dict[int, _Row], NDArray[np.uint16]]:
    """Run realisations until none waits; of each a row of `Realised`, and the counts of all."""
    from lotflow.terrain.realisations.realisation import realise  # noqa: PLC0415 - as above

    hits = np.zeros((len(plan.inlets), plan.surface.missing.size), dtype=np.uint16)
    rows = {}
    for position in _taken_from(waiting):
        if stop.is_set():
            break
        elevation = plan.edit(drawn.draw(position, random_stream(seed, position + 1)))
        # of the ground itself: walls and buildings are put on for the water alone
        level = np.asarray(elevation, dtype=np.float64).ravel()[watched.places]
        rows[position] = _measured(plan, realise(plan, elevation), watched, level, hits)
    return rows, hits


def _taken_from(waiting: deque[int]) -> Iterator[int]:
    """Take one after the other of what waits, which threads may share, until nothing does."""
    with suppress(IndexError):
        while True:
            yield waiting.popleft()


def _measured(
    plan: RealisationPlan,
    found: Realisation,
    watched: Watched,
    level: FloatArray,
    hits: NDArray[np.uint16],
) -> _Row:
    """Measure one realisation; adds to the counts."""
    surface, inlets = plan.surface, len(plan.inlets)
    depth, volume = water_in_outlines(
        found.ground, found.natural_level, watched.low_spot.ravel(), watched.low_spots
    )
    share = np.where(surface.missing | surface.piped, 0.0, surface.share).ravel()
    cells = count_labels(found.label, surface.landing.ravel(), share, inlets, hits)
    weight = watched.weight
    return (
        depth.astype(np.float64) * LEVEL_STEP,
        volume.astype(np.float64) * LEVEL_STEP,
        cells,
        np.zeros(0) if weight is None else sums_by_label(found.label, weight.ravel(), inlets),
        level,
    )
