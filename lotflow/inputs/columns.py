"""Columns of a file to columns of a site layer: by name, in either unit, within their bounds."""

from __future__ import annotations

import datetime as dt
import math
import re
from collections.abc import Callable, Hashable, Iterable, Sequence
from dataclasses import dataclass, replace
from typing import Any, Final

import numpy as np
import pandas as pd

from lotflow.errors import Fault, InputError
from lotflow.grid import FloatArray
from lotflow.inputs.sources import Place
from lotflow.layers import Column, Layer
from lotflow.text import as_it_looks, clean_text, closest, did_you_mean, one_of
from lotflow.units import TO_SI, VerticalUnit

_DECIMAL: Final = re.compile(r"[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d+)?", re.ASCII)
_DATE: Final = re.compile(r"(\d{4}-\d\d-\d\d)([T ]\d\d:\d\d.*)?", re.ASCII)
#: No note of standing water is older.
_FIRST_DATE: Final = "1900-01-01"
_YES_NO: Final = {"yes": True, "true": True, "1": True, "no": False, "false": False, "0": False}
#: Longest column name a Shapefile can hold (dBASE field descriptor).
_SHAPEFILE_NAME: Final = 10
#: Likeness from which an unknown column is taken for a known one misspelt.
_LIKENESS: Final = 0.8
#: Names a result uses itself: "none" for no inlet, "all" for every inlet, "surface" for no pipe.
_RESERVED_NAMES: Final = ("none", "all", "surface")
#: No ground lies outside [m]: the shore of the Dead Sea is at -430 m, Everest at 8849 m.
_ELEVATION_RANGE_M: Final = (-500.0, 9000.0)
#: Two units may differ by the rounding of a conversion, no more.
_SAME: Final = 1e-6


@dataclass(frozen=True)
class MatchedColumns:
    """The columns of a file, sorted out."""

    #: Name in the schema (with its unit; or that of an earlier version) to name in the file.
    known: dict[str, str]
    #: Names in the file that mean nothing here.
    ignored: tuple[str, ...]
    #: Names that are almost known, or stand twice.
    faults: tuple[Fault, ...]


def match_columns(names: Sequence[str], schema: Layer, place: Place) -> MatchedColumns:
    """
    Match the columns of a file with those of a layer; capitals do not count.

    Examples
    --------
    >>> from lotflow.layers import SITE_LAYERS
    >>> matched = match_columns(["NAME", "rim", "fid"], SITE_LAYERS["inlets"],
    ...                         Place("a.gpkg", "inlets"))
    >>> matched.known, matched.ignored
    ({'name': 'NAME'}, ('fid',))
    >>> print(*matched.faults)
    a.gpkg, layer inlets: column 'rim' must carry its unit. Name it 'rim_m' or 'rim_ft'.
    """
    written = {name.casefold(): name for name in _file_names(schema)}
    earlier = {column.formerly: column.formerly for column in schema.columns if column.formerly}
    known: dict[str, str] = {}
    faults: list[Fault] = []
    strangers: list[str] = []
    for name in names:
        folded = name.strip().casefold()
        meant = written.get(folded, earlier.get(folded))
        if meant is None:
            strangers.append(name)
        elif meant in known:
            both = f"{known[meant]!r} and {name!r}"
            faults.append(place.fault(f"columns {both} are the same one", "Remove one of them"))
        else:
            known[meant] = name
    free = [name for name in written.values() if name not in known]
    found = {name: _name_fault(name, schema, free, place) for name in strangers}
    faults += [fault for fault in found.values() if fault]
    ignored = tuple(name for name, fault in found.items() if not fault)
    return MatchedColumns(known, ignored, tuple(faults))


def earlier_names(known: Iterable[str], schema: Layer) -> tuple[tuple[str, str], ...]:
    """
    Tell which columns of a file have the name of an earlier version, and their name now.

    Examples
    --------
    >>> from lotflow.layers import SITE_LAYERS
    >>> earlier_names(["name", "to"], SITE_LAYERS["drain_lines"])
    (('to', 'to_node'),)
    """
    there = set(known)
    return tuple((c.formerly, c.name) for c in schema.columns if c.formerly in there)


