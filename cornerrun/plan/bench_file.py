"""Where the plan is carried out: station, buses, instruments, channels. It alone says simulated or hardware."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date
from pathlib import Path
from typing import Literal

from cornerrun.plan.model import Source

__all__ = ["Alarm", "BenchFile", "Bus", "ConditionDriver", "Instrument", "MeterUncertainty", "Watch"]


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
class Instrument:
    """An instrument: its driver, its VISA resource (or "simulated"), and its settings and calibration."""

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


@dataclass(frozen=True, kw_only=True, slots=True)
class ConditionDriver:
    """What sets a condition of the plan: a driver name and its settings."""

    name: str
    driver: str
    settings: Mapping[str, str] = field(default_factory=dict)


@dataclass(frozen=True, kw_only=True, slots=True)
class Watch:
    """How often the supervisor reads every rail."""

    period_s: float = 0.1


@dataclass(frozen=True, kw_only=True, slots=True)
class Alarm:
    """What calls a person when a board is left off, or nobody knows where: a command, started in the bench's folder."""

    command: str
    timeout_s: float = 30.0


@dataclass(frozen=True, kw_only=True, slots=True)
class BenchFile:
    """A bench as its file says it.

    ``channels`` maps rails to scanner channels of ``meter``. ``simulation`` is the physics file; only where ``kind`` is
    simulated and a link or resource says "simulated".
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
