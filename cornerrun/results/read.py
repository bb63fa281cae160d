"""Get runs and everything of them out of the tables of a store."""

import gc
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import replace
from itertools import groupby
from operator import itemgetter
from typing import Any, Generic, TypeVar, cast

from sqlalchemy import Connection, Select, Table, inspect, select

from cornerrun.bench.ports import Baseline, RestoreRecipe
from cornerrun.corners.model import Step
from cornerrun.results import schema
from cornerrun.results.bench_records import Latch
from cornerrun.results.codec import from_json, utc_from_text
from cornerrun.results.condition_change import ConditionChange
from cornerrun.results.fault_trial import FaultTrial
from cornerrun.results.heads import Head
from cornerrun.results.records import Event, Intent, ProofStep, Run, Snapshot, VisitRecord
from cornerrun.results.rows import Row, event_from_row, latch_from_row, run_from_row
from cornerrun.results.visit_rows import PACKED_FIELDS, VisitReader

__all__ = [
    "baseline",
    "events",
    "fault_trials",
    "last_intent",
    "latches",
    "proof",
    "recipe",
    "run_ids",
    "runs",
    "snapshots",
    "trail_head",
    "visits",
]

R = TypeVar("R")

_ROWS_AT_ONCE = 2000  # chosen: a megabyte or so

_PARTS = (schema.checks, schema.trials, schema.faults)
_LATER_PARTS = (schema.tests, schema.changes)


def runs(
    connection: Connection,
    *,
    bench_id: str | None = None,
    serial: str | None = None,
    prefix: str | None = None,
    is_unfinished: bool = False,
    limit: int | None = None,
) -> tuple[Run, ...]:
    """Return the runs that match all that is given, newest first."""
    table = schema.runs
    query = select(table).order_by(table.c.started_utc.desc(), table.c.run_id.desc())
    if bench_id is not None:
        query = query.where(table.c.bench_id == bench_id)
    if serial is not None:
        query = query.where(table.c.serial == serial)
    if prefix is not None:
        query = query.where(table.c.run_id.startswith(prefix, autoescape=True))
    if is_unfinished:
        query = query.where(table.c.ended_utc.is_(None))
    if limit is not None:
        query = query.limit(limit)
    return tuple(run_from_row(row) for row in _rows(connection, query))


def run_ids(connection: Connection, prefix: str) -> tuple[str, ...]:
    """Return the identifiers that begin so, newest first, those only an audit trail still knows last."""
    table = schema.runs
    query = select(table.c.run_id).order_by(table.c.started_utc.desc(), table.c.run_id.desc())
    found = list(connection.execute(query.where(table.c.run_id.startswith(prefix, autoescape=True))).scalars())
    trails = select(schema.audit.c.run_id).where(schema.audit.c.link == 0)
    trails = trails.where(schema.audit.c.run_id.startswith(prefix, autoescape=True))
    found += [row["run_id"] for row in _later_rows(connection, schema.audit, trails)]
    return tuple(dict.fromkeys(found))


def visits(connection: Connection, run_id: str, *, traces: bool = True) -> tuple[VisitRecord, ...]:
    """Return every visit of a run, in order; without its traces of settling, which are large, unless they are wanted.

    The tables are read side by side, visit by visit: a run of a million readings is never held twice.
    """
    parts = {table.name: _ByVisit(_part_rows(connection, table, run_id), _visit_of) for table in _PARTS}
    for table in (*_LATER_PARTS, schema.traces) if traces else _LATER_PARTS:
        found = select(table).where(table.c.run_id == run_id).order_by(table.c.visit)
        parts[table.name] = _ByVisit(_later_rows(connection, table, found), _visit_of)
    packed = {
        name: _ByVisit(_cells(connection, schema.metadata.tables[name], fields, run_id), itemgetter(0))
        for name, fields in PACKED_FIELDS.items()
    }
    own = select(schema.visits).where(schema.visits.c.run_id == run_id).order_by(schema.visits.c.visit)
    reader = VisitReader()
    with _nothing_collected():
        records = [
            reader.record(
                row,
                {name: rows.of(row["visit"]) for name, rows in parts.items()},
                {name: tuple(zip(*rows.of(row["visit"]), strict=True))[1:] for name, rows in packed.items()},
            )
            for row in _rows(connection, own)
        ]
    return tuple(sorted(records, key=lambda record: (record.visit.start_s, record.visit.ordinal)))


def events(connection: Connection, run_id: str) -> tuple[Event, ...]:
    """Return every event of a run, in the order in which they were kept."""
    table = schema.events
    query = select(table).where(table.c.run_id == run_id).order_by(table.c.event)
    return tuple(event_from_row(row) for row in _rows(connection, query))


def snapshots(connection: Connection, run_id: str) -> tuple[Snapshot, ...]:
    """Return the configuration of a run's devices, before and after; of several after, the last."""
    table = schema.snapshots
    query = select(table.c.snapshot_json).where(table.c.run_id == run_id).order_by(table.c.at_utc)
    found = [from_json(row["snapshot_json"], Snapshot) for row in _later_rows(connection, table, query)]
    by_moment = {one.moment.partition(" ")[0]: one for one in found}
    return tuple(replace(one, moment=moment) for moment, one in by_moment.items())


def proof(connection: Connection, run_id: str) -> tuple[ProofStep, ...]:
    """Return the steps of a run's wiring proof, in order; of one that was begun again, the later ones."""
    table = schema.proofs
    query = select(table.c.step_json).where(table.c.run_id == run_id).order_by(table.c.proof)
    steps = [from_json(row["step_json"], ProofStep) for row in _later_rows(connection, table, query)]
    return tuple({step.rail: step for step in steps}.values())


