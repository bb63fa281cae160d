"""Every number of every report, computed once, from what the store holds."""

from collections.abc import Mapping, Sequence

from cornerrun.plan.model import Plan
from cornerrun.report.margins import worst_margins
from cornerrun.report.places import places_of
from cornerrun.report.rail_nouns import ControlDrift, Margin, RailSummary, TrimLevel, TrimSummary
from cornerrun.report.summary_cautions import anomalies, cautions, earlier_attempts, instrument_summaries
from cornerrun.report.summary_checks import check_corners, check_totals, number_summaries
from cornerrun.report.summary_conditions import condition_steps, condition_summaries
from cornerrun.report.summary_corners import corner_summaries, coverage, not_tested
from cornerrun.report.summary_culprits import culprit_summaries
from cornerrun.report.summary_model import (
    Anomaly,
    CheckCorner,
    CheckTotal,
    CornerSummary,
    Coverage,
    Header,
    InstrumentSummary,
    NotTested,
    NumberSummary,
    Summary,
    Tally,
)
from cornerrun.report.summary_proof import configuration_summary, proof_rows
from cornerrun.report.summary_rails import drifts, rail_summaries
from cornerrun.report.summary_stress import Ledgers, level_stress
from cornerrun.report.summary_telemetry import device_telemetry
from cornerrun.report.summary_trim import trim_summaries
from cornerrun.results.accuracy import meter_specification, trim_accuracy
from cornerrun.results.control import control_points, good_visits
from cornerrun.results.decision import CheckTally, Decision, check_tallies
from cornerrun.results.records import EndState, Outcome, Run, RunData, RunResult, VisitRecord

__all__ = [
    "Anomaly",
    "CheckCorner",
    "CheckTotal",
    "ControlDrift",
    "CornerSummary",
    "Coverage",
    "Decision",
    "Header",
    "InstrumentSummary",
    "Margin",
    "NotTested",
    "NumberSummary",
    "RailSummary",
    "Summary",
    "Tally",
    "TrimLevel",
    "TrimSummary",
    "summarise",
]

_END_STATES = {
    EndState.NOMINAL: "at nominal, verified by reading back",
    EndState.OFF: "OFF: find out why, then acknowledge it (`cornerrun acknowledge`)",
    EndState.UNKNOWN: "NOT KNOWN: treat the board as live, then run `cornerrun to-nominal`",
}


def summarise(
    data: RunData, *, plan: Plan | None = None, runs: Sequence[Run] = (), ledgers: Ledgers | None = None
) -> Summary:
    """Compute everything that a report prints.

    ``plan`` defaults to the plan that the run carries. A run without an end is incomplete, and its board's state is not
    known. ``runs`` are those of the store, in any order: earlier ones of the same plan on the same unit are attempts.
    ``ledgers`` are the stress that the store tells of the unit.
    """
    run = data.run
    if plan is None:
        from cornerrun.plan.serial import plan_from_json

        plan = plan_from_json(run.plan_json)
    good = good_visits(plan, data.visits)
    points = control_points(plan, data.visits)
    tallies = check_tallies(plan, good)
    accuracy = trim_accuracy(plan, data.visits, run.instruments)
    places = places_of(plan, run.corners)
    worst = worst_margins(plan, good, meter_specification(run.instruments), accuracy, places)
    corners = corner_summaries(data, plan, good, tallies, worst)
    missing = not_tested(data, plan, corners, tallies)
    checks = check_corners(tallies)
    rails = rail_summaries(plan, good, worst)
    trim = trim_summaries(plan, accuracy, run.setpoints)
    drift = drifts(plan, points)
    instruments = instrument_summaries(data)
    end_state = run.end_state or EndState.UNKNOWN
    tally = _tally(data, good, corners, tallies)
    attempts = earlier_attempts(run, runs)
    return Summary(
        header=_header(data, plan),
        result=run.result or RunResult.INCOMPLETE,
        why=run.why if run.result is not None else "the run has no end: it is still going on, or it was killed",
        end_state=end_state,
        end_state_text=_END_STATES[end_state],
        tally=tally,
        corners=corners,
        not_tested=missing,
        checks=checks,
        check_totals=check_totals(plan, checks, good),
        numbers=number_summaries(plan, good, places),
        rails=rails,
        margins=_smallest(worst),
        trim=trim,
        drift=drift,
        coverage=coverage(plan, data, good),
        anomalies=anomalies(data, points),
        overrides=tuple(
            f"{override}; confirmed by {run.request.confirmed_by or 'nobody'}" for override in run.request.overrides
        ),
        cautions=cautions(
            data,
            plan,
            end_state=end_state,
            tally=tally,
            not_tested=missing,
            checks=checks,
            trim=trim,
            drift=drift,
            instruments=instruments,
            attempts=attempts,
        ),
        instruments=instruments,
        phase_s=_phases(data.visits),
        culprits=culprit_summaries(plan, data, good, tallies),
        telemetry=device_telemetry(plan, good, meter_specification(run.instruments)),
        attempts=attempts,
        proof=proof_rows(data),
        fault_trials=data.fault_trials,
        configuration=configuration_summary(data),
        stress=None if ledgers is None else level_stress(plan, ledgers),
        conditions=condition_summaries(plan, data, places),
        condition_steps=condition_steps(data),
    )


