"""`cornerrun discover`: look at a bench that no plan knows yet, and draft the plan."""

import os
import re
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

import click

from cornerrun.cli.common import json_option, print_json, real_time_option
from cornerrun.errors import EXIT_BENCH, EXIT_PASS, UsageError

if TYPE_CHECKING:
    from collections.abc import Mapping

    from cornerrun.bench.plan_draft import Learned
    from cornerrun.bench.scan import Scan
    from cornerrun.clock import Clock
    from cornerrun.plan.bench_file import BenchFile


@click.command()
@click.argument("bench_path", metavar="BENCH", type=click.Path(path_type=Path))
@click.option(
    "--out", "out_path", metavar="PLAN", type=click.Path(path_type=Path, dir_okay=False), help="Draft to write."
)
@click.option(
    "--addresses",
    metavar="LIST",
    help="Addresses to look at, such as 0x40,0x42-0x44 or main:0x40,aux:0x20; otherwise those of the bench file, else "
    "all that may be looked at.",
)
@click.option("--profile", "profile_name", metavar="NAME", default="generic", show_default=True, help="Device profile.")
@click.option(
    "--learn", "learns", is_flag=True, help="Step each rail by 1 % to learn how it settles. This moves rails."
)
@real_time_option
@json_option
def command(
    *,
    bench_path: Path,
    out_path: Path | None,
    addresses: str | None,
    profile_name: str,
    learns: bool,
    real_time: bool,
    as_json: bool,
) -> int:
    """Find devices, pages, formats, margins, limits and fault responses on the buses of a bench.

    Nothing is written but PAGE, which is put back, unless --learn is given. With --out a plan draft is written that
    preflight accepts; what only a person knows stands in it as TODO.
    """
    from cornerrun.bench.bench import bench_identity, is_private
    from cornerrun.bench.lock import hold_bench
    from cornerrun.plan.load import load_bench

    if out_path is not None and out_path.exists():
        raise UsageError(f"{out_path} is there already, and nothing was done; give another name")
    bench_file = load_bench(bench_path)
    chosen = None if addresses is None else _addresses(addresses, tuple(bench_file.buses))
    private = is_private(bench_file)
    work = partial(_work, bench_file, bench_path, out_path, chosen, profile_name, learns, as_json)
    if private:
        return work(not real_time, None)
    with hold_bench(bench_identity(bench_file), purpose=f"discovering {bench_path}") as lock_fd:
        return work(False, lock_fd)


def _work(  # noqa: PLR0917 - the options of the command, in its order
    bench_file: "BenchFile",
    bench_path: Path,
    out_path: Path | None,
    addresses: "Mapping[str, tuple[int, ...]] | None",
    profile_name: str,
    learns: bool,
    as_json: bool,
    at_full_speed: bool,
    lock_fd: int | None,
) -> int:
    from cornerrun.bench.plan_draft import draft_text
    from cornerrun.bench.scan import scan
    from cornerrun.cli.discover_text import scan_data, scan_lines
    from cornerrun.clock import ManualClock, SystemClock

    clock: Clock = ManualClock(start_utc=SystemClock().utc_now()) if at_full_speed else SystemClock()
    found = scan(bench_file, clock, addresses=addresses, profile_name=profile_name)
    if as_json:
        print_json(scan_data(found))
    else:
        for line in scan_lines(found):
            click.echo(line)
    for trouble in found.troubles:
        click.echo(f"cornerrun: {trouble}", err=True)
    if not any(device.rails for device in found.devices):
        click.echo("cornerrun: no page was found that makes a voltage, so there is nothing to draft", err=True)
        return EXIT_BENCH
    doubts = [page.doubt for device in found.devices for page in device.rails if page.doubt]
    if learns and doubts:
        click.echo(
            "cornerrun: nothing was stepped: see to what can't be believed first, or leave --learn out", err=True
        )
        return EXIT_BENCH
    learned = _learned(found, bench_file, clock, lock_fd) if learns else None
    if out_path is not None:
        covers = set(bench_file.channels) <= set(found.channels_v)
        bench = os.path.relpath(bench_path.resolve(), out_path.resolve().parent) if covers else None
        try:
            out_path.write_text(draft_text(found, bench=bench, learned=learned), encoding="utf-8")
        except OSError as error:
            raise UsageError(f"{out_path}: the draft cannot be written there: {error.strerror or error}") from error
        click.echo(f"wrote {out_path}: see to each TODO, then `cornerrun preflight {out_path}`", err=True)
    return EXIT_BENCH if found.troubles else EXIT_PASS


def _learned(found: "Scan", bench_file: "BenchFile", clock: "Clock", lock_fd: int | None) -> "Mapping[str, Learned]":
    """Write the draft aside, load it like any plan, and step its rails under its guard, with a guardian."""
    import tempfile

    from cornerrun.bench.bench import open_bench
    from cornerrun.bench.learning import learn
    from cornerrun.bench.plan_draft import draft_text
    from cornerrun.bench.ports import Baseline, RestoreRecipe
    from cornerrun.plan.load import load_plan
    from cornerrun.plan.proof import with_proof_levels
    from cornerrun.run.guarded import guardian_of

    with tempfile.TemporaryDirectory() as directory:
        path = Path(directory) / "draft.yaml"
        path.write_text(draft_text(found, bench=None), encoding="utf-8")
        plan = with_proof_levels(load_plan(path))
        click.echo(f"cornerrun: stepping {len(plan.commanded_rails)} rails by 1 %, one at a time", err=True)
        bench = open_bench(plan, bench_file, clock)
        guardian = guardian_of(plan, bench_file, bench, clock, lock_fd=lock_fd)

        def before(baseline: Baseline) -> None:
            recipe = RestoreRecipe(
                bench_id=bench.identity,
                run_id="",
                serial="",
                pid=os.getpid(),
                links=bench.links,
                writes=bench.safety.recipe(baseline),
            )
            guardian.answer_for(recipe, baseline, "")
            guardian.told_phase("move")

        try:
            with guardian:
                learned = learn(plan, bench, clock, before=before)
                guardian.told_phase("ended")
                return learned
        finally:
            bench.close()


def _addresses(text: str, buses: tuple[str, ...]) -> dict[str, tuple[int, ...]]:
    """Read a list of addresses, of every bus or of the one named before the colon."""
    found: dict[str, list[int]] = {bus: [] for bus in buses}
    for part in text.split(","):
        bus, _, span = part.strip().rpartition(":")
        if bus and bus not in found:
            raise UsageError(f"--addresses {part.strip()!r}: the bench has no bus {bus!r}; it has {', '.join(buses)}")
        match = re.fullmatch(r"(0x[0-9a-fA-F]{1,2}|\d{1,3})(?:-(0x[0-9a-fA-F]{1,2}|\d{1,3}))?", span.strip())
        if match is None:
            raise UsageError(f"--addresses {part.strip()!r} is no address; write it like 0x40, 0x40-0x44 or main:0x40")
        first = int(match[1], 0)
        last = first if match[2] is None else int(match[2], 0)
        if not 0x08 <= first <= last <= 0x77:
            raise UsageError(f"--addresses {part.strip()!r}: seven-bit addresses of devices lie within 0x08 to 0x77")
        for name in (bus,) if bus else buses:
            found[name].extend(address for address in range(first, last + 1) if address not in found[name])
    return {bus: tuple(chosen) for bus, chosen in found.items()}
