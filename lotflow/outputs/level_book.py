"""Reduced level notes as a surveyor would check them, set-up by set-up, and as JSON."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any, Final

from lotflow.units import from_si

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

    from lotflow.inputs.level_notes import LevelNotes

#: File of the reduced notes in a result.
LEVEL_BOOK_FILE: Final = "level_book.txt"
_HEADINGS: Final = ("Point", "Back", "Inter", "Fore", "Instrument", "Reduced", "Adjusted", "Remark")
_COLUMNS: Final = (
    "backsight_m", "intermediate_m", "foresight_m", "instrument_m", "level_m", "adjusted_m",
)  # fmt: skip
#: Decimals of a reading: to the millimetre, or to the hundredth of a foot that rods are read to.
_DECIMALS: Final = {"m": 3, "ft": 2}


def level_book_text(notes: LevelNotes) -> str:
    r"""
    Print reduced level notes.

    Parameters
    ----------
    notes
        From `read_level_notes`.

    Returns
    -------
    text
        A row per reading in the unit of the notes, under each set-up; the page check, the
        misclosure and what is allowed; the points that no other sight checks.

    Examples
    --------
    >>> from lotflow.inputs.level_notes import parse_level_notes
    >>> notes = parse_level_notes(
    ...     b"point,bs_ft,is_ft,fs_ft,level_ft\n"
    ...     b"sill,4.10,,,100\ngrate,,6.35,,\nsill,,,4.11,100\n", "notes.csv")
    >>> print(level_book_text(notes).splitlines()[2])
    sill     4.10                                  100.00      100.00
    """
    points, unit = notes.points, notes.unit
    width = max(5, *(len(name) for name in points["point"]))
    lines = [f"Levels in {unit}, by height of collimation", _row(_HEADINGS, width)]
    last = 0
    for row in points.to_dict("records"):
        if row["set_up"] > max(last, 1):
            lines.append("")
        last = max(last, row["set_up"])
        cells = [row["point"], *(_shown(row[name], unit) for name in _COLUMNS), row["remark"]]
        lines.append(_row(cells, width))
    lines += ["", *_checks(notes)]
    return "\n".join(lines)


def level_books_text(books: Sequence[tuple[Path, LevelNotes]]) -> str:
    """
    Print all level notes of a job, each under the name of its file.

    Parameters
    ----------
    books
        File and notes.
    """
    return "\n\n\n".join(
        f"{path.name}\n{'=' * len(path.name)}\n{level_book_text(notes)}" for path, notes in books
    ) + "\n"  # fmt: skip


def _row(cells: Any, width: int) -> str:
    """One line: the point, six numbers, the remark."""
    point, *numbers, remark = cells
    spaced = "".join(f"{number:>{12 if n >= 3 else 8}}" for n, number in enumerate(numbers))
    return f"{point:<{width}}{spaced}  {remark}".rstrip()


def _shown(value: float, unit: str) -> str:
    """A number in the unit of the notes; nothing where there is none."""
    return "" if math.isnan(value) else f"{from_si(value, unit):.{_DECIMALS[unit]}f}"


def _checks(notes: LevelNotes) -> list[str]:
    """What the notes say of themselves."""
    unit, set_ups = notes.unit, f"{notes.set_ups} set-up{'s' if notes.set_ups != 1 else ''}"
    lines = []
    if not math.isnan(notes.page_check_m):
        off = _shown(abs(notes.page_check_m) + 0.0, unit)
        lines.append(f"Page check: backsights less foresights are off the rise by {off} {unit}")
    if math.isnan(notes.misclosure_m):
        lines.append(
            "The notes close on no known point: nothing checks them. Close back next time."
        )
    else:
        lines.append(
            f"Misclosure {_shown(notes.misclosure_m, unit)} {unit} over {set_ups}; "
            f"{_shown(notes.allowed_m, unit)} {unit} are allowed. It is shared out by set-up."
        )
    once = notes.points.loc[~notes.points["is_checked"], "point"].tolist()
    if once:
        lines.append(f"Seen once, checked by nothing: {', '.join(once)}")
    return lines


def level_book_rows(notes: LevelNotes) -> dict[str, Any]:
    """
    Give reduced level notes as a document of JSON, in metres.

    Parameters
    ----------
    notes
        From `read_level_notes`.
    """
    return {
        "unit_of_notes": notes.unit,
        "set_ups": notes.set_ups,
        "misclosure_m": _plain(notes.misclosure_m),
        "allowed_m": _plain(notes.allowed_m),
        "page_check_m": _plain(notes.page_check_m),
        "sha256": notes.sha256,
        "points": [
            {key: _plain(value) for key, value in row.items()}
            for row in notes.points.to_dict("records")
        ],
    }


def _plain(value: Any) -> Any:
    """A value as JSON has it; lengths to the tenth of a millimetre."""
    if not isinstance(value, float):
        return value
    return None if math.isnan(value) else round(value, 4) + 0.0
