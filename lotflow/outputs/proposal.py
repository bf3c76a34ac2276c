"""A proposed job as a folder: the user's site with rows added, and what was weighed beside it."""

from __future__ import annotations

import sqlite3
import struct
import tempfile
from contextlib import closing
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import geopandas as gpd
import numpy as np
import shapely

from lotflow.errors import OutputError
from lotflow.inputs.columns import factor_to_si
from lotflow.layers import DRAWN_TABLES
from lotflow.layers.drawn import DrawnRow, in_case
from lotflow.outputs.drawing_tables import add_table
from lotflow.outputs.job_folder import JobFile
from lotflow.proposing.again import points_of
from lotflow.proposing.inlets import OPEN_SHARE, OPENING_M
from lotflow.proposing.trenches import MATERIAL

if TYPE_CHECKING:
    from collections.abc import Collection, Iterator, Mapping, Sequence

    from pyproj import CRS

    from lotflow.advice.harm import Harm
    from lotflow.layers import Column
    from lotflow.layers.drawn import Case, Drawn
    from lotflow.layers.proposals import Rejected
    from lotflow.proposing.inlets import InletOption, LotGround, NotOffered
    from lotflow.terrain.low_spots import LowSpots
    from lotflow.units import UnitSystem, VerticalUnit

#: Kinds of ends that take a permit.
_ASKED_FOR: Final = ("street", "water", "curb", "public inlet", "storm sewer", "allowed end")
SITE_FILE: Final = "site.gpkg"
_DECIMALS: Final = 6


def with_rows(
    site: bytes | None,
    rows: Sequence[DrawnRow],
    *,
    empty: Mapping[str, gpd.GeoDataFrame],
    crs: CRS,
    units: UnitSystem,
    vertical_unit: VerticalUnit,
) -> JobFile:
    """
    Add rows to a copy of a site; no row or value that is there is touched.

    Parameters
    ----------
    site
        The GeoPackage; None for a new one.
    rows
        To be added.
    empty
        The tables to draw in, without rows: those that the site lacks are made from them.
    crs
        Of the rows.
    units
        Of columns that the site lacks.
    vertical_unit
        Of the elevation data.

    Raises
    ------
    OutputError
        If the file is no GeoPackage that can be added to.
    """
    import pyogrio  # noqa: PLC0415 - slow to import

    with tempfile.TemporaryDirectory(prefix="lotflow-") as folder:
        path = Path(folder, SITE_FILE)
        if site is not None:
            path.write_bytes(site)
        try:
            known = {} if site is None else {
                str(name).casefold(): str(name) for name, _ in pyogrio.list_layers(path)
            }  # fmt: skip
            for table in dict.fromkeys(row.table for row in rows):
                if table not in known:
                    add_table(path, table, empty[table].iloc[:0])
                    known[table] = table
            reads = {known[row.table] for row in rows}
            drawn_in = {table: pyogrio.read_info(path, layer=table)["crs"] for table in reads}
            with closing(sqlite3.connect(path)) as connection, connection:
                _teach(connection)
                for row in rows:
                    table = known[row.table]
                    shape = _in_crs(row.shape, crs, drawn_in[table])
                    _insert(connection, table, row, shape, units, vertical_unit)
        except (RuntimeError, sqlite3.Error) as error:
            raise OutputError(f"rows cannot be added to the site: {error}") from error
        made = path.read_bytes()
    if site is not None and (changed := list(differing_rows(site, made))):
        raise OutputError(f"rows of {', '.join(changed)} would not stay as they are.")
    return JobFile(SITE_FILE, made)


def _in_crs(shape: Any, crs: CRS, drawn_in: Any) -> Any:
    """Bring a shape into the coordinates of a table."""
    if drawn_in is None or crs is None:
        return shape
    return gpd.GeoSeries([shape], crs=crs).to_crs(drawn_in).iloc[0]


def _teach(connection: sqlite3.Connection) -> None:
    """Give SQLite the functions that the triggers of a spatial index call."""

    def bound(position: int) -> Any:
        return lambda blob: float(_shape(blob).bounds[position])

    for position, name in enumerate(("ST_MinX", "ST_MinY", "ST_MaxX", "ST_MaxY")):
        connection.create_function(name, 1, bound(position), deterministic=True)
    connection.create_function(
        "ST_IsEmpty", 1, lambda blob: int(_shape(blob).is_empty), deterministic=True
    )


