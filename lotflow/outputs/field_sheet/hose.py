"""What a garden hose should do in each drain line, and the table of it."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

from lotflow.drains.hose import LATE_FACTOR, arrival_time, pipe_volume, share_tested
from lotflow.drains.pipes import full_flow_capacity, pipe_material
from lotflow.layers import RESULT_LAYERS
from lotflow.outputs.field_sheet.content import FieldSheetContent, Row, lines_by_state
from lotflow.outputs.field_sheet.typesetting import BLANK, Cell, Span, Typesetter
from lotflow.units import METRES_PER_INCH, UnitSystem, to_si

if TYPE_CHECKING:
    from collections.abc import Sequence


#: Flow of an open garden hose for which times are given [m^3/s], how it is printed, and how it
#: is measured.
HOSE: Final[dict[UnitSystem, tuple[float, str, str]]] = {
    "us": (to_si(10.0, "gpm"), "10 gpm", "a 5 gal pail full in 30 s"),
    "metric": (to_si(40.0, "lpm"), "40 l/min", "a 10 l pail full in 15 s"),
}

#: Pipes met around houses, for lines that were not drawn: inside diameters [m] with their names,
#: materials, and the length [m] and fall they are told for.
_USUAL_SIZES: Final[dict[UnitSystem, dict[str, float]]] = {
    "us": {f"{inches} in": inches * METRES_PER_INCH for inches in (3, 4, 6)},
    "metric": {"75 mm": 0.075, "100 mm": 0.100, "150 mm": 0.150},
}
_USUAL_MATERIALS: Final = ("pvc", "hdpe corrugated")
_USUAL_LENGTH_M: Final[dict[UnitSystem, float]] = {"us": to_si(100.0, "ft"), "metric": 30.0}
_USUAL_FALL: Final = 0.01


@dataclass(frozen=True)
class _HoseTest:
    """What is expected of a line."""

    #: Of the line.
    name: str
    #: From its upper to its lower end [s]; None where it has no fall by its levels, or is
    #: too small.
    arrival_s: float | None
    #: A later arrival must be looked into [s]; None likewise.
    late_s: float | None
    #: From its upper end to the outlet [s]; None where a line on the way has no time.
    outlet_s: float | None
    #: Blocked at its lower end, it is full after this [s]; None where its size is not known.
    full_s: float | None
    #: Of its capacity that the hose stands for; None without capacity.
    share: float | None


def hose_tests(lines: Sequence[Row], flow_m3s: float) -> list[_HoseTest]:
    """
    Tell what a hose should do in each line.

    `lines`: rows of the layer "drain_lines" of one case, or some of them.

    Examples
    --------
    10 gallons per minute in 100 ft of smooth 4 in pipe at 1 %, twice in a row:

    >>> upper = {"name": "A", "from_node": "a", "to_node": "b", "diameter_m": 0.1016,
    ...          "slope_m_per_m": 0.01, "roughness": 0.010, "length_m": 30.48,
    ...          "capacity_m3s": 0.0070}
    >>> lower = upper | {"name": "B", "from_node": "b", "to_node": "c"}
    >>> test = hose_tests([upper, lower], 6.309e-4)[0]
    >>> round(test.arrival_s), round(test.late_s), round(test.outlet_s), round(test.full_s / 60, 1)
    (57, 171, 114, 6.5)
    """
    times = {line["name"]: _arrival(line, flow_m3s) for line in lines}
    return [_hose_test(line, lines, times, flow_m3s) for line in lines]


def usual_lines(units: UnitSystem) -> list[Row]:
    """
    Give pipes that are met around houses, to be looked up where no line was drawn.

    They have the columns of the layer "drain_lines" that a hose test needs.

    Examples
    --------
    >>> test = hose_tests(usual_lines("us"), 6.309e-4)[1]
    >>> test.name, round(test.arrival_s)
    ('4 in pvc', 57)
    """
    lines = []
    for material in _USUAL_MATERIALS:
        roughness = pipe_material(material).n_design
        for nominal, size in _USUAL_SIZES[units].items():
            name = f"{nominal} {material}"
            lines.append({
                "name": name, "from_node": f"{name}, upper", "to_node": f"{name}, lower",
                "material": material, "diameter_m": size, "slope_m_per_m": _USUAL_FALL,
                "length_m": _USUAL_LENGTH_M[units], "roughness": roughness,
                "capacity_m3s": float(full_flow_capacity(size, _USUAL_FALL, roughness)),
            })  # fmt: skip
    return lines


def _hose_test(
    line: Row, lines: Sequence[Row], times: dict[str, float | None], flow_m3s: float
) -> _HoseTest:
    """What is expected of one line."""
    arrival = times[line["name"]]
    on_the_way = [times[below["name"]] for below in _way_down(line, lines)]
    known = [time for time in on_the_way if time is not None]
    return _HoseTest(
        line["name"],
        arrival,
        None if arrival is None else LATE_FACTOR * arrival,
        sum(known) if len(known) == len(on_the_way) else None,
        None
        if line["diameter_m"] is None
        else float(pipe_volume(line["diameter_m"], line["length_m"])) / flow_m3s,
        float(share_tested(flow_m3s, line["capacity_m3s"])) if line["capacity_m3s"] else None,
    )


def _arrival(line: Row, flow_m3s: float) -> float | None:
    """Time to the lower end of a line; None where the hose cannot run through it by its fall."""
    wanted = ("diameter_m", "slope_m_per_m", "roughness", "length_m")
    if any(line[key] is None for key in wanted):
        return None
    seconds = float(arrival_time(flow_m3s, *(line[key] for key in wanted)))
    return None if math.isnan(seconds) else seconds


def _way_down(line: Row, lines: Sequence[Row]) -> list[Row]:
    """A line and those below it down to its outlet; a node has one line that leaves it."""
    leaving = {other["from_node"]: other for other in lines}
    way = [line]
    while (below := leaving.get(way[-1]["to_node"])) is not None and below not in way:
        way.append(below)
    return way


_LINES: Final = RESULT_LAYERS["drain_lines"]
_HEADS: Final = (
    "Line", "Pipe", *_LINES.labels("slope_m_per_m"), "Arrives after", "Late from", "At the outlet",
    "Full after", "Share run", "Seen after",
)  # fmt: skip
#: What the test proves; common practice, no published source.
_PROVES: Final = (
    "measure yours. Time it from when water runs into the pipe: a sump fills first. It proves a "
    f"line continuous, not large enough. Later than {LATE_FACTOR:g} times the expected time: sag, "
    "roots, a wrong outlet. Blocked at its end it is full after the time given; sooner: blocked "
    "that much nearer; never: it leaks, or goes elsewhere. One dye per inlet; watch street inlet, "
    "sump, floor drain."
)


def hose_part(setter: Typesetter, content: FieldSheetContent) -> list[Any]:
    """Set what a hose should do in each line: those that are there, then those to be built."""
    today, planned = lines_by_state(content)
    flow, printed, how = HOSE[content.units]
    heading = setter.heading("Hose test", f"Times for {printed}: {how}; {_PROVES}")
    rows = _table_rows(today, flow, content)
    spans: list[Span] = []
    if planned:
        spans.append((len(rows), 0, len(rows), len(_HEADS) - 1))
        rows.append(["Once built", *[""] * (len(_HEADS) - 1)])
        # what stays is on the way of what is built
        rows += _table_rows(planned, flow, content, among=[*today, *planned])
    if not rows:
        usual = usual_lines(content.units)
        rows = [
            _table_row(line, test, content)
            for line, test in zip(usual, hose_tests(usual, flow), strict=True)
        ]
    table = setter.table(
        _HEADS, rows, (27, 33, 9.5, 11.5, 8.5, 9.5, 12.5, 9, 11), height=16, spans=spans
    )
    return [*heading, table]


def _table_rows(
    lines: Sequence[Row],
    flow_m3s: float,
    content: FieldSheetContent,
    *,
    among: Sequence[Row] | None = None,
) -> list[list[Cell]]:
    """Cells of lines, from the top down."""
    tests = {test.name: test for test in hose_tests(among or lines, flow_m3s)}
    return [_table_row(line, tests[line["name"]], content) for line in in_flow_order(lines)]


def in_flow_order(lines: Sequence[Row]) -> list[Row]:
    """
    Order lines by system, each from its top down.

    Examples
    --------
    >>> upper = {"from_node": "a", "to_node": "b", "outlet": "o"}
    >>> lower = {"from_node": "b", "to_node": "o", "outlet": "o"}
    >>> in_flow_order([lower, upper]) == [upper, lower]
    True
    """
    leaving = {line["from_node"]: line for line in lines}

    def lines_below(line: Row) -> int:
        count, node = 0, line["to_node"]
        while node in leaving and count <= len(lines):
            count, node = count + 1, leaving[node]["to_node"]
        return count

    return sorted(lines, key=lambda line: (str(line["outlet"]), -lines_below(line)))


def _table_row(line: Row, test: _HoseTest, content: FieldSheetContent) -> list[Cell]:
    """Cells of a line."""
    size, length, slope = (
        _LINES.shown(line, column, content.units)
        for column in ("diameter_m", "length_m", "slope_m_per_m")
    )
    return [
        str(line["name"]),
        f"{size} {line['material'] or ''}, {length}" if "outlet" in line else length,
        slope,
        "no fall" if test.arrival_s is None else _seconds(test.arrival_s),
        _seconds(test.late_s),
        _seconds(test.outlet_s),
        "-" if test.full_s is None else f"{test.full_s / 60:.1f} min",
        "-" if test.share is None else f"{test.share:.0%}",
        BLANK,
    ]


def _seconds(time: float | None) -> str:
    """Show a time to the second."""
    return "-" if time is None else f"{time:.0f} s"
