"""Hostile checks and honest ones, each against its outcome; and no process is left behind."""

import os
import signal
import stat
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path
from textwrap import dedent

import pytest

from cornerrun.clock import ManualClock, SystemClock
from cornerrun.errors import CheckError, SupervisionLost
from cornerrun.plan.model import Acceptance, Check, Demonstrate, Screen
from cornerrun.results.records import Outcome
from cornerrun.run.checks import CheckRun, CheckRunner
from cornerrun.run.view import CheckView, RailView

CODE = """
import ctypes, math, os, signal, subprocess, sys, time
import threading
from pathlib import Path

class Numpyish:
    shape = ()
    def __init__(self, value): self.value = value
    def item(self): return self.value

seen = []

def good(view): return True
def bad(view): return False
def no_view(): return True
def every_third_fails(view): return view.trial % 3 != 2
def number(view): return 3
def named(view): return {"errors": 0, "level": view.readings["VDD"].best_v}
def verdict_and_numbers(view): return {"passed": True, "errors": view.trial}
def asserts(view): assert 1 + 1 == 3, "the march found a stuck bit"
def raises(view): return 1 / 0
def raises_unshowable(view):
    class Odd(Exception):
        def __str__(self): raise ValueError("no")
    raise Odd
def raises_at_two(view):
    if view.trial == 2: raise RuntimeError("link lost")
    return True
def keyboard(view): raise KeyboardInterrupt
def system_exit(view): sys.exit("done here")
def os_exit(view): os._exit(3)
def segfaults(view): ctypes.string_at(0)
def aborts(view): os.abort()
def kills_itself(view): os.kill(os.getpid(), signal.SIGKILL)
def hangs(view):
    while True: time.sleep(60)
def hangs_off_nominal(view):
    if view.corner != "nominal": hangs(view)
    return True
def hangs_at_two(view):
    if view.trial == 2: hangs(view)
    return True
def hangs_in_c(view): ctypes.PyDLL(None).sleep(60)
def hangs_ignoring_signals(view):
    for number in signal.valid_signals() - {signal.SIGKILL, signal.SIGSTOP}: signal.signal(number, signal.SIG_IGN)
    hangs(view)
def stops_itself(view): os.kill(os.getpid(), signal.SIGSTOP)
def floods(view):
    while True: sys.stdout.write("x" * 65536)
def floods_by_child(view): subprocess.run(["sh", "-c", "yes flood"])
def prints_protocol(view):
    print('{"op": "done"}', flush=True)
    os.write(1, b'[0,false,{},"","",0.0,0.0,""]\\n\\x00\\x00\\x00\\x02{}')
    return True
def prints_a_lot(view):
    print("head" + "." * 20000 + "tail of trial", view.trial)
    return True
def prints_bytes(view):
    os.write(1, b"\\xff\\xfe\\x00 bytes")
    return True
def returns_none(view): pass
def returns_nan(view): return math.nan
def returns_inf(view): return {"errors": math.inf}
def returns_text(view): return "pass"
def returns_list(view): return [True]
def returns_huge(view): return {f"n{i}": i for i in range(100000)}
def returns_empty(view): return {}
def returns_huge_integer(view): return {"errors": 10 ** 400}
def returns_numpyish(view): return {"errors": Numpyish(0), "passed": Numpyish(True)}
def returns_numpyish_bool(view): return Numpyish(False)
def returns_exploding(view):
    class Exploding(dict):
        def items(self): raise SystemExit(0)
    return Exploding(a=1)
def changes_directory(view):
    os.chdir("/")
    return True
def where(view): return Path.cwd() == view.directory
def breaks_streams(view):
    sys.stdout.close()
    sys.stderr = None
    os.close(0); os.close(1); os.close(2)
    return True
def closes_everything(view):
    os.closerange(0, 65536)
    return True
def closes_low(view):
    os.closerange(0, 100)
    return True
def forks_and_returns(view):
    if os.fork() == 0: return False
    return True
def forks_and_exits(view):
    if os.fork() == 0: sys.exit(1)
    return True
def note(view, pid):
    with open(view.directory / "pids", "a") as file: file.write(f"{pid}\\n")
def leaves_child(view):
    note(view, subprocess.Popen(["sleep", "600"]).pid)
    return True
def leaves_daemon(view):
    child = os.fork()
    if child == 0:
        os.setsid()
        grandchild = os.fork()
        if grandchild == 0:
            for number in (signal.SIGTERM, signal.SIGHUP): signal.signal(number, signal.SIG_IGN)
            os.execv("/bin/sleep", ["sleep", "600"])
        note(view, grandchild)
        os._exit(0)
    os.waitpid(child, 0)
    return True
def leaves_daemon_and_dies(view):
    leaves_daemon(view)
    os._exit(1)
def leaves_daemon_and_hangs(view):
    leaves_daemon(view)
    hangs(view)
def kills_keeper(view):
    leaves_daemon(view)
    os.kill(os.getppid(), signal.SIGKILL)
    hangs(view)
def thread_exits_later(view):
    threading.Thread(target=lambda: (time.sleep(0.05), os._exit(9)), daemon=True).start()
    return True
def slow(view):
    time.sleep(0.15)
    return True
def stops_run(view):
    hangs(view)
def not_callable_holder(): return True
answer = 42
async def coroutine(view): return True
def generator(view): yield True
def wants_two(view, more): return True
def up(view): seen.append("up")
def up_fails(view): raise RuntimeError("no console")
def down(view): Path(view.directory, "down").write_text("down")
def corner_up(view): seen.append("corner up")
def corner_down(view): seen.append("corner down")
def corner_down_fails(view): return False
def saw(view):
    return {name.replace(" ", "_") + "s": seen.count(name) for name in ("up", "corner up", "corner down")}
"""


