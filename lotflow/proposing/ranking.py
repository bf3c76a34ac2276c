"""
Which change helps most, by the same surfaces for all of them.

Every option is set on the same surfaces that may be true (common random numbers), and what it mends
is compared pair by pair: one is before another only where the interval of the paired difference
says so, in the first row of harm in which it says anything. Else they tie.
"""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Final, Literal

import numpy as np

from lotflow.proposing.surface import STEPS, SurfaceHarm

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence

    from lotflow.grid import FloatArray
    from lotflow.proposing.surface import Change, Laid, SurfaceLot

#: Surfaces on which every option is asked before any is left behind, and how many are added then.
FIRST: Final = 8
_MORE: Final = 4
#: Changes of a sequence.
LONGEST: Final = 3
#: Shares of surfaces on which an option helps, and harms, that make it sure or likely: lotflow's
#: choice, as of places for inlets.
_HELPS: Final = 0.8
_HARMS: Final = 0.1
_LIKELY: Final = 0.5

Verdict = Literal["holds", "likely", "level first"]


@dataclass(frozen=True, eq=False)
class Trial:
    """
    An option as it is tried.

    Parameters
    ----------
    name
        Of the option.
    changes
        Of the surface.
    cells
        Flat indices of inlets.
    """

    name: str
    changes: tuple[Change, ...] = ()
    cells: tuple[int, ...] = ()


@dataclass(frozen=True, eq=False)
class Ranked:
    """
    What an option does by itself.

    Parameters
    ----------
    name
        Of the option.
    before, after
        Harm on the measured surface.
    mended
        Shape (surfaces, rows): what it mends on each surface.
    helps, harms
        Shares of the surfaces on which it mends something first, or makes something worse first.
    """

    name: str
    before: SurfaceHarm
    after: SurfaceHarm
    mended: FloatArray
    helps: float
    harms: float

    @property
    def surfaces(self) -> int:
        """On how many surfaces it was asked."""
        return len(self.mended)

    @property
    def verdict(self) -> Verdict:
        """Whether to build it as it is drawn; without surfaces, or errors, by the measured one."""
        if self.helps >= _HELPS and self.harms <= _HARMS:
            return "holds"
        return "likely" if self.helps >= _LIKELY and self.harms < self.helps / 2 else "level first"

    def mended_at(self, share: float) -> SurfaceHarm:
        """Quantile of what it mends, row by row."""
        return SurfaceHarm(*np.quantile(self.mended, share, axis=0).tolist())


@dataclass(frozen=True, eq=False)
class Ranking:
    """
    Options in their order.

    Parameters
    ----------
    options
        Those that help most first.
    ties
        Names of options next to one another of which the surfaces cannot tell which is before.
    first
        Names of those of which none is told to be behind the best: one, where that is told.
    is_alike
        Whether those are known to mend as much; else the surfaces cannot tell them apart.
    sequence
        Up to three options, each the best on top of those before; each surely mends something.
    runs, full
        How often water was let run, and how often had every option been asked on every surface.
    """

    options: Sequence[Ranked]
    ties: Sequence[tuple[str, str]]
    first: Sequence[str]
    is_alike: bool
    sequence: Sequence[str]
    runs: int
    full: int


def t_quantile(freedom: int) -> float:
    """Student's t that 2.5 % lie above, of so many degrees of freedom."""
    from scipy.special import stdtrit  # noqa: PLC0415 - slow to import

    return float(stdtrit(freedom, 0.975))


