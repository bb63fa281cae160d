"""Reading rails: STATUS_WORD and READ_VOUT of each, page by page, and again where what came is not expected."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

from cornerrun.bench.guard import Guard
from cornerrun.bench.pmbus.commands import COMMANDS, Command
from cornerrun.bench.pmbus.device import ManagedDevice
from cornerrun.bench.pmbus.output import Output
from cornerrun.bench.ports import Telemetry
from cornerrun.clock import Clock
from cornerrun.errors import FormatError, LinkError

__all__ = ["Sweeps"]

_LOAD = {"READ_IOUT": "current_a", "READ_TEMPERATURE_1": "temperature_degc"}
_WATCHED = (COMMANDS["STATUS_WORD"], COMMANDS["READ_VOUT"])
_TRIES = 4  # chosen: two of three garbled answers that agree are far rarer than any of the other faults


@dataclass(frozen=True, slots=True)
class _Ask:
    """One rail of a sweep, with all that reading it needs looked up once."""

    place: int
    rail: str
    output: Output
    read: Callable[[int], tuple[int, int]]
    page: int


class Sweeps:
    """Read rails of one bus.

    A reading is taken at once if its status is that of the last reading and its voltage is one that the guard expects.
    Any other counts only if a second one says the same: a packet error code lets one in 256 of garbled answers pass.
    """

    def __init__(
        self, *, outputs: Mapping[str, Output], devices: Sequence[ManagedDevice], guard: Guard, clock: Clock
    ) -> None:
        self._outputs = outputs
        self._order = {device: index for index, device in enumerate(devices)}
        self._guard = guard
        self._clock = clock
        self._sweeps: dict[tuple[str, ...], tuple[_Ask, ...]] = {}
        self._status: dict[str, int] = {}
        self._loads: dict[str, tuple[Command, ...]] = {}

    def forget(self) -> None:
        """Take no status and no register for granted."""
        self._status.clear()
        self._loads.clear()

    def read(self, rails: Sequence[str], *, with_load: bool) -> tuple[Telemetry, ...]:
        """Read rails, in the order given; every one is known."""
        key = tuple(rails)
        sweep = self._sweeps.get(key) or self._planned(key)
        readings: list[Telemetry | None] = [None] * len(key)
        guard, now_s, known = self._guard, self._clock.now_s, self._status
        for ask in sweep:
            output, rail = ask.output, ask.rail
            load: Mapping[str, float] = {}
            if with_load:
                status_word, word, load = self._read_with_load(ask)
            else:
                status_word, word = ask.read(ask.page)
            scale_v = output.scale_v
            voltage_v = word * scale_v if scale_v is not None else _decoded(output, word)
            if status_word != known.get(rail) or not guard.expects(rail, voltage_v):
                status_word, word, voltage_v = self._confirmed(ask, status_word, word, voltage_v)
                known[rail] = status_word
            readings[ask.place] = Telemetry(
                rail=rail,
                read_at_s=now_s(),
                word=word,
                voltage_v=voltage_v,
                status_word=status_word,
                **load,
            )
            guard.seen(rail, voltage_v)
        return tuple(reading for reading in readings if reading is not None)

    def _read_with_load(self, ask: _Ask) -> tuple[int, int, Mapping[str, float]]:
        """Read status, voltage and load of a rail.

        Once it is known which registers of load the device has, all of them are read under one verified PAGE.
        """
        output = ask.output
        commands = self._loads.get(ask.rail)
        if commands is None:
            status_word, word = ask.read(ask.page)
            found = output.device.read(output.page, tuple(_LOAD))
            self._loads[ask.rail] = tuple(COMMANDS[name] for name in found)
        else:
            status_word, word, *numbers = output.device.paged.read(output.page, (*_WATCHED, *commands))
            found = {command.name: number for command, number in zip(commands, numbers, strict=True)}
        decode = output.format.decode
        return status_word, word, {_LOAD[name]: decode(name, number) for name, number in found.items()}

    def _confirmed(self, ask: _Ask, status_word: int, word: int, voltage_v: float) -> tuple[int, int, float]:
        """Read until two readings in a row say the same: equal status, and both voltages expected or both on one side.

        Raises:
            LinkError: no two did.

        """
        guard, output, rail = self._guard, ask.output, ask.rail
        for _ in range(_TRIES):
            side = guard.side_of_expected(rail, voltage_v)
            again_status, again_word = ask.read(ask.page)
            again_v = _decoded(output, again_word)
            if again_status == status_word and guard.side_of_expected(rail, again_v) == side:
                return again_status, again_word, again_v
            status_word, word, voltage_v = again_status, again_word, again_v
        raise LinkError(
            f"{rail} ({output.device.name} page {output.page}): no two readings in a row agree; the last were "
            f"STATUS_WORD 0x{status_word:04X} and READ_VOUT 0x{word:04X}"
        )

    def _planned(self, rails: tuple[str, ...]) -> tuple[_Ask, ...]:
        asks = [
            _Ask(place, rail, output, output.device.paged.status_and_voltage, output.page)
            for place, rail in enumerate(rails)
            for output in (self._outputs[rail],)
        ]
        sweep = tuple(sorted(asks, key=lambda ask: (self._order[ask.output.device], ask.page)))
        self._sweeps[rails] = sweep
        return sweep


def _decoded(output: Output, word: int) -> float:
    voltage_v = output.voltage_v(word)
    # Half precision holds infinities and NaN, and no later comparison may be trusted with those.
    if not -1e9 < voltage_v < 1e9:
        raise FormatError(f"{output.rail.name}: READ_VOUT 0x{word:04X} is no number ({voltage_v})")
    return voltage_v
