"""A condition that a person sets by hand, such as a supply with knobs: asked for, read out, and checked.

It makes no rail: a run must be able to bring its rails home when nobody is there.
"""

from cornerrun.bench.by_hand.person import Person
from cornerrun.clock import Clock
from cornerrun.errors import InstrumentError, UnitError
from cornerrun.units import Kind, quantity, show

__all__ = ["HandSetting"]

_PATIENCE_S = 1800.0  # chosen: somebody may be at lunch; beyond it the run ends at nominal
_LOOK_S = 0.0  # the run itself waits between two looks
_RATES = {Kind.TEMPERATURE: "K/min", Kind.VOLTAGE: "V/s"}


class HandSetting:
    """A Condition that a person sets (bench/ports.py).

    What the display shows is typed in; it must lie within ``within`` of the target. ``rest`` is told at the end, and
    nothing waits for it.
    """

    def __init__(
        self,
        *,
        name: str,
        kind: Kind,
        within: float,
        rest: float | None,
        person: Person,
        clock: Clock,
        patience_s: float | None = None,
    ) -> None:
        self._name = name
        self._kind = kind
        self._within = within
        self._rest = rest
        self._person = person
        self._clock = clock
        self._patience_s = patience_s or _PATIENCE_S
        self._target: float | None = None
        self._shown: float | None = None
        self._is_there = self._was_moved = False
        self._deadline_s = 0.0
        self._ramp = ""

    def start(self, target: float) -> None:
        self._target, self._is_there = target, False
        self._deadline_s = self._clock.now_s() + self._patience_s
        self._ask(f"Set {self._name} to {show(target, self._kind)}{self._ramp}")
        self._was_moved = True

    def limit_ramp(self, per_s: float) -> bool:
        """Ask the person to keep to it."""
        rate = _RATES.get(self._kind)
        self._ramp = "" if rate is None else f", no faster than {_rate_text(per_s, rate)}"
        return True

    def read(self) -> float:
        """Return what the person last read out: nothing newer is known."""
        if self._shown is None:
            raise InstrumentError(f"nobody has read {self._name} out yet")
        return self._shown

    def has_settled(self) -> bool:
        target = self._target
        if target is None or self._is_there:
            return self._is_there
        answer = self._person.answer(_LOOK_S)
        if answer is None:
            if self._clock.now_s() >= self._deadline_s:
                raise InstrumentError(f"nobody set {self._name} within {show(self._patience_s, Kind.TIME)}")
            return False
        try:
            self._shown = quantity(answer, self._kind)
        except UnitError as error:
            self._ask(f"{error}. {self._name} shall be {show(target, self._kind)}")
            return False
        self._is_there = abs(self._shown - target) <= self._within
        if not self._is_there:
            self._ask(
                f"{show(self._shown, self._kind)} is not within {show(self._within, self._kind)} of "
                f"{show(target, self._kind)}. Set {self._name} again"
            )
        return self._is_there

    def release(self) -> None:
        self._target, self._is_there = None, False
        if self._was_moved:
            rest = "what it was before" if self._rest is None else show(self._rest, self._kind)
            self._person.tell(f"Set {self._name} back to {rest}. Nothing waits for that.")
            self._was_moved = False

    def _ask(self, text: str) -> None:
        self._person.ask(f"{text}, then type what its display shows, with the unit ({self._kind.example}).")


def _rate_text(per_s: float, unit: str) -> str:
    return f"{per_s * 60 if unit.endswith('min') else per_s:.4g} {unit}"
