"""What a reader must know before trusting a number: anomalies in order of time, and cautions."""

from collections.abc import Iterable, Iterator, Sequence
from datetime import date

from cornerrun.plan.model import Plan
from cornerrun.report.analysis_nouns import Attempt
from cornerrun.report.rail_nouns import ControlDrift, TrimSummary
from cornerrun.report.summary_model import Anomaly, CheckCorner, InstrumentSummary, NotTested, Tally
from cornerrun.results.control import ControlPoint
from cornerrun.results.records import EndState, InstrumentRecord, Outcome, Run, RunData
from cornerrun.results.verdict import references_out
from cornerrun.units import Kind, show

__all__ = ["anomalies", "cautions", "instrument_summaries"]

_WORTH_TELLING = {
    Outcome.ABORTED: "warning",
    Outcome.ERROR: "error",
    Outcome.TRIPPED: "error",
    Outcome.NOT_SETTLED: "warning",
    Outcome.DISPUTED: "warning",
    Outcome.NO_ANSWER: "error",
}

_KINDS = {
    ("overrid",): "override",
    ("bus traffic",): "bus trouble",
    ("again", "twice", "did not repeat"): "retry",
    ("configuration changed",): "configuration changed",
    ("captured:", "status "): "registers",
}


def anomalies(data: RunData, points: Sequence[ControlPoint]) -> tuple[Anomaly, ...]:
    """List all that went another way than planned, in order of time; findings about the whole run come last."""
    found = [*_from_visits(data), *_from_events(data), *_from_controls(points)]
    found.sort(key=lambda item: item.at_s if item.at_s is not None else float("inf"))
    return (*found, *_patterns(data))


def _from_visits(data: RunData) -> Iterable[Anomaly]:
    for record in data.visits:
        visit = record.visit
        severity = _WORTH_TELLING.get(visit.outcome)
        if severity is not None:
            yield _anomaly(
                str(visit.outcome), severity, visit.reason, at_s=visit.end_s, visit=visit.ordinal, corner=visit.corner
            )
        if visit.is_after_seam:
            yield _anomaly(
                "seam",
                "note",
                "first visit after a resume",
                at_s=visit.start_s,
                visit=visit.ordinal,
                corner=visit.corner,
            )
        for fault in record.faults:
            followers = f"; followed by {', '.join(fault.followers)}" if fault.followers else ""
            text = f"originator {fault.originator}{followers}: {fault.why}"
            rail = fault.originator if fault.originator != "undetermined" else ""
            yield _anomaly(
                fault.kind, "error", text, at_s=fault.at_s, visit=visit.ordinal, corner=visit.corner, rail=rail
            )


def _from_events(data: RunData) -> Iterable[Anomaly]:
    for event in data.events:
        severity = event.severity if event.severity in ("note", "warning", "error") else "warning"
        yield _anomaly(_kind_of(event.what), severity, event.what, at_s=event.at_s, rail=event.rail)


def _kind_of(what: str) -> str:
    """Sort an event by the words that the run writes; "event" where none is known."""
    return next((kind for words, kind in _KINDS.items() if any(word in what for word in words)), "event")


def _from_controls(points: Sequence[ControlPoint]) -> Iterable[Anomaly]:
    for point in points:
        if not point.is_good:
            text = f"{point.why}; {len(point.block)} visits before it are void"
            yield _anomaly("control point out", "error", text, at_s=point.at_s, visit=point.visit, corner=point.corner)


def _patterns(data: RunData) -> Iterable[Anomaly]:
    """Find what only shows over several visits."""
    errors: dict[str, int] = {}
    ordinals: dict[int, int] = {}
    nominal = {corner.name for corner in data.run.corners if corner.is_nominal}
    nominal |= {record.visit.corner for record in data.visits if record.visit.is_control}
    for record in data.visits:
        visit = record.visit
        ordinals[visit.ordinal] = ordinals.get(visit.ordinal, 0) + 1
        if visit.outcome is Outcome.ERROR:
            errors[visit.corner] = errors.get(visit.corner, 0) + 1
    for corner, count in errors.items():
        if count > 1 and corner not in nominal and not any(name in errors for name in nominal):
            text = f"{count} errors here and none at nominal: corner-dependent, product suspected"
            yield _anomaly("corner-dependent error", "warning", text, corner=corner)
    again = {ordinal: count for ordinal, count in ordinals.items() if count > 1}
    if again:
        text = f"{len(again)} steps were visited more than once ({sum(again.values())} visits); every visit counts"
        yield _anomaly("repeated", "note", text)


def _anomaly(
    kind: str,
    severity: str,
    text: str,
    *,
    at_s: float | None = None,
    visit: int | None = None,
    corner: str = "",
    rail: str = "",
) -> Anomaly:
    return Anomaly(
        kind=kind,
        severity="error" if severity == "error" else "note" if severity == "note" else "warning",
        at_s=at_s,
        visit=visit,
        corner=corner,
        rail=rail,
        text=text,
    )


def instrument_summaries(data: RunData) -> tuple[InstrumentSummary, ...]:
    """Tell the state of calibration of each instrument on the day when the run began."""
    day = data.run.started_utc.date()
    return tuple(_instrument(record, day) for record in data.run.instruments)


def _instrument(record: InstrumentRecord, day: date) -> InstrumentSummary:
    try:
        due = date.fromisoformat(record.due) if record.due is not None else None
    except ValueError:
        due = None
    if due is None:
        return InstrumentSummary(record=record, calibration="not stated")
    return InstrumentSummary(record=record, calibration="in date" if day <= due else "overdue")


