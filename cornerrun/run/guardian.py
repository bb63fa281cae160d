"""The process that outlives a killed run: it waits for signs of life, and brings the board back when they end.

Started by `guardian_link`, in a session of its own, with one end of a socket and the runner's pidfd. It gets an order,
answers ``ready`` or ``no WHY``, and is told lines from then on: ``beat SENT LEASE`` (it answers ``ok``),
``phase NAME``, ``step JSON``, ``done``, ``lost WHY``. Standard library and link openers only, until the board is safe.
"""

import contextlib
import json
import os
import select
import signal
import socket
import sys
import time
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path

from cornerrun.bench.pmbus.link import Link
from cornerrun.bench.registry import Surroundings, link_driver
from cornerrun.clock import SystemClock
from cornerrun.errors import CornerrunError
from cornerrun.run.guardian_deed import make_safe
from cornerrun.run.guardian_order import Order, order_from
from cornerrun.run.guardian_signs import AT_REST, WORKER_MARK, Signs
from cornerrun.run.guardian_supplies import Supplies

__all__ = ["end_workers", "main"]

_IGNORED = (signal.SIGINT, signal.SIGHUP, signal.SIGTERM, signal.SIGQUIT, signal.SIGTSTP, signal.SIGPIPE)
_KILL_TIMEOUT_S = 2.0  # chosen: what SIGKILL has not ended by then waits inside the kernel, and sends nothing


def main() -> None:
    """Watch one runner until it says that it is done, or is lost."""
    for number in _IGNORED:
        signal.signal(number, signal.SIG_IGN)
    pipe, pidfd = socket.socket(fileno=int(sys.argv[1])), int(sys.argv[2])
    clock = SystemClock()
    try:
        order = order_from(pipe.recv)
        links = _open_links(order, clock)
        supplies = Supplies(order, clock)
        supplies.prepare()
    except EOFError:
        return
    except Exception as error:  # whatever it is, the run must not start without a guardian
        with contextlib.suppress(OSError):
            pipe.sendall(f"no {' '.join(str(error).split())}\n".encode())
        return
    with contextlib.suppress(OSError):  # a runner that died meanwhile has moved nothing, and is found dead below
        pipe.sendall(b"ready\n")
    _Watch(order=order, links=links, supplies=supplies, clock=clock, pipe=pipe, pidfd=pidfd).go()


def _open_links(order: Order, clock: SystemClock) -> Mapping[str, Link]:
    surroundings = Surroundings(plan=order.plan, bench_file=order.bench_file, clock=clock, simulation=None)
    links = {}
    for name in order.recipe.links:
        bus = order.bench_file.buses[name]
        build, target = link_driver(bus.link)
        links[name] = build(bus, target, surroundings)
    return links


class _Watch:
    """What one guardian knows of its runner."""

    def __init__(
        self,
        *,
        order: Order,
        links: Mapping[str, Link],
        supplies: Supplies,
        clock: SystemClock,
        pipe: socket.socket,
        pidfd: int,
    ) -> None:
        self._order = order
        self._links = links
        self._supplies = supplies
        self._clock = clock
        self._pipe = pipe
        self._pidfd = pidfd
        self._left = b""
        self._phase = "prepare"
        self._step = ""
        self._return_order: Sequence[Sequence[str]] = ()
        self._shall_be_off = ""
        self._last_beat_s = time.monotonic()
        self._is_done = False
        self._is_lost = ""

    def go(self) -> None:
        signs = Signs(time.monotonic())
        poll = select.poll()
        poll.register(self._pipe, select.POLLIN)
        while True:
            poll.poll(signs.wait_s(time.monotonic()) * 1000)
            has_ended = self._hear(signs)
            if self._is_done:
                return
            signs.is_at_rest = self._phase in AT_REST
            # What was heard counts before the clock: a guardian that was itself kept waiting blames nobody.
            why = self._is_lost or ("the runner's process ended" if has_ended else signs.trouble(time.monotonic()))
            if why:
                self._take_over(why)
                return

    def _hear(self, signs: Signs) -> bool:
        """Take everything that waits in the pipe; tell whether its other end is closed."""
        has_ended = False
        while not has_ended:
            try:
                part = self._pipe.recv(1 << 16, socket.MSG_DONTWAIT)
            except BlockingIOError:
                break
            except OSError:
                part = b""
            has_ended = not part
            self._left += part
        *lines, self._left = self._left.split(b"\n")
        for line in lines:
            word, _, rest = line.decode("utf-8", "replace").partition(" ")
            self._take(word, rest, signs)
        return has_ended

    def _take(self, word: str, rest: str, signs: Signs) -> None:
        if word == "beat":
            sent, lease = rest.split()
            self._last_beat_s = float(sent)
            signs.beat(time.monotonic(), float(sent), float(lease))
            with contextlib.suppress(OSError):
                self._pipe.send(b"ok\n", socket.MSG_DONTWAIT)
        elif word == "phase":
            self._phase = rest
            if rest == "off":
                self._shall_be_off = "the runner was turning every rail off"
        elif word == "step":
            told = json.loads(rest)
            self._step, self._return_order = told["step"], told["return_order"]
        elif word == "done":
            self._is_done = True
        elif word == "lost":
            self._is_lost = rest

    def _take_over(self, why: str) -> None:
        if not self._is_lost:
            self._end_runner()
        end_workers(self._order.recipe.pid)
        doing = f"in phase {self._phase!r}" + (f" of {self._step}" if self._step else "")
        deed = make_safe(
            self._order,
            self._links,
            self._clock,
            return_order=self._return_order,
            shall_be_off=self._shall_be_off,
            supplies=self._supplies,
        )
        self._supplies.close()
        # The board is safe: from here on it may take its time.
        from cornerrun.run.guardian_record import keep, story

        told = story(deed, lost=why, doing=doing, after_s=deed.safe_s - self._last_beat_s)
        try:
            failed = keep(self._order, deed, told, has_begun=bool(self._step))
        except CornerrunError as error:
            failed = str(error)
        end_workers(self._order.recipe.pid, also_keepers=True)
        with contextlib.suppress(OSError):
            print(f"cornerrun: {told}" + (f"; {failed}" if failed else ""), file=sys.stderr, flush=True)

    def _end_runner(self) -> None:
        """Kill the runner, stopped or not, and see it gone: one that woke up later would fight for the bus."""
        with contextlib.suppress(OSError):
            signal.pidfd_send_signal(self._pidfd, signal.SIGKILL)
        poll = select.poll()
        poll.register(self._pidfd, select.POLLIN)
        poll.poll(_KILL_TIMEOUT_S * 1000)


def end_workers(runner: int, *, also_keepers: bool = False) -> None:
    """Kill what checks of a lost runner have started.

    Their keeper does so too, and finds those that hide; it is only killed once it has had the time.
    """
    for pid, words in _marked(f"{WORKER_MARK}={runner}".encode()):
        if also_keepers or not any(word.endswith(b"keeper.py") for word in words):
            with contextlib.suppress(OSError):
                os.kill(pid, signal.SIGKILL)


def _marked(mark: bytes) -> Iterator[tuple[int, Sequence[bytes]]]:
    for entry in Path("/proc").iterdir():
        if entry.name.isdigit() and int(entry.name) != os.getpid():
            with contextlib.suppress(OSError):
                if mark in (entry / "environ").read_bytes().split(b"\0"):
                    yield int(entry.name), (entry / "cmdline").read_bytes().split(b"\0")
