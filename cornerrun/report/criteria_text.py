"""What a plan accepts, in words: voltage windows and numbers of checks, and where they differ with conditions."""

from collections.abc import Iterator, Mapping

from cornerrun.plan.model import Acceptance, Check, Plan
from cornerrun.units import Kind, show

__all__ = ["accept_texts", "window_text"]


def window_text(plan: Plan) -> str:
    """Say how near to its target a settled reading must lie."""
    criteria = plan.criteria
    told = f"settled readings within {show(criteria.voltage_window_ratio, Kind.RATIO)} of the target"
    for name, levels in criteria.voltage_window_at.items():
        for level, window in levels.items():
            told += f", {show(window, Kind.RATIO)} at {name} {level}"
    return told


def accept_texts(check: Check) -> Iterator[str]:
    """Say what each number of a check must be, everywhere and at levels of conditions."""
    yield from _limits(check.accept)
    for one in check.accept_at:
        for text in _limits(one.accept):
            yield f"at {one.condition} {one.level} {text}"


def _limits(accept: Mapping[str, Acceptance]) -> Iterator[str]:
    for name, limit in accept.items():
        least = "" if limit.min is None else f"at least {limit.min:g}"
        most = "" if limit.max is None else f"at most {limit.max:g}"
        yield f"{name} {' and '.join(text for text in (least, most) if text)}"
