"""The run's end of the worker: starting it, waiting for it while rails are watched, and ending it for good.

Waiting for a check happens in real time, whatever the clock: a check is a real process. The clock only says when the
rails are due to be read.
"""

import json
import os
import secrets
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Callable, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Literal, NamedTuple

from cornerrun.clock import Clock
from cornerrun.errors import CheckError
from cornerrun.run.guardian_signs import WORKER_MARK
from cornerrun.run.waiting import readable
from cornerrun.run.wire import frame, unframe
from cornerrun.run.worker import BROKEN_LINK, TAIL_BYTES

__all__ = ["MOST_OUTPUT_BYTES", "Record", "Reply", "Tick", "Trouble", "WorkerLink"]

Tick = Callable[[], float | None]

MOST_OUTPUT_BYTES = 8 << 20  # chosen: far more than a check has to say in one trial, far less than hurts the machine
_START_TIMEOUT_S = 60.0  # chosen: a loaded machine with a cold disk starts an interpreter in far less
_LOOK_PERIOD_S = 0.05  # chosen: how often the size of what a check prints is looked at
_KILL_TIMEOUT_S = 10.0  # chosen: the keeper gives up after half of it
_TOKEN = "CORNERRUN_WORKER"


class Record(NamedTuple):
    """What one trial came to, in the order in which the worker writes it down."""

    trial: int
    passed: bool | None
    numbers: Mapping[str, float]
    trouble: str
    reason: str
    duration_s: float
    ended_s: float
    output: str
    tests: Sequence[Sequence[Any]] = ()  # Any: name, verdict, seconds, reason, as JSON carries them


@dataclass(frozen=True, kw_only=True, slots=True)
class Trouble:
    """Why the worker did not answer; it has been ended by then. ``output`` is the tail of what it had printed."""

    kind: Literal["hung", "died", "flooded", "stopped"]
    text: str
    output: str = ""


@dataclass(frozen=True, kw_only=True, slots=True)
class Reply:
    """The records of a request, and either the worker's answer or the trouble that there was instead."""

    records: tuple[Record, ...] = ()
    answer: Mapping[str, object] = field(default_factory=dict)
    trouble: Trouble | None = None


