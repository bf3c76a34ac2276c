"""Light on the ground and colours of depth."""

from __future__ import annotations

import numpy as np
import pytest
from affine import Affine

from lotflow.grid import Grid
from lotflow.outputs.map.ground import depth_pixels, depth_scale, ground_pixels, illumination


def grid(values: np.ndarray) -> Grid:
    return Grid(values, Affine(1, 0, 0, 0, -1, len(values)), None)


ROW, COLUMN = np.mgrid[:20, :20].astype(float)


@pytest.mark.parametrize(
    ("rise", "bright"),
    [(COLUMN, True), (-COLUMN, False), (ROW, True), (-ROW, False), (ROW + COLUMN, True)],
)
def test_light_comes_from_the_north_west(rise, bright):
    """Ground that rises towards the east or the south faces it; rows count southward."""
    light = illumination(grid(0.1 * rise))[10, 10]
    assert (light > 0.55) if bright else (light < 0.45)


def test_noise_on_level_ground_stays_noise():
    """A centimetre of noise over a metre is a slope of 1 %: at most six times that is shown."""
    noise = np.random.default_rng(1).normal(0.0, 0.01, (50, 50))
    light = illumination(grid(noise))
    assert np.abs(light - 0.5).max() < 0.12


def test_gaps_are_transparent_and_do_not_spread():
    values = 0.1 * COLUMN
    values[5:8, 5:8] = np.nan
    pixels = ground_pixels(grid(values))
    assert (pixels[..., 3] == 0).sum() == 9
    assert (pixels[np.isnan(values)][:, 3] == 0).all()
    lit = illumination(grid(values))
    assert np.nanmax(np.abs(lit - lit[0, 0])) < 1e-9


def test_no_ground_at_all_is_no_error():
    assert (ground_pixels(grid(np.full((4, 4), np.nan)))[..., 3] == 0).all()


def test_deeper_is_darker_all_the_way():
    """Luma of ITU-R BT.601, so that it holds for colour-blind eyes and in grey print."""
    pixels = depth_pixels(np.linspace(0.001, 0.2, 60)[None, :], 0.2)[0].astype(float)
    luma = pixels[:, :3] @ (0.299, 0.587, 0.114)
    assert (np.diff(luma) <= 0).all()
    assert luma[0] - luma[-1] > 150


def test_dry_ground_shows_through():
    pixels = depth_pixels(np.array([[0.0, np.nan, 0.1]]), 0.2)
    assert pixels[0, :, 3].tolist() == [0, 0, 225]


@pytest.mark.parametrize(
    ("deepest", "units", "ticks"),
    [
        (0.004, "metric", (0, 0.01, 0.02)),
        (0.12, "metric", (0, 0.05, 0.10, 0.15)),
        (0.98, "metric", (0, 0.2, 0.4, 0.6, 0.8, 1.0)),
        (15.46, "metric", (0, 5, 10, 15, 20)),
        (0.30, "us", (0, 5, 10, 15)),
    ],
)
def test_depths_are_scaled_by_round_numbers(deepest, units, ticks):
    scale = depth_scale(np.array([deepest]), units)
    assert scale.ticks == ticks
    assert not scale.exceeded


def test_one_deep_pit_does_not_make_all_else_pale():
    scale = depth_scale(np.append(np.linspace(0.01, 0.2, 400), 3.0), "metric")
    assert scale.deepest_m == pytest.approx(0.2)
    assert scale.exceeded


def test_an_artefact_deeper_than_what_is_certain_does_not_set_the_scale():
    scale = depth_scale(np.array([0.05, 0.12, 3.2, 3.2]), "metric", certain_m=0.12)
    assert scale.deepest_m == pytest.approx(0.15)
    assert scale.exceeded


def test_without_water_there_is_a_scale_still():
    assert depth_scale(np.zeros((3, 3)), "us").ticks == (0.0, 1.0, 2.0)
