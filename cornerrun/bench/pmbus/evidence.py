"""Status registers as evidence: read, never cleared here by the way."""

from collections.abc import Iterable

from cornerrun.bench.pmbus.commands import COMMANDS, Command
from cornerrun.bench.pmbus.output import Output
from cornerrun.bench.ports import StatusCapture
from cornerrun.clock import Clock
from cornerrun.errors import BenchError, DeviceRefused, LinkError

__all__ = ["capture", "clear"]

_STATUS = (
    "STATUS_WORD",
    "STATUS_VOUT",
    "STATUS_IOUT",
    "STATUS_INPUT",
    "STATUS_TEMPERATURE",
    "STATUS_CML",
    "STATUS_OTHER",
    "STATUS_MFR_SPECIFIC",
    "ON_OFF_CONFIG",
    "OPERATION",
    "READ_VOUT",
    "READ_IOUT",
    "READ_TEMPERATURE_1",
)


def capture(outputs: Iterable[Output], clock: Clock) -> tuple[StatusCapture, ...]:
    """Read every status register of outputs; what can't be read of one is left out, so that the rest is kept.

    Raises:
        LinkError: nothing at all could be read.

    """
    captures, last = [], LinkError("no rail was asked for")
    for output in outputs:
        commands = output.device.present(_STATUS)
        try:
            registers = _read(output, commands)
        except BenchError:
            registers = {}
            for command in commands:
                try:
                    registers.update(_read(output, (command,)))
                except LinkError as error:
                    last = error
        captures.append(StatusCapture(rail=output.rail.name, taken_at_s=clock.now_s(), registers=registers))
    if captures and not any(item.registers for item in captures):
        raise last
    return tuple(captures)


def clear(outputs: Iterable[Output]) -> None:
    """Send CLEAR_FAULTS to the page of each output.

    Raises:
        DeviceRefused: the device has no CLEAR_FAULTS.
        LinkError: it was not acknowledged.

    """
    for output in outputs:
        if not output.device.has("CLEAR_FAULTS"):
            raise DeviceRefused(
                f"{output.device.name}: its profile {output.device.profile.name!r} declares no CLEAR_FAULTS; "
                "power-cycle the board to clear its faults"
            )
        output.device.paged.send(output.page, COMMANDS["CLEAR_FAULTS"])


def _read(output: Output, commands: tuple[Command, ...]) -> dict[str, int]:
    numbers = output.device.paged.read(output.page, commands)
    return {command.name: number for command, number in zip(commands, numbers, strict=True)}
