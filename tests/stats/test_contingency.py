import pytest

from cornerrun.stats.contingency import barnard_p_value, fisher_p_value


@pytest.mark.parametrize(
    ("table", "alternative", "expected", "tolerance"),
    [
        # Fisher 1935, the lady tasting tea, widely printed, from memory.
        ([[3, 1], [1, 3]], "greater", 17 / 70, 1e-12),
        ([[3, 1], [1, 3]], "two-sided", 0.48571428571428565, 1e-12),
        ([[4, 0], [0, 4]], "greater", 1 / 70, 1e-12),
        # Example of the R help page on Fisher's test (convictions of twins), from memory.
        ([[2, 15], [10, 3]], "less", 0.00046518094336290503, 1e-12),
        ([[2, 15], [10, 3]], "two-sided", 0.0005367241191434357, 1e-12),
        # scipy's wheel, scipy/stats/_stats_py.py, docstring.
        ([[8, 2], [1, 5]], "two-sided", 0.034965034965034975, 1e-12),
        # R 3.6.2, scipy's wheel, scipy/stats/tests/data/fisher_exact_results_from_r.py.
        ([[100, 2], [1000, 5]], "two-sided", 0.1300759363430016, 1e-12),
        ([[2, 7], [8, 2]], "two-sided", 0.02301413756522116, 1e-12),
        ([[5, 1], [10, 10]], "two-sided", 0.1973244147157191, 1e-12),
        ([[5, 0], [1, 4]], "two-sided", 0.04761904761904762, 1e-12),
        # Job notes, computed: what few corners can say.
        ([[1, 0], [0, 20]], "two-sided", 0.0476, 5e-5),
        ([[2, 8], [0, 10]], "two-sided", 0.4737, 5e-5),
        ([[5, 5], [0, 10]], "two-sided", 0.0325, 5e-5),
        ([[3, 2], [0, 25]], "two-sided", 0.00246, 5e-6),
        ([[5, 0], [0, 5]], "two-sided", 0.00794, 5e-6),
    ],
)
def test_fisher_agrees_with_published_values(table, alternative, expected, tolerance):
    assert fisher_p_value(table, alternative=alternative) == pytest.approx(expected, abs=tolerance)


def test_barnard_agrees_with_r():
    # R, scipy's wheel, scipy/stats/tests/test_hypotests.py; pooled and unpooled differ, compared to 1e-6.
    assert barnard_p_value([[43, 40], [10, 39]]) == pytest.approx(0.000362832367, abs=1e-6)
    assert barnard_p_value([[43, 40], [10, 39]], is_pooled=False) == pytest.approx(0.000289470662, abs=1e-6)
    assert barnard_p_value([[2, 7], [8, 2]]) == pytest.approx(0.019210815430, abs=1e-6)


def test_an_empty_margin_tells_nothing():
    assert fisher_p_value([[0, 0], [3, 4]]) == 1.0
    assert barnard_p_value([[0, 0], [3, 4]]) == 1.0
    assert barnard_p_value([[0, 3], [0, 4]]) == 1.0


@pytest.mark.parametrize("table", [[[1, 2]], [[1, 2, 3], [4, 5, 6]], [[1, -2], [3, 4]], [[1, 0.5], [3, 4]]])
def test_refuses_what_is_no_table(table):
    with pytest.raises(ValueError, match=r"two rows|whole number"):
        fisher_p_value(table)
