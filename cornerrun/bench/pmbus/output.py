"""One page of a device as a rail of the plan: its words, what they mean in volts, and what is known to be selected."""

from dataclasses import dataclass

from cornerrun.bench.pmbus.commands import COMMANDS, Command
from cornerrun.bench.pmbus.device import ManagedDevice
from cornerrun.bench.pmbus.formats import VoutKind, VoutMode
from cornerrun.bench.pmbus.operation import MARGIN_BITS, STATUS_OFF, Side, margin_of, obeys_operation, with_margin
from cornerrun.bench.ports import Setpoint
from cornerrun.errors import BenchError, DeviceRefused, FormatError, ReadbackMismatch
from cornerrun.plan.model import NOMINAL, Rail
from cornerrun.units import Kind, show

__all__ = ["Look", "Output"]

# chosen: an exponent of VOUT_MODE that is wrong by one step gives a factor of two, so anything below that finds it
_PLAUSIBLE_RATIO = 0.25
_BASE = {Side.NOMINAL: "VOUT_COMMAND", Side.HIGH: "VOUT_MARGIN_HIGH", Side.LOW: "VOUT_MARGIN_LOW"}


@dataclass(frozen=True, kw_only=True, slots=True)
class Look:
    """A page just before a write: status, OPERATION, and the output voltage that the words read there ask for."""

    status_word: int
    operation: int
    word: int
    target_v: float

    @property
    def is_off(self) -> bool:
        """Whether the output is off; OPERATION alone can't tell, since ON_OFF_CONFIG may make it mean nothing."""
        return bool(self.status_word & STATUS_OFF)


