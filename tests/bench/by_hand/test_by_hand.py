"""What is done by hand: with a person of whom the test knows what they type, and with a real terminal."""

import os
import pty
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from cornerrun.bench.by_hand.opening import open_hand_meter, open_hand_probe, open_hand_setting
from cornerrun.bench.by_hand.person import Nobody, Terminal
from cornerrun.bench.by_hand.setting import HandSetting
from cornerrun.bench.registry import Surroundings, condition_driver, meter_driver
from cornerrun.bench.simulated.meter import SimulatedMeter, SimulatedMeterSettings
from cornerrun.clock import ManualClock
from cornerrun.errors import InstrumentError, PlanError
from cornerrun.plan.load import load_bench, load_plan
from cornerrun.testing.condition_contract import ConditionBench, ConditionContract
from cornerrun.testing.meter_contract import MeterBench, MeterContract
from cornerrun.units import Kind

PLANS = Path(__file__).parents[3] / "plans"


class Obedient:
    """A person who does at once what they are asked; ``does`` makes an answer of the question."""

    def __init__(self, does: Callable[[str], str | None]) -> None:
        self.does = does
        self.asked: list[str] = []
        self.told: list[str] = []

    def refuse_if_absent(self) -> None:
        """Is there."""

    def ask(self, text: str) -> None:
        self.asked.append(text)

    def tell(self, text: str) -> None:
        self.told.append(text)

    def answer(self, wait_s: float) -> str | None:
        return self.does(self.asked[-1])


class Bench:
    """A board with two rails, a meter with one probe, and a supply with knobs."""

    def __init__(self, directory: Path, instrument: str, person: Any, conditions: str = "") -> None:
        plan = (PLANS / "supplied.yaml").read_text()
        text = plan.replace("proof:", "conditions: [{name: feed, levels: {low: 10 V, high: 14 V}}]\nproof:")
        (directory / "plan.yaml").write_text(text.replace("supplied_bench", "bench"))
        (directory / "bench.yaml").write_text(
            f"format: 1\nstation: desk\nkind: hardware\ninstruments: {{meter: {instrument}}}\n{conditions}"
        )
        self.clock = ManualClock()
        self.volts = {"VDD_MCU": 3.3, "VDD_SENSE": 1.8}
        self.on = "VDD_MCU"
        self.person = person
        self.surroundings = Surroundings(
            plan=load_plan(directory / "plan.yaml"),
            bench_file=load_bench(directory / "bench.yaml"),
            clock=self.clock,
            simulation=None,
            person=person,
        )

    def probing(self, question: str) -> str:
        self.on = question.split()[4].rstrip(",")
        return ""

    def reading_out(self, question: str) -> str:
        return f"{self.volts[question.split()[4].rstrip(',')]:.4f} V"


PROBE = '{driver: hand-probe, resource: "TCPIP::192.0.2.7::5025::SOCKET"}'
TYPED = "{driver: hand-meter, resource: bench multimeter in the drawer}"