@pytest.fixture
def directory(tmp_path: Path) -> Path:
    (tmp_path / "checks.py").write_text(CODE)
    return tmp_path


@pytest.fixture
def view(directory: Path) -> CheckView:
    return make_view(directory)


def make_view(directory: Path, level: str = "high", visit: int = 3) -> CheckView:
    reading = RailView(level=level, target_v=1.05, setpoint_v=1.0498, telemetry_v=1.051, reference_v=1.0503)
    return CheckView(
        check="", corner="nominal" if level == "nominal" else "all high", levels={"VDD": level},
        readings={"VDD": reading}, conditions={"ambient": 23.0}, visit=visit, trial=0, seed=7, serial="00123",
        directory=directory.resolve(), unit={"lot": "A1"}, settings={},
    )  # fmt: skip


Run = Callable[..., CheckRun]


@pytest.fixture(scope="module")
def shared(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[Path, CheckRunner]]:
    """Keep one runner for many hostile checks: each has to leave it fit for the next."""
    directory = tmp_path_factory.mktemp("shared")
    (directory / "checks.py").write_text(CODE)
    with CheckRunner(checks=[], directory=directory, clock=ManualClock()) as runner:
        yield directory, runner
        assert runner.close() == ""
    assert_nothing_left(directory)


@pytest.fixture
def run(shared: tuple[Path, CheckRunner]) -> Run:
    """Run one function of the file above as a check, at high."""
    directory, runner = shared
    view = make_view(directory)

    def run_one(function: str, **options: object) -> CheckRun:
        check = Check(name=function, **{"python": f"checks.py:{function}", "timeout_s": 5.0, **options})  # type: ignore[arg-type]
        return runner.run(check, view)

    return run_one


def assert_nothing_left(directory: Path) -> None:
    noted = directory / "pids"
    for pid in noted.read_text().split() if noted.exists() else ():
        state = Path(f"/proc/{pid}/stat")
        assert not state.exists() or state.read_text().rpartition(")")[2].split()[0] in "ZX", f"{pid} is left"


def command(directory: Path, text: str, name: str = "check.sh") -> Path:
    path = directory / name
    path.write_text(dedent(text))
    path.chmod(path.stat().st_mode | stat.S_IXUSR)
    return path


# What an honest check answers


def test_a_check_that_returns_true_passes(run: Run) -> None:
    done = run("good", trials=3)
    assert done.outcome is Outcome.PASS
    assert [(trial.trial, trial.passed) for trial in done.trials] == [(0, True), (1, True), (2, True)]


def test_a_check_may_do_without_the_view(run: Run) -> None:
    assert run("no_view").outcome is Outcome.PASS


def test_failed_trials_are_counted_and_the_first_is_named(run: Run) -> None:
    done = run("every_third_fails", trials=6)
    assert done.outcome is Outcome.FAIL_FUNCTIONAL
    assert done.reason == "2 of 6 trials failed, first trial 2"
    assert [trial.passed for trial in done.trials] == [True, True, False, True, True, False]


def test_a_screen_allows_the_failures_it_names(run: Run) -> None:
    assert run("every_third_fails", trials=6, criterion=Screen(failures=2)).outcome is Outcome.PASS
    assert run("every_third_fails", trials=6, criterion=Screen(failures=1)).outcome is Outcome.FAIL_FUNCTIONAL


def test_a_demonstration_counts_each_failure_at_its_visit(run: Run) -> None:
    criterion = Demonstrate(pass_probability=0.5, confidence=0.9)
    assert run("every_third_fails", trials=6, criterion=criterion).outcome is Outcome.FAIL_FUNCTIONAL


def test_a_number_is_judged_by_the_one_limit_there_is(run: Run) -> None:
    assert run("number", accept={"errors": Acceptance(max=3)}).outcome is Outcome.PASS
    done = run("number", accept={"errors": Acceptance(max=2)})
    assert done.outcome is Outcome.FAIL_FUNCTIONAL
    assert done.trials[0].numbers == {"errors": 3.0}
    assert done.trials[0].reason == "errors = 3, above 2"


def test_a_number_without_limits_is_no_answer(run: Run) -> None:
    done = run("number")
    assert done.outcome is Outcome.ERROR
    assert "without a name, and the plan gives no `accept`" in done.reason


