"""Collect what is seen at one visit, and make the record of it, whether the visit came to its end or not."""

from collections.abc import Collection, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import datetime

from cornerrun.bench.ports import MeterReading, Setpoint, Telemetry
from cornerrun.clock import Clock
from cornerrun.corners.model import Step
from cornerrun.plan.bench_file import MeterUncertainty
from cornerrun.plan.model import NOMINAL, Plan, Rail
from cornerrun.results.condition_change import ConditionChange
from cornerrun.results.records import (
    CheckResult,
    Fault,
    Outcome,
    Reading,
    SettleTrace,
    SuiteTest,
    Trial,
    Visit,
    VisitRecord,
    WatchRange,
)
from cornerrun.run.cold_boot import COLD_BOOT
from cornerrun.run.judging import RailEvidence, RailVerdict, judge_rail, judge_visit
from cornerrun.run.settling import SettleResult
from cornerrun.run.supervisor import Mean

__all__ = ["Draft", "Frozen", "Reference"]


@dataclass(frozen=True, kw_only=True, slots=True)
class Reference:
    """What every draft of a run needs to know and none changes.

    ``setpoints`` go by rail and level; ``meter`` is the specification of the reference meter.
    """

    plan: Plan
    setpoints: Mapping[tuple[str, str], Setpoint]
    meter: MeterUncertainty | None


@dataclass(frozen=True, kw_only=True, slots=True)
class Frozen:
    """How things stood when a visit broke off: levels of moved rails, last readings, ranges of the watch."""

    levels: Mapping[str, str]
    last: Mapping[str, Telemetry]
    watched: tuple[WatchRange, ...]


