"""Earthworks judged on planes: what a swale carries by published examples and slow code."""

import math
from functools import partial
from types import SimpleNamespace

import geopandas as gpd
import numpy as np
import pytest
from affine import Affine
from shapely import LineString, Point, box

from lotflow.drains.earthworks import (
    Around,
    earthwork_findings,
    falls_along,
    judge_earthworks,
    section_depth,
    section_flow,
)
from lotflow.drains.setbacks import setback_distances
from lotflow.errors import ParameterError
from lotflow.grid import Grid
from lotflow.inputs.site_layer import empty_site_layer
from lotflow.layers import SITE_LAYERS
from lotflow.terrain.cells import polygon_cells
from lotflow.terrain.discharge_path import discharge_path
from lotflow.terrain.earthworks import drawn_earthworks, edited, laid_earthworks
from lotflow.terrain.low_spots import judged_low_spots
from lotflow.terrain.routing import no_drains, route
from lotflow.terrain.surface import open_levels, prepare_surface

NAN = math.nan
GIVEN = {"name": "S", "kind": "swale", "status": None, "depth_m": NAN, "height_m": NAN,
         "width_m": NAN, "side_slope": NAN, "fall_pct": NAN, "level_up_m": NAN,
         "level_down_m": NAN, "lining": None, "leads_to": None, "soil_rate_m_s": NAN}  # fmt: skip
LINE = LineString([(10.5, 20.5), (30.5, 20.5)])
FOOT = 0.3048


def test_a_rectangle_of_a_published_exam():
    """San Diego State University, CIVE 530, midterm 1, problem 4: 3.428 m/s, 32.91 m3/s."""
    found = section_flow(1.6, 0.0025, width_m=6.0, side=0.0, roughness=0.015)
    # the exam rounds the hydraulic radius to 1.043 m
    assert found == pytest.approx(32.91, abs=0.015)
    assert found / (6.0 * 1.6) == pytest.approx(3.428, abs=1.5e-3)


def test_normal_depth_of_a_trapezoid_of_a_textbook():
    """Chow (1959), example 6-2: b 20 ft, z 2, S .0016, n .025, 400 cfs: 3.36 ft (from memory)."""
    flow = 400 * FOOT**3
    depth = section_depth(flow, 0.0016, width_m=20 * FOOT, side=2.0, roughness=0.025)
    assert float(depth[0]) / FOOT == pytest.approx(3.36, abs=0.005)


@pytest.mark.parametrize(("width", "side"), [(0.0, 3.0), (0.3, 3.0), (0.5, 0.0), (0.3, 1.5)])
def test_flow_by_slices_of_the_section(width, side):
    """Area and wetted length summed up over a drawn outline."""
    depth, slope, n = 0.21, 0.012, 0.035
    x = np.array([-width / 2 - side * depth, -width / 2, width / 2, width / 2 + side * depth])
    y = np.array([depth, 0.0, 0.0, depth])
    wet = sum(math.hypot(x[i] - x[i - 1], y[i] - y[i - 1]) for i in range(1, 4))
    area = 0.5 * abs(sum(x[i] * y[i - 1] - x[i - 1] * y[i] for i in range(4)))
    expected = area * (area / wet) ** (2 / 3) * math.sqrt(slope) / n
    found = section_flow(depth, slope, width_m=width, side=side, roughness=n)
    assert found == pytest.approx(expected)
    back = section_depth(float(found), slope, width_m=width, side=side, roughness=n)
    assert back == pytest.approx(depth, abs=1e-6)


def test_a_bed_that_does_not_fall_carries_nothing():
    assert section_flow(0.2, -0.01, width_m=0.3, side=3.0, roughness=0.035) == 0.0
    assert section_depth(0.01, 0.0, width_m=0.3, side=3.0, roughness=0.035)[0] == math.inf
    with pytest.raises(ParameterError):
        section_flow(-0.2, 0.01, width_m=0.3, side=3.0, roughness=0.035)


