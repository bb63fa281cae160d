"""Run a plan on a board: prove the bench, keep the way back, perform the steps, bring the board back, judge."""

import os
import platform
import secrets
from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from functools import partial
from importlib.metadata import version

from cornerrun.bench.ports import BenchPorts, Note, RestoreRecipe, Setpoint
from cornerrun.bench.scpi.dialect import dialect_sources
from cornerrun.clock import Clock
from cornerrun.corners.model import Selection, Step
from cornerrun.errors import NotAtNominal, StoreError
from cornerrun.plan.bench_file import BenchFile
from cornerrun.plan.model import Plan
from cornerrun.plan.serial import plan_to_json
from cornerrun.results.records import EndState, Event, Run, RunRequest, RunResult, SetpointRecord
from cornerrun.results.store import Store
from cornerrun.results.verdict import RunVerdict
from cornerrun.run.assembly import assemble, encoded_setpoints
from cornerrun.run.checking import CheckRuns, Subject
from cornerrun.run.configuration import Configuration
from cornerrun.run.ended import Ended
from cornerrun.run.ending import RunEnd, conclude, exit_code
from cornerrun.run.guarded import Guardianship
from cornerrun.run.instruments import instrument_records, refuse_bad_references
from cornerrun.run.journal import Journal
from cornerrun.run.latching import call_for_help, refuse_if_latched
from cornerrun.run.progress import Listener, RunEnded, RunStarted
from cornerrun.run.resuming import Resumed, compare_baseline, compare_devices, compare_sources
from cornerrun.run.sequence import Phase, Trouble
from cornerrun.run.sequence import Sequence as PhaseSequence
from cornerrun.run.signals import stop_on_signals
from cornerrun.run.staging import Staging
from cornerrun.run.trouble import explain

__all__ = ["RunEnd", "run_plan"]


def run_plan(  # noqa: PLR0917 - the order in which they come to be
    plan: Plan,
    bench_file: BenchFile,
    bench: BenchPorts,
    store: Store,
    clock: Clock,
    checks: CheckRuns | None,
    *,
    guardian: Guardianship,
    steps: Sequence[Step],
    selection: Selection,
    serial: str,
    operator: str = "",
    seed: int = 0,
    unit_data: Mapping[str, str] | None = None,
    listener: Listener | None = None,
    run_id: str | None = None,
    hold_s: float = 0.0,
    request: RunRequest | None = None,
    resumed: Resumed | None = None,
    staging: Staging | None = None,
    is_attended: bool = True,
) -> RunEnd:
    """Run a plan on one unit, or go on with ``resumed``, a run that had ended early: ``steps`` are all of its plan.

    Board, files and registers must then be those of the run; its serial number, seed and unit data count. ``staging``
    lays out a staged run from its visits; it is asked at the end of each stage, and ``steps`` are those it began with.
    Failed corners are held, where the plan asks, only if somebody ``is_attended`` the bench.

    Until the baseline is stored nothing is written to a device, and what is wrong is raised: the plan's, the bench's
    and the checks' errors, NotAtNominal if an earlier run of this bench never ended. From then on nothing is raised:
    whatever happens, the board is brought to nominal or off, and the end says which, and why. SIGINT, SIGTERM and
    SIGHUP end the run at its next safe point.
    """
    with stop_on_signals(clock.stop), guardian:
        store = guardian.keeper(store)
        refuse_if_latched(bench, store)
        _refuse_if_unfinished(bench, store)
        sequence = PhaseSequence(guardian.told_phase)
        identities = bench.power.connect()
        instruments = instrument_records(bench_file, bench, identities)
        devices = {identity.device: identity.texts for identity in identities}
        check_files = checks.prepare() if checks is not None else ()
        sources = (*plan.sources, bench_file.source, *dialect_sources(bench_file), *check_files)
        if resumed is not None:
            compare_sources(resumed.run, sources)
            compare_devices(resumed.run, devices)
        sequence.go(Phase.BASELINE)
        baseline = bench.safety.take_baseline()
        setpoints = encoded_setpoints(plan, bench)
        if resumed is not None:
            compare_baseline(plan, store.baseline(resumed.run.run_id), baseline)
            run, seed, unit_data = resumed.run, resumed.run.seed, resumed.run.unit_data
        else:
            run = Run(
                run_id=run_id or secrets.token_hex(6),
                bench_id=bench.identity,
                bench_kind=bench_file.kind,
                station=bench_file.station,
                serial=serial,
                operator=operator,
                title=plan.title,
                seed=seed,
                started_utc=clock.utc_now(),
                plan_json=plan_to_json(plan),
                sources=sources,
                versions=_versions(),
                devices=devices,
                instruments=instruments,
                setpoints=_setpoints(setpoints),
                corners=selection.corners,
                not_runnable=selection.not_runnable,
                unit_data=unit_data or {},
                planned_visits=len(steps),
                request=request or RunRequest(),
            )
        journal = Journal(clock, listener, began_s=_began_s(resumed, clock))
        recipe = RestoreRecipe(
            bench_id=bench.identity,
            run_id=run.run_id,
            serial=run.serial,
            pid=os.getpid(),
            links=bench.links,
            writes=bench.safety.recipe(baseline),
        )
        parts = assemble(
            plan=plan,
            bench_file=bench_file,
            bench=bench,
            store=store,
            clock=clock,
            checks=checks,
            journal=journal,
            sequence=sequence,
            run_id=run.run_id,
            baseline=baseline,
            setpoints=setpoints,
            subject=Subject(serial=run.serial, seed=seed, unit=unit_data or {}, directory=plan.directory),
            hold_s=hold_s,
            keep_proof=partial(store.add_proof, run.run_id),
            keep_fault_trial=partial(store.add_fault_trial, run.run_id),
            resumed=resumed,
            staging=staging,
            is_attended=is_attended,
        )
        guardian.answer_for(recipe, baseline, store.address)
        configuration = Configuration(
            plan=plan,
            read=bench.snapshot,
            keep=partial(store.add_snapshot, run.run_id),
            clock=clock,
            journal=journal,
        )
        if resumed is None:
            store.begin_run(run, recipe, baseline)
        else:
            _go_on(resumed, operator, store, clock, journal)
            configuration.resume(store.load(run.run_id).snapshots)

        def before() -> None:
            refuse_bad_references(instruments)
            configuration.before()

        if request is not None:
            for override in request.overrides:
                journal.note("warning", f"override of {override}; confirmed by {request.confirmed_by}")
        left = steps if resumed is None else resumed.left
        journal.tell(RunStarted(run_id=run.run_id, steps=len(left)))
        ended = parts.executor.run(left, before=before)
        ended = _look_after(ended, configuration, bench.notes, journal, partial(store.add_event, run.run_id))
        performed = steps if staging is None else staging(ended.visits).steps
        end = _close(run, ended, plan=plan, steps=performed, store=store, clock=clock)
        if end.end_state is not EndState.NOMINAL:
            failed = call_for_help(
                bench_file,
                bench_id=bench.identity,
                is_private=bench.is_private,
                store=store.where,
                run_id=run.run_id,
                end_state=end.end_state,
                why=end.why,
                serial=run.serial,
                title=run.title,
            )
            end = replace(end, why="; ".join(filter(None, (end.why, failed))))
        journal.tell(RunEnded(run_id=end.run_id, result=end.result, end_state=end.end_state, why=end.why))
        return end


