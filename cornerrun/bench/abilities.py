"""What a driver may be able to do besides the duties of its port; whoever is interested asks with isinstance."""

from dataclasses import dataclass
from typing import Literal, Protocol, runtime_checkable

from cornerrun.bench.ports import Note
from cornerrun.plan.bench_file import ReferenceChannel

__all__ = [
    "Closes",
    "Identifies",
    "LimitsRamp",
    "ProvokesFaults",
    "ReadsReferences",
    "ReferenceReading",
    "SensesBoard",
    "TakesNotes",
    "WaitsForAPerson",
]


@dataclass(frozen=True, kw_only=True, slots=True)
class ReferenceReading:
    """What a meter read of something known; overload and NaN may stand here, for they are out of every bound."""

    reference: ReferenceChannel
    reading_v: float


@runtime_checkable
class ReadsReferences(Protocol):
    """A meter with something known on channels of its own."""

    def read_references(self) -> tuple[ReferenceReading, ...]:
        """Read every reference that the bench file names, once."""
        ...


@runtime_checkable
class ProvokesFaults(Protocol):
    """A driver that can move a volatile fault limit across a rail's voltage."""

    def provoke(self, rail: str, fault: Literal["under voltage", "over voltage"]) -> None:
        """Provoke a fault. DeviceRefused with the reason where the device can't."""
        ...

    def withdraw(self) -> None:
        """Put back every limit that was moved, byte for byte. BenchError if one can't be."""
        ...


@runtime_checkable
class TakesNotes(Protocol):
    """A driver that sees what a reader of the report must know."""

    def take_notes(self) -> tuple[Note, ...]:
        """Hand over what was seen since this was last called."""
        ...


@runtime_checkable
class Closes(Protocol):
    """A driver that holds something to be given back."""

    def close(self) -> None:
        """Give it back; moves nothing."""
        ...


@runtime_checkable
class WaitsForAPerson(Protocol):
    """A meter that needs a person before it can be fetched; whoever waits polls it and watches the rails meanwhile."""

    def is_ready(self) -> bool:
        """Whether all readings are there; InstrumentError if they will not come."""
        ...


@runtime_checkable
class Identifies(Protocol):
    """What sets a condition, if it is an instrument that says who it is."""

    def identify(self) -> str:
        """Read identity, and empty the error queue; moves nothing."""
        ...


@runtime_checkable
class LimitsRamp(Protocol):
    """What sets a condition, if it can be told how fast it may change."""

    def limit_ramp(self, per_s: float) -> bool:
        """Change no faster than this from now on, in units a second; False where it cannot keep to that itself."""
        ...


@runtime_checkable
class SensesBoard(Protocol):
    """What sets a temperature, if it waits for a sensor at the board."""

    def sensed(self) -> tuple[str, float] | None:
        """Tell which sensor that is and what it read last, in degrees Celsius; None before any reading."""
        ...
