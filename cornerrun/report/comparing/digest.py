"""One run of one board, boiled down to what is needed beside a thousand others."""

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from typing import TypeVar

from cornerrun.plan.model import Plan
from cornerrun.report.comparing.boards_nouns import BoardDigest
from cornerrun.results.control import good_visits
from cornerrun.results.packed import fields_of
from cornerrun.results.records import Outcome, RunData, RunResult, VisitRecord

__all__ = ["Digester"]

Key = TypeVar("Key")

_PRECEDENCE = {outcome: index for index, outcome in enumerate(Outcome)}
_UNUSABLE = {Outcome.NOT_SETTLED, Outcome.DISPUTED, Outcome.TRIPPED, Outcome.NOT_RUN, Outcome.SKIPPED}
_TRIM = ("rail", "outcome", "reference_v", "setpoint_v")


@dataclass(slots=True)
class _Mean:
    total: float = 0.0
    count: int = 0


class Digester:
    """Digest runs one after the other; plans that are the same are read once.

    ``claim_ratio`` is the last trim accuracy claimed.
    """

    def __init__(self) -> None:
        self._plans: dict[str, Plan] = {}
        self.claim_ratio: float | None = None

    def digest(self, data: RunData) -> BoardDigest:
        """Boil down one run."""
        from cornerrun.plan.serial import plan_from_json

        run = data.run
        plan = self._plans.get(run.plan_json)
        if plan is None:
            plan = self._plans[run.plan_json] = plan_from_json(run.plan_json)
        if plan.criteria.trim_claim_ratio is not None:
            self.claim_ratio = plan.criteria.trim_claim_ratio
        good = good_visits(plan, data.visits)
        commanded = {rail.name for rail in plan.commanded_rails}
        return BoardDigest(
            run_id=run.run_id,
            serial=run.serial,
            station=run.station,
            title=run.title,
            revision=plan.board.revision,
            started_utc=run.started_utc,
            result=run.result or RunResult.INCOMPLETE,
            is_simulated=run.bench_kind == "simulated",
            is_part=bool(run.request.only),
            corners=_worst(good, lambda record: [(record.visit.corner, record.visit.outcome)]),
            checks=_by_check(good),
            rails=_worst(good, lambda record: list(fields_of(record.readings, "rail", "outcome"))),
            trim_error_ratio=_trim(good, commanded),
        )


def _worst(
    records: Iterable[VisitRecord], told: Callable[[VisitRecord], list[tuple[Key, Outcome]]]
) -> dict[Key, Outcome]:
    found: dict[Key, Outcome] = {}
    for record in records:
        for key, outcome in told(record):
            if key not in found or _PRECEDENCE[outcome] < _PRECEDENCE[found[key]]:
                found[key] = outcome
    return found


def _by_check(records: Iterable[VisitRecord]) -> dict[str, dict[str, Outcome]]:
    worst = _worst(
        records, lambda record: [((item.check, record.visit.corner), item.outcome) for item in record.checks]
    )
    found: dict[str, dict[str, Outcome]] = {}
    for (check, corner), outcome in worst.items():
        found.setdefault(check, {})[corner] = outcome
    return found


def _trim(records: Iterable[VisitRecord], commanded: set[str]) -> dict[str, float]:
    means: dict[str, _Mean] = {}
    for record in records:
        for rail, outcome, reference_v, setpoint_v in fields_of(record.readings, *_TRIM):
            if rail in commanded and outcome not in _UNUSABLE and reference_v is not None and setpoint_v:
                mean = means.setdefault(rail, _Mean())
                mean.total += (reference_v - setpoint_v) / abs(setpoint_v)
                mean.count += 1
    return {rail: mean.total / mean.count for rail, mean in means.items()}
