import pytest

from lotflow.advice.sentences import message


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
