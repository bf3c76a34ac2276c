"""
The only module that speaks to richdem: depression hierarchy, fill, ponding, accumulation.

richdem's habits are dealt with here and nowhere else: it is handed contiguous double-precision
arrays without missing values and with a geotransform, its printing is silenced, and arrays it
changes in place are copies.
"""

from __future__ import annotations

import contextlib
import io
import os
import sys
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from lotflow.errors import EngineError, Fault, InputError, ParameterError
from lotflow.terrain.kernels import directions, first_labels, flooded_levels
from lotflow.terrain.loops.neighbours import DirectionArray

if TYPE_CHECKING:
    from collections.abc import Iterator

    from numpy.typing import NDArray

    from lotflow.grid import BoolArray, FloatArray, IntArray


@contextlib.contextmanager
def _silenced() -> Iterator[None]:
    """
    Keep what compiled code prints off both streams; process-wide, not for threads.

    Examples
    --------
    >>> import os
    >>> with _silenced():
    ...     written = os.write(1, b"progress")
    """
    sys.stdout.flush()
    sys.stderr.flush()
    kept: list[tuple[int, int]] = []
    null = os.open(os.devnull, os.O_WRONLY)
    try:
        for stream in (1, 2):
            with contextlib.suppress(OSError):  # a closed stream needs no silencing
                kept.append((stream, os.dup(stream)))
                os.dup2(null, stream)
        with contextlib.redirect_stdout(io.StringIO()), contextlib.redirect_stderr(io.StringIO()):
            yield
    finally:
        for stream, copy in kept:
            os.dup2(copy, stream)
            os.close(copy)
        os.close(null)


try:
    import richdem
    from _richdem import depression_hierarchy as _hierarchy
except ImportError as reason:
    raise EngineError(
        f"richdem with depression hierarchy is not installed ({reason}). "
        "Install it with: pip install 'richdem2>=2.4.3'."
    ) from reason

if not hasattr(richdem, "fill_spill_merge") or not hasattr(richdem, "FlowAccumFromProps"):
    raise EngineError(
        "The package that imports as richdem has no fill_spill_merge: another distribution has "
        "overwritten richdem2. Repair it with: pip install --force-reinstall 'richdem2>=2.4.3'."
    )

#: Elevations are rounded to this [m], about four micrometres: sums and differences of multiples
#: of a power of two are exact, so that level water is level to the last bit and flats stay flats.
#: Not finer, since the engine leaves a dip of less than a micrometre unfilled.
LEVEL_STEP: Final = 2.0**-18

_NODATA: Final = -9999.0
_GEOTRANSFORM: Final = [0.0, 1.0, 0.0, 0.0, 0.0, -1.0]
_OCEAN_LABEL: Final = int(_hierarchy.OCEAN)
_NO_LABEL: Final = int(_hierarchy.NO_VALUE)

#: Relief above this, and its levels no longer fit into whole numbers of 32 bits [m].
MOST_RELIEF_M: Final = (2**31 - 1) * LEVEL_STEP

#: Flow shares of a cell by its direction, in the engine's nine bands: the first is 0 where the
#: cell flows on and -1 at a drain, the others are the share of each neighbour.
_SHARES: Final = np.full((9, 9), -1.0, dtype=np.float32)
_SHARES[1:, 0] = 0.0
np.fill_diagonal(_SHARES[1:, 1:], 1.0)

RULES: Final = ("ltd", "steepest", "richdem-d8")


def _engine_array(values: NDArray[Any], no_data: float = _NODATA) -> Any:
    """Hand richdem its own copy, contiguous and with a geotransform."""
    array = richdem.rdarray(np.array(values, order="C", copy=True), no_data=no_data)
    array.geotransform = _GEOTRANSFORM
    return array


def check_surface(elevation: FloatArray, drain: BoolArray) -> None:
    """
    Refuse what would hang or crash the engine.

    The elevation must be finite everywhere and the outer ring drains, or a ParameterError is
    raised.
    """
    if elevation.shape != drain.shape or elevation.ndim != 2 or min(elevation.shape) < 3:
        raise ParameterError(f"surface {elevation.shape} and drains {drain.shape} do not fit.")
    if not np.isfinite(elevation).all():
        raise ParameterError("a surface must be finite everywhere before it is filled.")
    if not (drain[0].all() and drain[-1].all() and drain[:, 0].all() and drain[:, -1].all()):
        raise ParameterError("the outer ring of a window must be drains.")


