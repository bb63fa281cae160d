"""What failed, where and how sure: the rows that a reader sees first."""

from collections.abc import Iterator
from dataclasses import dataclass

from cornerrun.report.summary_model import CornerSummary, Summary
from cornerrun.results.decision import Decision
from cornerrun.results.records import Outcome, RunData
from cornerrun.units import Kind, show

__all__ = ["Failure", "failures"]

_MOST_NAMES = 3


@dataclass(frozen=True, kw_only=True, slots=True)
class Failure:
    """One thing that failed, or that leaves a question.

    ``count`` says of how many; ``low`` and ``high`` bound the probability that a trial passes there, None where no
    trials tell.
    """

    what: str
    where: str
    told: Outcome | Decision
    count: str
    low: float | None
    high: float | None
    why: str


def failures(summary: Summary, data: RunData) -> tuple[Failure, ...]:
    """List failures of the product, the surest first, then what leaves a question: open criteria, bench trouble."""
    return (*_failed_corners(summary, data), *_failed_checks(summary), *_claims(summary, "not met"), *_open(summary))


def _open(summary: Summary) -> Iterator[Failure]:
    for corner in summary.corners:
        if corner.outcome.is_bench_trouble:
            yield _of_corner(corner, "bench")
    yield from _open_checks(summary)
    yield from _claims(summary, "open")


def _failed_corners(summary: Summary, data: RunData) -> Iterator[Failure]:
    for corner in summary.corners:
        if corner.outcome.is_product_failure and corner.outcome not in {Outcome.FAIL_FUNCTIONAL, Outcome.NO_ANSWER}:
            yield _of_corner(corner, _rails_of(corner, data))


def _rails_of(corner: CornerSummary, data: RunData) -> str:
    """Name the rails that ended there as the corner did; a trip names the rail that it began with, where known."""
    names: dict[str, None] = {}
    for record in data.visits:
        if record.visit.corner == corner.name and not record.visit.is_void:
            names.update({fault.originator: None for fault in record.faults if fault.originator != "undetermined"})
            if not names:
                names.update({item.rail: None for item in record.readings if item.outcome is corner.outcome})
    shown = list(names)[:_MOST_NAMES]
    more = f" and {len(names) - len(shown)} more" if len(names) > len(shown) else ""
    return ", ".join(shown) + more or "not determined"


def _of_corner(corner: CornerSummary, what: str) -> Failure:
    count = corner.outcomes.get(corner.outcome, 0)
    return Failure(
        what=what,
        where=corner.name,
        told=corner.outcome,
        count=f"{count} of {corner.visits} visits",
        low=None,
        high=None,
        why=corner.reason,
    )


def _failed_checks(summary: Summary) -> Iterator[Failure]:
    found = [item for item in summary.checks if item.failures or item.decision.is_failure]
    for item in sorted(found, key=lambda item: (item.pass_probability.high, -item.failures)):
        has_trials = item.trials > 0
        yield Failure(
            what=item.check,
            where=item.corner,
            told=item.outcome if item.decision is Decision.MET else item.decision,
            count=f"{item.failures} of {item.trials} trials",
            low=item.pass_probability.low if has_trials else None,
            high=item.pass_probability.high if has_trials else None,
            why=item.reason or item.criterion,
        )


def _open_checks(summary: Summary) -> Iterator[Failure]:
    """Name a check once, with all corners where it is open though nothing failed there."""
    for total in summary.check_totals:
        found = [
            item
            for item in summary.checks
            if item.check == total.check and item.decision is Decision.OPEN and not item.failures
        ]
        if found:
            tried = [item.pass_probability.low for item in found if item.trials]
            yield Failure(
                what=total.check,
                where=found[0].corner if len(found) == 1 else f"{len(found)} corners",
                told=Decision.OPEN,
                count=f"0 of {sum(item.trials for item in found)} trials",
                low=min(tried, default=None),
                high=1.0 if tried else None,
                why=f"too few trials to {found[0].criterion}; the bounds are of the corner with the fewest",
            )


def _claims(summary: Summary, claim: str) -> Iterator[Failure]:
    for item in summary.trim:
        if item.claim == claim:
            worst = item.worst_error
            how_far = ""
            if worst is not None and worst.estimate is not None:
                how_far = (
                    f"{100 * worst.estimate:+.3f} % of set-point, {100 * worst.low:+.3f} to {100 * worst.high:+.3f} %"
                )
            at = "" if item.worst_setpoint_v is None else f"at {show(item.worst_setpoint_v, Kind.VOLTAGE)}"
            yield Failure(
                what=f"{item.rail}: set-point accuracy",
                where=at,
                told=Decision.NOT_MET if claim == "not met" else Decision.OPEN,
                count=f"{item.n} readings",
                low=None,
                high=None,
                why="; ".join(text for text in (how_far, item.claim_why) if text),
            )
