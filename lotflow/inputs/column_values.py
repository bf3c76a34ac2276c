"""Columns of a file to columns of a site layer: either unit to SI, bounds, names, choices."""

from __future__ import annotations

import math
from collections.abc import Callable, Hashable, Sequence
from dataclasses import dataclass, replace
from typing import Any, Final

import numpy as np
import pandas as pd

from lotflow.errors import Fault, InputError
from lotflow.grid import FloatArray
from lotflow.inputs.cells import CellError, read_choice, read_number, read_text, read_yes_no
from lotflow.inputs.sources import Place
from lotflow.layers import Column, Layer
from lotflow.text import as_it_looks
from lotflow.units import TO_SI, VerticalUnit

#: Names a result uses itself: "none" for no inlet, "all" for every inlet, "surface" for no pipe.
RESERVED_NAMES: Final = ("none", "all", "surface")

#: No ground lies outside [m]: the shore of the Dead Sea is at -430 m, Everest at 8849 m.
ELEVATION_RANGE_M: Final = (-500.0, 9000.0)

#: Two units may differ by the rounding of a conversion, no more.
SAME: Final = 1e-6


@dataclass(frozen=True)
class Cells:
    """
    One column of a file, and where it stands.

    Parameters
    ----------
    name
        Name in the file.
    raw
        The values as they were read, one per row; None where missing.
    place
        File and layer.
    """

    name: str
    raw: Sequence[object]
    place: Place

    def fault(self, row: int, rule: str, remedy: str = "") -> Fault:
        """
        Build a fault about one cell.

        Parameters
        ----------
        row
            Counted from 0.
        rule, remedy
            As for `Fault`.
        """
        return self.place.fault(rule, remedy, row=row + 1, column=self.name, value=self.raw[row])


def read_columns(
    table: pd.DataFrame,
    known: dict[str, str],
    schema: Layer,
    place: Place,
    *,
    vertical_unit: VerticalUnit,
) -> tuple[dict[str, pd.Series[Any]], list[Fault]]:
    """
    Read every column of a layer from a file's table.

    Parameters
    ----------
    table
        As read; index 0, 1, 2, ...
    known
        Names of the schema to names in the table.
    schema
        The layer.
    place
        File and layer, for messages.
    vertical_unit
        Unit of the raster's elevations: `_ft` of an elevation is the raster's foot.

    Returns
    -------
    columns
        By the name they have inside lotflow, in SI, missing ones filled.
    faults
        What is wrong, column by column, row by row.
    """
    columns: dict[str, pd.Series[Any]] = {}
    faults: list[Fault] = []
    for column in schema.columns:
        given = {
            name: Cells(known[name], _plain(table[known[name]]), place)
            for name in column.file_names
            if name in known
        }
        values, found = _read_column(column, given, len(table), vertical_unit)
        columns[column.inside_name] = values
        faults += found
    return columns, faults


def empty_column(column: Column, rows: int) -> pd.Series[Any]:
    """
    Build a column without values, in the type that a read one has.

    Parameters
    ----------
    column
        As declared.
    rows
        Number of rows.

    Examples
    --------
    >>> empty_column(Column("rim", "Rim.", "number", "elevation"), 2).tolist()
    [nan, nan]
    """
    return _typed(column, [None] * rows)


def factor_to_si(column: Column, suffix: str, vertical_unit: VerticalUnit) -> float:
    """
    Give the factor from a column's unit to SI.

    Parameters
    ----------
    column
        A measured column.
    suffix
        Its unit in the file.
    vertical_unit
        Unit of the raster's elevations.

    Returns
    -------
    factor
        The international foot, except for elevations on a raster in US survey feet.

    Examples
    --------
    >>> rim = Column("rim", "Rim.", "number", "elevation")
    >>> factor_to_si(rim, "ft", "m"), round(factor_to_si(rim, "ft", "us-ft"), 9)
    (0.3048, 0.304800610)
    """
    if column.quantity == "elevation" and suffix == "ft" and vertical_unit == "us-ft":
        return TO_SI["us-ft"]
    return TO_SI[suffix]


def _plain(values: pd.Series[Any]) -> list[object]:
    """Turn a column into Python values, with None for everything that means missing."""
    missing = values.isna().to_numpy()
    return [None if gone else value for gone, value in zip(missing, values.tolist(), strict=True)]


def _typed(column: Column, values: Sequence[object]) -> pd.Series[Any]:
    """Give values the type of their kind; text stays an object with None, not NaN."""
    dtypes = {"text": "object", "number": "float64", "whole": "Int64", "yes_no": "boolean"}
    return pd.Series(values, dtype=dtypes[column.kind], index=pd.RangeIndex(len(values)))


