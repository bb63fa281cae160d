"""How well each device measures: its telemetry against the reference meter."""

from array import array
from collections.abc import Sequence

from cornerrun.plan.model import Plan, Rail
from cornerrun.report.analysis_nouns import DeviceTelemetry, RailTelemetry
from cornerrun.results.packed import fields_of
from cornerrun.results.records import Outcome, VisitRecord
from cornerrun.stats.meter import MeterSpecification
from cornerrun.stats.trim import TrimEstimate, estimate_trim

__all__ = ["device_telemetry"]

# A disputed reading is the very thing to see here: the device may be wrong.
_MEASURED = {Outcome.PASS, Outcome.FAIL_VOLTAGE, Outcome.FAIL_FUNCTIONAL, Outcome.DISPUTED}
_TOLD = ("target_v", "setpoint_v", "telemetry_v", "reference_v", "reference_range_v")


def device_telemetry(
    plan: Plan, good: Sequence[VisitRecord], specification: MeterSpecification | None
) -> tuple[DeviceTelemetry, ...]:
    """Tell the telemetry error of every device with readings of both kinds, devices in plan order, worst rail first."""
    found = {rail.name: _Errors() for rail in plan.rails}
    for record in good:
        for name, outcome, *told in fields_of(record.readings, "rail", "outcome", *_TOLD):
            if outcome in _MEASURED and name in found:
                found[name].take(*told, is_disputed=outcome is Outcome.DISPUTED)
    rails: dict[str, list[RailTelemetry]] = {}
    for rail in plan.rails:
        errors = found.pop(rail.name)
        if errors.measured_v and rail.maker is not None:
            rails.setdefault(rail.maker, []).append(_rail(rail, errors, specification))
    return tuple(_device(name, told) for name, told in rails.items())


class _Errors:
    """What telemetry told of one rail where the meter told too, as if its errors were those of setpoints."""

    def __init__(self) -> None:
        self.setpoints_v, self.measured_v = array("d"), array("d")
        self.range_v = 0.0
        self.disputed = 0

    def take(
        self,
        target_v: float,
        setpoint_v: float | None,
        telemetry_v: float | None,
        reference_v: float | None,
        range_v: float | None,
        *,
        is_disputed: bool,
    ) -> None:
        if telemetry_v is None or reference_v is None:
            return
        setpoint_v = setpoint_v or target_v
        self.setpoints_v.append(setpoint_v)
        self.measured_v.append(setpoint_v + (telemetry_v - reference_v))
        self.range_v = max(self.range_v, range_v or 0.0)
        self.disputed += is_disputed


def _rail(rail: Rail, errors: _Errors, specification: MeterSpecification | None) -> RailTelemetry:
    usable = specification if errors.range_v or (specification and specification.range_ratio == 0) else None
    # The same arithmetic as for trim: an error at each setpoint, and what the meter itself may be wrong by.
    estimate: TrimEstimate = estimate_trim(errors.setpoints_v, errors.measured_v, meter=usable, range_v=errors.range_v)
    return RailTelemetry(
        rail=rail.name,
        n=len(errors.measured_v),
        disputed=errors.disputed,
        gain_error=estimate.gain_error,
        offset_v=estimate.offset_v,
        worst_error_v=estimate.worst_error_v,
        worst_error=estimate.worst_error,
        worst_setpoint_v=estimate.worst.setpoint_v,
        scatter_v=estimate.repeatability_v,
        accuracy_ratio=rail.accuracy_ratio,
    )


def _device(name: str, rails: Sequence[RailTelemetry]) -> DeviceTelemetry:
    ordered = sorted(rails, key=lambda item: -abs(item.worst_error.estimate or 0.0))
    return DeviceTelemetry(device=name, rails=tuple(ordered), n=sum(item.n for item in rails), worst=ordered[0])
