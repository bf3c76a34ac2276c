"""GeoPackages that compute without end, lie about what they hold, or are held by others."""

from __future__ import annotations

import os
import shutil
import sqlite3
import struct
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager
from pathlib import Path
from typing import Final

from programme.small_job import layers

Build = Callable[[Path], None]

_ENDLESS: Final = "WITH RECURSIVE n(i) AS (SELECT 1 UNION ALL SELECT i + 1 FROM n) "


def make_site(path: Path) -> Path:
    """Write the layers of the small job as a GeoPackage."""
    for name, frame in layers().items():
        frame.to_file(path, layer=name, driver="GPKG")
    return path


def _sql(*statements: str) -> Build:
    """Change the file through SQLite, whose own guards are off."""

    def build(path: Path) -> None:
        with closing(sqlite3.connect(path, isolation_level=None)) as database:
            # the spatial functions that triggers of the format call
            for name in ("ST_IsEmpty", "ST_MinX", "ST_MaxX", "ST_MinY", "ST_MaxY"):
                database.create_function(name, 1, lambda _: 0)
            database.execute("PRAGMA writable_schema = ON")
            for statement in statements:
                database.execute(statement)

    return build


def _view(select: str, *more: str) -> Build:
    """Put a view in the place of the lot."""
    return _sql("ALTER TABLE lot RENAME TO stored_lot", f"CREATE VIEW lot AS {select}",
                "UPDATE gpkg_contents SET table_name = 'lot' WHERE table_name = 'stored_lot'",
                "UPDATE gpkg_geometry_columns SET table_name = 'lot' "
                "WHERE table_name = 'stored_lot'", *more)  # fmt: skip


def _virtual(module: str) -> Build:
    """Put a virtual table in the place of the lot."""
    return _sql("ALTER TABLE lot RENAME TO stored_lot", f"CREATE VIRTUAL TABLE lot USING {module}",
                "UPDATE gpkg_contents SET table_name = 'lot' WHERE table_name = 'stored_lot'",
                "UPDATE gpkg_geometry_columns SET table_name = 'lot' "
                "WHERE table_name = 'stored_lot'")  # fmt: skip


def _bytes(offset: int, data: bytes) -> Build:
    """Write bytes somewhere in the file."""

    def build(path: Path) -> None:
        with path.open("r+b") as stream:
            stream.seek(offset)
            stream.write(data)

    return build


def _beside(suffix: str, data: bytes) -> Build:
    return lambda path: path.with_name(path.name + suffix).write_bytes(data) and None


def _left_open(path: Path) -> None:
    """Leave a write-ahead log behind, as a viewer that was killed does."""
    pid = os.fork()
    if pid == 0:
        database = sqlite3.connect(path, isolation_level=None)
        database.execute("PRAGMA journal_mode = WAL")
        database.execute("PRAGMA wal_autocheckpoint = 0")
        database.execute("UPDATE gpkg_contents SET description = 'in the log'")
        os._exit(0)
    os.waitpid(pid, 0)
    assert path.with_name(f"{path.name}-wal").stat().st_size > 0


def _half_written(path: Path) -> None:
    """Leave a journal behind, as a writer that was killed does."""
    pid = os.fork()
    if pid == 0:
        database = sqlite3.connect(path, isolation_level=None)
        database.execute("PRAGMA cache_size = 1")
        database.execute("BEGIN")
        database.execute("CREATE TABLE large AS " + _ENDLESS + "SELECT i, hex(randomblob(500)) "
                         "FROM n LIMIT 500")  # fmt: skip
        os._exit(0)
    os.waitpid(pid, 0)
    assert path.with_name(f"{path.name}-journal").exists()


def _many_tables(count: int) -> Build:
    """So many layers, which are all listed."""

    def build(path: Path) -> None:
        with closing(sqlite3.connect(path)) as database, database:
            for number in range(count):
                database.execute(f"CREATE TABLE t{number} (fid INTEGER PRIMARY KEY, geom BLOB)")
                database.execute(
                    "INSERT INTO gpkg_contents (table_name, data_type, identifier, srs_id) "
                    "VALUES (?, 'features', ?, 26917)", (f"t{number}", f"t{number}"),
                )  # fmt: skip

    return build


def _huge_cell(megabytes: int) -> Build:
    """A name of so many million letters."""
    return _sql(f"UPDATE lot SET name = hex(zeroblob({500_000 * megabytes}))")