def missing_columns(known: Iterable[str], schema: Layer, place: Place) -> list[Fault]:
    """Name the required columns that a file does not have."""
    there = set(known)
    return [
        place.fault(
            f"column {one_of(column.file_names)} is required and missing",
            f"Add it: {column.meaning[0].lower()}{column.meaning[1:]}",
        )
        for column in schema.columns
        if column.required and there.isdisjoint((*column.file_names, column.formerly))
    ]


def _file_names(schema: Layer) -> list[str]:
    """List every name a column of the layer may have in a file."""
    return [name for column in schema.columns for name in column.file_names]


def _name_fault(name: str, schema: Layer, free: Sequence[str], place: Place) -> Fault | None:
    """
    Say what an unknown column was probably meant to be; None where it resembles none.

    Only names the file does not have already are offered: beside a `name`, a `name_1` that came
    from a join is a column of its own.
    """
    folded = name.strip().casefold()
    for column in schema.columns:
        if column.quantity and folded == column.name and set(column.file_names) <= set(free):
            names = one_of(column.file_names)
            return place.fault(f"column {name!r} must carry its unit", f"Name it {names}")
    cut = [known for known in free if _is_cut(folded, known)]
    if cut:
        return place.fault(
            f"column {name!r} was cut, as Shapefiles cut names at {_SHAPEFILE_NAME} characters",
            f"Did you mean {one_of(cut)}? Use a GeoPackage, which keeps names whole",
        )
    near = closest(folded, free, likeness=_LIKENESS)
    if near is None:
        return None
    return place.fault(f"column {name!r} is not known", f"Did you mean {near!r}?")


def _is_cut(name: str, known: str) -> bool:
    """Tell whether a name is what a Shapefile leaves of a longer one, numbered or not."""
    if len(name) != _SHAPEFILE_NAME or len(known) <= _SHAPEFILE_NAME:
        return False
    numbered = re.fullmatch(r"(.+)_\d{1,2}", name)
    return known.startswith(name) or bool(numbered and known.startswith(numbered[1]))


@dataclass(frozen=True)
class _Cells:
    """One column of a file, and where it stands."""

    name: str
    #: The values as they were read, one per row; None where missing.
    raw: Sequence[object]
    place: Place

    def fault(self, row: int, rule: str, remedy: str = "") -> Fault:
        """Build a fault about one cell."""
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

    `known` maps names of the schema to names in the table, `vertical_unit` is that of the raster's
    elevations. Given are the columns by the name they have inside lotflow, missing ones filled, and
    what is wrong with them, column by column.
    """
    columns: dict[str, pd.Series[Any]] = {}
    faults: list[Fault] = []
    for column in schema.columns:
        given = {
            name: _Cells(known[name], _plain(table[known[name]]), place)
            for name in (*column.file_names, column.formerly)
            if name in known
        }
        values, found = _read_column(column, given, len(table), vertical_unit)
        columns[column.inside_name] = values
        faults += found
    return columns, faults


def empty_column(column: Column, rows: int) -> pd.Series[Any]:
    """
    Build a column without values, in the type that a read one has.

    Examples
    --------
    >>> empty_column(Column("rim", "Rim.", "number", "elevation"), 2).tolist()
    [nan, nan]
    """
    return _typed(column, [None] * rows)


def factor_to_si(column: Column, suffix: str, vertical_unit: VerticalUnit) -> float:
    """
    Give the factor from a column's unit to SI.

    It is that of the international foot, except for elevations on a raster in US survey feet.

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
    dtypes = {"text": "object", "number": "float64", "whole": "Int64", "yes_no": "boolean",
              "date": "object"}  # fmt: skip
    return pd.Series(values, dtype=dtypes[column.kind], index=pd.RangeIndex(len(values)))