def test_fall_is_taken_over_ten_feet():
    """A step of 2 cm in a level bed is 2 cm in 3.048 m where it is nearest, and none elsewhere."""
    station = np.arange(0, 20.01, 0.25)
    falls = falls_along(station, np.where(station > 10, 1.0, 1.02))
    assert falls.max() == pytest.approx(0.02 / 3.048, rel=0.01)
    assert falls[0] == falls[-1] == 0.0


def judged(rows, ground, *, flows=None, house=None, more=None):
    """Earthworks of rows on a ground of 40 m by 40 m, cells of 1 m, and what is found of them."""
    x, y = np.meshgrid(np.arange(40) + 0.5, np.arange(40)[::-1] + 0.5)
    grid = Grid(np.asarray(ground(x, y), dtype=float), Affine(1, 0, 0, 0, -1, 40.0), None)
    layers = {name: empty_site_layer(schema, None) for name, schema in SITE_LAYERS.items()}
    layers["lot"] = gpd.GeoDataFrame({"name": ["Lot"]}, geometry=[box(2, 2, 38, 38)])
    if house is not None:
        layers["buildings"] = gpd.GeoDataFrame({"name": ["House"], "threshold_m": [10.2]},
                                               geometry=[house])  # fmt: skip
    layers |= more or {}
    layers["earthworks"] = gpd.GeoDataFrame([GIVEN | row for row in rows])
    site = SimpleNamespace(**layers)
    works = laid_earthworks(drawn_earthworks(site, "proposed", 1.0), site, grid)
    surface = prepare_surface(edited(grid, works), buildings=list(site.buildings.geometry))
    natural = route(surface, no_drains(surface))
    spots = judged_low_spots(natural, 0.1, dam_depth=0.3)
    lot = polygon_cells(layers["lot"].geometry[0], grid)
    path_of = partial(discharge_path, natural, spots, lot)
    around = Around(site, surface, natural.field.filled, path_of, [], flows or {})
    there = drawn_earthworks(site, None, 1.0)
    found = judge_earthworks(works.steps(open_levels(grid)), there, around)
    return found, {f.rule: f for f in earthwork_findings(found)}


def plane(x, _):
    return 10.0 - 0.03 * x


STRAIGHT = {"geometry": LINE, "level_up_m": 9.48, "level_down_m": 8.88, "leads_to": "surface"}


def test_a_swale_on_a_plane_by_hand():
    """
    Ground and bed fall 3 %, .205 m apart: (.3 + 3 x .205) x .205 m2 over 20 m, 3.75 m3.

    It carries what Manning's formula gives for .205 m at 3 %, n .035; of half of it the freeboard
    is what is left above the normal depth.
    """
    full = float(section_flow(0.205, 0.03, width_m=0.3, side=3.0, roughness=0.035))
    (one,), found = judged([STRAIGHT], plane, flows={"S": full / 2})
    assert one.cut_m3 == pytest.approx((0.3 + 3 * 0.205) * 0.205 * 20, rel=0.02)
    assert one.capacity_m3s == pytest.approx(full, rel=0.02)
    assert one.fall == pytest.approx(0.03)
    half = section_depth(full / 2, 0.03, width_m=0.3, side=3.0, roughness=0.035)[0]
    assert one.freeboard_m == pytest.approx(0.205 - half, abs=0.003)
    assert one.water == pytest.approx(one.section.level + half, abs=0.003)
    assert (one.end, one.standing_m > 0.15) == ("low spot 1", True)
    # it ends .2 m below the ground: blind, by levels that were given and ground that was not
    assert (found["swale-ends-blind"].severity, "swale-too-small" in found) == ("warn", False)


