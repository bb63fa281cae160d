"""One supply and its outputs, in the words of its dialect: each setting is read back, each state asked for."""

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import TypeVar

from cornerrun.bench.ports import MeterIdentity
from cornerrun.bench.scpi.conversation import Conversation
from cornerrun.bench.scpi.dialect_file import State, SupplyDialect, filled
from cornerrun.bench.scpi.text import expecting, is_overload, number
from cornerrun.errors import InstrumentError, ReadbackMismatch
from cornerrun.units import Kind, show

__all__ = ["OutputState", "ScpiSupply", "Settings"]

T = TypeVar("T")
_SHARE = 1e-3  # chosen: a limit counts as held if it reads back within this share, or half a step of voltage
_TRIES = 2  # chosen: a question may be asked again; after a late answer the conversation is in step by then


@dataclass(frozen=True, kw_only=True, slots=True)
class Settings:
    """What an output is told: ``over_voltage_v`` None where the supply has no such protection."""

    voltage_v: float
    current_limit_a: float
    over_voltage_v: float | None
    is_on: bool


@dataclass(frozen=True, kw_only=True, slots=True)
class OutputState:
    """What an output says of itself; a trip stays until it is cleared."""

    is_on: bool
    has_over_voltage: bool
    has_over_current: bool
    is_limiting: bool


class ScpiSupply:
    """A supply at the other end of a conversation; outputs count from 1. Nothing here judges a voltage.

    ``expected`` is what it must say of itself (`cornerrun.bench.scpi.text.expecting`).
    """

    def __init__(
        self, *, talk: Conversation, dialect: SupplyDialect, expected: Mapping[str, str] = MappingProxyType({})
    ) -> None:
        self.words = dialect
        self._expected = expected
        self._talk = talk

    @property
    def name(self) -> str:
        """How messages call it."""
        return self._talk.name

    def identify(self) -> MeterIdentity:
        """Read its identity, and empty its error queue."""
        identity = self._talk.identify(expecting(self._expected))
        self._talk.errors()
        return identity

    def settings(self, output: int) -> Settings:
        """Read what an output is told."""
        words = self.words
        return Settings(
            voltage_v=self._number(output, words.ask_voltage),
            current_limit_a=self._number(output, words.ask_current_limit),
            over_voltage_v=None if words.ask_protection is None else self._number(output, words.ask_protection),
            is_on=self._holds(output, words.is_on),
        )

    def voltage_v(self, output: int) -> float:
        """Measure an output."""
        return self._number(output, self.words.measure_voltage)

    def current_a(self, output: int) -> float | None:
        """Measure its current; None where the supply does not."""
        return None if self.words.measure_current is None else self._number(output, self.words.measure_current)

    def state(self, output: int) -> OutputState:
        """Read whether it is on, has tripped, or limits its current; one question for states of one register."""
        words, answers = self.words, dict[str, str]()

        def holds(state: State | None) -> bool:
            if state is None:
                return False
            if state.ask in answers:
                return self._read_state(state, answers[state.ask])

            def read(answer: str) -> bool:
                answers[state.ask] = answer
                return state.holds(answer)

            return self._ask(output, state.ask, read)

        return OutputState(
            is_on=holds(words.is_on),
            has_over_voltage=holds(words.over_voltage),
            has_over_current=holds(words.over_current),
            is_limiting=holds(words.limiting),
        )

    def set_voltage(self, output: int, voltage_v: float) -> None:
        """Set the voltage and read it back; ReadbackMismatch if it is not held."""
        self._set(output, self.words.voltage, voltage_v)
        held_v = self._number(output, self.words.ask_voltage)
        if not abs(held_v - voltage_v) <= self.words.step / 2:
            raise ReadbackMismatch(
                f"{self.name}: output {output} holds {show(held_v, Kind.VOLTAGE)} where "
                f"{show(voltage_v, Kind.VOLTAGE)} was set"
            )

    def set_current_limit(self, output: int, current_a: float) -> None:
        """Set the current limit and read it back; ReadbackMismatch if it is not held."""
        self._set(output, self.words.current_limit, current_a)
        held_a = self._number(output, self.words.ask_current_limit)
        if not abs(held_a - current_a) <= _SHARE * current_a:
            raise ReadbackMismatch(f"{self.name}: output {output} limits at {held_a:g} A where {current_a:g} A was set")

    def set_over_voltage(self, output: int, voltage_v: float) -> None:
        """Set where the over-voltage protection trips and read it back.

        Raises:
            InstrumentError: its dialect knows no such protection.
            ReadbackMismatch: another voltage is held.

        """
        words = self.words
        if words.protection is None or words.ask_protection is None:
            raise InstrumentError(
                f"{self.name}: its dialect has no over-voltage protection, and a rail is not moved without; give the "
                "dialect 'protection' and 'ask_protection', or use a supply that has one"
            )
        self._set(output, words.protection, voltage_v)
        held_v = self._number(output, words.ask_protection)
        if not abs(held_v - voltage_v) <= max(_SHARE * voltage_v, words.step / 2):
            raise ReadbackMismatch(
                f"{self.name}: output {output} trips at {show(held_v, Kind.VOLTAGE)} where "
                f"{show(voltage_v, Kind.VOLTAGE)} was set"
            )

    def switch(self, output: int, *, is_on: bool) -> None:
        """Switch an output and see that it is switched; ReadbackMismatch if it is not."""
        self._order(output, self.words.on if is_on else self.words.off)
        if self._holds(output, self.words.is_on) is not is_on:
            wanted = "on" if is_on else "off"
            raise ReadbackMismatch(f"{self.name}: output {output} was switched {wanted} and does not say so")

    def clear(self, output: int) -> None:
        """Release a protection that has tripped; the output stays off."""
        if self.words.clear is not None:
            self._order(output, self.words.clear)

    def close(self) -> None:
        """Give the supply back."""
        self._talk.close()

    def _set(self, output: int, message: str, value: float) -> None:
        self._order(output, message, value=value)

    def _order(self, output: int, message: str, **values: float) -> None:
        advice = "see its manual and its dialect, and that its front panel does not lock it"
        self._talk.order(self._addressed(output, filled(message, output=output, **values)), advice)

    def _number(self, output: int, message: str) -> float:
        def read(answer: str) -> float:
            value = number(answer)
            if is_overload(value):
                raise ValueError("overload, or no number")
            return value

        return self._ask(output, message, read)

    def _holds(self, output: int, state: State) -> bool:
        return self._ask(output, state.ask, state.holds)

    def _read_state(self, state: State, answer: str) -> bool:
        try:
            return state.holds(answer)
        except ValueError as error:
            raise InstrumentError(f"{self.name} answered {answer[:60]!r} to {state.ask!r}: {error}") from error

    def _ask(self, output: int, message: str, read: Callable[[str], T]) -> T:
        """Ask of one output; a question that failed is asked once more."""
        question = self._addressed(output, filled(message, output=output))
        for left in reversed(range(_TRIES)):
            try:
                return self._talk.query(question, read)
            except InstrumentError:
                if not left:
                    raise
        raise AssertionError("the tries end in an answer or an error")

    def _addressed(self, output: int, message: str) -> str:
        """Choose the output in the same message, so that nobody can choose another in between."""
        if self.words.select is None:
            return message
        colon = "" if message.startswith((":", "*")) else ":"
        return f"{filled(self.words.select, output=output)};{colon}{message}"
