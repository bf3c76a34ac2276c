"""Every rule about lines fires where it must, with what was measured, and not where it must not."""

from dataclasses import replace

import numpy as np
import pytest
import shapely

from lotflow.criteria import Criteria
from lotflow.drains.drain_system import run_system, size_system
from lotflow.drains.judged import design_storm
from lotflow.drains.system_check import _changes, _left, best_single_change, check_system

INCH = 0.0254


def one_line(make, kind="daylight", **line):
    given = {"up": 9.5, "down": 9.0, **line}
    placed = [make.inlet("in", 0, 0), make.outlet("out", 20, 0, kind)]
    return [make.line("A", [(0, 0), (20, 0)], "in", "out", **given)], placed


def test_sound_line_has_no_findings(bench, make):
    """4 in at 2.5 % under half a metre, a tight joint, a grate at its head."""
    bench.ground = make.ground(gradient=0.025)
    lines, placed = one_line(make, joint="glued", sediment_m=0.0)
    assert bench.findings(lines, placed) == {}


@pytest.mark.parametrize(
    ("down", "rule", "slope"),
    [(9.6, "adverse-fall", -0.005), (9.5, "flat-line", 0.0), (9.4, "below-minimum-fall", 0.005)],
)
def test_too_little_fall(bench, make, down, rule, slope):
    """Adverse, flat, and under 1/8 in per ft; the source is that of the table."""
    found = bench.findings(*one_line(make, down=down, joint="glued"))[rule]
    assert found.severity == "fail"
    assert (found.measured, found.limit) == (pytest.approx(slope, abs=1e-6), 0.010417)
    assert "18-29-704.1" in found.source


def test_least_fall_depends_on_size_and_emitter(bench, make):
    """8 in may lie at 1/16 in per ft; a 4 in line to an emitter needs 1 %."""
    steps = {"size": 8 * INCH, "up": 9.2, "down": 9.2 - 20 * 0.006}
    assert "below-minimum-fall" not in bench.findings(*one_line(make, **steps))
    bench.inverts = {"out": 9.2}
    found = bench.findings(*one_line(make, "pop-up emitter", up=9.2, down=9.05))
    assert found["below-minimum-fall"].limit == 0.01


def test_fall_that_hangs_on_the_elevation_data_is_only_doubted(bench, make):
    """The same 0.5 % fails when levelled; off the raster, good to decimetres, it may be enough."""
    bench.rmse = 0.1
    found = bench.findings(*one_line(make, up=np.nan, up_below=0.5, down=9.4))
    assert found["below-minimum-fall"].severity == "note"
    assert found["below-minimum-fall"].facts["may_be_enough"]
    assert found["below-minimum-fall"].rests_on == ("from ground", "given")
    bench.rims = {"in": 10.0}
    found = bench.findings(*one_line(make, up=np.nan, up_below=0.5, down=9.4))
    assert found["below-minimum-fall"].severity == "fail"


def test_velocities(bench, make):
    """Corrugated 4 in at 1.1 % runs full at 0.41 m/s; 6 l/s in smooth pipe at 40 % too fast."""
    found = bench.findings(*one_line(make, material="hdpe corrugated", down=9.28))
    assert found["too-slow-to-keep-clean"].measured == pytest.approx(0.41, abs=0.01)
    bench.water = make.water([], given={"in": 0.006})
    found = bench.findings(*one_line(make, down=1.5))
    assert found["too-fast"].measured > 3.0


def test_smaller_pipe_and_narrowing_line(bench, make):
    """6 in into 4 in, and a line of 4 in above and 3 in below."""
    lines = [make.line("A", [(0, 0), (15, 0)], "in", "m", size=6 * INCH, up=9.4, down=9.2),
             make.line("B", [(15, 0), (30, 0)], "m", "out", up=9.2, down=9.0,
                       size_down=3 * INCH)]  # fmt: skip
    found = bench.findings(lines, [make.inlet("in", 0, 0), make.outlet("out", 30, 0)])
    smaller = found["smaller-pipe-downstream"]
    assert (smaller.subject, smaller.measured, smaller.limit) == ("B", 0.1016, 0.1524)
    assert (smaller.x, smaller.y) == (15.0, 0.0)
    assert found["size-changes-within-line"].subject == "B"


