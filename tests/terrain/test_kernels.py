"""The compiled loops against independent implementations."""

import heapq

import numpy as np
import pyflwdir
import pytest
import richdem
from hypothesis import example, given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays
from skimage.morphology import reconstruction

from lotflow.errors import InputError
from lotflow.terrain import drainage, kernels
from lotflow.terrain.known_surfaces import cone, tilted_plane
from lotflow.terrain.loops.directions import rising_order
from lotflow.terrain.loops.neighbours import COLUMN_STEP, ROW_STEP
from lotflow.terrain.loops.ways import hand_down

D8_CODE = np.array([0, 16, 32, 64, 128, 1, 2, 4, 8], dtype=np.uint8)  # W NW N NE E SE S SW


def ring(shape):
    mask = np.zeros(shape, dtype=bool)
    mask[[0, -1], :] = True
    mask[:, [0, -1]] = True
    return mask


def rough(size, seed, tilt=0.01):
    """Ground without equal elevations: fractal relief on a slope."""
    random = np.random.default_rng(seed)
    k = np.hypot(np.fft.fftfreq(size)[:, None], np.fft.rfftfreq(size)[None])
    k[0, 0] = 1
    spectrum = np.fft.rfft2(random.standard_normal((size, size))) * k**-1.5
    spectrum[0, 0] = 0
    relief = np.fft.irfft2(spectrum, s=(size, size))
    return drainage.level_steps(
        300 + relief / relief.std() + tilt * np.arange(size)[:, None]
        + 1e-3 * random.standard_normal((size, size))
    )  # fmt: skip


def summed_down(field):
    """Cells whose water passes through each cell, by the compiled loop."""
    total = np.ones(field.direction.shape)
    hand_down(total.ravel(), field.direction.ravel(), field.order[::-1], total.shape[1])
    return total


def slow_flood(elevation, drain):
    """Obvious priority-flood: filled surface, and the drain that each cell floods from."""
    rows, columns = elevation.shape
    filled = elevation.copy()
    done = drain.copy()
    heap = [(elevation[cell], cell) for cell in zip(*np.nonzero(drain), strict=True)]
    heapq.heapify(heap)
    while heap:
        level, (row, column) = heapq.heappop(heap)
        for dr in (-1, 0, 1):
            for dc in (-1, 0, 1):
                r, c = row + dr, column + dc
                if 0 <= r < rows and 0 <= c < columns and not done[r, c]:
                    done[r, c] = True
                    filled[r, c] = max(elevation[r, c], level)
                    heapq.heappush(heap, (filled[r, c], (r, c)))
    return filled


def slow_labels(filled, drain, number):
    """Walk from every cell down the steepest neighbour; level ground by breadth-first search."""
    rows, columns = filled.shape
    steps = np.where(drain, 0, -1)
    neighbours = [(-1, 0), (0, -1), (0, 1), (1, 0), (-1, -1), (-1, 1), (1, -1), (1, 1)]
    receiver = {}
    for row in range(rows):
        for column in range(columns):
            if drain[row, column]:
                continue
            falls = [
                ((filled[row, column] - filled[row + dr, column + dc]) / np.hypot(dr, dc), -k)
                for k, (dr, dc) in enumerate(neighbours)
            ]
            best, minus_k = max(falls)
            if best > 0:
                dr, dc = neighbours[-minus_k]
                receiver[row, column] = (row + dr, column + dc)
                steps[row, column] = 0
    front = list(zip(*np.nonzero(steps == 0), strict=True))
    while front:
        reached = []
        for row, column in front:
            for dr, dc in neighbours:
                r, c = row + dr, column + dc
                if (0 <= r < rows and 0 <= c < columns and steps[r, c] < 0
                        and filled[r, c] == filled[row, column]):  # fmt: skip
                    steps[r, c] = steps[row, column] + 1
                    reached.append((r, c))
        front = reached
    for row, column in zip(*np.nonzero(steps > 0), strict=True):
        for dr, dc in neighbours:
            r, c = row + dr, column + dc
            if filled[r, c] == filled[row, column] and steps[r, c] == steps[row, column] - 1:
                receiver[row, column] = (r, c)
                break
    label = np.zeros(filled.shape, dtype=int)
    for cell in np.ndindex(filled.shape):
        end = cell
        while end in receiver:
            end = receiver[end]
        label[cell] = number[end]
    return label