class Draft:
    """One visit while it goes on; whoever performs it writes into the public fields."""

    def __init__(self, *, reference: Reference, step: Step, clock: Clock, run_started_s: float) -> None:
        self._reference = reference
        self._clock = clock
        self._run_started_s = run_started_s
        self._started_utc: datetime = clock.utc_now()
        self._start_s = clock.now_s()
        self.step = step
        self.phase_s: dict[str, float] = {}
        self.conditions: Mapping[str, float] = {}
        self.has_failed_boot = False
        self.changes: tuple[ConditionChange, ...] = ()
        self.settled: dict[str, SettleResult] = {}
        self.traces: list[SettleTrace] = []
        self.telemetry: Mapping[str, Telemetry] = {}
        self.means: Mapping[str, Mean] = {}
        self.references: Mapping[str, MeterReading] = {}
        self.clamped: Collection[str] = ()
        self.readings: tuple[Reading, ...] = ()
        self.checks: list[CheckResult] = []
        self.trials: list[Trial] = []
        self.tests: list[SuiteTest] = []

    @contextmanager
    def timed(self, part: str) -> Iterator[None]:
        """Add the time that a part takes, also if it breaks off."""
        started_s = self._clock.now_s()
        try:
            yield
        finally:
            self.phase_s[part] = self.phase_s.get(part, 0.0) + self._clock.now_s() - started_s

    def fails_boot(self, reason: str) -> None:
        """Say that the board did not become ready where it was turned on."""
        self.has_failed_boot = True
        self.checks.append(CheckResult(check=COLD_BOOT, outcome=Outcome.NO_ANSWER, reason=reason, trials=0, failures=0))

    def take_settled(self, settled: Mapping[str, SettleResult]) -> None:
        """Take how the rails of one burst got to their levels."""
        self.settled.update(settled)
        self.traces.extend(
            SettleTrace(rail=rail, target_v=result.target_v, points=result.trace)
            for rail, result in settled.items()
            if result.trace
        )

    def judge_rails(self, levels: Mapping[str, str]) -> tuple[Reading, ...]:
        """Judge every rail from what was measured; ``levels`` of rails that move, the others are at nominal."""
        plan = self._reference.plan
        conditions = self.step.corner.condition_levels()
        window_ratio = plan.criteria.window_in(conditions)
        readings = []
        for rail in plan.rails:
            level = levels.get(rail.name, NOMINAL)
            mean = self.means.get(rail.name)
            verdict = judge_rail(
                RailEvidence(
                    rail=rail,
                    target_v=rail.levels[level],
                    rule=rail.settle_in(conditions),
                    settle=self.settled.get(rail.name),
                    telemetry_v=None if mean is None else mean.mean_v,
                    reference=self.references.get(rail.name),
                    is_clamped=rail.name in self.clamped,
                ),
                window_ratio=window_ratio,
                meter=self._reference.meter,
            )
            readings.append(self._reading(rail, level, verdict))
        self.readings = tuple(readings)
        return self.readings

    def finished(self, watched: Sequence[WatchRange]) -> VisitRecord:
        """Make the record of a visit that came to its end."""
        verdict = judge_visit(self.readings, self.checks)
        return self._record(verdict, watched, ())

    def broken_off(
        self, verdict: RailVerdict, *, frozen: Frozen, tripped: Collection[str], faults: Sequence[Fault]
    ) -> VisitRecord:
        """Make the record of a visit that ended in trouble.

        ``tripped`` rails are marked so. Others keep their judgement if they have one; else the reading taken last is
        kept beside ``not-run``.
        """
        judged = {reading.rail: reading for reading in self.readings}
        self.telemetry = {**frozen.last, **self.telemetry}
        not_run = RailVerdict(outcome=Outcome.NOT_RUN, reason="the visit was broken off")
        trip = RailVerdict(outcome=Outcome.TRIPPED, reason=verdict.reason)
        wanted = self.step.corner.by_rail()
        readings = []
        for rail in self._reference.plan.rails:
            level = frozen.levels.get(rail.name, wanted.get(rail.name, NOMINAL))
            if rail.name in tripped:
                readings.append(self._reading(rail, level, trip))
            else:
                readings.append(judged.get(rail.name) or self._reading(rail, level, not_run))
        self.readings = tuple(readings)
        return self._record(verdict, frozen.watched, faults)

    def left_out(self, reason: str) -> VisitRecord:
        """Make the record of a visit that is not made."""
        return self._record(RailVerdict(outcome=Outcome.SKIPPED, reason=reason), (), ())

    def _record(self, verdict: RailVerdict, watched: Sequence[WatchRange], faults: Sequence[Fault]) -> VisitRecord:
        step = self.step
        return VisitRecord(
            visit=Visit(
                ordinal=step.ordinal,
                corner=step.corner.name,
                repeat=step.repeat,
                is_control=step.is_control,
                outcome=verdict.outcome,
                reason=verdict.reason,
                started_utc=self._started_utc,
                start_s=self._start_s - self._run_started_s,
                end_s=self._clock.now_s() - self._run_started_s,
                phase_s=self.phase_s,
                conditions=self.conditions,
            ),
            readings=self.readings,
            checks=tuple(self.checks),
            trials=tuple(self.trials),
            faults=tuple(faults),
            watched=tuple(watched),
            traces=tuple(self.traces),
            tests=tuple(self.tests),
            changes=self.changes,
        )

    def _reading(self, rail: Rail, level: str, verdict: RailVerdict) -> Reading:
        name = rail.name
        setpoint = self._reference.setpoints.get((name, level))
        telemetry, reference, settled = self.telemetry.get(name), self.references.get(name), self.settled.get(name)
        mean = self.means.get(name)
        if mean is None and telemetry is not None:
            mean = Mean(mean_v=telemetry.voltage_v, samples=1)
        return Reading(
            rail=name,
            level=level,
            target_v=rail.levels[level],
            setpoint_v=None if setpoint is None else setpoint.decoded_v,
            word=None if setpoint is None else setpoint.word,
            telemetry_v=None if mean is None else mean.mean_v,
            telemetry_n=0 if mean is None else mean.samples,
            reference_v=None if reference is None else reference.reading_v,
            reference_range_v=None if reference is None else reference.range_v,
            settle_s=None if settled is None else settled.settle_s,
            status_word=None if telemetry is None else telemetry.status_word,
            current_a=None if telemetry is None else telemetry.current_a,
            temperature_degc=None if telemetry is None else telemetry.temperature_degc,
            outcome=verdict.outcome,
            reason=verdict.reason,
        )
