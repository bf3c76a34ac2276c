"""Catchments in parts: what is pavement all the way, what is not, and how long each takes."""

from dataclasses import replace

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from lotflow.rainfall import RainfallTable
from lotflow.runoff.catchment_parts import catchment_parts, slowest_way, travel_bounds
from lotflow.runoff.concentration import path_time, path_time_in_storm
from lotflow.runoff.covers import DrawnCover, ground_cover
from lotflow.runoff.rational import governing_flows
from lotflow.runoff.travel import sheet_flow_time
from lotflow.terrain import known_surfaces as known
from lotflow.terrain.flow_paths import courses_to
from lotflow.terrain.routing import Drains, route
from lotflow.terrain.surface import prepare_surface
from lotflow.units import METRES_PER_INCH, SQUARE_METRES_PER_SQUARE_FOOT, from_si, to_si

RAIN_M = 3.6 * METRES_PER_INCH
SIZE = 40


def timed(profile):
    return path_time(profile, RAIN_M)


def plane_parts(inlet_cells, covers=(), *, slope=0.02, buildings=(), piped=False):
    """Parts on a plane that falls west; one inlet per list of (row, column)."""
    surface = prepare_surface(known.tilted_plane(SIZE, slope=slope), buildings=list(buildings))
    if piped:
        surface = replace(surface, piped=surface.roof)
    inlet = np.zeros((SIZE, SIZE), dtype=np.int32)
    for number, cells in enumerate(inlet_cells, 1):
        for cell in cells:
            inlet[cell] = number
    routing = route(surface, Drains(inlet, {}, (), len(inlet_cells)))
    cover = ground_cover(
        surface.ground, list(covers), roof=surface.roof, water=surface.water, ground="lawn",
        soil_group="C", slope=slope,
    )  # fmt: skip
    courses = courses_to(routing, inlet)
    return catchment_parts(courses, len(inlet_cells), cover, timed), cover, routing


def channel(rows, column):
    return [(row, column) for row in range(*rows)]


def test_pavement_at_the_inlet_is_a_part_of_its_own():
    """30 x 4 m of asphalt east of a channel drain, lawn beyond it."""
    asphalt = DrawnCover("asphalt", shapely.box(6, 5, 10, 35))
    parts, cover, routing = plane_parts([channel((5, 35), 5)], [asphalt])
    paved, unpaved = parts.cells[:, cover.keys.index("asphalt")]
    assert (paved, unpaved) == (120, 0)
    assert parts.cells.sum() == (routing.label == 1).sum()
    assert parts.ways[0].length_m == 4
    # from the last cell that is no edge; the edge itself drains off the grid
    assert parts.ways[1].length_m == 33
    assert parts.longest_way(0) is parts.ways[1]


def test_the_time_of_the_lawn_is_that_of_tr55_by_hand():
    """100 ft of sheet flow over dense grass, then shallow flow (TR-55 worksheet 3)."""
    parts, _, _ = plane_parts([channel((5, 35), 5)])
    sheet, shallow = parts.ways[1].time.segments
    assert sheet.time_s == pytest.approx(
        float(sheet_flow_time(30.48, 0.02, 0.24, RAIN_M)), rel=1e-5
    )
    assert shallow.kind == "shallow unpaved"
    by_hand = (33 - 30.48) / (16.1345 * 0.3048 * np.sqrt(0.02))
    # levels are kept to four micrometres, of a fall of five centimetres here
    assert shallow.time_s == pytest.approx(by_hand, rel=1e-4)


def test_pavement_behind_lawn_is_not_directly_connected():
    asphalt = DrawnCover("asphalt", shapely.box(12, 5, 20, 35))
    parts, cover, _ = plane_parts([channel((5, 35), 5)], [asphalt])
    assert parts.cells[:, cover.keys.index("asphalt")].tolist() == [0, 240]
    assert parts.ways[0] is None


