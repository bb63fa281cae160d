"""What a run tells while it goes on: frozen events, and the one method that takes them."""

from dataclasses import dataclass
from typing import Protocol

from cornerrun.corners.model import Step
from cornerrun.results.records import EndState, RunResult, VisitRecord

__all__ = [
    "CheckProgress",
    "ConditionProgress",
    "Listener",
    "Notice",
    "ProgressEvent",
    "RunEnded",
    "RunStarted",
    "SettleProgress",
    "StepStarted",
    "VisitEnded",
]


@dataclass(frozen=True, kw_only=True, slots=True)
class RunStarted:
    """The bench is proven and the baseline stored; nothing has moved yet."""

    run_id: str
    steps: int


@dataclass(frozen=True, kw_only=True, slots=True)
class StepStarted:
    """A step begins; ``off_nominal`` counts rails that it holds away from nominal."""

    step: Step
    off_nominal: int


@dataclass(frozen=True, kw_only=True, slots=True)
class ConditionProgress:
    """A condition is on its way; ``level`` is empty on the way to rest, ``left_s`` tells the rest of a ramp."""

    condition: str
    unit: str
    level: str
    target: float
    reading: float | None
    left_s: float | None


@dataclass(frozen=True, kw_only=True, slots=True)
class SettleProgress:
    """So many of the rails that moved have settled."""

    settled: int
    moved: int


@dataclass(frozen=True, kw_only=True, slots=True)
class CheckProgress:
    """A check has run so many of its trials."""

    check: str
    done: int
    trials: int
    failures: int


@dataclass(frozen=True, kw_only=True, slots=True)
class VisitEnded:
    """A visit is over; ``left_s`` estimates the time that the remaining steps need, from those done so far."""

    record: VisitRecord
    left_s: float


@dataclass(frozen=True, kw_only=True, slots=True)
class Notice:
    """Something to be read at once: ``severity`` is "note", "warning" or "error"."""

    severity: str
    text: str


@dataclass(frozen=True, kw_only=True, slots=True)
class RunEnded:
    """The run is over and the board is where ``end_state`` says."""

    run_id: str
    result: RunResult
    end_state: EndState
    why: str


ProgressEvent = (
    RunStarted | StepStarted | ConditionProgress | SettleProgress | CheckProgress | VisitEnded | Notice | RunEnded
)


class Listener(Protocol):
    """Takes progress events; must return at once and never raise."""

    def tell(self, event: ProgressEvent) -> None:
        """Take one event."""
        ...
