"""
The table part of a Shapefile, checked: it has no checksum, and the library forgives its damage.

A table whose first bytes are damaged, or that is cut short, would be read as if the layer had no
columns; a name that was overwritten, as another name.
"""

from __future__ import annotations

import re
import struct
from collections.abc import Iterator
from dataclasses import dataclass
from itertools import islice
from pathlib import Path
from typing import Final

from lotflow.errors import Fault, InputError

_HEADER: Final = struct.Struct("<B3xIHH20x")
_FIELD: Final = struct.Struct("<11sc4xBB14x")
_INDEX_HEADER_BYTES, _INDEX_ENTRY_BYTES = 100, 8
_END_OF_FIELDS: Final = 0x0D
_KEPT, _DELETED = 0x20, 0x2A
_REMEDY: Final = "Export it again, best as GeoPackage"
#: A table in pieces is not listed cell by cell.
_MOST_FAULTS: Final = 20
#: What a value of each type looks like, but for the blanks or zero bytes round it.
_NUMBER: Final = re.compile(rb"[-+]?(\d+\.?\d*|\.\d+)([eE][-+]?\d+)?|\*+|[-+]?(nan|inf)", re.I)
_VALUES: Final = {
    b"C": re.compile(rb"[^\x00-\x08\x0b\x0c\x0e-\x1f\x7f]*"),
    b"N": _NUMBER,
    b"F": _NUMBER,
    b"D": re.compile(rb"\d{8}|0+|\*+"),
    b"L": re.compile(rb"[YyNnTtFf?]"),
}


@dataclass(frozen=True)
class _Field:
    """A column: its name, type, and where its value stands in a row."""

    name: str
    kind: bytes
    place: slice


def check_table(path: Path, table: bytes, index_bytes: int) -> None:
    """
    Refuse a table part that is damaged, as far as its structure tells.

    Parameters
    ----------
    path
        Of the `.dbf`, to be named.
    table
        All of it.
    index_bytes
        Size of the `.shx`, which tells how many shapes there are.

    Raises
    ------
    InputError
        If the header, the columns, the number of rows or a value is not what it must be.

    References
    ----------
    Shapefile technical description, July 1998, "Organization of the dBASE file"; header and
    column descriptors of dBASE III.
    """
    try:
        start, width, fields = _structure(table)
        rows = _rows(table, start, width, index_bytes)
    except (ValueError, struct.error) as error:
        rule = f"the table part of the Shapefile is damaged: {error}"
        raise InputError(Fault(rule, _REMEDY, file=str(path))) from error
    damaged = _damaged_values(table[start:], rows, width, fields)
    faults = [
        Fault("the table part of the Shapefile is damaged: this is no value of its column",
              _REMEDY, file=str(path), row=row, column=column, value=value)
        for row, column, value in islice(damaged, _MOST_FAULTS)
    ]  # fmt: skip
    if faults:
        raise InputError(faults)


def _structure(table: bytes) -> tuple[int, int, list[_Field]]:
    """Bytes before the rows, bytes of each row, and the columns."""
    version, _, start, width = _HEADER.unpack_from(table)
    if version & 0x07 != 3 and version != 0x30:
        raise ValueError("it is no dBASE table")
    fields: list[_Field] = []
    at, place = _HEADER.size, 1
    if len(table) < start:
        raise ValueError("it is cut off")
    while at < start and table[at] != _END_OF_FIELDS:
        name, kind, length, decimals = _FIELD.unpack_from(table, at)
        if kind == b"C":  # long texts have the high byte of their length there
            length += 256 * decimals
        text = name.split(b"\0")[0].decode("utf-8", "replace").strip()
        if not text.isprintable() or not text or not kind.isalpha() or length == 0:
            raise ValueError(f"its column {len(fields) + 1} is none")
        fields.append(_Field(text, kind, slice(place, place + length)))
        at, place = at + _FIELD.size, place + length
    if at >= start or place != width:
        raise ValueError("its columns do not fit its rows")
    return start, width, fields


def _rows(table: bytes, start: int, width: int, index_bytes: int) -> int:
    """Number of rows, which is that of the shapes, and all of which must be there."""
    rows: int = _HEADER.unpack_from(table)[1]
    shapes = (index_bytes - _INDEX_HEADER_BYTES) // _INDEX_ENTRY_BYTES
    if rows != shapes:
        raise ValueError(f"it holds {rows} rows, and the Shapefile {shapes} shapes")
    if len(table) < start + rows * width:
        raise ValueError("it is cut off")
    return rows


def _damaged_values(
    body: bytes, rows: int, width: int, fields: list[_Field]
) -> Iterator[tuple[int, str | None, str]]:
    """Row, column and value of what is none of the column's type."""
    for row in range(rows):
        record = body[row * width : (row + 1) * width]
        if record[0] not in (_KEPT, _DELETED):
            yield row + 1, None, chr(record[0])
        for field in fields:
            value = record[field.place].strip(b" \0")
            known = _VALUES.get(field.kind)
            if known is not None and value and not known.fullmatch(value):
                yield row + 1, field.name, value.decode("utf-8", "replace")
