"""What a board has been through: how long each rail stood away from nominal, and how far it went."""

from dataclasses import dataclass

from cornerrun.plan.model import NOMINAL, Plan, Rail
from cornerrun.results.records import RunData

__all__ = ["RailStress", "rail_stress"]


@dataclass(frozen=True, kw_only=True, slots=True)
class RailStress:
    """One rail over every visit, void ones too: stress does not ask whether a visit counts.

    Times are of whole visits at a level whose target lies above or below nominal. ``greatest_seen_v`` and
    ``least_seen_v`` are of everything that the watch saw; None if it saw nothing.
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
    return tuple(_of_rail(rail, data) for rail in plan.rails)


def _of_rail(rail: Rail, data: RunData) -> RailStress:
    above_s = below_s = 0.0
    above = below = 0
    targets = [rail.nominal_v]
    seen: list[float] = []
    for record in data.visits:
        seen += [value for item in record.watched if item.rail == rail.name for value in (item.min_v, item.max_v)]
        reading = next((item for item in record.readings if item.rail == rail.name), None)
        if reading is None or reading.level == NOMINAL:
            continue
        took_s = record.visit.end_s - record.visit.start_s
        targets.append(reading.target_v)
        if abs(reading.target_v) > abs(rail.nominal_v):
            above_s, above = above_s + took_s, above + 1
        elif abs(reading.target_v) < abs(rail.nominal_v):
            below_s, below = below_s + took_s, below + 1
    return RailStress(
        rail=rail.name,
        above_s=above_s,
        below_s=below_s,
        visits_above=above,
        visits_below=below,
        highest_target_v=max(targets),
        lowest_target_v=min(targets),
        greatest_seen_v=max(seen, default=None),
        least_seen_v=min(seen, default=None),
    )
