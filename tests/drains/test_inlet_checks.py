"""Grates and channel drains: size, clogging, openings, level top, longest run, outlet's place."""

from dataclasses import replace

import numpy as np
import pytest

from lotflow.criteria import Criteria
from lotflow.drains.channel_drains import (
    Channel,
    channel_findings,
    channel_results,
    longest_run,
    water_profile,
)
from lotflow.drains.inlet_checks import InletFacts, grate_water_depth, inlet_findings
from lotflow.drains.judged import Limits
from lotflow.terrain.level_error import LevelError

INCH, CFS = 0.0254, 0.0283168
NAN = float("nan")
LIMITS = Limits(Criteria(), LevelError(0.1, 10.0, 0.1), None, 1.0)
GRATE = InletFacts(
    "G", "catch basin", 1.0, 2.0, NAN, 12 * INCH, 12 * INCH, 0.4, 0.4 * INCH, NAN, NAN,
    removable=True, walked_on=True, flow_m3s=0.1 * CFS,
)  # fmt: skip
CHANNEL = InletFacts(
    "C", "channel drain", 0.0, 0.0, 10.0, NAN, NAN, 0.4, 0.3 * INCH, 0.15, 0.10,
    removable=True, walked_on=False, outlets_at=(0.0,), flow_m3s=0.003,
)  # fmt: skip


def rules(inlet):
    return {finding.rule: finding for finding in inlet_findings([inlet], LIMITS)}


def test_half_clogged_grate_takes_half_at_the_same_depth():
    """12 x 12 in, 40 % open takes .289 cfs under 1 in when clean, half of it half clogged."""
    inlet = replace(GRATE, flow_m3s=0.5 * 0.289 * CFS)
    assert grate_water_depth(inlet, 0.5) == pytest.approx(INCH, rel=0.003)
    assert rules(inlet) == {}


def test_grate_too_small_when_half_clogged():
    """1 cfs needs far more than 2 in of water."""
    found = rules(replace(GRATE, flow_m3s=CFS))["grate-too-small"]
    assert (found.severity, found.limit) == ("fail", 0.05)
    assert found.measured > 0.1
    assert (found.x, found.y) == (1.0, 2.0)


def test_grate_without_size_is_said():
    """A note, and only where water comes."""
    assert set(rules(replace(GRATE, open_share=NAN))) == {"grate-size-unknown"}
    assert rules(replace(GRATE, open_share=NAN, flow_m3s=NAN)) == {}


def test_make_of_a_grate():
    """Openings over 1/2 in count where people walk; a fixed grate everywhere."""
    wide = replace(GRATE, opening_width_m=0.6 * INCH)
    assert set(rules(wide)) == {"grate-opening-too-wide"}
    assert rules(replace(wide, walked_on=False)) == {}
    assert set(rules(replace(GRATE, removable=False))) == {"grate-not-removable"}
    assert rules(replace(GRATE, removable=None)) == {}


@pytest.mark.parametrize(
    ("at", "longest"),
    [((0.0,), 10.0), ((0.5,), 5.0), ((0.0, 1.0), 5.0), ((0.25,), 7.5), ((), 10.0)],
)  # fmt: skip
def test_longest_way_to_an_outlet(at, longest):
    """One end, middle, both ends, a quarter, and none drawn yet: as from one end."""
    stretches = replace(CHANNEL, outlets_at=at).stretches
    assert max(length for length, _ in stretches) == pytest.approx(longest)


@pytest.mark.parametrize(
    ("outlets", "entry", "piped"),
    [
        ((0.0,), 1.0, {10.0: 0.003}),  # at the far end
        ((0.0,), 0.4, {10.0: 0.003}),  # on the way: as from the far end
        ((0.0,), 0.02, {10.0: 0.001}),  # beside the outlet: it leaves there
        ((0.3,), 0.1, {7.0: 0.001, 3.0: 0.002}),  # above a stretch that is not the longest
        ((), 0.0, {10.0: 0.003}),  # no outlet drawn yet
    ],
)
def test_where_a_line_comes_into_a_channel(outlets, entry, piped):
    """A line's 2 l/s count in the stretch it ends in; 1 l/s of a roof in the longest."""
    channel = replace(
        CHANNEL, outlets_at=outlets, entries_at=(entry,), entering_m3s=(0.002,), other_m3s=0.001
    )
    stretches = dict(channel.stretches)
    assert {length: stretches[length] for length in piped} == pytest.approx(piped)


