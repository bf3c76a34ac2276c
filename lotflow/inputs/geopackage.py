"""A GeoPackage is read from a private copy: reading the original with SQLite can change it."""

from __future__ import annotations

import shutil
import sqlite3
import tempfile
import time
from collections.abc import Iterator
from contextlib import closing, contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from lotflow.errors import Fault, InputError
from lotflow.inputs.crs_text import check_crs_text
from lotflow.inputs.limits import Limits
from lotflow.inputs.open import reading, sha256
from lotflow.text import did_you_mean

if TYPE_CHECKING:
    from numpy.typing import NDArray

#: What else belongs to a database that was not closed. The third part, `-shm`, is an index of
#: the first which SQLite makes anew.
_PARTS: Final = ("", "-wal", "-journal")
_TRIES: Final = 3
_CRS_TABLES: Final = ("gpkg_spatial_ref_sys", "gpkg_geometry_columns")
#: Definitions of one CRS may differ by so much of its coordinates: some metres in millions.
_SAME_PLACE: Final = 1e-6


@dataclass(frozen=True)
class GeoPackage:
    """A private copy of a GeoPackage, checked, with what it says it holds."""

    #: The user's file, for messages only.
    source: Path
    #: The copy, which may be opened.
    copy: Path
    #: Names of the layers with geometry, in the order of the file.
    layers: tuple[str, ...]
    #: Names of the tables without geometry.
    tables: tuple[str, ...]
    #: Layers that are no ordinary tables, and what they are.
    unsafe: dict[str, str]
    #: Layers whose CRS is stated twice and differently, and how.
    two_crs: dict[str, str]
    #: Definitions (WKT) of the CRS of layers whose CRS bears no code.
    own_crs: dict[str, str]
    #: SHA-256 of what was copied, by the names of the user's file and of what stands beside it.
    hashes: dict[str, str]

    def require(self, layer: str) -> None:
        """
        Raise where a layer is not there or must not be read.

        A layer that is computed while it is read, a view, a virtual table, a generated column, must
        not be.
        """
        if layer in self.tables:
            rule, remedy = "this table has no geometry", "Export it as a layer with geometry"
        elif layer not in self.layers:
            rule, remedy = "there is no such layer", did_you_mean(layer, self.layers)
        elif layer in self.unsafe:
            rule = f"this is {self.unsafe[layer]}; only stored layers are read"
            remedy = "Export it as a layer of its own"
        elif layer in self.two_crs:
            rule = f"its coordinate reference system is stated twice: {self.two_crs[layer]}"
            remedy = "Assign the CRS that it was drawn in, and export it again"
        else:
            return
        raise InputError(Fault(rule, remedy, file=str(self.source), layer=layer))


@contextmanager
def private_geopackage(source: Path, limits: Limits) -> Iterator[GeoPackage]:
    """
    Copy a GeoPackage with what its last writer left beside it, check the copy, and remove it.

    The source and its folder stay as they are, byte for byte.
    """
    with reading(source), tempfile.TemporaryDirectory(prefix="lotflow-") as folder:
        copy = Path(folder) / "copy.gpkg"
        deadline = time.monotonic() + limits.database_seconds
        trouble = "it changed while it was read"
        for _ in range(_TRIES):
            if not _copied_whole(source, copy, limits):
                continue
            hashes = _hashes(source, copy)  # before the copy is opened, which may change it
            with closing(_connection(copy, limits, deadline)) as database:
                trouble = _trouble(database)
                contents = None if trouble else _contents(source, copy, hashes, database)
            if contents:
                yield contents
                return
        raise InputError(Fault(f"the file could not be read: {trouble}",
                               "Close other programs that write to it, or export it again",
                               file=str(source)))  # fmt: skip


def _geopackage_parts(source: Path) -> list[Path]:
    """Give the file and what its last writer left beside it."""
    parts = [source.with_name(source.name + suffix) for suffix in _PARTS]
    return [part for part in parts if part.is_file()]


