"""The wrapper round richdem: what the engine does wrong does not come through."""

import subprocess
import sys
import textwrap

import numpy as np
import pytest
import richdem

from lotflow.errors import ParameterError
from lotflow.terrain import drainage
from lotflow.terrain.kernels import priority_flood
from lotflow.terrain.known_surfaces import tilted_plane, trench_with_pits


def ring(shape):
    mask = np.zeros(shape, dtype=bool)
    mask[[0, -1], :] = True
    mask[:, [0, -1]] = True
    return mask


@pytest.fixture
def trench():
    elevation = trench_with_pits().values
    return drainage.depression_hierarchy(elevation, ring(elevation.shape))


@pytest.mark.parametrize(
    ("column", "volume", "expected"),
    [
        (2, 2.0, [0, 0, 2, 0, 0, 0, 0, 0, 0]),
        (2, 3.5, [0, 0, 3, 0, 0.5, 0, 0, 0, 0]),  # the first pit full, the rest beyond its sill
        (2, 12.0, [0, 0, 17 / 3, 8 / 3, 11 / 3, 0, 0, 0, 0]),  # one pond at level 7.667
        (2, 30.0, [0, 0, 8, 5, 6, 1, 7, 0, 0]),  # 27 kept, 3 over the rim
        (6, 7.0, [0, 0, 0, 0, 1, 0, 6, 0, 0]),  # 6 kept, 1 over the sill into the next pit
    ],
)
def test_ponding_of_nested_pits_agrees_with_filling_them_by_hand(trench, column, volume, expected):
    """Water poured on one cell stands where hand computation puts it, storm after storm."""
    rain = np.zeros((5, 9))
    rain[2, column] = volume
    for _ in range(2):  # the hierarchy serves several storms
        np.testing.assert_allclose(trench.ponding(rain)[2], expected, atol=1e-12)


def test_hierarchy_names_pits_sills_and_what_they_merge_into(trench):
    """Two pits join at the sill of 5, that pair and the third at 9, all spill at 10."""
    depressions = trench.depressions()
    leaves = [node for node in depressions.values() if not node.children]
    assert sorted((d.pit_elevation, d.out_elevation, d.volume) for d in leaves) == [
        (2.0, 5.0, 3.0), (3.0, 9.0, 6.0), (4.0, 5.0, 1.0),
    ]  # fmt: skip
    merged = {d.label: d for d in depressions.values() if d.children}
    assert sorted((d.pit_elevation, d.out_elevation, d.volume) for d in merged.values()) == [
        (2.0, 9.0, 16.0), (2.0, 10.0, 27.0),
    ]  # fmt: skip


@pytest.mark.parametrize("value", [np.nan, np.inf, -np.inf])
def test_missing_values_are_refused_before_they_hang_the_engine(value):
    """A NaN hangs the hierarchy, an infinity floods everything: neither gets that far."""
    elevation = tilted_plane(10).values
    elevation[4, 4] = value
    with pytest.raises(ParameterError, match="finite"):
        drainage.depression_hierarchy(elevation, ring(elevation.shape))


def test_open_outer_ring_is_refused():
    """Without drains on the ring there is no way out of the window."""
    elevation = tilted_plane(10).values
    drain = ring(elevation.shape)
    drain[0, 3] = False
    with pytest.raises(ParameterError, match="ring"):
        drainage.depression_hierarchy(elevation, drain)


def test_interior_drain_really_drains():
    """richdem's own fill knows no drain inside; ours empties the bowl through it."""
    row, column = np.mgrid[:40, :40]
    bowl = 10 + np.hypot(column - 20, row - 20) * 0.5
    drain = ring(bowl.shape)
    drain[20, 20] = True
    np.testing.assert_array_equal(
        drainage.depression_hierarchy(bowl, drain).filled(), drainage.level_steps(bowl)
    )


def test_steepest_rule_takes_the_steepest_where_richdem_takes_the_lowest():
    """A diagonal neighbour 1.0 m lower is less steep than a cardinal one 0.8 m lower."""
    elevation = np.full((5, 5), 10.0)
    elevation[2, 2], elevation[2, 3], elevation[3, 3] = 5.0, 4.2, 4.0
    drain = ring(elevation.shape)
    drain[2, 3] = drain[3, 3] = True
    assert drainage.flow_field(elevation, drain, rule="steepest").direction[2, 2] == 5
    assert drainage.flow_field(elevation, drain, rule="richdem-d8").direction[2, 2] == 6


