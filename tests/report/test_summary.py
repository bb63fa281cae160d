from dataclasses import replace
from datetime import timedelta

import pytest
from invented_run import (
    CORNERS,
    METER,
    NAMES,
    START,
    a_plan,
    a_run_of,
    a_visit,
    good_visits,
    ideal,
    steps_of,
)

from cornerrun.bench.ports import StatusCapture
from cornerrun.corners.model import NotRunnable
from cornerrun.plan.model import Acceptance, Screen
from cornerrun.report.summary import Decision, summarise
from cornerrun.report.text import to_text
from cornerrun.results.records import EndState, Event, Fault, Outcome, RunResult

STEPS = steps_of(NAMES)


def summary_of(plan, visits, **run):
    return summarise(a_run_of(visits, **run), plan=plan)


def by_name(items, attribute, name):
    return next(item for item in items if getattr(item, attribute) == name)


def test_counts_visits_and_corners_by_what_became_of_them():
    plan = a_plan()
    visits = good_visits(plan, {3: 14})
    visits[4] = replace(visits[4], visit=replace(visits[4].visit, outcome=Outcome.ERROR, reason="bus"))
    tally = summary_of(plan, visits).tally
    assert (tally.planned, tally.done, tally.control_points) == (7, 7, 2)
    assert (tally.passed, tally.failed, tally.in_trouble, tally.skipped, tally.void) == (5, 1, 1, 0, 0)
    assert (tally.corners_planned, tally.corners_run) == (4, 4)
    assert (tally.trials, tally.trial_failures) == (7 * 30, 14)


def test_result_and_reason_come_from_the_store():
    plan = a_plan()
    summary = summary_of(plan, good_visits(plan), result=RunResult.FAIL, why="as judged")
    assert (summary.result, summary.why) == (RunResult.FAIL, "as judged")


def test_a_run_without_an_end_is_incomplete_and_its_board_in_no_known_state():
    plan = a_plan()
    summary = summary_of(plan, good_visits(plan)[:3], result=None, end_state=None)
    assert (summary.result, summary.end_state) == (RunResult.INCOMPLETE, EndState.UNKNOWN)
    assert "to-nominal" in summary.end_state_text
    assert summary.cautions[0].startswith("THE STATE OF THE BOARD IS NOT KNOWN")
    assert summary.header.duration_s is None


def test_a_corner_shows_all_its_visits_and_its_worst_outcome():
    plan = a_plan()
    corner = by_name(summary_of(plan, good_visits(plan, {4: 3})).corners, "name", "all high")
    assert (corner.visits, corner.passed_visits, corner.pass_fraction) == (2, 1, 0.5)
    assert corner.outcome is Outcome.FAIL_FUNCTIONAL
    assert corner.reason == "memory march failed 3 of 30"
    assert (corner.trials, corner.failures) == (60, 3)
    assert corner.levels == {"CORE": "high", "IO": "high"}


def test_each_check_at_each_corner_has_an_exact_interval_and_a_decision():
    plan = a_plan()
    summary = summary_of(plan, good_visits(plan, {3: 14, 1: 1}))
    found = next(item for item in summary.checks if item.corner == "core low io high")
    # 14 failures in 30: Clopper-Pearson of 16 passes in 30 (scipy.stats.binomtest).
    assert (found.trials, found.failures, found.decision) == (30, 14, Decision.REFUTED)
    assert (found.pass_probability.low, found.pass_probability.high) == pytest.approx((0.343255, 0.716582), abs=5e-6)
    assert found.upper_bound < 0.9
    assert found.criterion == "demonstrate a pass probability of 90 % at 95 % confidence"
    clean = next(item for item in summary.checks if item.corner == "all low")
    assert clean.decision is Decision.DEMONSTRATED
    assert clean.lower_bound == pytest.approx(0.05 ** (1 / 60), rel=1e-12)


def test_totals_name_the_worst_corner_and_never_an_average():
    plan = a_plan()
    (total,) = summary_of(plan, good_visits(plan, {3: 14, 1: 1})).check_totals
    assert total.worst.corner == "core low io high"
    assert (total.corners, total.trials, total.failures) == (4, 210, 15)
    assert total.decisions == {Decision.DEMONSTRATED: 3, Decision.REFUTED: 1}


