"""Functional checks: user code, run trial by trial in a process of its own while the rails are watched.

What each way of ending means:

=====================================================  =============================================================
it returns, or exits                                   pass or fail-functional, by its verdict and the plan's `accept`
it fails an assertion                                  fail-functional: an assertion is about the product
it raises, crashes, exits the process, answers         error: the check is broken, nothing is said of the product
nonsense, floods its output, cannot be started
it does not answer in time                             no-answer where it answered at the last visit to nominal
                                                       (the product hung); else error
the run is stopped meanwhile                           aborted
=====================================================  =============================================================
"""

import hashlib
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from types import TracebackType

from cornerrun.clock import Clock
from cornerrun.errors import CheckError
from cornerrun.plan.model import NOMINAL, Check, CheckCriterion, Screen, Source
from cornerrun.results.records import Outcome, SuiteTest, Trial
from cornerrun.run.answers import Answer, judged
from cornerrun.run.suite import Suite
from cornerrun.run.view import CheckView
from cornerrun.run.worker_link import Record, Tick, Trouble
from cornerrun.run.worker_session import Call, WorkerSession

__all__ = ["CheckRun", "CheckRunner", "HookFailure", "Tick"]

Progress = Callable[[int, int], None]


@dataclass(frozen=True, kw_only=True, slots=True)
class CheckRun:
    """What a check came to at a visit."""

    outcome: Outcome
    reason: str
    trials: tuple[Trial, ...] = ()
    tests: tuple[SuiteTest, ...] = ()


@dataclass(frozen=True, kw_only=True, slots=True)
class HookFailure:
    """A set-up or tear-down that failed, and why."""

    check: str
    hook: str
    reason: str