def test_smaller_outlet(bench, make):
    """A 3 in hole in the curb for a 4 in line."""
    bench.outlet_diameter = {"out": 3 * INCH}
    assert bench.findings(*one_line(make, "curb"))["outlet-smaller-than-line"].severity == "fail"


def test_cover_is_judged_by_the_kind_of_outlet(bench, make):
    """Shallow all along fails; shallow only from some place on to a daylight outlet warns."""
    lines, placed = one_line(make, "dry well", up=9.7, down=9.4)
    found = bench.findings(lines, placed)["cover-too-small"]
    assert found.severity == "fail"
    assert found.measured == pytest.approx(10.0 - 9.7 - 0.1016)
    bench.ground = make.ground(gradient=0.05)
    lines, placed = one_line(make, "daylight", up=9.5, down=9.05)
    assert bench.findings(lines, placed)["cover-too-small"].severity == "warn"
    lines, placed = one_line(make, "dry well", up=9.5, down=9.05)
    assert bench.findings(lines, placed)["cover-too-small"].severity == "fail"


def test_a_pipe_out_of_the_ground_is_said_to_be(bench, make):
    """The ground is at 10 m, the top of the pipe at 10.1016 m."""
    lines, placed = one_line(make, "dry well", up=10.0, down=9.4)
    found = bench.findings(lines, placed)["cover-too-small"]
    assert found.measured == pytest.approx(-0.1016, abs=1e-3)
    assert found.facts["cover_m"] == found.measured


def test_a_depth_measured_below_the_ground_tells_the_cover_there(bench, make):
    """0.25 m to the invert of a 4 in pipe leave 0.15 m, wherever the ground truly is."""
    bench.rmse = 0.1
    lines, placed = one_line(make, "dry well", up=np.nan, up_below=0.25, down=np.nan,
                             proposed=False)  # fmt: skip
    lines[0] = replace(lines[0], given=replace(lines[0].given, down_below_rim_m=0.6))
    found = bench.findings(lines, placed)["cover-too-small"]
    assert (found.severity, found.rests_on) == ("fail", ("below rim",))
    assert found.measured == pytest.approx(0.25 - 0.1016, abs=1e-3)
    assert found.facts["measured_end"] == "upper"
    assert (found.x, found.y) == pytest.approx((0.0, 0.0))


def test_cover_within_the_error_of_the_elevation_data_warns(bench, make):
    """0.2 m of cover may be 0.3 m while the ground is good to 0.2 m."""
    bench.rmse = 0.1
    lines, placed = one_line(make, "dry well", up=9.7, down=9.4)
    assert bench.findings(lines, placed)["cover-too-small"].severity == "warn"
    # both ends from the benchmark of the ground above: 2 cm
    name, ends = lines[0].name, ("invert_up_m", "invert_down_m")
    bench.error = make.levelled(*(("drain_lines", name, end) for end in ends))
    found = bench.findings(lines, placed)["cover-too-small"]
    assert (found.severity, found.facts["doubt_m"]) == ("fail", pytest.approx(0.0196, rel=1e-3))
    bench.error = make.levelled(("drain_lines", name, ends[0]))
    assert bench.findings(lines, placed)["cover-too-small"].severity == "warn"


def test_deep_trench(bench, make):
    """1.7 m is deeper than 5 ft; the place is where it is deepest."""
    found = bench.findings(*one_line(make, "storm sewer", up=8.8, down=8.3))["trench-too-deep"]
    assert (found.measured, found.limit) == (pytest.approx(1.7), 1.524)
    assert found.x == pytest.approx(20.0)


def test_trench_below_the_line_from_a_footing(bench, make):
    """0.9 m deep, footing at 0.3 m: within 0.6 m of the wall it is too close, beyond not."""
    for away, expected in ((0.4, True), (0.8, False)):
        bench.buildings = shapely.box(5, away, 15, 10)
        found = bench.findings(*one_line(make, "storm sewer", up=9.35, down=9.1))
        assert ("trench-below-footing" in found) is expected
    bench.buildings = shapely.box(5, -3, 15, 3)
    assert "line-under-building" in bench.findings(*one_line(make))


