import pytest
from bench_seven import BenchSeven

from cornerrun.clock import ManualClock
from cornerrun.testing.meter_contract import MeterBench, MeterContract
from cornerrun.testing.scripted import scripted_text


class Bench:
    """The meter as its manual describes it, and the voltages that it is connected to."""

    def __init__(self, clock):
        self.clock, self.volts, self.answers = clock, {101: 0.5, 102: 0.5}, []

    def write(self, message):
        if message == "*IDN?":
            self.answers.append("LAB,SEVEN,0,1")
            return
        channels = [int(text) for text in message.partition("(@")[2].rstrip(")").split(",")]
        self.answers.append(",".join(f"{v if v < 12 else 9.9e37}" for v in map(self.volts.get, channels)))
        self.clock.sleep_until(self.clock.now_s() + 0.2 * len(channels))

    def read(self, timeout_s):
        return self.answers.pop(0)

    def clear(self):
        self.answers.clear()

    def close(self):
        pass


class TestBenchSeven(MeterContract):
    @pytest.fixture
    def bench(self):
        wired, clock = {"A": 102, "B": 101}, ManualClock()
        seen = Bench(clock)
        return MeterBench(
            meter=BenchSeven(seen, wired, clock),
            clock=clock,
            set_v=lambda rail, voltage_v: seen.volts.update({wired[rail]: voltage_v}),
            tolerance_v=1e-9,
            overload_v=20.0,
        )


def test_asks_as_the_manual_says():
    with scripted_text(("MEAS:VOLT:DC? 10.0,DEF,(@101,102)", "0.9,1.2")) as link:
        meter = BenchSeven(link, {"A": 102, "B": 101}, ManualClock())
        meter.start(["A", "B"])
        assert [reading.reading_v for reading in meter.fetch()] == [1.2, 0.9]
