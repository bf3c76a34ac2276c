"""Levels as they were measured, and proposed ones that keep cover and fall."""

from dataclasses import replace

import numpy as np
import pytest

from lotflow.drains.drain_system import run_system
from lotflow.drains.levels import datums_of_ends, level_findings, line_inverts
from lotflow.drains.outlet_findings import available_falls, fall_findings
from lotflow.drains.system_check import check_system
from lotflow.errors import InputError
from lotflow.findings import ordered
from lotflow.terrain.level_error import LevelError

INCH = 0.0254


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
    assert laid.down_basis[0] == "from ground"  # no rim was measured there
    below = make.line("A", [(0, 0), (20, 0)], up_below=0.4, down=9.4)
    laid = inverts_of(bench.system([below], placed))
    assert laid.up_m[0] == pytest.approx(9.65)
    assert laid.basis(0) == ("below rim", "given")
    bench.rims = {}
    assert inverts_of(bench.system([below], placed)).basis(0) == ("from ground", "given")


def test_head_starts_under_its_cover(bench, make):
    """FHWA HEC-22, 3rd ed. 2009, example 7-3: 112.77 less 0.90 of cover and 0.46 m is 111.41."""
    bench.ground, bench.cover = make.ground(level=112.77), 0.90
    line = make.line("40-41", [(0, 0), (50, 0)], size=0.46, proposed=True)
    placed = [make.inlet("40", 0, 0), make.outlet("o", 50, 0, "public inlet")]
    assert inverts_of(bench.system([line], placed)).up_m[0] == pytest.approx(111.41)


def test_proposed_inverts_keep_cover_and_least_fall_and_match_crowns(bench, make):
    """Three lines on level ground: 1/8 in per ft each, no crown above one that comes in."""
    lines = [make.line("A", [(0, 0), (12, 0)], "in", "m", proposed=True),
             make.line("B", [(12, 0), (24, 0)], "m", "n", size=0.15, proposed=True),
             make.line("C", [(24, 0), (36, 0)], "n", "out", size=0.15, proposed=True)]  # fmt: skip
    bench.inverts = {"out": 8.5}
    system = bench.system(lines, [make.inlet("in", 0, 0), make.outlet("out", 36, 0)])
    laid = inverts_of(system)
    assert laid.up_basis + laid.down_basis == ("proposed",) * 5 + ("given",)
    assert laid.up_m[0] == pytest.approx(10.0 - 0.3 - 0.1016)
    fall = laid.up_m - laid.down_m
    assert fall[:2] == pytest.approx(12 * 0.010417, rel=1e-4)
    assert laid.up_m[1] + 0.15 == pytest.approx(laid.down_m[0] + 0.1016)
    assert laid.up_m[2] == pytest.approx(laid.down_m[1])
    assert laid.down_m[2] == 8.5


def test_proposed_line_keeps_its_cover_where_the_ground_dips(bench, make):
    """A dip of 0.5 m half-way lowers the whole line, and its cover is kept everywhere."""
    bench.ground.values[:, 24:27] -= 0.5
    line = make.line("A", [(0, 0), (40, 0)], "in", "m", proposed=True)
    after = make.line("B", [(40, 0), (50, 0)], "m", "out")
    placed = [make.inlet("in", 0, 0), make.outlet("out", 50, 0)]
    state = bench.state([line, after], placed)
    assert state.profile(0).cover_m.min() == pytest.approx(0.3)


@pytest.mark.parametrize(
    ("kind", "gradient", "below", "basis"),
    [
        # 20 m that fall 1 m: the pipe comes out at the ground
        ("daylight", 0.05, 0.0, "from ground"),
        # on level ground it cannot: 0.3 m of cover, 4 in of pipe and 1/8 in per ft below it
        ("daylight", 0.0, 0.3 + 0.1016 + 20 / 96, "proposed"),
        ("curb", 0.0, 0.3 + 0.1016 + 20 / 96, "proposed"),
        # into a well or sewer as shallow as cover and fall allow
        ("dry well", 0.0, 0.3 + 0.1016 + 20 / 96, "proposed"),
        ("dry well", 0.05, 0.3 + 0.1016, "proposed"),
        ("public inlet", 0.0, 0.3 + 0.1016 + 20 / 96, "proposed"),
        # below a riser: 1 % is enough to an emitter
        ("pop-up emitter", 0.0, 0.3 + 0.1016 + 0.2, "proposed"),
        ("pop-up emitter", 0.05, 0.3 + 0.1016, "proposed"),
    ],
)
def test_level_proposed_at_an_outlet_that_has_none(bench, make, kind, gradient, below, basis):
    """Depth of the lower end below the ground there; nothing ever rises to an unknown outlet."""
    bench.ground = make.ground(gradient=gradient)
    placed = [make.inlet("in", 0, 0), make.outlet("out", 20, 0, kind)]
    line = make.line("A", [(0, 0), (20, 0)], proposed=True)
    state = bench.state([line], placed)
    ground = state.system.nodes["out"].ground_m
    assert ground - state.inverts.down_m[0] == pytest.approx(below, abs=2e-4)
    assert state.inverts.down_basis == (basis,)
    assert state.inverts.up_m[0] - state.inverts.down_m[0] >= 20 * 0.01 - 1e-9
    found = bench.findings([line], placed)
    assert not {"adverse-fall", "flat-line", "below-minimum-fall"} & set(found)
    assert not [rule for rule, one in found.items() if one.severity == "fail"]
    asked = found["outlet-level-not-given"]
    at_lip = kind == "pop-up emitter"
    expected = 0.0 if at_lip else below
    assert (asked.subject, asked.severity) == ("out", "note")
    assert asked.measured == pytest.approx(expected, abs=2e-4)


