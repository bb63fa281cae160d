"""Trim accuracy as reports print it: one row a rail, one row a setpoint."""

import math
from collections.abc import Sequence
from itertools import combinations

from cornerrun.plan.model import NOMINAL, Plan
from cornerrun.report.rail_nouns import BudgetRow, TrimLevel, TrimSummary
from cornerrun.results.accuracy import RailAccuracy
from cornerrun.results.records import SetpointRecord
from cornerrun.stats.trim import TrimEstimate
from cornerrun.stats.trim_claim import TrimPoint

__all__ = ["trim_summaries"]


def trim_summaries(
    plan: Plan, accuracy: Sequence[RailAccuracy], setpoints: Sequence[SetpointRecord] = ()
) -> tuple[TrimSummary, ...]:
    """Tell the trim accuracy of every rail, in plan order; ``setpoints`` tell the step of each rail's register."""
    steps: dict[str, float] = {}
    for one, other in combinations(setpoints, 2):
        # Nominal apart: in relative mode its word is a voltage and theirs are ratios.
        if one.rail == other.rail and one.word != other.word and NOMINAL not in (one.level, other.level):
            step_v = abs((one.decoded_v - other.decoded_v) / (one.word - other.word))
            steps[one.rail] = min(step_v, steps.get(one.rail, step_v))
    declared = plan.trim.declared if plan.trim is not None else ()
    return tuple(
        _summary(
            item,
            plan.criteria.trim_claim_ratio,
            step_v=steps.get(item.rail),
            declared=tuple(part.name for part in declared if part.rails is None or item.rail in part.rails),
        )
        for item in accuracy
    )


def _summary(
    item: RailAccuracy, claim_ratio: float | None, *, step_v: float | None, declared: tuple[str, ...]
) -> TrimSummary:
    estimate = item.estimate
    levels = () if estimate is None else tuple(_level(item, estimate, point, claim_ratio) for point in estimate.points)
    worst = None if estimate is None else estimate.worst
    decision = None if estimate is None else estimate.claim
    return TrimSummary(
        rail=item.rail,
        status=item.status,
        why=item.why,
        n=0 if estimate is None else estimate.n,
        excluded=item.excluded,
        setpoints=len(levels),
        levels=levels,
        gain_error=None if estimate is None else estimate.gain_error,
        offset_v=None if estimate is None else estimate.offset_v,
        nonlinearity_v=None if estimate is None else estimate.nonlinearity_v,
        repeatability_v=None if estimate is None else estimate.repeatability_v,
        worst_error=None if estimate is None else estimate.worst_error,
        worst_setpoint_v=None if worst is None else worst.setpoint_v,
        worst_error_v=None if worst is None else worst.mean_error_v,
        expanded_v=None if worst is None else worst.expanded_v,
        meter_limit_v=None if estimate is None or worst is None else _meter_limit_v(estimate, worst),
        quantisation_v=max(
            (setpoint_v - target_v for setpoint_v, (_, target_v) in item.levels.items()), key=abs, default=None
        ),
        claim_ratio=claim_ratio,
        claim=item.claim,
        claim_why=item.claim_why,
        claim_probability=None if decision is None or item.claim == "open" else decision.probability,
        is_characterised=item.readings is not None and item.readings.is_characterised,
        others=0 if item.readings is None else item.readings.others,
        lowest_v=min((level.setpoint_v for level in levels), default=None),
        highest_v=max((level.setpoint_v for level in levels), default=None),
        hysteresis_v=None if estimate is None else estimate.hysteresis_v,
        lack_of_fit_p=None if estimate is None or estimate.lack_of_fit is None else estimate.lack_of_fit.p_value,
        drift_v=item.drift_v,
        step_v=step_v,
        declared=declared if estimate is not None else (),
        budget=() if worst is None else _budget(worst),
        coverage_factor=None if worst is None else worst.budget.coverage_factor(0.95),
    )


def _budget(worst: TrimPoint) -> tuple[BudgetRow, ...]:
    return tuple(
        BudgetRow(
            name=part.name,
            standard_v=part.contribution,
            degrees_of_freedom=part.degrees_of_freedom if math.isfinite(part.degrees_of_freedom) else None,
        )
        for part in worst.budget.components
    )


def _level(item: RailAccuracy, estimate: TrimEstimate, point: TrimPoint, claim_ratio: float | None) -> TrimLevel:
    # Setpoints are decoded words: the nearest key is the very one, whatever grouping did to the last bit.
    nearest = min(item.levels, key=lambda setpoint_v: abs(setpoint_v - point.setpoint_v))
    level, target_v = item.levels[nearest]
    return TrimLevel(
        level=level,
        target_v=target_v,
        setpoint_v=point.setpoint_v,
        n=point.n,
        mean_error_v=point.mean_error_v,
        largest_error_v=point.largest_error_v,
        expanded_v=point.expanded_v,
        meter_limit_v=_meter_limit_v(estimate, point),
        claim_v=None if claim_ratio is None else claim_ratio * abs(point.setpoint_v),
    )


def _meter_limit_v(estimate: TrimEstimate, point: TrimPoint) -> float | None:
    if estimate.meter is None:
        return None
    return estimate.meter.limit(point.setpoint_v + point.mean_error_v, estimate.meter_range_v)