def decided(one: FloatArray, other: FloatArray) -> int:
    """
    Tell which of two options mends more, by the same surfaces.

    The rows of harm are asked in their order: the first of which the 95 % interval of the mean
    difference leaves 0 out, and lies a whole step off, decides.

    Parameters
    ----------
    one, other
        Shape (surfaces, rows): what each mends, in the unit of each row.

    Returns
    -------
    sign
        1 where the first mends more, -1 where the second does, 0 where nothing tells.

    Examples
    --------
    >>> one, other = np.zeros((10, 9)), np.zeros((10, 9))
    >>> one[:, 2] = 5 + np.arange(10) % 2
    >>> other[:, 8] = 100.0
    >>> decided(one, other), decided(other, one), decided(one, one)
    (1, -1, 0)

    What lies about 0 tells nothing, and the next row is asked:

    >>> one[:, 0] = [1.0, -1.0] * 5
    >>> decided(one, other)
    1
    """
    mean, half = _interval(one, other)
    for row, step in enumerate(STEPS):
        if abs(mean[row]) >= step and abs(mean[row]) > half[row]:
            return 1 if mean[row] > 0 else -1
    return 0


def alike(one: FloatArray, other: FloatArray) -> bool:
    """
    Tell whether two options are known to mend as much: no interval of a row reaches a step.

    Parameters
    ----------
    one, other
        As of `decided`.

    Examples
    --------
    >>> one = np.zeros((10, 9))
    >>> alike(one, one + 0.001), alike(one, one + np.array([[1.0], [-1.0]] * 5))
    (True, False)
    """
    mean, half = _interval(one, other)
    return bool((np.abs(mean) + half < np.array(STEPS)).all())


