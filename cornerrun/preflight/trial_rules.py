"""Trials against criteria: what they can show, and how probably a good board passes."""

from collections.abc import Iterator
from functools import lru_cache

from cornerrun.corners.names import is_at
from cornerrun.plan.model import Check, CheckCriterion, Demonstrate
from cornerrun.preflight.facts import Facts
from cornerrun.preflight.finding import Finding, Subject
from cornerrun.stats.proportions import (
    Demonstration,
    acceptance_probability,
    demonstration,
    demonstration_size,
    proportion_interval,
)
from cornerrun.units import Kind, show

__all__ = ["good_board", "intermittents", "trials"]

_CONFIDENCE = 0.95  # chosen: what a screen shows is told at the confidence that most plans ask for
_INTERMITTENT = 0.05  # chosen: a fault that shows itself in one trial of twenty is what screens miss most
_GOOD = 0.999  # chosen: a board whose every trial passes with this probability is called good here


def trials(facts: Facts) -> Iterator[Finding]:
    """Whether the trials at each corner can show what the criterion asks."""
    for check in facts.plan.checks:
        counts = _trials_by_corner(facts, check)
        if not counts:
            continue
        count = min(counts.values())
        where = "each corner" if len(set(counts.values())) == 1 else repr(min(counts, key=lambda name: counts[name]))
        subject = Subject(rule="trials", position=facts.position("checks", check.name, "trials"))
        given = f"{_counted(count)} at {where}"
        criterion = check.criterion or facts.plan.criteria.checks
        if isinstance(criterion, Demonstrate):
            yield _demonstrable(check, criterion, count, given, subject)
        else:
            yield _screened(check, criterion.failures, count, given, subject)


def good_board(facts: Facts) -> Iterator[Finding]:
    """How probably a board passes whose every trial passes with 99.9 %, over all checks and corners."""
    chance, judged = 1.0, 0
    for check in facts.plan.checks:
        criterion = check.criterion or facts.plan.criteria.checks
        for count in _trials_by_corner(facts, check).values():
            allowed = _allowed(criterion, count)
            judged += 1
            if allowed is not None:
                chance *= acceptance_probability(pass_probability=_GOOD, trials=count, failures=min(allowed, count))
    if judged:
        numbers = (
            f"a board that passes {show(_GOOD, Kind.RATIO)} of its trials meets all {judged} criteria (check times "
        )
        numbers += f"corner) with a chance of {chance * 100:.3g} %"
        subject = Subject(rule="trials", position=facts.position("criteria", "checks"))
        yield subject.note(numbers, "allow more failures in more trials if good boards must pass more often")


def intermittents(facts: Facts) -> Iterator[Finding]:
    """How probably a fault that shows itself in 5 % of trials is seen at a corner, and makes the criterion fail."""
    for check in facts.plan.checks:
        counts = _trials_by_corner(facts, check)
        if not counts:
            continue
        count = min(counts.values())
        allowed = _allowed(check.criterion or facts.plan.criteria.checks, count)
        seen = 1.0 - (1.0 - _INTERMITTENT) ** count
        needed = demonstration_size(reliability=1.0 - _INTERMITTENT, confidence=_CONFIDENCE)
        numbers = f"{check.name!r}: a fault in {show(_INTERMITTENT, Kind.RATIO)} of trials shows itself in "
        numbers += f"{_counted(count)} with a chance of {show(seen, Kind.RATIO, digits=3)}"
        if allowed is not None and allowed < count:
            passes = acceptance_probability(pass_probability=1.0 - _INTERMITTENT, trials=count, failures=allowed)
            numbers += f", and a corner that has it passes with one of {show(passes, Kind.RATIO, digits=3)}"
        subject = Subject(rule="intermittent", position=facts.position("checks", check.name, "trials"))
        advice = f"{_counted(needed)} would show it with {show(_CONFIDENCE, Kind.RATIO)}"
        yield subject.note(numbers, advice)


def _demonstrable(check: Check, asked: Demonstrate, count: int, given: str, subject: Subject) -> Finding:
    probability, confidence = show(asked.pass_probability, Kind.RATIO), show(asked.confidence, Kind.RATIO)
    needed = demonstration_size(reliability=asked.pass_probability, confidence=asked.confidence)
    shown = _shown_without_failure(count, asked.confidence)
    if count < needed:
        numbers = f"{check.name!r} has {given}: without a failure they show {shown} at {confidence} confidence, and "
        numbers += f"can never show the {probability} that is asked"
        return subject.error(numbers, f"run {needed} at each corner, or ask for less")
    allowed = _allowed(asked, count)
    numbers = f"{check.name!r} has {given}: without a failure they show {shown} at {confidence} confidence; "
    numbers += f"{probability} is asked, and shown with at most {_counted(allowed or 0, 'failure')}"
    return subject.note(numbers, f"{_counted(needed)} would be the least")


def _screened(check: Check, failures: int, count: int, given: str, subject: Subject) -> Finding:
    if failures >= count:
        numbers = f"{check.name!r} has {given} and may fail {failures} of them: it can never fail"
        return subject.error(numbers, "allow fewer failures, or ask for more trials")
    shown = _shown_without_failure(count, _CONFIDENCE)
    numbers = f"{check.name!r} has {given}: without a failure they show {shown} at {show(_CONFIDENCE, Kind.RATIO)} "
    return subject.note(f"{numbers}confidence", "a screen claims no more than that")


def _counted(count: int, what: str = "trial") -> str:
    return f"1 {what}" if count == 1 else f"{count} {what}s"


def _trials_by_corner(facts: Facts, check: Check) -> dict[str, int]:
    visits = facts.visits
    return {corner.name: check.trials * visits[corner.name] for corner in facts.corners if is_at(check.at, corner)}


def _shown_without_failure(count: int, confidence: float) -> str:
    return show(proportion_interval(count, count, confidence=confidence, side="lower").low, Kind.RATIO, digits=3)


@lru_cache(maxsize=256)
def _allowed(criterion: CheckCriterion, count: int) -> int | None:
    """The most failures with which the criterion is still met; None if it never is."""
    if not isinstance(criterion, Demonstrate):
        return criterion.failures

    def is_met(failures: int) -> bool:
        found = demonstration(
            failures, count, pass_probability=criterion.pass_probability, confidence=criterion.confidence
        )
        return found is Demonstration.DEMONSTRATED

    if not is_met(0):
        return None
    low, high = 0, count
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (middle, high) if is_met(middle) else (low, middle)
    return low
