"""
Rainfall files: NOAA Atlas 14 point tables as served, and plain tables of one's own.

A file is read to its end and believed only whole: a row that stops short, a number that is not
one, an order that rain cannot have are faults of the file, all reported together.
"""

from __future__ import annotations

import csv
import re
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Final

import numpy as np

from lotflow.errors import Fault, InputError
from lotflow.grid import FloatArray
from lotflow.inputs.rainfall_cells import (
    Line,
    Unit,
    duration_seconds,
    figure,
    return_period_years,
    rounding,
    stated_unit,
)
from lotflow.rainfall import RainfallTable
from lotflow.rainfall_checks import table_faults
from lotflow.text import LONGEST_TEXT, clean_text

_CUT: Final = "The file is cut or damaged: fetch it again"
_NOAA_TITLE: Final = "point precipitation frequency estimates"
_NOAA_BLOCK: Final = "precipitation frequency estimates"
_NOAA_LAST_DURATION_S: Final = 60 * 86400.0
_PLAIN_HEADER: Final = "Write quantity and unit there, as in: depth_mm, 2 yr, 10 yr"


@dataclass(frozen=True)
class _Block:
    """One table of a file as text: header cells, then rows of a duration and its values."""

    header: Line
    rows: list[Line]


def parse_rainfall(data: bytes, file: str) -> RainfallTable:
    r"""
    Read a rainfall table.

    Two layouts are known. The point precipitation frequency estimates of NOAA Atlas 14, depth or
    intensity, inches or millimetres, as the server or a spreadsheet wrote them; where the file
    has bounds too, the mean estimates are taken. And a plain comma-separated table, whose first
    cell states quantity and unit (`depth_mm`, `intensity_in_h`), its first row the return
    periods in years, its first column durations with their unit (`5 min`, `24 h`); lines that
    start with `#` tell the source.

    Parameters
    ----------
    data
        Content of the file, UTF-8 or Latin-1.
    file
        Name of the file, for messages.

    Returns
    -------
    table
        Depths [m] by duration [s] and return period [yr]. An annual exceedance probability of
        1/N is a return period of N years.

    Raises
    ------
    InputError
        With every fault found, each with its line.

    Examples
    --------
    >>> table = parse_rainfall(b"depth_mm, 2 yr, 10 yr\n5 min, 8, 12\n1 h, 20, 31\n", "rain.csv")
    >>> table.durations_s.tolist(), table.return_periods_yr.tolist()
    ([300.0, 3600.0], [2.0, 10.0])
    """
    lines = _lines(data, file)
    content = [line for line in lines if line.cells]
    if not content:
        raise InputError(Fault("the file is empty", _CUT, file=file))
    if content[0].cells[0].lower().startswith(_NOAA_TITLE):
        return _noaa_table(lines, file, ended=data.endswith((b"\n", b"\r")))
    return _plain_table(content, file, ended=data.endswith((b"\n", b"\r")))


def _lines(data: bytes, file: str) -> list[Line]:
    """Decode and split into lines of cells."""
    if re.match(rb"(\xef\xbb\xbf)?\s*<(!doctype|html|\?xml|head|body|table)", data, re.IGNORECASE):
        rule = "this is a web page, not the table that it shows"
        raise InputError(Fault(rule, "Save the table itself as CSV", file=file))
    if b"\0" in data:
        raise InputError(
            Fault("not a text file in UTF-8 or Latin-1", "Save it as CSV (UTF-8)", file=file)
        )
    try:
        text = data.decode("utf-8-sig")
    except UnicodeDecodeError:
        text = data.decode("latin-1")
    _refuse_other_marks(text, file)
    contents = enumerate(re.split("\r\n|\n|\r", text), 1)
    try:
        return [Line(number, _cells(content)) for number, content in contents]
    except csv.Error as error:
        raise InputError(Fault(f"not a comma-separated table ({error})", file=file)) from error


