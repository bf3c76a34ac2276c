"""Neighbouring rasters as one: the same cells, pasted, and how well they meet."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from affine import Affine
from numpy.typing import NDArray

from lotflow.errors import Fault, InputError
from lotflow.grid import FloatArray
from lotflow.inputs.raster_header import RasterHeader, Window

#: Largest shift between the cells of two tiles, in cells: rounding of coordinates, no more.
_SHIFT: Final = 1e-3
#: Largest share of a cell by which a transform may be turned over the whole raster.
_TURN: Final = 1e-3
#: Share of a cell by which an area may stick out without the next cell being read.
_EDGE: Final = 1e-6

SIDES: Final = ("north", "south", "east", "west")


@dataclass(frozen=True)
class Tile:
    """One raster, with north up, and where it lies on the cells common to all."""

    header: RasterHeader
    #: Its cells, counted from the first row and column of all tiles.
    window: Window
    #: Whether its rows or columns stand in the other order in the file.
    is_south_up: bool
    is_east_first: bool

    def in_file(self, part: Window) -> Window:
        """Give cells of the tile in the rows and columns of the file."""
        own = part.shifted(-self.window.row_start, -self.window.column_start)
        rows, columns = self.header.shape
        row, column = tuple(own[:2]), tuple(own[2:])
        if self.is_south_up:
            row = (rows - row[1], rows - row[0])
        if self.is_east_first:
            column = (columns - column[1], columns - column[0])
        return Window(row[0], row[1], column[0], column[1])

    def north_up(self, stored: FloatArray) -> FloatArray:
        """Turn numbers read from the file so that north is up and west left."""
        return stored[:: -1 if self.is_south_up else 1, :: -1 if self.is_east_first else 1]


@dataclass(frozen=True)
class Mosaic:
    """All tiles on one set of cells."""

    #: In the order given; where two overlap, the earlier counts.
    tiles: tuple[Tile, ...]
    #: From (column, row), counted from the first of all tiles, to coordinates; north-up.
    transform: Affine
    #: Rows and columns that hold all tiles.
    shape: tuple[int, int]

    @property
    def window(self) -> Window:
        """All cells."""
        return Window(0, self.shape[0], 0, self.shape[1])

    def bounds(self, window: Window) -> tuple[float, float, float, float]:
        """Give west, south, east and north of a window."""
        t = self.transform
        return (
            t.c + window.column_start * t.a,
            t.f + window.row_stop * t.e,
            t.c + window.column_stop * t.a,
            t.f + window.row_start * t.e,
        )

    def covering(self, bounds: tuple[float, float, float, float]) -> Window:
        """Give the cells that cover an area, within the tiles; may be empty."""
        west, south, east, north = bounds
        t = self.transform
        # an edge on a cell's border stays there, whatever the rounding
        asked = Window(
            math.floor((north - t.f) / t.e + _EDGE),
            math.ceil((south - t.f) / t.e - _EDGE),
            math.floor((west - t.c) / t.a + _EDGE),
            math.ceil((east - t.c) / t.a - _EDGE),
        )
        return asked.within(self.window)

    def more_beyond(self, window: Window) -> dict[str, bool]:
        """Tell on which sides of a window the tiles go on."""
        rows, columns = self.shape
        strips = {
            "north": Window(0, window.row_start, window.column_start, window.column_stop),
            "south": Window(window.row_stop, rows, window.column_start, window.column_stop),
            "east": Window(window.row_start, window.row_stop, window.column_stop, columns),
            "west": Window(window.row_start, window.row_stop, 0, window.column_start),
        }
        return {
            side: any(not tile.window.within(strip).is_empty for tile in self.tiles)
            for side, strip in strips.items()
        }


@dataclass(frozen=True)
class Pasted:
    """A window of a mosaic."""

    #: Shape (rows, columns), elevations [m], NaN where no tile has a value.
    values: FloatArray
    #: Same shape, number of the tile a value came from; -1 where there is none.
    owner: NDArray[np.int8]

    @classmethod
    def empty(cls, shape: tuple[int, int]) -> Pasted:
        """Begin without any value."""
        return cls(np.full(shape, np.nan), np.full(shape, -1, dtype=np.int8))

    def paste(self, values: FloatArray, tile: int, window: Window) -> None:
        """Fill in what a tile has where no earlier tile had a value."""
        inside = (slice(*window[:2]), slice(*window[2:]))
        fills = np.isnan(self.values[inside]) & ~np.isnan(values)
        self.values[inside][fills] = values[fills]
        self.owner[inside][fills] = tile


def mosaic(headers: Sequence[RasterHeader]) -> Mosaic:
    """
    Lay rasters on one set of cells.

    Every tile that is rotated, or whose cells are not those of the first, is told.
    """
    turned = [_north_up(header) for header in headers]
    base = turned[0]
    faults, places = [], []
    for header, transform in zip(headers, turned, strict=True):
        row, column = (transform.f - base.f) / base.e, (transform.c - base.c) / base.a
        if rule := _misfit(base, transform, header, (row, column)):
            faults.append(Fault(f"{rule} of {headers[0].name}", "Give tiles of one survey and one "
                                "product, or merge them first", file=str(header.path)))  # fmt: skip
        places.append((round(row), round(column)))
    if faults:
        raise InputError(faults)
    top, left = (min(place[axis] for place in places) for axis in (0, 1))
    tiles = tuple(
        Tile(
            header,
            header.window.shifted(row - top, column - left),
            bool(header.transform and header.transform.e > 0),
            bool(header.transform and header.transform.a < 0),
        )
        for header, (row, column) in zip(headers, places, strict=True)
    )
    origin = Affine(base.a, 0.0, base.c + left * base.a, 0.0, base.e, base.f + top * base.e)
    shape = (max(t.window.row_stop for t in tiles), max(t.window.column_stop for t in tiles))
    return Mosaic(tiles, origin, shape)


def _north_up(header: RasterHeader) -> Affine:
    """Give the transform of the raster once its rows and columns are in the usual order."""
    rows, columns = header.shape
    t = header.transform
    if t is None or not all(np.isfinite(t[:6])) or not (t.a and t.e):
        raise header.fault("the raster does not say where it lies (its transform is unusable)",
                           "Export it with its georeference", value=t and t[:6])  # fmt: skip
    if abs(t.b) * rows > _TURN * abs(t.a) or abs(t.d) * columns > _TURN * abs(t.e):
        raise header.fault("the raster is rotated: its rows do not run east", "Resample it to a "
                           "north-up grid first")  # fmt: skip
    west = t.c + columns * min(t.a, 0.0)
    north = t.f + rows * max(t.e, 0.0)
    return Affine(abs(t.a), 0.0, west, 0.0, -abs(t.e), north)


def _misfit(
    base: Affine, transform: Affine, header: RasterHeader, place: tuple[float, float]
) -> str:
    """Say in what the cells of a tile differ from those of the first; empty where they agree."""
    rows, columns = header.shape
    drift = max(abs(transform.a / base.a - 1) * columns, abs(transform.e / base.e - 1) * rows)
    if drift > _SHIFT:
        return (f"the cells measure {transform.a:.9g} by {-transform.e:.9g}, not the "
                f"{base.a:.9g} by {-base.e:.9g}")  # fmt: skip
    shift = max(abs(offset - round(offset)) for offset in place)
    if shift > _SHIFT:
        half = ""
        if abs(shift - 0.5) <= _SHIFT:
            half = " (half a cell: one may give the corner where it means the centre of a cell)"
        return f"the cells are shifted by {shift:.3f} of a cell{half} against those"
    return ""
