import math

import numpy as np
import pytest

from cornerrun.stats.monte_carlo import normal, propagate, scaled_t, uniform


def _sum(**inputs):
    return sum(inputs.values())


@pytest.mark.parametrize(
    ("draw", "high"),
    # JCGM 101:2008, 9.2.2 and 9.2.3, from memory: four inputs of standard uncertainty 1; [-3.92, 3.92], [-3.88, 3.88].
    [(normal(0, 1), 3.92), (uniform(-math.sqrt(3), math.sqrt(3)), 3.88)],
)
def test_sum_of_four_inputs_agrees_with_jcgm_101(draw, high):
    found = propagate(_sum, dict.fromkeys("abcd", draw), generator=np.random.default_rng(1), draws=400_000)
    assert found.standard_uncertainty == pytest.approx(2.0, abs=0.01)
    assert (found.low, found.high) == pytest.approx((-high, high), abs=0.03)
    assert found.estimate == pytest.approx(0.0, abs=4 * found.standard_error)


def test_shortest_interval_suits_a_lopsided_result():
    found = propagate(lambda x: x**2, {"x": normal(0, 1)}, generator=np.random.default_rng(2))
    assert found.shortest_low == pytest.approx(0.0, abs=1e-3)
    assert found.shortest_high == pytest.approx(3.841, abs=0.05)  # chi-square, one degree of freedom, 95 %
    assert found.shortest_high - found.shortest_low < found.high - found.low


def test_inputs_from_few_readings_have_heavy_tails():
    found = propagate(lambda x: x, {"x": scaled_t(1.0, 0.5, 5)}, generator=np.random.default_rng(3), draws=400_000)
    assert found.high - 1.0 == pytest.approx(2.571 * 0.5, abs=0.02)  # t, five degrees of freedom


def test_the_same_generator_gives_the_same_result_whatever_the_order_of_inputs():
    a = propagate(_sum, {"x": normal(0, 1), "y": uniform(0, 1)}, generator=np.random.default_rng(4), draws=10_000)
    b = propagate(_sum, {"y": uniform(0, 1), "x": normal(0, 1)}, generator=np.random.default_rng(4), draws=10_000)
    assert a == b


@pytest.mark.parametrize(
    ("model", "inputs", "draws", "message"),
    [
        (lambda x: x, {"x": normal(0, 1)}, 100, "not less than 10000"),
        (lambda: 1, {}, 10_000, "at least one input"),
        (lambda x: x[:5], {"x": normal(0, 1)}, 10_000, "must return 10000 values"),
        (lambda x: x * np.nan, {"x": normal(0, 1)}, 10_000, "not finite"),
    ],
)
def test_refuses_models_that_cannot_be_propagated(model, inputs, draws, message):
    with pytest.raises(ValueError, match=message):
        propagate(model, inputs, generator=np.random.default_rng(0), draws=draws)
