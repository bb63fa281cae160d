"""`pytest --cornerrun PLAN`: run a suite over the corners of a plan, at each once the rails have settled.

Tests that ask for the fixture ``corner`` run at every corner; all others run once, before anything moves. They run in
a process of their own, so that the rails are watched meanwhile; their reports become reports of this session. What
belongs to the run (moves, watch, way back, store) is that of `cornerrun run`, with this suite in place of the plan's
checks.

Loaded in every pytest session of an environment that holds cornerrun: nothing heavy is imported before it is used.
"""

import os

import pytest

from cornerrun.errors import CornerrunError
from cornerrun.run.suite import RESULT_FD

__all__: list[str] = []

_INSIDE = "cornerrun.run.suite_plugin"


def pytest_addoption(parser: pytest.Parser) -> None:
    """Offer the options of a run."""
    group = parser.getgroup("cornerrun", "voltage corners")
    group.addoption("--cornerrun", metavar="PLAN", help="Run tests that ask for `corner` at every corner of PLAN.")
    group.addoption("--cornerrun-bench", metavar="BENCH", help="Bench file; replaces the plan's.")
    group.addoption("--cornerrun-limits", metavar="LIMITS", help="Limits file; plans only tighten.")
    group.addoption("--cornerrun-serial", metavar="SN", default="not stated", help="Serial number of the board.")
    group.addoption("--cornerrun-results", metavar="DIR", default="results", help="Folder of the store.")
    group.addoption("--cornerrun-only", metavar="CORNER", action="append", help="Visit only this corner.")
    group.addoption("--cornerrun-seed", metavar="N", type=int, help="Seed of a simulated bench.")
    group.addoption(
        "--cornerrun-timeout", metavar="SECONDS", type=float, default=600.0, help="For all tests at one corner."
    )


def pytest_configure(config: pytest.Config) -> None:
    """Bring the fixture, and the session over the corners where a plan is given."""
    if not config.pluginmanager.has_plugin(_INSIDE):
        config.pluginmanager.import_plugin(_INSIDE)
    is_inside = RESULT_FD in os.environ or hasattr(config, "workerinput")
    if config.getoption("--cornerrun") is not None and not is_inside:
        if config.getoption("numprocesses", None):
            raise pytest.UsageError("--cornerrun holds one board: it does not go with -n")
        from cornerrun.cli.pytest_session import CornerSession

        try:
            session = CornerSession(config)
        except CornerrunError as error:
            raise pytest.UsageError(str(error)) from error
        config.pluginmanager.register(session, "cornerrun-session")