def _large_envelope(path: Path) -> None:
    """A geometry that says it has 2^32 - 1 points."""
    header = struct.pack("<2sBBi", b"GP", 0, 1, 26917)
    shape = struct.pack("<BIII", 1, 3, 1, 2**32 - 1) + bytes(64)
    with closing(sqlite3.connect(path)) as database, database:
        for name in ("ST_IsEmpty", "ST_MinX", "ST_MaxX", "ST_MinY", "ST_MaxY"):
            database.create_function(name, 1, lambda _: 0)
        database.execute("UPDATE lot SET geom = ?", (header + shape,))


def _nested_geometry(path: Path) -> None:
    """Collections within collections, 20 000 deep."""
    header = struct.pack("<2sBBi", b"GP", 0, 1, 26917)
    shape = struct.pack("<BII", 1, 7, 1) * 20_000 + struct.pack("<BIdd", 1, 1, 0.0, 0.0)
    with closing(sqlite3.connect(path)) as database, database:
        for name in ("ST_IsEmpty", "ST_MinX", "ST_MaxX", "ST_MinY", "ST_MaxY"):
            database.create_function(name, 1, lambda _: 0)
        database.execute("UPDATE lot SET geom = ?", (header + shape,))


def _columns(path: Path) -> None:
    """A table of 1900 columns, put into its text as ALTER TABLE would, but all at once."""
    more = "".join(f', "c{number}" TEXT' for number in range(1900))
    _sql(f"UPDATE sqlite_master SET sql = substr(rtrim(sql), 1, length(rtrim(sql)) - 1) || "
         f"'{more})' WHERE name = 'lot'")(path)  # fmt: skip
    with closing(sqlite3.connect(path)) as database:
        assert len(database.execute("PRAGMA table_info(lot)").fetchall()) > 1900


