"""The table of hose tests."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final

from lotflow.drains.hose_test import LATE_FACTOR
from lotflow.layers import RESULT_LAYERS
from lotflow.outputs.field_sheet.content import FieldSheetContent, Row, lines_by_state
from lotflow.outputs.field_sheet.hose_times import HOSE, HoseTest, hose_tests, usual_lines
from lotflow.outputs.field_sheet.typesetting import BLANK, Cell, Span, Titled, Typesetter

if TYPE_CHECKING:
    from collections.abc import Sequence

_LINES: Final = RESULT_LAYERS["drain_lines"]
_HEADS: Final = (
    "Line", "Pipe", *_LINES.labels("slope_m_per_m"), "Arrives after", "Late from", "At its outlet",
    "Full after", "Share tested", "Seen after",
)  # fmt: skip
#: What the test proves; common practice, no published source.
_PROVES: Final = (
    "measure yours and write it down. Time it from when water runs into the pipe: a sump fills "
    "first. It proves that a line is continuous, not that it is large enough: the share tested is "
    f"what the hose is of the full pipe. Later than {LATE_FACTOR:g} times the expected time: sag, "
    "roots, a wrong outlet. Blocked at its lower end it is full after the time given; water back "
    "at the grate sooner: blocked that much nearer. Neither: it leaks, or goes elsewhere. One "
    "colour of dye per inlet; watch street inlet, sump and floor drain too."
)


def hose_part(setter: Typesetter, content: FieldSheetContent) -> list[Any]:
    """
    Set what a hose should do in each line: those that are there, then those to be built.

    Parameters
    ----------
    setter
        Of the sheet.
    content
        Of the sheet.
    """
    today, planned = lines_by_state(content)
    flow, printed, how = HOSE[content.units]
    heading = setter.heading("Hose test", f"Times for {printed}: {how}; {_PROVES}")
    rows = _rows(today, flow, content)
    spans: list[Span] = []
    if planned:
        spans.append((len(rows), 0, len(rows), len(_HEADS) - 1))
        rows.append(["Once built", *[""] * (len(_HEADS) - 1)])
        # what stays is on the way of what is built
        rows += _rows(planned, flow, content, among=[*today, *planned])
    if not rows:
        usual = usual_lines(content.units)
        rows = [
            _row(line, test, content)
            for line, test in zip(usual, hose_tests(usual, flow), strict=True)
        ]
    table = setter.table(_HEADS, rows, (46, 25, 8, 9.5, 8, 9, 10.5, 8.5, 11), spans=spans)
    return [*heading, table]


def _rows(
    lines: Sequence[Row],
    flow_m3s: float,
    content: FieldSheetContent,
    *,
    among: Sequence[Row] | None = None,
) -> list[list[Cell]]:
    """Cells of lines, from the top down."""
    tests = {test.name: test for test in hose_tests(among or lines, flow_m3s)}
    return [_row(line, tests[line["name"]], content) for line in in_flow_order(lines)]


def in_flow_order(lines: Sequence[Row]) -> list[Row]:
    """
    Order lines by system, each from its top down.

    Parameters
    ----------
    lines
        Rows of the layer "drain_lines" of one case.

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


def _row(line: Row, test: HoseTest, content: FieldSheetContent) -> list[Cell]:
    """Cells of a line."""
    size, length, slope = (
        _LINES.shown(line, column, content.units)
        for column in ("diameter_m", "length_m", "slope_m_per_m")
    )
    return [
        Titled(str(line["name"]), _from_to(line)),
        f"{size} {line['material'] or ''}, {length}",
        slope,
        "no fall" if test.arrival_s is None else _seconds(test.arrival_s),
        _seconds(test.late_s),
        _seconds(test.outlet_s),
        f"{test.full_s / 60:.1f} min",
        "-" if test.share is None else f"{test.share:.0%}",
        BLANK,
    ]


def _from_to(line: Row) -> str:
    """Ends of a line; a usual pipe stands for any."""
    if "outlet" not in line:
        return ""
    return f"{line['from_node']} → {line['to_node']}"


def _seconds(time: float | None) -> str:
    """Show a time to the second."""
    return "-" if time is None else f"{time:.0f} s"
