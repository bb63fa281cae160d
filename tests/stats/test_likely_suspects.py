import math
from itertools import product

import numpy as np
import pytest

from cornerrun.stats.likely_suspects import likely_suspects

RAILS = ("CORE", "IO", "DDR", "AUX")
ALL = [dict(zip(RAILS, levels, strict=True)) for levels in product(("low", "high"), repeat=4)]
PAIR = (("CORE", "low"), ("DDR", "high"))


def drawn(generator, probability_with, probability_without, trials=20):
    holds = [all(corner[r] == level for r, level in PAIR) for corner in ALL]
    return [int(generator.binomial(trials, probability_with if h else probability_without)) for h in holds]


def test_a_noisy_pair_is_named_where_no_combination_survives_strictly():
    generator = np.random.default_rng(1)
    failures = drawn(generator, 0.5, 0.03)
    found = likely_suspects(ALL, failures, [20] * 16)
    assert found[0].combination == PAIR
    assert found[0].weight > 0.95
    assert found[0].p_value < 1e-6
    assert (found[0].trials_with, found[0].trials_without) == (80, 240)


def test_the_gain_is_that_of_two_rates_over_one():
    corners = [{"A": "low"}, {"A": "high"}]
    (found,) = likely_suspects(corners, [3, 1], [10, 10])

    def loglik(f, n):
        return f * math.log(f / n) + (n - f) * math.log(1 - f / n)

    assert found.gain == pytest.approx(loglik(3, 10) + loglik(1, 10) - loglik(4, 20), rel=1e-12)


def test_combinations_in_the_same_corners_share_the_evidence():
    corners = [{"A": "low", "B": "low"}, {"A": "high", "B": "high"}]
    found = likely_suspects(corners, [18, 0], [20, 20])
    assert {s.combination for s in found} == {(("A", "low"),), (("B", "low"),), (("A", "low"), ("B", "low"))}
    assert len({round(s.weight, 12) for s in found}) == 1


def test_chance_alone_rarely_gives_a_likely_suspect():
    generator = np.random.default_rng(2)
    draws = 300
    wrong = sum(
        any(s.p_value <= 0.05 for s in likely_suspects(ALL, drawn(generator, 0.1, 0.1), [20] * 16))
        for _ in range(draws)
    )
    assert wrong / draws <= 0.05


def test_no_failure_has_no_suspect():
    assert likely_suspects(ALL, [0] * 16, [5] * 16) == ()
    assert likely_suspects([], [], []) == ()


@pytest.mark.parametrize(
    ("failures", "trials", "strength", "message"),
    [([3], [2], 2, "must not exceed"), ([1], [], 2, "its failures and its trials"), ([1], [2], 9, "strength")],
)
def test_refuses_counts_that_do_not_fit(failures, trials, strength, message):
    with pytest.raises(ValueError, match=message):
        likely_suspects([{"A": "low"}], failures, trials, strength=strength)
