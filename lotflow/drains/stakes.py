"""
Stakes to set out what is proposed: each by the tape from two corners of the house.

Two distances give two places, one on either side of the line between the corners; the side is told
beside them. The corners are chosen so that an error of the tape moves the place least.
"""

from __future__ import annotations

import math
from collections import Counter
from dataclasses import dataclass, replace
from itertools import combinations, pairwise
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import shapely

from lotflow.drains.drain_lines import ground_at
from lotflow.drains.house import own_buildings
from lotflow.layers.drawn import in_case
from lotflow.terrain.lower_places import compass_name

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from lotflow.drains.checked import CheckedCase
    from lotflow.drains.earthworks import JudgedEarthwork
    from lotflow.findings import LevelSource
    from lotflow.grid import Grid
    from lotflow.layers.drawn import Case, Drawn

#: Error of a taped distance: of both ends, and of each metre [m]; lotflow's choice, no published
#: source. It only weighs near corners against far ones.
_TAPE_M: Final = 0.01
_TAPE_SHARE: Final = 0.002
#: Least angle at which two distances may cross, and most short of a straight line [degrees]: common
#: practice, no published source.
_LEAST_ANGLE: Final = 30.0
#: A line that turns by less has no corner, or bend, there [degrees].
_CORNER: Final = 30.0
_BEND: Final = 5.0
#: Steps in a wall smaller than this are no corners to tape from [m].
_STEP_M: Final = 0.30
#: A tape may graze a wall so far, as the drawing has it [m].
_GRAZE_M: Final = 0.05
#: Corners that are weighed for a stake: those farther off are hardly ever better.
_NEAREST: Final = 24
#: Stakes along a swale or berm stand no farther apart [m]: the reach of a string; lotflow's choice.
_APART_M: Final = 5.0
#: Things nearer to each other share a stake [m].
_SAME_M: Final = 0.05


@dataclass(frozen=True)
class Corner:
    """
    A corner that distances are taped from.

    Parameters
    ----------
    name
        In words of the compass, such as "north-east corner of House".
    x, y
        Where it is.
    """

    name: str
    x: float
    y: float


@dataclass(frozen=True)
class Tie:
    """
    Two distances that give a place.

    Parameters
    ----------
    first, second
        Corners they are taped from.
    first_m, second_m
        The distances [m].
    between_m
        From the one corner to the other [m]: taped first, it tells whether the house stands as it
        is drawn. NaN where a building stands between them.
    side
        On which side of the line between the corners the place lies.
    angle_deg
        At which the distances cross.
    """

    first: Corner
    second: Corner
    first_m: float
    second_m: float
    between_m: float
    side: str
    angle_deg: float


@dataclass(frozen=True)
class Stake:
    """
    A place to set out.

    Parameters
    ----------
    subject, part
        What it is of, and which place of it.
    x, y
        Where, in the coordinates of the ground.
    distance_m
        From the upper end of a line [m]; NaN of what is none.
    level_of, level_m, level_basis
        What is set there, its level [m], and where that comes from; NaN where nothing is.
    ground_m
        The ground of today [m].
    tie
        How it is found; None where no two corners are in sight at a good angle.
    """

    subject: str
    part: str
    x: float
    y: float
    distance_m: float = math.nan
    level_of: str = ""
    level_m: float = math.nan
    level_basis: LevelSource | str = ""
    ground_m: float = math.nan
    tie: Tie | None = None


def stakes(
    site: Drawn,
    case: Case,
    checked: CheckedCase | None,
    works: Sequence[JudgedEarthwork],
    ground: Grid,
) -> list[Stake]:
    """
    List the stakes of what is proposed: inlets and outlets, ends and bends of lines, swales, berms.

    Parameters
    ----------
    site
        What is drawn.
    case
        State of the drains that is proposed.
    checked
        Its lines with their levels; None where there are none.
    works
        Earthworks, as they are judged.
    ground
        Of today [m].
    """
    found = _of_drains(site, case, checked)
    for one in works:
        if one.work.status == "proposed" and one.work.is_line:
            found += _of_work(one, ground.metres_per_unit)
    level = ground_at(
        np.array([one.x for one in found]), np.array([one.y for one in found]), ground
    )
    corners = house_corners(site, ground.metres_per_unit)
    walls = site.buildings.geometry.to_numpy()
    shut = shapely.buffer(walls, -_GRAZE_M / ground.metres_per_unit)
    return [
        replace(
            one, ground_m=float(height) if math.isnan(one.ground_m) else one.ground_m,
            tie=tied((one.x, one.y), corners, shut, ground.metres_per_unit),
        )
        for one, height in zip(found, level, strict=True)
    ]  # fmt: skip


