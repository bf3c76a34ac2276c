"""Which levels to take first on site: what a lot leaves open, and what would settle it."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Final, Literal

import numpy as np

from lotflow.drains.storm_findings import capacities_as_found
from lotflow.terrain.drainage import LEVEL_STEP
from lotflow.terrain.falls import cells_of
from lotflow.terrain.lower_places import GROUND_PLACES
from lotflow.terrain.worth import LOW_SPOT_TRUST, believed, openness, shots_by_worth

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from numpy.typing import NDArray

    from lotflow.drains.drain_system import DrainState
    from lotflow.grid import BoolArray, FloatArray
    from lotflow.terrain.confidence import Realised
    from lotflow.terrain.falls import NamedPlace
    from lotflow.terrain.freeboard import OpeningLevels
    from lotflow.terrain.house_ring import Facade
    from lotflow.terrain.low_spots import LowSpots
    from lotflow.terrain.outlet_search import OutletOption
    from lotflow.terrain.surface import Surface

#: What a level can settle: whether a low spot is there, the ground falls away from a wall, an
#: outlet has the fall, a line carries its flow, a sill stands above the water beside it.
Question = Literal["low spot", "wall", "outlet", "line", "sill"]
#: What a place is whose level is worth taking.
PlaceKind = Literal[
    "inlet", "rim", "outlet", "invert", "opening", "sill", "deepest point", "spill point", "wall",
    "out from the wall", "lower place", "open ground",
]  # fmt: skip
_NAMED: Final[dict[str, PlaceKind]] = {
    "inlet": "inlet", "outlet": "outlet", "opening": "opening", "low spot": "deepest point",
}  # fmt: skip
#: Kinds of places by which open ground is called.
_LANDMARKS: Final = (*_NAMED.values(), "wall")
#: Open ground is looked at in steps of this length [m], longer where there would be more places.
_STEP_M: Final = 2.0
_MOST_OPEN: Final = 600
#: A line without water has no limit to what it carries: flows count from here on [m^3/s].
_LEAST_FLOW: Final = 1e-6


@dataclass(frozen=True)
class LevelPlace:
    """
    A place whose level may be worth taking.

    Parameters
    ----------
    kind, name
        What it is, and of which thing; of open ground the thing nearest to it in words.
    x, y
        Where it is.
    cell
        Flat index of its ground.
    known_m
        Its level, where it is no ground and was measured: a sill, an invert, a rim. Taken again it
        ties the visit's levels to it. NaN of ground [m].
    away_m
        From the wall, or from the thing that open ground is called by [m].
    east, north
        Way there from that thing; 0 where it needs none.
    near
        Kind of the thing that open ground is called by.
    """

    kind: PlaceKind
    name: str
    x: float
    y: float
    cell: int
    known_m: float = float("nan")
    away_m: float = 0.0
    east: float = 0.0
    north: float = 0.0
    near: PlaceKind | Literal[""] = ""


@dataclass(frozen=True)
class _Fall:
    """A question that the fall between two places decides: yes where it is more than enough."""

    question: Question
    subject: str
    #: What its margin is beside the fall from the first place to the second [m].
    besides_m: float
    first: int
    second: int


@dataclass(frozen=True)
class FirstLevel:
    """
    A level to take, and the question it settles.

    Parameters
    ----------
    rank
        1 for the one to take first.
    place
        Where.
    question, subject
        What it settles most.
    yes_share
        Share of the realisations in which the answer is yes; of a low spot half believed.
    open_share
        How open that leaves the question, 0 to 1.
    settles
        How much of that the level takes, 0 to 1.
    together_with
        Rank of the level without which it is worth nothing; None where it stands alone.
    level_m
        Its level by the elevation data, or as it was measured [m].
    """

    rank: int
    place: LevelPlace
    question: Question
    subject: str
    yes_share: float
    open_share: float
    settles: float
    together_with: int | None
    level_m: float


@dataclass(frozen=True, eq=False)
class LotQuestions:
    """
    What is judged of a lot by its levels.

    Parameters
    ----------
    options
        Ways to an outlet, of each low spot and inlet, best first.
    facades, openings
        Of the lot's buildings.
    """

    options: Sequence[Sequence[OutletOption]] = ()
    facades: Sequence[Facade] = ()
    openings: Sequence[OpeningLevels] = ()


@dataclass(eq=False)
class LevelPlaces:
    """
    Places whose levels may be worth taking, and the falls between them that decide something.

    Parameters
    ----------
    places
        Each cell once.
    pairs
        Positions of places that are only worth something together.
    falls
        Questions that such a pair decides.
    spots
        Positions of low spots on the lot, from 0, whose existence is asked for.
    """

    places: list[LevelPlace] = field(default_factory=list)
    pairs: list[tuple[int, int]] = field(default_factory=list)
    falls: list[_Fall] = field(default_factory=list)
    spots: list[int] = field(default_factory=list)
    _known: dict[int | tuple[str, str], int] = field(default_factory=dict)

    @property
    def cells(self) -> NDArray[np.int64]:
        """Cells of the ground of the places."""
        return np.array([one.cell for one in self.places], dtype=np.int64)

    def cells_after(self, named: Sequence[NamedPlace]) -> NDArray[np.int64]:
        """Cells of named places, then those of these."""
        return np.concatenate([cells_of(named), self.cells])

    def at(self, place: LevelPlace) -> int:
        """Position of a place; another on the same ground is the same."""
        key = place.cell if np.isnan(place.known_m) else (place.kind, place.name)
        if key not in self._known:
            self._known[key] = len(self.places)
            self.places.append(place)
        return self._known[key]

    def ask(
        self, question: Question, subject: str, besides_m: float, first: LevelPlace,
        second: LevelPlace,
    ) -> None:  # fmt: skip
        """Take up a question that the fall from one place to another decides."""
        pair = self.at(first), self.at(second)
        if pair[0] != pair[1]:
            self.pairs.append(pair)
            self.falls.append(_Fall(question, subject, besides_m, *pair))


def level_places(
    named: Sequence[NamedPlace], asked: LotQuestions, spots: LowSpots, surface: Surface,
    lot: BoolArray,
) -> LevelPlaces:  # fmt: skip
    """
    List the places whose levels may settle something, and what they would settle.

    Named places, deepest points and spills, feet of walls and the ground before them, both ends of
    the best way to an outlet, sills, and open ground of the lot every 2 m.

    Parameters
    ----------
    named
        Of the lot, from `falls.named_places`.
    asked
        What is judged by levels.
    spots, surface
        Low spots and the ground.
    lot
        Cells of the lot.
    """
    found = LevelPlaces()
    by_name = {(one.kind, one.name): _of_named(one) for one in named}
    for place in by_name.values():
        found.at(place)
    for (kind, name), place in by_name.items():
        if kind == "low spot":
            position = int(name.rpartition(" ")[2]) - 1
            found.spots.append(position)
            pair = found.at(place), found.at(_spill(spots, position, surface))
            if pair[0] != pair[1]:
                found.pairs.append(pair)
    for facade in asked.facades:
        _ask_wall(found, facade, surface)
    for options in asked.options:
        if options:
            _ask_outlet(found, options[0], by_name, surface)
    for opening in asked.openings:
        _ask_sill(found, opening, spots, surface)
    for place in _open_places(found.places, surface, lot):
        found.at(place)
    return found


def _of_named(place: NamedPlace) -> LevelPlace:
    """A named place; a low spot's is its deepest point."""
    return LevelPlace(_NAMED[place.kind], place.name, place.x, place.y, place.cell)