def _copied_whole(source: Path, copy: Path, limits: Limits) -> bool:
    """Copy all parts; tell whether none changed, came or went meanwhile."""
    before = _stamps(source)
    limits.check("vector_bytes", sum(size for _, size, _ in before),
                 "the file holds {} bytes", file=str(source))  # fmt: skip
    for suffix in _PARTS:
        part, target = source.with_name(source.name + suffix), Path(f"{copy}{suffix}")
        target.unlink(missing_ok=True)
        if part.is_file():
            shutil.copyfile(part, target)
    return _stamps(source) == before


def _hashes(source: Path, copy: Path) -> dict[str, str]:
    """Hash every part of the copy, under the name that it has beside the source."""
    copied = [(f"{source.name}{suffix}", Path(f"{copy}{suffix}")) for suffix in _PARTS]
    return {name: sha256(part) for name, part in copied if part.is_file()}


def _stamps(source: Path) -> list[tuple[str, int, int]]:
    """Give name, size and time of change of every part."""
    stats = [(part.name, part.stat()) for part in _geopackage_parts(source)]
    return [(name, stat.st_size, stat.st_mtime_ns) for name, stat in stats]


def _connection(copy: Path, limits: Limits, deadline: float) -> sqlite3.Connection:
    """Open the copy so that no statement can run without end or take memory without end."""
    database = sqlite3.connect(f"{copy.as_uri()}?mode=rw", uri=True)
    database.set_progress_handler(lambda: time.monotonic() > deadline, 10_000)
    database.setlimit(sqlite3.SQLITE_LIMIT_LENGTH, limits.vector_bytes)
    database.execute("PRAGMA trusted_schema = OFF")
    return database


def _trouble(database: sqlite3.Connection) -> str:
    """Say what the database's own check finds; empty where it finds nothing."""
    try:
        (found,) = database.execute("PRAGMA quick_check(1)").fetchone()
    except sqlite3.DatabaseError as error:
        return str(error)
    return "" if found == "ok" else str(found)


def indexed_rows(copy: Path, layer: str) -> NDArray[np.int64] | None:
    """
    Give the ids of the rows of a layer, rising, if its spatial index has every one of them.

    None where it has no index, or one that lacks rows: what lies near a place can then be found
    only by reading all.

    Parameters
    ----------
    copy
        A private copy.
    """
    with closing(sqlite3.connect(f"{copy.as_uri()}?mode=ro", uri=True)) as database:
        try:
            (column,) = database.execute(
                "SELECT column_name FROM gpkg_geometry_columns WHERE table_name = ?", (layer,)
            ).fetchone()
            index = _quoted(f"rtree_{layer}_{column}_rowid")
            low, high, known = database.execute(
                f"SELECT min(rowid), max(rowid), count(*) FROM {index}"  # noqa: S608
            ).fetchone()
            (count,) = database.execute(f"SELECT count(*) FROM {_quoted(layer)}").fetchone()  # noqa: S608
            if known != count or not count:
                return None
            if high - low + 1 == count:  # none was deleted: no need to ask for each
                return np.arange(low, high + 1, dtype=np.int64)
            rows = database.execute(f"SELECT rowid FROM {index} ORDER BY 1").fetchall()  # noqa: S608
        except (sqlite3.Error, TypeError):
            return None
    return np.array(rows, dtype=np.int64).reshape(-1)


def _quoted(name: str) -> str:
    """Write a name so that SQLite takes it for nothing but a name."""
    return '"' + name.replace('"', '""') + '"'


