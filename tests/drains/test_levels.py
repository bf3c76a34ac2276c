"""Levels as they were measured, and proposed ones that keep cover and fall."""

import numpy as np
import pytest

from lotflow.drains.available_fall import available_falls, fall_findings
from lotflow.drains.level_checks import level_findings
from lotflow.drains.levels import line_inverts
from lotflow.errors import InputError
from lotflow.terrain.level_error import LevelError


def inverts_of(system):
    return line_inverts(system.network, system.ground, system.nodes, cover_m=system.cover_m)


def test_given_inverts_count_an_elevation_before_a_depth(bench, make):
    """Absolute, below the measured rim, and below the rim taken from the ground."""
    placed = [make.inlet("in", 0, 0), make.outlet("out", 20, 0)]
    bench.rims = {"in": 10.05}
    both = make.line("A", [(0, 0), (20, 0)], up=9.5, up_below=0.4, down_below=0.7)
    laid = inverts_of(bench.system([both], placed))
    assert (laid.up_m[0], laid.up_basis[0]) == (9.5, "given")
    assert laid.down_m[0] == pytest.approx(10.0 - 0.7)
    assert laid.down_basis[0] == "below rim"
    below = make.line("A", [(0, 0), (20, 0)], up_below=0.4, down=9.4)
    laid = inverts_of(bench.system([below], placed))
    assert laid.up_m[0] == pytest.approx(9.65)
    assert laid.from_raster == (False,)  # the rim was measured, the lower invert given


def test_head_starts_under_its_cover(bench, make):
    """FHWA HEC-22, 3rd ed. 2009, example 7-3: 112.77 less 0.90 of cover and 0.46 m is 111.41."""
    bench.ground, bench.cover = make.ground(level=112.77), 0.90
    line = make.line("40-41", [(0, 0), (50, 0)], size=0.46)
    placed = [make.inlet("40", 0, 0), make.outlet("o", 50, 0, "public inlet")]
    assert inverts_of(bench.system([line], placed)).up_m[0] == pytest.approx(111.41)


def test_proposed_inverts_keep_cover_and_least_fall_and_match_crowns(bench, make):
    """Three lines on level ground: 1/8 in per ft each, no crown above one that comes in."""
    lines = [make.line("A", [(0, 0), (12, 0)], "in", "m"),
             make.line("B", [(12, 0), (24, 0)], "m", "n", size=0.15),
             make.line("C", [(24, 0), (36, 0)], "n", "out", size=0.15)]  # fmt: skip
    bench.inverts = {"out": 8.5}
    system = bench.system(lines, [make.inlet("in", 0, 0), make.outlet("out", 36, 0)])
    laid = inverts_of(system)
    assert set(laid.up_basis + laid.down_basis) == {"proposed"}
    assert laid.up_m[0] == pytest.approx(10.0 - 0.3 - 0.1016)
    fall = laid.up_m - laid.down_m
    assert fall[:2] == pytest.approx(12 * 0.010417, rel=1e-4)
    assert laid.up_m[1] + 0.15 == pytest.approx(laid.down_m[0] + 0.1016)
    assert laid.up_m[2] == pytest.approx(laid.down_m[1])
    assert laid.down_m[2] == 8.5
    # only the last line's lower end hangs on no elevation data
    assert laid.from_raster == (True, True, True)


def test_proposed_line_keeps_its_cover_where_the_ground_dips(bench, make):
    """A dip of 0.5 m half-way lowers the whole line, and its cover is kept everywhere."""
    bench.ground.values[:, 24:27] -= 0.5
    line = make.line("A", [(0, 0), (40, 0)], "in", "m", proposed=True)
    after = make.line("B", [(40, 0), (50, 0)], "m", "out")
    placed = [make.inlet("in", 0, 0), make.outlet("out", 50, 0)]
    state = bench.state([line, after], placed)
    assert state.profile(0).cover_m.min() == pytest.approx(0.3)


def test_last_line_runs_to_the_outlet_or_below_the_lid_of_an_emitter(bench, make):
    """Without an invert of the outlet: the ground there; an emitter's pipe ends below its lip."""
    bench.ground = make.ground(gradient=0.05)
    for kind, expected in (("daylight", 9.0), ("pop-up emitter", 9.0 - 0.1016)):
        placed = [make.inlet("in", 0, 0), make.outlet("out", 20, 0, kind)]
        system = bench.system([make.line("A", [(0, 0), (20, 0)])], placed)
        ground = system.nodes["out"].ground_m
        assert inverts_of(system).down_m[0] - ground == pytest.approx(expected - 9.0)


def test_two_measured_levels_that_disagree_are_refused(bench, make):
    """With a measured rim both are facts, and one is wrong."""
    bench.rims = {"in": 10.0}
    line = make.line("A", [(0, 0), (20, 0)], up=9.5, up_below=0.3, down=9.2)
    system = bench.system([line], [make.inlet("in", 0, 0), make.outlet("out", 20, 0)])
    with pytest.raises(InputError, match=r"invert_up_m = 9\.5: .*differ by 0\.20 m"):
        level_findings(system.network, system.ground, system.nodes, rmse_m=0.1)