def _interval(one: FloatArray, other: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Mean of the paired differences, and half of its 95 % interval, row by row."""
    number = min(len(one), len(other))
    apart = one[:number] - other[:number]
    half = np.zeros(len(STEPS))
    if number > 1:
        half = t_quantile(number - 1) * apart.std(axis=0, ddof=1) / math.sqrt(number)
    return np.asarray(apart.mean(axis=0)), half


@dataclass(eq=False)
class _Asked:
    """What options mend on some surfaces, with some in place already; grown surface by surface."""

    lot: SurfaceLot
    off: Sequence[FloatArray]
    placed: Trial
    base: list[SurfaceHarm] = field(default_factory=list)
    after: dict[str, list[SurfaceHarm]] = field(default_factory=dict)
    runs: int = 0

    def _laid(self, changes: Sequence[Change]) -> Laid:
        return self.lot.laid(list(changes))

    def ask(self, trial: Trial, number: int) -> None:
        """Ask an option on so many surfaces."""
        while len(self.base) < number:
            laid = self._laid(self.placed.changes)
            self.base.append(laid.on(self.off[len(self.base)], self.placed.cells).harm())
            self.runs += 1
        done = self.after.setdefault(trial.name, [])
        laid = self._laid([*self.placed.changes, *trial.changes])
        cells = (*self.placed.cells, *trial.cells)
        while len(done) < number:
            done.append(laid.on(self.off[len(done)], cells).harm())
            self.runs += 1

    def mended(self, trial: Trial) -> FloatArray:
        """Shape (surfaces, rows): what it mends."""
        after = np.array(self.after[trial.name])
        return np.asarray(np.array(self.base[: len(after)]) - after)

    def surely_helps(self, trial: Trial) -> bool:
        """Whether it mends something in the mean, and more often than it makes something worse."""
        mended = self.mended(trial)
        helps, harms = self.shares(trial)
        return decided(mended, np.zeros_like(mended)) > 0 and helps > harms

    def shares(self, trial: Trial) -> tuple[float, float]:
        """Shares of the surfaces on which it helps, and harms."""
        after = self.after[trial.name]
        gains = [base.less(then) for base, then in zip(self.base, after, strict=False)]
        none = (0,) * len(STEPS)
        return (sum(gain > none for gain in gains) / len(gains),
                sum(gain < none for gain in gains) / len(gains))  # fmt: skip


def ranked(
    lot: SurfaceLot, trials: Sequence[Trial], off: Sequence[FloatArray],
    tell: Callable[[str], None] = lambda _: None,
) -> Ranking:  # fmt: skip
    """
    Order options by what they mend on surfaces that may be true, and find the best few of them.

    Parameters
    ----------
    lot
        As it is drawn.
    trials
        The options, with different names.
    off
        How much higher each surface lies than the measured one, shape of the grid [m]; without
        any, the measured one alone is asked.
    tell
        Called with how far it is.
    """
    off = list(off) or [np.zeros(lot.grid.shape)]
    runs, full = 0, 0
    placed, left, sequence = Trial(""), list(trials), list[str]()
    order: list[Trial] = []
    alone: _Asked | None = None
    while left and len(sequence) < LONGEST:
        tell(f"round {len(sequence) + 1} of {LONGEST}")
        asked = _Asked(lot, off, placed)
        found = _raced(asked, left)
        runs, full = runs + asked.runs, full + (len(left) + 1) * len(off)
        if alone is None:
            alone, order = asked, found
        best = next((one for one in found if asked.surely_helps(one)), None)
        if best is None:
            break
        sequence.append(best.name)
        placed = Trial("", (*placed.changes, *best.changes), (*placed.cells, *best.cells))
        left = [one for one in left if one is not best]
    if alone is None:
        return Ranking([], [], [], False, [], 0, 0)
    by_name = {one.name: alone.mended(one) for one in order}
    before = lot.laid().harm()
    options = [
        Ranked(one.name, before, _measured(lot, one), by_name[one.name], *alone.shares(one))
        for one in order
    ]
    ties = [
        (one.name, other.name)
        for one, other in itertools.pairwise(order)
        if decided(by_name[one.name], by_name[other.name]) == 0
    ]
    first = [one.name for one in order if decided(by_name[order[0].name], by_name[one.name]) == 0]
    is_alike = all(alike(by_name[first[0]], by_name[name]) for name in first[1:])
    return Ranking(options, ties, first, is_alike, sequence, runs, full)


def _measured(lot: SurfaceLot, trial: Trial) -> SurfaceHarm:
    """Harm on the measured surface."""
    laid = lot.laid(list(trial.changes))
    if trial.cells:
        laid = laid.on(np.zeros(lot.grid.shape), trial.cells)
    return laid.harm()


def _raced(asked: _Asked, trials: Sequence[Trial]) -> list[Trial]:
    """Order options; those surely behind the leader are asked no further."""
    running, number = list(trials), min(FIRST, len(asked.off))
    while True:
        for one in running:
            asked.ask(one, number)
        mended = {one.name: asked.mended(one) for one in trials}
        leader = _ordered(running, mended)[0]
        if number == len(asked.off):
            break
        running = [
            one for one in running
            if one is leader or decided(mended[leader.name], mended[one.name]) <= 0
        ]  # fmt: skip
        number = min(number + _MORE, len(asked.off))
    # those that ran to the end before those left behind
    behind = [one for one in trials if one not in running]
    return [*_ordered(running, mended), *_ordered(behind, mended)]


def _ordered(trials: Sequence[Trial], mended: Mapping[str, FloatArray]) -> list[Trial]:
    """Most of others surely beaten first, then by what they mend in the mean, row by row."""

    def key(one: Trial) -> tuple[float, ...]:
        wins = sum(decided(mended[one.name], mended[other.name]) for other in trials)
        mean = mended[one.name].mean(axis=0) / np.array(STEPS)
        return (wins, *np.round(mean).tolist())

    return sorted(trials, key=key, reverse=True)


def shares_alone(
    lot: SurfaceLot, changes: Sequence[Change], off: Sequence[FloatArray]
) -> list[tuple[float, float]]:
    """
    Give the shares of surfaces on which each change by itself helps, and harms.

    Parameters
    ----------
    lot
        As it is drawn.
    changes
        Each asked alone, on the first surfaces.
    off
        As for `ranked`; without any there is nothing to ask.
    """
    asked, found = _Asked(lot, off, Trial("")), []
    for position, change in enumerate(changes):
        trial = Trial(str(position), (change,))
        asked.ask(trial, min(FIRST, len(off)))
        found.append(asked.shares(trial) if off else (1.0, 0.0))
    return found
