"""A bench of plain Python objects behind the ports: every call is logged, and any call can be made to fail.

The rails answer as first-order systems in closed form, so that settling means something.
"""

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import date
from pathlib import Path
from typing import Any

from cornerrun.bench.ports import (
    Baseline,
    BenchPorts,
    DeviceIdentity,
    MeterIdentity,
    MeterReading,
    RawWrite,
    RegisterValue,
    Setpoint,
    StatusCapture,
    Telemetry,
)
from cornerrun.clock import ManualClock
from cornerrun.corners.model import RailLevel
from cornerrun.corners.order import steps as lay_out
from cornerrun.corners.select import select
from cornerrun.errors import NotAtNominal, UnsafeState
from cornerrun.plan.bench_file import BenchFile, Bus, Instrument, MeterUncertainty, Watch
from cornerrun.plan.model import (
    NOMINAL,
    AllRails,
    Board,
    Check,
    ControlPoints,
    CornerChoice,
    Criteria,
    HardLimits,
    PageAddress,
    Plan,
    Policy,
    Rail,
    Scheme,
    Settle,
    SingleRail,
    Source,
    Tracks,
)
from cornerrun.results.records import Event, Intent, Latch, Outcome, Run, Trial, VisitRecord
from cornerrun.run.guarded import UNGUARDED
from cornerrun.run.runner import RunEnd, run_plan

OFF, OV, OC, TEMPERATURE, POWER_GOOD, VOUT = 1 << 6, 1 << 5, 1 << 4, 1 << 2, 1 << 11, 1 << 15
SCAN_S = 0.02


def a_rail(name: str, nominal_v: float = 1.0, page: int = 0, **changes: Any) -> Rail:
    rail = Rail(
        name=name,
        nominal_v=nominal_v,
        levels={"nominal": nominal_v, "high": nominal_v * 1.05, "low": nominal_v * 0.95},
        hard_limits=HardLimits(min_v=nominal_v * 0.9, max_v=nominal_v * 1.1),
        accuracy_ratio=0.005,
        settle=Settle(band_ratio=0.005, stable_for_s=0.06, timeout_s=1.0),
        power=PageAddress(device="PM1", page=page),
    )
    return replace(rail, **changes)


THREE = (a_rail("CORE", 0.85, 0), a_rail("DDR", 1.2, 1), a_rail("IO", 1.8, 2))


def a_plan(
    rails: Sequence[Rail] = THREE,
    *,
    schemes: Sequence[Scheme] = (AllRails(levels=("high", "low")), SingleRail(levels=("high", "low"))),
    checks: Sequence[Check] = (),
    controls: ControlPoints | None = None,
    policy: Policy | None = None,
    criteria: Criteria | None = None,
    **changes: Any,
) -> Plan:
    plan = Plan(
        title="Tide-gauge node",
        board=Board(name="tide-gauge node", revision="C"),
        bench=None,
        devices={},
        rails=tuple(rails),
        groups={},
        relations=(),
        conditions=(),
        corners=CornerChoice(
            schemes=tuple(schemes), control_points=controls or ControlPoints(every=4, drift_ratio=0.001)
        ),
        checks=tuple(checks),
        criteria=criteria or Criteria(),
        policy=policy or Policy(),
        sources=(),
        directory=Path("/nowhere"),
    )
    return replace(plan, **changes)


def a_bench_file(*, period_s: float = 0.1, has_meter: bool = True) -> BenchFile:
    meter = Instrument(
        name="meter",
        driver="scpi-meter",
        resource="simulated",
        uncertainty=MeterUncertainty(reading_ratio=35e-6, range_ratio=5e-6, coverage=2.0),
        calibrated=date(2026, 3, 1),
        due=date(2027, 3, 1),
    )
    return BenchFile(
        station="desk",
        kind="simulated",
        buses={"main": Bus(name="main", link="simulated")},
        meter=meter if has_meter else None,
        channels={},
        conditions={},
        watch=Watch(period_s=period_s),
        simulation=None,
        source=Source(role="bench", path=Path("/nowhere/bench.yaml"), sha256="0" * 64),
        directory=Path("/nowhere"),
    )


