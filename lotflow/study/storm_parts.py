"""What enters the drains of a case: the parts of catchments and the roofs led into nodes."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from lotflow.drains.pipes import leader_capacity
from lotflow.runoff.catchment_parts import PART_KINDS, landing_parts
from lotflow.runoff.concentration import MINIMUM_TIME_S

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from lotflow.grid import FloatArray
    from lotflow.runoff.catchment_parts import CatchmentParts, PartWay
    from lotflow.runoff.covers import GroundCover
    from lotflow.terrain.flow_paths import Courses
    from lotflow.terrain.roofs import RoofWater

ROOF: Final = "roof"


@dataclass(frozen=True, eq=False)
class PartGround:
    """
    Ground of every part that enters the drains.

    Parameters
    ----------
    names
        Of the nodes: inlets in their order, then what else downspouts lead into.
    node
        Shape (parts,): position in `names`.
    kind
        Of each part: "paved", "unpaved" or "roof".
    way
        Way that times each part; None where it arrives at once, such as a roof.
    fixed
        Shape (parts, kinds of ground): cells while no gutter overflows.
    moved
        Shape (downspouts, parts, kinds of ground): cells that change part when the gutter of a
        downspout overflows as a whole.
    """

    names: tuple[str, ...]
    node: NDArray[np.int64]
    kind: tuple[str, ...]
    way: tuple[PartWay | None, ...]
    fixed: FloatArray
    moved: FloatArray

    @property
    def time_s(self) -> FloatArray:
        """Shape (parts,): time of concentration [s]."""
        times = [MINIMUM_TIME_S if way is None else way.time.time_s for way in self.way]
        return np.array(times, dtype=np.float64)

    def longest_way(self, node: int) -> PartWay | None:
        """
        Slowest way to a node; None where nothing but roofs reaches it.

        Parameters
        ----------
        node
            Its position.
        """
        parts = np.flatnonzero(self.node == node).tolist()
        ways = [way for part in parts if (way := self.way[part]) is not None]
        return max(ways, key=lambda way: way.time.travel_s, default=None)

    def cells(self, overflow: FloatArray) -> FloatArray:
        """
        Cells of each kind of ground in each part.

        Parameters
        ----------
        overflow
            Shape (downspouts, storms): share of its roof's water that falls at the eaves [-].

        Returns
        -------
        cells
            Shape (parts, kinds of ground, storms).
        """
        change = np.einsum("dpk,ds->pks", self.moved, overflow)
        return np.asarray(np.maximum(self.fixed[:, :, None] + change, 0.0))


def overflow_intensity(roofs: RoofWater, coefficient: float) -> FloatArray:
    """
    Rain from which the leader of each downspout overflows.

    Parameters
    ----------
    roofs
        With their downspouts.
    coefficient
        Runoff coefficient of roofs [-].

    Returns
    -------
    intensity
        Shape (downspouts,); infinite where the leader's diameter is not given [m/s].
    """
    diameter = np.array([downspout.leader_m for downspout in roofs.downspouts])
    shed = coefficient * roofs.cells * roofs.surface.ground.cell_m2
    limit = np.full(len(roofs.downspouts), np.inf)
    known = (diameter > 0) & (shed > 0)
    limit[known] = np.asarray(leader_capacity(diameter[known])) / shed[known]
    return limit


def part_ground(
    courses: Courses,
    names: Sequence[str],
    cover: GroundCover,
    roofs: RoofWater,
    catchments: CatchmentParts,
) -> PartGround:
    """
    List the parts that enter the drains, those without any ground left out.

    A part of a catchment that is not directly connected pavement counts from the time at which
    the last of the whole catchment arrives. Roofs led into drains arrive after the minimum time.

    Parameters
    ----------
    courses
        To the inlets.
    names
        Of the inlets.
    cover
        Of every cell.
    roofs
        With their downspouts.
    catchments
        From `catchment_parts` for the same courses.
    """
    nodes = [*names, *dict.fromkeys(d.node for d in roofs.downspouts if d.node not in ("", *names))]
    fixed, moved = _cells(courses, nodes, cover, roofs, catchments)
    count, split = len(names), len(PART_KINDS)
    way = [_governing_way(catchments, part) for part in range(split * count)]
    way += [None] * len(nodes)
    node = np.concatenate([np.repeat(np.arange(count), split), np.arange(len(nodes))])
    kind = [*PART_KINDS * count, *[ROOF] * len(nodes)]
    kept = np.flatnonzero(fixed.any(axis=1) | moved.any(axis=(0, 2)))
    return PartGround(
        tuple(nodes), node[kept], tuple(kind[i] for i in kept),
        tuple(way[i] for i in kept), fixed[kept], moved[:, kept],
    )  # fmt: skip


def downspout_ground(roofs: RoofWater, cover: GroundCover) -> PartGround:
    """
    Give the roof of each downspout as a part of its own.

    Parameters
    ----------
    roofs
        With their downspouts.
    cover
        Of every cell.
    """
    count, kinds = len(roofs.downspouts), len(cover.keys)
    served = roofs.served > 0
    place = (roofs.served[served] - 1) * kinds + cover.number[served]
    share = roofs.surface.share[served]
    fixed = np.bincount(place, weights=share, minlength=count * kinds).astype(np.float64)
    fixed = fixed.reshape(count, kinds)
    return PartGround(
        tuple(downspout.name for downspout in roofs.downspouts),
        np.arange(count), (ROOF,) * count, (None,) * count,
        fixed, -np.eye(count)[:, :, None] * fixed,
    )  # fmt: skip


def _governing_way(catchments: CatchmentParts, part: int) -> PartWay | None:
    """Way that times a part: its own where paved, that of the whole catchment where not."""
    target, is_unpaved = divmod(part, len(PART_KINDS))
    return catchments.longest_way(target) if is_unpaved else catchments.ways[part]


def _cells(
    courses: Courses,
    nodes: Sequence[str],
    cover: GroundCover,
    roofs: RoofWater,
    catchments: CatchmentParts,
) -> tuple[FloatArray, FloatArray]:
    """Cells of all parts without overflow, and what the overflow of each downspout moves."""
    surface, kinds = roofs.surface, len(cover.keys)
    ground = catchments.cells.shape[0]
    downspouts = len(roofs.downspouts)
    at_eaves = landing_parts(courses, cover, surface.eave_cell)
    node_part = [
        ground + list(nodes).index(downspout.node) if downspout.node else -1
        for downspout in roofs.downspouts
    ]
    served = roofs.served > 0
    number = roofs.served[served] - 1
    led = np.array(node_part, dtype=np.int64)[number]
    before = np.where(led >= 0, led, catchments.part[served])
    shape = (downspouts, ground + len(nodes), kinds)

    def counted(part: NDArray[np.int64]) -> FloatArray:
        known = part >= 0
        place = np.ravel_multi_index(
            (number[known], part[known], cover.number[served][known]), shape
        )
        share = surface.share[served][known]
        cells = np.bincount(place, weights=share, minlength=int(np.prod(shape)))
        return cells.reshape(shape).astype(np.float64)

    come_down = counted(before)
    fixed = np.zeros(shape[1:])
    fixed[:ground] = catchments.cells
    fixed[ground:] = come_down[:, ground:].sum(axis=0)
    return fixed, counted(at_eaves[served]) - come_down
