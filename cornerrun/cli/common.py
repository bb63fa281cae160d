"""What several commands share: options, reading the files, opening the store and the bench."""

import getpass
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

import click

from cornerrun.errors import StoreError, UsageError

if TYPE_CHECKING:
    from cornerrun.bench.ports import BenchPorts
    from cornerrun.clock import Clock
    from cornerrun.plan.bench_file import BenchFile
    from cornerrun.plan.model import Plan
    from cornerrun.results.store import Store
    from cornerrun.run.guarded import Guardianship

__all__ = [
    "AtBench",
    "at_bench",
    "bench_option",
    "json_option",
    "limits_option",
    "no_input_option",
    "open_store",
    "operator_name",
    "plan_argument",
    "print_json",
    "read_files",
    "real_time_option",
    "store_options",
]

Function = TypeVar("Function", bound=Callable[..., Any])

plan_argument = click.argument("plan_path", metavar="PLAN", type=click.Path(path_type=Path))
bench_option = click.option(
    "--bench", "bench_path", metavar="BENCH", type=click.Path(path_type=Path), help="Bench file; replaces the plan's."
)
limits_option = click.option(
    "--limits",
    "limits_path",
    metavar="LIMITS",
    type=click.Path(path_type=Path),
    help="Limits file; plans only tighten.",
)
json_option = click.option("--json", "as_json", is_flag=True, help="Write JSON to stdout.")
no_input_option = click.option(
    "--no-input",
    is_flag=True,
    help="Ask nobody to set or probe anything by hand: refuse instead.",
)
real_time_option = click.option(
    "--real-time", is_flag=True, help="Let a simulated bench take the time that a real one would."
)


def store_options(function: Function) -> Function:
    """Add the options that say where results are kept."""
    results = click.option(
        "--results",
        "results_dir",
        metavar="DIR",
        type=click.Path(path_type=Path, file_okay=False),
        default=Path("results"),
        show_default=True,
        help="Folder of the store and the reports.",
    )
    url = click.option("--store", "store_url", metavar="URL", help="Database URL, where a plant has a server.")
    return results(url(function))


def read_files(plan_path: Path, bench_path: Path | None, limits_path: Path | None = None) -> "tuple[Plan, BenchFile]":
    """Read a plan and the bench file that it or the command line names."""
    from cornerrun.plan.load import load_bench, load_plan

    plan = load_plan(plan_path, limits=limits_path)
    path = bench_path or plan.bench
    if path is None:
        raise UsageError(f"{plan_path} names no bench file; add `bench: FILE` to it, or give --bench FILE")
    return plan, load_bench(path)


def open_store(
    results_dir: Path, store_url: str | None, *, must_exist: bool = False, read_only: bool = False
) -> "Store":
    """Open the store of a results folder, or the one that a URL names."""
    from cornerrun.results.store import Store

    if store_url is not None:
        return Store.open(store_url, read_only=read_only)
    path = results_dir / "runs.sqlite"
    if must_exist and not path.exists():
        raise StoreError(f"{path} is not there: no run has been kept in {results_dir}; --results DIR names another")
    try:
        results_dir.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise StoreError(f"{results_dir}: results cannot be kept there: {error}") from error
    return Store.open(f"sqlite:///{path.resolve()}", read_only=read_only)


@dataclass(frozen=True, kw_only=True)
class AtBench:
    """An open bench with what was read to open it, and who brings the board back if this process is lost."""

    plan: "Plan"
    bench_file: "BenchFile"
    ports: "BenchPorts"
    clock: "Clock"
    guardian: "Guardianship"


@contextmanager
def at_bench(
    plan: "Plan",
    bench_file: "BenchFile",
    *,
    purpose: str,
    real_time: bool,
    seed: int | None = None,
    serial: str | None = None,
    no_input: bool = False,
) -> Iterator[AtBench]:
    """Hold and open a bench while the block runs.

    A bench simulated in this process runs on a clock of its own, at full speed, unless ``real_time``. With ``no_input``
    nobody is asked to do anything by hand.
    """
    from cornerrun.bench.bench import bench_identity, is_private, open_bench
    from cornerrun.bench.by_hand.person import Terminal
    from cornerrun.bench.lock import hold_bench
    from cornerrun.clock import ManualClock, SystemClock
    from cornerrun.run.guarded import guardian_of

    private = is_private(bench_file)
    clock: Clock = ManualClock(start_utc=SystemClock().utc_now()) if private and not real_time else SystemClock()
    with ExitStack() as stack:
        lock_fd: int | None = None
        if not private:
            # A bench inside this process is nobody else's.
            lock_fd = stack.enter_context(hold_bench(bench_identity(bench_file), purpose=purpose))
        person = None if no_input else Terminal()
        ports = open_bench(plan, bench_file, clock, seed=seed, serial=serial, person=person)
        stack.callback(ports.close)
        guardian = guardian_of(plan, bench_file, ports, clock, lock_fd=lock_fd)
        yield AtBench(plan=plan, bench_file=bench_file, ports=ports, clock=clock, guardian=guardian)


def operator_name() -> str:
    """Tell who is at the keyboard; "unknown" where the machine does not say."""
    try:
        return getpass.getuser()
    except (OSError, KeyError, ImportError):
        return "unknown"


def print_json(value: object) -> None:
    """Write JSON to stdout."""
    from cornerrun.results.codec import printable_json

    click.echo(printable_json(value))
