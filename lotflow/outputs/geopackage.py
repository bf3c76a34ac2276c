"""
The layers of a result as one GeoPackage, and the proof that it holds them.

The library makes a file with one layer of each kind, once for a CRS; how tables, indexes and
triggers are made is taken from there. All layers of a result then go in at once: the library would
open the file anew for each, and read all that is there.

The file says nothing of the time it was written: the same layers give the same bytes.
"""

from __future__ import annotations

import sqlite3
import struct
from collections import Counter
from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import closing, contextmanager
from dataclasses import dataclass
from functools import lru_cache
from io import BytesIO
from itertools import compress
from pathlib import Path
from typing import Any, Final
from xml.sax.saxutils import escape, quoteattr

import numpy as np
import pandas as pd
import pyogrio
import shapely
from pyogrio import raw
from pyproj import CRS

from lotflow.errors import OutputError
from lotflow.layers import RESULT_LAYERS, Layer
from lotflow.outputs.failures import deepest_reason
from lotflow.outputs.geopackage_schema import ToldColumn, faults_of_told, tell_columns
from lotflow.outputs.result_file import ResultFile
from lotflow.outputs.typed_tables import Table, common_crs, typed_tables

#: 1.2 is read by older programs, which warn of 1.4 or refuse it.
VERSION: Final = {"VERSION": "1.2"}

#: The date that a file tells of its tables; the same tables give the same bytes, whenever.
WRITTEN: Final = "1970-01-01T00:00:00.000Z"
FIXED_DATE: Final = {"OGR_CURRENT_DATE": WRITTEN}

#: The types of columns as the library names them.
_SQL_TYPES: Final = {
    "text": "TEXT", "date": "TEXT", "number": "REAL", "whole": "INTEGER", "yes_no": "BOOLEAN",
}  # fmt: skip

#: Reading the metadata would otherwise leave a copy of them beside the file.
_WITHOUT_SIDE_FILES: Final = {"GDAL_PAM_ENABLED": "NO"}

#: Bytes of the envelope in a GeoPackage geometry, by its code in the flags.
_ENVELOPE_BYTES: Final = {0: 0, 1: 32, 2: 48, 3: 48, 4: 64}
#: The type of a point in WKB.
_POINT: Final = struct.pack("<I", 1)


def write_geopackage(
    path: Path, layers: Mapping[str, pd.DataFrame], *, metadata: Mapping[str, str]
) -> None:
    """
    Write the layers of a result, in the order and with the columns of the schema.

    A core layer that is not given is written without rows, so that every result has them. The
    layers are written in the horizontal part of their CRS.

    `path`: file to be written; one that is there is replaced; `layers`: GeoDataFrames, and
    DataFrames for the layers without geometry, by name; `metadata`: where the result comes
    from: hashes of the inputs, versions, options.

    Raises OutputError if the file cannot be written.

    Raises TypeError if a layer or column is not what the schema declares; that is a fault of
    lotflow.

    References
    ----------
    OGC 12-128r15, GeoPackage Encoding Standard 1.2.1.
    """
    _write(path, typed_tables(layers), common_crs(layers), metadata)


def verify_geopackage(
    path: Path, layers: Mapping[str, pd.DataFrame], *, metadata: Mapping[str, str]
) -> None:
    """
    Read a GeoPackage back and compare every value, geometry and index with the layers.

    A full disk may leave a file that opens, holds all rows, and lacks its spatial indexes
    without any error; so nothing is taken for granted.

    Raises OutputError if anything differs or the file cannot be read.
    """
    _verify(path, typed_tables(layers), common_crs(layers), metadata)


def geopackage_file(
    name: str, layers: Mapping[str, pd.DataFrame], *, metadata: Mapping[str, str],
    schema: Mapping[str, Layer] = RESULT_LAYERS,
) -> ResultFile:  # fmt: skip
    """
    Make a result file of the layers; they are brought into the schema's types once.

    Parameters
    ----------
    name
        Name in the result folder.
    schema
        Declares the layers: those of a lot's result, or others.

    Raises
    ------
    TypeError
        As for `write_geopackage`.
    """
    tables, crs = typed_tables(layers, schema), common_crs(layers, schema)
    told = dict(metadata)
    return ResultFile(
        name,
        lambda path: _write(path, tables, crs, told),
        lambda path: _verify(path, tables, crs, told),
        estimate=sum(map(_estimated_bytes, tables)),
    )


