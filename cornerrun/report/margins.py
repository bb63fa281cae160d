"""How far readings lay from their limits: the margins that reports need, found without keeping all of them."""

from array import array
from collections.abc import Iterable, Iterator, Mapping, Sequence
from types import MappingProxyType
from typing import Literal, NamedTuple

from cornerrun.plan.model import Plan, Rail, Relation
from cornerrun.report.places import Places
from cornerrun.report.rail_nouns import Margin
from cornerrun.results.accuracy import RailAccuracy
from cornerrun.results.packed import fields_of
from cornerrun.results.records import Outcome, Reading, VisitRecord
from cornerrun.stats.meter import MeterSpecification
from cornerrun.stats.uncertainty import Budget, Component

__all__ = ["MEASURED", "Distance", "distances", "worst_margins"]

MEASURED = frozenset({Outcome.PASS, Outcome.FAIL_VOLTAGE, Outcome.FAIL_FUNCTIONAL})
"""Outcomes of a rail whose reading is a settled one that nobody disputes."""

Side = Literal["low", "high"]


class Distance(NamedTuple):
    """How far a voltage lay from the nearer of two limits: ``distance_v`` is negative beyond it."""

    side: Side
    limit_v: float
    distance_v: float
    ratio: float


def distances(rail: Rail, reading: Reading, window_ratio: float) -> tuple[Distance, Distance] | None:
    """Measure a settled reading against its voltage window and its hard limits, as shares of the target too.

    By the meter where there is one, else by telemetry; None for a reading that is not settled, or disputed.
    ``window_ratio`` is the half-width of the window that holds where it was taken, as a share of the target.
    """
    voltage_v = _voltage(reading)
    if voltage_v is None or reading.outcome not in MEASURED:
        return None
    target_v = reading.target_v
    window_v = window_ratio * abs(target_v)
    limits = rail.hard_limits
    return (
        _distance(voltage_v, target_v - window_v, target_v + window_v, target_v),
        _distance(voltage_v, limits.min_v, limits.max_v, target_v),
    )


def worst_margins(
    plan: Plan,
    good: Sequence[VisitRecord],
    specification: MeterSpecification | None,
    accuracy: Iterable[RailAccuracy],
    places: Places = MappingProxyType({}),
) -> tuple[Margin, ...]:
    """List, in order of time, the margins that are the least of their kind so far.

    Of each rail and limit in volts, and of each corner the share to the window: whoever looks for the least of these
    finds the one that it would find among all margins, the first of equal ones. ``places`` tells the levels of
    conditions of each corner.
    """
    ruler = _Ruler(plan, specification, accuracy, good, places=places)
    return tuple(margin for record in good for margin in ruler.of(record))


