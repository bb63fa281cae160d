"""Trim accuracy of each rail from the readings of a run: reference reading against decoded setpoint."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

from cornerrun.plan.model import Plan, Rail
from cornerrun.results.control import good_visits
from cornerrun.results.records import InstrumentRecord, Outcome, Reading, VisitRecord

if TYPE_CHECKING:
    from cornerrun.stats.meter import MeterSpecification
    from cornerrun.stats.trim import TrimEstimate

__all__ = ["RailAccuracy", "meter_specification", "trim_accuracy"]

Direction = Literal["up", "down"]
Status = Literal["measured", "not measured", "not commanded"]
ClaimVerdict = Literal["met", "not met", "open", "not measured", "no claim", "not commanded"]

# What is no settled reading, or one that two instruments contradict, says nothing of the trim.
_USABLE = {Outcome.PASS, Outcome.FAIL_VOLTAGE, Outcome.FAIL_FUNCTIONAL}


@dataclass(frozen=True, kw_only=True, slots=True)
class RailAccuracy:
    """What a run shows of one rail's trim. ``levels`` names each setpoint: volts to level and target.

    ``excluded`` counts meter readings that were left out: unsettled, disputed, or of a void visit.
    """

    rail: str
    status: Status
    why: str
    estimate: "TrimEstimate | None"
    levels: Mapping[float, tuple[str, float]]
    excluded: int
    claim: ClaimVerdict
    claim_why: str


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
    good = good_visits(plan, visits)
    kept = {record.visit.ordinal for record in good}
    by_rail: dict[str, list[Reading]] = {}
    excluded: dict[str, int] = {}
    for record in visits:
        for reading in record.readings:
            if reading.reference_v is None:
                continue
            if record.visit.ordinal in kept and reading.outcome in _USABLE and reading.setpoint_v:
                by_rail.setdefault(reading.rail, []).append(reading)
            else:
                excluded[reading.rail] = excluded.get(reading.rail, 0) + 1
    return tuple(
        _of_rail(plan, rail, by_rail.get(rail.name, []), excluded.get(rail.name, 0), specification)
        for rail in plan.rails
    )


def _of_rail(
    plan: Plan, rail: Rail, readings: Sequence[Reading], excluded: int, specification: "MeterSpecification | None"
) -> RailAccuracy:
    claim_ratio = plan.criteria.trim_claim_ratio
    if not rail.is_commanded:
        why = "it follows another rail" if rail.tracks is not None else "the run never moves it"
        return _without(rail, "not commanded", why, "not commanded", 0)
    if not readings:
        why = "no meter reading" if not excluded else f"none of its {excluded} meter readings can be used"
        return _without(rail, "not measured", why, "no claim" if claim_ratio is None else "not measured", excluded)

    from cornerrun.stats.trim import estimate_trim

    setpoints = [reading.setpoint_v or 0.0 for reading in readings]
    # A specification that counts a share of range needs the range; a driver that cannot tell it leaves the claim open.
    ranges = [reading.reference_range_v for reading in readings if reading.reference_range_v]
    usable = specification if ranges or (specification and specification.range_ratio == 0) else None
    estimate = estimate_trim(
        setpoints,
        [reading.reference_v or 0.0 for reading in readings],
        direction=_directions(setpoints),
        meter=usable,
        range_v=max(ranges, default=0.0),
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
        levels={reading.setpoint_v or 0.0: (reading.level, reading.target_v) for reading in readings},
        excluded=excluded,
        claim=claim,
        claim_why=why,
    )


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


def _directions(setpoints: Sequence[float]) -> list[Direction | None]:
    """Tell from which side each setpoint was reached; a rail that stays keeps its side."""
    sides: list[Direction | None] = []
    side: Direction | None = None
    for index, setpoint in enumerate(setpoints):
        if index and setpoint > setpoints[index - 1]:
            side = "up"
        elif index and setpoint < setpoints[index - 1]:
            side = "down"
        sides.append(side)
    return sides
