"""Earthworks on planes worked by hand; volumes against slow sums over fine cells."""

import math
from types import SimpleNamespace

import geopandas as gpd
import numpy as np
import pytest
import shapely
from affine import Affine
from shapely import LineString, Point, box

from lotflow.errors import InputError
from lotflow.grid import Grid
from lotflow.inputs.site_layer import empty_site_layer
from lotflow.layers import SITE_LAYERS
from lotflow.terrain.earthworks import (
    BasinEdit,
    Earthwork,
    average_end_area,
    drawn_earthworks,
    edited,
    laid_earthworks,
)
from lotflow.terrain.routing import no_drains, route
from lotflow.terrain.surface import open_levels, prepare_surface

NAN = math.nan
GIVEN = {"name": "S", "kind": "swale", "status": None, "depth_m": NAN, "height_m": NAN,
         "width_m": NAN, "side_slope": NAN, "fall_pct": NAN, "level_up_m": NAN,
         "level_down_m": NAN, "lining": None, "leads_to": None, "soil_rate_m_s": NAN}  # fmt: skip
HOUSE = box(8, 8, 16, 16)


def site(rows=(), *, house=None, tree=None):
    """The layers of a site that earthworks are held against."""
    layers = {name: empty_site_layer(schema, None) for name, schema in SITE_LAYERS.items()}
    if house is not None:
        layers["buildings"] = gpd.GeoDataFrame({"name": ["House"]}, geometry=[house])
    if tree is not None:
        layers["constraints"] = gpd.GeoDataFrame({"name": ["Oak"], "kind": ["tree"]},
                                                 geometry=[tree])  # fmt: skip
    layers["inlets"] = gpd.GeoDataFrame({"name": ["CB1"]}, geometry=[Point(1, 1)])
    if rows:
        layers["earthworks"] = gpd.GeoDataFrame([GIVEN | row for row in rows])
    return SimpleNamespace(**layers)


def plane(values, cell=1.0):
    """Grid of values by easting and northing of cell centres; the lower left corner is 0, 0."""
    size = round(40 / cell)
    along = (np.arange(size) + 0.5) * cell
    x, y = np.meshgrid(along, along[::-1])
    z = np.broadcast_to(values(x, y), x.shape).astype(float)
    return Grid(z, Affine(cell, 0, 0, 0, -cell, 40.0), None)


def dug(rows, grid, **drawn):
    """Ground before and after some rows, and the edits."""
    there = site(rows, **drawn)
    works = laid_earthworks(drawn_earthworks(there, "proposed", 1.0), there, grid)
    return open_levels(grid), works(open_levels(grid)), works.edits


def at(grid, values, x, y):
    row, column = grid.row_column(x, y)
    return float(values[row, column])


def slow_volume(before, line, width, side, bed_at, cell=0.05):
    """Sum over small squares: those beside the ends of the line are not of its section."""
    x_min, y_min, x_max, y_max = line.bounds
    total = 0.0
    for x in np.arange(x_min - 3 + cell / 2, x_max + 3, cell):
        for y in np.arange(y_min - 3 + cell / 2, y_max + 3, cell):
            s = (x - line.coords[0][0]) * 1.0
            if not 0 <= s <= line.length:
                continue
            away = abs(y - line.coords[0][1])
            level = bed_at(s) + max(away - width / 2, 0) / side
            total += max(before(x, y) - level, 0.0) * cell * cell
    return total


def test_average_end_area_of_a_textbook():
    """Ghilani and Wolf, Elementary Surveying, chapter 26: 711 and 515 ft2, 100 ft: 61,300 ft3."""
    assert average_end_area(np.array([711.0, 515.0]), np.array([0.0, 100.0])) == 61_300.0


def test_average_end_area_is_near_the_prismoid():
    """Hicks, Handbook of Civil Engineering Calculations: 1504 and 2240 ft2, 100 ft; 6904 yd3."""
    found = average_end_area(np.array([1504.0, 2240.0]), np.array([0.0, 100.0])) / 27
    assert found == pytest.approx(6904, rel=0.005)
    assert found > 6904  # the mean of the ends is never less than the prismoid


