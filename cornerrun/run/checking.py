"""Run the checks of a visit while the rails are watched, and judge what their runner says."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Protocol, runtime_checkable

from cornerrun.bench.ports import BoardUnderTest
from cornerrun.corners.names import is_at
from cornerrun.plan.model import NOMINAL, Check, Plan, Source
from cornerrun.results.records import CheckResult, Outcome, Reading, SuiteTest, Trial
from cornerrun.run.draft import Draft
from cornerrun.run.journal import Journal
from cornerrun.run.progress import CheckProgress
from cornerrun.run.sequence import Phase
from cornerrun.run.sequence import Sequence as PhaseSequence
from cornerrun.run.supervisor import Supervisor
from cornerrun.run.view import CheckView, RailView

__all__ = ["CheckOutcome", "CheckRuns", "Checking", "HookTrouble", "Subject"]

Tick = Callable[[], float]


class CheckOutcome(Protocol):
    """What a check's runner hands back."""

    @property
    def outcome(self) -> Outcome:
        """How the check ended at this visit."""
        ...

    @property
    def reason(self) -> str:
        """Why, where it did not pass."""
        ...

    @property
    def trials(self) -> tuple[Trial, ...]:
        """Every trial, in order."""
        ...


@runtime_checkable
class SuiteOutcome(Protocol):
    """What a runner of suites hands back besides."""

    @property
    def tests(self) -> tuple[SuiteTest, ...]:
        """Every test of a suite, trial by trial; empty for other checks."""
        ...


class HookTrouble(Protocol):
    """A set-up or tear-down that failed."""

    @property
    def check(self) -> str:
        """Whose it is."""
        ...

    @property
    def hook(self) -> str:
        """Which one."""
        ...

    @property
    def reason(self) -> str:
        """Why it failed."""
        ...


class CheckRuns(Protocol):
    """Runs checks; `cornerrun.run.checks` has the one of the product, and documents each duty."""

    def prepare(self) -> tuple[Source, ...]:
        """Find everything that checks call, before anything moves. CheckError if something cannot be used."""
        ...

    def begin_run(self, view: CheckView, tick: Tick | None = None) -> Sequence[HookTrouble]:
        """Run set-ups of the run."""
        ...

    def run(
        self, check: Check, view: CheckView, tick: Tick | None = None, *, progress: Callable[[int, int], None] | None
    ) -> CheckOutcome:
        """Run all trials of a check, calling ``tick`` while it waits; what that raises abandons the check."""
        ...

    def end_run(self, view: CheckView, tick: Tick | None = None) -> Sequence[HookTrouble]:
        """Run tear-downs of the run."""
        ...


@dataclass(frozen=True, kw_only=True, slots=True)
class Subject:
    """What is tested, as checks are told: serial number, seed of simulated draws, the row of the units file."""

    serial: str
    seed: int
    unit: Mapping[str, str]
    directory: Path


