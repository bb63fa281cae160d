"""The contract of meters, on the simulated meter behind a real socket and through VISA."""

from collections.abc import Iterator
from pathlib import Path

import pytest

from cornerrun.bench.pmbus.tcp import TcpLink
from cornerrun.bench.scpi.meter import ScpiMeter
from cornerrun.bench.scpi.visa import PyvisaLink
from cornerrun.bench.simulated.registers import Code
from cornerrun.bench.simulated.server import SimulationServer
from cornerrun.clock import ManualClock
from cornerrun.plan.bench_file import Instrument
from cornerrun.plan.model import HardLimits, Rail, Settle
from cornerrun.testing.meter_contract import MeterBench, MeterContract

A = 0x40
WIDE = "limits: {vout_max: 5 V, ov_fault: 6 V, ov_warn: 6 V, uv_fault: 0 V, uv_warn: 0 V, vout_min: 0 V}"
BOARD = f"""
format: 1
managers: {{PM1: {{bus: main, address: 0x40}}}}
rails:
  - {{name: A, nominal: 0.9 V, power: {{device: PM1, page: 0}}, {WIDE}}}
  - {{name: B, nominal: 1.2 V, power: {{device: PM1, page: 1}}, {WIDE}}}
  - {{name: C, nominal: 1.8 V, power: {{device: PM1, page: 2}}, {WIDE}}}
channels: {{A: 101, B: 102, C: 103}}
meter: {{noise: 1 uV}}
"""
NOMINALS_V = {"A": 0.9, "B": 1.2, "C": 1.8}


def rail(name: str, nominal_v: float) -> Rail:
    return Rail(
        name=name,
        nominal_v=nominal_v,
        levels={"nominal": nominal_v},
        hard_limits=HardLimits(min_v=0.0, max_v=5.0),
        accuracy_ratio=0.01,
        settle=Settle(band_ratio=0.01, stable_for_s=0.06, timeout_s=2.0),
    )


class TestTheSimulatedMeterBehindTcp(MeterContract):
    @pytest.fixture
    def bench(self, tmp_path: Path) -> Iterator[MeterBench]:
        path = tmp_path / "board.yaml"
        path.write_text(BOARD)
        # Client and server take turns, so that one manual clock serves both.
        clock = ManualClock()
        server = SimulationServer(path, clock)
        bus = TcpLink(*server.addresses["main"])
        host, port = server.addresses[None]
        link = PyvisaLink(f"TCPIP::{host}::{port}::SOCKET")

        def set_v(name: str, voltage_v: float) -> None:
            bus.write_byte_data(A, Code.PAGE, list(NOMINALS_V).index(name))
            bus.write_word_data(A, Code.VOUT_COMMAND, round(voltage_v * 4096))
            clock.sleep_until(clock.now_s() + 0.2)

        yield MeterBench(
            meter=ScpiMeter(
                link=link,
                instrument=Instrument(name="meter", driver="scpi-meter", resource="socket"),
                channels={"A": 101, "B": 102, "C": 103},
                rails=tuple(rail(name, nominal_v) for name, nominal_v in NOMINALS_V.items()),
                clock=clock,
            ),
            clock=clock,
            set_v=set_v,
            # Half a step of the word that sets the rail, and some noise.
            tolerance_v=2.0**-13 + 1e-5,
            overload_v=None,
        )
        link.close()
        bus.close()
        server.close()