def test_level_that_disagrees_with_a_rim_off_the_raster_is_doubted(bench, make):
    """The elevation data may be wrong by twice its RMSE; beyond that it is said."""
    placed = [make.inlet("in", 0, 0), make.outlet("out", 20, 0)]
    for below, expected in ((0.35, []), (0.25, ["inverts-disagree"])):
        line = make.line("A", [(0, 0), (20, 0)], up=9.5, up_below=below, down=9.2)
        system = bench.system([line], placed)
        found = level_findings(system.network, system.ground, system.nodes, rmse_m=0.1)
        assert [f.rule for f in found] == expected


def test_invert_above_ground_fails(bench, make):
    """0.3 m may be a mistake of levelling."""
    placed = [make.inlet("in", 0, 0), make.outlet("out", 20, 0)]
    system = bench.system([make.line("A", [(0, 0), (20, 0)], up=10.3, down=9.0)], placed)
    found = level_findings(system.network, system.ground, system.nodes, rmse_m=0.1)
    assert [(f.rule, f.severity, f.measured) for f in found] == [
        ("invert-above-ground", "fail", pytest.approx(0.3))
    ]
    assert (found[0].x, found[0].y) == (0.0, 0.0)


def test_line_that_leaves_the_elevation_data(bench, make):
    """Partly is said with the share and the place; wholly is refused."""
    placed = [make.inlet("in", 0, 0), make.outlet("out", 70, 0)]
    system = bench.system([make.line("A", [(0, 0), (70, 0)], up=9.5, down=9.0)], placed)
    found = level_findings(system.network, system.ground, system.nodes, rmse_m=0.1)
    assert [f.rule for f in found] == ["line-leaves-elevation-data"]
    assert found[0].x == pytest.approx(55.0)
    assert found[0].measured == pytest.approx(16 / 71, abs=1e-4)
    away = [make.inlet("in", 200, 0), make.outlet("out", 220, 0)]
    system = bench.system([make.line("A", [(200, 0), (220, 0)], up=9.5, down=9.0)], away)
    with pytest.raises(InputError, match="outside the elevation data"):
        level_findings(system.network, system.ground, system.nodes, rmse_m=0.1)


def test_ground_profile_has_a_station_in_every_cell(bench, make):
    """Along the axis 21 stations over 20 m, each with its cell's ground."""
    bench.ground = make.ground(gradient=0.01)
    state = bench.state(
        [make.line("A", [(0, 0), (20, 0)], up=9.5, down=9.3)],
        [make.inlet("in", 0, 0), make.outlet("out", 20, 0)],
    )
    profile = state.profile(0)
    assert profile.distance_m == pytest.approx(np.arange(21.0))
    assert profile.invert_m == pytest.approx(9.5 - 0.01 * np.arange(21))
    # cells reach half a metre to either side of their centres
    assert profile.ground_m == pytest.approx(10.0 - 0.01 * (np.arange(21) + 0.5))
    assert profile.cover_m == pytest.approx(profile.ground_m - profile.invert_m - 0.1016)


def test_available_fall_against_what_it_takes(bench, make):
    """1 m over 20 m less 0.3 m cover, 4 in pipe and 1/8 in per ft leaves 0.39 m."""
    bench.rims, bench.inverts = {"in": 10.0}, {"out": 9.0}
    system = bench.system(
        [make.line("A", [(0, 0), (20, 0)])], [make.inlet("in", 0, 0), make.outlet("out", 20, 0)]
    )
    falls = available_falls(
        system.network, system.nodes, cover_m=0.3, error=LevelError(0.1, 10.0, 0.1)
    )
    assert falls[0].left_m == pytest.approx(1.0 - 0.3 - 0.1016 - 20 / 96, abs=1e-5)
    assert falls[0].interval_m == 0.0  # both levels were measured
    assert not fall_findings(system.network, falls)


@pytest.mark.parametrize(
    ("fall", "severity"), [(1.2, None), (0.7, "note"), (0.5, "warn"), (0.2, "fail")]
)
def test_verdict_on_gravity_follows_the_accuracy_of_the_data(bench, make, fall, severity):
    """Enough, enough but in doubt, too little but in doubt, too little for sure."""
    bench.ground = make.ground(gradient=fall / 20)
    system = bench.system(
        [make.line("A", [(0, 0), (20, 0)])], [make.inlet("in", 0, 0), make.outlet("out", 20, 0)]
    )
    falls = available_falls(
        system.network, system.nodes, cover_m=0.3, error=LevelError(0.1, 10.0, 0.1)
    )
    found = fall_findings(system.network, falls)
    assert [f.severity for f in found] == ([severity] if severity else [])