def test_condition_of_what_was_found(bench, make):
    """Joints, sediment, standing water, and capacity as found below the flow."""
    bench.water = make.water([], given={"in": 0.0095})
    found = bench.findings(*one_line(make, joint="taped", sediment_m=INCH, standing_water_m=INCH))
    assert found["joint-not-for-burial"].severity == "fail"
    assert found["sediment-in-line"].facts["lost"] == pytest.approx(0.196, abs=0.001)
    assert found["water-stands-in-line"].measured == INCH
    over = found["over-capacity"]
    assert over.severity == "fail"
    assert over.facts["found_m3s"] < over.facts["flow_m3s"] <= over.facts["clean_m3s"]
    assert "over-capacity" not in bench.findings(*one_line(make, joint="glued"))


def test_hose_test(bench, make):
    """10 gpm in 20 m of 4 in pipe at 2.5 %: about 27 s; 60 s are well, 240 s are late."""
    for seconds, severity in ((60.0, "note"), (240.0, "warn")):
        found = bench.findings(
            *one_line(make, test="hose", test_flow_m3s=6.309e-4, test_seconds=seconds)
        )["hose-test"]
        assert found.severity == severity
        assert found.facts["outcome"] == ("late" if severity == "warn" else "in time")
        assert found.facts["expected_s"] == pytest.approx(27, abs=0.5)
        assert (found.facts["share"] < 1, found.facts.get("share_of")) == (True, None)
    adverse = bench.findings(
        *one_line(make, down=9.6, test="hose", test_flow_m3s=6.309e-4, test_seconds=60.0)
    )
    assert adverse["hose-test"].facts["outcome"] == "no fall"


@pytest.mark.parametrize(("seconds", "reach", "within"), [
    # 10 gpm for 60 s into 81 cm2 of pipe
    (60.0, 6.309e-4 * 60 / (np.pi * 0.1016**2 / 4), 4.67),
    (600.0, 6.309e-4 * 600 / (np.pi * 0.1016**2 / 4), None),
])  # fmt: skip
def test_a_hose_test_that_backs_up_tells_where_it_is_blocked(bench, make, seconds, reach, within):
    found = bench.findings(
        *one_line(make, test="hose", test_flow_m3s=6.309e-4, backed_up_seconds=seconds)
    )["hose-test"]
    assert (found.severity, found.measured) == ("warn", pytest.approx(reach, rel=1e-3))
    assert found.limit == pytest.approx(20.0)
    assert found.facts["outcome"] == "backed up"
    assert found.facts["blocked_within_m"] == (within and pytest.approx(within, abs=0.01))


def test_hose_test_of_a_line_whose_levels_nobody_took(bench, make):
    """Held against the least fall for its size: 1/8 in per ft, at which 10 gpm take longer."""
    test = {"test": "hose", "test_flow_m3s": 6.309e-4}
    unknown = {"up": np.nan, "down": np.nan, **test}
    level = {"up": 9.4, "down": 9.4 - 20 / 96, **test}
    for seconds, severity in ((60.0, "note"), (240.0, "warn")):
        found, flat = (
            bench.findings(*one_line(make, test_seconds=seconds, **line))["hose-test"]
            for line in (unknown, level)
        )
        assert (found.severity, found.measured) == (severity, seconds)
        assert found.limit == pytest.approx(flat.limit, rel=1e-3)


@pytest.mark.parametrize(
    ("kind", "rule", "severity"),
    [("sanitary sewer", "into-sanitary-sewer", "fail"), ("not found", "outlet-not-found", "warn")],
)
def test_outlets_that_must_not_be(bench, make, kind, rule, severity):
    """A sanitary sewer fails; an end nobody found is a warning."""
    assert bench.findings(*one_line(make, kind))[rule].severity == severity


def test_pump_is_told_what_it_has_to_take(bench, make):
    """The flow of the design storm at its pit; nothing without rain."""
    assert "pump-flow" not in bench.findings(*one_line(make, "pump"))
    bench.water = make.water([("in", 300.0, 60.0)], given={"in": 0.001})
    found = bench.findings(*one_line(make, "pump"))["pump-flow"]
    assert (found.severity, found.measured) == ("note", pytest.approx(0.004))