def level_steps(elevation: FloatArray) -> FloatArray:
    """
    Round elevations to `LEVEL_STEP`.

    Examples
    --------
    >>> surface = level_steps(np.array([0.1, 31.42]))
    >>> bool((abs(surface - [0.1, 31.42]) < 2e-6).all())
    True
    """
    return np.asarray(np.round(np.asarray(elevation, dtype=np.float64) / LEVEL_STEP) * LEVEL_STEP)


def whole_levels(elevation: FloatArray) -> IntArray:
    """
    Give elevations in whole steps of `LEVEL_STEP` above the lowest.

    Raises
    ------
    InputError
        If the relief is greater than that of any ground: 8,191 m.
    """
    check_relief(elevation)
    steps = np.rint(np.asarray(elevation, dtype=np.float64) / LEVEL_STEP)
    return np.asarray(steps - steps.min(), dtype=np.int32)


def check_relief(elevation: FloatArray) -> None:
    """Refuse a surface whose levels do not fit into whole numbers, see `whole_levels`."""
    low, high = float(elevation.min()), float(elevation.max())
    if not high - low < MOST_RELIEF_M:
        raise InputError(
            Fault(
                f"the surface reaches from {low:,.0f} m to {high:,.0f} m, "
                f"more than {int(MOST_RELIEF_M):,} m in height: this is no ground",
                "Look for cells without data that the elevation raster does not declare as such, "
                "and check its vertical unit",
            )
        )


def filled_by_flood(elevation: FloatArray, drain: BoolArray) -> FloatArray:
    """Fill a surface of whole steps: as `Hierarchy.filled` to the last bit, but sooner [m]."""
    level = flooded_levels(whole_levels(elevation), drain)
    return np.asarray(level * LEVEL_STEP + elevation.min(), dtype=np.float64)


@dataclass(frozen=True)
class Depression:
    """
    One node of the depression hierarchy.

    Parameters
    ----------
    pit_cell, out_cell
        Flat indices of its deepest cell and of the cell over which it overflows.
    pit_elevation, out_elevation
        Their elevations [m].
    parent
        The depression it merges into with its neighbour, or None.
    children
        The two depressions that merge into it, or an empty tuple.
    volume
        Below its overflow level [m times cells].
    """

    label: int
    pit_cell: int
    out_cell: int
    pit_elevation: float
    out_elevation: float
    parent: int | None
    children: tuple[int, ...]
    volume: float


@dataclass(frozen=True, eq=False)
class Hierarchy:
    """
    The depression hierarchy of one surface with one set of drains.

    The surface is rounded to `LEVEL_STEP`; `engine` holds richdem's own elevation, labels,
    directions, depressions.
    """

    elevation: FloatArray
    drain: BoolArray
    engine: tuple[Any, Any, Any, Any]

    def ponding(self, depth: FloatArray) -> FloatArray:
        """
        Depth of standing water when a depth of runoff has run where it runs.

        Parameters
        ----------
        depth
            Runoff of each cell [m].

        Returns
        -------
        ponding
            Water depth [m]; 0 at drains. Volume is conserved but for what reaches drains.

        References
        ----------
        Barnes, Callaghan, Wickert (2021), Computing water flow through complex landscapes,
        part 3: fill-spill-merge, Earth Surface Dynamics 9.
        """
        elevation, labels, directions, depressions = self.engine
        with _silenced():
            water = _engine_array(np.asarray(depth, dtype=np.float64))
            # the engine keeps water volumes in the depressions: a fresh list for each storm
            richdem.fill_spill_merge(elevation, labels, directions, depressions, water)
        result = np.array(water, dtype=np.float64)
        result[self.drain] = 0.0
        return np.maximum(result, 0.0)

    def filled(self) -> FloatArray:
        """Surface with every depression filled to its spill level [m]."""
        spill_level = self._spill_levels()[np.asarray(self.engine[1])]
        return np.asarray(np.maximum(self.elevation, spill_level))

    def _spill_levels(self) -> FloatArray:
        """Level at which water from each depression first reaches a drain, by label [m]."""
        nodes = self.engine[3]
        overflow = np.array([node.out_elev for node in nodes])
        # what merges into nothing larger overflows to a drain, at last; its "parent" is then
        # another depression on the way there
        into = np.array(
            [
                node.dep_label if node.ocean_parent or node.parent == _NO_LABEL else node.parent
                for node in nodes
            ]
        )
        overflow[_OCEAN_LABEL], into[_OCEAN_LABEL] = -np.inf, _OCEAN_LABEL
        while (into[into] != into).any():
            into = into[into]
        return np.asarray(overflow[into])

    def depressions(self, least_depth: float = 0.0) -> dict[int, Depression]:
        """
        Depressions with an overflow, by label.

        Parameters
        ----------
        least_depth
            Shallower ones are left out [m].
        """
        found: dict[int, Depression] = {}
        deepest: dict[int, tuple[float, int]] = {}
        for node in self.engine[3]:  # children stand before the depression they merge into
            label, out = node.dep_label, node.out_elev
            children = tuple(child for child in (node.lchild, node.rchild) if child != _NO_LABEL)
            # of a merged depression the engine keeps no deepest point
            pit = min(
                (deepest[child] for child in children), default=(node.pit_elev, node.pit_cell)
            )
            deepest[label] = pit
            if (
                label == _OCEAN_LABEL
                or not np.isfinite(out)
                or out - pit[0] < least_depth - LEVEL_STEP
            ):
                continue
            parent = None if node.parent in (_OCEAN_LABEL, _NO_LABEL) else int(node.parent)
            found[label] = Depression(
                label, pit[1], int(node.out_cell), pit[0], out, parent, children, node.dep_vol
            )
        return found


