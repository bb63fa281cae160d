"""To nominal and to off: every rail gets its turn, whatever happens to the others, and every end is verified."""

from collections.abc import Iterable, Sequence

from cornerrun.bench.guard import Guard
from cornerrun.bench.pmbus.baseline import tolerance_v
from cornerrun.bench.pmbus.commands import COMMANDS
from cornerrun.bench.pmbus.operation import STATUS_OFF, without_output
from cornerrun.bench.pmbus.output import Output
from cornerrun.bench.pmbus.selecting import go_home
from cornerrun.bench.ports import Effect, Write
from cornerrun.clock import Clock
from cornerrun.errors import BenchError, CornerrunError, DeviceRefused, LinkError, ReadbackMismatch
from cornerrun.units import Kind, show

__all__ = ["bring_home", "turn_off", "turn_on", "wait_until_nominal"]

_OPERATION = COMMANDS["OPERATION"]
_STATUS_WORD = COMMANDS["STATUS_WORD"]
_OFF_TIMEOUT_S = 2.0  # chosen: longer than any TOFF_DELAY and TOFF_FALL of a board that is still to be called safe
_TRIES = 3  # chosen: turning off writes the same byte again


def bring_home(bursts: Sequence[Sequence[Output]], guard: Guard, clock: Clock) -> list[str]:
    """Bring outputs to nominal, burst after burst; return what failed, by rail.

    A burst is given the time to arrive before the next one starts, since relations are kept by that order.
    """
    failures: dict[str, str] = {}
    for index, burst in enumerate(bursts):
        for output in burst:
            try:
                go_home(output, guard)
            except CornerrunError as error:
                failures[output.rail.name] = str(error)
        if index + 1 < len(bursts):
            wait_until_nominal([o for o in burst if o.rail.name not in failures], guard, clock)
    everyone = [output for burst in bursts for output in burst]
    for output, why in wait_until_nominal(everyone, guard, clock):
        failures.setdefault(output.rail.name, why)
    return [f"{rail}: {why}" for rail, why in failures.items()]


def wait_until_nominal(outputs: Iterable[Output], guard: Guard, clock: Clock) -> list[tuple[Output, str]]:
    """Wait until outputs read near nominal, each for its own settle time-out; return those that don't, and why."""
    start_s = clock.now_s()
    waiting = [output for output in outputs if output.rail.is_commanded]
    late: list[tuple[Output, str]] = []
    while waiting:
        still = []
        for output in waiting:
            why, is_final = _away(output, guard)
            if not why:
                continue
            if is_final or clock.now_s() >= start_s + output.rail.longest_settle_s:
                late.append((output, why))
            else:
                still.append(output)
        waiting = still
        if waiting:
            pause_s = min(output.device.scan_s for output in waiting)
            clock.sleep_until(clock.now_s() + pause_s, interruptible=False)
    return late


def turn_off(outputs: Sequence[Output], clock: Clock) -> list[str]:
    """Turn outputs off at once by OPERATION, and wait until STATUS_WORD says so; return what failed, by rail."""
    failures: dict[str, str] = {}
    for output in outputs:
        try:
            _command_off(output)
        except BenchError as error:
            failures[output.rail.name] = str(error)
    deadline_s = clock.now_s() + _OFF_TIMEOUT_S
    waiting = list(outputs)
    while waiting:
        still = []
        for output in waiting:
            try:
                (status_word,) = output.device.paged.read(output.page, (_STATUS_WORD,))
            except BenchError as error:
                failures.setdefault(output.rail.name, str(error))
                continue
            if status_word & STATUS_OFF:
                failures.pop(output.rail.name, None)
            elif clock.now_s() >= deadline_s:
                failures.setdefault(output.rail.name, f"still on (STATUS_WORD 0x{status_word:04X}){output.gate()}")
            else:
                still.append(output)
        waiting = still
        if waiting:
            pause_s = min(output.device.scan_s for output in waiting)
            clock.sleep_until(clock.now_s() + pause_s, interruptible=False)
    return [f"{rail}: {why}" for rail, why in failures.items()]


def turn_on(output: Output, guard: Guard) -> None:
    """Turn an output on at nominal.

    Raises:
        DeviceRefused: ON_OFF_CONFIG lets OPERATION turn nothing on.
        GuardRefusal: what nominal means now lies beyond a hard limit.
        BenchError: it could not be written.

    """
    gate = output.gate()
    if gate:
        raise DeviceRefused(f"{output.rail.name} can't be turned on over the bus{gate}")
    look = output.look_home()
    byte = look.operation & 0x03 | 0x80 | output.nominal_bits
    write = Write(
        address=output.device.address,
        pages=(output.page,),
        command=_OPERATION.code,
        data=bytes((byte,)),
        effects=(Effect(rail=output.rail.name, target_v=look.target_v),),
    )
    guard.permit_return(write)
    try:
        if byte != look.operation:
            output.device.write(output.page, _OPERATION, write.data)
    except BenchError:
        output.doubt()
        raise
    finally:
        guard.applied(write)
    output.doubt()


def _away(output: Output, guard: Guard) -> tuple[str, bool]:
    """Tell why an output is not at nominal, empty if it is; and whether waiting can't change that."""
    rail = output.rail
    try:
        status_word, word = output.device.paged.status_and_voltage(output.page)
        reading_v = output.voltage_v(word)
    except BenchError as error:
        return str(error), True
    if status_word & STATUS_OFF:
        return f"is off (STATUS_WORD 0x{status_word:04X}), not at nominal", True
    guard.seen(rail.name, reading_v)
    if abs(reading_v - rail.nominal_v) <= tolerance_v(output):
        return "", True
    return (
        f"reads {show(reading_v, Kind.VOLTAGE)}, not within {show(tolerance_v(output), Kind.VOLTAGE)} of "
        f"{show(rail.nominal_v, Kind.VOLTAGE)}"
    ), False


def _command_off(output: Output) -> None:
    for left in reversed(range(_TRIES)):
        try:
            (operation,) = output.device.paged.read(output.page, (_OPERATION,))
            output.device.write(output.page, _OPERATION, bytes((without_output(operation),)))
        except (LinkError, ReadbackMismatch):
            if not left:
                raise
        else:
            break
        finally:
            output.doubt()
