"""Control points: how far nominal has moved over a run, and which visits that makes void."""

from collections.abc import Sequence
from dataclasses import dataclass

from cornerrun.plan.model import Plan
from cornerrun.results.records import Outcome, VisitRecord

__all__ = ["ControlReading", "control_readings", "good_visits", "is_out", "void_ordinals"]


@dataclass(frozen=True, kw_only=True, slots=True)
class ControlReading:
    """A rail at a control point, by the reference meter, beside the first one under the same conditions."""

    rail: str
    visit: int
    corner: str
    at_s: float
    reference_v: float
    first_v: float

    @property
    def drift_ratio(self) -> float:
        """How far it has moved since the first, as a signed share of that."""
        return (self.reference_v - self.first_v) / abs(self.first_v)


_MEASURED = {Outcome.PASS, Outcome.FAIL_VOLTAGE, Outcome.FAIL_FUNCTIONAL}


def control_readings(visits: Sequence[VisitRecord]) -> tuple[ControlReading, ...]:
    """List every meter reading of every control point, in order; the meter alone can tell drift.

    The first is the first of the same corner: under other conditions a board may well stand elsewhere.
    """
    first: dict[tuple[str, str], float] = {}
    found: list[ControlReading] = []
    for record in visits:
        if not record.visit.is_control:
            continue
        for reading in record.readings:
            if reading.reference_v is None or reading.outcome not in _MEASURED or reading.reference_v == 0:
                continue
            start = first.setdefault((reading.rail, record.visit.corner), reading.reference_v)
            found.append(
                ControlReading(
                    rail=reading.rail,
                    visit=record.visit.ordinal,
                    corner=record.visit.corner,
                    at_s=record.visit.start_s,
                    reference_v=reading.reference_v,
                    first_v=start,
                )
            )
    return tuple(found)


def is_out(reading: ControlReading, plan: Plan) -> bool:
    """Tell whether a control point has drifted beyond the plan's limit; never if the plan sets none."""
    limit = plan.corners.control_points.drift_ratio
    return limit is not None and abs(reading.drift_ratio) > limit


def void_ordinals(plan: Plan, visits: Sequence[VisitRecord]) -> frozenset[int]:
    """Tell which visits are void: those marked so, and every block whose control point was out.

    A block reaches back from the control point that is out to the last good one, which stays good.
    """
    out = {reading.visit for reading in control_readings(visits) if is_out(reading, plan)}
    void: set[int] = set()
    block: list[int] = []
    for record in visits:
        visit = record.visit
        if visit.is_void:
            void.add(visit.ordinal)
        block.append(visit.ordinal)
        if visit.is_control:
            if visit.ordinal in out:
                void.update(block)
            block = []
    return frozenset(void)


def good_visits(plan: Plan, visits: Sequence[VisitRecord]) -> tuple[VisitRecord, ...]:
    """Leave out the visits that are void."""
    void = void_ordinals(plan, visits)
    return tuple(record for record in visits if record.visit.ordinal not in void)
