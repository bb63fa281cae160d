import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from cornerrun.bench.bench import open_bench
from cornerrun.bench.guard import Guard
from cornerrun.bench.scpi.conversation import Conversation
from cornerrun.bench.scpi.dialect import supply_dialect
from cornerrun.bench.scpi.supply import ScpiSupply
from cornerrun.bench.scpi.supply_power import SupplyPower
from cornerrun.bench.simulated.bench import SimulatedBench
from cornerrun.clock import ManualClock
from cornerrun.corners.model import RailLevel
from cornerrun.errors import BenchError, DeviceRefused, GuardRefusal, InstrumentError, NotAtNominal, UnsafeState
from cornerrun.plan.load import load_bench, load_plan
from cornerrun.plan.model import Plan
from cornerrun.testing.power_contract import PowerBench, PowerContract

PLANS = Path(__file__).parents[3] / "plans"
PLAN = """\
format: 1
title: two rails
board: {{name: level sensor, revision: B}}
bench: supplied_bench.yaml
rails:
  - name: A
    nominal: 3.30 V
    levels: {{high: 5 %, low: -5 %, low2: -2 %, beyond: 3.54 V}}
    accuracy: 0.3 %
    hard_limits: {{min: 3.05 V, max: 3.6 V}}
    settle: {{band: 0.5 %, stable_for: 100 ms, timeout: 2 s}}
    output: {{supply: {a}, number: 1, current_limit: 1.5 A, over_voltage: 3.60 V}}
  - name: B
    nominal: 1.80 V
    margin: 5 %
    accuracy: 0.3 %
    hard_limits: {{min: 1.65 V, max: 1.95 V}}
    settle: {{band: 0.5 %, stable_for: 100 ms, timeout: 2 s}}
    output: {{supply: {b}, number: {number}, current_limit: 0.8 A, over_voltage: 110 %}}
corners: {{schemes: [{{all_rails: [high, low]}}]}}
"""


def make_plan(directory: Path, a: str, b: str, number: int) -> Plan:
    path = directory / "two.yaml"
    path.write_text(PLAN.format(a=a, b=b, number=number))
    plan = load_plan(path)
    # A plan that goes beyond hard limits is refused when it is read: the guard is there for what is not.
    rails = tuple(
        type(rail)(
            **{
                **{name: getattr(rail, name) for name in rail.__dataclass_fields__},
                "levels": {**rail.levels, **({"beyond": 3.7} if rail.name == "A" else {})},
            }
        )
        for rail in plan.rails
    )
    return type(plan)(**{**{name: getattr(plan, name) for name in plan.__dataclass_fields__}, "rails": rails})


BEYOND = RailLevel(rail="A", level="beyond")


class Emulator:
    """A supply of two outputs, written apart from the product's simulation: commands as one dictionary of states."""

    def __init__(self) -> None:
        self.out = {
            n: {"VOLT": v, "CURR": 5.0, "VOLT:PROT": 6.0, "OUTP": 1.0, "TRIP": 0.0} for n, v in ((1, 3.3), (2, 1.8))
        }
        self.chosen, self.answers, self.errors, self.sent = 1, [], [], []
        self.refused: str | None = None

    def write(self, message: str) -> None:
        self.sent.append(message)
        for unit in re.split(r";:?", message):
            self._do(unit)

    def _do(self, unit: str) -> None:
        header, _, value = unit.partition(" ")
        out = self.out[self.chosen]
        if self.refused and unit.startswith(self.refused):
            self.errors.append('-222,"Data out of range"')
        elif unit == "*IDN?":
            self.answers.append("ANY,TWO OUTPUTS,7,1.0")
        elif unit == "SYST:ERR?":
            self.answers.append(self.errors.pop(0) if self.errors else '0,"none"')
        elif header == "INST:NSEL":
            self.chosen = int(value)
        elif header == "MEAS:VOLT?":
            self.answers.append(str(out["VOLT"] * out["OUTP"]))
        elif header == "MEAS:CURR?":
            self.answers.append(str(0.1 * out["OUTP"]))
        elif header == "STAT:QUES:COND?":
            self.answers.append(str(int(out["TRIP"])))
        elif header == "OUTP:PROT:CLE":
            out["TRIP"] = 0.0
        elif header.endswith("?") and header[:-1] in out:
            self.answers.append(f"{out[header[:-1]]:+.6E}")
        elif header in out:
            out[header] = {"ON": 1.0, "OFF": 0.0}.get(value) if header == "OUTP" else float(value)
        else:
            self.errors.append(f'-113,"Undefined header;{unit}"')

    def trip(self, output: int, bit: int) -> None:
        self.out[output] |= {"TRIP": float(bit), "OUTP": 0.0}

    def read(self, timeout_s: float) -> str:
        if not self.answers:
            raise TimeoutError
        return self.answers.pop(0)

    def clear(self) -> None:
        self.answers.clear()

    def close(self) -> None:
        self.answers.clear()