def _on_cell(kind: PlaceKind, name: str, cell: int, surface: Surface) -> LevelPlace:
    """A place at the middle of a cell."""
    x, y = surface.ground.xy(*divmod(cell, surface.ground.shape[1]))
    return LevelPlace(kind, name, float(x), float(y), cell)


def _ground_at(x: float, y: float, surface: Surface) -> int | None:
    """Cell of the open ground at a place; None off the data."""
    row, column = surface.ground.row_column(x, y)
    if not surface.ground.contains(row, column):
        return None
    cell = int(surface.eave_cell[row, column])
    return None if surface.missing.ravel()[cell] else cell


def _spill(spots: LowSpots, position: int, surface: Surface) -> LevelPlace:
    """Where a low spot runs over."""
    name = f"low spot {position + 1}"
    return _on_cell("spill point", name, int(spots.spill_cell[position]), surface)


def _ask_wall(found: LevelPlaces, facade: Facade, surface: Surface) -> None:
    """Whether the ground falls away from a wall, at the place where it falls least."""
    if not np.isfinite(facade.fall_m):
        return
    ends = []
    kinds: tuple[PlaceKind, PlaceKind] = ("wall", "out from the wall")
    for kind, (x, y, away) in zip(kinds, facade.level_places, strict=True):
        cell = _ground_at(x, y, surface)
        if cell is None:
            return
        told = away if kind == "out from the wall" else 0.0
        ends.append(LevelPlace(kind, facade.name, x, y, cell, away_m=told))
    found.ask("wall", facade.name, -facade.slope_limit * facade.run_m, *ends)


