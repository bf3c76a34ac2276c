"""Where labels go so that they do not cover each other."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

Boxes = NDArray[np.float64]

#: Directions tried, the first preferred (to the right, slightly up), and distances as shares of
#: the label's height.
_ANGLES: Final = np.radians([20, 160, 340, 200, 60, 120, 300, 240, 0, 180, 90, 270])
_DISTANCES: Final = (0.35, 0.9, 1.8, 3.2)
#: What covering another label costs beside lying at a distance; a symbol costs less.
_COVERING: Final = 100.0
_ON_SYMBOL: Final = 30.0


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
    centred
        Whether it may lie on what it names.
    """

    x: float
    y: float
    width: float
    height: float
    centred: bool = False


def _candidates(label: Label) -> Boxes:
    """Boxes a label may take, shape (n, 4): west, south, east, north; the best first."""
    half = np.array([label.width, label.height]) / 2.0
    away = np.column_stack((np.cos(_ANGLES), np.sin(_ANGLES)))
    centres = np.concatenate([away * (half + distance * label.height) for distance in _DISTANCES])
    if label.centred:
        centres = np.concatenate([np.zeros((1, 2)), centres])
    centres += np.array([label.x, label.y])
    return np.hstack((centres - half, centres + half))


def _covered(boxes: Boxes, others: Boxes) -> NDArray[np.float64]:
    """Share of each box that others cover, those counted together."""
    if len(others) == 0:
        return np.zeros(len(boxes))
    low = np.maximum(boxes[:, None, :2], others[None, :, :2])
    high = np.minimum(boxes[:, None, 2:], others[None, :, 2:])
    common = np.clip(high - low, 0.0, None).prod(axis=2).sum(axis=1)
    return np.asarray(common / (boxes[:, 2:] - boxes[:, :2]).prod(axis=1))


def place_labels(
    labels: Sequence[Label],
    width: float,
    height: float,
    *,
    taken: Sequence[Sequence[float]] = (),
    symbols: Sequence[Sequence[float]] = (),
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
        boxes = _within(_candidates(label), width, height)
        others = np.delete(avoided, number, axis=0)
        cost = _COVERING * _covered(boxes, np.array(placed).reshape(-1, 4))
        cost += _ON_SYMBOL * _covered(boxes, others) + 0.01 * np.arange(len(boxes))
        placed.append(boxes[int(np.argmin(cost))])
    return np.array(placed[len(taken) :]).reshape(-1, 4)


def _within(boxes: Boxes, width: float, height: float) -> Boxes:
    """Shift boxes into the map field."""
    low = np.clip(-boxes[:, :2], 0.0, None)
    high = np.clip(boxes[:, 2:] - np.array([width, height]), 0.0, None)
    return np.asarray(boxes + np.tile(low - high, 2))