def test_named_numbers_are_judged_and_kept(run: Run) -> None:
    done = run("named", accept={"errors": Acceptance(max=0), "level": Acceptance(min=1.0502)})
    assert done.outcome is Outcome.PASS
    assert done.trials[0].numbers == {"errors": 0.0, "level": 1.0503}


def test_a_number_that_accept_names_and_the_check_does_not_give_is_an_error(run: Run) -> None:
    done = run("named", accept={"bits": Acceptance(min=1)})
    assert done.outcome is Outcome.ERROR
    assert "no number is named 'bits'; it gave errors, level" in done.reason


def test_a_mapping_may_hold_its_own_verdict(run: Run) -> None:
    assert run("verdict_and_numbers").trials[0].numbers == {"errors": 0.0}
    assert run("verdict_and_numbers", trials=2, accept={"errors": Acceptance(max=0)}).trials[1].passed is False


def test_a_failed_assertion_is_about_the_product(run: Run) -> None:
    done = run("asserts")
    assert done.outcome is Outcome.FAIL_FUNCTIONAL
    assert "AssertionError: the march found a stuck bit (checks.py, line" in done.reason


def test_each_trial_keeps_the_tail_of_what_it_printed(run: Run) -> None:
    done = run("prints_a_lot", trials=2)
    assert [trial.output[-16:].strip() for trial in done.trials] == ["tail of trial 0", "tail of trial 1"]
    assert all(len(trial.output) <= 4096 for trial in done.trials)


def test_output_that_is_no_text_does_no_harm(run: Run) -> None:
    assert run("prints_bytes").outcome is Outcome.PASS


def test_output_that_looks_like_the_link_is_output(run: Run) -> None:
    done = run("prints_protocol", trials=3)
    assert done.outcome is Outcome.PASS
    assert [trial.passed for trial in done.trials] == [True, True, True]
    assert '{"op": "done"}' in done.trials[1].output


# What a hostile check comes to

ERRORS = [
    ("raises", {}, "ZeroDivisionError: division by zero (checks.py, line"),
    ("raises_unshowable", {}, "Odd: a Odd that cannot be shown (ValueError)"),
    ("keyboard", {}, "KeyboardInterrupt"),
    ("system_exit", {}, "it called sys.exit(done here)"),
    ("os_exit", {}, "its process ended with exit code 3"),
    ("segfaults", {}, "its process was ended by SIGSEGV"),
    ("aborts", {}, "its process was ended by SIGABRT"),
    ("kills_itself", {}, "its process was ended by SIGKILL"),
    ("returns_none", {}, "it returned nothing (None); return True or False"),
    ("returns_nan", {}, "it returned nan, which is no number to judge"),
    ("returns_inf", {}, "it returned inf for 'errors'"),
    ("returns_text", {}, "it returned 'pass' (str)"),
    ("returns_list", {}, "it returned [True] (list)"),
    ("returns_huge", {}, "it returned more than 256 named numbers"),
    ("returns_empty", {}, "it returned an empty mapping"),
    ("returns_huge_integer", {}, "it returned inf for 'errors'"),
    ("returns_exploding", {}, "it called sys.exit(0)"),
    ("closes_everything", {}, "it closed or replaced descriptors that are not its own"),
    ("hangs", {"timeout_s": 0.2}, "no answer within 0.2 s"),
    ("hangs_in_c", {"timeout_s": 0.2}, "no answer within 0.2 s"),
    ("hangs_ignoring_signals", {"timeout_s": 0.2}, "no answer within 0.2 s"),
    ("stops_itself", {"timeout_s": 0.2}, "no answer within 0.2 s"),
    ("leaves_daemon_and_hangs", {"timeout_s": 0.4}, "no answer within 0.4 s"),
    ("leaves_daemon_and_dies", {}, "its process ended with exit code 1"),
    ("kills_keeper", {}, "its process was lost: a check ended its keeper"),
    ("floods", {}, "it printed more than 8 MiB in one trial"),
    ("floods_by_child", {}, "it printed more than 8 MiB in one trial"),
]


@pytest.mark.parametrize(("function", "options", "reason"), ERRORS, ids=[item[0] for item in ERRORS])
def test_a_check_that_gives_no_answer_is_an_error_with_its_reason(
    run: Run, function: str, options: dict[str, object], reason: str
) -> None:
    done = run(function, trials=2, **options)
    assert done.outcome is Outcome.ERROR, done
    assert reason in done.reason
    assert len(done.trials) == 1
    assert done.trials[0].passed is None
    assert done.trials[0].reason


HARMLESS = [
    "returns_numpyish", "changes_directory", "breaks_streams", "closes_low", "forks_and_returns", "forks_and_exits",
    "leaves_child", "leaves_daemon",
]  # fmt: skip