def _refuse_other_marks(text: str, file: str) -> None:
    """Refuse cells that are parted by other marks than commas, which may then be decimal ones."""
    lines = [line for line in text.splitlines() if line.strip() and not line.startswith("#")]
    for mark, name in ((";", "semicolons"), ("\t", "tabs")):
        # the first line may be a title without any
        parted = [line for line in lines if line.count(mark) >= 1 and _begins_a_row(line, mark)]
        if parted and len(parted) > len(lines) / 2:
            rule = f"the cells are separated by {name}, not by commas"
            if any(re.search(r"\d,\d", line) for line in parted):
                rule += ", and its numbers have decimal commas"
            remedy = "Save it as CSV with commas between cells and points in numbers"
            number = text.splitlines().index(parted[0]) + 1
            raise InputError(Fault(rule, remedy, file=file, line=number, value=parted[0]))


def _begins_a_row(line: str, mark: str) -> bool:
    """Tell whether what stands before the first mark holds no comma but a decimal one."""
    return "," not in re.sub(r"\d,\d", "", line.split(mark, maxsplit=1)[0])


def _cells(content: str) -> list[str]:
    """Split a line at its commas; commas at the end are a spreadsheet's padding."""
    cells = [cell.strip() for cell in next(csv.reader([content]), [])]
    while cells and not cells[-1]:
        cells.pop()
    return cells


def _noaa_table(lines: list[Line], file: str, *, ended: bool) -> RainfallTable:
    """Read the mean estimates of a NOAA Atlas 14 file; the bounds are only checked to be whole."""
    unit = _noaa_unit(lines, file)
    titles = [i for i, line in enumerate(lines) if line.text.lower().startswith(_NOAA_BLOCK)]
    if not titles or lines[titles[0]].text.lower() != _NOAA_BLOCK:
        rule = "there is no table of mean precipitation frequency estimates"
        raise InputError(Fault(rule, _CUT, file=file))
    blocks = [_noaa_block(lines, title, file) for title in titles]
    if not ended:
        _require_last_line(blocks[-1], lines[-1], file)
    said = _noaa_heading(lines)
    table = _table(blocks[0], unit, file, _noaa_source(lines, said))
    table = replace(table, place=_noaa_place(said))
    whole = len(blocks[0].rows)
    last = table.durations_s[-1]
    cut = last < _NOAA_LAST_DURATION_S and not table.notes
    for bounds in blocks[1:]:
        _figures(bounds, file)
        cut = cut or len(bounds.rows) < whole
    if cut:
        name = Path(file).name
        return replace(table, seems_cut=f"{name} ends before 60 days, where the server's files end")
    return table


def _noaa_unit(lines: list[Line], file: str) -> Unit:
    """Unit of the title line, which must agree with the line "Data type"."""
    title = lines[0].text
    unit = stated_unit(title[len(_NOAA_TITLE) :])
    if unit is None:
        rule = "the title must end in (inches), (inches/hour), (millimeters) or (millimeters/hour)"
        raise InputError(Fault(rule, _CUT, file=file, line=1, value=title))
    for line in lines:
        if line.text.lower().startswith("data type:"):
            kind = line.text.lower().rpartition(" ")[2]
            if kind in ("depth", "intensity") and (kind == "intensity") != unit.is_rate:
                rule = f"the data type contradicts the unit of the title, {unit.name}"
                raise InputError(Fault(rule, _CUT, file=file, line=line.number, value=line.text))
    return unit


def _noaa_block(lines: list[Line], title: int, file: str) -> _Block:
    """Take the header below a block's title and the rows down to the next empty line."""
    rows = []
    for line in lines[title + 1 :]:
        label = line.text.lower()
        if not line.cells or label.startswith(("date/time", "pyruntime", _NOAA_BLOCK)):
            break
        rows.append(line)
    if len(rows) < 2:
        rule = "the table below this title has no rows"
        raise InputError(Fault(rule, _CUT, file=file, line=lines[title].number))
    return _Block(rows[0], rows[1:])


def _require_last_line(block: _Block, last: Line, file: str) -> None:
    """
    Refuse a file that stops within a table's row.

    The last number of such a row may have lost digits and still be a number. A file without an
    end to its last line is whole only where that line is the last duration, or no row at all.
    """
    if (
        last.number == block.rows[-1].number
        and duration_seconds(last.text) != _NOAA_LAST_DURATION_S
    ):
        rule = "the file stops within this row"
        raise InputError(Fault(rule, _CUT, file=file, line=last.number, value=last.text))