class Setup:
    def __init__(self, directory: Path, dialect: str = "supply_outputs") -> None:
        self.plan = make_plan(directory, "FEED", "FEED", 2)
        self.clock = ManualClock()
        self.emulator = Emulator()
        talk = Conversation(link=self.emulator, name="supply 'FEED' at scripted", timeout_s=1.0)
        self.power = SupplyPower(
            plan=self.plan,
            name="FEED",
            supply=ScpiSupply(talk=talk, dialect=supply_dialect(dialect, directory)),
            guard=Guard(self.plan),
            clock=self.clock,
        )

    def set_since(self, start: int) -> list[str]:
        """What was set, without questions."""
        return [message for message in self.emulator.sent[start:] if "?" not in message]


class TestOnASupplyOfTwoOutputs(PowerContract):
    @pytest.fixture
    def bench(self, tmp_path: Path) -> PowerBench:
        setup = Setup(tmp_path)
        return PowerBench(
            power=setup.power,
            plan=setup.plan,
            clock=setup.clock,
            truth_v=lambda rail: (
                setup.emulator.out["AB".index(rail) + 1]["VOLT"] * setup.emulator.out["AB".index(rail) + 1]["OUTP"]
            ),
            within_v=0.0006,
            settle_s=0.0,
            beyond=BEYOND,
        )