@pytest.mark.parametrize("function", HARMLESS)
def test_a_check_that_is_only_rude_still_gets_its_answer_and_harms_no_other(
    directory: Path, view: CheckView, function: str
) -> None:
    rude = Check(name="rude", python=f"checks.py:{function}", timeout_s=5)
    after = Check(name="after", python="checks.py:where", trials=2, timeout_s=5)
    with CheckRunner(checks=[rude, after], directory=directory, clock=ManualClock()) as runner:
        assert runner.run(rude, view).outcome is Outcome.PASS
        assert [trial.passed for trial in runner.run(after, view).trials] == [True, True]
    assert_nothing_left(directory)


def test_a_numpy_false_fails(run: Run) -> None:
    assert run("returns_numpyish_bool").outcome is Outcome.FAIL_FUNCTIONAL


def test_real_numpy_values_count_as_what_they_hold(run: Run, shared: tuple[Path, CheckRunner]) -> None:
    (shared[0] / "arrays.py").write_text(
        "import numpy as np\n"
        "def check(view): return {'a': np.float32(0.5), 'b': np.int64(3), 'passed': np.bool_(True)}\n"
        "def one(view): return np.array(True)\n"
    )
    assert run("", python="arrays.py:check").trials[0].numbers == {"a": 0.5, "b": 3.0}
    assert run("", python="arrays.py:one").outcome is Outcome.PASS


def test_trials_before_the_one_that_breaks_are_kept(run: Run) -> None:
    done = run("raises_at_two", trials=9)
    assert [trial.passed for trial in done.trials] == [True, True, None]
    assert "trial 2: RuntimeError: link lost" in done.reason
    assert "raise RuntimeError" in done.trials[2].output


def test_trials_before_the_one_that_hangs_are_kept(run: Run) -> None:
    done = run("hangs_at_two", trials=9, timeout_s=0.3)
    assert [trial.passed for trial in done.trials] == [True, True, None]
    assert done.reason == "trial 2: no answer within 0.3 s"


def test_a_crash_shows_where_it_was(run: Run) -> None:
    assert "checks.py" in run("segfaults").trials[0].output


def test_an_answer_that_comes_late_is_none(run: Run) -> None:
    done = run("slow", timeout_s=0.12)
    assert done.outcome is Outcome.ERROR
    assert done.trials[0].passed is None


def test_the_worker_that_was_lost_is_replaced_for_the_next_check(directory: Path, view: CheckView) -> None:
    checks = [Check(name=name, python=f"checks.py:{name}", timeout_s=5) for name in ("os_exit", "good")]
    with CheckRunner(checks=checks, directory=directory, clock=ManualClock()) as runner:
        for _ in range(2):
            assert runner.run(checks[0], view).outcome is Outcome.ERROR
            assert runner.run(checks[1], view).outcome is Outcome.PASS


def test_a_worker_that_dies_between_checks_costs_one_visit_only(directory: Path, view: CheckView) -> None:
    later = Check(name="later", python="checks.py:thread_exits_later", timeout_s=5)
    slow = Check(name="slow", python="checks.py:slow", timeout_s=5)
    with CheckRunner(checks=[later, slow], directory=directory, clock=ManualClock()) as runner:
        assert runner.run(later, view).outcome is Outcome.PASS
        assert runner.run(slow, view).outcome is Outcome.ERROR
        assert runner.run(slow, view).outcome is Outcome.PASS


def test_a_hang_off_nominal_is_the_products_where_nominal_answered(directory: Path, view: CheckView) -> None:
    check = Check(name="c", python="checks.py:hangs_off_nominal", timeout_s=0.2)
    with CheckRunner(checks=[check], directory=directory, clock=ManualClock()) as runner:
        assert runner.run(check, view).outcome is Outcome.ERROR
        assert runner.run(check, make_view(directory, "nominal")).outcome is Outcome.PASS
        done = runner.run(check, view)
        assert done.outcome is Outcome.NO_ANSWER
        assert done.reason == "trial 0: no answer within 0.2 s; at nominal it answered"


def test_a_hang_is_an_error_again_once_nominal_hangs_too(directory: Path, view: CheckView) -> None:
    check = Check(name="c", python="checks.py:hangs_off_nominal", timeout_s=0.2)
    with CheckRunner(checks=[check], directory=directory, clock=ManualClock()) as runner:
        nominal = make_view(directory, "nominal")
        assert runner.run(check, nominal).outcome is Outcome.PASS
        assert runner.run(check, replace(nominal, corner="all nominal again")).outcome is Outcome.NO_ANSWER
        assert runner.run(check, view).outcome is Outcome.ERROR


# Time


def test_simulated_time_passes_by_what_a_trial_takes_and_rails_are_read_meanwhile(
    directory: Path, view: CheckView
) -> None:
    clock = ManualClock()
    check = Check(name="good", python="checks.py:good", trials=10, takes_s=0.25, timeout_s=5)
    reads: list[float] = []

    def tick() -> float:
        reads.append(round(clock.now_s(), 6))
        return clock.now_s() + 1.0

    with CheckRunner(checks=[check], directory=directory, clock=clock) as runner:
        done = runner.run(check, view, tick)
    assert clock.now_s() == pytest.approx(2.5)
    assert {0.0, 1.0, 2.0} <= set(reads)
    assert [trial.duration_s for trial in done.trials] == [0.25] * 10


