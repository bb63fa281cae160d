"""The process that runs the checks of a plan: kept warm, told by messages, started as a script by the keeper.

What a trial came to is appended to a log in memory that the run reads, so that nothing is lost when a check takes this
process down; what it printed goes to another. A check may do anything here: it is given no descriptor that leads
back to the run under a number that it would meet by chance, and whatever it forks never answers in its place.
"""

import faulthandler
import fcntl
import json
import os
import signal
import socket
import subprocess
import sys
import time
import traceback
from collections.abc import Callable, Mapping
from dataclasses import fields
from pathlib import Path
from typing import TextIO

from cornerrun.run.answers import PASSED, Answer, from_command, from_return
from cornerrun.run.check_environment import environment
from cornerrun.run.loading import Loader, LoadTrouble, where
from cornerrun.run.suite import RESULT_FD, VIEW, Suite, command_of, from_suite
from cornerrun.run.view import CheckView
from cornerrun.run.wire import decode_view, encode_view, frame, unframe

__all__: list[str] = []

BROKEN_LINK = 70  # the exit status that tells the run that a check closed or replaced this process's own descriptors
TAIL_BYTES = 4096
_ENCODE = json.JSONEncoder(separators=(",", ":")).encode
_LONGEST_VIEW = 120_000  # Linux takes 128 KiB for one string of the environment (execve(2), MAX_ARG_STRLEN)
_OUT_OF_THE_WAY = 200  # chosen: descriptors from here on are not met by a check that closes "all" from 3 to 100


