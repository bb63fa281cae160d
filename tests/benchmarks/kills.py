"""Kill runs on a TCP bench at random instants, in every way that there is: `python tests/benchmarks/kills.py`.

After each kill: how long the board's true voltages took to be at nominal again, whether every declared register is as
it was before the first run, byte for byte, whether the store can be read and tells an end, and whether the next run may
start. The instants are drawn from the seed, over the length of a whole run.
"""

import argparse
import contextlib
import fcntl
import hashlib
import os
import random
import shutil
import signal
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path

if __name__ == "__main__":
    sys.path.insert(0, str(Path(__file__).parents[2]))
sys.path.insert(0, str(Path(__file__).parent))

from forking_runs import ForkingRuns

from cornerrun.bench.bench import bench_identity, open_bench
from cornerrun.bench.lock import hold_bench
from cornerrun.bench.ports import RegisterValue
from cornerrun.bench.simulated.server import SimulationServer
from cornerrun.cli.simulate import reaching_bench_text
from cornerrun.clock import SystemClock
from cornerrun.errors import BenchBusy, CornerrunError
from cornerrun.plan.load import load_bench, load_plan
from cornerrun.results.records import EndState, Run
from cornerrun.results.store import Store

PLANS = Path(__file__).parents[2] / "plans"
KINDS = ("SIGKILL", "SIGSTOP", "SIGTERM", "SIGHUP", "double Ctrl-C", "hung main thread")
LOST = frozenset({"SIGKILL", "SIGSTOP", "hung main thread"})
_LOOK_S = 0.005
_GIVE_UP_S = 120.0
_LONG_S = 5.0  # no board of a lost run that has a guardian is away from nominal for so long
# A signal that comes before the run handles it, or after its end, ends the process as it ends any other.
_CODES = {True: (0, 1, -9), False: (0, 1, 130, -signal.SIGTERM, -signal.SIGHUP, -signal.SIGINT, 70)}
_WITHIN = 0.01  # of nominal: wider than accuracy, narrower than any margin of the plan


@dataclass(frozen=True, kw_only=True)
class Kill:
    """What one kill came to; ``away_s`` is None where the board was at nominal when it came, and stayed there."""

    kind: str
    instant_s: float
    away_s: float | None
    faults: tuple[str, ...]
    run: Run | None


@dataclass
class Desk:
    """A bench behind TCP in this process, the files of its runs, and how it was found."""

    directory: Path
    server: SimulationServer
    runs: ForkingRuns
    command: tuple[str, ...]
    plan_path: Path
    bench_path: Path
    registers: tuple[RegisterValue, ...] = ()
    seen: set[str] = field(default_factory=set)

    def is_at_nominal(self) -> bool:
        """Whether the true voltage of every rail is near nominal."""
        now_s = time.monotonic()
        with self.server._lock:
            return all(
                abs(self.server.bench.truth_v(name, now_s) - nominal_v) <= _WITHIN * nominal_v
                for name, nominal_v in self.nominals_v
            )

    @property
    def nominals_v(self) -> Sequence[tuple[str, float]]:
        return self._nominals_v

    def __post_init__(self) -> None:
        self.identity = bench_identity(load_bench(self.bench_path))
        self._nominals_v = [(rail.name, rail.nominal_v) for rail in load_plan(self.plan_path).rails]
        self.registers = self.read_registers()

    def read_registers(self) -> tuple[RegisterValue, ...]:
        """Read every declared register of every device over the bus."""
        bench = open_bench(load_plan(self.plan_path), load_bench(self.bench_path), SystemClock())
        try:
            bench.power.connect()
            return bench.snapshot()
        finally:
            bench.close()

    def new_runs(self) -> list[Run]:
        """Read the runs that the store has not shown yet."""
        path = self.directory / "results" / "runs.sqlite"
        if not path.exists():
            return []
        with Store.open(path, read_only=True) as store:
            found = [run for run in store.runs() if run.run_id not in self.seen]
            for run in found:
                store.load(run.run_id)
        self.seen |= {run.run_id for run in found}
        return found

    def wait_until_free(self) -> None:
        """Wait until nobody holds the bench: a guardian does so until it has told the store."""
        deadline_s = time.monotonic() + _GIVE_UP_S
        while True:
            try:
                with hold_bench(self.identity, purpose="looking"):
                    return
            except BenchBusy:
                if time.monotonic() > deadline_s:
                    raise
                time.sleep(0.02)


