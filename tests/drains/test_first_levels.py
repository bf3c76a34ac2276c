"""Levels to take first: what is asked of a lot, and that what is open comes before what is sure."""

from dataclasses import replace

import numpy as np
import pytest
import shapely
from affine import Affine

from lotflow.drains.first_levels import (
    LevelPlace,
    LotQuestions,
    first_levels,
    level_places,
)
from lotflow.grid import Grid
from lotflow.terrain.confidence import Realised, Watched, run_realisations
from lotflow.terrain.drainage import LEVEL_STEP
from lotflow.terrain.falls import NamedPlace
from lotflow.terrain.freeboard import DrawnOpening, opening_levels
from lotflow.terrain.house_ring import RingGround, RingLimits, house_facades
from lotflow.terrain.level_error import ErrorModel, LevelError
from lotflow.terrain.low_spots import find_low_spots
from lotflow.terrain.lower_places import LowerPlace
from lotflow.terrain.outlet_search import LeadFrom, OutletOption
from lotflow.terrain.realisations.realisation import realisation_plan
from lotflow.terrain.routing import no_drains, route
from lotflow.terrain.surface import prepare_surface

LIMIT = 0.05
ERROR = ErrorModel(0.03, 10.0, 0.1)
HOUSE = shapely.box(16, 16, 24, 24)


def ground(slope=0.05, bowl=0.0, size=40):
    """A plane that falls west, with or without a bowl in the north."""
    y, x = np.mgrid[:size, :size].astype(float)
    radius = np.hypot(x - 20, y - 6)
    values = 50 + slope * x - np.where(radius < 4, bowl * (1 - (radius / 4) ** 2), 0.0)
    return Grid(values, Affine(1, 0, 0, 0, -1, size), None)


