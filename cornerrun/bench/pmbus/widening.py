"""Fault and warning limits moved away from a rail, as the plan's override asks, while the run moves it.

Only registers of the running device are written, never its memory; what they held is part of the baseline and comes
back at the end. The hard limits of the plan bound them, and those of this program stay as they are.
"""

from collections.abc import Iterable

from cornerrun.bench.guard import Guard
from cornerrun.bench.pmbus.commands import COMMANDS
from cornerrun.bench.pmbus.output import Output
from cornerrun.bench.ports import Write
from cornerrun.errors import DeviceRefused
from cornerrun.units import Kind, show

__all__ = ["REGISTERS", "widen", "widened_word"]

REGISTERS = {
    "ov_fault": ("VOUT_OV_FAULT_LIMIT", 1),
    "ov_warn": ("VOUT_OV_WARN_LIMIT", 1),
    "uv_warn": ("VOUT_UV_WARN_LIMIT", -1),
    "uv_fault": ("VOUT_UV_FAULT_LIMIT", -1),
}
"""The register of each limit by its name in a plan, and the side of the rail that it guards."""


def widened_word(output: Output, register: str) -> int | None:
    """Encode what a register holds once it is widened; None if the plan does not widen it. FormatError if none can."""
    for limit, wanted_v in (output.rail.widened.limits_v if output.rail.widened is not None else {}).items():
        if REGISTERS[limit][0] == register:
            ratio = output.command_v if output.format.is_ratio(register) else 1.0
            return output.format.encode(register, wanted_v / ratio)
    return None


def widen(outputs: Iterable[Output], guard: Guard) -> None:
    """Move the limits of every output whose rail asks for it; one that lies further out already is left.

    Raises:
        DeviceRefused: a device has no such limit, so the rail would trip where the plan says that it does not.
        BenchError: a limit could not be written.

    """
    for output in outputs:
        if output.rail.widened is None or output.rail.tracks is not None:
            continue
        for limit, wanted_v in output.rail.widened.limits_v.items():
            name, sign = REGISTERS[limit]
            held = output.device.read_critical(output.page, (name,)).get(name)
            if held is None:
                raise DeviceRefused(
                    f"{output.rail.name}: its device has no {name}, so the plan's widened {limit} cannot be set; take "
                    "it out of 'overrides'"
                )
            ratio = output.command_v if output.format.is_ratio(name) else 1.0
            if (output.format.decode(name, held) * ratio - wanted_v) * sign >= 0:
                continue
            word = widened_word(output, name)
            assert word is not None
            output.device.check_writable((name,))
            data = word.to_bytes(2, "little")
            command = COMMANDS[name]
            guard.permit(
                Write(address=output.device.address, pages=(output.page,), command=command.code, data=data, effects=())
            )
            output.device.write(output.page, command, data)
            moved_v = output.format.decode(name, word) * ratio
            told = f"{name} was moved to {show(moved_v, Kind.VOLTAGE)}, as the plan's overrides ask"
            output.device.remarks.add("warning", told, output.rail.name)
