"""Ctrl-C where nothing moves any more: while a store is read, and while Python takes itself down."""

import os
import subprocess
import sys

import pytest

# A shell starts what runs behind it deaf to Ctrl-C, and everything below that inherits it: tests too.
COMMAND = "import signal; signal.signal(signal.SIGINT, signal.default_int_handler)\n"
COMMAND += "from cornerrun.cli.main import main; main()"

# Ctrl-C comes at the n-th time that a connection goes back to the pool.
IN_THE_POOL = """
import itertools, sys
from sqlalchemy.engine.default import DefaultDialect
real, count, wanted = DefaultDialect.do_rollback, itertools.count(1), int(sys.argv.pop(1))
def do_rollback(self, connection):
    if next(count) == wanted:
        raise KeyboardInterrupt
    real(self, connection)
DefaultDialect.do_rollback = do_rollback
"""

# Ctrl-C comes while garbage is collected: a destructor is the first to see it.
IN_A_DESTRUCTOR = """
import os, signal
from cornerrun.results.store import Store
class Garbage:
    def __del__(self, kill=os.kill, pid=os.getpid(), number=signal.SIGINT):
        kill(pid, number)
        sum(range(100))
real = Store.load
def load(self, run_id, **options):
    Garbage()
    return real(self, run_id, **options)
Store.load = load
"""

# Ctrl-C comes when modules are taken apart.
AT_THE_END = """
import os, signal
class Late:
    def __del__(self, kill=os.kill, pid=os.getpid(), number=signal.SIGINT):
        kill(pid, number)
        sum(range(100))
late = Late()
"""


@pytest.fixture
def call(cornerrun, desk):
    cornerrun("run", "quickstart.yaml", "--serial", "1", "--only", "all low", "--no-workbook", "--seed", "3")

    def run(program, *arguments):
        return subprocess.run(
            [sys.executable, "-c", program + COMMAND, *arguments],
            cwd=desk,
            env=os.environ,
            capture_output=True,
            text=True,
            timeout=60,
            check=False,
        )

    return run


@pytest.mark.parametrize("place", ["1", "2", "3", "4"])
def test_while_a_store_is_read_the_command_says_interrupted_and_no_more(call, place):
    done = call(IN_THE_POOL, place, "report")
    assert done.returncode == 130
    assert done.stderr.strip() == "cornerrun: interrupted"


def test_while_garbage_is_collected_it_ends_the_command_too(call):
    done = call(IN_A_DESTRUCTOR, "report", "--workbook")
    assert (done.returncode, done.stderr.strip()) == (130, "cornerrun: interrupted")


def test_at_the_very_end_it_changes_nothing(call):
    done = call(AT_THE_END, "runs")
    assert (done.returncode, done.stderr) == (0, "")
    assert done.stdout.startswith("RUN")
