"""`cornerrun acknowledge`: a named person has seen why a bench was left off."""

import sys
from datetime import UTC, datetime
from pathlib import Path

import click

from cornerrun.cli.common import bench_option, open_store, plan_argument, read_files, store_options
from cornerrun.errors import UsageError


@click.command()
@plan_argument
@bench_option
@click.option("--name", metavar="NAME", help="Who acknowledges; asked for at the terminal unless given.")
@click.option("--found", metavar="TEXT", help="What was found and done; asked for at the terminal unless given.")
@store_options
def command(
    *,
    plan_path: Path,
    bench_path: Path | None,
    name: str | None,
    found: str | None,
    results_dir: Path,
    store_url: str | None,
) -> None:
    """Say that you have seen why the bench of PLAN was left off, or in an unknown state; runs may start there again.

    Nothing is moved and nothing is turned on. Find the cause first: let capacitors discharge, look for hot parts and a
    slipped probe, and check the hardware backstops. Name, words and time are kept with the run.
    """
    from cornerrun.bench.bench import bench_identity
    from cornerrun.bench.latch import clear_latch, latched
    from cornerrun.results.bench_records import Latch

    _, bench_file = read_files(plan_path, bench_path)
    identity = bench_identity(bench_file)
    with open_store(results_dir, store_url) as store:
        latches = list(store.latches(identity))
        note = latched(identity)
        if note is not None and all(latch.run_id != note.run_id for latch in latches):
            # A run of another store left it so: what happened is told here, too.
            unheard = Latch(
                bench_id=identity, run_id="", end_state=note.end_state, why=note.why, set_utc=datetime.now(UTC)
            )
            store.set_latch(unheard)
            latches.insert(0, unheard)
        if not latches:
            click.echo(f"bench {identity!r} is not latched: nothing to acknowledge")
            return
        for latch in latches:
            run = f" by run {latch.run_id}" if latch.run_id else ""
            click.echo(f"left {latch.end_state}{run} at {latch.set_utc:%Y-%m-%d %H:%M:%S} UTC: {latch.why}", err=True)
        name, found = _asked(name, "Your name", "--name"), _asked(found, "What was found and done", "--found")
        for latch in latches:
            store.acknowledge(latch, by=name, found=found, at_utc=datetime.now(UTC))
        clear_latch(identity)
    click.echo(f"acknowledged by {name}; `cornerrun to-nominal` proves the board before the next run")


def _asked(given: str | None, question: str, option: str) -> str:
    if given is None:
        if not sys.stdin.isatty():
            raise UsageError(f"no terminal to ask at; give {option}")
        given = click.prompt(question, err=True)
    text = given.strip()
    if not text or not text.isprintable() or len(text) > 1000:
        raise UsageError(f"{option} {given[:40]!r}: give 1 to 1000 printable characters")
    return text
