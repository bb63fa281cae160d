"""How a board is turned on, how it shows that it is ready, and how often it may be power-cycled."""

from dataclasses import dataclass
from typing import Literal

__all__ = ["PowerUp", "Ready"]


@dataclass(frozen=True, kw_only=True, slots=True)
class Ready:
    """How a board shows that it is ready, and how long it may take.

    A text on its console, perhaps asked for by another; or a command that exits 0. Exactly one is given. ``takes_s`` is
    how long it is expected to take; estimates use it.
    """

    timeout_s: float
    console: str | None = None
    ask: str | None = None
    command: str | None = None
    takes_s: float | None = None


@dataclass(frozen=True, kw_only=True, slots=True)
class PowerUp:
    """How a board is power-cycled: by OPERATION, rail after rail in ``order``, or by the bench's input power.

    ``order`` is spelled out; rails go off in the reverse order. ``cycles`` is how many a run may take.
    """

    order: tuple[str, ...]
    by: Literal["operation", "input power"] = "operation"
    off_for_s: float = 0.5
    cycles: int = 3
    ready: Ready | None = None
