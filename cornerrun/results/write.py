"""Put entries into the tables of a store."""

from collections.abc import Mapping, Sequence
from functools import lru_cache
from operator import itemgetter

from sqlalchemy import Connection, Dialect, Engine, Table, delete, insert, select, update
from sqlalchemy.exc import DBAPIError, SQLAlchemyError

from cornerrun.errors import StoreError
from cornerrun.results import schema, trail
from cornerrun.results.bench_records import Latch
from cornerrun.results.codec import clean_text, to_json, utc_text
from cornerrun.results.condition_change import ConditionChange
from cornerrun.results.connect import transaction
from cornerrun.results.entries import Acknowledgement, Beginning, Discarded, Ending, Entry, Resumption
from cornerrun.results.fault_trial import FaultTrial
from cornerrun.results.records import EndState, Event, Intent, ProofStep, Snapshot, VisitRecord
from cornerrun.results.rows import Row, event_row, latch_row, run_row
from cornerrun.results.spill import Spill
from cornerrun.results.trail import Heads
from cornerrun.results.visit_rows import VISIT_TABLES, visit_rows

__all__ = ["merge", "put"]


def put(connection: Connection, entry: Entry, heads: Heads) -> None:
    """Put one entry into the tables and a link for it into the run's audit trail, within the caller's transaction.

    Raises StoreError if it is of a run that the store does not hold, and what SQLAlchemy raises.
    """
    rows = _rows_of(entry)
    values: Mapping[str, Mapping[str, object]] = {}
    match entry.record:
        case Ending() as ending:
            values = {"runs": _end(connection, entry.run_id, ending)}
            rows = _latch_rows(connection, entry.run_id, ending)
        case Resumption():
            values = {"runs": _reopen(connection, entry.run_id)}
        case Discarded() as discarded:
            _delete_visit(connection, entry.run_id, discarded.record.visit.ordinal)
        case Acknowledgement() as acknowledgement:
            values = {"latches": _acknowledge(connection, entry.run_id, acknowledgement)}
        case _:
            pass
    for name, found in rows.items():
        if found:
            _insert_many(connection, schema.metadata.tables[name], found)
    if entry.run_id:
        link = trail.next_link(connection, heads, entry.run_id, entry.kind, rows, values)
        _insert_many(connection, schema.audit, [link])


def _rows_of(entry: Entry) -> Mapping[str, Sequence[Row]]:
    """Tell the rows that an entry adds, by table name. TypeError for what a store does not keep."""
    record = entry.record
    if isinstance(record, VisitRecord):
        return visit_rows(entry.run_id, record)
    if isinstance(record, Beginning):
        return {"runs": [run_row(record.run)], "baselines": [_baseline_row(record)]}
    if isinstance(record, Ending | Resumption | Acknowledgement):
        return {}
    table, row = _row_of(entry.run_id, record)
    return {table: [row]}


def _row_of(run_id: str, record: object) -> tuple[str, Row]:
    found: tuple[str, Row]
    match record:
        case Intent() as intent:
            found = (
                "intents",
                {
                    "run_id": run_id,
                    "ordinal": intent.step.ordinal,
                    "at_utc": utc_text(intent.at_utc),
                    "step_json": to_json(intent.step),
                },
            )
        case Event() as event:
            found = "events", event_row(run_id, event)
        case Snapshot() as snapshot:
            found = (
                "snapshots",
                {
                    "run_id": run_id,
                    "moment": snapshot.moment,
                    "at_utc": utc_text(snapshot.at_utc),
                    "sha256": snapshot.sha256,
                    "snapshot_json": to_json(snapshot),
                },
            )
        case ProofStep() as step:
            found = (
                "proofs",
                {
                    "run_id": run_id,
                    "rail": clean_text(step.rail),
                    "step_v": step.step_v,
                    "step_json": to_json(step),
                },
            )
        case FaultTrial() as trial:
            found = (
                "fault_trials",
                {
                    "run_id": run_id,
                    "rail": clean_text(trial.rail),
                    "fault": trial.fault,
                    "trial_json": to_json(trial),
                },
            )
        case ConditionChange() as change:
            row = {"run_id": run_id, "condition": clean_text(change.condition), "change_json": to_json(change)}
            found = "rests", row
        case Discarded(record=visit):
            found = "discarded", {"run_id": run_id, "visit": visit.visit.ordinal, "record_json": to_json(visit)}
        case Latch() as latch:
            found = "latches", latch_row(latch)
        case unknown:
            raise TypeError(f"{type(unknown).__name__} is nothing that a store keeps")
    return found


