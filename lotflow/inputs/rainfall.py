"""
Rainfall files: NOAA Atlas 14 point tables as served, and plain tables of one's own.

A file is read to its end and believed only whole: a row that stops short, a number that is not
one, an order that rain cannot have are faults of the file, all reported together. A job may also
state its rain by coefficients.
"""

from __future__ import annotations

import csv
import math
import re
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Final

import numpy as np

from lotflow.errors import Fault, InputError
from lotflow.grid import FloatArray
from lotflow.inputs.limits import DEFAULT_LIMITS
from lotflow.inputs.open import local_file, read_bytes, sha256_of
from lotflow.rainfall import RainfallFormula, RainfallTable, impossible_rain
from lotflow.rainfall_checks import table_faults
from lotflow.text import LONGEST_TEXT, clean_text
from lotflow.units import TO_SI, to_si

if TYPE_CHECKING:
    from lotflow.inputs.job_tables import Coefficients, Rain
    from lotflow.rainfall import Rainfall

_LENGTHS: Final = {
    "mm": "mm",
    "millimeter": "mm",
    "millimeters": "mm",
    "millimetre": "mm",
    "millimetres": "mm",
    "in": "in",
    "inch": "in",
    "inches": "in",
}
_QUANTITIES: Final = {
    "depth": False,
    "depths": False,
    "intensity": True,
    "intensities": True,
}
_PERIOD: Final = re.compile(
    r"'?(?:1/)?(\d{1,9}(?:\.\d{1,9})?)\s*-?\s*(?:yr|yrs|year|years|a)?", re.ASCII
)
_DURATION: Final = re.compile(r"(\d{1,9}(?:\.\d{1,9})?)[\s-]*([a-z]+)\s*:?", re.ASCII)
_NUMBER: Final = re.compile(r"\d{1,15}(\.\d{1,15})?|\.\d{1,15}", re.ASCII)
_SECONDS: Final = {
    **dict.fromkeys(("min", "mins", "minute", "minutes"), TO_SI["min"]),
    **dict.fromkeys(("h", "hr", "hrs", "hour", "hours"), TO_SI["h"]),
    **dict.fromkeys(("d", "day", "days"), 24 * TO_SI["h"]),
}
_CUT: Final = "The file is cut or damaged: fetch it again"
_NOAA_TITLE: Final = "point precipitation frequency estimates"
_NOAA_BLOCK: Final = "precipitation frequency estimates"
_NOAA_LAST_DURATION_S: Final = 60 * 86400.0
_PLAIN_HEADER: Final = "Write quantity and unit there, as in: depth_mm, 2 yr, 10 yr"


def read_rainfall(given: Rain) -> Rainfall:
    """
    Read the rainfall of a job, and make sure that it knows the storms asked for.

    Parameters
    ----------
    given
        Table `[rainfall]` of the job.

    Returns
    -------
    rainfall
        With the job's uplift.

    Raises
    ------
    InputError
        If the file cannot be read or believed, or a storm lies outside it.
    """
    rainfall, name = _stated_rain(given)
    if faults := impossible_rain(rainfall):
        raise InputError([replace(fault, file=name) for fault in faults])
    low, high = rainfall.return_period_range_yr
    outside = [storm for storm in given.storms if not low <= storm <= high]
    if outside:
        raise InputError(
            [
                Fault(
                    f"the rainfall reaches from {low:g} to {high:g} years",
                    "Ask for storms within it with [rainfall] storms, or give a longer table",
                    file=name, column="storms", value=storm,
                )
                for storm in outside
            ]
        )  # fmt: skip
    return rainfall


def _stated_rain(given: Rain) -> tuple[Rainfall, str | None]:
    """Rainfall in either form, and the file it stands in."""
    if given.coefficients is not None:
        return _formula(given.coefficients, given.uplift), None
    assert given.file is not None  # noqa: S101 - the table has one of both
    file = local_file(given.file, "rainfall file")
    data = read_bytes(file, DEFAULT_LIMITS.table_bytes, "rainfall file")
    table = parse_rainfall(data, str(file))
    return replace(table, uplift=given.uplift, sha256=sha256_of(data)), str(file)


