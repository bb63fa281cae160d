import math

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import integrate
from scipy import stats as scipy_stats

from cornerrun.stats.conformity import (
    conformance_probability,
    global_risk,
    guard_band_for_risk,
    managed_risk_ratio,
    root_sum_square_ratio,
)


def test_conformance_agrees_with_jcgm_106():
    # JCGM 106:2012, examples of 7.4 and of a burst pressure; inputs from memory.
    assert conformance_probability(-5.47, 0.05, upper=-5.40) == pytest.approx(0.9192433407662273, rel=1e-12)
    assert conformance_probability(509.7, 8.6, lower=490) == pytest.approx(0.9890095473848222, rel=1e-12)


@pytest.mark.parametrize(
    ("ratios", "limits", "guard_band", "risks", "tolerance"),
    [
        # JCGM 106 resistor example (9.5 type), inputs from memory: N(1500, 0.12), limits +/- 0.2, u 0.04.
        ((0.12, 0.04), (1499.8, 1500.2), 0.0, (0.0189422, 0.0372078), 5e-8),
        ((0.12, 0.04), (1499.8, 1500.2), 0.04, (0.0043341, 0.1146566), 5e-8),
        # Deaver, by way of suncal's tests: limits at 2 sigma, ratio 4.
        ((1.0, 0.25), (-2.0, 2.0), 0.0, (0.008006085, 0.014850884), 6e-10),
    ],
)
def test_global_risk_agrees_with_published_values(ratios, limits, guard_band, risks, tolerance):
    lower, upper = limits
    risk = global_risk(*ratios, lower=lower, upper=upper, guard_band=guard_band)
    assert (risk.false_accept, risk.false_reject) == pytest.approx(risks, abs=tolerance)


@pytest.mark.parametrize(
    ("in_tolerance", "unconditional", "conditional"),
    [(0.60, 4.83860326, 8.26008199), (0.80, 2.85583037, 3.63227145), (0.95, 0.87100925, 0.92389664)],
)
def test_false_acceptance_agrees_with_rp_19(in_tolerance, unconditional, conditional):
    # NCSLI RP-19 draft, by way of suncal's tests: ratio of the two sigmas is 4.
    limit = scipy_stats.norm.ppf(0.5 + in_tolerance / 2)
    risk = global_risk(1.0, 0.25, lower=-limit, upper=limit)
    # The draft's own integration is good to six digits: at 95 % twenty-five digits give 0.871010188.
    assert risk.false_accept * 100 == pytest.approx(unconditional, rel=2e-6)
    assert risk.false_accept_given_accepted * 100 == pytest.approx(conditional, rel=2e-6)


def test_four_to_one_agrees_with_z540():
    # Page on TUR and Z540.3: below 1 % and slightly over 1.5 %.
    limit = scipy_stats.norm.ppf(0.975)
    risk = global_risk(1.0, limit / 4 / 2, lower=-limit, upper=limit)
    assert risk.false_accept * 100 == pytest.approx(0.8583, abs=5e-5)
    assert risk.false_reject * 100 == pytest.approx(1.5537, abs=5e-5)


@pytest.mark.parametrize(("ratio", "expected"), [(1.5, 0.7598818), (2, 0.8591773), (3, 0.9482272), (4, 0.9867197)])
def test_managed_guard_band_agrees_with_dobbert(ratio, expected):
    assert managed_risk_ratio(ratio) == pytest.approx(expected, abs=5e-8)


def test_managed_guard_band_keeps_false_acceptance_below_two_per_cent():
    # Largest PFA over processes is printed as 1.91 to 1.96 %.
    for ratio in (1.5, 2, 3, 4):
        acceptance = managed_risk_ratio(ratio)
        worst = max(
            global_risk(s, 1 / ratio / 2, lower=-1, upper=1, guard_band=1 - acceptance).false_accept
            for s in [0.2 + 0.02 * k for k in range(90)]
        )
        assert 0.0190 <= worst <= 0.0200
    assert managed_risk_ratio(4.7) == 1.0


def test_root_sum_square_guard_band():
    # Computed, no published figure.
    assert [root_sum_square_ratio(t) for t in (2, 3, 4)] == pytest.approx([0.8660254, 0.9428090, 0.9682458], abs=5e-8)
    assert root_sum_square_ratio(0.5) == 0.0


