"""Surface, routing, low spots, inlets, lot line: known answers and balances."""

from dataclasses import replace

import numpy as np
import pytest
import shapely
from affine import Affine
from hypothesis import given, settings
from hypothesis import strategies as st

from lotflow.errors import InputError
from lotflow.grid import Grid
from lotflow.terrain import known_surfaces as known
from lotflow.terrain.catchments import (
    catchment_cells,
    label_polygons,
    lot_balance,
    lot_line_crossings,
    simplified_outlines,
)
from lotflow.terrain.cells import channel_cells, line_cells, polygon_cells
from lotflow.terrain.flow_paths import flow_paths
from lotflow.terrain.inlet_places import (
    DrawnInlet,
    drains_of,
    place_inlets,
    residual_depth,
    set_rims,
    snap_inlets,
)
from lotflow.terrain.low_spots import (
    Artefact,
    bare_ground,
    cut_by_edge,
    find_low_spots,
    flag_artefacts,
    inflow_cells,
    inner_low_spots,
    judged_low_spots,
    low_spots_under_roofs,
)
from lotflow.terrain.routing import Culvert, Drains, no_drains, route, upstream_of
from lotflow.terrain.surface import prepare_surface


def natural(grid, **drawn):
    surface = prepare_surface(grid, **drawn)
    return route(surface, no_drains(surface))


def with_inlets(base, *drawn, snap=1.5, rmse=0.1):
    placed = place_inlets(drawn, base.surface)
    placed = snap_inlets(placed, base, radius_m=snap, pond_depth=0.05)
    placed = set_rims(placed, base, rmse=rmse)
    drains, hidden = drains_of(placed, base.surface, base.drains.culverts)
    return placed, route(base.surface, drains), hidden


def rough(size=60, seed=0, cell=1.0):
    random = np.random.default_rng(seed)
    k = np.hypot(np.fft.fftfreq(size)[:, None], np.fft.rfftfreq(size)[None])
    k[0, 0] = 1
    spectrum = np.fft.rfft2(random.standard_normal((size, size))) * k**-1.5
    spectrum[0, 0] = 0
    relief = np.fft.irfft2(spectrum, s=(size, size))
    values = 30 + 0.5 * relief / relief.std() + 0.01 * np.arange(size)[:, None]
    return Grid(values, Affine(cell, 0, 1000, 0, -cell, 2000), None)


# ---------------------------------------------------------------- low spots


@pytest.mark.parametrize(("depth", "radius"), [(0.5, 10.0), (0.2, 6.0), (1.0, 8.0)])
def test_spherical_bowl_has_its_analytic_volume_and_depth(depth, radius):
    """At 0.25 m cells all cells below the rim hold the cap's volume within 1 %."""
    routing = natural(known.spherical_bowl(depth_m=depth, radius_m=radius))
    spots = find_low_spots(routing, 0.1)
    assert len(spots) == 1
    cell = routing.surface.ground.cell_m2
    assert spots.volume[0] * cell == pytest.approx(
        known.spherical_cap_volume(depth, radius), rel=0.01
    )
    assert spots.depth[0] == pytest.approx(depth, abs=0.002)
    assert spots.cells[0] * cell == pytest.approx(np.pi * radius**2, rel=0.02)


def test_nested_bowls_have_the_sill_and_spill_computed_by_hand():
    """Pits of 2 and 4 join at 5, with the pit of 3 at 9, and spill at 10."""
    routing = natural(known.trench_with_pits())
    spots = find_low_spots(routing, 0.5)
    assert len(spots) == 1
    assert (spots.bed[0], spots.spill[0], spots.cells[0], spots.volume[0]) == (2.0, 10.0, 5, 27.0)
    inner = inner_low_spots(routing.hierarchy, spots, 0.5)
    assert [(s.low_spot, s.bed, s.sill, s.volume) for s in inner] == [
        (1, 2.0, 5.0, 3.0), (1, 2.0, 9.0, 16.0), (1, 3.0, 9.0, 6.0), (1, 4.0, 5.0, 1.0),
    ]  # fmt: skip


