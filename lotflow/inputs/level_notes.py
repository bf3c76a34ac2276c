"""
Level notes as a crew writes them: rod readings, reduced by height of collimation.

A backsight is read on a point whose level is known and gives the height of the instrument; the
foresight ends the set-up, and its point carries the next backsight; an intermediate sight is read
on a point on the way and is checked by nothing.

References
----------
Universiti Sains Malaysia, School of Civil Engineering, surveying course, "Example of the Height
of Collimation method". Ghilani, C. D., Wolf, P. R. (2015), Elementary Surveying, 14th ed.,
chapter 5.
"""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Final, Literal

import pandas as pd

from lotflow.criteria import Criteria
from lotflow.errors import Fault, InputError
from lotflow.inputs.limits import DEFAULT_LIMITS
from lotflow.inputs.open import csv_rows, local_file, read_bytes, sha256_of
from lotflow.layers import SITE_LAYERS
from lotflow.text import clean_text, closest
from lotflow.units import to_si

RodUnit = Literal["m", "ft"]

#: Names a column may have; the first is the one that is told.
_NAMES: Final[dict[str, tuple[str, ...]]] = {
    "point": ("point", "station", "name"),
    "backsight": ("backsight", "bs"),
    "intermediate": ("intermediate", "is", "ifs"),
    "foresight": ("foresight", "fs"),
    "level": ("level", "elevation", "elev", "reduced_level", "rl"),
    "x": ("x", "easting"),
    "y": ("y", "northing"),
    "place": ("place",),
    "surface_kind": ("surface_kind", "on"),
    "remark": ("remark", "remarks", "note"),
    "line_part": ("line_part", "part"),
    "line_rank": ("line_rank", "order"),
    "counts": ("counts", "usage", "use"),
    "taken_on": ("taken_on", "date"),
}
#: What else may be noted of a point is that of the layer of shots, read as it is there.
_FURTHER: Final = tuple(
    name
    for column in SITE_LAYERS["shots"].columns
    if column.name not in (*_NAMES, "name", "level")
    for name in column.file_names
)
#: What spreadsheets write between cells; between semicolons and tabs a comma is a decimal sign.
_SEPARATORS: Final = ",;\t"
#: Columns of many field books that follow from the others.
_LEFT_OUT: Final = (
    "hi", "height_of_instrument", "instrument", "collimation", "rise", "fall", "distance",
)  # fmt: skip
#: Feet, inches and a fraction of an inch, as a rod is read: 5' 4 1/2", 5' 4.5", 64 1/2".
_FEET_AND_INCHES: Final = re.compile(
    r"""(?P<minus>-)?\s*(?:(?P<ft>\d+(?:\.\d+)?)\s*')?\s*-?\s*"""
    r"""(?:(?P<in>\d+(?:\.\d+)?)?(?:(?:\s+|-|(?<!\d))(?P<over>\d+)/(?P<under>[1-9]\d*))?\s*(?:"|'')?)?"""
)
_INCHES: Final = 12
_PRIMES: Final = str.maketrans({"’": "'", "′": "'", "”": '"', "″": '"', "“": '"'})
_TEXTS: Final = ("place", "surface_kind", "remark")
_MEASURED: Final = ("backsight", "intermediate", "foresight", "level")
_READINGS: Final = ("backsight", "intermediate", "foresight")
#: The longest rods in use have 30 ft; a longer reading is in another unit or slipped [m].
_LONGEST_ROD_M: Final = 9.2
#: Of the columns that are kept as they were written those that not all notes have.
_AS_WRITTEN: Final = (*_FURTHER, "line_part", "line_rank", "counts", "taken_on")
#: The unit system of a column by how its name ends.
_SYSTEM_OF: Final[dict[str, tuple[RodUnit]]] = {
    "m": ("m",), "mm": ("m",), "ft": ("ft",), "in": ("ft",),
}  # fmt: skip


