"""What shall be done, checked and in SI units: the nouns that every other room reads.

Everything here is frozen data without behaviour beyond look-ups. `load` builds it from files; `serial` carries it
into the store and back, so that reports need no file.
"""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Literal

from cornerrun.plan.check_nouns import Acceptance, AcceptAt, At, Check, CheckCriterion, Criteria, Demonstrate, Screen
from cornerrun.plan.condition_nouns import Condition, Settle, SettleAt
from cornerrun.plan.corner_nouns import (
    AllRails,
    ControlPoints,
    CornerChoice,
    Covering,
    ForbiddenAt,
    FullFactorial,
    NamedCorner,
    Scheme,
    Screening,
    SingleRail,
)
from cornerrun.plan.fault_response import FaultResponse
from cornerrun.plan.power_up import PowerUp
from cornerrun.plan.supply import Supply
from cornerrun.plan.trim_model import TrimSweep

__all__ = [
    "AcceptAt",
    "Acceptance",
    "AllRails",
    "At",
    "Board",
    "Check",
    "CheckCriterion",
    "Condition",
    "ControlPoints",
    "CornerChoice",
    "Covering",
    "Criteria",
    "Demonstrate",
    "Device",
    "ForbiddenAt",
    "FullFactorial",
    "HardLimits",
    "NamedCorner",
    "Override",
    "PageAddress",
    "Plan",
    "Policy",
    "Proof",
    "Rail",
    "Relation",
    "Scheme",
    "Screen",
    "Screening",
    "Settle",
    "SettleAt",
    "SingleRail",
    "Source",
    "SupplyOutput",
    "Tracks",
    "Widened",
]

NOMINAL = "nominal"
HIGH = "high"
LOW = "low"


@dataclass(frozen=True, kw_only=True, slots=True)
class Source:
    """A file as it was read: where it lies, its role and the SHA-256 of its bytes, in hexadecimal."""

    role: Literal["plan", "limits", "bench", "simulation", "units", "rails", "profile", "dialect", "checks"]
    path: Path
    sha256: str


@dataclass(frozen=True, kw_only=True, slots=True)
class Board:
    """What is tested: its name and revision, as text."""

    name: str
    revision: str


@dataclass(frozen=True, kw_only=True, slots=True)
class HardLimits:
    """Voltages that nothing crosses, whatever the plan asks."""

    min_v: float
    max_v: float


@dataclass(frozen=True, kw_only=True, slots=True)
class PageAddress:
    """Which page of which device makes a rail."""

    device: str
    page: int


@dataclass(frozen=True, kw_only=True, slots=True)
class SupplyOutput:
    """Which output of which supply, an instrument of the bench, makes a rail; and the protection that it is given.

    ``over_voltage_v`` is where the output trips, ``current_limit_a`` what it delivers at most.
    """

    supply: str
    number: int
    current_limit_a: float
    over_voltage_v: float


@dataclass(frozen=True, kw_only=True, slots=True)
class Tracks:
    """A rail that hardware makes follow another: measured, never commanded."""

    rail: str
    ratio: float


@dataclass(frozen=True, kw_only=True, slots=True)
class Widened:
    """Limits of a device that are moved away from the rail while a run moves it, in volts, by name as in a plan."""

    limits_v: Mapping[str, float]


@dataclass(frozen=True, kw_only=True, slots=True)
class Override:
    """Something done against the usual cautions, and why; it needs a named person's confirmation at every run."""

    kind: str
    because: str
    rails: tuple[str, ...] = ()

    def __str__(self) -> str:
        where = f" on {', '.join(self.rails)}" if self.rails else ""
        return f"{self.kind}{where}: {self.because}"


@dataclass(frozen=True, kw_only=True, slots=True)
class Rail:
    """One supply output.

    ``levels`` holds the target of every level in volts, ``nominal`` always among them and first. A rail is moved if it
    has a second level; one that tracks another has the levels of that rail times the ratio, and is never commanded.
    ``device_limits`` are the OV and UV limits of the plan's knowledge, by lower-case register name
    (``vout_max``, ``ov_fault``, ``ov_warn``, ``uv_warn``, ``uv_fault``, ``vout_min``, ``power_good_on``,
    ``power_good_off``), in volts. ``supply`` is what else is known of the supply. ``ignores_faults`` and ``widened``
    come from the plan's overrides. ``settle_at`` is what differs from ``settle`` at levels of conditions.
    """

    name: str
    nominal_v: float
    levels: Mapping[str, float]
    hard_limits: HardLimits
    accuracy_ratio: float
    settle: Settle
    power: PageAddress | None = None
    tracks: Tracks | None = None
    tied_to: str | None = None
    why_fixed: str | None = None
    device_limits: Mapping[str, float] = field(default_factory=dict)
    supply: Supply = field(default_factory=Supply)
    output: SupplyOutput | None = None
    ignores_faults: bool = False
    widened: Widened | None = None
    settle_at: tuple[SettleAt, ...] = ()

    def settle_in(self, conditions: Mapping[str, str]) -> Settle:
        """Tell how the rail settles at levels of conditions: of several that say it, the longest and the widest."""
        here = [one for one in self.settle_at if conditions.get(one.condition) == one.level]
        if not here:
            return self.settle
        return Settle(
            band_ratio=_most((one.band_ratio for one in here), self.settle.band_ratio),
            stable_for_s=_most((one.stable_for_s for one in here), self.settle.stable_for_s),
            timeout_s=_most((one.timeout_s for one in here), self.settle.timeout_s),
        )

    @property
    def longest_settle_s(self) -> float:
        """How long the rail may take at most, whatever the conditions."""
        return max((self.settle.timeout_s, *(one.timeout_s for one in self.settle_at if one.timeout_s is not None)))

    @property
    def is_commanded(self) -> bool:
        """Whether the product moves this rail itself."""
        return len(self.levels) > 1 and self.tracks is None and self.maker is not None

    @property
    def maker(self) -> str | None:
        """The device or the supply that makes this rail and measures it; None if nothing does."""
        if self.power is not None:
            return self.power.device
        return None if self.output is None else self.output.supply

    @property
    def place(self) -> str:
        """Where this rail is made, in words."""
        if self.power is not None:
            return f"{self.power.device} page {self.power.page}"
        return "nothing" if self.output is None else f"{self.output.supply} output {self.output.number}"

    @property
    def is_moved(self) -> bool:
        """Whether this rail ever leaves nominal, by command or by tracking."""
        return len(self.levels) > 1