class Lot:
    """A surface with a house, its low spots and what is asked of it."""

    def __init__(self, grid, *, openings=(), options=()):
        self.surface = prepare_surface(grid, buildings=[HOUSE])
        self.natural = route(self.surface, no_drains(self.surface))
        self.spots = find_low_spots(self.natural, LIMIT)
        self.lot = np.zeros(grid.shape, dtype=bool)
        self.lot[2:-2, 2:-2] = True
        ring = RingGround(
            self.surface, np.zeros(grid.shape, dtype=bool), shapely.box(2, 2, 38, 38),
            shapely.GeometryCollection(), LevelError(0.03, 10.0, 0.1), RingLimits(0.05, 0.02),
        )  # fmt: skip
        self.asked = LotQuestions(options, house_facades("House", HOUSE, ring), openings)
        self.named = []
        for i, cell in enumerate(self.spots.bed_cell.tolist()):
            x, y = grid.xy(cell // 40, cell % 40)
            place = NamedPlace(f"low spot {i + 1}", "low spot", float(x), float(y), cell)
            self.named.append(place)

    def places(self):
        return level_places(self.named, self.asked, self.spots, self.surface, self.lot)

    def levels(self, *, number=60, seed=3, workers=1):
        found = self.places()
        plan = realisation_plan(self.natural, [], snap_m=1.5, pond_depth_m=LIMIT)
        watched = Watched(self.spots.number, len(self.spots), None, found.cells)
        realised = run_realisations(plan, ERROR, watched, number=number, seed=seed, workers=workers)
        return first_levels(found, realised, LIMIT, self.surface.ground.values)


@pytest.fixture(scope="module")
def plane():
    return Lot(ground())


def test_on_a_plane_the_two_levels_of_the_doubtful_wall_come_first(plane):
    """The plane falls at the limit before the west wall; the other sides are plainly too flat."""
    levels = plane.levels()
    first, second = levels[:2]
    assert {(one.question, one.subject) for one in levels[:2]} == {("wall", "House, west side")}
    assert (first.place.kind, second.place.kind) == ("wall", "out from the wall")
    assert (first.together_with, second.together_with) == (2, 1)
    assert first.open_share > 0.8
    # an even plane is known nearly as well as a rod reads it: levels settle little more
    assert max(one.settles for one in levels) == first.settles == second.settles > 0.1
    assert (first.place.away_m, second.place.away_m) == (0.0, 3.5)
    assert first.level_m - second.level_m == pytest.approx(0.15, abs=1e-9)
    assert [one.rank for one in levels] == list(range(1, len(levels) + 1))


def test_the_order_does_not_hang_on_the_number_of_threads():
    rough = ground(slope=0.01, bowl=0.3)
    rough = rough.with_values(
        rough.values + 0.01 * np.random.default_rng(0).standard_normal(rough.shape)
    )
    lot = Lot(rough)
    assert len(lot.spots)
    once, again = (lot.levels(workers=workers) for workers in (1, 3))
    assert once == again
    assert len(once) >= 2


def test_foot_and_reach_lie_on_the_ground_before_the_wall(plane):
    """The fall between them is that of the facade, which averages over its width, on a plane."""
    found = plane.places()
    values = plane.surface.ground.values.ravel()
    of_wall = {fall.subject: fall for fall in found.falls if fall.question == "wall"}
    assert len(of_wall) == 4
    for facade in plane.asked.facades:
        fall = of_wall[facade.name]
        here, out = (found.places[end] for end in (fall.first, fall.second))
        assert values[here.cell] - values[out.cell] == pytest.approx(facade.fall_m, abs=1e-9)
        assert fall.besides_m == pytest.approx(-facade.slope_limit * facade.run_m)


def realised_with(found, level):
    """Realisations in which only levels differ."""
    none = np.zeros((len(level), 0))
    depth = np.zeros((len(level), 1 + max(found.spots, default=-1)))
    return Realised(depth, depth, none, none, level, np.zeros((0, 1, 1), np.uint16))


def asked_of(lot, found, level):
    return first_levels(found, realised_with(found, level), LIMIT, lot.surface.ground.values)


def drawn(lot, found, deviation=0.05, number=200):
    """Levels of the measured ground, each off by itself."""
    random = np.random.default_rng(8)
    ground_ = lot.surface.ground.values.ravel()[found.cells]
    return ground_ + deviation * random.standard_normal((number, len(found.places)))


def test_an_outlet_is_yes_where_both_ends_leave_fall_to_spare():
    """Margin: what is to spare by the data, and how much the ends differ from the data."""
    start = LeadFrom("inlet", "C1", 30.5, 10.5, 51.5)
    place = LowerPlace("lot edge", "west side", 4.5, 10.5, 50.2)
    option = OutletOption(start, place, None, 26.0, 1.3, 0.03, 0.02, 0.05)
    lot = Lot(ground(), options=[[option]])
    lot.asked = replace(lot.asked, facades=())
    found = lot.places()
    (fall,) = found.falls
    top, end = (found.places[i] for i in (fall.first, fall.second))
    assert (top.kind, top.name, end.kind, end.name) == (
        "inlet", "C1", "lower place", "lot edge, west side",
    )  # fmt: skip
    level = drawn(lot, found)
    margin = 0.02 + level[:, fall.first] - level[:, fall.second] - 1.3
    shots = asked_of(lot, found, level)
    assert shots[0].yes_share == pytest.approx((margin > 0).mean())
    assert {shots[0].place.kind, shots[1].place.kind} == {"inlet", "lower place"}


def test_levels_taken_before_stay_and_tie_the_visit_to_them():
    """A surveyed rim and an invert vary in no realisation: nothing is left to ask of them."""
    start = LeadFrom("inlet", "C1", 30.5, 10.5, 51.5, surveyed=True)
    place = LowerPlace("daylight", "Ditch", 4.5, 10.5, 50.2, surveyed=True)
    ground_place = replace(place, surveyed=False)
    lots = []
    for end in (place, ground_place):
        option = OutletOption(start, end, None, 26.0, 1.3, 0.03, 0.02, 0.05)
        lots.append(Lot(ground(), options=[[option]]))
        lots[-1].asked = replace(lots[-1].asked, facades=())
    both, one = lots
    assert not asked_of(both, both.places(), drawn(both, both.places()))
    found = one.places()
    shots = asked_of(one, found, drawn(one, found))
    assert [(shot.place.kind, shot.level_m) for shot in shots[:2]] == [
        ("rim", 51.5), ("lower place", pytest.approx(50.2)),
    ]  # fmt: skip


def test_a_sill_is_asked_against_the_spill_of_the_water_beside_it():
    lot = Lot(ground(slope=0.01, bowl=0.3))
    assert len(lot.spots) == 1
    sill = DrawnOpening("Door", "door", shapely.Point(20.0, 24.0), float(lot.spots.spill[0]) + 0.01)
    opening = replace(
        opening_levels(sill, lot.surface, lot.spots, rmse_m=0.03), low_spot=1,
        spill=float(lot.spots.spill[0]),
    )  # fmt: skip
    lot.asked = LotQuestions(openings=[opening])
    found = lot.places()
    (fall,) = found.falls
    assert fall.question == "sill"
    assert found.places[fall.first].known_m == sill.sill
    assert found.places[fall.second].cell == lot.spots.spill_cell[0]
    level = drawn(lot, found)
    shots = asked_of(lot, found, level)
    assert {shot.place.kind for shot in shots[:2]} == {"sill", "spill point"}
    share = (sill.sill > level[:, fall.second]).mean()
    assert shots[0].yes_share == pytest.approx(share)


def test_of_two_sills_beside_one_pond_the_one_in_doubt_is_shot():
    """Either ties the levels to the data as well; the surer one is not what the question names."""
    lot = Lot(ground(slope=0.01, bowl=0.3))
    spill = float(lot.spots.spill[0])
    openings = []
    for number, above in enumerate((0.06, 0.01)):
        door = DrawnOpening(
            f"Door {number}", "door", shapely.Point(19.0 + number, 24.0), spill + above
        )
        found = opening_levels(door, lot.surface, lot.spots, rmse_m=0.03)
        openings.append(replace(found, low_spot=1, spill=spill))
    lot.asked = LotQuestions(openings=openings)
    found = lot.places()
    shots = asked_of(lot, found, drawn(lot, found))
    assert [(one.place.kind, one.subject) for one in shots[:2]] == [
        ("sill", "Door 1"), ("spill point", "Door 1"),
    ]  # fmt: skip
    assert shots[0].place.name == "Door 1"


def test_a_question_nearly_settled_is_not_listed(plane):
    """Before the north wall the plane is level: hardly a surface falls away by 5 % there."""
    found = plane.places()
    shots = asked_of(plane, found, drawn(plane, found, deviation=0.05))
    assert shots
    assert all(one.open_share > 0.05 for one in shots)
    share = {fall.subject: (fall.besides_m + drawn(plane, found)[:, fall.first]
                            - drawn(plane, found)[:, fall.second] > 0).mean()
             for fall in found.falls}  # fmt: skip
    sure = {name for name, p in share.items() if p * (1 - p) < 0.01}
    assert sure
    assert sure.isdisjoint(one.subject for one in shots)


def test_low_spots_are_asked_for_by_their_depth_and_half_believed():
    lot = Lot(ground(slope=0.01, bowl=0.3))
    found = lot.places()
    assert found.spots == [0]
    bed, spill = found.pairs[0]
    assert (found.places[bed].cell, found.places[spill].cell) == (
        lot.spots.bed_cell[0], lot.spots.spill_cell[0],
    )  # fmt: skip
    lot.asked = LotQuestions()
    found = lot.places()
    level = drawn(lot, found)
    depth = (level[:, found.pairs[0][1]] - level[:, found.pairs[0][0]])[:, None] - 0.2
    realised = replace(realised_with(found, level), depth=depth)
    shots = first_levels(found, realised, LIMIT, lot.surface.ground.values)
    share = (depth >= LIMIT - LEVEL_STEP).mean()
    assert shots[0].yes_share == pytest.approx(0.5 + 0.4 * (share - 0.5), abs=0.005)
    assert {shot.place.kind for shot in shots[:2]} == {"deepest point", "spill point"}


def test_open_ground_is_every_second_metre_of_the_lot_and_called_by_what_is_near(plane):
    found = plane.places()
    lawn = [one for one in found.places if one.kind == "open ground"]
    inside = plane.lot & plane.surface.bare
    assert all(inside.ravel()[one.cell] for one in lawn)
    assert inside.sum() / 4 * 0.9 < len(lawn) <= inside.sum() / 4 * 1.1
    for one in lawn:
        assert one.near in ("wall", "deepest point")
        assert one.away_m == pytest.approx(np.hypot(one.east, one.north))
    assert len({one.cell for one in found.places}) == len(found.places)


def test_no_ground_is_listed_twice_and_a_sill_beside_it_is_a_place_of_its_own():
    lot = Lot(ground(slope=0.01, bowl=0.3))
    found = lot.places()
    known = len(found.places)
    cell = found.places[0].cell
    assert found.at(LevelPlace("inlet", "C1", 0.0, 0.0, cell)) == 0
    assert found.at(LevelPlace("sill", "Door", 0.0, 0.0, cell, known_m=50.0)) == known
    assert found.at(LevelPlace("sill", "Door", 0.0, 0.0, cell, known_m=50.0)) == known