def _write(path: Path, tables: Sequence[Table], crs: str, metadata: Mapping[str, str]) -> None:
    """Write the tables into a new file."""
    try:
        path.unlink(missing_ok=True)  # it may be what other names stand for too
        model = _model(crs)
        path.write_bytes(model.empty)
        with closing(sqlite3.connect(path)) as connection, connection:
            # the file is a private one that is flushed and verified afterwards
            connection.execute("PRAGMA synchronous = OFF")
            connection.execute("PRAGMA journal_mode = MEMORY")
            connection.execute("BEGIN")
            for table in tables:
                _write_table(connection, table, model)
            _write_metadata(connection, model, metadata)
            tell_columns(connection, _told(tables))
    except (
        RuntimeError,
        OSError,
        sqlite3.Error,
    ) as error:  # pyogrio's own errors are RuntimeErrors
        raise OutputError(f"{path.name}: {deepest_reason(error)}") from error


def _verify(path: Path, tables: Sequence[Table], crs: str, metadata: Mapping[str, str]) -> None:
    """Compare the file with the tables, through the driver and through SQLite."""
    try:
        faults = [
            *_faults_as_opened(path, tables, crs, metadata), *_faults_in_tables(path, tables),
        ]  # fmt: skip
    except (RuntimeError, OSError, sqlite3.Error, struct.error) as error:
        raise OutputError(f"{path.name} does not read back: {deepest_reason(error)}") from error
    if faults:
        raise OutputError(f"{path.name} does not read back the same: {'; '.join(faults)}")


def _told(tables: Sequence[Table]) -> dict[str, list[ToldColumn]]:
    """What the file tells of the columns of its tables, but of those of the styles."""
    return {
        table.layer.name: [
            ToldColumn(
                column.name,
                column.title,
                column.meaning,
                choices=column.choices,
            )
            for column in table.layer.columns
        ]
        for table in tables
        if table.layer.name != "layer_styles"
    }


def _estimated_bytes(table: Table) -> int:
    """Roughly what a table takes in the file: its pages, its geometry, its other values."""
    shapes = 0 if table.geometry is None else sum(len(wkb or b"") for wkb in table.geometry)
    return 32_768 + 2 * shapes + 32 * len(table.values) * len(table.absent[0])


@dataclass(frozen=True)
class _Kind:
    """How the library makes a layer that is called `_MODEL` and has rows numbered by "fid"."""

    #: Statements that make the index of its shapes, where it has any, and its triggers.
    index: list[str]
    triggers: list[str]
    #: Its row in each register.
    registered: dict[str, dict[str, Any]]


@dataclass(frozen=True)
class _Model:
    """What the library makes: a file without layers, its metadata, and layers of both kinds."""

    empty: bytes
    metadata: str
    spatial: _Kind
    plain: _Kind


_MODEL: Final = "model_of_a_layer"
_REGISTERS: Final = (
    "gpkg_contents", "gpkg_geometry_columns", "gpkg_ogr_contents", "gpkg_extensions",
)  # fmt: skip


@lru_cache(maxsize=8)
def _model(crs: str) -> _Model:
    """Learn from the library, once, how it makes files of a CRS."""
    plain, _, _ = _made_by_library(None, crs)
    spatial, metadata, empty = _made_by_library("Point", crs)
    return _Model(empty, metadata, spatial, plain)


def _made_by_library(geometry: str | None, crs: str) -> tuple[_Kind, str, bytes]:
    """Have the library make a file in memory; give how it made the layer, and what else it made."""
    file, none = BytesIO(), np.empty(0, dtype=object)
    with gdal_options(FIXED_DATE):
        raw.write(
            file, none if geometry else None, [none], ["name"], layer=_MODEL, driver="GPKG",
            geometry_type=geometry, crs=crs if geometry else None,
            dataset_metadata={_MODEL: _MODEL}, dataset_options=VERSION,
        )  # fmt: skip
    with closing(sqlite3.connect(":memory:")) as connection:
        connection.deserialize(file.getvalue())
        connection.row_factory = sqlite3.Row
        index, triggers = (
            [sql for (sql,) in connection.execute(
                f"SELECT sql FROM sqlite_master WHERE {kind} AND instr(sql, ?) ORDER BY rowid",  # noqa: S608
                (_MODEL,),
            )]
            for kind in ("sql LIKE 'CREATE VIRTUAL TABLE%'", "type = 'trigger'")
        )  # fmt: skip
        registered: dict[str, dict[str, Any]] = {}
        for name in _REGISTERS:  # names of the standard, never from a user
            asked = f"FROM {name} WHERE table_name = '{_MODEL}'"
            registered |= {name: dict(row) for row in connection.execute(f"SELECT * {asked}")}  # noqa: B035
            connection.execute(f"DELETE {asked}")
        (metadata,) = connection.execute("SELECT metadata FROM gpkg_metadata").fetchone()
        if geometry:
            connection.execute(f'DROP TABLE "rtree_{_MODEL}_geom"')
        connection.execute(f'DROP TABLE "{_MODEL}"')
        connection.commit()
        connection.execute("VACUUM")
        return _Kind(index, triggers, registered), metadata, _written_once(connection.serialize())


