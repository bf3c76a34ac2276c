"""
What a GeoPackage tells of its columns: title, meaning, allowed values, what is owed.

A viewer makes its forms of it: pick lists for choices, bounds for numbers.

References
----------
OGC 12-128r15, GeoPackage Encoding Standard 1.2.1, annex F.9 "Schema".
"""

from __future__ import annotations

import re
import sqlite3
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Final

_TABLES: Final = (
    """
CREATE TABLE gpkg_data_columns (
  table_name TEXT NOT NULL, column_name TEXT NOT NULL, name TEXT, title TEXT, description TEXT,
  mime_type TEXT, constraint_name TEXT,
  CONSTRAINT pk_gdc PRIMARY KEY (table_name, column_name),
  CONSTRAINT gdc_tn UNIQUE (table_name, name))""",
    """
CREATE TABLE gpkg_data_column_constraints (
  constraint_name TEXT NOT NULL, constraint_type TEXT NOT NULL, value TEXT,
  min NUMERIC, min_is_inclusive BOOLEAN, max NUMERIC, max_is_inclusive BOOLEAN, description TEXT,
  CONSTRAINT gdcc_ntv UNIQUE (constraint_name, constraint_type, value))""",
    # GDAL makes this table only where it needs it
    """
CREATE TABLE IF NOT EXISTS gpkg_extensions (
  table_name TEXT, column_name TEXT, extension_name TEXT NOT NULL, definition TEXT NOT NULL,
  scope TEXT NOT NULL, CONSTRAINT ge_tce UNIQUE (table_name, column_name, extension_name))""",
)
_DEFINITION: Final = "http://www.geopackage.org/spec121/#extension_schema"


@dataclass(frozen=True)
class ToldColumn:
    """
    What is told of a column.

    Parameters
    ----------
    name
        In the table.
    title
        Short, with the unit.
    description
        One sentence.
    choices
        The values allowed; empty where any is.
    low, high
        Bounds of a number in the column's own unit; None for none.
    default
        What a new row has, as SQL; empty for nothing.
    required
        Whether a row must have a value.
    """

    name: str
    title: str
    description: str
    choices: tuple[str, ...] = ()
    low: float | None = None
    high: float | None = None
    default: str = ""
    required: bool = False


def tell_columns(
    connection: sqlite3.Connection, tables: Mapping[str, Sequence[ToldColumn]]
) -> None:
    """
    Add what is told of columns to a GeoPackage that was just written.

    Parameters
    ----------
    connection
        To the file, which nobody else has open.
    tables
        Columns by the name of their table; each is there. Where values are required
        every row has them.

    Raises
    ------
    sqlite3.Error
        If it cannot be written.
    """
    for statement in _TABLES:
        connection.execute(statement)
    connection.executemany(
        "INSERT INTO gpkg_extensions VALUES (?, NULL, 'gpkg_schema', ?, 'read-write')",
        [(name, _DEFINITION) for name in ("gpkg_data_columns", "gpkg_data_column_constraints")],
    )
    titles, rules = _rows(tables)
    connection.executemany("INSERT INTO gpkg_data_columns VALUES (?, ?, ?, ?, ?, NULL, ?)", titles)
    connection.executemany(
        "INSERT INTO gpkg_data_column_constraints VALUES (?, ?, ?, ?, ?, ?, ?, NULL)", rules
    )
    owed = {name: [one for one in columns if one.required or one.default]
            for name, columns in tables.items()}  # fmt: skip
    _set_owed(connection, {name: columns for name, columns in owed.items() if columns})


def faults_of_told(
    connection: sqlite3.Connection, tables: Mapping[str, Sequence[ToldColumn]]
) -> Iterator[str]:
    """
    Compare what a file tells of its columns with what it was to tell.

    Parameters
    ----------
    connection
        To the file, for reading.
    tables
        As for `tell_columns`.
    """
    titles, rules = _rows(tables)
    for name, columns, expected in (
        ("gpkg_data_columns", "table_name, column_name, name, title, description, constraint_name",
         titles),
        ("gpkg_data_column_constraints", "constraint_name, constraint_type, value, min, "
         "min_is_inclusive, max, max_is_inclusive", rules),
    ):  # fmt: skip
        # names of the standard, never from a user
        found = connection.execute(f"SELECT {columns} FROM {name} ORDER BY rowid")  # noqa: S608
        if found.fetchall() != expected:
            yield f"{name} does not tell the columns"
    registered = connection.execute(
        "SELECT count(*) FROM gpkg_extensions WHERE extension_name = 'gpkg_schema'"
    )
    if registered.fetchone()[0] != len(("gpkg_data_columns", "gpkg_data_column_constraints")):
        yield "what it tells of the columns is not registered"


_Rows = list[tuple[object, ...]]


def _rows(tables: Mapping[str, Sequence[ToldColumn]]) -> tuple[_Rows, _Rows]:
    """Rows of both tables of the standard."""
    told = [(table, column) for table, columns in tables.items() for column in columns]
    titles: _Rows = [
        (table, one.name, one.title, one.title, one.description, _constraint(table, one))
        for table, one in told
    ]
    return titles, [row for table, one in told for row in _rules(table, one)]


def _constraint(table: str, column: ToldColumn) -> str | None:
    """Name of the rule for a column's values; none where any will do."""
    bound = column.choices or column.low is not None or column.high is not None
    return f"{table}_{column.name}" if bound else None


def _rules(table: str, column: ToldColumn) -> Iterator[tuple[object, ...]]:
    """Rows of the rule for a column's values."""
    name = _constraint(table, column)
    if column.choices:
        yield from ((name, "enum", choice, None, None, None, None) for choice in column.choices)
    elif name is not None:
        yield (name, "range", None, column.low, None if column.low is None else 1,
               column.high, None if column.high is None else 1)  # fmt: skip


def _set_owed(connection: sqlite3.Connection, tables: Mapping[str, Sequence[ToldColumn]]) -> None:
    """
    Give columns of empty tables their default, and demand values that are owed.

    SQLite has no command for it. Its documentation ("ALTER TABLE", "Making Other Kinds Of Table
    Schema Changes") allows the stored definition to be edited where every row fits the new one.
    """
    connection.execute("PRAGMA writable_schema = ON")
    for table, columns in tables.items():
        (sql,) = connection.execute(
            "SELECT sql FROM sqlite_master WHERE type = 'table' AND name = ?", (table,)
        ).fetchone()
        for column in columns:
            ending = (f" DEFAULT {column.default}" if column.default else "") + (
                " NOT NULL" if column.required else "")  # fmt: skip
            sql, count = re.subn(rf'("{column.name}" [A-Z]+(?:\(\d+\))?)', rf"\1{ending}", sql)
            if count != 1:
                raise sqlite3.DatabaseError(f"no column {column.name} in {sql}")
        connection.execute(
            "UPDATE sqlite_master SET sql = ? WHERE type = 'table' AND name = ?", (sql, table)
        )
    (version,) = connection.execute("PRAGMA schema_version").fetchone()
    connection.execute(f"PRAGMA schema_version = {version + 1}")
    connection.execute("PRAGMA writable_schema = OFF")
