"""What the run asks of a bench. Each duty is documented here, once; implementations add nothing.

All waiting goes through the Clock that a driver was given. Every method may raise `BenchError`.
"""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Literal, Protocol

from cornerrun.bench.scpi.session import TextLink
from cornerrun.corners.model import RailLevel
from cornerrun.plan.model import Source

__all__ = [
    "Baseline",
    "BenchPorts",
    "BoardUnderTest",
    "Condition",
    "DeviceIdentity",
    "Effect",
    "FaultCapture",
    "FaultStamp",
    "InputPower",
    "MeterIdentity",
    "MeterReading",
    "Note",
    "RailPower",
    "RawWrite",
    "RegisterValue",
    "RestoreRecipe",
    "SafeReturn",
    "Setpoint",
    "Source",
    "StatusCapture",
    "Telemetry",
    "Voltmeter",
    "Write",
]


@dataclass(frozen=True, kw_only=True, slots=True)
class Setpoint:
    """A level of a rail as its device holds it: ``decoded_v`` is what ``word`` means, not what was wished."""

    rail: str
    level: str
    target_v: float
    word: int
    decoded_v: float


@dataclass(frozen=True, kw_only=True, slots=True)
class Telemetry:
    """One reading that a device made of its own rail. ``word`` is READ_VOUT raw, ``status_word`` STATUS_WORD."""

    rail: str
    read_at_s: float
    word: int
    voltage_v: float
    status_word: int | None = None
    current_a: float | None = None
    temperature_degc: float | None = None


@dataclass(frozen=True, kw_only=True, slots=True)
class MeterReading:
    """One reading of the reference meter; overload and NaN never get here."""

    rail: str
    channel: int
    read_at_s: float
    reading_v: float
    range_v: float
    aperture_s: float


@dataclass(frozen=True, kw_only=True, slots=True)
class Effect:
    """What a write does to an output: the voltage that the rail is asked for once the write has reached the device."""

    rail: str
    target_v: float


@dataclass(frozen=True, kw_only=True, slots=True)
class Write:
    """A write to a device and all that it does to outputs, decoded from words that were read back.

    ``pages`` lists every page that takes the write; ``data`` is what follows the command byte, without PEC.
    ``stored`` lists voltages that the write puts into a register of which no output takes notice yet.
    """

    address: int
    pages: tuple[int, ...]
    command: int
    data: bytes
    effects: tuple[Effect, ...] = ()
    stored: tuple[Effect, ...] = ()


@dataclass(frozen=True, kw_only=True, slots=True)
class RegisterValue:
    """A register as it was read: ``page`` is None where the command is not paged; ``data`` is as on the wire."""

    bus: str
    address: int
    page: int | None
    command: int
    data: bytes


@dataclass(frozen=True, kw_only=True, slots=True)
class Baseline:
    """The registers of every device as found, unmargined, before a run; and each rail's voltage then."""

    registers: tuple[RegisterValue, ...]
    voltages_v: Mapping[str, float]


@dataclass(frozen=True, kw_only=True, slots=True)
class RawWrite:
    """One write of the way back, ready to be sent.

    Stages, in order: "nominal" moves a rail to nominal, "configuration" restores limits and margin words byte for byte,
    "page" restores PAGE. ``rails`` says which rails it concerns.
    """

    stage: Literal["nominal", "configuration", "page"]
    bus: str
    address: int
    page: int | None
    command: int
    data: bytes
    rails: tuple[str, ...]


@dataclass(frozen=True, kw_only=True, slots=True)
class RestoreRecipe:
    """All that another process needs to bring a board back: links by bus name, and ordered writes."""

    bench_id: str
    run_id: str
    serial: str
    pid: int
    links: Mapping[str, str]
    writes: tuple[RawWrite, ...]


@dataclass(frozen=True, kw_only=True, slots=True)
class FaultStamp:
    """One entry of a fault log that a profile says how to read.

    ``at_s`` is the time of the device ``clock`` names, in steps of ``tick_s``; it starts again after ``wraps_s`` and
    compares with that of no other device. ``register`` and ``bits`` say which status bit was latched, where the log
    tells.
    """

    clock: str
    at_s: float
    wraps_s: float
    tick_s: float
    register: str | None = None
    bits: int | None = None


@dataclass(frozen=True, kw_only=True, slots=True)
class StatusCapture:
    """The status registers of a rail, by name ("STATUS_WORD", "STATUS_VOUT", ...), and its device's fault log, raw.

    Readings are registers too, as words. ``stamps`` are the log's entries of this rail that were not there before.
    """

    rail: str
    taken_at_s: float
    registers: Mapping[str, int]
    fault_log: bytes | None = None
    stamps: tuple[FaultStamp, ...] = ()


@dataclass(frozen=True, kw_only=True, slots=True)
class Note:
    """Something that a driver saw and that a reader of the report must know; ``severity`` is "note" or "warning"."""

    severity: str
    what: str
    rail: str = ""


@dataclass(frozen=True, kw_only=True, slots=True)
class DeviceIdentity:
    """Who a device says it is; ``texts`` by "maker", "model", "revision", "serial", "pmbus revision"."""

    device: str
    texts: Mapping[str, str]


@dataclass(frozen=True, kw_only=True, slots=True)
class MeterIdentity:
    """Who a meter says it is: the four fields of ``*IDN?`` (IEEE 488.2)."""

    maker: str
    model: str
    serial: str
    firmware: str


