"""What happened, kept: intents before the first write of a step, a visit's rows together at its end."""

from collections.abc import Collection, Iterator, Sequence
from contextlib import contextmanager
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Self

from cornerrun.bench.ports import Baseline, RestoreRecipe
from cornerrun.errors import StoreError, UsageError
from cornerrun.results.bench_records import Latch
from cornerrun.results.condition_change import ConditionChange
from cornerrun.results.entries import Acknowledgement, Beginning, Discarded, Ending, Entry, Resumption
from cornerrun.results.fault_trial import FaultTrial
from cornerrun.results.heads import Head, HeadsFile
from cornerrun.results.records import (
    EndState,
    Event,
    Intent,
    ProofStep,
    Run,
    RunData,
    RunResult,
    Snapshot,
    VisitRecord,
)
from cornerrun.results.spill import Spill

if TYPE_CHECKING:
    from sqlalchemy import Connection, Engine

    from cornerrun.results.audit import Audit
    from cornerrun.results.stress import StressEntry
    from cornerrun.results.trail import Heads

__all__ = ["Store", "spill_of"]

# What is kept while a run goes on: the side file need not hold the head after each of these.
_BETWEEN = frozenset({"intent", "visit", "event", "snapshot", "proof", "fault trial", "rest"})

_NO_FILE = Path("cornerrun-store")  # what lies beside a store that is no file goes into the working directory

# SQLAlchemy takes a quarter of a second to import: only a store that is opened pays for it.