def test_plane_falling_due_north_is_not_sent_diagonally():
    """Of equal ways richdem takes a diagonal one; our rules go straight down."""
    row = np.mgrid[:40, :40][0]
    elevation = 300 + 0.05 * row
    for rule in ("ltd", "steepest"):
        direction = drainage.flow_field(elevation, ring(elevation.shape), rule=rule).direction
        assert (direction[1:-1, 1:-1] == 3).all()


def test_weights_are_not_changed():
    """richdem overwrites the weights it is given; ours stay."""
    plane = tilted_plane(20).values
    field = drainage.flow_field(plane, ring(plane.shape))
    weight = np.full(plane.shape, 2.0)
    total = field.accumulated(weight)
    assert (weight == 2.0).all()
    assert total[ring(plane.shape)].sum() == weight.sum()


@pytest.mark.parametrize("layout", ["transposed", "strided", "float32"])
def test_memory_layout_changes_nothing(layout):
    """A strided array can crash richdem, a Fortran-ordered one gives another answer."""
    big = np.random.default_rng(3).random((120, 120))
    odd = {"transposed": big.T, "strided": big[::2, ::2], "float32": big.astype(np.float32)}[layout]
    plain = np.ascontiguousarray(odd, dtype=np.float64)
    drain = ring(odd.shape)
    np.testing.assert_array_equal(
        drainage.depression_hierarchy(odd, drain).filled(),
        drainage.depression_hierarchy(plain, drain).filled(),
    )


def test_flats_are_drained_without_being_raised():
    """Level ground is led out breadth-first; no cell is left without a direction."""
    elevation = np.round(np.random.default_rng(5).random((60, 60)) * 3)
    drain = ring(elevation.shape)
    filled = drainage.depression_hierarchy(elevation, drain).filled()
    field = drainage.flow_field(filled, drain)
    np.testing.assert_array_equal(field.filled, filled)
    assert (field.direction[~drain] > 0).all()


def test_nothing_is_printed(capfd):
    """richdem prints progress and warnings to both streams; stdout belongs to the result."""
    plane = tilted_plane(30).values
    drain = ring(plane.shape)
    field = drainage.flow_field(drainage.depression_hierarchy(plane, drain).filled(), drain)
    field.accumulated(np.ones(plane.shape))
    assert capfd.readouterr() == ("", "")


def test_levels_are_exact():
    """Every cell of a filled pond has the same level to the last bit."""
    random = np.random.default_rng(1)
    elevation = np.round(random.random((80, 80)) * 2, 3)
    filled = drainage.depression_hierarchy(elevation, ring(elevation.shape)).filled()
    surface = drainage.level_steps(elevation)
    pond = filled > surface
    below, above = filled[:-1][pond[:-1] & pond[1:]], filled[1:][pond[:-1] & pond[1:]]
    np.testing.assert_array_equal(below, above)


@pytest.mark.parametrize("relief", [1e-4, 1e-2])
def test_dips_of_one_level_step_are_filled_too(relief):
    """The engine leaves dips below a micrometre unfilled; our levels are coarser than that."""
    elevation = drainage.level_steps(300 + relief * np.random.default_rng(2).random((300, 300)))
    drain = ring(elevation.shape)
    filled = drainage.depression_hierarchy(elevation, drain).filled()
    np.testing.assert_array_equal(filled, priority_flood(elevation, drain))


@pytest.mark.parametrize("seed", range(6))
def test_spill_levels_fill_as_a_flood_of_rain_does(seed):
    """Filled to its spill levels the surface is what the engine's own water makes of it."""
    random = np.random.default_rng(seed)
    elevation = drainage.level_steps(random.random((60, 50)) * 3 if seed % 2 else
                                     np.round(random.random((60, 50)) * 9))  # fmt: skip
    drain = ring(elevation.shape) | (random.random(elevation.shape) < 0.01)
    hierarchy = drainage.depression_hierarchy(elevation, drain)
    water = hierarchy.ponding(np.full(elevation.shape, 20.0))
    np.testing.assert_array_equal(hierarchy.filled(), elevation + water)


def test_another_distribution_of_richdem_is_named():
    """A package that imports as richdem without fill-spill-merge is told apart."""
    code = textwrap.dedent(
        """
        import richdem
        del richdem.fill_spill_merge
        import lotflow.terrain.drainage
        """
    )
    result = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, check=False
    )
    assert "EngineError" in result.stderr
    assert "richdem2>=2.4.3" in result.stderr
    assert hasattr(richdem, "fill_spill_merge")
