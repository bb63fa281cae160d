"""The contract of power drivers, on three benches: an emulator of few words, and the simulated bench on two links."""

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from cornerrun.bench.guard import Guard
from cornerrun.bench.pmbus.controller import PmbusPower
from cornerrun.bench.pmbus.link import Link
from cornerrun.bench.pmbus.profile import load_profile
from cornerrun.bench.pmbus.tcp import TcpLink
from cornerrun.bench.simulated.bench import SimulatedBench
from cornerrun.bench.simulated.server import SimulationServer
from cornerrun.clock import Clock, ManualClock
from cornerrun.corners.model import RailLevel
from cornerrun.plan.bench_file import Bus
from cornerrun.testing.power_contract import PowerBench, PowerContract

SIMULATION = """
format: 1
seed: 3
managers:
  PM1: {bus: main, address: 0x40, identity: {model: PM8}, scan: 5 ms}
rails:
  - {name: R0, nominal: 0.85 V, power: {device: PM1, page: 0}, margin: 2 %}
  - {name: R1, nominal: 1.2 V, power: {device: PM1, page: 1}, margin: 2 %}
  - {name: R2, nominal: 1.8 V, power: {device: PM1, page: 2}, margin: 2 %}
"""
BEYOND = RailLevel(rail="R1", level="too_high")


class TestOnAnEmulatorOfFewWords(PowerContract):
    @pytest.fixture
    def bench(self, setup: Any) -> PowerBench:
        return PowerBench(
            power=setup.power,
            plan=setup.plan,
            clock=setup.clock,
            truth_v=lambda rail: setup.emulator.output_v(int(rail[1:])),
            within_v=0.0005,
            settle_s=0.0,
            beyond=BEYOND,
        )


def power(link: Link, setup: Any, clock: Clock) -> PmbusPower:
    return PmbusPower(
        plan=setup.plan,
        bus=Bus(name="main", link="simulated"),
        devices=tuple(setup.plan.devices.values()),
        link=link,
        profiles={"generic": load_profile("generic", Path())},
        guard=Guard(setup.plan),
        clock=clock,
    )


class TestOnTheSimulatedBenchInThisProcess(PowerContract):
    @pytest.fixture
    def bench(self, setup: Any, tmp_path: Path) -> PowerBench:
        path = tmp_path / "board.yaml"
        path.write_text(SIMULATION)
        clock = ManualClock()
        simulated = SimulatedBench.load(path, clock)
        link = simulated.link("main")
        link.pec = 1
        return PowerBench(
            power=power(link, setup, clock),
            plan=setup.plan,
            clock=clock,
            truth_v=lambda rail: simulated.truth_v(rail, clock.now_s()),
            within_v=0.001,
            settle_s=0.05,
            beyond=BEYOND,
        )


class TestOnTheSimulatedBenchBehindTcp(PowerContract):
    @pytest.fixture
    def bench(self, setup: Any, tmp_path: Path) -> Iterator[PowerBench]:
        path = tmp_path / "board.yaml"
        path.write_text(SIMULATION)
        # Client and server take turns, so that one manual clock serves both.
        clock = ManualClock()
        server = SimulationServer(path, clock)
        host, port = server.addresses["main"]
        link = TcpLink(host, port, pec=1)
        yield PowerBench(
            power=power(link, setup, clock),
            plan=setup.plan,
            clock=clock,
            truth_v=lambda rail: server.bench.truth_v(rail, clock.now_s()),
            within_v=0.001,
            settle_s=0.05,
            beyond=BEYOND,
        )
        link.close()
        server.close()
