"""The rain of the days on which water was seen: a plain table, or days of the job file."""

from __future__ import annotations

import datetime as dt
import re
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Final

from lotflow.errors import Fault, InputError
from lotflow.inputs.columns import CellError, read_date
from lotflow.inputs.limits import DEFAULT_LIMITS
from lotflow.inputs.open import local_file, read_bytes, sha256_of
from lotflow.inputs.rainfall import rain_figure, table_lines
from lotflow.rainfall import greatest_depth_m
from lotflow.units import both_units, to_si

if TYPE_CHECKING:
    from geopandas import GeoDataFrame

    from lotflow.inputs.job_tables import Observations

_DAY_S: Final = 86_400.0
_RAIN: Final = re.compile(
    r"(?:rain|rainfall|depth|precip|precipitation|prcp)(?:[ _]?[\[(]?(mm|in|inch|inches)[\])]?)?"
)
#: What a station writes for rain too little to measure, and for a day without a reading.
_TRACE, _NO_READING = ("t", "trace"), ("", "m", "-")
_UNITS: Final = {"mm": "mm", "in": "in", "inch": "in", "inches": "in"}
_HEADER: Final = "Write: date, rain_mm or: date, rain_in"


@dataclass(frozen=True)
class DayRain:
    """
    Rain by day.

    Parameters
    ----------
    days
        Depth of each day, by its date as 2026-05-03; None where there was no reading [m].
    source
        Name of the file, or where else it stands.
    sha256
        Of the bytes that were read; empty where it stands in the job file.
    """

    days: dict[str, float | None] = field(default_factory=dict)
    source: str = ""
    sha256: str = ""

    def known(self) -> dict[str, float]:
        """Depths of the days that have one [m]."""
        return {day: depth for day, depth in self.days.items() if depth is not None}


def read_day_rain(given: Observations | None) -> DayRain:
    """
    Read the rain of days that a job gives.

    Parameters
    ----------
    given
        Table `[observations]` of the job; None where it has none.

    Returns
    -------
    rain
        Without days where none are given.

    Raises
    ------
    InputError
        With every fault of the table, each with its line.
    """
    if given is None:
        return DayRain()
    if given.rain is None:
        unit, days = ("mm", given.rain_mm) if given.rain_mm is not None else ("in", given.rain_in)
        depths: dict[str, float | None] = {}
        for day, rain in (days or {}).items():
            try:
                depths[day] = _possible(to_si(rain, unit), day)
            except CellError as error:
                rule, remedy = error.args
                column = f"observations.rain_{unit}"
                raise InputError(Fault(rule, remedy, column=column, value=rain)) from None
        return DayRain(depths, "the job file")
    file = local_file(given.rain, "table of daily rain")
    data = read_bytes(file, DEFAULT_LIMITS.table_bytes, "table of daily rain")
    return DayRain(parse_day_rain(data, str(file)), file.name, sha256_of(data))


def _possible(depth: float, day: str) -> float:
    """Refuse more rain in a day than was ever measured."""
    most = float(greatest_depth_m(_DAY_S))
    if depth > most:
        raise CellError(
            f"{both_units(depth, 'rain_depth')} on {day} is more than has ever been measured in a "
            f"day on Earth, {both_units(most, 'rain_depth')}",
            "Check the unit: millimetres said to be inches would explain it",
        )
    return depth


def parse_day_rain(data: bytes, file: str) -> dict[str, float | None]:
    r"""
    Read a table of daily rain: comma-separated, its first line naming date and rain with its unit.

    Other columns are left alone; lines that start with `#` are remarks. "T" is a trace and counts
    as no rain; an empty cell or "M" is a day without a reading.

    Parameters
    ----------
    data, file
        Content, and the name for messages.

    Returns
    -------
    days
        Depth of each day [m].

    Raises
    ------
    InputError
        With every fault found, each with its line.

    Examples
    --------
    >>> parse_day_rain(b"date,rain_mm\n2026-05-02,0\n2026-05-03,41\n2026-05-04,M\n", "rain.csv")
    {'2026-05-02': 0.0, '2026-05-03': 0.041, '2026-05-04': None}
    """
    lines = [line for line in table_lines(data, file) if line.cells]
    rows = [line for line in lines if not line.text.startswith("#")]
    if not rows:
        raise InputError(Fault("the table of daily rain is empty", _HEADER, file=file))
    at, rain_at, unit = _columns(rows[0].cells, rows[0].number, file)
    days: dict[str, float | None] = {}
    faults = []
    for line in rows[1:]:
        date, rain = (line.cells[i] if i < len(line.cells) else "" for i in (at, rain_at))
        column, value = "date", date
        try:
            _require_as_many(line.cells, rows[0].cells)
            day = _day(date)
            column, value = rows[0].cells[rain_at], rain
            days[day] = _same(days.get(day), _depth(rain, unit, day), day)
        except CellError as error:
            rule, remedy = error.args
            faults.append(
                Fault(rule, remedy, file=file, line=line.number, column=column, value=value)
            )
    if faults:
        raise InputError(faults)
    if not days:
        raise InputError(Fault("the table of daily rain has no rows", _HEADER, file=file))
    return days


