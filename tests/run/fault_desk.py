"""A board of two managers with fault logs, faults planted by text, and a record of every message to them."""

from dataclasses import replace
from functools import partial
from pathlib import Path

import pytest

from cornerrun.bench.bench import open_bench
from cornerrun.bench.pmbus.profile import PACKAGED
from cornerrun.bench.simulated.bench import SimulatedBench
from cornerrun.clock import ManualClock
from cornerrun.corners.order import steps
from cornerrun.corners.select import select
from cornerrun.plan.load import load_bench, load_plan
from cornerrun.results.records import VisitRecord
from cornerrun.results.store import Store
from cornerrun.run.checks import CheckRunner
from cornerrun.run.guarded import UNGUARDED
from cornerrun.run.runner import run_plan

PLAN = """
format: 1
title: Tide-gauge node, faults
board: {name: tide-gauge node, revision: C}
bench: bench.yaml
devices:
  PM1: {bus: main, address: 0x40, profile: logged}
  PM2: {bus: main, address: 0x41, profile: logged}
defaults: {rail: {accuracy: 0.5 %, settle: {band: 0.5 %, stable_for: 40 ms, timeout: 1 s}}}
rails:
  - {name: CORE, nominal: 0.85 V, margin: 5 %, hard_limits: {min: 0.78 V, max: 0.92 V}, power: {device: PM1, page: 0}}
  - {name: SRAM, nominal: 0.90 V, margin: 5 %, hard_limits: {min: 0.83 V, max: 0.97 V}, power: {device: PM1, page: 1}}
  - {name: DDR, nominal: 1.20 V, margin: 5 %, hard_limits: {min: 1.11 V, max: 1.29 V},
     power: {device: PM2, page: 0}SUPPLY}
  - {name: AUX, nominal: 3.30 V, why_fixed: pull-ups, hard_limits: {min: 3.0 V, max: 3.6 V},
     power: {device: PM2, page: 1}}
corners: {schemes: [{all_rails: [high, low]}, {single_rail: [high, low]}], control_points: {every: 4}}
policy: {POLICY}
CHECKS
"""
BENCH = """
format: 1
station: desk
kind: simulated
buses: {main: {link: simulated, clock: 400 kHz}}
watch: {period: 50 ms}
simulation: board.yaml
OF_BENCH
"""
BOARD = """
format: 1
managers:
  PM1: {bus: main, address: 0x40, exponent: -12, scan: 10 ms, fault_log: {LOG1}MANAGER}
  PM2: {bus: main, address: 0x41, exponent: -12, scan: 10 ms, fault_log: {clock_offset: 7 s}MANAGER}
rails:
  - {name: CORE, nominal: 0.85 V, power: {device: PM1, page: 0}, time_constant: 2 ms, adc: {noise: 0.1 mV}OF_CORE}
  - {name: SRAM, nominal: 0.90 V, power: {device: PM1, page: 1}, time_constant: 2 ms, adc: {noise: 0.1 mV}OF_SRAM}
  - {name: DDR, nominal: 1.20 V, power: {device: PM2, page: 0}, time_constant: 3 ms, adc: {noise: 0.1 mV}OF_DDR}
  - {name: AUX, nominal: 3.30 V, power: {device: PM2, page: 1}, time_constant: 3 ms, adc: {noise: 0.1 mV}OF_AUX}
"""
LOG = """
fault_log:
  command: 0xEA
  entries: {first: 1, size: 6, page: 0, status_register: 1, bits: 2, time: 3, time_bytes: 3, tick: 100 us}
"""
CLEAR_FAULTS = 0x03
OPERATION = 0x01
FAULT_LOG = 0xEA


class Recorder:
    """A link that keeps what went through it: (method, address, command, the rest)."""

    def __init__(self, link, clock: ManualClock) -> None:
        self._link = link
        self._clock = clock
        self.answers: list[tuple[float, object]] = []
        self.messages: list[tuple[str, int, int | None, tuple[object, ...]]] = []

    def __getattr__(self, name):
        found = getattr(self._link, name)
        if not callable(found) or not name.startswith(("read", "write", "block", "process", "send")):
            return found

        def record(address, *rest):
            answer = found(address, *rest)
            self.messages.append((name, address, rest[0] if rest else None, rest[1:]))
            self.answers.append((self._clock.now_s(), answer))
            return answer

        return record

    def __setattr__(self, name, value) -> None:
        if name in ("_link", "_clock", "messages", "answers"):
            object.__setattr__(self, name, value)
        else:
            setattr(self._link, name, value)