#: Of a geometry without envelope, little endian (OGC 12-128r15, clause 2.1.3).
_HEAD: Final = struct.Struct("<2sBBi")


def _blob(shape: Any, srs: int) -> bytes:
    return _HEAD.pack(b"GP", 0, 1, srs) + bytes(shapely.to_wkb(shape, byte_order=1))


def _shape(blob: bytes) -> Any:
    """Read back what `_blob` wrote: no other row is ever changed."""
    return shapely.from_wkb(blob[_HEAD.size :])


def _insert(
    connection: sqlite3.Connection, table: str, row: DrawnRow, shape: Any, units: UnitSystem,
    vertical_unit: VerticalUnit,
) -> None:  # fmt: skip
    """Add one row, and columns that the table lacks."""
    geometry, kind, srs = connection.execute(
        "SELECT column_name, geometry_type_name, srs_id FROM gpkg_geometry_columns "
        "WHERE table_name = ?", (table,),
    ).fetchone()  # fmt: skip
    if kind.upper().startswith("MULTI") and not shape.geom_type.startswith("Multi"):
        shape = {"LineString": shapely.MultiLineString, "Point": shapely.MultiPoint,
                 "Polygon": shapely.MultiPolygon}[shape.geom_type]([shape])  # fmt: skip
    names, values = [geometry], [_blob(shape, srs)]
    for column in DRAWN_TABLES[row.table].layer.columns:
        if row.values.get(column.name) is None:
            continue
        name = _column_of(connection, table, column, units)
        names.append(name)
        values.append(_in_unit(row.values[column.name], column, name, vertical_unit))
    listed = ", ".join(map(_named, names))
    marks = ", ".join("?" * len(names))
    connection.execute(f"INSERT INTO {_named(table)} ({listed}) VALUES ({marks})", values)  # noqa: S608 - names of tables and columns are quoted
    west, south, east, north = shape.bounds
    connection.execute(
        "UPDATE gpkg_contents SET min_x = min(coalesce(min_x, ?1), ?1), "
        "min_y = min(coalesce(min_y, ?2), ?2), max_x = max(coalesce(max_x, ?3), ?3), "
        "max_y = max(coalesce(max_y, ?4), ?4) WHERE table_name = ?5",
        (west, south, east, north, table),
    )


def _named(name: str) -> str:
    """Quote the name of a table or column."""
    return '"' + name.replace('"', '""') + '"'


def _column_of(
    connection: sqlite3.Connection, table: str, column: Column, units: UnitSystem
) -> str:
    """Name of a column in a table, whichever unit it has there; made where it is not there."""
    there = {str(row[1]).casefold(): str(row[1])
             for row in connection.execute(f"PRAGMA table_info({_named(table)})")}  # fmt: skip
    known = [*column.file_names, *([column.formerly] if column.formerly else [])]
    found = next((there[name.casefold()] for name in known if name.casefold() in there), "")
    if not found:
        found = column.drawn_name(units)
        kind = {"number": "REAL", "yes_no": "BOOLEAN"}.get(column.kind, "TEXT")
        connection.execute(f"ALTER TABLE {_named(table)} ADD COLUMN {_named(found)} {kind}")
    return found


def _in_unit(value: Any, column: Column, name: str, vertical_unit: VerticalUnit) -> Any:
    """Bring a value from SI to the unit of its column."""
    if not column.is_measured:
        return value
    suffix = name.casefold().removeprefix(f"{column.name}_")
    return round(float(value) / factor_to_si(column, suffix, vertical_unit), _DECIMALS)


def differing_rows(before: bytes, after: bytes) -> Iterator[str]:
    """
    Name tables of a copy in which a row of the original is not as it was.

    Parameters
    ----------
    before, after
        GeoPackages.
    """
    with tempfile.TemporaryDirectory(prefix="lotflow-") as folder:
        paths = [Path(folder, name) for name in ("before.gpkg", "after.gpkg")]
        for path, content in zip(paths, (before, after), strict=True):
            path.write_bytes(content)
        with (
            closing(sqlite3.connect(paths[0])) as first,
            closing(sqlite3.connect(paths[1])) as second,
        ):
            tables = first.execute(
                "SELECT table_name FROM gpkg_contents WHERE data_type IN ('features', 'attributes')"
            )
            for (table,) in tables.fetchall():
                listed = ", ".join(
                    _named(row[1]) for row in first.execute(f"PRAGMA table_info({_named(table)})")
                )
                asked = f"SELECT {listed} FROM {_named(table)} ORDER BY 1"  # noqa: S608 - quoted
                rows = first.execute(asked).fetchall()
                if second.execute(asked).fetchall()[: len(rows)] != rows:
                    yield str(table)


