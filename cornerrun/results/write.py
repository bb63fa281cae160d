"""Put entries into the tables of a store."""

from collections.abc import Sequence
from functools import lru_cache
from operator import itemgetter

from sqlalchemy import Connection, Dialect, Engine, Table, insert, update
from sqlalchemy.exc import DBAPIError, SQLAlchemyError

from cornerrun.errors import StoreError
from cornerrun.results import schema
from cornerrun.results.codec import clean_text, to_json, utc_text
from cornerrun.results.connect import transaction
from cornerrun.results.entries import Beginning, Ending, Entry
from cornerrun.results.records import Event, Intent, ProofStep, Snapshot, VisitRecord
from cornerrun.results.rows import Row, event_row, run_row
from cornerrun.results.spill import Spill
from cornerrun.results.visit_rows import visit_rows

__all__ = ["merge", "put"]


def put(connection: Connection, entry: Entry) -> None:
    """Put one entry into the tables, within the caller's transaction.

    Raises StoreError if it is of a run that the store does not hold, and what SQLAlchemy raises.
    """
    match entry.record:
        case Beginning() as beginning:
            _begin(connection, beginning)
        case Intent() as intent:
            row = {
                "run_id": entry.run_id,
                "ordinal": intent.step.ordinal,
                "at_utc": utc_text(intent.at_utc),
                "step_json": to_json(intent.step),
            }
            connection.execute(insert(schema.intents), row)
        case VisitRecord() as visit:
            for name, rows in visit_rows(entry.run_id, visit).items():
                if rows:
                    _insert_many(connection, schema.metadata.tables[name], rows)
        case Event() as event:
            connection.execute(insert(schema.events), event_row(entry.run_id, event))
        case Snapshot() as snapshot:
            row = {
                "run_id": entry.run_id,
                "moment": snapshot.moment,
                "at_utc": utc_text(snapshot.at_utc),
                "sha256": snapshot.sha256,
                "snapshot_json": to_json(snapshot),
            }
            connection.execute(insert(schema.snapshots), row)
        case ProofStep() as step:
            row = {
                "run_id": entry.run_id,
                "rail": clean_text(step.rail),
                "step_v": step.step_v,
                "step_json": to_json(step),
            }
            connection.execute(insert(schema.proofs), row)
        case Ending() as ending:
            _end(connection, entry.run_id, ending)
        case unknown:
            raise TypeError(f"{type(unknown).__name__} is nothing that a store keeps")


def merge(engine: Engine, spill: Spill) -> None:
    """Put into the tables what an earlier failure left in the spill file; what does not fit is put aside, not lost."""
    if not spill.path.exists():
        return
    rejected: list[str] = []
    with transaction(engine) as connection:
        for entry in spill.entries():
            if isinstance(entry, str):
                rejected.append(entry)
                continue
            try:
                with connection.begin_nested():
                    put(connection, entry)
            except (SQLAlchemyError, StoreError, OverflowError, ValueError) as error:
                if isinstance(error, DBAPIError) and error.connection_invalidated:
                    raise
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


def _begin(connection: Connection, beginning: Beginning) -> None:
    connection.execute(insert(schema.runs), run_row(beginning.run))
    row = {
        "run_id": beginning.run.run_id,
        "recipe_json": to_json(beginning.recipe),
        "baseline_json": to_json(beginning.baseline),
    }
    connection.execute(insert(schema.baselines), row)


def _end(connection: Connection, run_id: str, ending: Ending) -> None:
    change = update(schema.runs).where(schema.runs.c.run_id == run_id)
    values = {
        "result": ending.result.value,
        "end_state": ending.end_state.value,
        "why": clean_text(ending.why),
        "ended_utc": utc_text(ending.ended_utc),
    }
    if connection.execute(change.values(values)).rowcount != 1:
        raise StoreError(f"there is no run {run_id!r} that could end")
