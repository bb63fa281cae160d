"""Trim accuracy of each rail from the readings of a run: reference reading against decoded setpoint."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Literal

from cornerrun.plan.model import NOMINAL, Plan, Rail
from cornerrun.results.control import good_visits
from cornerrun.results.packed import column_of, fields_of
from cornerrun.results.records import InstrumentRecord, VisitRecord
from cornerrun.results.trim_readings import TrimReadings, trim_readings

if TYPE_CHECKING:
    from cornerrun.stats.interval import Interval
    from cornerrun.stats.meter import MeterSpecification
    from cornerrun.stats.trim import TrimEstimate

__all__ = ["RailAccuracy", "meter_specification", "trim_accuracy"]

Status = Literal["measured", "not measured", "not commanded"]
ClaimVerdict = Literal["met", "not met", "open", "not measured", "no claim", "not commanded"]


@dataclass(frozen=True, kw_only=True, slots=True)
class RailAccuracy:
    """What a run shows of one rail's trim. ``levels`` names each setpoint: volts to level and target.

    ``excluded`` counts meter readings that were left out: unsettled, disputed, or of a void visit. ``readings`` are
    those that count. ``drift_v`` is how far nominal moved while they were taken, by a line through its readings; it is
    told, never subtracted.
    """

    rail: str
    status: Status
    why: str
    estimate: "TrimEstimate | None"
    levels: Mapping[float, tuple[str, float]]
    excluded: int
    claim: ClaimVerdict
    claim_why: str
    readings: TrimReadings | None = None
    drift_v: "Interval | None" = None


def meter_specification(instruments: Sequence[InstrumentRecord]) -> "MeterSpecification | None":
    """Take the specification of the reference meter; None if the bench file states none."""
    from cornerrun.stats.meter import MeterSpecification

    for instrument in instruments:
        if instrument.reading_ratio is not None and instrument.range_ratio is not None:
            return MeterSpecification(
                reading_ratio=instrument.reading_ratio,
                range_ratio=instrument.range_ratio,
                coverage=instrument.coverage,
            )
    return None


def trim_accuracy(
    plan: Plan, visits: Sequence[VisitRecord], instruments: Sequence[InstrumentRecord]
) -> tuple[RailAccuracy, ...]:
    """Estimate the trim accuracy of every rail of the plan, in its order.

    Without a meter accuracy is "not measured", whatever the telemetry says: a device regulates to its own converter.
    """
    specification = meter_specification(instruments)
    kept = frozenset(record.visit.ordinal for record in good_visits(plan, visits))
    chosen = trim_readings(plan, visits, kept)
    return tuple(_of_rail(plan, rail, chosen[rail.name], specification) for rail in plan.rails)


def _of_rail(plan: Plan, rail: Rail, chosen: TrimReadings, specification: "MeterSpecification | None") -> RailAccuracy:
    claim_ratio = plan.criteria.trim_claim_ratio
    readings, excluded = chosen.readings, chosen.excluded
    if not rail.is_commanded:
        why = "it follows another rail" if rail.tracks is not None else "the run never moves it"
        return _without(rail, "not commanded", why, "not commanded", 0)
    if not readings:
        why = "no meter reading" if not excluded else f"none of its {excluded} meter readings can be used"
        return _without(rail, "not measured", why, "no claim" if claim_ratio is None else "not measured", excluded)

    from cornerrun.stats.trim import estimate_trim
    from cornerrun.stats.uncertainty import Component, rectangular

    # A specification that counts a share of range needs the range; a driver that cannot tell it leaves the claim open.
    usable = specification if chosen.range_v or (specification and specification.range_ratio == 0) else None
    estimate = estimate_trim(
        column_of(readings, "setpoint_v"),
        column_of(readings, "reference_v"),
        direction=column_of(readings, "direction"),
        meter=usable,
        range_v=chosen.range_v,
        declared=[
            Component(item.name, rectangular(item.half_width_v))
            for item in (plan.trim.declared if plan.trim is not None else ())
            if item.rails is None or rail.name in item.rails
        ],
        claim_ratio=claim_ratio,
    )
    claim: ClaimVerdict = "no claim"
    why = ""
    if estimate.claim is not None:
        claim, why = estimate.claim.verdict, estimate.claim.why
        if usable is None and claim == "met":
            claim, why = "open", "the bench file states no uncertainty of the meter"
    return RailAccuracy(
        rail=rail.name,
        status="measured",
        why="",
        estimate=estimate,
        levels={
            setpoint_v: (level, target_v)
            for setpoint_v, level, target_v in fields_of(readings, "setpoint_v", "level", "target_v")
        },
        excluded=excluded,
        claim=claim,
        claim_why=why,
        readings=chosen,
        drift_v=_drift(chosen),
    )


def _drift(chosen: TrimReadings) -> "Interval | None":
    """Tell how far nominal moved from the first to the last of these readings; None for fewer than three of it."""
    from cornerrun.stats.line import fit_line

    told = fields_of(chosen.readings, "at_s", "reference_v", "level")
    rows = [(at_s, reference_v) for at_s, reference_v, level in told if level == NOMINAL]
    if len(rows) < 3 or len({at_s for at_s, _ in rows}) < 2:
        return None
    slope = fit_line([at_s for at_s, _ in rows], [v for _, v in rows]).slope_interval()
    if slope is None or slope.estimate is None:
        return None
    span_s = chosen.readings[-1].at_s - chosen.readings[0].at_s
    return replace(slope, estimate=slope.estimate * span_s, low=slope.low * span_s, high=slope.high * span_s)


def _without(rail: Rail, status: Status, why: str, claim: ClaimVerdict, excluded: int) -> RailAccuracy:
    return RailAccuracy(
        rail=rail.name,
        status=status,
        why=why,
        estimate=None,
        levels={},
        excluded=excluded,
        claim=claim,
        claim_why=why,
    )
