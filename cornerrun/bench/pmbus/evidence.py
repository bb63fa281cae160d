"""Status registers as evidence: read, never cleared here by the way."""

from collections.abc import Iterable

from cornerrun.bench.pmbus.commands import COMMANDS, Command, Kind
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
        try:
            registers = output.device.read(output.page, _STATUS)
        except BenchError:
            registers = {}
            for command in output.device.present(_STATUS):
                try:
                    registers.update(output.device.read(output.page, (command.name,)))
                except LinkError as error:
                    last = error
        captures.append(
            StatusCapture(
                rail=output.rail.name,
                taken_at_s=clock.now_s(),
                registers=registers,
                fault_log=_fault_log(output),
            )
        )
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


def _fault_log(output: Output) -> bytes | None:
    """Read the log where the profile says that there is one; what can't be read must not keep the rest from being."""
    log = output.device.profile.fault_log
    if log is None:
        return None
    command = Command(code=log.command, name=f"fault log 0x{log.command:02X}", kind=Kind.BLOCK, is_paged=log.is_paged)
    try:
        return output.device.paged.read_block(output.page if log.is_paged else None, command)
    except BenchError as error:
        output.device.remarks.add("warning", f"the fault log can't be read: {error}", output.rail.name)
        return None