def test_outlet_above_its_line_and_emitter_above_its_grate(bench, make):
    """Water stays in the line; an emitter above the grate never opens."""
    bench.inverts = {"out": 9.2}
    found = bench.findings(*one_line(make, "curb"))["outlet-above-line"]
    assert (found.measured, found.limit) == (9.2, 9.0)
    found = bench.findings(*one_line(make, "pop-up emitter"))
    assert found["emitter-line-cannot-empty"].measured == pytest.approx(0.2)
    assert "emitter-above-grate" not in found
    bench.inverts = {"out": 9.99}
    assert bench.findings(*one_line(make, "pop-up emitter"))["emitter-above-grate"].severity == (
        "fail"
    )


def test_no_way_to_clean(bench, make):
    """A head nobody can open, and 40 m to the next place; with a grate there is nothing to say."""
    lines, placed = one_line(make)
    assert "no-way-to-clean" not in bench.findings(lines, placed)
    bench.access = set()
    assert bench.findings(lines, placed)["no-way-to-clean"].severity == "warn"
    bench.access = None
    long = [make.line("A", [(0, 0), (40, 0)], "in", "out", up=9.5, down=9.0)]
    placed = [make.inlet("in", 0, 0), make.outlet("out", 40, 0)]
    assert bench.findings(long, placed)["cleanouts-too-far-apart"].measured == pytest.approx(40.0)


def test_sharp_turn(bench, make):
    """A branch that meets the main against its flow."""
    lines = [make.line("A", [(0, 0), (20, 0)], "i1", "m", up=9.5, down=9.3),
             make.line("B", [(29, 9), (20, 0)], "i2", "m", up=9.5, down=9.3),
             make.line("C", [(20, 0), (40, 0)], "m", "out", up=9.3, down=9.0)]  # fmt: skip
    placed = [make.inlet("i1", 0, 0), make.inlet("i2", 29, 9), make.outlet("out", 40, 0)]
    found = bench.findings(lines, placed)["turn-too-sharp"]
    assert (found.subject, found.measured) == ("B", pytest.approx(135.0))


def test_over_capacity_and_water_above_the_grate(bench, make):
    """30 l/s in a 4 in line at 2.5 % that carries 11: told with flow, capacity and level."""
    bench.rims = {"in": 10.0}
    bench.water = make.water([("in", 300.0, 600.0)])
    found = bench.findings(*one_line(make, joint="glued"))
    over = found["over-capacity"]
    assert (over.severity, over.measured) == ("fail", pytest.approx(0.030))
    assert over.limit == pytest.approx(0.0111, abs=2e-4)
    above = found["water-above-grate"]
    assert (above.severity, above.subject, above.limit) == ("fail", "in", 10.0)
    # nothing is known of what can stand over it: it stands at the rim, and the rest runs on
    assert above.measured == 10.0


def test_water_that_pushes_out_of_a_cleanout(bench, make):
    """Roof water led into a junction: the line below carries too little, and it comes out there."""
    bench.water = make.water([("cleanout", 300.0, 600.0)])
    lines = [make.line("A", [(0, 0), (20, 0)], "cleanout", "out", up=9.5, down=9.0)]
    state = bench.state(lines, [make.outlet("out", 20, 0)], entries={"cleanout"})
    found = {f.rule: f for f in check_system(state, bench.around(state))}["water-above-ground"]
    assert (found.severity, found.subject) == ("warn", "cleanout")
    assert found.measured == found.limit == 10.0
    assert found.facts["above_m"] == 0.0


def test_only_rarer_storms_than_the_design_storm_are_a_note(bench, make):
    """The 10-year storm passes, the 100-year storm stands above the grate."""
    bench.rims = {"in": 10.0}
    storms = (10.0, 100.0)
    bench.water = make.water([("in", 300.0, 120.0)], make.rain(180, storms), storms)
    assert "water-above-grate" not in bench.findings(*one_line(make))
    bench.water = make.water([("in", 300.0, 200.0)], make.rain(180, storms), storms)
    found = bench.findings(*one_line(make))
    assert found["water-above-grate"].severity == "note"
    assert found["water-above-grate"].facts["storm_yr"] == 100.0


