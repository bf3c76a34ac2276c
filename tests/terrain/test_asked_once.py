"""What several threads ask for is found once, and tried again where it failed."""

from concurrent.futures import ThreadPoolExecutor
from threading import Barrier
from time import sleep

import pytest

from lotflow.terrain.asked_once import AskedOnce
from lotflow.terrain.likely_surfaces import LikelySurfaces


def test_threads_that_ask_at_once_get_the_same():
    together, calls = Barrier(4), []

    def find():
        calls.append(1)
        sleep(0.05)  # long enough for the others to ask meanwhile
        return object()

    asked = AskedOnce(find)

    def ask(_):
        together.wait()
        return asked()

    with ThreadPoolExecutor(4) as pool:
        found = set(pool.map(ask, range(4)))
    assert len(calls) == len(found) == 1


def test_nothing_is_an_answer_too():
    answers = iter([None, 1])
    asked = AskedOnce(lambda: next(answers))
    assert asked() is None
    assert asked() is None


def test_what_failed_is_tried_again():
    divisors = iter([0, 2])
    asked = AskedOnce(lambda: 1 / next(divisors))
    with pytest.raises(ZeroDivisionError):
        asked()
    assert asked() == 0.5


@pytest.mark.parametrize("number", [0, 1, 2, 3, 7, 100])
def test_every_draw_has_its_turn_once(number):
    turns = LikelySurfaces.in_turn(number)
    assert sorted(turns) == list(range(number))
    assert turns[:2] == [0, 1][:number]
