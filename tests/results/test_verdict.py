from dataclasses import replace

import pytest
from invented_run import METER, NAMES, a_plan, a_visit, good_visits, ideal, steps_of

from cornerrun.plan.model import Screen
from cornerrun.results.records import CheckResult, Outcome, RunResult
from cornerrun.results.verdict import Decision, decide, judge

STEPS = steps_of(NAMES)


def verdict(plan, visits, *, interrupted=False, instruments=(METER,), steps=STEPS):
    return judge(plan, steps, visits, interrupted=interrupted, instruments=instruments)


def with_visit(visits, ordinal, **changes):
    return [
        replace(record, visit=replace(record.visit, **changes)) if record.visit.ordinal == ordinal else record
        for record in visits
    ]


def test_passes_only_with_every_corner_run_and_every_criterion_met():
    plan = a_plan()
    found = verdict(plan, good_visits(plan))
    assert found.result is RunResult.PASS
    assert found.why == "all 3 corners were run and every criterion is met"


def test_a_refuted_check_fails_the_run_and_names_the_corner():
    plan = a_plan()
    found = verdict(plan, good_visits(plan, {3: 14}))
    assert found.result is RunResult.FAIL
    assert "check 'memory march' is refuted at 1 corner, first 'core low io high' (14 of 30 trials failed)" in found.why


def test_an_open_check_is_no_pass():
    plan = a_plan()
    found = verdict(plan, good_visits(plan, {3: 1}))
    assert found.result is RunResult.INCONCLUSIVE
    assert "open at 1 corner" in found.why


def test_repeats_of_a_corner_count_together_and_hide_no_failure():
    plan = a_plan()
    # One failure in 30 is open; one in the 60 of both visits demonstrates 90 % (46 are needed).
    assert verdict(plan, good_visits(plan, {1: 1})).result is RunResult.PASS
    assert verdict(plan, good_visits(plan, {1: 1, 4: 4})).result is not RunResult.PASS


def test_a_screen_allows_no_more_failures_than_it_says():
    plan = a_plan()
    screen = replace(plan, checks=(replace(plan.checks[0], criterion=Screen(failures=1)),))
    assert verdict(screen, good_visits(screen, {3: 1})).result is RunResult.PASS
    assert verdict(screen, good_visits(screen, {3: 2})).result is RunResult.FAIL


def test_the_criterion_of_the_plan_holds_where_a_check_has_none():
    plan = a_plan()
    default = replace(plan, checks=(replace(plan.checks[0], criterion=None),))
    assert verdict(default, good_visits(default, {3: 1})).result is RunResult.FAIL


@pytest.mark.parametrize("outcome", [Outcome.TRIPPED, Outcome.NOT_SETTLED, Outcome.FAIL_VOLTAGE, Outcome.NO_ANSWER])
def test_a_failure_of_the_product_fails_the_run(outcome):
    plan = a_plan()
    visits = with_visit(good_visits(plan), 2, outcome=outcome, reason="as planted")
    found = verdict(plan, visits)
    assert found.result is RunResult.FAIL
    assert f"first 'all low' ({outcome}: as planted)" in found.why


@pytest.mark.parametrize("outcome", [Outcome.ERROR, Outcome.DISPUTED])
def test_bench_trouble_is_neither_failure_nor_pass(outcome):
    plan = a_plan()
    found = verdict(plan, with_visit(good_visits(plan), 2, outcome=outcome, reason="bus"))
    assert found.result is RunResult.INCONCLUSIVE
    assert "bench trouble at 1 visit" in found.why


def test_bench_trouble_that_a_repeat_cured_leaves_no_question():
    plan = a_plan()
    visits = good_visits(plan)
    broken = replace(visits[2], visit=replace(visits[2].visit, outcome=Outcome.ERROR), checks=(), trials=())
    assert verdict(plan, [*visits[:2], broken, *visits[2:]]).result is RunResult.PASS


def test_a_missing_visit_makes_the_run_incomplete():
    plan = a_plan()
    found = verdict(plan, good_visits(plan)[:-2], interrupted=True)
    assert found.result is RunResult.INCOMPLETE
    assert found.why == "interrupted: 2 of 7 planned visits missing, first 'all low'"


@pytest.mark.parametrize("outcome", [Outcome.SKIPPED, Outcome.NOT_RUN, Outcome.ABORTED])
def test_a_visit_that_was_not_done_is_missing(outcome):
    plan = a_plan()
    assert verdict(plan, with_visit(good_visits(plan), 3, outcome=outcome)).result is RunResult.INCOMPLETE