@dataclass
class Output:
    """One rail: where it was sent, from where, when; and what is planted on it."""

    target_v: float
    start_v: float
    since_s: float = 0.0
    tau_s: float = 0.005
    error_ratio: float = 0.0
    clamp_v: float = math.inf
    is_on: bool = True
    registers: dict[str, int] = field(default_factory=dict)

    def at(self, now_s: float) -> float:
        if not self.is_on:
            return 0.0
        final_v = min(self.target_v * (1 + self.error_ratio), self.clamp_v)
        return final_v + (self.start_v - final_v) * math.exp(-(now_s - self.since_s) / self.tau_s)

    @property
    def word(self) -> int:
        word = self.registers.get("STATUS_WORD", 0)
        return word if self.is_on else word | OFF | POWER_GOOD


class FakeBoard:
    """RailPower, SafeReturn and FaultCapture of one board.

    ``before`` is called before every call, with the board, its name and how often it came; it may plant or raise.
    """

    message_s = 0.0002

    def __init__(self, plan: Plan, clock: ManualClock, log: list[tuple[Any, ...]]) -> None:
        self.plan = plan
        self.clock = clock
        self.log = log
        self.levels = {rail.name: NOMINAL for rail in plan.rails}
        self.outputs = {rail.name: Output(target_v=rail.nominal_v, start_v=rail.nominal_v) for rail in plan.rails}
        self.before: Callable[[FakeBoard, str, int], None] = lambda *_: None
        self.counts: dict[str, int] = {}
        self.restored = 0
        self.connected = False

    def called(self, name: str, *details: Any) -> None:
        self.counts[name] = self.counts.get(name, 0) + 1
        self.log.append((name, *details))
        self.before(self, name, self.counts[name])

    def trip(self, rail: str, **registers: int) -> None:
        output = self.outputs[rail]
        output.is_on = False
        output.registers.update(registers)

    def voltage_v(self, rail: str) -> float:
        return self.outputs[rail].at(self.clock.now_s())

    @property
    def is_at_nominal(self) -> bool:
        return all(level == NOMINAL for level in self.levels.values()) and self.is_on

    @property
    def is_on(self) -> bool:
        return all(output.is_on for output in self.outputs.values())

    @property
    def is_off(self) -> bool:
        return not any(output.is_on for output in self.outputs.values())

    def _send(self, rail: str, level: str) -> None:
        for name in (rail, *(one.name for one in self.plan.rails if one.tracks and one.tracks.rail == rail)):
            output = self.outputs[name]
            output.start_v = output.at(self.clock.now_s())
            output.since_s = self.clock.now_s()
            output.target_v = self.plan.rail(name).levels[level]
            self.levels[name] = level

    # RailPower

    @property
    def scan_s(self) -> Mapping[str, float]:
        return {rail.name: SCAN_S for rail in self.plan.rails if rail.power is not None}

    def connect(self) -> tuple[DeviceIdentity, ...]:
        self.called("connect")
        self.connected = True
        return (DeviceIdentity(device="PM1", texts={"model": "PM8"}),)

    def setpoint(self, rail: str, level: str) -> Setpoint:
        target_v = self.plan.rail(rail).levels[level]
        word = round(target_v * 4096)
        return Setpoint(rail=rail, level=level, target_v=target_v, word=word, decoded_v=word / 4096)

    def move(self, burst: Sequence[RailLevel]) -> tuple[Setpoint, ...]:
        self.called("move", tuple((item.rail, item.level) for item in burst))
        for item in burst:
            self.clock.charge(self.message_s)
            self._send(item.rail, item.level)
        return tuple(self.setpoint(item.rail, item.level) for item in burst)

    def read(self, rails: Sequence[str], *, with_load: bool = False) -> tuple[Telemetry, ...]:
        self.called("read", tuple(rails))
        readings = []
        for rail in rails:
            self.clock.charge(self.message_s)
            voltage_v = self.voltage_v(rail)
            readings.append(
                Telemetry(
                    rail=rail,
                    read_at_s=self.clock.now_s(),
                    word=max(round(voltage_v * 4096), 0) if math.isfinite(voltage_v) else 0,
                    voltage_v=voltage_v,
                    status_word=self.outputs[rail].word,
                    current_a=1.0 if with_load else None,
                )
            )
        return tuple(readings)

    # SafeReturn

    def take_baseline(self) -> Baseline:
        self.called("take_baseline")
        if not self.is_at_nominal:
            raise NotAtNominal("not at nominal; `cornerrun to-nominal` brings it back")
        register = RegisterValue(bus="main", address=0x40, page=0, command=0x25, data=b"\x00\x10")
        return Baseline(registers=(register,), voltages_v={rail: self.voltage_v(rail) for rail in self.outputs})

    def recipe(self, baseline: Baseline, return_order: Sequence[Sequence[str]] = ()) -> tuple[RawWrite, ...]:
        return (
            RawWrite(
                stage="nominal", bus="main", address=0x40, page=0, command=0x01, data=b"\x80", rails=tuple(self.outputs)
            ),
        )

    def to_nominal(self, return_order: Sequence[Sequence[str]] = ()) -> None:
        self.called("to_nominal", tuple(tuple(burst) for burst in return_order))
        for rail in self.plan.rails:
            if rail.tracks is None:
                self._send(rail.name, NOMINAL)

    def restore(self, baseline: Baseline) -> None:
        self.called("restore")
        self.restored += 1

    def turn_off(self, rails: Sequence[str] = ()) -> None:
        self.called("turn_off", tuple(rails))
        for rail in rails or self.outputs:
            self.outputs[rail].is_on = False

    # FaultCapture

    def capture(self, rails: Sequence[str] = ()) -> tuple[StatusCapture, ...]:
        self.called("capture", tuple(rails))
        return tuple(
            StatusCapture(
                rail=rail,
                taken_at_s=self.clock.now_s(),
                registers={**self.outputs[rail].registers, "STATUS_WORD": self.outputs[rail].word},
            )
            for rail in rails or self.outputs
            if rail in self.scan_s
        )

    def clear(self, rails: Sequence[str] = ()) -> None:
        self.called("clear", tuple(rails))
        for rail in rails or self.outputs:
            self.outputs[rail].registers.clear()

    def turn_on(self, rails: Sequence[str]) -> None:
        self.called("turn_on", tuple(rails))
        for rail in rails:
            output = self.outputs[rail]
            output.is_on, output.start_v, output.since_s = True, 0.0, self.clock.now_s()