@contextlib.contextmanager
def a_desk(directory: Path, *, only: Sequence[str]) -> Iterator[Desk]:
    """Set up a bench of the quickstart, its checks with few trials, behind TCP."""
    shutil.copytree(PLANS, directory, dirs_exist_ok=True, ignore=shutil.ignore_patterns("__pycache__", "results"))
    plan_path, bench_path = directory / "kills.yaml", directory / "kills_bench.yaml"
    text = (PLANS / "quickstart.yaml").read_text(encoding="utf-8")
    asked = "checks: {demonstrate: {pass_probability: 0.90, confidence: 0.95}}"
    text = text.replace(asked, "checks: {screen: {failures: 0}}").replace("trials: 30", "trials: 3")
    plan_path.write_text(text, encoding="utf-8")
    source = directory / "quickstart_bench.yaml"
    bench_file = load_bench(source)
    assert bench_file.simulation is not None
    clock = SystemClock()
    server = SimulationServer(bench_file.simulation, clock, clock_hz={"main": bench_file.buses["main"].clock_hz})
    runs = ForkingRuns(directory)
    try:
        bench_path.write_text(reaching_bench_text(source, bench_file, server.addresses), encoding="utf-8")
        command = ("run", str(plan_path), "--bench", str(bench_path), "--serial", "1", "--no-workbook")
        command += tuple(word for pattern in only for word in ("--only", pattern))
        yield Desk(directory, server, runs, command, plan_path, bench_path)
    finally:
        runs.close()
        server.close()


def span_of_a_run(desk: Desk) -> tuple[float, float]:
    """Make one run that nobody disturbs; return from when to when, after its start, it holds the bench."""
    started_s = time.monotonic()
    desk.runs.start(*desk.command)
    free = _free(desk.identity)
    held_s = [time.monotonic() - started_s for _ in _until(lambda: not free())][-1]
    given_back_s = [time.monotonic() - started_s for _ in _until(free)][-1]
    code = desk.runs.status()
    if code not in (0, 1):
        raise SystemExit(f"an undisturbed run ended with {code}: {(desk.directory / 'run.out').read_text()[-2000:]}")
    desk.new_runs()
    return held_s, given_back_s


def _until(is_so: Callable[[], bool]) -> Iterator[None]:
    deadline_s = time.monotonic() + _GIVE_UP_S
    while True:
        yield
        if is_so():
            return
        if time.monotonic() > deadline_s:
            raise SystemExit("it takes too long; is the machine too busy?")
        time.sleep(0.01)


def kill_one(desk: Desk, kind: str, instant_s: float, also: Sequence[Callable[[Desk, Run], str]] = ()) -> Kill:
    """Start a run, kill it at an instant, and see what became of the board, the registers and the store.

    ``also`` are further looks at a run that was lost, such as whether it can be resumed: each says what is wrong.
    """
    pid = desk.runs.start(*desk.command)
    time.sleep(instant_s)
    killed_s = time.monotonic()
    _send(pid, kind)
    faults: list[str] = []
    away_s = _watch(desk, killed_s, is_lost=kind in LOST)
    if kind in LOST:
        # One that was stopped before it had a guardian, or had let it go, is still there: it has moved nothing.
        if not desk.is_at_nominal():
            faults.append("nobody brought the board back")
        with contextlib.suppress(ProcessLookupError):
            os.kill(pid, signal.SIGKILL)
    code = desk.runs.status()
    if code not in _CODES[kind in LOST]:
        faults.append(f"exit code {code}")
    try:
        desk.wait_until_free()
    except CornerrunError as error:
        faults.append(str(error))
    if not desk.is_at_nominal():
        faults.append("the board is away from nominal")
    found = {(one.address, one.page, one.command): one.data for one in desk.read_registers()}
    for one in desk.registers:
        if found.get((one.address, one.page, one.command)) != one.data:
            faults.append(f"page {one.page}, command 0x{one.command:02X} is not {one.data.hex()}")
    run: Run | None = None
    try:
        for run in desk.new_runs():
            if run.result is None or run.end_state is not EndState.NOMINAL:
                faults.append(f"the store tells {run.result}, board at {run.end_state}: {run.why}")
            faults += [trouble for look in also if (trouble := look(desk, run))]
    except CornerrunError as error:
        faults.append(f"the store cannot be read: {error}")
    said = (desk.directory / "run.out").read_text(errors="replace")
    if "never ended" in said or "Traceback" in said:
        faults.append(f"it said: {said[-400:]}")
    return Kill(kind=kind, instant_s=instant_s, away_s=away_s, faults=tuple(faults), run=run)


