"""The pytest plugin inside a suite that cornerrun runs: the `corner` fixture, and reports for the run.

``corner`` is the view of the corner that the board is held at (`cornerrun.run.view.CheckView`): ``corner.name``,
``corner.levels``, ``corner.readings["VDD_CORE"].best_v``, ``corner.conditions``. Without a run the test is skipped.
"""

import json
import os
from collections.abc import Generator
from pathlib import Path

import pytest

from cornerrun.run.suite import RESULT_FD, VIEW
from cornerrun.run.view import CheckView

__all__ = ["CHOICE", "COPY", "corner"]

COPY = "CORNERRUN_SUITE_COPY"  # a file that gets every report as well
CHOICE = "CORNERRUN_SUITE_CHOICE"  # a file with the node ids to run, as JSON; tests then carry the corner in their name


@pytest.fixture(scope="session")
def corner() -> CheckView:
    """Give the view of the corner that the board is held at."""
    view = _view()
    if view is None:
        pytest.skip("no corner is held: run `pytest --cornerrun PLAN`, or name this suite in a plan as `pytest: PATH`")
    return view


def pytest_generate_tests(metafunc: pytest.Metafunc) -> None:
    """Name tests after the corner, as the session outside did."""
    view = _view()
    if CHOICE in os.environ and view is not None and "corner" in metafunc.fixturenames:
        metafunc.parametrize("corner", [view], ids=[view.corner], scope="session")


def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    """Keep what the session outside has chosen."""
    if CHOICE not in os.environ:
        return
    wanted = set(json.loads(Path(os.environ[CHOICE]).read_text(encoding="utf-8")))
    left_out = [item for item in items if item.nodeid not in wanted]
    items[:] = [item for item in items if item.nodeid in wanted]
    config.hook.pytest_deselected(items=left_out)


@pytest.hookimpl(wrapper=True)
def pytest_runtest_makereport(call: pytest.CallInfo[None]) -> Generator[None, pytest.TestReport, pytest.TestReport]:
    """Tell failures of the product from tests that are broken themselves."""
    report = yield
    if call.excinfo is not None:
        is_assertion = isinstance(call.excinfo.value, AssertionError | pytest.fail.Exception)
        report.__dict__["cornerrun_kind"] = "assertion" if is_assertion else "other"
    return report


class _Reporter:
    """Write every report where the run reads it."""

    def __init__(self, config: pytest.Config) -> None:
        self._config = config

    def pytest_runtest_logreport(self, report: pytest.TestReport) -> None:
        self._write(report)

    def pytest_collectreport(self, report: pytest.CollectReport) -> None:
        if report.failed:
            self._write(report)

    def _write(self, report: pytest.CollectReport | pytest.TestReport) -> None:
        data = self._config.hook.pytest_report_to_serializable(config=self._config, report=report)
        line = json.dumps(data, default=str) + "\n"
        os.write(int(os.environ[RESULT_FD]), line.encode())
        if COPY in os.environ:
            with Path(os.environ[COPY]).open("a", encoding="utf-8") as file:
                file.write(line)


def pytest_configure(config: pytest.Config) -> None:
    """Begin to report, where a run reads it; processes that share the tests among them report through this one."""
    if RESULT_FD in os.environ and not hasattr(config, "workerinput"):
        config.pluginmanager.register(_Reporter(config), "cornerrun-reporter")


def _view() -> CheckView | None:
    from cornerrun.run.wire import decode_view

    text = os.environ.get(VIEW)
    return None if text is None else decode_view(json.loads(text))