def test_a_swale_between_two_levels_on_level_ground():
    """1 % over 20 m from 9.8 m on ground at 10 m: bed 9.70 m in the middle, 9.60 m at the end."""
    grid = plane(lambda x, y: 10.0 + 0 * x)
    line = LineString([(10.5, 20.5), (30.5, 20.5)])
    row = {"geometry": line, "level_up_m": 9.8, "level_down_m": 9.6, "width_m": 0.5}
    before, after, (edit,) = dug([row], grid)
    assert at(grid, after, 10.5, 20.5) == pytest.approx(9.8)
    assert at(grid, after, 20.5, 20.5) == pytest.approx(9.7)
    assert at(grid, after, 30.5, 20.5) == pytest.approx(9.6)
    # one cell aside: 1 m less half the bed, 3 to 1: a quarter of a metre up
    assert at(grid, after, 20.5, 21.5) == pytest.approx(9.7 + 0.75 / 3)
    assert at(grid, after, 20.5, 22.5) == 10.0
    assert (after <= before).all()
    section = edit.section(before)
    # h of .2 to .4 m: areas .22 and .68 m2, (b + 3 h) h; integral of .5 h + 3 h^2 over 20 m
    exact = 20 / 0.2 * (0.25 * (0.16 - 0.04) + (0.064 - 0.008))
    assert section.volume_m3 == pytest.approx(exact, rel=0.005)
    assert section.bank[0] == pytest.approx(0.2, abs=0.01)
    assert section.bank[-1] == pytest.approx(0.4, abs=0.01)


@pytest.mark.parametrize("cross", [0.0, 0.05, 0.12])
def test_volume_of_a_swale_on_ground_that_falls_along_and_across(cross):
    """Within 2 % of the sum over squares of 5 cm, which knows nothing of sections."""

    def ground(x, y):
        return 10.0 - 0.02 * x + cross * (y - 20.25)

    grid = plane(ground, cell=0.5)
    line = LineString([(10.0, 20.25), (20.0, 20.25)])
    row = {"geometry": line, "depth_m": 0.3, "fall_pct": 1.0, "width_m": 0.4, "leads_to": "CB1"}
    before, _, (edit,) = dug([row], grid)

    slow = slow_volume(ground, line, 0.4, 3.0, lambda s: ground(10.0 + s, 20.25) - 0.3)
    assert edit.section(before).volume_m3 == pytest.approx(slow, rel=0.02)


def test_depth_and_fall_of_a_bed_over_a_rise():
    """Over a hump of .3 m a bed that must fall stays below it; it never rises."""
    grid = plane(lambda x, y: 10.0 + 0.3 * np.exp(-((x - 20) ** 2) / 8))
    line = LineString([(10.5, 20.5), (30.5, 20.5)])
    row = {"geometry": line, "depth_m": 0.2, "fall_pct": 0.5, "leads_to": "CB1"}
    before, after, (edit,) = dug([row], grid)
    bed = edit.levels(before)
    fall = -np.diff(bed) / np.diff(edit.station)
    assert fall.min() == pytest.approx(0.005, rel=1e-6)
    assert (edit.sample(before) - bed).min() >= 0.2 - 1e-9
    along = [at(grid, after, x, 20.5) for x in np.arange(10.5, 31)]
    assert (np.diff(along) < 0).all()


def test_a_swale_that_runs_out_on_falling_ground_is_not_blind():
    """
    Ground falls 3 %: the bed meets it at the end; led to an inlet it stays .2 m deep.

    Back from its end it rises 1 %, the ground 3 %: 10 m from it the swale has its depth.
    """
    grid = plane(lambda x, y: 10.0 - 0.03 * x)
    line = LineString([(10.5, 20.5), (30.5, 20.5)])
    for leads_to, depth in (("surface", 0.0), ("CB1", 0.2)):
        row = {"geometry": line, "depth_m": 0.2, "fall_pct": 1.0, "leads_to": leads_to}
        before, _, (edit,) = dug([row], grid)
        section = edit.section(before)
        assert section.ground[-1] - section.level[-1] == pytest.approx(depth, abs=1e-9)
        full = section.station[section.full].max()
        assert full == pytest.approx(20.0 if leads_to == "CB1" else 10.0, abs=0.6)
        assert section.bank[section.full].min() == pytest.approx(0.2, abs=0.02)


