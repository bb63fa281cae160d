"""One page of a device as a rail of the plan: its words, what they mean in volts, and what is known to be selected."""

from dataclasses import dataclass

from cornerrun.bench.pmbus.codec import PageFormat
from cornerrun.bench.pmbus.commands import COMMANDS, Command
from cornerrun.bench.pmbus.device import ManagedDevice
from cornerrun.bench.pmbus.formats import VoutKind, VoutMode
from cornerrun.bench.pmbus.operation import (
    MARGIN_BITS,
    STATUS_OFF,
    Side,
    ignoring_faults,
    margin_of,
    obeys_operation,
    with_margin,
)
from cornerrun.bench.pmbus.page_words import page_format, refuse_unless_plausible
from cornerrun.bench.ports import Setpoint
from cornerrun.errors import BenchError, DeviceRefused, FormatError, ReadbackMismatch
from cornerrun.plan.model import NOMINAL, Rail

__all__ = ["Look", "Output"]

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
    """A rail on its page. ``side`` is what OPERATION is known to select, None if that isn't known.

    Where the device is margined by VOUT_COMMAND, OPERATION stays as it is: ``side`` is the side of nominal that
    VOUT_COMMAND is known to ask for, and ``home_word`` what it was when it asked for nominal.
    """

    def __init__(self, *, rail: Rail, page: int, device: ManagedDevice) -> None:
        self.rail = rail
        self.page = page
        self.device = device
        self.side: Side | None = None
        self.nominal_bits = 0
        self.by_command = device.profile.by_command
        self.format = PageFormat(mode=VoutMode(kind=VoutKind.LINEAR, parameter=0))
        self.scale_v: float | None = None
        self.command_v = 0.0
        self.trim_v = 0.0
        self.home_word = 0
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
        margins = () if self.by_command else (_BASE[Side.HIGH], _BASE[Side.LOW])
        found = self._read("VOUT_MODE", "STATUS_WORD", "OPERATION", "VOUT_COMMAND", *margins, "VOUT_TRIM")
        self.format = page_format(self.device, self.page, found, self._where)
        self.scale_v = self.format.per_step("READ_VOUT")
        self._command_word, self._trim_word = found["VOUT_COMMAND"], found.get("VOUT_TRIM")
        try:
            self.command_v = self.format.decode("VOUT_COMMAND", self._command_word)
            self.trim_v = 0.0 if self._trim_word is None else self.format.decode("VOUT_TRIM", self._trim_word)
        except FormatError as error:
            raise DeviceRefused(f"{self._where}: {error}") from error
        if self.rail.tracks is None:
            refuse_unless_plausible(self.rail, self.volts_asked(), found, self._where)
        self.side = margin_of(found["OPERATION"])
        self.home_word = self._command_word
        if self.by_command and self.side is Side.NOMINAL and not self._asks_for_nominal():
            # As found it is away: what nominal was in bits is not known here, so the plan's nominal has to do.
            self.home_word = self.format.encode("VOUT_COMMAND", self.rail.nominal_v - self.trim_v)
            self.side = None
        self.nominal_bits = found["OPERATION"] & MARGIN_BITS if self.side is Side.NOMINAL else 0
        self._margin_words = {side: found.get(_BASE[side]) for side in (Side.HIGH, Side.LOW)}
        self._judged.clear()
        source = Side.NOMINAL if self.by_command else self.side or Side.NOMINAL
        word = found[_BASE[source]]
        return Look(
            status_word=found["STATUS_WORD"],
            operation=found["OPERATION"],
            word=word,
            target_v=self._volts(source, word),
        )

    def look(self, side: Side) -> Look:
        """Read again what a select of ``side`` depends on: a reset reloads it, another master may have changed it.

        Raises:
            ReadbackMismatch: something changed under us; what is known of the page is dropped.
            LinkError: a register does not answer.

        """
        base = _BASE[Side.NOMINAL if self.by_command else side]
        found = self._read("STATUS_WORD", "OPERATION", base, "VOUT_TRIM", *self._ratio_base(side))
        word = found[base]
        selected = margin_of(found["OPERATION"])
        expected = self._command_word if base == "VOUT_COMMAND" else self._margin_words[side]
        source = Side.NOMINAL if self.by_command else self.side
        for name, was, now in (
            ("OPERATION", selected if self.side is None else source, selected),
            ("VOUT_TRIM", self._trim_word, found.get("VOUT_TRIM")),
            ("VOUT_COMMAND", self._command_word, found.get("VOUT_COMMAND", self._command_word)),
            (base, word if expected is None else expected, word),
        ):
            if was != now and not (self.by_command and self.side is None and name == "VOUT_COMMAND"):
                self.doubt()
                change = f"{name} changed from {_shown(was)} to {_shown(now)} under us"
                self.device.remarks.second_master(f"{self._where}: {change}", self.rail.name)
                raise ReadbackMismatch(
                    f"{self._where}: {change}; the device was reset, or another master writes to it; nothing was "
                    "written"
                )
        return Look(
            status_word=found["STATUS_WORD"],
            operation=found["OPERATION"],
            word=word,
            target_v=self._volts(Side.NOMINAL if self.by_command else side, word),
        )

    def look_home(self) -> Look:
        """Read what nominal means right now, whatever was known before: for the way back."""
        found = self._read("STATUS_WORD", "OPERATION", "VOUT_COMMAND", "VOUT_TRIM")
        trim_word = found.get("VOUT_TRIM")
        home_word = self.home_word if self.by_command else found["VOUT_COMMAND"]
        target_v = self.format.decode("VOUT_COMMAND", home_word)
        if trim_word is not None:
            target_v += self.format.decode("VOUT_TRIM", trim_word)
        return Look(
            status_word=found["STATUS_WORD"],
            operation=found["OPERATION"],
            word=found["VOUT_COMMAND"],
            target_v=target_v,
        )

    def is_home(self, look: Look) -> bool:
        """Whether a page that was looked at asks for nominal."""
        is_home_word = not self.by_command or look.word == self.home_word
        return margin_of(look.operation) is Side.NOMINAL and is_home_word

    def gate(self) -> str:
        """Say that ON_OFF_CONFIG keeps OPERATION from turning the output on and off; empty if it does not."""
        try:
            config = self.device.read(self.page, ("ON_OFF_CONFIG",)).get("ON_OFF_CONFIG")
        except BenchError:
            return ""
        if config is None or obeys_operation(config):
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

    def commanded(self, word: int, side: Side) -> None:
        """Take note of a word that VOUT_COMMAND holds, where rails are margined by it."""
        self._command_word = word
        self.side = side

    def margin_command(self, side: Side) -> Command:
        """The register that holds the word of a side."""
        return COMMANDS[_BASE[side]]

    def holds(self, side: Side, word: int) -> bool:
        """Whether a margin register is known to hold a word; there is none where VOUT_COMMAND margins."""
        return self.by_command or self._margin_words[side] == word

    def knows_margin(self, side: Side) -> bool:
        """Whether it is known what a margin register holds."""
        return self._margin_words[side] is not None

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
        if side is Side.NOMINAL:
            return with_margin(current, self.nominal_bits)
        wanted = self.device.profile.operation(side)
        return with_margin(current, ignoring_faults(wanted) if self.rail.ignores_faults else wanted)

    def setpoint(self, level: str) -> Setpoint:
        """Encode a level and decode it again; what VOUT_TRIM adds is taken off before and counted after.

        Raises:
            BenchError: the rail has no such level.
            FormatError: the device's format can't hold it.

        """
        volts, side = self._level_v(level), self.side_of(level)
        source = Side.NOMINAL if self.by_command else side
        word = self.home_word
        if side is not Side.NOMINAL:
            wanted_v = volts - self.trim_v
            is_ratio = self.format.is_ratio(_BASE[source])
            word = self.format.encode(_BASE[source], wanted_v / self.command_v if is_ratio else wanted_v)
        return Setpoint(
            rail=self.rail.name, level=level, target_v=volts, word=word, decoded_v=self._volts(source, word)
        )

    def voltage_v(self, word: int) -> float:
        """Decode a READ_VOUT word."""
        return word * self.scale_v if self.scale_v is not None else self.format.decode("READ_VOUT", word)

    def volts_asked(self) -> float:
        """The output voltage that VOUT_COMMAND and VOUT_TRIM asked for when they were loaded."""
        return self.command_v + self.trim_v

    def volts_home(self) -> float:
        """The output voltage that the way home leads to."""
        return self._volts(Side.NOMINAL, self.home_word)

    def _asks_for_nominal(self) -> bool:
        step_v = self.format.step("VOUT_COMMAND", self.command_v)
        away_v = abs(self.volts_asked() - self.rail.nominal_v)
        return away_v <= self.rail.accuracy_ratio * self.rail.nominal_v + step_v

    def _level_v(self, level: str) -> float:
        if level == NOMINAL:
            return self.rail.nominal_v
        try:
            return self.rail.levels[level]
        except KeyError:
            known = ", ".join(self.rail.levels)
            raise BenchError(f"{self.rail.name} has no level {level!r}; it has {known}") from None

    def _volts(self, side: Side, word: int) -> float:
        base = self.format.decode(_BASE[side], word)
        if self.format.is_ratio(_BASE[side]):
            base *= self.command_v
        return base + self.trim_v

    def _read(self, *names: str) -> dict[str, int]:
        return self.device.read_critical(self.page, names)

    def _ratio_base(self, side: Side) -> tuple[str, ...]:
        return ("VOUT_COMMAND",) if self.format.is_ratio(_BASE[side]) and not self.by_command else ()

    @property
    def _where(self) -> str:
        return f"{self.rail.name} ({self.device.name} page {self.page})"


def _shown(value: object) -> str:
    if isinstance(value, Side):
        return f"margin {value.name.lower()}" if value is not Side.NOMINAL else "nominal"
    return f"0x{value:04X}" if isinstance(value, int) else "nothing known"