@pytest.mark.parametrize("seed", range(3))
def test_filled_surface_equals_scikit_image_reconstruction(seed):
    """Morphological reconstruction by erosion (scikit-image) fills the same, to the last bit."""
    elevation = rough(80, seed)
    drain = ring(elevation.shape)
    drain[40, 30:33] = True
    start = np.where(drain, elevation, elevation.max())
    expected = reconstruction(start, elevation, method="erosion", footprint=np.ones((3, 3)))
    filled = kernels.priority_flood(elevation, drain)
    np.testing.assert_array_equal(filled, expected)


@pytest.mark.parametrize("seed", range(3))
def test_filled_surface_equals_pyflwdir(seed):
    """pyflwdir's fill with the same outlets gives the same surface (float32 there)."""
    elevation = rough(80, seed).astype(np.float32).astype(np.float64)
    drain = ring(elevation.shape)
    drain[20, 50] = True
    expected, _ = pyflwdir.dem.fill_depressions(
        elevation.astype(np.float32), idxs_pit=np.flatnonzero(drain)
    )
    filled = kernels.priority_flood(elevation, drain)
    np.testing.assert_array_equal(filled.astype(np.float32), expected)


@pytest.mark.parametrize("seed", range(3))
def test_kernel_and_richdem_fill_are_the_same_to_the_last_bit(seed):
    """The two ways of filling are interchangeable."""
    elevation = rough(120, seed)
    drain = ring(elevation.shape)
    drain[60, 40:60] = True
    filled = kernels.priority_flood(elevation, drain)
    np.testing.assert_array_equal(drainage.depression_hierarchy(elevation, drain).filled(), filled)
    np.testing.assert_array_equal(drainage.filled_by_flood(elevation, drain), filled)


@settings(max_examples=100, deadline=None)
@given(
    arrays(np.int32, st.tuples(st.integers(1, 9), st.integers(1, 9)),
           elements=st.one_of(st.integers(0, 3), st.integers(0, 2**31 - 1))),
    st.integers(0, 4),
)  # fmt: skip
def test_rising_order_is_that_of_a_comparing_sort(level, most):
    """By level, of equal ones by steps, of equal ones by row then column."""
    steps = np.random.default_rng(most).integers(0, most + 1, level.shape, dtype=np.int32)
    expected = np.lexsort((np.arange(level.size), steps.ravel(), level.ravel()))
    np.testing.assert_array_equal(rising_order(level.ravel(), steps.ravel()), expected)


@pytest.mark.parametrize("levels", [3, 40, 100_000])
def test_the_lowest_neighbour_is_the_one_that_richdem_takes(levels):
    """Its own rule, of equal ones the first of its bands; level ground is led out as by ours."""
    for seed in range(4):
        random = np.random.default_rng(seed)
        elevation = random.integers(0, levels, (60, 47)) * drainage.LEVEL_STEP
        drain = ring(elevation.shape) | (random.random(elevation.shape) < 0.01)
        filled = kernels.priority_flood(elevation, drain)
        surface = richdem.rdarray(filled, no_data=-9999.0)
        surface.geotransform = [0.0, 1.0, 0.0, 0.0, 0.0, -1.0]
        shares = np.array(richdem.FlowProportions(surface, method="D8"))
        falling = (shares[1:-1, 1:-1, 0] == 0) & ~drain[1:-1, 1:-1]
        expected = shares[1:-1, 1:-1][falling][:, 1:].argmax(axis=1) + 1
        field = drainage.flow_field(filled, drain, rule="richdem-d8")
        assert falling.sum() > 100
        np.testing.assert_array_equal(field.direction[1:-1, 1:-1][falling], expected)


def test_a_flood_takes_elevations_finer_and_further_apart_than_levels():
    """Only which is higher counts; a wall of a million metres is one."""
    elevation = rough(40, 3) + np.random.default_rng(0).random((40, 40)) * 1e-9
    elevation[10, :30] = 1e6
    drain = ring(elevation.shape)
    np.testing.assert_array_equal(
        kernels.priority_flood(elevation, drain), slow_flood(elevation, drain)
    )


@pytest.mark.parametrize("relief", [drainage.MOST_RELIEF_M, 1e5, np.inf])
def test_a_surface_higher_than_any_ground_is_refused(relief):
    """Its levels would not fit into whole numbers, and would come out wrong without a word."""
    surface = np.zeros((5, 5))
    surface[2, 2] = relief - drainage.LEVEL_STEP
    if relief == drainage.MOST_RELIEF_M:
        assert drainage.whole_levels(surface).max() == 2**31 - 2
        assert (drainage.flow_field(surface, ring(surface.shape)).direction[1:-1, 1:-1] > 0).all()
    surface[2, 2] = relief
    with pytest.raises(InputError, match=r"more than 8,191 m in height"):
        drainage.whole_levels(surface)


