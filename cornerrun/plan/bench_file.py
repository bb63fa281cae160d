"""Where the plan is carried out: station, buses, instruments, channels. It alone says simulated or hardware."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date
from pathlib import Path
from typing import Literal

from cornerrun.plan.model import Source

__all__ = [
    "SIMULATED",
    "Alarm",
    "BenchFile",
    "Bus",
    "ConditionDriver",
    "InputPowerCommands",
    "Instrument",
    "MeterUncertainty",
    "ReferenceChannel",
    "SoakUntil",
    "Watch",
]

SIMULATED = "simulated"
"""A link or resource that ends in this process."""


@dataclass(frozen=True, kw_only=True, slots=True)
class Bus:
    """A bus and how to reach it: ``link`` is "simulated", "tcp:HOST:PORT" or "i2c:NAME OF ADAPTER".

    ``error_budget_ratio`` is the share of failed messages, among the last thousand, that ends a run. ``addresses`` are
    those that `cornerrun discover` looks at.
    """

    name: str
    link: str
    clock_hz: float = 100e3
    pec: bool = True
    error_budget_ratio: float = 0.05
    addresses: tuple[int, ...] = ()


@dataclass(frozen=True, kw_only=True, slots=True)
class MeterUncertainty:
    """A meter's specification: plus and minus shares of reading and of range, at a coverage factor.

    ``coverage`` None means that the maker gives limits with no statement of probability: a rectangular distribution.
    """

    reading_ratio: float
    range_ratio: float
    coverage: float | None = None


@dataclass(frozen=True, kw_only=True, slots=True)
class ReferenceChannel:
    """A scanner channel on something known, read once a run: ``name`` is "shorted" or "check standard".

    ``value_v`` is what it has, ``within_v`` how far a reading may lie from that.
    """

    name: str
    channel: int
    value_v: float
    within_v: float


@dataclass(frozen=True, kw_only=True, slots=True)
class Instrument:
    """An instrument: its driver, its VISA resource, and its settings and calibration.

    "simulated" in the place of a resource is the instrument of that name in the simulation file, "simulated:NAME"
    another one there. ``dialect`` names the file that holds its words; None takes the generic one of its driver.
    ``references`` are wired to a meter only. ``identity`` is what it must answer to ``*IDN?``, by "maker", "model",
    "serial" and "firmware"; what is left out is not looked at.
    """

    name: str
    driver: str
    resource: str
    nplc: float = 1.0
    line_hz: float = 50.0
    range_v: float | None = None
    autozero: bool = True
    relay_delay_s: float = 0.01
    timeout_s: float | None = None
    uncertainty: MeterUncertainty | None = None
    calibrated: date | None = None
    due: date | None = None
    settings: Mapping[str, str] = field(default_factory=dict)
    dialect: str | None = None
    references: tuple[ReferenceChannel, ...] = ()
    identity: Mapping[str, str] = field(default_factory=dict)

    @property
    def simulated_as(self) -> str | None:
        """The section of the simulation file that it is; None if it is real."""
        kind, _, name = self.resource.partition(":")
        return (name or self.name) if kind == SIMULATED else None


@dataclass(frozen=True, kw_only=True, slots=True)
class SoakUntil:
    """When a board has taken on the temperature around it, by a sensor of its own.

    ``sensor`` is a rail, whose device tells its temperature, or "instrument": the chamber's sensor at the board. Over
    the last ``time_s`` its readings must lie within ``window_k`` of each other, their slope below ``slope_k_per_s``.
    """

    sensor: str
    window_k: float
    slope_k_per_s: float
    time_s: float


@dataclass(frozen=True, kw_only=True, slots=True)
class ConditionDriver:
    """What sets a condition of the plan: a driver name and its settings.

    ``instrument`` is the one of the bench that does it. ``within`` is how close to the target counts as reached, with
    its unit, and ``stable_for_s`` for how long.
    """

    name: str
    driver: str
    settings: Mapping[str, str] = field(default_factory=dict)
    instrument: str | None = None
    within: str | None = None
    stable_for_s: float | None = None
    soak: SoakUntil | None = None


@dataclass(frozen=True, kw_only=True, slots=True)
class Watch:
    """How often the supervisor reads every rail."""

    period_s: float = 0.1


@dataclass(frozen=True, kw_only=True, slots=True)
class InputPowerCommands:
    """The commands that take the board's input power away and give it back, and how long each may take."""

    off: str
    on: str
    timeout_s: float


@dataclass(frozen=True, kw_only=True, slots=True)
class Alarm:
    """What calls a person when a board is left off, or nobody knows where: a command, started in the bench's folder."""

    command: str
    timeout_s: float = 30.0


@dataclass(frozen=True, kw_only=True, slots=True)
class BenchFile:
    """A bench as its file says it.

    ``channels`` maps rails to scanner channels of ``meter``; ``instruments`` are all others, by name. ``simulation`` is
    the physics file; only where ``kind`` is simulated and a link or resource says "simulated".
    """

    station: str
    kind: Literal["simulated", "hardware"]
    buses: Mapping[str, Bus]
    meter: Instrument | None
    channels: Mapping[str, int]
    conditions: Mapping[str, ConditionDriver]
    watch: Watch
    simulation: Path | None
    source: Source
    directory: Path
    alarm: Alarm | None = None
    console: str | None = None
    input_power: InputPowerCommands | None = None
    instruments: Mapping[str, Instrument] = field(default_factory=dict)
