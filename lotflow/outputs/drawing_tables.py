"""
The tables of a job to draw in, as one GeoPackage: with forms, choices and looks that open with it.

Titles, meanings, choices, bounds, defaults and what is owed are told by the open standard; the
style of the viewer says the same of its forms, and how rows look.
"""

from __future__ import annotations

import sqlite3
import xml.etree.ElementTree as ET
from contextlib import closing
from typing import TYPE_CHECKING, Any, Final

from lotflow.layers import DRAWN_TABLES
from lotflow.outputs import palette
from lotflow.outputs.geopackage import FIXED_DATE, VERSION, WRITTEN, gdal_options
from lotflow.outputs.geopackage_schema import ToldColumn, tell_columns
from lotflow.outputs.styles import Rule, sld_text
from lotflow.outputs.viewer_forms import CATEGORIES, FormField, add_form
from lotflow.outputs.viewer_styles import VERSION as STYLE_VERSION
from lotflow.outputs.viewer_styles import add_style
from lotflow.units import SIGNS, TO_SI

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence
    from pathlib import Path

    import geopandas as gpd

    from lotflow.layers import Column, DrawnTable, Geometry
    from lotflow.units import UnitSystem

#: Viewers write rows of one part and of several alike into these.
_GEOMETRY_TYPES: Final[dict[Geometry, str]] = {
    "point": "Point", "line": "MultiLineString", "polygon": "MultiPolygon",
}  # fmt: skip
_STYLES_TABLE: Final = """
CREATE TABLE layer_styles (
  id INTEGER PRIMARY KEY AUTOINCREMENT NOT NULL, f_table_catalog TEXT(256),
  f_table_schema TEXT(256), f_table_name TEXT(256), f_geometry_column TEXT(256),
  styleName TEXT(30), styleQML TEXT, styleSLD TEXT, useAsDefault BOOLEAN, description TEXT,
  owner TEXT(30), ui TEXT(30), update_time DATETIME DEFAULT CURRENT_TIMESTAMP)
"""
_GEOMETRY_COLUMN: Final = "geom"


def write_drawing(path: Path, tables: Mapping[str, gpd.GeoDataFrame], units: UnitSystem) -> None:
    """
    Write the tables to draw in.

    Parameters
    ----------
    path
        A new file.
    tables
        By name, with or without rows; rows have every value that is owed.
    units
        Of their columns.
    """
    for name, frame in tables.items():
        add_table(path, name, frame)
    written = [DRAWN_TABLES[name] for name in tables]
    told = {table.name: [_told(column, units) for column in table.columns] for table in written}
    with closing(sqlite3.connect(path)) as connection, connection:
        connection.execute("PRAGMA synchronous = OFF")
        tell_columns(connection, told)
        _write_styles(connection, written, units)


def add_table(path: Path, name: str, frame: gpd.GeoDataFrame) -> None:
    """
    Add a table to draw in to a GeoPackage, which is made where it is not there.

    Parameters
    ----------
    path
        Of the file.
    name
        One of `DRAWN_TABLES`.
    frame
        Its rows, if any.
    """
    import pyogrio  # noqa: PLC0415 - slow to import

    table = DRAWN_TABLES[name]
    with gdal_options(FIXED_DATE):
        pyogrio.write_dataframe(
            frame, path, layer=name, driver="GPKG",
            geometry_type=_GEOMETRY_TYPES[table.geometry],
            promote_to_multi=table.geometry != "point",
            dataset_options=None if path.exists() else VERSION,
            layer_options={
                "IDENTIFIER": table.title, "DESCRIPTION": table.meaning,
                # a lot has few rows: an index of each table would be most of the file
                "GEOMETRY_NAME": _GEOMETRY_COLUMN, "SPATIAL_INDEX": "NO",
            },
            append=path.exists(),
        )  # fmt: skip


