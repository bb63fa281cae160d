"""Put the parts of a run together: who reads, who moves, who judges, who brings the board back."""

from collections.abc import Callable, Mapping
from dataclasses import dataclass

from cornerrun.bench.abilities import ProvokesFaults
from cornerrun.bench.ports import Baseline, BenchPorts, Setpoint
from cornerrun.clock import Clock
from cornerrun.errors import BenchError
from cornerrun.plan.bench_file import BenchFile
from cornerrun.plan.model import NOMINAL, Plan
from cornerrun.plan.proof import with_proof_levels
from cornerrun.results.bench_records import ProofStep
from cornerrun.results.fault_trial import FaultTrial
from cornerrun.run.aftermath import Aftermath
from cornerrun.run.checking import Checking, CheckRuns, Subject
from cornerrun.run.climate import Climate
from cornerrun.run.cold_boot import ColdBoot
from cornerrun.run.draft import Reference
from cornerrun.run.executor import Executor
from cornerrun.run.failed_hold import FailedHold
from cornerrun.run.fault_trials import FaultTrials
from cornerrun.run.input_power import CommandedInput
from cornerrun.run.journal import Journal
from cornerrun.run.keeping import Keeper
from cornerrun.run.measuring import Measurer
from cornerrun.run.moving import Mover
from cornerrun.run.power_cycling import PowerCycling
from cornerrun.run.proof import WiringProof
from cornerrun.run.proof_readings import ProofReadings
from cornerrun.run.readiness import ready_test
from cornerrun.run.recovery import Recovery
from cornerrun.run.resuming import Resumed
from cornerrun.run.sequence import Sequence
from cornerrun.run.staging import Staging
from cornerrun.run.status_notes import StatusNotes
from cornerrun.run.supervisor import Supervisor
from cornerrun.run.visit import Visitor
from cornerrun.run.warming import Warming
from cornerrun.run.way_back import WayBack

__all__ = ["Parts", "assemble", "encoded_setpoints"]


@dataclass(frozen=True, kw_only=True)
class Parts:
    """The parts of a run that whoever starts it needs to reach."""

    executor: Executor
    supervisor: Supervisor
    mover: Mover
    way_back: WayBack


def encoded_setpoints(plan: Plan, bench: BenchPorts) -> Mapping[tuple[str, str], Setpoint]:
    """Tell what each level of each commanded rail becomes once encoded, by rail and level."""
    return {
        (rail.name, level): bench.power.setpoint(rail.name, level)
        for rail in plan.commanded_rails
        for level in rail.levels or (NOMINAL,)
    }