class FaultDesk:
    """The bench, opened; `run` runs the plan on it. ``texts`` fill the places named in capitals in the files."""

    def __init__(self, directory: Path, faults: str = "", *, log: bool = True, **texts: str) -> None:
        self.directory = directory
        plan, board = PLAN, BOARD
        for place in ("SUPPLY", "CHECKS", "LOG1", "MANAGER", "OF_CORE", "OF_SRAM", "OF_DDR", "OF_AUX"):
            plan = plan.replace(place, texts.get(place, ""))
            board = board.replace(place, texts.get(place, ""))
        plan = plan.replace("POLICY", texts.get("POLICY", "on_trip: skip corner"))
        board += texts.get("BOARD", "")
        board += f"\nfaults:\n{faults}\n" if faults else ""
        profile = (PACKAGED / "generic.yaml").read_text(encoding="utf-8") + (LOG if log else "")
        bench = BENCH.replace("OF_BENCH", texts.get("BENCH", ""))
        for name, text in (("plan", plan), ("bench", bench), ("board", board), ("logged", profile)):
            (directory / f"{name}.yaml").write_text(text, encoding="utf-8")
        self.clock = ManualClock()
        self.plan = load_plan(directory / "plan.yaml")
        self.bench_file = load_bench(directory / "bench.yaml")
        self.recorders: list[Recorder] = []
        with pytest.MonkeyPatch.context() as patch:
            load, link = SimulatedBench.load, SimulatedBench.link
            made: list[SimulatedBench] = []
            patch.setattr(SimulatedBench, "load", lambda *a, **k: made.append(load(*a, **k)) or made[-1])

            def recorded(*args, **kwargs):
                self.recorders.append(Recorder(link(*args, **kwargs), self.clock))
                return self.recorders[-1]

            patch.setattr(SimulatedBench, "link", recorded)
            self.bench = open_bench(self.plan, self.bench_file, self.clock, seed=3)
        (self.simulation,) = made
        self.faults: list[tuple[int, int, float, int, int]] = []
        for manager in self.simulation.managers.values():
            for page, made_page in enumerate(manager.pages):
                made_page.on_fault.append(partial(self._faulted, manager.address, page))
        self.store = Store.open(directory / "runs.db")

    def _faulted(self, address: int, page: int, at_s: float, code: int, bits: int) -> None:
        self.faults.append((address, page, at_s, code, bits))

    @property
    def messages(self):
        """Every message so far, PAGE left in."""
        return [message for recorder in self.recorders for message in recorder.messages]

    @property
    def exchanges(self):
        """Every message with the time of its end and its answer."""
        return [
            (at_s, *message, answer)
            for recorder in self.recorders
            for message, (at_s, answer) in zip(recorder.messages, recorder.answers, strict=True)
        ]

    def run(self, only: tuple[str, ...] | None = None, *, checks: bool = False, hold_s: float = 0.0):
        """Run the plan, or the corners named; return its end and its visits."""
        selection = select(self.plan)
        plan = self.plan if checks else replace(self.plan, checks=())
        runner = (
            CheckRunner(checks=plan.checks, directory=plan.directory, clock=self.clock, criterion=plan.criteria.checks)
            if checks
            else None
        )
        try:
            end = run_plan(
                plan,
                self.bench_file,
                self.bench,
                self.store,
                self.clock,
                runner,
                guardian=UNGUARDED,
                steps=steps(plan, selection, only=only),
                selection=selection,
                serial="1",
                seed=3,
                hold_s=hold_s,
            )
        finally:
            if runner is not None:
                runner.close()
        return end, self.visits(end)

    def visits(self, end) -> tuple[VisitRecord, ...]:
        return self.store.load(end.run_id).visits

    def truth_v(self) -> dict[str, float]:
        """The voltages of the simulation itself, once everything that falls has fallen."""
        self.clock.sleep_until(self.clock.now_s() + 0.2)
        return {rail.name: self.simulation.truth_v(rail.name, self.clock.now_s()) for rail in self.plan.rails}

    def close(self) -> None:
        self.store.close()
        self.bench.close()
