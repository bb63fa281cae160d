"""The nouns of every report: each number that any report prints, computed once by `summary.summarise`.

SI units in every name. An `Interval` carries estimate, both limits and confidence; counts stand beside it. None always
means "not measured" or "cannot be told", never zero.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Literal

from cornerrun.plan.model import Source
from cornerrun.report.analysis_nouns import Attempt, CulpritSummary, DeviceTelemetry, LevelStress
from cornerrun.report.rail_nouns import ControlDrift, Margin, RailSummary, TrimLevel, TrimSummary
from cornerrun.report.summary_conditions import ConditionStep, ConditionSummary
from cornerrun.report.summary_proof import ConfigurationSummary, ProofRow
from cornerrun.results.decision import Decision
from cornerrun.results.fault_trial import FaultTrial
from cornerrun.results.records import EndState, Head, InstrumentRecord, Outcome, RunResult
from cornerrun.stats.interval import Interval

__all__ = [
    "Anomaly",
    "CheckCorner",
    "CheckTotal",
    "ControlDrift",
    "CornerSummary",
    "Coverage",
    "Header",
    "InstrumentSummary",
    "Margin",
    "NotTested",
    "NumberSummary",
    "RailSummary",
    "Summary",
    "Tally",
    "TrimLevel",
    "TrimSummary",
]


@dataclass(frozen=True, kw_only=True, slots=True)
class Header:
    """What was run, on what, where, when and by whom. ``duration_s`` is None while the run has no end.

    ``trail`` is the head of the run's audit trail.
    """

    run_id: str
    title: str
    board_name: str
    board_revision: str
    serial: str
    operator: str
    station: str
    bench_id: str
    bench_kind: str
    seed: int
    started_utc: datetime
    ended_utc: datetime | None
    duration_s: float | None
    sources: tuple[Source, ...]
    versions: Mapping[str, str]
    unit_data: Mapping[str, str]
    devices: Mapping[str, Mapping[str, str]]
    trail: Head | None = None

    @property
    def is_simulated(self) -> bool:
        """Whether no hardware was there: nothing below says anything of a real board."""
        return self.bench_kind == "simulated"


@dataclass(frozen=True, kw_only=True, slots=True)
class Tally:
    """Visits by what became of them; control points are counted apart from visits to corners.

    ``planned`` counts every step, control points included. ``passed``, ``failed``, ``in_trouble`` (aborted, error,
    disputed) and ``skipped`` (skipped or not run) are disjoint and count corner visits and control points together;
    ``void`` counts those of them that lie in a block whose control point was out.
    """

    planned: int
    done: int
    control_points: int
    passed: int
    failed: int
    in_trouble: int
    skipped: int
    void: int
    after_seam: int
    corners_planned: int
    corners_run: int
    trials: int
    trial_failures: int


@dataclass(frozen=True, kw_only=True, slots=True)
class CornerSummary:
    """One corner over all its visits that are not void.

    ``outcome`` is the first by precedence over the visits, or not-run; ``reason`` is that visit's. ``trials`` and
    ``failures`` are over all checks. ``worst_rail`` has the smallest distance to its voltage window here,
    ``worst_distance_v``, negative where it is outside; None where nothing was measured.
    """

    name: str
    scheme: str
    levels: Mapping[str, str]
    conditions: Mapping[str, float]
    condition_levels: Mapping[str, str]
    is_nominal: bool
    visits: int
    void_visits: int
    passed_visits: int
    outcome: Outcome
    outcomes: Mapping[Outcome, int]
    reason: str
    trials: int
    failures: int
    worst_rail: str | None
    worst_distance_v: float | None
    longest_settle_s: float | None

    @property
    def pass_fraction(self) -> float | None:
        """The share of the visits that passed; None without a visit. For charts: always shown with the counts."""
        return self.passed_visits / self.visits if self.visits else None


@dataclass(frozen=True, kw_only=True, slots=True)
class NotTested:
    """A corner that was asked for and not run, or a check that never gave a verdict, with the reason."""

    what: Literal["corner", "check", "rail"]
    name: str
    scheme: str
    reason: str


@dataclass(frozen=True, kw_only=True, slots=True)
class CheckCorner:
    """One check at one corner, over all its visits that are not void: trials on one board.

    ``trials`` counts those with a verdict, ``no_verdict`` the others. ``pass_probability`` is the exact interval
    (Clopper-Pearson, two-sided) of the probability that a trial on this board passes here. ``lower_bound`` and
    ``upper_bound`` are the one-sided ones at the criterion's confidence, None where the criterion is a screen.
    """

    check: str
    corner: str
    visits: int
    trials: int
    failures: int
    no_verdict: int
    pass_probability: Interval
    lower_bound: float | None
    upper_bound: float | None
    criterion: str
    decision: Decision
    outcome: Outcome
    reason: str


@dataclass(frozen=True, kw_only=True, slots=True)
class CheckTotal:
    """One check over all corners. ``worst`` has the least pass probability; nothing is averaged over corners."""

    check: str
    corners: int
    trials: int
    failures: int
    no_verdict: int
    decisions: Mapping[Decision, int]
    worst: CheckCorner | None
    longest_trial_s: float | None


@dataclass(frozen=True, kw_only=True, slots=True)
class NumberSummary:
    """A number that a check returned at a corner, against its limits.

    ``distance`` is from the worst value to the nearest limit, in the number's own unit, negative where it is beyond;
    ``distance_sigma`` is from the mean, in standard deviations of the trials, None where they do not vary or are few.
    """

    check: str
    corner: str
    number: str
    n: int
    least: float
    greatest: float
    limit_min: float | None
    limit_max: float | None
    distance: float | None
    distance_sigma: float | None


@dataclass(frozen=True, kw_only=True, slots=True)
class MetCombinations:
    """Combinations of levels off nominal of any ``strength`` rails that the corners that were run have met.

    Levels are those that the plan's schemes name, tied rails count as one. ``feasible`` are those of ``total`` that
    forbidden combinations and relations leave: the difference is what constraints cost.
    """

    strength: int
    covered: int
    feasible: int
    total: int


@dataclass(frozen=True, kw_only=True, slots=True)
class Coverage:
    """What the corners that were run have met, of what the rails' levels allow.

    A pair is two commanded rails, each at a level; ``pairs_possible`` leaves out pairs that the plan forbids outright.
    Only visits whose checks could run count. ``combinations`` tell the same for levels, pairs and triples off nominal,
    relations and ties reckoned with: the figures of `cornerrun corners`, and the ones to show where only some fit; a
    strength that has too many to count is not among them. ``conditions`` are those that count beside the rails there.
    """

    levels_met: int
    levels_possible: int
    pairs_met: int
    pairs_possible: int
    high_low_pairs_met: int
    high_low_pairs_possible: int
    combinations: tuple[MetCombinations, ...] = ()
    conditions: tuple[str, ...] = ()


@dataclass(frozen=True, kw_only=True, slots=True)
class Anomaly:
    """Something that a reader must know, in order of time: a fault, a retry, an override, a seam, a pattern.

    ``visit`` is None where it belongs to none; ``at_s`` None where it is a finding about the whole run.
    """

    kind: str
    severity: Literal["note", "warning", "error"]
    at_s: float | None
    visit: int | None
    corner: str
    rail: str
    text: str


@dataclass(frozen=True, kw_only=True, slots=True)
class InstrumentSummary:
    """An instrument and the state of its calibration at the start of the run."""

    record: InstrumentRecord
    calibration: Literal["in date", "overdue", "not stated"]


@dataclass(frozen=True, kw_only=True, slots=True)
class Summary:
    """Everything that a report prints.

    ``margins`` holds the smallest ones of all rails, worst first. ``phase_s`` is time by phase over the run.
    ``culprits`` are of what failed at some corner; ``attempts`` are the earlier runs of this plan on this unit, oldest
    first: a retest is counted, never hidden. ``stress`` is None where the store was not asked for its ledger.
    """

    header: Header
    result: RunResult
    why: str
    end_state: EndState
    end_state_text: str
    tally: Tally
    corners: tuple[CornerSummary, ...]
    not_tested: tuple[NotTested, ...]
    checks: tuple[CheckCorner, ...]
    check_totals: tuple[CheckTotal, ...]
    numbers: tuple[NumberSummary, ...]
    rails: tuple[RailSummary, ...]
    margins: tuple[Margin, ...]
    trim: tuple[TrimSummary, ...]
    drift: tuple[ControlDrift, ...]
    coverage: Coverage
    anomalies: tuple[Anomaly, ...]
    cautions: tuple[str, ...]
    overrides: tuple[str, ...]
    instruments: tuple[InstrumentSummary, ...]
    phase_s: Mapping[str, float]
    culprits: tuple[CulpritSummary, ...] = ()
    telemetry: tuple[DeviceTelemetry, ...] = ()
    attempts: tuple[Attempt, ...] = ()
    proof: tuple[ProofRow, ...] = ()
    fault_trials: tuple[FaultTrial, ...] = ()
    configuration: ConfigurationSummary | None = None
    stress: tuple[LevelStress, ...] | None = None
    conditions: tuple[ConditionSummary, ...] = ()
    condition_steps: tuple[ConditionStep, ...] = ()
