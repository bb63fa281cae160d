"""`cornerrun characterise`: the trim of several boards, one after the other, the next one warming beside."""

import contextlib
import io
import json
import sys
from collections.abc import Iterator, Sequence
from pathlib import Path

import click

from cornerrun.cli.common import (
    bench_option,
    json_option,
    limits_option,
    open_store,
    plan_argument,
    print_json,
    read_files,
    real_time_option,
    store_options,
)
from cornerrun.cli.confirming import confirm_option
from cornerrun.errors import EXIT_INTERRUPTED, EXIT_UNSAFE, UsageError


@click.command()
@plan_argument
@bench_option
@limits_option
@click.option("--serial", "serials", required=True, multiple=True, metavar="SN", help="A board; give it once for each.")
@click.option("--operator", metavar="NAME", help="Who runs it; the login name unless given.")
@click.option("--seed", type=int, help="Seed of the simulated bench.")
@click.option("--yes", is_flag=True, help="Do not ask before each board: they are changed by something else.")
@store_options
@real_time_option
@confirm_option
@json_option
def command(
    *,
    plan_path: Path,
    bench_path: Path | None,
    limits_path: Path | None,
    serials: tuple[str, ...],
    operator: str | None,
    seed: int | None,
    yes: bool,
    results_dir: Path,
    store_url: str | None,
    real_time: bool,
    confirmed: str | None,
    as_json: bool,
) -> int:
    """Run the trim characterisation of PLAN (its section `trim`) on several boards, and pool them.

    While one board is measured the next one warms at its working load beside the bench; once connected, it is held at
    nominal until it has stopped drifting, as the plan's `warm_up` says. Each board is a run of its own in the store.
    """
    from cornerrun.bench.bench import is_private

    plan, bench_file = read_files(plan_path, bench_path, limits_path)
    if plan.trim is None:
        raise UsageError(f"{plan_path} has no section `trim`; write one, `trim: {{}}` is the shortest")
    if len(set(serials)) < len(serials):
        raise UsageError("a serial number is given twice; run a board again by another call")
    asks = not yes and not is_private(bench_file)
    if asks and not sys.stdin.isatty():
        raise UsageError("nobody is there to change boards (no terminal); give --yes if something else does")
    common = [str(plan_path), "--only", "trim*", "--results", str(results_dir), "--json"]
    for name, value in (
        ("--bench", bench_path),
        ("--limits", limits_path),
        ("--store", store_url),
        ("--operator", operator),
        ("--seed", seed),
        ("--confirm", confirmed),
    ):
        common += [] if value is None else [name, str(value)]
    common += ["--real-time"] if real_time else []
    statuses: list[int] = []
    run_ids: list[str] = []
    for place, serial in enumerate(serials):
        click.echo(_call(serials, place), err=True)
        if asks:
            click.pause("Press a key once it is connected and powered; Ctrl-C ends. ", err=True)
        status, run_id = _run([*common, "--serial", serial])
        statuses.append(status)
        run_ids += [run_id] if run_id else []
        if status in (EXIT_UNSAFE, EXIT_INTERRUPTED):
            break
    if run_ids:
        _report(run_ids, results_dir, store_url, as_json=as_json)
    return max(statuses, key=_gravity)


def _call(serials: Sequence[str], place: int) -> str:
    text = f"Board {serials[place]} ({place + 1} of {len(serials)}): connect it to the bench and power it."
    if place + 1 < len(serials):
        text += f" Meanwhile let {serials[place + 1]} warm at its working load beside it."
    return text


def _run(arguments: list[str]) -> tuple[int, str]:
    """Run one board as `cornerrun run` does, and take its report in place of printing it."""
    from cornerrun.cli.run import command as run_command

    with _kept_output() as kept:
        status = run_command.main(args=arguments, prog_name="cornerrun run", standalone_mode=False)
    try:
        run_id = json.loads(kept.getvalue())["header"]["run_id"]
    except (ValueError, KeyError, TypeError):
        run_id = ""
    return int(status or 0), str(run_id)


@contextlib.contextmanager
def _kept_output() -> Iterator[io.StringIO]:
    kept = io.StringIO()
    with contextlib.redirect_stdout(kept):
        yield kept


def _report(run_ids: Sequence[str], results_dir: Path, store_url: str | None, *, as_json: bool) -> None:
    from cornerrun.report.machine import plain_record
    from cornerrun.report.summary import summarise
    from cornerrun.report.text_trim import to_text
    from cornerrun.report.trim_table import trim_table

    with open_store(results_dir, store_url, must_exist=True) as store:
        result = trim_table([summarise(store.load(run_id, traces=False)) for run_id in run_ids])
    if as_json:
        print_json({"format": 1, **plain_record(result)})
    else:
        click.echo(to_text(result), nl=False)


def _gravity(status: int) -> int:
    """Order exit codes: board not safe, interrupted, usage, bench trouble, fail, pass."""
    order = (0, 1, 3, 2, EXIT_INTERRUPTED, EXIT_UNSAFE)
    return order.index(status) if status in order else len(order)
