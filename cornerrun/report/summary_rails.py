"""Rails: how near each came to its limits, how they settled, and how well their devices measure."""

from collections.abc import Iterable, Mapping, Sequence
from typing import Literal

from cornerrun.plan.model import Plan, Rail
from cornerrun.report.margins import MEASURED
from cornerrun.report.rail_nouns import ControlDrift, Margin, RailSummary
from cornerrun.results.control import ControlPoint
from cornerrun.results.records import Outcome, Reading, VisitRecord, WatchRange
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
    readings: dict[str, list[Reading]] = {rail.name: [] for rail in plan.rails}
    for record in good:
        for reading in record.readings:
            readings.setdefault(reading.rail, []).append(reading)
    watched: dict[str, list[WatchRange]] = {rail.name: [] for rail in plan.rails}
    for record in good:
        for item in record.watched:
            if item.samples and item.rail in watched:
                watched[item.rail].append(item)
    return tuple(_rail(rail, readings[rail.name], watched[rail.name], smallest) for rail in plan.rails)


def _rail(
    rail: Rail,
    readings: Sequence[Reading],
    watched: Sequence[WatchRange],
    smallest: Mapping[tuple[str, str], Margin],
) -> RailSummary:
    outcomes: dict[Outcome, int] = {}
    for reading in readings:
        outcomes[reading.outcome] = outcomes.get(reading.outcome, 0) + 1
    settles = [reading.settle_s for reading in readings if reading.settle_s is not None]
    errors = [
        reading.telemetry_v - reading.reference_v
        for reading in readings
        if reading.telemetry_v is not None and reading.reference_v is not None and reading.outcome in _COMPARED
    ]
    return RailSummary(
        rail=rail.name,
        nominal_v=rail.nominal_v,
        levels=rail.levels,
        hard_limits=rail.hard_limits,
        is_commanded=rail.is_commanded,
        is_moved=rail.is_moved,
        visits=len(readings),
        moves=len(settles),
        outcomes=outcomes,
        longest_settle_s=max(settles, default=None),
        window=smallest.get((rail.name, "window")),
        hard_limit=smallest.get((rail.name, "hard limit")),
        least_seen_v=min((item.min_v for item in watched), default=None),
        greatest_seen_v=max((item.max_v for item in watched), default=None),
        samples=sum(item.samples for item in watched),
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
