"""Conditions over SCPI, against the simulated instruments, and against scripts where those can't misbehave."""

from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from cornerrun.bench.condition_settings import condition_settings
from cornerrun.bench.opening import open_scpi_condition
from cornerrun.bench.registry import Surroundings
from cornerrun.bench.scpi.condition import ScpiCondition
from cornerrun.bench.simulated.bench import SimulatedBench
from cornerrun.clock import ManualClock
from cornerrun.errors import InstrumentError, PlanError, PlanProblems
from cornerrun.plan.load import load_bench, load_plan
from cornerrun.testing.condition_contract import ConditionBench, ConditionContract

PLAN = """\
format: 1
title: conditions
board: {name: level sensor, revision: B}
bench: bench.yaml
devices: {PM1: {bus: main, address: 0x40}}
rails:
  - name: VDD
    nominal: 3.3 V
    margin: 5 %
    accuracy: 0.5 %
    hard_limits: {min: 3.0 V, max: 3.6 V}
    settle: {band: 1 %, stable_for: 60 ms, timeout: 2 s}
    power: {device: PM1, page: 0}
conditions:
  - {name: ambient, levels: {cold: 0 degC, hot: 60 degC}}
  - {name: input_voltage, levels: {low: 10.8 V, high: 13.2 V}}
  - {name: load, levels: {light: 0.5 A, heavy: 2 A}}
  - {name: clock, levels: {slow: 90 MHz, fast: 110 MHz}}
corners: {schemes: [{all_rails: [high, low]}]}
"""
BOARD = """\
format: 1
rails: [{name: VDD, nominal: 3.3 V, load: 1 A}]
chamber: {start: 25 degC, ramp: 6 K/min, time_constant: 30 s, soak: 2 min, lowest: -40 degC, highest: 125 degC}
supply: {voltage: 12 V, current_limit: 5 A}
electronic_load: {rail: VDD, highest_current: 20 A}
conditions: {clock: {time_constant: 0.1 s}}
clock_generator: {lowest: 50 MHz, highest: 200 MHz}
"""
BENCH = """\
format: 1
station: desk
kind: simulated
instruments:
  oven: {driver: scpi-condition, resource: "simulated:chamber"}
  feed: {driver: scpi-condition, resource: "simulated:supply", dialect: input_supply}
  sink: {driver: scpi-condition, resource: "simulated:electronic_load", dialect: electronic_load}
  generator: {driver: scpi-condition, resource: "simulated:clock_generator", dialect: clock_generator}
conditions:
  ambient:
    driver: scpi
    instrument: oven
    within: 1 degC
    stable_for: 30 s
    soak: {window: 0.3 degC, slope: 0.05 K/min, time: 2 min}
    settings: {ramp: 6, timeout: 2 h}
  input_voltage: {driver: scpi, instrument: feed, within: 50 mV, stable_for: 0.2 s}
  load: {driver: scpi, instrument: sink, within: 10 mA, stable_for: 0 s}
  clock: {driver: scpi, instrument: generator, within: 10 kHz, stable_for: 0 s}
simulation: board.yaml
"""


class Desk:
    def __init__(self, directory: Path, *changes: tuple[str, str], sense: Any = lambda _: None) -> None:
        texts = {"plan.yaml": PLAN, "board.yaml": BOARD, "bench.yaml": BENCH}
        for old, new in changes:
            assert any(old in text for text in texts.values()), old
            texts = {name: text.replace(old, new) for name, text in texts.items()}
        for name, text in texts.items():
            (directory / name).write_text(text)
        self.clock = ManualClock()
        self.plan, self.bench_file = load_plan(directory / "plan.yaml"), load_bench(directory / "bench.yaml")
        self.simulation = SimulatedBench.load(directory / "board.yaml", self.clock)
        self.surroundings = Surroundings(
            plan=self.plan, bench_file=self.bench_file, clock=self.clock, simulation=self.simulation, sense=sense
        )

    def open(self, name: str) -> ScpiCondition:
        condition = open_scpi_condition(self.bench_file.conditions[name], self.surroundings)
        assert isinstance(condition, ScpiCondition)
        return condition

    def wait(self, condition: ScpiCondition, longest_s: float = 3 * 3600.0) -> float:
        started_s = self.clock.now_s()
        while not condition.has_settled():
            assert self.clock.now_s() < started_s + longest_s
            self.clock.sleep_until(self.clock.now_s() + 1.0)
        return self.clock.now_s() - started_s


