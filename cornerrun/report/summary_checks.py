"""Checks: what the trials at each corner show, and how far the numbers they return lie from their limits."""

import math
import sys
from collections.abc import Mapping, Sequence

from cornerrun.plan.model import Acceptance, CheckCriterion, Demonstrate, Plan
from cornerrun.report.places import Places
from cornerrun.report.summary_model import CheckCorner, CheckTotal, NumberSummary
from cornerrun.results.decision import CheckTally, Decision
from cornerrun.results.records import VisitRecord
from cornerrun.stats.proportions import proportion_interval
from cornerrun.units import Kind, show

__all__ = ["check_corners", "check_totals", "criterion_text", "number_summaries"]

_ROUNDINGS = 16.0  # chosen: what a mean of equal numbers may be off by, and more


def criterion_text(criterion: CheckCriterion) -> str:
    """Say a criterion in words."""
    if isinstance(criterion, Demonstrate):
        probability, confidence = (
            show(share, Kind.RATIO) for share in (criterion.pass_probability, criterion.confidence)
        )
        return f"demonstrate a pass probability of {probability} at {confidence} confidence"
    return f"screen: at most {criterion.failures} failures"


def check_corners(tallies: Sequence[CheckTally]) -> tuple[CheckCorner, ...]:
    """Give each check at each corner its interval: exact, since counts are small and often without a failure."""
    return tuple(_check_corner(tally) for tally in tallies)


def _check_corner(tally: CheckTally) -> CheckCorner:
    passes = tally.trials - tally.failures
    lower = upper = None
    if isinstance(tally.criterion, Demonstrate):
        confidence = tally.criterion.confidence
        lower = proportion_interval(passes, tally.trials, confidence=confidence, side="lower").low
        upper = proportion_interval(passes, tally.trials, confidence=confidence, side="upper").high
    return CheckCorner(
        check=tally.check,
        corner=tally.corner,
        visits=tally.visits,
        trials=tally.trials,
        failures=tally.failures,
        no_verdict=tally.no_verdict,
        pass_probability=proportion_interval(passes, tally.trials),
        lower_bound=lower,
        upper_bound=upper,
        criterion=criterion_text(tally.criterion),
        decision=tally.decision,
        outcome=tally.outcome,
        reason=tally.reason,
    )


def check_totals(plan: Plan, corners: Sequence[CheckCorner], visits: Sequence[VisitRecord]) -> tuple[CheckTotal, ...]:
    """Sum each check over corners, in plan order; the worst corner stands in place of an average."""
    longest: dict[str, float] = {}
    for record in visits:
        for trial in record.trials:
            longest[trial.check] = max(longest.get(trial.check, 0.0), trial.duration_s)
    names = dict.fromkeys([*(check.name for check in plan.checks), *(item.check for item in corners)])
    return tuple(_total(name, [c for c in corners if c.check == name], longest.get(name)) for name in names)


def _total(name: str, corners: Sequence[CheckCorner], longest_s: float | None) -> CheckTotal:
    decisions: dict[Decision, int] = {}
    for item in corners:
        decisions[item.decision] = decisions.get(item.decision, 0) + 1
    tried = [item for item in corners if item.trials]
    return CheckTotal(
        check=name,
        corners=len(tried),
        trials=sum(item.trials for item in corners),
        failures=sum(item.failures for item in corners),
        no_verdict=sum(item.no_verdict for item in corners),
        decisions=decisions,
        worst=min(tried, key=lambda item: (1 - item.failures / item.trials, item.pass_probability.low), default=None),
        longest_trial_s=longest_s,
    )


def number_summaries(plan: Plan, visits: Sequence[VisitRecord], places: Places) -> tuple[NumberSummary, ...]:
    """List every finite number that a check returned, at each corner, the nearest to its limit first.

    ``places`` tells the levels of conditions of each corner, on which limits may depend.
    """
    checks = {check.name: check for check in plan.checks}
    values: dict[tuple[str, str, str], list[float]] = {}
    for record in visits:
        for trial in record.trials:
            for number, value in trial.numbers.items():
                if math.isfinite(value):
                    values.setdefault((trial.check, record.visit.corner, number), []).append(value)
    found = [
        _number(
            check,
            corner,
            number,
            checks[check].accept_in(places.get(corner, {})) if check in checks else {},
            readings,
        )
        for (check, corner, number), readings in values.items()
    ]
    return tuple(sorted(found, key=_nearness))


def _nearness(item: NumberSummary) -> tuple[bool, bool, bool, float, str, str, str]:
    """Order: beyond a limit first; then by standard deviations; then what does not vary; without a limit last."""
    distance = item.distance if item.distance is not None else 0.0
    within = distance >= 0
    steady = item.distance_sigma is None
    nearness = distance if item.distance_sigma is None or not within else item.distance_sigma
    return item.distance is None, within, within and steady, nearness, item.check, item.corner, item.number


def _number(
    check: str, corner: str, number: str, accept: Mapping[str, Acceptance], values: Sequence[float]
) -> NumberSummary:
    acceptance = accept.get(number, Acceptance())
    least, greatest = min(values), max(values)
    mean = sum(values) / len(values)
    deviation = (sum((value - mean) ** 2 for value in values) / (len(values) - 1)) ** 0.5 if len(values) > 1 else 0.0
    # What differs in the last bits only has been rounded, and does not scatter.
    scatters = deviation > _ROUNDINGS * sys.float_info.epsilon * max(abs(least), abs(greatest))
    below = None if acceptance.min is None else least - acceptance.min
    above = None if acceptance.max is None else acceptance.max - greatest
    distances = [distance for distance in (below, above) if distance is not None]
    from_mean = [mean - acceptance.min] if acceptance.min is not None else []
    from_mean += [acceptance.max - mean] if acceptance.max is not None else []
    return NumberSummary(
        check=check,
        corner=corner,
        number=number,
        n=len(values),
        least=least,
        greatest=greatest,
        limit_min=acceptance.min,
        limit_max=acceptance.max,
        distance=min(distances, default=None),
        distance_sigma=min(from_mean) / deviation if from_mean and scatters else None,
    )
