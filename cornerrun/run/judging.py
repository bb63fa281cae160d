"""Decide how a rail and a visit ended, from what was asked, read and measured."""

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from cornerrun.bench.ports import MeterReading
from cornerrun.plan.bench_file import MeterUncertainty
from cornerrun.plan.model import Rail, Settle
from cornerrun.results.records import CheckResult, Outcome, Reading
from cornerrun.run.settling import SettleResult, State
from cornerrun.units import Kind, show

__all__ = ["NO_CHECKS_AFTER", "RailEvidence", "RailVerdict", "first_by_precedence", "judge_rail", "judge_visit"]

_ORDER = tuple(Outcome)
_NOT_JUDGED = (Outcome.SKIPPED, Outcome.NOT_RUN)

NO_CHECKS_AFTER = frozenset({Outcome.ABORTED, Outcome.ERROR, Outcome.TRIPPED, Outcome.NOT_SETTLED})
"""Outcomes after which the checks of a visit are not run (design: outcomes)."""


@dataclass(frozen=True, kw_only=True, slots=True)
class RailEvidence:
    """All that is known of a rail at a visit.

    ``rule`` is how it should have settled there. ``settle`` None: it did not move, or has no telemetry. ``telemetry_v``
    is the mean of what its device read while the visit was measured. ``is_clamped``: its device says that it held the
    setpoint at VOUT_MAX or VOUT_MIN (STATUS_VOUT bit 3).
    """

    rail: Rail
    target_v: float
    rule: Settle
    settle: SettleResult | None
    telemetry_v: float | None
    reference: MeterReading | None
    is_clamped: bool = False


@dataclass(frozen=True, kw_only=True, slots=True)
class RailVerdict:
    """How a rail ended at a visit, and why."""

    outcome: Outcome
    reason: str = ""


_PASS = RailVerdict(outcome=Outcome.PASS)


def judge_rail(evidence: RailEvidence, *, window_ratio: float, meter: MeterUncertainty | None) -> RailVerdict:
    """Judge a rail: not-settled, disputed, fail-voltage, pass, or skipped where nothing measures it.

    ``window_ratio`` is how far the most trusted voltage may lie from the target, as a share of it. A rail that stands
    still away from its target, or that its device clamps, has settled, but not achieved what was asked: fail-voltage.
    """
    return _judge_way(evidence) or _judge_voltage(evidence, window_ratio, meter)


def first_by_precedence(outcomes: Iterable[Outcome]) -> Outcome:
    """Tell the outcome that covers the others; pass if there are none.

    ``skipped`` and ``not-run`` say that something was not judged: beside a pass they take nothing from it.
    """
    return min(_distinct(outcomes, without=_NOT_JUDGED), key=_ORDER.index, default=Outcome.PASS)


def judge_visit(readings: Sequence[Reading], checks: Sequence[CheckResult]) -> RailVerdict:
    """Judge a visit by the precedence of outcomes; the reason is that of what decided it.

    A visit at which nothing was measured and no check gave a verdict is skipped: it shows nothing.
    """
    ended = _distinct([*(reading.outcome for reading in readings), *(check.outcome for check in checks)])
    if all(outcome in _NOT_JUDGED for outcome in ended):
        return RailVerdict(outcome=Outcome.SKIPPED, reason="nothing was measured and nothing was checked")
    outcome = first_by_precedence(ended)
    if outcome is Outcome.PASS:
        return _PASS
    reasons = [reading.reason for reading in readings if reading.outcome is outcome]
    reasons += [f"{check.check}: {check.reason}" for check in checks if check.outcome is outcome]
    return RailVerdict(outcome=outcome, reason="; ".join(reasons))


def _judge_way(evidence: RailEvidence) -> RailVerdict | None:
    """Judge whether the rail got where it was sent; None where it did."""
    rail, settle = evidence.rail, evidence.settle
    if evidence.is_clamped:
        return _fail(f"{rail.name}: its device holds the setpoint back at VOUT_MAX or VOUT_MIN")
    if settle is None or settle.state is not State.TIMED_OUT:
        return None
    came = "no reading" if settle.mean_v is None else show(settle.mean_v, Kind.VOLTAGE)
    wanted = f"{show(settle.target_v, Kind.VOLTAGE)} ± {show(evidence.rule.band_ratio, Kind.RATIO)}"
    if settle.is_stable_elsewhere:
        return _fail(f"{rail.name}: stands still at {came}, wanted {wanted}")
    return RailVerdict(
        outcome=Outcome.NOT_SETTLED,
        reason=f"{rail.name}: {came} after {show(evidence.rule.timeout_s, Kind.TIME)}, wanted {wanted}",
    )


def _judge_voltage(evidence: RailEvidence, window_ratio: float, meter: MeterUncertainty | None) -> RailVerdict:
    """Judge what was measured."""
    rail, target_v, reference = evidence.rail, evidence.target_v, evidence.reference
    telemetry_v = evidence.telemetry_v
    best_v = telemetry_v if reference is None else reference.reading_v
    if best_v is None:
        return RailVerdict(outcome=Outcome.SKIPPED, reason=f"{rail.name}: nothing measures it")
    if telemetry_v is not None and reference is not None:
        difference_v = abs(reference.reading_v - telemetry_v)
        allowed_v = math.hypot(rail.accuracy_ratio * abs(target_v), _limit_v(reference, meter))
        if not difference_v <= allowed_v:
            return RailVerdict(
                outcome=Outcome.DISPUTED,
                reason=f"{rail.name}: meter and telemetry differ by {show(difference_v, Kind.VOLTAGE)}, their "
                f"uncertainties allow {show(allowed_v, Kind.VOLTAGE)}",
            )
    if not abs(best_v - target_v) <= window_ratio * abs(target_v):
        return _fail(
            f"{rail.name}: {show(best_v, Kind.VOLTAGE)}, wanted {show(target_v, Kind.VOLTAGE)} ± "
            f"{show(window_ratio, Kind.RATIO)}"
        )
    return _PASS


def _distinct(outcomes: Iterable[Outcome], *, without: Sequence[Outcome] = ()) -> list[Outcome]:
    # A list, not a set: hashing a member of an enumeration costs more than comparing it with the few there are.
    found: list[Outcome] = []
    for outcome in outcomes:
        if outcome not in found and outcome not in without:
            found.append(outcome)
    return found


def _fail(reason: str) -> RailVerdict:
    return RailVerdict(outcome=Outcome.FAIL_VOLTAGE, reason=reason)


def _limit_v(reference: MeterReading, meter: MeterUncertainty | None) -> float:
    """The meter's specified limit at this reading: share of reading plus share of range; nothing if none is stated."""
    if meter is None:
        return 0.0
    return meter.reading_ratio * abs(reference.reading_v) + meter.range_ratio * abs(reference.range_v)
