"""A staged run as its visits decide it: its corners, what it left out and why, and how many visits it has."""

from collections.abc import Sequence
from dataclasses import replace

from cornerrun.corners.stages import Staged, staged
from cornerrun.plan.model import Plan
from cornerrun.plan.serial import plan_from_json
from cornerrun.results.records import Outcome, Run, VisitRecord

__all__ = ["as_staged", "stages_of"]

_MADE_AGAIN = frozenset({Outcome.ABORTED, Outcome.NOT_RUN})


def stages_of(plan: Plan, visits: Sequence[VisitRecord], *, seed: int) -> Staged:
    """Lay out a staged run from the visits made so far: a visit where the product failed counts as a failure."""
    has_failed = {
        record.visit.ordinal: record.visit.outcome.is_product_failure
        for record in visits
        if record.visit.outcome not in _MADE_AGAIN
    }
    return staged(plan, has_failed, seed=seed)


def as_staged(run: Run, visits: Sequence[VisitRecord]) -> Run:
    """Tell a run with the corners and visits that its stages came to; what was planned at first is kept otherwise."""
    if not run.request.staged:
        return run
    found = stages_of(plan_from_json(run.plan_json), visits, seed=run.seed)
    return replace(
        run,
        corners=found.selection.corners,
        not_runnable=found.selection.not_runnable,
        planned_visits=len(found.steps),
    )