@dataclass(frozen=True, eq=False)
class LevelNotes:
    """
    Level notes, reduced.

    Parameters
    ----------
    points
        One row per point in the order of the notes: `point`, `line_of_file`, `set_up` it was
        seen from (0 for the first benchmark), `backsight_m`, `intermediate_m`, `foresight_m`,
        `instrument_m` (height of collimation of that set-up), `level_m` as reduced, `adjusted_m`
        with the misclosure shared out, `is_checked` (whether another sight depends on it), `x`,
        `y` [unit of the CRS], `place`, `surface_kind`, `remark`, and of the columns of the layer
        of shots those that the notes have, as they were written. Missing values are NaN or "".
    misclosure_m
        Level found less level known at the last known point; NaN where the notes close on none.
    allowed_m
        What it may be for the number of set-ups.
    page_check_m
        Backsights less foresights, less the last level and plus the first: 0 but for rounding.
    set_ups
        Their number.
    unit
        Of the readings.
    is_closed
        Whether no set-up comes after the one that closes on a known point.
    sha256
        Of the bytes that were read.
    """

    points: pd.DataFrame
    misclosure_m: float
    allowed_m: float
    page_check_m: float
    set_ups: int
    unit: RodUnit
    is_closed: bool
    sha256: str = ""


def read_level_notes(
    path: Path, unit: RodUnit | None = None, *, misclosure_m: float = Criteria.misclosure_m
) -> LevelNotes:
    """
    Read and reduce level notes.

    Parameters
    ----------
    path
        CSV in UTF-8 with the columns point, backsight, intermediate, foresight and level.
    unit
        Of columns that do not name theirs (`backsight_ft`); None where they must.
    misclosure_m
        Allowed for one set-up [m], and times the root of their number for several.

    Raises
    ------
    InputError
        With every fault found, each with its line; if the notes do not close.
    """
    file = local_file(path, "file of level notes")
    data = read_bytes(file, DEFAULT_LIMITS.table_bytes, "level notes")
    return parse_level_notes(data, str(file), unit, misclosure_m=misclosure_m)


def parse_level_notes(
    data: bytes,
    file: str,
    unit: RodUnit | None = None,
    *,
    misclosure_m: float = Criteria.misclosure_m,
) -> LevelNotes:
    r"""
    Reduce the content of level notes.

    Parameters
    ----------
    data
        As for `read_level_notes`.
    file
        Name of the file, for messages.
    unit, misclosure_m
        As for `read_level_notes`.

    Raises
    ------
    InputError
        As for `read_level_notes`.

    Examples
    --------
    >>> notes = parse_level_notes(
    ...     b"point,bs_ft,is_ft,fs_ft,level_ft\nsill,4.10,,,100\ngrate,,6.35,,\nsill,,,4.11,100\n",
    ...     "notes.csv")
    >>> notes.points["level_m"].round(3).tolist(), round(notes.misclosure_m, 4)
    ([30.48, 29.794, 30.477], -0.003)
    """
    rows, found_unit = _rows(data, file, unit)
    points, known, misclosure = _reduced(rows, file)
    if points["backsight_m"].isna().all():
        rule = "there is no backsight in the notes"
        raise InputError(Fault(rule, "Read the rod on the benchmark first", file=file))
    set_ups = int(points["set_up"].max())
    allowed = misclosure_m * math.sqrt(max(set_ups, 1))
    if abs(misclosure) > allowed + 5e-7:
        raise InputError(
            Fault(
                f"the notes do not close: {misclosure:+.3f} m after {set_ups} set-ups, "
                f"{allowed:.3f} m are allowed ({1000 * misclosure_m:g} mm times the root of their "
                "number)",
                "Look for a misread rod, or level it again",
                file=file, line=known,
            )
        )  # fmt: skip
    share = 0.0 if math.isnan(misclosure) else misclosure / max(set_ups, 1)
    points["adjusted_m"] = points["level_m"] - share * points["set_up"]
    last = points.loc[points["foresight_m"].notna(), "level_m"]
    turned = points["backsight_m"].sum() - points["foresight_m"].sum()
    page = turned - (last.iloc[-1] - points["level_m"].iloc[0]) if len(last) else math.nan
    started = points.loc[points["backsight_m"].notna(), "line_of_file"]
    is_closed = not math.isnan(misclosure) and not (started > known).any()
    return LevelNotes(
        points, misclosure, allowed, float(page), set_ups, found_unit, bool(is_closed),
        sha256_of(data),
    )  # fmt: skip


@dataclass
class _Row:
    """One line of the notes."""

    line: int
    texts: dict[str, str]
    numbers: dict[str, float] = field(default_factory=dict)

    def has(self, name: str) -> bool:
        return not math.isnan(self.numbers.get(name, math.nan))


