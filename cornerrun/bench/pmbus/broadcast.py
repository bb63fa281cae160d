"""One write to every page of a device at once: PAGE 0xFF, so that its rails move in the same instant.

Allowed only where the profile knows exactly how many pages there are, every one of them is in the plan and on, and all
get the same byte.
"""

from collections.abc import Sequence

from cornerrun.bench.guard import Guard
from cornerrun.bench.pmbus.commands import COMMANDS
from cornerrun.bench.pmbus.operation import Side
from cornerrun.bench.pmbus.output import Output
from cornerrun.bench.ports import Effect, Write
from cornerrun.errors import BenchError, ReadbackMismatch

__all__ = ["select_at_once"]

_OPERATION = COMMANDS["OPERATION"]


def select_at_once(outputs: Sequence[Output], side: Side, guard: Guard) -> bool:
    """Let OPERATION select a side on every page of one device; each page is read back.

    False if nothing was done, since an output is off or the pages want different bytes.

    Raises:
        DeviceRefused: WRITE_PROTECT stands in the way.
        GuardRefusal: what is stored somewhere would cross a hard limit or break a relation.
        BenchError: a message failed, or a page does not read back.

    """
    device = outputs[0].device
    looks = [(output, output.look(side)) for output in outputs]
    wanted = {output.operation_for(side, look.operation) for output, look in looks}
    if len(wanted) != 1 or any(look.is_off for _, look in looks):
        return False
    byte = wanted.pop()
    device.check_writable(("PAGE", "OPERATION"))
    write = Write(
        address=device.address,
        pages=tuple(output.page for output in outputs),
        command=_OPERATION.code,
        data=bytes((byte,)),
        effects=tuple(Effect(rail=output.rail.name, target_v=look.target_v) for output, look in looks),
    )
    guard.permit(write)
    try:
        device.paged.write_all(_OPERATION, write.data)
        for output in outputs:
            _read_back(output, byte)
            output.side = side
    except BenchError:
        for output in outputs:
            output.doubt()
        raise
    finally:
        # Also where it failed: some page may have taken it.
        guard.applied(write)
    return True


def _read_back(output: Output, byte: int) -> None:
    (found,) = output.device.paged.read(output.page, (_OPERATION,))
    if found != byte:
        raise ReadbackMismatch(
            f"{output.rail.name} ({output.device.name} page {output.page}): OPERATION reads back 0x{found:02X} where "
            f"0x{byte:02X} was written to all pages at once"
        )
