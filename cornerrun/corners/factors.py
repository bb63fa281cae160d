"""The rails that a scheme varies: one factor a rail, with the rails tied to it."""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from cornerrun.plan.model import NOMINAL, Plan

__all__ = ["Factor", "Factors"]


@dataclass(frozen=True, kw_only=True, slots=True)
class Factor:
    """A commanded rail and those tied to its level, in plan order; ``rail`` leads. ``levels`` are those it can take.

    ``lacking`` names, for each other level of the leader, a tied rail that has no such level.
    """

    rail: str
    members: tuple[str, ...]
    levels: tuple[str, ...]
    lacking: Mapping[str, str]


class Factors:
    """Know the factors of a plan."""

    def __init__(self, plan: Plan) -> None:
        self._plan = plan
        rails = {rail.name: rail for rail in plan.rails}
        self._heads = {rail.name: self._head(rail.name) for rail in plan.rails}
        self._factors: dict[str, Factor] = {}
        for rail in plan.commanded_rails:
            if self._heads[rail.name] != rail.name:
                continue
            members = tuple(other.name for other in plan.commanded_rails if self._heads[other.name] == rail.name)
            lacking: dict[str, str] = {}
            for level in rail.levels:
                for member in members:
                    if level not in rails[member].levels:
                        lacking.setdefault(level, member)
            levels = tuple(level for level in rail.levels if level not in lacking)
            self._factors[rail.name] = Factor(rail=rail.name, members=members, levels=levels, lacking=lacking)

    @property
    def all(self) -> tuple[Factor, ...]:
        """Every factor, in plan order."""
        return tuple(self._factors.values())

    def of(self, rail: str) -> Factor | None:
        """Find the factor that decides a rail's level; None for a rail that never moves."""
        return self._factors.get(self._heads[rail])

    def among(self, rails: Iterable[str] | None) -> tuple[Factor, ...]:
        """List the factors of these rails, each once, in their order; every factor where None is given."""
        if rails is None:
            return self.all
        found = {factor.rail: factor for rail in rails if (factor := self.of(rail)) is not None}
        return tuple(found.values())

    def why_not(self, rail: str, level: str) -> str | None:
        """Tell why a rail cannot be put at a level; None if it can."""
        subject = self._plan.rail(rail)
        factor = self.of(rail)
        if level == NOMINAL:
            return None
        if factor is None:
            return f"{rail} is never moved" + (f" ({subject.why_fixed})" if subject.why_fixed else "")
        if level in factor.levels:
            return None
        if level in factor.lacking:
            return f"{factor.lacking[level]}, tied to {factor.rail}, has no level {level!r}"
        return f"{factor.rail} has no level {level!r}"

    def _head(self, rail: str) -> str:
        """Go up ties and tracking to the rail that decides; a ring of ties ends where it was entered."""
        seen = {rail}
        while True:
            subject = self._plan.rail(rail)
            up = subject.tied_to or (subject.tracks.rail if subject.tracks else None)
            if up is None or up in seen:
                return rail
            seen.add(up)
            rail = up
