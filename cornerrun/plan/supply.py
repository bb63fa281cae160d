"""What an engineer knows of a supply besides its voltages: the nouns that preflight reckons with.

Everything may be left out (None): what is not known is then said, not guessed.
"""

from dataclasses import dataclass, field
from typing import Literal

__all__ = ["Load", "Response", "Supply", "Trim", "Upstream"]


@dataclass(frozen=True, kw_only=True, slots=True)
class Load:
    """What a rail feeds.

    ``current_a`` flows at nominal; ``limit_a`` is where the supply limits or trips. How the current follows the
    voltage: a "resistive" load draws I times V/Vnom, a "dynamic" one (switching logic) too, a "constant power" one
    I times Vnom/V. ``path_ohm`` lies between the point that the device senses and the load's pin, out and back;
    ``min_v`` and ``max_v`` are what the load is recommended to see at its pin.
    """

    current_a: float | None = None
    limit_a: float | None = None
    kind: Literal["dynamic", "resistive", "constant current", "constant power"] = "dynamic"
    path_ohm: float | None = None
    min_v: float | None = None
    max_v: float | None = None


@dataclass(frozen=True, kw_only=True, slots=True)
class Upstream:
    """What feeds a rail: another rail, a condition in volts, or a fixed voltage; exactly one is given.

    ``dropout_v`` is what a linear regulator needs between input and output, ``max_duty_ratio`` the greatest output over
    input of a step-down converter, ``lockout_v`` the input voltage below which the converter turns off.
    """

    rail: str | None = None
    condition: str | None = None
    voltage_v: float | None = None
    dropout_v: float | None = None
    max_duty_ratio: float | None = None
    lockout_v: float | None = None


@dataclass(frozen=True, kw_only=True, slots=True)
class Trim:
    """How far, and how finely, a device can move its output.

    ``reach_v`` is the greatest move away from nominal, sure within ``tolerance_ratio`` of itself. ``step_v`` is one
    step of the trim converter at the output, and ``update_s`` the time between two steps of a closed-loop trim.
    """

    reach_v: float | None = None
    tolerance_ratio: float = 0.0
    step_v: float | None = None
    update_s: float | None = None


@dataclass(frozen=True, kw_only=True, slots=True)
class Response:
    """How an output follows a new setpoint: at a bounded slope, then with a time constant."""

    slew_v_per_s: float | None = None
    time_constant_s: float | None = None


@dataclass(frozen=True, kw_only=True, slots=True)
class Supply:
    """What is known of one rail's supply.

    ``ripple_v`` is peak to peak; ``overshoot_v`` and ``undershoot_v`` are the excursions of load steps beyond ripple.
    ``comparator_ratio`` is the tolerance of the comparators that watch the output. ``telemetry_noise_v`` is one
    standard deviation of the device's own reading, ``telemetry_error_ratio`` the limit of its systematic error.
    ``above_nominal_s`` is how long a run may keep the rail above nominal, ``above_nominal_in_all_s`` all runs of a
    board together.
    """

    ripple_v: float | None = None
    overshoot_v: float | None = None
    undershoot_v: float | None = None
    comparator_ratio: float | None = None
    telemetry_noise_v: float | None = None
    telemetry_error_ratio: float | None = None
    load: Load = field(default_factory=Load)
    upstream: Upstream | None = None
    trim: Trim = field(default_factory=Trim)
    response: Response = field(default_factory=Response)
    above_nominal_s: float | None = None
    above_nominal_in_all_s: float | None = None
