"""Inlets of a study: set where the water runs, and better places offered but never taken."""

import numpy as np
import pytest
import shapely
from affine import Affine

from lotflow.criteria import Criteria
from lotflow.grid import Grid
from lotflow.outputs.ground_layers import InletFacts, inlets_layer
from lotflow.terrain import inlets
from lotflow.terrain.catchments import catchment_cells
from lotflow.terrain.inlet_places import DrawnInlet
from lotflow.terrain.notes import inlet_notes
from lotflow.terrain.routing import no_drains, route
from lotflow.terrain.surface import prepare_surface

#: As the job's own defaults are.
RMSE_M, RULE = 0.10, "ltd"


def study_inlets(drawn, natural, **criteria):
    return inlets.study_inlets(drawn, natural, Criteria(**criteria), rmse_m=RMSE_M, rule=RULE)


def valley(side=2.0, size=40):
    """A valley of straight sides whose bottom is the column of cells round x = 41."""
    x = (np.arange(size) + 0.5) * side
    z = 20 + 0.03 * x[::-1, None] + 0.08 * np.abs(x[None, :] - 41.0)
    grid = Grid(z, Affine(side, 0, 0, 0, -side, size * side), None)
    surface = prepare_surface(grid)
    return route(surface, no_drains(surface), by_kernel=True)


def drawn(x, y, name="Side drain"):
    return DrawnInlet(name, shapely.Point(x, y))


def test_the_better_place_is_offered_and_not_taken():
    """On cells of 2 m the valley runs 2 m beside a side drain that takes next to nothing."""
    natural = valley()
    study = study_inlets([drawn(43.0, 31.0)], natural)
    assert study.placed[0].moved_m == 0
    taken = float((study.routing.label == 1).sum())
    assert study.before_move.tolist() == [taken]
    (offer,) = study.offers
    grid = natural.surface.ground
    assert grid.xy(*divmod(offer.cell, grid.shape[1])) == (41.0, 31.0)
    assert (offer.name, offer.away_m, offer.taken) == ("Side drain", 2.0, taken)
    # an inlet drawn there takes just what was offered
    there = study_inlets([drawn(41.0, 31.0)], natural)
    assert offer.there == (there.routing.label == 1).sum() > 10 * taken
    assert there.offers == []


def test_the_finding_names_both_areas_and_the_place():
    natural = valley()
    study = study_inlets([drawn(43.0, 31.0)], natural)
    grid = natural.surface.ground
    (finding,) = inlet_notes(
        study.placed, study.residual, study.hidden, grid, limit=0.1, offers=study.offers
    )
    assert (finding.rule, finding.subject, finding.unit) == (
        "inlet-better-place", "Side drain", "m2",
    )  # fmt: skip
    assert (finding.x, finding.y) == (41.0, 31.0)
    assert finding.limit == study.offers[0].taken * 4
    assert finding.measured == study.offers[0].there * 4


def test_what_another_inlet_takes_is_not_offered():
    """The valley is drained already just above: there is little to be had in it."""
    study = study_inlets([drawn(43.0, 31.0), drawn(41.0, 33.0, "Upper")], valley())
    assert study.offers == []


@pytest.mark.parametrize("side", [0.25, 0.5, 1.0])
def test_within_reach_it_is_taken(side):
    """Half a metre is no other place."""
    natural = valley(side, round(80 / side))
    study = study_inlets([drawn(41.5, 31.1)], natural)
    assert 0 < study.placed[0].moved_m <= 0.75 or side == 1.0
    assert study.offers == [] or side == 1.0


def test_snapping_can_be_switched_off():
    """Then nothing is moved and nothing offered."""
    natural = valley(0.5, 160)
    placed, _ = inlets.set_inlets(
        [drawn(41.6, 31.1)], natural, Criteria(snap_m=0.0), rmse_m=RMSE_M, rule=RULE
    )
    assert placed[0].moved_m == 0
    assert study_inlets([drawn(43.0, 31.0)], natural, snap_m=0.0).offers == []


def test_layers_show_the_inlet_where_it_was_drawn():
    """The cell that gives its catchment is a fact beside."""
    natural = valley(0.5, 160)
    study = study_inlets([drawn(41.6, 31.1)], natural)
    nowhere = np.zeros(natural.surface.ground.shape, dtype=bool)
    cells = catchment_cells(study.routing, nowhere, nowhere)
    facts = InletFacts([None], cells, [False], study.before_move, study.residual)
    (row,) = inlets_layer(study.placed, study.routing, facts).itertuples()
    assert (row.geometry.x, row.geometry.y) == (row.x, row.y) == (41.6, 31.1)
    assert row.moved_m == pytest.approx(np.hypot(row.set_x - 41.6, row.set_y - 31.1))
    assert 0 < row.moved_m <= 0.75
    assert row.catchment_m2 > row.catchment_before_move_m2
