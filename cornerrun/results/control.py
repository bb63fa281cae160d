"""Control points: how far nominal has moved over a run, and which visits that makes void."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Literal

from cornerrun.plan.model import Plan
from cornerrun.results.records import Outcome, Reading, RunData, VisitRecord
from cornerrun.units import Kind, show

__all__ = ["ControlPoint", "ControlReading", "control_points", "good_visits", "mark_void", "void_ordinals"]

_NOT_THERE = {Outcome.ABORTED, Outcome.SKIPPED, Outcome.NOT_RUN}


@dataclass(frozen=True, kw_only=True, slots=True)
class ControlReading:
    """A rail at a control point, beside the first good one under the same conditions."""

    rail: str
    voltage_v: float
    first_v: float
    measured_by: Literal["meter", "telemetry"]

    @property
    def drift_ratio(self) -> float:
        """How far it has moved since the first, as a signed share of that."""
        return (self.voltage_v - self.first_v) / abs(self.first_v)


@dataclass(frozen=True, kw_only=True, slots=True)
class ControlPoint:
    """A control point: good if it passed and no rail has drifted beyond the plan's limit; else ``why`` not.

    ``block`` holds the ordinals of the visits since the last good one: void if this one is not good.
    """

    visit: int
    corner: str
    at_s: float
    readings: tuple[ControlReading, ...]
    is_good: bool
    why: str
    block: tuple[int, ...]


def control_points(plan: Plan, visits: Sequence[VisitRecord]) -> tuple[ControlPoint, ...]:
    """Judge every control point, in order. One that was broken off shows nothing and is left out.

    The first good one of the same corner is the measure for the others: under other conditions a board may well
    stand elsewhere. The meter tells drift; where there is none, telemetry must do.
    """
    limit = plan.corners.control_points.drift_ratio
    first: dict[str, dict[str, float]] = {}
    found: list[ControlPoint] = []
    block: list[int] = []
    for record in visits:
        visit = record.visit
        if not visit.is_control:
            block.append(visit.ordinal)
            continue
        if visit.outcome in _NOT_THERE:
            continue
        start = first.get(visit.corner, {})
        readings = tuple(item for reading in record.readings if (item := _reading(reading, start)) is not None)
        drifted = [item for item in readings if limit is not None and abs(item.drift_ratio) > limit]
        why = ""
        if visit.outcome is not Outcome.PASS:
            why = f"{visit.outcome}: {visit.reason}" if visit.reason else str(visit.outcome)
        elif drifted:
            worst = max(drifted, key=lambda item: abs(item.drift_ratio))
            why = (
                f"{worst.rail} has moved by {show(worst.drift_ratio, Kind.RATIO, digits=3)} since the first, "
                f"{show(limit or 0.0, Kind.RATIO)} is allowed"
            )
        else:
            first.setdefault(visit.corner, {item.rail: item.voltage_v for item in readings})
        found.append(
            ControlPoint(
                visit=visit.ordinal,
                corner=visit.corner,
                at_s=visit.start_s,
                readings=readings,
                is_good=not why,
                why=why,
                block=tuple(block),
            )
        )
        block = []
    return tuple(found)


def _reading(reading: Reading, first: dict[str, float]) -> ControlReading | None:
    by_meter = reading.reference_v is not None
    voltage_v = reading.reference_v if by_meter else reading.telemetry_v
    if not voltage_v:
        return None
    return ControlReading(
        rail=reading.rail,
        voltage_v=voltage_v,
        first_v=first.get(reading.rail, voltage_v),
        measured_by="meter" if by_meter else "telemetry",
    )


def void_ordinals(plan: Plan, visits: Sequence[VisitRecord]) -> frozenset[int]:
    """Tell which visits are void: those marked so, and every block whose control point is not good."""
    marked = {record.visit.ordinal for record in visits if record.visit.is_void}
    blocks = {ordinal for point in control_points(plan, visits) if not point.is_good for ordinal in point.block}
    return frozenset(marked | blocks)


def good_visits(plan: Plan, visits: Sequence[VisitRecord]) -> tuple[VisitRecord, ...]:
    """Leave out the visits that are void."""
    void = void_ordinals(plan, visits)
    return tuple(record for record in visits if record.visit.ordinal not in void)


def mark_void(plan: Plan, data: RunData) -> RunData:
    """Mark the visits that are void, so that every report leaves out the same ones."""
    void = void_ordinals(plan, data.visits)
    if all(record.visit.is_void == (record.visit.ordinal in void) for record in data.visits):
        return data
    visits = tuple(
        replace(record, visit=replace(record.visit, is_void=True)) if record.visit.ordinal in void else record
        for record in data.visits
    )
    return replace(data, visits=visits)