class WorkerLink:
    """One worker process and its keeper; started at the first request, gone for good after trouble or `close`."""

    def __init__(self, *, directory: Path, clock: Clock) -> None:
        self._clock = clock
        self._token = secrets.token_hex(16)
        self._buffer = bytearray()
        self._news = b""
        self._read_to = 0
        self._log, self._printed, self._stdout = (
            os.memfd_create(f"cornerrun {name}") for name in ("log", "out", "std")
        )
        self._link, theirs = socket.socketpair()
        self._control, keepers = socket.socketpair()
        for fd in (self._log, self._printed, self._stdout):
            os.set_inheritable(fd, True)
        worker_fds = [theirs.fileno(), self._log, self._printed, self._stdout]
        listed = ",".join(map(str, worker_fds))
        here = Path(__file__).parent
        worker = [sys.executable, "-P", "-B", str(here / "worker.py"), listed, str(directory)]
        keeper = [sys.executable, "-I", "-S", "-B", str(here / "keeper.py"), str(keepers.fileno()), listed, *worker]
        try:
            self._process: subprocess.Popen[bytes] = subprocess.Popen(
                keeper,
                stdin=subprocess.DEVNULL,
                stdout=self._printed,
                stderr=self._printed,
                pass_fds=[keepers.fileno(), *worker_fds],
                env={**os.environ, _TOKEN: self._token, WORKER_MARK: str(os.getpid())},
                start_new_session=True,
            )
        except OSError as error:
            self._release()
            raise CheckError(f"the process that runs checks does not start: {error}") from error
        finally:
            theirs.close()
            keepers.close()
        self.is_alive = True

    def wait_until_ready(self, tick: Tick | None = None) -> None:
        """Wait for the worker's first sign of life. CheckError if there is none."""
        reply = self._wait(_START_TIMEOUT_S, tick, is_interruptible=False)
        if reply.trouble is not None:
            said = f"; it said: {reply.trouble.output.strip()[-400:]}" if reply.trouble.output.strip() else ""
            raise CheckError(f"the process that runs checks does not start: {reply.trouble.text}{said}")

    def ask(
        self, message: Mapping[str, object], *, timeout_s: float, tick: Tick | None, is_interruptible: bool = True
    ) -> Reply:
        """Send a request and wait for its answer; ``timeout_s`` is for one trial, and counts anew after each.

        ``tick`` is called whenever it is due and returns, on the clock, when it is due again; what it raises ends the
        worker and goes on to the caller. A stop flag that is set ends the worker, if the wait is interruptible.
        """
        self._read_to = 0
        try:
            os.ftruncate(self._log, 0)
            self._link.sendall(frame(message))
        except OSError:
            return Reply(trouble=self._end("died", self._how_it_died()))
        return self._wait(timeout_s, tick, is_interruptible)

    def close(self) -> str:
        """End the worker and everything that checks started. Says what could not be ended; mostly nothing."""
        if not self.is_alive:
            return ""
        self.is_alive = False
        with suppress(OSError):
            self._control.sendall(b"kill\n")
        deadline_s = time.monotonic() + _KILL_TIMEOUT_S
        while (left_s := deadline_s - time.monotonic()) > 0 and self._process.poll() is None:
            if readable([self._control], min(left_s, _LOOK_PERIOD_S)) and not self._hear():
                break
        with suppress(subprocess.TimeoutExpired):
            self._process.wait(timeout=max(deadline_s - time.monotonic(), 0.0))
        while self._hear():
            pass
        if b"clean\n" not in self._news:
            sweep(self._token)
        if self._process.poll() is None:
            self._process.kill()
            self._process.wait()
        left = next((line[5:].decode() for line in self._news.splitlines() if line.startswith(b"left ")), "")
        self._release()
        return f"processes {left} of a check could not be ended" if left else ""

    def _wait(self, timeout_s: float, tick: Tick | None, is_interruptible: bool) -> Reply:
        started_s = time.monotonic()
        records: list[Record] = []
        try:
            due_s = tick() if tick is not None else None
            while True:
                message = self._receive(timeout_s, started_s, due_s, is_interruptible)
                records += self._new_records()
                if message is not None:
                    return Reply(records=tuple(records), answer=message)
                if self._has_died():
                    return Reply(records=tuple(records), trouble=self._end("died", self._how_it_died()))
                if is_interruptible and self._clock.stop.reason is not None:
                    text = f"stopped: {self._clock.stop.reason}"
                    return Reply(records=tuple(records), trouble=self._end("stopped", text))
                if self._printed_bytes() > MOST_OUTPUT_BYTES:
                    text = f"it printed more than {MOST_OUTPUT_BYTES >> 20} MiB in one trial"
                    return Reply(records=tuple(records), trouble=self._end("flooded", text))
                if records:
                    started_s = max(started_s, records[-1].ended_s)
                if time.monotonic() >= started_s + timeout_s:
                    text = f"no answer within {timeout_s:g} s"
                    return Reply(records=tuple(records), trouble=self._end("hung", text))
                if (
                    tick is not None
                    and self._clock.passes_by_itself
                    and (due_s is None or self._clock.now_s() >= due_s)
                ):
                    due_s = tick()
        except BaseException:
            self.close()
            raise

    def _receive(
        self, timeout_s: float, started_s: float, due_s: float | None, is_interruptible: bool
    ) -> dict[str, object] | None:
        """Wait a little for something to happen, and take the worker's message if it is there."""
        left_s = min(started_s + timeout_s - time.monotonic(), _LOOK_PERIOD_S)
        if due_s is not None and self._clock.passes_by_itself:
            left_s = min(left_s, due_s - self._clock.now_s())
        heard: list[int | socket.socket] = [self._link, self._control]
        if is_interruptible:
            heard.append(self._clock.stop.wake_fd)
        ready = readable(heard, max(left_s, 0.0))
        if self._control.fileno() in ready:
            self._hear()
        if self._link.fileno() in ready:
            with suppress(OSError):
                self._buffer += self._link.recv(1 << 16)
        try:
            return unframe(self._buffer)
        except ValueError:
            self._news += b"exit garbled\n"  # only a check that found the link can have written this
            return None

    def _hear(self) -> bool:
        """Read what the keeper says, without waiting; False once it has closed its end."""
        try:
            news = self._control.recv(4096, socket.MSG_DONTWAIT)
        except BlockingIOError:
            return False
        except OSError:
            news = b""
        self._news += news if news or b"keeper" in self._news else b"keeper gone\n"
        return bool(news)

    def _has_died(self) -> bool:
        return b"exit " in self._news or b"keeper gone" in self._news

    def _how_it_died(self) -> str:
        deadline_s = time.monotonic() + 1.0
        while not self._has_died() and time.monotonic() < deadline_s:
            if readable([self._control], _LOOK_PERIOD_S):
                self._hear()
        told = next((line[5:].decode() for line in self._news.splitlines() if line.startswith(b"exit ")), "")
        if told in ("", "garbled"):
            return "its process was lost: a check ended its keeper, or wrote into the run's own link"
        status = int(told)
        if status == BROKEN_LINK:
            return "it closed or replaced descriptors that are not its own (os.closerange?)"
        if status >= 0:
            return f"its process ended with exit code {status}"
        with suppress(ValueError):
            return f"its process was ended by {signal.Signals(-status).name}"
        return f"its process was ended by signal {-status}"

    def _end(self, kind: Literal["hung", "died", "flooded", "stopped"], text: str) -> Trouble:
        output = self._tail()
        left = self.close()
        return Trouble(kind=kind, text=f"{text}; {left}" if left else text, output=output)

    def _new_records(self) -> list[Record]:
        size = os.fstat(self._log).st_size
        text = os.pread(self._log, max(size - self._read_to, 0), self._read_to)
        whole = text[: text.rfind(b"\n") + 1]
        self._read_to += len(whole)
        told = json.loads(b"[" + b",".join(whole.splitlines()) + b"]")
        return [Record(*fields) for fields in told]

    def _printed_bytes(self) -> int:
        return max(os.fstat(self._printed).st_size, os.fstat(self._stdout).st_size)

    def _tail(self) -> str:
        fd = max((self._printed, self._stdout), key=lambda one: os.fstat(one).st_size)
        size = os.fstat(fd).st_size
        return os.pread(fd, TAIL_BYTES, max(0, size - TAIL_BYTES)).decode("utf-8", "replace")

    def _release(self) -> None:
        for fd in (self._log, self._printed, self._stdout):
            os.close(fd)
        self._link.close()
        self._control.close()


def sweep(token: str) -> None:
    """Kill every process that carries a worker's token in its environment: for when the keeper itself was lost."""
    mark = f"{_TOKEN}={token}".encode()
    for _ in range(5):  # chosen: a process that forks while it is looked for is met the next time
        found = False
        for entry in Path("/proc").iterdir():
            if not entry.name.isdigit() or int(entry.name) == os.getpid():
                continue
            with suppress(OSError):
                if mark in (entry / "environ").read_bytes().split(b"\0"):
                    os.kill(int(entry.name), signal.SIGKILL)
                    found = True
        if not found:
            return
