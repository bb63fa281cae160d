import statistics

import pytest

from cornerrun.bench.simulated.draws import normal, uniform


def test_the_same_key_draws_the_same_number_on_every_machine() -> None:
    # Computed from `b2sum -l 64`, no published figure: stored runs are repeated by this very function.
    assert uniform("trial", 1, "march", 3, 4) == pytest.approx(0.9560278846, abs=1e-9)
    assert uniform("trial", 1, "march", 3, 4) == uniform("trial", 1, "march", 3, 4)


def test_keys_that_read_alike_when_joined_draw_different_numbers() -> None:
    assert uniform("a", 12) != uniform("a1", 2)
    assert uniform(1, 23) != uniform(12, 3)


def test_draws_are_uniform() -> None:
    draws = sorted(uniform("test", index) for index in range(10_000))
    # Kolmogorov-Smirnov: beyond 1.95 / sqrt(n) once in a thousand seeds; the keys are fixed, so this never flickers.
    worst = max(abs(draw - (index + 0.5) / 10_000) for index, draw in enumerate(draws))
    assert worst < 1.95 / 100


def test_normal_draws_have_mean_nought_and_deviation_one() -> None:
    draws = [normal("test", index) for index in range(10_000)]
    assert statistics.fmean(draws) == pytest.approx(0.0, abs=4 / 100)
    assert statistics.stdev(draws) == pytest.approx(1.0, abs=4 / 140)
