"""Writes that move one output: built with their effects, permitted by the guard, sent, read back."""

from collections.abc import Iterable
from contextlib import suppress

from cornerrun.bench.guard import Guard
from cornerrun.bench.pmbus.commands import COMMANDS
from cornerrun.bench.pmbus.operation import Side, margin_of
from cornerrun.bench.pmbus.output import Look, Output
from cornerrun.bench.ports import Effect, Write
from cornerrun.errors import BenchError, CornerrunError, DeviceRefused, LinkError, ReadbackMismatch

__all__ = ["command_write", "go_home", "operation_write", "refuse_if_off", "select", "send", "undo_strays"]

_OPERATION = COMMANDS["OPERATION"]
_VOUT_COMMAND = COMMANDS["VOUT_COMMAND"]
_HOME_TRIES = 3  # chosen: going home writes the same byte again, so it may be tried again, unlike any other write


def select(output: Output, side: Side, guard: Guard) -> Look:
    """Let OPERATION select a side, once what it selects has been read again and the guard permits it.

    Raises:
        DeviceRefused: the output is off, or WRITE_PROTECT lets OPERATION not through.
        GuardRefusal: what is stored there would cross a hard limit or break a relation.
        ReadbackMismatch: something changed under us, or the byte does not read back.
        LinkError: a message failed.

    """
    look = output.look(side)
    refuse_if_off(output, side, look)
    output.device.check_writable(("OPERATION",))
    byte = output.operation_for(side, look.operation)
    write = operation_write(output, byte, look.target_v)
    guard.permit(write)
    send(output, write, guard, is_needed=byte != look.operation)
    output.side = side
    return look


def undo_strays(outputs: Iterable[Output], guard: Guard) -> None:
    """Bring home outputs that are not where they were asked to be: a write that went astray may have done it.

    An output that should be at nominal may have been selected away from it; one that is margined may have got the word
    of another. The board goes to nominal anyway after the error that leads here; this only shortens the time. What
    fails for one output doesn't keep the others from their turn.
    """
    for output in outputs:
        with suppress(CornerrunError):
            if output.side is Side.NOMINAL:
                is_astray = not output.is_home(output.look_home())
            else:
                is_astray = output.side is not None and not _is_as_known(output, output.side)
            if is_astray:
                go_home(output, guard)


def _is_as_known(output: Output, side: Side) -> bool:
    try:
        output.look(side)
    except ReadbackMismatch:
        return False
    return True


def go_home(output: Output, guard: Guard) -> None:
    """Let OPERATION select nominal again, whatever was known of the page; tried again if a message fails.

    Raises:
        GuardRefusal: what nominal means now lies beyond a hard limit.
        BenchError: it could not be done.

    """
    for left in reversed(range(_HOME_TRIES)):
        try:
            look = output.look_home()
            if output.by_command:
                home = command_write(output, output.home_word, look.target_v)
                guard.permit_return(home)
                send(output, home, guard, is_needed=look.word != output.home_word)
                output.commanded(output.home_word, Side.NOMINAL)
            byte = output.operation_for(Side.NOMINAL, look.operation)
            write = operation_write(output, byte, look.target_v)
            guard.permit_return(write)
            send(output, write, guard, is_needed=margin_of(look.operation) is not Side.NOMINAL)
        except (LinkError, ReadbackMismatch):
            if not left:
                raise
        else:
            output.side = Side.NOMINAL
            return


def refuse_if_off(output: Output, side: Side, look: Look) -> None:
    """Refuse to margin an output that is off; DeviceRefused names what would turn it on."""
    if look.is_off and side is not Side.NOMINAL:
        raise DeviceRefused(
            f"{output.rail.name} ({output.device.name} page {output.page}): unit is off (STATUS_WORD "
            f"0x{look.status_word:04X}); an output that is off isn't margined: see why it is off, clear its faults and "
            f"turn it on{output.gate()}"
        )


def operation_write(output: Output, byte: int, target_v: float) -> Write:
    """Build the write of an OPERATION byte, with what it does."""
    return Write(
        address=output.device.address,
        pages=(output.page,),
        command=_OPERATION.code,
        data=bytes((byte,)),
        effects=(Effect(rail=output.rail.name, target_v=target_v),),
    )


def command_write(output: Output, word: int, target_v: float) -> Write:
    """Build the write of a VOUT_COMMAND word, with what it does."""
    return Write(
        address=output.device.address,
        pages=(output.page,),
        command=_VOUT_COMMAND.code,
        data=word.to_bytes(2, "little"),
        effects=(Effect(rail=output.rail.name, target_v=target_v),),
    )


def send(output: Output, write: Write, guard: Guard, *, is_needed: bool) -> None:
    """Send a permitted write that is read back; the guard is told, whether it arrived or not."""
    if not is_needed:
        guard.applied(write)
        return
    try:
        output.device.write(
            output.page, _VOUT_COMMAND if write.command == _VOUT_COMMAND.code else _OPERATION, write.data
        )
    except BenchError:
        output.doubt()
        raise
    finally:
        # Also where it failed: the device may have taken it.
        guard.applied(write)
