import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats as scipy_stats

from cornerrun.stats.meter import MeterSpecification
from cornerrun.stats.trim import estimate_trim
from cornerrun.stats.uncertainty import Component

METER = MeterSpecification(reading_ratio=35e-6, range_ratio=5e-6, coverage=2)
SETPOINTS = np.repeat([0.80, 0.825, 0.85, 0.875, 0.90], 4)
SCATTER_V = 2e-4


def _readings(gain=0.002, offset_v=0.0003, *, scatter_v=SCATTER_V, seed=1, bend_v=0.0):
    noise = np.random.default_rng(seed).normal(0, scatter_v, SETPOINTS.size) if scatter_v else 0.0
    bend = bend_v * (1 - ((SETPOINTS - 0.85) / 0.05) ** 2)
    return SETPOINTS * (1 + gain) + offset_v + bend + noise


def test_exact_readings_give_back_what_was_planted():
    found = estimate_trim(SETPOINTS, _readings(scatter_v=0.0))
    assert found.gain_error.estimate == pytest.approx(0.002, abs=1e-12)
    assert found.offset_v.estimate == pytest.approx(0.0003, abs=1e-12)
    assert found.nonlinearity_v.estimate == pytest.approx(0.0, abs=1e-12)
    assert found.worst.setpoint_v == 0.80
    assert found.worst_error.estimate == pytest.approx(0.002 + 0.0003 / 0.80, abs=1e-12)
    assert found.setpoint_for(0.86).estimate == pytest.approx((0.86 - 0.0003) / 1.002, abs=1e-12)


def test_gain_and_offset_agree_with_linear_regression_of_the_error():
    readings = _readings()
    found = estimate_trim(SETPOINTS, readings)
    oracle = scipy_stats.linregress(SETPOINTS, readings - SETPOINTS)
    assert found.gain_error.estimate == pytest.approx(oracle.slope, rel=1e-9)
    assert found.offset_v.estimate == pytest.approx(oracle.intercept, rel=1e-9)
    # 18 degrees of freedom, the whole number that the coverage factor uses.
    t = scipy_stats.t.ppf(0.975, 18)
    assert found.gain_error.half_width == pytest.approx(t * oracle.stderr, rel=1e-9)
    assert found.offset_v.half_width == pytest.approx(t * oracle.intercept_stderr, rel=1e-9)


def test_the_systematic_part_of_the_meter_does_not_shrink_with_repeats():
    few = estimate_trim(SETPOINTS, _readings(), meter=METER, range_v=10.0)
    many_setpoints = np.tile(SETPOINTS, 400)
    noise = np.random.default_rng(2).normal(0, SCATTER_V, many_setpoints.size)
    many = estimate_trim(many_setpoints, many_setpoints * 1.002 + noise, meter=METER, range_v=10.0)
    meter_v = METER.standard(METER.limit(0.9, 10.0)) * 1.959964
    assert few.worst_error_v.half_width > many.worst_error_v.half_width > 0.95 * meter_v
    assert many.gain_error.half_width > 1.95 * 35e-6 / 2


def test_declared_components_count_in_errors_and_offset_but_not_in_gain():
    plain = estimate_trim(SETPOINTS, _readings())
    declared = estimate_trim(SETPOINTS, _readings(), declared=[Component("sense drop", 1e-3)])
    assert declared.worst_error_v.half_width > 1.9e-3 > plain.worst_error_v.half_width
    assert declared.offset_v.half_width > plain.offset_v.half_width
    assert declared.gain_error == plain.gain_error


