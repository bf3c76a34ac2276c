"""
Which levels are worth taking on site: those after which the fewest questions are left open.

From the realisations alone. A question has a margin in each of them, positive where its answer is
yes; a level is worth what it foretells of the margins of the questions that are open.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from lotflow.grid import BoolArray, FloatArray

#: Standard deviation of a level taken with a rod, place and ground included [m].
ROD_M: Final = 0.014
#: Standard deviation of what all levels of a visit are off in common [m]: they are read from a
#: benchmark of their own, so that one level alone tells nothing.
OFFSET_M: Final = 1.0
#: Most levels that are put in order: from here on the order of the field sheet is as good.
MOST: Final = 12
#: Of what the realisations promise, so much comes true at the most (docs/methods.md).
KEPT: Final = 0.6
#: How far the share of realisations in which a low spot exists is believed (docs/methods.md).
LOW_SPOT_TRUST: Final = 0.4
#: A level that foretells less of a margin's variance is taken to foretell nothing of it.
_LEAST: Final = 0.1
#: A level that settles less than this share of one wholly open question is not listed.
_LEAST_WORTH: Final = 0.03
#: Worth is compared to so many decimals: the order must not hang on how a sum was rounded.
_DECIMALS: Final = 9


@dataclass(frozen=True)
class Shot:
    """
    A level to take.

    Parameters
    ----------
    candidate
        Which of the candidates.
    question
        The one that it settles most.
    settles
        How much of what was open of that question at the desk it takes, 0 to 1; of two that are
        only worth something together, both.
    partner
        The candidate with which it is taken; None where it stands alone.
    """

    candidate: int
    question: int
    settles: float
    partner: int | None = None


def believed(margin: FloatArray, trust: FloatArray) -> FloatArray:
    """
    Chance that the answer of each question is yes.

    Parameters
    ----------
    margin
        Shape (realisations, questions): positive where the answer is yes.
    trust
        How far the share of realisations is believed, per question: 0 takes it as wholly open.

    Examples
    --------
    >>> believed(np.array([[1.0, 1.0], [-1.0, 2.0]]), np.array([1.0, 0.4])).tolist()
    [0.5, 0.7]
    """
    return np.asarray(0.5 + trust * ((margin > 0).mean(axis=0) - 0.5))


def openness(margin: FloatArray, trust: FloatArray) -> FloatArray:
    """
    How open each question is: 1 where both answers are as likely, 0 where one of them is sure.

    Four times p (1 - p), with p of `believed`.
    """
    p = believed(margin, trust)
    return np.asarray(4 * p * (1 - p))


def shots_by_worth(
    margin: FloatArray,
    level: FloatArray,
    *,
    trust: FloatArray,
    pairs: Sequence[tuple[int, int]] = (),
    one_of_many: BoolArray | None = None,
    most: int = MOST,
    deviation_m: float = ROD_M,
    offset_m: float = OFFSET_M,
) -> list[Shot]:
    """
    Choose levels one after the other, each time the one that settles most.

    A level, or two that are only worth something together, is worth the sum over the questions of
    their openness times the share of the margin's variance that it foretells (adjusted R^2: of
    few realisations some chance correlation is always high). Of a pair none is taken alone but
    where the other end is known. What is chosen counts as known, with the error of the rod, before
    the next is.

    Parameters
    ----------
    margin
        Shape (realisations, questions), as for `believed`.
    level
        Shape (realisations, candidates): level of each candidate place [m].
    trust
        As for `believed`.
    pairs
        Candidates that may be taken together, such as both ends of a fall.
    one_of_many
        Which candidates are chosen among many alike, such as open ground: the best of them must
        foretell more than the best of as many would by chance. None for none.
    most
        Levels that are chosen at most.
    deviation_m
        Standard deviation of a level [m].
    offset_m
        Standard deviation of what all levels are off in common [m].

    Returns
    -------
    shots
        In the order of their worth; those that would settle hardly anything are left out.

    Examples
    --------
    Whether the ground falls from place 0 to place 1 is open; place 2 has nothing to do with it:

    >>> level = 0.1 * np.random.default_rng(1).standard_normal((100, 3))
    >>> shots = shots_by_worth(
    ...     level[:, :1] - level[:, 1:2], level, trust=np.ones(1), pairs=[(0, 1)], most=2
    ... )
    >>> [(one.candidate, one.question, round(one.settles, 2)) for one in shots]
    [(0, 0, 0.59), (1, 0, 0.59)]
    """
    candidates = level.shape[1]
    if not margin.shape[1] or not candidates:
        return []
    many = np.zeros(candidates, dtype=bool) if one_of_many is None else one_of_many
    state = _State(margin, level, openness(margin, trust), deviation_m, offset_m)
    # expected greatest of so many squared normal deviates, nearly
    state.by_chance = np.where(many, max(2 * np.log(max(many.sum(), 1)), 1.0), 1.0)
    both = np.array(pairs, dtype=np.int64).reshape(-1, 2)
    shots: list[Shot] = []
    taken = np.zeros(candidates, dtype=bool)
    while len(shots) < most:
        found = state.best(taken, both, alone=most - len(shots) == 1)
        if found is None:
            break
        for one in found.group:
            partner = next((other for other in found.group if other != one), None)
            shots.append(Shot(one, found.question, found.settles, partner))
            state.take(one)
            taken[one] = True
    return shots


@dataclass(frozen=True)
class _Best:
    """The best next choice."""

    group: tuple[int, ...]
    question: int
    settles: float


class _State:
    """Covariances of margins, in their own deviations, and levels; conditioned on what is taken."""

    def __init__(
        self, margin: FloatArray, level: FloatArray, open_share: FloatArray, deviation_m: float,
        offset_m: float,
    ) -> None:  # fmt: skip
        self.surfaces, self.questions = margin.shape
        self.open_share, self.deviation2 = open_share, deviation_m**2
        self.by_chance = np.ones(level.shape[1])
        spread = margin.std(axis=0, ddof=1) if self.surfaces > 1 else np.zeros(self.questions)
        # what rounding makes of a margin that is the same everywhere is no spread
        self.varies = spread > 1e-9 * np.maximum(np.abs(margin).max(axis=0), 1.0)
        off = (margin - margin.mean(axis=0)) / np.where(self.varies, spread, 1.0)
        both = np.concatenate([off * self.varies, level - level.mean(axis=0)], axis=1)
        self.covariance = both.T @ both / max(self.surfaces - 1, 1)
        self.covariance[self.questions :, self.questions :] += offset_m**2

    def foretold(self, both: NDArray[np.int64] | None = None) -> FloatArray:
        """Share of each margin's variance that each candidate, or pair, foretells: adjusted R^2."""
        n, covariance = self.questions, self.covariance
        variance = np.diag(covariance)[n:] + self.deviation2
        if both is None:
            return self._adjusted(covariance[:n, n:] ** 2 / variance, self.by_chance)
        a, b = both.T
        with_a, with_b = covariance[:n, n + a], covariance[:n, n + b]
        shared = covariance[n + a, n + b]
        reduced = (
            with_a**2 * variance[b] - 2 * with_a * with_b * shared + with_b**2 * variance[a]
        ) / (variance[a] * variance[b] - shared**2)
        return self._adjusted(reduced, self.by_chance[a] + self.by_chance[b])

    def _adjusted(self, reduced: FloatArray, by_chance: FloatArray) -> FloatArray:
        """Take off what chance alone would foretell."""
        by_chance = np.minimum(by_chance / max(self.surfaces - 1, 1), 0.99)
        share = (np.clip(reduced, 0.0, 1.0) - by_chance) / (1.0 - by_chance)
        return np.where(self.varies[:, None] & (share > _LEAST), np.minimum(share, 1.0), 0.0)

    def best(
        self, taken: BoolArray, pairs: NDArray[np.int64], *, alone: bool = False
    ) -> _Best | None:
        """
        The candidate, or pair, that is worth most per level; of equal ones the first.

        One of a pair stands alone only where its other end is known. `alone`: no pair any more.
        """
        waits = np.zeros(len(taken), dtype=bool)
        waits[pairs.ravel()] = True
        for one, other in (pairs.T, pairs[:, ::-1].T):
            waits[one[taken[other]]] = False
        choices = []
        groups = [(np.arange(len(taken))[:, None], self.foretold(), taken | waits)]
        if len(pairs) and not alone:
            groups.append((pairs, self.foretold(pairs), taken))
        for members, share, out in groups:
            worth = np.round(self.open_share @ share, _DECIMALS) / members.shape[1]
            worth[out[members].any(axis=1)] = 0.0
            at = int(worth.argmax())
            question = int(np.round(self.open_share * share[:, at], _DECIMALS).argmax())
            choices.append((worth[at], members[at], question, share[question, at]))
        worth, members, question, share = max(choices, key=lambda choice: choice[0])
        if worth < _LEAST_WORTH:
            return None
        return _Best(tuple(int(one) for one in members), question, KEPT * float(share))

    def take(self, candidate: int) -> None:
        """Take the level of a candidate as known."""
        column = self.covariance[:, self.questions + candidate].copy()
        variance = column[self.questions + candidate] + self.deviation2
        self.covariance -= np.outer(column, column / variance)
