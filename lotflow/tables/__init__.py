"""Published tables as CSV files, each row with its source, and the one loader for them."""

from __future__ import annotations

import csv
from dataclasses import fields
from functools import cache
from importlib.resources import files
from typing import TYPE_CHECKING, Any, TypeVar, cast, get_type_hints

from lotflow.errors import EngineError

if TYPE_CHECKING:
    from _typeshed import DataclassInstance

Row = TypeVar("Row", bound="DataclassInstance")


def read_table(name: str, row_type: type[Row]) -> tuple[Row, ...]:
    """
    Read a packaged table; the second call for the same table costs nothing.

    Parameters
    ----------
    name
        File name in this folder without ".csv".
    row_type
        Frozen dataclass of `str`, `float`, `int`, `bool` ("yes" or "no") or `float | None`
        (None: empty cell) fields; one per column, same names, same order.

    Returns
    -------
    rows
        In the order of the file.

    Raises
    ------
    EngineError
        If the file is missing or does not fit `row_type`: the installation is damaged.

    Examples
    --------
    >>> from lotflow.tables.runoff import Roughness
    >>> read_table("sheet_flow_roughness", Roughness)[0].roughness
    0.011
    """
    return cast("tuple[Row, ...]", _typed_rows(name, row_type))


@cache
def _typed_rows(name: str, row_type: type[Any]) -> tuple[Any, ...]:
    """Read the rows of a table as `row_type`."""
    path = files(__name__) / f"{name}.csv"
    if not path.is_file():
        raise EngineError(f"the packaged table {name}.csv is missing. Install lotflow again.")
    hints = get_type_hints(row_type)
    columns = [field.name for field in fields(row_type)]
    lines = list(csv.reader(path.read_text(encoding="utf-8").splitlines()))
    try:
        _require_columns(lines[0], columns)
        return tuple(
            row_type(*(_converted(cell, hints[c]) for c, cell in zip(columns, line, strict=True)))
            for line in lines[1:]
        )
    except (IndexError, KeyError, ValueError) as error:
        raise EngineError(
            f"the packaged table {name}.csv is damaged ({error}). Install lotflow again."
        ) from error


def _require_columns(found: list[str], expected: list[str]) -> None:
    """Refuse a header that is not the row type's."""
    if found != expected:
        raise ValueError(f"columns {found}, not {expected}")


def _converted(text: str, kind: Any) -> Any:
    """Turn a cell into its field's type."""
    if kind is bool:
        return {"yes": True, "no": False}[text]
    if kind in (str, int, float):
        return kind(text)
    return float(text) if text else None
