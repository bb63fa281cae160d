from dataclasses import replace
from datetime import timedelta

import numpy as np
import pytest
from invented_run import START, a_plan, a_run_of, good_visits, ideal

from cornerrun.report.summary import summarise
from cornerrun.report.text_trim import to_text
from cornerrun.report.trim_table import trim_table
from cornerrun.stats.tolerance import tolerance_factor


def _summary(serial, error_ratio, *, hours=0, claim_ratio=0.0025):
    plan = a_plan()
    plan = replace(plan, criteria=replace(plan.criteria, trim_claim_ratio=claim_ratio))
    visits = good_visits(plan, truth=lambda rail, target_v, ordinal: ideal(rail, target_v, ordinal) * (1 + error_ratio))
    data = a_run_of(visits, serial=serial, run_id=f"run-{serial}-{hours}", started_utc=START + timedelta(hours=hours))
    return summarise(data, plan=plan)


def _boards(errors):
    return [_summary(f"{i:05}", error, hours=i) for i, error in enumerate(errors)]


ERRORS = [0.0002, 0.0005, 0.0001, 0.0004, 0.0007, 0.0003]


def test_boards_pool_into_an_exact_tolerance_interval_with_the_board_as_the_unit():
    table = trim_table(_boards(ERRORS))
    core = next(rail for rail in table.pooled if rail.rail == "CORE")
    assert (table.boards, core.boards) == (6, 6)
    level = core.worst
    k = tolerance_factor(6, coverage=0.95, confidence=0.95)
    spread = float(np.std(ERRORS, ddof=1))
    assert level.tolerance.high - level.tolerance.low == pytest.approx(2 * k * spread, rel=2e-3)
    # What all boards were measured by does not show in their scatter: it is added.
    assert level.high - level.tolerance.high == pytest.approx(level.expanded, rel=1e-9)
    assert level.expanded > 0


def test_repeats_on_one_board_are_not_boards():
    once = trim_table(_boards(ERRORS[:3]))
    again = trim_table([*_boards(ERRORS[:3]), *(_summary("00000", ERRORS[0], hours=10 + i) for i in range(20))])
    assert (again.boards, len(again.runs)) == (3, 23)
    one, other = once.pooled[0].worst, again.pooled[0].worst
    assert other.tolerance.n == one.tolerance.n == 3
    assert (other.low, other.high) == pytest.approx((one.low, one.high), rel=1e-6)


def test_one_board_pools_with_nobody():
    table = trim_table([_summary("00001", 0.0002), _summary("00001", 0.0003, hours=1)])
    assert table.pooled == ()
    assert "All runs are of one board" in to_text(table)


def test_a_claim_over_boards_is_met_only_if_the_limits_lie_within_it():
    assert {rail.claim for rail in trim_table(_boards(ERRORS)).pooled} == {"met"}
    wide = trim_table(_boards([-0.0015, 0.0015, 0.0]))
    assert {rail.claim for rail in wide.pooled} == {"open"}
    assert "more boards narrow them" in wide.pooled[0].claim_why
    bad = trim_table(_boards([*ERRORS, 0.0040]))
    assert {rail.claim for rail in bad.pooled} == {"not met"}
    assert bad.pooled[0].claim_why == "not met by 00006"


def test_boards_that_are_all_alike_say_so():
    table = trim_table(_boards([0.0002] * 3))
    assert {rail.claim for rail in table.pooled} == {"open"}
    assert "is it one board" in table.pooled[0].claim_why


def test_boards_that_do_not_look_normal_need_many_more():
    table = trim_table(_boards([0.0] * 9 + [0.0009]))
    assert table.pooled[0].worst.tolerance is None
    assert "93 are needed" in table.pooled[0].claim_why


def test_plans_that_claim_different_things_decide_nothing_together():
    table = trim_table([_summary("1", 0.0002), _summary("2", 0.0004, claim_ratio=0.001)])
    assert {rail.claim for rail in table.pooled} == {"no claim"}


def test_coverage_and_confidence_widen_the_limits():
    plain, wide = trim_table(_boards(ERRORS)), trim_table(_boards(ERRORS), coverage=0.99, confidence=0.99)
    assert wide.pooled[0].worst.high > plain.pooled[0].worst.high


def test_the_order_of_runs_changes_nothing():
    boards = _boards(ERRORS)
    assert trim_table(boards) == trim_table(list(reversed(boards)))


def test_the_text_states_error_uncertainty_and_probability():
    text = to_text(trim_table([_summary("00123", 0.0018)]))
    line = next(line for line in text.splitlines() if line.startswith("CORE: "))
    assert line.startswith("CORE: +0.1")
    assert "± 0.0" in line
    assert "(95 %, k = " in line
    assert "meets 0.25 % with probability above 0.9999" in line
    assert "told, never subtracted" in text


def test_a_run_without_a_meter_measured_no_accuracy():
    plan = a_plan()
    visits = [
        replace(record, readings=tuple(replace(r, reference_v=None) for r in record.readings))
        for record in good_visits(plan)
    ]
    text = to_text(trim_table([summarise(a_run_of(visits), plan=plan)]))
    assert "was not measured: no reference meter" in text


def test_the_full_text_shows_every_setpoint_and_the_budget():
    text = to_text(trim_table([_summary("00123", 0.0018)]), is_full=True)
    assert "standard uncertainties at the worst: repeatability" in text
    assert "meter" in text.split("standard uncertainties at the worst")[1]