def test_plane_and_valley_hold_no_water():
    """Where everything falls to the edge nothing stands."""
    for grid in (known.tilted_plane(), known.valley()):
        assert len(find_low_spots(natural(grid), 0.01)) == 0


def test_depth_exactly_at_the_limit_counts():
    """A dip of 10 cm is reported with a limit of 10 cm."""
    values = known.tilted_plane(30, slope=0.0).values
    values[15, 15] -= 0.1
    assert len(find_low_spots(natural(Grid(values, Affine(1, 0, 0, 0, -1, 30), None)), 0.1)) == 1


def test_contributing_area_includes_the_low_spots_above():
    """A full low spot hands its water on: the lower one's area includes the upper one's."""
    values = known.valley(61, fall=0.02).values
    values[20, 30] -= 0.5
    values[40, 30] -= 0.8
    routing = natural(Grid(values, Affine(1, 0, 0, 0, -1, 61), None))
    spots = find_low_spots(routing, 0.3)
    lower, upper = spots.contributing
    assert spots.depth[0] > spots.depth[1]
    assert lower > upper + 100
    # what passes the spill point is what came in
    assert routing.total.ravel()[spots.spill_cell[0]] >= lower - spots.cells[0]


def test_artefacts_are_flagged():
    """Under a roof, enclosed by buildings, at a gap, behind a bank: each says so."""
    values = known.tilted_plane(60, slope=0.01).values
    values[10:14, 10:14] -= 0.6  # under a roof
    values[30:33, 30:33] -= 0.3  # in a courtyard
    values[44:49, 40:45] = 10.6  # a pit of 0.4 with a gap in its rim
    values[45:48, 41:44] = 10.2
    values[46, 43] = 10.5
    values[46, 44] = np.nan
    values[20:24, 40:44] -= 1.0  # deep
    grid = Grid(values, Affine(1, 0, 0, 0, -1, 60), None)
    house = shapely.box(9, 45, 15, 51)
    block = shapely.box(25, 22, 38, 35).difference(shapely.box(29, 26, 34, 31))
    routing = natural(grid, buildings=[house, block])
    spots = find_low_spots(routing, 0.2)
    flags = flag_artefacts(routing, spots, dam_depth=0.3)
    assert set(flags) == {Artefact.ENCLOSED, Artefact.AT_GAP, Artefact.DAMMED}
    roofs = low_spots_under_roofs(routing.surface, *bare_ground(routing.surface), 0.2)
    assert roofs.artefact == [Artefact.IN_BUILDING]
    assert roofs.depth[0] == pytest.approx(0.6, abs=0.05)


def test_a_courtyard_is_as_deep_as_its_ground_and_not_as_the_walls_around_it():
    """A dip of 0.3 m within a block: 0.3 m less the fall across it; without it, no low spot."""
    values = known.tilted_plane(60, slope=0.01).values
    block = shapely.box(25, 22, 38, 35).difference(shapely.box(29, 26, 34, 31))
    level = natural(Grid(values, Affine(1, 0, 0, 0, -1, 60), None), buildings=[block])
    assert find_low_spots(level, 0.05).depth[0] > 3.0
    assert len(judged_low_spots(level, 0.05, dam_depth=0.3)) == 0
    values[30:33, 30:33] -= 0.3
    grid = Grid(values, Affine(1, 0, 0, 0, -1, 60), None)
    spots = judged_low_spots(natural(grid, buildings=[block]), 0.05, dam_depth=0.3)
    open_ground = find_low_spots(natural(grid), 0.05)
    assert spots.artefact == [Artefact.ENCLOSED]
    # what is routed is rounded to levels of 4 micrometres
    assert spots.depth == pytest.approx(open_ground.depth, abs=1e-5)
    assert spots.volume == pytest.approx(open_ground.volume, abs=1e-4)
    assert (spots.water > 0).sum() == spots.cells[0] == open_ground.cells[0]