def _header(data: RunData, plan: Plan) -> Header:
    run, ended = data.run, data.run.ended_utc
    ends_s = [*(record.visit.end_s for record in data.visits), *(one.started_s + one.took_s for one in data.rests)]
    duration_s = max(ends_s, default=None) if ended is not None else None
    return Header(
        run_id=run.run_id,
        title=run.title,
        board_name=plan.board.name,
        board_revision=plan.board.revision,
        serial=run.serial,
        operator=run.operator,
        station=run.station,
        bench_id=run.bench_id,
        bench_kind=run.bench_kind,
        seed=run.seed,
        started_utc=run.started_utc,
        ended_utc=ended,
        duration_s=duration_s,
        sources=run.sources,
        versions=run.versions,
        unit_data=run.unit_data,
        devices=run.devices,
        trail=data.trail,
    )


def _tally(
    data: RunData, good: Sequence[VisitRecord], corners: Sequence[CornerSummary], tallies: Sequence[CheckTally]
) -> Tally:
    visits = [record.visit for record in data.visits]
    asked = {corner.name for corner in data.run.corners}
    return Tally(
        planned=data.run.planned_visits,
        done=len({visit.ordinal for visit in visits if visit.outcome not in {Outcome.SKIPPED, Outcome.NOT_RUN}}),
        control_points=sum(visit.is_control for visit in visits),
        passed=sum(visit.outcome is Outcome.PASS for visit in visits),
        failed=sum(visit.outcome.is_product_failure for visit in visits),
        in_trouble=sum(visit.outcome.is_bench_trouble for visit in visits),
        skipped=sum(visit.outcome in {Outcome.SKIPPED, Outcome.NOT_RUN} for visit in visits),
        void=len(visits) - len(good),
        after_seam=sum(visit.is_after_seam for visit in visits),
        corners_planned=len(asked),
        corners_run=sum(corner.visits > 0 for corner in corners if corner.name in asked),
        trials=sum(tally.trials for tally in tallies),
        trial_failures=sum(tally.failures for tally in tallies),
    )


def _smallest(margins: Sequence[Margin]) -> tuple[Margin, ...]:
    """Keep the smallest margin of each rail and kind of limit, the worst first."""
    smallest: dict[tuple[str, str], Margin] = {}
    for margin in margins:
        key = (margin.rail, margin.limit)
        if key not in smallest or margin.distance_v < smallest[key].distance_v:
            smallest[key] = margin
    return tuple(sorted(smallest.values(), key=lambda item: (item.distance_ratio, item.rail, item.limit)))


def _phases(visits: Sequence[VisitRecord]) -> Mapping[str, float]:
    total: dict[str, float] = {}
    for record in visits:
        for phase, duration_s in record.visit.phase_s.items():
            total[phase] = total.get(phase, 0.0) + duration_s
    return total
