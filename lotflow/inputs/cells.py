"""One cell of a file to a value: text, a choice, yes or no, a number."""

from __future__ import annotations

import math
import re
from typing import Final

from lotflow.layers import Column
from lotflow.text import clean_text, did_you_mean

_DECIMAL: Final = re.compile(r"[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d+)?", re.ASCII)
_YES_NO: Final = {"yes": True, "true": True, "1": True, "no": False, "false": False, "0": False}


class CellError(ValueError):
    """One cell cannot be read; `args` are what must hold and the remedy."""


def read_text(value: object, column: Column) -> str | None:  # noqa: ARG001  one signature for all
    """
    Read text; a number is text too, since GIS programs type a column of house numbers so.

    Parameters
    ----------
    value
        The cell as it was read.
    column
        Its column.

    Raises
    ------
    CellError
        If it is neither.
    InputError
        If it is too long.

    Examples
    --------
    >>> read_text(" CB 1 ", Column("name", "Name.")), read_text(14.0, Column("name", "Name."))
    ('CB 1', '14')
    """
    if isinstance(value, float) and value.is_integer():
        value = int(value)
    if isinstance(value, bool) or not isinstance(value, (str, int, float)):
        raise CellError("must be text", "Change the column's type to text")
    return clean_text(str(value)) or None


def read_choice(value: object, column: Column) -> str | None:
    """
    Read one of a column's choices; capitals and repeated spaces do not count.

    Parameters
    ----------
    value
        The cell as it was read.
    column
        Its column.

    Raises
    ------
    CellError
        If it is none of them.
    InputError
        If it is too long.

    Examples
    --------
    >>> read_choice("ac  PAD", Column("kind", "Kind.", choices=("door", "AC pad")))
    'AC pad'
    """
    text = read_text(value, column)
    if text is None:
        return None
    by_folded = {choice.casefold(): choice for choice in column.choices}
    found = by_folded.get(" ".join(text.casefold().split()))
    if found is None:
        raise CellError(f"is no {column.name} that is known", did_you_mean(text, column.choices))
    return found


def read_yes_no(value: object, column: Column) -> bool | None:  # noqa: ARG001
    """
    Read yes or no as a truth value, 1 or 0, or a word.

    Parameters
    ----------
    value
        The cell as it was read.
    column
        Its column.

    Raises
    ------
    CellError
        If it is neither.

    Examples
    --------
    >>> [read_yes_no(value, Column("open", "Open.", "yes_no")) for value in ("Yes", 0, "")]
    [True, False, None]
    """
    if isinstance(value, (int, float)) and value in (0, 1):
        return bool(value)
    text = clean_text(value).casefold() if isinstance(value, str) else "?"
    if text and text not in _YES_NO:
        raise CellError("must be yes or no", "Write yes, no, true, false, 1 or 0")
    return _YES_NO.get(text)


def read_number(value: object, column: Column) -> float | None:
    """
    Read a number, also one that stands as text.

    Parameters
    ----------
    value
        The cell as it was read.
    column
        Its column.

    Raises
    ------
    CellError
        If it is none, not finite, or has a fraction where it must be whole.

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
