"""The outputs behind raw writes: whether each is on, where it stands, and how it is turned off without a plan."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from cornerrun.bench.pmbus.commands import COMMANDS
from cornerrun.bench.pmbus.delays import Delays
from cornerrun.bench.pmbus.link import Link
from cornerrun.bench.pmbus.operation import STATUS_OFF, without_output
from cornerrun.bench.ports import RawWrite
from cornerrun.bench.restore import Devices
from cornerrun.clock import Clock
from cornerrun.errors import BenchError

__all__ = ["Seen", "look", "turn_off"]

_OPERATION = COMMANDS["OPERATION"]
_OFF_TIMEOUT_S = 2.0  # chosen: longer than any TOFF_DELAY and TOFF_FALL of a board that is still to be called safe
_LOOK_PERIOD_S = 0.01  # chosen: a conversion takes about as long
_TRIES = 3  # chosen: turning off writes the same byte again


@dataclass(frozen=True, kw_only=True, slots=True)
class Seen:
    """One output as it was read: STATUS_WORD and READ_VOUT, raw; None, and why, where it could not be read."""

    rails: tuple[str, ...]
    status_word: int | None
    word: int | None
    trouble: str = ""

    @property
    def is_off(self) -> bool:
        """Whether the output says that it is off."""
        return self.status_word is not None and bool(self.status_word & STATUS_OFF)


def look(
    writes: Sequence[RawWrite],
    links: Mapping[str, Link],
    clock: Clock,
    delays: Mapping[tuple[str, int], Delays] | None = None,
) -> tuple[Seen, ...]:
    """Read status and voltage of every output that the writes concern; what fails is said in its place."""
    devices = Devices(writes, links, clock, delays or {})
    return tuple(_look(write, devices) for write in _outputs(writes))


def turn_off(
    writes: Sequence[RawWrite],
    links: Mapping[str, Link],
    clock: Clock,
    delays: Mapping[tuple[str, int], Delays] | None = None,
) -> tuple[str, ...]:
    """Turn every output off at once by OPERATION, and see STATUS_WORD say so; return what failed, by rail.

    One that fails never stops the others.
    """
    devices = Devices(writes, links, clock, delays or {})
    outputs = _outputs(writes)
    failures = {write: why for write in outputs if (why := _command_off(write, devices))}
    deadline_s = clock.now_s() + _OFF_TIMEOUT_S
    waiting = list(outputs)
    while waiting:
        seen = [(write, _look(write, devices)) for write in waiting]
        for write, one in seen:
            if one.is_off:
                failures.pop(write, None)
            elif one.trouble:
                failures.setdefault(write, one.trouble)
        waiting = [write for write, one in seen if not one.is_off and not one.trouble]
        if waiting and clock.now_s() >= deadline_s:
            for write in waiting:
                failures.setdefault(write, "it still says that it is on")
            break
        if waiting:
            clock.sleep_until(clock.now_s() + _LOOK_PERIOD_S, interruptible=False)
    return tuple(f"{', '.join(write.rails)}: {why}" for write, why in failures.items())


def _outputs(writes: Sequence[RawWrite]) -> list[RawWrite]:
    return [write for write in writes if write.stage == "nominal" and write.command == _OPERATION.code]


def _look(write: RawWrite, devices: Devices) -> Seen:
    try:
        status_word, word = devices.of(write).status_and_voltage(write.page or 0)
    except BenchError as error:
        return Seen(rails=write.rails, status_word=None, word=None, trouble=str(error))
    return Seen(rails=write.rails, status_word=status_word, word=word)


def _command_off(write: RawWrite, devices: Devices) -> str:
    why = ""
    for _ in range(_TRIES):
        try:
            device = devices.of(write)
            (operation,) = device.read(write.page, (_OPERATION,))
            device.write(write.page, _OPERATION, bytes((without_output(operation),)))
        except BenchError as error:
            why = str(error)
        else:
            return ""
    return why
