"""What a board has been through: how long each rail stood away from nominal, and how far it went."""

from dataclasses import dataclass

from cornerrun.plan.model import NOMINAL, Plan, Rail
from cornerrun.results.packed import fields_of
from cornerrun.results.records import RunData

__all__ = ["RailStress", "rail_stress"]


@dataclass(frozen=True, kw_only=True, slots=True)
class RailStress:
    """One rail over every visit, void ones too: stress does not ask whether a visit counts.

    Times are of whole visits, less what conditions took, when rails rest, at a level whose target lies above or below
    nominal. ``greatest_seen_v`` and ``least_seen_v`` are of everything that the watch saw; None if it saw nothing.
    """

    rail: str
    above_s: float
    below_s: float
    visits_above: int
    visits_below: int
    highest_target_v: float
    lowest_target_v: float
    greatest_seen_v: float | None
    least_seen_v: float | None


def rail_stress(plan: Plan, data: RunData) -> tuple[RailStress, ...]:
    """Add up the stress of every rail, in plan order."""
    rails = {rail.name: _Stress(rail) for rail in plan.rails}
    for record in data.visits:
        visit = record.visit
        took_s = visit.end_s - visit.start_s - visit.phase_s.get("condition", 0.0)
        for name, min_v, max_v in fields_of(record.watched, "rail", "min_v", "max_v"):
            if name in rails:
                rails[name].see(min_v, max_v)
        for name, level, target_v in fields_of(record.readings, "rail", "level", "target_v"):
            if name in rails and level != NOMINAL:
                rails[name].stay(target_v, took_s)
    return tuple(stress.told() for stress in rails.values())


class _Stress:
    """What one rail has been through so far."""

    def __init__(self, rail: Rail) -> None:
        self._rail = rail
        self._above_s = self._below_s = 0.0
        self._above = self._below = 0
        self._highest_v = self._lowest_v = rail.nominal_v
        self._greatest_v: float | None = None
        self._least_v: float | None = None

    def see(self, least_v: float, greatest_v: float) -> None:
        self._least_v = least_v if self._least_v is None else min(self._least_v, least_v)
        self._greatest_v = greatest_v if self._greatest_v is None else max(self._greatest_v, greatest_v)

    def stay(self, target_v: float, took_s: float) -> None:
        self._highest_v, self._lowest_v = max(self._highest_v, target_v), min(self._lowest_v, target_v)
        if abs(target_v) > abs(self._rail.nominal_v):
            self._above_s, self._above = self._above_s + took_s, self._above + 1
        elif abs(target_v) < abs(self._rail.nominal_v):
            self._below_s, self._below = self._below_s + took_s, self._below + 1

    def told(self) -> RailStress:
        return RailStress(
            rail=self._rail.name,
            above_s=self._above_s,
            below_s=self._below_s,
            visits_above=self._above,
            visits_below=self._below,
            highest_target_v=self._highest_v,
            lowest_target_v=self._lowest_v,
            greatest_seen_v=self._greatest_v,
            least_seen_v=self._least_v,
        )
