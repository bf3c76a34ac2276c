"""The hand-made results are a module of this folder."""

import re
import sys
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parent))

from hand_made import site_layers

from lotflow.advice.say import Say
from lotflow.advice.sentences import SENTENCES, message


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


#: A number with a unit of the system, or a column or key that has it.
METRIC = re.compile(
    r"\d[\d,.]* ?(?:km|mm/h|mm|cm|m³/s|m/s|m²|m³|m|l/s)\b(?!/)|(?<!rmse)_(?:mm_h|mm|m2|m)\b"
)
US = re.compile(
    r"(?<![\w.])\d[\d,.]* (?:in/h|in(?! \d)|ft/s|ft²|ft³|ft|gpm|cfs|mi)\b|_(?:in_h|in|ft2|ft)\b"
)
NOUGHT = re.compile(r"(?<![\d.])0\.0+ (?:in|ft|m|mm|l/s|gpm|m²|ft²|m³|ft³)\b")


@pytest.fixture(autouse=True)
def one_system(monkeypatch):
    """Read every sentence that a test of this folder asks for in both systems, each by itself."""
    for rule, sentence in list(SENTENCES.items()):

        def read(say, finding, _sentence=sentence, **facts):
            metric, us = (_sentence(Say(units), finding, **facts) for units in ("metric", "us"))
            for quoted in (fact for fact in facts.values() if isinstance(fact, str) and fact):
                metric, us = metric.replace(quoted, "..."), us.replace(quoted, "...")
            assert not US.search(metric), metric
            assert not METRIC.search(us), us
            assert not NOUGHT.search(metric), metric
            assert not NOUGHT.search(us), us
            return _sentence(say, finding, **facts)

        monkeypatch.setitem(SENTENCES, rule, read)
