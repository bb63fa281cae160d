"""A run as large as wanted, with trouble of every kind in it, built in code: for tests and benchmarks of reports."""

import random
from dataclasses import replace
from datetime import timedelta
from functools import cache

from invented_run import METER, START, a_plan, a_rail

from cornerrun.bench.ports import StatusCapture
from cornerrun.corners.model import Corner, RailLevel
from cornerrun.plan.model import NOMINAL, Check, ControlPoints, CornerChoice, NamedCorner, Plan, Screen
from cornerrun.plan.serial import plan_to_json
from cornerrun.results.records import (
    CheckResult,
    EndState,
    Event,
    Fault,
    Outcome,
    ProofReading,
    ProofStep,
    Reading,
    Run,
    RunData,
    RunResult,
    SettleTrace,
    SuiteTest,
    Trial,
    Visit,
    VisitRecord,
    WatchRange,
)

_TROUBLE = (Outcome.TRIPPED, Outcome.FAIL_VOLTAGE, Outcome.DISPUTED, Outcome.NOT_SETTLED, Outcome.ERROR)


def a_large_plan(rails: int, checks: int = 2, trials: int = 20) -> Plan:
    return a_plan(
        rails=tuple(a_rail(f"VRAIL_{index:02d}", 0.8 + 0.05 * index, page=index % 32) for index in range(rails)),
        relations=(),
        corners=CornerChoice(
            schemes=(NamedCorner(name="by hand", levels={}),), control_points=ControlPoints(drift_ratio=0.001)
        ),
        checks=tuple(
            Check(name=f"check {index}", python="checks.py:march", trials=trials, criterion=Screen(failures=0))
            for index in range(checks)
        ),
    )


def the_corners(plan: Plan, count: int) -> tuple[Corner, ...]:
    draw = random.Random(count)
    made = []
    for index in range(count):
        levels = tuple(
            RailLevel(rail=rail.name, level=draw.choice((NOMINAL, NOMINAL, "high", "low"))) for rail in plan.rails
        )
        made.append(Corner(name=f"corner {index:03d}", levels=levels, scheme="named"))
    return tuple(made)


def a_large_run(
    *,
    rails: int = 64,
    corners: int = 130,
    trials: int = 20,
    checks: int = 2,
    serial: str = "00123",
    seed: int = 1,
    is_troubled: bool = True,
) -> RunData:
    """The same arguments give the same run; a third of the corners shows some trouble if ``is_troubled``."""
    plan = _plan(rails, checks, trials)
    planned = the_corners(plan, corners)
    draw = random.Random(seed)
    visits = []
    for ordinal, corner in enumerate(planned):
        outcome = Outcome.PASS
        if is_troubled and ordinal % 3 == 1:
            outcome = draw.choice((*_TROUBLE, Outcome.FAIL_FUNCTIONAL, Outcome.FAIL_FUNCTIONAL, Outcome.NO_ANSWER))
        visits.append(_visit(plan, corner, ordinal, outcome, draw))
    has_failed = any(record.visit.outcome.is_product_failure for record in visits)
    run = Run(
        run_id=f"large-{serial}-{seed}",
        bench_id="desk/main",
        bench_kind="simulated",
        station="desk",
        serial=serial,
        operator="night shift",
        title=plan.title,
        seed=seed,
        started_utc=START + timedelta(hours=seed),
        plan_json=_plan_text(rails, checks, trials),
        sources=plan.sources,
        versions={"cornerrun": "0.1.0"},
        devices={"PM1": {"model": "PM8"}},
        instruments=(METER,),
        setpoints=(),
        corners=planned,
        not_runnable=(),
        planned_visits=len(visits),
        ended_utc=START + timedelta(hours=seed, seconds=len(visits)),
        result=RunResult.FAIL if has_failed else RunResult.PASS,
        end_state=EndState.NOMINAL,
        why="check 0 is refuted" if has_failed else "every criterion is met",
    )
    event = Event(at_s=3.0, at_utc=START, severity="warning", what="a read was tried twice", rail=plan.rails[0].name)
    return RunData(run=run, visits=tuple(visits), events=(event,), proof=_proof(plan, draw))


@cache
def _plan(rails: int, checks: int, trials: int) -> Plan:
    return a_large_plan(rails, checks, trials)


@cache
def _plan_text(rails: int, checks: int, trials: int) -> str:
    return plan_to_json(_plan(rails, checks, trials))


