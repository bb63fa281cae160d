"""Records <-> rows of the store's tables: plain data both ways, no database here."""

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from cornerrun.corners.model import Corner, NotRunnable
from cornerrun.plan.model import Source
from cornerrun.results.bench_records import Latch
from cornerrun.results.codec import clean_text, from_json, to_json, utc_from_text, utc_text
from cornerrun.results.records import (
    EndState,
    Event,
    InstrumentRecord,
    Run,
    RunRequest,
    RunResult,
    SetpointRecord,
)

__all__ = [
    "Row",
    "event_from_row",
    "event_row",
    "latch_from_row",
    "latch_row",
    "number_of",
    "run_from_row",
    "run_row",
]

Row = Mapping[str, Any]  # Any: a cell holds text, a number or nothing, as its column says


@dataclass(frozen=True, kw_only=True, slots=True)
class _Details:
    """What of a run is kept as one JSON text: nobody searches by it."""

    seed: int
    sources: tuple[Source, ...]
    versions: Mapping[str, str]
    devices: Mapping[str, Mapping[str, str]]
    instruments: tuple[InstrumentRecord, ...]
    setpoints: tuple[SetpointRecord, ...]
    corners: tuple[Corner, ...]
    not_runnable: tuple[NotRunnable, ...]
    unit_data: Mapping[str, str]
    request: RunRequest = field(default_factory=RunRequest)


_DETAILS = tuple(_Details.__dataclass_fields__)


def run_row(run: Run) -> Row:
    """Return the row of a run."""
    return {
        "run_id": run.run_id,
        "bench_id": clean_text(run.bench_id),
        "bench_kind": run.bench_kind,
        "station": clean_text(run.station),
        "serial": clean_text(run.serial),
        "operator": clean_text(run.operator),
        "title": clean_text(run.title),
        "started_utc": utc_text(run.started_utc),
        "planned_visits": run.planned_visits,
        "plan_json": clean_text(run.plan_json),
        "details_json": to_json(_Details(**{name: getattr(run, name) for name in _DETAILS})),
        "ended_utc": None if run.ended_utc is None else utc_text(run.ended_utc),
        "result": None if run.result is None else run.result.value,
        "end_state": None if run.end_state is None else run.end_state.value,
        "why": clean_text(run.why),
    }


def run_from_row(row: Row) -> Run:
    """Return the run of a row."""
    details = from_json(row["details_json"], _Details)
    return Run(
        run_id=row["run_id"],
        bench_id=row["bench_id"],
        bench_kind=row["bench_kind"],
        station=row["station"],
        serial=row["serial"],
        operator=row["operator"],
        title=row["title"],
        started_utc=utc_from_text(row["started_utc"]),
        planned_visits=row["planned_visits"],
        plan_json=row["plan_json"],
        ended_utc=None if row["ended_utc"] is None else utc_from_text(row["ended_utc"]),
        result=None if row["result"] is None else RunResult(row["result"]),
        end_state=None if row["end_state"] is None else EndState(row["end_state"]),
        why=row["why"],
        **{name: getattr(details, name) for name in _DETAILS},
    )


def event_row(run_id: str, event: Event) -> Row:
    """Return the row of an event."""
    return {
        "run_id": run_id,
        "at_s": event.at_s,
        "at_utc": utc_text(event.at_utc),
        "severity": event.severity,
        "what": clean_text(event.what),
        "rail": clean_text(event.rail),
    }


def event_from_row(row: Row) -> Event:
    """Return the event of a row."""
    return Event(
        at_s=number_of(row["at_s"]),
        at_utc=utc_from_text(row["at_utc"]),
        severity=row["severity"],
        what=row["what"],
        rail=row["rail"],
    )


def latch_row(latch: Latch) -> Row:
    """Return the row of a latch."""
    return {
        "bench_id": clean_text(latch.bench_id),
        "run_id": latch.run_id,
        "end_state": latch.end_state,
        "why": clean_text(latch.why),
        "set_utc": utc_text(latch.set_utc),
        "acknowledged_utc": None if latch.acknowledged_utc is None else utc_text(latch.acknowledged_utc),
        "acknowledged_by": clean_text(latch.acknowledged_by),
        "found": clean_text(latch.found),
    }


def latch_from_row(row: Row) -> Latch:
    """Return the latch of a row."""
    acknowledged = row["acknowledged_utc"]
    return Latch(
        bench_id=row["bench_id"],
        run_id=row["run_id"],
        end_state=row["end_state"],
        why=row["why"],
        set_utc=utc_from_text(row["set_utc"]),
        acknowledged_utc=None if acknowledged is None else utc_from_text(acknowledged),
        acknowledged_by=row["acknowledged_by"],
        found=row["found"],
    )


def number_of(cell: float | None) -> float:
    """Return the number of a cell where one is due: SQLite keeps NaN as NULL."""
    return math.nan if cell is None else cell
