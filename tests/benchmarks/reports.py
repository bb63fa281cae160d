"""What reports cost in time and memory: ``python tests/benchmarks/reports.py [CASE ...]``.

Each case runs in a process of its own, so that peak memory is its own: what the process holds at its peak less what it
held once the run to report on was built (that stands for the store, which holds it on disk).
"""

import os
import random
import resource
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path

sys.path[:0] = [str(Path(__file__).parents[2]), str(Path(__file__).parents[1] / "results")]

from large_run import a_large_run  # noqa: E402 - the path comes first
from run_example import a_baseline, a_recipe  # noqa: E402

from cornerrun.report.comparing.boards import summarise_boards  # noqa: E402
from cornerrun.report.comparing.digest import Digester  # noqa: E402
from cornerrun.report.comparing.pages import boards_page  # noqa: E402
from cornerrun.report.page.run_page import write_page  # noqa: E402
from cornerrun.report.summary import summarise  # noqa: E402
from cornerrun.report.workbook import write_workbook  # noqa: E402
from cornerrun.results.records import EndState, RunData, RunResult, VisitRecord  # noqa: E402
from cornerrun.results.store import Store  # noqa: E402


def main() -> None:
    """Run the cases named, or all, each in its own process; a case that is run in this process prints its figures."""
    arguments = sys.argv[1:]
    if arguments[:1] == ["--here"]:
        with tempfile.TemporaryDirectory() as folder:
            _CASES[arguments[1]](Path(folder))
        return
    for name in arguments or _CASES:
        print(name, flush=True)
        subprocess.run([sys.executable, __file__, "--here", name], check=True)


def _peak_mb() -> float:
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024


@contextmanager
def _timed(what: str) -> Iterator[None]:
    before_mb, start_s, cpu_s = _peak_mb(), time.perf_counter(), time.process_time()
    yield
    took_s, cpu_s = time.perf_counter() - start_s, time.process_time() - cpu_s
    memory = f"peak {_peak_mb():5.0f} MB, {_peak_mb() - before_mb:+.0f} MB"
    print(f"  {what:<30} {took_s:7.2f} s, of the processor {cpu_s:7.2f} s   {memory}", flush=True)


def _run(folder: Path) -> None:
    """Report on 40 rails x 100 corners x 20 trials, every kind of trouble in it."""
    with _timed("(the run is built)"):
        data = a_large_run(rails=40, corners=100, trials=20)
    with _timed("summary"):
        summary = summarise(data)
    with _timed("workbook"):
        path = write_workbook(data, folder / "run.xlsx", summary=summary)
    with _timed("page"):
        page = write_page(data, folder / "run.html", summary=summary)
    print(f"  workbook {path.stat().st_size / 1e6:.1f} MB, page {page.stat().st_size / 1e6:.1f} MB")


def _board(number: int) -> RunData:
    is_troubled = number % 9 == 0
    return a_large_run(rails=10, corners=20, trials=5, serial=f"{number:05d}", seed=number, is_troubled=is_troubled)


def _boards(folder: Path) -> None:
    """Put 1,000 boards of 10 rails x 20 corners together, read one after the other."""
    del folder
    digester = Digester()
    with _timed("1,000 runs built and digested"):
        digests = [digester.digest(_board(number)) for number in range(1000)]
    with _timed("summary over boards"):
        summary = summarise_boards(digests)
    with _timed("page over boards"):
        text = boards_page(summary)
    print(f"  {summary.boards} boards, page {len(text) / 1e6:.1f} MB")


def _readings(folder: Path) -> None:
    """Report, by the command, on a store of 1,000,000 readings of which no two are alike: 40 rails x 25,000 visits."""
    with _timed("(the store is filled)"):
        _fill(folder, a_large_run(rails=40, corners=100, trials=2, checks=1), 250)
    _command("report", "--results", str(folder), "--workbook")
    _command("report", "--results", str(folder), "--page")
    for what in ("csv", "parquet", "junit"):
        _command("report", "--results", str(folder), f"--{what}", str(folder / what))


def _stored_boards(folder: Path) -> None:
    """Put 1,000 boards of 10 rails x 20 corners together, by the command, from a store."""
    with _timed("(the store is filled)"):
        for number in range(1000):
            _fill(folder, _board(number), 1)
    _command("boards", "--results", str(folder), "--page", str(folder / "boards.html"))


def _command(*arguments: str) -> None:
    """Run the command in a process of its own and print what that one took."""
    start_s = time.perf_counter()
    with subprocess.Popen([sys.executable, "-m", "cornerrun", *arguments], stdout=subprocess.DEVNULL) as process:
        _, status, usage = os.wait4(process.pid, 0)
        process.returncode = os.waitstatus_to_exitcode(status)
    took_s = time.perf_counter() - start_s
    shown = " ".join(item for item in arguments if not item.startswith("/"))
    print(f"  {shown:<30} {took_s:7.2f} s, peak {usage.ru_maxrss / 1024:5.0f} MB", flush=True)
    if process.returncode:
        raise SystemExit(f"exit {process.returncode}")


def _fill(folder: Path, data: RunData, sweeps: int) -> None:
    draw = random.Random(sweeps)
    with Store.open(folder / "runs.sqlite") as store:
        store.begin_run(
            replace(data.run, planned_visits=sweeps * len(data.visits)), a_recipe(data.run.run_id), a_baseline()
        )
        for ordinal in range(sweeps * len(data.visits)):
            record = data.visits[ordinal % len(data.visits)]
            visit = replace(record.visit, ordinal=ordinal, start_s=float(ordinal), end_s=ordinal + 0.9)
            store.finish_visit(data.run.run_id, _unlike(replace(record, visit=visit), draw))
        store.end_run(data.run.run_id, RunResult.FAIL, EndState.NOMINAL, data.run.why, data.run.started_utc)


def _unlike(record: VisitRecord, draw: random.Random) -> VisitRecord:
    """Make a visit like no other: a board in use gives new numbers every time, watched while it is measured too."""

    def near(volts: float | None) -> float | None:
        return None if volts is None else volts * (1 + 1e-5 * draw.gauss(0, 1))

    readings = tuple(
        replace(
            item,
            telemetry_v=near(item.telemetry_v),
            reference_v=near(item.reference_v),
            settle_s=near(item.settle_s),
            current_a=draw.random(),
            temperature_degc=40 + draw.random(),
        )
        for item in record.readings
    )
    watched = tuple(
        replace(item, during=during, min_v=near(item.min_v), max_v=near(item.max_v))
        for during in ("settle", "measure", "check 0")
        for item in record.watched
    )
    traces = tuple(
        replace(item, points=tuple((time_s, near(volts)) for time_s, volts in item.points)) for item in record.traces
    )
    return replace(record, readings=readings, watched=watched, traces=traces)


_CASES: dict[str, Callable[[Path], None]] = {
    "run": _run,
    "boards": _boards,
    "readings": _readings,
    "boards of a store": _stored_boards,
}

if __name__ == "__main__":
    main()