def _baseline_row(beginning: Beginning) -> Row:
    return {
        "run_id": beginning.run.run_id,
        "recipe_json": to_json(beginning.recipe),
        "baseline_json": to_json(beginning.baseline),
    }


def merge(engine: Engine, spill: Spill) -> None:
    """Put into the tables what an earlier failure left in the spill file; what does not fit is put aside, not lost."""
    if not spill.path.exists():
        return
    rejected: list[str] = []
    heads: Heads = {}
    with transaction(engine) as connection:
        for entry in spill.entries():
            if isinstance(entry, str):
                rejected.append(entry)
                continue
            try:
                before = dict(heads)
                with connection.begin_nested():
                    put(connection, entry, heads)
            except (SQLAlchemyError, StoreError, OverflowError, ValueError) as error:
                if isinstance(error, DBAPIError) and error.connection_invalidated:
                    raise
                heads = before
                rejected.append(to_json({"kind": entry.kind, "run_id": entry.run_id, "record": entry.record}))
    spill.put_aside(rejected)


def _insert_many(connection: Connection, table: Table, rows: Sequence[Row]) -> None:
    # SQLAlchemy's own handling of every parameter would take half of the time of a visit; no column here needs any.
    text, positions = _statement(table, connection.dialect, tuple(rows[0]))
    if positions is None:
        connection.exec_driver_sql(text, [dict(row) for row in rows])
    else:
        take = itemgetter(*positions)
        connection.exec_driver_sql(text, [take(row) for row in rows])


@lru_cache(maxsize=64)
def _statement(table: Table, dialect: Dialect, columns: tuple[str, ...]) -> tuple[str, tuple[str, ...] | None]:
    compiled = insert(table).compile(dialect=dialect, column_keys=columns)
    positions = getattr(compiled, "positiontup", None)
    return str(compiled), None if positions is None else tuple(positions)


def _end(connection: Connection, run_id: str, ending: Ending) -> Row:
    values = {
        "ended_utc": utc_text(ending.ended_utc),
        "result": ending.result.value,
        "end_state": ending.end_state.value,
        "why": clean_text(ending.why),
    }
    _change_run(connection, run_id, values, "end")
    return values


def _latch_rows(connection: Connection, run_id: str, ending: Ending) -> Mapping[str, Sequence[Row]]:
    """A board that is not at nominal latches its bench."""
    if ending.end_state is EndState.NOMINAL:
        return {}
    bench_id = connection.execute(select(schema.runs.c.bench_id).where(schema.runs.c.run_id == run_id)).scalar_one()
    latch = Latch(
        bench_id=bench_id,
        run_id=run_id,
        end_state=ending.end_state.value,
        why=ending.why,
        set_utc=ending.ended_utc,
    )
    return {"latches": [latch_row(latch)]}


def _reopen(connection: Connection, run_id: str) -> Row:
    values: dict[str, object] = {"ended_utc": None, "result": None, "end_state": None, "why": ""}
    _change_run(connection, run_id, values, "be resumed")
    return values


def _change_run(connection: Connection, run_id: str, values: Row, what: str) -> None:
    change = update(schema.runs).where(schema.runs.c.run_id == run_id)
    if connection.execute(change.values(values)).rowcount != 1:
        raise StoreError(f"there is no run {run_id!r} that could {what}")


def _delete_visit(connection: Connection, run_id: str, visit: int) -> None:
    for name in VISIT_TABLES:
        table = schema.metadata.tables[name]
        connection.execute(delete(table).where(table.c.run_id == run_id, table.c.visit == visit))


def _acknowledge(connection: Connection, run_id: str, acknowledgement: Acknowledgement) -> Row:
    table = schema.latches
    values = {
        "acknowledged_utc": utc_text(acknowledgement.at_utc),
        "acknowledged_by": clean_text(acknowledgement.by),
        "found": clean_text(acknowledgement.found),
    }
    change = update(table).where(
        table.c.run_id == run_id,
        table.c.bench_id == clean_text(acknowledgement.bench_id),
        table.c.acknowledged_utc.is_(None),
    )
    connection.execute(change.values(values))
    return values
