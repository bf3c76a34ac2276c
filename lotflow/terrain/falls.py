"""The fall of the ground between any two named places, and how sure it is."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import combinations
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import pandas as pd

from lotflow.findings import Finding
from lotflow.layers import RESULT_LAYERS
from lotflow.layers.drawn import in_case
from lotflow.terrain.confidence import bounds_of

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from geopandas import GeoDataFrame
    from numpy.typing import NDArray

    from lotflow.grid import BoolArray, FloatArray, Grid
    from lotflow.layers.drawn import Case, Drawn
    from lotflow.terrain.inlet_places import SetInlet
    from lotflow.terrain.level_error import ErrorModel
    from lotflow.terrain.low_spots import LowSpots
    from lotflow.terrain.surface import Surface

#: More places than this are not paired: the list would be too long to be read.
_MOST_PLACES: Final = 40
#: Names that a finding lists.
_MOST_NAMES: Final = 5


@dataclass(frozen=True)
class NamedPlace:
    """
    A place whose level counts.

    Parameters
    ----------
    name, kind
        As drawn, or "low spot 1"; "inlet", "outlet", "opening" or "low spot".
    x, y
        Where it is.
    cell
        Flat index of its ground; of a place under a roof the open ground beside it.
    """

    name: str
    kind: str
    x: float
    y: float
    cell: int


def named_places(
    site: Drawn, case: Case, surface: Surface, lot: BoolArray, spots: LowSpots,
    placed: Sequence[SetInlet],
) -> tuple[NamedPlace, ...]:  # fmt: skip
    """
    List the inlets, outlets, openings and low spots of a lot, those drawn first.

    Parameters
    ----------
    site, case
        What is drawn, and the state of the drains.
    surface, lot
        The ground, and cells of the lot.
    spots
        Low spots.
    placed
        Inlets of the case.

    Returns
    -------
    places
        What lies off the data is left out.
    """
    return (
        *_inlets(placed, surface.ground),
        *_drawn(surface, in_case(site.outlets, case), "outlet"),
        *_drawn(surface, site.openings, "opening"),
        *_low_spots(spots, lot, surface.ground),
    )


def cells_of(places: Sequence[NamedPlace]) -> NDArray[np.int64]:
    """Cells of the ground of places."""
    return np.array([place.cell for place in places], dtype=np.int64)


def falls_left_out(places: Sequence[NamedPlace]) -> list[Finding]:
    """Say where there are too many places to tell the falls between all of them."""
    left_out = places[_MOST_PLACES:]
    if not left_out:
        return []
    return [
        Finding(
            "falls-left-out", "note", "falls",
            measured=len(places), limit=_MOST_PLACES, unit="1",
            source="lotflow's choice, no published source",
            facts={
                "told": _MOST_PLACES, "places": len(places),
                "left_out": tuple(place.name for place in left_out[:_MOST_NAMES]),
                "further": max(len(left_out) - _MOST_NAMES, 0),
            },
        )
    ]  # fmt: skip


def falls_table(
    grid: Grid, places: Sequence[NamedPlace], level_m: FloatArray, error: ErrorModel
) -> pd.DataFrame:
    """
    Give the fall between any two places, from the one that is higher on the measured ground.

    Parameters
    ----------
    grid
        The measured ground.
    places
        From `named_places`; the first 40 are paired.
    level_m
        Shape (realisations, places): their ground in each likely surface [m]. Fewer than 20
        give no bounds, unless the data have no error.
    error
        Of the elevation data.

    Returns
    -------
    falls
        Layer "falls" of the result.
    """
    places = places[:_MOST_PLACES]
    ground = grid.values.ravel()[[place.cell for place in places]] if places else np.zeros(0)
    rows: list[dict[str, Any]] = []
    for pair in combinations(range(len(places)), 2):
        upper, lower = pair if ground[pair[0]] >= ground[pair[1]] else pair[::-1]
        start, end = places[upper], places[lower]
        run = float(np.hypot(end.x - start.x, end.y - start.y)) * grid.metres_per_unit
        low, middle, high = bounds_of(level_m[:, upper] - level_m[:, lower], error)
        rows.append(
            {
                "from_place": start.name, "from_kind": start.kind,
                "to_place": end.name, "to_kind": end.kind, "distance_m": run,
                "fall_m": float(ground[upper] - ground[lower]),
                "fall_m_p05": float(low), "fall_m_p50": float(middle), "fall_m_p95": float(high),
                "slope": float(ground[upper] - ground[lower]) / run if run else np.nan,
                "is_certain": bool(low > 0),
            }
        )  # fmt: skip
    return pd.DataFrame(rows, columns=[column.name for column in RESULT_LAYERS["falls"].columns])


def _inlets(placed: Sequence[SetInlet], grid: Grid) -> Iterator[NamedPlace]:
    """Inlets on the cells they were set on; of a channel drain its first."""
    for inlet in placed:
        cell = int(inlet.cells[0])
        x, y = grid.xy(cell // grid.shape[1], cell % grid.shape[1])
        yield NamedPlace(inlet.drawn.name, "inlet", float(x), float(y), cell)


def _drawn(surface: Surface, layer: GeoDataFrame, kind: str) -> Iterator[NamedPlace]:
    """Points of a layer that have a name."""
    for name, point in zip(layer["name"], layer.geometry, strict=True):
        x, y = float(point.x), float(point.y)
        row, column = surface.ground.row_column(x, y)
        if isinstance(name, str) and surface.ground.contains(row, column):
            cell = int(surface.eave_cell[row, column])
            if not surface.missing.ravel()[cell]:
                yield NamedPlace(name, kind, x, y, cell)


def _low_spots(spots: LowSpots, lot: BoolArray, grid: Grid) -> Iterator[NamedPlace]:
    """Deepest points of the low spots on the lot that are no artefacts."""
    for position, cell in enumerate(spots.bed_cell.tolist()):
        if spots.artefact[position] or not lot.ravel()[cell]:
            continue
        x, y = grid.xy(cell // grid.shape[1], cell % grid.shape[1])
        yield NamedPlace(f"low spot {position + 1}", "low spot", float(x), float(y), cell)