def test_rails_are_read_in_real_time_while_a_check_runs(directory: Path, view: CheckView) -> None:
    clock = SystemClock()
    check = Check(name="slow", python="checks.py:slow", trials=2, timeout_s=5)
    reads = 0

    def tick() -> float:
        nonlocal reads
        reads += 1
        return clock.now_s() + 0.03

    with CheckRunner(checks=[check], directory=directory, clock=clock) as runner:
        runner.prepare()
        done = runner.run(check, view, tick)
    assert done.outcome is Outcome.PASS
    assert reads >= 3
    assert done.trials[0].duration_s >= 0.15


def test_what_the_watch_raises_ends_the_check_and_goes_on(directory: Path, view: CheckView) -> None:
    clock = SystemClock()
    check = Check(name="c", python="checks.py:leaves_daemon_and_hangs", timeout_s=60)
    noted = directory / "pids"

    def tick() -> float:
        if noted.exists() and noted.read_text().strip():
            raise SupervisionLost("the bus is gone")
        return clock.now_s() + 0.02

    runner = CheckRunner(checks=[check], directory=directory, clock=clock)
    with pytest.raises(SupervisionLost, match="the bus is gone"):
        runner.run(check, view, tick)
    assert_nothing_left(directory)
    assert runner.close() == ""


def test_a_stop_ends_a_check_at_once(directory: Path, view: CheckView) -> None:
    clock = SystemClock()
    check = Check(name="c", python="checks.py:leaves_daemon_and_hangs", timeout_s=60)
    noted = directory / "pids"

    def tick() -> float:
        if noted.exists() and noted.read_text().strip():
            clock.stop.request("SIGTERM")
        return clock.now_s() + 0.02

    with CheckRunner(checks=[check], directory=directory, clock=clock) as runner:
        done = runner.run(check, view, tick)
        assert done.outcome is Outcome.ABORTED
        assert done.reason == "stopped: SIGTERM"
        assert_nothing_left(directory)


def test_progress_is_told_trial_by_trial(directory: Path, view: CheckView) -> None:
    check = Check(name="c", python="checks.py:every_third_fails", trials=4, timeout_s=5)
    told: list[tuple[int, int]] = []
    with CheckRunner(checks=[check], directory=directory, clock=ManualClock()) as runner:
        runner.run(check, view, progress=lambda done, failed: told.append((done, failed)))
    assert told == [(1, 0), (2, 0), (3, 1), (4, 1)]


def test_nothing_is_left_when_the_run_itself_is_killed(directory: Path) -> None:
    script = f"""
        from pathlib import Path
        import sys
        sys.path.insert(0, {str(Path(__file__).parent)!r})
        from cornerrun.clock import SystemClock
        from cornerrun.plan.model import Check
        from cornerrun.run.checks import CheckRunner
        from cornerrun.run.view import CheckView
        directory = Path({str(directory)!r})
        view = CheckView(check="", corner="x", levels={{"A": "high"}}, readings={{}}, conditions={{}}, visit=0, trial=0,
                         seed=0, serial="", directory=directory)
        check = Check(name="c", python="checks.py:leaves_daemon_and_hangs", timeout_s=60)
        CheckRunner(checks=[check], directory=directory, clock=SystemClock()).run(check, view)
    """
    noted = directory / "pids"
    process = subprocess.Popen([sys.executable, "-c", dedent(script)])
    deadline_s = time.monotonic() + 20
    while not (noted.exists() and noted.read_text().strip()) and time.monotonic() < deadline_s:
        os.sched_yield()
    pid = int(noted.read_text())
    process.send_signal(signal.SIGKILL)
    process.wait()
    while Path(f"/proc/{pid}").exists() and time.monotonic() < deadline_s:
        os.sched_yield()
    assert_nothing_left(directory)


# Found before anything moves


UNUSABLE = [
    ("missing.py:check", "there is no file"),
    ("checks.py:godo", "checks.py has no 'godo'; did you mean 'good'?"),
    ("checks.py", "write it as file.py:function or module:function"),
    ("checks.py:", "write it as file.py:function or module:function"),
    ("checks.py:answer", "answer is no function but int"),
    ("checks.py:coroutine", "coroutine is async"),
    ("checks.py:generator", "generator yields"),
    ("checks.py:wants_two", "cannot be called with the view alone"),
    ("broken.py:check", "importing it fails: SyntaxError"),
    (
        "raising.py:check",
        "importing it fails: ModuleNotFoundError: No module named 'no_such_module' (raising.py, line 1)",
    ),
    ("exiting.py:check", "importing it fails: it called sys.exit(4)"),
    ("dying.py:check", "importing it: its process ended with exit code 5"),
    ("no_such_module_at_all:check", "importing it fails: ModuleNotFoundError"),
]


