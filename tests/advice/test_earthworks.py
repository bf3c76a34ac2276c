"""Sentences about earthworks, each with an example in both systems of units."""

import pytest

from lotflow.advice.earthworks import SENTENCES
from lotflow.advice.sentences import message
from lotflow.findings import Finding

#: Rule, facts, and what its sentence must say in metric and in US units.
TOLD = [
    ("swale-without-fall", {"fall": -0.001, "least": 0.01}, ["0%", "1.00%"], ["1.00%"]),
    ("swale-too-flat", {"fall": 0.006, "least": 0.01}, ["0.60%"], ["0.60%"]),
    ("swale-flat-at-house", {"fall": 0.012, "least": 0.02}, ["1.20%", "2.00%"], ["2.00%"]),
    ("swale-loses-depth", {"depth_m": 0.1524, "share": 0.4}, ["0.15 m", "40%"], ["6.0 in"]),
    ("swale-end-not-told", {"goes_to": "low spot 2"}, ["?", "low spot 2"], ["low spot 2"]),
    ("swale-end-not-told", {"goes_to": "on the lot"}, ["?"], ["moves the puddle"]),
    ("swale-ends-blind", {"stands_m": 0.1016}, ["0.10 m"], ["4.0 in"]),
    ("swale-misses-its-end", {"leads_to": "CB1", "misses_m": 3.048}, ["3 m", "CB1"], ["10 ft"]),
    ("swale-over-sidewalk", {"sidewalk": "Walk"}, ["Walk"], ["Walk"]),
    ("swale-onto-neighbour", {}, ["Ask"], ["one stream"]),
    ("swale-runs-to-building", {"wall_m": 0.9144}, ["1 m"], ["3 ft"]),
    ("swale-too-small", {"flow_m3s": 0.02, "capacity_m3s": 0.01}, ["20.00 l/s"], ["gpm"]),
    ("swale-capacity-within-doubt", {"flow_m3s": 0.02, "capacity_m3s": 0.01}, ["overgrown"],
     ["gpm"]),
    ("swale-freeboard", {"freeboard_m": 0.0254, "least_m": 0.0508}, ["0.03 m"], ["1.0 in"]),
    ("berm-without-swale", {"height_m": 0.3048}, ["0.30 m", "?"], ["12.0 in"]),
    ("regrade-not-met", {"share": 0.5, "raised_m": 0.1524}, ["50%", "0.15 m"], ["6.0 in"]),
    ("fill-holds-water", {"stands_m": 0.0508}, ["0.05 m"], ["2.0 in"]),
    ("rain-garden-near-building", {"wall_m": 1.524, "least_m": 3.048}, ["3 m"], ["5 ft", "10 ft"]),
    ("rain-garden-soil-unknown", {"most_h": 24.0, "depth_m": 0.1524}, ["24 hours", "?"],
     ["6.0 in"]),
    ("rain-garden-slow", {"hours": 41.7, "most_h": 24.0}, ["42 h"], ["42 h", "24 h"]),
    ("rain-garden-slow", {"hours": None, "most_h": 24.0}, ["never"], ["never"]),
    ("fill-above-sill", {"opening": "Door", "below_m": 0.0508, "least_m": 0.1016}, ["Door"],
     ["2.0 in below", "4.0 in"]),
    ("fill-above-sill", {"opening": "Door", "below_m": -0.01, "least_m": 0.1016}, ["to the sill"],
     ["to the sill"]),
    ("fill-at-wall", {"raised_m": 0.1524}, ["0.15 m", "siding"], ["6.0 in"]),
    ("earthwork-over-pipe", {"what": "pipe", "name": "P1", "depth_m": 0.1524}, ["Take its level"],
     ["6.0 in over P1"]),
    ("earthwork-over-pipe", {"what": "utility", "name": "Gas", "depth_m": 0.1524},
     ["Have it located"], ["6.0 in over Gas"]),
    ("earthwork-not-in-data", {"off_m": 0.1524}, ["0.15 m", "as built"], ["6.0 in"]),
    ("earthwork-off-lot", {"off_m": 3.048}, ["3 m", "?"], ["10 ft"]),
]  # fmt: skip


@pytest.mark.parametrize(("rule", "facts", "metric", "us"), TOLD)
def test_sentences_in_both_systems(rule, facts, metric, us):
    finding = Finding(rule, "warn", "S", facts=facts)
    for units, parts in (("metric", metric), ("us", us)):
        said = message(finding, units)
        assert said[0].isupper()
        assert said.endswith((".", "?"))
        for part in parts:
            assert part in said, said


def test_every_rule_has_an_example():
    assert {rule for rule, *_ in TOLD} == set(SENTENCES)
