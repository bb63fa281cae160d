"""What the trials of a check at a corner say of its criterion."""

from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum

from cornerrun.plan.model import Check, CheckCriterion, Demonstrate, Plan
from cornerrun.results.records import CheckResult, Outcome, VisitRecord
from cornerrun.stats.proportions import Demonstration, demonstration

__all__ = ["CheckTally", "Decision", "check_tallies", "criterion_of", "decide", "first_outcome"]

_PRECEDENCE = {outcome: index for index, outcome in enumerate(Outcome)}


class Decision(StrEnum):
    """What trials say of a criterion.

    A demonstration is demonstrated, refuted or open; a screen is met, not met or open. Open is no pass.
    """

    DEMONSTRATED = "demonstrated"
    MET = "met"
    OPEN = "open"
    REFUTED = "refuted"
    NOT_MET = "not met"

    @property
    def is_pass(self) -> bool:
        """Whether the criterion is shown to be met."""
        return self in {Decision.DEMONSTRATED, Decision.MET}

    @property
    def is_failure(self) -> bool:
        """Whether the criterion is shown not to be met."""
        return self in {Decision.REFUTED, Decision.NOT_MET}


@dataclass(frozen=True, kw_only=True, slots=True)
class CheckTally:
    """One check at one corner over visits: every trial counts, retests too.

    ``trials`` have a verdict; ``no_verdict`` counts the others. A trial that hung where the control point passed is a
    failure of the product, so it counts among ``failures``.
    """

    check: str
    corner: str
    visits: int
    trials: int
    failures: int
    no_verdict: int
    criterion: CheckCriterion
    decision: Decision
    outcome: Outcome
    reason: str


def first_outcome(outcomes: Sequence[Outcome]) -> Outcome:
    """Tell the outcome that comes first by precedence; not-run for none."""
    return min(outcomes, key=_PRECEDENCE.__getitem__, default=Outcome.NOT_RUN)


def criterion_of(plan: Plan, check: str) -> CheckCriterion:
    """Tell the criterion that holds for a check: its own, else the plan's."""
    for candidate in plan.checks:
        if candidate.name == check and candidate.criterion is not None:
            return candidate.criterion
    return plan.criteria.checks


def decide(criterion: CheckCriterion, *, trials: int, failures: int, no_verdict: int = 0, asked: int = 1) -> Decision:
    """Decide a criterion from trials with a verdict and the failures among them.

    ``asked`` is how many trials the plan asks for: a screen with fewer verdicts, or with trials that gave none, stays
    open. A demonstration counts only trials with a verdict.
    """
    if isinstance(criterion, Demonstrate):
        shown = demonstration(
            failures, trials, pass_probability=criterion.pass_probability, confidence=criterion.confidence
        )
        return {
            Demonstration.DEMONSTRATED: Decision.DEMONSTRATED,
            Demonstration.REFUTED: Decision.REFUTED,
            Demonstration.OPEN: Decision.OPEN,
        }[shown]
    if failures > criterion.failures:
        return Decision.NOT_MET
    return Decision.OPEN if no_verdict or trials < max(1, asked) else Decision.MET


def check_tallies(plan: Plan, visits: Sequence[VisitRecord]) -> tuple[CheckTally, ...]:
    """Count each check at each corner that ran it, corners in the order of their first visit, checks in plan order."""
    asked = {check.name: check for check in plan.checks}
    groups: dict[tuple[str, str], list[tuple[VisitRecord, CheckResult]]] = {}
    for record in visits:
        for result in record.checks:
            groups.setdefault((record.visit.corner, result.check), []).append((record, result))
    corners = {corner: index for index, corner in enumerate(dict.fromkeys(corner for corner, _ in groups))}
    order = {name: index for index, name in enumerate(asked)}
    keys = sorted(groups, key=lambda key: (corners[key[0]], order.get(key[1], len(order)), key[1]))
    return tuple(_tally(plan, asked.get(check), corner, check, groups[corner, check]) for corner, check in keys)


def _tally(
    plan: Plan, declared: Check | None, corner: str, check: str, results: Sequence[tuple[VisitRecord, CheckResult]]
) -> CheckTally:
    trials = failures = no_verdict = visits = 0
    for record, result in results:
        passed, failed, silent = _count(record, result)
        trials += passed + failed
        failures += failed
        no_verdict += silent
        visits += result.outcome not in {Outcome.SKIPPED, Outcome.NOT_RUN}
    criterion = criterion_of(plan, check)
    outcome = first_outcome([result.outcome for _, result in results])
    return CheckTally(
        check=check,
        corner=corner,
        visits=visits,
        trials=trials,
        failures=failures,
        no_verdict=no_verdict,
        criterion=criterion,
        decision=decide(
            criterion,
            trials=trials,
            failures=failures,
            no_verdict=no_verdict,
            asked=declared.trials if declared is not None else 1,
        ),
        outcome=outcome,
        reason=next((result.reason for _, result in results if result.outcome is outcome and result.reason), ""),
    )


def _count(record: VisitRecord, result: CheckResult) -> tuple[int, int, int]:
    """Count passed, failed and silent trials: from the trials themselves where they were kept."""
    verdicts = [trial.passed for trial in record.trials if trial.check == result.check]
    if verdicts:
        passed, failed = verdicts.count(True), verdicts.count(False)
        silent = len(verdicts) - passed - failed
    else:
        passed, failed, silent = result.trials - result.failures, result.failures, 0
    if result.outcome is Outcome.NO_ANSWER:
        failed, silent = failed + (silent if silent or failed else 1), 0
    return passed, failed, silent
