"""Drain lines as they were drawn: what water gets of each pipe, its levels, how it was found."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any, Final, Literal

import shapely

from lotflow.drains.judged import about
from lotflow.drains.pipe_tables import pipe_material, pipe_size
from lotflow.errors import Fault, InputError, ParameterError
from lotflow.findings import Finding

if TYPE_CHECKING:
    import pandas as pd

#: Taken where the material is not known: the roughest of those laid round houses.
ASSUMED_MATERIAL: Final = "hdpe corrugated"
#: Shorter lines are slips of the mouse [m].
_SHORTEST_M: Final = 0.01
_NAN: Final = float("nan")


@dataclass(frozen=True)
class Pipe:
    """
    What a line is made of.

    Parameters
    ----------
    material
        Key of the material table.
    roughness
        Manning n [s/m^(1/3)].
    diameter_m
        Inside diameter at the upper end [m]; NaN where it is not known.
    diameter_down_m
        Inside diameter at the lower end [m]; equal to the other where none is given.
    size_m
        Nominal size, by which rules go [m]; the inside diameter where none is given.
    """

    material: str
    roughness: float
    diameter_m: float
    diameter_down_m: float
    size_m: float

    @property
    def narrowest_m(self) -> float:
        """The smaller of the two inside diameters [m]."""
        return min(self.diameter_m, self.diameter_down_m)


@dataclass(frozen=True)
class GivenInverts:
    """
    Inverts as they were measured or drawn; NaN where not given.

    Parameters
    ----------
    up_m, down_m
        Elevation of the inside bottom at the upper and lower end [m].
    up_below_rim_m, down_below_rim_m
        Its depth below the rim of the node at that end [m].
    """

    up_m: float = _NAN
    down_m: float = _NAN
    up_below_rim_m: float = _NAN
    down_below_rim_m: float = _NAN

    def of(self, end: Literal["up", "down"]) -> tuple[float, float]:
        """
        Invert of one end, as elevation and as depth below the rim [m].

        Parameters
        ----------
        end
            "up" or "down".
        """
        if end == "up":
            return self.up_m, self.up_below_rim_m
        return self.down_m, self.down_below_rim_m


@dataclass(frozen=True)
class Condition:
    """
    How a line was found; NaN and empty text where nothing was noted.

    Parameters
    ----------
    joint
        Kind of joint, in lower case.
    sediment_m, standing_water_m
        Depth in the pipe [m].
    test
        "hose", "dye", "camera".
    test_flow_m3s
        Flow put in [m^3/s].
    test_seconds
        Time until it arrived [s].
    backed_up_seconds
        Time until it stood at the upper end, where it did not arrive [s].
    """

    joint: str = ""
    sediment_m: float = _NAN
    standing_water_m: float = _NAN
    test: str = ""
    test_flow_m3s: float = _NAN
    test_seconds: float = _NAN
    backed_up_seconds: float = _NAN


@dataclass(frozen=True, eq=False)
class DrainLine:
    """
    One pipe between two nodes.

    Parameters
    ----------
    name
        Its name.
    path
        Its course, drawn downstream, in the grid's CRS.
    length_m
        Along the course [m].
    start, end
        Names of the nodes at its ends as they were given; empty where they were not.
    proposed
        Whether it is yet to be laid.
    pipe, given, condition
        What is known of it.
    """

    name: str
    path: Any
    length_m: float
    start: str
    end: str
    proposed: bool
    pipe: Pipe
    given: GivenInverts
    condition: Condition

    def fault(self, rule: str, remedy: str, column: str = "name", value: Any = None) -> Fault:
        """
        Say what is wrong with it.

        Parameters
        ----------
        rule, remedy
            As in `Fault`.
        column, value
            Where it stands; by default the name.
        """
        return Fault(
            rule if column == "name" else f"{rule} (line {self.name})", remedy,
            layer="drain_lines", column=column, value=self.name if column == "name" else value,
        )  # fmt: skip

    @property
    def middle(self) -> tuple[float, float]:
        """Easting and northing half-way along it."""
        point = self.path.interpolate(0.5, normalized=True)
        return float(point.x), float(point.y)

    def with_pipe(self, diameter_m: float, size_m: float) -> DrainLine:
        """
        Lay it with another size; the material stays.

        Parameters
        ----------
        diameter_m, size_m
            Inside diameter and nominal size [m].
        """
        pipe = replace(
            self.pipe, diameter_m=diameter_m, diameter_down_m=diameter_m, size_m=size_m
        )  # fmt: skip
        return replace(self, pipe=pipe)


def read_drain_lines(
    frame: pd.DataFrame, metres_per_unit: float
) -> tuple[list[DrainLine], list[Finding]]:
    """
    Take drain lines over from their layer.

    Parameters
    ----------
    frame
        Rows of the site layer `drain_lines` that carry water, in the grid's CRS and in SI.
    metres_per_unit
        Of that CRS.

    Returns
    -------
    lines, findings
        The lines, and what had to be assumed of their pipes.

    Raises
    ------
    InputError
        With every line that has no length, and every proposed one whose nominal size is not in
        the table.
    """
    lines: list[DrainLine] = []
    findings: list[Finding] = []
    faults: list[Fault] = []
    for row in frame.to_dict("records"):
        length = float(row["geometry"].length) * metres_per_unit
        line = DrainLine(
            name=str(row["name"]), path=_single(row["geometry"]), length_m=length,
            start=_text(row["from"]), end=_text(row["to"]), proposed=row["status"] == "proposed",
            pipe=Pipe(ASSUMED_MATERIAL, _NAN, _NAN, _NAN, _NAN),
            given=GivenInverts(
                row["invert_up_m"], row["invert_down_m"], row["invert_up_below_rim_m"],
                row["invert_down_below_rim_m"],
            ),
            condition=_condition(row),
        )  # fmt: skip
        if not length >= _SHORTEST_M:
            faults.append(line.fault("the line has no length", "Draw it, or remove it"))
            continue
        try:
            pipe = _pipe(row, line, findings)
        except InputError as error:
            faults += error.faults
        else:
            lines.append(replace(line, pipe=pipe))
    if faults:
        raise InputError(faults)
    return lines, findings


def _text(value: Any) -> str:
    return value if isinstance(value, str) else ""


def _single(shape: Any) -> Any:
    """The one part of a line, without height."""
    merged = shapely.line_merge(shape) if shape.geom_type == "MultiLineString" else shape
    return shapely.force_2d(merged)


def _condition(row: dict[Any, Any]) -> Condition:
    return Condition(
        _text(row["joint"]).strip().lower(), row["sediment_m"], row["standing_water_m"],
        _text(row["test"]), row["test_flow_m3s"], row["test_seconds"], row["backed_up_seconds"],
    )  # fmt: skip


def _pipe(row: dict[Any, Any], line: DrainLine, findings: list[Finding]) -> Pipe:
    """What a line is made of; what is assumed goes to the findings."""
    material = _text(row["material"])
    if not material:
        material = ASSUMED_MATERIAL
        findings.append(
            about(
                line, "pipe-material-assumed", "note", facts={"material": material},
                source=pipe_material(material).source,
            )
        )  # fmt: skip
    roughness = pipe_material(material).n_design
    diameter, size = float(row["diameter_m"]), float(row["size_m"])
    if math.isnan(diameter) and not math.isnan(size):
        diameter = _inside_diameter(line, material, size, findings)
    size = diameter if math.isnan(size) else size
    down = float(row["diameter_down_m"])
    return Pipe(material, roughness, diameter, diameter if math.isnan(down) else down, size)


def _inside_diameter(line: DrainLine, material: str, size: float, findings: list[Finding]) -> float:
    """Look up what water gets of a nominal size; an old pipe may have one of its own."""
    try:
        return pipe_size(material, size).inside_diameter_m
    except ParameterError as error:
        if line.proposed:
            raise InputError(
                line.fault(str(error).rstrip("."), "", "size", round(size * 1000, 1))
            ) from error
        findings.append(
            about(
                line, "size-not-in-table", "warn", facts={"material": material, "size_m": size},
                measured=round(size, 4), unit="m", source="lotflow's table of pipe sizes",
            )
        )  # fmt: skip
        return size
