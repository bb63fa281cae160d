"""What a board must do when a rail faults: who goes down with it, how soon, and whether it comes back by itself."""

from dataclasses import dataclass
from typing import Literal

__all__ = ["FaultResponse"]


@dataclass(frozen=True, kw_only=True, slots=True)
class FaultResponse:
    """What must come of a fault of one rail.

    ``takes_down`` are the other rails that must go off within ``within_s``; those that follow one of them by hardware
    go with it and need no name. ``then`` says whether the rail stays off until it is commanded, or is tried again.
    """

    rail: str
    fault: Literal["under voltage", "over voltage"]
    takes_down: tuple[str, ...]
    within_s: float
    then: Literal["stays off", "tries again"]
