"""Rails: how near each came to its limits, how they settled, and how well their devices measure."""

from array import array
from collections.abc import Iterable, Mapping, Sequence
from typing import Literal

from cornerrun.plan.model import Plan, Rail
from cornerrun.report.margins import MEASURED
from cornerrun.report.rail_nouns import ControlDrift, Margin, RailSummary
from cornerrun.results.control import ControlPoint
from cornerrun.results.packed import fields_of
from cornerrun.results.records import Outcome, VisitRecord
from cornerrun.stats.interval import Interval
from cornerrun.stats.line import fit_line
from cornerrun.stats.means import mean_interval

__all__ = ["drifts", "rail_summaries"]

_COMPARED = MEASURED | {Outcome.DISPUTED}


def rail_summaries(plan: Plan, good: Sequence[VisitRecord], margins: Iterable[Margin]) -> tuple[RailSummary, ...]:
    """Tell each rail of the plan, in its order."""
    smallest: dict[tuple[str, str], Margin] = {}
    for margin in margins:
        key = (margin.rail, margin.limit)
        if key not in smallest or margin.distance_v < smallest[key].distance_v:
            smallest[key] = margin
    seen = {rail.name: _Seen() for rail in plan.rails}
    for record in good:
        for name, *told in fields_of(record.readings, "rail", "outcome", "settle_s", "telemetry_v", "reference_v"):
            if name in seen:
                seen[name].read(*told)
        for name, *watched in fields_of(record.watched, "rail", "min_v", "max_v", "samples"):
            if name in seen:
                seen[name].watch(*watched)
    return tuple(_rail(rail, seen.pop(rail.name), smallest) for rail in plan.rails)


class _Seen:
    """What was seen of one rail."""

    def __init__(self) -> None:
        self.outcomes: dict[Outcome, int] = {}
        self.moves = self.samples = 0
        self.longest_settle_s: float | None = None
        self.errors_v = array("d")
        self.least_v: float | None = None
        self.greatest_v: float | None = None

    def read(
        self, outcome: Outcome, settle_s: float | None, telemetry_v: float | None, reference_v: float | None
    ) -> None:
        self.outcomes[outcome] = self.outcomes.get(outcome, 0) + 1
        if settle_s is not None:
            self.moves += 1
            longest_s = self.longest_settle_s
            self.longest_settle_s = settle_s if longest_s is None else max(longest_s, settle_s)
        if telemetry_v is not None and reference_v is not None and outcome in _COMPARED:
            self.errors_v.append(telemetry_v - reference_v)

    def watch(self, min_v: float, max_v: float, samples: int) -> None:
        if samples:
            self.least_v = min_v if self.least_v is None else min(self.least_v, min_v)
            self.greatest_v = max_v if self.greatest_v is None else max(self.greatest_v, max_v)
            self.samples += samples


def _rail(rail: Rail, seen: _Seen, smallest: Mapping[tuple[str, str], Margin]) -> RailSummary:
    errors = seen.errors_v
    return RailSummary(
        rail=rail.name,
        nominal_v=rail.nominal_v,
        levels=rail.levels,
        hard_limits=rail.hard_limits,
        is_commanded=rail.is_commanded,
        is_moved=rail.is_moved,
        visits=sum(seen.outcomes.values()),
        moves=seen.moves,
        outcomes=seen.outcomes,
        longest_settle_s=seen.longest_settle_s,
        window=smallest.get((rail.name, "window")),
        hard_limit=smallest.get((rail.name, "hard limit")),
        least_seen_v=seen.least_v,
        greatest_seen_v=seen.greatest_v,
        samples=seen.samples,
        telemetry_error_v=mean_interval(errors) if len(errors) > 1 else None,
        worst_telemetry_error_v=max(errors, key=abs, default=None),
        telemetry_error_n=len(errors),
    )


def drifts(plan: Plan, points: Sequence[ControlPoint]) -> tuple[ControlDrift, ...]:
    """Tell each rail's drift at nominal, rails in plan order, one row for each corner that served as control point."""
    limit = plan.corners.control_points.drift_ratio
    series: dict[tuple[str, str], list[tuple[ControlPoint, float, float, Literal["meter", "telemetry"]]]] = {}
    for point in points:
        for item in point.readings:
            series.setdefault((item.rail, point.corner), []).append(
                (point, item.voltage_v, item.drift_ratio, item.measured_by)
            )
    found = []
    for rail in plan.rails:
        for (name, corner), rows in series.items():
            if name != rail.name:
                continue
            point, voltage_v, ratio, measured_by = max(rows, key=lambda row: abs(row[2]))
            found.append(
                ControlDrift(
                    rail=name,
                    corner=corner,
                    measured_by=measured_by,
                    n=len(rows),
                    first_v=rows[0][1],
                    largest_v=voltage_v,
                    largest_ratio=ratio,
                    at_visit=point.visit,
                    limit_ratio=limit,
                    is_out=limit is not None and abs(ratio) > limit,
                    slope_v_per_s=_slope([row[0].at_s for row in rows], [row[1] for row in rows]),
                )
            )
    return tuple(found)


def _slope(times_s: Sequence[float], voltages_v: Sequence[float]) -> Interval | None:
    return fit_line(times_s, voltages_v).slope_interval() if len(times_s) > 2 and len(set(times_s)) > 1 else None
