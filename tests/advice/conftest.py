"""The hand-made results are a module of this folder."""

import sys
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parent))

from hand_made import site_layers

from lotflow.advice.sentences import message


@pytest.fixture
def site():
    """Layers of a lot with a low spot at a door and a wall to which the ground falls."""
    return site_layers()


@pytest.fixture
def is_told():
    """Hold a sentence against the words that must stand in it, in metric and in US units."""

    def check(finding, metric, us):
        for units, words in (("metric", metric), ("us", us)):
            told = message(finding, units)
            assert told.endswith(".")
            assert "None" not in told
            assert "nan" not in told
            for word in words:
                assert word in told

    return check
