"""Rails that outputs of a supply make, on boards without a power manager, as the run sees them.

A supply's states are told in the words of PMBus that the run reads faults by: STATUS_WORD, STATUS_VOUT, STATUS_IOUT
(PMBus 1.2 Part II section 17). Registers of a baseline are settings as text, under the command code that means the
same.
"""

from collections.abc import Callable, Mapping, Sequence
from functools import partial

from cornerrun.bench.guard import Guard
from cornerrun.bench.ports import (
    Baseline,
    DeviceIdentity,
    Effect,
    RawWrite,
    RegisterValue,
    Setpoint,
    StatusCapture,
    Telemetry,
    Write,
)
from cornerrun.bench.scpi.dialect_file import number_text
from cornerrun.bench.scpi.made_rail import IOUT_LIMIT, OVER_VOLTAGE, VOLTAGE, MadeRail, status_registers
from cornerrun.bench.scpi.supply import ScpiSupply
from cornerrun.clock import Clock
from cornerrun.corners.model import RailLevel
from cornerrun.errors import BenchError, CornerrunError, DeviceRefused, NotAtNominal, UnsafeState
from cornerrun.plan.model import NOMINAL, Plan

__all__ = ["SupplyPower"]

_TRIES = 3  # chosen: each order of the way back sets a known value, so it may be given again
_ADVICE = "`cornerrun to-nominal` brings every rail of the plan to nominal"