def _visit(plan: Plan, corner: Corner, ordinal: int, outcome: Outcome, draw: random.Random) -> VisitRecord:
    trials = plan.checks[0].trials if plan.checks else 1
    levels = corner.by_rail()
    culprit = draw.randrange(len(plan.rails))
    readings = []
    for index, rail in enumerate(plan.rails):
        target_v = rail.levels[levels[rail.name]]
        volts = target_v * (1 + 1e-3 * ((index % 7) - 3) / 3 + 2e-5 * draw.gauss(0, 1))
        own = outcome if index == culprit and outcome in _TROUBLE[:4] else Outcome.PASS
        if own is Outcome.FAIL_VOLTAGE:
            volts *= 1.02
        readings.append(
            Reading(
                rail=rail.name,
                level=levels[rail.name],
                target_v=target_v,
                setpoint_v=round(target_v * 4096) / 4096,
                word=round(target_v * 4096),
                telemetry_v=volts + 2e-4,
                telemetry_n=4,
                reference_v=volts,
                reference_range_v=10.0,
                settle_s=0.05 + 0.02 * draw.random(),
                status_word=0,
                current_a=None,
                temperature_degc=None,
                outcome=own,
                reason="" if own is Outcome.PASS else f"{rail.name} did not do as asked",
            )
        )
    runs_checks = outcome in {Outcome.PASS, Outcome.FAIL_FUNCTIONAL, Outcome.FAIL_VOLTAGE}
    failures = draw.randrange(1, trials) if outcome is Outcome.FAIL_FUNCTIONAL else 0
    names = [check.name for check in plan.checks] if runs_checks else []
    culprit_name = plan.rails[culprit].name
    return VisitRecord(
        visit=Visit(
            ordinal=ordinal,
            corner=corner.name,
            repeat=0,
            is_control=False,
            outcome=outcome,
            reason="" if outcome is Outcome.PASS else f"{outcome} at {corner.name}",
            started_utc=START + timedelta(seconds=ordinal),
            start_s=float(ordinal),
            end_s=ordinal + 0.9,
            phase_s={"settle": 0.2, "checks": 0.6},
        ),
        readings=tuple(readings),
        checks=tuple(
            CheckResult(
                check=name,
                outcome=Outcome.FAIL_FUNCTIONAL if failures and number == 0 else Outcome.PASS,
                reason=f"{failures} of {trials} trials failed" if failures and number == 0 else "",
                trials=trials,
                failures=failures if number == 0 else 0,
            )
            for number, name in enumerate(names)
        ),
        trials=tuple(
            Trial(
                check=name,
                trial=trial,
                passed=not (number == 0 and trial < failures),
                numbers={"errors": float(number == 0 and trial < failures)},
                duration_s=0.02,
                output="word 17 differs" if number == 0 and trial < failures else "",
            )
            for number, name in enumerate(names)
            for trial in range(trials)
        ),
        faults=(
            Fault(
                visit=ordinal,
                at_s=ordinal + 0.5,
                kind="under-voltage",
                originator=culprit_name,
                followers=(plan.rails[(culprit + 1) % len(plan.rails)].name,),
                why="it alone shows the fault bit",
                captures=(
                    StatusCapture(rail=culprit_name, taken_at_s=0.5, registers={"STATUS_WORD": 0x8810}, fault_log=b""),
                ),
            ),
        )
        if outcome is Outcome.TRIPPED
        else (),
        watched=tuple(
            WatchRange(rail=rail.name, during="settle", min_v=rail.nominal_v * 0.94, max_v=rail.nominal_v, samples=9)
            for rail in plan.rails
        ),
        traces=tuple(
            SettleTrace(
                rail=item.rail,
                target_v=item.target_v,
                points=tuple((0.02 * n, item.target_v * (1 - 0.04 * 0.3**n)) for n in range(1, 6)),
            )
            for item in readings
            if item.level != NOMINAL
        ),
        tests=tuple(
            SuiteTest(check="check 0", trial=0, name=f"suite.py::test_{n}", passed=n > 0, duration_s=0.01, reason="")
            for n in range(2)
        )
        if failures
        else (),
    )


def _proof(plan: Plan, draw: random.Random) -> tuple[ProofStep, ...]:
    return tuple(
        ProofStep(
            rail=rail.name,
            step_v=0.01,
            readings=tuple(
                ProofReading(
                    rail=other.name,
                    telemetry_v=None,
                    reference_v=0.01
                    if other is rail
                    else 0.01 * draw.choice((0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.01, -0.02)),
                )
                for other in plan.rails
            ),
        )
        for rail in plan.rails
    )


def with_serial(data: RunData, serial: str) -> RunData:
    return replace(data, run=replace(data.run, serial=serial, run_id=f"run-{serial}"))