class FakeMeter:
    """A scanner that sees the true voltages, after its time."""

    channel_s = 0.03

    def __init__(self, board: FakeBoard, rails: Sequence[str]) -> None:
        self._board = board
        self._rails = tuple(rails)
        self._asked: tuple[str, ...] = ()
        self._done_s = 0.0
        self.error_ratio: dict[str, float] = {}
        self.before: Callable[[FakeBoard, str, int], None] = lambda *_: None

    @property
    def rails(self) -> tuple[str, ...]:
        return self._rails

    def identify(self) -> MeterIdentity:
        return MeterIdentity(maker="none", model="DMM", serial="7", firmware="1")

    def start(self, rails: Sequence[str]) -> float:
        self._board.called("meter", tuple(rails))
        self._asked = tuple(rails)
        self._done_s = self._board.clock.now_s() + self.channel_s * len(rails)
        return self._done_s

    def fetch(self) -> tuple[MeterReading, ...]:
        self._board.called("fetch")
        assert self._board.clock.now_s() >= self._done_s, "fetched before it was done"
        return tuple(
            MeterReading(
                rail=rail,
                channel=index,
                read_at_s=self._board.clock.now_s(),
                reading_v=self._board.voltage_v(rail) * (1 + self.error_ratio.get(rail, 0.0)),
                range_v=1.0,
                aperture_s=0.02,
            )
            for index, rail in enumerate(self._asked)
        )

    def close(self) -> None:
        self._board.called("meter close")


