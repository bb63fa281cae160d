"""Whether a board is ready: its console says so, or a command does."""

import shlex
import subprocess
from collections.abc import Callable
from pathlib import Path
from typing import Protocol

from cornerrun.bench.scpi.session import TextLink
from cornerrun.clock import Clock
from cornerrun.errors import BenchError, CheckError
from cornerrun.plan.power_up import Ready
from cornerrun.run.commands import found

__all__ = ["Readiness", "ReadyByCommand", "ReadyByConsole", "ready_test", "run_command"]

_LINE_S = 0.02  # chosen: how long one look waits for a line of the console
_LINES = 50  # chosen: a board that prints without end shall not keep the watch waiting
_GRAIN_S = 0.02  # chosen: between two looks whether a command has ended, in which rails are watched


class Readiness(Protocol):
    """Looks, once and briefly, whether a board is ready."""

    def begin(self) -> None:
        """Forget what was said before: the board is about to start."""
        ...

    def is_ready(self, tick: Callable[[], object], left_s: float) -> bool:
        """Look once; ``tick`` is called while that takes time, and no look takes longer than ``left_s``."""
        ...


class ReadyByConsole:
    """Ready once a line of the console holds a text."""

    def __init__(self, link: TextLink, *, text: str, ask: str | None) -> None:
        self._link = link
        self._text = text
        self._ask = ask

    def begin(self) -> None:
        self._link.clear()

    def is_ready(self, tick: Callable[[], object], left_s: float) -> bool:
        try:
            if self._ask is not None:
                self._link.write(self._ask)
            for _ in range(_LINES):
                if self._text in self._link.read(min(_LINE_S, left_s)):
                    return True
                tick()
        except (TimeoutError, OSError, BenchError):
            return False
        return False


class ReadyByCommand:
    """Ready once a command exits 0."""

    def __init__(self, command: str, *, directory: Path, clock: Clock) -> None:
        self._command = command
        self._directory = directory
        self._clock = clock

    def begin(self) -> None:
        return

    def is_ready(self, tick: Callable[[], object], left_s: float) -> bool:
        return run_command(self._command, self._directory, clock=self._clock, timeout_s=left_s, tick=tick) == ""


def ready_test(ready: Ready | None, *, console: TextLink | None, directory: Path, clock: Clock) -> Readiness | None:
    """Build the test that a plan asks for; None if it asks for none.

    Raises BenchError if it needs a console and the bench has none, or its command can't be started.
    """
    if ready is None:
        return None
    if ready.command is not None:
        try:
            found(shlex.split(ready.command), directory)
        except (CheckError, ValueError) as error:
            raise BenchError(f"power_up.ready.command: {error}") from error
        return ReadyByCommand(ready.command, directory=directory, clock=clock)
    if console is None:
        raise BenchError("power_up.ready.console: this bench has no console; write 'console: RESOURCE' in its file")
    return ReadyByConsole(console, text=ready.console or "", ask=ready.ask)


def run_command(
    command: str, directory: Path, *, clock: Clock, timeout_s: float, tick: Callable[[], object] = lambda: None
) -> str:
    """Run a command to its end while rails are watched; return what went wrong, or nothing. Never raises for that."""
    try:
        words = shlex.split(command)
        program = found(words, directory)
        process = subprocess.Popen(
            [str(program), *words[1:]],
            cwd=directory,
            stdin=subprocess.DEVNULL,
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
            start_new_session=True,
        )
    except (CheckError, OSError, ValueError) as error:
        return f"{command!r} could not be started: {error}"
    try:
        waited_s = 0.0
        while waited_s < timeout_s:
            try:
                code = process.wait(_GRAIN_S)
            except subprocess.TimeoutExpired:
                waited_s += _GRAIN_S
                # A clock that does not pass by itself learns here what the command took.
                clock.charge(_GRAIN_S)
                tick()
            else:
                return "" if code == 0 else f"{command!r} ended with {code}"
        return f"{command!r} was not done after {timeout_s:g} s"
    finally:
        if process.poll() is None:
            process.kill()
            process.wait()
