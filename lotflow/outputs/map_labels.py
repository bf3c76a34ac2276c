"""Where labels go so that they do not cover each other, nor what else is drawn."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from lotflow.grid import FloatArray, IntArray

Boxes = NDArray[np.float64]

#: Directions tried, the first preferred (to the right, slightly up), and distances as shares of
#: the label's height.
_ANGLES: Final = np.radians([20, 160, 340, 200, 60, 120, 300, 240, 0, 180, 90, 270])
_DISTANCES: Final = (0.35, 0.9, 1.8, 3.2, 5.0)
#: What each distance costs.
_AWAY: Final = (0.0, 0.4, 1.5, 4.0, 8.0)
#: What covering something costs beside lying at a distance: another label, ground that belongs
#: to something else, a symbol, and a line of full weight.
_COVERING: Final = 100.0
_ON_OTHERS_GROUND: Final = 60.0
_ON_SYMBOL: Final = 30.0
_ON_LINE: Final = 40.0
_LEADER_COVERING: Final = 40.0
#: What it costs a label that names a piece of ground to lie off it.
_OFF_OWN_GROUND: Final = 2.0
_FURTHER: Final = 0.01


@dataclass(frozen=True)
class Label:
    """
    A label to be placed.

    Parameters
    ----------
    x, y
        What it names, on paper.
    width, height
        Its size, in the same unit.
    middles
        Places at which its middle may lie on what it names, the best first.
    home
        Number of the ground it names, see `PaperGround`; 0 where it names a point.
    """

    x: float
    y: float
    width: float
    height: float
    middles: tuple[tuple[float, float], ...] = ()
    home: int = 0


@dataclass(frozen=True, eq=False)
class PaperGround:
    """
    What is drawn where, on small squares of paper.

    Parameters
    ----------
    step
        Side of a square, in the unit of the labels.
    lines
        Weight of the lines on each square, 0 to 1; row 0 is the lowest.
    owner
        Number of the ground each square belongs to; 0 where it belongs to none.
    """

    step: float
    lines: FloatArray
    owner: IntArray

    def touches(self, box: NDArray[np.float64], number: int) -> bool:
        """
        Tell whether a box lies on a piece of ground, or beside it.

        Parameters
        ----------
        box
            West, south, east, north.
        number
            Of the ground.
        """
        return bool((self.owner[self._squares(box)] == number).any())

    def _squares(self, box: NDArray[np.float64]) -> tuple[slice, slice]:
        """Squares a box lies on."""
        first = np.maximum((box[:2] / self.step).astype(int), 0)
        last = np.maximum(np.ceil(box[2:] / self.step).astype(int), first + 1)
        return np.s_[first[1] : last[1], first[0] : last[0]]

    def cost(self, box: NDArray[np.float64], home: int) -> float:
        """
        Say what it costs a label to lie in a box.

        Parameters
        ----------
        box
            West, south, east, north.
        home
            Number of the ground it names.
        """
        here = self._squares(box)
        owner, lines = self.owner[here], self.lines[here]
        if not owner.size:
            return 0.0
        own = (owner == home) & (owner > 0)
        cost = _ON_LINE * float(lines.mean())
        cost += _ON_OTHERS_GROUND * float(((owner > 0) & ~own).mean())
        return cost + (_OFF_OWN_GROUND * float((~own).mean()) if home else 0.0)


def _candidates(label: Label) -> tuple[Boxes, FloatArray]:
    """Boxes a label may take, shape (n, 4): west, south, east, north; what each costs."""
    half = np.array([label.width, label.height]) / 2.0
    away = np.column_stack((np.cos(_ANGLES), np.sin(_ANGLES)))
    around = np.concatenate([away * (half + distance * label.height) for distance in _DISTANCES])
    centres = np.concatenate(
        [np.array(label.middles).reshape(-1, 2), around + np.array([label.x, label.y])]
    )
    away_cost = np.concatenate([np.zeros(len(label.middles)), np.repeat(_AWAY, len(_ANGLES))])
    cost = away_cost + _FURTHER * np.arange(len(centres))
    return np.hstack((centres - half, centres + half)), cost


def _covered(boxes: Boxes, others: Boxes) -> NDArray[np.float64]:
    """Share of each box that others cover, those counted together."""
    if len(others) == 0:
        return np.zeros(len(boxes))
    low = np.maximum(boxes[:, None, :2], others[None, :, :2])
    high = np.minimum(boxes[:, None, 2:], others[None, :, 2:])
    common = np.clip(high - low, 0.0, None).prod(axis=2).sum(axis=1)
    return np.asarray(common / (boxes[:, 2:] - boxes[:, :2]).prod(axis=1))


def _leader_covers(label: Label, boxes: Boxes, others: Boxes) -> FloatArray:
    """Share of the line from what a label names to each box that others cover."""
    place = np.array([label.x, label.y])
    nearest = np.clip(place, boxes[:, :2], boxes[:, 2:])
    share = np.linspace(0.1, 1.0, 8)[:, None]
    points = (place + share * (nearest - place)[:, None, :])[:, :, None, :]
    inside = ((points > others[:, :2]) & (points < others[:, 2:])).all(axis=-1)
    return np.asarray(inside.any(axis=-1).mean(axis=-1), dtype=np.float64)


def place_labels(
    labels: Sequence[Label],
    width: float,
    height: float,
    *,
    taken: Sequence[Sequence[float]] = (),
    symbols: Sequence[Sequence[float]] = (),
    ground: PaperGround | None = None,
) -> Boxes:
    """
    Place labels one after another, each where it covers least.

    Parameters
    ----------
    labels
        The important ones first.
    width, height
        Of the map field; labels stay within.
    taken
        Boxes that must stay free: west, south, east, north.
    symbols
        Boxes that had better stay free, beside what the labels name.
    ground
        What else is drawn.

    Returns
    -------
    boxes
        Shape (n, 4), in the order of the labels.

    Examples
    --------
    Two labels of one place go to two sides of it:

    >>> place_labels([Label(5, 5, 2, 1), Label(5, 5, 2, 1)], 10, 10).round(1).tolist()
    [[5.4, 4.5, 7.4, 5.5], [2.6, 4.5, 4.6, 5.5]]
    """
    named = [(label.x, label.y, label.x, label.y) for label in labels]
    reach = 0.3 * min((label.height for label in labels), default=0.0)
    avoided = np.array(named).reshape(-1, 4) + np.array([-reach, -reach, reach, reach])
    avoided = np.concatenate([avoided, np.array(symbols, dtype=float).reshape(-1, 4)])
    placed: list[NDArray[np.float64]] = [np.asarray(box, dtype=float) for box in taken]
    for number, label in enumerate(labels):
        boxes, cost = _candidates(label)
        boxes = _within(boxes, width, height)
        others = np.delete(avoided, number, axis=0)
        before = np.array(placed).reshape(-1, 4)
        covered = _covered(boxes, before)
        # the least bit of it is worse than any distance
        cost += _COVERING * (covered + (covered > 1e-9))
        cost += _LEADER_COVERING * _leader_covers(label, boxes, before)
        cost += _ON_SYMBOL * _covered(boxes, others)
        if ground is not None:
            cost += [ground.cost(box, label.home) for box in boxes]
        placed.append(boxes[int(np.argmin(cost))])
    return np.array(placed[len(taken) :]).reshape(-1, 4)


def _within(boxes: Boxes, width: float, height: float) -> Boxes:
    """Shift boxes into the map field."""
    low = np.clip(-boxes[:, :2], 0.0, None)
    high = np.clip(boxes[:, 2:] - np.array([width, height]), 0.0, None)
    return np.asarray(boxes + np.tile(low - high, 2))