def _rows(data: bytes, file: str, unit: RodUnit | None) -> tuple[list[_Row], RodUnit]:
    """The lines with their numbers in metres."""
    lines = csv_rows(data, file, _SEPARATORS)
    if not lines:
        raise InputError(Fault("the level notes are empty", "Write the readings", file=file))
    columns, found_unit = _columns(lines[0][1], file, unit)
    rows: list[_Row] = []
    faults: list[Fault] = []
    has_commas = len(lines[0][1]) > 1 and len(csv_rows(data, file)[0][1]) < len(lines[0][1])
    for line, cells in lines[1:]:
        texts = {name: cells[at].strip() if at < len(cells) else ""
                 for name, at in columns.items()}  # fmt: skip
        if has_commas:
            texts |= {name: texts[name].replace(",", ".") for name in (*_MEASURED, "x", "y")
                      if texts.get(name, "").count(",") == 1}  # fmt: skip
        row = _Row(line, {name: clean_text(text) for name, text in texts.items()})
        wrong: list[Fault] = []
        for name in (*_MEASURED, "x", "y"):
            value, rule = _number(name, texts.get(name, ""), found_unit)
            row.numbers[name] = value
            if rule:
                wrong.append(Fault(rule, file=file, line=line, column=name, value=texts[name]))
        beyond = cells[len(lines[0][1]) :]
        if beyond and (wrong or any(cell.strip() for cell in beyond)):
            rule = (f"the row has {len(cells)} cells, the header {len(lines[0][1])}: does a name "
                    "or a remark hold a comma?")  # fmt: skip
            wrong = [Fault(rule, "Put it in quotes, or leave the comma out", file=file, line=line)]
        faults += wrong
        rows.append(row)
    if faults:
        raise InputError(faults)
    return rows, found_unit


def _columns(header: list[str], file: str, unit: RodUnit | None) -> tuple[dict[str, int], RodUnit]:
    """Position of each known column, and the one unit that their names give."""
    known = {alias: name for name, aliases in _NAMES.items() for alias in aliases}
    known |= {name: name for name in _FURTHER}
    found: dict[str, int] = {}
    # of the readings, and of what else is noted: these do not tell the unit of the readings
    stated: set[RodUnit] = set()
    beside: set[RodUnit] = set()
    faults = []
    for at, cell in enumerate(header):
        title = cell.strip().casefold().replace(".", "").replace(" ", "_")
        base, _, suffix = title.rpartition("_")
        is_reading = suffix in ("m", "ft") and known.get(base) in _MEASURED
        name = known[base] if is_reading else known.get(title)
        if name is None:
            if title not in _LEFT_OUT and (near := closest(title, known)):
                faults.append(
                    Fault("the level notes have no such column", f"Did you mean {near!r}?",
                          file=file, line=1, value=cell.strip())
                )  # fmt: skip
            continue
        if is_reading or name in _FURTHER:
            (stated if is_reading else beside).update(_SYSTEM_OF.get(suffix, ()))
        if name in found:
            faults.append(Fault("the column stands twice", "Keep one of them", file=file,
                                line=1, column=name))  # fmt: skip
        found[name] = at
    owed = [name for name in ("point", "backsight", "foresight", "level") if name not in found]
    if owed:
        faults.append(
            Fault(f"the columns {', '.join(owed)} are missing",
                  "Write: point,backsight,intermediate,foresight,level", file=file, line=1)
        )  # fmt: skip
    units = stated or ({unit} if unit is not None else set())
    if len(units | beside) > 1:
        faults.append(Fault("metres and feet stand in one table", "Use one of them", file=file,
                            line=1))  # fmt: skip
    if not units:
        faults.append(
            Fault("the unit of the readings is not known",
                  "Name the columns backsight_m or backsight_ft, and so on", file=file, line=1)
        )  # fmt: skip
    if faults:
        raise InputError(faults)
    return found, units.pop()


def _number(name: str, text: str, unit: RodUnit) -> tuple[float, str]:
    """A number in metres, and what is wrong with it."""
    if not text:
        return math.nan, ""
    feet = _feet(text) if unit == "ft" and name in _MEASURED else None
    try:
        value = float(text) if feet is None else feet
    except ValueError:
        value = math.nan
    if not math.isfinite(value):
        return math.nan, "must be a number, with a point for decimals"
    if name in ("x", "y"):
        return value, ""
    value = to_si(value, unit)
    if name in _READINGS and not -_LONGEST_ROD_M <= value <= _LONGEST_ROD_M:
        return value, f"no rod is longer than {_LONGEST_ROD_M:g} m (30 ft): is it in another unit?"
    return value, ""


