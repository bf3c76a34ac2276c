"""What a field sheet is made of, and how its tables are read."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, Final

import pandas as pd

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping

    from lotflow.outputs.map.content import MapContent
    from lotflow.units import UnitSystem

Row = dict[str, Any]

#: Status of what is not there yet, or takes no water any more.
_NOT_THERE: Final = ("proposed", "abandoned")


@dataclass(frozen=True, eq=False)
class FieldSheetContent:
    """
    What a field sheet is made of.

    Parameters
    ----------
    summary
        As `summary_content` gives it.
    layers
        Layers of the result, by name; "drain_lines" and "nodes" are used, both may be missing.
    title
        Name of the lot.
    note
        What the result was made from.
    units
        "us" for Letter paper, "metric" for A4.
    site
        Layers of the site in SI as they were read, by name: "downspouts", "inlets",
        "drain_lines", "outlets", "constraints"; any may be missing.
    map
        What the map of the first page shows; without one there is none.
    is_screening
        Whether nothing but a screening was asked for: it has one page.
    """

    summary: Mapping[str, Any]
    layers: Mapping[str, pd.DataFrame]
    title: str
    note: str
    units: UnitSystem
    site: Mapping[str, pd.DataFrame] = field(default_factory=dict)
    map: MapContent | None = None
    is_screening: bool = False


def rows_of(tables: Mapping[str, pd.DataFrame], name: str) -> list[Row]:
    """
    Read a table as rows in which None stands for a missing value.

    `name`: of the table; one that is missing has no rows. Shapes are left out.

    Examples
    --------
    >>> frame = pd.DataFrame({"name": ["C1"], "invert_m": [float("nan")]})
    >>> rows_of({"outlets": frame}, "outlets"), rows_of({}, "outlets")
    ([{'name': 'C1', 'invert_m': None}], [])
    """
    frame = tables.get(name)
    if frame is None:
        return []
    kept = [column for column in frame.columns if column != "geometry"]
    values = {column: [_known(v) for v in frame[column].tolist()] for column in kept}
    return [dict(zip(values, row, strict=True)) for row in zip(*values.values(), strict=True)]


def _known(value: Any) -> Any:
    """Turn a missing value into None."""
    return None if pd.isna(value) else value


def there_today(rows: Iterable[Row]) -> list[Row]:
    """
    Keep what can be found on the site today.

    `rows`: with a `status`; without one it exists.

    Examples
    --------
    >>> rows = [{"name": n, "status": s} for n, s in (("a", None), ("b", "proposed"))]
    >>> [row["name"] for row in there_today(rows)]
    ['a']
    """
    return [row for row in rows if row.get("status") not in _NOT_THERE]


def proposed(rows: Iterable[Row]) -> list[Row]:
    """Keep what is to be built."""
    return [row for row in rows if row.get("status") == "proposed"]


def lines_by_state(content: FieldSheetContent) -> tuple[list[Row], list[Row]]:
    """
    Divide the checked drain lines into those that are there and those to be built.

    Both are rows of the layer "drain_lines", each line once.
    """
    rows = rows_of(content.layers, "drain_lines")
    today = [row for row in rows if row["scenario"] == "today"]
    return today, proposed(row for row in rows if row["scenario"] == "proposed")