def _require_as_many(cells: list[str], header: list[str]) -> None:
    """Refuse a row of more cells than the first line: a decimal comma parts a number in two."""
    if len(cells) > len(header):
        raise CellError(
            f"the row has {len(cells)} cells, the first line {len(header)}",
            "Write numbers with a point, not a comma; put texts with commas in quotes",
        )


def _day(cell: str) -> str:
    """Day of a row."""
    day = read_date(cell)
    if day is None:
        raise CellError("a row of rain must have a date", "Fill it in")
    return day


def _same(before: float | None, depth: float | None, day: str) -> float | None:
    """Depth of a day that may stand in two rows."""
    if None not in (before, depth) and before != depth:
        raise CellError(f"{day} stands twice, with two depths", "Keep one of them")
    return before if depth is None else depth


def _columns(header: list[str], line: int, file: str) -> tuple[int, int, str]:
    """Places of date and rain in the header, and the unit of the rain."""
    names = [cell.strip().casefold() for cell in header]
    if names.count("date") != 1:
        rule = "the first line must name one column date"
        raise InputError(Fault(rule, _HEADER, file=file, line=line, value=", ".join(header)))
    found = [(place, match[1]) for place, name in enumerate(names)
             if (match := _RAIN.fullmatch(name))]  # fmt: skip
    units = [(place, unit) for place, unit in found if unit]
    if len(units) == 1:
        return names.index("date"), units[0][0], _UNITS[units[0][1]]
    if found and not units:
        rule = "the unit of the rain is not clear"
        remedy = (
            "Write it into the name of the column, rain_mm or rain_in, as the source states it: "
            "station files may be in millimetres, inches or tenths of a millimetre"
        )
        raise InputError(
            Fault(rule, remedy, file=file, line=line, column=header[found[0][0]])
        )  # fmt: skip
    rule = "the first line must name one column of rain with its unit"
    raise InputError(Fault(rule, _HEADER, file=file, line=line, value=", ".join(header)))


def _depth(cell: str, unit: str, day: str) -> float | None:
    """Depth of a cell [m]; None on a day without a reading."""
    text = cell.casefold()
    if text in _NO_READING:
        return None
    figure = 0.0 if text in _TRACE else rain_figure(cell)
    if figure is None:
        raise CellError(
            "is no depth of rain", "Write a number of 0 or more, T for a trace, or leave it empty"
        )
    return _possible(to_si(figure, unit), day)


def require_days(observations: GeoDataFrame, rain: DayRain) -> None:
    """
    Demand the rain of every day on which something was seen, where a table of rain is given.

    Parameters
    ----------
    observations
        Site layer.
    rain
        From `read_day_rain`.

    Raises
    ------
    InputError
        With every observation whose day has no rain, and the nearest day that has.
    """
    known = rain.known()
    if not rain.days:
        return
    faults = []
    for row, day in enumerate(observations["date"].tolist(), 1):
        if not isinstance(day, str) or day in known:
            continue
        near = min(((_apart(one, day), one) for one in known), default=None)
        has = "has no reading of this day" if day in rain.days else "does not have this day"
        rule = f"{rain.source} {has}"
        remedy = "Give the rain of this day, or mend the date"
        if near is not None:
            rule += f"; it reaches from {min(rain.days)} to {max(rain.days)}"
            remedy = (
                f"The nearest day in it is {near[1]}, with "
                f"{both_units(known[near[1]], 'rain_depth')}: "
                f"{remedy[0].lower()}{remedy[1:]}"
            )
        faults.append(Fault(rule, remedy, layer="observations", row=row, column="date", value=day))
    if faults:
        raise InputError(faults)


def _apart(first: str, second: str) -> int:
    """Days between two dates."""
    ends = (dt.date.fromisoformat(day) for day in (first, second))
    return abs(next(ends).toordinal() - next(ends).toordinal())
