"""Falls between named places: the measured one, and the interval of the likely surfaces."""

from dataclasses import replace
from itertools import combinations
from pathlib import Path

import numpy as np
import pytest
import shapely

from lotflow.inputs.job import read_job
from lotflow.layers import RESULT_LAYERS
from lotflow.study.lot_water import error_model, study_lot
from lotflow.terrain import falls
from lotflow.terrain.confidence import Watched, interval, run_realisations
from lotflow.terrain.falls import falls_left_out
from lotflow.terrain.level_error import ErrorModel
from lotflow.terrain.realisations.realisation import realisation_plan
from lotflow.terrain.routing import no_drains, route

SAMPLE = Path(__file__).parents[2] / "data_samples" / "alder_court"


@pytest.fixture(scope="module")
def lot():
    return study_lot(read_job(SAMPLE))


def named_places(lot):
    ground = lot.window.surface, lot.window.lot, lot.low_spots
    return falls.named_places(lot.site, lot.case, *ground, lot.inlets.placed)


def falls_table(lot, places, level_m):
    return falls.falls_table(lot.window.surface.ground, places, level_m, error_model(lot.job))


@pytest.fixture(scope="module")
def places(lot):
    return named_places(lot)


def levels(lot, places, number=50, spread=0.05):
    ground = lot.window.surface.ground.values.ravel()[[place.cell for place in places]]
    return ground + spread * np.random.default_rng(1).standard_normal((number, len(places)))


def test_places_are_those_of_the_main_case(places):
    """Inlets, outlets of the proposed system, openings, low spots; not what is replaced."""
    kinds = {place.name: place.kind for place in places}
    assert kinds["Patio basin"] == "inlet"
    assert kinds["Patio curb outlet"] == "outlet"
    assert kinds["Back door"] == "opening"
    assert kinds["low spot 1"] == "low spot"
    assert "Old emitter" not in kinds


def test_a_place_in_a_wall_has_the_level_of_the_ground_beside_it(lot, places):
    roof = lot.window.surface.roof.ravel()
    assert not any(roof[place.cell] for place in places)


def test_a_place_drawn_under_a_roof_has_the_level_of_the_open_ground_beside_it(lot):
    """An opening drawn well inside its wall: the ground under the roof is not its ground."""
    surface, openings = lot.window.surface, lot.site.openings.copy()
    house = lot.site.buildings.set_index("name").geometry["House"]
    door = openings.geometry[0]
    inner = shapely.line_interpolate_point(shapely.LineString([door, house.centroid]), 1.5)
    openings.loc[openings.index[0], "geometry"] = inner
    moved = {place.name: place for place in named_places(
        replace(lot, site=replace(lot.site, openings=openings)))}["Back door"]  # fmt: skip
    row, column = surface.ground.row_column(inner.x, inner.y)
    assert surface.roof[row, column]
    assert not surface.roof.ravel()[moved.cell]
    away = np.subtract(divmod(moved.cell, surface.ground.shape[1]), (row, column))
    assert np.hypot(*away) * surface.ground.cell_m < 2.5


def test_more_places_than_can_be_paired_are_told(lot):
    """Forty are paired, those drawn first; it is said how many are left out."""
    layer = lot.site.openings
    many = layer.iloc[[0] * 60].assign(name=[f"Vent {number}" for number in range(60)])
    crowded = replace(lot, site=replace(lot.site, openings=many.reset_index(drop=True)))
    places = named_places(crowded)
    assert len(places) > 60
    table = falls_table(crowded, places, levels(crowded, places))
    assert len(table) == 40 * 39 / 2
    assert {"Patio basin", "Vent 0"} <= {*table["from_place"], *table["to_place"]}
    (said,) = falls_left_out(places)
    assert said.facts == {
        "told": 40, "places": len(places), "further": len(places) - 45,
        "left_out": ("Vent 34", "Vent 35", "Vent 36", "Vent 37", "Vent 38"),
    }  # fmt: skip
    assert falls_left_out(named_places(lot)) == []


def test_every_pair_stands_once_from_the_higher_to_the_lower(lot, places):
    table = falls_table(lot, places, levels(lot, places))
    assert list(table) == [column.name for column in RESULT_LAYERS["falls"].columns]
    pairs = {frozenset(pair) for pair in zip(table["from_place"], table["to_place"], strict=True)}
    assert pairs == {frozenset((a.name, b.name)) for a, b in combinations(places, 2)}
    assert len(table) == len(pairs)
    assert (table["fall_m"] >= 0).all()


def test_falls_and_their_intervals_are_differences_of_levels(lot, places):
    drawn = levels(lot, places)
    table = falls_table(lot, places, drawn).set_index(["from_place", "to_place"])
    row = table.loc[("Patio basin", "Patio curb outlet")]
    at = {place.name: position for position, place in enumerate(places)}
    upper, lower = at["Patio basin"], at["Patio curb outlet"]
    ground = lot.window.surface.ground.values.ravel()
    assert row["fall_m"] == ground[places[upper].cell] - ground[places[lower].cell]
    assert (row["fall_m_p05"], row["fall_m_p50"], row["fall_m_p95"]) == tuple(
        interval(drawn[:, upper] - drawn[:, lower])
    )
    away = np.hypot(places[upper].x - places[lower].x, places[upper].y - places[lower].y)
    assert row["distance_m"] == pytest.approx(away)
    assert row["slope"] == pytest.approx(row["fall_m"] / away)


def test_a_fall_is_certain_only_where_95_of_100_surfaces_fall_that_way(lot, places):
    exact = falls_table(lot, places, levels(lot, places, spread=0.0))
    assert (exact["is_certain"] == (exact["fall_m"] > 0)).all()
    rough = falls_table(lot, places, levels(lot, places, spread=10.0))
    assert not rough["is_certain"].all()
    assert (rough["is_certain"] == (rough["fall_m_p05"] > 0)).all()


def test_without_places_there_are_no_falls(lot):
    assert falls_table(lot, (), np.zeros((5, 0))).empty


def test_few_surfaces_give_no_bounds_and_no_certainty(lot, places):
    """Of fewer than 20 none is the 5th of 100."""
    table = falls_table(lot, places, levels(lot, places, number=12, spread=0.001))
    assert not table["is_certain"].any()
    assert table["fall_m_p05"].isna().all()
    assert table["fall_m_p50"].notna().all()


def test_without_error_one_surface_is_enough(lot, places):
    elevation = lot.job.elevation.model_copy(update={"rmse_m": 0.0})
    exact = replace(lot, job=lot.job.model_copy(update={"elevation": elevation}))
    table = falls_table(exact, places, levels(lot, places, number=1, spread=0.0))
    assert (table["fall_m_p05"] == table["fall_m"]).all()
    assert (table["is_certain"] == (table["fall_m"] > 0)).all()


def test_a_wall_at_a_place_does_not_raise_its_ground(lot, places):
    """Walls and buildings are put on for the water; the fall is that of the ground."""
    surface, cell = lot.window.surface, places[3].cell
    walled = replace(surface, wall=surface.wall.copy(), elevation=surface.elevation.copy())
    walled.wall.ravel()[cell] = True
    walled.elevation.ravel()[cell] += 0.6
    natural = route(walled, no_drains(walled))
    plan = realisation_plan(natural, [], snap_m=1.5, pond_depth_m=0.1)
    watched = Watched(lot.low_spots.number, 0, None, np.array([cell]))
    shown = run_realisations(plan, ErrorModel(0.0, 10.0, 0.1), watched, number=1, seed=0)
    assert shown.level[0, 0] == surface.ground.values.ravel()[cell]
