"""Ground out of single returns: exact where it can be, and honest about the rest."""

from __future__ import annotations

import numpy as np
import pytest
from affine import Affine
from matplotlib.tri import LinearTriInterpolator, Triangulation

from lotflow.terrain import ground_points
from lotflow.terrain.ground_points import (
    DistanceLaw,
    distance_law,
    grid_returns,
    learned_law,
    left_out,
    nearest,
    return_noise,
    thinned_returns,
    triangulated,
)
from lotflow.terrain.level_error import ErrorModel, random_field


def returns(number: int = 6000, side: float = 60.0, seed: int = 3) -> np.ndarray:
    """Returns of a plane with 3 cm of noise, at random places."""
    random = np.random.default_rng(seed)
    place = random.uniform(0, side, (number, 2))
    height = 10 - 0.02 * place[:, 0] + 0.01 * place[:, 1]
    return np.column_stack([place, height + random.normal(0, 0.03, number)])


def test_a_plane_is_exact_between_returns_and_missing_beyond_them() -> None:
    plane = returns()
    plane[:, 2] = 10 - 0.02 * plane[:, 0] + 0.01 * plane[:, 1]
    transform = Affine(0.5, 0, -20, 0, -0.5, 80)
    made = grid_returns(plane, transform, (200, 200), 10.0)
    row, column = np.mgrid[0:200, 0:200]
    x, y = -20 + (column + 0.5) * 0.5, 80 - (row + 0.5) * 0.5
    known = np.isfinite(made.elevation)
    np.testing.assert_allclose(made.elevation[known], (10 - 0.02 * x + 0.01 * y)[known], atol=1e-9)
    inside = (x > 2) & (x < 58) & (y > 2) & (y < 58)
    assert known[inside].all()
    assert not known[(x < -1) | (y > 61)].any()
    assert made.returns.sum() == len(plane)


def test_triangles_are_those_of_another_library() -> None:
    """matplotlib, which finds triangles by its own way, also far from the origin."""
    points = returns(500) + np.array([85_000.0, 447_000.0, 0.0])
    random = np.random.default_rng(1)
    at = random.uniform(10, 50, (400, 2)) + points[:, :2].min(axis=0)
    origin = points[:, :2].min(axis=0)
    own = Triangulation(*(points[:, :2] - origin).T)
    expected = LinearTriInterpolator(own, points[:, 2])(*(at - origin).T)
    found = triangulated(points, at)
    assert np.mean(np.abs(found - expected) < 1e-9) > 0.99  # of four on a circle either is right


def test_distance_and_count_are_those_of_a_plain_search() -> None:
    points = returns(200, side=10.0)
    made = grid_returns(points, Affine(1, 0, 0, 0, -1, 10), (10, 10), 50.0)
    for row, column in [(0, 0), (4, 7), (9, 9)]:
        x, y = column + 0.5, 10 - row - 0.5
        away = np.hypot(points[:, 0] - x, points[:, 1] - y)
        assert made.distance[row, column] == pytest.approx(away.min())
        inside = (np.abs(points[:, 0] - x) < 0.5) & (np.abs(points[:, 1] - y) < 0.5)
        assert made.returns[row, column] == inside.sum()


def test_returns_at_one_place_are_one() -> None:
    twice = np.concatenate([returns(100), returns(100) + np.array([0.0, 0.0, 0.2])])
    once = thinned_returns(twice)
    assert len(once) == 100
    assert np.sort(once[:, 2]) == pytest.approx(np.sort(returns(100)[:, 2] + 0.1))


def test_noise_is_that_of_pairs() -> None:
    random = np.random.default_rng(5)
    place = np.repeat(random.uniform(0, 100, (2000, 2)), 2, axis=0)
    place[::2] += 0.02
    points = np.column_stack([place, random.normal(0, 0.05, 4000)])
    assert return_noise(points) == pytest.approx(0.05, rel=0.1)
    assert return_noise(returns(100)) == 0.03  # too few pairs


def test_too_few_returns_give_no_law() -> None:
    assert learned_law(returns(300)) is None
    assert distance_law(np.zeros(100), np.zeros(100), 0.03) is None


def test_a_law_is_learned_that_holds_returns_it_has_not_seen() -> None:
    """Of ground with relief of its own: nine in ten of the returns left out, near and far."""
    random = np.random.default_rng(11)
    cells = random_field(ErrorModel(0.15, 3.0, 0.0).spectrum((256, 256), 0.5), random)
    place = random.uniform(0, 127, (40_000, 2))
    row, column = (place / 0.5).astype(int).T
    share = place / 0.5 - np.column_stack([row, column])
    corner = [cells[row + i, column + j] for i in (0, 1) for j in (0, 1)]
    a, b = share.T
    z = (corner[0] * (1 - a) + corner[2] * a) * (1 - b) + (corner[1] * (1 - a) + corner[3] * a) * b
    points = np.column_stack([place, z + random.normal(0, 0.02, len(z))])
    error, distance, _ = left_out(points, random)
    law = learned_law(points)
    assert law is not None
    inside = np.abs(error) <= 1.645 * law.deviation(distance)
    for low, high in ((0, 0.5), (0.5, 1.5), (1.5, 5)):
        own = (distance >= low) & (distance < high)
        assert own.sum() > 100
        assert 0.82 <= inside[own].mean() <= 0.98
    assert law.deviation(3.0) > 2 * law.deviation(0.3)
    # the same again, and not of the order of returns
    assert learned_law(points) == law


def test_of_many_returns_some_teach(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(ground_points, "_MOST_RETURNS", 2000)
    law = learned_law(returns(8000))
    assert isinstance(law, DistanceLaw)
    assert law.returns < 4 * 2000
    assert nearest(returns(10), returns(10)[:, :2]).max() == 0
