"""Start runs without paying for their imports each time: a process that has them forks once a run.

It reads a line of JSON (the command line) and answers the process number, then the exit status; SIGUSR1 hangs a run's
main thread: by a loop that holds the interpreter, or by a wait that does not, in turn.
"""

import contextlib
import itertools
import json
import os
import signal
import subprocess
import sys
import time
from collections.abc import Sequence
from pathlib import Path

_HANGS = ("loop", "wait")


class ForkingRuns:
    """One such process; ``directory`` is where its runs work and leave what they print (``run.out``)."""

    def __init__(self, directory: Path) -> None:
        self._process = subprocess.Popen(
            [sys.executable, __file__], cwd=directory, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
        )

    def start(self, *arguments: str) -> int:
        """Start a run; return its process number."""
        assert self._process.stdin is not None
        print(json.dumps(arguments), file=self._process.stdin, flush=True)
        return int(self._line())

    def status(self) -> int:
        """Wait for the run; return its exit code, negative for the signal that ended it."""
        return int(self._line())

    def close(self) -> None:
        """End the process; runs have ended by then."""
        self._process.communicate()

    def _line(self) -> str:
        assert self._process.stdout is not None
        line = self._process.stdout.readline()
        if not line:
            raise EOFError("the process that forks runs is gone")
        return line


def _main() -> None:

    hangs = itertools.cycle(_HANGS)
    for line in sys.stdin:
        kind = next(hangs)
        pid = os.fork()
        if not pid:
            _run(json.loads(line), kind)
        print(pid, flush=True)
        _, status = os.waitpid(pid, 0)
        print(os.waitstatus_to_exitcode(status), flush=True)


def _run(arguments: Sequence[str], kind: str) -> None:
    from cornerrun.cli.main import main

    def hang(*_: object) -> None:
        while kind == "loop":
            pass
        time.sleep(3600)

    os.setsid()
    signal.signal(signal.SIGUSR1, hang)
    signal.signal(signal.SIGINT, signal.default_int_handler)
    out = os.open("run.out", os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o644)
    null = os.open(os.devnull, os.O_RDONLY)
    for fd, wanted in ((null, 0), (out, 1), (out, 2)):
        os.dup2(fd, wanted)
    sys.argv = ["cornerrun", *arguments]
    code = 70
    with contextlib.suppress(KeyboardInterrupt):
        try:
            main()
        except SystemExit as error:
            code = error.code if isinstance(error.code, int) else int(error.code is not None)
    sys.stdout.flush()
    sys.stderr.flush()
    os._exit(code)


if __name__ == "__main__":
    _main()