def proposed_rows(
    site: Drawn, case: Case, options: Sequence[InletOption], offset_m: float
) -> list[DrawnRow]:
    """
    Rows of a site by which options are drawn.

    Parameters
    ----------
    site, case
        What is drawn already, and the state of the drains that is added to.
    options
        Inlets with their lines.
    offset_m
        What levels in the drawing lack of the elevations [m].
    """
    taken = {str(name).casefold() for layer in ("inlets", "drain_lines", "outlets")
             for name in getattr(site, layer)["name"].dropna()}  # fmt: skip
    lines = site.drain_lines
    taken |= {
        str(name).casefold() for end in ("from_node", "to_node") for name in lines[end].dropna()
    }
    outlets = in_case(site.outlets, case)
    rows: list[DrawnRow] = []
    nodes: dict[tuple[str, Any], str] = {}
    made: dict[tuple[float, float], str] = {}
    for option in options:
        fixed = _fixed(option)
        nodes["inlet", option.cell] = option.name
        if not option.is_drawn:
            nodes["inlet", option.cell] = _free(option.name, taken)
            rows.append(DrawnRow("inlets", fixed | {
                "name": nodes["inlet", option.cell], "kind": "catch basin",
                "grate_length": option.grate.side_m, "grate_width": option.grate.side_m,
                "open_share": OPEN_SHARE, "opening_width": OPENING_M, "grates_removable": True},
                shapely.Point(option.x, option.y)))  # fmt: skip
    for option in options:
        if option.line.joins is not None or option.end is None:
            continue
        place = option.end.place
        at, last = (place.x, place.y), option.pieces[-1]
        drawn = outlets[[point.x == place.x and point.y == place.y for point in outlets.geometry]]
        end = str(drawn["name"].iloc[0]) if len(drawn) else made.get(at, "")
        if not end:
            fixed = _fixed(option)
            is_curb = place.kind == "street"
            end = made[at] = _free(f"Proposed {'curb outlet' if is_curb else 'outlet'} 1", taken)
            rows.append(DrawnRow("outlets", fixed | {
                "name": end, "kind": "curb" if is_curb else "daylight",
                "invert": last.invert_down - offset_m,
                "diameter": last.size.inside_diameter_m}, shapely.Point(*at)))  # fmt: skip
        nodes["end", option.cell] = end
    for option in options:
        fixed = _fixed(option)
        for piece in option.pieces:
            for kind, number in (piece.start, piece.end):
                if (kind, number) not in nodes:
                    nodes[kind, number] = (
                        number if kind == "drawn" else _free(f"Proposed {kind} 1", taken)
                    )
            rows.append(DrawnRow("drain_lines", fixed | {
                "name": _free("Proposed line 1", taken), "from_node": nodes[piece.start],
                "to_node": nodes[piece.end], "size": piece.size.size_m, "material": MATERIAL,
                "invert_up": piece.invert_up - offset_m,
                "invert_down": piece.invert_down - offset_m,
                "evidence": "assumed"}, piece.shape))  # fmt: skip
    return rows


def _fixed(option: InletOption) -> dict[str, Any]:
    """What every row of an option says of itself."""
    return {"status": "proposed", "origin": "lotflow", "keep": False, "option_id": option.name}


#: Columns of a row of ours by whose change it is the user's.
_COMPARED: Final = ("kind", "material", "size", "invert_up", "invert_down", "grate_length")


def listed_rows(rows: Sequence[DrawnRow], offset_m: float) -> list[dict[str, Any]]:
    """
    List rows by what they are known again by, for `proposal.json`.

    Parameters
    ----------
    rows
        From `proposed_rows`.
    offset_m
        What levels in the drawing lack of the elevations [m].
    """
    found = []
    for row in rows:
        values: dict[str, Any] = {}
        for column in DRAWN_TABLES[row.table].layer.columns:
            value = row.values.get(column.name)
            if column.name in _COMPARED and value is not None:
                if column.quantity == "elevation":
                    value += offset_m
                is_number = isinstance(value, (int, float))
                values[column.inside_name] = round(float(value), 5) if is_number else value
        found.append({"table": row.table, "name": row.values["name"],
                      "option_id": row.values["option_id"],
                      "at": [list(at) for at in points_of(row.shape)],
                      "values": values})  # fmt: skip
    return found


