"""One change of a condition, as it went."""

from dataclasses import dataclass

__all__ = ["ConditionChange"]


@dataclass(frozen=True, kw_only=True, slots=True)
class ConditionChange:
    """A condition on its way to a level: what was asked, what was read, how long it took; all in SI values of its unit.

    ``level`` is empty where it went to rest at the end. ``started_s`` counts from the start of the run. ``ramp_per_s``
    is what was asked, ``steepest_per_s`` what was seen. ``sensed`` is what ``sensor`` at the board read at the end, in
    degrees Celsius. ``trace`` holds readings as seconds since the start of the change and value; of a long way some.
    """

    condition: str
    unit: str
    level: str
    target: float
    came_from: float | None
    reading: float | None
    started_s: float
    took_s: float
    ramp_per_s: float | None = None
    steepest_per_s: float | None = None
    is_board_on: bool = True
    sensed: float | None = None
    sensor: str = ""
    trace: tuple[tuple[float, float], ...] = ()
