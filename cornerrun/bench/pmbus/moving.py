"""Moving rails to levels: margin words are programmed at nominal, then OPERATION selects them.

Every write is built with its effects, decoded from words that were just read from the device, and goes through the
guard. What a write's failure leaves behind isn't known, so the guard keeps both voltages possible and the page is
looked at afresh.
"""

from collections.abc import Iterable, Sequence
from contextlib import suppress
from dataclasses import dataclass

from cornerrun.bench.guard import Guard
from cornerrun.bench.pmbus.broadcast import select_at_once
from cornerrun.bench.pmbus.commands import COMMANDS
from cornerrun.bench.pmbus.operation import Side, margin_of
from cornerrun.bench.pmbus.output import Look, Output
from cornerrun.bench.ports import Effect, Setpoint, Write
from cornerrun.errors import BenchError, DeviceRefused, FormatError, GuardRefusal, LinkError, ReadbackMismatch

__all__ = ["go_home", "harden", "move", "select", "undo_strays"]

_OPERATION = COMMANDS["OPERATION"]
_VOUT_COMMAND = COMMANDS["VOUT_COMMAND"]
_HOME_TRIES = 3  # chosen: going home writes the same byte again, so it may be tried again, unlike any other write


@dataclass(frozen=True, kw_only=True, slots=True)
class _Goal:
    output: Output
    side: Side
    setpoint: Setpoint

    @property
    def must_program(self) -> bool:
        return self.side is not Side.NOMINAL and not self.output.holds(self.side, self.setpoint.word)


def move(goals: Sequence[tuple[Output, str]], guard: Guard) -> tuple[Setpoint, ...]:
    """Move outputs to levels, as `RailPower.move`."""
    wanted = [_goal(output, level) for output, level in goals]
    guard.permit_home(_home(wanted))
    guard.permit_together(_effects(wanted))
    for goal in wanted:
        if goal.must_program:
            if goal.output.side is not Side.NOMINAL:
                # A margin register is written only while no output listens to it; an unknown side counts as listening.
                select(goal.output, Side.NOMINAL, guard)
            _program(goal, guard)
    alone = []
    for group in _by_device(wanted):
        if not (_is_whole_device(group) and select_at_once([goal.output for goal in group], group[0].side, guard)):
            alone.extend(group)
    for goal in alone:
        if goal.output.by_command:
            _command(goal, guard)
        else:
            select(goal.output, goal.side, guard)
    return tuple(goal.setpoint for goal in wanted)


def harden(outputs: Iterable[Output], guard: Guard) -> None:
    """Put a level of the plan into every margin register before the first move.

    An OPERATION that goes astray, since PAGE changed in the very last moment, then finds no voltage that nobody judged.
    What can't be programmed (WRITE_PROTECT, a level that does not fit) is left: a move to it says why.
    """
    for output in outputs:
        for level in output.rail.levels:
            side = output.side_of(level)
            if output.by_command or side is Side.NOMINAL or output.side is not Side.NOMINAL or output.is_judged(side):
                continue
            with suppress(GuardRefusal, FormatError, DeviceRefused):
                goal = _goal(output, level)
                if goal.must_program:
                    _program(goal, guard)
                output.stored(side, goal.setpoint.word)


def select(output: Output, side: Side, guard: Guard) -> Look:
    """Let OPERATION select a side, once what it selects has been read again and the guard permits it.

    Raises:
        DeviceRefused: the output is off, or WRITE_PROTECT lets OPERATION not through.
        GuardRefusal: what is stored there would cross a hard limit or break a relation.
        ReadbackMismatch: something changed under us, or the byte does not read back.
        LinkError: a message failed.

    """
    look = output.look(side)
    _refuse_if_off(output, side, look)
    output.device.check_writable(("OPERATION",))
    byte = output.operation_for(side, look.operation)
    write = _operation_write(output, byte, look.target_v)
    guard.permit(write)
    _send(output, write, guard, is_needed=byte != look.operation)
    output.side = side
    return look


def undo_strays(outputs: Iterable[Output], guard: Guard) -> None:
    """Bring home outputs that left nominal though nobody asked them to: a write that went astray may have done it.

    The board goes to nominal anyway after the error that leads here; this only shortens the time.
    """
    for output in outputs:
        if output.side is Side.NOMINAL and not output.is_home(output.look_home()):
            go_home(output, guard)


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
                home = _command_write(output, output.home_word, look.target_v)
                guard.permit_return(home)
                _send(output, home, guard, is_needed=look.word != output.home_word)
                output.commanded(output.home_word, Side.NOMINAL)
            byte = output.operation_for(Side.NOMINAL, look.operation)
            write = _operation_write(output, byte, look.target_v)
            guard.permit_return(write)
            _send(output, write, guard, is_needed=margin_of(look.operation) is not Side.NOMINAL)
        except (LinkError, ReadbackMismatch):
            if not left:
                raise
        else:
            output.side = Side.NOMINAL
            return