def _told(column: Column, units: UnitSystem) -> ToldColumn:
    """Say of a column to draw in what the schema says, in the column's own unit."""
    name = column.drawn_name(units)
    suffix = name.removeprefix(f"{column.name}_") if column.is_measured else ""
    return ToldColumn(
        name,
        f"{column.label} [{SIGNS.get(suffix, suffix)}]" if suffix else column.label,
        column.meaning,
        choices=column.choices,
        low=_in_unit(column.low, suffix),
        high=_in_unit(column.high, suffix),
        default=f"'{column.default}'" if column.default else "",
        required=column.required,
    )


def _in_unit(bound: float | None, suffix: str) -> float | None:
    """Bring a bound from SI to a column's unit, with the digits that a reader is shown."""
    if bound is None or not suffix:
        return bound
    return float(f"{bound / TO_SI[suffix]:.6g}")


def drawing_style(table: DrawnTable, units: UnitSystem) -> str:
    """
    Write the viewer's style of a table: its looks, and its form.

    Parameters
    ----------
    units
        Of its columns.

    Examples
    --------
    >>> text = drawing_style(DRAWN_TABLES["walls"], "us")
    >>> 'name="Height [ft]"' in text, "RuleRenderer" in text
    (True, True)
    """
    root = ET.Element(
        "qgis", {"version": STYLE_VERSION, "styleCategories": f"Symbology|Labeling|{CATEGORIES}"}
    )
    add_style(root, LOOKS[table.name], table.geometry)
    fields = [FormField(_told(one, units), one.kind, one.unique) for one in table.columns]
    add_form(root, fields, hidden=("fid",))
    return ET.tostring(root, encoding="unicode") + "\n"


def _write_styles(
    connection: sqlite3.Connection, tables: Sequence[DrawnTable], units: UnitSystem
) -> None:
    """Write the table of styles that viewers open layers with."""
    rows: list[tuple[Any, ...]] = [
        ("", "", table.name, _GEOMETRY_COLUMN, table.title, drawing_style(table, units),
         sld_text(table.name, LOOKS[table.name]), 1, table.meaning, "", None, WRITTEN)
        for table in tables
    ]  # fmt: skip
    connection.execute(_STYLES_TABLE)
    connection.execute(
        "INSERT INTO gpkg_contents (table_name, data_type, identifier, description, "
        "last_change, srs_id) VALUES ('layer_styles', 'attributes', 'layer_styles', '', ?, 0)",
        (WRITTEN,),
    )
    connection.executemany(
        "INSERT INTO layer_styles (f_table_catalog, f_table_schema, f_table_name, "
        "f_geometry_column, styleName, styleQML, styleSLD, useAsDefault, description, owner, "
        "ui, update_time) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
        rows,
    )


def _by_status(**look: Any) -> tuple[Rule, ...]:
    """Draw what is there, and what is proposed or goes, apart; an empty cell is there."""
    is_mark = bool(look.get("mark"))
    colour = "fill" if is_mark else "stroke"
    there = {"fill": "#ffffff", "stroke": look[colour]} if is_mark else {"dashes": "5 4"}
    gone = {colour: palette.NOT_TOLD} | ({} if is_mark else {"dashes": "2 3"})
    return (
        Rule("existing", **(look | there)),
        Rule("proposed", "status", equals="proposed", **look),
        Rule("replaced", "status", equals="replaced", **(look | gone | {"label": ()})),
        Rule("abandoned", "status", equals="abandoned", **(look | gone | {"label": ()})),
    )


