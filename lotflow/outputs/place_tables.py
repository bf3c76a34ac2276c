"""Low spots and inlets as tables for a spreadsheet, with latitude and longitude."""

from __future__ import annotations

import csv
import io
from typing import TYPE_CHECKING, Any, Final

from lotflow.outputs.positions import latitude_longitude
from lotflow.outputs.summary_csv import guarded

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

_DEGREE_DECIMALS: Final = 7


def place_table(entries: Sequence[Mapping[str, Any]], crs: Any) -> str:
    """
    Write entries that have a place as a table, one row each.

    Parameters
    ----------
    entries
        Entries of one list of a summary, all with the same keys, among them `x` and `y`.
    crs
        Coordinate reference system of `x` and `y`.

    Returns
    -------
    table
        CSV with a header: the keys, which carry their units, then latitude and longitude in
        degrees of WGS 84. Where there are no entries, the columns of places alone.

    Examples
    --------
    >>> print(place_table([{"name": "C1", "x": 500_000.0, "y": 0.0}], "EPSG:32617"), end="")
    name,x,y,latitude,longitude
    C1,500000.0,0.0,0.0,-81.0
    """
    if not entries:
        return "x,y,latitude,longitude\n"
    latitude, longitude = latitude_longitude(
        [entry["x"] for entry in entries], [entry["y"] for entry in entries], crs
    )
    target = io.StringIO()
    writer = csv.writer(target, lineterminator="\n")
    writer.writerow((*entries[0], "latitude", "longitude"))
    for entry, north, east in zip(entries, latitude, longitude, strict=True):
        place = (round(float(north), _DEGREE_DECIMALS), round(float(east), _DEGREE_DECIMALS))
        writer.writerow(guarded((*entry.values(), *place)))
    return target.getvalue()