def test_a_short_way_over_flat_lawn_may_be_slower_than_a_longer_one_over_pavement():
    """The slower of the longest and of the slowest way counts, not the longest alone."""
    lawn = DrawnCover("lawn", shapely.box(6, 20, 24, 35))
    asphalt = DrawnCover("asphalt", shapely.box(6, 5, 40, 20))
    parts, _, _ = plane_parts([channel((5, 35), 5)], [asphalt, lawn])
    by_row = {way.start // SIZE for way in parts.ways if way is not None}
    assert len(by_row) == 2
    assert parts.ways[1].time.travel_s > 5 * parts.ways[0].time.travel_s


def test_eaves_bring_the_roof_to_the_part_on_which_they_drip():
    """A roof whose eaves stand on pavement that leads to the inlet is connected."""
    house = shapely.box(12, 15, 18, 25)
    asphalt = DrawnCover("asphalt", shapely.box(6, 5, 40, 35))
    parts, cover, _ = plane_parts([channel((5, 35), 5)], [asphalt], buildings=[house])
    assert parts.cells[:, cover.keys.index("roof")].tolist() == [60, 0]
    parts, cover, _ = plane_parts([channel((5, 35), 5)], buildings=[house])
    assert parts.cells[:, cover.keys.index("roof")].tolist() == [0, 60]
    parts, cover, _ = plane_parts([channel((5, 35), 5)], buildings=[house], piped=True)
    assert parts.cells[:, cover.keys.index("roof")].tolist() == [0, 0]


@settings(max_examples=15, deadline=None)
@given(
    column=st.integers(7, 36),
    rows=st.tuples(st.integers(2, 18), st.integers(20, 38)),
    west=st.integers(2, 30),
)
def test_splitting_a_catchment_leaves_its_ground_unchanged(column, rows, west):
    """A second inlet within the first one's catchment takes what the first one loses."""
    gravel = DrawnCover("gravel", shapely.box(west, 10, west + 9, 30))
    house = shapely.box(20, 12, 26, 20)
    whole, _, _ = plane_parts([channel((1, 39), 5)], [gravel], buildings=[house])
    split, cover, _ = plane_parts(
        [channel((1, 39), 5), [(r, column) for r in range(*rows)]], [gravel], buildings=[house]
    )
    assert split.cells.sum(axis=0).tolist() == whole.cells.sum(axis=0).tolist()
    area_by_c = whole.cells @ cover.values.runoff_coefficient
    assert (split.cells @ cover.values.runoff_coefficient).sum() == pytest.approx(area_by_c.sum())


def test_a_small_pavement_governs_over_a_late_lawn_at_irving(irving):
    """
    HEC-22 section 7.2.2 on the ground: 2000 ft2 of pavement beside 4000 ft2 of lawn.

    NOAA Atlas 14 at Irving TX has 8.32 in/h for 5 min, 10 years. Pavement (C 0.9) alone:
    0.9 x 8.316 in/h x 2000 ft2 = 0.3465 cfs; all of it at 25 min: less.
    """
    width = 20  # m: pavement 20 m x 9 m = 180 m2 = 1938 ft2, lawn 20 m x 19 m = 380 m2
    pavement = DrawnCover("asphalt", shapely.box(5, 10, 14, 30), coefficient=0.9)
    lawn = DrawnCover("lawn", shapely.box(14, 10, 40, 30), coefficient=0.15)
    barrier = [(row, 33) for row in range(10, 30)]
    parts, cover, _ = plane_parts([channel((10, 30), 4), barrier], [pavement, lawn], slope=0.0017)
    area = parts.cells[:2].sum(axis=1)
    assert area.tolist() == [width * 9, width * 19 + 20]  # the channel's own cells are lawn
    times = [parts.ways[0].time.time_s, parts.ways[1].time.time_s]
    assert times[0] == 300
    assert 20 * 60 < times[1] < 40 * 60
    ca = parts.cells[:2] @ cover.values.runoff_coefficient
    peaks = governing_flows(times, ca, [0, 0], irving, [10], groups=1)
    alone = 0.9 * to_si(8.316, "in_h") * width * 9
    assert peaks.flow_m3s[0, 0] == pytest.approx(alone, rel=5e-5)
    assert peaks.time_of_concentration_s[0, 0] == 300
    per_2000_ft2 = peaks.flow_m3s[0, 0] * 2000 * SQUARE_METRES_PER_SQUARE_FOOT / (width * 9)
    assert from_si(per_2000_ft2, "cfs") == pytest.approx(0.3465, abs=5e-5)


@pytest.mark.parametrize("in_a_storm", [False, True])
def test_travel_bounds_are_never_less_than_the_times_way_by_way(in_a_storm):
    """On rough ground with strips of pavement, to every target on the ways; by TR-55 the times."""
    rain = RainfallTable([300, 3600, 86_400], [2], [[0.01], [0.03], [0.09]], "invented")
    random = np.random.default_rng(3)
    plane = known.tilted_plane(90, slope=0.02)
    rough = replace(plane, values=plane.values + 0.05 * random.random(plane.shape))
    surface = prepare_surface(rough)
    strips = [DrawnCover("asphalt", shapely.box(x, 0, x + 5, 90)) for x in (12, 33, 60)]
    cover = ground_cover(
        surface.ground, strips, roof=surface.roof, water=surface.water, ground="lawn",
        soil_group="C", slope=0.02,
    )  # fmt: skip
    target = np.zeros(surface.ground.shape, dtype=np.int32)
    for number, column in enumerate((3, 14, 30, 62), 1):  # one row of targets below another
        target[1:-1, column] = number
    nothing = Drains(np.zeros_like(target), {}, (), 0)
    courses = courses_to(route(surface, nothing), target)

    def time(profile):
        return path_time_in_storm(profile, rain, 2) if in_a_storm else timed(profile)

    pairs = 0
    for start in random.choice(target.size, 40, replace=False).tolist():
        most = travel_bounds(courses, cover, time, start, [1, 2, 3, 4])
        for number, bound in most.items():
            way = slowest_way(courses, cover, time, [start], number)
            assert way.time.travel_s <= bound * (1 + 1e-9)
            if not in_a_storm:
                assert way.time.travel_s == pytest.approx(bound, rel=1e-9)
            pairs += 1
    assert pairs > 40
