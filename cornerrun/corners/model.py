"""Corners and steps: what is applied together, and what the run does one after another."""

from collections.abc import Mapping
from dataclasses import dataclass

__all__ = ["ConditionLevel", "Corner", "NotRunnable", "RailLevel", "Selection", "Step"]


@dataclass(frozen=True, kw_only=True, slots=True)
class RailLevel:
    """A rail at a level."""

    rail: str
    level: str


@dataclass(frozen=True, kw_only=True, slots=True)
class ConditionLevel:
    """A condition at a level, and what that is in SI units."""

    condition: str
    level: str
    value: float


@dataclass(frozen=True, kw_only=True, slots=True)
class Corner:
    """A level for every commanded rail, in plan order, and a value for every condition, outermost first.

    ``scheme`` names the scheme that asked for it first; ``aliases`` are the names by which others asked for it again.
    Two corners are the same if levels and conditions are.
    """

    name: str
    levels: tuple[RailLevel, ...]
    conditions: tuple[ConditionLevel, ...] = ()
    scheme: str = ""
    aliases: tuple[str, ...] = ()

    def condition_levels(self) -> Mapping[str, str]:
        """The level of each condition."""
        return {item.condition: item.level for item in self.conditions}

    def by_rail(self) -> Mapping[str, str]:
        """The level of each commanded rail."""
        return {item.rail: item.level for item in self.levels}

    @property
    def is_nominal(self) -> bool:
        """Whether every rail is at nominal."""
        return all(item.level == "nominal" for item in self.levels)


@dataclass(frozen=True, kw_only=True, slots=True)
class NotRunnable:
    """A corner that a scheme asked for and that will not be run, with its reason."""

    name: str
    scheme: str
    reason: str


@dataclass(frozen=True, kw_only=True, slots=True)
class Selection:
    """The corners of a plan, each once, in the order of the schemes; and what is not runnable.

    Within each combination of conditions the corners stand together. Nominal is among them only if a scheme asks.
    """

    corners: tuple[Corner, ...]
    not_runnable: tuple[NotRunnable, ...] = ()


@dataclass(frozen=True, kw_only=True, slots=True)
class Step:
    """One visit to come.

    ``ordinal`` counts from 0 over the run, ``repeat`` from 0 over the sweeps. ``moves`` are bursts in order: the rails
    of one burst move together, each burst after the one before has settled. A rail that must pass nominal on its way
    appears in two bursts. ``return_order`` lists bursts of rails that bring the board to nominal, relations kept, from
    this corner and from wherever the step may have been broken off; it is stored before the step.
    """

    ordinal: int
    corner: Corner
    repeat: int
    is_control: bool
    moves: tuple[tuple[RailLevel, ...], ...]
    return_order: tuple[tuple[str, ...], ...]
