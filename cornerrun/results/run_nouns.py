"""A run as a whole: what was asked, on what it was made, and how it ended."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime
from enum import StrEnum

from cornerrun.corners.model import Corner, NotRunnable
from cornerrun.plan.model import Override, Source

__all__ = [
    "BY_GUARDIAN",
    "HOLD",
    "EndState",
    "InstrumentRecord",
    "ReferenceRecord",
    "Run",
    "RunRequest",
    "RunResult",
    "SetpointRecord",
]


class RunResult(StrEnum):
    """What a run says of its board."""

    PASS = "pass"
    FAIL = "fail"
    INCONCLUSIVE = "inconclusive"
    INCOMPLETE = "incomplete"
    INVALID = "invalid"


class EndState(StrEnum):
    """Where the board was left."""

    NOMINAL = "nominal"
    OFF = "off"
    UNKNOWN = "unknown"


@dataclass(frozen=True, kw_only=True, slots=True)
class ReferenceRecord:
    """What a meter read, before the run, of a channel that is known: "shorted" or "check standard".

    ``reading_v`` None: overload, or no reading.
    """

    name: str
    channel: int
    value_v: float
    within_v: float
    reading_v: float | None

    @property
    def is_good(self) -> bool:
        """Whether the reading lies within its bounds."""
        return self.reading_v is not None and abs(self.reading_v - self.value_v) <= self.within_v


HOLD = "hold at "
"""How the title of a hold begins."""

BY_GUARDIAN = "the guardian took over"
"""How the reason of a run begins that was lost, and whose guardian brought the board back."""


@dataclass(frozen=True, kw_only=True, slots=True)
class InstrumentRecord:
    """An instrument as used: who it says it is, and its calibration and specification as the bench file states them.

    ``references`` are what it read of what is known, before the run.
    """

    name: str
    identity: str
    resource: str
    calibrated: str | None
    due: str | None
    nplc: float | None
    line_hz: float | None
    reading_ratio: float | None
    range_ratio: float | None
    coverage: float | None
    references: tuple[ReferenceRecord, ...] = ()


@dataclass(frozen=True, kw_only=True, slots=True)
class SetpointRecord:
    """A level of a rail as its device holds it."""

    rail: str
    level: str
    target_v: float
    word: int
    decoded_v: float


@dataclass(frozen=True, kw_only=True, slots=True)
class RunRequest:
    """How a run was asked for, so that it can go on later: files by absolute path, and what chose its steps.

    ``bench_seed`` is that of the simulated bench; None leaves the seed of its file. ``overrides`` are what was done
    against the usual cautions, confirmed by that person.
    """

    plan: str = ""
    bench: str = ""
    limits: str = ""
    only: tuple[str, ...] = ()
    repeats: int | None = None
    interleave: tuple[str, ...] = ()
    staged: bool = False
    bench_seed: int | None = None
    overrides: tuple[Override, ...] = ()
    confirmed_by: str = ""


@dataclass(frozen=True, kw_only=True, slots=True)
class Run:
    """A run of a plan on one unit.

    ``plan_json`` is the whole plan (`cornerrun.plan.serial`). ``ended_utc``, ``result`` and ``end_state`` are None
    while the run goes on, or if it was killed.
    """

    run_id: str
    bench_id: str
    bench_kind: str
    station: str
    serial: str
    operator: str
    title: str
    seed: int
    started_utc: datetime
    plan_json: str
    sources: tuple[Source, ...]
    versions: Mapping[str, str]
    devices: Mapping[str, Mapping[str, str]]
    instruments: tuple[InstrumentRecord, ...]
    setpoints: tuple[SetpointRecord, ...]
    corners: tuple[Corner, ...]
    not_runnable: tuple[NotRunnable, ...]
    unit_data: Mapping[str, str] = field(default_factory=dict)
    planned_visits: int = 0
    ended_utc: datetime | None = None
    result: RunResult | None = None
    end_state: EndState | None = None
    why: str = ""
    request: RunRequest = field(default_factory=RunRequest)

    @property
    def is_hold(self) -> bool:
        """Whether a person held the board at one corner (`cornerrun goto`): no test, whatever it met."""
        return not self.request.plan and self.title.startswith(HOLD)