@pytest.mark.parametrize(
    ("share", "rule", "severity"),
    [(1.2, "swale-too-small", "warn"), (0.8, "swale-capacity-within-doubt", "warn"),
     (0.5, "swale-freeboard", None)],
)  # fmt: skip
def test_a_swale_is_held_against_its_design_flow(share, rule, severity):
    full = float(section_flow(0.205, 0.03, width_m=0.3, side=3.0, roughness=0.035))
    _, found = judged([STRAIGHT], plane, flows={"S": share * full})
    assert (found[rule].severity if rule in found else None) == severity


def test_the_section_of_a_swale_shows_what_is_dug_and_what_stays():
    """It ends blind at 30.5: water stands level before its end, and nowhere over higher bed."""
    (one,), _ = judged([STRAIGHT], plane)
    assert np.isnan(one.water).all()  # no rain is given
    stands = np.isfinite(one.stands)
    assert one.done == pytest.approx(9.48 - 0.03 * one.section.station)
    assert stands[-1]
    assert np.ptp(one.stands[stands]) < 0.005
    assert one.stands[-1] - one.done[-1] == pytest.approx(one.standing_m, abs=0.02)
    assert (one.done[~stands] > one.stands[-1] - 0.03).all()


def test_nothing_is_dug_where_the_levels_of_a_bed_lie_above_the_ground():
    row = STRAIGHT | {"level_up_m": 10.2, "level_down_m": 8.88}
    (one,), _ = judged([row], plane, flows={"S": 0.001})
    above = one.section.level > one.section.ground
    assert above[0]
    assert not above[-1]
    assert one.done[above] == pytest.approx(one.section.ground[above])
    assert np.isnan(one.water[above]).all()
    assert np.isfinite(one.water[~above]).all()


def test_a_swale_that_runs_out_works():
    row = {"geometry": LINE, "depth_m": 0.2, "fall_pct": 1.0, "leads_to": "surface"}
    (one,), found = judged([row], lambda x, y: 10.0 - 0.06 * x + 0 * y, flows={"S": 0.001})
    assert one.standing_m <= 0.02
    assert set(found) == {"swale-onto-neighbour"}  # where it leaves is asked
    assert one.verdict == "to be settled"


def test_a_level_swale_has_no_fall_and_its_end_is_asked():
    row = {"geometry": LINE, "level_up_m": 9.0, "level_down_m": 9.0}
    (one,), found = judged([row], plane)
    assert found["swale-without-fall"].severity == "fail"
    assert found["swale-without-fall"].measured == pytest.approx(0.0)
    assert {"swale-end-not-told"} <= set(found)
    assert one.verdict == "does not work"


def test_a_fall_within_ten_feet_of_a_house_is_two_percent():
    row = {"geometry": LINE, "depth_m": 0.2, "fall_pct": 1.0, "leads_to": "surface"}
    _, found = judged([row], lambda x, y: 10 - 0.015 * x + 0 * y, house=box(14, 22, 24, 30))
    assert found["swale-flat-at-house"].limit == 0.02
    _, found = judged([row], lambda x, y: 10 - 0.015 * x + 0 * y, house=box(14, 26, 24, 34))
    assert "swale-flat-at-house" not in found


def test_the_grid_knows_the_lining():
    rough = [judged([STRAIGHT | {"lining": lining}], plane)[0][0].capacity_m3s
             for lining in ("grass", "stone", "concrete")]  # fmt: skip
    assert rough[0] < rough[1] < rough[2]
    assert rough[2] / rough[0] == pytest.approx(0.035 / 0.015)


def test_a_berm_needs_a_swale_that_is_dug():
    berm = {"name": "B", "kind": "berm", "geometry": LineString([(10, 10), (30, 10)]),
            "height_m": 0.3}  # fmt: skip
    _, alone = judged([berm], plane)
    assert alone["berm-without-swale"].severity == "fail"
    _, both = judged([berm | {"leads_to": "S"}, STRAIGHT], plane)
    assert "berm-without-swale" not in both
    _, gone = judged([berm | {"leads_to": "S"}, STRAIGHT | {"status": "rejected"}], plane)
    assert "berm-without-swale" in gone