@pytest.mark.parametrize("seed", range(4))
def test_labels_equal_a_slow_obvious_implementation(seed):
    """Catchments by the steepest rule agree cell by cell with pure Python."""
    elevation = rough(48, seed)
    drain = ring(elevation.shape)
    number = np.zeros(elevation.shape, dtype=np.int32)
    number[24, 20], number[10, 30:36], number[33, 12] = 1, 2, 3
    drain |= number > 0
    filled = kernels.priority_flood(elevation, drain)
    np.testing.assert_array_equal(filled, slow_flood(elevation, drain))
    field = drainage.flow_field(filled, drain, rule="steepest")
    np.testing.assert_array_equal(field.labels(number), slow_labels(filled, drain, number))


@pytest.mark.parametrize("rule", drainage.RULES)
def test_catchments_equal_pyflwdir_basins(rule):
    """pyflwdir's `basins` on our directions give the same catchments and areas."""
    elevation = rough(100, 7)
    number = np.zeros(elevation.shape, dtype=np.int32)
    cells = np.array([50 * 100 + 30, 20 * 100 + 70, 80 * 100 + 55])
    number.ravel()[cells] = [1, 2, 3]
    drain = ring(elevation.shape) | (number > 0)
    filled = kernels.priority_flood(elevation, drain)
    field = drainage.flow_field(filled, drain, rule=rule)
    peer = pyflwdir.from_array(D8_CODE[field.direction], ftype="d8", check_ftype=False)
    labels = field.labels(number)
    np.testing.assert_array_equal(labels, peer.basins(idxs=cells))
    total = field.accumulated(np.ones(elevation.shape))
    np.testing.assert_array_equal(total, peer.upstream_area(unit="cell"))
    np.testing.assert_array_equal(total.ravel()[cells], np.bincount(labels.ravel())[1:])


def _overlap(one, other):
    return (one & other).sum() / (one | other).sum()