def _feet(text: str) -> float | None:
    r"""
    Read feet and inches; None where it is written otherwise.

    Examples
    --------
    >>> _feet("5' 4 1/2\""), _feet("5'4.5\""), _feet("64 1/2\""), _feet("-1' 3"), _feet("5.25")
    (5.375, 5.375, 5.375, -1.25, None)
    """
    text = text.translate(_PRIMES)
    found = _FEET_AND_INCHES.fullmatch(text)
    is_marked = ("'" in text or '"' in text) and any(one.isdigit() for one in text)
    if found is None or not is_marked:
        return None
    part = {name: float(one or 0) for name, one in found.groupdict().items() if name != "minus"}
    inches = part["in"] + (part["over"] / part["under"] if part["under"] else 0.0)
    if part["ft"] and inches >= _INCHES:  # a slip of the pen
        return None
    return (part["ft"] + inches / _INCHES) * (-1 if found["minus"] else 1)


def _reduced(rows: list[_Row], file: str) -> tuple[pd.DataFrame, int, float]:
    """Levels of the points; the line of the last point whose level was known, the misclosure."""
    instrument = level = math.nan
    set_up, closed_on, misclosure = 0, 0, math.nan
    known: dict[str, float] = {}
    given: dict[str, float] = {}
    noted = [name for name in rows[0].texts if name in _AS_WRITTEN] if rows else []
    found: list[dict[str, object]] = []
    faults = []
    for row in rows:
        name = row.texts.get("point", "")
        fault = _fault(row, instrument, level, known.get(name, math.nan))
        fault = fault or _level_fault(row, given.get(name, math.nan))
        if fault:
            faults.append(Fault(*fault, file=file, line=row.line, value=name or None))
            if len(faults) == 1 and "level is known" in fault[0]:
                break  # every later row would fail for the same reason
            continue
        if row.has("level"):
            given.setdefault(name, row.numbers["level"])
        read_from = instrument
        if row.has("foresight"):
            own = level = instrument - row.numbers["foresight"]
            if name in given:
                misclosure, closed_on = level - given[name], row.line
        elif row.has("intermediate"):
            own = instrument - row.numbers["intermediate"]
        else:
            own = level = row.numbers["level"] if row.has("level") else known[name]
        known.setdefault(name, own)
        found.append(_reading(row, set_up, read_from, own, noted))
        if row.has("backsight"):
            instrument, set_up = level + row.numbers["backsight"], set_up + 1
    if faults:
        raise InputError(faults)
    return pd.DataFrame(found), closed_on, misclosure


def _reading(
    row: _Row, set_up: int, instrument: float, level: float, noted: Sequence[str]
) -> dict[str, object]:
    """One row of the reduced notes: what was read, from where, and what else was noted."""
    is_seen = row.has("foresight") or row.has("intermediate")
    return {
        "point": row.texts["point"], "line_of_file": row.line, "set_up": set_up if is_seen else 0,
        **{f"{reading}_m": row.numbers[reading] for reading in _READINGS},
        "instrument_m": instrument if is_seen else math.nan, "level_m": level,
        "is_checked": not row.has("intermediate"), "x": row.numbers["x"], "y": row.numbers["y"],
        **{key: row.texts.get(key, "") for key in (*_TEXTS, *noted)},
    }  # fmt: skip


def _level_fault(row: _Row, given: float) -> tuple[str, str] | None:
    """Refuse a second level of a point; NaN is none so far."""
    if not row.has("level") or math.isnan(given) or given == row.numbers["level"]:
        return None
    return (
        "another level was given for this point in an earlier row",
        "Give the level of a point once, or the same again",
    )


def _fault(  # noqa: PLR0911 - one rule after the other
    row: _Row, instrument: float, level: float, known_level: float
) -> tuple[str, str] | None:
    """What is wrong with a row, and what to do."""
    if not row.texts.get("point"):
        return "a reading must have a point", "Name the point"
    if row.has("intermediate") and (row.has("backsight") or row.has("foresight")):
        return "an intermediate sight carries no other reading", "Write it on a line of its own"
    if row.has("foresight") or row.has("intermediate"):
        early = "a sight is read before any backsight", "Read the rod on the benchmark first"
        return early if math.isnan(instrument) else None
    if not row.has("backsight"):
        if not row.has("level"):
            return "the row has no reading", "Write the rod reading, or leave the line out"
        known = "a known level without a reading", "Read the rod there, or leave the line out"
        return None if math.isnan(level) else known
    if row.has("level") or not math.isnan(known_level):
        return None
    return (
        "a backsight on a point whose level is not known",
        "Start on a benchmark and give its level",
    )
