"""
What a GeoPackage says of itself, compared with the tables it must hold.

A write that fails unseen may leave every row in place and lose the number that marks the file as
a GeoPackage, the count or extent of a layer, or a trigger: a viewer then shows an empty layer.
"""

from __future__ import annotations

from collections import Counter
from typing import TYPE_CHECKING, Final

import numpy as np
import shapely

if TYPE_CHECKING:
    import sqlite3
    from collections.abc import Iterator, Sequence

    from lotflow.outputs.typed_tables import Table

#: "GPKG", and the version 1.2.0 (OGC 12-128r15, requirement 2).
_APPLICATION_ID: Final = 0x47504B47
_USER_VERSION: Final = 10200


def faults_of_register(connection: sqlite3.Connection, tables: Sequence[Table]) -> Iterator[str]:
    """
    Compare the marks, counts, extents, indexes and triggers of a file with its tables.

    Parameters
    ----------
    connection
        To the file, for reading.
    tables
        All of the file's tables.

    Yields
    ------
    fault
        What is wrong.

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
