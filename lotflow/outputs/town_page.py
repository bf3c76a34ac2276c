"""
The page of a batch: a map of the lots, and a table of them, in one file that asks nobody.

Without scripts the map and the worst lots stand there as they are; with them the table has all
lots, sorted and filtered as wished, and map and table point at each other.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import shapely

from lotflow.layers.result_town import CONCERNS, TOWN_LAYER
from lotflow.outputs.html_page import data_text, escaped, own_text, page_head
from lotflow.outputs.palette import CONCERN_COLOURS

if TYPE_CHECKING:
    import geopandas as gpd

    from lotflow.units import UnitSystem

#: Greatest width and height of the map, in its own units; outlines are drawn to a tenth of one.
_WIDE: Final = 1000.0
_HIGH: Final = 1000.0
#: Lots in the table where no script runs.
_STILL: Final = 100
#: Columns of the table.
_COLUMNS: Final = (
    "parcel", "concern", "harm", "first_item", "low_spots", "deepest_m", "house_distance_m",
    "probability", "run_on_m2", "area_m2", "warnings", "overlaps",
)  # fmt: skip
_NUMBERS: Final = frozenset(
    column.name for column in TOWN_LAYER.columns if column.kind in ("number", "whole")
)


def town_page(table: gpd.GeoDataFrame, *, title: str, units: UnitSystem, opens: str) -> str:
    """
    Write the page: the same table gives the same text.

    Parameters
    ----------
    table
        From `lotflow.outputs.town.town_table`.
    title
        Heading.
    units
        In which numbers are shown.
    opens
        File of a lot's folder that its name leads to.

    Returns
    -------
    page
        HTML that works from a file, without a network, under its own strict content policy.
    """
    style, script = own_text("town_page.css") + _colours(), own_text("town_page.js")
    rows = [_row(row, units, opens) for row in table.drop(columns="geometry").to_dict("records")]
    heads = [TOWN_LAYER.column(name).label for name in _COLUMNS]
    order = sorted(range(len(rows)), key=lambda at: (rows[at]["rank"], at))
    data = {
        "numbers": [name in _NUMBERS for name in _COLUMNS],
        "rows": rows,
    }  # fmt: skip
    counts = table["concern"].value_counts()
    return "\n".join([
        *page_head(f"{title}: {len(rows):,} lots", style, script),
        f"<header><h1>{escaped(title)}</h1><p>{len(rows):,} lots, coloured by what matters most: "
        "harm against a published limit, else what the screening found. No survey, no design."
        "</p></header>",
        "<main>",
        '<section class="map" aria-label="Map of the lots">',
        *_map(table, rows),
        '<ul class="key">',
        *(
            f'<li><button type="button" data-concern="{number}" aria-pressed="false">'
            f'<span class="swatch c{number}"></span>{escaped(name)} '
            f"<b>{int(counts[name]):,}</b></button></li>"
            for number, name in enumerate(CONCERNS)
            if counts.get(name, 0)
        ),
        "</ul>",
        "</section>",
        '<section class="told" aria-label="Table of the lots">',
        '<div class="asks" hidden><label>Find <input id="find" type="search" autocomplete="off">'
        '</label><button type="button" id="all">All lots</button>'
        '<p id="count" role="status"></p></div>',
        '<div class="scroll"><table><thead><tr>',
        *(
            f'<th scope="col"{_class(name)}>{escaped(head)}</th>'
            for name, head in zip(_COLUMNS, heads, strict=True)
        ),
        '</tr></thead><tbody id="rows">',
        *(_table_row(rows[at], at) for at in order[:_STILL]),
        "</tbody></table></div>",
        f'<p id="rest">{max(len(rows) - _STILL, 0):,} more are in town.gpkg.</p>'
        if len(rows) > _STILL
        else '<p id="rest"></p>',
        '<button type="button" id="more" hidden>More</button>',
        "</section>",
        "</main>",
        f'<script type="application/json" id="data">{data_text(data)}</script>',
        f"<script>{script}</script>",
        "</body>",
        "</html>",
        "",
    ])  # fmt: skip


def _colours() -> str:
    """Colours of the concerns, of lots and of the key."""
    return "".join(
        f".c{number} {{ fill: {colour}; background: {colour}; }}\n"
        for number, colour in enumerate(CONCERN_COLOURS)
    )


def _row(row: dict[str, Any], units: UnitSystem, opens: str) -> dict[str, Any]:
    """What the page knows of a lot: cells as they are shown, and of numbers what to sort by."""
    cells, keys = [], []
    for name in _COLUMNS:
        value = row[name]
        is_none = value is None or value != value  # noqa: PLR0124 - a missing number
        column = TOWN_LAYER.column(name)
        if name == "first_item" and row["outcome"] == "failed":
            value = row["reason"]
        cells.append("" if is_none else column.shown(value, units))
        if name == "first_item":
            cells[-1] = str(value)
        keys.append(value if name in _NUMBERS and not is_none else None)
    link = f"{row['folder']}/{opens}" if row["folder"] else ""
    return {"cells": cells, "keys": keys, "rank": CONCERNS.index(row["concern"]), "link": link}


def _class(name: str) -> str:
    """Class of the cells of a column."""
    return ' class="number"' if name in _NUMBERS else ""


def _table_row(row: dict[str, Any], at: int) -> str:
    """One lot in the table."""
    cells = []
    for name, shown in zip(_COLUMNS, row["cells"], strict=True):
        told = escaped(shown)
        if name == "parcel":
            told = f'<a href="{escaped(row["link"])}">{told}</a>' if row["link"] else told
        if name == "concern":
            told = f'<span class="swatch c{row["rank"]}"></span>{told}'
        cells.append(f"<td{_class(name)}>{told}</td>")
    return f'<tr data-lot="{at}">{"".join(cells)}</tr>'


def _map(table: gpd.GeoDataFrame, rows: list[dict[str, Any]]) -> Iterator[str]:
    """Draw the lots, those with the worst concern last, so that they lie on top."""
    shapes = table.geometry.to_numpy()
    known = ~shapely.is_missing(shapes)
    if not known.any():
        yield "<p>No lot has an outline.</p>"
        return
    west, south, east, north = shapely.total_bounds(shapes[known])
    is_degrees = table.crs is not None and table.crs.is_geographic
    narrow = math.cos(math.radians((south + north) / 2)) if is_degrees else 1.0
    wide, high = max((east - west) * narrow, 1e-9), max(north - south, 1e-9)
    scale = min(_WIDE / wide, _HIGH / high)
    origin, factor = np.array([west, north]), np.array([narrow * scale, -scale])
    placed = shapely.transform(shapes, lambda at: (at - origin) * factor)
    yield (
        f'<svg viewBox="-4 -4 {wide * scale + 8:.1f} {high * scale + 8:.1f}" role="img" '
        'aria-label="Lots by concern"><g id="lots">'
    )
    for at in sorted(range(len(rows)), key=lambda one: (-rows[one]["rank"], one)):
        if known[at]:
            name = escaped(f"{rows[at]['cells'][0]}: {rows[at]['cells'][1]}")
            yield (
                f'<path class="c{rows[at]["rank"]}" data-lot="{at}" d="{_outline(placed[at])}">'
                f"<title>{name}</title></path>"
            )
    yield "</g></svg>"


def _outline(shape: Any) -> str:
    """Write outlines as steps in tenths of a unit of the map."""
    parts = []
    for polygon in shapely.get_parts(shape):
        for ring in (polygon.exterior, *polygon.interiors):
            corners = np.round(shapely.get_coordinates(ring)[:-1], 1)
            parts.append("M" + "L".join(f"{x:g} {y:g}" for x, y in corners) + "Z")
    return "".join(parts)