def test_a_check_that_never_ran_is_listed_as_not_tested():
    plan = a_plan()
    more = replace(
        plan, checks=(*plan.checks, replace(plan.checks[0], name="link errors", criterion=Screen(failures=0)))
    )
    summary = summary_of(more, good_visits(plan))
    assert [(i.what, i.name) for i in summary.not_tested] == [("check", "link errors")]
    assert by_name(summary.check_totals, "check", "link errors").worst is None


def test_what_was_asked_for_and_not_run_is_listed_with_its_reason():
    plan = a_plan()
    skipped = good_visits(plan)[:3]
    skipped[2] = replace(
        skipped[2], visit=replace(skipped[2].visit, outcome=Outcome.SKIPPED, reason="chamber is cold"), checks=()
    )
    unrunnable = (NotRunnable(name="io high core low", scheme="named", reason="relation IO - CORE"),)
    found = {
        i.name: i.reason
        for i in summary_of(plan, skipped, result=RunResult.INCOMPLETE, not_runnable=unrunnable).not_tested
    }
    assert found == {
        "io high core low": "relation IO - CORE",
        "all low": "chamber is cold",
        "core low io high": "not visited: the run ended before it",
    }


def test_smallest_margins_come_worst_first_with_the_uncertainty_of_the_meter():
    plan = a_plan()

    def sagging(rail, target_v, ordinal):
        return ideal(rail, target_v, ordinal) * (0.992 if rail == "IO" and ordinal == 5 else 1.0)

    summary = summary_of(plan, good_visits(plan, truth=sagging))
    first = summary.margins[0]
    assert (first.rail, first.limit, first.side, first.corner, first.visit) == ("IO", "window", "low", "all low", 5)
    target_v = 1.8 * 0.95
    assert first.distance_v == pytest.approx(first.measured_v - target_v * 0.99, rel=1e-9)
    assert first.distance_ratio == pytest.approx(0.002, abs=1e-4)
    # 35 ppm of reading and 5 ppm of the 10 V range at a coverage factor of 2, expanded to 95 %.
    assert first.expanded_v == pytest.approx((35e-6 * first.measured_v + 5e-5) / 2 * 1.959964, rel=1e-6)
    ratios = [margin.distance_ratio for margin in summary.margins]
    assert ratios == sorted(ratios)


def test_a_voltage_outside_its_window_has_a_negative_distance():
    plan = a_plan()

    def wrong(rail, target_v, ordinal):
        return target_v * (1.02 if rail == "CORE" and ordinal == 1 else 1.0)

    first = summary_of(plan, good_visits(plan, truth=wrong)).margins[0]
    assert (first.rail, first.side) == ("CORE", "high")
    assert first.distance_ratio == pytest.approx(-0.01, abs=1e-9)


def test_relations_between_rails_have_margins_of_their_own():
    plan = a_plan()
    found = by_name(summary_of(plan, good_visits(plan)).margins, "rail", "IO - CORE")
    # IO high less CORE low: 1.89 V - 0.8075 V, at most 1.2 V allowed.
    assert (found.limit, found.side, found.corner) == ("relation", "high", "core low io high")
    assert found.distance_v == pytest.approx(1.2 - (1.89 - 0.8075), abs=2e-4)


def test_telemetry_stands_in_for_the_meter_and_says_so():
    plan = a_plan()
    summary = summary_of(plan, [a_visit(plan, step, with_meter=False) for step in STEPS], instruments=())
    assert {margin.measured_by for margin in summary.margins} == {"telemetry"}
    assert {margin.expanded_v for margin in summary.margins} == {None}


def test_without_a_meter_accuracy_is_not_measured_whatever_telemetry_says():
    plan = a_plan()
    summary = summary_of(plan, [a_visit(plan, step, with_meter=False) for step in STEPS], instruments=())
    assert [(t.rail, t.status, t.claim) for t in summary.trim] == [
        ("CORE", "not measured", "not measured"),
        ("IO", "not measured", "not measured"),
        ("HALF", "not commanded", "not commanded"),
        ("AUX", "not commanded", "not commanded"),
    ]
    assert any("accuracy is not measured" in caution for caution in summary.cautions)


