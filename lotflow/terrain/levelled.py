"""
Ground on which levels were taken on site: which of them count, and what the ground then is.

The one ground that map, catchments and single figures are taken from is the mean of the surfaces
that may be true given the levels: of the candidates it came nearest to the truth
(docs/methods.md, `tests/bench/bench_shots.py routed`). The measured raster is kept beside it.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from lotflow.findings import Finding
from lotflow.terrain.conditioning import (
    LEAST_VARIANCE_M2,
    REACH,
    ConditionedSurfaces,
    LevelledError,
    Places,
    conditioning,
    distances,
    places_on,
    reading_variance,
)
from lotflow.terrain.confidence import drawn_by_seed, random_stream
from lotflow.terrain.shots import LEAST_TIED, PHONE_M, Checked, Judged, foretold, judge, tie

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from lotflow.grid import BoolArray, FloatArray, Grid
    from lotflow.terrain.conditioning import Conditioning, Drawn
    from lotflow.terrain.level_error import ErrorModel, LevelError
    from lotflow.terrain.shots import LeftOut, Shots, Tie
    from lotflow.terrain.surface import Surface

#: Surfaces by which levels are judged.
_JUDGED_BY: Final = 48
#: Of the cells of open ground one in so many tells how far those surfaces lie apart.
_SPREAD_OF: Final = 9


@dataclass(frozen=True, eq=False)
class Levelled:
    """
    What levels taken on site make of a ground.

    Parameters
    ----------
    shots
        All of them.
    judged
        What is found of those that tell of the ground, `of` their positions among all.
    of
        See `judged`.
    used
        Which of all condition the ground.
    unplaced, without_ground
        Positions of those whose place is not known well enough, or that have no open ground there.
    tie
        Offset of the benchmark; None where none is needed or too few levels tell it.
    checked
        Levels that were only compared.
    ground
        Mean of the surfaces that may be true, shape of the grid, NaN where there is no elevation;
        as measured where no level tells anything [m].
    surfaces
        Those that may be true, given the levels; None where no level tells anything.
    conditioning
        What the levels do to any ground; None likewise.
    offset_m
        What levels of a benchmark of its own lie above `ground` in common; 0 without one [m].
    spread_share
        Standard deviation of the surfaces that may be true before any level, as a share of that
        of the elevation data: `ground` is their mean, and better than the data alone.
    """

    shots: Shots
    judged: Judged
    of: tuple[int, ...]
    used: BoolArray
    unplaced: tuple[int, ...]
    without_ground: tuple[int, ...]
    tie: Tie | None
    checked: tuple[Checked, ...]
    ground: FloatArray
    surfaces: Drawn | None
    conditioning: Conditioning | None
    offset_m: float = 0.0
    spread_share: float = 1.0

    def error(self, stated: LevelError, grid: Grid) -> LevelError:
        """
        Vertical error of `ground`: less than that of the elevation data, and least near levels.

        Parameters
        ----------
        stated
            Of the elevation data.
        grid
            Of the ground.
        """
        if self.conditioning is None:
            return stated
        share = self.spread_share
        return LevelledError(
            share * stated.rmse_m, stated.correlation_m, stated.white_share, grid,
            self.conditioning.of_better_ground(share), given=stated.given,
        )  # fmt: skip


def level_ground(
    surface: Surface, error: ErrorModel, shots: Shots, *, seed: int, apart: FloatArray | None = None
) -> Levelled:
    """
    Judge levels taken on site, and bring those that fit into the ground.

    Whether they fit is to be asked of `judged` before anything else is believed.

    Parameters
    ----------
    surface
        Ground as measured, walls and buildings.
    error
        Of the elevation data.
    shots
        On the ground's grid.
    seed
        Of the realisations: the surfaces by which levels are judged are the first of those.
    apart
        Standard deviation that is added to the error on each cell [m]; None for none.
    """
    places = places_on(shots.x, shots.y, surface)
    is_used = np.array([one == "yes" for one in shots.usage], dtype=bool)
    is_check = np.array([one == "check" for one in shots.usage], dtype=bool)
    stands = places.are_open & shots.is_placed
    # curbs tell nothing of the ground beside them, but make lines
    tells = stands & (shots.is_ground | np.array([bool(line) for line in shots.line], dtype=bool))
    judgeable = np.flatnonzero(stands & shots.is_ground & (is_used | is_check))
    drawn = drawn_by_seed(surface, error, seed, apart)
    some, at = shots.taken(judgeable.tolist()), places.taken(judgeable.tolist())
    expected, covariance, away, mean, spread = _foretold_ground(
        surface, error, some, at, drawn, seed
    )
    telling = np.flatnonzero(is_used[judgeable])
    inner = np.ix_(telling, telling)
    judged = judge(
        some.level_m[telling], expected[telling], covariance[inner], some.own_datum[telling],
        away[inner], _lines(some.taken(telling.tolist())),
    )  # fmt: skip
    used, beside = is_used & tells, np.ones(len(shots), dtype=bool)
    used[judgeable[telling]] = judged.kept
    for one in judged.left_out:
        if one.is_line:  # it is there as levelled, but tells nothing of the ground beside it
            which = judgeable[telling][list(one.which)]
            used[which], beside[which] = True, False
    believed = is_used[judgeable].copy()
    believed[telling] = judged.kept
    made = conditioning(
        shots.taken(np.flatnonzero(used).tolist()), surface, error, beside=beside[used]
    )
    if made is None:
        used[:] = False
    return Levelled(
        shots=shots, judged=judged, of=tuple(judgeable[telling].tolist()), used=used,
        unplaced=_positions(~shots.is_placed & (is_used | is_check)),
        without_ground=_positions(~places.are_open & shots.is_ground & (is_used | is_check)),
        tie=_tied(surface, error, some, at, away, believed),
        checked=_compared(
            some, judgeable, expected, covariance, believed, is_check[judgeable]
        ),
        ground=_corrected(surface, mean, made),
        surfaces=None if made is None else ConditionedSurfaces(drawn, made),
        conditioning=made,
        offset_m=0.0 if made is None else made.offset_in(mean),
        spread_share=min(spread / error.rmse_m, 1.0) if error.rmse_m > 0 else 1.0,
    )  # fmt: skip


def _lines(shots: Shots) -> list[tuple[int, ...]]:
    """Positions of the levels along each part of a line."""
    parts: dict[tuple[str, str], list[int]] = {}
    for i, part in enumerate(zip(shots.line, shots.line_part, strict=True)):
        if part[0]:
            parts.setdefault(part, []).append(i)
    return [tuple(part) for part in parts.values()]


def _positions(which: BoolArray) -> tuple[int, ...]:
    return tuple(int(i) for i in np.flatnonzero(which))


def _foretold_ground(
    surface: Surface, error: ErrorModel, shots: Shots, at: Places, drawn: Drawn, seed: int
) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray, float]:
    """
    Say what the data foretell at levels, how well, how far these are apart.

    Then the mean ground, and how far the surfaces lie from it.

    By surfaces that may be true: against the raster itself levels at low spots and lips, which
    were chosen for its noise, are off too often. The covariance is half that of the surfaces, half
    the likeness of the error between their deviations, since of few surfaces alone it is rough.
    """
    count, total = len(shots), np.zeros(surface.ground.shape)
    number = 1 if drawn.are_one else _JUDGED_BY
    some = np.flatnonzero(surface.bare & ~surface.missing)[::_SPREAD_OF]
    measured, squares = surface.ground.values.ravel()[some], np.zeros(some.size)
    levels = np.zeros((number, count))
    for i in range(number):
        one = drawn.draw(i, random_stream(seed, i + 1))
        levels[i] = at.read(one)
        total += one
        squares += (one.ravel()[some] - measured) ** 2
    off = total.ravel()[some] / number - measured
    far = math.sqrt(max(float((squares / number - off**2).mean()), 0.0)) if some.size else math.inf
    if not count:
        return levels[0], np.zeros((0, 0)), np.zeros((0, 0)), total / number, far
    reach = distances(at, surface, REACH * error.correlation_m)
    of_levels = np.diag(reading_variance(shots, at, surface) + LEAST_VARIANCE_M2)
    if number == 1:
        return levels[0], of_levels, reach.between, total, far
    own = np.cov(levels, rowvar=False).reshape(count, count)
    spread = np.sqrt(np.diag(own))
    likeness = spread[:, None] * error.likeness(reach.between) * spread
    covariance = (own + likeness) / 2
    values, vectors = np.linalg.eigh((covariance + covariance.T) / 2)
    covariance = (vectors * np.maximum(values, 0.0)) @ vectors.T
    return levels.mean(axis=0), covariance + of_levels, reach.between, total / number, far


def benchmark_tie(surface: Surface, error: ErrorModel, shots: Shots) -> Tie | None:
    """
    Tie a benchmark to the elevation data where nobody has said how it lies to them.

    Parameters
    ----------
    surface
        Ground as measured, walls and buildings.
    error
        Of the elevation data.
    shots
        Levels above that benchmark; those on hard ground that count tie it, less one that fits
        none of the others.

    Returns
    -------
    tie
        None where fewer than three are left.
    """
    places = places_on(shots.x, shots.y, surface)
    counts = np.array([one == "yes" for one in shots.usage], dtype=bool)
    hard = np.flatnonzero(
        counts & shots.own_datum & shots.is_hard & shots.is_placed & places.are_open
    )
    some, at = shots.taken(hard.tolist()), places.taken(hard.tolist())
    if len(some) < LEAST_TIED:
        return None
    reach = distances(at, surface, REACH * error.correlation_m)
    off, covariance = _off_the_raster(surface, error, some, at, reach.between)
    judged = judge(off, np.zeros(len(off)), covariance, some.own_datum, reach.between)
    kept = np.flatnonzero(judged.kept)
    return tie(off[kept], covariance[np.ix_(kept, kept)], some.own_datum[kept])


def _tied(
    surface: Surface,
    error: ErrorModel,
    shots: Shots,
    at: Places,
    away_m: FloatArray,
    believed: BoolArray,
) -> Tie | None:
    """Tie a benchmark of its own by the levels on hard ground that are believed."""
    hard = np.flatnonzero(believed & shots.is_hard)
    some, there = shots.taken(hard.tolist()), at.taken(hard.tolist())
    if not some.own_datum.any():
        return None
    off, covariance = _off_the_raster(surface, error, some, there, away_m[np.ix_(hard, hard)])
    return tie(off, covariance, some.own_datum)


def _off_the_raster(
    surface: Surface, error: ErrorModel, shots: Shots, at: Places, away_m: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """What levels are off from the elevation data, and the covariance of that."""
    off = shots.level_m - at.read(np.asarray(surface.ground.values, dtype=np.float64))
    shared = (1 - error.white_share) * error.likeness(away_m)
    alone = error.white_share * (at.weights**2).sum(axis=1)
    read = reading_variance(shots, at, surface) + LEAST_VARIANCE_M2
    return off, error.rmse_m**2 * (shared + np.diag(alone)) + np.diag(read)


def _compared(
    shots: Shots,
    of: NDArray[np.intp],
    expected: FloatArray,
    covariance: FloatArray,
    believed: BoolArray,
    is_check: BoolArray,
) -> tuple[Checked, ...]:
    """Compare levels that were only to be compared; `of` are the positions of all among all."""
    some = np.flatnonzero(believed | is_check)
    off, deviation = foretold(
        (shots.level_m - expected)[some], covariance[np.ix_(some, some)], shots.own_datum[some],
        believed[some],
    )  # fmt: skip
    told = some[~believed[some]]
    return tuple(
        Checked(int(of[i]), float(shots.level_m[i]), float(expected[i] + by), float(spread))
        for i, by, spread in zip(told.tolist(), off, deviation, strict=True)
    )


def _corrected(surface: Surface, mean: FloatArray, made: Conditioning | None) -> FloatArray:
    """Mean ground with the levels brought in: the mean of all updated; missing cells stay so."""
    ground = np.asarray(surface.ground.values, dtype=np.float64)
    if made is None:
        return ground
    return np.where(np.isnan(ground), np.nan, made.of(mean))


#: Source of the limits by which levels are judged.
_JUDGED: Final = "lotflow's rule: a false alarm in some three of a hundred visits (docs/methods.md)"
_PHONE: Final = "lotflow's rule: measured on invented ground (docs/methods.md)"


def shot_findings(levelled: Levelled) -> list[Finding]:
    """Say what levels taken on site are worth: what ties, fits, is left out, and compares."""
    shots, judged = levelled.shots, levelled.judged
    found = [
        Finding(
            "shots-used", "note", "shots", measured=float(levelled.used.sum()), unit="1",
            facts={"used": int(levelled.used.sum()), "of": len(shots),
                   "own_datum": bool((levelled.used & shots.own_datum).any()),
                   "offset_m": levelled.offset_m},
        )
    ]  # fmt: skip
    found += [_left_out_finding(levelled, one) for one in judged.left_out]
    if (levelled.used & shots.own_datum).any():
        found.append(_tie_finding(levelled))
    for i in levelled.unplaced:
        within = float(shots.placed_within_m[i])
        found.append(
            Finding(
                "shot-not-placed", "note", shots.names[i], measured=within, limit=PHONE_M, unit="m",
                source=_PHONE, x=float(shots.x[i]), y=float(shots.y[i]),
                facts={"within_m": within, "limit_m": PHONE_M},
            )
        )  # fmt: skip
    found += [
        Finding(
            "shot-without-ground", "warn", shots.names[i], x=float(shots.x[i]), y=float(shots.y[i])
        )
        for i in levelled.without_ground
    ]
    return found + [_compared_finding(shots, one) for one in levelled.checked]


def _left_out_finding(levelled: Levelled, one: LeftOut) -> Finding:
    """One level that fits nothing, or ground that has changed."""
    shots, which = levelled.shots, [levelled.of[i] for i in one.which]
    scores = {"score": one.score, "limit_score": one.limit}
    names = ", ".join(shots.names[i] for i in which)
    rule = "ground-changed" if one.is_ground else "shot-left-out"
    if one.is_line:
        rule, names = "line-not-in-data", shots.line[which[0]]
    return Finding(
        rule, "note" if one.is_line else "warn", names,
        measured=round(abs(one.off_m), 3), limit=round(abs(one.off_m) * one.limit / one.score, 3),
        unit="m", source=_JUDGED, x=float(shots.x[which].mean()), y=float(shots.y[which].mean()),
        facts={"off_m": one.off_m} | ({"shots": len(which)} if one.is_ground else scores)
        | ({"part": shots.line_part[which[0]]} if one.is_line else {}),
    )  # fmt: skip


def _tie_finding(levelled: Levelled) -> Finding:
    """The offset of a benchmark of its own, or that it is not known."""
    found = levelled.tie
    if found is None:
        return Finding("shots-not-tied", "note", "shots", limit=float(LEAST_TIED), unit="1",
                       source=_JUDGED, facts={"least": LEAST_TIED})  # fmt: skip
    return Finding(
        "shots-tied", "note", "shots", measured=round(found.deviation_m, 3), unit="m",
        facts={"offset_m": found.offset_m, "deviation_m": found.deviation_m,
               "levels": found.levels},
    )  # fmt: skip


def _compared_finding(shots: Shots, one: Checked) -> Finding:
    """A level that was only compared: whether it lies in its interval."""
    i, off = one.which, one.level_m - one.expected_m
    return Finding(
        "shot-compared", "note" if one.is_held or not np.isfinite(off) else "warn", shots.names[i],
        measured=None if np.isnan(off) else round(abs(off), 3),
        limit=None if np.isnan(off) else round(1.645 * one.deviation_m, 3), unit="m",
        source="interval that holds nine in ten", x=float(shots.x[i]), y=float(shots.y[i]),
        facts={"off_m": off, "reach_m": 1.645 * one.deviation_m, "is_held": one.is_held,
               "is_told": bool(np.isfinite(off))},
    )  # fmt: skip