#: Changes to a GeoPackage, by what they are.
HOSTILE: Final[dict[str, Build]] = {
    "endless view": _view(_ENDLESS + "SELECT i AS fid, x'' AS geom, 'a' AS name FROM n"),
    "endless view that counts": _view(
        _ENDLESS + "SELECT count(*) AS fid, x'' AS geom, 'a' AS name FROM n"
    ),
    "view of 2 GB": _view("SELECT 1 AS fid, randomblob(900000000) AS geom, 'a' AS name"),
    "view of itself": _view("SELECT * FROM lot2", "CREATE VIEW lot2 AS SELECT * FROM lot"),
    "view joined ten times": _view(
        "SELECT a.fid AS fid, a.geom AS geom, hex(randomblob(9)) AS name FROM stored_lot a, "
        + ", ".join(f"gpkg_spatial_ref_sys s{n}" for n in range(10))
    ),
    "view that loads code": _view(
        "SELECT 1 AS fid, load_extension('/tmp/x') AS geom, 'a' AS name"
    ),
    "view that reads a file": _view(
        "SELECT 1 AS fid, readfile('/etc/passwd') AS geom, 'a' AS name"
    ),
    "view that asks the geocoder": _view(
        "SELECT 1 AS fid, ogr_geocode('x') AS geom, 'a' AS name"
    ),
    "list of layers is an endless view": _sql(
        "ALTER TABLE gpkg_contents RENAME TO old",
        "CREATE VIEW gpkg_contents AS " + _ENDLESS + "SELECT 't' || i AS table_name, 'features' AS "
        "data_type, NULL AS identifier, '' AS description, '' AS last_change, 0 AS min_x, 0 AS "
        "min_y, 0 AS max_x, 0 AS max_y, 0 AS srs_id FROM n",
    ),
    "list of CRSs is an endless view": _sql(
        "ALTER TABLE gpkg_spatial_ref_sys RENAME TO old_srs",
        "CREATE VIEW gpkg_spatial_ref_sys AS " + _ENDLESS + "SELECT 'a' AS srs_name, i AS srs_id, "
        "'a' AS organization, i AS organization_coordsys_id, 'a' AS definition, '' AS description "
        "FROM n",
    ),
    "geometry columns are an endless view": _sql(
        "ALTER TABLE gpkg_geometry_columns RENAME TO old_geometry",
        "CREATE VIEW gpkg_geometry_columns AS " + _ENDLESS + "SELECT 'lot' AS table_name, 'geom' "
        "AS column_name, 'POLYGON' AS geometry_type_name, 26917 AS srs_id, 0 AS z, 0 AS m FROM n",
    ),
    "spatial index is an endless view": _sql(
        "DROP TABLE rtree_lot_geom",
        "CREATE VIEW rtree_lot_geom AS " + _ENDLESS + "SELECT i AS id, 0 AS minx, 1 AS maxx, 0 AS "
        "miny, 1 AS maxy FROM n",
    ),
    "extensions are an endless view": _sql(
        "DROP TABLE IF EXISTS gpkg_extensions",
        "CREATE VIEW gpkg_extensions AS " + _ENDLESS + "SELECT 'lot' AS table_name, 'geom' AS "
        "column_name, 'gpkg_rtree_index' AS extension_name, '' AS definition, 'write-only' AS "
        "scope FROM n",
    ),
    "full text as layer": _virtual("fts5(geom, name)"),
    "index as layer": _virtual("rtree(fid, a, b)"),
    "virtual layer of a driver": _sql(
        "ALTER TABLE lot RENAME TO stored_lot",
        "INSERT INTO sqlite_master VALUES ('table', 'lot', 'lot', 0, "
        "'CREATE VIRTUAL TABLE lot USING VirtualOGR(''/etc/passwd'')')",
        "UPDATE gpkg_contents SET table_name = 'lot' WHERE table_name = 'stored_lot'",
    ),
    "generated column without end": _sql(
        "ALTER TABLE lot ADD COLUMN g GENERATED ALWAYS AS (hex(zeroblob(400000000))) VIRTUAL"
    ),
    "trigger on every change": _sql(
        "CREATE TRIGGER t1 AFTER UPDATE ON lot BEGIN DELETE FROM inlets; END",
        "CREATE TRIGGER t2 AFTER INSERT ON lot BEGIN DELETE FROM lot; END",
    ),
    "trigger in place of reading": _sql(
        "CREATE VIEW v AS SELECT * FROM lot",
        "CREATE TRIGGER t3 INSTEAD OF INSERT ON v BEGIN DELETE FROM lot; END",
    ),
    "layer listed but not there": _sql("DROP TABLE inlets"),
    "layer in a CRS that is not there": _sql("UPDATE gpkg_geometry_columns SET srs_id = 4711"),
    "geometry column that is not there": _sql(
        "UPDATE gpkg_geometry_columns SET column_name = 'shape'"
    ),
    "names with quotes and newlines": _sql(
        "UPDATE gpkg_contents SET table_name = 'lo\"t; DROP TABLE lot; --' "
        "WHERE table_name = 'lot'"
    ),
    "names of 100 000 characters": _sql(
        "INSERT INTO gpkg_contents (table_name, data_type, identifier, srs_id) VALUES "
        "(replace(hex(zeroblob(50000)), '0', 'x'), 'features', 'x', 26917)"
    ),
    "3000 layers": _many_tables(3000),
    "1900 columns": _columns,
    "cell of 150 MB": _huge_cell(150),
    "geometry of 2^32 points": _large_envelope,
    "geometry nested 20 000 deep": _nested_geometry,
    "page size 0": _bytes(16, b"\0\0"),
    "schema that is no SQL": _sql(
        "UPDATE sqlite_master SET sql = 'CREATE TABLE (((' WHERE name = 'lot'"
    ),
    "root page beyond the end": _sql(
        "UPDATE sqlite_master SET rootpage = 999999 WHERE name = 'lot'"
    ),
    "table that is its own index": _sql(
        "UPDATE sqlite_master SET rootpage = (SELECT rootpage FROM sqlite_master "
        "WHERE name = 'inlets') WHERE name = 'lot'"
    ),
    "log of a writer that was killed": _left_open,
    "journal of a writer that was killed": _half_written,
    "log that is nonsense": _beside("-wal", bytes(range(256)) * 40),
    "journal that is nonsense": _beside("-journal", bytes(range(256)) * 40),
    "super-journal elsewhere": _beside(
        "-journal", b"\xd9\xd5\x05\xf9\x20\xa1\x63\xd7" + bytes(504) + b"/etc/passwd"
        + struct.pack(">I", 11) + bytes(4) + b"\xd9\xd5\x05\xf9\x20\xa1\x63\xd7",
    ),
}  # fmt: skip

#: The same of a tenth of the size, where much of the time is that of making the file.
SMALLER: Final[dict[str, Build]] = {
    "3000 layers": _many_tables(300),
    "cell of 150 MB": _huge_cell(15),
}


@contextmanager
def held_by_another(path: Path, statement: str) -> Iterator[None]:
    """Hold a lock on the file as another program would."""
    with closing(sqlite3.connect(path, isolation_level=None)) as database:
        database.execute(statement)
        database.execute("UPDATE gpkg_contents SET description = 'half done'")
        yield
        database.execute("ROLLBACK")


def copy_site(source: Path, job: Path) -> Path:
    """Put a GeoPackage into a job."""
    return Path(shutil.copyfile(source, job / "site.gpkg"))