class SupplyPower:
    """RailPower, SafeReturn and FaultCapture for the rails of one supply (bench/ports.py).

    Current limit and over-voltage protection of every moved rail are set and verified before the first move away from
    nominal, and put back last. The guard is shared with everything else that moves rails.
    """

    def __init__(self, *, plan: Plan, name: str, supply: ScpiSupply, guard: Guard, clock: Clock) -> None:
        self._name = name
        self._supply = supply
        self._guard = guard
        self._clock = clock
        self._rails = {
            rail.name: MadeRail(rail=rail, output=rail.output, supply=supply)
            for rail in plan.rails
            if rail.output is not None and rail.output.supply == name
        }
        self._is_connected = False
        self._is_protected = False

    @property
    def buses(self) -> tuple[str, ...]:
        """The name under which settings of this supply stand in a baseline."""
        return (self._name,)

    @property
    def scan_s(self) -> Mapping[str, float]:
        return dict.fromkeys(self._rails, self._supply.words.reading)

    def connect(self) -> tuple[DeviceIdentity, ...]:
        self._is_connected = self._is_protected = False
        for made in self._rails.values():
            made.check_number()
        said = self._supply.identify()
        for made in self._rails.values():
            self._guard.found((Effect(rail=made.name, target_v=made.look().voltage_v),))
        self._is_connected = True
        texts = {"maker": said.maker, "model": said.model, "serial": said.serial, "revision": said.firmware}
        return (DeviceIdentity(device=self._name, texts=texts),)

    def setpoint(self, rail: str, level: str) -> Setpoint:
        self._ready()
        return self._made(rail).setpoint(level)

    def move(self, burst: Sequence[RailLevel]) -> tuple[Setpoint, ...]:
        self._ready()
        goals = [(self._made(item.rail), self._made(item.rail).setpoint(item.level)) for item in burst]
        self._guard.permit_together(Effect(rail=made.name, target_v=goal.decoded_v) for made, goal in goals)
        for made, _ in goals:
            made.refuse_if_off()
        if not self._is_protected and any(goal.level != NOMINAL for _, goal in goals):
            for made in self._rails.values():
                if made.rail.is_commanded:
                    made.protect()
            self._is_protected = True
        for made, goal in goals:
            self._send(made, goal.decoded_v, self._guard.permit)
        return tuple(goal for _, goal in goals)

    def read(self, rails: Sequence[str], *, with_load: bool = False) -> tuple[Telemetry, ...]:
        self._ready()
        readings = tuple(self._made(rail).telemetry(self._clock, with_load=with_load) for rail in rails)
        for reading in readings:
            self._guard.seen(reading.rail, reading.voltage_v)
        return readings

    def snapshot(self) -> tuple[RegisterValue, ...]:
        """Read the settings of every output that makes a rail."""
        self._ready()
        return tuple(register for made in self._rails.values() for register in made.registers(self._name, made.look()))

    def take_baseline(self) -> Baseline:
        self._ready()
        looks = {name: made.look() for name, made in self._rails.items()}
        voltages_v = {reading.rail: reading.voltage_v for reading in self.read(tuple(self._rails))}
        off = [name for name, look in looks.items() if not look.is_on]
        if off:
            raise DeviceRefused(
                f"{self._name} has outputs off: {', '.join(off)}; turn the board on, and see to its faults, first"
            )
        reasons = [
            reason
            for name, look in looks.items()
            if (reason := self._rails[name].away(look.voltage_v) or self._rails[name].away_as_read(voltages_v[name]))
        ]
        if reasons:
            raise NotAtNominal(f"the board is not at nominal: {'; '.join(reasons)}. Nothing was moved; {_ADVICE}")
        for made in self._rails.values():
            if made.rail.is_commanded:
                self._guard.permit_home((Effect(rail=made.name, target_v=made.setpoint(NOMINAL).decoded_v),))
        return Baseline(
            registers=tuple(r for name, look in looks.items() for r in self._rails[name].registers(self._name, look)),
            voltages_v=voltages_v,
        )

    def recipe(self, baseline: Baseline, return_order: Sequence[Sequence[str]] = ()) -> tuple[RawWrite, ...]:
        held = {(value.address, value.command): value for value in baseline.registers if value.bus == self._name}
        ordered = dict.fromkeys(rail for burst in (*return_order, tuple(self._rails)) for rail in burst)
        made = [self._rails[rail] for rail in ordered if rail in self._rails]
        home = [item.raw_write("nominal", held.get((item.number, VOLTAGE))) for item in made]
        rest = [
            item.raw_write("configuration", held.get((item.number, command)))
            for command in (IOUT_LIMIT, OVER_VOLTAGE)
            for item in made
        ]
        return tuple(write for write in (*home, *rest) if write is not None)

    def to_nominal(self, return_order: Sequence[Sequence[str]] = ()) -> None:
        self._ready()
        bursts = [[self._rails[rail] for rail in burst if rail in self._rails] for burst in return_order]
        named = {made.name for burst in bursts for made in burst}
        rest = [made for made in self._rails.values() if made.rail.is_commanded and made.name not in named]
        failures: dict[str, str] = {}
        for burst in filter(None, (*bursts, rest)):
            for made in burst:
                self._send_home(made, made.setpoint(NOMINAL).decoded_v, failures)
            self._wait_until_there(burst, failures)
        if failures:
            raise UnsafeState(f"not at nominal: {_said(failures)}")

    def restore(self, baseline: Baseline) -> None:
        self._ready()
        own = [value for value in baseline.registers if value.bus == self._name]
        held = {(value.address, value.command): float(value.data) for value in own}
        failures: dict[str, str] = {}
        moved = [made for made in self._rails.values() if made.rail.is_commanded]
        for made in moved:
            self._send_home(made, held.get((made.number, VOLTAGE), made.setpoint(NOMINAL).decoded_v), failures)
        self._wait_until_there(moved, failures)
        self._is_protected = False
        for made in moved:
            # Protection comes last, and only around a rail that is home: else putting it back could trip the output.
            if made.name not in failures:
                _try(made.name, partial(made.put_back, held), failures)
        if failures:
            raise UnsafeState(f"the baseline was not restored: {_said(failures)}")

    def turn_off(self, rails: Sequence[str] = ()) -> None:
        failures: dict[str, str] = {}
        for made in self._chosen(rails):
            _try(made.name, partial(made.switch, is_on=False), failures)
        if failures:
            raise UnsafeState(f"not off: {_said(failures)}")

    def capture(self, rails: Sequence[str] = ()) -> tuple[StatusCapture, ...]:
        return tuple(
            StatusCapture(rail=made.name, taken_at_s=self._clock.now_s(), registers=status_registers(made.state()))
            for made in self._chosen(rails)
        )

    def clear(self, rails: Sequence[str] = ()) -> None:
        for made in self._chosen(rails):
            made.clear()

    def turn_on(self, rails: Sequence[str]) -> None:
        self._ready()
        for made in map(self._made, rails):
            # What it was told before it went off stands still: nominal first, then on.
            self._send(made, made.setpoint(NOMINAL).decoded_v, self._guard.permit_return)
            made.switch(is_on=True)

    def close(self) -> None:
        """Give the supply back."""
        self._supply.close()

    def _send(self, made: MadeRail, voltage_v: float, permit: Callable[[Write], None]) -> None:
        write = Write(
            address=made.number,
            pages=(made.number,),
            command=VOLTAGE,
            data=number_text(voltage_v).encode(),
            effects=(Effect(rail=made.name, target_v=voltage_v),),
        )
        permit(write)
        try:
            made.set_voltage(voltage_v)
        finally:
            self._guard.applied(write)

    def _send_home(self, made: MadeRail, voltage_v: float, failures: dict[str, str]) -> None:
        _try(made.name, partial(self._send, made, voltage_v, self._guard.permit_return), failures)

    def _wait_until_there(self, burst: Sequence[MadeRail], failures: dict[str, str]) -> None:
        start_s = self._clock.now_s()
        waiting = [made for made in burst if made.name not in failures]
        while waiting:
            still = []
            for made in waiting:
                try:
                    reading = made.telemetry(self._clock, with_load=False)
                    made.refuse_if_off()
                except BenchError as error:
                    failures[made.name] = str(error)
                    continue
                self._guard.seen(made.name, reading.voltage_v)
                why = made.away_as_read(reading.voltage_v)
                if why and self._clock.now_s() >= start_s + made.rail.longest_settle_s:
                    failures[made.name] = why
                elif why:
                    still.append(made)
            waiting = still
            if waiting:
                self._clock.sleep_until(self._clock.now_s() + self._supply.words.reading, interruptible=False)

    def _ready(self) -> None:
        if not self._is_connected:
            self.connect()

    def _made(self, rail: str) -> MadeRail:
        try:
            return self._rails[rail]
        except KeyError:
            raise BenchError(f"there is no such rail at supply {self._name!r}: {rail!r}") from None

    def _chosen(self, rails: Sequence[str]) -> list[MadeRail]:
        return [self._made(rail) for rail in rails] if rails else list(self._rails.values())


def _try(rail: str, act: Callable[[], None], failures: dict[str, str]) -> None:
    """Do a thing for a rail, a few times if it fails; what failed last is kept."""
    for left in reversed(range(_TRIES)):
        try:
            act()
        except CornerrunError as error:
            if not left:
                failures[rail] = str(error)
        else:
            return


def _said(failures: Mapping[str, str]) -> str:
    return "; ".join(f"{rail}: {why}" for rail, why in failures.items())
