"""
Levels taken on site, as plain numbers: what they are tied to, and which of them are believed.

All of it compares what was read with what the elevation data foretell, under the covariance of
what is not known of both. Levels of a benchmark of its own share one unknown offset: whatever it
explains counts for nothing, which is the limit of an offset known to any very large deviation.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, fields
from typing import TYPE_CHECKING, Any, Final, Literal

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from lotflow.grid import BoolArray, FloatArray

#: How the numbers written down may be meant.
Reading = Literal["as written", "rod readings for levels", "feet for metres", "metres for feet"]

#: A position known no better than this, as of a phone, does not condition [m].
PHONE_M: Final = 3.0
#: Surfaces that stay where they are: their levels tie a benchmark to the elevation data.
HARD_KINDS: Final = frozenset({"hard", "gutter", "rim"})
#: What is not the level of the ground at its place: thresholds, pipes, water, marks on walls.
NOT_GROUND: Final = frozenset({"sill", "invert", "water mark", "benchmark"})
#: What stands above the ground beside it by less than a cell shows: told by lines alone.
CREST_KINDS: Final = frozenset({"curb top"})
#: Fewer levels on hard ground tie nothing.
LEAST_TIED: Final = 3
#: Of fewer levels none can be named as the wrong one.
LEAST_NAMED: Final = 4
#: Chance of a false alarm of each test, for one wrong level and for changed ground, were surfaces
#: normal: in truth it is up to ten times as large (docs/methods.md).
ALARM: Final = 0.003
#: Levels that fit the ground with less than this probability are not believed.
LEAST_FIT: Final = 0.001
#: Chi-square by which another reading of the numbers must be better.
BETTER_BY: Final = 10.0
#: Levels so near to one another may tell together that the ground has changed [m].
GROUP_M: Final = 8.0
#: Share of the levels that changed ground may hold: more are no group beside the others.
_MOST_CHANGED: Final = 1 / 3
#: What each further level that had to be left out counts for against the numbers as written.
_EACH_FURTHER: Final = 4.0
_FEET: Final = 0.3048


@dataclass(frozen=True, eq=False)
class Shots:
    """
    Levels taken on site, one after the other.

    Parameters
    ----------
    names
        As written.
    x, y
        In units of the CRS.
    level_m
        In the raster's vertical reference, or above the benchmark of their own [m].
    deviation_m
        Standard deviation of the level itself, of instrument and kind of ground [m].
    placed_within_m
        How well the place is known, a standard deviation along each axis [m].
    own_datum
        Whether it is from a benchmark of its own: one offset, unknown, for all of them.
    line, line_part, line_rank, line_depth_m
        The line it is a point of, which part of it ("bed", "lip"), its place along it, and how
        deep a bed lies below its lips [m]; "" and NaN where there is none.
    usage
        "yes", "check" for a level that is only compared, or "no".
    surface_kind
        What the rod stood on: "hard", "lawn", "planting", "gutter", "curb top", "rim", "sill",
        "invert", "water mark", "benchmark".
    """

    names: tuple[str, ...]
    x: FloatArray
    y: FloatArray
    level_m: FloatArray
    deviation_m: FloatArray
    placed_within_m: FloatArray
    own_datum: BoolArray
    line: tuple[str, ...]
    line_part: tuple[str, ...]
    line_rank: FloatArray
    line_depth_m: FloatArray
    usage: tuple[str, ...]
    surface_kind: tuple[str, ...]

    def __len__(self) -> int:
        """How many there are."""
        return len(self.names)

    def taken(self, which: Sequence[int]) -> Shots:
        """Give some of them, by position."""
        some = list(which)
        columns: dict[str, Any] = {}
        for one in fields(self):
            column = getattr(self, one.name)
            is_text = isinstance(column, tuple)
            columns[one.name] = tuple(column[i] for i in some) if is_text else column[some]
        return Shots(**columns)

    @property
    def is_hard(self) -> BoolArray:
        """Whether the rod stood on ground that stays where it is."""
        return np.array([kind in HARD_KINDS for kind in self.surface_kind], dtype=bool)

    @property
    def is_placed(self) -> BoolArray:
        """Whether the place is known well enough to tell of the ground there."""
        return np.asarray(self.placed_within_m < PHONE_M)

    @property
    def is_ground(self) -> BoolArray:
        """Whether the level is that of the ground."""
        return np.array(
            [kind not in NOT_GROUND and kind not in CREST_KINDS for kind in self.surface_kind],
            dtype=bool,
        )


# ------------------------------------------------------------------ an offset not known


def precision(covariance: FloatArray, own: BoolArray | FloatArray) -> FloatArray:
    """
    Inverse of a covariance, without what an offset of their own explains.

    Parameters
    ----------
    covariance
        Of levels, symmetric, positive definite [m^2].
    own
        Which of them share the unknown offset.

    Returns
    -------
    weights
        (C + b^2 h h')^-1 for b without bounds, where h is 1 for those and 0 for the others.

    References
    ----------
    Woodbury's identity in the limit; any textbook of linear models, from memory.

    Examples
    --------
    >>> precision(np.diag([0.5, 0.5]), np.array([True, True]))
    array([[ 1., -1.],
           [-1.,  1.]])
    """
    inverse = np.linalg.inv(covariance)
    inverse = (inverse + inverse.T) / 2
    if not own.any():
        return np.asarray(inverse)
    common = inverse @ own.astype(float)
    return np.asarray(inverse - np.outer(common, common) / (own @ common))


def offset_weights(covariance: FloatArray, own: BoolArray | FloatArray) -> FloatArray:
    """
    What each difference counts for in the offset of the benchmark, by generalised least squares.

    Zeros where none is of such a benchmark.
    """
    if not own.any():
        return np.zeros(len(own))
    common = np.linalg.solve(covariance, own.astype(float))
    return np.asarray(common / (own @ common))


@dataclass(frozen=True)
class Tie:
    """
    Offset of a benchmark to the elevation data.

    Parameters
    ----------
    offset_m
        To be taken from levels above the benchmark to have those of the data [m].
    deviation_m
        Its standard deviation [m].
    levels
        On how many levels on hard ground it rests.
    """

    offset_m: float
    deviation_m: float
    levels: int

    @property
    def zero_m(self) -> float:
        """Where levels of 0 above the benchmark lie in the elevation data [m]."""
        return -self.offset_m


def tie(off_m: FloatArray, covariance: FloatArray, own: BoolArray) -> Tie | None:
    """
    Tie a benchmark to the elevation data, by levels on hard ground.

    Parameters
    ----------
    off_m
        Levels less the ground of the data at their places [m].
    covariance
        Of that difference: the error of the data, shared by neighbours, and of the levels [m^2].
    own
        Which are of that benchmark; the others help as far as they are near.

    Returns
    -------
    tie
        None with fewer than three levels of the benchmark. The mean of n levels is no better
        known than the error that they share, which s/sqrt(n) hides.

    References
    ----------
    Generalised least squares: Aitken (1936), On least squares and linear combination of
    observations, from memory.

    Examples
    --------
    >>> found = tie(np.array([3.1, 3.3, 3.2]), 0.01 * np.eye(3), np.ones(3, dtype=bool))
    >>> round(found.offset_m, 3), round(found.deviation_m, 4)
    (3.2, 0.0577)
    """
    count = int(own.sum())
    if count < LEAST_TIED:
        return None
    weights = offset_weights(covariance, own)
    deviation = math.sqrt(1.0 / float(own @ np.linalg.solve(covariance, own.astype(float))))
    return Tie(float(weights @ off_m), deviation, count)


# ------------------------------------------------------------------ which are believed


@dataclass(frozen=True)
class LeftOut:
    """
    Levels that are not believed.

    Parameters
    ----------
    which
        Their positions.
    off_m
        By how much they are off from what data and the other levels foretell [m].
    score
        The same over its deviation.
    limit
        Of the score.
    is_line
        Whether they are those of a line, which may be younger than the data or too thin for them.
    """

    which: tuple[int, ...]
    off_m: float
    score: float
    limit: float
    is_line: bool = False

    @property
    def is_ground(self) -> bool:
        """Whether several tell the same, so that it is the ground that has changed."""
        return len(self.which) > 1


@dataclass(frozen=True, eq=False)
class Judged:
    """
    Whether levels fit the elevation data.

    Parameters
    ----------
    kept
        Which are believed.
    left_out
        Those that are not, the worst first.
    chi_square, freedom
        What the believed ones are off by in all, and of how many degrees of freedom.
    probability
        That levels which are right are off by so much.
    readings, freedom_of_all
        Chi-square of all levels by each way to read the numbers, and its degrees of freedom.
    """

    kept: BoolArray
    left_out: tuple[LeftOut, ...]
    chi_square: float
    freedom: int
    probability: float
    readings: Mapping[Reading, float]
    freedom_of_all: int

    @property
    def reading(self) -> Reading:
        """How the numbers are meant: as written, unless another reading is better by far."""
        likeliest = min(self.readings, key=lambda one: self.readings[one])
        # what had to be left out counts against the numbers as written; but to take them for feet
        # makes any fault smaller, whatever its cause
        further = sum(len(one.which) - 1 for one in self.left_out)
        burden = BETTER_BY * len(self.left_out) + _EACH_FURTHER * further
        shrinks = likeliest == "feet for metres" and bool(self.left_out)
        margin = BETTER_BY * (1 + shrinks)
        is_better = self.readings[likeliest] + margin < self.chi_square + burden
        is_one = _beyond(self.readings[likeliest], self.freedom_of_all) >= LEAST_FIT
        return likeliest if is_better and is_one else "as written"

    @property
    def fits(self) -> bool:
        """Whether those that are left can be believed."""
        return self.reading == "as written" and self.probability >= LEAST_FIT


def judge(
    level_m: FloatArray,
    expected_m: FloatArray,
    covariance: FloatArray,
    own: BoolArray,
    away_m: FloatArray,
    lines: Sequence[tuple[int, ...]] = (),
) -> Judged:
    """
    Find which levels fit what the elevation data foretell, and which do not.

    One level at most is named as wrong, one group of neighbours as ground that has changed, and
    any line as one that the data do not show: each by what it is off from what all others foretell,
    the likeliest first.

    Parameters
    ----------
    level_m, expected_m
        As read, and as foretold [m].
    covariance
        Of their difference [m^2].
    own
        Which are above a benchmark whose offset is not known.
    away_m
        Distances between them [m].
    lines
        Positions of those along each part of a line.

    References
    ----------
    Leave-one-out residuals by the inverse covariance: Baarda (1968), A testing procedure for use
    in geodetic networks; Bonferroni's bound. Both from memory.
    """
    kept = np.ones(len(level_m), dtype=bool)
    left_out: list[LeftOut] = []
    off = level_m - expected_m
    open_lines = [set(line) for line in lines if len(line) > 1]
    while True:
        singles: list[tuple[int, ...]] = [(i,) for i in range(len(off))]
        singles = singles if not _has(left_out, ground=False) else []
        groups = _groups(away_m, kept) if not _has(left_out, ground=True) else []
        courses = [tuple(i for i in sorted(line) if kept[i]) for line in open_lines]
        tried: list[tuple[list[tuple[int, ...]], bool]] = [
            (singles, False),
            (groups, False),
            (courses, True),
        ]
        worst = _worst(off, covariance, own, kept, tried)
        if worst is None:
            break
        left_out.append(worst)
        kept[list(worst.which)] = False
        open_lines = [line for line in open_lines if not line & set(worst.which)]
    chi_square, freedom = _chi_square(off, covariance, own, kept)
    return Judged(
        kept, tuple(left_out), chi_square, freedom, _beyond(chi_square, freedom),
        {
            "as written": _chi_square(off, covariance, own)[0],
            "rod readings for levels": _chi_square(-level_m - expected_m, covariance, own)[0],
            "feet for metres": _chi_square(_FEET * level_m - expected_m, covariance, own)[0],
            "metres for feet": _chi_square(level_m / _FEET - expected_m, covariance, own)[0],
        },
        len(level_m) - bool(own.any()),
    )  # fmt: skip


def _has(left_out: Sequence[LeftOut], *, ground: bool) -> bool:
    """Whether a single level, or a group that is no line, has been left out."""
    return any(one.is_ground == ground and not one.is_line for one in left_out)


def _chi_square(
    off: FloatArray, covariance: FloatArray, own: BoolArray, kept: BoolArray | None = None
) -> tuple[float, int]:
    """Sum of squares of some differences over their covariance; degrees of freedom."""
    some = np.flatnonzero(np.ones(len(off), dtype=bool) if kept is None else kept)
    if not some.size:
        return 0.0, 0
    weights = precision(covariance[np.ix_(some, some)], own[some])
    return float(off[some] @ weights @ off[some]), some.size - bool(own[some].any())


def _beyond(chi_square: float, freedom: int) -> float:
    """Probability of a chi-square as large."""
    from scipy.special import gammaincc  # noqa: PLC0415 - only where there are shots

    return float(gammaincc(freedom / 2, chi_square / 2)) if freedom > 0 else 1.0


def _quantile(tests: int) -> float:
    """Limit of a score of so many tests at once, two-sided."""
    from scipy.special import ndtri  # noqa: PLC0415 - only where there are shots

    return float(ndtri(1 - ALARM / 2 / max(tests, 1)))


def _worst(
    off: FloatArray,
    covariance: FloatArray,
    own: BoolArray,
    kept: BoolArray,
    tried: Sequence[tuple[Sequence[tuple[int, ...]], bool]],
) -> LeftOut | None:
    """Level, group or line that is farthest off, where it is beyond its limit."""
    some = np.flatnonzero(kept)
    if some.size < LEAST_NAMED:
        return None
    weights = np.zeros_like(covariance)
    weights[np.ix_(some, some)] = precision(covariance[np.ix_(some, some)], own[some])
    pull = weights @ off
    best: LeftOut | None = None
    for groups, is_line in tried:
        limit = _quantile(len(groups))
        for group in groups:
            members = [i for i in group if kept[i]]
            certainty = float(weights[np.ix_(members, members)].sum())
            # an offset of their own explains it, or nothing else is left
            if certainty < 1e-9 or len(members) > some.size - 2:
                continue
            step = float(pull[members].sum()) / certainty
            score = abs(step) * math.sqrt(certainty)
            if score > limit and (best is None or score > best.score):
                best = LeftOut(tuple(members), step, score, limit, is_line)
    return best


def _groups(away_m: FloatArray, kept: BoolArray) -> list[tuple[int, ...]]:
    """Levels near one another: those round each, two at least and a third of all at most."""
    near = {tuple(int(i) for i in np.flatnonzero((row < GROUP_M) & kept)) for row in away_m[kept]}
    return sorted(group for group in near if 2 <= len(group) <= _MOST_CHANGED * kept.sum())


# ------------------------------------------------------------------ levels that only compare


@dataclass(frozen=True)
class Checked:
    """
    A level that was only compared: what was foretold there, and how well.

    Parameters
    ----------
    which
        Its position.
    level_m, expected_m, deviation_m
        As read; as the data and the other levels foretell it, and the standard deviation of the
        difference [m].
    """

    which: int
    level_m: float
    expected_m: float
    deviation_m: float

    @property
    def is_held(self) -> bool:
        """Whether it lies in the interval that holds nine in ten."""
        return abs(self.level_m - self.expected_m) <= 1.645 * self.deviation_m


def foretold(
    off_m: FloatArray, covariance: FloatArray, own: BoolArray, used: BoolArray
) -> tuple[FloatArray, FloatArray]:
    """
    Say what levels that are only compared should be off by, from those that are used.

    Parameters
    ----------
    off_m
        Of all levels, less what the elevation data foretell [m].
    covariance
        Of that [m^2].
    own
        Which are above a benchmark whose offset is not known.
    used
        Those that tell; the others are told.

    Returns
    -------
    off_m, deviation_m
        Of the others, in their order; NaN where the offset of their benchmark is not known [m].

    References
    ----------
    Universal kriging: Matheron (1969); Chiles and Delfiner (2012), Geostatistics, section 3.4.
    Both from memory.
    """
    of, to = np.flatnonzero(used), np.flatnonzero(~used)
    inner, told = covariance[np.ix_(of, of)], own[to].astype(float)
    gain = np.linalg.solve(inner, covariance[np.ix_(of, to)]).T
    offset, spread = 0.0, math.inf
    if own[of].any():
        offset = float(offset_weights(inner, own[of]) @ off_m[of])
        spread = 1.0 / float(own[of] @ np.linalg.solve(inner, own[of].astype(float)))
    elif not told.any():
        spread = 0.0
    # what of an offset the levels near by bring along counts as known
    left = told - gain @ own[of].astype(float)
    mean = told * offset + gain @ (off_m[of] - own[of] * offset)
    known = np.diag(covariance)[to] - np.einsum("ij,ji->i", gain, covariance[np.ix_(of, to)])
    with np.errstate(invalid="ignore"):
        variance = known + np.where(left == 0, 0.0, spread * left**2)
    is_told = np.isfinite(variance)
    deviation = np.sqrt(np.maximum(variance, 0.0), where=is_told, out=np.full(len(to), np.nan))
    return np.where(is_told, mean, np.nan), deviation