def _read_column(
    column: Column, given: dict[str, _Cells], rows: int, vertical_unit: VerticalUnit
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
            _read_yes_no
            if column.kind == "yes_no"
            else _read_past_date
            if column.kind == "date"
            else _read_choice
            if column.choices
            else _read_text
        )
        values, faults = _each(first, lambda value: read(value, column))
        for second in list(given.values())[1:]:
            other, found = _each(second, lambda value: read(value, column))
            faults += found
            faults += [
                _differ(first, second, row)
                for row, both in enumerate(zip(values, other, strict=True))
                if None not in both and both[0] != both[1]
            ]
            values = [b if a is None else a for a, b in zip(values, other, strict=True)]
    if column.required:
        faults += _absent(column, first, values, {fault.row for fault in faults})
    if column.unique:
        faults += _shared_name_faults(values, first)
    return _typed(column, values), faults


def _each(cells: _Cells, read: Callable[[object], Hashable]) -> tuple[list[Any], list[Fault]]:
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
    column: Column, given: dict[str, _Cells], vertical_unit: VerticalUnit
) -> tuple[FloatArray, list[Fault]]:
    """Read a number in whichever units a file has it, and hold them against one another."""
    read: list[tuple[_Cells, FloatArray]] = []
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
        differ = both & ~np.isclose(result, other, rtol=_SAME, atol=0)
        faults += [_differ(first, second, int(row)) for row in np.flatnonzero(differ)]
        result = np.where(np.isnan(result), other, result)
    return result, faults


def _differ(first: _Cells, second: _Cells, row: int) -> Fault:
    """Say that a row gives one thing with two values: in two units, or by two names."""
    return first.fault(
        row,
        f"differs from {second.name} = {second.raw[row]} of the same row",
        "Give one of the two, or make them equal",
    )


def _bound_faults(
    column: Column, cells: _Cells, in_si: FloatArray, unit: tuple[float, str]
) -> list[Fault]:
    """Hold numbers against the bounds of their column, said in the unit of the file."""
    factor, suffix = unit
    low, high = column.low, column.high
    if column.quantity == "elevation":
        low, high = _ELEVATION_RANGE_M
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
    column: Column, cells: _Cells, values: Sequence[object], known: set[int | None]
) -> list[Fault]:
    """Name the rows in which a required column is empty, save those with a fault already."""
    return [
        cells.fault(row, f"{column.name} must not be empty", "Fill it in")
        for row, value in enumerate(values)
        if value is None and row + 1 not in known
    ]


def _shared_name_faults(names: Sequence[str | None], cells: _Cells) -> list[Fault]:
    """Find names that stand twice, and those a result uses itself."""
    faults = [
        cells.fault(row, "results use this name themselves", "Choose another")
        for row, name in enumerate(names)
        if name is not None and name.casefold() in _RESERVED_NAMES
    ]
    for row, other, same in repeated(names):
        rule = f"names must be unique, row {other + 1} has {same}"
        faults.append(replace(cells.fault(row, rule, "Rename one of them"), value=names[row]))
    return faults


def repeated(names: Sequence[str | None]) -> list[tuple[int, int, str]]:
    """
    Find names that stand, or seem to stand, in an earlier row too.

    Given are the row, the first row of that name, both counted from 0, and how alike they are.

    Examples
    --------
    >>> repeated(["A", None, "B", "A"])
    [(3, 0, 'the same')]
    """
    found: list[tuple[int, int, str]] = []
    first: dict[str, int] = {}
    for row, name in enumerate(names):
        if name is None:
            continue
        if (other := first.setdefault(as_it_looks(name), row)) != row:
            same = "the same" if names[other] == name else "one that looks the same"
            found.append((row, other, same))
    return found


class CellError(ValueError):
    """One cell cannot be read; `args` are what must hold and the remedy."""


