"""What a whole simulated board shares."""

from dataclasses import dataclass, field
from typing import Protocol

from cornerrun.bench.simulated.output import MovedOutput
from cornerrun.bench.simulated.stage import Stage
from cornerrun.bench.simulated.timeline import Timeline
from cornerrun.clock import Clock

__all__ = ["Ambient", "Surrounding"]


class Ambient(Protocol):
    """A temperature over time: what a condition moves, or what a chamber makes of it."""

    def voltage_v(self, at_s: float, /) -> float:
        """Tell the temperature at an instant; named as that of an output."""
        ...


@dataclass(frozen=True, kw_only=True, slots=True)
class Surrounding:
    """The clock with its timeline, when the board was powered up, ambient and input supply, and what goes on."""

    clock: Clock
    timeline: Timeline
    start_s: float
    ambient: Ambient
    supply: MovedOutput
    stage: Stage = field(default_factory=Stage)