def _written_once(data: bytes) -> bytes:
    """Count the writes of a SQLite file (bytes 24 and 92 of its head) from one: they may vary."""
    made = bytearray(data)
    made[24:28] = made[92:96] = (1).to_bytes(4, "big")
    return bytes(made)


def _write_table(connection: sqlite3.Connection, table: Table, model: _Model) -> None:
    """Make a layer with its rows, index and triggers, and enter it in the registers."""
    layer, name = table.layer, table.layer.name
    kind = model.plain if table.geometry is None else model.spatial
    types = [(column.name, _SQL_TYPES[column.kind]) for column in layer.columns]
    values, bounds = _values(table), np.empty((0, 4))
    if table.geometry is not None:
        types.insert(0, ("geom", _shape_type(table)))
        bounds = shapely.bounds(shapely.from_wkb(table.geometry))
        srs = kind.registered["gpkg_contents"]["srs_id"]
        blobs = [_blob(*one, srs) for one in zip(table.geometry, bounds.tolist(), strict=True)]
        values.insert(1, blobs)
    told = "".join(f', "{column}" {sql}' for column, sql in types)
    connection.execute(
        f'CREATE TABLE "{name}" ( "{table.row_id}" INTEGER PRIMARY KEY AUTOINCREMENT NOT NULL'
        f"{told})"
    )
    _insert(connection, name, zip(*values, strict=True))
    for statement in kind.index:
        connection.execute(statement.replace(_MODEL, name))
    has_shape = ~np.isnan(bounds[:, 0])
    boxes = zip(values[0], *bounds[:, [0, 2, 1, 3]].T.tolist(), strict=False)
    _insert(connection, f"rtree_{name}_geom", compress(boxes, has_shape))
    for statement in kind.triggers:
        renamed = statement.replace(_MODEL, name).replace('"fid"', f'"{table.row_id}"')
        connection.execute(renamed)
    own = {"table_name": name, "identifier": layer.title, "description": layer.meaning,
           "feature_count": len(values[0])}  # fmt: skip
    if has_shape.any():
        least, most = bounds[has_shape, :2].min(axis=0), bounds[has_shape, 2:].max(axis=0)
        own |= dict(zip(("min_x", "min_y", "max_x", "max_y"), [*least, *most], strict=True))
    if table.geometry is not None:
        own["geometry_type_name"] = _shape_type(table)
    for register, row in kind.registered.items():
        _insert(connection, register, [[own.get(key, told) for key, told in row.items()]])


def _values(table: Table) -> list[list[Any]]:
    """Numbers of the rows, and per column what each has; None for nothing."""
    columns: list[list[Any]] = [list(range(1, len(table.absent[0]) + 1))]
    for values, absent in zip(table.values, table.absent, strict=True):
        column = values.astype(object)
        column[absent] = None
        columns.append(column.tolist())
    return columns


def _insert(connection: sqlite3.Connection, table: str, rows: Iterable[Sequence[Any]]) -> None:
    """Put rows into a table, whose name comes from the schema or the standard."""
    rows = list(rows)
    if rows:
        places = ", ".join("?" * len(rows[0]))
        connection.executemany(f'INSERT INTO "{table}" VALUES ({places})', rows)  # noqa: S608


def _shape_type(table: Table) -> str:
    """Name of a layer's type of geometry in the file."""
    return str(table.geometry_type).upper().replace("UNKNOWN", "GEOMETRY")


