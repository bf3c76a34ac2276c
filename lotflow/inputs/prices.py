"""The user's price list: a comma-separated table with the columns item and price."""

from __future__ import annotations

import math
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from lotflow.errors import Fault, InputError
from lotflow.inputs.limits import DEFAULT_LIMITS
from lotflow.inputs.open import csv_rows, local_file, read_bytes, sha256_of
from lotflow.text import clean_text

_COLUMNS: Final = ("item", "price")


@dataclass(frozen=True)
class PriceList:
    """A price list and what it was read from."""

    #: Price of one unit by item, in whatever currency.
    prices: dict[str, float]
    #: Of the bytes that were read.
    sha256: str


def read_prices(path: Path) -> PriceList:
    """
    Read a price list.

    Returns
    -------
    prices
        With the hash of what was read.

    Raises
    ------
    InputError
        With every fault found, each with its line.
    """
    file = local_file(path, "price list")
    data = read_bytes(file, DEFAULT_LIMITS.table_bytes, "price list")
    return PriceList(parse_prices(data, str(file)), sha256_of(data))


def parse_prices(data: bytes, file: str) -> dict[str, float]:
    r"""
    Read the content of a price list.

    Examples
    --------
    >>> parse_prices(b"item,price\npipe pvc 4 in,18.50\n", "prices.csv")
    {'pipe pvc 4 in': 18.5}
    """
    rows = csv_rows(data, file)
    header = [cell.strip().casefold() for cell in rows[0][1]] if rows else []
    if any(header.count(name) != 1 for name in _COLUMNS):
        raise InputError(
            Fault(
                "the first line must name the columns item and price once each",
                "Write: item,price",
                file=file,
            )
        )
    places = [header.index(name) for name in _COLUMNS]
    prices: dict[str, float] = {}
    faults = []
    for line, row in rows[1:]:
        item, price = (row[place].strip() if place < len(row) else "" for place in places)
        item = clean_text(item)
        fault = _fault(item, price, prices)
        if fault is not None:
            column, value, rule = fault
            faults.append(Fault(rule, file=file, line=line, column=column, value=value))
        else:
            prices[item] = float(price)
    if faults:
        raise InputError(faults)
    return prices


def _fault(item: str, price: str, known: dict[str, float]) -> tuple[str, str, str] | None:
    """Column, value and rule of what is wrong with a row."""
    if not item:
        return "item", item, "a price must have an item"
    if item.casefold() in (other.casefold() for other in known):
        return "item", item, "the item stands twice"
    try:
        value = float(price)
    except ValueError:
        value = math.nan
    if not (math.isfinite(value) and value >= 0):
        return "price", price, "must be a number of 0 or more, with a point for decimals"
    return None
