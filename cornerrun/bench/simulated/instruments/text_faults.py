"""A text link that goes wrong on purpose: late, mute, garbled, overloaded, rebooted."""

from collections import deque
from collections.abc import Callable
from typing import Annotated, Protocol

from pydantic import Field

from cornerrun.bench.simulated.draws import uniform
from cornerrun.bench.simulated.instruments.incidents import Incident, Incidents, ZeroOrMoreSeconds
from cornerrun.bench.simulated.status import Status
from cornerrun.clock import Clock
from cornerrun.plan.fields import FileModel, Seconds

__all__ = ["FaultyText", "LateAnswers", "Reboots", "TextFaults", "TextInstrument", "with_faults"]

# SCPI-99 volume 1 section 7.2.1.4: infinity is 9.9E37, not-a-number 9.91E37.
_OVERLOAD, _NOT_A_NUMBER = "+9.90000000E+37", "+9.91000000E+37"
_MEASURES = ("READ", "FETC", "MEAS")
_SYSTEM_ERROR = -310
_NONSENSE = "#?\x7fz~<"  # chosen: what a line with a wrong baud rate looks like


class LateAnswers(Incident):
    """Answers that come ``by`` a time too late; those after them wait behind."""

    by: Annotated[Seconds, Field(gt=0)] = 10.0


class Reboots(FileModel):
    """Times after the start of the bench at which the instrument loses its supply for an instant.

    It is silent for ``boots_in``, then in the state of ``*RST`` with the power-on bit of ``*ESR?`` set.
    """

    at: Annotated[tuple[ZeroOrMoreSeconds, ...], Field(min_length=1)]
    boots_in: ZeroOrMoreSeconds = 3.0


class TextFaults(FileModel):
    """What goes wrong between an instrument and who talks to it; nothing unless it is asked for.

    ``garbage`` spoils some characters of an answer, ``truncated`` cuts it, ``mute`` loses it. ``overload`` and
    ``not_a_number`` put 9.9E37 and 9.91E37 in the place of one reading. ``system_error`` puts -310 into the queue.
    """

    late: LateAnswers | None = None
    garbage: Incident | None = None
    truncated: Incident | None = None
    mute: Incident | None = None
    overload: Incident | None = None
    not_a_number: Incident | None = None
    system_error: Incident | None = None
    reboots: Reboots | None = None


class TextInstrument(Protocol):
    """What a simulated instrument offers beside its text."""

    status: Status

    @property
    def has_answer(self) -> bool:
        """Whether a response waits, or will once its time has come."""
        ...

    def power_cycle(self) -> None:
        """Lose everything that the supply holds up: settings, answer, error queue."""
        ...

    def write(self, message: str, /) -> None:
        """Take a message."""
        ...

    def read(self, timeout_s: float, /) -> str:
        """Give a response."""
        ...

    def clear(self) -> None:
        """Drop the response."""
        ...

    def close(self) -> None:
        """Give the instrument back."""
        ...


def with_faults(
    inner: TextInstrument, faults: TextFaults | None, *, clock: Clock, seed: int, name: str
) -> "TextInstrument":
    """Put faults in front of an instrument; without any it stays as it is, and as fast."""
    if faults is None or faults == TextFaults():
        return inner
    return FaultyText(inner, faults, clock=clock, seed=seed, name=name)


