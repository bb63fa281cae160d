"""A pytest suite as a check: how it is started, and what its reports mean. Standard library only: the worker needs it.

A test that fails an assertion, or calls pytest.fail, tells of the product. One that raises anything else, or whose
set-up or tear-down breaks, is broken itself and tells nothing; so is one that is skipped.
"""

import json
import sys
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from importlib.util import find_spec
from pathlib import Path

from cornerrun.errors import CheckError
from cornerrun.run.answers import Answer, clean

__all__ = ["PLUGIN", "RESULT_FD", "VIEW", "Suite", "command_of", "from_suite", "suite_file"]

PLUGIN = "cornerrun.run.suite_plugin"
VIEW = "CORNERRUN_VIEW"  # the environment variable with the view of the corner, as JSON
RESULT_FD = "CORNERRUN_SUITE_FD"  # the number of the descriptor that reports are written to
_ENDED = {
    2: "pytest was interrupted; does every test file import?",
    3: "pytest had an internal error",
    4: "pytest does not understand its arguments",
    5: "pytest found no test there",
}


@dataclass(frozen=True, kw_only=True, slots=True)
class Suite:
    """The arguments that pytest gets: a path for the most part."""

    arguments: tuple[str, ...]


def suite_file(suite: Suite, directory: Path) -> Path | None:
    """Find the first file or folder that a suite names, before anything moves. CheckError if it cannot be run."""
    if find_spec("pytest") is None:
        raise CheckError("pytest is not installed here; install cornerrun[pytest]")
    paths = [argument.partition("::")[0] for argument in suite.arguments if not argument.startswith("-")]
    found = [directory / path for path in paths]
    if found and not found[0].exists():
        raise CheckError(f"there is no file or folder {found[0]}")
    return found[0] if found else None


def command_of(suite: Suite) -> list[str]:
    """Make the command that runs a suite once."""
    quiet = ["-q", "--no-header", "-p", "no:cacheprovider", "-p", PLUGIN]
    return [sys.executable, "-m", "pytest", *quiet, *suite.arguments]


@dataclass(slots=True)
class _Told:
    """What the reports of one test add up to so far."""

    passed: bool | None = True
    duration_s: float = 0.0
    reason: str = ""
    is_broken: bool = False


def from_suite(exit_status: int, lines: Iterable[str]) -> Answer:
    """Read what a suite came to from its exit status and the reports that the plugin wrote, one a line."""
    told: dict[str, _Told] = {}
    broken_files: list[str] = []
    for line in lines:
        report: Mapping[str, object] = json.loads(line)
        if report.get("$report_type") == "CollectReport":
            broken_files.append(f"{report.get('nodeid')}: {_crash(report)}")
        else:
            _take(told.setdefault(str(report["nodeid"]), _Told()), report)
    tests = tuple((clean(name, 300), item.passed, item.duration_s, item.reason) for name, item in told.items())
    failed = [name for name, item in told.items() if item.passed is False]
    broken = [name for name, item in told.items() if item.is_broken]
    trouble = ""
    if broken_files:
        trouble = f"collecting the suite failed: {clean('; '.join(broken_files))}"
    elif exit_status < 0 or exit_status in _ENDED or exit_status > 5:
        trouble = _ENDED.get(exit_status, f"pytest ended with exit status {exit_status}")
    elif broken:
        trouble = f"{len(broken)} of {len(told)} tests are broken: {clean(broken[0])}: {told[broken[0]].reason}"
    elif not any(item.passed is not None for item in told.values()):
        trouble = "every test was skipped: nothing was shown"
    if trouble:
        return Answer(trouble=trouble, tests=tests)
    reason = (
        f"{len(failed)} of {len(told)} tests failed: {clean(failed[0])}: {told[failed[0]].reason}" if failed else ""
    )
    return Answer(passed=not failed, reason=reason, tests=tests)


def _take(told: _Told, report: Mapping[str, object]) -> None:
    duration = report.get("duration")
    told.duration_s += duration if isinstance(duration, int | float) else 0.0
    outcome, when = report.get("outcome"), report.get("when")
    if outcome == "failed":
        is_product = when == "call" and report.get("cornerrun_kind") == "assertion"
        told.passed = False if is_product and not told.is_broken else None
        told.is_broken = told.is_broken or not is_product
        told.reason = told.reason or (_crash(report) if when == "call" else f"{when}: {_crash(report)}")
    elif outcome == "skipped" and told.passed is True:
        told.passed = None
        expected = report.get("wasxfail")
        told.reason = f"expected to fail: {expected}" if expected is not None else f"skipped: {_crash(report)}"


def _crash(report: Mapping[str, object]) -> str:
    found = report.get("longrepr")
    if isinstance(found, Mapping):
        crash = found.get("reprcrash")
        if isinstance(crash, Mapping):
            place = f" ({Path(str(crash.get('path'))).name}, line {crash.get('lineno')})"
            return clean(str(crash.get("message")).splitlines()[0] if crash.get("message") else "") + place
    if isinstance(found, Sequence) and not isinstance(found, str) and len(found) == 3:
        return clean(str(found[2]).removeprefix("Skipped: "))
    lines = [line for line in str(found or "").splitlines() if line.strip()]
    told = next((line[1:] for line in lines if line.startswith("E ")), lines[-1] if lines else "")
    return clean(told)
