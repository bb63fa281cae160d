"""`cornerrun stress`: what a board has been through."""

from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING

import click

from cornerrun.cli.common import json_option, open_store, print_json, store_options
from cornerrun.units import Kind, show

if TYPE_CHECKING:
    from cornerrun.plan.model import Plan
    from cornerrun.results.stress import StressEntry


@click.command()
@click.argument("serial", metavar="SN")
@store_options
@json_option
def command(*, serial: str, results_dir: Path, store_url: str | None, as_json: bool) -> None:
    """Show how long each rail of the board SN has stood above nominal, by level, over all its runs in the store.

    Visits that were put aside count, and so does the time that a killed run left rails at margin: until the board was
    back, as far as the store knows. What the plan of the newest run allows in all stands beside.
    """
    from cornerrun.plan.serial import plan_from_json

    with open_store(results_dir, store_url, must_exist=True, read_only=True) as store:
        entries = store.stress(serial, datetime.now(UTC))
        newest = store.runs(serial=serial, limit=1)
    plan = plan_from_json(newest[0].plan_json) if newest else None
    if as_json:
        print_json([_as_data(entry, plan) for entry in entries])
        return
    if not newest:
        click.echo(f"no runs of {serial}")
        return
    if not entries:
        click.echo(f"no rail of {serial} has stood above nominal")
        return
    rows = [("RAIL", "LEVEL", "HIGHEST", "ABOVE NOMINAL", "OF IT LOST", "VISITS", "CYCLES", "RUNS", "ALLOWED IN ALL")]
    for entry in entries:
        allowed_s = _allowed_s(plan, entry.rail)
        rows.append(
            (
                entry.rail,
                entry.level,
                show(entry.highest_v, Kind.VOLTAGE),
                show(entry.total_s, Kind.TIME, digits=3),
                show(entry.lost_s, Kind.TIME, digits=3) if entry.lost_s else "-",
                str(entry.visits),
                str(entry.cycles),
                str(entry.runs),
                "-" if allowed_s is None else show(allowed_s, Kind.TIME, digits=3),
            )
        )
    widths = [max(len(row[column]) for row in rows) for column in range(len(rows[0]))]
    for row in rows:
        click.echo("  ".join(f"{cell:<{width}}" for cell, width in zip(row, widths, strict=True)).rstrip())


def _allowed_s(plan: "Plan | None", name: str) -> float | None:
    found = [rail for rail in plan.rails if rail.name == name] if plan is not None else []
    return found[0].supply.above_nominal_in_all_s if found else None


def _as_data(entry: "StressEntry", plan: "Plan | None") -> dict[str, object]:
    return {
        "rail": entry.rail,
        "level": entry.level,
        "highest_v": entry.highest_v,
        "time_s": entry.time_s,
        "lost_s": entry.lost_s,
        "visits": entry.visits,
        "cycles": entry.cycles,
        "runs": entry.runs,
        "allowed_in_all_s": _allowed_s(plan, entry.rail),
    }