def depression_hierarchy(elevation: FloatArray, drain: BoolArray) -> Hierarchy:
    """
    Find every depression, and into which it overflows.

    Of a surface that is finite everywhere [m]; drains are the outer ring, inlets, open water and
    missing data. A ParameterError is raised where the surface is not what the engine can take.

    References
    ----------
    Barnes, Callaghan, Wickert (2020), Computing water flow through complex landscapes, part 2:
    finding hierarchies in depressions and morphological segmentations, Earth Surface Dynamics 8.
    """
    check_surface(elevation, drain)
    surface = level_steps(elevation)
    with _silenced():
        engine_elevation = _engine_array(surface)
        labels = np.full(surface.shape, _hierarchy.NO_DEP, dtype=np.uint32)
        labels[drain] = _hierarchy.OCEAN
        engine_labels = _engine_array(labels, no_data=0)
        directions = _engine_array(np.zeros(surface.shape, dtype=np.int8), no_data=-1)
        depressions = _hierarchy.get_depression_hierarchy(
            engine_elevation.wrap(), engine_labels.wrap(), directions.wrap()
        )
    return Hierarchy(
        surface, drain.copy(), (engine_elevation, engine_labels, directions, depressions)
    )


@dataclass(frozen=True, eq=False)
class FlowField:
    """
    Where each cell's water goes.

    Parameters
    ----------
    filled
        Surface without depressions [m].
    drain
        Cells that swallow water.
    direction
        1 to 8 for W NW N NE E SE S SW; 0 at drains.
    order
        Flat indices of cells by rising elevation: every cell stands after the one it drains to.
    """

    filled: FloatArray
    drain: BoolArray
    direction: DirectionArray
    order: NDArray[np.int64]

    def labels(self, label: IntArray) -> IntArray:
        """
        Hand labels up to every cell whose water reaches them.

        Parameters
        ----------
        label
            Number of a drain, or of any cell that is asked about; 0 elsewhere. A cell with a
            number keeps it: the first one met on the way down counts.
        """
        return first_labels(self.direction, self.order, label.astype(np.int32))

    def accumulated(self, weight: FloatArray) -> FloatArray:
        """
        Sum weights down the directions, by richdem.

        Parameters
        ----------
        weight
            What each cell adds, in the unit of the result.

        Returns
        -------
        total
            What passes through each cell, its own weight included.
        """
        with _silenced():
            engine_shares = richdem.rd3array(_SHARES.take(self.direction, axis=0), no_data=-2)
            engine_shares.geotransform = _GEOTRANSFORM
            total = richdem.FlowAccumFromProps(
                engine_shares, weights=_engine_array(weight.astype(np.float64))
            )
        return np.array(total, dtype=np.float64)


def flow_field(filled: FloatArray, drain: BoolArray, *, rule: str = "ltd") -> FlowField:
    """
    Give every cell of a filled surface a way out.

    The rule is "ltd" (least transversal deviation), "steepest", or "richdem-d8" (lowest neighbour,
    as richdem has it). A ParameterError is raised where it is unknown or the surface still holds a
    depression, an InputError where the surface is too high for whole levels.
    """
    if rule not in RULES:
        raise ParameterError(f"direction rule {rule!r} is none of {', '.join(RULES)}.")
    check_surface(filled, drain)
    direction, order, steps = directions(whole_levels(filled), drain, rule)
    if (steps < 0).any():
        raise ParameterError("the surface still holds a depression: fill it first.")
    return FlowField(filled, drain, direction, order)