class Store:
    """A store of runs. `open` makes one; every method that writes is one transaction, on the disk when it returns.

    Every method raises StoreError. One that writes says there in which file it kept what the store did not take;
    the next `open` merges that file. ``address`` opens the same store from another process; empty for one in memory.
    """

    def __init__(self, engine: "Engine", where: str, spill: Spill, heads: HeadsFile, address: str = "") -> None:
        self.address = address
        self._file = _identity(address)
        self._engine = engine
        self._where = where
        self._spill = spill
        self._heads = heads
        self._trails: Heads = {}

    @classmethod
    def open(cls, url: str | Path, *, read_only: bool = False, busy_timeout_s: float = 5.0) -> Self:
        """Open a store: the path of an SQLite file, or a URL that SQLAlchemy knows; made if there is none.

        ``read_only`` opens what is there and changes nothing, also on a medium that cannot be written.
        Raises StoreError if it is read-only, locked, no database, no store, or of an unknown version.
        """
        from cornerrun.results import connect, write

        address = connect.location(url)
        path = connect.file_of(address)
        where = str(path) if path else address.render_as_string(hide_password=True)
        engine = connect.connect(address, read_only=read_only, busy_timeout_s=busy_timeout_s)
        beside = path or _NO_FILE
        in_memory = path is None and address.drivername.startswith("sqlite")
        heads = HeadsFile(path=None if in_memory else beside.with_name(f"{beside.name}.heads.jsonl"))
        again = str(path.absolute()) if path else address.render_as_string(hide_password=False)
        store = cls(engine, where, _spill_beside(beside), heads, "" if in_memory else again)
        if not read_only:
            with store._explained("what an earlier failure left beside the store cannot be merged"):
                write.merge(engine, store._spill)
        return store

    @property
    def where(self) -> str:
        """The file, or the URL without its password, for messages."""
        return self._where

    def close(self) -> None:
        """Close every connection."""
        self._engine.dispose()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def begin_run(self, run: Run, recipe: RestoreRecipe, baseline: Baseline) -> None:
        """Keep a run, its way back and its baseline: before the first write to hardware."""
        beginning = Beginning(run=run, recipe=recipe, baseline=baseline)
        self._write(Entry(kind="begin", run_id=run.run_id, record=beginning))

    def intend(self, intent: Intent, finished: VisitRecord | None = None) -> None:
        """Keep what is about to be done, together with the visit that has just ended."""
        entries = [Entry(kind="intent", run_id=intent.run_id, record=intent)]
        if finished is not None:
            entries.insert(0, Entry(kind="visit", run_id=intent.run_id, record=finished))
        self._write(*entries)

    def finish_visit(self, run_id: str, record: VisitRecord) -> None:
        """Keep all rows of a visit."""
        self._write(Entry(kind="visit", run_id=run_id, record=record))

    def add_condition_change(self, run_id: str, change: ConditionChange) -> None:
        """Keep a change of a condition that belongs to no visit."""
        self._write(Entry(kind="rest", run_id=run_id, record=change))

    def add_event(self, run_id: str, event: Event) -> None:
        """Keep an event."""
        self._write(Entry(kind="event", run_id=run_id, record=event))

    def add_snapshot(self, run_id: str, snapshot: Snapshot) -> None:
        """Keep the configuration of the devices at one moment."""
        self._write(Entry(kind="snapshot", run_id=run_id, record=snapshot))

    def add_proof(self, run_id: str, step: ProofStep) -> None:
        """Keep one step of the wiring proof."""
        self._write(Entry(kind="proof", run_id=run_id, record=step))

    def add_fault_trial(self, run_id: str, trial: FaultTrial) -> None:
        """Keep what came of a fault that was provoked."""
        self._write(Entry(kind="fault trial", run_id=run_id, record=trial))

    def end_run(self, run_id: str, result: RunResult, end_state: EndState, why: str, ended_utc: datetime) -> None:
        """Close a run: what it says of its board, where the board was left, and why."""
        ending = Ending(result=result, end_state=end_state, why=why, ended_utc=ended_utc)
        self._write(Entry(kind="end", run_id=run_id, record=ending))

    def resume_run(self, run_id: str, *, by: str, at_utc: datetime) -> None:
        """Open a run again that had ended early."""
        self._write(Entry(kind="resume", run_id=run_id, record=Resumption(by=by, at_utc=at_utc)))

    def discard_visit(self, run_id: str, record: VisitRecord) -> None:
        """Put a visit aside that was broken off and is made again; it stays in the store as it was."""
        self._write(Entry(kind="discard", run_id=run_id, record=Discarded(record=record)))

    def set_latch(self, latch: Latch) -> None:
        """Latch a bench that was left off outside of a run; `end_run` does it for a run by itself."""
        self._write(Entry(kind="latch", run_id=latch.run_id, record=latch))

    def acknowledge(self, latch: Latch, *, by: str, found: str, at_utc: datetime) -> None:
        """Keep who has seen why a bench was left off, and what they found; from then on runs may start there again."""
        record = Acknowledgement(bench_id=latch.bench_id, by=by, found=found, at_utc=at_utc)
        self._write(Entry(kind="acknowledge", run_id=latch.run_id, record=record))

    def latches(self, bench_id: str | None = None, *, only_open: bool = True) -> tuple[Latch, ...]:
        """Return the latches of a bench, or of all, newest first; those acknowledged only if ``only_open`` is false."""
        from cornerrun.results import read

        with self._reading() as connection:
            return read.latches(connection, bench_id=bench_id, only_open=only_open)

    def stress(
        self, serial: str, now_utc: datetime, *, run_ids: Collection[str] | None = None
    ) -> "tuple[StressEntry, ...]":
        """Add up how long each rail of a board stood above nominal, over all runs of its serial number or some."""
        from cornerrun.results import read
        from cornerrun.results.stress import ledger

        with self._reading() as connection:
            found = read.runs(connection, serial=serial)
            return ledger(connection, [run for run in found if run_ids is None or run.run_id in run_ids], now_utc)

    def audit(self, text: str, *, reported: Head | None = None) -> "Audit":
        """Hash everything kept of a run again; ``text`` as for `find`, but the run need not be readable."""
        from cornerrun.results import read
        from cornerrun.results.audit import audit

        with self._reading() as connection:
            run_id = self._one_of(text, read.run_ids(connection, "" if text == "last" else text))
            return audit(connection, run_id, self._heads.of(run_id), reported)

    def runs(
        self, *, bench_id: str | None = None, serial: str | None = None, limit: int | None = None
    ) -> tuple[Run, ...]:
        """Return the runs that match what is given, newest first."""
        from cornerrun.results import read

        with self._reading() as connection:
            return read.runs(connection, bench_id=bench_id, serial=serial, limit=limit)

    def unfinished(self, bench_id: str | None = None) -> tuple[Run, ...]:
        """Return the runs of a bench, or of all, that began and never ended, newest first."""
        from cornerrun.results import read

        with self._reading() as connection:
            return read.runs(connection, bench_id=bench_id, is_unfinished=True)

    def find(self, text: str) -> Run:
        """Return the run whose identifier begins with a text; "last" is the newest. UsageError if not exactly one."""
        from cornerrun.results import read

        with self._reading() as connection:
            if text == "last":
                found = read.runs(connection, limit=1)
            else:
                found = read.runs(connection, prefix=text) if text else ()
        wanted = self._one_of(text, [run.run_id for run in found])
        return next(run for run in found if run.run_id == wanted)

    def _one_of(self, text: str, found: Sequence[str]) -> str:
        """Choose the one run that is meant; UsageError if it is not exactly one."""
        if text in found:
            return text
        if text == "last" and found:
            return found[0]
        if not found or not text:
            raise UsageError(f"no run {text!r} in {self._where}; `cornerrun runs` lists them")
        if len(found) > 1:
            names = ", ".join(found[:5])
            raise UsageError(f"{text!r} begins {len(found)} runs of {self._where}: {names}; write more of it")
        return found[0]

    def load(self, run_id: str, *, traces: bool = True) -> RunData:
        """Return everything of a run, visits and events in order. UsageError if there is none.

        Without ``traces`` those of settling, the largest part of a run, are left out.
        """
        from cornerrun.results import read
        from cornerrun.results.staging import as_staged

        run = self._run(run_id)
        with self._reading() as connection:
            visits = read.visits(connection, run_id, traces=traces)
            return RunData(
                run=as_staged(run, visits),
                visits=visits,
                events=read.events(connection, run_id),
                proof=read.proof(connection, run_id),
                fault_trials=read.fault_trials(connection, run_id),
                rests=read.rests(connection, run_id),
                snapshots=read.snapshots(connection, run_id),
                trail=read.trail_head(connection, run_id),
            )

    def recipe(self, run_id: str) -> RestoreRecipe:
        """Return the way back that was kept when a run began. UsageError if there is no such run."""
        from cornerrun.results import read

        with self._reading() as connection:
            found = read.recipe(connection, run_id)
        if found is None:
            raise UsageError(f"no run {run_id!r} in {self._where}; `cornerrun runs` lists them")
        return found

    def baseline(self, run_id: str) -> Baseline:
        """Return the registers as a run found them. UsageError if there is no such run."""
        from cornerrun.results import read

        with self._reading() as connection:
            found = read.baseline(connection, run_id)
        if found is None:
            raise UsageError(f"no run {run_id!r} in {self._where}; `cornerrun runs` lists them")
        return found

    def last_intent(self, run_id: str) -> Intent | None:
        """Return what a run was about to do when it last said so; None if it never moved a rail."""
        from cornerrun.results import read

        with self._reading() as connection:
            return read.last_intent(connection, run_id)

    def _run(self, run_id: str) -> Run:
        run = self.find(run_id)
        if run.run_id != run_id:
            raise UsageError(f"no run {run_id!r} in {self._where}; `cornerrun runs` lists them")
        return run

    def _write(self, *entries: Entry) -> None:
        from sqlalchemy.exc import SQLAlchemyError

        from cornerrun.results import connect, write

        # Whoever else adds to a run's trail does so after this process; a wrong guess fails, and the next one asks.
        heads, self._trails = self._trails, {}
        try:
            if self._file is not None and _identity(self.address) != self._file:
                # A file that was taken away can still be written to, and nobody would ever read it.
                raise StoreError("its file is gone, or is another one than was opened")
            with connect.transaction(self._engine) as connection:
                for entry in entries:
                    write.put(connection, entry, heads)
        except (SQLAlchemyError, StoreError, OSError, OverflowError) as error:
            kept = self._spill.keep(entries)
            reason = connect.reason_of(error)
            merged = "the next start merges it" if kept == self._spill.path else "keep that file"
            raise StoreError(f"{self._where}: {reason}; what was to be kept is in {kept}; {merged}") from error
        self._trails = heads
        for run_id in dict.fromkeys(entry.run_id for entry in entries if entry.kind not in _BETWEEN):
            if run_id in heads:
                links, sha256 = heads[run_id]
                self._heads.keep(run_id, Head(links=links, sha256=sha256))

    @contextmanager
    def _reading(self) -> "Iterator[Connection]":
        with self._explained("results cannot be read"), self._engine.connect() as connection:
            yield connection

    @contextmanager
    def _explained(self, what: str) -> Iterator[None]:
        from sqlalchemy.exc import SQLAlchemyError

        from cornerrun.results import connect

        try:
            yield
        except (SQLAlchemyError, OSError, ValueError, KeyError) as error:
            raise StoreError(f"{self._where}: {what}: {connect.reason_of(error)}") from error


def _identity(address: str) -> tuple[int, int] | None:
    """Tell which file lies at an address; None if there is none, or if the address is that of a server."""
    try:
        found = Path(address).stat()
    except (OSError, ValueError):
        return None
    return found.st_dev, found.st_ino


def spill_of(address: str) -> Spill:
    """Tell where entries wait for a store that cannot be opened: its next `open` merges them."""
    from cornerrun.results import connect

    return _spill_beside(connect.file_of(connect.location(address)) or _NO_FILE)


def _spill_beside(file: Path) -> Spill:
    return Spill(path=file.with_name(f"{file.name}.spill.jsonl"))