def without_rows(
    site: bytes, free: Mapping[str, Collection[str]], theirs: Mapping[str, Collection[str]]
) -> bytes:
    """
    Take rows of an earlier proposal out of a copy of a site, and give the user those he changed.

    Parameters
    ----------
    site
        The GeoPackage.
    free, theirs
        Names of rows by table: to be taken out, and whose origin is the user from now on.

    Raises
    ------
    OutputError
        If the file is no GeoPackage that can be written to.
    """
    with tempfile.TemporaryDirectory(prefix="lotflow-") as folder:
        path = Path(folder, SITE_FILE)
        path.write_bytes(site)
        try:
            with closing(sqlite3.connect(path)) as connection:
                _teach(connection)
                known = {str(name).casefold(): str(name) for (name,) in connection.execute(
                    "SELECT table_name FROM gpkg_contents")}  # fmt: skip
                does = (("DELETE FROM {}", free), ("UPDATE {} SET origin = 'user'", theirs))
                for what, by_table in does:
                    for table, names in by_table.items():
                        text = what.format(_named(known[table]))
                        connection.executemany(
                            f"{text} WHERE name = ? AND origin = 'lotflow'",
                            [(name,) for name in sorted(names)],
                        )
                connection.commit()
                connection.execute("VACUUM")
        except (KeyError, sqlite3.Error) as error:
            raise OutputError(f"rows cannot be taken out of the site: {error}") from error
        return path.read_bytes()


def _free(name: str, taken: set[str]) -> str:
    """Give a name that no row has, by its number; it is taken then."""
    stem, _, number = name.rpartition(" ")
    count = int(number)
    while f"{stem} {count}".casefold() in taken:
        count += 1
    taken.add(f"{stem} {count}".casefold())
    return f"{stem} {count}"


def proposal_content(
    ground: LotGround, options: Sequence[InletOption], refused: Sequence[NotOffered],
    rows: tuple[Sequence[Harm], Sequence[Harm]], added: Sequence[dict[str, Any]],
    rejected: Sequence[Rejected],
) -> dict[str, Any]:  # fmt: skip
    """
    Give the content of `proposal.json`.

    Parameters
    ----------
    ground
        Of the lot.
    options, refused
        What is offered, and what is not.
    rows
        Limits of harm that are broken before and after, by whole runs with inlets open.
    added
        From `listed_rows`.
    rejected
        What stays away.
    """
    before, after = ({row.key for row in some} for some in rows)
    per_unit = ground.yard.surface.ground.metres_per_unit
    return {
        "rain": ground.storms is not None,
        "outcome": "options" if options else "nothing can be offered",
        "options": [_told(one, options, ground.permitted) for one in options],
        "lines": [
            {"option": one.name, "length_m": _round(float(piece.shape.length) * per_unit),
             "size": piece.size.label, "flow_m3s": _round(piece.flow),
             "invert_up_m": _round(piece.invert_up), "invert_down_m": _round(piece.invert_down)}
            for one in options for piece in one.pieces
        ],
        "harm": {
            "mended": sorted(before - after), "left": sorted(before & after),
            "new": sorted(after - before),
        },
        "not_offered": [
            {"place": one.place, "x": _round(one.x), "y": _round(one.y), "remedy": one.remedy,
             "rule": one.rule, "measured": _round(one.measured), "limit": _round(one.limit),
             "unit": one.unit, "source": one.source}
            for one in refused
        ],
        "shots": _shots(ground, options),
        "rows": list(added),
        "rejected": [
            {"table": one.table, "at": [list(at) for at in one.at]} for one in rejected
        ],
    }  # fmt: skip


