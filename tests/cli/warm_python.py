"""A Python that has imported the product, and forks for each call: a process of its own without the cost of a start.

Each call runs `MODULE:FUNCTION` as a script would: own process, folder, environment, streams, exit. What a fork shares
with the next one is imported modules only. Run as a script, this file is the Python that forks.
"""

import atexit
import gc
import json
import os
import pkgutil
import signal
import socket
import subprocess
import sys
import threading
from dataclasses import dataclass
from importlib import import_module

_LENGTH = 8
_NOT_WANTED = {"cornerrun.run.suite_plugin", "cornerrun.cli.pytest_plugin"}  # loaded by pytest, which rewrites them
# What the product imports inside its functions.
_LATE = ("scipy.stats", "scipy.optimize", "scipy.special", "sqlalchemy.dialects.sqlite", "openpyxl", "pytest")


@dataclass(frozen=True, kw_only=True)
class Finished:
    code: int
    out: str
    err: str

    @property
    def data(self):
        return json.loads(self.out)


class WarmPython:
    """Start it once, call it often, close it."""

    def __init__(self):
        self._link, theirs = socket.socketpair()
        with theirs:
            self._process = subprocess.Popen(
                [sys.executable, __file__, str(theirs.fileno())],
                stdin=subprocess.DEVNULL,
                pass_fds=[theirs.fileno()],
                # Threads do not survive a fork: the libraries that would start some start none.
                env={**os.environ, "OPENBLAS_NUM_THREADS": "1"},
            )

    def call(self, target, *arguments, cwd, env=None, stdin=None, timeout_s=120.0):
        """Call a function of a module with ``arguments`` in sys.argv, and wait until it and its streams have ended."""
        order = {
            "target": target,
            "argv": [target, *map(str, arguments)],
            "cwd": str(cwd),
            "env": dict(os.environ if env is None else env),
        }
        text = json.dumps(order).encode()
        pipes = [os.pipe() for _ in range(3)]
        out, err, status = (os.fdopen(read, "rb") for read, _ in pipes)
        nothing = os.open(os.devnull, os.O_RDONLY)
        given = [nothing if stdin == subprocess.DEVNULL else 0, *(write for _, write in pipes)]
        socket.send_fds(self._link, [len(text).to_bytes(_LENGTH)], given)
        self._link.sendall(text)
        for fd in (nothing, *given[1:]):
            os.close(fd)
        told = {}
        readers = [
            threading.Thread(target=lambda name=name, stream=stream: told.update({name: stream.read()}))
            for name, stream in (("out", out), ("err", err))
        ]
        for reader in readers:
            reader.start()
        pid = int(status.readline())
        killer = threading.Timer(timeout_s, os.kill, (pid, signal.SIGKILL))
        killer.start()
        code = os.waitstatus_to_exitcode(int(status.readline()))
        for reader in readers:
            reader.join(timeout_s)
            assert not reader.is_alive(), f"what {arguments} started holds its streams"
        killer.cancel()
        for stream in (out, err, status):
            stream.close()
        return Finished(code=code, out=told["out"].decode(), err=told["err"].decode())

    def close(self):
        self._link.close()
        self._process.wait(timeout=30)


def _serve(link):
    """Fork for each order, for ever. Returns in the fork only, with the order that it shall carry out."""
    while True:
        head, fds, _, _ = socket.recv_fds(link, _LENGTH, 4)
        if not head:
            os._exit(0)
        text = bytearray()
        while len(text) < int.from_bytes(head):
            text += link.recv(1 << 20)
        if os.fork() == 0:  # waits for the call, and says how it ended
            link.close()
            *streams, status = fds
            pid = os.fork()
            if pid == 0:
                os.close(status)
                for number, fd in enumerate(streams):
                    os.dup2(fd, number)
                    os.close(fd)
                return json.loads(text)
            for fd in streams:
                os.close(fd)
            os.write(status, b"%d\n" % pid)
            os.write(status, b"%d\n" % os.waitpid(pid, 0)[1])
            os._exit(0)
        for fd in fds:
            os.close(fd)
        _reap()


def _reap():
    try:
        while os.waitpid(-1, os.WNOHANG)[0]:
            pass
    except ChildProcessError:
        return


def main():
    """Import the product, then do what each order says."""
    import cornerrun

    for module in pkgutil.walk_packages(cornerrun.__path__, "cornerrun."):
        if module.name not in _NOT_WANTED:
            import_module(module.name)
    for name in _LATE:
        import_module(name)
    gc.freeze()  # a collection in a call would touch, and so copy, every page that it shares with this process
    with socket.socket(fileno=int(sys.argv[1])) as link:
        order = _serve(link)
    os.chdir(order["cwd"])
    os.environ.clear()
    os.environ.update(order["env"])
    sys.argv[:] = order["argv"]
    sys.path[0] = ""  # as after `python -c`
    module, _, function = order["target"].partition(":")
    try:
        code = getattr(import_module(module), function)()
    except SystemExit as end:
        code = end.code
    # What the interpreter does at its end, but for taking a thousand modules down one by one.
    threading._shutdown()
    atexit._run_exitfuncs()
    sys.stdout.flush()
    sys.stderr.flush()
    os._exit(int(code or 0))


if __name__ == "__main__":
    main()
