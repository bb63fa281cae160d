"""What came of a fault that was provoked, rail by rail."""

from dataclasses import dataclass

__all__ = ["FaultTrial", "RailResponse"]


@dataclass(frozen=True, kw_only=True, slots=True)
class RailResponse:
    """What one rail did: when it was first seen off, after the fault was provoked; None if it stayed on.

    ``difference`` says how that differs from what the plan asks, and is empty where it does not.
    """

    rail: str
    must_go_down: bool
    went_down_s: float | None
    came_back_s: float | None
    difference: str = ""


@dataclass(frozen=True, kw_only=True, slots=True)
class FaultTrial:
    """One provoked fault: what was asked, and what every rail did.

    ``resolution_s`` is how far apart two looks at a rail were. ``refused`` says why nothing was provoked; then there
    are no rails. ``troubles`` are the differences, with the rail in front.
    """

    rail: str
    fault: str
    within_s: float
    then: str
    resolution_s: float
    rails: tuple[RailResponse, ...] = ()
    refused: str = ""

    @property
    def troubles(self) -> tuple[str, ...]:
        """Every difference, with the rail in front."""
        return tuple(f"{item.rail}: {item.difference}" for item in self.rails if item.difference)

    @property
    def is_as_planned(self) -> bool:
        """Whether it was provoked and nothing differs."""
        return not self.refused and not self.troubles