def test_bottom_of_a_well_whose_level_nobody_gave(bench, make):
    """2 m3 on 3 m2 of base are 0.67 m deep, below the line that comes in."""
    placed = [make.inlet("in", 0, 0), make.outlet("out", 20, 0, "dry well")]
    bench.well_depth = {"out": 2 / 3}
    found = bench.findings([make.line("A", [(0, 0), (20, 0)], proposed=True)], placed)
    assert found["outlet-level-not-given"].facts["well_bottom_m"] == pytest.approx(1.28, abs=0.005)


def test_outlet_takes_the_level_of_its_line(bench, make):
    """An invert at the line's end, a depth below the ground there, or the outlet's own."""
    placed = [make.inlet("in", 0, 0), make.outlet("out", 20, 0, "dry well")]

    def level(**given):
        return bench.state([make.line("A", [(0, 0), (20, 0)], up=9.4, **given)], placed)

    best = level(down=9.1).outlet_level("out")
    assert (best.level_m, best.source) == (9.1, "from line")
    best = level(down_below=0.9).outlet_level("out")
    assert (best.level_m, best.source) == (pytest.approx(9.1), "from ground")
    assert np.isnan(level().outlet_level("out").level_m)
    bench.inverts = {"out": 9.0}
    best = level(down=9.1).outlet_level("out")
    assert (best.level_m, best.source) == (9.0, "given")
    found = bench.findings([make.line("A", [(0, 0), (20, 0)], up=9.4, down=9.0)], placed)
    assert "outlet-level-not-given" not in found


def test_old_line_that_nobody_measured_has_no_capacity_and_no_failure(bench, make):
    """Levels, slope and capacity are unknown; what to measure is a note; the lost end is first."""
    bench.water = make.water([("in", 300.0, 600.0)])
    lines = [make.line("A", [(0, 0), (20, 0)], "in", "m"),
             make.line("B", [(20, 0), (40, 0)], "m", "out")]  # fmt: skip
    for kind in ("not found", "daylight", "dry well", "pop-up emitter", "curb"):
        placed = [make.inlet("in", 0, 0), make.outlet("out", 40, 0, kind)]
        state = bench.state(lines, placed)
        assert np.isnan(state.hydraulics.capacity_m3s).all()
        found = check_system(state, bench.around(state))
        assert [one.severity for one in found if one.rule == "levels-unknown"] == ["note"] * 2
        assert not [one for one in found if one.severity == "fail"]
        if kind == "not found":
            assert ordered(found)[0].rule == "outlet-not-found"


def test_no_capacity_from_a_fall_within_the_error_of_the_elevation_data(bench, make):
    """20 m of 10 cm data: falls below 1.96 x 0.132 m say nothing; a levelled one does."""
    placed = [make.inlet("in", 0, 0), make.outlet("out", 20, 0)]
    bench.water = make.water([("in", 300.0, 10.0)])
    for rims, down, known in (({}, 0.45, False), ({}, 0.8, True), ({"in": 10.0}, 0.45, False)):
        bench.rims = rims
        line = make.line("A", [(0, 0), (20, 0)], up_below=0.3, down_below=down)
        system = replace(bench.system([line], placed), error=LevelError(0.1, 10.0, 0.1))
        assert bool(np.isfinite(run_system(system).hydraulics.capacity_m3s[0])) is known
    stated = make.line("A", [(0, 0), (20, 0)], up=9.7, down=9.55)
    system = replace(bench.system([stated], placed), error=LevelError(0.1, 10.0, 0.1))
    assert np.isfinite(run_system(system).hydraulics.capacity_m3s[0])


