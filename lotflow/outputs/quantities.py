"""Quantities of the proposed drains, as a layer of the result and as a table for spreadsheets."""

from __future__ import annotations

import csv
import io
from typing import TYPE_CHECKING, Any

import pandas as pd

from lotflow.layers import RESULT_LAYERS
from lotflow.outputs.summary import guarded

if TYPE_CHECKING:
    from collections.abc import Sequence

    from lotflow.drains.quantities import Quantity


def _rows(order: Sequence[Quantity]) -> list[tuple[Any, ...]]:
    return [(q.item, q.detail, q.quantity, q.unit, q.price, _money(q.cost)) for q in order]


def _money(cost: float | None) -> float | None:
    return None if cost is None else round(cost, 2)


def quantities_table(order: Sequence[Quantity]) -> pd.DataFrame:
    """Give the layer "quantities"."""
    names = [column.name for column in RESULT_LAYERS["quantities"].columns]
    table = pd.DataFrame(_rows(order), columns=names)
    return table.astype(dict.fromkeys(("quantity", "price", "cost"), float))


def quantities_csv(order: Sequence[Quantity]) -> str:
    """Give the order as a table for spreadsheets, with the sum of what has a price."""
    target = io.StringIO()
    writer = csv.writer(target, lineterminator="\n")
    writer.writerow([column.name for column in RESULT_LAYERS["quantities"].columns])
    writer.writerows(guarded(row) for row in _rows(order))
    costs = [one.cost for one in order if one.cost is not None]
    if costs:
        writer.writerow(("sum", "of what has a price", None, "", None, round(sum(costs), 2)))
    return target.getvalue()
