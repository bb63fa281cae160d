"""What a plan that was run asks for otherwise than a released one does."""

import json
from collections.abc import Iterator, Mapping
from dataclasses import dataclass

from cornerrun.plan.model import Plan
from cornerrun.plan.serial import plan_to_json

__all__ = ["PlanDifference", "plan_differences"]

_NOT_ASKED = {"sources", "directory", "bench"}
_LONGEST = 300


@dataclass(frozen=True, kw_only=True, slots=True)
class PlanDifference:
    """One thing that the two plans ask for differently, named by its place; "-" where one does not have it."""

    place: str
    released: str
    run: str


def plan_differences(released: Plan, run: Plan) -> tuple[PlanDifference, ...]:
    """List every difference in what is asked for, in SI units; where files lie does not count."""
    before, now = dict(_flat("", _asked(released))), dict(_flat("", _asked(run)))
    return tuple(
        PlanDifference(place=place, released=before.get(place, "-"), run=now.get(place, "-"))
        for place in dict.fromkeys((*before, *now))
        if before.get(place) != now.get(place)
    )


def _asked(plan: Plan) -> dict[str, object]:
    plain: dict[str, object] = json.loads(plan_to_json(plan))
    return {name: value for name, value in plain.items() if name not in _NOT_ASKED}


def _flat(place: str, value: object) -> Iterator[tuple[str, str]]:
    if isinstance(value, Mapping):
        for name, item in value.items():
            yield from _flat(f"{place}.{name}" if place else str(name), item)
    elif isinstance(value, list) and any(isinstance(item, Mapping | list) for item in value):
        for index, item in enumerate(value):
            # Rails, checks and named corners are told by their names: one more in front is one difference, not all.
            name = item.get("name") if isinstance(item, Mapping) else None
            yield from _flat(f"{place}[{name if name is not None else index}]", item)
    else:
        yield place, json.dumps(value, ensure_ascii=False)[:_LONGEST]