def test_old_line_takes_the_level_of_the_pipe_that_meets_it(bench, make):
    """At a joint its upper end is that of the pipe coming in; at a basin nobody knows."""
    bench.inverts = {"out": 9.0}
    for middle, basis in (([], "from line"), ([make.inlet("m", 20, 0)], "unknown")):
        lines = [make.line("A", [(0, 0), (20, 0)], "in", "m", up=9.5, down=9.25),
                 make.line("B", [(20, 0), (40, 0)], "m", "out")]  # fmt: skip
        placed = [make.inlet("in", 0, 0), *middle, make.outlet("out", 40, 0)]
        laid = inverts_of(bench.system(lines, placed))
        assert laid.basis(1) == (basis, "given")
    # and its lower end that of the next line, where that was given
    lines = [make.line("A", [(0, 0), (20, 0)], "in", "m", up=9.5),
             make.line("B", [(20, 0), (40, 0)], "m", "out", up=9.3, down=9.0)]  # fmt: skip
    laid = inverts_of(bench.system(lines, [make.inlet("in", 0, 0), make.outlet("out", 40, 0)]))
    assert (laid.down_m[0], laid.down_basis[0]) == (9.3, "from line")


def test_only_two_given_inverts_that_contradict_ask_which_end_is_which(bench, make):
    """Both stated and rising fails; off the elevation data it is a doubt, whatever the amount."""
    placed = [make.inlet("in", 0, 0), make.outlet("out", 20, 0)]
    bench.rmse = 0.1
    stated = bench.findings([make.line("A", [(0, 0), (20, 0)], up=9.3, down=9.6)], placed)
    assert stated["adverse-fall"].severity == "fail"
    assert stated["adverse-fall"].facts["levels"] == "known"
    off = make.line("A", [(0, 0), (20, 0)], up_below=1.2, down_below=0.3)
    found = bench.findings([off], placed)["adverse-fall"]
    assert (found.severity, found.rests_on) == ("warn", ("from ground",))
    assert found.facts["levels"] == "from ground"


def test_outlet_whose_crown_lies_under_the_given_water(bench, make):
    """Invert 9.0 m and 4 in of pipe: under water at 9.2 m, not at 9.1 m."""
    placed = [make.inlet("in", 0, 0), make.outlet("out", 20, 0, "storm sewer")]
    line = make.line("A", [(0, 0), (20, 0)], up=9.5, down=9.0)
    for water, expected in ((9.2, True), (9.1, False)):
        bench.waters = {"out": water}
        found = bench.findings([line], placed)
        assert ("outlet-under-water" in found) is expected
    bench.waters = {"out": 9.2}
    found = bench.findings([line], placed)["outlet-under-water"]
    assert (found.measured, found.limit) == (pytest.approx(9.1016), 9.2)
    assert found.rests_on == ("given",)
    # an emitter: its lip counts
    bench.inverts = {"out": 9.6}
    emitter = [make.inlet("in", 0, 0), make.outlet("out", 20, 0, "pop-up emitter")]
    assert "outlet-under-water" not in bench.findings([line], emitter)
    bench.waters = {"out": 9.7}
    found = bench.findings([line], emitter)["outlet-under-water"]
    assert (found.measured, found.limit) == (9.6, 9.7)


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


def falls_of(state):
    return available_falls(state, error=LevelError(0.1, 10.0, 0.1))


def test_available_fall_against_what_it_takes(bench, make):
    """1 m over 20 m less 0.3 m cover, 4 in pipe and 1/8 in per ft leaves 0.39 m."""
    bench.rims, bench.inverts = {"in": 10.0}, {"out": 9.0}
    state = bench.state(
        [make.line("A", [(0, 0), (20, 0)], proposed=True)],
        [make.inlet("in", 0, 0), make.outlet("out", 20, 0)],
    )
    falls = falls_of(state)
    assert falls[0].left_m == pytest.approx(1.0 - 0.3 - 0.1016 - 20 / 96, abs=1e-5)
    assert falls[0].interval_m == 0.0  # both levels were measured
    assert not fall_findings(state.system.network, falls)


@pytest.mark.parametrize(
    ("levelled", "interval"),
    [((), 0.196), ([("inlets", "in", "rim_m")], 0.0196), ([("inlets", "other", "rim_m")], 0.196),
     ([("drain_lines", "A", "invert_down_m")], 0.196)],
)  # fmt: skip
def test_a_fall_to_ground_is_known_as_the_ground_is_to_the_benchmark(
    bench, make, levelled, interval
):
    """A rim from the benchmark of the ground: 1 cm, not the 10 cm of the elevation data."""
    bench.rims = {"in": 10.0}
    state = bench.state(
        [make.line("A", [(0, 0), (20, 0)], proposed=True)],
        [make.inlet("in", 0, 0), make.outlet("out", 20, 0)],
    )
    (fall,) = available_falls(state, error=make.levelled(*levelled))
    assert fall.interval_m == pytest.approx(interval, rel=1e-3)


