"""Words of the levels to take first: every kind of place and question has some."""

from typing import get_args

import pytest

from lotflow.advice.first_levels import place_words, question_words
from lotflow.drains.first_levels import LevelPlace, PlaceKind, Question
from lotflow.layers import RESULT_LAYERS


@pytest.mark.parametrize("kind", get_args(PlaceKind))
def test_every_kind_of_place_names_its_thing(kind):
    place = LevelPlace(kind, "C1", 0.0, 0.0, 0, away_m=2.0, east=1.0, near="inlet")
    assert "C1" in place_words(place)


@pytest.mark.parametrize("question", get_args(Question))
def test_every_question_names_its_subject(question):
    asked = question_words({"question": question, "subject": "C1"})
    assert "C1" in asked
    assert asked.endswith("?")


def test_the_layer_allows_what_is_told():
    layer = RESULT_LAYERS["levels_to_take"]
    assert layer.column("kind").choices == get_args(PlaceKind)
    assert layer.column("question").choices == get_args(Question)
