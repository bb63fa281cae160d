"""One rail that an output of a supply makes: its levels in the supply's steps, its settings, its states."""

from collections.abc import Mapping
from typing import Literal

from cornerrun.bench.pmbus.commands import COMMANDS
from cornerrun.bench.ports import RawWrite, RegisterValue, Setpoint, Telemetry
from cornerrun.bench.scpi.dialect_file import number_text
from cornerrun.bench.scpi.supply import OutputState, ScpiSupply, Settings
from cornerrun.clock import Clock
from cornerrun.errors import BenchError, DeviceRefused
from cornerrun.plan.model import NOMINAL, Rail, SupplyOutput
from cornerrun.units import Kind, show

__all__ = ["IOUT_LIMIT", "OVER_VOLTAGE", "VOLTAGE", "MadeRail", "status_registers", "status_word"]

VOLTAGE = COMMANDS["VOUT_COMMAND"].code
IOUT_LIMIT = COMMANDS["IOUT_OC_FAULT_LIMIT"].code
OVER_VOLTAGE = COMMANDS["VOUT_OV_FAULT_LIMIT"].code
# Bits of STATUS_WORD, STATUS_VOUT and STATUS_IOUT: PMBus 1.2 Part II section 17 (Linux drivers/hwmon/pmbus/pmbus.h).
_OFF, _OV, _OC, _VOUT, _IOUT, _NOT_GOOD = 1 << 6, 1 << 5, 1 << 4, 1 << 15, 1 << 14, 1 << 11
_OV_FAULT, _OC_FAULT, _OC_WARNING = 1 << 7, 1 << 7, 1 << 5
_LATCHES_OFF = 0x80  # a fault response: shut down and stay off; Part II section 10.5 (from memory)


def status_word(state: OutputState) -> int:
    """Tell a supply's states as STATUS_WORD."""
    word = 0 if state.is_on else _OFF | _NOT_GOOD
    word |= _VOUT | _OV if state.has_over_voltage else 0
    word |= _IOUT | _OC if state.has_over_current else 0
    return word | (_IOUT if state.is_limiting else 0)


def status_registers(state: OutputState) -> Mapping[str, int]:
    """Tell a supply's states as the registers that faults are read by."""
    current = (_OC_FAULT if state.has_over_current else 0) | (_OC_WARNING if state.is_limiting else 0)
    return {
        "STATUS_WORD": status_word(state),
        "STATUS_VOUT": _OV_FAULT if state.has_over_voltage else 0,
        "STATUS_IOUT": current,
        "VOUT_OV_FAULT_RESPONSE": _LATCHES_OFF,
        "IOUT_OC_FAULT_RESPONSE": _LATCHES_OFF,
    }


