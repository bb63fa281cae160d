"""The pytest session over the corners of a plan."""

import json
import os
import random
import tempfile
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from cornerrun.cli.common import at_bench, open_store, operator_name, read_files
from cornerrun.errors import EXIT_INTERRUPTED, CornerrunError
from cornerrun.plan.model import Check, Screen
from cornerrun.results.records import Outcome, VisitRecord
from cornerrun.run.checks import CheckRun, CheckRunner
from cornerrun.run.suite_plugin import CHOICE, COPY
from cornerrun.run.view import CheckView

if TYPE_CHECKING:
    from cornerrun.corners.model import Step
    from cornerrun.results.store import Store
    from cornerrun.run.ending import RunEnd

__all__ = ["CornerSession"]

_CHECK = "pytest"


class CornerSession:
    """Parametrise tests by corner, run them where the board is held there, and report them here."""

    def __init__(self, config: pytest.Config) -> None:
        from cornerrun.corners.order import steps
        from cornerrun.corners.select import select

        self._config = config
        plan_path = Path(config.getoption("--cornerrun"))
        plan, self._bench_file = read_files(
            plan_path, _path(config.getoption("--cornerrun-bench")), _path(config.getoption("--cornerrun-limits"))
        )
        suite = Check(
            name=_CHECK,
            pytest=_arguments(config),
            timeout_s=config.getoption("--cornerrun-timeout"),
            criterion=Screen(failures=0),
        )
        self._plan = replace(plan, checks=(suite,))
        self._plan_path = plan_path
        self._selection = select(self._plan)
        given = config.getoption("--cornerrun-seed")
        self._seed: int = given if given is not None else random.SystemRandom().randrange(2**31)
        self._steps: Sequence[Step] = steps(
            self._plan, self._selection, only=config.getoption("--cornerrun-only") or None, seed=self._seed
        )
        self._corners = list(dict.fromkeys(step.corner.name for step in self._steps))
        self._items: dict[str, pytest.Item] = {}
        self._reported: set[str] = set()
        self._delivered = 0
        self._end: RunEnd | None = None

    def pytest_generate_tests(self, metafunc: pytest.Metafunc) -> None:
        """Make one test a corner of each that asks for the corner."""
        if "corner" in metafunc.fixturenames:
            metafunc.parametrize("corner", self._corners, ids=self._corners, indirect=True, scope="session")

    @pytest.hookimpl(tryfirst=True)
    def pytest_runtestloop(self, session: pytest.Session) -> bool | None:
        """Run what needs no corner here, then the plan."""
        option = session.config.option
        if option.collectonly or (session.testsfailed and not option.continue_on_collection_errors):
            return None  # pytest's own loop says what there is to say
        at_corners = [item for item in session.items if "corner" in getattr(item, "fixturenames", ())]
        others = [item for item in session.items if item not in at_corners]
        self._items = {item.nodeid: item for item in at_corners}
        for index, item in enumerate(others):
            following = others[index + 1] if index + 1 < len(others) else None
            item.config.hook.pytest_runtest_protocol(item=item, nextitem=following)
            self._stop_if_asked(session)
        if at_corners:
            try:
                self._run(session)
            except CornerrunError as error:
                raise pytest.UsageError(str(error)) from error
            self._stop_if_asked(session)
            if self._end is not None and self._end.exit_code == EXIT_INTERRUPTED:
                raise KeyboardInterrupt(self._end.why)
        return True

    def pytest_terminal_summary(self, terminalreporter: pytest.TerminalReporter) -> None:
        """Say how the run ended and where the board was left."""
        if self._end is not None:
            end = self._end
            terminalreporter.section("cornerrun")
            terminalreporter.line(f"run {end.run_id}: {end.result}: {end.why}")
            terminalreporter.line(f"board left at {end.end_state}; `cornerrun report {end.run_id}` tells all")

    def pytest_sessionfinish(self, session: pytest.Session) -> None:
        """Fail the session where the run did not pass: rails outside their windows, a claim not met, bench trouble."""
        if self._end is not None and self._end.exit_code != 0 and session.exitstatus == 0:
            session.exitstatus = pytest.ExitCode.TESTS_FAILED

    def _run(self, session: pytest.Session) -> None:
        from cornerrun.cli.confirming import confirmed_by, in_force
        from cornerrun.cli.performing import refuse_stress
        from cornerrun.preflight.rules import stop_on_errors
        from cornerrun.results.records import RunRequest
        from cornerrun.run.runner import run_plan

        option = self._config.getoption
        stop_on_errors(self._plan, self._bench_file)
        overrides = in_force(self._plan, self._bench_file)
        request = RunRequest(
            overrides=overrides, confirmed_by=confirmed_by(overrides, os.environ.get("CORNERRUN_CONFIRM_AS"))
        )
        seed = option("--cornerrun-seed")
        serial = option("--cornerrun-serial")
        with open_store(Path(option("--cornerrun-results")), None) as store:
            refuse_stress(self._plan, self._bench_file, store, serial, self._steps)
            with (
                self._shared() as copy,
                at_bench(
                    self._plan,
                    self._bench_file,
                    purpose=f"pytest over {self._plan_path}",
                    real_time=False,
                    seed=seed,
                    serial=serial,
                ) as bench,
                CheckRunner(checks=self._plan.checks, directory=self._plan.directory, clock=bench.clock) as checks,
            ):
                self._end = run_plan(
                    self._plan,
                    self._bench_file,
                    bench.ports,
                    store,
                    bench.clock,
                    _Delivering(checks, lambda: self._deliver(copy, session, bench.clock.stop.request)),
                    guardian=bench.guardian,
                    request=request,
                    steps=self._steps,
                    selection=self._selection,
                    serial=serial,
                    operator=operator_name(),
                    seed=self._seed,
                )
                self._deliver(copy, session, lambda _: None)
                self._report_the_rest(store)

    @contextmanager
    def _shared(self) -> Iterator[Path]:
        """Say to the suite which tests to run, and where to leave its reports for this session."""
        with tempfile.TemporaryDirectory(prefix="cornerrun-pytest-") as name:
            choice, copy = Path(name) / "choice.json", Path(name) / "reports.jsonl"
            choice.write_text(json.dumps(list(self._items)), encoding="utf-8")
            copy.touch()
            os.environ.update({CHOICE: str(choice), COPY: str(copy)})
            try:
                yield copy
            finally:
                for variable in (CHOICE, COPY):
                    os.environ.pop(variable, None)

    def _deliver(self, copy: Path, session: pytest.Session, stop: Callable[[str], None]) -> None:
        """Turn reports of the suite that came in since the last time into reports of this session."""
        lines = copy.read_text(encoding="utf-8").splitlines()
        fresh, self._delivered = lines[self._delivered :], len(lines)
        hook = self._config.hook
        for line in fresh:
            data = json.loads(line)
            if isinstance(data.get("longrepr"), list):
                data["longrepr"] = tuple(data["longrepr"])  # JSON knows no tuple; pytest knows a skip by one
            report = hook.pytest_report_from_serializable(config=self._config, data=data)
            if isinstance(report, pytest.TestReport) and report.nodeid in self._items:
                if report.when == "setup":
                    hook.pytest_runtest_logstart(nodeid=report.nodeid, location=report.location)
                hook.pytest_runtest_logreport(report=report)
                self._reported.add(report.nodeid)
                if report.when == "teardown":
                    hook.pytest_runtest_logfinish(nodeid=report.nodeid, location=report.location)
        if session.shouldfail or session.shouldstop:
            stop(f"pytest: {session.shouldfail or session.shouldstop}")

    def _report_the_rest(self, store: "Store") -> None:
        """Report the tests that could not be run: as failed where the product kept the corner from being reached."""
        if self._end is None:
            return
        visits = {record.visit.corner: record for record in store.load(self._end.run_id).visits}
        for nodeid, item in self._items.items():
            if nodeid not in self._reported:
                record = visits.get(_corner_of(item))
                report = _missing(item, record, self._end.why)
                hook = self._config.hook
                hook.pytest_runtest_logstart(nodeid=nodeid, location=item.location)
                hook.pytest_runtest_logreport(report=report)
                hook.pytest_runtest_logfinish(nodeid=nodeid, location=item.location)

    def _stop_if_asked(self, session: pytest.Session) -> None:
        if session.shouldfail:
            raise session.Failed(session.shouldfail)
        if session.shouldstop:
            raise session.Interrupted(session.shouldstop)


