"""One probe that a person puts from rail to rail, on a SCPI meter or on one whose display they read out."""

from collections import deque
from collections.abc import Callable, Sequence

from cornerrun.bench.by_hand.person import Person
from cornerrun.bench.ports import MeterIdentity, MeterReading
from cornerrun.clock import Clock
from cornerrun.errors import InstrumentError, UnitError
from cornerrun.units import Kind, quantity

__all__ = ["HandProbe", "Reads", "Typed"]

_POLL_S = 0.2  # chosen: a person does not notice
_PATIENCE_S = 600.0  # chosen: time to find a test point on a crowded board; beyond it the run goes on without

Reads = Callable[[str, str], MeterReading | None]
"""Take the reading of a rail; the answer of the person is given. None: ask again."""


class HandProbe:
    """A Voltmeter whose probe a person holds (bench/ports.py). ``asks`` is what they are asked for besides Enter."""

    def __init__(
        self,
        *,
        person: Person,
        clock: Clock,
        rails: Sequence[str],
        identify: Callable[[], MeterIdentity],
        reads: Reads,
        asks: str,
        close: Callable[[], None],
        patience_s: float | None = None,
    ) -> None:
        self._person = person
        self._clock = clock
        self._rails = tuple(rails)
        self._identify = identify
        self._reads = reads
        self._asks = asks
        self._close = close
        self._patience_s = patience_s or _PATIENCE_S
        self._asked: tuple[str, ...] | None = None
        self._left: deque[str] = deque()
        self._taken: dict[str, MeterReading] = {}
        self._deadline_s = 0.0

    @property
    def rails(self) -> tuple[str, ...]:
        return self._rails

    def identify(self) -> MeterIdentity:
        self._asked = None
        self._person.refuse_if_absent()
        return self._identify()

    def start(self, rails: Sequence[str]) -> float:
        unreached = [rail for rail in rails if rail not in self._rails]
        if unreached or not rails or len(set(rails)) != len(rails):
            raise InstrumentError(
                f"the hand-held probe is not for {', '.join(unreached) or 'nothing'}; it is for "
                f"{', '.join(self._rails)}"
            )
        self._asked, self._taken = tuple(rails), {}
        self._left = deque(rails)
        self._ask()
        return self._clock.now_s()

    def is_ready(self) -> bool:
        """Look whether the person has answered, take the reading, ask for the next; True once all are taken.

        Raises:
            InstrumentError: nobody can answer, nobody did in time, or the meter failed.

        """
        if not self._left:
            return True
        rail = self._left[0]
        answer = self._person.answer(_POLL_S)
        if answer is None:
            if self._clock.now_s() >= self._deadline_s:
                raise InstrumentError(f"nobody put the probe on {rail} within {self._patience_s:g} s")
            return False
        reading = self._reads(rail, answer)
        if reading is not None:
            self._taken[rail] = reading
            self._left.popleft()
        if self._left:
            self._ask()
        return not self._left

    def fetch(self) -> tuple[MeterReading, ...]:
        asked = self._asked
        if asked is None:
            raise InstrumentError("the hand-held probe was asked for readings that nobody started")
        while not self.is_ready():
            self._clock.sleep_until(self._clock.now_s() + _POLL_S)
        self._asked = None
        return tuple(self._taken[rail] for rail in asked)

    def close(self) -> None:
        self._close()

    def _ask(self) -> None:
        self._deadline_s = self._clock.now_s() + self._patience_s
        self._person.ask(f"Put the probe on {self._left[0]}, then {self._asks}.")


class Typed:
    """Readings that a person types from a display, such as "3.301 V"; whatever is no voltage is asked for again."""

    def __init__(self, *, person: Person, clock: Clock, range_v: float) -> None:
        self._person = person
        self._clock = clock
        self._range_v = range_v

    def __call__(self, rail: str, answer: str, /) -> MeterReading | None:
        try:
            value_v = quantity(answer, Kind.VOLTAGE)
        except UnitError as error:
            self._person.tell(f"{error}")
            return None
        if abs(value_v) > self._range_v:
            self._person.tell(f"{answer} is beyond the range of {self._range_v:g} V; look again.")
            return None
        return MeterReading(
            rail=rail,
            channel=0,
            read_at_s=self._clock.now_s(),
            reading_v=value_v,
            range_v=self._range_v,
            aperture_s=1.0,
        )
