"""What reports cost in time and memory: ``python tests/benchmarks/reports.py [CASE ...]``.

Each case runs in a process of its own, so that peak memory is its own: what the process holds at its peak less what it
held once the run to report on was built (that stands for the store, which holds it on disk).
"""

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

from cornerrun.report.comparing.boards import summarise_boards  # noqa: E402
from cornerrun.report.comparing.digest import Digester  # noqa: E402
from cornerrun.report.comparing.pages import boards_page  # noqa: E402
from cornerrun.report.page.run_page import write_page  # noqa: E402
from cornerrun.report.summary import summarise  # noqa: E402
from cornerrun.report.workbook import write_workbook  # noqa: E402
from cornerrun.results.records import RunData  # noqa: E402


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
    """Write a workbook of 1,000,000 readings: 40 rails x 100 corners, swept 250 times."""
    with _timed("(the run is built)"):
        data = _swept(a_large_run(rails=40, corners=100, trials=2, checks=1), 250)
    with _timed("summary"):
        summary = summarise(data)
    with _timed("workbook"):
        path = write_workbook(data, folder / "run.xlsx", summary=summary)
    print(f"  {sum(len(record.readings) for record in data.visits):,} readings, {path.stat().st_size / 1e6:.0f} MB")


def _swept(data: RunData, sweeps: int) -> RunData:
    visits = []
    for sweep in range(sweeps):
        for record in data.visits:
            visit = replace(record.visit, ordinal=len(visits), repeat=sweep, start_s=float(len(visits)))
            visits.append(replace(record, visit=replace(visit, end_s=visit.start_s + 0.9)))
    return replace(data, visits=tuple(visits), run=replace(data.run, planned_visits=len(visits)))


_CASES: dict[str, Callable[[Path], None]] = {"run": _run, "boards": _boards, "readings": _readings}

if __name__ == "__main__":
    main()
