"""How well each device measures: its telemetry against the reference meter."""

from collections.abc import Sequence

from cornerrun.plan.model import Plan, Rail
from cornerrun.report.analysis_nouns import DeviceTelemetry, RailTelemetry
from cornerrun.results.records import Outcome, Reading, VisitRecord
from cornerrun.stats.meter import MeterSpecification
from cornerrun.stats.trim import TrimEstimate, estimate_trim

__all__ = ["device_telemetry"]

# A disputed reading is the very thing to see here: the device may be wrong.
_MEASURED = {Outcome.PASS, Outcome.FAIL_VOLTAGE, Outcome.FAIL_FUNCTIONAL, Outcome.DISPUTED}


def device_telemetry(
    plan: Plan, good: Sequence[VisitRecord], specification: MeterSpecification | None
) -> tuple[DeviceTelemetry, ...]:
    """Tell the telemetry error of every device with readings of both kinds, devices in plan order, worst rail first."""
    rails: dict[str, list[RailTelemetry]] = {}
    for rail in plan.rails:
        readings = [
            reading
            for record in good
            for reading in record.readings
            if reading.rail == rail.name
            and reading.outcome in _MEASURED
            and reading.telemetry_v is not None
            and reading.reference_v is not None
        ]
        if readings and rail.maker is not None:
            rails.setdefault(rail.maker, []).append(_rail(rail, readings, specification))
    return tuple(_device(name, found) for name, found in rails.items())


def _rail(rail: Rail, readings: Sequence[Reading], specification: MeterSpecification | None) -> RailTelemetry:
    setpoints = [reading.setpoint_v or reading.target_v for reading in readings]
    errors = [(reading.telemetry_v or 0.0) - (reading.reference_v or 0.0) for reading in readings]
    ranges = [reading.reference_range_v for reading in readings if reading.reference_range_v]
    usable = specification if ranges or (specification and specification.range_ratio == 0) else None
    # The same arithmetic as for trim: an error at each setpoint, and what the meter itself may be wrong by.
    estimate: TrimEstimate = estimate_trim(
        setpoints,
        [setpoint_v + error_v for setpoint_v, error_v in zip(setpoints, errors, strict=True)],
        meter=usable,
        range_v=max(ranges, default=0.0),
    )
    return RailTelemetry(
        rail=rail.name,
        n=len(readings),
        disputed=sum(reading.outcome is Outcome.DISPUTED for reading in readings),
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
