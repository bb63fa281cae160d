from collections.abc import Callable
from pathlib import Path

import pytest

from cornerrun.bench.simulated.bench import SimulatedBench
from cornerrun.clock import ManualClock

BOARD = """
format: 1
seed: 7
managers:
  PM1: {bus: main, address: 0x40, identity: {model: PM8, serial: "00123"}}
rails:
  - name: VDD_CORE
    nominal: 0.85 V
    power: {device: PM1, page: 0}
    time_constant: 2 ms
    slew: 1 V/us
    adc: {noise: 0 V}
  - name: VDDQ
    nominal: 1.2 V
    power: {device: PM1, page: 1}
    time_constant: 2 ms
    adc: {noise: 1 mV}
  - {name: VTT, nominal: 0.6 V, tracks: {rail: VDDQ, ratio: 0.5}}
  - {name: VDD_AUX, nominal: 3.3 V, power: {device: PM1, page: 2}}
channels: {VDD_CORE: 101, VDDQ: 102, VTT: 103}
"""


class Build:
    """Makes benches from the text of a simulation file, each with a clock of its own."""

    def __init__(self, directory: Path) -> None:
        self._directory = directory

    def __call__(self, text: str = BOARD, *, seed: int | None = None) -> tuple[SimulatedBench, ManualClock]:
        path = self._directory / "board.yaml"
        path.write_text(text)
        clock = ManualClock()
        return SimulatedBench.load(path, clock, seed=seed), clock

    @staticmethod
    def board(**more: str) -> str:
        """The usual board with further sections."""
        return BOARD + "\n".join(f"{section}: {text}" for section, text in more.items()) + "\n"


@pytest.fixture
def build(tmp_path: Path) -> Build:
    return Build(tmp_path)


@pytest.fixture
def wait() -> Callable[[ManualClock, float], None]:
    """Let time pass."""

    def pass_time(clock: ManualClock, seconds: float) -> None:
        clock.sleep_until(clock.now_s() + seconds)

    return pass_time