def test_trim_accuracy_recovers_what_was_planted():
    plan = a_plan()

    def planted(rail, target_v, ordinal):
        setpoint_v = round(target_v * 4096) / 4096
        noise = 2e-5 * ((ordinal * 7919) % 5 - 2)
        return setpoint_v * (1.0018 if rail == "CORE" else 1.0) + noise + (1e-3 if rail == "IO" else 0.0)

    trim = summary_of(plan, good_visits(plan, truth=planted)).trim
    core, io = by_name(trim, "rail", "CORE"), by_name(trim, "rail", "IO")
    assert 0.0018 in core.gain_error
    assert 0.0 in core.offset_v
    assert 1e-3 in io.offset_v
    assert (core.n, core.setpoints, [level.level for level in core.levels]) == (7, 3, ["low", "nominal", "high"])
    assert core.claim == io.claim == "met"
    assert core.claim_probability > 0.999
    assert core.meter_limit_v == pytest.approx(35e-6 * core.worst_setpoint_v + 5e-5, rel=0.01)


def test_quantisation_is_told_apart_from_the_trim_error():
    plan = a_plan()
    core = by_name(summary_of(plan, good_visits(plan)).trim, "rail", "CORE")
    worst = max((round(v * 4096) / 4096 - v for v in plan.rail("CORE").levels.values()), key=abs)
    assert core.quantisation_v == pytest.approx(worst, abs=1e-15)


def test_readings_that_cannot_be_trusted_are_left_out_and_counted():
    plan = a_plan()
    visits = good_visits(plan)
    visits[2] = replace(visits[2], readings=tuple(replace(r, outcome=Outcome.DISPUTED) for r in visits[2].readings))
    core = by_name(summary_of(plan, visits).trim, "rail", "CORE")
    assert (core.n, core.excluded) == (6, 1)


def test_drift_of_control_points_is_reported_and_never_subtracted():
    plan = a_plan()

    def drifting(rail, target_v, ordinal):
        return target_v * (1 + 1e-4 * ordinal)

    summary = summary_of(plan, good_visits(plan, truth=drifting))
    core = by_name(summary.drift, "rail", "CORE")
    assert (core.n, core.at_visit, core.is_out) == (2, 6, False)
    assert core.largest_ratio == pytest.approx(6e-4, rel=1e-6)
    assert core.slope_v_per_s is None
    worst = by_name(summary.trim, "rail", "CORE").worst_error
    assert worst.estimate > 1e-4


def test_a_void_block_counts_for_nothing_but_is_listed():
    plan = a_plan()

    def jump(rail, target_v, ordinal):
        return target_v * (1.002 if ordinal == 6 else 1.0)

    summary = summary_of(plan, good_visits(plan, {3: 14}, truth=jump), result=RunResult.INVALID)
    assert summary.tally.void == 5
    assert all(item.corner == "nominal" for item in summary.checks)
    corner = by_name(summary.corners, "name", "core low io high")
    assert (corner.visits, corner.void_visits, corner.outcome) == (0, 1, Outcome.NOT_RUN)
    assert by_name(summary.not_tested, "name", "core low io high").reason.startswith("void: 1 visits")
    assert any(item.kind == "control point out" for item in summary.anomalies)


def test_coverage_counts_levels_and_pairs_that_were_met():
    plan = a_plan()
    cover = summary_of(plan, good_visits(plan)).coverage
    assert (cover.levels_met, cover.levels_possible) == (6, 6)
    # nominal/nominal, high/high, low/low and low/high of nine.
    assert (cover.pairs_met, cover.pairs_possible) == (4, 9)
    assert (cover.high_low_pairs_met, cover.high_low_pairs_possible) == (3, 4)


def test_levels_pairs_and_triples_off_nominal_are_told_as_the_plan_reckons_them():
    plan = a_plan()
    cover = summary_of(plan, good_visits(plan)).coverage
    found = [(one.strength, one.covered, one.feasible, one.total) for one in cover.combinations]
    # Two rails, high and low each: all four levels, three of four pairs, and there is no third rail.
    assert found == [(1, 4, 4, 4), (2, 3, 4, 4), (3, 0, 0, 0)]
    assert "off nominal, of what the constraints leave: levels 4 of 4, pairs 3 of 4" in to_text(
        summary_of(plan, good_visits(plan))
    )


def test_a_forbidden_pair_is_not_asked_of_coverage():
    plan = a_plan()
    rule = replace(plan, corners=replace(plan.corners, forbidden=({"CORE": "high", "IO": "low"},)))
    cover = summary_of(rule, good_visits(plan)).coverage
    assert (cover.high_low_pairs_met, cover.high_low_pairs_possible) == (3, 3)


def test_a_corner_that_never_settled_covers_nothing():
    plan = a_plan()
    visits = good_visits(plan)
    visits[3] = replace(visits[3], visit=replace(visits[3].visit, outcome=Outcome.NOT_SETTLED), checks=())
    assert summary_of(plan, visits).coverage.high_low_pairs_met == 2