def test_an_invert_is_measured_from_what_its_line_rim_or_neighbour_is(bench, make):
    """Given: its own; below a rim: that of the rim; met: that of the line it meets."""
    bench.rims = {"in": 10.0}
    lines = [make.line("A", [(0, 0), (10, 0)], up_below=0.5),
             make.line("B", [(10, 0), (20, 0)], up=9.3, down=9.2)]  # fmt: skip
    state = bench.state(lines, [make.inlet("in", 0, 0), make.outlet("out", 20, 0)])
    network, inverts = state.system.network, state.inverts
    assert [inverts.basis(i) for i in (0, 1)] == [("below rim", "from line"), ("given", "given")]

    def datums(*of):
        given = make.levelled(*of).given
        return [datums_of_ends(network, inverts, i, given) for i in (0, 1)]

    raster, own = "raster", "benchmark"
    assert datums(("inlets", "in", "rim_m")) == [(own, raster), (raster, raster)]
    assert datums(("drain_lines", "B", "invert_up_m")) == [(raster, own), (own, raster)]
    assert datums(("outlets", "out", "invert_m")) == [(raster, raster), (raster, own)]


@pytest.mark.parametrize(
    ("fall", "severity", "levelled"),
    [(1.2, None, None), (0.7, "note", "note"), (0.5, "warn", "warn"), (0.2, "warn", "fail")],
)
def test_verdict_on_gravity_follows_the_accuracy_of_the_data(bench, make, fall, severity, levelled):
    """Enough, in doubt, too little; of two levels off the elevation data alone none fails."""
    bench.ground = make.ground(gradient=fall / 20)
    line = make.line("A", [(0, 0), (20, 0)], proposed=True)
    placed = [make.inlet("in", 0, 0), make.outlet("out", 20, 0)]

    def verdict():
        state = bench.state([line], placed)
        return [f.severity for f in fall_findings(state.system.network, falls_of(state))]

    assert verdict() == ([severity] if severity else [])
    bench.rims = {"in": bench.state([line], placed).system.nodes["in"].ground_m}
    assert verdict() == ([levelled] if levelled else [])


def test_gravity_is_not_judged_to_a_well_or_sewer_whose_level_nobody_gave(bench, make):
    """A dry well on level ground lies as deep as it is dug; to an emitter the head decides."""
    line = make.line("A", [(0, 0), (20, 0)], proposed=True)
    for kind in ("dry well", "storm sewer", "public inlet", "not found"):
        placed = [make.inlet("in", 0, 0), make.outlet("out", 20, 0, kind)]
        assert falls_of(bench.state([line], placed)) == []
    bench.rims, bench.inverts = {"in": 10.0}, {"out": 9.95}
    placed = [make.inlet("in", 0, 0), make.outlet("out", 20, 0, "pop-up emitter")]
    state = bench.state([line], placed)
    assert falls_of(state)[0].left_m == pytest.approx(0.05 - INCH)  # the lid: from memory
    assert fall_findings(state.system.network, falls_of(state)) == []


def test_gravity_of_an_old_line_is_judged_where_it_lies(bench, make):
    """Its own depth counts, not the cover a new one would have; unknown, nothing is said."""
    bench.rims, bench.inverts = {"in": 10.0}, {"out": 9.5}
    placed = [make.inlet("in", 0, 0), make.outlet("out", 20, 0)]
    state = bench.state([make.line("A", [(0, 0), (20, 0)], up_below=0.25)], placed)
    assert falls_of(state)[0].depth_m == pytest.approx(0.25)
    assert falls_of(bench.state([make.line("A", [(0, 0), (20, 0)])], placed)) == []


def test_a_line_that_starts_shallow_is_not_levered_into_the_ground(bench, make):
    """From a channel drain, without cover, to cover at its end: no deeper than that asks for."""
    bench.ground = make.ground(gradient=0.01)
    placed = [make.inlet("in", 0, 0, "channel drain"), make.outlet("out", 5, 0, "dry well")]
    line = make.line("A", [(0, 0), (5, 0)], proposed=True, up=np.nan, up_below=0.15, down=np.nan)
    state = bench.state([line], placed)
    profile = state.profile(0)
    assert profile.cover_m[0] < 0.1
    assert profile.cover_m[-1] == pytest.approx(0.3, abs=1e-6)