@dataclass(frozen=True, kw_only=True, slots=True)
class Device:
    """A power manager: the bus it sits on, its seven-bit address, its profile and the identity it must show.

    ``identity`` maps ``model``, ``maker``, ``revision``, ``serial`` to the text that MFR_MODEL, MFR_ID, MFR_REVISION,
    MFR_SERIAL must hold. ``vout_mode`` is the VOUT_MODE byte that the device must show; None takes what it shows.
    ``scan_s`` replaces the profile's time between conversions.
    """

    name: str
    bus: str
    address: int
    profile: str
    identity: Mapping[str, str] = field(default_factory=dict)
    vout_mode: int | None = None
    scan_s: float | None = None


@dataclass(frozen=True, kw_only=True, slots=True)
class Relation:
    """A difference of two rails that must hold at every instant: ``min_v <= rail - minus <= max_v``."""

    rail: str
    minus: str
    min_v: float | None = None
    max_v: float | None = None


@dataclass(frozen=True, kw_only=True, slots=True)
class Policy:
    """What the run does after a fault or a failed visit: go on with the next corner, or end the run at nominal.

    After a trip it may also visit the corner again, ``retries`` times at most. ``retry_period_s`` is the longest pause
    between two tries of a device that turns a tripped output on by itself: only what is good for longer has recovered.
    After a failed visit it may hold the board as it is for ``hold_s``, watched, for a person to probe, and then go on.
    """

    on_trip: Literal["stop", "skip corner", "retry"] = "stop"
    retries: int = 1
    retry_period_s: float = 1.0
    on_fail: Literal["go on", "stop", "hold"] = "go on"
    hold_s: float = 0.0


@dataclass(frozen=True, kw_only=True, slots=True)
class Proof:
    """The direction and wiring proof before the first margin: each rail alone by a small step.

    ``step_ratio`` is a share of the rail's nominal; ``coupling_ratio`` is how far any other rail may move meanwhile, as
    a share of its own nominal.
    """

    step_ratio: float = 0.01
    coupling_ratio: float = 0.002


@dataclass(frozen=True, kw_only=True, slots=True)
class Plan:
    """What shall be done on one board: read, checked and in SI units.

    ``rails`` keep the order of the file, ``conditions`` stand outermost first. ``sources`` are the plan and limits
    files with their hashes.
    ``limits_kept`` says, by rail, why its device's own limits are left as they are during a run.
    """

    title: str
    board: Board
    bench: Path | None
    devices: Mapping[str, Device]
    rails: tuple[Rail, ...]
    groups: Mapping[str, tuple[str, ...]]
    relations: tuple[Relation, ...]
    conditions: tuple[Condition, ...]
    corners: CornerChoice
    checks: tuple[Check, ...]
    criteria: Criteria
    policy: Policy
    sources: tuple[Source, ...]
    directory: Path
    proof: Proof | None = None
    trim: TrimSweep | None = None
    purpose: str = ""
    limits_kept: Mapping[str, str] = field(default_factory=dict)
    power_up: PowerUp | None = None
    fault_responses: tuple[FaultResponse, ...] = ()
    overrides: tuple[Override, ...] = ()

    def rail(self, name: str) -> Rail:
        """Look up a rail by name; KeyError if there is none."""
        for rail in self.rails:
            if rail.name == name:
                return rail
        raise KeyError(name)

    @property
    def commanded_rails(self) -> tuple[Rail, ...]:
        """The rails that the product moves itself, in plan order."""
        return tuple(rail for rail in self.rails if rail.is_commanded)


def _most(given: Iterable[float | None], otherwise: float) -> float:
    return max((value for value in given if value is not None), default=otherwise)
