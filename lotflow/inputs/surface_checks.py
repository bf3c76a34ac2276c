"""What the elevations tell of gaps, steps, their own rounding, and of how well tiles meet."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from typing import Final

import numpy as np
from numpy.typing import NDArray

from lotflow.errors import Fault
from lotflow.findings import Finding, Severity
from lotflow.grid import BoolArray, FloatArray
from lotflow.inputs.tiles import Pasted
from lotflow.units import both_units

Cells = NDArray[np.intp]
#: From row and column of a window to coordinates of the result.
Locate = Callable[[int, int], tuple[float, float]]

#: Ground on a lot does not rise by this much from one cell to the next [m]; walls of standing
#: buildings, cliffs and damage do.
STEP_LIMIT_M: Final = 5.0
#: A cell this far above or below all its neighbours [m], and further than they are apart from
#: each other, stands alone: three times the error of good public data.
_LONE_LIMIT_M: Final = 0.30
#: Share of the window without a value from which the gaps are more than a note.
_GAP_LIMIT: Final = 0.10
#: A step along a seam below this is within what tiles of one survey differ by [m].
_SEAM_LIMIT_M: Final = 0.05
#: ... and below this many times the step along lines beside the seam it is the ground's own.
_SEAM_TIMES: Final = 3.0
#: Fewer pairs of cells than this tell nothing of a seam.
_SEAM_PAIRS: Final = 5
#: The lines beside a seam, in cells from it; nearer ones share cells with it.
_BESIDE: Final = (-9, -8, -7, -6, -5, -4, -3, 3, 4, 5, 6, 7, 8, 9)
_RULE: Final = "lotflow's rule"
#: Elevations that are rounded to steps above the first [m] hide what a lot's drainage depends on;
#: from the second on, half a metre, no honest slope of a lot follows.
_STEP_NOTED_M: Final = 0.05
_STEP_REFUSED_M: Final = 0.5
#: Fewer levels than this on a lot tell no direction of flow, where their steps are noted.
_LEAST_LEVELS: Final = 4
#: Share of the cells that must stand on steps for the raster to be called rounded.
_ON_STEPS: Final = 0.9
#: Fewer cells than this tell nothing of their rounding.
_LEAST_CELLS: Final = 50
#: A share of level cells on the lot above this is said.
_LEVEL_LIMIT: Final = 0.5


def _step_of_values(values: FloatArray) -> float:
    """
    Measure to which step elevations are rounded; 0 where to none that can be told.

    At least nine in ten cells must stand on multiples of one step from one another, so that a few
    filled or resampled cells hide nothing. Of steps that grow with the elevation, as those of
    half-float numbers, the least counts.

    Examples
    --------
    >>> ground = np.linspace(10.0, 12.0, 400) + np.sin(np.arange(400.0))
    >>> _step_of_values(ground), round(_step_of_values(np.round(ground / 0.3048) * 0.3048), 4)
    (0.0, 0.3048)
    """
    known = values[np.isfinite(values)]
    if known.size < _LEAST_CELLS:
        return 0.0
    levels, count = np.unique(known, return_counts=True)
    noise = 4.0 * float(np.spacing(np.float32(np.abs(known).max())))
    step = _common_step(levels, count, noise)
    if not step and count.max() > known.size / 2:
        # the one level that most cells have is open water, or what gaps were filled with
        most = count == count.max()
        step = _common_step(levels[~most], count[~most], noise)
    return step


def _common_step(levels: FloatArray, count: Cells, noise: float) -> float:
    """Give the step of which the gaps between the commonest levels are multiples; 0 for none."""
    if not levels.size:
        return 0.0
    order = np.argsort(-count, kind="stable")
    enough = int(np.searchsorted(np.cumsum(count[order]), _ON_STEPS * count.sum())) + 1
    gaps = np.diff(np.sort(levels[order[:enough]]))
    gaps = gaps[gaps > noise]
    if not gaps.size:
        return 0.0
    least = float(gaps.min())
    # gaps that are no multiples of the least are no rounding
    off = np.abs(gaps / least - np.round(gaps / least)) * least
    return 0.0 if (off > noise + 0.01 * least).any() else least


def widened_rmse(rmse_m: float, step_m: float) -> float:
    """
    Add the error of rounding to that of the survey [m].

    Parameters
    ----------
    rmse_m
        Vertical accuracy of the elevation data [m].
    step_m
        To which they are rounded [m].

    References
    ----------
    Standard deviation of a rounding error: step / sqrt(12). JCGM 100:2008 (GUM), F.2.2.1.

    Examples
    --------
    >>> round(widened_rmse(0.10, 0.3048), 3)
    0.133
    """
    return float(np.sqrt(rmse_m**2 + step_m**2 / 12.0)) if step_m > _STEP_NOTED_M else rmse_m


def rounding_check(
    values: FloatArray, lot: BoolArray, subject: str
) -> tuple[float, list[Finding], list[Fault]]:
    """
    Say to which step the elevations are rounded, and where nothing follows from them.

    Parameters
    ----------
    values
        Elevations [m]; NaN where missing.

    Returns
    -------
    step_m
        To which they are rounded [m]; 0 where they are not.
    findings, faults
        Steps that hide what a lot drains by; those of which nothing honest follows.
    """
    step = _step_of_values(values)
    if step <= _STEP_NOTED_M:
        return step, [], []
    levels = int(np.unique(np.round(values[lot & np.isfinite(values)] / step)).size)
    if step >= _STEP_REFUSED_M or levels < _LEAST_LEVELS:
        know = "1 level" if levels == 1 else f"{levels} levels"
        rule = (
            f"the elevations are rounded to steps of {both_units(step, 'elevation')}, and know "
            f"{know} on the lot: no slope, low spot or catchment follows"
        )
        remedy = "Use data with centimetres, as from airborne lidar, and do not round them"
        return step, [], [Fault(rule, remedy, file=subject)]
    found = Finding(
        "coarse-levels", "warn", subject, facts={"step_m": step},
        measured=round(step, 4), limit=_STEP_NOTED_M, unit="m", source=_RULE,
    )  # fmt: skip
    return step, [found], []


def level_check(
    values: FloatArray, lot: BoolArray, subject: str, locate: Locate
) -> tuple[list[Finding], list[Fault]]:
    """
    Say which part of the lot is level to the last digit, and refuse a lot that is so throughout.

    Parameters
    ----------
    values
        Elevations [m]; NaN where missing.
    lot
        Cells of the lot without buildings and water, which may be level.
    locate
        Gives the coordinates of a cell.
    """
    own = values[lot & np.isfinite(values)]
    if not own.size:
        return [], []
    if np.ptp(own) == 0:
        rule = (
            f"every cell of the lot has the same elevation, {both_units(float(own[0]), 'length')}: "
            "on level ground no water has a way, and catchments have no meaning"
        )
        remedy = "Use data that show the ground; check scale, rounding and gaps that were filled"
        return [], [Fault(rule, remedy, file=subject)]
    level = lot & _is_level(values)
    share = float(level.sum() / own.size)
    if share <= _LEVEL_LIMIT:
        return [], []
    row, column = (int(i) for i in np.argwhere(level)[len(np.argwhere(level)) // 2])
    x, y = locate(row, column)
    found = Finding(
        "level-ground", "warn", subject, facts={"share": share},
        measured=round(share, 4), limit=_LEVEL_LIMIT, unit="1", source=_RULE, x=x, y=y,
    )  # fmt: skip
    return [found], []


def _is_level(values: FloatArray) -> BoolArray:
    """Mark cells that have the elevation of all eight neighbours."""
    padded = np.pad(values, 1, mode="edge")
    rows, columns = values.shape
    level = np.ones(values.shape, dtype=np.bool_)
    for row in range(3):
        for column in range(3):
            level &= padded[row : row + rows, column : column + columns] == values
    return level


def gap_check(values: FloatArray, subject: str) -> list[Finding]:
    """Say how much of a window has no elevation."""
    share = float(np.isnan(values).mean())
    if share == 0:
        return []
    severity: Severity = "warn" if share > _GAP_LIMIT else "note"
    return [
        Finding(
            "missing-elevations", severity, subject, facts={"share": share},
            measured=share, limit=_GAP_LIMIT, unit="1", source=_RULE,
        )
    ]  # fmt: skip


def step_check(values: FloatArray, subject: str, locate: Locate) -> list[Finding]:
    """
    Count neighbouring cells that differ by more than ground does, and name the worst.

    Examples
    --------
    >>> surface = np.array([[1.0, 1.1, 9.0], [1.0, 1.0, 1.2]])
    >>> (found,) = step_check(surface, "dem.tif", lambda row, column: (column + 0.5, -row - 0.5))
    >>> round(found.measured, 1), found.x, found.y
    (7.9, 2.5, -0.5)
    """
    count, worst = 0, 0.0
    place: tuple[int, int] | None = None
    for axis in (0, 1):
        step = np.abs(np.diff(values, axis=axis))
        step[np.isnan(step)] = 0.0
        count += int(np.count_nonzero(step > STEP_LIMIT_M))
        if step.size and step.max() > max(worst, STEP_LIMIT_M):
            row, column = (int(i) for i in np.unravel_index(int(step.argmax()), step.shape))
            worst = float(step[row, column])
            place = (row + (axis == 0), column + (axis == 1))
    if place is None:
        return []
    x, y = locate(*place)
    found = Finding(
        "elevation-steps", "warn", subject,
        facts={"places": count, "limit_m": STEP_LIMIT_M, "most_m": worst},
        measured=worst, limit=STEP_LIMIT_M, unit="m", source=_RULE, x=x, y=y,
    )  # fmt: skip
    return [found]


def lone_cell_check(values: FloatArray, subject: str, locate: Locate) -> list[Finding]:
    """
    Count cells that stand far above or below all their neighbours, which agree among themselves.

    Examples
    --------
    >>> surface = np.full((3, 3), 20.0)
    >>> surface[1, 1] = 19.5
    >>> (found,) = lone_cell_check(surface, "dem.tif", lambda row, column: (column, row))
    >>> found.measured, found.x, found.y
    (0.5, 1, 1)
    """
    rows, columns = values.shape
    if rows < 3 or columns < 3:
        return []
    highest = np.full((rows - 2, columns - 2), np.nan)
    lowest = highest.copy()
    for row in range(3):
        for column in range(3):
            if (row, column) != (1, 1):
                beside = values[row : rows - 2 + row, column : columns - 2 + column]
                np.fmax(highest, beside, out=highest)
                np.fmin(lowest, beside, out=lowest)
    own = values[1:-1, 1:-1]
    away = np.maximum(own - highest, lowest - own)
    is_lone = away > np.maximum(_LONE_LIMIT_M, highest - lowest)
    if not is_lone.any():
        return []
    away[~is_lone] = 0.0
    row, column = (int(i) for i in np.unravel_index(int(away.argmax()), away.shape))
    x, y = locate(row + 1, column + 1)
    most = float(away.max())
    found = Finding(
        "lone-elevation", "note", subject,
        facts={"cells": int(np.count_nonzero(is_lone)), "most_m": most},
        measured=most, limit=_LONE_LIMIT_M, unit="m", source=_RULE, x=x, y=y,
    )  # fmt: skip
    return [found]


def seam_check(pasted: Pasted, names: Sequence[str], locate: Locate) -> list[Finding]:
    """
    Compare the step along each seam of two tiles with what the ground either side explains.

    The step is the median, along the seam, of the difference across it less the mean of the
    differences just before and just after it. It is measured the same way along lines a few
    cells beside the seam; three times their median is the ground's own.

    One finding per seam whose step exceeds the limit, at the seam's middle.
    """
    return [
        found
        for axis in (0, 1)
        for pair, cells in _seams(pasted, axis)
        if (found := _seam_finding(pasted.values, axis, cells, [names[i] for i in pair], locate))
    ]


def _seams(pasted: Pasted, axis: int) -> Iterator[tuple[tuple[int, int], Cells]]:
    """Give, per pair of tiles, the cells just behind their seam, shape (n, 2)."""
    if pasted.owner.max(initial=-1) < 1:
        return
    owner = np.moveaxis(pasted.owner, axis, 0)
    before, behind = owner[:-1], owner[1:]
    cells = np.argwhere((before != behind) & (before >= 0) & (behind >= 0))
    pairs = np.stack([before[tuple(cells.T)], behind[tuple(cells.T)]], axis=1)
    pairs.sort(axis=1)
    for first, second in np.unique(pairs, axis=0):
        own = (pairs == (first, second)).all(axis=1)
        yield (int(first), int(second)), np.add(cells[own], (1, 0))


def _seam_finding(
    values: FloatArray, axis: int, cells: Cells, names: Sequence[str], locate: Locate
) -> Finding | None:
    """Measure one seam."""
    turned = np.moveaxis(values, axis, 0)
    step, pairs = _median_step(turned, cells)
    if pairs < _SEAM_PAIRS:
        return None
    beside = [_median_step(turned, np.add(cells, (shift, 0))) for shift in _BESIDE]
    usual = [abs(one) for one, count in beside if count >= _SEAM_PAIRS]
    limit = max(_SEAM_LIMIT_M, _SEAM_TIMES * float(np.median(usual))) if usual else _SEAM_LIMIT_M
    if abs(step) <= limit:
        return None
    middle = [int(i) for i in cells[len(cells) // 2]]
    x, y = locate(*(middle if axis == 0 else middle[::-1]))
    return Finding(
        "tile-seam-step", "warn", " | ".join(names),
        facts={"step_m": abs(step), "first": names[0], "second": names[1]},
        measured=abs(step), limit=limit, unit="m", source=_RULE, x=x, y=y,
    )  # fmt: skip


def _median_step(values: FloatArray, cells: Cells) -> tuple[float, int]:
    """Step from the row before to the row of the cells, less the slope; and of how many pairs."""
    rows = values.shape[0]
    cells = cells[(cells[:, 0] >= 2) & (cells[:, 0] < rows - 1)]
    row, column = cells.T
    across = values[row, column] - values[row - 1, column]
    before = values[row - 1, column] - values[row - 2, column]
    after = values[row + 1, column] - values[row, column]
    step = across - (before + after) / 2
    step = step[~np.isnan(step)]
    return (float(np.median(step)) if step.size else 0.0), int(step.size)
