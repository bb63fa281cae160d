"""What a run says of its board: a pure decision on records, for the exit code and for every report."""

from collections.abc import Sequence
from dataclasses import dataclass

from cornerrun.corners.model import Step
from cornerrun.plan.model import Plan
from cornerrun.results.accuracy import RailAccuracy, trim_accuracy
from cornerrun.results.control import control_points, good_visits
from cornerrun.results.decision import CheckTally, Decision, check_tallies, criterion_of, decide
from cornerrun.results.records import InstrumentRecord, Outcome, RunResult, VisitRecord
from cornerrun.units import Kind, show

__all__ = ["CheckTally", "Decision", "RunVerdict", "check_tallies", "criterion_of", "decide", "judge", "references_out"]


@dataclass(frozen=True, kw_only=True, slots=True)
class RunVerdict:
    """The result of a run, and why, in one sentence."""

    result: RunResult
    why: str


def judge(
    plan: Plan,
    planned: Sequence[Step],
    visits: Sequence[VisitRecord],
    *,
    interrupted: bool,
    instruments: Sequence[InstrumentRecord] = (),
) -> RunVerdict:
    """Judge a run from its visits.

    A failure that valid visits show stays a failure, whatever else went wrong: ``fail``. Otherwise, in this order:
    ``invalid`` if the meter misread something known or a control point was out, ``incomplete`` if a planned visit is
    missing, ``inconclusive`` if bench trouble or an open criterion leaves a question, ``pass`` only if every step was
    run and every criterion met.
    Visits of a void block count for nothing. ``instruments`` carries the meter's specification, without which a claim
    of trim accuracy cannot be met.
    """
    good = good_visits(plan, visits)
    tallies = check_tallies(plan, good)
    accuracy = trim_accuracy(plan, visits, instruments) if plan.criteria.trim_claim_ratio is not None else ()
    failures = [*_failed_visits(good, tallies), *_failed_checks(tallies), *_trim(plan, accuracy, "not met")]
    if failures:
        return RunVerdict(result=RunResult.FAIL, why="; ".join(failures))
    out = "; ".join(filter(None, (*references_out(instruments), _out_of_control(plan, visits))))
    if out:
        return RunVerdict(result=RunResult.INVALID, why=out)
    missing = _missing(planned, visits)
    if missing or not visits:
        why = ("interrupted: " if interrupted else "") + (missing or "nothing was visited")
        return RunVerdict(result=RunResult.INCOMPLETE, why=why)
    questions = [*_troubled(good), *_open_checks(tallies), *_trim(plan, accuracy, "open", "not measured")]
    if questions:
        return RunVerdict(result=RunResult.INCONCLUSIVE, why="; ".join(questions))
    corners = len({step.corner.name for step in planned if not step.is_control})
    return RunVerdict(result=RunResult.PASS, why=f"all {corners} corners were run and every criterion is met")


def references_out(instruments: Sequence[InstrumentRecord]) -> tuple[str, ...]:
    """Tell what meters misread of what is known: nothing that such a meter reads can be trusted."""
    return tuple(
        f"{instrument.name} reads its {item.name} (channel {item.channel}) as "
        f"{'no voltage' if item.reading_v is None else show(item.reading_v, Kind.VOLTAGE)}, not within "
        f"{show(item.within_v, Kind.VOLTAGE)} of {show(item.value_v, Kind.VOLTAGE)}"
        for instrument in instruments
        for item in instrument.references
        if not item.is_good
    )


def _failed_visits(visits: Sequence[VisitRecord], tallies: Sequence[CheckTally]) -> list[str]:
    """Name visits where the product failed; a failed trial is left to the criterion of its check."""
    judged = {tally.corner for tally in tallies}
    failed = [
        record.visit
        for record in visits
        if record.visit.outcome.is_product_failure
        and not (record.visit.outcome is Outcome.FAIL_FUNCTIONAL and record.visit.corner in judged)
    ]
    if not failed:
        return []
    first = failed[0]
    reason = f": {first.reason}" if first.reason else ""
    return [f"{_many(len(failed), 'visit')} failed, first {first.corner!r} ({first.outcome}{reason})"]


def _failed_checks(tallies: Sequence[CheckTally]) -> list[str]:
    failed: dict[str, list[CheckTally]] = {}
    for tally in tallies:
        if tally.decision.is_failure:
            failed.setdefault(tally.check, []).append(tally)
    return [
        f"check {check!r} is {group[0].decision} at {_many(len(group), 'corner')}, first {group[0].corner!r} "
        f"({group[0].failures} of {_many(group[0].trials, 'trial')} failed)"
        for check, group in failed.items()
    ]


def _open_checks(tallies: Sequence[CheckTally]) -> list[str]:
    left: dict[str, list[CheckTally]] = {}
    for tally in tallies:
        if tally.decision is Decision.OPEN:
            left.setdefault(tally.check, []).append(tally)
    return [
        f"check {check!r} is open at {_many(len(group), 'corner')}, first {group[0].corner!r} "
        f"({group[0].failures} of {_many(group[0].trials, 'trial')} failed)"
        for check, group in left.items()
    ]


def _trim(plan: Plan, accuracy: Sequence[RailAccuracy], *verdicts: str) -> list[str]:
    rails = [item for item in accuracy if item.claim in verdicts]
    if not rails or plan.criteria.trim_claim_ratio is None:
        return []
    names = ", ".join(item.rail for item in rails[:3]) + (f" and {len(rails) - 3} more" if len(rails) > 3 else "")
    claim = show(plan.criteria.trim_claim_ratio, Kind.RATIO)
    return [f"trim accuracy of {names} against the claim of {claim}: {' or '.join(sorted({r.claim for r in rails}))}"]


def _out_of_control(plan: Plan, visits: Sequence[VisitRecord]) -> str:
    void = [record.visit for record in visits if record.visit.is_void]
    for point in control_points(plan, visits):
        if not point.is_good:
            return f"control point out at visit {point.visit} ({point.why}); {_many(len(point.block), 'visit')} void"
    return f"control point out: {_many(len(void), 'visit')} void, first {void[0].corner!r}" if void else ""


def _missing(planned: Sequence[Step], visits: Sequence[VisitRecord]) -> str:
    done = {
        record.visit.ordinal
        for record in visits
        if record.visit.outcome not in {Outcome.ABORTED, Outcome.SKIPPED, Outcome.NOT_RUN}
    }
    missing = [step for step in planned if step.ordinal not in done]
    if not missing:
        return ""
    return f"{len(missing)} of {_many(len(planned), 'planned visit')} missing, first {missing[0].corner.name!r}"


def _troubled(visits: Sequence[VisitRecord]) -> list[str]:
    """Name steps whose last visit ended in bench trouble; one that was repeated well leaves no question."""
    last = {record.visit.ordinal: record.visit for record in visits}
    troubled = [visit for visit in last.values() if visit.outcome.is_bench_trouble]
    if not troubled:
        return []
    first = troubled[0]
    reason = f": {first.reason}" if first.reason else ""
    return [f"bench trouble at {_many(len(troubled), 'visit')}, first {first.corner!r} ({first.outcome}{reason})"]


def _many(count: int, noun: str) -> str:
    return f"{count} {noun}" if count == 1 else f"{count} {noun}s"
