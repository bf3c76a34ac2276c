"""What the answer makes of invented observations, and what is said of them."""

import math

import pandas as pd
import pytest
from hand_made import LOW_SPOT, result
from shapely.geometry import Point

from lotflow.advice.answer import answer
from lotflow.advice.grades import Grade
from lotflow.advice.themes import Theme
from lotflow.findings import Finding
from lotflow.ponding.observations import Predicted, Span

FACTS = {
    "depth_m": 0.25, "hours": 30.0, "date": "2026-05-03", "basis": "rain of the day",
    "rain_m": 0.0411, "rain_date": "2026-05-03", "period": (4.2, 0), "low_spot": 1,
    "predicted": Predicted(Span(0.3, 0.3), Span(0.3, 0.3), Span(40.0, 40.0), 0.15),
    "away_m": None, "inlets": (),
}  # fmt: skip


def row(verdict, **values):
    """An observation as the layer has it."""
    return {
        "name": "Gate", "x": 10.0, "y": 11.0, "is_area": False, "seen_on": "2026-05-03",
        "depth_m": 0.25, "stood_h": 30.0, "note": None, "low_spot": 1, "matched": "in it",
        "away_m": 0.0, "rain_basis": "rain of the day", "rain_mm": 41.1,
        "rain_date": "2026-05-03", "return_period_yr": 4.2, "predicted_m": 0.3,
        "predicted_least_m": 0.3, "predicted_blocked_m": 0.3, "predicted_h": 40.0,
        "error_m": 0.15, "inlets": "", "verdict": verdict, "geometry": Point(10, 11),
    } | values  # fmt: skip


def answered(site, rows, findings=(), **spot):
    """Answer for the hand-made site with observations, its low spot changed."""
    layers = site | {
        "observations": rows, "low_spots": [LOW_SPOT | {"inlets": "", "geometry": LOW_SPOT[
            "geometry"]} | spot], "openings": [], "wall_water": [],
    }  # fmt: skip
    told = result(layers, list(findings))
    return answer(told.layers, told.findings, told.content, "metric")


def item(found, theme):
    return next((one for one in found.items if one.theme is theme), None)


def spot_finding(severity="warn"):
    return Finding("low-spot", severity, "low spot 1", "Deep.", measured=0.3, unit="m", x=10.0,
                   y=11.0)  # fmt: skip


@pytest.mark.parametrize(
    ("verdicts", "probability", "expected"),
    [
        ((), 0.6, Grade.LIKELY),
        (("agrees",), 0.6, Grade.SHOWN),
        ((), 0.2, Grade.LEVEL_FIRST),
        (("agrees",), 0.2, Grade.LIKELY),
        (("agrees",), 0.95, Grade.SHOWN),
        (("deeper than predicted",), 0.6, Grade.LIKELY),
        (("cannot tell",), 0.2, Grade.LEVEL_FIRST),
        # one who saw none there contradicts the one who did
        (("agrees", "predicted, not seen"), 0.2, Grade.LEVEL_FIRST),
    ],
)
def test_only_water_seen_as_predicted_raises_the_grade_of_its_low_spot(
    site, verdicts, probability, expected
):
    rows = [row(one) for one in verdicts]
    found = answered(site, rows, [spot_finding()], probability=probability)
    assert item(found, Theme.LOW_SPOT).grade is expected


def test_a_dry_day_that_was_predicted_dry_raises_nothing(site):
    rows = [row("agrees", depth_m=0.0, stood_h=None, predicted_m=0.0, predicted_least_m=0.0)]
    found = answered(site, rows, [spot_finding()], probability=0.2)
    assert item(found, Theme.LOW_SPOT).grade is Grade.LEVEL_FIRST


def test_water_that_was_seen_speaks_for_a_doubted_low_spot(site):
    rows = [row("agrees")]
    doubt = {"artefact": "deep", "probability": 0.95}
    assert item(answered(site, [], [spot_finding()], **doubt), Theme.LOW_SPOT).grade is Grade.LIKELY
    assert (
        item(answered(site, rows, [spot_finding()], **doubt), Theme.LOW_SPOT).grade is Grade.SHOWN
    )


def test_a_low_spot_in_which_water_was_seen_is_an_item_without_a_warning(site):
    assert item(answered(site, [], [spot_finding("note")]), Theme.LOW_SPOT) is None
    found = answered(site, [row("agrees")], [spot_finding("note")])
    assert "Gate" in item(found, Theme.LOW_SPOT).evidence


def test_a_mismatch_in_a_low_spot_is_a_question_of_its_item(site):
    finding = Finding("observation-deeper", "warn", "Gate", "Deeper.", x=10.0, y=11.0)
    plain = answered(site, [], [spot_finding()])
    found = answered(site, [row("deeper than predicted", depth_m=0.8)], [spot_finding(), finding])
    told, before = item(found, Theme.LOW_SPOT), item(plain, Theme.LOW_SPOT)
    assert finding in told.findings
    assert told.check.startswith(before.check)
    assert told.check.removeprefix(before.check).endswith("?")
    # nothing that was computed is another
    assert (told.harm, told.grade, told.steps) == (before.harm, before.grade, before.steps)
    assert item(found, Theme.SEEN) is None