class CheckRunner:
    """Run the checks of a plan in one warm process.

    ``directory`` is where the plan lies: files and commands are found from there, and checks start there. ``criterion``
    is the plan's own for checks that name none. Close it, or use it in a ``with``: no process outlives it.
    """

    def __init__(
        self,
        *,
        checks: Sequence[Check],
        directory: Path,
        clock: Clock,
        criterion: CheckCriterion | None = None,
    ) -> None:
        self._checks = tuple(checks)
        self._clock = clock
        self._criterion = criterion or Screen(failures=0)
        self._session = WorkerSession(directory=directory.resolve(), clock=clock)
        self._set_up_in: dict[str, int] = {}  # the generation of workers in which a check had its set-up of the run
        self._owed: dict[str, tuple[Check, CheckView]] = {}  # corner tear-downs that a trouble of the rails cut off
        self._answered: dict[str, bool] = {}

    def __enter__(self) -> "CheckRunner":
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def prepare(self) -> tuple[Source, ...]:
        """Load every callable and find every command, before anything moves; tell the files that checks come from.

        CheckError lists everything that cannot be used, with what to do.
        """
        problems: list[str] = []
        paths: dict[Path, None] = {}  # in order, each once
        for check in self._checks:
            for hook, call in _calls(check):
                try:
                    path = self._session.find(call, is_interruptible=False)
                except CheckError as error:
                    shown = f"{call}: " if isinstance(call, str) else ""
                    problems.append(f"check {check.name!r}: {hook}{shown}{error}")
                    continue
                if path is not None:
                    paths[path] = None
        if problems:
            raise CheckError("\n".join(dict.fromkeys(problems)))
        files = [path for path in paths if path.is_file()]
        return tuple(
            Source(role="checks", path=path, sha256=hashlib.sha256(path.read_bytes()).hexdigest()) for path in files
        )

    def begin_run(self, view: CheckView, tick: Tick | None = None) -> tuple[HookFailure, ...]:
        """Run each check's set-up for the run; a check whose set-up fails will answer error at every visit."""
        found = [self._set_up_run(check, view, tick) for check in self._checks]
        return tuple(failure for failure in found if failure is not None)

    def end_run(self, view: CheckView, tick: Tick | None = None) -> tuple[HookFailure, ...]:
        """Run each tear-down of the run, also after a stop; one that fails never stops the others."""
        failures = self._pay(tick)
        for check in self._checks:
            if check.run_tear_down is not None and check.name in self._set_up_in:
                reason = self._hook(check, check.run_tear_down, view, tick, is_interruptible=False)
                if reason:
                    failures.append(HookFailure(check=check.name, hook="run tear-down", reason=reason))
        self._set_up_in.clear()
        self._answered.clear()
        return tuple(failures)

    def run(
        self,
        check: Check,
        view: CheckView,
        tick: Tick | None = None,
        *,
        progress: Progress | None = None,
    ) -> CheckRun:
        """Run every trial of a check at one visit, with its set-up and tear-down there.

        ``tick`` reads the rails; it is called when it is due and returns, on the clock, when it is due again. What it
        raises ends the check and goes on to the caller. On a clock that does not pass by itself, each trial is charged
        ``takes_s``. ``progress`` is told the trials done and failed. Trials end at the first that gives no answer.
        """
        if self._clock.stop.reason is not None:
            return CheckRun(outcome=Outcome.ABORTED, reason=self._stopped())
        if check.trials < 1:
            return CheckRun(outcome=Outcome.NOT_RUN, reason="the plan asks for no trial")
        self._pay(tick)
        failure = self._set_up_run(check, view, tick)
        reason = f"{failure.hook}: {failure.reason}" if failure is not None else ""
        if not reason and check.corner_set_up is not None:
            reason = self._hook(check, check.corner_set_up, view, tick)
            reason = f"corner set-up: {reason}" if reason else ""
        if reason:
            outcome = Outcome.ABORTED if self._clock.stop.reason is not None else Outcome.ERROR
            return CheckRun(outcome=outcome, reason=reason)
        if check.corner_tear_down is not None:
            self._owed[check.name] = (check, view)
        done = self._trials(check, view, tick, progress)
        if check.corner_tear_down is not None:
            del self._owed[check.name]
            reason = self._hook(check, check.corner_tear_down, view, tick, is_interruptible=False)
            if reason and not done.outcome.is_bench_trouble:
                done = replace(done, outcome=Outcome.ERROR, reason=f"corner tear-down: {reason}")
        return done

    def close(self) -> str:
        """End the worker and everything that checks have started; says what could not be ended, mostly nothing."""
        return self._session.close()

    def _trials(self, check: Check, view: CheckView, tick: Tick | None, progress: Progress | None) -> CheckRun:
        reply = self._session.trials(check, _call(check), view, tick, count=check.trials)
        trials: list[Trial] = []
        tests: list[SuiteTest] = []
        failures = 0
        for record in reply.records:
            trials.append(self._trial(check, record))
            tests.extend(_tests(check, record))
            failures += trials[-1].passed is False
            if progress is not None:
                progress(len(trials), failures)
            if not self._let_pass(check.takes_s, tick):
                return CheckRun(
                    outcome=Outcome.ABORTED, reason=self._stopped(), trials=tuple(trials), tests=tuple(tests)
                )
        trouble = reply.trouble
        if trouble is not None and trouble.kind != "stopped":
            trials.append(_silent(check, view.trial + len(trials), trouble))
            if trouble.kind == "hung":
                self._let_pass(check.timeout_s, tick)
        outcome, reason = self._outcome(check, trials, trouble)
        if all(level == NOMINAL for level in view.levels.values()):
            self._answered[check.name] = outcome in (Outcome.PASS, Outcome.FAIL_FUNCTIONAL)
        return CheckRun(outcome=outcome, reason=reason, trials=tuple(trials), tests=tuple(tests))

    def _trial(self, check: Check, record: Record) -> Trial:
        raw = Answer(passed=record.passed, numbers=record.numbers, trouble=record.trouble, reason=record.reason)
        answer = judged(raw, check.accept)
        reason = answer.trouble or answer.reason
        passed = None if answer.trouble else answer.passed
        if record.duration_s > check.timeout_s:
            passed, reason = None, f"it answered after {record.duration_s:.3g} s, allowed are {check.timeout_s:g} s"
        return Trial(
            check=check.name,
            trial=record.trial,
            passed=passed,
            numbers=answer.numbers,
            duration_s=record.duration_s if self._clock.passes_by_itself else check.takes_s,
            output=record.output,
            reason=reason,
        )

    def _outcome(self, check: Check, trials: Sequence[Trial], trouble: Trouble | None) -> tuple[Outcome, str]:
        if trouble is not None and trouble.kind == "stopped":
            return Outcome.ABORTED, trouble.text
        silent = next((trial for trial in trials if trial.passed is None), None)
        if silent is not None:
            is_late = trouble is not None and trouble.kind == "hung"
            is_late = is_late or silent.reason.startswith("it answered after")
            if is_late and self._answered.get(check.name, False):
                return Outcome.NO_ANSWER, f"trial {silent.trial}: {silent.reason}; at nominal it answered"
            return Outcome.ERROR, f"trial {silent.trial}: {silent.reason}"
        failed = [trial for trial in trials if trial.passed is False]
        criterion = check.criterion or self._criterion
        allowed = criterion.failures if isinstance(criterion, Screen) else 0
        if len(failed) > allowed:
            first = failed[0]
            why = f": {first.reason}" if first.reason else ""
            return (
                Outcome.FAIL_FUNCTIONAL,
                f"{len(failed)} of {len(trials)} trials failed, first trial {first.trial}{why}",
            )
        return Outcome.PASS, ""

    def _let_pass(self, duration_s: float, tick: Tick | None) -> bool:
        """Let simulated time pass, watching; False if a stop ended it."""
        clock = self._clock
        if clock.passes_by_itself or duration_s <= 0:
            return True
        end_s = clock.now_s() + duration_s
        due_s = tick() if tick is not None else None
        while due_s is not None and due_s < end_s:
            if not clock.sleep_until(max(due_s, clock.now_s())):
                return False
            due_s = tick() if tick is not None else None
        return clock.sleep_until(end_s)

    def _stopped(self) -> str:
        return f"stopped: {self._clock.stop.reason}"

    def _set_up_run(self, check: Check, view: CheckView, tick: Tick | None) -> HookFailure | None:
        """Run the set-up of the run where this worker has not had it yet."""
        is_done = self._session.is_warm and self._set_up_in.get(check.name) == self._session.generation
        if check.run_set_up is not None and not is_done:
            reason = self._hook(check, check.run_set_up, view, tick)
            if reason:
                return HookFailure(check=check.name, hook="run set-up", reason=reason)
        self._set_up_in[check.name] = self._session.generation
        return None

    def _pay(self, tick: Tick | None) -> list[HookFailure]:
        """Run the corner tear-downs that could not be run when the rails were in trouble."""
        owed, self._owed = self._owed, {}
        failures = []
        for check, view in owed.values():
            assert check.corner_tear_down is not None
            reason = self._hook(check, check.corner_tear_down, view, tick, is_interruptible=False)
            if reason:
                failures.append(HookFailure(check=check.name, hook="corner tear-down", reason=reason))
        return failures

    def _hook(
        self, check: Check, call: Call, view: CheckView, tick: Tick | None, *, is_interruptible: bool = True
    ) -> str:
        """Run a set-up or tear-down; tell why it failed, or nothing."""
        reply = self._session.trials(check, call, view, tick, count=1, is_hook=True, is_interruptible=is_interruptible)
        if reply.trouble is not None:
            return reply.trouble.text
        record = reply.records[-1]
        if record.trouble or record.passed is False:
            return record.trouble or record.reason or "it returned False"
        return ""


