"""Outcomes of rails and visits, and their precedence."""

import itertools
import math
from dataclasses import replace

import pytest
from fake_bench import a_rail
from hypothesis import given
from hypothesis import strategies as st

from cornerrun.bench.ports import MeterReading
from cornerrun.plan.bench_file import MeterUncertainty
from cornerrun.results.records import CheckResult, Outcome, Reading
from cornerrun.run.judging import RailEvidence, first_by_precedence, judge_rail, judge_visit
from cornerrun.run.settling import SettleResult, State

METER = MeterUncertainty(reading_ratio=35e-6, range_ratio=5e-6, coverage=2.0)
RAIL = a_rail("CORE", 1.0)


def _evidence(telemetry_v=1.0, reference_v=1.0, **changes) -> RailEvidence:
    reference = (
        None
        if reference_v is None
        else MeterReading(rail="CORE", channel=1, read_at_s=0.0, reading_v=reference_v, range_v=10.0, aperture_s=0.02)
    )
    evidence = RailEvidence(
        rail=RAIL, target_v=1.0, rule=RAIL.settle, settle=None, telemetry_v=telemetry_v, reference=reference
    )
    return replace(evidence, **changes)


def _judge(evidence: RailEvidence):
    return judge_rail(evidence, window_ratio=0.01, meter=METER)


def _settle(state: State, **changes) -> SettleResult:
    result = SettleResult(rail="CORE", target_v=1.0, state=state, settle_s=0.1, mean_v=0.97, samples=3)
    return replace(result, **changes)


def test_agreeing_readings_at_the_target_pass():
    assert _judge(_evidence()).outcome is Outcome.PASS


def test_a_rail_that_timed_out_on_the_move_is_not_settled():
    verdict = _judge(_evidence(settle=_settle(State.TIMED_OUT)))
    assert verdict.outcome is Outcome.NOT_SETTLED
    assert verdict.reason == "CORE: 970 mV after 1 s, wanted 1 V ± 0.5 %"


def test_a_rail_that_stands_still_elsewhere_has_failed_its_voltage():
    verdict = _judge(_evidence(settle=_settle(State.TIMED_OUT, is_stable_elsewhere=True)))
    assert verdict.outcome is Outcome.FAIL_VOLTAGE
    assert "stands still at 970 mV" in verdict.reason


def test_a_clamped_rail_has_failed_its_voltage_even_inside_the_window():
    assert _judge(_evidence(is_clamped=True)).outcome is Outcome.FAIL_VOLTAGE


def test_meter_and_telemetry_that_differ_beyond_their_uncertainties_are_disputed():
    # Allowed: sqrt((0.5 % of 1 V)^2 + (35 ppm of 1.0055 V + 5 ppm of 10 V)^2) = 5.0007 mV; computed.
    assert _judge(_evidence(telemetry_v=1.0, reference_v=1.0050)).outcome is Outcome.PASS
    verdict = _judge(_evidence(telemetry_v=1.0, reference_v=1.0051))
    assert verdict.outcome is Outcome.DISPUTED
    assert "differ by 5.1 mV" in verdict.reason


def test_the_meter_decides_the_voltage_where_both_read():
    assert _judge(_evidence(telemetry_v=1.008, reference_v=1.0105)).outcome is Outcome.FAIL_VOLTAGE
    assert _judge(_evidence(telemetry_v=1.0105, reference_v=1.008)).outcome is Outcome.PASS


def test_telemetry_decides_where_there_is_no_meter():
    assert _judge(_evidence(telemetry_v=1.0099, reference_v=None)).outcome is Outcome.PASS
    assert _judge(_evidence(telemetry_v=1.0101, reference_v=None)).outcome is Outcome.FAIL_VOLTAGE


def test_a_rail_that_nothing_measures_is_skipped_and_never_passes():
    verdict = _judge(_evidence(telemetry_v=None, reference_v=None))
    assert (verdict.outcome, verdict.reason) == (Outcome.SKIPPED, "CORE: nothing measures it")


@pytest.mark.parametrize("evidence", [_evidence(math.nan, None), _evidence(1.0, math.nan), _evidence(math.nan, 1.0)])
def test_no_number_never_passes(evidence):
    assert _judge(evidence).outcome in {Outcome.DISPUTED, Outcome.FAIL_VOLTAGE}


def _reading(outcome: Outcome) -> Reading:
    return Reading(
        rail="CORE",
        level="high",
        target_v=1.0,
        setpoint_v=1.0,
        word=1,
        telemetry_v=1.0,
        telemetry_n=1,
        reference_v=1.0,
        reference_range_v=1.0,
        settle_s=None,
        status_word=0,
        current_a=None,
        temperature_degc=None,
        outcome=outcome,
        reason=f"rail {outcome}",
    )


def _check(outcome: Outcome) -> CheckResult:
    return CheckResult(check="march", outcome=outcome, reason=f"was {outcome}", trials=1, failures=0)


JUDGED = [outcome for outcome in Outcome if outcome not in {Outcome.SKIPPED, Outcome.NOT_RUN}]


@pytest.mark.parametrize(("worse", "better"), list(itertools.combinations(JUDGED, 2)))
def test_the_outcome_of_a_visit_follows_the_precedence_of_the_design(worse, better):
    for readings, checks in (([worse], [better]), ([better], [worse]), ([better, worse], [])):
        verdict = judge_visit([_reading(o) for o in readings], [_check(o) for o in checks])
        assert verdict.outcome is worse
        assert str(worse) in verdict.reason or worse is Outcome.PASS


def test_a_visit_that_shows_nothing_is_no_pass():
    assert judge_visit([_reading(Outcome.SKIPPED)], [_check(Outcome.NOT_RUN)]).outcome is Outcome.SKIPPED
    assert judge_visit([], []).outcome is Outcome.SKIPPED
    assert judge_visit([_reading(Outcome.SKIPPED)], [_check(Outcome.PASS)]).outcome is Outcome.PASS


def test_what_was_left_out_takes_nothing_from_a_pass():
    assert first_by_precedence([Outcome.PASS, Outcome.SKIPPED, Outcome.NOT_RUN]) is Outcome.PASS


@given(st.floats(0.9, 1.1), st.floats(0.9, 1.1))
def test_a_pass_means_that_the_trusted_voltage_is_in_the_window(telemetry_v, reference_v):
    verdict = _judge(_evidence(telemetry_v, reference_v))
    if verdict.outcome is Outcome.PASS:
        assert abs(reference_v - 1.0) <= 0.01
        assert abs(reference_v - telemetry_v) <= 0.0051
