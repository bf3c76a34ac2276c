"""Where an input comes from: what was asked for, and how messages and provenance name it."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from pathlib import Path

from lotflow.errors import Fault, InputError


@dataclass(frozen=True)
class LayerFile:
    """
    The file a site layer is read from.

    Parameters
    ----------
    layer
        Name of the layer in that file; None for its only layer, or the one of the same name.
    kind
        Kind of every row; None, or in a layer called as the site layer, where a column tells it.
    further
        Other tables of that file whose rows belong to the same site layer.
    only
        Column and value of the rows to read; None for all.
    """

    path: Path
    layer: str | None = None
    kind: str | None = None
    further: tuple[str, ...] = ()
    only: tuple[str, str] | None = None

    @property
    def tables(self) -> tuple[str, ...]:
        """Every table to read, in the order of the rows; none before they are settled."""
        return () if self.layer is None else (self.layer, *self.further)


@dataclass(frozen=True)
class Source:
    """What a site layer was read from, for the provenance of a result."""

    layer: str
    #: Name of the file, without its folder.
    file: str
    #: Name of the layer there; of several tables all that have rows, joined by commas.
    layer_in_file: str
    #: SHA-256 of the file and of every part beside it that was read with it, by file name.
    hashes: dict[str, str]
    rows: int
    #: The file as it was named, for messages; no part of a result.
    path: str = ""
    #: Of several tables the name and the number of rows of each, in the order of the rows.
    tables: tuple[tuple[str, int], ...] = ()
    #: Of the last rows, which stand in level notes: the file as it was named, and the line.
    noted: tuple[tuple[str, int], ...] = ()
    #: Where only some rows of a table were read, which of its rows, from 1; by table.
    kept: tuple[tuple[int, ...] | None, ...] = ()

    def place(self, row: int | None) -> tuple[Place, int | None]:
        """
        Find the table that a row of the site layer, counted from 1, stands in, and its row there.

        Examples
        --------
        >>> both = (("inlets", 2), ("inlet_lines", 1))
        >>> source = Source("inlets", "site.gpkg", "inlets, inlet_lines", {}, 3, tables=both)
        >>> source.place(3)
        (Place(file='', layer='inlet_lines'), 1)
        >>> Source("water", "a.gpkg", "water", {}, 9, tables=(("water", 1),), kept=((7,),)).place(1)
        (Place(file='', layer='water'), 7)
        """
        if row is not None:
            left = row
            for number, (name, rows) in enumerate(self.tables):
                if left <= rows:
                    some = self.kept[number] if self.kept else None
                    return Place(self.path, name), left if some is None else some[left - 1]
                left -= rows
        return Place(self.path, self.layer_in_file), row


@dataclass(frozen=True)
class Place:
    """
    The file and layer that a message is about.

    Examples
    --------
    >>> print(Place("site.gpkg", "walls").fault("height is missing", row=2))
    site.gpkg, layer walls, row 2: height is missing.
    """

    #: The file as it was named.
    file: str
    #: Name of the layer in the file.
    layer: str
    #: Where only some rows were read, which of the file's, from 1.
    kept: tuple[int, ...] | None = field(default=None, repr=False)

    def row_in_file(self, row: int) -> int:
        """
        Number in the file of a row that was read, both from 1.

        Examples
        --------
        >>> Place("a.gpkg", "water").row_in_file(2), Place("a.gpkg", "water", (4, 7)).row_in_file(2)
        (2, 7)
        """
        return row if self.kept is None else self.kept[row - 1]

    def fault(
        self,
        rule: str,
        remedy: str = "",
        *,
        row: int | None = None,
        column: str | None = None,
        value: object = None,
    ) -> Fault:
        """Build a fault that stands in this layer."""
        return Fault(rule, remedy, self.file, self.layer, row, column, value)


@contextmanager
def naming_files(sources: Sequence[Source]) -> Iterator[None]:
    """
    Name the file in faults that show only once the layers lie on the ground.

    Raises
    ------
    InputError
        The one raised within, every fault of a layer with its file and the layer's name there.

    Examples
    --------
    >>> source = Source("lot", "site.gpkg", "parcel", {}, 1, path="job/site.gpkg")
    >>> with naming_files([source]):
    ...     raise InputError(Fault("lies outside", layer="lot"))
    Traceback (most recent call last):
    lotflow.errors.InputError: job/site.gpkg, layer parcel: lies outside.
    """
    by_layer = {source.layer: source for source in sources}
    try:
        yield
    except InputError as error:
        raise InputError([_with_file(fault, by_layer) for fault in error.faults]) from error


def _with_file(fault: Fault, sources: dict[str, Source]) -> Fault:
    """Add the file to a fault of a layer that does not name one."""
    source = sources.get(fault.layer or "")
    if fault.file is not None or source is None:
        return fault
    first = source.rows - len(source.noted)
    if fault.row is not None and fault.row > first:
        file, line = source.noted[fault.row - first - 1]
        return replace(fault, file=file, line=line, layer=None, row=None)
    place, row = source.place(fault.row)
    return replace(fault, file=place.file, layer=place.layer, row=row)
