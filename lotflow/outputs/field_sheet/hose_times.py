"""What a garden hose should do in each drain line."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from lotflow.drains.hose import LATE_FACTOR, arrival_time, pipe_volume, share_tested
from lotflow.drains.pipes import full_flow_capacity, pipe_material
from lotflow.units import METRES_PER_INCH, UnitSystem, to_si

if TYPE_CHECKING:
    from collections.abc import Sequence

    from lotflow.outputs.field_sheet.content import Row

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
USUAL_LENGTH_M: Final[dict[UnitSystem, float]] = {"us": to_si(100.0, "ft"), "metric": 30.0}
USUAL_FALL: Final = 0.01


@dataclass(frozen=True)
class HoseTest:
    """
    What is expected of a line.

    Parameters
    ----------
    name
        Of the line.
    arrival_s
        From its upper to its lower end [s]; None where it has no fall by its levels, or is too
        small.
    late_s
        A later arrival must be looked into [s]; None likewise.
    outlet_s
        From its upper end to the outlet [s]; None where a line on the way has no time.
    full_s
        Blocked at its lower end, it is full after this [s].
    share
        Of its capacity that the hose stands for; None without capacity.
    """

    name: str
    arrival_s: float | None
    late_s: float | None
    outlet_s: float | None
    full_s: float
    share: float | None


def hose_tests(lines: Sequence[Row], flow_m3s: float) -> list[HoseTest]:
    """
    Tell what a hose should do in each line.

    Parameters
    ----------
    lines
        Rows of the layer "drain_lines" of one case, or some of them.
    flow_m3s
        Of the hose [m^3/s].

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

    Parameters
    ----------
    units
        They decide the length.

    Returns
    -------
    lines
        With the columns of the layer "drain_lines" that a hose test needs.

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
                "material": material, "diameter_m": size, "slope_m_per_m": USUAL_FALL,
                "length_m": USUAL_LENGTH_M[units], "roughness": roughness,
                "capacity_m3s": float(full_flow_capacity(size, USUAL_FALL, roughness)),
            })  # fmt: skip
    return lines


def _hose_test(
    line: Row, lines: Sequence[Row], times: dict[str, float | None], flow_m3s: float
) -> HoseTest:
    """What is expected of one line."""
    arrival = times[line["name"]]
    on_the_way = [times[below["name"]] for below in _way_down(line, lines)]
    known = [time for time in on_the_way if time is not None]
    return HoseTest(
        line["name"],
        arrival,
        None if arrival is None else LATE_FACTOR * arrival,
        sum(known) if len(known) == len(on_the_way) else None,
        float(pipe_volume(line["diameter_m"], line["length_m"])) / flow_m3s,
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
