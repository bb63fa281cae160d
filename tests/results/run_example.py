"""A run with every kind of record, for tests: invented numbers."""

from datetime import UTC, datetime, timedelta
from pathlib import Path

from cornerrun.bench.ports import Baseline, RawWrite, RegisterValue, RestoreRecipe, StatusCapture
from cornerrun.corners.model import ConditionLevel, Corner, NotRunnable, RailLevel, Step
from cornerrun.plan.model import Source
from cornerrun.results.condition_change import ConditionChange
from cornerrun.results.records import (
    CheckResult,
    Event,
    Fault,
    InstrumentRecord,
    Intent,
    Outcome,
    ProofReading,
    ProofStep,
    Reading,
    Run,
    SetpointRecord,
    SettleTrace,
    SuiteTest,
    Trial,
    Visit,
    VisitRecord,
    WatchRange,
)

START = datetime(2026, 3, 2, 8, 30, tzinfo=UTC)


def a_corner(name: str = "all high", *, rails: int = 2, level: str = "high") -> Corner:
    return Corner(
        name=name,
        levels=tuple(RailLevel(rail=f"RAIL_{n}", level=level) for n in range(rails)),
        conditions=(ConditionLevel(condition="ambient", level="hot", value=60.0),),
        scheme="all_rails",
    )


def a_run(run_id: str = "20260302-083000-ab12", *, serial: str = "00123", plan_json: str = "{}") -> Run:
    return Run(
        run_id=run_id,
        bench_id="desk/main",
        bench_kind="simulated",
        station="desk",
        serial=serial,
        operator="night shift",
        title="Tide-gauge node",
        seed=2**63 + 7,
        started_utc=START,
        plan_json=plan_json,
        sources=(Source(role="plan", path=Path("plans/node.yaml"), sha256="0" * 64),),
        versions={"cornerrun": "0.1.0"},
        devices={"PM1": {"model": "PM8"}},
        instruments=(
            InstrumentRecord(
                name="meter",
                identity="maker,model,1,2",
                resource="simulated",
                calibrated="2026-03-01",
                due=None,
                nplc=1.0,
                line_hz=50.0,
                reading_ratio=35e-6,
                range_ratio=5e-6,
                coverage=2.0,
            ),
        ),
        setpoints=(SetpointRecord(rail="RAIL_0", level="high", target_v=1.05, word=4301, decoded_v=1.050048828125),),
        corners=(a_corner(),),
        not_runnable=(NotRunnable(name="all low", scheme="all_rails", reason="forbidden"),),
        unit_data={"rework": "no"},
        planned_visits=3,
    )


def a_recipe(run_id: str) -> RestoreRecipe:
    write = RawWrite(
        stage="nominal", bus="main", address=64, page=0, command=1, data=b"\x80\xff\x00", rails=("RAIL_0",)
    )
    return RestoreRecipe(
        bench_id="desk/main", run_id=run_id, serial="00123", pid=4711, links={"main": "tcp:h:1"}, writes=(write,)
    )


def a_baseline() -> Baseline:
    register = RegisterValue(bus="main", address=64, page=None, command=0x10, data=b"\x00")
    return Baseline(registers=(register,), voltages_v={"RAIL_0": 0.1 + 0.2, "RAIL_1": 1.8})


def a_step(ordinal: int = 1) -> Step:
    return Step(
        ordinal=ordinal,
        corner=a_corner(),
        repeat=0,
        is_control=False,
        moves=((RailLevel(rail="RAIL_0", level="high"),), (RailLevel(rail="RAIL_1", level="high"),)),
        return_order=(("RAIL_1",), ("RAIL_0",)),
    )


def an_intent(run_id: str, ordinal: int = 1) -> Intent:
    return Intent(run_id=run_id, step=a_step(ordinal), at_utc=START + timedelta(seconds=ordinal))


def an_event(what: str = "a read was tried twice", *, at_s: float = 1.5) -> Event:
    return Event(at_s=at_s, at_utc=START + timedelta(seconds=at_s), severity="warning", what=what, rail="RAIL_0")


def a_reading(rail: str, *, target_v: float = 1.05, outcome: Outcome = Outcome.PASS) -> Reading:
    return Reading(
        rail=rail,
        level="high",
        target_v=target_v,
        setpoint_v=target_v + 5e-5,
        word=4301,
        telemetry_v=target_v + 1e-4,
        telemetry_n=4,
        reference_v=target_v + 1.1e-4,
        reference_range_v=10.0,
        settle_s=0.083,
        status_word=0,
        current_a=None,
        temperature_degc=41.5,
        outcome=outcome,
    )


def a_change(level: str = "hot") -> ConditionChange:
    """Every field filled."""
    return ConditionChange(
        condition="ambient",
        unit="degC",
        level=level,
        target=70.0,
        came_from=24.9,
        reading=69.8,
        started_s=1 / 3,
        took_s=1800.5,
        ramp_per_s=2 / 60,
        steepest_per_s=0.0331,
        is_board_on=False,
        sensed=68.25,
        sensor="RAIL_0",
        trace=((0.0, 24.9), (900.0, 50.1), (1800.5, 69.8)),
    )


def a_visit(ordinal: int = 0, *, rails: int = 2, trials: int = 3) -> VisitRecord:
    return VisitRecord(
        visit=Visit(
            ordinal=ordinal,
            corner="all high",
            repeat=0,
            is_control=False,
            outcome=Outcome.FAIL_FUNCTIONAL,
            reason="memory march failed 1 of 3",
            started_utc=START + timedelta(seconds=ordinal),
            start_s=float(ordinal),
            end_s=ordinal + 0.75,
            is_after_seam=ordinal == 1,
            is_void=False,
            phase_s={"settle": 0.3, "checks": 0.45},
            conditions={"ambient": 59.9},
        ),
        readings=tuple(a_reading(f"RAIL_{n}") for n in range(rails)),
        checks=(CheckResult(check="memory march", outcome=Outcome.PASS, reason="", trials=trials, failures=1),),
        trials=tuple(
            Trial(
                check="memory march",
                trial=n,
                passed=(True, False, None)[n % 3],
                numbers={"errors": n / 3},
                duration_s=0.02,
            )
            for n in range(trials)
        ),
        faults=(
            Fault(
                visit=ordinal,
                at_s=0.5,
                kind="under-voltage",
                originator="undetermined",
                followers=("RAIL_1",),
                why="two rails tell the same",
                captures=(
                    StatusCapture(
                        rail="RAIL_0", taken_at_s=0.5, registers={"STATUS_WORD": 0x8810}, fault_log=b"\x00\xff="
                    ),
                ),
            ),
        )
        if ordinal == 2
        else (),
        watched=tuple(
            WatchRange(rail=f"RAIL_{n}", during="settle", min_v=1.0, max_v=1.06, samples=5) for n in range(rails)
        ),
        traces=(SettleTrace(rail="RAIL_0", target_v=1.05, points=((0.02, 1.0), (0.04, 1 / 3))),),
        changes=(a_change(),),
        tests=(SuiteTest(check="memory march", trial=0, name="a.py::test_b", passed=None, duration_s=0.1, reason="-"),),
    )


def a_proof() -> ProofStep:
    moved = (("RAIL_0", 0.01, 0.0101), ("RAIL_1", 0.0, None))
    return ProofStep(
        rail="RAIL_0",
        step_v=0.01,
        readings=tuple(ProofReading(rail=rail, telemetry_v=a, reference_v=b) for rail, a, b in moved),
    )