class Worker:
    """Serve requests until the run closes the link."""

    def __init__(self, link: int, log: int, printed: int, stdout: int, directory: Path) -> None:
        self._pid = os.getpid()
        high = [fcntl.fcntl(fd, fcntl.F_DUPFD_CLOEXEC, _OUT_OF_THE_WAY) for fd in (link, log, printed, stdout)]
        for fd in (link, log, printed, stdout):
            os.close(fd)
        self._link = socket.socket(fileno=high[0])
        self._log, self._printed, self._stdout = high[1:]
        self._inodes = [os.fstat(fd).st_ino for fd in high]
        self._descriptors = high
        self._directory = directory
        self._loader = Loader(directory)
        self._base: CheckView | None = None
        self._streams: tuple[TextIO, TextIO] = (sys.stdout, sys.stderr)
        for stream in self._streams:
            stream.reconfigure(encoding="utf-8", errors="backslashreplace", line_buffering=True)  # type: ignore[attr-defined]
        self._reset()
        faulthandler.enable(file=self._printed)

    def serve(self) -> None:
        """Answer requests one after another."""
        buffer = bytearray()
        self._send({"op": "ready"})
        while True:
            request = unframe(buffer)
            if request is None:
                received = self._link.recv(1 << 16)
                if not received:
                    return
                buffer += received
                continue
            self._send(self._load(str(request["target"])) if request["op"] == "load" else self._trials(request))

    def _load(self, target: str) -> Mapping[str, object]:
        self._reset()
        try:
            self._loader.load(target)
            return {"op": "loaded", "path": self._loader.path(target), "trouble": ""}
        except LoadTrouble as error:
            return {"op": "loaded", "path": "", "trouble": str(error)}

    def _trials(self, request: Mapping[str, object]) -> Mapping[str, object]:
        self._reset()
        if "view" in request:
            self._base = decode_view(request["view"])  # type: ignore[arg-type]  # encode_view made it
        assert self._base is not None
        settings: Mapping[str, str] = request["settings"]  # type: ignore[assignment]  # texts by texts, made by the run
        told = {item.name: getattr(self._base, item.name) for item in fields(self._base)}
        told |= {"check": request["check"], "settings": settings}
        makers = {"python": self._python, "command": self._command, "suite": self._suite}
        run = next(maker for key, maker in makers.items() if key in request)(request)
        for trial in range(int(str(request["first"])), int(str(request["first"])) + int(str(request["count"]))):
            told["trial"] = trial
            started_s = time.monotonic()
            answer = self._answer(run, CheckView(**told))
            ended_s = time.monotonic()
            if os.getpid() != self._pid:
                os._exit(0)  # a child that a check forked and let run on into our loop
            try:
                self._record(trial, answer, ended_s - started_s, ended_s)
            except OSError:
                os._exit(BROKEN_LINK)
            if answer.trouble:
                break
        return {"op": "done"}

    def _answer(self, run: Callable[[CheckView], Answer], view: CheckView) -> Answer:
        try:
            return run(view)
        except AssertionError as error:
            self._show(error)
            return Answer(passed=False, reason=where(error, self._directory))
        except BaseException as error:
            self._show(error)
            return Answer(trouble=where(error, self._directory))

    def _python(self, request: Mapping[str, object]) -> Callable[[CheckView], Answer]:
        call, takes_view = self._loader.load(str(request["python"]))
        is_hook = bool(request["is_hook"])

        def run(view: CheckView) -> Answer:
            value = call(view) if takes_view else call()
            return from_return(value) if not is_hook else Answer(passed=value is not False)

        return run

    def _command(self, request: Mapping[str, object]) -> Callable[[CheckView], Answer]:
        argv: list[str] = request["command"]  # type: ignore[assignment]  # a list of texts, made by the run
        is_hook = bool(request["is_hook"])

        def run(view: CheckView) -> Answer:
            os.ftruncate(self._stdout, 0)
            os.lseek(self._stdout, 0, os.SEEK_SET)
            environ = {**os.environ, **environment(view)}
            try:
                process = subprocess.Popen(
                    argv,
                    stdin=subprocess.DEVNULL,
                    stdout=self._stdout,
                    stderr=self._printed,
                    cwd=self._directory,
                    env=environ,
                    start_new_session=True,
                )
            except OSError as error:
                return Answer(trouble=f"{argv[0]} does not start: {error.strerror or error}")
            os.waitid(os.P_PID, process.pid, os.WEXITED | os.WNOWAIT)
            if not is_hook:
                # While its leader is unreaped, the group's number belongs to nobody else. A set-up may leave a server.
                os.killpg(process.pid, signal.SIGKILL)
            size = os.fstat(self._stdout).st_size
            text = os.pread(self._stdout, size, 0).decode("utf-8", "replace")
            os.write(self._printed, text[-TAIL_BYTES:].encode())
            return from_command(process.wait(), "" if is_hook else text)

        return run

    def _suite(self, request: Mapping[str, object]) -> Callable[[CheckView], Answer]:
        arguments: list[str] = request["suite"]  # type: ignore[assignment]  # a list of texts, made by the run
        argv = command_of(Suite(arguments=tuple(arguments)))

        def run(view: CheckView) -> Answer:
            shown = _ENCODE(encode_view(view))
            if len(shown) > _LONGEST_VIEW:
                return Answer(trouble="the corner is too large for a suite to be told of: fewer unit data or settings")
            results = os.memfd_create("cornerrun suite")
            try:
                environ = {**os.environ, **environment(view), VIEW: shown, RESULT_FD: str(results)}
                process = subprocess.Popen(
                    argv,
                    stdin=subprocess.DEVNULL,
                    stdout=self._printed,
                    stderr=self._printed,
                    cwd=self._directory,
                    env=environ,
                    pass_fds=[results],
                    start_new_session=True,
                )
                os.waitid(os.P_PID, process.pid, os.WEXITED | os.WNOWAIT)
                os.killpg(process.pid, signal.SIGKILL)
                text = os.pread(results, os.fstat(results).st_size, 0).decode("utf-8", "replace")
                return from_suite(process.wait(), text.splitlines())
            finally:
                os.close(results)

        return run

    def _show(self, error: BaseException) -> None:
        """Leave the traceback where what a check prints goes."""
        try:
            os.write(self._printed, "".join(traceback.format_exception(error))[-TAIL_BYTES:].encode("utf-8", "replace"))
        except BaseException:
            return

    def _record(self, trial: int, answer: Answer, duration_s: float, ended_s: float) -> None:
        """Write a trial down before the next one starts: a check that takes this process along loses its own only."""
        output = self._output()
        if os.fstat(self._log).st_ino != self._inodes[1]:
            os._exit(BROKEN_LINK)
        if answer is PASSED and not output:  # by far the most frequent, and JSON all the same
            line = f'[{trial},true,{{}},"","",{duration_s!r},{ended_s!r},""]'
        else:
            told = (answer.passed, answer.numbers, answer.trouble, answer.reason)
            line = _ENCODE((trial, *told, duration_s, ended_s, output, answer.tests))
        os.write(self._log, line.encode() + b"\n")

    def _output(self) -> str:
        """Take the tail of what was printed since the last time."""
        for stream in {*self._streams, sys.stdout, sys.stderr}:
            try:
                stream.flush()
            except BaseException:
                continue
        status = os.fstat(self._printed)
        size = status.st_size
        if size == 0 and status.st_ino == self._inodes[2]:
            return ""
        self._check_descriptors()
        text = os.pread(self._printed, TAIL_BYTES, max(0, size - TAIL_BYTES)).decode("utf-8", "replace")
        os.ftruncate(self._printed, 0)
        os.lseek(self._printed, 0, os.SEEK_SET)
        return text

    def _reset(self) -> None:
        """Put back what the last check may have changed: descriptors 1 and 2, the streams, the directory."""
        self._check_descriptors()
        os.dup2(self._printed, 1)
        os.dup2(self._printed, 2)
        sys.stdout, sys.stderr = self._streams
        os.ftruncate(self._log, 0)
        os.lseek(self._log, 0, os.SEEK_SET)
        os.ftruncate(self._printed, 0)
        os.lseek(self._printed, 0, os.SEEK_SET)
        os.chdir(self._directory)

    def _check_descriptors(self) -> None:
        try:
            found = [os.fstat(fd).st_ino for fd in self._descriptors]
        except OSError:
            found = []
        if found != self._inodes:
            os._exit(BROKEN_LINK)

    def _send(self, message: Mapping[str, object]) -> None:
        self._check_descriptors()
        self._link.sendall(frame(message))


def main() -> None:
    """Start where the keeper's command line says."""
    link, log, printed, stdout = (int(text) for text in sys.argv[1].split(","))
    directory = Path(sys.argv[2])
    sys.path.insert(0, str(directory))
    Worker(link, log, printed, stdout, directory).serve()


if __name__ == "__main__":
    main()
