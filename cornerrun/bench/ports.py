"""What the run asks of a bench. Each duty is documented here, once; implementations add nothing.

All waiting goes through the Clock that a driver was given. Every method may raise `BenchError`.
"""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Protocol

from cornerrun.bench.nouns import (
    Baseline,
    DeviceIdentity,
    Effect,
    FaultStamp,
    MeterIdentity,
    MeterReading,
    Note,
    RawWrite,
    RegisterValue,
    RestoreRecipe,
    Setpoint,
    StatusCapture,
    Telemetry,
    Write,
)
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
