"""How conditions were kept and changed over a run."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from cornerrun.plan.model import Condition, Plan
from cornerrun.report.places import Places
from cornerrun.results.condition_change import ConditionChange
from cornerrun.results.records import RunData, VisitRecord
from cornerrun.results.table_rows import all_changes

__all__ = [
    "ConditionStep",
    "ConditionSummary",
    "condition_steps",
    "condition_summaries",
    "end_of",
    "paths",
    "time_unit",
]

_LONG_S = 600.0  # chosen: longer runs are read in minutes


@dataclass(frozen=True, kw_only=True, slots=True)
class ConditionStep:
    """A change of a condition and where it belongs: the visit and its corner; None and empty on the way to rest."""

    visit: int | None
    corner: str
    change: ConditionChange


@dataclass(frozen=True, kw_only=True, slots=True)
class ConditionSummary:
    """One condition over the run, in its unit's SI value.

    ``farthest`` is how far a reading of a visit lay from its target, with its sign, of all visits the farthest one;
    ``farthest_visit`` is which. ``changing_s`` is the time that its changes took, ``off_s`` that of those for which the
    board was off, ``steepest_per_s`` the steepest slope seen. ``left_at`` is the last reading on its way to rest.
    """

    name: str
    unit: str
    levels: Mapping[str, float]
    visits: int
    farthest: float | None
    farthest_visit: int | None
    changes: int
    changing_s: float
    off_s: float
    ramp_per_s: float | None
    steepest_per_s: float | None
    left_at: float | None


def condition_steps(data: RunData) -> tuple[ConditionStep, ...]:
    """List every change of a condition, in order of time."""
    corners = {record.visit.ordinal: record.visit.corner for record in data.visits}
    found = [
        ConditionStep(visit=visit, corner=corners.get(visit, "") if visit is not None else "", change=change)
        for visit, change in all_changes(data)
    ]
    return tuple(sorted(found, key=lambda step: step.change.started_s))


def condition_summaries(plan: Plan, data: RunData, places: Places) -> tuple[ConditionSummary, ...]:
    """Tell of every condition of the plan how near it was kept, and what its changes took."""
    steps = condition_steps(data)
    return tuple(_summary(one, steps, data.visits, places) for one in plan.conditions)


def _summary(
    condition: Condition, steps: Sequence[ConditionStep], visits: Sequence[VisitRecord], places: Places
) -> ConditionSummary:
    name = condition.name
    changes = [step.change for step in steps if step.change.condition == name]
    distances: list[tuple[float, int]] = []
    for record in visits:
        level = places.get(record.visit.corner, {}).get(name)
        reading = record.visit.conditions.get(name)
        if level is not None and reading is not None:
            distances.append((reading - condition.levels[level], record.visit.ordinal))
    farthest = max(distances, key=lambda found: abs(found[0]), default=(None, None))
    slopes = [change.steepest_per_s for change in changes if change.steepest_per_s is not None]
    at_rest = [change for change in changes if not change.level]
    return ConditionSummary(
        name=name,
        unit=condition.unit,
        levels=condition.levels,
        visits=len(distances),
        farthest=farthest[0],
        farthest_visit=farthest[1],
        changes=len(changes),
        changing_s=sum(change.took_s for change in changes),
        off_s=sum(change.took_s for change in changes if not change.is_board_on),
        ramp_per_s=condition.ramp_per_s,
        steepest_per_s=max(slopes, default=None),
        left_at=at_rest[-1].reading if at_rest else None,
    )


def end_of(steps: Sequence[ConditionStep], data: RunData) -> float:
    """Tell when the last visit and the last change were over, in seconds since the run began; never 0."""
    ends_s = [record.visit.end_s for record in data.visits]
    ends_s += [step.change.started_s + step.change.took_s for step in steps]
    return max([*ends_s, 1e-3])


def time_unit(end_s: float) -> tuple[str, float]:
    """Tell the unit that the time of a run is read in, and how many seconds it has."""
    return ("minutes", 60.0) if end_s > _LONG_S else ("seconds", 1.0)


def paths(
    steps: Sequence[ConditionStep], end_s: float
) -> tuple[Sequence[tuple[float, float]], Sequence[tuple[float, float]]]:
    """Tell the way of one condition over the run, as it was sent and as it was read: seconds and its unit's SI value.

    Between two changes it is taken to stay where the first of them brought it.
    """
    sent: list[tuple[float, float]] = []
    read: list[tuple[float, float]] = []
    for number, step in enumerate(steps):
        change = step.change
        after_s = steps[number + 1].change.started_s if number + 1 < len(steps) else end_s
        sent += [(change.started_s, change.target), (after_s, change.target)]
        read += [(change.started_s + at_s, value) for at_s, value in change.trace]
        if change.reading is not None:
            read.append((after_s, change.reading))
    return sent, read