def test_every_callable_that_cannot_be_used_is_found_at_once(directory: Path) -> None:
    (directory / "broken.py").write_text("def check(:\n")
    (directory / "raising.py").write_text("import no_such_module\n")
    (directory / "exiting.py").write_text("import sys\nsys.exit(4)\n")
    (directory / "dying.py").write_text("import os\nos._exit(5)\n")
    checks = [Check(name=f"check {i}", python=text) for i, (text, _) in enumerate(UNUSABLE)]
    checks.append(Check(name="hook", python="checks.py:good", run_set_up="checks.py:upp"))
    with (
        CheckRunner(checks=checks, directory=directory, clock=ManualClock()) as runner,
        pytest.raises(CheckError) as caught,
    ):
        runner.prepare()
    lines = str(caught.value).splitlines()
    assert len(lines) == len(checks)
    for i, (text, reason) in enumerate(UNUSABLE):
        assert lines[i].startswith(f"check 'check {i}': {text}: ")
        assert reason in lines[i]
    assert "check 'hook': run set-up: checks.py:upp: checks.py has no 'upp'" in lines[-1]


def test_a_module_beside_the_plan_is_found(directory: Path, view: CheckView) -> None:
    check = Check(name="c", python="checks:good")
    with CheckRunner(checks=[check], directory=directory, clock=ManualClock()) as runner:
        sources = runner.prepare()
        assert runner.run(check, view).outcome is Outcome.PASS
    assert [source.path.name for source in sources] == ["checks.py"]


def test_the_files_that_checks_come_from_are_told_with_their_hashes(directory: Path) -> None:
    script = command(directory, "#!/bin/sh\nexit 0\n")
    checks = [Check(name="p", python="checks.py:good"), Check(name="c", command=("./check.sh",))]
    with CheckRunner(checks=checks, directory=directory, clock=ManualClock()) as runner:
        sources = runner.prepare()
    assert [source.path for source in sources] == [directory.resolve() / "checks.py", script.resolve()]
    assert all(source.role == "checks" and len(source.sha256) == 64 for source in sources)


@pytest.mark.parametrize(
    ("words", "text", "mode", "reason"),
    [
        (("./absent.sh",), None, 0o755, "there is no file"),
        (("./check.sh",), "#!/bin/sh\nexit 0\n", 0o644, "is not executable: chmod +x"),
        (("./check.sh",), "#!/no/such/shell\n", 0o755, "names an interpreter that is not there: '/no/such/shell'"),
        (("./check.sh",), "#!/bin/sh\r\nexit 0\r\n", 0o755, "names an interpreter that is not there: '/bin/sh\\r'"),
        (("no-such-command-anywhere",), None, 0o755, "no command 'no-such-command-anywhere' on the PATH"),
        ((), None, 0o755, "its command is empty"),
    ],
)
def test_a_command_that_cannot_start_is_found_before_anything_moves(
    directory: Path, words: tuple[str, ...], text: str | None, mode: int, reason: str
) -> None:
    if text is not None:
        (directory / "check.sh").write_text(text, newline="")
        (directory / "check.sh").chmod(mode)
    if os.geteuid() == 0 and mode == 0o644:
        assert not os.access(directory / "check.sh", os.X_OK), "even root needs one x bit"
    runner = CheckRunner(checks=[Check(name="c", command=words)], directory=directory, clock=ManualClock())
    with runner, pytest.raises(CheckError, match=r"^check") as caught:
        runner.prepare()
    assert reason in str(caught.value)


# Commands


def run_command(directory: Path, text: str, **options: object) -> CheckRun:
    command(directory, text)
    check = Check(name="c", command=("./check.sh",), **{"timeout_s": 5.0, **options})  # type: ignore[arg-type]
    with CheckRunner(checks=[check], directory=directory, clock=ManualClock()) as runner:
        runner.prepare()
        done = runner.run(check, make_view(directory))
    assert_nothing_left(directory)
    return done


def test_a_command_passes_by_its_exit_code(directory: Path) -> None:
    assert run_command(directory, "#!/bin/sh\nexit 0\n", trials=2).outcome is Outcome.PASS
    done = run_command(directory, "#!/bin/sh\necho no link >&2\nexit 3\n")
    assert done.outcome is Outcome.FAIL_FUNCTIONAL
    assert done.reason == "1 of 1 trials failed, first trial 0: exit code 3"
    assert done.trials[0].output == "no link\n"


def test_a_command_gives_numbers_line_by_line(directory: Path) -> None:
    text = "#!/bin/sh\necho running...\necho errors=2\necho ' bits = 3.5e12 '\necho path=/dev/null\n"
    accept = {"errors": Acceptance(max=0), "bits": Acceptance(min=3e12)}
    done = run_command(directory, text, accept=accept)
    assert done.trials[0].numbers == {"errors": 2.0, "bits": 3.5e12}
    assert done.outcome is Outcome.FAIL_FUNCTIONAL
    assert done.trials[0].reason == "errors = 2, above 0"


def test_a_command_gives_numbers_as_json(directory: Path) -> None:
    text = """#!/bin/sh\necho '{"errors": 0, "bits": 4e12, "passed": true}'\n"""
    done = run_command(directory, text, accept={"errors": Acceptance(max=0)})
    assert done.outcome is Outcome.PASS
    assert done.trials[0].numbers == {"errors": 0.0, "bits": 4e12}


