"""What a run does that can hurt, and the person who answers for it: typed at the terminal, or given by --confirm."""

import sys

import click

from cornerrun.errors import UsageError
from cornerrun.plan.model import Plan

__all__ = ["confirmations", "confirmed_by"]


def confirmations(plan: Plan) -> tuple[str, ...]:
    """List what needs a name before the run: faults that the plan provokes."""
    return tuple(
        f"an {item.fault} fault of {item.rail} is provoked"
        + (f"; {', '.join(item.takes_down)} must go down with it" if item.takes_down else "")
        for item in plan.fault_responses
    )


def confirmed_by(needed: tuple[str, ...], name: str | None) -> str:
    """Return the name of who confirms; empty if nothing needs it.

    Raises UsageError where nobody can be asked and no name was given.
    """
    if not needed:
        return ""
    if name is not None:
        if not name.strip() or not name.isprintable() or len(name) > 100:
            raise UsageError("--confirm: give the name of a person, in 1 to 100 printable characters")
        return name.strip()
    listed = "\n".join(f"  - {item}" for item in needed)
    if not sys.stdin.isatty():
        raise UsageError(f"this plan does what needs a name, given by --confirm NAME:\n{listed}")
    click.echo(f"This plan does what can hurt a board:\n{listed}", err=True)
    typed: str = click.prompt("Type your name to confirm, or nothing to stop", default="", show_default=False, err=True)
    if not typed.strip():
        raise UsageError("nobody confirmed; nothing was touched")
    return typed.strip()