def _ask_outlet(
    found: LevelPlaces, option: OutletOption, by_name: dict[tuple[str, str], LevelPlace],
    surface: Surface,
) -> None:  # fmt: skip
    """Whether there is fall enough to the best lower place."""
    start, place = option.start, option.place
    here, there = _ground_at(start.x, start.y, surface), _ground_at(place.x, place.y, surface)
    if here is None or there is None:
        return
    top = by_name.get((start.kind, start.name))
    if start.surveyed:
        top = LevelPlace("rim", start.name, start.x, start.y, here, known_m=start.level)
    elif top is None:
        top = LevelPlace(_NAMED[start.kind], start.name, start.x, start.y, here)
    if place.surveyed:
        end = LevelPlace("invert", place.name, place.x, place.y, there, known_m=place.level)
    else:
        # of the lot edge, and of ground beyond it, the name is a side
        name = f"{place.kind}, {place.name}" if place.kind in GROUND_PLACES else place.name
        end = LevelPlace("lower place", name or place.kind, place.x, place.y, there)
    # what is to spare by the data, and how much higher or lower both ends may be
    ground = surface.ground.values.ravel()
    measured = [float(ground[one.cell]) if np.isnan(one.known_m) else one.known_m
                for one in (top, end)]  # fmt: skip
    found.ask("outlet", start.name, option.left_m - measured[0] + measured[1], top, end)


def _ask_sill(
    found: LevelPlaces, opening: OpeningLevels, spots: LowSpots, surface: Surface
) -> None:
    """Whether a sill stands above the level at which the water beside it runs over."""
    if opening.low_spot is None or opening.artefact or not np.isfinite(opening.sill):
        return
    point = opening.point
    cell = _ground_at(point.x, point.y, surface)
    if cell is None:
        return
    sill = LevelPlace("sill", opening.name, point.x, point.y, cell, known_m=opening.sill)
    found.ask("sill", opening.name, 0.0, sill, _spill(spots, opening.low_spot - 1, surface))


def _open_places(
    known: Sequence[LevelPlace], surface: Surface, lot: BoolArray
) -> Iterator[LevelPlace]:
    """Open ground of a lot in even steps, each called by the nearest thing that has a name."""
    grid, known = surface.ground, [one for one in known if one.kind in _LANDMARKS]
    open_ = lot & surface.bare & ~surface.missing
    count = int(open_.sum())
    if not known or not count:
        return
    step = max(_STEP_M / grid.cell_m, np.sqrt(count / _MOST_OPEN), 1.0)
    rows, columns = (np.unique(np.arange(0, size, step).astype(int)) for size in grid.shape)
    chosen = np.zeros(grid.shape, dtype=bool)
    chosen[np.ix_(rows, columns)] = True
    at = np.array([(one.x, one.y) for one in known])
    for cell in np.flatnonzero((chosen & open_).ravel()).tolist():
        place = _on_cell("open ground", "", cell, surface)
        east, north = place.x - at[:, 0], place.y - at[:, 1]
        away = np.hypot(east, north)
        near = int(away.argmin())
        yield LevelPlace(
            "open ground", known[near].name, place.x, place.y, cell,
            away_m=float(away[near]) * grid.metres_per_unit, east=float(east[near]),
            north=float(north[near]), near=known[near].kind,
        )  # fmt: skip


