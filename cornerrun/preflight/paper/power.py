"""The rails of a plan on paper: each move, reading and restoration takes the messages that the real one takes."""

import hashlib
import math
from collections.abc import Callable, Mapping, Sequence

from cornerrun.bench.pmbus.baseline import CONFIGURATION, HOMING, ONLY_RECORDED
from cornerrun.bench.pmbus.tightening import LIMITS
from cornerrun.bench.pmbus.widening import REGISTERS
from cornerrun.bench.ports import Baseline, DeviceIdentity, RawWrite, RegisterValue, Setpoint, Telemetry
from cornerrun.clock import Clock
from cornerrun.corners.model import RailLevel
from cornerrun.plan.model import NOMINAL, Plan, Rail
from cornerrun.preflight.facts import Facts
from cornerrun.preflight.paper.device import PaperDevice
from cornerrun.preflight.paper.duties import PaperDuties
from cornerrun.preflight.paper.wire import Wire

__all__ = ["PaperPower"]

_LOOK = ("STATUS_WORD", "OPERATION", "VOUT_COMMAND", "VOUT_TRIM")
_WATCHED = ("STATUS_WORD", "READ_VOUT")
_WATCHED_WITH_LOAD = (*_WATCHED, "READ_IOUT", "READ_TEMPERATURE_1")
_LOAD = ("VOUT_MODE", *_LOOK, "VOUT_MARGIN_HIGH", "VOUT_MARGIN_LOW")
_IDENTITY = ("MFR_ID", "MFR_MODEL", "MFR_REVISION", "MFR_SERIAL", "PMBUS_REVISION", "WRITE_PROTECT")
_RECORDED = (*HOMING, *CONFIGURATION, *LIMITS, *ONLY_RECORDED)
_MARGINED = ("OPERATION", "VOUT_MARGIN_HIGH", "VOUT_MARGIN_LOW")

# Tells how long a rail takes from one voltage into the band of another.
Arrival = Callable[[Rail, float, float], float]