def _call(check: Check) -> Call:
    if check.pytest is not None:
        return Suite(arguments=check.pytest)
    return check.python if check.python is not None else check.command or ()


def _tests(check: Check, record: Record) -> list[SuiteTest]:
    return [
        SuiteTest(check=check.name, trial=record.trial, name=name, passed=passed, duration_s=duration_s, reason=reason)
        for name, passed, duration_s, reason in record.tests
    ]


def _calls(check: Check) -> list[tuple[str, Call]]:
    """List what a check calls, each with the words that name its place in a message."""
    calls: list[tuple[str, Call | None]] = [
        ("", _call(check)),
        ("run set-up: ", check.run_set_up),
        ("corner set-up: ", check.corner_set_up),
        ("corner tear-down: ", check.corner_tear_down),
        ("run tear-down: ", check.run_tear_down),
    ]
    return [(name, call) for name, call in calls if call is not None]


def _silent(check: Check, trial: int, trouble: Trouble) -> Trial:
    """Record the trial during which the worker was lost."""
    duration_s = check.timeout_s if trouble.kind == "hung" else 0.0
    return Trial(
        check=check.name,
        trial=trial,
        passed=None,
        numbers={},
        duration_s=duration_s,
        output=trouble.output,
        reason=trouble.text,
    )