def _blob(wkb: bytes | None, bounds: Sequence[float], srs: int) -> bytes | None:
    """
    Give a shape the head that it has in a GeoPackage, with its bounds where it is no point.

    References
    ----------
    OGC 12-128r15, GeoPackage Encoding Standard 1.2.1: clause 2.1.3.
    """
    if wkb is None:
        return None
    if wkb[1:5] == _POINT:
        return struct.pack("<2sBBi", b"GP", 0, 1, srs) + wkb
    west, south, east, north = bounds
    return struct.pack("<2sBBi4d", b"GP", 0, 3, srs, west, east, south, north) + wkb


def _write_metadata(connection: sqlite3.Connection, model: _Model, told: Mapping[str, str]) -> None:
    """Tell where the result comes from, in the form in which the library tells it."""
    line = next(line for line in model.metadata.splitlines(keepends=True) if _MODEL in line)
    lines = [
        line.replace(f">{_MODEL}<", f">{escape(value)}<").replace(f'"{_MODEL}"', quoteattr(key))
        for key, value in sorted(told.items())
    ]
    connection.execute(
        "UPDATE gpkg_metadata SET metadata = ?", (model.metadata.replace(line, "".join(lines)),)
    )


@contextmanager
def gdal_options(options: Mapping[str, str]) -> Iterator[None]:
    """Set options of pyogrio's GDAL for the block and put back what was there."""
    before = {name: pyogrio.get_gdal_config_option(name) for name in options}
    pyogrio.set_gdal_config_options(dict(options))
    try:
        yield
    finally:
        pyogrio.set_gdal_config_options(before)


def _faults_as_opened(
    path: Path, tables: Sequence[Table], crs: str, metadata: Mapping[str, str]
) -> Iterator[str]:
    """What is wrong as the GeoPackage driver sees the file."""
    with gdal_options(_WITHOUT_SIDE_FILES):
        listed = [tuple(row) for row in pyogrio.list_layers(path)]
        spatial = next(table for table in tables if table.geometry is not None)
        info = pyogrio.read_info(path, layer=spatial.layer.name)
    told = info["dataset_metadata"] or {}
    expected = [(table.layer.name, table.geometry_type) for table in tables]
    if listed != expected:
        yield f"layers are {listed}"
    if told != dict(metadata):
        yield "metadata differ"
    if _unit_of(info["crs"]) != _unit_of(crs):
        yield f"its CRS is {info['crs']}"


def _unit_of(crs: Any) -> float | None:
    """What coordinates of a CRS are counted in [m or radians]; None without one."""
    if not crs:
        return None
    return round(float(CRS.from_user_input(crs).axis_info[0].unit_conversion_factor), 9)


def _faults_in_tables(path: Path, tables: Sequence[Table]) -> Iterator[str]:
    """What is wrong as SQLite sees the file, which it must not touch."""
    address = f"{path.absolute().as_uri()}?mode=ro&immutable=1"
    with closing(sqlite3.connect(address, uri=True)) as connection:
        told = connection.execute("PRAGMA integrity_check").fetchall()
        if told != [("ok",)]:
            yield f"SQLite finds {told[0][0]}"
        yield from _faults_of_register(connection, tables)
        yield from faults_of_told(connection, _told(tables))
        for table in tables:
            yield from _faults_of_table(connection, table)


def _faults_of_table(connection: sqlite3.Connection, table: Table) -> Iterator[str]:
    """Compare rows, ids, values, geometry and spatial index of one table."""
    name = table.layer.name
    fields = [table.row_id, *(column.name for column in table.layer.columns)]
    if table.geometry is not None:
        fields.append("geom")
    listed = ", ".join(f'"{field}"' for field in fields)
    # names come from the schema, never from a user
    rows = connection.execute(f'SELECT {listed} FROM "{name}" ORDER BY 1').fetchall()  # noqa: S608
    expected = _values(table)
    if table.geometry is not None:
        expected.append(table.geometry.tolist())
        rows = [(*row[:-1], _wkb(row[-1])) for row in rows]
        indexed = connection.execute(f'SELECT count(*) FROM "rtree_{name}_geom_rowid"')  # noqa: S608
        if indexed.fetchone()[0] != sum(wkb is not None for wkb in table.geometry):
            yield f"the spatial index of {name} is incomplete"
    if len(rows) != len(expected[0]):
        yield f"{name} has {len(rows)} rows, not {len(expected[0])}"
    elif rows != list(zip(*expected, strict=True)):
        yield f"{name} holds other values"