class _Delivering:
    """Run checks as another does, and tell after each."""

    def __init__(self, runs: CheckRunner, tell: Callable[[], None]) -> None:
        self._runs = runs
        self._tell = tell
        self.prepare, self.begin_run, self.end_run = runs.prepare, runs.begin_run, runs.end_run

    def run(
        self,
        check: Check,
        view: CheckView,
        tick: Callable[[], float] | None = None,
        *,
        progress: Callable[[int, int], None] | None = None,
    ) -> CheckRun:
        done = self._runs.run(check, view, tick, progress=progress)
        self._tell()
        return done


def _missing(item: pytest.Item, record: VisitRecord | None, why: str) -> pytest.TestReport:
    outcome = record.visit.outcome if record is not None else Outcome.NOT_RUN
    reason = record.visit.reason if record is not None else why
    text = f"{outcome.value} at {_corner_of(item)}: {reason or 'the tests were not run'}"
    is_skipped = not (outcome.is_product_failure or outcome.is_bench_trouble)
    path, line, _ = item.location
    return pytest.TestReport(
        nodeid=item.nodeid,
        location=item.location,
        keywords={},
        outcome="skipped" if is_skipped else "failed",
        longrepr=(path, line or 0, text) if is_skipped else text,
        when="call" if outcome.is_product_failure else "setup",
    )


def _corner_of(item: pytest.Item) -> str:
    callspec = getattr(item, "callspec", None)
    return str(callspec.params.get("corner", "")) if callspec is not None else ""


def _path(text: str | None) -> Path | None:
    return Path(text) if text else None


def _arguments(config: pytest.Config) -> tuple[str, ...]:
    """Name the same tests to a session that starts elsewhere."""
    here = config.invocation_params.dir
    paths = []
    for argument in config.args:
        path, colons, rest = argument.partition("::")
        paths.append(f"{here / path}{colons}{rest}")
    found = [*paths, f"--rootdir={config.rootpath}"]
    return (*found, f"--config-file={config.inipath}") if config.inipath is not None else tuple(found)
