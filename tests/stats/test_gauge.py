"""AIAG MSA, 4th edition: 10 parts x 3 appraisers x 3 trials, data in several public repositories; printed
average-and-range figures as reproduced by McNeese 2015.
"""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from cornerrun.stats.gauge import gauge_study

ROWS = """
.29 -.56 1.34 .47 -.80 .02 .59 -.31 2.26 -1.36
.41 -.68 1.17 .50 -.92 -.11 .75 -.20 1.99 -1.25
.64 -.58 1.27 .64 -.84 -.21 .66 -.17 2.01 -1.31
.08 -.47 1.19 .01 -.56 -.20 .47 -.63 1.80 -1.68
.25 -1.22 .94 1.03 -1.20 .22 .55 .08 2.12 -1.62
.07 -.68 1.34 .20 -1.28 .06 .83 -.34 2.19 -1.50
.04 -1.38 .88 .14 -1.46 -.29 .02 -.46 1.77 -1.49
-.11 -1.13 1.09 .20 -1.07 -.67 .01 -.56 1.45 -1.77
-.15 -.96 .67 .11 -1.45 -.49 .21 -.49 1.87 -2.16
"""
# [appraiser and trial][part] to [part][appraiser][trial].
STUDY = np.array([[float(x) for x in line.split()] for line in ROWS.split("\n") if line]).reshape(3, 3, 10)
STUDY = STUDY.transpose(2, 0, 1)


def test_average_and_range_agrees_with_the_manual():
    found = gauge_study(STUDY, method="average and range")
    # Recomputed from the printed factors .5908, .5231, .3146.
    assert (found.repeatability, found.reproducibility) == pytest.approx((0.2018567, 0.2296670), abs=6e-8)
    assert (found.gauge, found.board, found.total) == pytest.approx((0.3057663, 1.1045956, 1.1461345), abs=6e-8)
    # Printed: 17.61, 20.04, 26.68, 96.37; ndc 5.
    percent = (found.percent_repeatability, found.percent_reproducibility, found.percent_gauge, found.percent_board)
    assert percent == pytest.approx((17.61, 20.04, 26.68, 96.37), abs=0.01)
    assert found.categories_exact == pytest.approx(5.0937, abs=5e-5)
    assert (found.distinct_categories, found.verdict) == (5, "conditional")


def test_analysis_of_variance_agrees_with_recomputed_values():
    # Recomputed; the manual prints the averages only.
    found = gauge_study(STUDY)
    anova = found.anova
    sums = (anova.ss_boards, anova.ss_stations, anova.ss_interaction, anova.ss_repeatability, anova.ss_total)
    assert sums == pytest.approx((88.3619344, 3.1672622, 0.3589822, 2.7589333, 94.6471122), abs=6e-8)
    squares = (anova.ms_boards, anova.ms_stations, anova.ms_interaction, anova.ms_repeatability)
    assert squares == pytest.approx((9.8179927, 1.5836311, 0.0199435, 0.0459822), abs=6e-8)
    assert (anova.f_interaction, anova.p_interaction) == pytest.approx((0.4337, 0.9741), abs=5e-5)
    assert (anova.f_stations, anova.f_boards) == pytest.approx((34.44, 213.517), abs=5e-3)


def test_pooled_variances_agree_with_recomputed_values():
    found = gauge_study(STUDY)
    assert found.is_pooled
    variances = [d**2 for d in (found.repeatability, found.reproducibility, found.gauge, found.board, found.total)]
    assert variances == pytest.approx([0.0399733, 0.0514553, 0.0914285, 1.0864466, 1.1778751], abs=6e-8)
    assert found.percent_gauge == pytest.approx(27.86, abs=5e-3)
    assert found.categories_exact == pytest.approx(4.8605, abs=5e-5)
    assert found.distinct_categories == 4


def test_interaction_stays_where_it_matters():
    generator = np.random.default_rng(1)
    table = generator.normal(0, 0.01, (8, 3, 3)) + generator.normal(0, 1, (8, 3, 1)) + generator.normal(0, 3, (8, 1, 1))
    found = gauge_study(table)
    assert not found.is_pooled
    assert found.interaction == pytest.approx(1.0, rel=0.4)


def test_a_negative_variance_counts_as_nothing_and_is_said():
    table = np.random.default_rng(2).normal(0, 1, (5, 3, 4))
    table -= table.mean(axis=(0, 2), keepdims=True)
    found = gauge_study(table)
    assert found.reproducibility == 0.0
    assert any("stations came out negative" in note for note in found.notes)


def test_a_share_of_the_tolerance_is_six_deviations():
    found = gauge_study(STUDY, tolerance=10.0)
    assert found.percent_tolerance == pytest.approx(60 * found.gauge)
    assert gauge_study(STUDY).percent_tolerance is None


def test_a_large_common_part_costs_no_digits():
    # What the SmLs and NumAcc sets of NIST StRD punish: one-pass sums.
    shifted = gauge_study(STUDY + 1e9)
    assert shifted.gauge == pytest.approx(gauge_study(STUDY).gauge, rel=1e-5)


@given(st.permutations(range(10)), st.permutations(range(3)), st.floats(0.01, 100))
@settings(max_examples=25)
def test_relabelling_changes_nothing_and_the_unit_only_the_unit(boards, stations, scale):
    plain, moved = gauge_study(STUDY), gauge_study(STUDY[boards][:, stations] * scale)
    assert moved.gauge == pytest.approx(plain.gauge * scale, rel=1e-9)
    assert moved.percent_gauge == pytest.approx(plain.percent_gauge, rel=1e-9)


def test_repeats_that_agree_exactly_have_no_ratio():
    table = np.arange(6.0).reshape(3, 2, 1).repeat(2, axis=2)
    found = gauge_study(table)
    assert found.anova.f_interaction is None
    assert found.repeatability == 0.0


@pytest.mark.parametrize(
    ("readings", "options", "message"),
    [
        ([[[1.0, 2.0]]], {}, "at least two boards"),
        ([[[1.0, 2.0], [1.0]], [[1.0, 2.0], [1.0, 2.0]]], {}, "as many repeats"),
        ([[[1.0, 2.0], [1.0, float("nan")]], [[1.0, 2.0], [1.0, 2.0]]], {}, "not finite"),
        ([[[1.0, 2.0], [1.0, 2.0]], [[1.0, 2.0], [1.0, 2.0]]], {"method": "guess"}, "method must be"),
        ([[[1.0, 2.0], [1.0, 2.0]], [[1.0, 2.0], [1.0, 2.0]]], {"tolerance": 0}, "tolerance is positive"),
    ],
)
def test_refuses_what_is_no_crossed_study(readings, options, message):
    with pytest.raises(ValueError, match=message):
        gauge_study(readings, **options)