def _of_drains(site: Drawn, case: Case, checked: CheckedCase | None) -> list[Stake]:
    """Stakes of inlets, outlets, and of the ends and bends of lines; a place is staked once."""
    found: list[Stake] = []
    for layer, part in (("inlets", "inlet"), ("outlets", "outlet")):
        frame = in_case(getattr(site, layer), case)
        for row in frame[frame["status"].eq("proposed")].to_dict("records"):
            kind, shape = str(row["kind"] or part), row["geometry"]
            if shape.geom_type.endswith("LineString"):
                ends = shapely.get_coordinates(shape)[[0, -1]]
                found += [
                    Stake(str(row["name"]), f"{kind}, end {number}", float(x), float(y))
                    for number, (x, y) in enumerate(ends, start=1)
                ]
            else:
                middle = shape.centroid
                found.append(Stake(str(row["name"]), kind, float(middle.x), float(middle.y)))
    for one in () if checked is None else _of_lines(checked):
        _add(found, one)
    return found


def _of_lines(checked: CheckedCase) -> Iterator[Stake]:
    """Stakes along lines to be laid, from their upper ends down, with the inverts there."""
    state = checked.state
    nodes = state.system.network.nodes
    for position, line in enumerate(state.lines):
        if checked.status[line.name] != "proposed":
            continue
        path, inverts = line.path, state.inverts
        up, down = float(inverts.up_m[position]), float(inverts.down_m[position])
        basis = inverts.basis(position)
        for along, (x, y) in _turns(path, _BEND):
            share = along / path.length
            is_end = share in (0.0, 1.0)
            node = nodes[line.start if share == 0.0 else line.end] if is_end else None
            if node is not None and node.shape.geom_type == "Point":
                x, y = node.xy  # noqa: PLW2901 - an end is where its node is
            end = "lower end" if share else "upper end"
            told = end if node is None or node.kind != "junction" else f"{end}, {node.name}"
            yield Stake(
                line.name, told if is_end else "bend", x, y, share * line.length_m, "invert",
                up + share * (down - up),
                basis[int(share == 1.0)] if is_end else basis[0] if basis[0] == basis[1] else "",
            )  # fmt: skip


def _add(found: list[Stake], new: Stake) -> None:
    """Add a stake, unless its place has one: that is set to the lower level."""
    for position, one in enumerate(found):
        if math.hypot(one.x - new.x, one.y - new.y) <= _SAME_M:
            if not one.level_m <= new.level_m:
                found[position] = replace(
                    one, level_of=new.level_of, level_m=new.level_m, level_basis=new.level_basis
                )
            return
    found.append(new)


def _of_work(one: JudgedEarthwork, unit: float) -> Iterator[Stake]:
    """Stakes along a swale or berm: its ends and bends, and others no farther apart than set."""
    section, done, line = one.section, one.done, one.work.geometry
    if section is None or done is None:
        return
    turns = [along for along, _ in _turns(line, _BEND)]
    between = [
        np.linspace(first, last, max(math.ceil((last - first) * unit / _APART_M), 1) + 1)[1:]
        for first, last in pairwise(turns)
    ]
    level_of = "top" if one.work.kind == "berm" else "bed"
    basis = "given" if one.work.is_straight else "from ground"
    for along in np.concatenate([[0.0], *between]):
        point = shapely.line_interpolate_point(line, along)
        part = "bend" if along in turns else "between"
        part = "upper end" if along == 0.0 else "lower end" if along == turns[-1] else part
        at = along * unit
        yield Stake(
            one.work.name, part, float(point.x), float(point.y), float(at), level_of,
            float(np.interp(at, section.station, done)), basis,
            float(np.interp(at, section.station, section.ground)),
        )  # fmt: skip


def _turns(line: Any, least_deg: float) -> list[tuple[float, tuple[float, float]]]:
    """Both ends of a line and the vertices at which it turns, with how far along they are."""
    xy = shapely.get_coordinates(line)
    xy = xy[np.concatenate([[True], np.hypot(*np.diff(xy, axis=0).T) > 0])]
    steps = np.diff(xy, axis=0)
    along = np.concatenate([[0.0], np.cumsum(np.hypot(*steps.T))])
    along[-1] = line.length
    way = np.unwrap(np.arctan2(steps[:, 1], steps[:, 0]))
    turned = np.degrees(np.abs(np.diff(way))) >= least_deg
    kept = np.concatenate([[True], turned, [True]])
    return [
        (float(at), (float(x), float(y))) for at, (x, y) in zip(along[kept], xy[kept], strict=True)
    ]


def house_corners(site: Drawn, unit: float) -> list[Corner]:
    """
    Name the corners of the lot's own buildings by the compass; without any, those of the lot.

    Parameters
    ----------
    site
        Gives lot and buildings.
    unit
        Metres of a unit of the CRS.
    """
    own = own_buildings(site)
    names = [
        str(name or ("the house" if len(own) == 1 else f"building {number}"))
        for number, name in enumerate(own["name"], start=1)
    ]
    corners = [
        corner
        for name, shape in zip(names, own.geometry, strict=True)
        for corner in _corners(shape, name, unit)
    ]
    return corners or [
        corner for shape in site.lot.geometry for corner in _corners(shape, "the lot", unit)
    ]


