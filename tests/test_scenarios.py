"""Sets of open inlets are written and read in one place."""

import pytest

from lotflow.scenarios import ALL_BLOCKED, LIMITED, OPEN, Scenario


@pytest.mark.parametrize("one", [OPEN, LIMITED, ALL_BLOCKED, Scenario.one_blocked("Patio: open")])
def test_what_is_written_is_read_again(one):
    assert Scenario(str(one)) == one
    assert Scenario(str(one)).is_blocked == one.is_blocked


def test_only_one_blocked_names_an_inlet():
    named = [one.inlet for one in (OPEN, LIMITED, ALL_BLOCKED, Scenario.one_blocked("A"))]
    assert named == ["", "", "", "A"]
