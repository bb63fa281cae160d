from itertools import combinations

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats as scipy_stats

from cornerrun.stats.multiple import benjamini_hochberg, holm

# Benjamini & Hochberg 1995; also in scipy's docstring.
PAPER = [
    0.0001,
    0.0004,
    0.0019,
    0.0095,
    0.0201,
    0.0278,
    0.0298,
    0.0344,
    0.0459,
    0.3240,
    0.4262,
    0.5719,
    0.6528,
    0.7590,
    1,
]


def test_the_list_of_the_paper():
    assert sum(p <= 0.05 for p in holm(PAPER)) == 3
    adjusted = benjamini_hochberg(PAPER)
    assert sum(p <= 0.05 for p in adjusted) == 4
    assert adjusted[:4] == pytest.approx((0.0015, 0.003, 0.0095, 0.035625), rel=1e-12)


def test_a_short_list():
    # Computed, no published figure.
    assert holm([0.01, 0.04, 0.03, 0.005]) == pytest.approx((0.03, 0.06, 0.06, 0.02))
    assert benjamini_hochberg([0.01, 0.04, 0.03, 0.005]) == pytest.approx((0.02, 0.04, 0.04, 0.02))


@given(st.lists(st.floats(0, 1), min_size=1, max_size=8))
def test_holm_is_the_closed_test_of_bonferroni(p_values):
    # Marcus, Peritz & Gabriel 1976: a finding stands if every set that holds it is rejected.
    indices = range(len(p_values))
    sets = [c for size in range(1, len(p_values) + 1) for c in combinations(indices, size)]
    expected = [max(min(1.0, len(s) * min(p_values[j] for j in s)) for s in sets if i in s) for i in indices]
    assert holm(p_values) == pytest.approx(expected, abs=1e-12)


@given(st.lists(st.floats(0, 1), min_size=1, max_size=30))
def test_benjamini_hochberg_agrees_with_scipy(p_values):
    assert benjamini_hochberg(p_values) == pytest.approx(scipy_stats.false_discovery_control(p_values), abs=1e-12)


def test_nothing_tested_is_nothing_adjusted():
    assert holm([]) == benjamini_hochberg([]) == ()


@pytest.mark.parametrize("wrong", [-0.1, 1.1, float("nan")])
def test_refuses_what_is_no_probability(wrong):
    with pytest.raises(ValueError, match=r"between 0 and 1|not finite"):
        holm([0.5, wrong])