class PaperPower(PaperDuties):
    """RailPower, SafeReturn and FaultCapture (bench/ports.py) of a board whose rails arrive when they are expected to.

    An output stands at its old voltage until it arrives, then at its setpoint; its converter holds what it saw at its
    last conversion.
    """

    buses: tuple[str, ...] = ()  # it keeps no registers

    def __init__(self, *, facts: Facts, plan: Plan, wires: Mapping[str, Wire], arrival: Arrival, clock: Clock) -> None:
        self._clock = clock
        self._arrival = arrival
        self._rails = {rail.name: rail for rail in plan.rails if rail.power is not None}
        self._devices = {
            name: PaperDevice(
                facts.profiles[device.profile], wires[device.bus], f"{device.bus} 0x{device.address:02x} {name}"
            )
            for name, device in plan.devices.items()
            if any(rail.power is not None and rail.power.device == name for rail in plan.rails)
        }
        self._where = {n: (self._devices[r.power.device], r.power.page) for n, r in self._rails.items() if r.power}
        self.scan_s = {name: facts.scan_s(rail) or 0.0 for name, rail in self._rails.items()}
        self._followed = {rail.name: rail.tracks for rail in plan.rails if rail.tracks is not None}
        self._levels_v = {rail.name: rail.levels for rail in plan.rails}
        self._setpoints_v = {(f.rail.name, row.level): row.setpoint_v for f in facts.levels for row in f.rows}
        self._moves: dict[str, tuple[float, float, float]] = {
            rail.name: (self._row_v(rail.name, NOMINAL),) * 2 + (-math.inf,) for rail in plan.rails if not rail.tracks
        }
        self._words = {(f.rail.name, row.level): row.word for f in facts.levels for row in f.rows}
        self._held = {f.rail.name: dict(f.values.margin_words) if f.values is not None else {} for f in facts.levels}
        self._margins: dict[tuple[str, int], str] = {}
        self._is_hardened = self._is_tightened = False
        self._off: set[str] = set()
        self._written: set[tuple[str, str]] = set()
        self._limits_kept = plan.limits_kept
        # Conversions of one rail lie a scan apart; of several rails they lie anywhere to each other.
        self._phase_s = {name: scan_s * _share(name) for name, scan_s in self.scan_s.items()}
        places = {id(device): place for place, device in enumerate(self._devices.values())}
        self._order = {name: (places[id(device)], page) for name, (device, page) in self._where.items()}
        self._sweeps: dict[tuple[str, ...], tuple[str, ...]] = {}

    def voltage_v(self, rail: str, at_s: float) -> float:
        """Tell the voltage of a rail at a time."""
        tracks = self._followed.get(rail)
        if tracks is not None:
            return tracks.ratio * self.voltage_v(tracks.rail, at_s)
        before_v, after_v, arrives_s = self._moves[rail]
        return after_v if at_s >= arrives_s - 1e-12 else before_v

    def connect(self) -> tuple[DeviceIdentity, ...]:
        for device in self._devices.values():
            device.read(None, "PAGE", *_IDENTITY)
        for device, page in self._where.values():
            device.read(page, *_LOAD, is_critical=True)
        return ()

    def setpoint(self, rail: str, level: str) -> Setpoint:
        target_v, decoded_v = self._levels_v[rail][level], self._row_v(rail, level)
        return Setpoint(rail=rail, level=level, target_v=target_v, word=0, decoded_v=decoded_v)

    def move(self, burst: Sequence[RailLevel]) -> tuple[Setpoint, ...]:
        if not self._is_hardened:
            self._harden()
        for item in burst:
            device, page = self._where[item.rail]
            side = self._side(item.rail, item.level)
            if side and not device.profile.by_command and self._margins.get((item.rail, side)) != item.level:
                self._program(item.rail, side, item.level)
            if device.profile.by_command:
                device.read(page, *_LOOK, is_critical=True)
                device.write(page, "VOUT_COMMAND", self._word(item.rail, item.level))
            else:
                self._select(item.rail, side)
            self._go(item.rail, item.level)
        return tuple(self.setpoint(item.rail, item.level) for item in burst)

    def read(self, rails: Sequence[str], *, with_load: bool = False) -> tuple[Telemetry, ...]:
        found: dict[str, Telemetry] = {}
        key = tuple(rails)
        sweep = self._sweeps.get(key)
        if sweep is None:
            sweep = self._sweeps[key] = tuple(sorted(key, key=self._order.__getitem__))
        for rail in sweep:
            device, page = self._where[rail]
            device.read(page, *(_WATCHED_WITH_LOAD if with_load else _WATCHED))
            if rail in self._off:  # a voltage that is not expected counts only once it is read again
                device.read(page, *_WATCHED)
            read_at_s = self._clock.now_s()
            scan_s, phase_s = self.scan_s[rail], self._phase_s[rail]
            seen_s = math.floor((read_at_s - phase_s) / scan_s) * scan_s + phase_s if scan_s else read_at_s
            found[rail] = Telemetry(
                rail=rail, read_at_s=read_at_s, word=0, voltage_v=self.voltage_v(rail, seen_s), status_word=0
            )
        return tuple(found[rail] for rail in rails)

    def take_baseline(self) -> Baseline:
        for device, page in self._where.values():
            device.read(page, *_LOAD, is_critical=True)
        voltages_v = {reading.rail: reading.voltage_v for reading in self.read(tuple(self._rails))}
        for device, page in self._where.values():
            device.read(page, *_RECORDED, is_critical=True)
        return Baseline(registers=(), voltages_v=voltages_v)

    def recipe(self, baseline: Baseline, return_order: Sequence[Sequence[str]] = ()) -> tuple[RawWrite, ...]:
        del baseline, return_order
        return ()

    def snapshot(self) -> tuple[RegisterValue, ...]:
        """Read what makes up the configuration of every device."""
        for device in self._devices.values():
            device.read(None, *device.kept()[0], is_critical=True)
        for device, page in self._where.values():
            device.read(page, *device.kept()[1], is_critical=True)
        # One register stands for them all: a bench that reads none keeps no configuration.
        return (RegisterValue(bus="", address=0, page=None, command=0, data=b"\0"),)

    def to_nominal(self, return_order: Sequence[Sequence[str]] = ()) -> None:
        del return_order
        for rail in self._rails:
            if rail in self._followed:
                continue
            self._select(rail, 0)
            self._go(rail, NOMINAL)
        self.await_nominal()

    def turn_off(self, rails: Sequence[str] = ()) -> None:
        self._off |= set(rails or self._rails)
        chosen = [self._where[rail] for rail in rails or self._rails if rail in self._where]
        for device, page in chosen:
            device.write(page, "OPERATION", "off")
        for device, page in chosen:
            device.read(page, "STATUS_WORD", is_critical=True)
        # What margin registers hold is not relied on after that.
        self._is_hardened = False
        self._margins.clear()
        self._held = {rail: {} for rail in self._held}

    def turn_on(self, rails: Sequence[str]) -> None:
        self._off -= set(rails)
        for device, page in (self._where[rail] for rail in rails):
            device.read(page, *_LOOK, is_critical=True)
            device.write(page, "OPERATION", "on")

    def restore(self, baseline: Baseline) -> None:
        """Look at what nobody should have changed, compare register by register, and write what the run has changed."""
        del baseline
        for device, page in self._where.values():
            device.read(page, *(name for name in _RECORDED if name not in _MARGINED), is_critical=True)
        for device, page in self._where.values():
            for name in filter(device.has, HOMING):
                device.read(page, name)
        for names in (CONFIGURATION, LIMITS):
            for rail, (device, page) in self._where.items():
                for name in filter(device.has, names):
                    device.read(page, name)
                    if (rail, name) in self._written:
                        device.write(page, name, "as found")
        for device, page in self._where.values():
            device.read(page, *_LOAD, is_critical=True)
        self._written.clear()
        self.await_nominal()

    def _harden(self) -> None:
        self._is_hardened = True
        for rail, (device, _) in self._where.items():
            if self._rails[rail].is_commanded and not device.profile.by_command:
                for level in self._levels_v[rail]:
                    side = self._side(rail, level)
                    if side and (rail, side) not in self._margins:
                        self._program(rail, side, level)
        self._tighten()

    def _tighten(self) -> None:
        """Read what limits hold, and write those that are looser than the hard limit: most are, so all count."""
        if self._is_tightened:
            return
        self._is_tightened = True
        chosen = [
            (rail, device, page)
            for rail, (device, page) in self._where.items()
            if rail not in self._followed and rail not in self._limits_kept and not device.profile.keeps_limits
        ]
        for _, device, page in chosen:
            device.read(page, *LIMITS, is_critical=True)
        for rail, device, page in chosen:
            for name in filter(device.has, LIMITS):
                device.write(page, name)
                self._written.add((rail, name))
        for rail, (device, page) in self._where.items():
            widened = self._rails[rail].widened
            for limit in widened.limits_v if widened is not None else ():
                name = REGISTERS[limit][0]
                device.read(page, name, is_critical=True)
                device.write(page, name)
                self._written.add((rail, name))

    def _program(self, rail: str, side: int, level: str) -> None:
        self._margins[rail, side] = level
        held, word = self._held[rail], self._words.get((rail, level))
        if word is not None and held.get(_margin(side)) == word:
            return
        if word is not None:
            held[_margin(side)] = word
        device, page = self._where[rail]
        device.read(page, *_LOOK, is_critical=True)
        device.write(page, _margin(side), self._word(rail, level))
        self._written.add((rail, _margin(side)))

    def _select(self, rail: str, side: int) -> None:
        device, page = self._where[rail]
        base = _margin(side) if side else "VOUT_COMMAND"
        device.read(page, "STATUS_WORD", "OPERATION", base, "VOUT_TRIM", is_critical=True)
        if self._moves[rail][1] != self._row_v(rail, NOMINAL) or side:
            device.write(page, "OPERATION", {-1: "margin low", 0: "nominal", 1: "margin high"}[side])

    def _go(self, rail: str, level: str) -> None:
        now_s = self._clock.now_s()
        start_v, end_v = self.voltage_v(rail, now_s), self._row_v(rail, level)
        self._moves[rail] = (start_v, end_v, now_s + self._arrival(self._rails[rail], start_v, end_v))

    def _word(self, rail: str, level: str) -> str:
        word = self._words.get((rail, level))
        return f"{level}, {self._row_v(rail, level):.6g} V" + (f", word 0x{word:04x}" if word is not None else "")

    def _row_v(self, rail: str, level: str) -> float:
        """A level as encoded; as it stands where only the run adds it, such as the steps of a proof."""
        return self._setpoints_v.get((rail, level), self._levels_v[rail].get(level, math.nan))

    def _side(self, rail: str, level: str) -> int:
        levels = self._levels_v[rail]
        return (levels[level] > levels[NOMINAL]) - (levels[level] < levels[NOMINAL])


def _share(name: str) -> float:
    """Give a name its own share of 0 to 1, the same on every machine."""
    return int.from_bytes(hashlib.sha256(name.encode()).digest()[:4], "big") / 2.0**32


def _margin(side: int) -> str:
    return "VOUT_MARGIN_HIGH" if side > 0 else "VOUT_MARGIN_LOW"
