"""Conditions around corners: combinations of their levels, outermost first, and what rails may do at each."""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import groupby, product

from cornerrun.corners.factors import Factors
from cornerrun.corners.model import ConditionLevel, Corner, RailLevel
from cornerrun.corners.names import conditions_suffix
from cornerrun.errors import PlanError
from cornerrun.plan.model import NOMINAL, Plan, Rail
from cornerrun.plan.trim_levels import is_trim_level

__all__ = ["Bound", "bounds", "condition_blocks", "left_out_blocks", "nominal_corner", "why_not_at"]

Block = tuple[ConditionLevel, ...]


@dataclass(frozen=True, kw_only=True, slots=True)
class Bound:
    """Levels of rails that lead, and of conditions, that must not be together, and why."""

    levels: Mapping[str, str]
    conditions: Mapping[str, str]
    reason: str

    def holds(self, levels: Mapping[str, str], conditions: Mapping[str, str]) -> bool:
        """Whether all of it is met."""
        return all(conditions.get(name) == level for name, level in self.conditions.items()) and all(
            levels.get(rail, NOMINAL) == level for rail, level in self.levels.items()
        )


def condition_blocks(plan: Plan) -> tuple[Block, ...]:
    """List the combinations of condition levels that are visited. One, empty, without any conditions.

    The outer a condition, the less often it changes; inner ones go there and back, so that they stay as they are while
    an outer one changes, unless the plan wants everything as written.

    Raises:
        PlanError: the plan forbids every combination.

    """
    blocks = tuple(block for block, reason in _blocks(plan) if not reason)
    if plan.corners.order != "as written":
        blocks = tuple(_there_and_back(blocks))
    if not blocks:
        raise PlanError("corners: every combination of conditions is left out or forbidden; leave one in")
    return blocks


def left_out_blocks(plan: Plan) -> tuple[tuple[Block, str], ...]:
    """List the combinations of condition levels that are forbidden, each with its reason."""
    return tuple((block, reason) for block, reason in _blocks(plan) if reason and reason != _NOT_ASKED)


def bounds(plan: Plan) -> tuple[Bound, ...]:
    """List what rails must not do at levels of conditions, by what is forbidden and by what is allowed there."""
    factors = Factors(plan)
    found = []
    for item in plan.corners.forbidden_at:
        by_lead: dict[str, str] | None = {}
        for rail, level in item.levels.items():
            factor = factors.of(rail)
            if factor is None and level == NOMINAL:
                continue
            if factor is None or by_lead is None or by_lead.setdefault(factor.rail, level) != level:
                by_lead = None  # it can never be met
        if by_lead is not None:
            told = ", ".join(f"{name} {level}" for name, level in {**item.levels, **item.conditions}.items())
            found.append(Bound(levels=by_lead, conditions=item.conditions, reason=f"forbidden: {told}"))
    for condition in plan.conditions:
        for at, by_rail in condition.allow.items():
            for rail, allowed in by_rail.items():
                factor = factors.of(rail)
                for level in factor.levels if factor is not None else ():
                    if factor is not None and not _is_allowed(plan.rail(rail), level, allowed):
                        reason = f"not allowed at {condition.name} {at}: {rail} {level}"
                        at_level = {condition.name: at}
                        found.append(Bound(levels={factor.rail: level}, conditions=at_level, reason=reason))
    return tuple(found)


def why_not_at(among: Sequence[Bound], levels: Mapping[str, str], block: Block) -> str:
    """Tell why rails must not be at these levels in a block; empty if they may."""
    conditions = {item.condition: item.level for item in block}
    return next((bound.reason for bound in among if bound.levels and bound.holds(levels, conditions)), "")


def nominal_corner(plan: Plan, conditions: Block = ()) -> Corner:
    """Build the corner at which every rail is at nominal, as control points visit it."""
    return Corner(
        name=NOMINAL + conditions_suffix(conditions),
        levels=tuple(RailLevel(rail=rail.name, level=NOMINAL) for rail in plan.commanded_rails),
        conditions=conditions,
        scheme="control point",
    )


def _is_allowed(rail: Rail, level: str, allowed: Sequence[str]) -> bool:
    """Whether a rail may take a level; setpoints of a characterisation may lie between those that it may take."""
    if level == NOMINAL or level in allowed:
        return True
    voltages = [rail.levels[name] for name in (NOMINAL, *allowed) if name in rail.levels]
    return is_trim_level(level) and min(voltages) <= rail.levels.get(level, rail.nominal_v) <= max(voltages)


_NOT_ASKED = "not among the combinations that are asked for"


def _blocks(plan: Plan) -> Iterator[tuple[Block, str]]:
    axes = [
        [ConditionLevel(condition=condition.name, level=name, value=value) for name, value in condition.levels.items()]
        for condition in plan.conditions
    ]
    asked, alone = plan.corners.conditions, [bound for bound in bounds(plan) if not bound.levels]
    for block in product(*axes):
        levels = {item.condition: item.level for item in block}
        is_asked = not asked or any(all(levels[name] == level for name, level in one.items()) for one in asked)
        forbidden = next((bound.reason for bound in alone if bound.holds({}, levels)), "")
        yield block, forbidden if is_asked else _NOT_ASKED


def _there_and_back(blocks: Sequence[Block], place: int = 0) -> Iterator[Block]:
    """Order blocks that stand outermost first so that inner conditions turn round where an outer one changes."""
    if not blocks or place == len(blocks[0]):
        yield from blocks
        return
    for turn, (_, group) in enumerate(groupby(blocks, key=lambda block: block[place])):
        inner = list(_there_and_back(tuple(group), place + 1))
        yield from reversed(inner) if turn % 2 else inner