def test_lack_of_fit_agrees_with_the_analysis_of_variance():
    readings = _readings(bend_v=1e-3)
    found = estimate_trim(SETPOINTS, readings)
    errors = readings - SETPOINTS
    groups = [errors[s == SETPOINTS] for s in np.unique(SETPOINTS)]
    pure = sum(((g - g.mean()) ** 2).sum() for g in groups)
    line = scipy_stats.linregress(SETPOINTS, errors)
    residual = ((errors - line.intercept - line.slope * SETPOINTS) ** 2).sum()
    f = (residual - pure) / 3 / (pure / 15)
    assert found.lack_of_fit.f == pytest.approx(f, rel=1e-9)
    assert found.lack_of_fit.p_value == pytest.approx(scipy_stats.f.sf(f, 3, 15), rel=1e-9)
    assert found.lack_of_fit.p_value < 1e-3


def test_nonlinearity_depends_on_the_line_it_is_told_from():
    readings = _readings(scatter_v=1e-7, bend_v=1e-3)
    least_squares = estimate_trim(SETPOINTS, readings)
    end_point = estimate_trim(SETPOINTS, readings, line="end-point")
    # A parabola of height h over five points: h from its ends; 2h/... from the fitted line, its mean being h/2.
    assert end_point.nonlinearity_v.estimate == pytest.approx(1e-3, rel=1e-3)
    assert least_squares.nonlinearity_v.estimate == pytest.approx(0.5e-3, rel=1e-3)
    assert end_point.nonlinearity_line == "end-point"


def test_hysteresis_is_the_difference_of_the_two_directions():
    direction = ["up", "down"] * 10
    readings = _readings(scatter_v=1e-6) + np.where(np.arange(20) % 2 == 0, 2e-4, -2e-4)
    found = estimate_trim(SETPOINTS, readings, direction=direction)
    assert found.hysteresis_v.estimate == pytest.approx(4e-4, rel=0.02)
    assert found.hysteresis_v.low > 0
    # The difference is no scatter: repeatability is told within one direction.
    assert found.repeatability_v.estimate < 5e-6
    assert estimate_trim(SETPOINTS, readings).hysteresis_v is None


def test_a_claim_is_met_only_with_the_uncertainty_counted_against_it():
    readings = SETPOINTS * 1.0020
    tight = np.random.default_rng(3).normal(0, 1e-6, SETPOINTS.size)
    met = estimate_trim(SETPOINTS, readings + tight, meter=METER, range_v=1.0, claim_ratio=0.0025)
    assert (met.claim.verdict, met.claim.probability) == ("met", pytest.approx(1.0, abs=1e-9))
    edge = estimate_trim(SETPOINTS, readings + tight, meter=METER, range_v=1.0, claim_ratio=0.00201)
    assert edge.claim.verdict == "open"
    assert 0.5 < edge.claim.probability < 0.95
    beyond = estimate_trim(SETPOINTS, readings + tight, meter=METER, range_v=1.0, claim_ratio=0.0015)
    assert (beyond.claim.verdict, beyond.claim.probability) == ("not met", pytest.approx(0.0, abs=1e-9))


def test_a_claim_is_never_met_where_scatter_is_not_known():
    alone = estimate_trim([0.85], [0.8501], claim_ratio=0.01)
    assert (alone.claim.verdict, alone.claim.probability) == ("open", None)
    assert "repeat" in alone.claim.why
    # But one reading far beyond it refutes it.
    assert estimate_trim([0.85], [0.87], claim_ratio=0.01).claim.verdict == "not met"


def test_what_the_data_cannot_show_is_none():
    one = estimate_trim([0.85, 0.85, 0.85], [0.8501, 0.8502, 0.8503])
    assert (one.gain_error, one.offset_v, one.nonlinearity_v, one.lack_of_fit) == (None, None, None, None)
    assert one.repeatability_v.estimate == pytest.approx(1e-4)
    assert one.worst_error_v.estimate == pytest.approx(2e-4)
    with pytest.raises(ValueError, match="one setpoint gives no line"):
        one.setpoint_for(0.85)
    two = estimate_trim([0.8, 0.9], [0.801, 0.901])
    assert two.line.slope == pytest.approx(1.0)
    assert (two.gain_error, two.repeatability_v) == (None, None)