def test_design_storm_is_the_first_that_is_rare_enough():
    """Ten years wanted: of 2, 25, 100 it is 25; of 2 and 5 the rarest there is."""
    criteria = Criteria()
    assert design_storm(np.array([2.0, 25.0, 100.0]), criteria) == 1
    assert design_storm(np.array([2.0, 5.0]), criteria) == 1


def test_unknown_size_and_levels_are_said_not_guessed(bench, make):
    """Nothing is computed of such a line, and nothing fails that is not known."""
    bench.water = make.water([("in", 300.0, 100.0)])
    found = bench.findings(*one_line(make, size=np.nan))
    assert set(found) == {"pipe-size-unknown"}
    placed = [make.inlet("in", 200, 0), make.outlet("out", 220, 0)]
    found = bench.findings([make.line("A", [(200, 0), (220, 0)], "in", "out")], placed)
    assert set(found) == {"levels-unknown"}


def test_the_single_change_that_mends_most(bench, make):
    """Of three lines only the middle one is too small: laying it larger mends all there is."""
    bench.ground = make.ground(gradient=0.02)
    bench.rims = {"in": 10.0}
    lines = [make.line("A", [(0, 0), (15, 0)], "in", "m", size=6 * INCH, up=9.3, down=9.0),
             make.line("B", [(15, 0), (30, 0)], "m", "n", size=3 * INCH, up=9.0, down=8.7),
             make.line("C", [(30, 0), (45, 0)], "n", "out", size=6 * INCH, up=8.7,
                       down=8.4)]  # fmt: skip
    bench.water = make.water([("in", 300.0, 300.0)])
    state = bench.state(lines, [make.inlet("in", 0, 0), make.outlet("out", 45, 0)])
    around = bench.around(state)
    findings = check_system(state, around)
    failing = [f.rule for f in findings if f.severity == "fail"]
    assert sorted(failing) == ["over-capacity", "smaller-pipe-downstream", "water-above-grate"]
    best = best_single_change(state, size_system(state, 0, "us"), around, findings)
    assert [(f.subject, f.measured, f.limit) for f in best] == [("B", 0, 3)]
    assert (best[0].facts["change"], best[0].facts["size"]) == ("lay", "6 in")


@pytest.mark.parametrize("rain", [True, False])
@pytest.mark.parametrize("smaller", [["B"], ["B", "C"]])
def test_a_pipe_that_shrinks_is_laid_as_large_as_the_one_above(bench, make, rain, smaller):
    """All carry what comes, only the size falls: the change is to go on as large, to the end."""
    bench.ground = make.ground(gradient=0.02)
    bench.rims = {"in": 10.0}
    names, ends = ["A", "B", "C"], ["in", "m", "n", "out"]
    lines = [
        make.line(name, [(15 * i, 0), (15 * i + 15, 0)], *ends[i : i + 2],
                  size=4 * INCH if name in smaller else 6 * INCH, up=9.3 - 0.3 * i,
                  down=9.0 - 0.3 * i, joint="glued")
        for i, name in enumerate(names)
    ]  # fmt: skip
    bench.water = make.water([("in", 300.0, 50.0)]) if rain else None
    state = bench.state(lines, [make.inlet("in", 0, 0), make.outlet("out", 45, 0)])
    around = bench.around(state)
    findings = check_system(state, around)
    failing = [f for f in findings if f.severity == "fail"]
    assert [(f.rule, f.subject) for f in failing] == [("smaller-pipe-downstream", "B")]
    sized = size_system(state, 0, "us") if rain else None
    best = best_single_change(state, sized, around, findings)
    assert [(f.subject, f.measured, f.limit) for f in best] == [("B", 0, 1)]
    facts = best[0].facts
    if rain and smaller == ["B"]:
        assert (facts["change"], facts["size"]) == ("lay", "6 in")
    else:
        assert (facts["change"], facts["lines"]) == ("lay as large", tuple(smaller))
        assert (facts["larger"], facts["size"]) == ("A", "6 in")