class Checking:
    """Run what belongs to a corner, one check after the other. ``runs`` None: this run has no checks."""

    def __init__(
        self,
        *,
        plan: Plan,
        runs: CheckRuns | None,
        subject: Subject,
        supervisor: Supervisor,
        sequence: PhaseSequence,
        journal: Journal,
        board: BoardUnderTest | None = None,
    ) -> None:
        self._board = board
        self._checks = plan.checks
        self._runs = runs
        self._subject = subject
        self._supervisor = supervisor
        self._sequence = sequence
        self._journal = journal

    def begin_run(self) -> None:
        """Run set-ups of the run; one that fails is noted, and its check will say so at every visit."""
        if self._runs is not None and self._checks:
            self._tell(self._runs.begin_run(self._idle_view(), self._supervisor.tick))

    def end_run(self) -> None:
        """Run tear-downs of the run; the board is where it will be left, so nothing is watched any more."""
        if self._runs is not None and self._checks:
            self._tell(self._runs.end_run(self._idle_view()))

    def run(self, draft: Draft) -> None:
        """Run the checks of a corner; after one that gave no answer, the others are left out."""
        wanted = self._wanted(draft)
        if not wanted or self._runs is None:
            return
        self._sequence.go(Phase.CHECK)
        view = self._view(draft)
        conditions = draft.step.corner.condition_levels()
        for place, check in enumerate(wanted):
            self._supervisor.begin(check.name)
            with draft.timed(f"check {check.name}"):
                here = replace(check, accept=check.accept_in(conditions)) if check.accept_at else check
                ran = self._run_one(self._runs, here, replace(view, check=check.name, settings=check.settings))
            result = self._keep(draft, check, ran)
            # A stop ends a check early without an exception; here it ends the visit.
            self._supervisor.tick()
            if result.outcome is Outcome.NO_ANSWER:
                # What hangs once would hang again, for its whole time-out each.
                self._leave_out(draft, wanted[place + 1 :], f"{check.name} gave no answer before it")
                return

    def _run_one(self, runs: CheckRuns, check: Check, view: CheckView) -> CheckOutcome:
        board = self._board
        if board is None:
            return runs.run(check, view, self._supervisor.tick, progress=self._progress(check))
        view = replace(view, board=board.begin_check(check.name))
        try:
            return runs.run(check, view, self._supervisor.tick, progress=self._progress(check))
        finally:
            board.end_check(check.name)

    def leave_out(self, draft: Draft, reason: str) -> None:
        """Say of every check of a corner that it was not run."""
        self._leave_out(draft, self._wanted(draft), reason)

    def _wanted(self, draft: Draft) -> Sequence[Check]:
        if self._runs is None:
            return ()
        return [check for check in self._checks if is_at(check.at, draft.step.corner)]

    def _leave_out(self, draft: Draft, checks: Sequence[Check], reason: str) -> None:
        draft.checks.extend(
            CheckResult(check=check.name, outcome=Outcome.NOT_RUN, reason=reason, trials=0, failures=0)
            for check in checks
        )

    def _keep(self, draft: Draft, check: Check, ran: CheckOutcome) -> CheckResult:
        failures = sum(1 for trial in ran.trials if trial.passed is False)
        result = CheckResult(
            check=check.name, outcome=ran.outcome, reason=ran.reason, trials=len(ran.trials), failures=failures
        )
        draft.checks.append(result)
        draft.trials.extend(ran.trials)
        if isinstance(ran, SuiteOutcome):
            draft.tests.extend(ran.tests)
        return result

    def _progress(self, check: Check) -> Callable[[int, int], None]:
        def tell(done: int, failures: int) -> None:
            self._journal.tell(CheckProgress(check=check.name, done=done, trials=check.trials, failures=failures))

        return tell

    def _tell(self, troubles: Sequence[HookTrouble]) -> None:
        for trouble in troubles:
            self._journal.note("error", f"check {trouble.check}: {trouble.hook}: {trouble.reason}")

    def _idle_view(self) -> CheckView:
        """Show the board as it is before and after all visits: nominal, nothing measured."""
        subject = self._subject
        return CheckView(
            check="",
            corner=NOMINAL,
            levels={},
            readings={},
            conditions={},
            visit=-1,
            trial=0,
            seed=subject.seed,
            serial=subject.serial,
            directory=subject.directory,
            unit=subject.unit,
        )

    def _view(self, draft: Draft) -> CheckView:
        subject = self._subject
        return CheckView(
            check="",
            corner=draft.step.corner.name,
            levels={reading.rail: reading.level for reading in draft.readings},
            readings={reading.rail: _rail_view(reading) for reading in draft.readings},
            conditions=draft.conditions,
            visit=draft.step.ordinal,
            trial=0,
            seed=subject.seed,
            serial=subject.serial,
            directory=subject.directory,
            unit=subject.unit,
        )


def _rail_view(reading: Reading) -> RailView:
    return RailView(
        level=reading.level,
        target_v=reading.target_v,
        setpoint_v=reading.setpoint_v,
        telemetry_v=reading.telemetry_v,
        reference_v=reading.reference_v,
        current_a=reading.current_a,
    )
