"""What may follow what in a run, and the way to safety from every kind of trouble: two tables and who applies them."""

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from enum import Enum
from types import MappingProxyType

from cornerrun.results.records import Outcome

__all__ = ["FOLLOWS", "WAYS", "Phase", "Sequence", "SequenceError", "Trouble", "Way"]


class Phase(Enum):
    """What a run is doing."""

    PREPARE = "prepare"
    """Identify devices and meter, import checks. Nothing is written to a device."""
    BASELINE = "baseline"
    """Read and store all that the run may change."""
    INTENT = "intent"
    """Commit what is about to be done."""
    CONDITION = "condition"
    """Wait for what is set besides rails."""
    MOVE = "move"
    """Write to devices."""
    SETTLE = "settle"
    MEASURE = "measure"
    CHECK = "check"
    RECOVER = "recover"
    """Capture, classify, clear, turn on again and verify after a device shut a rail down."""
    RETURN = "return"
    """Bring every rail to nominal and verify."""
    REST = "rest"
    """Bring conditions to where they are left, the board at nominal."""
    RESTORE = "restore"
    """Bring back the baseline byte for byte and verify."""
    OFF = "off"
    """Turn every rail off."""
    ENDED = "ended"


class Trouble(Enum):
    """What can go wrong once rails may have moved."""

    STOP = "somebody asked for the end"
    BUS = "a bus exchange, a device or its readback failed"
    INSTRUMENT = "an instrument failed"
    CHECK = "the worker of a check failed"
    REFUSED = "the guard refused a write"
    HEALTH = "a bus gives more errors than its budget allows"
    PROOF = "the bench is wired otherwise than its files say"
    TRIP = "a device shut a rail down"
    SEVERE_TRIP = "an over-voltage, over-current or over-temperature trip"
    HARD_LIMIT = "a measured voltage is beyond a hard limit"
    SUPERVISION = "rails can no longer be watched"
    FAILED_RETURN = "the board could not be brought to nominal"
    STORE = "results can no longer be kept"
    GUARDIAN = "nobody would bring the board back if the run were lost"
    INTERNAL = "this program is at fault"


_AT_A_CORNER = frozenset({Phase.CONDITION, Phase.MOVE, Phase.SETTLE, Phase.MEASURE, Phase.CHECK})
_OUT = frozenset({Phase.RECOVER, Phase.RETURN, Phase.OFF})

FOLLOWS: Mapping[Phase, frozenset[Phase]] = MappingProxyType(
    {
        Phase.PREPARE: frozenset({Phase.BASELINE, Phase.ENDED}),
        Phase.BASELINE: frozenset({Phase.INTENT, Phase.ENDED, Phase.RETURN}),
        # Only a committed intent opens the way to a write.
        Phase.INTENT: frozenset({Phase.CONDITION, Phase.MOVE}) | _OUT,
        Phase.CONDITION: frozenset({Phase.MOVE}) | _OUT,
        Phase.MOVE: frozenset({Phase.SETTLE, Phase.MEASURE}) | _OUT,
        # Conditions change while rails rest at nominal, so moves stand before and after.
        Phase.SETTLE: frozenset({Phase.CONDITION, Phase.MOVE, Phase.MEASURE}) | _OUT,
        Phase.MEASURE: frozenset({Phase.CHECK, Phase.INTENT}) | _OUT,
        Phase.CHECK: frozenset({Phase.INTENT}) | _OUT,
        Phase.RECOVER: frozenset({Phase.INTENT}) | _OUT - {Phase.RECOVER},
        # Back at nominal after trouble, a run may go on; what is moved next has its own intent.
        # A board that does not answer there is turned off and on.
        Phase.RETURN: frozenset({Phase.INTENT, Phase.RECOVER, Phase.RESTORE, Phase.OFF, Phase.REST}),
        Phase.REST: _OUT,
        Phase.RESTORE: frozenset({Phase.OFF, Phase.ENDED}),
        Phase.OFF: frozenset({Phase.ENDED}),
        Phase.ENDED: frozenset(),
    }
)


@dataclass(frozen=True, kw_only=True, slots=True)
class Way:
    """What trouble leads to: the first phase of the way to safety, how the visit ends, whether the run ends too."""

    first: Phase
    outcome: Outcome
    ends_run: bool


WAYS: Mapping[Trouble, Way] = MappingProxyType(
    {
        Trouble.STOP: Way(first=Phase.RETURN, outcome=Outcome.ABORTED, ends_run=True),
        Trouble.BUS: Way(first=Phase.RETURN, outcome=Outcome.ERROR, ends_run=False),
        Trouble.INSTRUMENT: Way(first=Phase.RETURN, outcome=Outcome.ERROR, ends_run=False),
        Trouble.CHECK: Way(first=Phase.RETURN, outcome=Outcome.ERROR, ends_run=False),
        Trouble.REFUSED: Way(first=Phase.RETURN, outcome=Outcome.SKIPPED, ends_run=False),
        Trouble.HEALTH: Way(first=Phase.RETURN, outcome=Outcome.ERROR, ends_run=True),
        Trouble.PROOF: Way(first=Phase.RETURN, outcome=Outcome.ERROR, ends_run=True),
        # Whether the run goes on after a recovered trip is the plan's policy.
        Trouble.TRIP: Way(first=Phase.RECOVER, outcome=Outcome.TRIPPED, ends_run=False),
        Trouble.SEVERE_TRIP: Way(first=Phase.OFF, outcome=Outcome.TRIPPED, ends_run=True),
        Trouble.HARD_LIMIT: Way(first=Phase.OFF, outcome=Outcome.FAIL_VOLTAGE, ends_run=True),
        Trouble.SUPERVISION: Way(first=Phase.OFF, outcome=Outcome.ERROR, ends_run=True),
        Trouble.FAILED_RETURN: Way(first=Phase.OFF, outcome=Outcome.ERROR, ends_run=True),
        Trouble.STORE: Way(first=Phase.RETURN, outcome=Outcome.ABORTED, ends_run=True),
        Trouble.GUARDIAN: Way(first=Phase.RETURN, outcome=Outcome.ABORTED, ends_run=True),
        Trouble.INTERNAL: Way(first=Phase.RETURN, outcome=Outcome.ERROR, ends_run=True),
    }
)


class SequenceError(RuntimeError):
    """Say that the run tried a step that the table does not allow: a bug, caught before it reaches the bench."""


class Sequence:
    """Hold the phase of a run and refuse every change that `FOLLOWS` does not list; ``told`` hears of every change."""

    __slots__ = ("_told", "phase")

    def __init__(self, told: Callable[[str], None] | None = None) -> None:
        self.phase = Phase.PREPARE
        self._told = told

    def go(self, phase: Phase) -> None:
        """Enter a phase. SequenceError if it may not follow the present one."""
        if phase not in FOLLOWS[self.phase]:
            raise SequenceError(f"{phase.value} may not follow {self.phase.value}")
        self.phase = phase
        if self._told is not None:
            self._told(phase.value)

    @property
    def is_at_a_corner(self) -> bool:
        """Whether a visit is under way."""
        return self.phase in _AT_A_CORNER

    @property
    def may_have_moved(self) -> bool:
        """Whether a device may hold something else than the baseline."""
        return self.phase not in {Phase.PREPARE, Phase.BASELINE, Phase.ENDED}