@pytest.mark.parametrize(
    ("rate", "rule", "hours"),
    [(NAN, "rain-garden-soil-unknown", None), (1e-6, "rain-garden-slow", 41.7),
     (1e-5, None, 4.2), (0.0, "rain-garden-slow", math.inf)],
)  # fmt: skip
def test_a_rain_garden_by_its_soil(rate, rule, hours):
    """.15 m at 1e-6 m/s take 150,000 s, 41.7 h; at 1e-5 m/s 4.2 h."""
    row = {"kind": "rain garden", "geometry": box(16, 16, 24, 24), "depth_m": 0.15,
           "soil_rate_m_s": rate}  # fmt: skip
    (one,), found = judged([row], lambda x, y: 10.0 + 0 * x)
    assert set(found) == ({rule} if rule else set())
    assert one.empties_h == pytest.approx(NAN if hours is None else hours, rel=0.01, nan_ok=True)
    # 64 cells, less what the sides of 3 to 1 take: cells at the edge reach .5 m / 3
    assert one.holds_m3 == pytest.approx(64 * 0.15, rel=0.01)


def test_a_rain_garden_keeps_ten_feet_from_a_house():
    row = {"kind": "rain garden", "geometry": box(16, 16, 20, 20), "depth_m": 0.15,
           "soil_rate_m_s": 1e-5}  # fmt: skip
    (one,), found = judged([row], lambda x, y: 10.0 + 0 * x, house=box(22, 16, 30, 24))
    assert found["rain-garden-near-building"].measured == pytest.approx(2.0)
    assert one.verdict == "does not work"


def test_raised_ground_at_a_sill():
    """Level ground at 10 m raised by up to .15 m at the wall: .1 m or less below a sill at 10.2."""
    row = {"kind": "regrade", "geometry": box(9, 16, 14, 24)}
    (one,), found = judged([row], lambda x, y: 10.0 + 0 * x, house=box(14, 16, 24, 24))
    assert one.met_share == 1.0
    assert one.fill_m3 == pytest.approx(8 * 0.05 * (3 + 2 + 1), rel=1e-6)
    assert found["fill-above-sill"].measured == pytest.approx(0.05, abs=1e-6)
    assert found["fill-above-sill"].severity == "warn"  # the ground is that of the data


def test_what_a_swale_is_dug_over_and_where_it_leaves_the_lot():
    pipes = empty_site_layer(SITE_LAYERS["drain_lines"], None)
    pipe = {"name": "P1", "geometry": LineString([(20.5, 10), (20.5, 30)])}
    gas = {"name": "Gas", "kind": "utility", "geometry": LineString([(25.5, 10), (25.5, 30)])}
    more = {
        "drain_lines": gpd.GeoDataFrame([dict.fromkeys(pipes.columns) | pipe]),
        "constraints": gpd.GeoDataFrame([gas]),
    }
    beyond = LineString([(10.5, 20.5), (39.4, 20.5)])
    row = {"geometry": beyond, "depth_m": 0.2, "fall_pct": 1.0, "leads_to": "surface"}
    (one,), found = judged([row], plane, more=more)
    assert [(what, name) for what, name, _ in one.crosses] == [("pipe", "P1"), ("utility", "Gas")]
    assert all(depth == pytest.approx(0.2, abs=0.02) for _, _, depth in one.crosses)
    assert one.crossed_at == (("P1", pytest.approx(10.0)), ("Gas", pytest.approx(15.0)))
    assert found["earthwork-off-lot"].measured == pytest.approx(1.4)


