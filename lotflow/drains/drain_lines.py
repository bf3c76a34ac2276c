"""Drain lines as they were drawn: pipe, levels, how they were found, and the ground over them."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any, Final, Literal

import numpy as np
import shapely

from lotflow.drains.judged import about
from lotflow.drains.pipes import pipe_material, pipe_size
from lotflow.errors import Fault, InputError, ParameterError
from lotflow.findings import Finding

if TYPE_CHECKING:
    import pandas as pd

    from lotflow.grid import FloatArray, Grid

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

    @property
    def ends(self) -> tuple[tuple[float, float], tuple[float, float]]:
        """Easting and northing of both ends, as drawn."""
        first, last = shapely.get_coordinates(self.path)[[0, -1]]
        return (float(first[0]), float(first[1])), (float(last[0]), float(last[1]))

    def fault(self, rule: str, remedy: str, column: str = "name", value: Any = None) -> Fault:
        """
        Say what is wrong with it.

        Parameters
        ----------
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
            start=_text(row["from_node"]), end=_text(row["to_node"]),
            proposed=row["status"] == "proposed",
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


@dataclass(frozen=True, eq=False)
class GroundProfile:
    """
    Ground over a line at stations no more than a cell apart.

    Parameters
    ----------
    distance_m
        Shape (stations,), along the line from its upper end [m]; the last is its length.
    x, y
        Easting and northing of the stations.
    ground_m
        Ground elevation [m]; NaN where the elevation data has none.
    """

    distance_m: FloatArray
    x: FloatArray
    y: FloatArray
    ground_m: FloatArray

    @property
    def length_m(self) -> float:
        """Length of the line [m]."""
        return float(self.distance_m[-1])


@dataclass(frozen=True, eq=False)
class LineProfile:
    """
    A pipe in its ground; arrays of shape (stations,).

    Parameters
    ----------
    invert_m
        Elevation of the inside bottom, straight between its ends [m].
    diameter_m
        Inside diameter [m]; walls are left out, a few millimetres.
    """

    ground: GroundProfile
    invert_m: FloatArray
    diameter_m: FloatArray

    @property
    def distance_m(self) -> FloatArray:
        """Distance along the line from its upper end [m]."""
        return self.ground.distance_m

    @property
    def ground_m(self) -> FloatArray:
        """Ground elevation [m]."""
        return self.ground.ground_m

    @property
    def crown_m(self) -> FloatArray:
        """Elevation of the inside top of the pipe [m]."""
        return self.invert_m + self.diameter_m

    @property
    def cover_m(self) -> FloatArray:
        """Ground above the crown [m]."""
        return self.ground.ground_m - self.crown_m

    @property
    def trench_depth_m(self) -> FloatArray:
        """Ground above the invert [m]."""
        return self.ground.ground_m - self.invert_m


def ground_profile(path: shapely.LineString, ground: Grid) -> GroundProfile:
    """
    Read the ground along a line.

    Parameters
    ----------
    path
        Drawn downstream, in the grid's CRS.
    ground
        Elevation [m].

    Returns
    -------
    profile
        Stations at both ends and at equal steps of no more than a cell between them.

    Examples
    --------
    >>> from affine import Affine
    >>> from lotflow.grid import Grid
    >>> grid = Grid(np.array([[5.0, 4.0, 3.0]]), Affine(1.0, 0.0, 0.0, 0.0, -1.0, 1.0), None)
    >>> profile = ground_profile(shapely.LineString([(0.5, 0.5), (2.5, 0.5)]), grid)
    >>> profile.distance_m, profile.ground_m
    (array([0., 1., 2.]), array([5., 4., 3.]))
    """
    side = float(ground.transform.a)
    steps = max(int(np.ceil(path.length / side - 1e-9)), 1)
    along = np.linspace(0.0, path.length, steps + 1)
    points = shapely.line_interpolate_point(path, along)
    x, y = shapely.get_x(points), shapely.get_y(points)
    return GroundProfile(
        along * ground.metres_per_unit, np.asarray(x), np.asarray(y), ground_at(x, y, ground)
    )  # fmt: skip


def ground_at(x: FloatArray, y: FloatArray, ground: Grid) -> FloatArray:
    """
    Elevation of the cells in which points lie.

    Parameters
    ----------
    ground
        Elevation [m].

    Returns
    -------
    elevation
        NaN off the grid and where it has no value [m].
    """
    row, column = ground.row_column(np.atleast_1d(x), np.atleast_1d(y))
    inside = ground.contains(row, column)
    elevation = np.full(row.shape, np.nan)
    elevation[inside] = ground.values[row[inside], column[inside]]
    return elevation


def laid_profile(
    ground: GroundProfile, invert_up_m: float, invert_down_m: float, diameter_m: float,
    diameter_down_m: float | None = None,
) -> LineProfile:  # fmt: skip
    """
    Lay a pipe straight between its inverts.

    Parameters
    ----------
    invert_up_m, invert_down_m
        At its upper and lower end [m].
    diameter_m, diameter_down_m
        Inside diameter, and that at its lower end where it is another; where between them it
        changes is not known, and it is taken to do so evenly [m].

    Examples
    --------
    >>> ground = GroundProfile(np.array([0.0, 10.0]), *np.zeros((2, 2)), np.array([9.0, 8.8]))
    >>> profile = laid_profile(ground, 8.5, 8.4, 0.1)
    >>> profile.cover_m.round(2), profile.trench_depth_m.round(2)
    (array([0.4, 0.3]), array([0.5, 0.4]))
    """
    along = ground.distance_m / ground.length_m
    invert = invert_up_m + (invert_down_m - invert_up_m) * along
    last = diameter_m if diameter_down_m is None else diameter_down_m
    return LineProfile(ground, invert, diameter_m + (last - diameter_m) * along)
