"""The map of a result as a picture: what is on it, and how it becomes a file."""

from __future__ import annotations

import logging
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any

from lotflow.outputs.drain_cases import main_case

if TYPE_CHECKING:
    from geopandas import GeoDataFrame

    from lotflow.grid import Grid
    from lotflow.units import UnitSystem


@dataclass(frozen=True)
class MapDrains:
    """
    Drains as a map shows them.

    Parameters
    ----------
    lines
        Lines of the system the result is for, drawn downstream.
    replaced
        Lines that are there today and go when that system is built.
    outlets
        Names of the outlets of that system, and where they are.
    """

    lines: tuple[Any, ...] = ()
    replaced: tuple[Any, ...] = ()
    outlets: tuple[tuple[str, Any], ...] = ()


def map_drains(layers: Mapping[str, Any]) -> MapDrains:
    """
    Choose what a map shows of the drains.

    Parameters
    ----------
    layers
        Layers of the result; `drain_lines` and `nodes` may be missing.
    """
    lines, nodes = layers.get("drain_lines"), layers.get("nodes")
    if lines is None or nodes is None or not len(lines):
        return MapDrains()
    main = main_case(nodes)
    ours, gone = lines["case"] == main, lines["status"] == "replaced"
    outlets = nodes[(nodes["case"] == main) & (nodes["kind"] == "outlet")]
    return MapDrains(
        tuple(lines.geometry[ours]),
        tuple(lines.geometry[gone & ~ours]),
        tuple(zip(outlets["name"].astype(str), outlets.geometry, strict=True)),
    )


@dataclass(frozen=True, eq=False)
class MapContent:
    """
    What a map shows; all layers in the CRS of the ground, with the columns of the result.

    Parameters
    ----------
    ground
        Elevation [m]; NaN where there is none.
    depth
        Depth of low spots below their spill level [m], on the same cells; 0 or NaN elsewhere.
    lot, buildings, low_spots, flow_paths, crossings, inlets, catchments
        Layers of the result (`crossings` is `lot_line_crossings`); any but `lot` may be empty.
    water
        Open water; may be empty.
    drains
        Drain lines and outlets.
    title
        Name of the lot.
    note
        What the map was made from: file, cell size, vertical accuracy.
    units
        "us" or "metric"; also the paper, Letter or A4.
    shares
        How likely each cell drains to an inlet [-], by its name, where that was found.
    """

    ground: Grid
    depth: Grid
    lot: GeoDataFrame
    buildings: GeoDataFrame
    water: GeoDataFrame
    low_spots: GeoDataFrame
    flow_paths: GeoDataFrame
    crossings: GeoDataFrame
    inlets: GeoDataFrame
    catchments: GeoDataFrame
    drains: MapDrains
    title: str
    note: str
    units: UnitSystem
    shares: Mapping[str, Grid] = field(default_factory=dict)


def map_bytes(content: MapContent) -> bytes:
    """
    Draw a map; the same content gives the same bytes.

    Parameters
    ----------
    content
        What it shows.

    Returns
    -------
    picture
        A PNG, one sheet of Letter or A4 paper across, true to the scale it states if printed
        so.
    """
    _without_advice()
    from lotflow.outputs.map_sheet import draw_sheet  # noqa: PLC0415 - matplotlib is slow to import

    return draw_sheet(content)


def get_ready() -> None:
    """Load what a map is drawn with, and fonts: worth it where drawing has to wait anyway."""
    import geopandas  # noqa: F401, PLC0415 - what a map shows comes in its frames

    _without_advice()
    from lotflow.outputs.map_sheet import practise  # noqa: PLC0415 - matplotlib is slow to import

    practise()


def draw_map(content: MapContent, path: Path) -> None:
    """
    Draw a map into a file.

    Parameters
    ----------
    content
        What it shows.
    path
        PNG file to be written; one that is there is replaced.
    """
    path.write_bytes(map_bytes(content))


def _without_advice() -> None:
    """Where there is no home, the library would advise on stderr about a folder of its own."""
    logging.getLogger("matplotlib").setLevel(logging.ERROR)
