"""A lost run on the TCP bench: the guardian brings the board back, and the store tells what it did."""

import contextlib
import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest
from lost_runs import gone, guardian_of, wait_until_moved

from cornerrun.errors import StoreError
from cornerrun.results.store import Store

QUICK = ("run", "quickstart.yaml", "--serial", "00123", "--no-workbook")


@pytest.mark.parametrize("number", [signal.SIGKILL, signal.SIGSTOP])
def test_a_lost_run_ends_at_nominal_and_the_store_tells_what_the_guardian_did(cornerrun, start, tcp_bench, number):
    bench = ("--bench", tcp_bench)
    process = start(*QUICK, *bench)
    wait_until_moved(process)
    guardian = guardian_of(process)
    process.send_signal(number)
    assert process.wait(20) == -signal.SIGKILL, "a stopped runner is killed, or it could wake up and fight"
    assert gone(guardian)
    assert "the guardian took over" in process.stderr.read()

    assert cornerrun("measure", "quickstart.yaml", *bench).code == 0
    (run,) = cornerrun("runs", "--json").data
    assert (run["result"], run["end_state"]) == ("incomplete", "nominal")
    assert "the guardian took over" in run["why"]
    assert "nominal, by its guardian" in cornerrun("runs").out
    assert "the guardian took over" in cornerrun("report", "last").out
    quick = cornerrun("to-nominal", "quickstart.yaml", *bench, "--json")
    assert (quick.code, quick.data["closed"]) == (0, [])
    assert cornerrun(*QUICK, *bench, "--only", "all high").code == 1, "a new run may start, and finds the trim error"


def test_a_guardian_takes_no_notice_of_signals_meant_for_the_run(start, tcp_bench):
    process = start(*QUICK, "--bench", tcp_bench, "--only", "all high")
    wait_until_moved(process)
    guardian = guardian_of(process)
    for number in (signal.SIGINT, signal.SIGHUP, signal.SIGTERM, signal.SIGQUIT, signal.SIGTSTP):
        os.kill(guardian, number)
    process.communicate(timeout=30)
    assert process.returncode == 1
    assert gone(guardian), "it goes when the run is done"


@pytest.mark.parametrize("number", [signal.SIGKILL, signal.SIGSTOP])
def test_a_run_whose_guardian_is_lost_goes_to_nominal_and_ends_with_3(cornerrun, start, tcp_bench, number):
    process = start(*QUICK, "--bench", tcp_bench)
    wait_until_moved(process)
    guardian = guardian_of(process)
    os.kill(guardian, number)
    out, _ = process.communicate(timeout=30)
    assert process.returncode == 3
    assert gone(guardian), "a stopped guardian is killed, or it could wake up and fight"
    assert "the guardian of this run" in out
    assert cornerrun("measure", "quickstart.yaml", "--bench", tcp_bench).code == 0
    assert cornerrun("runs", "--json").data[0]["end_state"] == "nominal"


def test_a_paused_terminal_does_not_stop_a_run(start, tcp_bench):
    process = start(*QUICK, "--bench", tcp_bench, "--only", "all high")
    wait_until_moved(process)
    process.send_signal(signal.SIGTSTP)
    process.communicate(timeout=30)
    assert process.returncode == 1


def test_a_pytest_session_over_corners_is_guarded_too(cornerrun, tcp_bench, desk):
    (desk / "pytest.ini").write_text("[pytest]\n", encoding="utf-8")
    suite = "import time\n\ndef test_slow(corner):\n    time.sleep(60)\n"
    (desk / "test_slow.py").write_text(suite, encoding="utf-8")
    plan = ["--cornerrun", "quickstart.yaml", "--cornerrun-bench", str(tcp_bench), "--cornerrun-only", "all low"]
    command = [sys.executable, "-m", "pytest", "-p", "cornerrun.cli.pytest_plugin", "-p", "no:cacheprovider", *plan]
    process = subprocess.Popen(
        [*command, "test_slow.py"], cwd=desk, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL
    )
    try:
        deadline_s = time.monotonic() + 30
        while not is_under_way(desk / "results" / "runs.sqlite"):
            assert process.poll() is None, "the session ended early"
            assert time.monotonic() < deadline_s
            time.sleep(0.05)
        guardian = guardian_of(process)
    finally:
        process.kill()
        process.wait()
    assert gone(guardian)
    (run,) = cornerrun("runs", "--json").data
    assert (run["end_state"], "the guardian took over" in run["why"]) == ("nominal", True)
    assert cornerrun("measure", "quickstart.yaml", "--bench", tcp_bench).code == 0


def test_goto_is_guarded_too(cornerrun, start, tcp_bench, desk):
    process = start("goto", "quickstart.yaml", "all low", "--hold", "10min", "--bench", tcp_bench)
    deadline_s = time.monotonic() + 20
    while not is_under_way(desk / "results" / "runs.sqlite"):
        assert time.monotonic() < deadline_s
        time.sleep(0.05)
    process.kill()
    process.wait()
    assert "the guardian took over" in process.stderr.read()
    assert cornerrun("measure", "quickstart.yaml", "--bench", tcp_bench).code == 0


def is_under_way(path) -> bool:
    try:
        with Store.open(path, read_only=True) as store:
            return any(store.last_intent(run.run_id) for run in store.unfinished())
    except StoreError:  # it is not there yet, or is being made
        return False


def test_learning_how_rails_settle_is_guarded_too(cornerrun, start, tcp_bench):
    process = start("discover", tcp_bench, "--addresses", "main:0x40", "--learn", "--out", "draft.yaml")
    deadline_s = time.monotonic() + 30
    for line in process.stderr:
        if "stepping" in line:
            break
    while sockets_of(guardian_of(process)) < 2:  # its pipe and the bus: it has its order
        assert time.monotonic() < deadline_s
        time.sleep(0.01)
    process.kill()
    process.wait()
    assert "the guardian took over: the runner's process ended" in process.stderr.read()
    assert cornerrun("measure", "quickstart.yaml", "--bench", tcp_bench).code == 0


def sockets_of(pid: int) -> int:
    count = 0
    for fd in Path(f"/proc/{pid}/fd").iterdir():
        with contextlib.suppress(FileNotFoundError):  # closed since it was listed
            count += str(fd.readlink()).startswith("socket:")
    return count


def test_rails_that_supplies_make_are_brought_back_too(cornerrun, start, desk):
    bench_path = desk / "fed.yaml"
    start("simulate", "supplied_bench.yaml", "--write", bench_path)
    deadline_s = time.monotonic() + 30
    while not bench_path.exists():
        assert time.monotonic() < deadline_s
        time.sleep(0.02)
    process = start("run", "supplied.yaml", "--serial", "1", "--no-workbook", "--bench", bench_path)
    wait_until_moved(process)
    process.kill()
    process.wait()
    assert "supply FEED_A restored, supply FEED_B restored" in process.stderr.read()
    assert cornerrun("measure", "supplied.yaml", "--bench", bench_path).code == 0
    assert cornerrun("runs", "--json").data[0]["end_state"] == "nominal"
