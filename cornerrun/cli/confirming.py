"""Ask a named person to confirm what a plan does against the usual cautions."""

import sys
from collections.abc import Sequence
from datetime import date
from typing import TYPE_CHECKING

import click

from cornerrun.errors import UsageError
from cornerrun.plan.model import Override

if TYPE_CHECKING:
    from cornerrun.plan.bench_file import BenchFile
    from cornerrun.plan.model import Plan

__all__ = ["confirm_option", "confirmed_by", "in_force"]

confirm_option = click.option(
    "--confirm",
    "confirmed",
    metavar="NAME",
    help="Confirm, under your name, what the plan does against the usual cautions; asked for at the terminal else.",
)


def in_force(plan: "Plan", bench_file: "BenchFile", *, today: date | None = None) -> "tuple[Override, ...]":
    """Tell which overrides of a plan count now: provoked faults, too; an expired calibration only past the date."""
    day = today or date.today()  # noqa: DTZ011  # a calibration is due on a day of the bench's own calendar
    due = bench_file.meter.due if bench_file.meter is not None else None
    is_expired = due is not None and due < day
    provoked = tuple(
        Override(
            kind="fault provoked",
            because=f"an {item.fault} fault"
            + (f"; {', '.join(item.takes_down)} must go down with it" if item.takes_down else ""),
            rails=(item.rail,),
        )
        for item in plan.fault_responses
    )
    return tuple(one for one in plan.overrides if one.kind != "expired calibration" or is_expired) + provoked


def confirmed_by(overrides: "Sequence[Override]", given: str | None) -> str:
    """Return the name of the person who confirms the overrides, typed or given; empty where there are none.

    UsageError if nobody does.
    """
    if not overrides:
        return ""
    click.echo("Against the usual cautions, this run has", err=True)
    for one in overrides:
        click.echo(f"  {one}", err=True)
    if given is None:
        if not sys.stdin.isatty():
            raise UsageError("somebody must confirm this, and there is no terminal to ask at; give --confirm NAME")
        given = click.prompt("Type your name to confirm it, nothing to stop", default="", show_default=False, err=True)
    name = given.strip()
    if not name or not name.isprintable() or len(name) > 200:
        raise UsageError("nobody confirmed it: give a name of 1 to 200 printable characters")
    click.echo(f"confirmed by {name}", err=True)
    return name
