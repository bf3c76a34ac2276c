"""Roof water: each downspout drains its area, the rest sheds at the eaves, nothing is lost."""

import numpy as np
import pytest
import shapely
import shapely.affinity
from hypothesis import given, settings
from hypothesis import strategies as st

from lotflow.terrain import known_surfaces as known
from lotflow.terrain.catchments import lot_balance
from lotflow.terrain.cells import polygon_cells
from lotflow.terrain.roofs import Downspout, roof_water
from lotflow.terrain.routing import Drains, no_drains, route
from lotflow.terrain.surface import prepare_surface

HOUSE = shapely.box(10, 10, 20, 22)  # 120 m2


def ground(slope=0.03, cell=1.0, house=HOUSE):
    return prepare_surface(known.tilted_plane(40, slope=slope, cell_m=cell), buildings=[house])


def cell_at(surface, x, y):
    row, column = surface.ground.row_column(x, y)
    return int(row * surface.ground.shape[1] + column)


def spout(surface, x, y, **given_values):
    return Downspout("D", 1, cell_at(surface, x, y), **given_values)


def test_given_areas_are_drained_and_the_rest_sheds_at_the_eaves():
    """Of 120 m2, downspouts of 40 and 25 m2 leave 55 m2 to the eaves."""
    surface = ground()
    roofs = roof_water(
        surface, [spout(surface, 9.5, 9.5, area_m2=40.0), spout(surface, 20.5, 22.5, area_m2=25.0)]
    )
    assert roofs.cells.tolist() == [40, 25]
    assert (roofs.served[surface.roof] == 0).sum() == 55
    weight = roofs.surface.rain_weight
    assert weight.sum() == surface.ground.values.size
    assert weight.ravel()[cell_at(surface, 9.5, 9.5)] >= 41
    assert weight[surface.roof].sum() == 0


def test_downspouts_without_an_area_share_what_is_left_evenly():
    surface = ground()
    corners = [(9.5, 9.5), (20.5, 9.5), (20.5, 22.5)]
    roofs = roof_water(
        surface,
        [spout(surface, *corners[0], area_m2=50.0), *(spout(surface, *c) for c in corners[1:])],
    )
    assert roofs.cells.tolist() == [50, 35, 35]


def test_the_roof_next_to_a_downspout_is_its_own():
    """Two equal downspouts at opposite walls part the roof along its middle."""
    surface = ground()
    roofs = roof_water(surface, [spout(surface, 15, 9.5), spout(surface, 15, 22.5)])
    rows, _ = np.nonzero(roofs.served == 1)
    others, _ = np.nonzero(roofs.served == 2)
    assert rows.min() > others.max()  # rows are counted from north


def test_areas_beyond_the_footprint_count_and_the_ground_beside_makes_up_for_them():
    """Under eaves that overhang no rain falls on the ground."""
    surface = ground()
    roofs = roof_water(
        surface, [spout(surface, 9, 9, area_m2=90.0), spout(surface, 21, 23, area_m2=60.0)]
    )
    assert roofs.cells == pytest.approx([90, 60])
    share = roofs.surface.share
    assert share.sum() == pytest.approx(surface.ground.values.size)
    assert share[~surface.roof].sum() == pytest.approx(surface.ground.values.size - 150)
    assert share.min() > 0
    assert (share[:8] == 1).all()