def test_a_command_may_say_itself_that_it_failed(directory: Path) -> None:
    assert run_command(directory, """#!/bin/sh\necho '{"passed": false}'\n""").outcome is Outcome.FAIL_FUNCTIONAL


@pytest.mark.parametrize(
    ("text", "reason"),
    [
        ("echo talk", "no number is named 'errors'; it gave no number"),
        ("echo errors=nan", "errors=nan, which is no number to judge"),
        ("echo '{\"errors\": '", "its output begins like JSON but is none"),
        ("echo '{\"errors\": [1]}'", "it printed [1] (list) for 'errors'"),
        ("echo '{\"errors\": NaN}'", "it printed nan for 'errors'"),
        ("kill -SEGV $$", "its command was ended by SIGSEGV"),
        ("kill -9 $$", "its command was ended by SIGKILL"),
        ("no-such-command-anywhere", "exit code 127: it or a command in it was not found"),
        ("exec ./check.txt", "exit code 126: it is not executable"),
        ("yes flood", "it printed more than 8 MiB in one trial"),
        ("yes flood >&2", "it printed more than 8 MiB in one trial"),
        ("trap '' TERM HUP INT; while :; do sleep 1; done", "no answer within 0.5 s"),
        ("kill -STOP $$", "no answer within 0.5 s"),
    ],
)
def test_a_command_that_gives_no_answer_is_an_error_with_its_reason(directory: Path, text: str, reason: str) -> None:
    (directory / "check.txt").write_text("data")
    done = run_command(directory, f"#!/bin/sh\n{text}\n", accept={"errors": Acceptance(max=0)}, timeout_s=0.5)
    assert done.outcome is Outcome.ERROR, done
    assert reason in done.reason


def test_json_nested_without_end_is_an_error(directory: Path) -> None:
    done = run_command(directory, "#!/usr/bin/env python3\nprint('{\"a\":' + '[' * 200000)\n")
    assert done.outcome is Outcome.ERROR
    assert "begins like JSON but is none" in done.reason


def test_a_grandchild_that_holds_the_output_open_delays_nothing(directory: Path) -> None:
    text = "#!/bin/sh\nsleep 600 &\necho $! >> pids\nsetsid sleep 600 &\necho $! >> pids\necho errors=0\n"
    started_s = time.monotonic()
    done = run_command(directory, text, accept={"errors": Acceptance(max=0)}, trials=3)
    assert done.outcome is Outcome.PASS
    assert time.monotonic() - started_s < 4


def test_a_command_that_disappears_is_an_error(directory: Path) -> None:
    path = command(directory, "#!/bin/sh\nexit 0\n")
    check = Check(name="c", command=("./check.sh",))
    with CheckRunner(checks=[check], directory=directory, clock=ManualClock()) as runner:
        runner.prepare()
        path.unlink()
        done = runner.run(check, make_view(directory))
    assert done.outcome is Outcome.ERROR
    assert "there is no file" in done.reason


def test_a_command_without_a_first_line_says_so(directory: Path) -> None:
    path = directory / "check.sh"
    path.write_bytes(b"\x00\x01\x02 no program")
    path.chmod(0o755)
    check = Check(name="c", command=("./check.sh",))
    with CheckRunner(checks=[check], directory=directory, clock=ManualClock()) as runner:
        done = runner.run(check, make_view(directory))
    assert done.outcome is Outcome.ERROR
    assert "./check.sh does not start: Exec format error" in done.reason


def test_a_command_is_told_its_corner(directory: Path) -> None:
    done = run_command(directory, "#!/bin/sh\nenv | grep ^CORNERRUN_\npwd\n", settings={"depth": "64"})
    told = done.trials[0].output
    for line in (
        "CORNERRUN_CHECK=c",
        "CORNERRUN_CORNER=all high",
        "CORNERRUN_VISIT=3",
        "CORNERRUN_TRIAL=0",
        "CORNERRUN_SEED=7",
        "CORNERRUN_SERIAL=00123",
        "CORNERRUN_LEVEL_VDD=high",
        "CORNERRUN_VOLTS_VDD=1.0503",
        "CORNERRUN_TARGET_VDD=1.05",
        "CORNERRUN_CONDITION_AMBIENT=23.0",
        "CORNERRUN_UNIT_LOT=A1",
        "CORNERRUN_SETTING_DEPTH=64",
        str(directory.resolve()),
    ):
        assert line in told.splitlines()


# Set-up and tear-down


def test_set_up_and_tear_down_run_once_a_run_and_once_a_corner(directory: Path, view: CheckView) -> None:
    check = Check(
        name="c", python="checks.py:saw", trials=2, accept={"ups": Acceptance(min=1)}, run_set_up="checks.py:up",
        corner_set_up="checks.py:corner_up", corner_tear_down="checks.py:corner_down", run_tear_down="checks.py:down",
    )  # fmt: skip
    with CheckRunner(checks=[check], directory=directory, clock=ManualClock()) as runner:
        assert runner.begin_run(view) == ()
        runner.run(check, view)
        second = runner.run(check, view)
        assert second.trials[1].numbers == {"ups": 1.0, "corner_ups": 2.0, "corner_downs": 1.0}
        assert not (directory / "down").exists()
        assert runner.end_run(view) == ()
    assert (directory / "down").exists()


