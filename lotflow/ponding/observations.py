"""
What the owner saw, held against what the study predicts for the rain of that day.

Predicted is the water of the drains as they are today, since that is what was seen: with every
inlet open, and with all of them blocked. Nothing that is computed is changed by what was seen.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from enum import StrEnum
from typing import TYPE_CHECKING, Any, Final, NamedTuple

import numpy as np
import shapely

from lotflow.drains.standing_water import soak_away
from lotflow.findings import Finding
from lotflow.terrain.cells import polygon_cells
from lotflow.terrain.level_error import SPREAD_95
from lotflow.terrain.ponding import standing_water, water_bodies

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence

    from geopandas import GeoDataFrame
    from numpy.typing import NDArray

    from lotflow.findings import Severity
    from lotflow.grid import BoolArray, FloatArray, Grid
    from lotflow.terrain.inlet_places import SetInlet
    from lotflow.terrain.level_error import LevelError
    from lotflow.terrain.low_spots import LowSpots
    from lotflow.terrain.ponding import PondNetwork, StandingWater

#: A mark belongs to water no farther from it [m]: 10 ft, as far as an owner's mark on a plan is
#: off without a measured corner; common practice, no published source.
REACH_M: Final = 3.048
#: In the low spot that it belongs to, water no farther from the mark counts [m]: the mark may stand
#: where more stood, or less. Pools of one low spot at different doors stay apart.
WATER_REACH_M: Final = 2.0 * REACH_M
#: Closer to a wall than this a mark may be meant on either side [m].
_AT_WALL_M: Final = 0.5
#: Hours agree within this factor: published infiltration of one soil group spans as much
#: (Minnesota Stormwater Manual, design infiltration rates: C 0.2, B 0.3 to 0.45 in/h).
HOURS_FACTOR: Final = 2.0
#: Runoff that fills every hollow [m].
_FILLS_ALL_M: Final = 100.0
_INSIDE_BUILDING: Final = "inside a building"
_OWN_RULE: Final = "lotflow's rule"


class Basis(StrEnum):
    """What rain the water is predicted for."""

    DAY = "rain of the day"
    STORMS = "design storms"
    FULL = "full low spots"


class Match(StrEnum):
    """How a place was matched with a low spot of the study."""

    IN = "in it"
    BESIDE = "beside it"
    NONE = "none near"


class Verdict(StrEnum):
    """What comes of holding what was seen against what is predicted."""

    AGREES = "agrees"
    NOT_PREDICTED = "seen, not predicted"
    BLOCKED = "as with inlets blocked"
    DEEPER = "deeper than predicted"
    LONGER = "longer than predicted"
    NOT_SEEN = "predicted, not seen"
    LESS = "less than predicted"
    OPEN = "cannot tell"


#: Rule of the finding of each verdict, and its weight.
_RULES: Final[dict[Verdict, tuple[str, Severity]]] = {
    Verdict.AGREES: ("observation-agrees", "note"),
    Verdict.NOT_PREDICTED: ("observation-not-predicted", "warn"),
    Verdict.BLOCKED: ("observation-drain-blocked", "warn"),
    Verdict.DEEPER: ("observation-deeper", "warn"),
    Verdict.LONGER: ("observation-longer", "warn"),
    Verdict.NOT_SEEN: ("observation-not-seen", "warn"),
    Verdict.LESS: ("observation-less", "note"),
    Verdict.OPEN: ("observation-open", "note"),
}


class Span(NamedTuple):
    """Least and greatest of a figure over the rain that is looked at."""

    low: float
    high: float


class Predicted(NamedTuple):
    """
    What is predicted at a place.

    Parameters
    ----------
    opened, blocked
        Greatest depth with every inlet open, and with all blocked [m].
    stands_h
        Hours with every inlet open; infinite where some of it stays on sealed ground.
    error_m
        95 % error of a depth, by the stated accuracy of the data [m].
    """

    opened: Span
    blocked: Span
    stands_h: Span
    error_m: float


class Rain(NamedTuple):
    """
    The rain that an observation is held against.

    Parameters
    ----------
    basis
        What it is.
    depth_m, date
        Of the rain of a day: depth and day; NaN and empty for others.
    """

    basis: Basis
    depth_m: float = math.nan
    date: str = ""


@dataclass(frozen=True, eq=False)
class Observed:
    """
    One observation with what is predicted there.

    Parameters
    ----------
    name, x, y, date, note
        As given; the middle of an area.
    is_area
        Whether it was drawn as one.
    depth, hours
        What was seen; NaN where not given [m, h].
    low_spot
        Number of the low spot it belongs to, as results tell it; 0 for none, or for one that is
        no more once all is dug that is proposed.
    match, away_m
        How it was matched, and how far it lies from that low spot; NaN for none [m].
    rain
        What it is held against.
    predicted
        Of that.
    inlets
        Inlets of today in the low spot or near the place.
    verdict
        What comes of it.
    """

    name: str
    x: float
    y: float
    date: str
    note: str
    is_area: bool
    depth: float
    hours: float
    low_spot: int
    match: Match
    away_m: float
    rain: Rain
    predicted: Predicted
    inlets: tuple[str, ...]
    verdict: Verdict


@dataclass(frozen=True, eq=False)
class SeenGround:
    """
    What observations are judged by.

    Parameters
    ----------
    grid
        The cells.
    low_spots
        Of the ground of today without inlets.
    told
        By the number of each of them, from 0 on, that by which results tell it; 0 for none.
    opened, natural
        Depressions with the inlets of today, and without.
    placed
        The inlets of today.
    rate
        Infiltration of each cell [m/s].
    barriers
        Buildings and walls: water behind one is not what was marked before it.
    error
        Of the elevation data.
    least_m
        Smallest depth of water that counts [m].
    """

    grid: Grid
    low_spots: LowSpots
    told: NDArray[np.int64]
    opened: PondNetwork
    natural: PondNetwork
    placed: Sequence[SetInlet]
    rate: FloatArray
    barriers: Sequence[Any]
    error: LevelError
    least_m: float


def observed(
    observations: GeoDataFrame,
    ground: SeenGround,
    days: Mapping[str, float],
    runoff_of_day: Callable[[float], FloatArray],
    runoff_of_storms: Sequence[FloatArray],
) -> list[Observed]:
    """
    Hold each observation against the water of its day.

    Parameters
    ----------
    observations
        Site layer.
    ground
        What they are judged by.
    days
        Rain by day [m]; where it has none of a day, design storms count.
    runoff_of_day
        Runoff of each cell for a depth of rain [m].
    runoff_of_storms
        Of the design storms, the most frequent first [m]; without any, full low spots count.

    Returns
    -------
    seen
        In the order of the rows.
    """
    made: dict[float, _Waters] = {}

    def of_day(depth: float) -> _Waters:
        if depth not in made:
            made[depth] = _Waters(ground, runoff_of_day(depth))
        return made[depth]

    rows = [
        (str(row.name), float(row.depth_m), float(row.hours),
         str(row.date or ""), str(row.note or ""), row.geometry)
        for row in _named(observations).itertuples(index=False)
    ]  # fmt: skip
    rains = [
        _rain_of(day, days, is_dry=0 in (depth, hours), has_storms=bool(runoff_of_storms))
        for _, depth, hours, day, _, _ in rows
    ]
    several: list[_Waters] = []
    if any(rain.basis is not Basis.DAY for rain in rains):
        # one storm after the other, or every hollow full
        runoffs = runoff_of_storms or [np.full(ground.grid.shape, _FILLS_ALL_M)]
        several = [_Waters(ground, runoff) for runoff in runoffs]
    found = []
    for (name, depth, hours, day, note, shape), rain in zip(rows, rains, strict=True):
        waters = [of_day(rain.depth_m)] if rain.basis is Basis.DAY else several
        matched = _matched(ground, shape, waters, is_bound=rain.basis is Basis.FULL)
        place = shape if shape.geom_type.endswith("Point") else shape.representative_point()
        x, y = shapely.get_coordinates(place)[0].tolist()
        found.append(
            Observed(
                name, x, y, day, note, shape.geom_type.endswith("Polygon"), depth, hours,
                matched.low_spot, matched.how, matched.away_m, rain, matched.predicted,
                matched.inlets,
                verdict(depth, hours, matched.predicted, least_m=ground.least_m,
                        basis=rain.basis, is_dated=bool(day)),
            )
        )  # fmt: skip
    return found


def _named(observations: GeoDataFrame) -> Any:
    """Observations with a name of their own each, and None for a text that is not there."""
    texts = {one: observations[one].astype(object).where(observations[one].notna(), None)
             for one in ("name", "date", "note")}  # fmt: skip
    names: list[str] = []
    for number, given in enumerate(texts["name"].tolist(), 1):
        name = given or f"observation {number}"
        names.append(f"{name} ({number})" if name in names else name)
    return observations.assign(**texts | {"name": names})


def _rain_of(day: str, days: Mapping[str, float], *, is_dry: bool, has_storms: bool) -> Rain:
    """
    Choose the rain of an observation.

    Of water that stood the wetter of its day and the day before: it is noted the morning after,
    and gauges are read in the morning. Of no water only that of the day itself.
    """
    if day not in days:
        return Rain(Basis.STORMS if has_storms else Basis.FULL)
    before = str(np.datetime64(day) - 1)
    chosen = day if is_dry or days.get(before, 0.0) <= days[day] else before
    return Rain(Basis.DAY, days[chosen], chosen)


class _Waters:
    """Where the water of a rain stands today, with every inlet open and with all blocked."""

    def __init__(self, ground: SeenGround, runoff: FloatArray) -> None:
        self.opened = _Bodies(ground, standing_water(ground.opened, runoff))
        self.blocked = _Bodies(ground, standing_water(ground.natural, runoff))


class _Bodies:
    """The bodies of water of a rain, by their cells."""

    def __init__(self, ground: SeenGround, water: StandingWater) -> None:
        self._rate, self._network = ground.rate, water.network
        self.depth, self.bodies = water.depth, water_bodies(water, ground.least_m)
        self.number = self.bodies.number

    def soak_h(self, number: int) -> float:
        """Hours until a body has soaked away; infinite where some of it stays."""
        cells = self.number == number
        soak = soak_away(self.depth[cells], self._rate[cells])
        return math.inf if soak.left > 0 else soak.time / 3600.0

    def ends(self, number: int) -> tuple[int, int]:
        """Deepest cell of a body, and the one over which its depression runs over."""
        depression = int(self.bodies.depression[number - 1])
        return int(self.bodies.bed_cell[number - 1]), int(self._network.exit_cell[depression - 1])


class _Matched(NamedTuple):
    """What of the study an observation belongs to, and what is predicted there."""

    low_spot: int
    how: Match
    away_m: float
    predicted: Predicted
    inlets: tuple[str, ...]


def _matched(
    ground: SeenGround, shape: shapely.Geometry, waters: Sequence[_Waters], *, is_bound: bool
) -> _Matched:
    """
    Match a place with the nearest low spot within reach, and with the water nearest in that.

    Where every hollow is taken to be full, less may stand: `is_bound`. A dip too shallow to be a
    low spot is within the error of the data, and explains nothing.
    """
    around = _near(ground, shape)
    near = around.within(REACH_M)
    spots = ground.low_spots.number
    spot, away = _nearest(spots, near, _believed(ground.low_spots)[spots])
    figures: dict[str, list[float]] = {"opened": [0.0], "hours": [0.0], "blocked": [0.0]}
    # of the water as it is predicted before that of the whole low spot
    ends: list[tuple[int, int]] = []
    if spot:
        figures = {"opened": [], "hours": [], "blocked": []}
        for water in waters:
            for case, bodies in (("opened", water.opened), ("blocked", water.blocked)):
                body, _ = _nearest(bodies.number, around, spots == spot)
                figures[case].append(float(bodies.bodies.depth[body - 1]) if body else 0.0)
                if case == "opened":
                    figures["hours"].append(bodies.soak_h(body) if body else 0.0)
                ends += [bodies.ends(body)] if body else []
        ends.append(_spill_of(ground.low_spots, spot))
    opened, stands, blocked = (
        Span(0.0 if is_bound else min(some), max(some))
        for some in (figures["opened"], figures["hours"], figures["blocked"])
    )
    error = SPREAD_95 * float(ground.error.of_difference(_apart(ground.grid, ends)))
    is_in = away <= ground.grid.cell_m / 2
    how = Match.NONE if not spot else Match.IN if is_in else Match.BESIDE
    inlets = _inlets_near(ground, near, spot)
    predicted = Predicted(opened, blocked, stands, error)
    told = int(ground.told[spot])
    return _Matched(told, how, 0.0 if is_in else away, predicted, inlets)


def _believed(spots: LowSpots) -> BoolArray:
    """Whether water may stand in each low spot, by its number; False for none."""
    doubts = spots.artefact or [""] * len(spots)
    return np.array([False, *(not str(why).startswith(_INSIDE_BUILDING) for why in doubts)])


def _apart(grid: Grid, ends: Sequence[tuple[int, int]]) -> float:
    """Distance of the two cells between which a depth is a difference of levels [m]."""
    if not ends:
        return REACH_M
    rows, columns = np.divmod(ends[0], grid.shape[1])
    return float(np.hypot(rows[1] - rows[0], columns[1] - columns[0])) * grid.cell_m


def _spill_of(spots: LowSpots, number: int) -> tuple[int, int]:
    """Deepest cell of a low spot, and the one over which it runs over."""
    return int(spots.bed_cell[number - 1]), int(spots.spill_cell[number - 1])


def _near(ground: SeenGround, shape: shapely.Geometry) -> _Near:
    """Cells within reach of a place for water, none behind a building or wall."""
    grid = ground.grid
    half, unit = grid.cell_m / 2, grid.metres_per_unit
    reach = (WATER_REACH_M + half) / unit
    rows, columns = np.nonzero(polygon_cells(shapely.buffer(shape, reach), grid))
    points = shapely.points(*grid.xy(rows, columns))
    # a cell begins half its side before its middle
    distance = np.maximum(shapely.distance(points, shape) * unit - half, 0.0)
    # of a mark on a wall, or close to it, none knows on which side it was meant
    between = [one for one in ground.barriers if _AT_WALL_M / unit < one.distance(shape) <= reach]
    if between:
        hidden = shapely.intersects(
            shapely.shortest_line(points, shape), shapely.union_all(between)
        )
        rows, columns, distance = rows[~hidden], columns[~hidden], distance[~hidden]
    return _Near(rows, columns, distance)


class _Near(NamedTuple):
    """Cells near a place, and how far they are from it [m]."""

    rows: Any
    columns: Any
    distance: Any

    def within(self, reach_m: float) -> _Near:
        """Those no farther away."""
        kept = self.distance <= reach_m
        return _Near(self.rows[kept], self.columns[kept], self.distance[kept])


def _nearest(number: Any, near: _Near, allowed: Any) -> tuple[int, float]:
    """Nearest of what is numbered, deepest first, on the cells near a place, and its distance."""
    at = number[near.rows, near.columns]
    usable = (at > 0) & allowed[near.rows, near.columns]
    if not usable.any():
        return 0, math.nan
    distance, found = near.distance[usable], at[usable]
    first = np.lexsort((found, distance))[0]
    return int(found[first]), float(distance[first])


def _inlets_near(ground: SeenGround, near: _Near, spot: int) -> tuple[str, ...]:
    """Inlets of today near a place, or in its low spot."""
    reach = set((near.rows * ground.grid.shape[1] + near.columns).tolist())
    spots = ground.low_spots.number.ravel()
    return tuple(
        one.drawn.name
        for one in ground.placed
        if reach & set(one.cells.tolist()) or (spot and (spots[one.cells] == spot).any())
    )


def verdict(
    depth: float, hours: float, predicted: Predicted, *, least_m: float, basis: Basis,
    is_dated: bool,
) -> Verdict:  # fmt: skip
    """
    Judge what was seen by what is predicted.

    Parameters
    ----------
    depth, hours
        Seen; NaN where not given, 0 where no water stood [m, h].
    predicted
        Of the rain that it is held against.
    least_m
        Smallest depth that counts [m].
    basis
        Of the rain: where it is not that of the day, a day without water says nothing.
    is_dated
        Whether a day is given; without one no water means that there never is any.

    Examples
    --------
    >>> wet, dry, known = Span(0.3, 0.3), Span(0.0, 0.0), {"least_m": 0.01, "is_dated": True}
    >>> stands = Predicted(wet, wet, Span(40.0, 40.0), 0.15)
    >>> drained = Predicted(dry, wet, dry, 0.15)
    >>> [verdict(*seen, stands, basis=Basis.DAY, **known).value
    ...  for seen in ((0.2, 30.0), (0.5, 30.0), (0.2, 90.0), (0.0, 0.0))]
    ['agrees', 'deeper than predicted', 'longer than predicted', 'predicted, not seen']
    >>> verdict(0.3, 30.0, drained, basis=Basis.DAY, **known).value
    'as with inlets blocked'
    """
    opened, blocked, stands_h, error_m = predicted
    if 0 in (depth, hours):
        # every design storm brings water, and there never is any
        told = basis is Basis.DAY or (basis is Basis.STORMS and not is_dated)
        sure = told and opened.low > error_m
        none = opened.high < least_m
        return Verdict.AGREES if none else Verdict.NOT_SEEN if sure else Verdict.OPEN
    if opened.high < least_m:
        return Verdict.BLOCKED if blocked.high >= least_m else Verdict.NOT_PREDICTED
    # what is not given is no number, with which no comparison is true
    if depth > opened.high + error_m:
        explained = blocked.high > opened.high and depth <= blocked.high + error_m
        return Verdict.BLOCKED if explained else Verdict.DEEPER
    if hours > HOURS_FACTOR * stands_h.high:
        return Verdict.LONGER
    is_less = depth < opened.low - error_m or hours < stands_h.low / HOURS_FACTOR
    return Verdict.LESS if is_less else Verdict.AGREES


def observation_findings(
    seen: Sequence[Observed], periods: Mapping[float, tuple[float, int]]
) -> list[Finding]:
    """
    Say what comes of each observation, and ask for the rain where it is not known.

    Parameters
    ----------
    seen
        From `observed`.
    periods
        Return period of a day's rain, as of `return_period_of_a_day`, by its depth.
    """
    findings = [_finding(one, periods.get(one.rain.depth_m)) for one in seen]
    unknown = [one for one in seen if one.rain.basis is not Basis.DAY]
    if unknown:
        findings.append(
            Finding(
                "observation-rain-unknown", "note", "observations", source=_OWN_RULE,
                facts={
                    "names": tuple(one.name for one in unknown),
                    "days": tuple(sorted({one.date for one in unknown if one.date})),
                    "undated": any(not one.date for one in unknown),
                    "has_storms": unknown[0].rain.basis is Basis.STORMS,
                },
            )
        )  # fmt: skip
    return findings


def _finding(one: Observed, period: tuple[float, int] | None) -> Finding:
    """What comes of one observation."""
    rule, severity = _RULES[one.verdict]
    return Finding(
        rule, severity, one.name,
        measured=None if math.isnan(one.depth) else round(one.depth, 3),
        limit=round(one.predicted.opened.high, 3), unit="m", x=one.x, y=one.y,
        source="as seen on site; lotflow's rule: 95 % of the error of the data, hours by a "
        "factor of 2",
        facts={
            "depth_m": _known(one.depth), "hours": _known(one.hours), "date": one.date,
            "basis": one.rain.basis.value, "rain_m": _known(one.rain.depth_m),
            "rain_date": one.rain.date, "period": period,
            "predicted": one.predicted, "low_spot": one.low_spot,
            "away_m": one.away_m if one.match is Match.BESIDE else None, "inlets": one.inlets,
        },
    )  # fmt: skip


def _known(value: float) -> float | None:
    return None if math.isnan(value) else value
