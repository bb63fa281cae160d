"""A small process that holds the worker, so that nothing which a check starts outlives the run.

It is a child subreaper (prctl(2)): whatever a check leaves, however often it forked, becomes its child. When the run
says so, or dies, the keeper kills all of it. Standard library only; started as a script.
"""

import os
import select
import signal
import sys
import time
from contextlib import suppress

_PR_SET_CHILD_SUBREAPER = 36  # linux/prctl.h
_GIVE_UP_S = 5.0  # chosen: what SIGKILL has not ended by then waits inside the kernel


def main() -> None:
    """Start the worker, tell when it ends, and leave nothing behind."""
    control, worker_fds, argv = int(sys.argv[1]), [int(fd) for fd in sys.argv[2].split(",")], sys.argv[3:]
    _become_subreaper()
    for number in (signal.SIGINT, signal.SIGHUP, signal.SIGTERM, signal.SIGQUIT, signal.SIGTSTP):
        signal.signal(number, signal.SIG_IGN)
    reader, writer = os.pipe2(os.O_NONBLOCK | os.O_CLOEXEC)
    signal.signal(signal.SIGCHLD, lambda *_: None)
    signal.set_wakeup_fd(writer, warn_on_full_buffer=False)
    os.set_inheritable(control, False)
    worker = os.posix_spawn(argv[0], argv, os.environ, setsid=True, setsigdef=list(signal.valid_signals() - {9, 19}))
    for fd in worker_fds:
        os.close(fd)
    poll = select.poll()  # select(2) fails for descriptors from 1024 on, and these keep the numbers that the run gave
    for fd in (control, reader):
        poll.register(fd, select.POLLIN)
    while True:
        ready = [fd for fd, _ in poll.poll()]
        if reader in ready:
            os.read(reader, 4096)
            _reap(control, worker)
        if control in ready:
            with suppress(OSError):
                os.read(control, 64)
            left = _kill_all(control, worker)
            _tell(control, f"left {' '.join(map(str, left))}\n" if left else "clean\n")
            os._exit(0)


def _become_subreaper() -> None:
    try:
        import ctypes

        ctypes.CDLL(None, use_errno=True).prctl(_PR_SET_CHILD_SUBREAPER, 1, 0, 0, 0)
    except (ImportError, OSError, AttributeError):
        pass  # what escapes then is found by its environment (`sweep` in run/worker_link.py)


def _tell(control: int, text: str) -> None:
    with suppress(OSError):  # the run is gone; the killing goes on all the same
        os.write(control, text.encode())


def _reap(control: int, worker: int) -> None:
    while True:
        try:
            pid, status = os.waitpid(-1, os.WNOHANG)
        except ChildProcessError:
            return
        if pid == 0:
            return
        if pid == worker:
            _tell(control, f"exit {os.waitstatus_to_exitcode(status)}\n")


def _kill_all(control: int, worker: int) -> list[int]:
    """Kill every descendant until none is left; return those that would not go."""
    deadline = time.monotonic() + _GIVE_UP_S
    while True:
        alive = _descendants()
        if not alive or time.monotonic() > deadline:
            return alive
        for number in (signal.SIGSTOP, signal.SIGKILL):  # stopped first, so that none forks while others are killed
            for pid in alive:
                with suppress(OSError):
                    os.kill(pid, number)
        time.sleep(0.002)
        _reap(control, worker)


def _descendants() -> list[int]:
    children: dict[int, list[int]] = {}
    dead = set()
    for entry in os.scandir("/proc"):
        if entry.name.isdigit():
            try:
                file = os.open(f"/proc/{entry.name}/stat", os.O_RDONLY)
            except OSError:
                continue
            with suppress(OSError, ValueError):
                # proc(5): "pid (name) state parent ...", and the name may hold anything
                state, parent = os.read(file, 1024).rpartition(b")")[2].split()[:2]
                children.setdefault(int(parent), []).append(int(entry.name))
                if state in (b"Z", b"X"):
                    dead.add(int(entry.name))
            os.close(file)
    found, queue = [], [os.getpid()]
    while queue:
        for pid in children.get(queue.pop(), []):
            queue.append(pid)
            if pid not in dead:
                found.append(pid)
    return found


if __name__ == "__main__":
    main()
