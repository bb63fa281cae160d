"""Whether a state of the rails that nobody planned may be visited: for corners that a report proposes."""

from collections.abc import Mapping

from cornerrun.corners.factors import Factors
from cornerrun.corners.relations import Passage
from cornerrun.plan.model import NOMINAL, Plan

__all__ = ["Admissible"]


class Admissible:
    """Know what a plan forbids: combinations, relations between rails, ties."""

    def __init__(self, plan: Plan) -> None:
        self._plan = plan
        self._factors = Factors(plan)
        self._passage = Passage(plan)

    def spelled(self, levels: Mapping[str, str]) -> dict[str, str] | None:
        """Give every commanded rail its level, ties followed; None where a tied rail has no such level."""
        found = {}
        for rail in self._plan.commanded_rails:
            factor = self._factors.of(rail.name)
            level = levels.get(factor.rail if factor is not None else rail.name, levels.get(rail.name, NOMINAL))
            if level not in rail.levels:
                return None
            found[rail.name] = level
        return found

    def allows(self, levels: Mapping[str, str]) -> bool:
        """Whether these levels of commanded rails are allowed and can be reached from nominal."""
        for combination in self._plan.corners.forbidden:
            if all(levels.get(rail, NOMINAL) == level for rail, level in combination.items()):
                return False
        return self._passage.obstacle(levels) is None