class MadeRail:
    """A rail at an output of a supply; sends nothing that nobody asked for."""

    def __init__(self, *, rail: Rail, output: SupplyOutput, supply: ScpiSupply) -> None:
        self.rail = rail
        self.name = rail.name
        self.number = output.number
        self._output = output
        self._supply = supply

    def check_number(self) -> None:
        """Refuse an output that the supply's dialect does not have."""
        outputs = self._supply.words.outputs
        if self.number > outputs:
            raise DeviceRefused(
                f"{self.name}: output {self.number} of {self._output.supply}, and its dialect "
                f"{self._supply.words.title!r} has {outputs}; correct the plan, or the dialect"
            )

    def setpoint(self, level: str) -> Setpoint:
        """Tell what a level becomes in the supply's steps."""
        try:
            target_v = self.rail.levels[level]
        except KeyError:
            raise BenchError(f"{self.name} has no level {level!r}; it has {', '.join(self.rail.levels)}") from None
        word = round(target_v / self._supply.words.step)
        decoded_v = float(number_text(word * self._supply.words.step))
        return Setpoint(rail=self.name, level=level, target_v=target_v, word=word, decoded_v=decoded_v)

    def look(self) -> Settings:
        """Read what the output is told."""
        return self._supply.settings(self.number)

    def state(self) -> OutputState:
        """Read what the output says of itself."""
        return self._supply.state(self.number)

    def telemetry(self, clock: Clock, *, with_load: bool) -> Telemetry:
        """Measure the output."""
        state = self.state()
        voltage_v = self._supply.voltage_v(self.number)
        return Telemetry(
            rail=self.name,
            read_at_s=clock.now_s(),
            word=round(voltage_v / self._supply.words.step),
            voltage_v=voltage_v,
            status_word=status_word(state),
            current_a=self._supply.current_a(self.number) if with_load else None,
        )

    def refuse_if_off(self) -> None:
        """Refuse what needs an output that is on; a trip is named."""
        state = self.state()
        if not state.is_on:
            tripped = {"over-voltage": state.has_over_voltage, "over-current": state.has_over_current}
            why = " and ".join(name for name, is_so in tripped.items() if is_so)
            raise DeviceRefused(
                f"{self.name} is off{f': {why} protection has tripped' if why else ''}; it stays off until it is "
                "cleared and turned on"
            )

    def set_voltage(self, voltage_v: float) -> None:
        """Set the voltage, verified."""
        self._supply.set_voltage(self.number, voltage_v)

    def protect(self) -> None:
        """Set the plan's current limit and over-voltage protection, verified."""
        self._supply.set_over_voltage(self.number, self._output.over_voltage_v)
        self._supply.set_current_limit(self.number, self._output.current_limit_a)

    def put_back(self, held: Mapping[tuple[int, int], float]) -> None:
        """Restore the protection that was found, verified."""
        if (self.number, IOUT_LIMIT) in held:
            self._supply.set_current_limit(self.number, held[self.number, IOUT_LIMIT])
        if (self.number, OVER_VOLTAGE) in held:
            self._supply.set_over_voltage(self.number, held[self.number, OVER_VOLTAGE])

    def switch(self, *, is_on: bool) -> None:
        """Switch the output, verified."""
        self._supply.switch(self.number, is_on=is_on)

    def clear(self) -> None:
        """Release a protection that has tripped."""
        self._supply.clear(self.number)

    def away(self, asked_v: float) -> str:
        """Tell why the output is not asked for nominal; empty if it is."""
        if not self.rail.is_commanded:
            return ""
        if abs(asked_v - self.setpoint(NOMINAL).decoded_v) <= self.rail.accuracy_ratio * self.rail.nominal_v:
            return ""
        return (
            f"{self.name}: its supply is set to {show(asked_v, Kind.VOLTAGE)}, the plan's nominal is "
            f"{show(self.rail.nominal_v, Kind.VOLTAGE)}"
        )

    def away_as_read(self, reading_v: float) -> str:
        """Tell why a reading is not nominal, or not within hard limits of a rail that is never moved."""
        rail, limits = self.rail, self.rail.hard_limits
        spread_v = (rail.accuracy_ratio + rail.settle.band_ratio) * rail.nominal_v + self._supply.words.step
        low_v, high_v = rail.nominal_v - spread_v, rail.nominal_v + spread_v
        if not rail.is_commanded:
            low_v, high_v = limits.min_v, limits.max_v
        if low_v <= reading_v <= high_v:
            return ""
        return (
            f"{self.name}: reads {show(reading_v, Kind.VOLTAGE)}, outside {show(low_v, Kind.VOLTAGE)} to "
            f"{show(high_v, Kind.VOLTAGE)}"
        )

    def registers(self, bus: str, look: Settings) -> tuple[RegisterValue, ...]:
        """Tell settings as registers of a baseline."""
        held = {VOLTAGE: look.voltage_v, IOUT_LIMIT: look.current_limit_a, OVER_VOLTAGE: look.over_voltage_v}
        return tuple(
            RegisterValue(
                bus=bus, address=self.number, page=None, command=command, data=number_text(value).encode("ascii")
            )
            for command, value in held.items()
            if value is not None
        )

    def raw_write(self, stage: Literal["nominal", "configuration"], value: RegisterValue | None) -> RawWrite | None:
        """Tell the write of the way back that puts a register back; None where the baseline has none."""
        if value is None or not self.rail.is_commanded:
            return None
        return RawWrite(
            stage=stage,
            bus=value.bus,
            address=value.address,
            page=None,
            command=value.command,
            data=value.data,
            rails=(self.name,),
        )