def _goal(output: Output, level: str) -> _Goal:
    side = output.side_of(level)
    if side is not Side.NOMINAL and not output.rail.is_commanded:
        raise GuardRefusal(f"{output.rail.name} is never moved by the plan; it was asked to go to {level}")
    return _Goal(output=output, side=side, setpoint=output.setpoint(level))


def _effects(wanted: Iterable[_Goal]) -> Iterable[Effect]:
    for goal in wanted:
        rail = goal.output.rail.name
        if goal.must_program and goal.output.side is not Side.NOMINAL:
            yield Effect(rail=rail, target_v=goal.output.volts_home())
        yield Effect(rail=rail, target_v=goal.setpoint.decoded_v)


def _home(wanted: Iterable[_Goal]) -> Iterable[Effect]:
    """Where rails would go home to: one that may not come back must not leave."""
    for goal in wanted:
        if goal.side is not Side.NOMINAL:
            yield Effect(rail=goal.output.rail.name, target_v=goal.output.volts_home())


def _command(goal: _Goal, guard: Guard) -> None:
    """Let VOUT_COMMAND ask for a level, where a device has no margin registers."""
    output, word = goal.output, goal.setpoint.word
    look = output.look(goal.side)
    _refuse_if_off(output, goal.side, look)
    output.device.check_writable((_VOUT_COMMAND.name,))
    write = _command_write(output, word, goal.setpoint.decoded_v)
    guard.permit(write)
    _send(output, write, guard, is_needed=word != look.word)
    output.commanded(word, goal.side)


def _refuse_if_off(output: Output, side: Side, look: Look) -> None:
    if look.is_off and side is not Side.NOMINAL:
        raise DeviceRefused(
            f"{output.rail.name} ({output.device.name} page {output.page}): unit is off (STATUS_WORD "
            f"0x{look.status_word:04X}); an output that is off isn't margined: see why it is off, clear its faults and "
            f"turn it on{output.gate()}"
        )


def _program(goal: _Goal, guard: Guard) -> None:
    output, side, word = goal.output, goal.side, goal.setpoint.word
    command = output.margin_command(side)
    output.device.check_writable((command.name,))
    if margin_of(output.look_home().operation) is not Side.NOMINAL:
        output.doubt()
        raise ReadbackMismatch(
            f"{output.rail.name}: OPERATION does not select nominal where it did; the device was reset, or another "
            f"master writes to it; {command.name} was not written"
        )
    write = Write(
        address=output.device.address,
        pages=(output.page,),
        command=command.code,
        data=word.to_bytes(2, "little"),
        stored=(Effect(rail=output.rail.name, target_v=goal.setpoint.decoded_v),),
    )
    guard.permit(write)
    output.stored(side, None)
    output.device.write(output.page, command, write.data)
    guard.applied(write)
    output.stored(side, word)


def _by_device(wanted: Iterable[_Goal]) -> Iterable[list[_Goal]]:
    groups: dict[int, list[_Goal]] = {}
    for goal in wanted:
        groups.setdefault(id(goal.output.device), []).append(goal)
    return groups.values()


def _is_whole_device(goals: Sequence[_Goal]) -> bool:
    """Tell whether every page of a device goes to the same side at once, so that PAGE 0xFF may serve."""
    profile = goals[0].output.device.profile
    if profile.by_command or profile.page_plus:
        return False
    whole = {goal.output.page for goal in goals} == set(range(profile.pages))
    return profile.broadcast and whole and len(goals) > 1 and len({goal.side for goal in goals}) == 1


def _operation_write(output: Output, byte: int, target_v: float) -> Write:
    return Write(
        address=output.device.address,
        pages=(output.page,),
        command=_OPERATION.code,
        data=bytes((byte,)),
        effects=(Effect(rail=output.rail.name, target_v=target_v),),
    )


def _command_write(output: Output, word: int, target_v: float) -> Write:
    return Write(
        address=output.device.address,
        pages=(output.page,),
        command=_VOUT_COMMAND.code,
        data=word.to_bytes(2, "little"),
        effects=(Effect(rail=output.rail.name, target_v=target_v),),
    )


def _send(output: Output, write: Write, guard: Guard, *, is_needed: bool) -> None:
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