class TestProbeOnAScpiMeter(MeterContract):
    @pytest.fixture
    def bench(self, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[MeterBench]:
        bench = Bench(tmp_path, PROBE, Obedient(str))
        bench.person.does = bench.probing
        link = SimulatedMeter(
            settings=SimulatedMeterSettings(),
            clock=bench.clock,
            input_v=lambda channel, start_s, aperture_s: bench.volts[bench.on],
            channels=(),
        )
        monkeypatch.setattr("cornerrun.bench.opening.open_text_link", lambda *_: link)
        instrument = bench.surroundings.bench_file.meter
        assert instrument is not None
        meter = open_hand_probe(instrument, bench.surroundings)
        yield MeterBench(
            meter=meter, clock=bench.clock, set_v=bench.volts.__setitem__, tolerance_v=1e-4, overload_v=None
        )
        meter.close()


class TestReadOutByHand(MeterContract):
    @pytest.fixture
    def bench(self, tmp_path: Path) -> Iterator[MeterBench]:
        bench = Bench(tmp_path, TYPED, Obedient(str))
        instrument = bench.surroundings.bench_file.meter
        assert instrument is not None
        meter = open_hand_meter(instrument, bench.surroundings)
        bench.clock.sleep_until(1.0)

        def tick(question: str) -> str:
            bench.clock.sleep_until(bench.clock.now_s() + 0.5)
            return bench.reading_out(question)

        bench.person.does = tick
        yield MeterBench(
            meter=meter, clock=bench.clock, set_v=bench.volts.__setitem__, tolerance_v=1e-4, overload_v=None
        )
        meter.close()


class TestSetByHand(ConditionContract):
    @pytest.fixture
    def bench(self) -> ConditionBench:
        clock, volts, pause = ManualClock(), [12.0], [0]

        def does(question: str) -> str | None:
            pause[0] += 1
            if pause[0] % 3:
                return None
            volts[0] = float(question.split()[3]) if question.startswith("Set feed to") else volts[0]
            return f"{volts[0]} V"

        class Tidy(Obedient):
            def tell(self, text: str) -> None:
                super().tell(text)
                if text.startswith("Set feed back"):
                    volts[0] = 12.0

        setting = HandSetting(name="feed", kind=Kind.VOLTAGE, within=0.1, rest=12.0, person=Tidy(does), clock=clock)
        setting._shown = 12.0
        return ConditionBench(
            condition=setting, clock=clock, targets=(10.0, 14.0), rest=12.0, truth=lambda: volts[0], within=0.1,
            settle_s=100.0,
        )  # fmt: skip


def test_each_rail_is_asked_for_by_name_and_read_where_the_probe_is(tmp_path: Path) -> None:
    bench = Bench(tmp_path, TYPED, Obedient(str))
    bench.person.does = bench.reading_out
    meter = open_hand_meter(bench.surroundings.bench_file.meter, bench.surroundings)
    meter.start(["VDD_SENSE", "VDD_MCU"])
    assert [(item.rail, item.reading_v) for item in meter.fetch()] == [("VDD_SENSE", 1.8), ("VDD_MCU", 3.3)]
    assert bench.person.asked == [
        "Put the probe on VDD_SENSE, then type what the meter shows, with the unit (3.301 V).",
        "Put the probe on VDD_MCU, then type what the meter shows, with the unit (3.301 V).",
    ]
    assert meter.identify().model == "bench multimeter in the drawer"


def test_what_is_no_voltage_is_asked_for_again_and_never_taken(tmp_path: Path) -> None:
    answers = ["", "3.3", "banana", "900 V", "OL", "1.79 V"]
    bench = Bench(tmp_path, TYPED, Obedient(lambda _: answers.pop(0)))
    meter = open_hand_meter(bench.surroundings.bench_file.meter, bench.surroundings)
    meter.start(["VDD_SENSE"])
    assert meter.fetch()[0].reading_v == 1.79
    assert len(bench.person.asked) == 6
    assert any("'3.3' has no unit" in text for text in bench.person.told)
    assert any("beyond the range" in text for text in bench.person.told)


def test_nobody_who_answers_in_time_is_an_error_and_no_reading(tmp_path: Path) -> None:
    bench = Bench(tmp_path, TYPED, Obedient(lambda _: None))
    meter = open_hand_meter(bench.surroundings.bench_file.meter, bench.surroundings)
    meter.start(["VDD_SENSE"])
    with pytest.raises(InstrumentError, match="nobody put the probe on VDD_SENSE within 600 s"):
        meter.fetch()
    assert bench.clock.now_s() >= 600.0


def test_a_setting_is_asked_for_again_until_it_is_near_enough(tmp_path: Path) -> None:
    answers = [None, "13.2 V", "14 A", "13.95 V"]
    conditions = "conditions: {feed: {driver: by-hand, within: 100 mV, settings: {rest: 12 V}}}\n"
    bench = Bench(tmp_path, TYPED, Obedient(lambda _: answers.pop(0)), conditions)
    setting = open_hand_setting(bench.surroundings.bench_file.conditions["feed"], bench.surroundings)
    with pytest.raises(InstrumentError, match="nobody has read feed out yet"):
        setting.read()
    setting.start(14.0)
    assert [setting.has_settled() for _ in range(4)] == [False, False, False, True]
    assert setting.read() == 13.95
    assert "13.2 V is not within 100 mV of 14 V. Set feed again" in bench.person.asked[1]
    assert "'14 A': unit 'A' does not fit here" in bench.person.asked[2]
    setting.release()
    assert bench.person.told == ["Set feed back to 12 V. Nothing waits for that."]


def test_a_person_is_asked_to_keep_to_the_ramp_of_the_plan(tmp_path: Path) -> None:
    conditions = "conditions: {feed: {driver: by-hand, within: 100 mV}}\n"
    bench = Bench(tmp_path, TYPED, Obedient(lambda _: "14 V"), conditions)
    setting = open_hand_setting(bench.surroundings.bench_file.conditions["feed"], bench.surroundings)
    assert setting.limit_ramp(0.5)
    setting.start(14.0)
    assert bench.person.asked[0].startswith("Set feed to 14 V, no faster than 0.5 V/s, then type")


def test_a_setting_that_nobody_makes_is_an_error_in_the_end(tmp_path: Path) -> None:
    conditions = "conditions: {feed: {driver: by-hand, within: 100 mV}}\n"
    bench = Bench(tmp_path, TYPED, Obedient(lambda _: None), conditions)
    setting = open_hand_setting(bench.surroundings.bench_file.conditions["feed"], bench.surroundings)
    setting.start(14.0)
    bench.clock.sleep_until(1801.0)
    with pytest.raises(InstrumentError, match="nobody set feed within 30 min"):
        setting.has_settled()


@pytest.mark.parametrize("name", ["hand-probe", "hand-meter"])
def test_meters_by_hand_are_found_by_name(name: str) -> None:
    assert callable(meter_driver(name))
    assert callable(condition_driver("by-hand"))


def test_with_no_input_nobody_is_asked_and_nothing_begins(tmp_path: Path) -> None:
    conditions = "conditions: {feed: {driver: by-hand, within: 100 mV}}\n"
    bench = Bench(tmp_path, TYPED, None, conditions)
    with pytest.raises(InstrumentError, match=r"a person is needed, but nobody is asked here \(--no-input\)"):
        open_hand_meter(bench.surroundings.bench_file.meter, bench.surroundings).identify()
    setting = open_hand_setting(bench.surroundings.bench_file.conditions["feed"], bench.surroundings)
    with pytest.raises(InstrumentError, match=r"a person is needed \(Set feed to 14 V"):
        setting.start(14.0)
    with pytest.raises(InstrumentError, match="a person is needed"):
        Nobody("nobody is here").answer(1.0)


@pytest.mark.parametrize(
    ("instrument", "said"),
    [
        (TYPED.replace("}", ', settings: {rails: "VDD_MCU, VDD_X"}}'), "the plan has no rail 'VDD_X'"),
        (TYPED + "}\nchannels: {VDD_MCU: 101", "a hand-held probe has no channels"),
    ],
)
def test_a_probe_that_does_not_fit_says_what_to_write(tmp_path: Path, instrument: str, said: str) -> None:
    bench = Bench(tmp_path, instrument, None)
    with pytest.raises(PlanError, match=said):
        open_hand_meter(bench.surroundings.bench_file.meter, bench.surroundings)


def test_a_setting_without_a_tolerance_says_what_to_write(tmp_path: Path) -> None:
    bench = Bench(tmp_path, TYPED, None, "conditions: {feed: {driver: by-hand}}\n")
    with pytest.raises(PlanError, match="write 'within'"):
        open_hand_setting(bench.surroundings.bench_file.conditions["feed"], bench.surroundings)


class Screen:
    def __init__(self) -> None:
        self.text = ""

    def write(self, text: str) -> int:
        self.text += text
        return len(text)

    def flush(self) -> None:
        """Shows it at once."""


@pytest.fixture
def terminal() -> Iterator[tuple[Terminal, int, Screen]]:
    keyboard, line = pty.openpty()
    screen = Screen()
    with os.fdopen(line) as source:
        yield Terminal(source=source, screen=screen), keyboard, screen  # type: ignore[arg-type]  # no more is used
    os.close(keyboard)


def test_a_terminal_shows_the_question_and_returns_what_is_typed_after_it(terminal: Any) -> None:
    person, keyboard, screen = terminal
    os.write(keyboard, b"typed before it was asked\n")
    person.ask("Put the probe on VDD.")
    assert "Put the probe on VDD." in screen.text
    assert person.answer(0.0) is None
    os.write(keyboard, b"3.301 V\n1.8 V\n")
    assert person.answer(5.0) == "3.301 V"
    assert person.answer(5.0) == "1.8 V"


def test_the_end_of_input_is_told_and_is_no_answer(terminal: Any) -> None:
    person, keyboard, _ = terminal
    person.ask("Put the probe on VDD.")
    os.write(keyboard, b"\x04")
    with pytest.raises(InstrumentError, match="nobody answers: the input has ended"):
        person.answer(5.0)


def test_an_input_that_is_no_terminal_is_refused(tmp_path: Path) -> None:
    (tmp_path / "answers").write_text("3.3 V\n")
    with (tmp_path / "answers").open() as source:
        for act in (Terminal(source=source).refuse_if_absent, lambda: Terminal(source=source).ask("Put it there.")):
            with pytest.raises(InstrumentError, match="the input is no terminal; run it at a terminal"):
                act()
    with pytest.raises(InstrumentError, match="the terminal is closed"):
        Terminal(source=source).answer(0.0)
