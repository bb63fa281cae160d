"""Every exception of the product, sorted by whose fault it is.

::

    CornerrunError
    ├── PlanError                 the plan's: exit 2, nothing was powered
    │   ├── PlanProblems          every problem of the files, each with its position
    │   ├── UnitError             a text that is no quantity of the field's unit
    │   └── UsageError            a command line that cannot be carried out
    ├── BenchError                the bench's: exit 3
    │   ├── LinkError             a bus exchange failed: says what happened and what to do
    │   ├── FormatError           a word that cannot be read, or a number that a device's format cannot hold
    │   ├── DeviceRefused         a device or a gate of it refuses: WRITE_PROTECT, ON_OFF_CONFIG, unit off, identity
    │   ├── ReadbackMismatch      what was written does not read back
    │   ├── InstrumentError       an instrument answered nonsense, too late or not at all
    │   ├── NotAtNominal          a run may not start here; names ``cornerrun to-nominal``
    │   ├── Latched               the bench was left off and nobody has acknowledged it yet: exit 4
    │   ├── BenchBusy             another run holds the bench; names the holder
    │   ├── SupervisionLost       rails can no longer be watched
    │   ├── HealthExhausted       a bus gives more errors than its budget allows: the run ends at nominal
    │   ├── ProofFailed           the wiring proof found a channel, a page or a direction wrong: the run ends
    │   └── UnsafeState           the board is not in its safe state, or that is unknown: exit 4
    ├── GuardRefusal              a write that would cross a hard limit or a relation: nothing was sent
    ├── CheckError                the check's: it cannot be imported, or its worker broke
    ├── StoreError                results cannot be kept; says where and what is kept beside
    └── ReportError               a report cannot be written, or its template is broken
"""

from dataclasses import dataclass
from pathlib import Path

EXIT_PASS = 0
EXIT_FAIL = 1
EXIT_PLAN = 2
EXIT_BENCH = 3
EXIT_UNSAFE = 4
EXIT_INTERRUPTED = 130


class CornerrunError(Exception):
    """Be the base of all; ``exit_code`` is what the command line ends with."""

    exit_code = EXIT_BENCH


class PlanError(CornerrunError):
    """Say that a plan, a limits file, a bench file or a command line is at fault."""

    exit_code = EXIT_PLAN


@dataclass(frozen=True, kw_only=True, slots=True)
class Problem:
    """One problem of a file: where, which field, what came, what to write.

    ``line`` and ``column`` count from 1; 0 where a problem has no position in the text.
    """

    path: Path
    line: int
    column: int
    field: str
    came: str
    advice: str

    def __str__(self) -> str:
        return f"{self.path}:{self.line}:{self.column}: {self.field}: {self.came}; {self.advice}"


class PlanProblems(PlanError):
    """Carry every problem of the files read, in the order of their positions."""

    def __init__(self, problems: tuple[Problem, ...]) -> None:
        self.problems = problems
        super().__init__("\n".join(str(problem) for problem in problems))


class UnitError(PlanError, ValueError):
    """Say that a text is no quantity of the wanted unit, and what to write."""


class UsageError(PlanError):
    """Say that a command line cannot be carried out: an unknown corner, run or rail."""


class BenchError(CornerrunError):
    """Say that the bench, not the product, is at fault."""


class LinkError(BenchError):
    """Say that a bus exchange failed.

    ``errno`` is the operating system's number where there is one. ``may_retry`` is true where the exchange was an
    idempotent read that a later try may answer.
    """

    def __init__(self, message: str, *, errno: int | None = None, may_retry: bool = False) -> None:
        self.errno = errno
        self.may_retry = may_retry
        super().__init__(message)


class FormatError(BenchError, ValueError):
    """Say that a word cannot be read, or that a number does not fit the format of a device."""


class DeviceRefused(BenchError):
    """Say which gate of a device refuses and what would open it."""


class ReadbackMismatch(BenchError):
    """Say that a register does not hold what was written."""


class InstrumentError(BenchError):
    """Say that an instrument answered nonsense, too late, or not at all."""


class NotAtNominal(BenchError):
    """Say that a board is not at its nominal state, so that a run may not start."""


class Latched(BenchError):
    """Say that a bench was left off, or in an unknown state, and that no named person has acknowledged it yet."""

    exit_code = EXIT_UNSAFE


class BenchBusy(BenchError):
    """Say that another process holds the bench, and which."""


class SupervisionLost(BenchError):
    """Say that the rails can no longer be watched."""


class HealthExhausted(BenchError):
    """Say that a bus gives more errors than its health budget allows."""


class ProofFailed(BenchError):
    """Say that the wiring proof found the bench wired otherwise than its files say."""


class UnsafeState(BenchError):
    """Say that the board is not in its safe state, or that nobody knows."""

    exit_code = EXIT_UNSAFE


class GuardRefusal(CornerrunError):
    """Say that a write would cross a hard limit or a relation; it was not sent."""


class CheckError(CornerrunError):
    """Say that a check cannot be imported, or that its worker broke."""


class StoreError(CornerrunError):
    """Say that results cannot be read or kept, where, and what is kept beside."""


class ReportError(CornerrunError):
    """Say that a report cannot be written, or that its template is broken."""
