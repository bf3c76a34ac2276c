"""A job that was proposed before: which rows are free, which became the user's, what stays away."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import pandas as pd
import shapely

from lotflow.errors import Fault, InputError
from lotflow.layers.proposals import Earlier, EarlierRow, Points, Rejected
from lotflow.terrain.cells import polygon_numbers

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

    from lotflow.grid import BoolArray, Grid
    from lotflow.layers.drawn import Drawn

#: A row is as it was where none of its points moved farther [m].
_MOVED_M: Final = 0.02
#: Nothing of the kind is proposed so near to what was rejected [m].
AWAY_M: Final = 2.0
#: Layers to which a proposal adds rows.
LAYERS: Final = ("inlets", "drain_lines", "outlets")


@dataclass(frozen=True)
class Settled:
    """
    What becomes of the rows of an earlier proposal.

    Parameters
    ----------
    free
        Names, by table, of those that are proposed anew.
    theirs
        Names, by table, of those that the user changed: they are the user's now.
    rejected
        What stays away.
    """

    free: Mapping[str, frozenset[str]] = field(default_factory=dict)
    theirs: Mapping[str, frozenset[str]] = field(default_factory=dict)
    rejected: tuple[Rejected, ...] = ()


def settled(site: Drawn, earlier: Earlier, metres_per_unit: float) -> Settled:
    """
    Tell of the rows of an earlier proposal which are free.

    Rows that were moved or changed are the user's; those with `keep` stay, and so does what they
    lead to; those that are gone, or have the status rejected, stay away.

    Parameters
    ----------
    site
        As it is drawn now.
    earlier
        The proposal.
    metres_per_unit
        Of the coordinates.

    Raises
    ------
    InputError
        If a row is both kept and rejected.
    """
    _require_no_contradiction(site)
    free: dict[str, set[str]] = {layer: set() for layer in LAYERS}
    theirs: dict[str, set[str]] = {layer: set() for layer in LAYERS}
    rejected = [*earlier.rejected, *_rejected_now(site)]
    for row in earlier.rows:
        frame = getattr(site, row.table)
        found = frame[(frame["name"] == row.name) & (frame["origin"] == "lotflow")]
        if found.empty:
            drawn = frame["name"] == row.name
            if not drawn.any():
                rejected.append(Rejected(row.table, row.at))
        elif found["status"].iloc[0] == "rejected" or _yes(found["keep"].iloc[0]):
            continue
        elif _differs(found.iloc[0], row, metres_per_unit):
            theirs[row.table].add(row.name)
        else:
            free[row.table].add(row.name)
    _keep_what_is_needed(site, free)
    return Settled(
        {table: frozenset(names) for table, names in free.items() if names},
        {table: frozenset(names) for table, names in theirs.items() if names},
        tuple(dict.fromkeys(rejected)),
    )


def _yes(value: object) -> bool:
    """Whether a cell says yes; an empty one does not."""
    return isinstance(value, (bool, np.bool_)) and bool(value)


def _require_no_contradiction(site: Drawn) -> None:
    """Demand that no row is both kept and rejected."""
    faults = [
        Fault("the row is rejected, and is to be kept", "Empty its keep, or give it another status",
              layer=layer, row=position, column="keep", value=str(name))
        for layer in LAYERS
        for position, (name, status, keep) in enumerate(
            zip(*(getattr(site, layer)[column] for column in ("name", "status", "keep")),
                strict=True), 1)
        if status == "rejected" and _yes(keep)
    ]  # fmt: skip
    if faults:
        raise InputError(faults)


def _rejected_now(site: Drawn) -> Iterator[Rejected]:
    """Rows that have the status rejected."""
    for layer in LAYERS:
        frame = getattr(site, layer)
        for shape in frame.geometry[frame["status"] == "rejected"]:
            yield Rejected(layer, points_of(shape))


def points_of(shape: Any) -> Points:
    """
    Points of a shape, in millimetres of its unit.

    Parameters
    ----------
    shape
        Point or line.
    """
    at = shapely.get_coordinates(shape).round(3)
    return tuple((float(x), float(y)) for x, y in at)


def _differs(found: pd.Series[Any], row: EarlierRow, metres_per_unit: float) -> bool:
    """Whether a row is not as it was added."""
    at = shapely.get_coordinates(found["geometry"])
    was = np.array(row.at)
    if at.shape != was.shape or np.abs(at - was).max() * metres_per_unit > _MOVED_M:
        return True
    for name, value in row.values.items():
        now = found.get(name)
        if isinstance(value, float):
            if not abs(float(now if now is not None else np.nan) - value) < 1e-3:
                return True
        elif now != value:
            return True
    return False


def _keep_what_is_needed(site: Drawn, free: dict[str, set[str]]) -> None:
    """Take off the free rows those that rows which stay lead from or to."""
    lines, spouts = site.drain_lines, site.downspouts
    while True:
        stays = lines[~lines["name"].isin(free["drain_lines"])]
        stays = stays[~stays["status"].isin(("rejected", "abandoned"))]
        needed = {*stays["from_node"].dropna(), *stays["to_node"].dropna(),
                  *spouts["leads_to"].dropna()}  # fmt: skip
        before = sum(map(len, free.values()))
        free["inlets"] -= needed
        free["outlets"] -= needed
        # what takes the water of a line that stays
        below = lines[lines["from_node"].isin(set(stays["to_node"].dropna()) - {None})]
        free["drain_lines"] -= {*below["name"], *needed}
        if sum(map(len, free.values())) == before:
            return


def kept_away(rejected: tuple[Rejected, ...], table: str, grid: Grid) -> BoolArray:
    """
    Cells in which nothing of a kind is proposed again.

    Parameters
    ----------
    rejected
        What was rejected.
    table
        Of which kind.
    grid
        The cells.
    """
    reach = AWAY_M / grid.metres_per_unit
    shapes = []
    for one in rejected:
        if one.table != table:
            continue
        if len(one.at) == 1:
            shapes.append(shapely.Point(one.at[0]).buffer(reach))
            continue
        line = shapely.LineString(one.at)
        ends = shapely.union_all(
            [shapely.Point(at).buffer(reach) for at in (one.at[0], one.at[-1])]
        )
        shapes.append(line.buffer(reach, cap_style="flat").difference(ends))
    return np.asarray(polygon_numbers([one for one in shapes if one.area > 0], grid) > 0)