class Output:
    """A rail on its page. ``side`` is what OPERATION is known to select, None if that isn't known."""

    def __init__(self, *, rail: Rail, page: int, device: ManagedDevice) -> None:
        self.rail = rail
        self.page = page
        self.device = device
        self.side: Side | None = None
        self.nominal_bits = 0
        self.mode = VoutMode(kind=VoutKind.LINEAR, parameter=0)
        self.scale_v: float | None = None
        self.command_v = 0.0
        self.trim_v = 0.0
        self._command_word = 0
        self._trim_word: int | None = None
        self._margin_words: dict[Side, int | None] = {Side.HIGH: None, Side.LOW: None}
        self._judged: set[Side] = set()

    def load(self) -> Look:
        """Read VOUT_MODE and every word that decides the output voltage; write nothing.

        Raises:
            DeviceRefused: VOUT_MODE is not that of the plan, can't be read, or makes no sense with VOUT_COMMAND.
            LinkError: a register does not answer.

        """
        names = ("VOUT_MODE", "STATUS_WORD", "OPERATION", "VOUT_COMMAND", *_BASE.values(), "VOUT_TRIM")
        commands = self.device.present(tuple(dict.fromkeys(names)))
        numbers = self.device.paged.read(self.page, commands)
        found = {command.name: number for command, number in zip(commands, numbers, strict=True)}
        self._take_mode(found["VOUT_MODE"], found["VOUT_COMMAND"])
        self._command_word, self._trim_word = found["VOUT_COMMAND"], found.get("VOUT_TRIM")
        try:
            self.command_v = self.mode.decode(self._command_word)
            self.trim_v = 0.0 if self._trim_word is None else self.mode.decode(self._trim_word, signed=True)
        except FormatError as error:
            raise DeviceRefused(f"{self._where}: {error}") from error
        if self.rail.tracks is None:
            self._check_plausible(found["VOUT_MODE"])
        self.side = margin_of(found["OPERATION"])
        self.nominal_bits = found["OPERATION"] & MARGIN_BITS if self.side is Side.NOMINAL else 0
        self._margin_words = {side: found[_BASE[side]] for side in (Side.HIGH, Side.LOW)}
        self._judged.clear()
        word = found[_BASE[self.side or Side.NOMINAL]]
        return Look(
            status_word=found["STATUS_WORD"],
            operation=found["OPERATION"],
            word=word,
            target_v=self._volts(self.side or Side.NOMINAL, word),
        )

    def look(self, side: Side) -> Look:
        """Read again what a select of ``side`` depends on: a reset reloads it, another master may have changed it.

        Raises:
            ReadbackMismatch: something changed under us; what is known of the page is dropped.
            LinkError: a register does not answer.

        """
        found = self._read("STATUS_WORD", "OPERATION", _BASE[side], "VOUT_TRIM", *self._ratio_base(side))
        word = found[_BASE[side]]
        selected = margin_of(found["OPERATION"])
        expected = self._command_word if side is Side.NOMINAL else self._margin_words[side]
        for name, was, now in (
            ("OPERATION", self.side or selected, selected),
            ("VOUT_TRIM", self._trim_word, found.get("VOUT_TRIM")),
            ("VOUT_COMMAND", self._command_word, found.get("VOUT_COMMAND", self._command_word)),
            (_BASE[side], word if expected is None else expected, word),
        ):
            if was != now:
                self.doubt()
                raise ReadbackMismatch(
                    f"{self._where}: {name} changed from {_shown(was)} to {_shown(now)} under us; the device was "
                    "reset, or another master writes to it; nothing was written"
                )
        return Look(
            status_word=found["STATUS_WORD"],
            operation=found["OPERATION"],
            word=word,
            target_v=self._volts(side, word),
        )

    def look_home(self) -> Look:
        """Read what nominal means right now, whatever was known before: for the way back."""
        found = self._read("STATUS_WORD", "OPERATION", "VOUT_COMMAND", "VOUT_TRIM")
        trim_word = found.get("VOUT_TRIM")
        target_v = self.mode.decode(found["VOUT_COMMAND"])
        if trim_word is not None:
            target_v += self.mode.decode(trim_word, signed=True)
        return Look(
            status_word=found["STATUS_WORD"],
            operation=found["OPERATION"],
            word=found["VOUT_COMMAND"],
            target_v=target_v,
        )

    def gate(self) -> str:
        """Say that ON_OFF_CONFIG keeps OPERATION from turning the output on and off; empty if it does not."""
        commands = self.device.present(("ON_OFF_CONFIG",))
        if not commands:
            return ""
        try:
            (config,) = self.device.paged.read(self.page, commands)
        except BenchError:
            return ""
        if obeys_operation(config):
            return ""
        return (
            f"; ON_OFF_CONFIG 0x{config:02X} ignores OPERATION (bit 3 is 0): the enable line, or the input supply, "
            "turns this rail on and off"
        )

    def doubt(self) -> None:
        """Drop what is known of OPERATION and the margin words: they may have changed."""
        self.side = None
        self._margin_words = {Side.HIGH: None, Side.LOW: None}
        self._judged.clear()

    def margin_command(self, side: Side) -> Command:
        """The register that holds the word of a side."""
        return COMMANDS[_BASE[side]]

    def holds(self, side: Side, word: int) -> bool:
        """Whether a margin register is known to hold a word."""
        return self._margin_words[side] == word

    def is_judged(self, side: Side) -> bool:
        """Whether the guard has judged what a margin register holds."""
        return side in self._judged

    def stored(self, side: Side, word: int | None) -> None:
        """Take note of a judged word that a margin register holds; None if what it holds isn't known."""
        self._margin_words[side] = word
        if word is None:
            self._judged.discard(side)
        else:
            self._judged.add(side)

    def side_of(self, level: str) -> Side:
        """Tell which side of nominal a level lies on; BenchError if the rail has no such level."""
        volts = self._level_v(level)
        if volts == self.rail.nominal_v:
            return Side.NOMINAL
        return Side.HIGH if volts > self.rail.nominal_v else Side.LOW

    def operation_for(self, side: Side, current: int) -> int:
        """The OPERATION byte that selects a side: bits 5:2 are ours, all others stay as they were read."""
        return with_margin(current, self.nominal_bits if side is Side.NOMINAL else self.device.profile.operation(side))

    def setpoint(self, level: str) -> Setpoint:
        """Encode a level and decode it again; what VOUT_TRIM adds is taken off before and counted after.

        Raises:
            BenchError: the rail has no such level.
            FormatError: the device's format can't hold it.

        """
        volts, side = self._level_v(level), self.side_of(level)
        word = self._command_word
        if side is not Side.NOMINAL:
            wanted_v = volts - self.trim_v
            word = self.mode.encode(wanted_v / self.command_v if self.mode.is_relative else wanted_v)
        return Setpoint(rail=self.rail.name, level=level, target_v=volts, word=word, decoded_v=self._volts(side, word))

    def voltage_v(self, word: int) -> float:
        """Decode a READ_VOUT word."""
        return word * self.scale_v if self.scale_v is not None else self.mode.decode(word)

    def volts_asked(self) -> float:
        """The output voltage that VOUT_COMMAND and VOUT_TRIM asked for when they were loaded."""
        return self.command_v + self.trim_v

    def _level_v(self, level: str) -> float:
        if level == NOMINAL:
            return self.rail.nominal_v
        try:
            return self.rail.levels[level]
        except KeyError:
            known = ", ".join(self.rail.levels)
            raise BenchError(f"{self.rail.name} has no level {level!r}; it has {known}") from None

    def _volts(self, side: Side, word: int) -> float:
        base = self.mode.decode(word)
        if side is not Side.NOMINAL and self.mode.is_relative:
            base *= self.command_v
        return base + self.trim_v

    def _read(self, *names: str) -> dict[str, int]:
        commands = self.device.present(tuple(dict.fromkeys(names)))
        numbers = self.device.paged.read(self.page, commands)
        return {command.name: number for command, number in zip(commands, numbers, strict=True)}

    def _ratio_base(self, side: Side) -> tuple[str, ...]:
        return ("VOUT_COMMAND",) if self.mode.is_relative and side is not Side.NOMINAL else ()

    def _take_mode(self, byte: int, command_word: int) -> None:
        expected = self.device.expected_vout_mode
        if expected is not None and byte != expected:
            raise DeviceRefused(
                f"{self._where}: VOUT_MODE is 0x{byte:02X}, the plan wants 0x{expected:02X}; words would mean other "
                "voltages"
            )
        self.mode = VoutMode.from_byte(byte, direct=self.device.profile.direct)
        try:
            self.mode.decode(command_word)
        except FormatError as error:
            raise DeviceRefused(f"{self._where}: VOUT_MODE 0x{byte:02X}: {error}") from error
        is_linear = self.mode.kind is VoutKind.LINEAR
        self.scale_v = 2.0**self.mode.parameter if is_linear else None

    def _check_plausible(self, byte: int) -> None:
        nominal_v = self.rail.nominal_v
        # Written so that NaN, which half precision can hold, is refused.
        if not abs(self.volts_asked() - nominal_v) <= _PLAUSIBLE_RATIO * nominal_v:
            raise DeviceRefused(
                f"{self._where}: VOUT_MODE 0x{byte:02X} and VOUT_COMMAND 0x{self._command_word:04X} ask for "
                f"{show(self.volts_asked(), Kind.VOLTAGE)}, the plan's nominal is {show(nominal_v, Kind.VOLTAGE)}; "
                "check device, page and VOUT_MODE before anything is written"
            )

    @property
    def _where(self) -> str:
        return f"{self.rail.name} ({self.device.name} page {self.page})"


def _shown(value: object) -> str:
    if isinstance(value, Side):
        return f"margin {value.name.lower()}" if value is not Side.NOMINAL else "nominal"
    return f"0x{value:04X}" if isinstance(value, int) else "nothing known"