def _noaa_heading(lines: list[Line]) -> dict[str, str]:
    """What the lines above the tables say, by their key in small letters."""
    said = {}
    for line in lines[1:12]:
        key, _, value = ", ".join(line.cells).partition(":")
        said[key.strip().lower()] = value.replace("Degree", "").replace("°", "").strip()
    return said


def _noaa_place(said: dict[str, str]) -> tuple[float, float] | None:
    """Latitude and longitude of the point; None where they are not both numbers on Earth."""
    try:
        latitude, longitude = float(said["latitude"]), float(said["longitude"])
    except (KeyError, ValueError):
        return None
    # a comparison with what is no number is false
    return (latitude, longitude) if abs(latitude) <= 90 and abs(longitude) <= 180 else None


def _noaa_source(lines: list[Line], said: dict[str, str]) -> str:
    """One line that names volume, place and series."""
    volume = next((line.text for line in lines[1:3] if "atlas" in line.text.lower()), "NOAA")
    place = [said.get(key, "") for key in ("location name (esri maps)", "latitude", "longitude")]
    known = [part for part in place if part not in ("", "None")]
    series = said.get("time series type", "").lower()
    parts = [volume, *known, f"{series} series" if series else "", "mean estimates"]
    return _clean(", ".join(part for part in parts if part))


def _clean(text: str) -> str:
    """Clean text of the file, and cut what is longer than a source may be."""
    return clean_text(text[:LONGEST_TEXT])


def _plain_table(content: list[Line], file: str, *, ended: bool) -> RainfallTable:
    """Read a plain table whose first cell states quantity and unit."""
    remarks = [line for line in content if line.text.startswith("#")]
    rows = [line for line in content if not line.text.startswith("#")]
    if len(rows) < 2:
        raise InputError(Fault("the table has no rows", _CUT, file=file))
    unit = stated_unit(rows[0].text)
    if unit is None:
        rule = "the first cell of the header must state depth or intensity and its unit"
        raise InputError(
            Fault(rule, _PLAIN_HEADER, file=file, line=rows[0].number, value=rows[0].text)
        )
    said = " ".join(", ".join(line.cells).lstrip("# ") for line in remarks)
    name = Path(file).name  # where the user keeps it is nobody's business
    table = _table(_Block(rows[0], rows[1:]), unit, file, _clean(said) or _clean(name))
    if not ended and rows[-1] is content[-1]:
        why = f"the last line of {name} has no end, so that its last figure may have lost digits"
        return replace(table, seems_cut=why)
    return table


def _figures(block: _Block, file: str) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
    """Durations, return periods, figures and their rounding, or all that is wrong with them."""
    faults: list[Fault] = []
    periods = _periods(block.header, faults)
    durations = _durations(block.rows, faults)
    values = _values(block, faults)
    if faults:
        raise InputError(replace(fault, file=file) for fault in faults)
    return durations, periods, values, rounding([line.cells[1:] for line in block.rows])


def _table(block: _Block, unit: Unit, file: str, source: str) -> RainfallTable:
    """Turn a block of text into a table, or raise all its faults."""
    durations, periods, values, half_unit = _figures(block, file)
    kept = _kept_rows(values, unit)
    notes, name = [], Path(file).name
    if kept < len(durations):
        first = block.rows[kept].text.rstrip(":")
        notes.append(f"{name}: durations from {first} on are left out, their figures round to 0")
    depths, settled = _depths(values[:kept], half_unit[:kept], durations[:kept], unit)
    if settled:
        notes.append(f"{name}: {settled} figures out of order by less than their rounding, settled")
    found = table_faults(durations[:kept], periods, depths)
    if found:
        raise InputError(_placed(fault, block, file) for fault in found)
    return RainfallTable(durations[:kept], periods, depths, source, notes=tuple(notes))