def test_a_line_that_narrows_on_its_way_is_laid_in_one_size(bench, make):
    """Its larger end's: a change of its own, with or without rain."""
    lines = [make.line("A", [(0, 0), (15, 0)], "in", "out", size=6 * INCH, size_down=4 * INCH,
                       up=9.3, down=9.0, joint="glued")]  # fmt: skip
    state = bench.state(lines, [make.inlet("in", 0, 0), make.outlet("out", 15, 0)])
    around = bench.around(state)
    findings = check_system(state, around)
    assert {f.rule for f in findings if f.severity == "fail"} == {"size-changes-within-line"}
    best = best_single_change(state, None, around, findings)
    assert [(f.subject, f.measured) for f in best] == [("A", 0)]
    assert (best[0].facts["change"], best[0].facts["size"]) == ("lay", "6 in")


def test_nothing_to_mend_gives_no_advice(bench, make):
    """A sound system has no single change."""
    lines, placed = one_line(make, joint="glued")
    state = bench.state(lines, placed)
    around = bench.around(state)
    assert best_single_change(state, None, around, check_system(state, around)) == []


@pytest.mark.parametrize(("area", "said"), [(0.09, False), (0.11, True)])
def test_a_trickle_is_no_flow(bench, make, area, said):
    """0.05 l/s per m2: 0.0045 l/s are printed as 0.00 and are nothing; 0.0055 l/s are a flow."""
    bench.water = make.water([("in", 300.0, area)])
    placed = [make.inlet("in", 0, 0), make.outlet("out", 15, 0, "pump")]
    line = make.line("A", [(0, 0), (15, 0)], "in", "out", up=9.3, down=9.3 - 1e-12, joint="glued")
    found = bench.findings([line], placed)
    assert ("pump-flow" in found) is said
    assert ("over-capacity" in found) is said


def _two_systems(make, count):
    """Two rows of lines, each to its own curb: narrow pipes on ground that falls by 1 %."""
    placed, lines, parts = [], [], []
    for row in range(2):
        stops = [f"{'AB'[row]}{k}" for k in range(count)]
        placed += [make.inlet(name, 2 + 4 * k, 2 + 2 * row) for k, name in enumerate(stops)]
        placed.append(make.outlet(f"Curb {row}", 2 + 4 * count, 2 + 2 * row))
        stops.append(f"Curb {row}")
        lines += [
            make.line(
                f"Line {'AB'[row]}{k}", [(2 + 4 * k, 2 + 2 * row), (6 + 4 * k, 2 + 2 * row)],
                stops[k], stops[k + 1], size=(3 + (k + row) % 2) * 0.0254,
            )
            for k in range(count)
        ]  # fmt: skip
        parts += [(name, 300.0, 60.0 + 40.0 * row) for name in stops[:-1]]
    return lines, placed, parts


def test_systems_that_do_not_hang_together_are_tried_by_themselves(bench, make):
    """The change that is named leaves as many failures as all of it, run anew as a whole, has."""
    bench.ground = make.ground(0.01)
    lines, placed, parts = _two_systems(make, 6)
    bench.water = make.water(parts)
    state = bench.state(lines, placed)
    around = bench.around(state)
    findings = check_system(state, around)
    sized = size_system(state, 0, "us")
    best = best_single_change(state, sized, around, findings)
    failing = {(f.rule, f.subject) for f in findings if f.severity == "fail"}
    assert {subject[-2] for _, subject in failing} >= {"A", "B"}
    left = []
    for position in range(len(lines)):
        for _, changes in _changes(state, sized, position):
            changed = [changes.get(i, line) for i, line in enumerate(state.lines)]
            whole = run_system(state.system.with_lines(changed), flows=state.flows)
            left.append(_left(check_system(whole, around), failing))
    assert [one.measured for one in best] == [min(left)]
    assert best[0].facts["tried"] is None


def test_of_a_very_large_system_some_lines_are_tried_and_it_is_said(bench, make, monkeypatch):
    bench.ground = make.ground(0.01)
    lines, placed, parts = _two_systems(make, 6)
    bench.water = make.water(parts)
    state = bench.state(lines, placed)
    around = bench.around(state)
    findings = check_system(state, around)
    monkeypatch.setattr("lotflow.drains.system_check._MOST_LINES", 36)
    best = best_single_change(state, size_system(state, 0, "us"), around, findings)
    assert best[0].facts["tried"] == 6
