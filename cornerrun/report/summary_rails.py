"""Rails: how near each came to its limits, how they settled, and how well their devices measure."""

from collections.abc import Iterable, Mapping, Sequence
from typing import Literal

from cornerrun.plan.model import Plan, Rail
from cornerrun.report.rail_nouns import ControlDrift, Margin, RailSummary
from cornerrun.results.accuracy import RailAccuracy
from cornerrun.results.control import ControlPoint
from cornerrun.results.records import Outcome, Reading, VisitRecord
from cornerrun.stats.interval import Interval
from cornerrun.stats.line import fit_line
from cornerrun.stats.means import mean_interval
from cornerrun.stats.meter import MeterSpecification
from cornerrun.stats.uncertainty import Budget, Component

__all__ = ["all_margins", "drifts", "rail_summaries"]

_MEASURED = {Outcome.PASS, Outcome.FAIL_VOLTAGE, Outcome.FAIL_FUNCTIONAL}


class _Ruler:
    """Measures the distance of readings to limits, with the uncertainty and the scatter that are known of them."""

    def __init__(
        self,
        plan: Plan,
        specification: MeterSpecification | None,
        accuracy: Iterable[RailAccuracy],
        good: Sequence[VisitRecord],
    ) -> None:
        self._plan = plan
        self._rails = {rail.name: rail for rail in plan.rails}
        self._specification = specification
        # One component that is well known: the same factor for every reading.
        self._factor = Budget([Component("meter", 1.0)]).coverage_factor(0.95)
        self._sigma_v = _repeatability(good)
        for item in accuracy:
            scatter = item.estimate.repeatability_v if item.estimate is not None else None
            if scatter is not None and scatter.estimate:
                self._sigma_v[item.rail] = scatter.estimate

    def of(self, record: VisitRecord) -> list[Margin]:
        """List the margins of a visit: window and hard limit of each rail, then the relations."""
        measured = {r.rail: r for r in record.readings if r.outcome in _MEASURED and _voltage(r) is not None}
        found: list[Margin] = []
        for name, reading in measured.items():
            rail = self._rails.get(name)
            if rail is None:
                continue
            window_v = self._plan.criteria.voltage_window_ratio * abs(reading.target_v)
            low_v, high_v = reading.target_v - window_v, reading.target_v + window_v
            found.append(self._margin(record, reading, "window", low_v, high_v))
            limits = rail.hard_limits
            found.append(self._margin(record, reading, "hard limit", limits.min_v, limits.max_v))
        found += self._relations(record, measured)
        return found

    def _margin(
        self,
        record: VisitRecord,
        reading: Reading,
        limit: Literal["window", "hard limit"],
        low_v: float,
        high_v: float,
    ) -> Margin:
        voltage_v = _voltage(reading) or 0.0
        side: Literal["low", "high"] = "low" if voltage_v - low_v <= high_v - voltage_v else "high"
        distance_v = voltage_v - low_v if side == "low" else high_v - voltage_v
        sigma_v = self._sigma_v.get(reading.rail)
        return Margin(
            rail=reading.rail,
            corner=record.visit.corner,
            visit=record.visit.ordinal,
            level=reading.level,
            limit=limit,
            side=side,
            measured_v=voltage_v,
            limit_v=low_v if side == "low" else high_v,
            distance_v=distance_v,
            distance_ratio=distance_v / abs(reading.target_v) if reading.target_v else distance_v,
            measured_by="telemetry" if reading.reference_v is None else "meter",
            expanded_v=self._expanded_v(reading),
            distance_sigma=distance_v / sigma_v if sigma_v else None,
        )

    def _expanded_v(self, reading: Reading) -> float | None:
        if self._specification is None or reading.reference_v is None:
            return None
        if not reading.reference_range_v and self._specification.range_ratio:
            return None
        limit_v = self._specification.limit(reading.reference_v, reading.reference_range_v or 0.0)
        return self._factor * self._specification.standard(limit_v)

    def _relations(self, record: VisitRecord, measured: Mapping[str, Reading]) -> list[Margin]:
        found = []
        for relation in self._plan.relations:
            one, other = measured.get(relation.rail), measured.get(relation.minus)
            if one is None or other is None:
                continue
            difference_v = (_voltage(one) or 0.0) - (_voltage(other) or 0.0)
            sides: list[tuple[float, Literal["low", "high"], float]] = []
            if relation.min_v is not None:
                sides.append((difference_v - relation.min_v, "low", relation.min_v))
            if relation.max_v is not None:
                sides.append((relation.max_v - difference_v, "high", relation.max_v))
            if not sides:
                continue
            distance_v, side, limit_v = min(sides)
            uncertain = [self._expanded_v(one), self._expanded_v(other)]
            known = [u for u in uncertain if u is not None]
            scale = min(self._rails[relation.rail].nominal_v, self._rails[relation.minus].nominal_v)
            found.append(
                Margin(
                    rail=f"{relation.rail} - {relation.minus}",
                    corner=record.visit.corner,
                    visit=record.visit.ordinal,
                    level=f"{one.level}, {other.level}",
                    limit="relation",
                    side=side,
                    measured_v=difference_v,
                    limit_v=limit_v,
                    distance_v=distance_v,
                    distance_ratio=distance_v / scale,
                    measured_by="meter" if None not in (one.reference_v, other.reference_v) else "telemetry",
                    # The same meter reads both: its errors may well have one sign, so they are not taken to cancel.
                    expanded_v=sum(known) if len(known) == len(uncertain) else None,
                    distance_sigma=None,
                )
            )
        return found