def test_low_spot_at_the_rim_of_the_window_is_said_to_be_cut():
    """Water may come from higher ground beyond the ring; from lower ground it cannot."""
    values = known.tilted_plane(40, slope=0.02).values
    values[20, 36] -= 0.5
    routing = natural(Grid(values, Affine(1, 0, 0, 0, -1, 40), None))
    spots = find_low_spots(routing, 0.2)
    inflow = inflow_cells(routing.surface, routing.field.filled)
    assert cut_by_edge(routing, spots, inflow).tolist() == [True]
    bowl = natural(known.spherical_bowl())
    spots = find_low_spots(bowl, 0.1)
    # the ground falls nowhere towards this bowl's window from outside but on the crest itself
    assert inflow_cells(bowl.surface, bowl.field.filled).any()


# ---------------------------------------------------------------- cells


def test_line_on_a_cell_border_belongs_to_one_row():
    """A line drawn on whole metres does not touch two rows of cells."""
    grid = known.tilted_plane(10)
    cells = line_cells(shapely.LineString([(2.0, 5.0), (6.0, 5.0)]), grid)
    assert np.unique(cells // 10).size == 1


@pytest.mark.parametrize("start", [2.0, 2.25, 2.5, 2.75])
@pytest.mark.parametrize("angle", [0, 15, 30, 45, 60])
def test_channel_drain_on_a_slope_takes_the_strip_of_its_length(start, angle):
    """Across the fall, straight or oblique: within one cell width or 3 %."""
    size, length = 80, 12.0
    plane = known.tilted_plane(size, slope=0.03)  # falls to the west
    middle = np.array([20.0 + start, 40.0 + start])
    along = np.array([np.sin(np.radians(angle)), np.cos(np.radians(angle))])
    line = shapely.LineString([middle - along * length / 2, middle + along * length / 2])
    base = natural(plane)
    _, routing, _ = with_inlets(base, DrawnInlet("channel", line))
    strip = length * np.cos(np.radians(angle))  # width across the flow
    run = size - 1 - middle[0]  # to the eastern ring, which drains by itself
    got = (routing.label == 1).sum()
    assert got == pytest.approx(strip * run, abs=max(1.0 * run, 0.03 * strip * run))


def test_long_oblique_channel_overlaps_the_exact_strip():
    """40 cells and more: overlap with the exact strip of at least 0.9."""
    size = 200
    plane = known.tilted_plane(size, slope=0.02, off_west=20)
    line = shapely.LineString([(40.0, 80.0), (60.0, 125.0)])
    _, routing, _ = with_inlets(natural(plane), DrawnInlet("channel", line))
    x, y = plane.xy(*np.mgrid[:size, :size])
    up = np.array([np.cos(np.radians(20)), np.sin(np.radians(20))])
    (x0, y0), (x1, y1) = line.coords
    # solve point = start + s * line + t * up
    det = (x1 - x0) * up[1] - (y1 - y0) * up[0]
    s = ((x - x0) * up[1] - (y - y0) * up[0]) / det
    t = ((x1 - x0) * (y - y0) - (y1 - y0) * (x - x0)) / det
    exact = (s >= 0) & (s <= 1) & (t >= 0)
    exact[[0, -1], :] = exact[:, [0, -1]] = False
    got = routing.label == 1
    assert (got & exact).sum() / (got | exact).sum() >= 0.9


def test_channel_of_six_metres_is_six_cells_wide():
    """By touch alone it would be seven."""
    grid = known.tilted_plane(20)
    line = shapely.LineString([(5.5, 3.3), (5.5, 9.3)])
    assert line_cells(line, grid).size == 7
    assert channel_cells(line, grid).size == 6


# ---------------------------------------------------------------- inlets


def test_inlet_in_a_closed_low_spot_takes_all_that_drains_there():
    """The catchment of a basin at the bottom is what contributed to the low spot."""
    grid = known.spherical_bowl(rise=0.02)
    base = natural(grid)
    spots = find_low_spots(base, 0.1)
    middle = grid.xy(*divmod(int(spots.bed_cell[0]), grid.shape[1]))
    placed, routing, _ = with_inlets(base, DrawnInlet("basin", shapely.Point(*middle)))
    # the level notch drains half by half: emptied, the bowl takes the inner half too
    assert 0 <= (routing.label == 1).sum() - spots.contributing[0] <= 24
    assert residual_depth(placed[0], routing) == 0.0
    assert len(find_low_spots(routing, 0.1)) == 0


def test_inlet_on_a_slope_takes_only_what_comes_from_above():
    """One cell on a plane takes its own strip; nothing from below is stolen."""
    plane = known.tilted_plane(40, slope=0.02)
    _, routing, _ = with_inlets(natural(plane), DrawnInlet("grate", shapely.Point(10.5, 20.5)),
                                snap=0)  # fmt: skip
    row, column = np.nonzero(routing.label == 1)
    assert (column >= 10).all()
    assert (row == 19).all()
    assert column.size == 39 - 10


def test_rim_above_the_ground_leaves_its_pond():
    """A rim 10 cm above the bottom of a bowl 50 cm deep leaves 10 cm standing."""
    grid = known.spherical_bowl()
    base = natural(grid)
    middle = grid.xy(grid.shape[0] // 2, grid.shape[1] // 2)
    inlet = DrawnInlet("basin", shapely.Point(*middle), rim_above_ground=0.10)
    placed, routing, _ = with_inlets(base, inlet)
    assert residual_depth(placed[0], routing) == pytest.approx(0.10, abs=1e-4)
    left = find_low_spots(routing, 0.05)
    # the rim is the inlet's level: what is left of the bowl is below it
    assert (routing.field.filled - routing.surface.elevation).max() == pytest.approx(0.10, abs=1e-4)
    assert (routing.label == 1).sum() >= find_low_spots(base, 0.1).contributing[0]
    assert len(left) == 1


def test_rim_on_a_slope_never_takes_the_catchment_away():
    """Water passes a raised grate on a slope; its catchment is kept and it is said."""
    plane = known.tilted_plane(40, slope=0.02)
    place = shapely.Point(10.5, 20.5)
    base = natural(plane)
    placed, routing, _ = with_inlets(base, DrawnInlet("grate", place, rim_above_ground=0.01))
    _, flush, _ = with_inlets(base, DrawnInlet("grate", place))
    assert (routing.label == 1).sum() == (flush.label == 1).sum() > 1
    assert placed[0].idle_rim == pytest.approx(0.01)


def test_absolute_rim_within_the_accuracy_of_the_data_does_not_act():
    """1 cm of rim in levels is noise at 10 cm accuracy; 30 cm is not."""
    grid = known.spherical_bowl()
    base = natural(grid)
    middle = shapely.Point(*grid.xy(grid.shape[0] // 2, grid.shape[1] // 2))
    low, _, _ = with_inlets(base, DrawnInlet("basin", middle, rim=19.51))
    high, _, _ = with_inlets(base, DrawnInlet("basin", middle, rim=19.80))
    assert low[0].level is None
    assert high[0].level == pytest.approx(19.80, abs=1e-3)


def test_snapping_moves_to_where_the_water_runs_and_never_through_a_wall():
    """In a valley an inlet drawn beside the bottom is set on it, unless a wall is between."""
    grid = known.valley(61)
    drawn = DrawnInlet("basin", shapely.Point(31.5, 20.5))  # one cell east of the bottom
    placed, routing, _ = with_inlets(natural(grid), drawn)
    assert placed[0].cells[0] % 61 == 30
    assert 1.0 <= placed[0].moved_m <= 1.5
    assert (routing.label == 1).sum() > 2000
    wall = shapely.LineString([(30.5, 15.0), (30.5, 25.0)])
    placed, _, _ = with_inlets(natural(grid, walls=[(wall, 0.5)]), drawn)
    assert placed[0].cells[0] % 61 != 30


def test_catchment_is_stable_under_noise_once_the_inlet_is_snapped():
    """One cell beside the valley bottom decides between a strip and the whole valley."""
    sizes = []
    for seed in range(5):
        noise = 0.002 * np.random.default_rng(seed).standard_normal((61, 61))
        grid = known.valley(61)
        grid = grid.with_values(grid.values + noise)
        _, routing, _ = with_inlets(natural(grid), DrawnInlet("basin", shapely.Point(31.5, 20.5)))
        sizes.append((routing.label == 1).sum())
    assert min(sizes) > 0.8 * max(sizes)


@pytest.mark.parametrize(
    ("place", "message"),
    [((1e6, 20.0), "outside"), ((15.0, 45.0), "inside a building"), ((50.5, 9.5), "no values")],
)
def test_inlets_that_cannot_be_set_are_named(place, message):
    """Off the grid, deep inside a footprint, on missing data: an error with the name."""
    values = known.tilted_plane(60).values
    values[50, 50] = np.nan
    grid = Grid(values, Affine(1, 0, 0, 0, -1, 60), None)
    surface = prepare_surface(grid, buildings=[shapely.box(9, 39, 21, 51)])
    with pytest.raises(InputError, match=message) as caught:
        place_inlets([DrawnInlet("CB7", shapely.Point(*place))], surface)
    assert "CB7" in str(caught.value)


def test_basin_at_the_end_of_a_channel_keeps_its_cell():
    """The smaller inlet keeps the shared cell; two basins in one cell are told."""
    base = natural(known.tilted_plane(40))
    channel = DrawnInlet("channel", shapely.LineString([(10.5, 10.5), (10.5, 20.5)]))
    basin = DrawnInlet("basin", shapely.Point(10.5, 10.5))
    _, routing, hidden = with_inlets(base, channel, basin, snap=0)
    assert not hidden
    assert (routing.drains.inlet == 2).sum() == 1
    twin = DrawnInlet("twin", shapely.Point(10.6, 10.4))
    _, routing, hidden = with_inlets(base, basin, twin, snap=0)
    assert hidden == [("twin", "basin")]
    assert routing.drains.number == 2


# ---------------------------------------------------------------- roofs, walls, water, culverts


def test_roof_sheds_at_its_eaves_and_no_square_metre_is_lost():
    """Roof cells add nothing on the block and everything beside it."""
    grid = known.tilted_plane(40, slope=0.05)
    house = shapely.box(15, 15, 25, 27)
    routing = natural(grid, buildings=[house])
    surface = routing.surface
    assert surface.roof.sum() == 120
    assert surface.rain_weight[surface.roof].sum() == 0
    assert surface.rain_weight.sum() == grid.values.size
    assert routing.total[surface.outside].sum() == grid.values.size
    # water from uphill goes round, not over
    assert (routing.total[surface.roof] == 0).all()


def test_wall_turns_the_water():
    """Behind a wall across the slope nothing arrives from above but round its ends."""
    grid = known.tilted_plane(40, slope=0.02)
    wall = shapely.LineString([(20.5, 10.0), (20.5, 30.0)])
    base = natural(grid, walls=[(wall, 0.5)])
    free = natural(grid)
    assert base.total[20, 18] < free.total[20, 18]
    assert base.total[base.surface.outside].sum() == grid.values.size


def test_water_takes_flow():
    """A pond in the way swallows what reaches it."""
    grid = known.tilted_plane(40, slope=0.02)
    routing = natural(grid, water=[shapely.box(10, 15, 14, 25)])
    assert routing.total[:, 0].sum() < natural(grid).total[:, 0].sum()
    assert routing.total[routing.surface.outside].sum() == grid.values.size


def test_culvert_carries_water_under_a_bank():
    """The low spot behind a bank is gone, and its water comes out beyond."""
    values = known.valley(61, fall=0.02).values
    values[30:33, :] += 1.0  # a road
    grid = Grid(values, Affine(1, 0, 0, 0, -1, 61), None)
    blocked = natural(grid)
    assert len(find_low_spots(blocked, 0.3)) == 1
    up, down = 29 * 61 + 30, 33 * 61 + 30
    surface = blocked.surface
    drains = replace(no_drains(surface), culverts=(Culvert("pipe", up, down),))
    routing = route(surface, drains)
    assert len(find_low_spots(routing, 0.3)) == 0
    assert routing.total.ravel()[down] > routing.total.ravel()[up] > 1000
    assert routing.total[surface.outside].sum() == grid.values.size
    # an inlet below the outlet has the ground above the road in its catchment
    number = np.zeros(grid.shape, dtype=np.int32)
    number[40, 30] = 1
    routing = route(surface, Drains(number, {}, drains.culverts, 1))
    assert (routing.label == 1)[:28].sum() > 1000
    assert (routing.label == 1).sum() == routing.total[40, 30]


def test_culvert_cycle_is_refused():
    """A culvert drawn uphill leads its water back to itself."""
    surface = prepare_surface(known.valley(61))
    up, down = 40 * 61 + 30, 20 * 61 + 30
    drains = replace(no_drains(surface), culverts=(Culvert("drive pipe", up, down),))
    with pytest.raises(InputError, match="drive pipe"):
        route(surface, drains)


def test_culverts_in_a_row_hand_on_what_they_take():
    """Three pipes in series, drawn in any order, lose nothing."""
    grid = known.valley(61, fall=0.02)
    surface = prepare_surface(grid)
    pipes = [Culvert(f"p{i}", r * 61 + 30, (r + 3) * 61 + 30) for i, r in enumerate((10, 25, 40))]
    for order in ((0, 1, 2), (2, 0, 1)):
        drains = replace(no_drains(surface), culverts=tuple(pipes[i] for i in order))
        routing = route(surface, drains)
        assert routing.total[surface.outside].sum() == grid.values.size


# ---------------------------------------------------------------- lot line, paths, polygons


@settings(max_examples=25, deadline=None)
@given(
    seed=st.integers(0, 1000),
    corner=st.tuples(st.integers(3, 25), st.integers(3, 25)),
    size=st.tuples(st.integers(6, 30), st.integers(6, 30)),
)
def test_balance_of_any_lot_closes_exactly(seed, corner, size):
    """On plus lot equals off plus captured plus unseen, with roofs, walls, water, culverts."""
    grid = rough(60, seed)
    x, y = 1000 + corner[0], 1940 + corner[1]
    house = shapely.box(x + 1, y + 1, x + 5, y + 4)
    wall = shapely.LineString([(x, y + 5), (x + 8, y + 5)])
    base = natural(grid, buildings=[house], walls=[(wall, 0.3)],
                   water=[shapely.box(x + 7, y, x + 9, y + 2)])  # fmt: skip
    inlet = DrawnInlet("a", shapely.Point(x + 3.5, y + 5.5))
    _, routing, _ = with_inlets(base, inlet)
    lot = polygon_cells(shapely.box(x, y, x + size[0], y + size[1]), grid)
    balance = lot_balance(routing, lot)
    assert balance.residual == 0
    assert balance.lot == lot.sum()


def test_crossings_sum_to_the_balance():
    """What crosses the stretches of the lot line is what the balance counts."""
    grid = known.tilted_plane(60, slope=0.02)
    routing = natural(grid)
    outline = shapely.box(20, 20, 40, 45)
    lot = polygon_cells(outline, grid)
    balance = lot_balance(routing, lot)
    crossings = lot_line_crossings(routing, lot, outline.boundary, 5.0)
    assert sum(c.area for c in crossings if c.inward) == balance.on == 25 * 19
    assert sum(c.area for c in crossings if not c.inward) == balance.off == 25 * 39
    holed = outline.difference(shapely.box(25, 25, 30, 30))
    lot = polygon_cells(holed, grid)
    crossings = lot_line_crossings(routing, lot, holed.boundary, 5.0)
    balance = lot_balance(routing, lot)
    # what runs out into the hole and in again crosses twice and counts once
    assert balance.on == 25 * 19 + 25
    assert (
        sum(c.area for c in crossings if c.inward)
        == 25 * 19 + sum(c.area for c in crossings if not c.inward) - balance.off + 25
    )


def test_flow_paths_run_downhill_and_join():
    """Each path falls, ends where another begins, and order grows only where equals meet."""
    routing = natural(rough(60, 4))
    paths = flow_paths(routing, 30 * routing.surface.ground.cell_m2)
    filled = routing.field.filled.ravel()
    heads = {int(path.cells[0]) for path in paths}
    for path in paths:
        assert (np.diff(filled[path.cells]) <= 0).all()
        end = int(path.cells[-1])
        assert end in heads or routing.field.direction.ravel()[end] == 0
        assert routing.total.ravel()[path.cells[0]] >= 30
    assert max(path.order for path in paths) >= 2
    joining = [path for path in paths if path.order == 2]
    for path in joining[:3]:
        upstream = [p for p in paths if p.cells[-1] == path.cells[0]]
        assert max(p.order for p in upstream) <= 2


def test_upstream_of_a_lot_is_what_drains_through_it():
    """On a plane the cells uphill of the lot, and the lot itself."""
    grid = known.tilted_plane(60, slope=0.02)
    routing = natural(grid)
    lot = polygon_cells(shapely.box(20, 20, 30, 30), grid)
    above = upstream_of(routing, lot)
    assert above.sum() == 10 * (59 - 20)


def test_catchment_outlines_share_borders_and_keep_their_areas():
    """Simplified outlines neither overlap nor gap; exact ones have the area of their cells."""
    base = natural(rough(60, 2))
    places = [(10.5, 20.5), (30.5, 30.5), (45.5, 15.5), (31.5, 45.5)]
    inlets = [
        DrawnInlet(f"i{k}", shapely.Point(1000 + x, 1940 + y)) for k, (x, y) in enumerate(places)
    ]
    _, routing, _ = with_inlets(base, *inlets)
    labels, exact = label_polygons(routing.label, base.surface.ground)
    counted = np.bincount(routing.label.ravel())
    assert [round(p.area) for p in exact] == [counted[k] for k in labels]
    outlines = simplified_outlines(exact, 1.0)
    assert shapely.area(shapely.union_all(outlines)) == pytest.approx(
        sum(p.area for p in outlines), rel=1e-9
    )
    counts = catchment_cells(routing, np.ones(routing.label.shape, bool),
                             inflow_cells(base.surface, routing.field.filled))  # fmt: skip
    np.testing.assert_array_equal(counts.total, counted[1:])


@settings(max_examples=15, deadline=None)
@given(seed=st.integers(0, 500))
def test_another_inlet_never_enlarges_a_catchment(seed):
    """More inlets can only take water away from one another."""
    base = natural(rough(50, seed))
    first = DrawnInlet("a", shapely.Point(1020.5, 1975.5))
    second = DrawnInlet("b", shapely.Point(1030.5, 1970.5))
    _, alone, _ = with_inlets(base, first, snap=0)
    _, both, _ = with_inlets(base, first, second, snap=0)
    assert (both.label == 1).sum() <= (alone.label == 1).sum()


def test_missing_cells_do_not_pull_water_in():
    """Ground that falls away from a gap drains away from it."""
    values = known.tilted_plane(40, slope=0.02).values
    values[18:22, 18:22] = np.nan
    routing = natural(Grid(values, Affine(1, 0, 0, 0, -1, 40), None))
    # the cell just west of the gap falls on to the west
    assert routing.field.direction[19, 17] == 1
    assert routing.total[19, 1] >= 17