CASES: dict[str, dict[str, Any]] = {
    "ambient": {"targets": (60.0, 0.0), "rest": 25.0, "within": 1.0, "settle_s": 4000.0, "beyond": 300.0,
                "truth": lambda desk: desk.simulation.rack.chamber.voltage_v(desk.clock.now_s())},
    "input_voltage": {"targets": (10.8, 13.2), "rest": 12.0, "within": 0.05, "settle_s": 5.0, "beyond": 90.0,
                      "truth": lambda desk: desk.simulation._supply.voltage_v(desk.clock.now_s())},
    "load": {"targets": (2.0, 0.5), "rest": 0.0, "within": 0.01, "settle_s": 5.0, "beyond": 99.0,
             "truth": lambda desk: desk.simulation.rack.electronic_load.current_a(desk.clock.now_s())},
    "clock": {"targets": (110e6, 90e6), "rest": 100e6, "within": 1e4, "settle_s": 5.0, "beyond": 1e9,
              "truth": lambda desk: desk.simulation._generator.voltage_v(desk.clock.now_s())},
}  # fmt: skip


class TestOverScpi(ConditionContract):
    @pytest.fixture(params=sorted(CASES))
    def bench(self, request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[ConditionBench]:
        # What is there at once cannot be told from what is there already, unless it has to stay for a moment.
        desk, case = Desk(tmp_path, ("stable_for: 0 s", "stable_for: 0.1 s")), dict(CASES[request.param])
        condition, truth = desk.open(request.param), case.pop("truth")
        yield ConditionBench(condition=condition, clock=desk.clock, truth=lambda: truth(desk), **case)
        condition.close()


class TestInThisProcess(ConditionContract):
    @pytest.fixture(params=["ambient", "input_voltage", "clock"])
    def bench(self, request: pytest.FixtureRequest, tmp_path: Path) -> ConditionBench:
        desk, case = Desk(tmp_path), dict(CASES[request.param])
        truth = case.pop("truth")
        case["beyond"] = None if request.param != "ambient" else case["beyond"]
        condition = desk.simulation.condition(request.param)
        return ConditionBench(condition=condition, clock=desk.clock, truth=lambda: truth(desk), **case)


def test_a_chamber_is_there_only_when_the_board_has_soaked(tmp_path: Path) -> None:
    desk = Desk(tmp_path)
    oven = desk.open("ambient")
    oven.start(60.0)
    desk.wait(oven)
    chamber = desk.simulation.rack.chamber
    assert chamber is not None
    assert chamber.voltage_v(desk.clock.now_s()) == pytest.approx(60.0, abs=0.3)
    bare = Desk(tmp_path, ("    soak: {window: 0.3 degC, slope: 0.05 K/min, time: 2 min}\n", ""))
    oven = bare.open("ambient")
    oven.start(60.0)
    bare.wait(oven)
    assert bare.simulation.rack.chamber.voltage_v(bare.clock.now_s()) < 59.0  # the air is there, the board is not


def test_a_soak_may_go_by_the_sensor_of_a_rails_own_device(tmp_path: Path) -> None:
    asked: list[str] = []
    values = iter([40.0 + 0.01 * min(index, 1000) for index in range(100_000)])

    def sense(rail: str) -> float:
        asked.append(rail)
        return next(values)

    desk = Desk(tmp_path, ("soak: {window", "soak: {sensor: VDD, window"), sense=sense)
    oven = desk.open("ambient")
    oven.start(60.0)
    took_s = desk.wait(oven)
    assert set(asked) == {"VDD"}
    assert took_s > 1000.0
    assert oven.read() == pytest.approx(60.0, abs=1.0)


def test_a_device_that_tells_no_temperature_is_named(tmp_path: Path) -> None:
    desk = Desk(tmp_path, ("soak: {window", "soak: {sensor: VDD, window"))
    oven = desk.open("ambient")
    oven.start(60.0)
    with pytest.raises(InstrumentError, match=r"conditions\.ambient: the device of VDD tells no temperature"):
        desk.wait(oven)


def test_the_ramp_is_set_and_kept(tmp_path: Path) -> None:
    slow_s, fast_s = _ramps(tmp_path)
    assert slow_s > 35 * 60.0
    assert fast_s < slow_s / 2


def _ramps(directory: Path) -> tuple[float, float]:
    times = []
    for ramp in ("1", "6"):
        desk = Desk(directory, ("ramp: 6,", f"ramp: {ramp},"))
        oven = desk.open("ambient")
        oven.start(60.0)
        times.append(desk.wait(oven))
    return times[0], times[1]


def test_of_what_plan_and_bench_file_allow_the_slower_ramp_counts(tmp_path: Path) -> None:
    desk = Desk(tmp_path)
    oven = desk.open("ambient")
    for asked_k_per_min, set_k_per_min in ((2.0, 2.0), (10.0, 6.0)):
        assert oven.limit_ramp(asked_k_per_min / 60)
        oven.start(60.0)
        assert desk.simulation.rack.chamber.ramp_k_per_s * 60 == pytest.approx(set_k_per_min)


def test_what_has_no_words_for_a_ramp_says_so(tmp_path: Path) -> None:
    assert not Desk(tmp_path).open("input_voltage").limit_ramp(1.0)


def test_what_the_sensor_read_last_is_told(tmp_path: Path) -> None:
    desk = Desk(tmp_path, ("soak: {window", "soak: {sensor: VDD, window"), sense=lambda rail: 59.5)
    oven = desk.open("ambient")
    assert oven.sensed() is None
    oven.start(60.0)
    desk.wait(oven)
    assert oven.sensed() == ("VDD", 59.5)
    assert desk.open("load").sensed() is None


def test_what_takes_too_long_says_where_it_is_and_how_it_moves(tmp_path: Path) -> None:
    desk = Desk(tmp_path, ("timeout: 2 h", "timeout: 3 min"))
    oven = desk.open("ambient")
    oven.start(60.0)
    with pytest.raises(
        InstrumentError,
        match=r"ambient: 'oven' at simulated:chamber: not within 1 degC of 60 degC for 30 s after 3 min 00 s; it reads "
        r"[345][\d.]+ degC, and instrument [\d.]+ degC, moving by [\d.]+ K/min and [\d.]+ K over 2 min 00 s",
    ):
        desk.wait(oven)


def test_an_open_door_is_named_and_ends_the_wait(tmp_path: Path) -> None:
    desk = Desk(tmp_path, ("ramp: 6 K/min,", "ramp: 6 K/min, door_openings: [{at: 100 s, lasts: 30 s}],"))
    oven = desk.open("ambient")
    oven.start(60.0)
    with pytest.raises(InstrumentError, match="the door is open; see to it"):
        desk.wait(oven)
    assert desk.clock.now_s() == pytest.approx(100.0, abs=3.0)


def test_a_protection_that_trips_is_named(tmp_path: Path) -> None:
    desk = Desk(tmp_path)
    feed = desk.open("input_voltage")
    feed.start(13.2)
    desk.wait(feed)
    desk.simulation.rack.supply.set_over_voltage(13.0)
    with pytest.raises(InstrumentError, match="a protection has tripped"):
        feed.has_settled()


def test_somebody_at_the_front_panel_is_noticed(tmp_path: Path) -> None:
    desk = Desk(tmp_path)
    feed = desk.open("input_voltage")
    feed.start(13.2)
    desk.simulation.rack.supply.set_voltage(12.5)
    with pytest.raises(InstrumentError, match=r"heads for 12\.5 V, and not for 13\.2 V that it was told"):
        feed.has_settled()


def test_released_it_goes_to_rest_as_the_bench_file_the_dialect_or_its_beginning_says(tmp_path: Path) -> None:
    desk = Desk(tmp_path, ("timeout: 2 h", "rest: 30 degC"))
    oven, feed, sink = desk.open("ambient"), desk.open("input_voltage"), desk.open("load")
    oven.start(60.0)
    feed.start(10.8)
    sink.start(2.0)
    for condition in (oven, feed, sink):
        condition.release()
    rack = desk.simulation.rack
    assert (rack.chamber.target_degc, rack.supply.voltage_v, rack.electronic_load.is_on) == (30.0, 12.0, False)


def test_where_the_plan_leaves_it_counts_before_the_bench_file(tmp_path: Path) -> None:
    desk = Desk(tmp_path, ("timeout: 2 h", "rest: 30 degC"))
    conditions = tuple(replace(one, rest=22.0) if one.name == "ambient" else one for one in desk.plan.conditions)
    desk.surroundings = replace(desk.surroundings, plan=replace(desk.plan, conditions=conditions))
    oven = desk.open("ambient")
    oven.start(60.0)
    oven.release()
    assert desk.simulation.rack.chamber.target_degc == 22.0


def test_a_target_beyond_the_dialect_is_refused_before_anything_is_sent(tmp_path: Path) -> None:
    desk = Desk(tmp_path)
    sink = desk.open("load")
    with pytest.raises(InstrumentError, match=r"was asked for -1 A; its dialect allows 0 A to anything"):
        sink.start(-1.0)
    assert not desk.simulation.rack.electronic_load.is_on


class Scripted:
    """Answers from a table; None answers nothing."""

    def __init__(self, table: dict[str, str | Callable[[], str]]) -> None:
        self.table = {"*IDN?": "ANY,OVEN,1,1", "SYST:ERR?": '0,"none"'} | table
        self.sent: list[str] = []
        self.answer: str | None = None

    def write(self, message: str) -> None:
        self.sent.append(message)
        found = self.table.get(message)
        self.answer = found() if callable(found) else found

    def read(self, timeout_s: float) -> str:
        answer, self.answer = self.answer, None
        if answer is None:
            raise TimeoutError
        return answer

    def clear(self) -> None:
        self.answer = None

    def close(self) -> None:
        self.sent.append("closed")


OVEN = """\
format: 1
title: an oven in kelvins by its manual
role: condition
scale: 0.1
target: "SET {value}"
ask_target: "SET?"
read: "ACT?"
ready: {ask: "STATE?", equals: STABLE}
"""


def scripted(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, link: Scripted) -> tuple[Desk, ScpiCondition]:
    (tmp_path / "oven.yaml").write_text(OVEN)
    soak = "    soak: {window: 0.3 degC, slope: 0.05 K/min, time: 2 min}\n    settings: {ramp: 6, timeout: 2 h}\n"
    desk = Desk(tmp_path, ('resource: "simulated:chamber"', 'resource: "simulated:chamber", dialect: oven'), (soak, ""))
    monkeypatch.setattr(desk.simulation, "instrument", lambda _: link)
    return desk, desk.open("ambient")


def test_numbers_are_scaled_and_its_own_word_for_ready_counts(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    states = ["BUSY"] * 60 + ["STABLE"] * 10
    link = Scripted({"SET?": "600", "ACT?": "598", "STATE?": lambda: states.pop(0)})
    desk, oven = scripted(tmp_path, monkeypatch, link)
    oven.start(60.0)
    assert "SET 600" in link.sent
    assert oven.read() == pytest.approx(59.8)
    assert desk.wait(oven) == pytest.approx(60.0, abs=1.0)


@pytest.mark.parametrize("answer", ["9.9E37", "9.91E37", "banana", ""])
def test_an_answer_that_is_no_measurement_is_never_data(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, answer: str
) -> None:
    link = Scripted({"SET?": "600", "ACT?": answer, "STATE?": "STABLE"})
    _, oven = scripted(tmp_path, monkeypatch, link)
    oven.start(60.0)
    with pytest.raises(InstrumentError, match=r"ACT\?"):
        oven.has_settled()


def test_a_target_that_is_not_held_is_told(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    _, oven = scripted(tmp_path, monkeypatch, Scripted({"SET?": "550"}))
    with pytest.raises(Exception, match="holds 55 degC where 60 degC was set"):
        oven.start(60.0)


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ("    within: 1 degC\n", "", "conditions.ambient: write 'within'"),
        ("within: 1 degC", "within: 1 V", "conditions.ambient.within: '1 V'"),
        ("within: 1 degC", "within: 0 degC", "leaves no room"),
        ("    instrument: oven\n", "", "nothing says which instrument sets it; write 'instrument: NAME': oven, feed"),
        ("timeout: 2 h", "timeot: 2 h", "unknown key 'timeot'; did you mean 'timeout'?"),
        ("timeout: 2 h", "timeout: 2", "settings.timeout: "),
        ("{ramp: 6", "{ramp: fast", "'fast' is no speed"),
        (
            "soak: {window",
            "soak: {sensor: VDDD, window",
            "'VDDD' is neither 'instrument' nor a rail; did you mean 'VDD'?",
        ),
        ("instrument: oven", "instrument: feed", "has no 'ramp'; take it out"),
    ],
)
def test_a_condition_that_does_not_fit_says_what_to_write(tmp_path: Path, old: str, new: str, said: str) -> None:
    desk = Desk(tmp_path, (old, new))
    with pytest.raises((PlanError, PlanProblems)) as raised:
        desk.open("ambient")
    assert said in str(raised.value)


def test_a_soak_is_for_temperatures(tmp_path: Path) -> None:
    soak = "within: 50 mV, soak: {window: 1 degC, slope: 1 K/min, time: 1 min}"
    desk = Desk(tmp_path, ("within: 50 mV", soak))
    with pytest.raises(PlanError, match="the plan's condition is no temperature"):
        condition_settings(desk.bench_file.conditions["input_voltage"], desk.plan, desk.bench_file)