def _send(pid: int, kind: str) -> None:
    numbers = {
        "double Ctrl-C": (signal.SIGINT, signal.SIGINT),
        "hung main thread": (signal.SIGUSR1,),
    }.get(kind) or (signal.Signals[kind],)
    for place, number in enumerate(numbers):
        if place:
            time.sleep(0.01)
        with contextlib.suppress(ProcessLookupError):
            os.kill(pid, number)


def _watch(desk: Desk, killed_s: float, *, is_lost: bool) -> float | None:
    """Look at the true voltages until nobody holds the bench; return when they were last away from nominal.

    A run that is lost may hold it for ever, if it was stopped while nothing had moved: then the board stays at nominal.
    """
    last_s: float | None = None
    free = _free(desk.identity)
    next_look_s = 0.0
    while True:
        now_s = time.monotonic()
        if not desk.is_at_nominal():
            last_s = now_s
        if now_s >= next_look_s:
            rests = is_lost and now_s - max(last_s or 0.0, killed_s) > _LONG_S
            if free() or rests or now_s > killed_s + _GIVE_UP_S:
                return None if last_s is None else last_s - killed_s
            next_look_s = now_s + 0.05
        time.sleep(_LOOK_S)


def _free(identity: str) -> Callable[[], bool]:
    """Tell whether nobody holds the lock of a bench, without leaving a note that would hide the holder's."""
    path = Path(tempfile.gettempdir()) / f"cornerrun-{hashlib.sha256(identity.encode()).hexdigest()[:16]}.lock"

    def look() -> bool:
        try:
            fd = os.open(path, os.O_RDWR)
        except FileNotFoundError:
            return True
        try:
            fcntl.flock(fd, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            return False
        finally:
            os.close(fd)
        return True

    return look


@contextlib.contextmanager
def load(processes: int) -> Iterator[None]:
    """Keep so many processes busy while the block runs."""
    busy = [subprocess.Popen([sys.executable, "-c", "while True: pass"]) for _ in range(processes)]
    try:
        yield
    finally:
        for process in busy:
            process.kill()
            process.wait()


def table(kills: Sequence[Kill]) -> str:
    """Sum up: by kind, how many, how many found the board away, how long it stayed so, and what was wrong."""
    lines = [f"{'kind':<18} kills  away  median   worst  faults"]
    for kind in KINDS:
        of_kind = [kill for kill in kills if kill.kind == kind]
        away = sorted(kill.away_s for kill in of_kind if kill.away_s is not None)
        if of_kind:
            times = f"{statistics.median(away):6.2f} s {away[-1]:6.2f} s" if away else " " * 17
            lines.append(
                f"{kind:<18} {len(of_kind):5d} {len(away):5d} {times} {sum(map(bool, (k.faults for k in of_kind))):6d}"
            )
    return "\n".join(lines)


def main() -> None:
    """Kill so many runs, in turn in every way; exit 1 if anything was wrong after one of them."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--kills", type=int, default=200)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--load", type=int, default=0, metavar="N", help="keep N processes busy meanwhile")
    parser.add_argument("--only", action="append", metavar="PATTERN", help="corners of the runs")
    parser.add_argument("--verbose", action="store_true", help="tell of every kill")
    arguments = parser.parse_args()
    draws = random.Random(arguments.seed)
    kills: list[Kill] = []
    with (
        tempfile.TemporaryDirectory() as directory,
        a_desk(Path(directory), only=arguments.only or ["all *", "VDD_CORE*"]) as desk,
        load(arguments.load),
    ):
        span_s = span_of_a_run(desk)
        print(f"an undisturbed run holds the bench for {span_s[1] - span_s[0]:.2f} s", flush=True)
        for number in range(arguments.kills):
            kill = kill_one(desk, KINDS[number % len(KINDS)], draws.uniform(*span_s))
            kills.append(kill)
            if arguments.verbose:
                print(
                    f"{number}: {kill.kind} at {kill.instant_s:.3f} s, away {kill.away_s}: {kill.run and kill.run.why}"
                )
            for fault in kill.faults:
                print(f"kill {number}, {kill.kind} at {kill.instant_s:.3f} s: {fault}", flush=True)
    print(table(kills))
    raise SystemExit(any(kill.faults for kill in kills))


if __name__ == "__main__":
    main()
