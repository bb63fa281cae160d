"""How the steps of a run ended, and why no further one is made."""

from dataclasses import dataclass

from cornerrun.results.records import EndState, VisitRecord
from cornerrun.run.sequence import Trouble

__all__ = ["Ended", "Halt"]


@dataclass(frozen=True, kw_only=True, slots=True)
class Ended:
    """How the steps ended: what cut them short if anything did, and where the board is."""

    visits: tuple[VisitRecord, ...]
    trouble: Trouble | None
    end_state: EndState
    why: str


@dataclass(frozen=True, kw_only=True, slots=True)
class Halt:
    """Why no further step is made. ``state`` None: the board still has to be brought to its end."""

    trouble: Trouble | None
    why: str
    state: EndState | None = None