def test_a_swale_askew_has_no_dam_in_it():
    """Each cell the line touches lies no higher than the one before it."""
    grid = plane(lambda x, y: 10.0 + 0.02 * x)
    line = LineString([(31.0, 9.3), (22.1, 17.6), (9.2, 21.4)])
    row = {"geometry": line, "depth_m": 0.15, "fall_pct": 1.0, "leads_to": "surface"}
    _, after, (edit,) = dug([row], grid)
    order = np.argsort(edit.along[edit.touched])
    levels = after.ravel()[edit.cells[edit.touched][order]]
    assert (np.diff(levels) <= 1e-9).all()


def test_a_berm_and_its_volume():
    """.3 m high, top .6 m, 3 to 1, 10 m long on level ground: (.6 + .9) x .3 x 10 = 4.5 m3."""
    grid = plane(lambda x, y: 10.0 + 0 * x)
    row = {"kind": "berm", "geometry": LineString([(10.5, 20.5), (20.5, 20.5)]), "height_m": 0.3}
    before, after, (edit,) = dug([row], grid)
    assert at(grid, after, 15.5, 20.5) == pytest.approx(10.3)
    assert at(grid, after, 15.5, 21.5) == pytest.approx(10.3 - 0.7 / 3)
    assert at(grid, after, 15.5, 22.5) == 10.0
    assert edit.section(before).volume_m3 == pytest.approx(4.5, rel=0.01)


def test_a_regrade_falls_five_percent_and_no_more_than_six_inches_at_the_wall():
    """Level ground: 5 % over 10 ft is 6 in: all of it is met; towards the wall 2 %: not all."""
    west = box(3, 8, 8, 16)
    row = {"kind": "regrade", "geometry": west}
    grid = plane(lambda x, y: 10.0 + 0 * x)
    before, after, (edit,) = dug([row], grid, house=HOUSE)
    # cells .5, 1.5, 2.5 m from the wall; the foot is the cell 3.5 m from it
    for away in (0.5, 1.5, 2.5):
        assert at(grid, after, 8 - away, 12.5) == pytest.approx(10 + 0.05 * (3.5 - away))
    assert at(grid, after, 4.5, 12.5) == 10.0
    assert edit.share_met(before, after) == 1.0
    grid = plane(lambda x, y: 10.0 - 0.04 * x)  # falls to the wall
    before, after, (edit,) = dug([row], grid, house=HOUSE)
    rise = after - before
    assert at(grid, rise, 7.5, 12.5) == pytest.approx(0.1524)
    assert rise.max() <= 0.1524 + 1e-9
    assert rise.min() == 0.0
    assert edit.share_met(before, after) < 1.0


def test_a_fill_reaches_the_spill_and_sheds_to_its_edge():
    """A bowl of 12 cm: filled to its spill and one percent above it; nothing stands afterwards."""
    grid = plane(
        lambda x, y: 10.0 - 0.12 * np.exp(-((x - 20) ** 2 + (y - 20) ** 2) / 18) - 0.002 * x
    )
    row = {"kind": "fill", "geometry": box(10, 10, 30, 30)}
    before, after, _ = dug([row], grid)
    assert (after >= before - 1e-12).all()
    assert at(grid, after, 18.5, 20.5) > at(grid, before, 18.5, 20.5) + 0.1
    changed = np.argwhere(after > before + 1e-9)
    # no cell of the fill is lower than all its neighbours: independent of any flood
    for row_, column in changed:
        around = after[row_ - 1 : row_ + 2, column - 1 : column + 2].copy()
        middle = around[1, 1]
        around[1, 1] = np.inf
        assert around.min() <= middle


