"""`cornerrun instruments`: every link and instrument of a bench answers, or what is wrong with each."""

from contextlib import nullcontext
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING

import click

from cornerrun.cli.common import json_option, print_json
from cornerrun.errors import EXIT_BENCH, EXIT_PASS

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from cornerrun.bench.inspecting import Inspected


@click.command()
@click.argument("bench_path", metavar="BENCH", type=click.Path(path_type=Path))
@json_option
def command(*, bench_path: Path, as_json: bool) -> int:
    """Ask every link and instrument of BENCH: identity, error queue, calibration, one reading each.

    All that is wrong is told together; no rail and no condition is moved. A meter is reset and set up as a run does
    it; error queues are emptied. Exit 3 if anything stands in the way of a run.
    """
    from cornerrun.bench.bench import bench_identity, is_private
    from cornerrun.bench.inspecting import inspect
    from cornerrun.bench.lock import hold_bench
    from cornerrun.clock import Clock, ManualClock, SystemClock
    from cornerrun.plan.load import load_bench

    bench_file = load_bench(bench_path)
    private = is_private(bench_file)
    clock: Clock = ManualClock(start_utc=SystemClock().utc_now()) if private else SystemClock()
    held = nullcontext() if private else hold_bench(bench_identity(bench_file), purpose=f"inspecting {bench_path}")
    with held:
        found = inspect(bench_file, clock)
    problems = sum(len(item.problems) for item in found)
    if as_json:
        items = [asdict(item) for item in found]
        print_json({"bench": str(bench_path), "kind": bench_file.kind, "problems": problems, "items": items})
    else:
        for line in _lines(found, "SIMULATED, " if bench_file.kind == "simulated" else "", bench_file.station):
            click.echo(line)
    return EXIT_BENCH if problems else EXIT_PASS


def _lines(found: "Sequence[Inspected]", simulated: str, station: str) -> "Iterator[str]":
    yield f"bench {simulated}{station}"
    for item in found:
        mark = "✖" if item.problems else "●"
        yield f"{mark} {item.kind:<10} {item.name}  ({item.resource})"
        for label, text in (("is", item.identity), ("reads", item.reading)):
            if text:
                yield f"    {label:<6} {text}"
        if item.due is not None:
            yield f"    due    {item.due.isoformat()}"
        yield from (f"    problem: {problem}" for problem in item.problems)
        yield from (f"    note: {remark}" for remark in item.remarks)
    problems = sum(len(item.problems) for item in found)
    count = "no problems" if not problems else f"{problems} problem{'s' if problems > 1 else ''}"
    yield f"{len(found)} asked: {count}"
