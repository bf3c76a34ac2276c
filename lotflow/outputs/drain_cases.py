"""Which state of the drains a picture shows."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import pandas as pd


def main_case(frame: pd.DataFrame) -> str:
    """
    Name the state that the result is for: the proposed one where there is one.

    Parameters
    ----------
    frame
        Layer of the result with a column `case`.

    Examples
    --------
    >>> import pandas as pd
    >>> main_case(pd.DataFrame({"case": ["today", "proposed"]}))
    'proposed'
    """
    return "proposed" if (frame["case"] == "proposed").any() else "today"


def blocked_text(case: str) -> str:
    """
    Say which inlets take nothing in a case of standing water.

    Parameters
    ----------
    case
        "open", "limited", "blocked:NAME" or "blocked:all".

    Examples
    --------
    >>> blocked_text("blocked:Patio basin"), blocked_text("blocked:all")
    ('Patio basin blocked', 'all inlets blocked')
    >>> blocked_text("open"), blocked_text("limited")
    ('every inlet open', 'inlets at their limit')
    """
    if case == "blocked:all":
        return "all inlets blocked"
    if case.startswith("blocked:"):
        return f"{case.removeprefix('blocked:')} blocked"
    return "every inlet open" if case == "open" else "inlets at their limit"