@pytest.mark.parametrize(
    ("verdict", "inlets", "rain_mm", "keys"),
    [
        ("seen, not predicted", "", 41.0, ["hidden", "dry-weather"]),
        ("seen, not predicted", "Basin", 41.0, ["hose", "hidden", "dry-weather"]),
        ("seen, not predicted", "", 0.0, ["dry-weather", "hidden"]),
        ("as with inlets blocked", "Basin", 41.0, ["hose"]),
        ("predicted, not seen", "", 41.0, ["find-culvert"]),
        ("longer than predicted", "", 41.0, ["soak", "dry-weather"]),
        ("deeper than predicted", "", 41.0, ["hidden"]),
    ],
)
def test_what_no_low_spot_of_the_lot_explains_is_a_question_of_its_own(
    site, verdict, inlets, rain_mm, keys
):
    finding = Finding("observation-not-predicted", "warn", "Gate", "Seen.", x=3.0, y=3.0)
    rows = [row(verdict, low_spot=None, inlets=inlets, rain_mm=rain_mm, predicted_m=0.0,
                predicted_least_m=0.0, predicted_h=None, x=3.0, y=3.0)]  # fmt: skip
    one = item(answered(site, rows, [finding]), Theme.SEEN)
    assert [measure.what for measure in one.measures] == keys
    assert (one.place, one.x, one.y, one.grade) == ("Gate", 3.0, 3.0, Grade.LEVEL_FIRST)
    assert one.findings == (finding,)


def test_every_observation_that_asks_is_in_one_item(site):
    findings = [
        Finding("observation-not-seen", "warn", "Gate", "Dry.", x=3.0, y=3.0),
        Finding("observation-deeper", "warn", "Shed", "Deep.", x=10.0, y=11.0),
        spot_finding(),
    ]
    rows = [row("predicted, not seen", low_spot=None),
            row("deeper than predicted", name="Shed")]  # fmt: skip
    found = answered(site, rows, findings)
    told = [one for each in found.items for one in each.findings]
    assert all(told.count(one) == 1 for one in findings)
    assert not found.evidence_only


def test_results_without_observations_are_answered_as_before(site):
    found = answered(site, [], [spot_finding()])
    without = site | {"low_spots": [LOW_SPOT | {"inlets": ""}], "openings": [], "wall_water": []}
    told = result(without, [spot_finding()])
    assert found == answer(told.layers, told.findings, told.content, "metric")


@pytest.mark.parametrize(
    ("rule", "facts", "metric", "us"),
    [
        ("observation-agrees", {}, ["0.25 m for 30 h", "41 mm", "about a 4.2-year rain", "0.30 m",
                                    "40 h", "0.15 m"], ["9.8 in", "1.62 in", "11.8 in"]),
        ("observation-agrees", {"depth_m": 0.0, "hours": None}, ["no water"], ["no water"]),
        ("observation-agrees", {"away_m": 2.0}, ["2.0 m beside low spot 1"], ["6.6 ft beside"]),
        ("observation-not-predicted", {"inlets": ("CB 1",)}, ["Does CB 1 take water"], ["leak"]),
        ("observation-not-predicted", {"rain_m": 0.0, "period": (1.0, -1)}, ["without rain"],
         ["without rain"]),
        ("observation-drain-blocked", {"inlets": ("CB 1", "CB 2")}, ["CB 1 and CB 2 are"],
         ["11.8 in with all of them blocked"]),
        ("observation-deeper", {"inlets": ("CB 1",)}, ["does CB 1 take water"], ["5.9 in"]),
        ("observation-longer", {"hours": 200.0}, ["200 h", "soak test"], ["gone after 40 h"]),
        ("observation-not-seen", {"depth_m": 0.0}, ["culvert"], ["no water"]),
        ("observation-less", {"hours": 2.0, "rain_date": "2026-05-02"}, ["the day before"],
         ["1.62 in"]),
        ("observation-open", {"basis": "design storms", "rain_m": None, "rain_date": "",
                              "period": None, "depth_m": None}, ["not known"], ["design storms"]),
        ("observation-open", {"basis": "full low spots", "rain_m": None, "rain_date": "",
                              "period": None, "hours": None}, ["no rain is known"], ["full"]),
        ("observation-longer", {"period": (100.0, 1), "predicted": Predicted(
            Span(0.0, 0.3), Span(0.0, 0.3), Span(0.0, math.inf), 0.15)},
         ["none to 0.30 m", "sealed ground", "more than a 100-year rain"], ["none to 11.8 in"]),
    ],
)  # fmt: skip
def test_sentences(is_told, rule, facts, metric, us):
    finding = Finding(rule, "warn", "Gate", facts=FACTS | facts)
    is_told(finding, metric, us)


@pytest.mark.parametrize(
    ("facts", "metric", "us"),
    [
        ({"names": ("Gate",), "days": ("2026-05-03",), "undated": False, "has_storms": True},
         ["Gate is held", "rain_mm = { 2026-05-03 = 41 }"], ["rain_in = { 2026-05-03 = 1.6 }"]),
        ({"names": ("Gate", "Shed"), "days": (), "undated": True, "has_storms": False},
         ["Gate and Shed are", "full low spots", "Ask on which day"], ["rain_in"]),
    ],
)  # fmt: skip
def test_the_rain_of_the_day_is_asked_for(is_told, facts, metric, us):
    is_told(Finding("observation-rain-unknown", "note", "observations", facts=facts), metric, us)


def test_an_empty_layer_of_observations_says_nothing(site):
    told = result(site | {"observations": []}, [])
    layers = dict(told.layers) | {"observations": pd.DataFrame(columns=["name", "low_spot"])}
    assert answer(layers, told.findings, told.content, "us") == answer(
        told.layers, told.findings, told.content, "us"
    )
