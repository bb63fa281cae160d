"""How far an output may lie from its setpoint: what its accuracy, ripple and load steps add, side by side."""

from dataclasses import dataclass

from cornerrun.plan.model import Rail
from cornerrun.units import Kind, show

__all__ = ["Reach", "reach"]


@dataclass(frozen=True, kw_only=True, slots=True)
class Reach:
    """The worst that an output comes to on one side of a setpoint; ``sign`` is 1 above and -1 below.

    ``fast_v`` is what a comparator, a load or a hard limit sees: accuracy, half the ripple, the excursion of a load
    step. ``slow_v`` is what the device's own converter may read: accuracy, its error, three standard deviations of its
    noise. ``parts`` tells what went into ``fast_v``, in words, ``slow_parts`` into ``slow_v``.
    """

    sign: int
    setpoint_v: float
    fast_v: float
    slow_v: float
    parts: str
    slow_parts: str


def reach(rail: Rail, setpoint_v: float, sign: int) -> Reach:
    """Work out the worst of one side; what the plan does not tell counts as nothing.

    V (1 + e) + ripple / 2 + overshoot, mirrored below (worst-case addition, from memory); V (1 + e) (1 + e_adc) + 3
    sigma for what the converter reads.
    """
    supply = rail.supply
    accurate_v = setpoint_v * (1.0 + sign * rail.accuracy_ratio)
    excursion_v = (supply.overshoot_v if sign > 0 else supply.undershoot_v) or 0.0
    ripple_v = (supply.ripple_v or 0.0) / 2
    error = supply.telemetry_error_ratio or 0.0
    noise_v = 3.0 * (supply.telemetry_noise_v or 0.0)
    parts = [f"accuracy {show(rail.accuracy_ratio, Kind.RATIO)}"]
    slow_parts = list(parts)
    if ripple_v:
        parts.append(f"half of {show(2 * ripple_v, Kind.VOLTAGE)} ripple")
    if excursion_v:
        parts.append(f"{show(excursion_v, Kind.VOLTAGE)} {'overshoot' if sign > 0 else 'undershoot'}")
    if error:
        slow_parts.append(f"telemetry error {show(error, Kind.RATIO)}")
    if noise_v:
        slow_parts.append(f"3 x {show(noise_v / 3, Kind.VOLTAGE)} telemetry noise")
    return Reach(
        sign=sign,
        setpoint_v=setpoint_v,
        fast_v=accurate_v + sign * (ripple_v + excursion_v),
        slow_v=accurate_v * (1.0 + sign * error) + sign * noise_v,
        parts=", ".join(parts),
        slow_parts=", ".join(slow_parts),
    )
