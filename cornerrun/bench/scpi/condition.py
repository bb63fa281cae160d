"""What sets a condition over SCPI: a chamber, an input supply, an electronic load, a clock generator."""

from collections.abc import Callable, Mapping
from contextlib import suppress
from types import MappingProxyType

from cornerrun.bench.condition_settings import ConditionSettings
from cornerrun.bench.scpi.conversation import Conversation
from cornerrun.bench.scpi.dialect_file import ConditionDialect, filled
from cornerrun.bench.scpi.text import expecting, is_overload, number
from cornerrun.bench.soaking import Nearness, Soak
from cornerrun.clock import Clock
from cornerrun.errors import InstrumentError, PlanError, ReadbackMismatch
from cornerrun.units import Kind, show

__all__ = ["ScpiCondition"]

_HELD = 1e-3  # chosen: a target counts as held if it reads back within this share, or a thousandth of `within`
_PER_MINUTE = 60.0
_ADVICE = "see its manual and its dialect, and that its front panel does not lock it"


class ScpiCondition:
    """A condition at the other end of a conversation, in the words of its dialect.

    ``sense`` reads the temperature of a rail's own device, in degrees Celsius; None where it tells none. ``expected``
    is what the instrument must say of itself (`cornerrun.bench.scpi.text.expecting`).

    Raises:
        PlanError: the dialect lacks what the bench file asks for.

    """

    def __init__(
        self,
        *,
        talk: Conversation,
        dialect: ConditionDialect,
        settings: ConditionSettings,
        clock: Clock,
        sense: Callable[[str], float | None],
        expected: Mapping[str, str] = MappingProxyType({}),
    ) -> None:
        if settings.ramp_per_min is not None and dialect.ramp is None:
            raise PlanError(f"conditions.{settings.name}: the dialect {dialect.title!r} has no 'ramp'; take it out")
        if settings.soak is not None and settings.soak.sensor == "instrument" and dialect.sensor is None:
            raise PlanError(
                f"conditions.{settings.name}: the dialect {dialect.title!r} reads no 'sensor' at the board; name a "
                "rail as 'soak: {sensor: ...}' whose device tells its temperature"
            )
        self._talk = talk
        self._words = dialect
        self._settings = settings
        self._clock = clock
        self._sense = sense
        self._expected = expected
        self._is_known = self._has_begun = False
        self._found: float | None = None
        self._target: float | None = None
        self._started_s = clock.now_s()
        self._nearness = Nearness(target=0.0, within=0.0, hold_s=0.0)
        self._soak: Soak | None = None
        self._last = self._last_sensed = float("nan")
        self._ramp_per_min = settings.ramp_per_min

    def start(self, target: float) -> None:
        value = self._in_range(target)
        self._begin()
        self._refuse_trouble()
        if self._ramp_per_min is not None and self._words.ramp is not None:
            self._talk.order(filled(self._words.ramp, value=self._ramp_per_min), _ADVICE)
        self._aim(value)
        self._target, self._started_s = target, self._clock.now_s()
        settings = self._settings
        self._nearness = Nearness(target=target, within=settings.within, hold_s=settings.hold_s)
        self._soak = None if settings.soak is None else Soak(settings.soak)

    def limit_ramp(self, per_s: float) -> bool:
        """Take the slower of what the plan and the bench file allow."""
        if self._words.ramp is None:
            return False
        asked = per_s * _PER_MINUTE / self._words.scale
        given = self._settings.ramp_per_min
        self._ramp_per_min = asked if given is None else min(asked, given)
        return True

    def sensed(self) -> tuple[str, float] | None:
        """Tell the sensor that the soak waits for, and what it read last."""
        soak = self._settings.soak
        return None if soak is None or self._last_sensed != self._last_sensed else (soak.sensor, self._last_sensed)

    def read(self) -> float:
        self._identify()
        words, soak = self._words, self._settings.soak
        if soak is not None and soak.sensor == "instrument" and words.sensor is not None:
            return self._number(words.sensor)
        return self._number(words.read)

    def has_settled(self) -> bool:
        target = self._target
        if target is None:
            return False
        self._refuse_trouble()
        self._refuse_other_target(target)
        at_s = self._clock.now_s()
        self._last = self._number(self._words.read)
        is_near = self._nearness.feed(at_s, self._last)
        has_soaked = self._has_soaked(at_s)
        is_ready = self._words.ready is None or self._holds(self._words.ready.ask, self._words.ready.holds)
        if is_near and has_soaked and is_ready:
            return True
        if at_s - self._started_s >= self._settings.timeout_s:
            raise InstrumentError(self._late(target))
        return False

    def release(self) -> None:
        self._target = None
        if not self._has_begun:
            return  # nothing was changed
        rest = self._settings.rest
        value = rest / self._words.scale if rest is not None else self._words.rest
        value = value if value is not None else self._found
        if value is not None:
            self._aim(value)
        for message in self._words.end:
            self._talk.order(message, _ADVICE)
        self._has_begun = False

    def identify(self) -> str:
        """Read who it says it is, and empty its error queue."""
        identity = self._talk.identify(expecting(self._expected))
        self._talk.errors()
        self._is_known = True
        return ", ".join((identity.maker, identity.model, identity.serial, identity.firmware))

    def close(self) -> None:
        """Give the instrument back."""
        with suppress(InstrumentError):
            self._talk.errors()
        self._talk.close()

    def _identify(self) -> None:
        if not self._is_known:
            self.identify()

    def _begin(self) -> None:
        self._identify()
        if self._has_begun:
            return
        if self._words.ask_target is not None:
            self._found = self._talk.query(self._words.ask_target, number)
        for message in self._words.begin:
            self._talk.order(message, _ADVICE)
        self._has_begun = True

    def _aim(self, value: float) -> None:
        self._talk.order(filled(self._words.target, value=value), _ADVICE)
        if self._words.ask_target is not None:
            held = self._talk.query(self._words.ask_target, number)
            if not self._is_same(held, value):
                raise ReadbackMismatch(
                    f"{self._talk.name} holds {self._shown(held)} where {self._shown(value)} was set"
                )

    def _is_same(self, held: float, value: float) -> bool:
        room = self._settings.within / self._words.scale / 2
        return abs(held - value) <= min(room, max(_HELD * abs(value), room * _HELD)) or held == value

    def _in_range(self, target: float) -> float:
        value = target / self._words.scale
        words = self._words
        if (words.least is not None and value < words.least) or (words.most is not None and value > words.most):
            least = "anything" if words.least is None else self._shown(words.least)
            most = "anything" if words.most is None else self._shown(words.most)
            raise InstrumentError(
                f"{self._talk.name} was asked for {self._shown(value)}; its dialect allows {least} to {most}"
            )
        return value

    def _refuse_trouble(self) -> None:
        found = [what for what, state in self._words.trouble.items() if self._holds(state.ask, state.holds)]
        if found:
            raise InstrumentError(f"{self._talk.name}: {'; '.join(found)}; see to it, then start the run again")

    def _refuse_other_target(self, target: float) -> None:
        """Notice that somebody else, or a power failure, has changed what it heads for."""
        if self._words.ask_target is None:
            return
        held = self._talk.query(self._words.ask_target, number)
        if not self._is_same(held, target / self._words.scale):
            raise InstrumentError(
                f"{self._talk.name} heads for {self._shown(held)}, and not for "
                f"{self._shown(target / self._words.scale)} that it was told: somebody changed it, or it was switched "
                "off and on"
            )

    def _has_soaked(self, at_s: float) -> bool:
        soak, sensor = self._soak, self._settings.soak
        if soak is None or sensor is None:
            return True
        if sensor.sensor == "instrument" and self._words.sensor is not None:
            sensed: float | None = self._number(self._words.sensor)
        else:
            sensed = self._sense(sensor.sensor)
        if sensed is None:
            raise InstrumentError(
                f"conditions.{self._settings.name}: the device of {sensor.sensor} tells no temperature; name another "
                "sensor in 'soak'"
            )
        self._last_sensed = sensed
        return soak.feed(at_s, sensed)

    def _late(self, target: float) -> str:
        settings = self._settings
        told = (
            f"{self._talk.name}: not within {self._shown(settings.within / self._words.scale)} of "
            f"{self._shown(target / self._words.scale)} for {show(settings.hold_s, Kind.TIME)} after "
            f"{show(settings.timeout_s, Kind.TIME)}; it reads {self._shown(self._last / self._words.scale)}"
        )
        if self._soak is None or settings.soak is None:
            return told
        return (
            f"{told}, and {settings.soak.sensor} {self._last_sensed:.4g} degC, moving by "
            f"{self._soak.slope_per_s() * _PER_MINUTE:.3g} K/min and {self._soak.span():.3g} K over "
            f"{show(settings.soak.time_s, Kind.TIME)}"
        )

    def _number(self, question: str) -> float:
        """Read a number, in the plan's SI unit."""

        def read(answer: str) -> float:
            value = number(answer)
            if is_overload(value):
                raise ValueError("overload, or no measurement")
            return value

        return self._talk.query(question, read) * self._words.scale

    def _holds(self, question: str, read: Callable[[str], bool]) -> bool:
        return self._talk.query(question, read)

    def _shown(self, value: float) -> str:
        """Write a number of the instrument's in the plan's unit."""
        kind = self._settings.kind
        return f"{value * self._words.scale:g}" if kind is None else show(value * self._words.scale, kind)
