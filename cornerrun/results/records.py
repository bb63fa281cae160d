"""What happened, as frozen records: the run writes them, the store keeps them, reports read them."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from enum import StrEnum

from cornerrun.bench.ports import StatusCapture
from cornerrun.corners.model import Step
from cornerrun.results.bench_records import Latch, ProofReading, ProofStep, Snapshot
from cornerrun.results.condition_change import ConditionChange
from cornerrun.results.fault_trial import FaultTrial
from cornerrun.results.heads import Head
from cornerrun.results.run_nouns import (
    BY_GUARDIAN,
    HOLD,
    EndState,
    InstrumentRecord,
    ReferenceRecord,
    Run,
    RunRequest,
    RunResult,
    SetpointRecord,
)

__all__ = [
    "BY_GUARDIAN",
    "HOLD",
    "CheckResult",
    "EndState",
    "Event",
    "Fault",
    "Head",
    "InstrumentRecord",
    "Intent",
    "Latch",
    "Outcome",
    "ProofReading",
    "ProofStep",
    "Reading",
    "ReferenceRecord",
    "Run",
    "RunData",
    "RunRequest",
    "RunResult",
    "SetpointRecord",
    "SettleTrace",
    "Snapshot",
    "SuiteTest",
    "Trial",
    "Visit",
    "VisitRecord",
    "WatchRange",
]


class Outcome(StrEnum):
    """How a visit, a rail or a check ended: disjoint, the first that applies in this order."""

    ABORTED = "aborted"
    ERROR = "error"
    TRIPPED = "tripped"
    NOT_SETTLED = "not-settled"
    DISPUTED = "disputed"
    FAIL_VOLTAGE = "fail-voltage"
    NO_ANSWER = "no-answer"
    FAIL_FUNCTIONAL = "fail-functional"
    PASS = "pass"
    SKIPPED = "skipped"
    NOT_RUN = "not-run"

    @property
    def is_product_failure(self) -> bool:
        """Whether the product, not the bench, failed."""
        return self in {
            Outcome.TRIPPED,
            Outcome.NOT_SETTLED,
            Outcome.FAIL_VOLTAGE,
            Outcome.NO_ANSWER,
            Outcome.FAIL_FUNCTIONAL,
        }

    @property
    def is_bench_trouble(self) -> bool:
        """Whether nothing can be said of the product: never a failure of it and never a pass."""
        return self in {Outcome.ABORTED, Outcome.ERROR, Outcome.DISPUTED}


@dataclass(frozen=True, kw_only=True, slots=True)
class Intent:
    """What is about to be done: committed before the first write of a step."""

    run_id: str
    step: Step
    at_utc: datetime


@dataclass(frozen=True, kw_only=True, slots=True)
class Visit:
    """One stay at one corner. ``start_s`` and ``end_s`` are monotonic seconds since the run began."""

    ordinal: int
    corner: str
    repeat: int
    is_control: bool
    outcome: Outcome
    reason: str
    started_utc: datetime
    start_s: float
    end_s: float
    is_after_seam: bool = False
    is_void: bool = False
    phase_s: Mapping[str, float] = field(default_factory=dict)
    conditions: Mapping[str, float] = field(default_factory=dict)


@dataclass(frozen=True, kw_only=True, slots=True)
class Reading:
    """A rail at a visit: asked for, encoded, measured by its device and by the reference meter.

    ``settle_s`` is None for a rail that did not move. ``telemetry_v`` is the mean of the settled readings,
    ``telemetry_n`` their number. ``outcome`` is the rail's own.
    """

    rail: str
    level: str
    target_v: float
    setpoint_v: float | None
    word: int | None
    telemetry_v: float | None
    telemetry_n: int
    reference_v: float | None
    reference_range_v: float | None
    settle_s: float | None
    status_word: int | None
    current_a: float | None
    temperature_degc: float | None
    outcome: Outcome
    reason: str = ""


@dataclass(frozen=True, kw_only=True, slots=True)
class WatchRange:
    """The least and the greatest voltage that the supervisor saw on a rail during one part of a visit.

    ``during`` is "settle", "measure" or the name of a check.
    """

    rail: str
    during: str
    min_v: float
    max_v: float
    samples: int


@dataclass(frozen=True, kw_only=True, slots=True)
class Trial:
    """One execution of a check; ``passed`` is None where it gave no verdict. ``output`` is its tail, at most 4 KiB."""

    check: str
    trial: int
    passed: bool | None
    numbers: Mapping[str, float]
    duration_s: float
    output: str = ""
    reason: str = ""


@dataclass(frozen=True, kw_only=True, slots=True)
class CheckResult:
    """A check at a visit."""

    check: str
    outcome: Outcome
    reason: str
    trials: int
    failures: int


@dataclass(frozen=True, kw_only=True, slots=True)
class SettleTrace:
    """How a rail came to rest after one command: its fresh readings, as seconds since the command and volts."""

    rail: str
    target_v: float
    points: tuple[tuple[float, float], ...]


@dataclass(frozen=True, kw_only=True, slots=True)
class SuiteTest:
    """One test of a suite in one trial of a check.

    ``passed`` is None where it gave no verdict: it was skipped, or its set-up broke; ``reason`` says which.
    """

    check: str
    trial: int
    name: str
    passed: bool | None
    duration_s: float
    reason: str = ""


@dataclass(frozen=True, kw_only=True, slots=True)
class Fault:
    """A fault as captured and classified. ``originator`` is a rail or "undetermined"; never a guess."""

    visit: int
    at_s: float
    kind: str
    originator: str
    followers: tuple[str, ...]
    why: str
    captures: tuple[StatusCapture, ...]


@dataclass(frozen=True, kw_only=True, slots=True)
class Event:
    """Something that a reader of the report must know: a retry, an override, a signal, a seam."""

    at_s: float
    at_utc: datetime
    severity: str
    what: str
    rail: str = ""


@dataclass(frozen=True, kw_only=True, slots=True)
class VisitRecord:
    """Everything of one visit; its rows are committed together.

    Of a visit that a store gives back, ``readings``, ``watched`` and ``traces`` are packed (`packed`).
    """

    visit: Visit
    readings: Sequence[Reading]
    checks: tuple[CheckResult, ...] = ()
    trials: tuple[Trial, ...] = ()
    faults: tuple[Fault, ...] = ()
    watched: Sequence[WatchRange] = ()
    traces: Sequence[SettleTrace] = ()
    tests: tuple[SuiteTest, ...] = ()
    changes: tuple[ConditionChange, ...] = ()

    def __post_init__(self) -> None:
        """Freeze the lists that a reader of JSON makes of sequences."""
        for name in ("readings", "watched", "traces"):
            found = getattr(self, name)
            if isinstance(found, list):
                object.__setattr__(self, name, tuple(found))


@dataclass(frozen=True, kw_only=True, slots=True)
class RunData:
    """A whole run as the store gives it back, visits and events in order.

    ``proof`` holds one step of the wiring proof for each rail that was stepped, ``snapshots`` the configuration before
    and after, ``fault_trials`` what came of provoked faults, ``rests`` how conditions were brought to where they were
    left; all are empty where there was none. ``trail`` is the head of the audit trail.
    """

    run: Run
    visits: tuple[VisitRecord, ...]
    events: tuple[Event, ...]
    proof: tuple[ProofStep, ...] = ()
    fault_trials: tuple[FaultTrial, ...] = ()
    rests: tuple[ConditionChange, ...] = ()
    snapshots: tuple[Snapshot, ...] = ()
    trail: Head | None = None