class FakeStore:
    """What the run asks of a store, in memory; shares the log, so that order can be judged."""

    address = ""

    def __init__(self, log: list[tuple[Any, ...]]) -> None:
        self.log = log
        self.run: Run | None = None
        self.baseline_kept: Baseline | None = None
        self.intents: list[Intent] = []
        self.visits: list[VisitRecord] = []
        self.events: list[Event] = []
        self.snapshots: list[Any] = []
        self.changes: list[Any] = []
        self.proof: list[Any] = []
        self.end: tuple[Any, ...] | None = None
        self.open_latches: list[Latch] = []
        self.where = "memory"
        self.before: Callable[[str], None] = lambda _: None

    def _called(self, name: str, *details: Any) -> None:
        self.before(name)
        self.log.append((f"store {name}", *details))

    def add_condition_change(self, run_id: str, change: Any) -> None:
        self._called("condition change", change.condition)
        self.changes.append(change)

    def latches(self, bench_id: str | None = None) -> tuple[Latch, ...]:
        return tuple(self.open_latches)

    def set_latch(self, latch: Latch) -> None:
        self._called("latch", latch.end_state)
        self.open_latches.insert(0, latch)

    def unfinished(self, bench_id: str | None = None) -> tuple[Run, ...]:
        return (self.run,) if self.run is not None and self.end is None else ()

    def begin_run(self, run: Run, recipe: Any, baseline: Baseline) -> None:
        self._called("begin", run.run_id)
        self.run, self.baseline_kept, self.end = run, baseline, None

    def intend(self, intent: Intent, finished: VisitRecord | None = None) -> None:
        self._called("intend", intent.step.ordinal)
        self.intents.append(intent)
        if finished is not None:
            self.visits.append(finished)

    def finish_visit(self, run_id: str, record: VisitRecord) -> None:
        self._called("finish", record.visit.ordinal)
        self.visits.append(record)

    def add_snapshot(self, run_id: str, snapshot: Any) -> None:
        self._called("add_snapshot")
        self.snapshots.append(snapshot)

    def add_proof(self, run_id: str, step: Any) -> None:
        self._called("add_proof")
        self.proof.append(step)

    def add_fault_trial(self, run_id: str, trial: Any) -> None:
        self._called("add_fault_trial")

    def add_event(self, run_id: str, event: Event) -> None:
        self._called("event", event.what)
        self.events.append(event)

    def end_run(self, run_id: str, *end: Any) -> None:
        self._called("end", run_id)
        self.end = end

    def baseline(self, run_id: str) -> Baseline | None:
        return self.baseline_kept

    def last_intent(self, run_id: str) -> Intent | None:
        return self.intents[-1] if self.intents else None


@dataclass(frozen=True, kw_only=True)
class Ran:
    """What a fake check hands back."""

    outcome: Outcome = Outcome.PASS
    reason: str = ""
    trials: tuple[Trial, ...] = ()


def answered(
    check: Check, passed: Sequence[bool | None] = (), outcome: Outcome = Outcome.PASS, reason: str = ""
) -> Ran:
    """Make what a check hands back; every trial passes if none are given."""
    verdicts = passed or (True,) * check.trials
    trials = tuple(
        Trial(check=check.name, trial=number, passed=verdict, numbers={}, duration_s=0.0)
        for number, verdict in enumerate(verdicts)
    )
    return Ran(outcome=outcome, reason=reason, trials=trials)


