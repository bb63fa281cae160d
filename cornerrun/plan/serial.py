"""A plan as JSON text and back, exactly: the store keeps it, so that reports need no file."""

from functools import cache
from typing import TYPE_CHECKING

from cornerrun.errors import PlanError
from cornerrun.plan.model import Plan

if TYPE_CHECKING:
    from pydantic import TypeAdapter

__all__ = ["plan_from_json", "plan_to_json"]


def plan_to_json(plan: Plan) -> str:
    """Write a plan as JSON; paths become text, floats keep every bit."""
    return _adapter().dump_json(plan).decode("utf-8")


def plan_from_json(text: str) -> Plan:
    """Read a plan that `plan_to_json` wrote.

    Raises:
        PlanError: the text is no such JSON.

    """
    try:
        return _adapter().validate_json(text)
    except ValueError as error:
        first = str(error).splitlines()[0]
        raise PlanError(f"the stored plan cannot be read: {first}; was it written by another version?") from error


@cache
def _adapter() -> "TypeAdapter[Plan]":
    from pydantic import TypeAdapter

    return TypeAdapter(Plan)