def _formula(given: Coefficients, uplift: float) -> RainfallFormula:
    """Rainfall from coefficients."""
    return RainfallFormula(
        return_periods_yr=np.array(given.return_periods),
        a=np.array(given.a),
        b=np.array(given.b),
        c=np.array(given.c),
        unit=given.unit,
        duration_range_s=(to_si(given.shortest_min, "min"), to_si(given.longest_min, "min")),
        source=given.source,
        uplift=uplift,
    )


@dataclass(frozen=True)
class _Block:
    """One table of a file as text: header cells, then rows of a duration and its values."""

    header: _Line
    rows: list[_Line]


def parse_rainfall(data: bytes, file: str) -> RainfallTable:
    r"""
    Read a rainfall table.

    Two layouts are known. The point precipitation frequency estimates of NOAA Atlas 14, depth or
    intensity, inches or millimetres, as the server or a spreadsheet wrote them; where the file
    has bounds too, the mean estimates are taken. And a plain comma-separated table, whose first
    cell states quantity and unit (`depth_mm`, `intensity_in_h`), its first row the return
    periods in years, its first column durations with their unit (`5 min`, `24 h`); lines that
    start with `#` tell the source.

    An annual exceedance probability of 1/N is a return period of N years. Every fault found is told
    with its line.

    Examples
    --------
    >>> table = parse_rainfall(b"depth_mm, 2 yr, 10 yr\n5 min, 8, 12\n1 h, 20, 31\n", "rain.csv")
    >>> table.durations_s.tolist(), table.return_periods_yr.tolist()
    ([300.0, 3600.0], [2.0, 10.0])
    """
    lines = table_lines(data, file)
    content = [line for line in lines if line.cells]
    if not content:
        raise InputError(Fault("the file is empty", _CUT, file=file))
    if content[0].cells[0].lower().startswith(_NOAA_TITLE):
        return _noaa_table(lines, file, ended=data.endswith((b"\n", b"\r")))
    return _plain_table(content, file, ended=data.endswith((b"\n", b"\r")))


def table_lines(data: bytes, file: str) -> list[_Line]:
    """
    Decode a table and split it into lines of cells.

    Raises
    ------
    InputError
        If it is no comma-separated table: a web page, or cells parted by other marks.
    """
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
        return [_Line(number, _cells(content)) for number, content in contents]
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


def _noaa_table(lines: list[_Line], file: str, *, ended: bool) -> RainfallTable:
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


def _noaa_unit(lines: list[_Line], file: str) -> _Unit:
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


def _noaa_block(lines: list[_Line], title: int, file: str) -> _Block:
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


def _require_last_line(block: _Block, last: _Line, file: str) -> None:
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


def _noaa_heading(lines: list[_Line]) -> dict[str, str]:
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


def _noaa_source(lines: list[_Line], said: dict[str, str]) -> str:
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


def _plain_table(content: list[_Line], file: str, *, ended: bool) -> RainfallTable:
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


def _table(block: _Block, unit: _Unit, file: str, source: str) -> RainfallTable:
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


def _periods(header: _Line, faults: list[Fault]) -> FloatArray:
    """Return periods of the header [yr]."""
    periods = [return_period_years(cell) for cell in header.cells[1:]]
    for cell, period in zip(header.cells[1:], periods, strict=True):
        if period is None:
            rule = "the header must hold return periods in years"
            faults.append(Fault(rule, "As in: 2, 10 yr", line=header.number, value=cell))
    if not periods:
        faults.append(Fault("the header holds no return periods", _CUT, line=header.number))
    return np.array([period or np.nan for period in periods])


def _durations(rows: list[_Line], faults: list[Fault]) -> FloatArray:
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
            value = rain_figure(cell)
            if value is None:
                column = block.header.cells[j + 1]
                rule, remedy = "a rainfall figure must be a number, not below 0", _CUT
                if re.fullmatch(r"\d+,\d+", cell):
                    rule, remedy = "the number has a decimal comma", "Write decimal points"
                faults.append(Fault(rule, remedy, line=line.number, column=column, value=cell))
            else:
                values[i, j] = value
    return values


def _kept_rows(values: FloatArray, unit: _Unit) -> int:
    """Count the rows before intensities so small that the file prints them as 0."""
    lost = np.flatnonzero((values <= 0).any(axis=1))
    if not unit.is_rate or not lost.size or not lost[0]:
        return len(values)
    # zeros at the long end are rounding; before a row without one they are a fault
    return int(lost[0]) if lost.size == len(values) - lost[0] else len(values)


