"""The runner's end of its guardian: starting it, the two signs of life, and what follows if the guardian dies."""

import json
import os
import signal
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import replace
from types import TracebackType
from typing import Any, TypeVar, cast

from cornerrun.bench.ports import Baseline, BenchPorts, RestoreRecipe
from cornerrun.clock import SystemClock
from cornerrun.corners.model import Step
from cornerrun.errors import BenchError
from cornerrun.plan.bench_file import BenchFile
from cornerrun.plan.model import Plan
from cornerrun.results.records import Intent, VisitRecord
from cornerrun.run.guardian_arrivals import arrivals, delays, reachable_links, reachable_supplies
from cornerrun.run.guardian_order import Order, order_to_bytes
from cornerrun.run.guardian_signs import AT_REST, BEAT_S

__all__ = ["GuardianLink"]

T = TypeVar("T")

_START_TIMEOUT_S = 60.0  # chosen: a loaded machine with a cold disk starts an interpreter in far less
_GO_TIMEOUT_S = 60.0  # chosen: longer than a guardian takes to bring a board back, or to give it up
_DEAF_S = 2.0  # chosen: a guardian that does not answer for so long would not see the runner die in time either
_STORE_S = 8.0  # chosen: a locked store gives up after 5 s; a disk that takes longer to take some rows is gone
_BOOT = "import sys; sys.path[:] = {path!r}; from cornerrun.run.guardian import main; main()"


