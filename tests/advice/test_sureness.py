"""What is said of how sure a result is, from facts."""

import pytest

from lotflow.advice.sentences import message
from lotflow.findings import Finding

ERROR = {"rmse_m": 0.1, "white_share": 0.2, "correlation_m": 20.0, "precision": 0.1, "fewest": 20}


def said(rule, **facts):
    return message(Finding(rule, "note", "A", facts=facts), "metric")


@pytest.mark.parametrize(
    ("facts", "told"),
    [({"number": 1}, "fewer than 20 give no bounds"), ({"number": 50}, "make them finer"),
     ({"number": 50, "cut_short": True}, "[confidence] realisations = 100.")],
)  # fmt: skip
def test_realisations_say_what_more_to_ask_for(facts, told):
    text = said("realisations", **ERROR, usual=100, **facts)
    assert told in text
    assert "80% of the variance" in text


def test_data_without_an_error_are_doubted():
    assert "under 0.01 m: low spots" in said("realisations", rmse_m=1e-6)


@pytest.mark.parametrize(
    ("chance", "is_sure", "is_likely", "words"),
    [(0.96, True, True, "0.20 m to 0.30 m deep on nine of ten: check it first."),
     (0.61, False, True, "likely real"), (0.37, False, False, "within the noise of the data")],
)  # fmt: skip
def test_low_spots_are_told_in_plain_words(chance, is_sure, is_likely, words):
    text = said("low-spot-sureness", there=89, number=100, chance=chance, depth_low_m=0.2,
                depth_high_m=0.3, is_sure=is_sure, is_likely=is_likely)  # fmt: skip
    assert "89 of 100" in text
    assert f"{chance:.0%}" in text
    assert words in text


def test_catchments_and_ways_that_hang_on_a_detail_ask_to_draw_it():
    text = said("catchment-hangs-on-detail", area_m2=90.0, low_m2=9.0, high_m2=30.0)
    assert "in the layer walls" in text
    text = said("path-hangs-on-detail", length_m=8.0, behind_m2=40.0, there=30, number=100)
    assert "30 of 100" in text
    assert "draw it in the layer walls" in text


def test_what_all_inlets_take_together_is_told_of_several():
    span = {"low_m2": 9.0, "high_m2": 30.0}
    assert "All inlets together" in said("catchment-unsure", **span, together_m2=50.0)
    assert "All inlets" not in said("catchment-unsure", **span, together_m2=None)


def test_places_left_out_of_the_falls_are_named():
    facts = {"told": 40, "places": 47, "left_out": ("Vent 34", "Vent 35")}
    assert "Left out: Vent 34, Vent 35 and 5 more." in said("falls-left-out", **facts, further=5)
    assert "Vent 35. Draw" in said("falls-left-out", **facts, further=0)
