"""Rows that an earlier proposal added, and what was rejected of them."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from collections.abc import Mapping

Points = tuple[tuple[float, float], ...]


@dataclass(frozen=True)
class EarlierRow:
    """
    A row that an earlier proposal added.

    Parameters
    ----------
    table, name
        Of the row.
    at
        Its points, in the coordinates of the elevation data.
    values
        What was written into it, of the columns that are compared; SI.
    """

    table: str
    name: str
    at: Points
    values: Mapping[str, Any]


@dataclass(frozen=True)
class Rejected:
    """
    What the user deleted or rejected: nothing of its kind is proposed there.

    Parameters
    ----------
    table
        Of the row.
    at
        Its points, in the coordinates of the elevation data.
    """

    table: str
    at: Points


@dataclass(frozen=True)
class Earlier:
    """
    An earlier proposal.

    Parameters
    ----------
    rows
        That it added.
    rejected
        What was rejected before it.
    """

    rows: tuple[EarlierRow, ...] = ()
    rejected: tuple[Rejected, ...] = ()
