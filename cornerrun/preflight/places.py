"""Where in the plan's file a finding points."""

from cornerrun.plan.model import NOMINAL, Rail
from cornerrun.preflight.facts import Facts
from cornerrun.preflight.finding import Subject

__all__ = ["level_subject", "rail_subject"]


def level_subject(facts: Facts, rule: str, rail: Rail, level: str) -> Subject:
    """Point at a level of a rail."""
    field = "nominal" if level == NOMINAL else "margin" if level in ("high", "low") else "levels"
    return Subject(rule=rule, rail=rail.name, position=facts.position("rails", rail.name, field, level))


def rail_subject(facts: Facts, rule: str, rail: Rail, *keys: str) -> Subject:
    """Point at a key of a rail, or at the rail itself."""
    return Subject(rule=rule, rail=rail.name, position=facts.position("rails", rail.name, *keys))
