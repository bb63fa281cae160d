"""Whether a board can be turned off and on as the plan says, and what that may take."""

import shlex
from collections.abc import Iterator

from cornerrun.errors import CheckError
from cornerrun.preflight.facts import Facts
from cornerrun.preflight.finding import Finding, Subject
from cornerrun.run.commands import found
from cornerrun.units import Kind, show

__all__ = ["power_up"]

_RULE = "power up"


def power_up(facts: Facts) -> Iterator[Finding]:
    """Whether console, commands and profiles are there; and the time that cycles may take at worst."""
    asked = facts.plan.power_up
    if asked is None:
        return
    bench = facts.bench_file
    subject = Subject(rule=_RULE, position=facts.position("power_up"))
    ready = asked.ready
    if ready is not None and ready.console is not None and bench is not None and bench.console is None:
        yield subject.error("the ready test needs a console, and the bench has none", "write 'console' in its file")
    if ready is not None and ready.command is not None:
        yield from _startable(facts, subject, ready.command)
    if asked.by == "input power" and bench is not None and bench.input_power is None:
        yield subject.error("the bench cannot cut the board's input power", "write 'input_power' in its file")
    for name in asked.order if asked.by == "operation" else ():
        rail = facts.plan.rail(name)
        profile = None if rail.power is None else facts.profiles.get(facts.plan.devices[rail.power.device].profile)
        if rail.why_fixed:
            numbers = f"{name} is turned off with the others, and is never moved since: {rail.why_fixed}"
            yield subject.warning(numbers, "leave it out of 'order' unless the board stands that")
        if profile is not None and not profile.declares("CLEAR_FAULTS"):
            numbers = f"profile {profile.name!r} of {name} has no CLEAR_FAULTS, so a trip cannot be cleared"
            yield subject.warning(numbers, "power-cycle by 'input power'")
    each_s = asked.off_for_s + (0.0 if ready is None else ready.timeout_s)
    numbers = f"at worst {asked.cycles} power cycles of {show(each_s, Kind.TIME)} each come on top of the estimate"
    yield subject.note(numbers, "plan the night with them")


def _startable(facts: Facts, subject: Subject, command: str) -> Iterator[Finding]:
    try:
        found(shlex.split(command), facts.plan.directory)
    except (CheckError, ValueError) as error:
        yield subject.error(f"the ready test can not be started: {error}", "mend the command, or its place")
