"""Marks: the behaviour of IEEE 488.2 and SCPI-99 instruments is from memory."""

from collections.abc import Callable

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from cornerrun.bench.simulated.instruments.engine import InstrumentEngine, entry, real, shown
from cornerrun.clock import ManualClock


class Bench:
    """An instrument with one setting that takes ten seconds to be reached."""

    def __init__(self) -> None:
        self.clock = ManualClock()
        self.level = 0.0
        self.done_s = 0.0
        self.engine = InstrumentEngine(
            identity="MAKER,thing,1,2",
            clock=self.clock,
            reset=self.reset,
            done_s=lambda: max(self.done_s, self.clock.now_s()),
            entries=(
                entry("[SOURce:]LEVel[:IMMediate]", self.put, (1, 1)),
                entry("[SOURce:]LEVel[:IMMediate]?", lambda _: shown(self.level)),
            ),
        )

    def put(self, given: tuple[str, ...]) -> None:
        self.level = real(given[0], 0.0, 10.0, "V")
        self.done_s = self.clock.now_s() + 10.0

    def reset(self) -> None:
        self.level = 0.0

    def ask(self, message: str) -> str:
        self.engine.write(message)
        return self.engine.read(60.0)

    def error(self) -> int:
        return int(self.ask("SYST:ERR?").partition(",")[0])


@pytest.mark.parametrize("header", ["LEV", "SOUR:LEV", "source:level:immediate", ":SOUR:LEV:IMM"])
def test_long_and_short_forms_mean_the_same(header: str) -> None:
    bench = Bench()
    bench.engine.write(f"{header} 2500 mV")
    assert float(bench.ask(f"{header}?")) == 2.5


def test_answers_of_one_message_are_joined() -> None:
    assert Bench().ask("*IDN?;LEV 3;LEV?") == "MAKER,thing,1,2;+3.00000000E+00"


@pytest.mark.parametrize(
    ("message", "code"),
    [("LEVL 3", -113), ("LEV", -109), ("LEV 1,2", -108), ("LEV x", -104), ("LEV 11", -222), ("LEV (3", -102)],
)
def test_what_is_wrong_stands_in_the_error_queue(message: str, code: int) -> None:
    bench = Bench()
    bench.engine.write(message)
    assert bench.error() == code
    assert bench.error() == 0
    assert bench.level == 0.0


def test_a_question_before_the_answer_was_read_is_an_error() -> None:
    bench = Bench()
    bench.engine.write("*IDN?")
    assert bench.ask("*OPC?") == "1"
    assert bench.error() == -410


def test_reading_without_a_question_times_out() -> None:
    bench = Bench()
    with pytest.raises(TimeoutError):
        bench.engine.read(2.0)
    assert bench.clock.now_s() == pytest.approx(2.0)
    assert bench.error() == -420


@pytest.mark.parametrize("message", ["LEV 5;*OPC?", "LEV 5;*WAI;LEV?"])
def test_what_waits_for_completion_waits(message: str) -> None:
    bench = Bench()
    bench.ask(message)
    assert bench.clock.now_s() == pytest.approx(10.0)


def test_power_off_and_on_sets_the_power_on_bit() -> None:
    bench = Bench()
    bench.engine.write("LEV 4;*CLS")
    assert bench.ask("*ESR?") == "0"
    bench.engine.power_cycle()
    assert (bench.ask("*ESR?"), float(bench.ask("LEV?"))) == ("128", 0.0)


@settings(max_examples=200)
@given(st.lists(st.text(max_size=60), max_size=5))
def test_no_text_breaks_an_instrument(messages: list[str]) -> None:
    bench = Bench()
    ask: Callable[[str], str] = bench.ask
    for message in messages:
        bench.engine.write(message)
        bench.engine.clear()
    bench.engine.write("*CLS")
    assert ask("*OPC?") == "1"