class FakeChecks:
    """Runs checks by a function of (check, view); ``takes_s`` of each trial passes on the clock, ticking."""

    def __init__(
        self, clock: ManualClock, verdict: Callable[[Check, Any], Ran] = lambda check, _: answered(check)
    ) -> None:
        self.clock = clock
        self.verdict = verdict
        self.calls: list[tuple[str, str]] = []
        self.hooks: list[str] = []

    def prepare(self) -> tuple[Source, ...]:
        return ()

    def begin_run(self, view: Any, tick: Any = None) -> tuple[()]:
        self.hooks.append("begin")
        return ()

    def end_run(self, view: Any, tick: Any = None) -> tuple[()]:
        self.hooks.append("end")
        return ()

    def run(self, check: Check, view: Any, tick: Any, *, progress: Any = None) -> Ran:
        self.calls.append((check.name, view.corner))
        end_s = self.clock.now_s() + check.takes_s * check.trials
        while (due_s := tick()) < end_s:
            self.clock.sleep_until(due_s)
        self.clock.sleep_until(end_s)
        return self.verdict(check, view)


class Rig:
    """A whole fake bench with plan, store and clock; `run` runs the plan on it."""

    def __init__(
        self, plan: Plan | None = None, *, has_meter: bool = True, period_s: float = 0.1, checks: Any = None
    ) -> None:
        self.plan = plan or a_plan()
        self.clock = ManualClock()
        self.log: list[tuple[Any, ...]] = []
        self.board = FakeBoard(self.plan, self.clock, self.log)
        self.meter = FakeMeter(self.board, [rail.name for rail in self.plan.rails]) if has_meter else None
        self.store = FakeStore(self.log)
        self.bench_file = a_bench_file(period_s=period_s, has_meter=has_meter)
        self.checks = checks(self.clock) if checks is not None else None
        self.told: list[Any] = []
        self.traffic: dict[str, int] = {}
        self.driver_notes: list[Any] = []

    def _take_notes(self) -> tuple[Any, ...]:
        taken, self.driver_notes = tuple(self.driver_notes), []
        return taken

    def tell(self, event: Any) -> None:
        self.told.append(event)

    @property
    def ports(self) -> BenchPorts:
        return BenchPorts(
            identity="desk",
            power=self.board,
            safety=self.board,
            faults=self.board,
            meter=self.meter,
            conditions={},
            links={"main": "simulated"},
            traffic=lambda: self.traffic,
            notes=self._take_notes,
            close=lambda: None,
            is_private=True,
        )

    def run(self, **changes: Any) -> RunEnd:
        selection = select(self.plan)
        settings = {
            "guardian": UNGUARDED,
            "steps": lay_out(self.plan, selection),
            "selection": selection,
            "serial": "00123",
            "listener": self,
        }
        return run_plan(
            self.plan, self.bench_file, self.ports, self.store, self.clock, self.checks, **(settings | changes)
        )

    @property
    def outcomes(self) -> list[Outcome]:
        return [record.visit.outcome for record in self.store.visits]

    def at(self, name: str, count: int, act: Callable[[FakeBoard], None]) -> None:
        """Plant something just before the ``count``-th call of a name."""
        earlier = self.board.before

        def before(board: FakeBoard, called: str, number: int) -> None:
            earlier(board, called, number)
            if (called, number) == (name, count):
                act(board)

        self.board.before = before


def raising(error: BaseException) -> Callable[[FakeBoard], None]:
    def act(_: FakeBoard) -> None:
        raise error

    return act


__all__ = [
    "OC",
    "OFF",
    "OV",
    "POWER_GOOD",
    "TEMPERATURE",
    "THREE",
    "VOUT",
    "FakeChecks",
    "Ran",
    "Rig",
    "Tracks",
    "UnsafeState",
    "a_plan",
    "a_rail",
    "answered",
    "raising",
]