_NAMED: Final = ("name",)
#: How the rows of each table look while they are drawn.
LOOKS: Final[dict[str, tuple[Rule, ...]]] = {
    "lot": (Rule("lot", stroke=palette.LOT, width=2.2, dashes="9 4"),),
    "buildings": (
        Rule("building", fill=palette.BUILDING, stroke=palette.BUILDING_EDGE, label=_NAMED),
    ),
    "covers": (
        Rule("cover", fill="#e6dfc8", fill_opacity=0.5, stroke=palette.CONTOUR, width=0.6,
             label=("cover",)),
    ),
    "inlets": _by_status(fill=palette.INK, stroke="#ffffff", width=1.5, mark="square", size=11,
                         label=_NAMED),
    "inlet_lines": _by_status(stroke=palette.INK, width=3.0, label=_NAMED),
    "inlet_areas": (
        Rule("inlet", fill=palette.INK, fill_opacity=0.5, stroke=palette.INK, label=_NAMED),
    ),
    "downspouts": _by_status(fill=palette.RUN_ON, stroke=palette.INK, mark="circle", size=8,
                             label=_NAMED),
    "drain_lines": _by_status(stroke=palette.PIPE, width=2.2, arrows=True, label=_NAMED),
    "outlets": _by_status(fill=palette.PIPE, stroke="#ffffff", width=1.5, mark="circle", size=12,
                          label=_NAMED),
    "shots": (
        Rule("level measured on site", fill=palette.INK, mark="cross", size=9, label=_NAMED),
    ),
    "openings": (
        Rule("opening of a building", fill="#ffffff", stroke=palette.FAULT, width=1.5,
             mark="square", size=9, label=_NAMED),
    ),
    "constraint_points": (
        Rule("keep clear", fill=palette.UNSURE, stroke=palette.INK, mark="triangle", size=10,
             label=("kind",)),
    ),
    "constraint_lines": (
        Rule("keep clear", stroke=palette.UNSURE, width=1.8, dashes="7 3", label=("kind",)),
    ),
    "constraint_areas": (
        Rule("keep clear", fill=palette.UNSURE, fill_opacity=0.2, stroke=palette.UNSURE,
             width=1.2, label=("kind",)),
    ),
    "culverts": (Rule("culvert", stroke=palette.PIPE, width=3.0, arrows=True, label=_NAMED),),
    "walls": (Rule("wall", stroke=palette.INK, width=2.4),),
    "earthwork_lines": (
        Rule("earthwork", stroke=palette.EARTH, width=1.5),
        Rule("swale", "kind", equals="swale", stroke=palette.SWALE, width=3.0, arrows=True,
             label=_NAMED),
        Rule("berm", "kind", equals="berm", stroke=palette.EARTH, width=4.0, label=_NAMED),
    ),
    "earthwork_areas": (
        Rule("earthwork", stroke=palette.EARTH, width=1.0),
        Rule("regrade", "kind", equals="regrade", fill=palette.EARTH, fill_opacity=0.2,
             stroke=palette.EARTH, dashes="5 4", label=_NAMED),
        Rule("fill", "kind", equals="fill", fill=palette.EARTH, fill_opacity=0.4,
             stroke=palette.EARTH, label=_NAMED),
        Rule("rain garden", "kind", equals="rain garden", fill=palette.NO_FAULT,
             fill_opacity=0.3, stroke=palette.NO_FAULT, label=_NAMED),
    ),
    "water": (Rule("open water", fill=palette.OPEN_WATER, stroke=palette.WATER_EDGE),),
    "observation_points": (
        Rule("water seen", fill=palette.RUN_ON, stroke="#ffffff", width=1.2, mark="triangle",
             size=12, label=_NAMED),
    ),
    "observation_areas": (
        Rule("water seen", fill=palette.RUN_ON, fill_opacity=0.25, stroke=palette.RUN_ON,
             width=1.4, dashes="3 3", label=_NAMED),
    ),
    "allowed_ends": (Rule("allowed end", stroke=palette.RUN_ON, width=4.0, label=_NAMED),),
    "wanted_points": (
        Rule("dry here", fill="#ffffff", stroke=palette.RUN_ON, width=1.6, mark="circle", size=12,
             label=_NAMED),
    ),
    "wanted_areas": (
        Rule("dry here", fill="#ffffff", fill_opacity=0.4, stroke=palette.RUN_ON, width=1.4,
             label=_NAMED),
    ),
}  # fmt: skip