def fault_trials(connection: Connection, run_id: str) -> tuple[FaultTrial, ...]:
    """Return what came of provoked faults, in order; of one that was provoked again, the later."""
    table = schema.fault_trials
    query = select(table.c.trial_json).where(table.c.run_id == run_id).order_by(table.c.fault_trial)
    found = [from_json(row["trial_json"], FaultTrial) for row in _later_rows(connection, table, query)]
    return tuple({(one.rail, one.fault): one for one in found}.values())


def rests(connection: Connection, run_id: str) -> tuple[ConditionChange, ...]:
    """Return how conditions were brought to where they were left, in order."""
    table = schema.rests
    query = select(table.c.change_json).where(table.c.run_id == run_id).order_by(table.c.rest)
    return tuple(from_json(row["change_json"], ConditionChange) for row in _later_rows(connection, table, query))


def latches(connection: Connection, *, bench_id: str | None, only_open: bool) -> tuple[Latch, ...]:
    """Return latches, newest first."""
    table = schema.latches
    query = select(table).order_by(table.c.latch.desc())
    if bench_id is not None:
        query = query.where(table.c.bench_id == bench_id)
    if only_open:
        query = query.where(table.c.acknowledged_utc.is_(None))
    return tuple(latch_from_row(row) for row in _later_rows(connection, table, query))


def trail_head(connection: Connection, run_id: str) -> Head | None:
    """Return how the audit trail of a run ends; None if it has none."""
    table = schema.audit
    query = select(table.c.link, table.c.sha256).where(table.c.run_id == run_id).order_by(table.c.link.desc()).limit(1)
    for row in _later_rows(connection, table, query):
        return Head(links=row["link"] + 1, sha256=row["sha256"])
    return None


def last_intent(connection: Connection, run_id: str) -> Intent | None:
    """Return the intent kept last; None if the run never moved a rail."""
    table = schema.intents
    query = select(table).where(table.c.run_id == run_id).order_by(table.c.intent.desc()).limit(1)
    for row in _rows(connection, query):
        return Intent(run_id=run_id, step=from_json(row["step_json"], Step), at_utc=utc_from_text(row["at_utc"]))
    return None


def recipe(connection: Connection, run_id: str) -> RestoreRecipe | None:
    """Return the way back of a run; None if there is no such run."""
    text = _baseline_cell(connection, run_id, "recipe_json")
    return None if text is None else from_json(text, RestoreRecipe)


def baseline(connection: Connection, run_id: str) -> Baseline | None:
    """Return the baseline of a run; None if there is no such run."""
    text = _baseline_cell(connection, run_id, "baseline_json")
    return None if text is None else from_json(text, Baseline)


def _baseline_cell(connection: Connection, run_id: str, column: str) -> str | None:
    table = schema.baselines
    return connection.execute(select(table.c[column]).where(table.c.run_id == run_id)).scalar_one_or_none()


@contextmanager
def _nothing_collected() -> Iterator[None]:
    """Look for no garbage while millions of records are made, none of which is any: a third of the time otherwise."""
    was_enabled = gc.isenabled()
    gc.disable()
    try:
        yield
    finally:
        if was_enabled:
            gc.enable()


class _ByVisit(Generic[R]):
    """Rows in order of visits, handed out visit by visit; those of a visit that nobody asks for are passed over."""

    def __init__(self, rows: Iterable[R], visit: Callable[[R], int]) -> None:
        self._groups = groupby(rows, key=visit)
        self._next = next(self._groups, None)

    def of(self, visit: int) -> Sequence[R]:
        """Take the rows of a visit; visits are asked for in rising order."""
        while self._next is not None and self._next[0] < visit:
            self._next = next(self._groups, None)
        if self._next is None or self._next[0] != visit:
            return ()
        rows = list(self._next[1])
        self._next = next(self._groups, None)
        return rows


def _visit_of(row: Row) -> int:
    return cast("int", row["visit"])


# Any: a cell holds text, a number or nothing, as its column says.
def _cells(connection: Connection, table: Table, fields: Sequence[str], run_id: str) -> Iterator[tuple[Any, ...]]:
    """Give rows as plain tuples, the visit first: of millions of rows, nothing else is fast."""
    columns = [table.c[name] for name in ("visit", *fields)]
    query = select(*columns).where(table.c.run_id == run_id).order_by(table.c.visit, table.c.position)
    for rows in connection.execute(query).partitions(_ROWS_AT_ONCE):
        yield from cast("Iterable[tuple[Any, ...]]", rows)


def _part_rows(connection: Connection, table: Table, run_id: str) -> Iterator[Row]:
    return _rows(connection, select(table).where(table.c.run_id == run_id).order_by(table.c.visit, table.c.position))


def _later_rows(connection: Connection, table: Table, query: "Select[tuple[object, ...]]") -> Iterator[Row]:
    """Give rows of a table that an older store, opened only for reading, may not have."""
    if inspect(connection).has_table(table.name):
        yield from cast("Iterable[Row]", connection.execute(query).mappings())


def _rows(connection: Connection, query: "Select[tuple[object, ...]]") -> Iterator[Row]:
    # A RowMapping is keyed by str here; SQLAlchemy types it by anything that names a column.
    yield from cast("Iterable[Row]", connection.execute(query).mappings())