def _contents(
    source: Path, copy: Path, hashes: dict[str, str], database: sqlite3.Connection
) -> GeoPackage:
    """Ask what there is; only tables that are stored are asked."""
    schema: dict[str, tuple[str, str]] = {
        str(name).lower(): (str(kind), str(sql or ""))
        for name, kind, sql in database.execute(
            "SELECT name, type, sql FROM sqlite_master WHERE type IN ('table', 'view')"
        )
    }
    computed = [name for name, (kind, _) in schema.items()
                if kind == "view" and name.startswith(("gpkg_", "rtree_"))]  # fmt: skip
    if computed or "gpkg_contents" not in schema:
        rule = (f"{computed[0]} is a view where GeoPackage has a table" if computed
                else "the list of its layers, gpkg_contents, is missing")  # fmt: skip
        raise InputError(Fault(rule, "Export it again", file=str(source)))
    if "gpkg_spatial_ref_sys" in schema:
        for row in database.execute("SELECT * FROM gpkg_spatial_ref_sys"):
            check_crs_text(repr(row).encode("utf-8", "replace"), file=str(source))
    listed = [
        (str(name), str(kind))
        for name, kind in database.execute("SELECT table_name, data_type FROM gpkg_contents")
    ]
    layers = tuple(name for name, kind in listed if kind == "features")
    return GeoPackage(
        source,
        copy,
        layers,
        tuple(name for name, kind in listed if kind in ("attributes", "aspatial")),
        {name: what for name in layers if (what := _unsafe(database, schema, name))},
        *(_crs_of(database, layers) if set(_CRS_TABLES) <= set(schema) else ({}, {})),
        hashes,
    )


def _crs_of(
    database: sqlite3.Connection, layers: tuple[str, ...]
) -> tuple[dict[str, str], dict[str, str]]:
    """Find layers whose CRS has a code that is not its definition; definitions without a code."""
    systems = {
        number: (str(organization), code, str(definition))
        for number, organization, code, definition in database.execute(
            "SELECT srs_id, organization, organization_coordsys_id, definition "
            "FROM gpkg_spatial_ref_sys WHERE srs_id IN (SELECT srs_id FROM gpkg_geometry_columns)"
        )
    }
    two = {number: _contradiction(*system) for number, system in systems.items()}
    used = [
        (str(name), number)
        for name, number in database.execute("SELECT table_name, srs_id FROM gpkg_geometry_columns")
        if name in layers
    ]
    return (
        {name: two[number] for name, number in used if two.get(number)},
        {name: systems[number][2] for name, number in used
         if number in systems and systems[number][0].upper() in ("NONE", "")},
    )  # fmt: skip


def _contradiction(organization: str, code: object, definition: str) -> str:
    """Say how a code and a definition differ; empty where both place things alike."""
    from pyproj import CRS, Transformer  # noqa: PLC0415  only needed for files with layers
    from pyproj.exceptions import ProjError  # noqa: PLC0415

    try:
        by_code = CRS.from_authority(organization, str(code))
        by_text = CRS.from_wkt(definition)
        if by_text.equals(by_code, ignore_axis_order=True) or by_code.area_of_use is None:
            return ""
        area = by_code.area_of_use
        middle = ((area.west + area.east) / 2, (area.south + area.north) / 2)
        x, y = Transformer.from_crs(4326, by_code, always_xy=True).transform(*middle)
        u, v = Transformer.from_crs(by_code, by_text, always_xy=True).transform(x, y)
        size = max(abs(x), abs(y), 1.0)
    except ProjError:
        return ""  # a damaged one is told of where it is used
    # two names of one system, or two dates of one datum, place things within metres
    if max(abs(u - x), abs(v - y)) <= _SAME_PLACE * size:
        return ""
    return f"its code {organization}:{code} is {by_code.name}, its definition is {by_text.name}"


def _unsafe(
    database: sqlite3.Connection, schema: dict[str, tuple[str, str]], layer: str
) -> str | None:
    """Say what a layer is where it is not an ordinary table."""
    kind, sql = schema.get(layer.lower(), ("", ""))
    if not kind:
        return "a layer that is listed but not stored"
    if kind == "view":
        return "a view"
    if sql.lstrip().upper().startswith("CREATE VIRTUAL"):
        return "a virtual table"
    columns: list[tuple[Any, ...]] = database.execute(
        "SELECT hidden FROM pragma_table_xinfo(?)", (layer,)
    ).fetchall()
    return "a table with generated columns" if any(hidden > 1 for (hidden,) in columns) else None
