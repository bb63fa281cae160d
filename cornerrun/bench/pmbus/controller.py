"""The rails of one bus under PMBus power managers, as the run sees them."""

from collections.abc import Iterable, Mapping, Sequence
from contextlib import suppress

from cornerrun.bench.guard import Guard
from cornerrun.bench.pmbus.baseline import raw_writes, read_registers, refuse_unless_at_nominal
from cornerrun.bench.pmbus.device import ManagedDevice
from cornerrun.bench.pmbus.evidence import Evidence, clear
from cornerrun.bench.pmbus.group import Groups
from cornerrun.bench.pmbus.health import CountedLink
from cornerrun.bench.pmbus.link import Link
from cornerrun.bench.pmbus.moving import harden, move
from cornerrun.bench.pmbus.operation import Side
from cornerrun.bench.pmbus.output import Output
from cornerrun.bench.pmbus.profile import Profile
from cornerrun.bench.pmbus.provoking import Fault, Provocations
from cornerrun.bench.pmbus.selecting import undo_strays
from cornerrun.bench.pmbus.snapshot import changed_by_others, take_snapshot
from cornerrun.bench.pmbus.sweep import Sweeps
from cornerrun.bench.pmbus.tightening import Tightening
from cornerrun.bench.pmbus.way_back import bring_home, turn_off, turn_on, wait_until_nominal
from cornerrun.bench.pmbus.widening import widen
from cornerrun.bench.ports import (
    Baseline,
    DeviceIdentity,
    Effect,
    RawWrite,
    RegisterValue,
    Setpoint,
    StatusCapture,
    Telemetry,
)
from cornerrun.bench.restore import replay
from cornerrun.clock import Clock
from cornerrun.corners.model import RailLevel
from cornerrun.errors import BenchError, CornerrunError, DeviceRefused, ReadbackMismatch, UnsafeState
from cornerrun.plan.bench_file import Bus
from cornerrun.plan.model import Device, Plan

__all__ = ["PmbusPower"]