def _repeatability(good: Sequence[VisitRecord]) -> dict[str, float]:
    """Tell the standard deviation of each rail's readings within its levels, for rails whose trim nobody estimates."""
    groups: dict[tuple[str, str], list[float]] = {}
    for record in good:
        for reading in record.readings:
            voltage_v = _voltage(reading)
            if reading.outcome in _MEASURED and voltage_v is not None:
                groups.setdefault((reading.rail, reading.level), []).append(voltage_v)
    squares: dict[str, float] = {}
    degrees: dict[str, int] = {}
    for (rail, _), values in groups.items():
        middle = sum(values) / len(values)
        squares[rail] = squares.get(rail, 0.0) + sum((value - middle) ** 2 for value in values)
        degrees[rail] = degrees.get(rail, 0) + len(values) - 1
    return {rail: (squares[rail] / n) ** 0.5 for rail, n in degrees.items() if n and squares[rail] > 0}


def _voltage(reading: Reading) -> float | None:
    return reading.reference_v if reading.reference_v is not None else reading.telemetry_v


def all_margins(
    plan: Plan,
    good: Sequence[VisitRecord],
    specification: MeterSpecification | None,
    accuracy: Iterable[RailAccuracy],
) -> tuple[Margin, ...]:
    """List every margin of every settled reading: by the meter where there is one, else by telemetry."""
    ruler = _Ruler(plan, specification, accuracy, good)
    return tuple(margin for record in good for margin in ruler.of(record))


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
    return tuple(_rail(rail, readings[rail.name], good, smallest) for rail in plan.rails)


def _rail(
    rail: Rail, readings: Sequence[Reading], good: Sequence[VisitRecord], smallest: Mapping[tuple[str, str], Margin]
) -> RailSummary:
    outcomes: dict[Outcome, int] = {}
    for reading in readings:
        outcomes[reading.outcome] = outcomes.get(reading.outcome, 0) + 1
    settles = [reading.settle_s for reading in readings if reading.settle_s is not None]
    watched = [item for record in good for item in record.watched if item.rail == rail.name and item.samples]
    errors = [
        reading.telemetry_v - reading.reference_v
        for reading in readings
        if reading.telemetry_v is not None
        and reading.reference_v is not None
        and reading.outcome in {*_MEASURED, Outcome.DISPUTED}
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