def _corners(shape: Any, of: str, unit: float) -> list[Corner]:
    """Corners of one outline; where two have one name, which of them."""
    found: list[tuple[str, float, float]] = []
    for part in shapely.get_parts(shapely.simplify(shape, _STEP_M / 2 / unit)):
        # clockwise, so that the inside lies on the right
        xy = shapely.get_coordinates(shapely.orient_polygons(part, exterior_cw=True).exterior)[:-1]
        before, after = xy - np.roll(xy, 1, axis=0), np.roll(xy, -1, axis=0) - xy
        before /= np.hypot(*before.T)[:, None]
        after /= np.hypot(*after.T)[:, None]
        cross = before[:, 0] * after[:, 1] - before[:, 1] * after[:, 0]
        turn = np.degrees(np.arctan2(cross, (before * after).sum(axis=1)))
        outward = (before - after) * np.where(turn < 0, 1.0, -1.0)[:, None]
        for (x, y), angle, (east, north) in zip(xy, turn, outward, strict=True):
            if abs(angle) >= _CORNER:
                inner = "inside " if angle > 0 else ""
                found.append((f"{inner}{compass_name(east, north)} corner", float(x), float(y)))
    times = Counter(name for name, _, _ in found)
    return [
        Corner(f"{name} of {of}{_which(found, name, (x, y)) if times[name] > 1 else ''}", x, y)
        for name, x, y in found
    ]


def _which(found: Sequence[tuple[str, float, float]], name: str, at: tuple[float, float]) -> str:
    """Tell corners of one name apart by their order from north to south, or west to east."""
    same = [(x, y) for other, x, y in found if other == name]
    wide, high = np.ptp(np.array(same), axis=0)
    order = sorted(same, key=(lambda p: -p[1]) if high >= wide else (lambda p: p[0]))
    from_, number = "north" if high >= wide else "west", order.index(at) + 1
    return f" (no. {number} from the {from_})"


def tied(
    place: tuple[float, float], corners: Sequence[Corner], shut: Any, unit: float
) -> Tie | None:
    """
    Choose the two corners from which a place is taped best.

    A tape runs through no building; the distances cross at an angle of 30 to 150 degrees. Of all
    such pairs that is taken in which the error of the tape moves the place least, those first
    that see each other.

    Parameters
    ----------
    place
        Easting and northing.
    corners
        To choose from.
    shut
        Array of shapes through which no tape runs.
    unit
        Metres of a unit of the CRS.

    Returns
    -------
    tie
        None where no two corners are in sight at such an angle.

    Examples
    --------
    >>> corners = [Corner("west corner", 0.0, 0.0), Corner("east corner", 8.0, 0.0)]
    >>> tie = tied((4.0, -3.0), corners, [], 1.0)
    >>> tie.first_m, tie.second_m, tie.between_m, tie.side, round(tie.angle_deg)
    (5.0, 5.0, 8.0, 'south', 106)
    >>> tied((4.0, -0.5), corners, [], 1.0) is None  # nearly on the line between them
    True
    """
    x, y = place
    near = sorted(corners, key=lambda one: math.hypot(one.x - x, one.y - y))[:_NEAREST]
    seen = [one for one in near if _in_sight(one, place, shut)]
    best: tuple[bool, float] | None = None
    found: Tie | None = None
    for pair in combinations(seen, 2):
        tie = _tie(place, *pair, unit)
        if tie is None or not _LEAST_ANGLE <= tie.angle_deg <= 180.0 - _LEAST_ANGLE:
            continue
        errors = [_TAPE_M + _TAPE_SHARE * length for length in (tie.first_m, tie.second_m)]
        moves = math.hypot(*errors) / math.sin(math.radians(tie.angle_deg))
        apart = not _in_sight(pair[0], (pair[1].x, pair[1].y), shut)
        if best is None or (apart, round(moves, 9)) < best:
            best = apart, round(moves, 9)
            found = replace(tie, between_m=math.nan) if apart else tie
    return found


def _in_sight(corner: Corner, place: tuple[float, float], shut: Any) -> bool:
    """Whether a tape from a corner to a place runs through no building."""
    if (corner.x, corner.y) == place:
        return False
    tape = shapely.LineString([(corner.x, corner.y), place])
    return not bool(np.any(shapely.intersects(shut, tape)))


def _tie(place: tuple[float, float], first: Corner, second: Corner, unit: float) -> Tie | None:
    """Tape a place from two corners; None where they are one."""
    (x, y), (east, north) = place, (second.x - first.x, second.y - first.y)
    between = math.hypot(east, north)
    if between == 0:
        return None
    one, other = (math.hypot(corner.x - x, corner.y - y) for corner in (first, second))
    ways = ((first.x - x, first.y - y), (second.x - x, second.y - y))
    cosine = (ways[0][0] * ways[1][0] + ways[0][1] * ways[1][1]) / (one * other)
    left = (east * (y - first.y) - north * (x - first.x)) > 0
    side = compass_name(-north, east) if left else compass_name(north, -east)
    return Tie(
        first, second, one * unit, other * unit, between * unit, side,
        math.degrees(math.acos(max(-1.0, min(1.0, cosine)))),
    )  # fmt: skip