def line_margins(state: DrainState, storm: int, flow: FloatArray) -> tuple[list[str], FloatArray]:
    """
    By how much each line carries more than its flow in the design storm, in each realisation.

    Parameters
    ----------
    state
        Of the lines.
    storm
        Position of the design storm.
    flow
        From `realised_line_flows`.

    Returns
    -------
    names, margin
        Of the lines whose capacity is known; log of capacity over flow, shape (realisations,
        lines).
    """
    limit = np.fmin(state.hydraulics.capacity_m3s, capacities_as_found(state))
    known = np.flatnonzero(limit > 0)
    margin = np.log(limit[known] / np.maximum(flow[:, known, storm], _LEAST_FLOW))
    return [state.lines[position].name for position in known], margin


def first_levels(
    found: LevelPlaces,
    realised: Realised,
    limit_m: float,
    today: FloatArray,
    lines: tuple[Sequence[str], FloatArray] | None = None,
) -> list[FirstLevel]:
    """
    Put the levels to take on site in the order of what they settle.

    Parameters
    ----------
    found
        From `level_places`.
    realised
        What all realisations show; the last places whose level was asked for are those found.
    limit_m
        Depth from which a low spot counts [m].
    today
        Ground on which a rod stands today, without what is only proposed to be dug [m].
    lines
        From `line_margins`; None without lines or rain.

    Returns
    -------
    levels
        At most `worth.MOST`, the first one first.
    """
    if not found.places:
        return []
    known = np.array([one.known_m for one in found.places])
    level = realised.level[:, -len(found.places) :]
    level = np.where(np.isnan(known), level, known)
    asked: list[tuple[Question, str]] = [
        *(("low spot", f"low spot {spot + 1}") for spot in found.spots),
        *((fall.question, fall.subject) for fall in found.falls),
        *(("line", name) for name in (lines[0] if lines else ())),
    ]
    margin = np.concatenate(
        [
            realised.depth[:, found.spots] - limit_m + LEVEL_STEP,
            *((fall.besides_m + level[:, fall.first] - level[:, fall.second])[:, None]
              for fall in found.falls),
            *([lines[1]] if lines else []),
        ],
        axis=1,
    )  # fmt: skip
    trust = np.where([question == "low spot" for question, _ in asked], LOW_SPOT_TRUST, 1.0)
    many = np.array([one.kind == "open ground" for one in found.places])
    yes, open_share = believed(margin, trust), openness(margin, trust)
    # of pairs worth the same, such as two sills beside one pond, that of the most open one is first
    asked_by_fall = open_share[len(found.spots) : len(found.spots) + len(found.falls)]
    own = {
        (fall.first, fall.second): float(share)
        for fall, share in zip(found.falls, asked_by_fall, strict=True)
    }
    pairs = sorted(found.pairs, key=lambda pair: -own.get(pair, 0.0))
    shots = shots_by_worth(margin, level, trust=trust, pairs=pairs, one_of_many=many)
    rank = {shot.candidate: number for number, shot in enumerate(shots, start=1)}
    ground = np.where(np.isnan(known), today.ravel()[found.cells], known)
    return [
        FirstLevel(
            rank[shot.candidate], found.places[shot.candidate], *asked[shot.question],
            float(yes[shot.question]), float(open_share[shot.question]), shot.settles,
            None if shot.partner is None else rank[shot.partner],
            float(ground[shot.candidate]),
        )
        for shot in shots
    ]  # fmt: skip
