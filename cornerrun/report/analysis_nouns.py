"""The nouns of reports that say what failures and devices show: culprits, telemetry, earlier attempts, stress.

SI units in every name; None means "cannot be told", never zero.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime

from cornerrun.results.records import RunResult
from cornerrun.stats.interval import Interval

__all__ = [
    "Attempt",
    "CulpritSummary",
    "DeviceTelemetry",
    "LevelStress",
    "LikelyCulprit",
    "RailEffect",
    "RailTelemetry",
    "SuspectRow",
]


@dataclass(frozen=True, kw_only=True, slots=True)
class SuspectRow:
    """Rails at levels (or conditions) that were together in a failing corner and in no passing one."""

    combination: tuple[tuple[str, str], ...]
    failing: int
    failing_total: int
    explains_all: bool


@dataclass(frozen=True, kw_only=True, slots=True)
class LikelyCulprit:
    """Rails at levels with which trials fail more often: counts with and without, weight of evidence, adjusted p."""

    combination: tuple[tuple[str, str], ...]
    failures_with: int
    trials_with: int
    failures_without: int
    trials_without: int
    weight: float
    p_value: float


@dataclass(frozen=True, kw_only=True, slots=True)
class RailEffect:
    """One rail at one level against all its other corners: failing corners with and without it.

    ``holm`` is Fisher's exact p-value, adjusted for all rails and levels that were tested together (``tests``).
    """

    rail: str
    level: str
    failed_with: int
    n_with: int
    failed_without: int
    n_without: int
    difference: Interval
    p_value: float
    holm: float
    benjamini_hochberg: float
    tests: int


@dataclass(frozen=True, kw_only=True, slots=True)
class CulpritSummary:
    """What the corners say of who is to blame for one kind of failure.

    ``what`` is the name of a check, or "voltages and trips". ``suspects`` come from strict elimination: those that
    explain every failing corner if there are any, else all, of ``suspects_total``. ``likely`` come from the share of
    trials that failed, cause after cause, for checks that fail now and then. ``next_corner`` is the corner that would
    tell most, None if none would; ``next_why`` says what it would do. ``words`` say all this plainly, also where the
    data cannot convict a rail.
    """

    what: str
    corners: int
    failing_corners: int
    words: tuple[str, ...]
    suspects: tuple[SuspectRow, ...]
    suspects_total: int
    likely: tuple[LikelyCulprit, ...]
    effects: tuple[RailEffect, ...]
    next_corner: Mapping[str, str] | None
    next_why: str


@dataclass(frozen=True, kw_only=True, slots=True)
class RailTelemetry:
    """A rail's telemetry error: device reading less meter reading, in volts and as share of the setpoint.

    Intervals of gain, offset and worst error hold the meter's uncertainty; ``scatter_v`` is of the readings alone.
    ``disputed`` counts readings that the two instruments' uncertainties do not allow; ``accuracy_ratio`` is what the
    plan states for the rail.
    """

    rail: str
    n: int
    disputed: int
    gain_error: Interval | None
    offset_v: Interval | None
    worst_error_v: Interval
    worst_error: Interval
    worst_setpoint_v: float
    scatter_v: Interval | None
    accuracy_ratio: float


@dataclass(frozen=True, kw_only=True, slots=True)
class DeviceTelemetry:
    """One device: its rails, the worst first."""

    device: str
    rails: tuple[RailTelemetry, ...]
    n: int
    worst: RailTelemetry


@dataclass(frozen=True, kw_only=True, slots=True)
class Attempt:
    """An earlier run of the same plan on the same unit."""

    run_id: str
    started_utc: datetime
    result: RunResult | None


@dataclass(frozen=True, kw_only=True, slots=True)
class LevelStress:
    """One rail at one level above nominal: in this run, and in the runs of the same unit that had begun before.

    As `cornerrun stress` counts (`cornerrun.results.stress.StressEntry`): visits void and put aside count; what killed
    runs lost is in every time, and ``lost_s`` is all of it. ``allowed_in_all_s`` is of the rail, whatever its level.
    """

    rail: str
    level: str
    highest_v: float
    run_s: float
    run_visits: int
    run_cycles: int
    earlier_s: float
    earlier_visits: int
    earlier_cycles: int
    earlier_runs: int
    lost_s: float
    allowed_in_all_s: float | None

    @property
    def total_s(self) -> float:
        """What the board has had in all, in seconds."""
        return self.run_s + self.earlier_s