def test_a_set_up_that_fails_is_told_and_its_check_errs(directory: Path, view: CheckView) -> None:
    check = Check(name="c", python="checks.py:good", run_set_up="checks.py:up_fails")
    with CheckRunner(checks=[check], directory=directory, clock=ManualClock()) as runner:
        (failure,) = runner.begin_run(view)
        assert (failure.check, failure.hook) == ("c", "run set-up")
        assert failure.reason.startswith("RuntimeError: no console (checks.py, line")
        done = runner.run(check, view)
    assert done.outcome is Outcome.ERROR
    assert done.reason.startswith("run set-up: RuntimeError: no console")
    assert done.trials == ()


def test_a_new_worker_gets_the_set_up_of_the_run_again(directory: Path, view: CheckView) -> None:
    saw = Check(name="saw", python="checks.py:saw", accept={"ups": Acceptance(min=1, max=1)}, run_set_up="checks.py:up")
    dies = Check(name="dies", python="checks.py:os_exit")
    with CheckRunner(checks=[saw, dies], directory=directory, clock=ManualClock()) as runner:
        runner.begin_run(view)
        assert runner.run(dies, view).outcome is Outcome.ERROR
        assert runner.run(saw, view).outcome is Outcome.PASS


def test_a_tear_down_that_fails_makes_the_check_an_error(directory: Path, view: CheckView) -> None:
    check = Check(name="c", python="checks.py:good", corner_tear_down="checks.py:corner_down_fails")
    with CheckRunner(checks=[check], directory=directory, clock=ManualClock()) as runner:
        done = runner.run(check, view)
    assert (done.outcome, done.reason) == (Outcome.ERROR, "corner tear-down: it returned False")
    assert len(done.trials) == 1


def test_a_tear_down_runs_after_a_hang(directory: Path, view: CheckView) -> None:
    check = Check(name="c", python="checks.py:hangs", timeout_s=0.2, corner_tear_down="checks.py:down")
    with CheckRunner(checks=[check], directory=directory, clock=ManualClock()) as runner:
        assert runner.run(check, view).outcome is Outcome.ERROR
    assert (directory / "down").exists()


def test_a_tear_down_runs_after_a_stop(directory: Path, view: CheckView) -> None:
    check = Check(name="c", python="checks.py:leaves_daemon_and_hangs", timeout_s=60, corner_tear_down="checks.py:down")
    clock = SystemClock()

    def tick() -> float:
        if (directory / "pids").exists():
            clock.stop.request("SIGINT")
        return clock.now_s() + 0.02

    with CheckRunner(checks=[check], directory=directory, clock=clock) as runner:
        assert runner.run(check, view, tick).outcome is Outcome.ABORTED
    assert (directory / "down").exists()


def test_a_tear_down_that_the_watch_cut_off_is_made_up_for_at_the_next_check(directory: Path, view: CheckView) -> None:
    cut = Check(name="cut", python="checks.py:leaves_daemon_and_hangs", timeout_s=60, corner_tear_down="checks.py:down")
    good = Check(name="good", python="checks.py:good")
    clock = SystemClock()

    def tick() -> float:
        if (directory / "pids").exists():
            raise SupervisionLost("the bus is gone")
        return clock.now_s() + 0.02

    with CheckRunner(checks=[cut, good], directory=directory, clock=clock) as runner:
        with pytest.raises(SupervisionLost):
            runner.run(cut, view, tick)
        assert not (directory / "down").exists(), "first the rails, then the tear-down"
        assert runner.run(good, view).outcome is Outcome.PASS
        assert (directory / "down").exists()


def test_nothing_starts_once_the_run_is_stopped(directory: Path, view: CheckView) -> None:
    clock = ManualClock()
    clock.stop.request("SIGINT")
    check = Check(name="c", python="checks.py:down")
    with CheckRunner(checks=[check], directory=directory, clock=clock) as runner:
        assert runner.run(check, view).outcome is Outcome.ABORTED
    assert not (directory / "down").exists()


def test_a_set_up_command_may_leave_a_server_until_the_runner_closes(directory: Path, view: CheckView) -> None:
    command(directory, "#!/bin/sh\nsleep 600 &\necho $! >> pids\n", "serve.sh")
    command(directory, "#!/bin/sh\nkill -0 $(cat pids)\n")
    check = Check(name="c", command=("./check.sh",), run_set_up=("./serve.sh",))
    with CheckRunner(checks=[check], directory=directory, clock=ManualClock()) as runner:
        assert runner.begin_run(view) == ()
        assert runner.run(check, view).outcome is Outcome.PASS
    assert_nothing_left(directory)
