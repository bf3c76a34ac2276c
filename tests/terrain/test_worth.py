"""Which levels are worth taking: the choice against all choices, the update against matrices."""

from itertools import combinations

import numpy as np
import pytest

from lotflow.terrain.worth import KEPT, believed, openness, shots_by_worth

ROD, OFFSET = 0.014, 1.0


def lot(seed, *, surfaces=100, candidates=6, questions=3):
    """Levels of correlated places, and margins that are falls between some of them."""
    random = np.random.default_rng(seed)
    root = random.standard_normal((candidates, candidates))
    level = 0.05 * random.standard_normal((surfaces, candidates)) @ root
    ends = np.array([random.choice(candidates, 2, replace=False) for _ in range(questions)])
    fall = level[:, ends[:, 0]] - level[:, ends[:, 1]]
    other = 0.05 * random.standard_normal(fall.shape)
    margin = fall + other + random.uniform(-0.1, 0.1, questions)
    return margin, level, [(int(a), int(b)) for a, b in ends]


def left(margin, level, taken, offset=OFFSET):
    """Share of each margin's variance that is left once levels are taken: by block inversion."""
    taken = list(taken)
    both = np.cov(np.column_stack([margin, level[:, taken]]).T)
    n = margin.shape[1]
    own = both[n:, n:] + ROD**2 * np.eye(len(taken)) + offset**2
    after = both[:n, :n] - both[:n, n:] @ np.linalg.inv(own) @ both[n:, :n]
    return np.diag(after) / np.diag(both)[:n]


@pytest.mark.parametrize("seed", range(8))
def test_the_first_choice_is_the_best_of_all_choices(seed):
    """One level, or a pair: all of them tried by block matrices; less than a tenth is chance."""
    margin, level, pairs = lot(seed, surfaces=4000)
    trust = np.ones(3)
    first = shots_by_worth(margin, level, trust=trust, pairs=pairs, most=2)
    each = {}
    for group in [*((i,) for i in range(6) if i not in np.ravel(pairs)), *pairs]:
        share = 1 - left(margin, level, group)
        each[group] = openness(margin, trust) @ np.where(share > 0.1, share, 0) / len(group)
    best = max(each, key=each.get)
    assert tuple(one.candidate for one in first)[: len(best)] == best


def test_one_after_the_other_is_hardly_worse_than_the_best_set_of_all():
    """Of 40 lots, four levels of six: against all 15 sets, and never below 8 of 10 of the best."""
    shares = []
    for seed in range(40):
        margin, level, pairs = lot(seed, surfaces=2000)
        trust = np.ones(3)
        open_ = openness(margin, trust)
        chosen = {one.candidate for one in shots_by_worth(
            margin, level, trust=trust, pairs=[*pairs, (0, 1)], most=4
        )}  # fmt: skip
        worth = {
            group: open_ @ (1 - left(margin, level, group)) for group in combinations(range(6), 4)
        }
        shares.append(open_ @ (1 - left(margin, level, chosen)) / max(worth.values()))
    assert np.mean(shares) > 0.95
    assert min(shares) > 0.8


def test_each_step_tells_what_is_left_by_block_inversion():
    """What each choice is said to settle is the fall of the variance left, less chance's share."""
    margin, level, pairs = lot(3, surfaces=500)
    trust = np.array([1.0, 0.4, 1.0])
    shots = shots_by_worth(margin, level, trust=trust, pairs=pairs, most=6)
    before, taken, i = np.ones(3), [], 0
    while i < len(shots):
        together = 1 if shots[i].partner is None else 2
        taken += [one.candidate for one in shots[i : i + together]]
        after = left(margin, level, taken)
        chance = together / 499
        share = (before - after - chance) / (1 - chance)
        share[share <= 0.1] = 0  # so little is taken for chance
        question = int((openness(margin, trust) * share).argmax())
        for one in shots[i : i + together]:
            assert one.question == question
            assert one.settles == pytest.approx(KEPT * share[question], abs=1e-6)
        before, i = after, i + together
    assert len(shots) >= 4


def test_a_level_alone_tells_nothing_where_the_benchmark_is_ones_own():
    """With one offset for all levels a fall needs both its ends, whatever the ground's level."""
    random = np.random.default_rng(1)
    level = 0.1 * random.standard_normal((200, 2))
    margin = (level[:, 0] - level[:, 1])[:, None]
    assert not shots_by_worth(margin, level, trust=np.ones(1))
    both = shots_by_worth(margin, level, trust=np.ones(1), pairs=[(0, 1)])
    assert [(one.candidate, one.partner) for one in both] == [(0, 1), (1, 0)]
    assert both[0].settles == pytest.approx(KEPT * 0.98, abs=0.02)
    tied = shots_by_worth(margin, level, trust=np.ones(1), offset_m=0.0)
    assert {one.partner for one in tied} == {None}


def test_what_is_sure_is_asked_last_or_not_at_all():
    """A question all surfaces agree on is worth nothing, one that is never varied neither."""
    random = np.random.default_rng(2)
    level = 0.1 * random.standard_normal((100, 4))
    sure = 5.0 + level[:, 0] - level[:, 1]
    open_ = level[:, 2] - level[:, 3]
    margin = np.column_stack([sure, open_, np.full(100, 0.3)])
    shots = shots_by_worth(margin, level, trust=np.ones(3), pairs=[(0, 1), (2, 3)])
    assert [one.candidate for one in shots] == [2, 3]
    assert not shots_by_worth(margin[:, [0, 2]], level, trust=np.ones(2), pairs=[(0, 1)])


def test_half_believed_shares_keep_a_question_open():
    """A low spot in all surfaces still leaves p of 0.7."""
    margin = np.ones((50, 2))
    trust = np.array([0.4, 1.0])
    assert believed(margin, trust) == pytest.approx([0.7, 1.0])
    assert openness(margin, trust) == pytest.approx([0.84, 0.0])


def test_without_questions_or_places_nothing_is_listed():
    level = np.zeros((30, 3))
    assert shots_by_worth(np.zeros((30, 0)), level, trust=np.zeros(0)) == []
    assert shots_by_worth(np.zeros((30, 1)), np.zeros((30, 0)), trust=np.ones(1)) == []
    assert shots_by_worth(np.zeros((30, 1)), level, trust=np.ones(1)) == []
