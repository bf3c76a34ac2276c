"""What is said of rain, roofs and covers, from facts alone."""

import pytest

from lotflow.advice.sentences import message
from lotflow.findings import Finding


def said(rule, units=None, source="", **facts):
    return message(Finding(rule, "note", "subject", source=source, facts=facts), units)


def test_a_table_of_elsewhere_names_both_places_and_the_way_between():
    facts = {"table": (37.5, -80.25), "lot": (38.5, -80.25), "away_m": 111_000.0}
    assert "is of 37.5000, -80.2500; the lot lies 111 km (69 mi) from there, at 38.5000" in said(
        "rainfall-elsewhere", **facts
    )
    assert "lies 111 km from" in said("rainfall-elsewhere", "metric", **facts)
    assert "lies 69 mi from" in said("rainfall-elsewhere", "us", **facts)


def test_the_rain_is_named_with_its_source():
    told = said("rainfall-used", source="NOAA Atlas 14", duration_s=3600.0, return_period_yr=10.0,
                depth_m=0.0508)  # fmt: skip
    assert told == "Rain: NOAA Atlas 14; the 10-year rain of 60 min is 50.8 mm (2 in)."


@pytest.mark.parametrize(("has", "why"), [(True, "no downspout drains"), (False, "has no down")])
def test_roof_that_sheds_says_whether_there_are_downspouts(has, why):
    told = said("roof-sheds-at-eaves", area_m2=70.0, has_downspouts=has)
    assert why in told
    assert "70 m² (753 ft²) of roof" in told


@pytest.mark.parametrize(
    ("coefficient", "number", "used"),
    [(0.2, 61.0, "runoff coefficient 0.20, curve number 61"), (0.2, None, "coefficient 0.20. C"),
     (None, 61.0, ": curve number 61. C")],
)  # fmt: skip
def test_only_values_that_count_are_told_of_an_assumed_cover(coefficient, number, used):
    told = said("cover-assumed", share=0.25, ground="lawn", soil_group="B", slope=0.034,
                coefficient=coefficient, curve_number=number)  # fmt: skip
    assert told.startswith("25% of the lot has no cover polygon and counts as lawn on soil of ")
    assert "with a slope of 3.4%: " in told
    assert used in told


def test_each_other_sentence_says_its_numbers():
    told = {
        "rainfall-uplift": ({"uplift": 1.2}, "raised by 20%"),
        "rainfall-starts-late": ({"shortest_s": 900.0}, "shortest rain lasts 15 min"),
        "rainfall-ends-early": ({"longest_s": 10800.0}, "ends at 3 h"),
        "stated-intensity": ({"intensity_m_s": 90 / 3.6e6}, "rain of 90"),
        "roof-smaller-than-cell": ({"area_m2": 0.5}, "roof of 0"),
        "covers-overlap": ({"share": 0.012}, "on 1.2% of the lot"),
        "downspout-without-node": (
            {"leads_to": "Old basin", "case": "proposed"},
            "leads into Old basin, which the proposed drains",
        ),
        "gutter-runs-over": (
            {"return_period_yr": 10.0, "leader_limit_m_s": 1e-5, "share": 0.3},
            "In the 10-year storm its leader takes no more than rain of 36.0 mm/h",
        ),
        "roof-areas-exceed-footprint": (
            {"given_m2": 150.0, "footprint_m2": 120.0},
            "given 150 m² (1,615 ft²) of roof, its footprint has 120 m²",
        ),
    }
    for rule, (facts, words) in told.items():
        assert words in said(rule, **facts), rule
