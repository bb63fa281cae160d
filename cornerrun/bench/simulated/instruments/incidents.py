"""When something planted goes wrong with an instrument: by time, by message, or by chance; always the same again."""

from typing import Annotated

from pydantic import Field

from cornerrun.bench.simulated.draws import uniform
from cornerrun.plan.fields import FileModel, Ratio, Seconds, Whole

__all__ = ["Incident", "Incidents"]

Ordinal = Annotated[Whole, Field(ge=1)]
ZeroOrMoreSeconds = Annotated[Seconds, Field(ge=0)]


class Incident(FileModel):
    """When something goes wrong.

    ``at`` lists times after the start of the bench: the first answer from then on is struck. ``answers`` lists which
    answers are, counted from 1. ``rate`` is the share of all answers that are, drawn from the seed.
    """

    at: tuple[ZeroOrMoreSeconds, ...] = ()
    answers: tuple[Ordinal, ...] = ()
    rate: Annotated[Ratio, Field(ge=0, le=1)] = 0.0


class Incidents:
    """Tells, answer by answer, whether an incident strikes: a function of (seed, name, number of the answer, time)."""

    def __init__(self, incident: Incident, *, seed: int, name: str, start_s: float) -> None:
        self._rate = incident.rate
        self._answers = frozenset(incident.answers)
        self._due_s = sorted(start_s + at for at in incident.at)
        self._key = (seed, name)

    def strikes(self, answer: int, now_s: float) -> bool:
        """Tell whether the answer of that number, made now, is struck."""
        is_due = bool(self._due_s) and now_s >= self._due_s[0]
        if is_due:
            self._due_s.pop(0)
        if is_due or answer in self._answers:
            return True
        return self._rate > 0.0 and uniform("incident", *self._key, answer) < self._rate