def _told(
    option: InletOption, options: Sequence[InletOption], permitted: frozenset[str]
) -> dict[str, Any]:
    """One option, in SI."""
    joins = option.line.joins
    joins = next((one.name for one in options if one.cell == joins), joins)
    end, line, sure = option.end, option.line, option.sure
    named = None if end is None else {
        "name": end.place.name, "kind": end.place.kind, "verdict": end.verdict,
        "left_m": _round(end.left_m), "deviation_m": _round(end.deviation_m),
        "ask": end.place.name not in permitted and end.place.kind in _ASKED_FOR,
    }  # fmt: skip
    return {
        "name": option.name, "is_drawn": option.is_drawn,
        "x": _round(option.x), "y": _round(option.y),
        "low_spot": option.low_spot or None,
        "verdict": None if sure is None else sure.verdict,
        "same_low_spot_share": None if sure is None else sure.same,
        "worth_kept": None if sure is None else sure.kept,
        "end": named,
        "grate": {"side_m": _round(option.grate.side_m), "depth_m": _round(option.grate.depth_m),
                  "limit_m": _round(option.grate.limit_m), "is_enough": option.grate.is_enough},
        "line": {"length_m": _round(line.length_m), "size": line.size.label,
                 "material": MATERIAL, "fall": _round(line.fall),
                 "invert_up_m": _round(line.invert_up), "invert_down_m": _round(line.invert_down),
                 "deepest_m": _round(line.deepest_m), "bends": line.bends,
                 "shallow_m": _round(line.shallow_m),
                 "flow_m3s": _round(option.flow), "carried_m3s": _round(option.carried),
                 "capacity_m3s": _round(line.capacity),
                 "joins": joins},
        "before": {key: _round(value) for key, value in option.before._asdict().items()},
        "after": {key: _round(value) for key, value in option.after._asdict().items()},
    }  # fmt: skip


def _shots(ground: LotGround, options: Sequence[InletOption]) -> list[dict[str, Any]]:
    """Levels that decide: at the place, at the edge of its low spot, at the end."""
    spots: LowSpots = ground.low_spots
    columns = spots.number.shape[1]
    found: list[tuple[str, str, float, float]] = []
    for one in options:
        unsure = one.sure is None or one.sure.verdict != "here"
        if unsure:
            found.append((one.name, "lowest ground at the inlet", one.x, one.y))
            if one.low_spot:
                cell = int(spots.spill_cell[one.low_spot - 1])
                x, y = ground.yard.surface.ground.xy(*divmod(cell, columns))
                found.append((one.name, "edge over which the low spot runs over", x, y))
        if one.end is not None and one.end.verdict != "reachable":
            place = one.end.place
            found.append((one.name, f"level of the end: {place.name}", place.x, place.y))
    return [
        {"option": name, "what": what, "x": _round(float(x)), "y": _round(float(y))}
        for name, what, x, y in found
    ]


def _round(value: float | None) -> float | None:
    """Three decimals; None for what is no number."""
    return None if value is None or not np.isfinite(value) else round(float(value), 5)


def proposal_text(content: dict[str, Any]) -> str:
    """
    Tell a proposal in a few lines.

    Parameters
    ----------
    content
        Of `proposal.json`.
    """
    lines = []
    if not content["options"]:
        is_all = not content.get("surface")
        lines.append("Nothing can be offered." if is_all else "No inlet is offered.")
    for one in content["options"]:
        end, line = one["end"], one["line"]
        sure = one["verdict"] or "not asked"
        into = f"into the line of {line['joins']}, " if line["joins"] else ""
        if end is not None:
            into += f"to {end['name']} ({end['verdict']}"
            into += f"{', ask for the permit' if end['ask'] else ''})"
        lines.append(
            f"{one['name']} at {one['x']:.1f}, {one['y']:.1f} ({sure}): {line['size']} "
            f"{line['material']}, {line['length_m']:.1f} m at {100 * line['fall']:.1f} %, {into}"
        )
    told = content["harm"]
    for title, keys in (("Mended", told["mended"]), ("Left", told["left"]), ("New", told["new"])):
        if keys:
            lines.append(f"{title}: {'; '.join(keys)}")
    refused: dict[tuple[str, str, str], list[float]] = {}
    for one in content["not_offered"]:
        key = (one["place"], one["remedy"], one["rule"])
        refused.setdefault(key, [])
        if one["unit"] == "m" and one["measured"] is not None:
            refused[key].append(one["measured"])
    for (place, remedy, rule), measured in refused.items():
        told = f" (at best {max(measured):.2f} m)" if measured else ""
        lines.append(f"Not offered, {place}: {remedy}: {rule}{told}")
    lines += [
        f"Level first, {one['option']}: {one['what']} at {one['x']:.1f}, {one['y']:.1f}"
        for one in content["shots"]
    ]
    return "\n".join(lines)
