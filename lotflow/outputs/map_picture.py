"""The map of a result as a picture: what is on it, and how it becomes a file."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from lotflow.outputs.result_file import ResultFile, bytes_file

if TYPE_CHECKING:
    from geopandas import GeoDataFrame

    from lotflow.grid import Grid
    from lotflow.units import UnitSystem


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
    title
        Name of the lot.
    note
        What the map was made from: file, cell size, vertical accuracy.
    units
        "us" or "metric"; also the paper, Letter or A4.
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
    title: str
    note: str
    units: UnitSystem


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
    from lotflow.outputs.map_sheet import draw_sheet  # noqa: PLC0415 - matplotlib is slow to import

    return draw_sheet(content)


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


def map_file(name: str, picture: bytes) -> ResultFile:
    """
    Make a result file of a map.

    Parameters
    ----------
    name
        Name in the result folder.
    picture
        As `map_bytes` gives it.
    """
    return bytes_file(name, picture)
