"""A small run built in code, for tests of reports: three rails, invented numbers."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

from cornerrun.corners.model import Corner, RailLevel, Step
from cornerrun.plan.model import (
    AllRails,
    Board,
    Check,
    ControlPoints,
    CornerChoice,
    Criteria,
    Demonstrate,
    Device,
    HardLimits,
    PageAddress,
    Plan,
    Policy,
    Rail,
    Relation,
    Settle,
    Source,
    Tracks,
)
from cornerrun.results.records import (
    CheckResult,
    EndState,
    Event,
    InstrumentRecord,
    Outcome,
    Reading,
    Run,
    RunData,
    RunResult,
    Trial,
    Visit,
    VisitRecord,
    WatchRange,
)

START = datetime(2026, 3, 2, 8, 30, tzinfo=UTC)
SETTLE = Settle(band_ratio=0.005, stable_for_s=0.06, timeout_s=2.0)
METER = InstrumentRecord(
    name="meter",
    identity="maker,model,1,2",
    resource="simulated",
    calibrated="2026-03-01",
    due="2027-03-01",
    nplc=1.0,
    line_hz=50.0,
    reading_ratio=35e-6,
    range_ratio=5e-6,
    coverage=2.0,
)


def a_rail(name: str, nominal_v: float, *, page: int | None = 0, tracks: Tracks | None = None) -> Rail:
    moves = page is not None or tracks is not None
    levels = {"nominal": nominal_v, "high": nominal_v * 1.05, "low": nominal_v * 0.95}
    return Rail(
        name=name,
        nominal_v=nominal_v,
        levels=levels if moves else {"nominal": nominal_v},
        hard_limits=HardLimits(min_v=nominal_v * 0.9, max_v=nominal_v * 1.1),
        accuracy_ratio=0.005,
        settle=SETTLE,
        power=None if page is None else PageAddress(device="PM1", page=page),
        tracks=tracks,
    )


def a_plan(**changes: object) -> Plan:
    plan = Plan(
        title="Tide-gauge node, quick margin screen",
        board=Board(name="tide-gauge node", revision="C"),
        bench=None,
        devices={"PM1": Device(name="PM1", bus="main", address=0x40, profile="generic")},
        rails=(
            a_rail("CORE", 0.85),
            a_rail("IO", 1.8, page=1),
            a_rail("HALF", 0.425, page=None, tracks=Tracks(rail="CORE", ratio=0.5)),
            a_rail("AUX", 3.3, page=None),
        ),
        groups={},
        relations=(Relation(rail="IO", minus="CORE", min_v=0.7, max_v=1.2),),
        conditions=(),
        corners=CornerChoice(
            schemes=(AllRails(levels=("high", "low")),), control_points=ControlPoints(drift_ratio=0.001)
        ),
        checks=(
            Check(
                name="memory march",
                python="checks.py:march",
                trials=30,
                criterion=Demonstrate(pass_probability=0.9, confidence=0.95),
            ),
        ),
        criteria=Criteria(trim_claim_ratio=0.0025),
        policy=Policy(),
        sources=(Source(role="plan", path=Path("plans/node.yaml"), sha256="0" * 64),),
        directory=Path("plans"),
    )
    return replace(plan, **changes)  # type: ignore[arg-type]


def a_corner(name: str, core: str, io: str) -> Corner:
    levels = (RailLevel(rail="CORE", level=core), RailLevel(rail="IO", level=io))
    return Corner(name=name, levels=levels, scheme="all_rails")


CORNERS = (
    a_corner("nominal", "nominal", "nominal"),
    a_corner("all high", "high", "high"),
    a_corner("all low", "low", "low"),
    a_corner("core low io high", "low", "high"),
)


def steps_of(names: Sequence[str]) -> tuple[Step, ...]:
    by_name = {corner.name: corner for corner in CORNERS}
    return tuple(
        Step(ordinal=i, corner=by_name[name], repeat=0, is_control=name == "nominal", moves=(), return_order=())
        for i, name in enumerate(names)
    )


Truth = Callable[[str, float, int], float]


def ideal(rail: str, target_v: float, ordinal: int) -> float:
    """The voltage with a trace of scatter that depends on nothing but the visit."""
    return target_v * (1 + 2e-5 * ((ordinal * 7919 + len(rail)) % 5 - 2))


def a_reading(plan: Plan, rail: Rail, level: str, ordinal: int, truth: Truth, *, with_meter: bool) -> Reading:
    target_v = rail.levels.get(level, rail.nominal_v)
    volts = truth(rail.name, target_v, ordinal)
    is_in = abs(volts - target_v) <= plan.criteria.voltage_window_ratio * target_v
    return Reading(
        rail=rail.name,
        level=level,
        target_v=target_v,
        setpoint_v=round(target_v * 4096) / 4096 if rail.power else None,
        word=round(target_v * 4096) if rail.power else None,
        telemetry_v=volts + 0.0004,
        telemetry_n=4,
        reference_v=volts if with_meter else None,
        reference_range_v=10.0 if with_meter else None,
        settle_s=0.08 if level != "nominal" else None,
        status_word=0,
        current_a=None,
        temperature_degc=None,
        outcome=Outcome.PASS if is_in else Outcome.FAIL_VOLTAGE,
        reason="" if is_in else f"{rail.name} lies outside its window",
    )


def a_visit(
    plan: Plan,
    step: Step,
    *,
    failures: int = 0,
    trials: int = 30,
    truth: Truth = ideal,
    with_meter: bool = True,
    outcome: Outcome | None = None,
    reason: str = "",
) -> VisitRecord:
    levels = step.corner.by_rail()
    readings = tuple(
        a_reading(
            plan,
            rail,
            levels.get(rail.tracks.rail if rail.tracks else rail.name, "nominal"),
            step.ordinal,
            truth,
            with_meter=with_meter,
        )
        for rail in plan.rails
    )
    own = next((r.outcome for r in readings if r.outcome is not Outcome.PASS), None)
    ended = outcome or own or (Outcome.FAIL_FUNCTIONAL if failures else Outcome.PASS)
    has_checks = bool(plan.checks) and ended in {Outcome.PASS, Outcome.FAIL_FUNCTIONAL, Outcome.FAIL_VOLTAGE}
    return VisitRecord(
        visit=Visit(
            ordinal=step.ordinal,
            corner=step.corner.name,
            repeat=step.repeat,
            is_control=step.is_control,
            outcome=ended,
            reason=reason or (f"memory march failed {failures} of {trials}" if failures else ""),
            started_utc=START + timedelta(seconds=step.ordinal),
            start_s=float(step.ordinal),
            end_s=step.ordinal + 0.75,
            phase_s={"settle": 0.25, "check": 0.5},
        ),
        readings=readings,
        checks=(
            CheckResult(
                check="memory march",
                outcome=Outcome.FAIL_FUNCTIONAL if failures else Outcome.PASS,
                reason="",
                trials=trials,
                failures=failures,
            ),
        )
        if has_checks
        else (),
        trials=tuple(
            Trial(
                check="memory march",
                trial=i,
                passed=i >= failures,
                numbers={"errors": float(i < failures)},
                duration_s=0.02,
            )
            for i in range(trials)
        )
        if has_checks
        else (),
        watched=tuple(
            WatchRange(rail=r.name, during="settle", min_v=r.nominal_v * 0.94, max_v=r.nominal_v * 1.06, samples=9)
            for r in plan.rails
        ),
    )


NAMES = ("nominal", "all high", "all low", "core low io high", "all high", "all low", "nominal")


def a_run_of(
    visits: Sequence[VisitRecord],
    *,
    result: RunResult | None = RunResult.PASS,
    why: str = "because",
    end_state: EndState | None = EndState.NOMINAL,
    instruments: tuple[InstrumentRecord, ...] = (METER,),
    events: tuple[Event, ...] = (),
    **changes: object,
) -> RunData:
    run = Run(
        run_id="20260302-083000-ab12",
        bench_id="desk/main",
        bench_kind="simulated",
        station="desk",
        serial="00123",
        operator="night shift",
        title="Tide-gauge node, quick margin screen",
        seed=7,
        started_utc=START,
        plan_json="{}",
        sources=(Source(role="plan", path=Path("plans/node.yaml"), sha256="0" * 64),),
        versions={"cornerrun": "0.1.0"},
        devices={"PM1": {"model": "PM8"}},
        instruments=instruments,
        setpoints=(),
        corners=CORNERS,
        not_runnable=(),
        planned_visits=len(NAMES),
        ended_utc=START + timedelta(seconds=10) if result is not None else None,
        result=result,
        end_state=end_state,
        why=why,
    )
    return RunData(run=replace(run, **changes), visits=tuple(visits), events=events)  # type: ignore[arg-type]


def good_visits(plan: Plan, failures: Mapping[int, int] | None = None, *, truth: Truth = ideal) -> list[VisitRecord]:
    return [
        a_visit(plan, step, failures=(failures or {}).get(step.ordinal, 0), truth=truth) for step in steps_of(NAMES)
    ]