@pytest.mark.parametrize("angle", [5, 10, 20, 30, 40])
def test_strip_of_a_channel_drain_on_a_plane_follows_the_true_descent(angle):
    """On a plane off axis the strip overlaps the exact one by 0.9; by steepest D8 it does not."""
    size, channel = 200, 20
    plane = tilted_plane(size, off_west=angle)
    number = np.zeros((size, size), dtype=np.int32)
    number[size // 2 - 10 : size // 2 + 10, channel] = 1
    drain = ring(plane.shape) | (number > 0)
    row, column = np.mgrid[:size, :size]
    # the plane falls to the west and south: the strip runs up to the east and north
    sideways = (size // 2 - 0.5 - row) - np.tan(np.radians(angle)) * (column - channel)
    exact = (np.abs(sideways) <= 10) & (column >= channel)
    overlap = {
        rule: _overlap(
            drainage.flow_field(plane.values, drain, rule=rule).labels(number) > 0, exact
        )
        for rule in ("ltd", "steepest")
    }
    assert overlap["ltd"] >= 0.9
    assert overlap["steepest"] < 0.5


@pytest.mark.parametrize(("start", "end"), [(5, 25), (20, 40), (50, 80)])
def test_sector_of_a_cone_follows_the_true_descent(start, end):
    """The sector above an arc of a cone overlaps the exact one by 0.9."""
    peak = cone(301)
    row, column = np.mgrid[:301, :301]
    away = np.hypot(column - 150, row - 150)
    angle = np.degrees(np.arctan2(row - 150, column - 150))
    sector = (angle >= start) & (angle < end)
    number = (sector & (away >= 119) & (away < 121)).astype(np.int32)
    drain = ring(peak.shape) | (number > 0)
    filled = kernels.priority_flood(peak.values, drain)
    labels = drainage.flow_field(filled, drain).labels(number) > 0
    assert _overlap(labels & (away < 120), sector & (away < 120)) >= 0.9


@pytest.mark.parametrize("azimuth", [0, 27, 45, 72])
@pytest.mark.parametrize("size", [49, 97, 193])
def test_a_sector_is_off_by_at_most_three_and_a_half_cells_of_its_arc(size, azimuth):
    """15 degrees of a cone, ever finer: in share of the area the error falls with the cell."""
    middle = (size - 1) / 2
    row, column = np.mgrid[:size, :size]
    away = np.hypot(column - middle, row - middle)
    turned = np.degrees(np.arctan2(column - middle, middle - row)) - azimuth
    sector = np.abs((turned + 180) % 360 - 180) < 7.5
    number = (sector & (np.abs(away - 0.8 * middle) < 1)).astype(np.int32)
    drain = ring(sector.shape) | (number > 0)
    labels = drainage.flow_field(cone(size).values, drain).labels(number) > 0
    within = away < 0.8 * middle
    error = (labels & within).sum() / (sector & within).sum() - 1
    arc = np.radians(15) * 0.8 * middle
    assert abs(error) * arc <= 3.5


SURFACES = arrays(
    np.float64, st.tuples(st.integers(4, 14), st.integers(4, 14)), elements=st.integers(0, 6)
)


@settings(max_examples=150, deadline=None)
@given(SURFACES)
def test_filling_never_lowers_and_is_idempotent(elevation):
    """Filled is at least the ground, and filling again changes nothing; ties included."""
    drain = ring(elevation.shape)
    filled = kernels.priority_flood(elevation, drain)
    assert (filled >= elevation).all()
    np.testing.assert_array_equal(kernels.priority_flood(filled, drain), filled)


@settings(max_examples=150, deadline=None)
@given(SURFACES, st.sampled_from(drainage.RULES))
def test_every_cell_drains_and_accumulation_never_falls_downstream(elevation, rule):
    """On stepped ground full of flats, all water reaches a drain and none is lost."""
    drain = ring(elevation.shape)
    filled = kernels.priority_flood(elevation, drain)
    field = drainage.flow_field(filled, drain, rule=rule)
    assert (field.direction[~drain] > 0).all()
    total = summed_down(field)
    assert total[drain].sum() == elevation.size
    columns = elevation.shape[1]
    step = ROW_STEP * columns + COLUMN_STEP
    below = np.arange(elevation.size) + step[field.direction.ravel()]
    assert (total.ravel()[below] >= total.ravel()).all()
    np.testing.assert_array_equal(field.accumulated(np.ones(elevation.shape)), total)


@settings(max_examples=60, deadline=None)
@given(st.integers(0, 10_000), st.integers(1, 12))
def test_catchments_are_disjoint_and_add_up(seed, inlets):
    """Every cell belongs to one drain, and the parts make the whole."""
    elevation = rough(40, seed)
    random = np.random.default_rng(seed)
    number = np.zeros(elevation.shape, dtype=np.int32)
    number.ravel()[random.choice(elevation.size, inlets, replace=False)] = range(1, inlets + 1)
    drain = ring(elevation.shape) | (number > 0)
    filled = kernels.priority_flood(elevation, drain)
    field = drainage.flow_field(filled, drain)
    label = field.labels(number)
    total = field.accumulated(np.ones(elevation.shape))
    counted = np.bincount(label.ravel(), minlength=inlets + 1)
    np.testing.assert_array_equal(
        [total[number == k].sum() for k in range(1, inlets + 1)], counted[1:]
    )
    assert counted.sum() == elevation.size


@settings(max_examples=40, deadline=None)
@given(st.integers(0, 10_000), st.integers(0, 3), st.booleans())
def test_turning_and_mirroring_the_ground_changes_no_catchment(seed, turns, mirror):
    """Catchment sizes do not depend on which way the grid is laid over the ground."""
    elevation = rough(40, seed)
    number = np.zeros(elevation.shape, dtype=np.int32)
    number[20, 15], number[28, 30] = 1, 2

    def sizes(ground, inlet):
        drain = ring(ground.shape) | (inlet > 0)
        filled = kernels.priority_flood(np.ascontiguousarray(ground), drain)
        label = drainage.flow_field(filled, drain).labels(np.ascontiguousarray(inlet))
        return np.bincount(label.ravel(), minlength=3)

    turned, turned_number = np.rot90(elevation, turns), np.rot90(number, turns)
    if mirror:
        turned, turned_number = turned[:, ::-1], turned_number[:, ::-1]
    np.testing.assert_array_equal(sizes(elevation, number), sizes(turned, turned_number))


@settings(max_examples=30, deadline=None)
@given(st.integers(0, 10_000), st.sampled_from([0.5, 2.0, 1024.0, -64.0]))
@example(477, 0.5)
def test_raising_the_datum_or_stretching_the_scale_changes_no_direction(seed, change):
    """Directions depend on the shape of the ground, not on its datum."""
    # half of it must be whole levels too: what they round off may turn a near tie
    step = 2 * drainage.LEVEL_STEP
    elevation = np.rint(rough(30, seed) / step) * step
    drain = ring(elevation.shape)

    def direction(ground):
        filled = kernels.priority_flood(ground, drain)
        return drainage.flow_field(filled, drain).direction

    np.testing.assert_array_equal(direction(elevation), direction(elevation + change))
    np.testing.assert_array_equal(direction(elevation), direction(elevation * abs(change)))
