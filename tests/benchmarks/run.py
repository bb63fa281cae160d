"""Measure how fast a run is, and what the bus, the clock and the memory pay for it. One command, one table.

    python tests/benchmarks/run.py            everything, about a minute
    python tests/benchmarks/run.py --quick    without the run in real time

Figures depend on the machine; ratios of the same run do not, or far less. The goals are those of the project. Nothing
here is a test: nothing fails.
"""

import argparse
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path

from bench import Measured, measured_run, peak_memory_bytes
from floor import least_messages

from cornerrun.clock import SystemClock

_HERE = Path(__file__).parent
_REPEATS = 3  # chosen: the best of three leaves out what else the machine was doing


def main() -> None:
    """Run every benchmark and print one line each."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--quick", action="store_true", help="leave out the run in real time")
    parser.add_argument("--memory-of", metavar="PLAN", help=argparse.SUPPRESS)
    asked = parser.parse_args()
    if asked.memory_of:
        measured_run(asked.memory_of, checks=True, conditions=True)
        print(peak_memory_bytes())
        return
    print(f"{'what':58} {'measured':>12} {'goal':>10} {'ratio':>7}")
    bare = _visits("40 rails, bare: no checks, no meter", goal=200)
    checked = _visits("40 rails, 3 checks x 20 trials, no meter", goal=150, checks=True)
    metered = _visits("40 rails, reference meter on every rail", meter=True)
    _line("what a run costs once, bare", bare.wall_s - bare.visiting_s, unit="s")
    _line("with checks against bare", checked.visits_per_s / bare.visits_per_s)
    for name, run in (("bare", bare), ("with checks", checked), ("with meter", metered)):
        per_visit = run.messages / len(run.visits)
        least = least_messages(run) / len(run.visits)
        _line(f"bus messages a visit, {name} (at the least {least:.0f})", per_visit, ratio=per_visit / least)
    _line("visits in a second of processor time, bare", len(bare.visits) / bare.cpu_s, goal=200)
    _line("own time a visit, bare", bare.cpu_s / len(bare.visits) * 1e3, unit="ms")
    _line("own time a bus message, bare, simulation and all", bare.cpu_s / bare.messages * 1e6, unit="us")
    _help()
    _memory()
    if not asked.quick:
        _real_time()


def _visits(what: str, *, goal: float | None = None, checks: bool = False, meter: bool = False) -> Measured:
    best = _best(lambda: measured_run("forty_rails", checks=checks, meter=meter))
    _line(f"visits a second, {what}", best.visits_per_s, goal=goal)
    return best


def _best(make: Callable[[], Measured]) -> Measured:
    return min((make() for _ in range(_REPEATS)), key=lambda run: run.visiting_s)


def _help() -> None:
    command = [str(Path(sys.executable).with_name("cornerrun")), "--help"]
    times = []
    for _ in range(_REPEATS + 2):
        started_s = time.perf_counter()
        subprocess.run(command, check=True, stdout=subprocess.DEVNULL)
        times.append(time.perf_counter() - started_s)
    _line("cornerrun --help", min(times), unit="s", goal=0.35)


def _memory() -> None:
    command = [sys.executable, str(_HERE / "run.py"), "--memory-of", "forty_rails"]
    came = subprocess.run(command, check=True, capture_output=True, text=True).stdout
    _line("peak memory, whole 40-rail plan with checks and meter", int(came) / 2**20, unit="MiB")


def _real_time() -> None:
    """Compare a run in real time with the floor: the same run on a clock where computing costs nothing."""
    only = ("nominal", "all*", "VDD_CORE*")
    floor = measured_run("quickstart", only=only)
    real = measured_run("quickstart", only=only, clock=SystemClock())
    what = f"run time in real time, 6 rails, {len(real.visits)} visits (floor {floor.clock_s:.2f} s)"
    _line(what, real.wall_s, unit="s", goal=1.05 * floor.clock_s)
    _line("run time against the physical floor", real.wall_s / floor.clock_s, goal=1.05)


def _line(what: str, value: float, *, unit: str = "", goal: float | None = None, ratio: float | None = None) -> None:
    wanted = f"{goal:.3g}" if goal is not None else ""
    ratio = value / goal if ratio is None and goal else ratio
    shown = f"{ratio:.2f}" if ratio is not None else ""
    print(f"{what:58} {value:>9.4g} {unit:>2} {wanted:>10} {shown:>7}", flush=True)


if __name__ == "__main__":
    main()
