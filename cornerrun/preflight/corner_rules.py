"""Corners: which cannot be run."""

from collections.abc import Iterator

from cornerrun.preflight.facts import Facts
from cornerrun.preflight.finding import Finding, Subject

__all__ = ["runnable"]


def runnable(facts: Facts) -> Iterator[Finding]:
    """Whether there are corners to run, and which of those asked for are left out."""
    subject = Subject(rule="corners", position=facts.position("corners", "schemes"))
    if facts.trouble:
        yield subject.error(facts.trouble, "change the schemes")
    for item in facts.selection.not_runnable:
        numbers = f"{item.name!r} is not run: {item.reason}"
        yield subject.warning(numbers, "it counts as not covered; change it if it is needed")
    if not facts.trouble and all(corner.is_nominal for corner in facts.selection.corners):
        yield subject.error("no corner is left to run", "give a rail a margin, or loosen what forbids")
    elif facts.selection.corners:
        visits = len(facts.steps)
        numbers = f"{len(facts.selection.corners)} corners, {visits} visits with control points and repeats"
        yield subject.note(numbers, "see them with their order in the run")