def test_no_visit_at_all_is_incomplete():
    assert verdict(a_plan(), [], interrupted=True).result is RunResult.INCOMPLETE
    assert verdict(a_plan(), [], steps=()).result is RunResult.INCOMPLETE


def test_a_failure_stays_a_failure_though_the_run_was_interrupted():
    plan = a_plan()
    assert verdict(plan, good_visits(plan, {3: 14})[:4], interrupted=True).result is RunResult.FAIL


def drifting(rail, target_v, ordinal):
    return ideal(rail, target_v, ordinal) * (1.002 if ordinal == 6 and rail == "CORE" else 1.0)


def test_a_control_point_that_drifted_makes_the_run_invalid_and_its_block_void():
    plan = a_plan()
    # The failure lies in the block that the drift makes void: it proves nothing either way.
    found = verdict(plan, good_visits(plan, {3: 14}, truth=drifting))
    assert found.result is RunResult.INVALID
    assert found.why.startswith("control point out at visit 6 (CORE has moved by 0.19")
    assert found.why.endswith("5 visits void")


def test_a_failure_before_the_last_good_control_point_outlives_a_later_drift():
    plan = a_plan()
    names = ("nominal", "core low io high", "nominal", "all high", "nominal")
    steps = steps_of(names)

    def late(rail, target_v, ordinal):
        return target_v * (1.002 if ordinal == 4 else 1.0)

    visits = [a_visit(plan, step, truth=late, failures=14 * (step.ordinal == 1)) for step in steps]
    assert verdict(plan, visits, steps=steps).result is RunResult.FAIL


def test_drift_does_not_matter_where_the_plan_sets_no_limit():
    plan = a_plan()
    free = replace(
        plan, corners=replace(plan.corners, control_points=replace(plan.corners.control_points, drift_ratio=None))
    )
    assert verdict(free, good_visits(free, truth=drifting)).result is RunResult.PASS


def test_visits_marked_void_make_the_run_invalid():
    plan = a_plan()
    found = verdict(plan, with_visit(good_visits(plan), 2, is_void=True))
    assert found.result is RunResult.INVALID


def test_a_trim_beyond_its_claim_fails_the_run():
    plan = a_plan()

    def wrong_gain(rail, target_v, ordinal):
        return ideal(rail, target_v, ordinal) * (1.004 if rail == "IO" else 1.0)

    found = verdict(plan, good_visits(plan, truth=wrong_gain))
    assert found.result is RunResult.FAIL
    assert "trim accuracy of IO against the claim of 0.25 %: not met" in found.why


def test_without_a_meter_a_claim_is_not_measured_and_never_a_pass():
    plan = a_plan()
    visits = [a_visit(plan, step, with_meter=False) for step in STEPS]
    found = verdict(plan, visits, instruments=())
    assert found.result is RunResult.INCONCLUSIVE
    assert "not measured" in found.why


def test_without_the_specification_of_the_meter_a_claim_stays_open():
    plan = a_plan()
    found = verdict(plan, good_visits(plan), instruments=())
    assert found.result is RunResult.INCONCLUSIVE
    assert "trim accuracy of CORE, IO" in found.why


def test_without_a_claim_no_meter_is_needed():
    plan = a_plan()
    free = replace(plan, criteria=replace(plan.criteria, trim_claim_ratio=None))
    visits = [a_visit(free, step, with_meter=False, truth=lambda rail, target_v, ordinal: target_v) for step in STEPS]
    assert verdict(free, visits, instruments=()).result is RunResult.PASS


def test_a_check_that_hung_counts_as_a_failure():
    plan = a_plan()
    visits = good_visits(plan)
    hung = CheckResult(check="memory march", outcome=Outcome.NO_ANSWER, reason="no answer in 5 s", trials=1, failures=0)
    visits[3] = replace(
        visits[3],
        visit=replace(visits[3].visit, outcome=Outcome.NO_ANSWER, reason="no answer in 5 s"),
        checks=(hung,),
        trials=tuple(replace(trial, passed=None) for trial in visits[3].trials[:1]),
    )
    assert verdict(plan, visits).result is RunResult.FAIL


@pytest.mark.parametrize(
    ("trials", "failures", "no_verdict", "asked", "decision"),
    [
        (30, 0, 0, 30, Decision.MET),
        (30, 1, 0, 30, Decision.NOT_MET),
        (29, 0, 0, 30, Decision.OPEN),
        (30, 0, 1, 30, Decision.OPEN),
        (0, 0, 0, 0, Decision.OPEN),
    ],
)
def test_a_screen_with_fewer_verdicts_than_asked_stays_open(trials, failures, no_verdict, asked, decision):
    found = decide(Screen(failures=0), trials=trials, failures=failures, no_verdict=no_verdict, asked=asked)
    assert found is decision
