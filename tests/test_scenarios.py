"""Sets of open inlets are written and read in one place."""

import pytest

from lotflow.scenarios import ALL_BLOCKED, LIMITED, OPEN, Scenario, one_blocked


@pytest.mark.parametrize("one", [OPEN, LIMITED, ALL_BLOCKED, one_blocked("Patio: open")])
def test_what_is_written_is_read_again(one):
    assert Scenario.parse(str(one)) == one


def test_only_one_blocked_names_an_inlet():
    told = {one: one.is_one_blocked for one in (OPEN, LIMITED, ALL_BLOCKED, one_blocked("A"))}
    assert [one.blocked for one, is_one in told.items() if is_one] == ["A"]


def test_another_text_is_no_scenario():
    with pytest.raises(ValueError, match="'closed' names no set"):
        Scenario.parse("closed")