def _read_text(value: object, column: Column) -> str | None:  # noqa: ARG001  one signature for all
    """
    Read text; a number is text too, since GIS programs type a column of house numbers so.

    A day is text as 2026-05-03: drivers take text that looks like one for it.

    Examples
    --------
    >>> _read_text(" CB 1 ", Column("name", "Name.")), _read_text(14.0, Column("name", "Name."))
    ('CB 1', '14')
    """
    if isinstance(value, float) and value.is_integer():
        value = int(value)
    if isinstance(value, dt.datetime):
        value = value.isoformat(" ", "minutes").removesuffix(" 00:00")
    elif isinstance(value, dt.date):
        value = value.isoformat()
    if isinstance(value, bool) or not isinstance(value, (str, int, float)):
        raise CellError("must be text", "Change the column's type to text")
    return clean_text(str(value)) or None


def _read_choice(value: object, column: Column) -> str | None:
    """
    Read one of a column's choices; capitals and repeated spaces do not count.

    Examples
    --------
    >>> _read_choice("ac  PAD", Column("kind", "Kind.", choices=("door", "AC pad")))
    'AC pad'
    """
    text = _read_text(value, column)
    if text is None:
        return None
    by_folded = {choice.casefold(): choice for choice in column.choices}
    found = by_folded.get(" ".join(text.casefold().split()))
    if found is None:
        raise CellError(f"is no {column.name} that is known", did_you_mean(text, column.choices))
    return found


def _read_yes_no(value: object, column: Column) -> bool | None:  # noqa: ARG001
    """
    Read yes or no as a truth value, 1 or 0, or a word.

    Examples
    --------
    >>> [_read_yes_no(value, Column("open", "Open.", "yes_no")) for value in ("Yes", 0, "")]
    [True, False, None]
    """
    if isinstance(value, (int, float)) and value in (0, 1):
        return bool(value)
    text = clean_text(value).casefold() if isinstance(value, str) else "?"
    if text and text not in _YES_NO:
        raise CellError("must be yes or no", "Write yes, no, true, false, 1 or 0")
    return _YES_NO.get(text)


def today() -> str:
    """Give the day by the clock of this computer: no observation is of a later one."""
    return dt.date.today().isoformat()


def _read_past_date(value: object, column: Column) -> str | None:  # noqa: ARG001
    """Read the day of something that was seen."""
    day = read_date(value)
    if day is None:
        return None
    if day > today():
        raise CellError("lies in the future", "Write the day on which it was seen")
    if day < _FIRST_DATE:
        raise CellError(f"lies before {_FIRST_DATE}", "Write the day on which it was seen")
    return day


def read_date(value: object) -> str | None:
    """
    Read a day: a date of a file, or text that begins with the year.

    Day and month first are refused: 3/5 is in March or in May, by who reads it.

    Examples
    --------
    >>> read_date("2026-05-03"), read_date("2026-05-03T07:30:00Z"), read_date("")
    ('2026-05-03', '2026-05-03', None)
    """
    if isinstance(value, dt.date):  # so is a date with a time
        return value.strftime("%Y-%m-%d")
    text = clean_text(value) if isinstance(value, str) else "?"
    if not text:
        return None
    match = _DATE.fullmatch(text)
    try:
        return dt.date.fromisoformat(match[1] if match else text[:0]).isoformat()
    except ValueError:
        raise CellError(
            "is no date that can be read", "Write year, month and day, as 2026-05-03"
        ) from None


def read_number(value: object, column: Column) -> float | None:
    """
    Read a number, also one that stands as text.

    Examples
    --------
    >>> read_number("4.0", Column("size", "Size.", "number")), read_number("", Column("size", ""))
    (4.0, None)
    """
    if isinstance(value, str):
        text = clean_text(value)
        if not text:
            return None
        if not _DECIMAL.fullmatch(text):
            raise CellError("is no number", "Write it with a decimal point and without a unit")
        value = float(text)
    if isinstance(value, bool) or not isinstance(value, (int, float)):
        raise CellError("is no number", "Change the column's type to a number")
    if math.isinf(value):
        raise CellError("must be a finite number", "Leave the cell empty where it is not known")
    if column.kind == "whole" and value != int(value):
        raise CellError("must be a whole number")
    return float(value)