def test_a_fill_keeps_off_roots_and_within_its_depth():
    grid = plane(lambda x, y: 10.0 - 0.3 * np.exp(-((x - 20) ** 2 + (y - 20) ** 2) / 18))
    row = {"kind": "fill", "geometry": box(10, 10, 30, 30), "depth_m": 0.1}
    before, after, _ = dug([row], grid, tree=box(19, 19, 21, 21))
    rise = after - before
    assert at(grid, rise, 20.5, 20.5) == 0.0
    assert rise.max() == pytest.approx(0.1)


def test_a_rain_garden_is_level_and_as_deep_as_its_lowest_edge_allows():
    """Ground falls 2 % to the east: the rim is the cell beyond the east edge, x = 24.5 m."""
    grid = plane(lambda x, y: 10.0 - 0.02 * x)
    row = {"kind": "rain garden", "geometry": box(16, 16, 24, 24), "depth_m": 0.15}
    _, after, (edit,) = dug([row], grid)
    assert isinstance(edit, BasinEdit)
    rim = 10.0 - 0.02 * 24.5
    assert at(grid, after, 20.5, 20.5) == pytest.approx(rim - 0.15)
    assert at(grid, after, 23.5, 20.5) == pytest.approx(rim - 0.15)  # .5 m from the edge, 3 to 1


def test_only_what_counts_in_a_case_is_dug_and_ground_without_data_stays():
    rows = [
        {"name": status or "none", "status": status, "depth_m": 0.2,
         "geometry": LineString([(5.5, 5.5 + 5 * i), (30.5, 5.5 + 5 * i)])}
        for i, status in enumerate((None, "existing", "proposed", "as built", "rejected"))
    ]  # fmt: skip
    there = site(rows)
    names = {case: [w.name for w in drawn_earthworks(there, case, 1.0)]
             for case in ("today", "proposed", None)}  # fmt: skip
    assert names == {"today": ["as built"], "proposed": ["as built", "none", "proposed"],
                     None: ["existing"]}  # fmt: skip
    grid = plane(lambda x, y: np.where(x > 20, np.nan, 10.0 + 0 * x))
    works = laid_earthworks(drawn_earthworks(there, "proposed", 1.0), there, grid)
    new = edited(grid, works)
    assert (np.isnan(new.values) == np.isnan(grid.values)).all()
    assert edited(grid, laid_earthworks((), there, grid)) is grid


S = LineString([(2, 20), (30, 20)])
FAULTS = [
    ({"geometry": S}, "depth"),
    ({"geometry": S, "level_up_m": 9.0}, "depth"),
    ({"geometry": S, "fall_pct": 1.0}, "depth"),
    ({"geometry": S, "level_up_m": 9.0, "level_down_m": 9.5}, "level_down"),
    ({"geometry": S, "level_up_m": 9.5, "level_down_m": 9.0, "fall_pct": 4.0}, "fall_pct"),
    ({"geometry": S, "kind": "berm"}, "height"),
    ({"geometry": S, "kind": "fill"}, "kind"),
    ({"geometry": box(2, 2, 5, 5), "kind": "swale", "depth_m": 0.2}, "kind"),
    ({"geometry": box(2, 2, 5, 5), "kind": "rain garden"}, "depth"),
    ({"geometry": box(2, 2, 9, 9), "kind": "rain garden", "depth_m": 0.2}, "name"),
    ({"geometry": LineString([(2, 12), (30, 12)]), "depth_m": 0.2}, "name"),
    ({"geometry": box(25, 25, 30, 30), "kind": "regrade"}, "name"),
    ({"geometry": S, "depth_m": 0.2, "leads_to": "CB2"}, "leads_to"),
    ({"geometry": S, "depth_m": 0.2, "leads_to": "S"}, "leads_to"),
]


@pytest.mark.parametrize(("row", "column"), FAULTS)
def test_what_cannot_be_dug_as_drawn_is_refused(row, column):
    with pytest.raises(InputError) as caught:
        drawn_earthworks(site([row], house=HOUSE), "proposed", 1.0)
    (fault,) = caught.value.faults
    assert (fault.layer, fault.row, fault.column) == ("earthworks", 1, column)
    assert fault.remedy


