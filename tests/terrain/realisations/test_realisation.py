"""One realisation by whole numbers against the main chain, cell by cell."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import rasterio
import shapely
from affine import Affine

from lotflow.grid import Grid
from lotflow.terrain.drainage import LEVEL_STEP, level_steps
from lotflow.terrain.inlet_places import (
    DrawnInlet,
    drains_of,
    place_inlets,
    set_rims,
    snap_inlets,
)
from lotflow.terrain.realisations.realisation import open_ground, realisation_plan, realise
from lotflow.terrain.routing import Culvert, no_drains, route
from lotflow.terrain.surface import prepare_surface

TOP = Path(__file__).parents[3]
SHARED = TOP.parent / "shared" / "data"
SNAP = 2.0
LIMIT = 0.05


def rough(seed, size=70, step=0.001):
    """Fractal relief on a slope; with a coarse step much level ground."""
    random = np.random.default_rng(seed)
    wave = np.hypot(np.fft.fftfreq(size)[:, None], np.fft.rfftfreq(size)[None])
    wave[0, 0] = 1
    relief = np.fft.irfft2(
        np.fft.rfft2(random.standard_normal((size, size))) * wave**-1.5, s=(size, size)
    )
    values = 40 + 0.3 * relief / relief.std() + 0.02 * np.arange(size)[:, None]
    return level_steps(np.round(values / step) * step)


def grid_of(values):
    size = values.shape[0]
    return Grid(values, Affine(1, 0, 0, 0, -1, size), "EPSG:32618")


DRAWN = {
    "buildings": [shapely.box(20, 30, 32, 41), shapely.box(32, 30, 36, 36)],
    "walls": [(shapely.LineString([(10, 10), (10, 30), (18, 33)]), 0.5)],
    "water": [shapely.box(60, 5, 66, 9)],
}
INLETS = [
    DrawnInlet("A", shapely.Point(40.5, 20.5)),
    DrawnInlet("B", shapely.Point(15.5, 50.5)),
    DrawnInlet("C", shapely.LineString([(45, 45), (53, 48)])),
    DrawnInlet("D", shapely.Point(30.5, 44.5)),
    DrawnInlet("E", shapely.Point(41.5, 20.5)),  # beside A: may be set on the same cell
]
CULVERTS = (Culvert("k1", 28 * 70 + 40, 70 + 40), Culvert("k2", 62 * 70 + 12, 70 + 12))


def surface_with(values, drawn, *, hole=True):
    ground = values.copy()
    if hole:
        ground[50:54, 55:60] = np.nan
    return prepare_surface(grid_of(ground), **drawn)


def routed(surface, inlets, culverts, rule, rmse, channel=None):
    """The main chain: set, snapped, rims, routed; a channel may be held on given cells."""
    natural = route(surface, replace(no_drains(surface), culverts=culverts), rule=rule)
    placed = snap_inlets(place_inlets(inlets, surface), natural, radius_m=SNAP, pond_depth=LIMIT)
    if channel is not None:
        placed[2] = replace(placed[2], cells=channel)
    placed = set_rims(placed, natural, rmse=rmse)
    drains, _ = drains_of(placed, surface, culverts)
    return natural, placed, route(surface, drains, rule=rule, by_kernel=True)


def assert_equal(plan, surface, natural, placed, routing):
    found = realise(plan, open_ground(surface))
    landed = np.where(surface.piped.ravel(), 0, found.label[surface.landing.ravel()]).reshape(
        routing.label.shape
    )
    level = (found.natural_level.astype(float) + found.base) * LEVEL_STEP
    assert np.abs(level.reshape(natural.field.filled.shape) - natural.field.filled).max() < 1e-9
    assert [list(cells) for cells in found.inlet_cells] == [list(set_.cells) for set_ in placed]
    assert np.array_equal(landed, routing.label)


@pytest.mark.parametrize("rule", ["ltd", "steepest", "richdem-d8"])
@pytest.mark.parametrize("step", [0.0001, 0.01, 0.05])
def test_it_equals_the_main_chain_on_the_same_surface(rule, step):
    """Filled surface, inlet cells and labels, with all that can be drawn, also on level ground."""
    for seed in range(4):
        surface = surface_with(rough(seed, step=step), DRAWN)
        natural, placed, routing = routed(surface, INLETS, CULVERTS[:1], rule, 0.0)
        plan = realisation_plan(natural, placed, snap_m=SNAP, pond_depth_m=LIMIT, rule=rule)
        assert_equal(plan, surface, natural, placed, routing)


@pytest.mark.parametrize("culverts", [(), CULVERTS])
def test_it_equals_the_main_chain_on_another_surface(culverts):
    """The plan is made on the measured surface; the surface realised is another one."""
    for seed in range(6):
        measured = surface_with(rough(seed), DRAWN)
        other = surface_with(rough(seed) + 0.1 * (rough(seed + 50) - 40), DRAWN)
        natural, placed, _ = routed(measured, INLETS, culverts, "ltd", 0.0)
        plan = realisation_plan(natural, placed, snap_m=SNAP, pond_depth_m=LIMIT)
        # the cells of a channel drain stay those of the measured surface
        expected = routed(other, INLETS, culverts, "ltd", 0.0, channel=placed[2].cells)
        assert_equal(plan, other, *expected)


def test_rims_above_the_ground_hold_water_back_as_in_the_main_chain():
    """A rim seen on site rises with the ground of the realisation."""
    inlets = [
        replace(INLETS[0], rim_above_ground=0.04),
        replace(INLETS[1], rim_above_ground=0.10),
        replace(INLETS[2], rim_above_ground=0.03),
        *INLETS[3:],
    ]
    for seed in range(6):
        surface = surface_with(rough(seed), DRAWN)
        natural, placed, routing = routed(surface, inlets, (), "ltd", 0.0)
        plan = realisation_plan(natural, placed, snap_m=SNAP, pond_depth_m=LIMIT)
        assert_equal(plan, surface, natural, placed, routing)


def test_without_inlets_only_the_fill_counts():
    surface = surface_with(rough(3), {})
    natural, placed, routing = routed(surface, [], (), "ltd", 0.0)
    plan = realisation_plan(natural, placed, snap_m=SNAP, pond_depth_m=LIMIT)
    assert_equal(plan, surface, natural, placed, routing)


@pytest.mark.parametrize(
    "file",
    [
        TOP / "data_samples" / "alder_court" / "dem.tif",
        SHARED / "delft-ahn3" / "dtm_05m_filled.tif",
        SHARED / "delft-ahn3" / "dtm_05m_gaps.tif",
        SHARED / "alexandria-va" / "dsm_2m.tif",
        SHARED / "alexandria-va" / "dtm_2m.tif",
        SHARED / "nm-gully-ft" / "dtm_2ft.tif",
    ],
    ids=lambda file: file.stem,
)
@pytest.mark.parametrize("rule", ["ltd", "steepest", "richdem-d8"])
def test_it_equals_the_main_chain_on_real_ground(file, rule):
    """The sample and every open data set, as measured and with an error, with a dozen inlets."""
    if not file.is_file():
        pytest.skip(f"{file.name} is not there")
    with rasterio.open(file) as source:
        values = source.read(1, window=((0, 220), (0, 200))).astype(float)
        if source.nodata is not None:
            values[values == source.nodata] = np.nan
        transform = source.transform
    random = np.random.default_rng(3)
    known = np.argwhere(np.isfinite(values[2:-2, 2:-2])) + 2
    inlets = [
        DrawnInlet(f"I{number}", shapely.Point(transform @ (column + 0.5, row + 0.5)))
        for number, (row, column) in enumerate(random.choice(known, 12, replace=False))
    ]
    for error in (0.0, 0.1):
        noisy = level_steps(values + error * random.standard_normal(values.shape))
        surface = prepare_surface(Grid(noisy, transform, None))
        natural, placed, routing = routed(surface, inlets, (), rule, 0.0)
        plan = realisation_plan(natural, placed, snap_m=SNAP, pond_depth_m=LIMIT, rule=rule)
        assert_equal(plan, surface, natural, placed, routing)