def test_an_error_that_recurs_at_one_corner_and_never_at_nominal_points_at_the_product():
    plan = a_plan()
    visits = [
        replace(v, visit=replace(v.visit, outcome=Outcome.ERROR, reason="timed out"))
        if v.visit.ordinal in (1, 4)
        else v
        for v in good_visits(plan)
    ]
    found = [item for item in summary_of(plan, visits).anomalies if item.kind == "corner-dependent error"]
    assert [(item.corner, item.text) for item in found] == [
        ("all high", "2 errors here and none at nominal: corner-dependent, product suspected")
    ]


def test_faults_and_events_stand_among_the_anomalies_in_order_of_time():
    plan = a_plan()
    visits = good_visits(plan)
    capture = StatusCapture(rail="CORE", taken_at_s=2.1, registers={"STATUS_WORD": 0x8020})
    fault = Fault(
        visit=2,
        at_s=2.1,
        kind="over-voltage",
        originator="CORE",
        followers=("IO",),
        why="own OV bit",
        captures=(capture,),
    )
    visits[2] = replace(visits[2], faults=(fault,))
    events = (
        Event(at_s=0.5, at_utc=START + timedelta(seconds=0.5), severity="warning", what="a read was tried twice"),
    )
    anomalies = summary_of(plan, visits, events=events).anomalies
    assert [item.kind for item in anomalies] == ["retry", "over-voltage"]
    assert anomalies[1].text == "originator CORE; followed by IO: own OV bit"


def test_numbers_of_checks_are_ranked_by_their_distance_to_limits():
    plan = a_plan()
    limited = replace(plan, checks=(replace(plan.checks[0], accept={"errors": Acceptance(max=2.0)}),))
    numbers = summary_of(limited, good_visits(limited, {3: 14})).numbers
    first = numbers[0]
    assert (first.corner, first.number, first.least, first.greatest) == ("core low io high", "errors", 0.0, 1.0)
    assert first.distance == 1.0
    # Mean 14/30, standard deviation of fourteen ones and sixteen zeros.
    assert first.distance_sigma == pytest.approx((2 - 14 / 30) / 0.507416, rel=1e-5)


@pytest.mark.parametrize("numbers", [[29.4] * 20, [0.3, 0.1 + 0.2, 0.3]])
def test_numbers_that_differ_by_rounding_only_do_not_scatter(numbers):
    plan = a_plan()
    limited = replace(plan, checks=(replace(plan.checks[0], accept={"volts": Acceptance(min=0.05)}),))
    record = good_visits(limited)[1]
    trials = tuple(replace(record.trials[0], trial=i, numbers={"volts": v}) for i, v in enumerate(numbers))
    (found,) = summary_of(limited, [replace(record, trials=trials)]).numbers
    assert found.distance == pytest.approx(min(numbers) - 0.05)
    assert found.distance_sigma is None


def test_a_meter_past_its_calibration_is_a_caution():
    plan = a_plan()
    summary = summary_of(plan, good_visits(plan), instruments=(replace(METER, due="2026-03-01"),))
    assert summary.instruments[0].calibration == "overdue"
    assert any("past its calibration" in caution for caution in summary.cautions)
    undated = summary_of(plan, good_visits(plan), instruments=(replace(METER, due="soon"),))
    assert undated.instruments[0].calibration == "not stated"


def test_telemetry_error_is_told_against_the_meter_with_count_and_interval():
    plan = a_plan()
    core = by_name(summary_of(plan, good_visits(plan)).rails, "rail", "CORE")
    assert core.telemetry_error_n == 7
    assert pytest.approx(core.telemetry_error_v.estimate, abs=1e-12) == 0.0004
    assert (core.samples, core.moves) == (63, 5)
    assert core.greatest_seen_v == pytest.approx(0.85 * 1.06)


def test_a_summary_is_the_same_whenever_it_is_computed():
    plan = a_plan()
    data = a_run_of(good_visits(plan, {3: 14}))
    assert summarise(data, plan=plan) == summarise(data, plan=plan)


def test_an_empty_run_still_has_a_summary():
    summary = summary_of(a_plan(), [], result=RunResult.INCOMPLETE)
    assert [corner.outcome for corner in summary.corners] == [Outcome.NOT_RUN] * len(CORNERS)
    assert summary.margins == ()
    assert summary.coverage.pairs_met == 0