def test_what_a_line_lets_into_a_channel_is_in_its_profile_run_and_comparison():
    """The same as a channel with that flow at its head; without water of its own no run."""
    piped = replace(CHANNEL, entries_at=(1.0,), entering_m3s=(0.002,))
    result, plain = channel_results([piped])[0], channel_results([CHANNEL])[0]
    whole = Channel(0.1, 10.0, 0.0003, 0.011, head_flow=0.002)
    assert result.depth_m == pytest.approx(water_profile(whole).deepest)
    assert result.longest_run_m == pytest.approx(longest_run(whole, 0.15), rel=2e-3)
    assert result.longest_run_m < plain.longest_run_m
    assert result.one_end_m == result.depth_m > plain.one_end_m
    assert (result.both_ends_m, plain.middle_m) == (plain.both_ends_m, plain.both_ends_m)
    assert result.middle_m > plain.middle_m
    only = channel_results([replace(piped, flow_m3s=0.0)])[0]
    assert 0 < only.depth_m < result.depth_m
    assert np.isnan(only.longest_run_m)


def test_a_channel_that_a_pipe_fills_says_so():
    """Deep enough for its own 3 l/s, not for 12 l/s more from a pipe."""
    piped = replace(CHANNEL, entries_at=(1.0,), entering_m3s=(0.012,))
    found = {f.rule: f for f in channel_findings([piped], channel_results([piped]), LIMITS)}
    assert channel_findings([CHANNEL], channel_results([CHANNEL]), LIMITS) == []
    assert found["channel-too-long"].severity == "fail"
    assert found["channel-too-long"].facts["piped_m3s"] == 0.012


def test_channel_with_friction_as_integrated_elsewhere():
    """0.1 m wide, 10 m, 3 l/s: 84.2 mm for n 0.010, 86.5 mm for 0.012; here 0.011."""
    result = channel_results([CHANNEL])[0]
    assert 0.0842 < result.depth_m < 0.0865
    assert result.freeboard_m == pytest.approx(0.15 - result.depth_m)
    assert result.one_end_m == pytest.approx(result.depth_m)
    # the factor of both ends is 0.630 without friction, and less with it
    assert 0.58 < result.both_ends_m / result.one_end_m < 0.630
    assert result.middle_m == result.both_ends_m
    assert not channel_findings([CHANNEL], [result], LIMITS)


def test_channel_too_long_for_its_outlet_says_what_would_do():
    """At 75 mm depth the same channel overflows; the longest run is shorter than the channel."""
    shallow = replace(CHANNEL, channel_depth_m=0.075)
    result = channel_results([shallow])[0]
    found = channel_findings([shallow], [result], LIMITS)
    assert [(f.rule, f.severity, f.limit) for f in found] == [("channel-too-long", "fail", 0.075)]
    assert result.longest_run_m < 10.0
    at_limit = replace(
        shallow, length_m=result.longest_run_m, flow_m3s=0.0003 * result.longest_run_m
    )
    assert channel_results([at_limit])[0].depth_m == pytest.approx(0.075, rel=2e-3)


def test_water_in_the_line_holds_a_channel_up():
    """A drain that stands 0.12 m above the bed fills the channel from its outlet."""
    held = replace(CHANNEL, rim_m=10.0, water_level_m=9.97)
    assert channel_results([held])[0].depth_m > 0.12


def test_a_channel_drowned_by_its_line_is_not_called_too_long():
    """Water 0.2 m above its grate comes from the line: no other outlet of it would help."""
    drowned = replace(CHANNEL, rim_m=10.0, water_level_m=10.2)
    results = channel_results([drowned])
    assert results[0].freeboard_m < 0
    assert channel_findings([drowned], results, LIMITS) == []


def test_channel_on_ground_that_falls():
    """Certain beyond the error of the data, a note within it, nothing under half an inch."""
    for fall, expected in ((0.3, ["warn"]), (0.1, ["note"]), (0.01, [])):
        inlet = replace(CHANNEL, top_fall_m=fall, top_doubt_m=0.15, flow_m3s=NAN)
        found = channel_findings([inlet], [], LIMITS)
        assert [f.severity for f in found] == expected


def test_channel_without_size_is_said():
    """Without width and depth nobody knows."""
    inlet = replace(CHANNEL, channel_width_m=NAN)
    assert channel_results([inlet]) == []
    assert [f.rule for f in channel_findings([inlet], [], LIMITS)] == ["channel-size-unknown"]


def test_all_channels_are_computed_at_once():
    """A second channel changes nothing for the first."""
    other = replace(CHANNEL, name="D", length_m=4.0, channel_width_m=0.2)
    both = channel_results([CHANNEL, other])
    assert both[0].depth_m == pytest.approx(channel_results([CHANNEL])[0].depth_m)
    assert np.isfinite(both[1].depth_m)