@pytest.mark.parametrize("cell", [0.5, 1.0, 2.0, 3.0])
@pytest.mark.parametrize("turn", [0, 20, 45])
def test_the_true_area_of_a_footprint_counts_on_any_cells(cell, turn):
    """Of a house aslant, four stated downspouts have what was stated, on cells of any size."""
    house = shapely.affinity.rotate(shapely.box(12.2, 11.3, 22.5, 20.9), turn)
    surface = ground(cell=cell, house=house)
    rim = shapely.LineString(house.exterior)
    places = [rim.interpolate(i / 4, normalized=True).coords[0] for i in range(4)]
    for stated, expected in (
        ([house.area / 4] * 4, [house.area / 4] * 4),
        ([23.78, 20.0, np.nan, np.nan], [23.78, 20.0, *[(house.area - 43.78) / 2] * 2]),
        ([np.nan], [house.area]),
        ([10.0, 20.0], [10.0, 20.0]),
    ):
        spouts = [
            spout(surface, *place, area_m2=area, node="N" if piped else "")
            for place, area, piped in zip(places, stated, (True, False, True, False), strict=False)
        ]
        roofs = roof_water(surface, spouts, [house.area / cell**2])
        assert roofs.cells * cell**2 == pytest.approx(expected)
        assert roofs.surface.share.sum() == pytest.approx(surface.ground.values.size)
        piped = roofs.connected_cells(["N"])[0]
        assert roofs.surface.rain_weight.sum() == pytest.approx(surface.ground.values.size - piped)
        routing = route(roofs.surface, no_drains(roofs.surface))
        lot = polygon_cells(house.buffer(6), surface.ground)
        balance = lot_balance(routing, lot)
        assert balance.connected_roofs == pytest.approx(piped)
        assert balance.residual == pytest.approx(0, abs=1e-9)


def test_a_connected_downspout_takes_its_roof_off_the_surface():
    """Its cells have no label, enter the flow nowhere, and count for the node."""
    surface = ground()
    roofs = roof_water(
        surface, [spout(surface, 9.5, 9.5, area_m2=30.0, node="CB1"), spout(surface, 21, 23)]
    )
    routing = route(roofs.surface, no_drains(roofs.surface))
    assert roofs.connected_cells(["CB1", "CB2"]).tolist() == [30, 0]
    assert roofs.surface.rain_weight.sum() == surface.ground.values.size - 30
    assert (routing.label[roofs.surface.piped] == 0).all()


def test_a_downspout_over_an_inlet_brings_its_roof_into_the_catchment():
    """Roof cells carry the label of the inlet that their downspout's water reaches."""
    surface = ground()
    inlet = np.zeros(surface.ground.shape, dtype=np.int32)
    inlet.ravel()[cell_at(surface, 9.5, 15.5)] = 1
    roofs = roof_water(surface, [spout(surface, 9.5, 15.5)])
    routing = route(roofs.surface, Drains(inlet, {}, (), 1))
    assert (routing.label[surface.roof] == 1).all()
    taken = routing.total.ravel()[cell_at(surface, 9.5, 15.5)]
    assert taken == (routing.label == 1).sum()


def test_a_building_beside_keeps_its_eaves():
    """Downspouts of one building do not touch another."""
    other = shapely.box(26, 10, 32, 16)
    surface = prepare_surface(known.tilted_plane(40, slope=0.03), buildings=[HOUSE, other])
    roofs = roof_water(surface, [spout(surface, 9.5, 9.5)])
    beside = surface.building == 2
    assert (roofs.surface.landing[beside] == surface.eave_cell[beside]).all()


@settings(max_examples=30, deadline=None)
@given(
    areas=st.lists(st.one_of(st.just(np.nan), st.floats(0.0, 90.0)), min_size=1, max_size=5),
    piped=st.integers(0, 31),
    west=st.integers(4, 18),
    cell=st.sampled_from([1.0, 0.7]),
)
def test_the_balance_of_the_lot_closes_exactly_with_any_downspouts(areas, piped, west, cell):
    """On + lot = off + captured + unseen + connected roofs; stated areas are met exactly."""
    surface = ground(cell=cell)
    rim = shapely.LineString(HOUSE.exterior)
    spouts = [
        spout(surface, *rim.interpolate(i / len(areas), normalized=True).coords[0],
              area_m2=area, node="N" if piped >> i & 1 else "")
        for i, area in enumerate(areas)
    ]  # fmt: skip
    roofs = roof_water(surface, spouts)
    lot = polygon_cells(shapely.box(west, 5, 24, 19.3), surface.ground)
    routing = route(roofs.surface, no_drains(roofs.surface))
    balance = lot_balance(routing, lot)
    assert balance.residual == pytest.approx(0, abs=1e-9)
    piped = lot & roofs.surface.piped
    assert balance.connected_roofs == pytest.approx(roofs.surface.share[piped].sum())
    given_m2 = np.nansum(areas)
    if given_m2 <= 120:
        wanted = np.array(areas) / surface.ground.cell_m2
        met = ~np.isnan(wanted)
        assert roofs.cells[met] == pytest.approx(wanted[met])