def _began_s(resumed: Resumed | None, clock: Clock) -> float | None:
    """Tell when on this clock a run began that goes on: never so late that its visits would lie in the future."""
    if resumed is None:
        return None
    since_s = (clock.utc_now() - resumed.run.started_utc).total_seconds()
    last_s = max((record.visit.end_s for record in resumed.earlier), default=0.0)
    return clock.now_s() - max(since_s, last_s)


def _go_on(resumed: Resumed, operator: str, store: Store, clock: Clock, journal: Journal) -> None:
    """Open the run again, and put aside the visits that are made again."""
    run_id = resumed.run.run_id
    store.resume_run(run_id, by=operator, at_utc=clock.utc_now())
    for record in resumed.again:
        store.discard_visit(run_id, record)
    again = ", ".join(f"{record.visit.corner} ({record.visit.outcome})" for record in resumed.again)
    journal.note(
        "warning",
        f"seam: resumed by {operator or 'nobody named'} with {len(resumed.left)} visits left"
        + (f"; made again: {again}" if again else "")
        + f"; it had ended: {resumed.run.why}",
    )


def _look_after(
    ended: Ended,
    configuration: Configuration,
    notes: Callable[[], Sequence[Note]],
    journal: Journal,
    keep: Callable[[Event], None],
) -> Ended:
    """Compare the devices with how they were found; what fails here changes nothing about the board."""
    try:
        configuration.after(ended.end_state)
        for note in notes():
            journal.note(note.severity, note.what, note.rail)
        journal.flush(keep)
    except StoreError as error:
        why = "; ".join(filter(None, (ended.why, str(error))))
        return replace(ended, why=why, trouble=ended.trouble or Trouble.STORE)
    except Exception as error:
        return replace(ended, why="; ".join(filter(None, (ended.why, explain(error)))))
    return ended


def _refuse_if_unfinished(bench: BenchPorts, store: Store) -> None:
    unfinished = store.unfinished(bench.identity)
    if unfinished:
        run = unfinished[0]
        raise NotAtNominal(
            f"run {run.run_id} of serial {run.serial!r} on this bench never ended, so its board may still be away from "
            "nominal; bring it back with `cornerrun to-nominal`"
        )


def _close(run: Run, ended: Ended, *, plan: Plan, steps: Sequence[Step], store: Store, clock: Clock) -> RunEnd:
    """Judge the run and keep its end; what fails here is said in the end itself, for the board is at rest by now."""
    trouble = ended.trouble
    try:
        verdict = conclude(
            plan,
            steps,
            ended.visits,
            instruments=run.instruments,
            trouble=trouble,
            end_state=ended.end_state,
            why=ended.why,
        )
    except Exception as error:
        trouble = trouble or Trouble.INTERNAL
        verdict = RunVerdict(result=RunResult.INCOMPLETE, why=f"{ended.why}; the run was not judged: {explain(error)}")
    reason = verdict.why
    try:
        store.end_run(run.run_id, verdict.result, ended.end_state, reason, clock.utc_now())
    except StoreError as error:
        trouble = trouble or Trouble.STORE
        reason = f"{reason}; {error}"
    return RunEnd(
        run_id=run.run_id,
        result=verdict.result,
        end_state=ended.end_state,
        exit_code=exit_code(verdict.result, ended.end_state, trouble),
        why=reason,
    )


def _versions() -> Mapping[str, str]:
    return {"cornerrun": version("cornerrun"), "python": platform.python_version(), "system": platform.platform()}


def _setpoints(setpoints: Mapping[tuple[str, str], Setpoint]) -> tuple[SetpointRecord, ...]:
    return tuple(
        SetpointRecord(
            rail=setpoint.rail,
            level=setpoint.level,
            target_v=setpoint.target_v,
            word=setpoint.word,
            decoded_v=setpoint.decoded_v,
        )
        for setpoint in setpoints.values()
    )
