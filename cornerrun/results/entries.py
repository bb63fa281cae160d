"""What a store keeps, as data: the same entry goes into its tables or, if they fail, into its spill file."""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from types import MappingProxyType

from cornerrun.bench.ports import Baseline, RestoreRecipe
from cornerrun.results.bench_records import Latch
from cornerrun.results.condition_change import ConditionChange
from cornerrun.results.fault_trial import FaultTrial
from cornerrun.results.records import (
    EndState,
    Event,
    Intent,
    ProofStep,
    Run,
    RunResult,
    Snapshot,
    VisitRecord,
)

__all__ = ["KINDS", "Acknowledgement", "Beginning", "Discarded", "Ending", "Entry", "Resumption"]


@dataclass(frozen=True, kw_only=True, slots=True)
class Beginning:
    """A run, with what brings its board back."""

    run: Run
    recipe: RestoreRecipe
    baseline: Baseline


@dataclass(frozen=True, kw_only=True, slots=True)
class Ending:
    """How a run ended."""

    result: RunResult
    end_state: EndState
    why: str
    ended_utc: datetime


@dataclass(frozen=True, kw_only=True, slots=True)
class Resumption:
    """A run that had ended early goes on."""

    by: str
    at_utc: datetime


@dataclass(frozen=True, kw_only=True, slots=True)
class Discarded:
    """A visit that was broken off and is made again: it is put aside as it was."""

    record: VisitRecord


@dataclass(frozen=True, kw_only=True, slots=True)
class Acknowledgement:
    """A named person has seen why a bench was left off; ``found`` is what they found."""

    bench_id: str
    by: str
    found: str
    at_utc: datetime


@dataclass(frozen=True, kw_only=True, slots=True)
class Entry:
    """One thing to keep; ``kind`` is a key of `KINDS`, which tells the type of ``record``."""

    kind: str
    run_id: str
    record: object


KINDS: Mapping[str, type[object]] = MappingProxyType(
    {
        "begin": Beginning,
        "intent": Intent,
        "visit": VisitRecord,
        "event": Event,
        "end": Ending,
        "snapshot": Snapshot,
        "proof": ProofStep,
        "fault trial": FaultTrial,
        "rest": ConditionChange,
        "resume": Resumption,
        "discard": Discarded,
        "latch": Latch,
        "acknowledge": Acknowledgement,
    }
)
