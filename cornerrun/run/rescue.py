"""Bring a board back whose run was killed: from the stored baseline, else by the plan."""

from collections.abc import Sequence
from dataclasses import dataclass
from functools import partial

from cornerrun.bench.ports import Baseline, BenchPorts
from cornerrun.clock import Clock
from cornerrun.errors import EXIT_PASS, EXIT_UNSAFE, BenchError, StoreError, UnsafeState
from cornerrun.plan.bench_file import BenchFile
from cornerrun.plan.model import Plan
from cornerrun.results.records import EndState, Latch, RunResult
from cornerrun.results.store import Store
from cornerrun.run.faults import STATUS_WORD_OFF
from cornerrun.run.journal import Journal
from cornerrun.run.latching import call_for_help
from cornerrun.run.moving import Mover
from cornerrun.run.progress import Listener
from cornerrun.run.sequence import Phase
from cornerrun.run.sequence import Sequence as PhaseSequence
from cornerrun.run.signals import stop_on_signals
from cornerrun.run.supervisor import Supervisor
from cornerrun.run.way_back import WayBack

__all__ = ["RescueEnd", "to_nominal"]


@dataclass(frozen=True, kw_only=True, slots=True)
class RescueEnd:
    """Where the board is now; ``closed`` are the runs that were unfinished and are closed as interrupted."""

    end_state: EndState
    exit_code: int
    closed: tuple[str, ...]
    why: str


def to_nominal(
    plan: Plan,
    bench_file: BenchFile,
    bench: BenchPorts,
    store: Store,
    clock: Clock,
    *,
    listener: Listener | None = None,
) -> RescueEnd:
    """Bring every rail to nominal, restore the baseline of the run that never ended, verify, and close that run.

    Without such a run, the plan says what nominal is, and margin words and limits stay as they are. Rails that are off
    are left off and said: turning a board on is for a person. A signal changes nothing on the way.

    Raises:
        UnsafeState: the bench cannot be reached, or rails are off: where the board is, is not known to be safe.
        StoreError: the store cannot be read.

    """
    with stop_on_signals(clock.stop):
        unfinished = store.unfinished(bench.identity)
        baseline: Baseline | None = None
        return_order: Sequence[Sequence[str]] = ()
        if unfinished:
            newest = unfinished[0].run_id
            baseline = store.baseline(newest)
            intent = store.last_intent(newest)
            return_order = intent.step.return_order if intent is not None else ()
        journal = Journal(clock, listener)
        way_back = _way_back(plan, bench_file, bench, clock, journal)
        state, why = way_back.end(baseline, return_order)
        closed: list[str] = []
        for run in unfinished:
            journal.flush(partial(store.add_event, run.run_id))
            if state is EndState.NOMINAL:
                note = "the run was lost; the board was brought back by to-nominal"
                store.end_run(run.run_id, RunResult.INCOMPLETE, state, note, clock.utc_now())
                closed.append(run.run_id)
        if state is not EndState.NOMINAL:
            why = _latch(bench_file, bench, store, clock, state, why, run_id=unfinished[0].run_id if unfinished else "")
    return RescueEnd(
        end_state=state,
        exit_code=EXIT_PASS if state is EndState.NOMINAL else EXIT_UNSAFE,
        closed=tuple(closed),
        why=why,
    )


def _latch(  # noqa: PLR0917 - a bench and what became of it
    bench_file: BenchFile, bench: BenchPorts, store: Store, clock: Clock, state: EndState, why: str, *, run_id: str
) -> str:
    """Latch the bench and call the alarm; returns why, with what failed of that."""
    told = [why]
    try:
        store.set_latch(
            Latch(bench_id=bench.identity, run_id=run_id, end_state=state.value, why=why, set_utc=clock.utc_now())
        )
    except StoreError as error:
        told.append(str(error))
    told.append(
        call_for_help(
            bench_file,
            bench_id=bench.identity,
            is_private=bench.is_private,
            store=store.where,
            run_id=run_id,
            end_state=state,
            why=why,
        )
    )
    return "; ".join(filter(None, told))


def _way_back(plan: Plan, bench_file: BenchFile, bench: BenchPorts, clock: Clock, journal: Journal) -> WayBack:
    """Reach the board and see that every rail is on; status bits that stand do not stop the way back."""
    sequence = PhaseSequence()
    try:
        bench.power.connect()
        rails = [rail.name for rail in plan.rails if rail.name in bench.power.scan_s]
        telemetry = bench.power.read(rails)
    except BenchError as error:
        raise UnsafeState(f"the board cannot be reached, so where its rails are is not known: {error}") from error
    off = [reading.rail for reading in telemetry if (reading.status_word or 0) & STATUS_WORD_OFF]
    if off:
        raise UnsafeState(
            f"off: {', '.join(off)}. Find out why, take the input power off and on again, then run this once more"
        )
    sequence.go(Phase.BASELINE)
    supervisor = Supervisor(
        plan=plan,
        power=bench.power,
        faults=bench.faults,
        clock=clock,
        period_s=bench_file.watch.period_s,
        journal=journal,
    )
    supervisor.known_status({reading.rail: reading.status_word or 0 for reading in telemetry})
    mover = Mover(plan=plan, power=bench.power, supervisor=supervisor, clock=clock, journal=journal)
    return WayBack(
        safety=bench.safety, mover=mover, supervisor=supervisor, sequence=sequence, clock=clock, journal=journal
    )
