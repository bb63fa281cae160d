import contextlib
import os
import shutil
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parent))  # for the modules beside this one
from warm_python import WarmPython  # only there from here on

PLANS = Path(__file__).parents[2] / "plans"


@pytest.fixture
def desk(tmp_path):
    """A folder of its own with the demo plans in it."""
    shutil.copytree(PLANS, tmp_path / "desk", ignore=shutil.ignore_patterns("__pycache__", "results"))
    return tmp_path / "desk"


@pytest.fixture(scope="session")
def warm_python():
    python = WarmPython()
    yield python
    python.close()


@pytest.fixture
def cornerrun(desk, warm_python):
    """Call the command as a person would, in a process of its own."""

    def call(*arguments, **options):
        finished = warm_python.call("cornerrun.cli.main:main", *arguments, cwd=desk, **options)
        assert "Traceback" not in finished.err
        return finished

    return call


@pytest.fixture
def start(desk):
    """Start the command and leave it running; whatever is left of it is killed at the end."""
    started = []

    def call(*arguments):
        process = subprocess.Popen(
            [sys.executable, "-c", "from cornerrun.cli.main import main; main()", *map(str, arguments)],
            cwd=desk,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
            start_new_session=True,
        )
        started.append(process)
        return process

    yield call
    for process in started:
        with contextlib.suppress(ProcessLookupError):
            os.killpg(process.pid, signal.SIGKILL)
        process.communicate()


@pytest.fixture
def simulate(desk, start):
    """Put the quickstart's bench behind TCP, in a process of its own: it outlives a killed run, as hardware does."""

    def call():
        bench_path = desk / "tcp_bench.yaml"
        process = start("simulate", "quickstart_bench.yaml", "--write", bench_path)
        deadline = time.monotonic() + 30
        while not bench_path.exists():
            assert process.poll() is None, process.stderr.read()
            assert time.monotonic() < deadline, "the simulated bench did not come up"
            time.sleep(0.02)
        return process, bench_path

    return call


@pytest.fixture
def tcp_bench(simulate):
    return simulate()[1]