class RailPower(Protocol):
    """Moves rails and reads what their devices measure."""

    @property
    def scan_s(self) -> Mapping[str, float]:
        """The time between conversions of each rail's own ADC; its keys are the rails of this driver."""
        ...

    def connect(self) -> tuple[DeviceIdentity, ...]:
        """Check identity, formats and gates of every device; send nothing that changes one.

        Raises DeviceRefused with the gate's name.
        """
        ...

    def setpoint(self, rail: str, level: str) -> Setpoint:
        """Tell what a level becomes once encoded; pure arithmetic after `connect`."""
        ...

    def move(self, burst: Sequence[RailLevel]) -> tuple[Setpoint, ...]:
        """Move rails together, each to its level, and read back what was written.

        The guard permits each write before it is sent, or GuardRefusal leaves the rails where they are.
        """
        ...

    def read(self, rails: Sequence[str], *, with_load: bool = False) -> tuple[Telemetry, ...]:
        """Read voltage and status word of rails, in the order given; with current and temperature if asked."""
        ...


class SafeReturn(Protocol):
    """The way back to nominal, and to off."""

    def take_baseline(self) -> Baseline:
        """Read every register that a run may change. NotAtNominal if an output is margined, or far from nominal."""
        ...

    def recipe(self, baseline: Baseline, return_order: Sequence[Sequence[str]] = ()) -> tuple[RawWrite, ...]:
        """Tell the raw writes that bring back the baseline: rails to nominal in the order given, others after."""
        ...

    def to_nominal(self, return_order: Sequence[Sequence[str]] = ()) -> None:
        """Bring every commanded rail to nominal; one that fails never stops the others. UnsafeState if any did."""
        ...

    def restore(self, baseline: Baseline) -> None:
        """Bring back the baseline byte for byte, rails first, and verify. UnsafeState if any part failed."""
        ...

    def turn_off(self, rails: Sequence[str] = ()) -> None:
        """Turn rails off by OPERATION, all of them if none are named. UnsafeState if any did not go off."""
        ...


class FaultCapture(Protocol):
    """Evidence of faults: always captured before it is cleared."""

    def capture(self, rails: Sequence[str] = ()) -> tuple[StatusCapture, ...]:
        """Read every status register and reading of rails, of all pages if none are named; changes nothing.

        A page that is no rail of the plan may follow under a name of its own, with what a fault log says of it.
        """
        ...

    def clear(self, rails: Sequence[str] = ()) -> None:
        """Clear the faults of rails (CLEAR_FAULTS); does not turn an output on."""
        ...

    def turn_on(self, rails: Sequence[str]) -> None:
        """Turn rails on again at nominal, in the order given."""
        ...


class Voltmeter(Protocol):
    """The reference meter, behind a scanner where there is one."""

    @property
    def rails(self) -> tuple[str, ...]:
        """The rails that it reaches, in plan order: those with a channel, or the one that its probe is on."""
        ...

    def identify(self) -> MeterIdentity:
        """Read identity; set up function, range and aperture; drain the error queue."""
        ...

    def start(self, rails: Sequence[str]) -> float:
        """Start one reading of each rail; return the time, on the clock, when all should be done."""
        ...

    def fetch(self) -> tuple[MeterReading, ...]:
        """Return the readings that `start` asked for, in its order; InstrumentError if one is no reading."""
        ...

    def close(self) -> None:
        """Leave the meter as a person would want it: scanner open, error queue empty."""
        ...


class Condition(Protocol):
    """What is set besides rails: a chamber, an input supply, a clock, a load."""

    def start(self, target: float) -> None:
        """Begin to move to a value in SI units."""
        ...

    def read(self) -> float:
        """Read where it is."""
        ...

    def has_settled(self) -> bool:
        """Whether the value has been reached and stays."""
        ...

    def release(self) -> None:
        """Leave it safe: back to its resting value."""
        ...


class InputPower(Protocol):
    """The supply that feeds the whole board."""

    def turn_off(self) -> None:
        """Take the board's input away. BenchError if that fails."""
        ...

    def turn_on(self) -> None:
        """Give it back. BenchError if that fails."""
        ...


class BoardUnderTest(Protocol):
    """A simulated board, told of what a real one would notice by itself."""

    def begin_visit(self, visit: int, corner: str) -> None:
        """Take notice that a visit begins."""
        ...

    def begin_check(self, check: str) -> Mapping[str, str]:
        """Take notice that a check begins, and tell what its view shall show of the board, as text."""
        ...

    def end_check(self, check: str) -> None:
        """Take notice that a check has ended."""
        ...


@dataclass(frozen=True, kw_only=True)
class BenchPorts:
    """A whole bench as the run sees it: one object for each duty, whatever number of links stands behind.

    ``identity`` names the bench for locks and for the store. ``links`` maps bus names to what opens them again.
    ``meter`` None means that no reference meter is there: accuracy is then not measured. ``traffic`` counts what the
    links did: messages, retries, errors by kind. ``notes`` hands over what drivers saw since it was last called.
    ``snapshot`` reads every declared register of every device; it changes nothing. ``board`` is there only where the
    board is simulated in this process. ``is_private``: every link ends in this process, so nobody else can reach it.
    ``console`` is the board's text console, ``input_power`` what feeds it, where the bench has them.
    """

    identity: str
    power: RailPower
    safety: SafeReturn
    faults: FaultCapture
    meter: Voltmeter | None
    conditions: Mapping[str, Condition]
    links: Mapping[str, str]
    traffic: Callable[[], Mapping[str, int]]
    close: Callable[[], None]
    notes: Callable[[], tuple[Note, ...]] = tuple
    snapshot: Callable[[], tuple[RegisterValue, ...]] = tuple
    board: BoardUnderTest | None = None
    is_private: bool = False
    console: TextLink | None = None
    input_power: InputPower | None = None