def assemble(
    *,
    plan: Plan,
    bench_file: BenchFile,
    bench: BenchPorts,
    store: Keeper,
    clock: Clock,
    checks: CheckRuns | None,
    journal: Journal,
    sequence: Sequence,
    run_id: str,
    baseline: Baseline,
    setpoints: Mapping[tuple[str, str], Setpoint],
    subject: Subject,
    hold_s: float = 0.0,
    keep_proof: Callable[[ProofStep], None] | None = None,
    resumed: Resumed | None = None,
    keep_fault_trial: Callable[[FaultTrial], None] | None = None,
    staging: Staging | None = None,
    is_attended: bool = True,
) -> Parts:
    """Build every part of a run on one clock, one journal and one sequence.

    Without ``keep_proof`` no wiring proof is made, without ``keep_fault_trial`` no fault is provoked, whatever the plan
    asks.
    """
    levels: dict[str, str] = {}
    supervisor = Supervisor(
        plan=plan,
        power=bench.power,
        faults=bench.faults,
        clock=clock,
        period_s=bench_file.watch.period_s,
        journal=journal,
    )
    mover = Mover(plan=plan, power=bench.power, supervisor=supervisor, clock=clock, journal=journal, conditions=levels)
    measurer = Measurer(
        plan=plan,
        power=bench.power,
        meter=bench.meter,
        supervisor=supervisor,
        clock=clock,
        journal=journal,
        conditions=levels,
    )
    notes = StatusNotes(faults=bench.faults, journal=journal)
    way_back = WayBack(
        safety=bench.safety, mover=mover, supervisor=supervisor, sequence=sequence, clock=clock, journal=journal
    )
    cycling = _cycling(
        plan=plan, bench_file=bench_file, bench=bench, supervisor=supervisor, clock=clock, journal=journal
    )
    recovery = Recovery(
        plan=plan,
        faults=bench.faults,
        safety=bench.safety,
        way_back=way_back,
        supervisor=supervisor,
        clock=clock,
        journal=journal,
        cycling=cycling,
    )
    climate = Climate(
        plan=plan,
        drivers=bench.conditions,
        supervisor=supervisor,
        clock=clock,
        journal=journal,
        levels=levels,
        cold_boot=None
        if cycling is None
        else ColdBoot(cycling=cycling, verify=recovery.at_nominal, supervisor=supervisor, clock=clock, journal=journal),
    )
    way_back.tell_evidence = recovery.tell_evidence
    aftermath = Aftermath(plan=plan, sequence=sequence, supervisor=supervisor, recovery=recovery, way_back=way_back)
    checking = Checking(
        plan=plan,
        runs=checks,
        subject=subject,
        supervisor=supervisor,
        sequence=sequence,
        journal=journal,
        board=bench.board,
    )
    meter = bench_file.meter.uncertainty if bench_file.meter is not None else None
    visitor = Visitor(
        plan=plan,
        reference=Reference(plan=plan, setpoints=setpoints, meter=meter),
        mover=mover,
        measurer=measurer,
        supervisor=supervisor,
        climate=climate,
        notes=notes,
        checking=checking,
        sequence=sequence,
        clock=clock,
        started_s=journal.started_s,
        hold_s=hold_s,
        failed_hold=FailedHold(hold_s=plan.policy.hold_s, supervisor=supervisor, clock=clock, journal=journal)
        if plan.policy.on_fail == "hold" and is_attended
        else None,
        warming=_warming(plan, measurer, supervisor, clock, journal),
        board=bench.board,
    )
    executor = Executor(
        plan=plan,
        run_id=run_id,
        baseline=baseline,
        store=store,
        power=bench.power,
        traffic=bench.traffic,
        seen_by_drivers=bench.notes,
        clock=clock,
        journal=journal,
        sequence=sequence,
        supervisor=supervisor,
        mover=mover,
        climate=climate,
        notes=notes,
        visitor=visitor,
        checking=checking,
        way_back=way_back,
        aftermath=aftermath,
        proof=None
        if plan.proof is None or keep_proof is None or (resumed is not None and resumed.is_proved)
        else WiringProof(
            plan=with_proof_levels(plan),
            run_id=run_id,
            mover=Mover(
                plan=with_proof_levels(plan), power=bench.power, supervisor=supervisor, clock=clock, journal=journal
            ),
            readings=ProofReadings(meter=bench.meter, scan_s=bench.power.scan_s, supervisor=supervisor, clock=clock),
            sequence=sequence,
            clock=clock,
            journal=journal,
            intend=store.intend,
            keep=keep_proof,
        ),
        resumed=resumed,
        fault_trials=None
        if not plan.fault_responses or keep_fault_trial is None
        else FaultTrials(
            plan=plan,
            run_id=run_id,
            power=bench.power,
            provoker=_provoker(bench),
            recovery=recovery,
            sequence=sequence,
            clock=clock,
            journal=journal,
            intend=store.intend,
            keep=keep_fault_trial,
            tried=() if resumed is None else resumed.tried,
        ),
        staging=staging,
    )
    return Parts(executor=executor, supervisor=supervisor, mover=mover, way_back=way_back)


def _provoker(bench: BenchPorts) -> ProvokesFaults:
    if not isinstance(bench.power, ProvokesFaults):
        raise BenchError("fault_responses: nothing on this bench can provoke a fault")
    return bench.power


def _cycling(
    *, plan: Plan, bench_file: BenchFile, bench: BenchPorts, supervisor: Supervisor, clock: Clock, journal: Journal
) -> PowerCycling | None:
    if plan.power_up is None:
        return None
    commands = bench_file.input_power
    return PowerCycling(
        plan=plan,
        power_up=plan.power_up,
        power=bench.power,
        safety=bench.safety,
        faults=bench.faults,
        supervisor=supervisor,
        readiness=ready_test(plan.power_up.ready, console=bench.console, directory=plan.directory, clock=clock),
        input_power=bench.input_power
        or (None if commands is None else CommandedInput(commands, directory=bench_file.directory, clock=clock)),
        clock=clock,
        journal=journal,
    )


def _warming(plan: Plan, measurer: Measurer, supervisor: Supervisor, clock: Clock, journal: Journal) -> Warming | None:
    if plan.trim is None or plan.trim.warm_up is None:
        return None
    return Warming(warm_up=plan.trim.warm_up, measurer=measurer, supervisor=supervisor, clock=clock, journal=journal)