class TestOnTwoSimulatedSupplies(PowerContract):
    @pytest.fixture
    def bench(self, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[PowerBench]:
        for name in ("supplied_bench.yaml", "supplied_board.yaml"):
            text = (PLANS / name).read_text().replace("VDD_MCU", "A").replace("VDD_SENSE", "B")
            (tmp_path / name).write_text(text)
        plan, clock = make_plan(tmp_path, "FEED_A", "FEED_B", 1), ManualClock()
        made: list[SimulatedBench] = []
        load = SimulatedBench.load
        monkeypatch.setattr(SimulatedBench, "load", lambda *a, **k: made.append(load(*a, **k)) or made[-1])
        ports = open_bench(plan, load_bench(tmp_path / "supplied_bench.yaml"), clock)
        yield PowerBench(
            power=ports.power,  # type: ignore[arg-type]  # one object has all duties
            plan=plan,
            clock=clock,
            truth_v=lambda rail: made[0].truth_v(rail, clock.now_s()),
            within_v=0.004,
            settle_s=0.1,
            beyond=BEYOND,
        )
        ports.close()


@pytest.fixture
def setup(tmp_path: Path) -> Setup:
    return Setup(tmp_path)


HIGH, LOW = RailLevel(rail="A", level="high"), RailLevel(rail="B", level="low")


def test_protection_is_set_and_read_back_before_the_first_move_and_restored_last(setup: Setup) -> None:
    setup.power.connect()
    baseline = setup.power.take_baseline()
    start = len(setup.emulator.sent)
    setup.power.move([HIGH])
    assert setup.set_since(start) == [
        "INST:NSEL 1;:VOLT:PROT 3.6", "INST:NSEL 1;:CURR 1.5",
        "INST:NSEL 2;:VOLT:PROT 1.98", "INST:NSEL 2;:CURR 0.8", "INST:NSEL 1;:VOLT 3.465",
    ]  # fmt: skip
    start = len(setup.emulator.sent)
    setup.power.restore(baseline)
    assert setup.set_since(start) == [
        "INST:NSEL 1;:VOLT 3.3", "INST:NSEL 2;:VOLT 1.8",
        "INST:NSEL 1;:CURR 5", "INST:NSEL 1;:VOLT:PROT 6", "INST:NSEL 2;:CURR 5", "INST:NSEL 2;:VOLT:PROT 6",
    ]  # fmt: skip
    assert setup.power.take_baseline() == baseline


def test_protection_is_set_once_and_again_after_a_restore(setup: Setup) -> None:
    setup.power.connect()
    baseline = setup.power.take_baseline()
    setup.power.move([HIGH])
    start = len(setup.emulator.sent)
    setup.power.move([LOW])
    assert setup.set_since(start) == ["INST:NSEL 2;:VOLT 1.71"]
    setup.power.restore(baseline)
    start = len(setup.emulator.sent)
    setup.power.move([LOW])
    assert "INST:NSEL 1;:CURR 1.5" in setup.set_since(start)


@pytest.mark.parametrize("refused", ["VOLT:PROT ", "CURR "])
def test_a_supply_that_takes_no_protection_moves_nothing(setup: Setup, refused: str) -> None:
    setup.power.connect()
    setup.emulator.refused = refused
    with pytest.raises(InstrumentError, match=r"refuses 'INST:NSEL 1;:.*-222"):
        setup.power.move([HIGH])
    assert setup.emulator.out[1]["VOLT"] == 3.3


def test_a_dialect_without_protection_moves_nothing(tmp_path: Path) -> None:
    words = "format: 1\ntitle: bare\nrole: supply\noutputs: 2\nselect: 'INST:NSEL {output}'\nprotection: null\n"
    (tmp_path / "bare.yaml").write_text(f"{words}ask_protection: null\n")
    setup = Setup(tmp_path, "bare")
    setup.power.connect()
    with pytest.raises(InstrumentError, match="no over-voltage protection, and a rail is not moved without"):
        setup.power.move([HIGH])
    assert setup.emulator.out[1]["VOLT"] == 3.3


def test_the_guard_refuses_before_anything_is_sent(setup: Setup) -> None:
    setup.power.connect()
    start = len(setup.emulator.sent)
    with pytest.raises(GuardRefusal, match="hard limits"):
        setup.power.move([LOW, BEYOND])
    assert setup.set_since(start) == []


def test_a_voltage_that_is_not_held_is_an_error_and_not_believed(setup: Setup) -> None:
    setup.power.connect()
    do = setup.emulator._do
    setup.emulator._do = lambda unit: do("VOLT 3.4" if unit == "VOLT 3.465" else unit)  # type: ignore[method-assign]
    with pytest.raises(BenchError, match=r"output 1 holds 3\.4 V where 3\.465 V was set"):
        setup.power.move([HIGH])


@pytest.mark.parametrize(
    ("bit", "register", "said"), [(1, "STATUS_VOUT", "over-voltage"), (2, "STATUS_IOUT", "over-current")]
)
def test_a_trip_is_captured_as_a_fault_and_the_rail_stays_off(setup: Setup, bit: int, register: str, said: str) -> None:
    setup.power.connect()
    setup.power.move([HIGH])
    setup.emulator.trip(1, bit)
    a, b = setup.power.capture()
    assert a.registers["STATUS_WORD"] & 0x40
    assert a.registers[register] == 0x80
    assert not b.registers["STATUS_WORD"]
    (reading,) = setup.power.read(["A"])
    assert (reading.status_word or 0) & 0x40
    with pytest.raises(DeviceRefused, match=f"A is off: {said} protection has tripped; it stays off"):
        setup.power.move([HIGH])
    with pytest.raises(UnsafeState, match="A is off"):
        setup.power.to_nominal()
    setup.power.clear(["A"])
    setup.power.turn_on(["A"])
    assert setup.emulator.out[1] | {} == setup.emulator.out[1] | {"VOLT": 3.3, "OUTP": 1.0, "TRIP": 0.0}


def test_an_output_that_is_off_gives_no_baseline(setup: Setup) -> None:
    setup.emulator.out[2]["OUTP"] = 0.0
    setup.power.connect()
    with pytest.raises(DeviceRefused, match="FEED has outputs off: B"):
        setup.power.take_baseline()


def test_a_supply_set_to_something_else_than_nominal_is_refused_and_named(setup: Setup) -> None:
    setup.emulator.out[2]["VOLT"] = 1.9
    setup.power.connect()
    with pytest.raises(NotAtNominal, match=r"B: its supply is set to 1\.9 V, the plan's nominal is 1\.8 V.*to-nominal"):
        setup.power.take_baseline()


def test_one_output_that_does_not_come_home_never_stops_the_other(setup: Setup) -> None:
    setup.power.connect()
    setup.power.move([HIGH, LOW])
    setup.emulator.refused = "VOLT 3.3"
    with pytest.raises(UnsafeState, match=r"not at nominal: A: .*refuses") as raised:
        setup.power.to_nominal()
    assert "B:" not in str(raised.value)
    assert setup.emulator.out[2]["VOLT"] == 1.8


def test_a_late_answer_is_asked_for_again_and_a_lost_link_is_said(setup: Setup) -> None:
    setup.power.connect()
    read, late = setup.emulator.read, [True]

    def slow(timeout_s: float) -> str:
        if late.pop() if late else False:
            raise TimeoutError
        return read(timeout_s)

    setup.emulator.read = slow  # type: ignore[method-assign]
    assert setup.power.read(["A"])[0].voltage_v == pytest.approx(3.3)

    def gone(timeout_s: float) -> Any:
        raise ConnectionResetError(104, "gone")

    setup.emulator.read = gone  # type: ignore[method-assign]
    with pytest.raises(InstrumentError, match="the link is gone"):
        setup.power.read(["A"])


def test_an_output_that_the_dialect_does_not_have_is_refused(tmp_path: Path) -> None:
    with pytest.raises(DeviceRefused, match=r"B: output 2 of FEED, and its dialect .* has 1"):
        Setup(tmp_path, "supply").power.connect()


def test_overload_is_no_voltage(setup: Setup) -> None:
    setup.power.connect()
    setup.emulator.out[1]["VOLT"] = 9.9e37
    with pytest.raises(InstrumentError, match="overload, or no number"):
        setup.power.read(["A"])


def test_answers_that_come_too_late_never_count_for_another_question(tmp_path: Path) -> None:
    """One answer in twelve is late by more than the time-out: nothing wrong is ever accepted."""
    setup = Setup(tmp_path)
    setup.power.connect()
    read, late, count = setup.emulator.read, [], [0]

    def slow(timeout_s: float) -> str:
        count[0] += 1
        setup.emulator.answers[:0] = late
        late.clear()
        if count[0] % 23 in (0, 1):
            # What is asked stays on its way: it comes before the answer to the next question.
            late.extend(setup.emulator.answers)
            setup.emulator.answers.clear()
            raise TimeoutError
        return read(timeout_s)

    setup.emulator.read = slow  # type: ignore[method-assign]
    setup.emulator.clear = lambda: None  # type: ignore[method-assign]
    told = {"VOLT?": 3.3, "CURR?": 5.0, "VOLT:PROT?": 6.0}
    failed = 0
    for _ in range(200):
        try:
            state = setup.power._rails["A"].state()
            look = setup.power._rails["A"].look()
        except BenchError:
            failed += 1
            continue
        assert (state.is_on, state.has_over_voltage, state.has_over_current) == (True, False, False)
        assert (look.voltage_v, look.current_limit_a, look.over_voltage_v) == tuple(told.values())
    assert 0 < failed < 200