def _wkb(blob: bytes | None) -> bytes | None:
    """Take the WKB out of a GeoPackage geometry."""
    if blob is None:
        return None
    magic, _, flags, _ = struct.unpack_from("<2sBBi", blob)
    if magic != b"GP":
        raise OutputError("a geometry is not in GeoPackage form")
    return blob[8 + _ENVELOPE_BYTES.get(flags >> 1 & 0b111, 0) :]


#: "GPKG", and the version 1.2.0 (OGC 12-128r15, requirement 2).
_APPLICATION_ID: Final = 0x47504B47
_USER_VERSION: Final = 10200


# A write that fails unseen may leave every row in place and lose the number that marks the file as
# a GeoPackage, the count or extent of a layer, or a trigger: a viewer then shows an empty layer.
def _faults_of_register(connection: sqlite3.Connection, tables: Sequence[Table]) -> Iterator[str]:
    """
    Compare the marks, counts, extents, indexes and triggers of a file with its tables.

    `connection`: to the file, for reading; `tables`: all of the file's tables.

    References
    ----------
    OGC 12-128r15, GeoPackage Encoding Standard 1.2.1: requirements 2, 13, 21, 77.
    """
    marks = [connection.execute(f"PRAGMA {name}").fetchone()[0]
             for name in ("application_id", "user_version")]  # fmt: skip
    if marks != [_APPLICATION_ID, _USER_VERSION]:
        yield "it is not marked as a GeoPackage"
    expected = {table.layer.name: len(table.absent[0]) for table in tables}
    counts = dict(connection.execute("SELECT table_name, feature_count FROM gpkg_ogr_contents"))
    yield from (
        f"{name} is said to have {counts.get(name)} rows, not {rows}"
        for name, rows in expected.items()
        if counts.get(name) != rows
    )
    extents = {
        name: bounds
        for name, *bounds in connection.execute(
            "SELECT table_name, min_x, min_y, max_x, max_y FROM gpkg_contents"
        )
    }
    yield from (
        f"the extent of {table.layer.name} is another"
        for table in tables
        if not _is_extent(extents.get(table.layer.name), table)
    )
    yield from _faults_of_registered_shapes(connection, tables)


def _is_extent(told: Sequence[float | None] | None, table: Table) -> bool:
    """Tell whether these are the bounds of a table's shapes, to the 15 digits that are kept."""
    wkb = [] if table.geometry is None else [one for one in table.geometry if one is not None]
    bounds = shapely.total_bounds(shapely.from_wkb(wkb)) if wkb else np.full(4, np.nan)
    # a layer without shapes has none
    found = np.array(4 * [None] if told is None else told, dtype=float)
    return bool(np.allclose(found, bounds, rtol=1e-14, atol=1e-9, equal_nan=True))


def _faults_of_registered_shapes(
    connection: sqlite3.Connection, tables: Sequence[Table]
) -> Iterator[str]:
    """What is wrong with coordinate systems, indexes and triggers."""
    spatial = {table.layer.name for table in tables if table.geometry is not None}
    known = {
        name
        for (name,) in connection.execute(
            "SELECT g.table_name FROM gpkg_geometry_columns g JOIN gpkg_contents c "
            "ON c.table_name = g.table_name AND c.srs_id = g.srs_id JOIN gpkg_spatial_ref_sys s "
            "ON s.srs_id = g.srs_id WHERE length(s.definition) > 20"
        )
    }
    if known != spatial:
        yield f"{sorted(spatial ^ known)} have no coordinate system"
    indexed = connection.execute(
        "SELECT table_name FROM gpkg_extensions WHERE extension_name = 'gpkg_rtree_index'"
    )
    if {name for (name,) in indexed} != spatial:
        yield "not every spatial index is registered"
    triggers = Counter(
        name for (name,) in connection.execute(
            "SELECT tbl_name FROM sqlite_master WHERE type = 'trigger'")
    )  # fmt: skip
    for kind in (spatial, {table.layer.name for table in tables} - spatial):
        # every table of a kind has the same ones, whatever their number in a version of GDAL
        most = max((triggers[name] for name in kind), default=0)
        lacking = sorted(name for name in kind if triggers[name] < most)
        if lacking:
            yield f"triggers of {', '.join(lacking)} are missing"
