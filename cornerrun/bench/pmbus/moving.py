"""Moving rails to levels: margin words are programmed at nominal, then OPERATION selects them.

Every write is built with its effects, decoded from words that were just read from the device, and goes through the
guard. What a write's failure leaves behind isn't known, so the guard keeps both voltages possible and the page is
looked at afresh.
"""

from collections.abc import Iterable, Sequence
from contextlib import suppress
from dataclasses import dataclass
from itertools import zip_longest

from cornerrun.bench.guard import Guard
from cornerrun.bench.pmbus.broadcast import select_at_once
from cornerrun.bench.pmbus.commands import COMMANDS
from cornerrun.bench.pmbus.group import Burst, Groups
from cornerrun.bench.pmbus.operation import Side, margin_of
from cornerrun.bench.pmbus.output import Output
from cornerrun.bench.pmbus.selecting import command_write, refuse_if_off, select, send
from cornerrun.bench.ports import Effect, Setpoint, Write
from cornerrun.errors import DeviceRefused, FormatError, GuardRefusal, ReadbackMismatch

__all__ = ["harden", "move"]

_VOUT_COMMAND = COMMANDS["VOUT_COMMAND"]


@dataclass(frozen=True, kw_only=True, slots=True)
class _Goal:
    output: Output
    side: Side
    setpoint: Setpoint

    @property
    def must_program(self) -> bool:
        return self.side is not Side.NOMINAL and not self.output.holds(self.side, self.setpoint.word)


def move(goals: Sequence[tuple[Output, str]], guard: Guard, groups: Groups) -> tuple[Setpoint, ...]:
    """Move outputs to levels, as `RailPower.move`: devices at one STOP where that works, else one after the other."""
    wanted = [_goal(output, level) for output, level in goals]
    guard.permit_home(_home(wanted))
    guard.permit_together(_effects(wanted))
    for goal in wanted:
        if goal.must_program:
            if goal.output.side is not Side.NOMINAL:
                # A margin register is written only while no output listens to it; an unknown side counts as listening.
                select(goal.output, Side.NOMINAL, guard)
            _program(goal, guard)
    alone: list[list[_Goal]] = []
    for group in _by_device(wanted):
        if not (_is_whole_device(group) and select_at_once([goal.output for goal in group], group[0].side, guard)):
            alone.append(group)
    with groups.burst() as burst:
        for side_by_side in zip_longest(*alone):
            _select_all([goal for goal in side_by_side if goal is not None], guard, burst)
    return tuple(goal.setpoint for goal in wanted)


def _select_all(goals: Sequence[_Goal], guard: Guard, burst: Burst) -> None:
    """Let outputs of as many devices reach their sides: together where a group command does it."""
    able = [goal for goal in goals if not goal.output.by_command and burst.can(goal.output.device)]
    if len(able) > 1:
        burst.select([(goal.output, goal.side) for goal in able], guard)
    for goal in goals:
        if goal in able and len(able) > 1:
            continue
        if goal.output.by_command:
            _command(goal, guard)
        else:
            select(goal.output, goal.side, guard)
        burst.written()


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
    refuse_if_off(output, goal.side, look)
    output.device.check_writable((_VOUT_COMMAND.name,))
    write = command_write(output, word, goal.setpoint.decoded_v)
    guard.permit(write)
    send(output, write, guard, is_needed=word != look.word)
    output.commanded(word, goal.side)


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
    is_known = output.knows_margin(side)
    output.stored(side, None)
    output.device.write(output.page, command, write.data, is_change=is_known)
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