def _read_column(
    column: Column, given: dict[str, Cells], rows: int, vertical_unit: VerticalUnit
) -> tuple[pd.Series[Any], list[Fault]]:
    """Read one column from the one or two columns a file has for it."""
    if not given:
        return empty_column(column, rows), []
    first = next(iter(given.values()))
    if column.kind in ("number", "whole"):
        numbers, faults = _measured(column, given, vertical_unit)
        values = [None if math.isnan(number) else number for number in numbers.tolist()]
    else:
        read = (
            read_yes_no if column.kind == "yes_no" else read_choice if column.choices else read_text
        )
        values, faults = _each(first, lambda value: read(value, column))
    if column.required:
        faults += _absent(column, first, values, {fault.row for fault in faults})
    if column.unique:
        faults += _name_faults(values, first)
    return _typed(column, values), faults


def _each(cells: Cells, read: Callable[[object], Hashable]) -> tuple[list[Any], list[Fault]]:
    """Read cell by cell; a cell that cannot be read becomes a fault and a missing value."""
    values: list[Any] = []
    faults: list[Fault] = []
    for row, raw in enumerate(cells.raw):
        value: Hashable = None
        try:
            value = None if raw is None else read(raw)
        except CellError as error:
            faults.append(cells.fault(row, *error.args))
        except InputError as error:
            faults += [cells.fault(row, fault.rule, fault.remedy) for fault in error.faults]
        values.append(value)
    return values, faults


def _measured(
    column: Column, given: dict[str, Cells], vertical_unit: VerticalUnit
) -> tuple[FloatArray, list[Fault]]:
    """Read a number in whichever units a file has it, and hold them against one another."""
    read: list[tuple[Cells, FloatArray]] = []
    faults: list[Fault] = []
    for name, cells in given.items():
        values, found = _each(cells, lambda value: read_number(value, column))
        suffix = name.removeprefix(f"{column.name}_") if column.quantity else ""
        factor = factor_to_si(column, suffix, vertical_unit) if suffix else 1.0
        in_si = np.array(values, dtype=np.float64) * factor
        faults += found + _bound_faults(column, cells, in_si, (factor, suffix))
        read.append((cells, in_si))
    first, result = read[0]
    for second, other in read[1:]:
        both = ~(np.isnan(result) | np.isnan(other))
        differ = both & ~np.isclose(result, other, rtol=SAME, atol=0)
        faults += [_differ(first, second, int(row)) for row in np.flatnonzero(differ)]
        result = np.where(np.isnan(result), other, result)
    return result, faults


def _differ(first: Cells, second: Cells, row: int) -> Fault:
    """Say that a row gives one thing in two units with two values."""
    return first.fault(
        row,
        f"differs from {second.name} = {second.raw[row]} of the same row",
        "Give one of the two, or make them equal",
    )


def _bound_faults(
    column: Column, cells: Cells, in_si: FloatArray, unit: tuple[float, str]
) -> list[Fault]:
    """Hold numbers against the bounds of their column, said in the unit of the file."""
    factor, suffix = unit
    low, high = column.low, column.high
    if column.quantity == "elevation":
        low, high = ELEVATION_RANGE_M
    lowest = -np.inf if low is None else low
    highest = np.inf if high is None else high
    slack = 1e-9 * np.abs(in_si)
    outside = (in_si < lowest - slack) | (in_si > highest + slack)
    limits = [f"{bound / factor:.6g}" for bound in (lowest, highest)]
    if high is None:
        rule = f"must be {limits[0]} or more"
    else:
        rule = f"must be between {limits[0]} and {limits[1]}"
    rule = f"{rule} {suffix}".rstrip()
    return [
        cells.fault(int(row), rule, "Correct it, or leave it empty where it is not known")
        for row in np.flatnonzero(outside)
    ]


def _absent(
    column: Column, cells: Cells, values: Sequence[object], known: set[int | None]
) -> list[Fault]:
    """Name the rows in which a required column is empty, save those with a fault already."""
    return [
        cells.fault(row, f"{column.name} must not be empty", "Fill it in")
        for row, value in enumerate(values)
        if value is None and row + 1 not in known
    ]


def _name_faults(names: Sequence[str | None], cells: Cells) -> list[Fault]:
    """Find names that stand twice, and those a result uses itself."""
    faults: list[Fault] = []
    first: dict[str, int] = {}
    for row, name in enumerate(names):
        if name is None:
            continue
        if name.casefold() in RESERVED_NAMES:
            faults.append(cells.fault(row, "results use this name themselves", "Choose another"))
        seen = as_it_looks(name)
        if (other := first.setdefault(seen, row)) != row:
            same = "the same" if names[other] == name else "one that looks the same"
            rule = f"names must be unique, row {other + 1} has {same}"
            faults.append(replace(cells.fault(row, rule, "Rename one of them"), value=name))
    return faults
