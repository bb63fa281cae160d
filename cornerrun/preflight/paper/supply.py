"""Rails that supplies make, on paper: the messages of the product's own driver, and the time that rails take."""

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace

from cornerrun.bench.ports import Baseline, DeviceIdentity, RawWrite, RegisterValue, Setpoint, Telemetry
from cornerrun.bench.scpi.dialect import supply_dialect
from cornerrun.bench.scpi.dialect_file import SupplyDialect
from cornerrun.clock import Clock
from cornerrun.corners.model import RailLevel
from cornerrun.plan.bench_file import BenchFile
from cornerrun.plan.model import NOMINAL, Plan, Rail
from cornerrun.preflight.paper.duties import PaperDuties
from cornerrun.preflight.paper.letters import Letter, Letters

__all__ = ["PaperSupplies"]

_TALK_S = 0.001  # chosen: a short SCPI message over Ethernet or USB
# Messages of `cornerrun.bench.scpi.supply` and `made_rail`: a setting is sent, its error queue asked, and read back.
_SETTING, _LOOK, _STATE, _IDENTITY = 3, 4, 2, 2


class PaperSupplies(PaperDuties):
    """RailPower, SafeReturn and FaultCapture (bench/ports.py) of every supply that makes rails of a plan.

    Raises:
        PlanError: a dialect is not there, or has problems.

    """

    def __init__(
        self,
        *,
        plan: Plan,
        bench_file: BenchFile,
        arrival: Callable[[Rail, float, float], float],
        clock: Clock,
        letters: Letters | None = None,
    ) -> None:
        self._clock = clock
        self._arrival = arrival
        self._letters = letters
        self._plan = plan
        self._rails = {rail.name: rail for rail in plan.rails if rail.output is not None}
        names = dict.fromkeys(self._maker(rail) for rail in self._rails)
        self._words: dict[str, SupplyDialect] = {
            name: supply_dialect(bench_file.instruments[name].dialect, bench_file.directory) for name in names
        }
        self._moves = {name: (self._level_v(name, NOMINAL),) * 2 + (-math.inf,) for name in self._rails}
        self._is_protected = False
        self.buses = tuple(names)
        self.messages = dict.fromkeys(names, 0)
        self.scan_s: Mapping[str, float] = {rail: self._words[self._maker(rail)].reading for rail in self._rails}

    def voltage_v(self, rail: str, at_s: float) -> float | None:
        """Tell the voltage of a rail at a time, one that follows a rail of a supply among them; None for any other."""
        found = self._plan.rail(rail)
        if found.tracks is not None:
            leader_v = self.voltage_v(found.tracks.rail, at_s)
            return None if leader_v is None else found.tracks.ratio * leader_v
        if rail not in self._rails:
            return None
        before_v, after_v, arrives_s = self._moves[rail]
        return after_v if at_s >= arrives_s - 1e-12 else before_v

    def connect(self) -> tuple[DeviceIdentity, ...]:
        for name in self._words:
            self._talk(name, _IDENTITY)
        for rail in self._rails:
            self._talk(self._maker(rail), _LOOK)
        return ()

    def setpoint(self, rail: str, level: str) -> Setpoint:
        decoded_v = self._level_v(rail, level)
        word = round(decoded_v / self._words[self._maker(rail)].step)
        target_v = self._rails[rail].levels[level]
        return Setpoint(rail=rail, level=level, target_v=target_v, word=word, decoded_v=decoded_v)

    def move(self, burst: Sequence[RailLevel]) -> tuple[Setpoint, ...]:
        for item in burst:
            self._talk(self._maker(item.rail), _STATE)
        if not self._is_protected and any(item.level != NOMINAL for item in burst):
            self._is_protected = True
            self._protect("as the plan says")
        for item in burst:
            self._go(item.rail, item.level)
        return tuple(self.setpoint(item.rail, item.level) for item in burst)

    def read(self, rails: Sequence[str], *, with_load: bool = False) -> tuple[Telemetry, ...]:
        found = []
        for rail in rails:
            self._talk(self._maker(rail), _STATE + (2 if with_load else 1))
            self._tell(rail, "read", "measure voltage and current" if with_load else "measure voltage")
            now_s = self._clock.now_s()
            voltage_v = self.voltage_v(rail, now_s)
            assert voltage_v is not None  # it is one of its own
            found.append(Telemetry(rail=rail, read_at_s=now_s, word=0, voltage_v=voltage_v, status_word=0))
        return tuple(found)

    def take_baseline(self) -> Baseline:
        for rail in self._rails:
            self._talk(self._maker(rail), _LOOK)
        return Baseline(
            registers=(), voltages_v={reading.rail: reading.voltage_v for reading in self.read(tuple(self._rails))}
        )

    def recipe(self, baseline: Baseline, return_order: Sequence[Sequence[str]] = ()) -> tuple[RawWrite, ...]:
        del baseline, return_order
        return ()

    def snapshot(self) -> tuple[RegisterValue, ...]:
        """Read the settings of every output."""
        for rail in self._rails:
            self._talk(self._maker(rail), _LOOK)
        # One register stands for them all: a bench that reads none keeps no configuration.
        return tuple(RegisterValue(bus=name, address=1, page=None, command=0, data=b"0") for name in self._words)

    def to_nominal(self, return_order: Sequence[Sequence[str]] = ()) -> None:
        del return_order
        for rail, found in self._rails.items():
            if found.is_commanded:
                self._go(rail, NOMINAL)
        self.await_nominal()

    def restore(self, baseline: Baseline) -> None:
        del baseline
        self.to_nominal()
        self._protect("as found")
        self._is_protected = False

    def _protect(self, data: str) -> None:
        for rail, found in self._rails.items():
            if found.is_commanded:
                self._talk(self._maker(rail), 2 * _SETTING)
                self._tell(rail, "write", "over-voltage protection and current limit", data)

    def _go(self, rail: str, level: str) -> None:
        self._talk(self._maker(rail), _SETTING)
        end_v, now_s = self._level_v(rail, level), self._clock.now_s()
        self._tell(rail, "write", "voltage", f"{level}, {end_v:.6g} V")
        start_v = self.voltage_v(rail, now_s)
        assert start_v is not None  # it is one of its own
        self._moves[rail] = (start_v, end_v, now_s + self._arrival(self._rails[rail], start_v, end_v))

    def _level_v(self, rail: str, level: str) -> float:
        step_v = self._words[self._maker(rail)].step
        return round(self._rails[rail].levels[level] / step_v) * step_v

    def _maker(self, rail: str) -> str:
        output = self._rails[rail].output
        assert output is not None  # it is one of its own
        return output.supply

    def _talk(self, name: str, messages: int) -> None:
        self.messages[name] += messages
        self._clock.charge(messages * _TALK_S)

    def _tell(self, rail: str, kind: str, what: str, data: str = "") -> None:
        if self._letters is None:
            return
        output = self._rails[rail].output
        assert output is not None  # it is one of its own
        letter = Letter(at_s=self._clock.now_s(), to=output.supply, kind="read", what=f"{rail}: {what}", data=data)
        self._letters.add(replace(letter, kind="write") if kind == "write" else letter)