def _depths(
    values: FloatArray, half_unit: FloatArray, durations: FloatArray, unit: _Unit
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


@dataclass(frozen=True)
class _Line:
    """A line of the file: its number from 1, and its cells without padding."""

    number: int
    cells: list[str]

    @property
    def text(self) -> str:
        """The first cell."""
        return self.cells[0] if self.cells else ""


@dataclass(frozen=True)
class _Unit:
    """Unit of the figures: as printed in messages, its factor to SI, and whether per hour."""

    name: str
    to_si: float
    is_rate: bool


def stated_unit(text: str) -> _Unit | None:
    """
    Find the unit that a title or a header cell states.

    None if no unit is stated, it is unknown, or it contradicts the quantity stated.

    Examples
    --------
    >>> stated_unit("intensity_in_h"), stated_unit("depth [mm/h]"), stated_unit("Storm")
    (_Unit(name='in/h', to_si=7.0556e-06, is_rate=True), None, None)
    """
    words = [word for word in re.split(r"[^a-z]+", text.lower()) if word]
    stated = [_QUANTITIES[word] for word in words if word in _QUANTITIES]
    units = [word for word in words if word not in _QUANTITIES]
    units = [word for word in units if word not in ("rain", "rainfall", "precipitation", "per")]
    is_rate = len(units) == 2 and units[1] in ("h", "hr", "hour")
    if not units or units[0] not in _LENGTHS or len(units) != 1 + is_rate:
        return None
    if any(quantity != is_rate for quantity in stated):
        return None
    key = _LENGTHS[units[0]]
    return _Unit(f"{key}/h", TO_SI[f"{key}_h"], True) if is_rate else _Unit(key, TO_SI[key], False)


def return_period_years(cell: str) -> float | None:
    """
    Read a return period, or an annual exceedance probability written as a fraction.

    [yr]; None if it is neither.

    Examples
    --------
    >>> [return_period_years(cell) for cell in ("10", "2-yr", "'1/100", "ten")]
    [10.0, 2.0, 100.0, None]
    """
    match = _PERIOD.fullmatch(cell.lower())
    return float(match[1]) if match and float(match[1]) > 0 else None


def duration_seconds(cell: str) -> float | None:
    """
    Read a duration.

    [s]; None if it is not one.

    Examples
    --------
    >>> [duration_seconds(cell) for cell in ("5-min:", "24 h", "2-day", "5")]
    [300.0, 86400.0, 172800.0, None]
    """
    match = _DURATION.fullmatch(cell.lower())
    if not match or match[2] not in _SECONDS or float(match[1]) == 0:
        return None
    return float(match[1]) * _SECONDS[match[2]]


def rain_figure(cell: str) -> float | None:
    """
    Read a figure: digits with or without a decimal point.

    None if it is anything else; rain is never negative.

    Examples
    --------
    >>> [rain_figure(cell) for cell in ("0.321", "2", "-1", "nan", "0.3 in")]
    [0.321, 2.0, None, None, None]
    """
    return float(cell) if _NUMBER.fullmatch(cell) else None


def rounding(texts: list[list[str]]) -> FloatArray:
    """
    Half a unit of the last place to which each figure was rounded.

    Figures of one power of ten are rounded alike, so the most decimals seen among them count;
    a spreadsheet that drops trailing zeros does not change that.

    Examples
    --------
    >>> rounding([["0.321", "2"], ["2.47", "10.5"]]).tolist()
    [[0.0005, 0.005], [0.005, 0.05]]
    """
    decimals: dict[int, int] = {}
    magnitudes = [[_magnitude(float(cell)) for cell in row] for row in texts]
    for row, powers in zip(texts, magnitudes, strict=True):
        for cell, power in zip(row, powers, strict=True):
            places = len(cell.partition(".")[2])
            decimals[power] = max(decimals.get(power, 0), places)
    return np.array([[0.5 * 10.0 ** -decimals[power] for power in row] for row in magnitudes])


def _magnitude(value: float) -> int:
    """Power of ten of a figure; figures below 1 are counted together."""
    return max(math.floor(math.log10(value)), -1) if value > 0 else -1
