"""What a raster says of itself before a cell of it is read."""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, NamedTuple

from affine import Affine

from lotflow.errors import Fault, InputError
from lotflow.findings import Finding
from lotflow.inputs.open import FileKind, reading
from lotflow.inputs.raster_tags import Fetched, Gridded

if TYPE_CHECKING:
    from pyproj import CRS


class Window(NamedTuple):
    """
    A block of cells: half-open ranges of rows and of columns.

    Examples
    --------
    >>> Window(0, 2, 10, 15).shape, Window(0, 9, 0, 9).within(Window(5, 20, -3, 4))
    ((2, 5), Window(row_start=5, row_stop=9, column_start=0, column_stop=4))
    """

    row_start: int
    row_stop: int
    column_start: int
    column_stop: int

    @property
    def shape(self) -> tuple[int, int]:
        """Rows and columns; 0 where the ranges are empty."""
        return (
            max(self.row_stop - self.row_start, 0),
            max(self.column_stop - self.column_start, 0),
        )

    @property
    def is_empty(self) -> bool:
        """Whether it has no cell."""
        return 0 in self.shape

    def within(self, other: Window) -> Window:
        """Cut this window to another."""
        return Window(
            max(self.row_start, other.row_start),
            min(self.row_stop, other.row_stop),
            max(self.column_start, other.column_start),
            min(self.column_stop, other.column_stop),
        )

    def shifted(self, rows: int, columns: int) -> Window:
        """Count rows and columns from elsewhere."""
        return Window(
            self.row_start + rows,
            self.row_stop + rows,
            self.column_start + columns,
            self.column_stop + columns,
        )


@dataclass(frozen=True)
class RasterHeader:
    """What a raster says of itself."""

    path: Path
    kind: FileKind
    shape: tuple[int, int]
    #: From (column, row) to coordinates, as stored; None where the file has none.
    transform: Affine | None
    #: Coordinate reference system, as stored; None where the file has none.
    crs: CRS | None
    #: Stored number declared to mean "no value".
    nodata: float | None
    #: Type of the stored numbers.
    dtype: str
    #: Size and time of change, by which a later read sees that it is the same file.
    stamp: tuple[int, int]
    #: Elevation = stored number * scale + offset.
    scale: float = 1.0
    offset: float = 0.0
    #: Name of the unit of elevation in the file; empty where it states none.
    unit: str = ""
    #: Number of bands; the first is read.
    bands: int = 1
    #: Where it was fetched from; None where it does not say.
    fetched: Fetched | None = None
    #: How it was made from lidar returns; None where it does not say.
    gridded: Gridded | None = None
    #: What was noticed on opening.
    findings: tuple[Finding, ...] = field(default=())

    @property
    def name(self) -> str:
        """Name of the file without its folder, as results show it."""
        return self.path.name

    @property
    def window(self) -> Window:
        """All of its cells."""
        return Window(0, self.shape[0], 0, self.shape[1])

    def fault(self, rule: str, remedy: str = "", *, value: object = None) -> InputError:
        """Build the error that something is wrong with this file."""
        return InputError(Fault(rule, remedy, file=str(self.path), value=value))

    def check_unchanged(self) -> None:
        """Raise where the file is not the one whose header was read."""
        if stamp(self.path) != self.stamp:
            raise self.fault("the file changed while it was read", "Run again when it is at rest")


def stamp(path: Path) -> tuple[int, int]:
    """Give size and time of change of a file [bytes, ns]."""
    with reading(path):
        stat = path.stat()
    return stat.st_size, stat.st_mtime_ns
