"""A board on paper that is turned off and on: it shows that it is ready after the time that the plan tells."""

from dataclasses import replace

from cornerrun.clock import Clock
from cornerrun.plan.model import Plan
from cornerrun.plan.power_up import PowerUp, Ready

__all__ = ["PaperConsole", "PaperInput", "paper_power_up"]

_SAID = "ready"


class PaperInput:
    """An InputPower that is there."""

    def turn_off(self) -> None:
        return

    def turn_on(self) -> None:
        return


class PaperConsole:
    """A TextLink on which the board says that it is ready, as long after it was cleared as the plan expects."""

    def __init__(self, clock: Clock, plan: Plan) -> None:
        ready = None if plan.power_up is None else plan.power_up.ready
        self._takes_s = 0.0 if ready is None else ready.takes_s or 0.0
        self._clock = clock
        self._began_s = clock.now_s()

    def write(self, text: str) -> None:
        del text

    def read(self, timeout_s: float) -> str:
        ready_s = self._began_s + self._takes_s
        if self._clock.now_s() + timeout_s >= ready_s:
            self._clock.sleep_until(ready_s)
            return _SAID
        self._clock.sleep_until(self._clock.now_s() + timeout_s)
        raise TimeoutError("on paper the board has not started yet")

    def clear(self) -> None:
        self._began_s = self._clock.now_s()

    def close(self) -> None:
        return


def paper_power_up(plan: Plan) -> PowerUp | None:
    """Tell how a board is turned on on paper; nothing trips there, so it is turned off for cold boots only."""
    asked = plan.power_up
    if asked is None or not any(condition.cold_boots for condition in plan.conditions):
        return None
    ready = None if asked.ready is None else Ready(timeout_s=asked.ready.timeout_s, console=_SAID)
    return replace(asked, ready=ready)
