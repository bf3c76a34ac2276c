"""How sure low spots, catchments and flow paths are, by realisations of the error of the data."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from lotflow.findings import Finding
from lotflow.terrain.confidence import FEWEST, bounds_of
from lotflow.terrain.drainage import LEVEL_STEP
from lotflow.terrain.flow_paths import path_length
from lotflow.terrain.low_spots import Artefact
from lotflow.units import OPEN, open_range

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from numpy.typing import NDArray

    from lotflow.grid import BoolArray, FloatArray, Grid
    from lotflow.terrain.catchments import CatchmentCells
    from lotflow.terrain.confidence import Realised
    from lotflow.terrain.flow_paths import FlowPath
    from lotflow.terrain.level_error import ErrorModel
    from lotflow.terrain.low_spots import LowSpots
    from lotflow.terrain.routing import Routing

#: So many cells are realised, all realisations together, where nobody asks for more: half a minute
#: on two cores.
_CELLS_REALISED: Final = 100_000_000
#: Low spots whose depth is judged without their buildings: realisations have them.
_NOT_REALISED: Final = (Artefact.ENCLOSED, Artefact.IN_BUILDING)
#: From this chance on a low spot is there; below the other it is rather noise.
_SURE: Final = 0.9
_DOUBTED: Final = 0.5
#: Log odds that a measured low spot is there: so much, the log odds of its share of realisations
#: times so much, and the logarithm of its fullness times so much. Found by
#: `tests/bench/bench_bowls.py fit` on grounds of random kinds (docs/methods.md).
_ODDS, _ODDS_OF_SHARE, _ODDS_OF_FULLNESS = -0.03, 0.79, 1.15
#: Fuller than this counts: emptier ones are all the same.
_LEAST_FULL: Final = 0.05
#: Below this share of realisations a path does not hold.
_HOLDS: Final = 0.5
#: Shorter ones are not spoken of: the course of water over a few cells is anybody's guess [m].
_LEAST_LENGTH_M: Final = 5.0
_CHOICE: Final = "lotflow's choice, no published source"


def usual_realisations(number: int, cells: int) -> int:
    """
    How many realisations are run where nobody asks for a number: fewer on very wide ground.

    Parameters
    ----------
    number
        On ground of usual size.
    cells
        Of the ground.

    Examples
    --------
    >>> usual_realisations(100, 800_000), usual_realisations(100, 4_000_000)
    (100, 25)
    """
    return min(number, max(_CELLS_REALISED // cells, FEWEST))


@dataclass(frozen=True, eq=False)
class Bounds:
    """
    What realisations show per low spot and inlet; bounds have shape (3, low spots or inlets).

    Parameters
    ----------
    number
        Of realisations.
    share, probability
        Share of realisations in which each low spot stands, and the chance that it is there, see
        `chance_there`; NaN where none was realised.
    depth_m, volume_m3
        5, 50 and 95 % of depth [m] and volume [m^3] of each low spot; of fewer than 20
        realisations 50 % alone, the others NaN.
    catchment_m2
        The same of each inlet's catchment [m^2].
    together_m2
        The same of what all inlets take together, shape (3,) [m^2].
    """

    number: int
    share: FloatArray
    probability: FloatArray
    depth_m: FloatArray
    volume_m3: FloatArray
    catchment_m2: FloatArray
    together_m2: FloatArray


def signs_of_low_spots(
    depth: FloatArray,
    volume: FloatArray,
    cells: NDArray[np.int64],
    limit_m: float,
    rmse_m: float,
) -> tuple[FloatArray, FloatArray]:
    """
    Say what realisations show of whether low spots are there.

    Parameters
    ----------
    depth, volume
        Of the water within each outline [m, m times cells]; the first axis is the realisation.
    cells
        Of each outline.
    limit_m, rmse_m
        Depth from which a low spot counts, and accuracy of the data [m].

    Returns
    -------
    share
        Of the realisations, those in which water stands at least as deep; never 0 or 1, since of
        few realisations none and all say little.
    full
        Mean volume by that of an outline filled all over to the limit, or the accuracy if that is
        more; at least 0.05. Pits of single cells, which every rough surface has, reach the limit
        and hold hardly anything.
    """
    stands = (depth >= limit_m - LEVEL_STEP).sum(axis=0)
    share = (stands + 0.5) / (len(depth) + 1)
    full = volume.mean(axis=0) / (np.maximum(cells, 1) * max(limit_m, rmse_m))
    return share, np.maximum(full, _LEAST_FULL)


def chance_there(share: FloatArray, full: FloatArray) -> FloatArray:
    """
    Chance that measured low spots are there, by what realisations show.

    The share of realisations alone is too sure: a low spot was measured, and listed, where the
    error dug one rather than where it filled one in; and surfaces drawn stay a little too rough,
    so that one cell of many reaches the limit. How far, was measured on ground whose truth is
    known.

    Parameters
    ----------
    share, full
        From `signs_of_low_spots`.

    References
    ----------
    Platt (1999), Probabilistic outputs for support vector machines, from memory: a logistic
    regression on held out cases. Signs and constants are lotflow's own.

    Examples
    --------
    >>> chance_there(np.array([0.995, 0.8, 0.8, 0.3]), np.array([2.0, 1.0, 0.2, 0.5])).round(2)
    array([0.99, 0.74, 0.31, 0.18])
    """
    odds = _ODDS + _ODDS_OF_SHARE * np.log(share / (1 - share)) + _ODDS_OF_FULLNESS * np.log(full)
    return np.asarray(1 / (1 + np.exp(-odds)))


def realised_bounds(
    realised: Realised, spots: LowSpots, error: ErrorModel, limit_m: float, cell_m2: float
) -> Bounds:
    """
    Bring what realisations show into numbers per low spot and inlet.

    Parameters
    ----------
    realised
        All of them.
    spots
        Low spots; of those under and between buildings nothing is told.
    error
        Of the elevation data.
    limit_m
        Depth from which a low spot counts.
    cell_m2
        Area of a cell.
    """
    shown = np.array([flag not in _NOT_REALISED for flag in spots.artefact], dtype=bool)
    depth, volume = realised.standing(limit_m)
    is_told = shown & (error.is_none or realised.number >= FEWEST)
    share = realised.standing_share(limit_m)
    chance = share
    if not error.is_none:
        chance = chance_there(
            *signs_of_low_spots(realised.depth, realised.volume, spots.cells, limit_m, error.rmse_m)
        )
    return Bounds(
        number=realised.number,
        share=np.where(is_told, share, np.nan),
        probability=np.where(is_told, chance, np.nan),
        depth_m=np.where(shown, bounds_of(depth, error), np.nan),
        volume_m3=np.where(shown, bounds_of(volume, error), np.nan) * cell_m2,
        catchment_m2=bounds_of(realised.cells, error) * cell_m2,
        # jointly: what one inlet gains another loses
        together_m2=bounds_of(realised.cells.sum(axis=1), error) * cell_m2,
    )


def catchment_areas(cells: CatchmentCells, grid: Grid) -> FloatArray:
    """Catchments of the inlets on the measured surface [m^2]."""
    return cells.total * grid.cell_m2


def low_spot_findings(spots: LowSpots, grid: Grid, lot: BoolArray, bounds: Bounds) -> list[Finding]:
    """Say of the low spots on the lot how sure they are; of fewer than 20 realisations nothing."""
    on_lot = np.flatnonzero(spots.cells_in(lot))
    found = []
    for position in on_lot:
        share, chance = float(bounds.share[position]), float(bounds.probability[position])
        if np.isnan(share) or bounds.number < FEWEST:
            continue
        cell = int(spots.bed_cell[position])
        x, y = grid.xy(cell // grid.shape[1], cell % grid.shape[1])
        found.append(
            Finding(
                "low-spot-sureness", "note", f"low spot {position + 1}",
                measured=round(chance, 4), limit=_SURE, unit="1", source=_CHOICE,
                x=float(x), y=float(y),
                facts={
                    "there": round(share * bounds.number), "number": bounds.number,
                    "depth_low_m": float(bounds.depth_m[0, position]),
                    "depth_high_m": float(bounds.depth_m[-1, position]),
                    "chance": chance, "is_sure": chance >= _SURE, "is_likely": chance >= _DOUBTED,
                },
            )
        )  # fmt: skip
    return found


def inlet_findings(names: Sequence[str], measured_m2: FloatArray, bounds: Bounds) -> list[Finding]:
    """
    Say of inlets whose catchment the data leaves open, or the realisations do not bear out.

    `measured_m2` are their catchments on the measured surface. Fewer than 20 realisations say
    nothing.
    """
    if bounds.number < FEWEST:
        return []
    # what reaches all inlets at once is less than their upper bounds added
    together = float(bounds.together_m2[-1]) if len(names) > 1 else None
    found = []
    for position, name in enumerate(names):
        low, high = (float(bounds.catchment_m2[at, position]) for at in (0, -1))
        area = float(measured_m2[position])
        span = {"low_m2": low, "high_m2": high}
        if not low <= area <= high:
            facts: dict[str, float | None] = {"area_m2": area, **span}
            found.append(_inlet_finding("catchment-hangs-on-detail", name, area, high, facts))
        elif open_range(area, low, high):
            facts = {**span, "together_m2": together}
            found.append(_inlet_finding("catchment-unsure", name, high, OPEN * low, facts))
    return found


def _inlet_finding(
    rule: str, name: str, measured: float, limit: float, facts: Mapping[str, float | None]
) -> Finding:
    return Finding(
        rule, "note", name, measured=round(measured, 2), limit=round(limit, 2), unit="m2",
        source=_CHOICE, facts=facts,
    )  # fmt: skip


def holding_shares(paths: Sequence[FlowPath], routing: Routing, draining: FloatArray) -> FloatArray:
    """
    Share of realisations in which the water on each path goes to the same inlet, or to none.

    Parameters
    ----------
    paths
        Flow paths.
    routing
        On which they were traced.
    draining
        Shape (inlets, rows, columns): share of realisations in which a cell drains to each inlet.

    Returns
    -------
    shares
        Mean over the cells of each path but its last, which belongs to what it runs into; NaN
        without inlets, where all water goes to none, which says nothing.
    """
    if not len(draining):
        return np.full(len(paths), np.nan)
    goes_to = routing.label.ravel()
    each = draining.reshape(len(draining), -1)
    to_none = 1.0 - each.sum(axis=0)
    shares = np.full(len(paths), np.nan)
    for position, path in enumerate(paths):
        cells = path.cells[:-1]
        inlet = goes_to[cells]
        same = np.where(inlet > 0, each[np.maximum(inlet, 1) - 1, cells], to_none[cells])
        shares[position] = same.mean()
    return shares


def path_findings(
    names: Sequence[str], paths: Sequence[FlowPath], routing: Routing, shares: FloatArray,
    realisations: int,
) -> list[Finding]:  # fmt: skip
    """
    Say of each inlet which of the paths that lead to it does not hold, the largest of them.

    A thin swale or curb about as deep as the error leaks in every realisation, and never in
    truth: no realisation can tell whether it is there.

    Parameters
    ----------
    names
        Of the inlets.
    paths, routing
        Flow paths, and the routing with the inlets on which they were traced.
    shares
        From `holding_shares`.
    realisations
        How many were run; fewer than 20 say nothing.
    """
    if realisations < FEWEST:
        return []
    grid, label = routing.surface.ground, routing.label.ravel()
    found = []
    for number, name in enumerate(names, start=1):
        leading = [
            position
            for position, path in enumerate(paths)
            if label[path.cells[0]] == number
            and shares[position] < _HOLDS
            and path_length(path, grid) >= _LEAST_LENGTH_M
        ]
        if not leading:
            continue
        largest = max(leading, key=lambda position: paths[position].area)
        path, share = paths[largest], float(shares[largest])
        x, y = grid.xy(*divmod(int(path.cells[0]), grid.shape[1]))
        found.append(
            Finding(
                "path-hangs-on-detail", "note", name,
                measured=round(share, 3), limit=_HOLDS, unit="1", source=_CHOICE,
                x=float(x), y=float(y),
                facts={
                    "length_m": path_length(path, grid), "behind_m2": path.area * grid.cell_m2,
                    "there": round(share * realisations), "number": realisations,
                },
            )
        )  # fmt: skip
    return found
