"""Which corners are not visited any more, since they tripped as often as the plan allows."""

from collections import Counter

from cornerrun.corners.model import Step
from cornerrun.plan.model import Policy

__all__ = ["Barred"]


class Barred:
    """Count the trips of corners by name."""

    def __init__(self, policy: Policy) -> None:
        self._policy = policy
        self._trips: Counter[str] = Counter()
        self._reasons: dict[str, str] = {}

    def reason(self, step: Step) -> str:
        """Tell why a step is left out; empty if it is not. A control point never is."""
        return "" if step.is_control else self._reasons.get(step.corner.name, "")

    def tripped(self, step: Step, *, may_go_on: bool) -> bool:
        """Count a trip; tell whether its corner is to be visited again, else bar it."""
        name = step.corner.name
        self._trips[name] += 1
        if may_go_on and self._policy.on_trip == "retry" and self._trips[name] <= self._policy.retries:
            return True
        self._reasons[name] = f"it tripped at visit {step.ordinal}"
        return False
