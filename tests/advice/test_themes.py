"""What each finding is about, so that the answer files it where it belongs."""

from lotflow.advice.themes import untold_rules


def test_every_rule_has_a_theme():
    """A rule without one would be filed under faults of laying, whatever it is about."""
    assert untold_rules() == []