def cautions(
    data: RunData,
    plan: Plan,
    *,
    end_state: EndState,
    tally: Tally,
    not_tested: Sequence[NotTested],
    checks: Sequence[CheckCorner],
    trim: Sequence[TrimSummary],
    drift: Sequence[ControlDrift],
    instruments: Sequence[InstrumentSummary],
    attempts: Sequence[Attempt] = (),
) -> tuple[str, ...]:
    """Say what limits the conclusions of a run, the gravest first."""
    said: list[str] = []
    if end_state is EndState.UNKNOWN:
        said.append("THE STATE OF THE BOARD IS NOT KNOWN. Treat it as live; bring it back with `cornerrun to-nominal`.")
    elif end_state is EndState.OFF:
        said.append("The board was turned OFF, not brought to nominal: find out why before it is powered again.")
    if data.run.bench_kind == "simulated":
        said.append("SIMULATED bench: nothing here says anything of a real board.")
    said += _about_fault_trials(data)
    said += _about_attempts(attempts)
    said += _about_instruments(plan, trim, instruments)
    said += _about_drift(trim)
    if tally.void:
        said.append(f"{tally.void} visits are void, since a control point was out; they count for nothing.")
    limit = plan.corners.control_points.drift_ratio
    if limit is None:
        said.append("The plan sets no limit on drift: control points are reported, not judged.")
    elif any(item.measured_by == "telemetry" for item in drift):
        said.append("Some drift was judged by telemetry, for want of a meter: a device's own drift does not show.")
    if not any(item.n > 1 for item in drift):
        said.append("No control point was visited twice: nothing shows that board and bench stayed as they were.")
    missing = sum(item.what == "corner" for item in not_tested)
    if missing:
        said.append(f"{missing} corners were asked for and not tested; they count as nothing, not as a pass.")
    said += _about_checks(plan, checks)
    said.append("One board was tested: it says nothing of the share of boards that pass.")
    return tuple(said)


def _about_fault_trials(data: RunData) -> Iterator[str]:
    """Say that faults were provoked, who answers for it, and what differed from the plan."""
    if not data.fault_trials:
        return
    who = data.run.request.confirmed_by or "nobody named"
    provoked = ", ".join(f"{trial.rail} ({trial.fault})" for trial in data.fault_trials if not trial.refused)
    yield f"Faults were PROVOKED, confirmed by {who}: {provoked or 'none, every one was refused'}."
    for trial in data.fault_trials:
        if trial.troubles:
            yield f"The board did not do what the plan says when {trial.rail} faulted: {'; '.join(trial.troubles)}."


def earlier_attempts(run: Run, runs: Iterable[Run]) -> tuple[Attempt, ...]:
    """Find the earlier runs of the same plan on the same unit, the oldest first; a hold is no attempt."""
    mine = _plan_hashes(run)
    earlier = [
        other
        for other in runs
        if other.run_id != run.run_id
        and not other.is_hold
        and other.serial == run.serial
        and other.started_utc < run.started_utc
        and _plan_hashes(other) == mine
    ]
    earlier.sort(key=lambda other: other.started_utc)
    return tuple(Attempt(run_id=other.run_id, started_utc=other.started_utc, result=other.result) for other in earlier)


def _plan_hashes(run: Run) -> frozenset[str]:
    return frozenset(source.sha256 for source in run.sources if source.role == "plan")


def _about_attempts(attempts: Sequence[Attempt]) -> Iterable[str]:
    if attempts:
        results = ", ".join(str(item.result) if item.result is not None else "no end" for item in attempts)
        yield (
            f"Attempt {len(attempts) + 1} of this plan on this board (earlier: {results}): a pass after retries lets "
            "more bad boards through than the first would."
        )


def _about_drift(trim: Sequence[TrimSummary]) -> Iterable[str]:
    drifted = [
        item.rail
        for item in trim
        if item.drift_v is not None
        and item.expanded_v is not None
        and min(abs(item.drift_v.low), abs(item.drift_v.high)) > item.expanded_v
        and item.drift_v.low * item.drift_v.high > 0
    ]
    if drifted:
        yield (
            f"Nominal of {', '.join(drifted)} drifted by more than the uncertainty of its trim error while trim was "
            "measured; the drift is told, not subtracted."
        )


def _about_instruments(
    plan: Plan, trim: Sequence[TrimSummary], instruments: Sequence[InstrumentSummary]
) -> Iterable[str]:
    for out in references_out([item.record for item in instruments]):
        yield f"{out}: nothing that it reads can be trusted."
    for item in instruments:
        if item.calibration == "overdue":
            yield (
                f"{item.record.name} was past its calibration (due {item.record.due}): its specification holds no more."
            )
        elif item.calibration == "not stated":
            yield f"{item.record.name}: the bench file states no date when its calibration is due."
    unmeasured = [item.rail for item in trim if item.status == "not measured"]
    commanded = len(plan.commanded_rails)
    if unmeasured and len(unmeasured) == commanded:
        yield "No reference meter measured any rail: accuracy is not measured, whatever the devices say of themselves."
    elif unmeasured:
        yield f"Accuracy was not measured on {len(unmeasured)} of {commanded} rails: {', '.join(unmeasured)}."
    if any(item.status == "measured" and item.meter_limit_v is None for item in trim):
        yield "The bench file states no uncertainty of the meter: intervals of accuracy hold scatter alone."


def _about_checks(plan: Plan, checks: Sequence[CheckCorner]) -> Iterable[str]:
    if not plan.checks:
        yield "The plan has no functional check: only voltages were judged."
    tried = [item for item in checks if item.trials]
    if len(tried) > 1:
        confidence = tried[0].pass_probability.confidence
        missed = len(tried) * (1 - confidence)
        yield (
            f"Of {len(tried)} intervals at {show(confidence, Kind.RATIO)} confidence, about {missed:.1f} may miss "
            "their true value; trials on one board are not boards."
        )