def _placed(fault: Fault, block: _Block, file: str) -> Fault:
    """Say the line of the file instead of the number of the duration."""
    line = None if fault.row is None else block.rows[fault.row - 1].number
    return replace(fault, file=file, line=line, row=None)


def _periods(header: Line, faults: list[Fault]) -> FloatArray:
    """Return periods of the header [yr]."""
    periods = [return_period_years(cell) for cell in header.cells[1:]]
    for cell, period in zip(header.cells[1:], periods, strict=True):
        if period is None:
            rule = "the header must hold return periods in years"
            faults.append(Fault(rule, "As in: 2, 10 yr", line=header.number, value=cell))
    if not periods:
        faults.append(Fault("the header holds no return periods", _CUT, line=header.number))
    return np.array([period or np.nan for period in periods])


def _durations(rows: list[Line], faults: list[Fault]) -> FloatArray:
    """Durations of the first column [s]."""
    durations = [duration_seconds(line.text) for line in rows]
    for line, duration in zip(rows, durations, strict=True):
        if duration is None:
            rule = "the first cell of a row must be a duration with its unit"
            faults.append(Fault(rule, "As in: 5 min, 24 h, 2 d", line=line.number, value=line.text))
    return np.array([duration or np.nan for duration in durations])


def _values(block: _Block, faults: list[Fault]) -> FloatArray:
    """Figures of the rows, shape (durations, return periods)."""
    count = len(block.header.cells) - 1
    values = np.full((len(block.rows), count), np.nan)
    for i, line in enumerate(block.rows):
        cells = line.cells[1:]
        if len(cells) != count:
            rule, remedy = f"the row has {len(cells)} values where the header has {count}", _CUT
            if len(cells) == 2 * count and all(cell.isdigit() for cell in cells):
                rule += ", twice as many: its numbers have decimal commas"
                remedy = "Write decimal points"
            faults.append(Fault(rule, remedy, line=line.number, value=line.text))
            continue
        for j, cell in enumerate(cells):
            value = figure(cell)
            if value is None:
                column = block.header.cells[j + 1]
                rule, remedy = "a rainfall figure must be a number, not below 0", _CUT
                if re.fullmatch(r"\d+,\d+", cell):
                    rule, remedy = "the number has a decimal comma", "Write decimal points"
                faults.append(Fault(rule, remedy, line=line.number, column=column, value=cell))
            else:
                values[i, j] = value
    return values


def _kept_rows(values: FloatArray, unit: Unit) -> int:
    """Count the rows before intensities so small that the file prints them as 0."""
    lost = np.flatnonzero((values <= 0).any(axis=1))
    if not unit.is_rate or not lost.size or not lost[0]:
        return len(values)
    # zeros at the long end are rounding; before a row without one they are a fault
    return int(lost[0]) if lost.size == len(values) - lost[0] else len(values)


def _depths(
    values: FloatArray, half_unit: FloatArray, durations: FloatArray, unit: Unit
) -> tuple[FloatArray, int]:
    """
    Turn figures into depths [m], and put in order what only rounding put out of order.

    Rounding keeps the order of the printed figures, but not of what is computed from them: from
    intensities of one or two digits the depths of long durations can seem to fall. Such depths
    are raised (or, from depths, intensities lowered) where that changes none by more than the
    rounding of two figures; else they come back as they are, for the checks to report.
    """
    times = durations[:, None]
    to_depth = unit.to_si * (times if unit.is_rate else np.ones_like(times))
    depths, error = values * to_depth, half_unit * to_depth
    printed = -values if unit.is_rate else values
    if (np.diff(printed, axis=0) < 0).any() or (np.diff(values, axis=1) < 0).any():
        return depths, 0
    order = np.maximum.accumulate(depths, axis=0)
    order = np.minimum.accumulate(order / times, axis=0) * times
    earlier = np.maximum.accumulate(error / times, axis=0) * times
    slack = np.maximum(np.maximum.accumulate(error, axis=0), earlier) + error
    change = np.abs(order - depths)
    moved = change > 1e-9 * depths
    if (moved & (change > slack)).any():
        return depths, 0
    return np.where(moved, order, depths), int(moved.sum())