def test_guard_band_for_a_chosen_risk():
    # Job notes, computed: 1.645 u leaves 5 %, 1.96 u leaves 2.5 %, none leaves 50 %.
    assert guard_band_for_risk(1.0, risk=0.05) == pytest.approx(1.645, abs=5e-4)
    assert guard_band_for_risk(1.0) == pytest.approx(1.96, abs=5e-4)
    assert guard_band_for_risk(1.0, risk=0.5) == pytest.approx(0.0, abs=1e-12)


@pytest.mark.parametrize("guard_band", [0.0, 0.1, -0.1])
@pytest.mark.parametrize("measurement", [1e-4, 0.03, 0.3, 3.0])
def test_global_risk_agrees_with_adaptive_integration(measurement, guard_band):
    low, high = -1.3 + guard_band, 0.9 - guard_band

    def accepted(x):
        n = scipy_stats.norm.cdf
        return scipy_stats.norm.pdf(x, 0.1, 0.7) * (n((high - x) / measurement) - n((low - x) / measurement))

    def area(a, b):
        near = [edge + k * measurement for edge in (low, high) for k in (-8, -4, -2, -1, 0, 1, 2, 4, 8)]
        cuts = sorted(c for c in (*near, 0.1) if a < c < b)
        return integrate.quad(accepted, a, b, points=cuts, limit=400, epsabs=1e-12)[0]

    risk = global_risk(0.7, measurement, lower=-1.3, upper=0.9, guard_band=guard_band, process_mean=0.1)
    assert risk.false_accept == pytest.approx(area(-6, -1.3) + area(0.9, 6), abs=1e-9)
    assert risk.false_reject == pytest.approx(risk.in_tolerance - area(-1.3, 0.9), abs=1e-9)


def test_a_perfect_measurement_decides_rightly():
    risk = global_risk(1.0, 0.0, lower=-1, upper=1)
    assert risk.false_accept == 0
    assert risk.false_reject == pytest.approx(0, abs=1e-15)
    assert global_risk(1.0, 0.0, lower=-1, upper=1, guard_band=0.5).false_reject > 0.2


def test_a_guard_band_that_leaves_nothing_rejects_all():
    risk = global_risk(1.0, 0.1, lower=-1, upper=1, guard_band=1.5)
    assert (risk.false_accept, risk.accepted) == (0.0, 0.0)
    assert risk.false_accept_given_accepted is None


@given(st.floats(-5, 5), st.floats(0.001, 3), st.floats(-3, 0), st.floats(0, 3), st.floats(0.01, 100))
def test_conformance_is_free_of_unit_and_of_side(estimate, u, lower, upper, scale):
    p = conformance_probability(estimate, u, lower=lower, upper=upper)
    assert 0 <= p <= 1
    mirrored = conformance_probability(-estimate, u, lower=-upper, upper=-lower)
    scaled = conformance_probability(estimate * scale, u * scale, lower=lower * scale, upper=upper * scale)
    assert p == pytest.approx(mirrored, abs=1e-12)
    assert p == pytest.approx(scaled, abs=1e-9)


def test_without_uncertainty_the_answer_is_yes_or_no_and_limits_are_inclusive():
    assert conformance_probability(1.0, 0.0, lower=0.0, upper=1.0) == 1.0
    assert conformance_probability(math.nextafter(1.0, 2.0), 0.0, upper=1.0) == 0.0


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: conformance_probability(0.0, 1.0), "lower limit, an upper limit, or both"),
        (lambda: conformance_probability(0.0, 1.0, lower=2, upper=1), "lies above"),
        (lambda: conformance_probability(0.0, -1.0, lower=0), "not negative"),
        (lambda: conformance_probability(float("nan"), 1.0, lower=0), "must be finite"),
        (lambda: conformance_probability(0.0, 1.0, lower=float("nan")), "must be a number"),
        (lambda: global_risk(0.0, 1.0, lower=0, upper=1), "positive"),
        (lambda: global_risk(1.0, 1.0, lower=-math.inf, upper=1), "process_mean"),
        (lambda: guard_band_for_risk(1.0, risk=0.0), "risk must lie"),
        (lambda: managed_risk_ratio(0.0), "positive and finite"),
    ],
)
def test_refuses_what_cannot_be_decided(call, message):
    with pytest.raises(ValueError, match=message):
        call()


def test_one_limit_may_be_infinite_if_the_mean_is_given():
    risk = global_risk(1.0, 0.2, lower=-math.inf, upper=1.0, process_mean=0.0)
    assert risk.in_tolerance == pytest.approx(scipy_stats.norm.cdf(1.0), rel=1e-12)
    assert 0 < risk.false_accept < risk.false_reject < 0.1