def test_repeatability_bounds_agree_with_chi_square():
    found = estimate_trim([1.0, 1.0, 1.0, 1.0], [1.001, 1.002, 1.003, 1.004])
    deviation = np.std([1, 2, 3, 4], ddof=1) * 1e-3
    chi2 = scipy_stats.chi2.ppf([0.975, 0.025], 3)
    assert found.repeatability_v.estimate == pytest.approx(deviation, rel=1e-9)
    assert [found.repeatability_v.low, found.repeatability_v.high] == pytest.approx(
        list(deviation * np.sqrt(3 / chi2)), rel=1e-9
    )


@given(st.permutations(range(20)))
@settings(max_examples=30)
def test_the_order_of_rows_changes_no_bit(order):
    readings = _readings()
    direction = np.array(["up", "down"] * 10)
    options = {"meter": METER, "range_v": 1.0, "claim_ratio": 0.003}
    plain = estimate_trim(SETPOINTS, readings, direction=list(direction), **options)
    shuffled = estimate_trim(SETPOINTS[order], readings[order], direction=list(direction[order]), **options)
    assert plain == shuffled


@given(st.floats(0.01, 1000))
@settings(max_examples=30)
def test_scale_changes_volts_but_no_share(scale):
    plain = estimate_trim(SETPOINTS, _readings(), claim_ratio=0.003)
    scaled = estimate_trim(SETPOINTS * scale, _readings() * scale, claim_ratio=0.003)
    assert scaled.gain_error.estimate == pytest.approx(plain.gain_error.estimate, rel=1e-6)
    assert scaled.worst_error.low == pytest.approx(plain.worst_error.low, rel=1e-6)
    assert scaled.offset_v.high == pytest.approx(plain.offset_v.high * scale, rel=1e-6)
    assert scaled.claim == plain.claim


@pytest.mark.parametrize("draws", [2000, pytest.param(10_000, marks=pytest.mark.slow)])
def test_intervals_cover_what_was_planted_with_the_meter_counted_in(draws):
    # As many benches, each with its own meter error within specification (normal, coverage factor 2).
    generator = np.random.default_rng(5)
    gain, offset = 0.002, 0.0003
    meter = MeterSpecification(reading_ratio=1.5e-3, range_ratio=1e-3, coverage=2)
    setpoints = np.repeat([0.80, 0.85, 0.90], 3)
    held = np.zeros(3)
    for _ in range(draws):
        truth = setpoints * (1 + gain) + offset
        reading = truth * (1 + generator.normal(0, 0.75e-3)) + generator.normal(0, 0.5e-3)
        found = estimate_trim(setpoints, reading + generator.normal(0, 1e-4, 9), meter=meter, range_v=1.0)
        at_worst = gain * found.worst.setpoint_v + offset
        held += (gain in found.gain_error, offset in found.offset_v, at_worst in found.worst_error_v)
    coverage = held / draws
    assert 0.94 <= coverage[0] <= 0.96
    assert 0.94 <= coverage[1] <= 0.96
    # At one setpoint the two limits of the meter add up linearly, as its maker states them: wider than needed.
    assert coverage[2] >= 0.95


@pytest.mark.parametrize(
    ("arguments", "options", "message"),
    [
        (([], []), {}, "at least 1"),
        (([1.0], [1.0, 2.0]), {}, "equally long"),
        (([0.0], [0.1]), {}, "0 V"),
        (([1.0], [float("nan")]), {}, "not finite"),
        (([1.0], [1.0]), {"direction": ["sideways"]}, "'up', 'down' or None"),
        (([1.0], [1.0]), {"meter": METER}, "give range_v"),
        (([1.0], [1.0]), {"claim_ratio": 0.0}, "positive share"),
        (([1.0], [1.0]), {"line": "best"}, "least squares"),
        (([1.0], [1.0]), {"confidence": 2.0}, "confidence"),
    ],
)
def test_refuses_readings_that_make_no_estimate(arguments, options, message):
    with pytest.raises(ValueError, match=message):
        estimate_trim(*arguments, **options)