class _Ruler:
    """Turns distances into margins, with the uncertainty and the scatter that are known of them."""

    def __init__(
        self,
        plan: Plan,
        specification: MeterSpecification | None,
        accuracy: Iterable[RailAccuracy],
        good: Sequence[VisitRecord],
        *,
        places: Places,
    ) -> None:
        self._plan = plan
        self._places = places
        self._rails = {rail.name: rail for rail in plan.rails}
        self._specification = specification
        # One component that is well known: the same factor for every reading.
        self._factor = Budget([Component("meter", 1.0)]).coverage_factor(0.95)
        self._sigma_v = _repeatability(good)
        for item in accuracy:
            scatter = item.estimate.repeatability_v if item.estimate is not None else None
            if scatter is not None and scatter.estimate:
                self._sigma_v[item.rail] = scatter.estimate
        self._least: dict[tuple[str, str], float] = {}

    def of(self, record: VisitRecord) -> Iterator[Margin]:
        """List those margins of a visit that are the least so far."""
        measured: dict[str, Reading] = {}
        corner = record.visit.corner
        window_ratio = self._plan.criteria.window_in(self._places.get(corner, {}))
        for reading in record.readings:
            rail = self._rails.get(reading.rail)
            found = None if rail is None else distances(rail, reading, window_ratio)
            if found is None:
                continue
            measured[reading.rail] = reading
            window, hard_limit = found
            is_least = self._is_least((reading.rail, "window"), window.distance_v)
            if self._is_least(("", corner), window.ratio) or is_least:
                yield self._margin(record, reading, "window", window)
            if self._is_least((reading.rail, "hard limit"), hard_limit.distance_v):
                yield self._margin(record, reading, "hard limit", hard_limit)
        for relation in self._plan.relations:
            margin = self._relation(relation, record, measured)
            if margin is not None:
                yield margin

    def _is_least(self, key: tuple[str, str], distance: float) -> bool:
        least = self._least.get(key)
        if least is not None and not distance < least:
            return False
        self._least[key] = distance
        return True

    def _margin(
        self, record: VisitRecord, reading: Reading, limit: Literal["window", "hard limit"], found: Distance
    ) -> Margin:
        sigma_v = self._sigma_v.get(reading.rail)
        return Margin(
            rail=reading.rail,
            corner=record.visit.corner,
            visit=record.visit.ordinal,
            level=reading.level,
            limit=limit,
            side=found.side,
            measured_v=_voltage(reading) or 0.0,
            limit_v=found.limit_v,
            distance_v=found.distance_v,
            distance_ratio=found.ratio,
            measured_by="telemetry" if reading.reference_v is None else "meter",
            expanded_v=self._expanded_v(reading),
            distance_sigma=found.distance_v / sigma_v if sigma_v else None,
        )

    def _expanded_v(self, reading: Reading) -> float | None:
        if self._specification is None or reading.reference_v is None:
            return None
        if not reading.reference_range_v and self._specification.range_ratio:
            return None
        limit_v = self._specification.limit(reading.reference_v, reading.reference_range_v or 0.0)
        return self._factor * self._specification.standard(limit_v)

    def _relation(self, relation: Relation, record: VisitRecord, measured: Mapping[str, Reading]) -> Margin | None:
        one, other = measured.get(relation.rail), measured.get(relation.minus)
        if one is None or other is None:
            return None
        difference_v = (_voltage(one) or 0.0) - (_voltage(other) or 0.0)
        sides: list[tuple[float, Side, float]] = []
        if relation.min_v is not None:
            sides.append((difference_v - relation.min_v, "low", relation.min_v))
        if relation.max_v is not None:
            sides.append((relation.max_v - difference_v, "high", relation.max_v))
        if not sides:
            return None
        distance_v, side, limit_v = min(sides)
        scale = min(self._rails[relation.rail].nominal_v, self._rails[relation.minus].nominal_v)
        name = f"{relation.rail} - {relation.minus}"
        found = Distance(side, limit_v, distance_v, distance_v / scale)
        if not self._is_least((name, "relation"), found.distance_v):
            return None
        uncertain = [self._expanded_v(one), self._expanded_v(other)]
        known = [u for u in uncertain if u is not None]
        return Margin(
            rail=name,
            corner=record.visit.corner,
            visit=record.visit.ordinal,
            level=f"{one.level}, {other.level}",
            limit="relation",
            side=side,
            measured_v=difference_v,
            limit_v=limit_v,
            distance_v=distance_v,
            distance_ratio=found.ratio,
            measured_by="meter" if None not in (one.reference_v, other.reference_v) else "telemetry",
            # The same meter reads both: its errors may well have one sign, so they are not taken to cancel.
            expanded_v=sum(known) if len(known) == len(uncertain) else None,
            distance_sigma=None,
        )


def _distance(voltage_v: float, low_v: float, high_v: float, target_v: float) -> Distance:
    above_v, below_v = voltage_v - low_v, high_v - voltage_v
    side: Side = "low" if above_v <= below_v else "high"
    limit_v, distance_v = (low_v, above_v) if side == "low" else (high_v, below_v)
    return Distance(side, limit_v, distance_v, distance_v / abs(target_v) if target_v else distance_v)


def _repeatability(good: Sequence[VisitRecord]) -> dict[str, float]:
    """Tell the standard deviation of each rail's readings within its levels, for rails whose trim nobody estimates."""
    groups: dict[tuple[str, str], array[float]] = {}
    for record in good:
        told = fields_of(record.readings, "rail", "level", "outcome", "reference_v", "telemetry_v")
        for rail, level, outcome, reference_v, telemetry_v in told:
            voltage_v = telemetry_v if reference_v is None else reference_v
            if outcome in MEASURED and voltage_v is not None:
                groups.setdefault((rail, level), array("d")).append(voltage_v)
    squares: dict[str, float] = {}
    degrees: dict[str, int] = {}
    for (rail, _), values in groups.items():
        middle = sum(values) / len(values)
        squares[rail] = squares.get(rail, 0.0) + sum((value - middle) ** 2 for value in values)
        degrees[rail] = degrees.get(rail, 0) + len(values) - 1
    return {rail: (squares[rail] / n) ** 0.5 for rail, n in degrees.items() if n and squares[rail] > 0}


def _voltage(reading: Reading) -> float | None:
    return reading.reference_v if reading.reference_v is not None else reading.telemetry_v