class PmbusPower:
    """RailPower, SafeReturn and FaultCapture for the rails that devices on one bus make (bench/ports.py).

    ``profiles`` go by profile name. ``link`` may be any Link. The guard is shared with the other buses of the bench.
    """

    def __init__(
        self,
        *,
        plan: Plan,
        bus: Bus,
        devices: Sequence[Device],
        link: Link,
        profiles: Mapping[str, Profile],
        guard: Guard,
        clock: Clock,
    ) -> None:
        self._bus = bus.name
        self._guard = guard
        self._clock = clock
        self._link = link if isinstance(link, CountedLink) else CountedLink(link, name=bus.name)
        managed = {
            device.name: ManagedDevice(device=device, profile=profiles[device.profile], link=self._link, clock=clock)
            for device in devices
        }
        self._outputs = {
            rail.name: Output(rail=rail, page=rail.power.page, device=managed[rail.power.device])
            for rail in plan.rails
            if rail.power is not None and rail.power.device in managed
        }
        self._devices = tuple(dict.fromkeys(output.device for output in self._outputs.values()))
        self._scan_s = {name: output.device.scan_s for name, output in self._outputs.items()}
        self._sweeps = Sweeps(outputs=self._outputs, devices=self._devices, guard=guard, clock=clock)
        self._groups = Groups(link=self._link, pages=_pages(self._outputs.values()), clock=clock)
        self._evidence = Evidence(tuple(self._outputs.values()), clock)
        self._provocations = Provocations(guard)
        self._tightening = Tightening(self._outputs.values(), guard, plan.limits_kept)
        self._is_connected = False
        self._is_hardened = False

    @property
    def buses(self) -> tuple[str, ...]:
        """The bus whose registers this driver restores."""
        return (self._bus,)

    @property
    def scan_s(self) -> Mapping[str, float]:
        return self._scan_s

    def connect(self) -> tuple[DeviceIdentity, ...]:
        self._is_connected = False
        self._sweeps.forget()
        identities = []
        for device in self._devices:
            pages = {output.page: name for name, output in self._outputs.items() if output.device is device}
            self._check_pages(device, pages)
            identities.append(device.connect(min(pages)))
        for output in self._outputs.values():
            look = output.load()
            if output.rail.tracks is None:
                self._guard.found((Effect(rail=output.rail.name, target_v=look.target_v),))
        self._evidence.take_as_old()
        self._tightening.forget()
        self._is_connected, self._is_hardened = True, False
        return tuple(identities)

    def setpoint(self, rail: str, level: str) -> Setpoint:
        self._ready()
        return self._output(rail).setpoint(level)

    def move(self, burst: Sequence[RailLevel]) -> tuple[Setpoint, ...]:
        self._ready()
        goals = [(self._output(item.rail), item.level) for item in burst]
        if any(output.side_of(level) is not Side.NOMINAL for output, level in goals):
            self._link.check_health()
        try:
            if not self._is_hardened and any(output.side_of(level) is not Side.NOMINAL for output, level in goals):
                harden((output for output in self._outputs.values() if output.rail.is_commanded), self._guard)
                self._tightening.tighten()
                widen(self._outputs.values(), self._guard)
                self._is_hardened = True
            return move(goals, self._guard, self._groups)
        except BenchError as error:
            self._is_hardened = False
            if isinstance(error, ReadbackMismatch):
                undo_strays(self._outputs.values(), self._guard)
            raise

    def read(self, rails: Sequence[str], *, with_load: bool = False) -> tuple[Telemetry, ...]:
        if not self._is_connected:
            self._ready()
        if not self._outputs.keys() >= set(rails):
            for rail in rails:
                self._output(rail)
        return self._sweeps.read(rails, with_load=with_load)

    def snapshot(self) -> tuple[RegisterValue, ...]:
        """Read the configuration of every device: all declared registers that keep what was written to them."""
        self._ready()
        return take_snapshot(self._devices, tuple(self._outputs.values()))

    def take_baseline(self) -> Baseline:
        self._ready()
        looks = {output: output.load() for output in self._outputs.values()}
        voltages_v = {reading.rail: reading.voltage_v for reading in self.read(tuple(self._outputs))}
        # A page that only measures a rail which follows another says nothing of who makes it.
        refuse_unless_at_nominal(
            {output: look for output, look in looks.items() if output.rail.tracks is None}, voltages_v
        )
        for output in looks:
            if output.rail.is_commanded:
                self._check_gates(output)
        return Baseline(registers=read_registers(self._devices, looks), voltages_v=voltages_v)

    def recipe(self, baseline: Baseline, return_order: Sequence[Sequence[str]] = ()) -> tuple[RawWrite, ...]:
        return raw_writes(baseline, self._outputs, return_order)

    def to_nominal(self, return_order: Sequence[Sequence[str]] = ()) -> None:
        self._ready()
        bursts = [[self._outputs[rail] for rail in burst if rail in self._outputs] for burst in return_order]
        named = {output.rail.name for burst in bursts for output in burst}
        self._mend_limits()
        # Rails that the plan never moves are looked at too: a write that went astray may have moved one.
        rest = [o for o in self._outputs.values() if o.rail.tracks is None and o.rail.name not in named]
        failures = bring_home([burst for burst in (*bursts, rest) if burst], self._guard, self._clock)
        if failures:
            raise UnsafeState(f"not at nominal: {'; '.join(failures)}")

    def restore(self, baseline: Baseline) -> None:
        if not self._is_connected:
            # What connect refuses is said again below, by whatever of it keeps the board from its baseline.
            with suppress(BenchError):
                self.connect()
        writes = self.recipe(baseline)
        links = {self._bus: self._link}
        delays = {(device.bus, device.address): device.profile.delays for device in self._devices}
        self._groups.tell()
        changed_by_others(baseline, tuple(self._outputs.values()))
        self._forget()
        report = replay(writes, links, clock=self._clock, stages=("nominal", "configuration"), delays=delays)
        failures = [str(failure) for failure in report.failures]
        failures += self._reload()
        for output, why in wait_until_nominal(self._outputs.values(), self._guard, self._clock):
            failures.append(f"{output.rail.name}: {why}")
        last = replay(writes, links, clock=self._clock, stages=("page",), delays=delays)
        failures += [str(failure) for failure in last.failures]
        self._forget()
        if failures:
            raise UnsafeState(f"the baseline was not restored: {'; '.join(failures)}")

    def turn_off(self, rails: Sequence[str] = ()) -> None:
        failures = turn_off(self._chosen(rails), self._clock)
        self._is_hardened = False
        if failures:
            raise UnsafeState(f"not off: {'; '.join(failures)}")
        if not rails:
            self._tightening.loosen()

    def capture(self, rails: Sequence[str] = ()) -> tuple[StatusCapture, ...]:
        return self._evidence.capture(self._chosen(rails) if rails else self._outputs.values())

    def clear(self, rails: Sequence[str] = ()) -> None:
        clear(self._chosen(rails))
        self._evidence.forget()
        self._evidence.take_as_old()

    def turn_on(self, rails: Sequence[str]) -> None:
        self._ready()
        self._mend_limits()
        for rail in rails:
            turn_on(self._output(rail), self._guard)

    def provoke(self, rail: str, fault: Fault) -> None:
        self._ready()
        self._provocations.provoke(self._output(rail), fault)

    def withdraw(self) -> None:
        self._provocations.withdraw_all()

    def _mend_limits(self) -> None:
        """Take back a limit that may have gone astray: it may hold a rail away from nominal, or shut it off."""
        if self._tightening.is_in_doubt:
            # What can't be mended shows where the rail does not come home.
            with suppress(CornerrunError):
                self._tightening.mend()

    def _ready(self) -> None:
        if not self._is_connected:
            self.connect()

    def _output(self, rail: str) -> Output:
        try:
            return self._outputs[rail]
        except KeyError:
            raise BenchError(f"rail {rail!r} is on no device of bus {self._bus!r}") from None

    def _chosen(self, rails: Sequence[str]) -> list[Output]:
        if rails:
            return [self._output(rail) for rail in rails]
        return [output for output in self._outputs.values() if output.rail.tracks is None]

    def _check_pages(self, device: ManagedDevice, pages: Mapping[int, str]) -> None:
        highest = max(pages)
        if highest >= device.profile.pages:
            raise DeviceRefused(
                f"{pages[highest]}: page {highest} of {device.name}, and its profile {device.profile.name!r} has pages "
                f"0 to {device.profile.pages - 1}; correct the plan, or the profile"
            )

    def _check_gates(self, output: Output) -> None:
        output.device.check_writable(("OPERATION",))
        self._guard.permit_home((Effect(rail=output.rail.name, target_v=output.volts_home()),))
        if output.by_command:
            output.device.check_writable(("VOUT_COMMAND",))
        for level in output.rail.levels:
            side = output.side_of(level)
            if side is not Side.NOMINAL and not output.holds(side, output.setpoint(level).word):
                output.device.check_writable((output.margin_command(side).name,))

    def _forget(self) -> None:
        self._tightening.forget()
        for output in self._outputs.values():
            output.device.paged.forget()
            output.doubt()
        self._is_hardened = False

    def _reload(self) -> list[str]:
        failures = []
        for output in self._outputs.values():
            try:
                output.load()
            except CornerrunError as error:
                failures.append(f"{output.rail.name}: {error}")
        return failures


def _pages(outputs: Iterable[Output]) -> Mapping[ManagedDevice, tuple[int, ...]]:
    found: dict[ManagedDevice, tuple[int, ...]] = {}
    for output in outputs:
        found[output.device] = (*found.get(output.device, ()), output.page)
    return found
