"""Which option helps most: by the same surfaces for all, and never more than they can tell."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pytest

from lotflow.proposing import ranking
from lotflow.proposing.ranking import Trial, decided, ranked, shares_alone, t_quantile
from lotflow.proposing.surface import SurfaceHarm

BASE = SurfaceHarm(0.0, 10.0, 20.0, 3.0, 50.0, 5.0, 0.0, 8.0, 90.0)


def harm_with(mended):
    """The base, less what is mended of each named row."""
    return BASE._replace(**{name: getattr(BASE, name) - by for name, by in mended.items()})


class FakeLot:
    """
    A lot whose harm is a sum: each option mends its own rows, by what each surface says.

    `mends` gives, by the name of a change, a function of the surface's number.
    """

    def __init__(self, mends):
        self.mends = mends
        self.runs = 0
        self.grid = SimpleNamespace(shape=(1, 1))

    def laid(self, changes=()):
        lot, names = self, [one.name for one in changes]

        class Laid:
            def __init__(self, number=None):
                self.number = number

            def on(self, off, cells=()):
                del cells
                return Laid(int(off[0, 0]))

            def harm(self):
                lot.runs += self.number is not None
                mended = {}
                for name in names:
                    for row, by in lot.mends[name](self.number or 0).items():
                        mended[row] = mended.get(row, 0.0) + by
                return harm_with(mended)

        return Laid()


def off(number):
    return [np.full((1, 1), float(i)) for i in range(number)]


def trials(*names):
    return [Trial(name, (SimpleNamespace(name=name),)) for name in names]


NOISE = np.random.default_rng(4).normal(size=(3, 200))


def test_what_all_surfaces_share_does_not_hide_which_is_before():
    # each surface makes both worth 20 m2 more or less, one is 2 m2 better on every one of them:
    # unpaired means overlap by far, paired ones do not
    lot = FakeLot({
        "A": lambda i: {"near_m2": 10 + 20 * NOISE[0, i] + 2 + 0.1 * NOISE[1, i]},
        "B": lambda i: {"near_m2": 10 + 20 * NOISE[0, i]},
    })  # fmt: skip
    found = ranked(lot, trials("B", "A"), off(12))
    assert [one.name for one in found.options] == ["A", "B"]
    assert found.first == ["A"]
    assert found.ties == []
    worth = [one.mended[:8, 2] for one in found.options]
    assert worth[0].std() > 5 * (worth[0] - worth[1]).mean()


def test_where_the_surfaces_cannot_tell_it_is_a_tie():
    lot = FakeLot({
        "A": lambda i: {"near_m2": 10 + 5 * NOISE[0, i]},
        "B": lambda i: {"near_m2": 10 + 5 * NOISE[1, i]},
    })  # fmt: skip
    found = ranked(lot, trials("A", "B"), off(12))
    assert sorted(found.first) == ["A", "B"]
    assert len(found.ties) == 1
    assert not found.is_alike


def test_options_that_mend_as_much_are_alike():
    lot = FakeLot({name: lambda _: {"roof_m2": 25.0} for name in "AB"})
    found = ranked(lot, trials("A", "B"), off(12))
    assert found.first == ["A", "B"]
    assert found.is_alike


def test_a_row_of_harm_decides_before_all_after_it():
    lot = FakeLot({
        "A": lambda _: {"wall_m": 2.0},
        "B": lambda _: {"roof_m2": 50.0, "stands_m3": 8.0, "run_on_m3": 90.0},
    })  # fmt: skip
    assert ranked(lot, trials("B", "A"), off(8)).first == ["A"]


def test_racing_finds_the_winner_of_full_runs_with_fewer(monkeypatch: pytest.MonkeyPatch):
    mends = {
        f"option {k}": (lambda i, k=k: {"near_m2": 3 * k + 2 * NOISE[k % 3, i]}) for k in range(8)
    }
    names = list(mends)
    raced = FakeLot(mends)
    one = ranked(raced, trials(*names), off(40))
    with monkeypatch.context() as patched:
        patched.setattr(ranking, "FIRST", 40)
        whole = FakeLot(mends)
        two = ranked(whole, trials(*names), off(40))
    assert one.first[0] == two.first[0] == "option 7"
    assert one.sequence == two.sequence == ["option 7", "option 6", "option 5"]
    assert one.runs == raced.runs
    assert raced.runs <= 0.4 * whole.runs  # as measured in the lab: 36 %


def test_a_sequence_ends_where_nothing_surely_helps():
    lot = FakeLot({
        "A": lambda _: {"near_m2": 10.0},
        "B": lambda i: {"near_m2": 6 * NOISE[0, i]},
        "C": lambda _: {"paved_m2": -3.0},
    })  # fmt: skip
    found = ranked(lot, trials("C", "B", "A"), off(12))
    assert found.sequence == ["A"]
    by_name = {one.name: one for one in found.options}
    assert by_name["A"].verdict == "holds"
    assert by_name["C"].harms == 1.0
    assert by_name["C"].verdict == "level first"


def test_shares_and_quantiles_are_of_the_surfaces():
    lot = FakeLot({"A": lambda i: {"wall_m": 5.0 if i < 9 else -5.0 if i < 11 else 0.0}})
    (one,) = ranked(lot, trials("A"), off(12)).options
    assert (one.helps, one.harms) == (9 / 12, 2 / 12)
    assert one.verdict == "likely"
    assert one.mended_at(0.5).wall_m == 5.0
    assert one.mended_at(0.05).wall_m == -5.0
    ((helps, harms),) = shares_alone(lot, [SimpleNamespace(name="A")], off(12))
    assert (helps, harms) == (1.0, 0.0)  # of the first eight


def test_without_surfaces_the_measured_one_decides():
    lot = FakeLot({"A": lambda _: {"wall_m": 5.0}, "B": lambda _: {"wall_m": 1.0}})
    found = ranked(lot, trials("B", "A"), [])
    assert [one.name for one in found.options] == ["A", "B"]
    assert ranked(lot, [], []).options == []


# tables of Student's t, 2.5 % in each tail, from memory: 2.365, 2.201 and 2.131
@pytest.mark.parametrize(("freedom", "value"), [(7, 2.365), (11, 2.201), (15, 2.131)])
def test_quantiles_of_t(freedom, value):
    assert t_quantile(freedom) == pytest.approx(value, abs=5e-4)


def test_the_interval_of_a_difference_holds_what_it_promises():
    # 95 %: of 1,000 pairs that are alike one row is told apart in about one of twenty
    rng = np.random.default_rng(1)
    wrong = 0
    for _ in range(1000):
        one, other = np.zeros((12, 9)), np.zeros((12, 9))
        one[:, 1], other[:, 1] = rng.normal(0, 5, 12), rng.normal(0, 5, 12)
        wrong += decided(one, other) != 0
    assert 0.03 < wrong / 1000 < 0.07
