"""The result as one tidy table for spreadsheets."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable, Iterator, Mapping, Sequence
from functools import cache, lru_cache
from typing import Any, Final

from lotflow.outputs.summary import unit_key, without_unit

_PRINTED: Final = {"m3s": "m3/s", "mm_h": "mm/h", "m_per_m": "m/m", "coordinate": "CRS"}

#: What a spreadsheet takes for the start of a formula.
_RISKY: Final = ("=", "+", "-", "@", "\t")

#: What names an entry of a list in the table.
_NAMED_BY: Final[dict[str, tuple[str, ...]]] = {
    "low_spots": ("id",),
    "inlets": ("name",),
    "runoff": ("subject", "method", "return_period_yr"),
    "lines": ("name", "return_period_yr"),
    "lot_line_crossings": ("id",),
    "outlet_options": ("subject", "rank"),
    "facades": ("name",),
    "openings": ("name",),
    "quantities": ("item",),
}


def summary_csv(content: Mapping[str, Any]) -> str:
    """
    Write a document as one tidy table: section, name, quantity, value, unit.

    Text that a spreadsheet would take for a formula is led by an apostrophe.

    Parameters
    ----------
    content
        As `summary_content` gives it.

    Returns
    -------
    table
        CSV with a header; values are SI.

    References
    ----------
    OWASP, "CSV Injection": cells that start with =, +, -, @, tab or carriage return.

    Examples
    --------
    >>> print(summary_csv({"lot": {"name": "=1+1", "area_m2": 812.0}}), end="")
    section,name,quantity,value,unit
    lot,,name,'=1+1,
    lot,,area,812.0,m2
    """
    target = io.StringIO()
    writer = csv.writer(target, lineterminator="\n")
    writer.writerow(("section", "name", "quantity", "value", "unit"))
    for section, part in content.items():
        entries = [("", part)]
        if isinstance(part, list):
            entries = [(_name(section, n, entry), entry) for n, entry in enumerate(part, 1)]
        for name, entry in entries:
            writer.writerows(map(guarded, _rows(section, name, entry)))
    return target.getvalue()


def _name(section: str, number: int, entry: Mapping[str, Any]) -> str:
    """What an entry of a list is called: by its names, else by its number."""
    parts = [entry[key] for key in _NAMED_BY.get(section, ()) if entry.get(key) is not None]
    shown = [f"{part:g} yr" if isinstance(part, float) else str(part) for part in parts]
    return " ".join(shown) or str(number)


def _rows(section: str, name: str, entry: Any) -> Iterator[Sequence[Any]]:
    """One row per value of an entry."""
    for quantity, key, value in _values(entry):
        unit = unit_key(key)
        printed = _PRINTED.get(unit, unit)
        if section == "findings" and key in {"measured", "limit"}:
            printed = entry["unit"] or ""
        yield section, name, quantity, value, printed


def _values(part: Any, path: str = "", key: str = "") -> Iterator[tuple[str, str, Any]]:
    """Every single value with its path, in which names of parts are joined by dots, and key."""
    if isinstance(part, dict):
        inner: Iterable[tuple[str, Any]] = part.items()
    elif isinstance(part, list):
        inner = ((str(number), value) for number, value in enumerate(part, 1))
    else:
        yield _joined(path, without_unit(key)), key, part
        return
    path = _joined(path, key)
    for name, value in inner:
        if isinstance(value, dict | list):
            yield from _values(value, path, name)
        else:
            yield _joined(path, without_unit(name)), name, value


@cache
def _joined(path: str, key: str) -> str:
    """Names of a part and of what is in it; either may be empty."""
    return ".".join(filter(None, (path, key)))


def guarded(row: Sequence[Any]) -> list[Any]:
    """
    Keep a spreadsheet from taking text for a formula, and a reader from taking it for a row.

    Parameters
    ----------
    row
        Cells of a table.

    Examples
    --------
    >>> guarded(["=1+1", -1.0])
    ["'=1+1", -1.0]
    """
    return [_harmless(cell) if isinstance(cell, str) else cell for cell in row]


@lru_cache(maxsize=10_000)
def _harmless(text: str) -> str:
    """A lone carriage return ends a row for many readers, quoted or not."""
    text = text.replace("\r", " ")
    return f"'{text}" if text.startswith(_RISKY) else text