class FaultyText:
    """Passes messages on; spoils, delays and loses answers."""

    def __init__(self, inner: TextInstrument, faults: TextFaults, *, clock: Clock, seed: int, name: str) -> None:
        start_s = clock.now_s()
        self._inner = inner
        self._clock = clock
        self._key = (seed, name)
        self._late_by_s = faults.late.by if faults.late is not None else 0.0
        self._kinds = {
            kind: Incidents(incident, seed=seed, name=f"{name}\x1f{kind}", start_s=start_s)
            for kind in ("late", "mute", "garbage", "truncated", "overload", "not_a_number", "system_error")
            if (incident := getattr(faults, kind)) is not None
        }
        self._spoil: dict[str, Callable[[str, int], str]] = {
            "overload": self._with_reading(_OVERLOAD),
            "not_a_number": self._with_reading(_NOT_A_NUMBER),
            "truncated": lambda text, number: text[: int(len(text) * uniform("cut", *self._key, number))],
            "garbage": self._garbled,
        }
        self._reboots = deque(sorted(start_s + at for at in faults.reboots.at) if faults.reboots else ())
        self._boots_in_s = faults.reboots.boots_in if faults.reboots else 0.0
        self._deaf_until_s = start_s
        self._on_the_way: deque[tuple[float, str]] = deque()
        self._answers = 0
        self._measures = False

    @property
    def status(self) -> Status:
        """The status of the instrument behind."""
        return self._inner.status

    @status.setter
    def status(self, status: Status) -> None:
        self._inner.status = status

    @property
    def has_answer(self) -> bool:
        """Whether a response waits, or will once its time has come."""
        return bool(self._on_the_way) or self._inner.has_answer

    def power_cycle(self) -> None:
        """Lose everything that the supply holds up."""
        self._on_the_way.clear()
        self._inner.power_cycle()

    def write(self, message: str, /) -> None:
        self._reboot_if_due()
        if self._clock.now_s() < self._deaf_until_s:
            return  # it boots: nobody listens
        self._measures = message.rpartition(";")[2].strip().lstrip(":").upper().startswith(_MEASURES)
        self._inner.write(message)

    def read(self, timeout_s: float, /) -> str:
        deadline_s = self._clock.now_s() + timeout_s
        self._reboot_if_due()
        if self._clock.now_s() < self._deaf_until_s and not self._on_the_way:
            return self._nothing(deadline_s)
        if self._inner.has_answer:
            # A timeout of the instrument's own leaves its answer where it is.
            text = self._inner.read(deadline_s - self._clock.now_s())
            self._reboot_if_due()
            if self._clock.now_s() < self._deaf_until_s:
                return self._nothing(deadline_s)
            self._send(text)
        if not self._on_the_way or self._on_the_way[0][0] > deadline_s:
            return self._nothing(deadline_s)
        due_s, text = self._on_the_way.popleft()
        self._clock.sleep_until(due_s, interruptible=False)
        return text

    def clear(self) -> None:
        # Only what has arrived can be discarded; what the instrument still works on comes all the same.
        now_s = self._clock.now_s()
        while self._on_the_way and self._on_the_way[0][0] <= now_s:
            self._on_the_way.popleft()
        self._inner.clear()

    def close(self) -> None:
        self._inner.close()

    def _send(self, text: str) -> None:
        self._answers += 1
        number, now_s = self._answers, self._clock.now_s()
        struck = {kind for kind, incidents in self._kinds.items() if incidents.strikes(number, now_s)}
        if "system_error" in struck:
            self._inner.status.report(_SYSTEM_ERROR)
        if "mute" in struck:
            return
        for kind, spoil in self._spoil.items():
            if kind in struck:
                text = spoil(text, number)
        due_s = now_s + (self._late_by_s if "late" in struck else 0.0)
        if self._on_the_way:
            due_s = max(due_s, self._on_the_way[-1][0])
        self._on_the_way.append((due_s, text))

    def _nothing(self, deadline_s: float) -> str:
        self._clock.sleep_until(deadline_s, interruptible=False)
        raise TimeoutError("no answer in time")

    def _reboot_if_due(self) -> None:
        now_s = self._clock.now_s()
        while self._reboots and self._reboots[0] <= now_s:
            self._deaf_until_s = self._reboots.popleft() + self._boots_in_s
            self.power_cycle()

    def _with_reading(self, text: str) -> Callable[[str, int], str]:
        def spoil(answer: str, number: int) -> str:
            if not self._measures:
                return answer
            readings = answer.split(",")
            readings[int(len(readings) * uniform("which", *self._key, number))] = text
            return ",".join(readings)

        return spoil

    def _garbled(self, text: str, number: int) -> str:
        spoilt = list(text) or [""]
        for position in range(len(spoilt)):
            draw = uniform("garbage", *self._key, number, position)
            # The first character always, so that garbage never passes for an answer.
            if position == 0 or draw < 0.3:
                spoilt[position] = _NONSENSE[int(len(_NONSENSE) * draw)]
        return "".join(spoilt)
