"""`cornerrun run`: the main job, from plan files to a report."""

import random
from collections.abc import Mapping
from pathlib import Path

import click

from cornerrun.cli.common import (
    bench_option,
    json_option,
    limits_option,
    no_input_option,
    open_store,
    operator_name,
    plan_argument,
    print_json,
    read_files,
    real_time_option,
    store_options,
)
from cornerrun.cli.confirming import confirm_option, confirmed_by, in_force
from cornerrun.errors import EXIT_PASS, UsageError


@click.command()
@plan_argument
@bench_option
@limits_option
@click.option("--serial", metavar="SN", help="Serial number of the board, as text; needed but for --dry.")
@click.option(
    "--units", "units_path", metavar="CSV", type=click.Path(path_type=Path), help="Units file: data by serial."
)
@click.option("--operator", metavar="NAME", help="Who runs it; the login name unless given.")
@click.option("--only", metavar="CORNER", multiple=True, help="Visit only this corner (a name or a shell pattern).")
@click.option(
    "--repeat",
    type=click.IntRange(1, 10_000),
    metavar="N",
    help="Sweep N times over the corners, whatever the plan says.",
)
@click.option(
    "--interleave", metavar="CORNER", multiple=True, help="Visit this corner after each other one, as with nominal."
)
@click.option("--unattended", is_flag=True, help="Nobody is at the bench: hold no failed corner.")
@click.option("--dry", is_flag=True, help="List every step and every message that would be sent; touch nothing.")
@click.option("--seed", type=int, help="Seed of the simulated bench, of the checks' draws and of a drawn order.")
@store_options
@real_time_option
@no_input_option
@click.option("--no-workbook", is_flag=True, help="Keep the run in the store only: no workbook, no page.")
@confirm_option
@json_option
def command(
    *,
    plan_path: Path,
    bench_path: Path | None,
    limits_path: Path | None,
    serial: str | None,
    units_path: Path | None,
    operator: str | None,
    only: tuple[str, ...],
    repeat: int | None,
    interleave: tuple[str, ...],
    unattended: bool,
    dry: bool,
    seed: int | None,
    results_dir: Path,
    store_url: str | None,
    real_time: bool,
    no_input: bool,
    no_workbook: bool,
    confirmed: str | None,
    as_json: bool,
) -> int:
    """Run a plan on one board: move, settle, measure, check, come back, report.

    The board is at nominal on every way out: at the end, on Ctrl-C, SIGTERM, SIGHUP and after an error. Progress goes
    to stderr, the report to stdout and to DIR/RUN/.

    For an intermittent corner: --only CORNER --repeat 20 --interleave nominal.
    """
    from cornerrun.cli import dry as paper
    from cornerrun.cli.banner import banner
    from cornerrun.cli.performing import perform, report_on
    from cornerrun.corners.stages import is_staged, laid_out
    from cornerrun.preflight.rules import stop_on_errors
    from cornerrun.results.records import RunRequest

    if serial is None and not dry:
        raise click.MissingParameter(param_type="option", param_hint="'--serial'")
    serial = serial if serial is not None else ""
    if not dry:
        _refuse_bad_serial(serial)
    plan, bench_file = read_files(plan_path, bench_path, limits_path)
    unit_data = _unit_data(units_path, serial)
    stop_on_errors(plan, bench_file)
    drawn = seed if seed is not None else random.SystemRandom().randrange(2**31)
    selection, planned = laid_out(plan, only=only or None, repeats=repeat, interleave=interleave, seed=drawn)
    if dry:
        sections = paper.rehearsed(plan, bench_file, planned)
        if as_json:
            print_json(paper.dry_json(sections))
        else:
            click.echo("\n".join(paper.dry_lines(plan, sections)))
        return EXIT_PASS
    corners = [step.corner for step in planned]
    overrides = in_force(plan, bench_file)
    click.echo(banner(plan, bench_file, serial=serial, corners=corners, visits=len(planned)), err=True)
    confirmer = confirmed_by(overrides, confirmed)
    with open_store(results_dir, store_url) as store:
        end = perform(
            plan,
            bench_file,
            store,
            steps=planned,
            selection=selection,
            serial=serial,
            operator=operator or operator_name(),
            seed=drawn,
            unit_data=unit_data,
            request=RunRequest(
                plan=str(plan_path.resolve()),
                bench=str(bench_file.source.path.resolve()),
                limits="" if limits_path is None else str(limits_path.resolve()),
                only=only,
                repeats=repeat,
                interleave=interleave,
                staged=is_staged(plan, only=only, repeats=repeat, interleave=interleave),
                bench_seed=seed,
                overrides=overrides,
                confirmed_by=confirmer,
            ),
            purpose=f"run of {plan_path} on {serial}",
            real_time=real_time,
            no_input=no_input,
            is_attended=not unattended,
        )
        return report_on(store, end, results_dir, has_files=not no_workbook, as_json=as_json)


def _refuse_bad_serial(serial: str) -> None:
    if not serial.strip() or not serial.isprintable() or len(serial) > 200:
        raise UsageError(f"serial number {serial[:40]!r}: give 1 to 200 printable characters")


def _unit_data(units_path: Path | None, serial: str) -> Mapping[str, str]:
    if units_path is None:
        return {}
    from cornerrun.plan.load import load_units

    units = load_units(units_path)
    if serial not in units:
        raise UsageError(f"{units_path}: no unit has the serial number {serial!r}; add a row for it")
    return units[serial]