@pytest.mark.parametrize(
    "outline", [box(16.1, 16.1, 16.4, 16.4), box(31, 2, 38, 9)], ids=["small", "no data"]
)
def test_a_rain_garden_without_a_cell_is_refused(outline):
    """Between the centres of cells, or where there is no elevation: nothing of it can be told."""
    grid = plane(lambda x, y: np.where(x > 30, np.nan, 10.0 - 0.02 * x))
    row = {"kind": "rain garden", "geometry": outline, "depth_m": 0.15}
    with pytest.raises(InputError) as caught:
        dug([row], grid)
    (fault,) = caught.value.faults
    assert (fault.layer, fault.row, fault.value) == ("earthworks", 1, "S")
    assert fault.remedy


def test_a_misspelt_end_is_asked_about():
    row = {"geometry": S, "depth_m": 0.2, "leads_to": "CB11"}
    with pytest.raises(InputError, match="Did you mean 'CB1'"):
        drawn_earthworks(site([row]), "proposed", 1.0)


def test_what_counts_nowhere_is_not_refused():
    row = {"geometry": LineString([(2, 12), (30, 12)]), "status": "rejected"}
    assert drawn_earthworks(site([row], house=HOUSE), "proposed", 1.0) == []


def test_feet_of_the_crs_are_not_metres():
    """The same swale on a grid in feet: same levels, same volume."""
    metres = plane(lambda x, y: 10.0 - 0.02 * x)
    feet = Grid(metres.values, Affine(1 / 0.3048, 0, 0, 0, -1 / 0.3048, 40 / 0.3048), None, 0.3048)
    line = LineString([(10.5, 20.5), (30.5, 24.5)])
    row = {"depth_m": 0.2, "fall_pct": 1.0, "leads_to": "surface"}
    volumes = []
    for grid, unit in ((metres, 1.0), (feet, 0.3048)):
        there = site([row | {"geometry": shapely.transform(line, lambda c, u=unit: c / u)}])
        works = laid_earthworks(drawn_earthworks(there, "proposed", unit), there, grid)
        volumes.append(works.edits[0].section(open_levels(grid)).volume_m3)
    assert volumes[0] == pytest.approx(volumes[1], rel=1e-3)


def test_defaults_of_a_row():
    (work,) = drawn_earthworks(site([{"geometry": S, "depth_m": 0.2}]), "proposed", 1.0)
    assert isinstance(work, Earthwork)
    assert (work.status, work.width_m, work.side, work.lining) == ("proposed", 0.30, 3.0, "grass")


@pytest.mark.nightly
@pytest.mark.parametrize("seed", range(60))
def test_random_swales_on_random_planes(seed):
    """Volume within 2 % of the sum over squares; no dam; nothing stands in one that runs out."""
    random = np.random.default_rng(seed)
    along, cross = random.uniform(0.012, 0.08), random.uniform(-0.06, 0.06)
    depth, width, side = random.uniform(0.1, 0.4), random.uniform(0, 0.8), random.uniform(2, 5)
    if abs(cross) > 0.6 / side:
        cross = 0.0

    def ground(x, y):
        return 10.0 - along * x + cross * (y - 20.25)

    grid = plane(ground, cell=0.5)
    line = LineString([(8.0, 20.25), (20.0, 20.25)])
    row = {"geometry": line, "depth_m": depth, "fall_pct": 1.0, "width_m": width,
           "side_slope": side, "leads_to": "CB1"}  # fmt: skip
    before, _, (edit,) = dug([row], grid)
    slow = slow_volume(ground, line, width, side, lambda s: ground(8.0 + s, 20.25) - depth)
    assert edit.section(before).volume_m3 == pytest.approx(slow, rel=0.02)
    bend = LineString([(6, 20 + random.uniform(-4, 4)), (18, 20 + random.uniform(-2, 2)), (33, 20)])
    there = site([row | {"geometry": bend, "leads_to": "surface", "fall_pct": 0.5}])
    works = laid_earthworks(drawn_earthworks(there, "proposed", 1.0), there, grid)
    surface = prepare_surface(edited(grid, works))
    routing = route(surface, no_drains(surface))
    (edit,) = works.edits
    stands = (routing.field.filled - surface.elevation).ravel()[edit.cells[edit.touched]]
    assert stands.max() <= 0.02
