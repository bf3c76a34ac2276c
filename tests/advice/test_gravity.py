"""What is said of lower ground, from facts."""

import pytest

from lotflow.advice.sentences import message
from lotflow.findings import Finding
from lotflow.terrain.lower_places import BEYOND_THE_LOT

PIPE = {"cover_m": 0.3, "least_fall": 0.01}
HERE = {"street_drawn": False, "searched_beyond_m": 30.0}
STREET = {"place": "Main Street", "kind": "street", "doubt_m": 0.1}


def said(rule, **facts):
    return message(Finding(rule, "warn", "A", facts=facts), "metric")


@pytest.mark.parametrize(
    ("facts", "told"),
    [({"within_doubt": True, "ground_falls": True}, "take both levels on site"),
     ({"ground_falls": True}, "Less cover, a swale"), ({}, "Keep water off it, let it soak away")],
)  # fmt: skip
def test_without_an_outlet_it_is_said_what_may_be_done(facts, told):
    short = {"lacks_m": 0.4, "run_m": 20.0}
    text = said("no-gravity-outlet", **PIPE, **HERE, **STREET, **short, **facts)
    assert "the best place, the street (Main Street), is 0.40 m short of fall over 20.0 m" in text
    assert told in text
    assert "the ground up to 30 m beyond it" in text


def test_where_nothing_lies_lower_no_place_is_named():
    text = said("no-gravity-outlet", **PIPE, street_drawn=True, searched_beyond_m=0.0)
    assert "a fall of 1.00%. Keep water off it" in text
    # whether it may be filled takes its sills and its water, which this does not know
    assert "ill the low spot" not in text
    assert "the drawn streets" in text


def test_an_uncertain_fall_is_told_with_its_doubt_and_whose_ground_it_crosses():
    place = STREET | {"kind": BEYOND_THE_LOT}
    facts = {**PIPE, **HERE, **place, "left_m": 0.05}
    text = said("outlet-fall-uncertain", **facts, off_lot_m=4.0)
    assert text.startswith("Ground beyond the lot (Main Street) leaves 0.05 m to spare")
    assert "±0.10 m" in text
    assert "Take both levels on site. 4.0 m of the way lie beyond the lot line." in text
    assert "lie beyond" not in said("outlet-fall-uncertain", **facts, off_lot_m=0.0)


def test_lower_ground_off_the_lot_is_asked_for_its_owner():
    text = said("outlet-only-beyond-lot", place="north side", off_lot_m=12.0, **HERE)
    assert "only off the lot: north side, 12.0 m of the way" in text