def test_a_rain_garden_is_dug_over_a_pipe_that_runs_through_it():
    """At its edges, where the pipe comes in and goes out, hardly anything is dug."""
    pipes = empty_site_layer(SITE_LAYERS["drain_lines"], None)
    pipe = {"name": "P1", "geometry": LineString([(20.5, 10), (20.5, 30)])}
    cable = {"name": "Cable", "kind": "utility", "geometry": box(19, 17, 20, 23)}
    more = {
        "drain_lines": gpd.GeoDataFrame([dict.fromkeys(pipes.columns) | pipe]),
        "constraints": gpd.GeoDataFrame([cable]),
    }
    row = {"kind": "rain garden", "geometry": box(16, 16, 24, 24), "depth_m": 0.3,
           "side_slope": 10.0, "soil_rate_m_s": 1e-5}  # fmt: skip
    (one,), found = judged([row], lambda x, y: 10.0 + 0 * x, more=more)
    # the cells in the middle lie 3.5 m from the edge, its sides rise 1 in 10
    assert one.crosses == (
        ("pipe", "P1", pytest.approx(0.3)), ("utility", "Cable", pytest.approx(0.3))
    )  # fmt: skip
    assert found["earthwork-over-pipe"].measured == pytest.approx(0.3)


def test_a_swale_over_a_sidewalk():
    walk = gpd.GeoDataFrame([{"name": "Walk", "kind": "sidewalk",
                              "geometry": box(34, 2, 35.5, 38)}])  # fmt: skip
    row = {"geometry": LINE, "depth_m": 0.2, "fall_pct": 1.0, "leads_to": "surface"}
    (one,), found = judged([row], plane, more={"constraints": walk})
    assert one.sidewalk == "Walk"
    assert "swale-over-sidewalk" in found


def test_a_swale_that_stops_short_of_its_inlet():
    inlets = empty_site_layer(SITE_LAYERS["inlets"], None)
    inlet = {"name": "CB1", "geometry": Point(36, 20.5)}
    more = {"inlets": gpd.GeoDataFrame([dict.fromkeys(inlets.columns) | inlet])}
    row = {"geometry": LINE, "depth_m": 0.2, "fall_pct": 1.0, "leads_to": "CB1"}
    _, found = judged([row], plane, more=more)
    assert found["swale-misses-its-end"].measured == pytest.approx(5.5)


def test_setbacks_count_rain_gardens_and_what_is_dug():
    """A garden from the lot line and the well, a swale from the well alone; none that is off."""
    layers = {name: empty_site_layer(schema, None) for name, schema in SITE_LAYERS.items()}
    layers["lot"] = gpd.GeoDataFrame({"name": ["Lot"]}, geometry=[box(2, 2, 38, 38)])
    layers["constraints"] = gpd.GeoDataFrame(
        [{"name": "Well", "kind": "well", "geometry": Point(30, 30)}]
    )
    garden = {"name": "G", "kind": "rain garden", "geometry": box(16, 16, 20, 20)}
    rows = [garden, STRAIGHT | {"name": "S"}, STRAIGHT | {"name": "R", "status": "rejected"}]
    layers["earthworks"] = gpd.GeoDataFrame([GIVEN | row for row in rows])
    site = SimpleNamespace(**layers)
    found = setback_distances(site, "proposed", layers["buildings"], 1.0)
    away = {(one.subject, one.kind): one.distance_m for one in found}
    assert away == {
        ("G", "lot line"): pytest.approx(14.0),
        ("G", "well"): pytest.approx(math.hypot(10, 10)),
        ("S", "well"): pytest.approx(9.5),
    }


def test_what_exists_is_listed_and_asked_for_where_the_data_do_not_show_it():
    """The plane lies .205 m above the levels of the swale; a ground with it in it does not."""
    (one,), found = judged([STRAIGHT | {"status": "existing"}], plane, flows={"S": 9.0})
    assert (one.verdict, one.cut_m3, set(found)) == ("not judged", 0.0, {"earthwork-not-in-data"})
    assert found["earthwork-not-in-data"].measured == pytest.approx(0.205, abs=1e-3)
    assert one.length_m == pytest.approx(20.0)
    _, found = judged([STRAIGHT | {"status": "existing"}],
                      lambda x, y: plane(x, y) - 0.205 * (np.abs(y - 20.5) < 0.6))  # fmt: skip
    assert found == {}