class GuardianLink:
    """One guardian: started when entered, ready after `answer_for`, let go when left.

    ``lock_fd`` is the bench's lock: the guardian holds it on while it brings the board back. If the guardian dies or
    answers no more, the stop flag of ``clock`` is set, as a fault: the run goes to nominal and ends.
    """

    def __init__(
        self, *, plan: Plan, bench_file: BenchFile, bench: BenchPorts, clock: SystemClock, lock_fd: int | None
    ) -> None:
        self._plan = plan
        self._bench_file = bench_file
        self._bench = bench
        self._clock = clock
        self._lock_fd = lock_fd
        self._process: subprocess.Popen[bytes] | None = None
        self._pipe: socket.socket | None = None
        self._thread: threading.Thread | None = None
        self._has_ended = threading.Event()
        self._sending = threading.Lock()
        self._phase = "prepare"
        self._lease_s = time.monotonic()
        self._longer_s = 0.0
        self._restore_tstp: Callable[[], None] = lambda: None

    @property
    def pid(self) -> int | None:
        """The guardian's process number; None while there is none."""
        return self._process.pid if self._process is not None else None

    def __enter__(self) -> None:
        """Start the process; it comes up beside what the run does first."""
        self._pipe, theirs = socket.socketpair()
        pidfd = os.pidfd_open(os.getpid())
        try:
            self._process = subprocess.Popen(
                [sys.executable, "-P", "-c", _BOOT.format(path=sys.path), str(theirs.fileno()), str(pidfd)],
                stdin=subprocess.DEVNULL,
                stdout=subprocess.DEVNULL,
                pass_fds=[theirs.fileno(), pidfd, *([] if self._lock_fd is None else [self._lock_fd])],
                start_new_session=True,
            )
        except OSError as error:
            self._pipe.close()
            raise BenchError(f"the guardian of the run does not start: {error}; nothing was moved") from error
        finally:
            theirs.close()
            os.close(pidfd)

    def answer_for(self, recipe: RestoreRecipe, baseline: Baseline, store: str) -> None:
        """Hand over the way back, and wait until the guardian is ready. BenchError if it is not.

        ``store`` is what opens the store again (`Store.address`); empty where nothing is kept.
        """
        assert self._pipe is not None
        links = reachable_links(self._bench_file)
        order = Order(
            recipe=replace(recipe, links=links, writes=tuple(write for write in recipe.writes if write.bus in links)),
            baseline=baseline,
            supplies=reachable_supplies(self._plan, self._bench_file),
            plan=self._plan,
            bench_file=self._bench_file,
            store=store,
            delays=delays(self._plan),
            arrivals=arrivals(self._plan, self._bench.power),
        )
        self._pipe.settimeout(_START_TIMEOUT_S)
        answer = b""
        try:
            self._pipe.sendall(order_to_bytes(order))
            while not answer.endswith(b"\n"):
                part = self._pipe.recv(4096)
                if not part:
                    break
                answer += part
        except OSError as error:
            answer = str(error).encode()
        if answer != b"ready\n":
            said = answer.decode("utf-8", "replace").strip().removeprefix("no ") or "it ended"
            raise BenchError(f"the guardian of the run is not ready: {said}; nothing was moved")
        self._pipe.settimeout(None)
        self._ignore_tstp()
        self._lease_s = time.monotonic()
        self._clock.sign_of_life = self._take_lease
        self._thread = threading.Thread(target=self._beat, name="beat", daemon=True)
        self._thread.start()
        self.told_phase(self._phase)

    def told_phase(self, phase: str) -> None:
        """Tell what the run is doing."""
        self._phase = phase
        self._send(f"phase {phase}\n")

    def told_step(self, step: Step) -> None:
        """Tell what is to come, and the way back from it."""
        name = f"visit {step.ordinal} ({step.corner.name})"
        self._send(f"step {json.dumps({'step': name, 'return_order': step.return_order})}\n")

    def keeper(self, store: T) -> T:
        """Return the store, so wrapped that each intent is told here first, and that its disk may be slow."""
        return cast(T, _Keeper(store, self))

    @contextmanager
    def lease(self, duration_s: float) -> Iterator[None]:
        """Let the main thread say nothing for so long, while the block runs."""
        before, self._longer_s = self._longer_s, time.monotonic() + duration_s
        try:
            yield
        finally:
            self._lease_s = time.monotonic()
            self._longer_s = before

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        """Let the guardian go; if the board may be away from nominal, wait while it brings it back."""
        self._clock.sign_of_life = _nobody
        self._has_ended.set()
        if self._thread is not None:
            self._thread.join()
            self._send("done\n" if self._phase in AT_REST else f"lost an error left the runner: {error!r}\n")
        if self._pipe is not None:
            self._pipe.close()
        if self._process is not None:
            try:
                self._process.wait(_GO_TIMEOUT_S)
            except subprocess.TimeoutExpired:
                self._process.kill()
                self._process.wait()
        self._restore_tstp()

    def _take_lease(self, until_s: float) -> None:
        self._lease_s = until_s

    def _send(self, line: str) -> bool:
        if self._pipe is None or self._thread is None:
            return False
        with self._sending:
            try:
                self._pipe.send(line.encode(), socket.MSG_DONTWAIT)
            except OSError:  # it is gone, or its pipe is full, since it no longer listens: the beat finds out
                return False
        return True

    def _beat(self) -> None:
        """Send beats, hear answers; runs in a thread of its own."""
        assert self._pipe is not None
        heard_s = time.monotonic()
        while not self._has_ended.wait(BEAT_S):
            now_s = time.monotonic()
            is_sent = self._send(f"beat {now_s:.6f} {max(self._lease_s, self._longer_s):.6f}\n")
            try:
                if not self._pipe.recv(4096, socket.MSG_DONTWAIT):
                    is_sent = False
                heard_s = now_s
            except BlockingIOError:
                pass
            except OSError:
                is_sent = False
            if not is_sent or now_s - heard_s > _DEAF_S:
                self._bury("died" if not is_sent else f"has not answered for {now_s - heard_s:.1f} s")
                return

    def _bury(self, why: str) -> None:
        """End the guardian for good, one that woke up later would fight for the bus; then ask the run to end."""
        assert self._process is not None
        with suppress(OSError):
            self._process.kill()
        self._clock.stop.request(f"the guardian of this run {why}", is_fault=True)

    def _ignore_tstp(self) -> None:
        """A run cannot be paused at the terminal: its guardian would take it for dead."""
        if threading.current_thread() is threading.main_thread():
            found = signal.signal(signal.SIGTSTP, signal.SIG_IGN)
            self._restore_tstp = lambda: _put_back(found)


class _Keeper:
    """Stands before a store. Any: its methods pass through here as they are."""

    def __init__(self, store: Any, guardian: GuardianLink) -> None:
        self._store = store
        self._guardian = guardian

    def intend(self, intent: Intent, finished: VisitRecord | None = None) -> None:
        self._guardian.told_step(intent.step)
        with self._guardian.lease(_STORE_S):
            self._store.intend(intent, finished)

    def __getattr__(self, name: str) -> Any:
        found = getattr(self._store, name)
        if not callable(found):
            return found

        def leased(*arguments: Any, **named: Any) -> Any:
            with self._guardian.lease(_STORE_S):
                return found(*arguments, **named)

        return leased


def _nobody(_until_s: float) -> None:
    """Tell nobody."""


def _put_back(found: object) -> None:
    signal.signal(signal.SIGTSTP, found if callable(found) or isinstance(found, int) else signal.SIG_DFL)
