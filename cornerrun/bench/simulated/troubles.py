"""What is wrong with a simulation file: where, what came, and what to do."""

from collections.abc import Collection
from dataclasses import dataclass

from cornerrun.plan.nearest import suggestion

__all__ = ["Loc", "Trouble", "unknown"]

Loc = tuple[str | int, ...]


@dataclass(frozen=True, kw_only=True, slots=True)
class Trouble:
    """One problem, at a place of the file's tree."""

    loc: Loc
    came: str
    advice: str


def unknown(loc: Loc, what: str, name: str, known: Collection[str]) -> Trouble:
    """Say that a name is not there, and suggest the nearest one that is."""
    return Trouble(loc=loc, came=f"there is no {what} {name!r}", advice=suggestion(name, known))
