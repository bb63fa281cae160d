"""Reading what devices hold through the drivers, and writing nothing but PAGE."""

import shutil
from pathlib import Path

import pytest

from cornerrun.bench.bench import bench_identity
from cornerrun.bench.lock import hold_bench
from cornerrun.bench.pmbus.commands import PAGE
from cornerrun.bench.pmbus.profile import load_profile
from cornerrun.bench.simulated.bench import SimulatedBench
from cornerrun.clock import ManualClock
from cornerrun.plan.load import load_bench, load_plan
from cornerrun.preflight import device_reading
from cornerrun.preflight.device_reading import read_values
from cornerrun.preflight.facts import gather
from cornerrun.preflight.rules import apply_rules, findings

PLANS = Path(__file__).parents[2] / "plans"


class Recording:
    """Passes messages on to a simulated link, and keeps what is written."""

    def __init__(self, link) -> None:
        self._link = link
        self.written: list[tuple[int, int]] = []

    def __getattr__(self, name: str):
        def call(address: int, command: int = -1, *data):
            if name.startswith("write"):
                self.written.append((command, data[0] if data else -1))
            return getattr(self._link, name)(address, command, *data)

        return call if name.startswith(("read_", "write_", "block_")) else getattr(self._link, name)

    pec = 1

    def close(self) -> None:
        self._link.close()


@pytest.fixture
def desk(tmp_path: Path) -> Path:
    for path in PLANS.glob("quickstart*"):
        shutil.copy2(path, tmp_path)
    return tmp_path


def spoil(path: Path, old: str, new: str) -> None:
    text = path.read_text(encoding="utf-8")
    assert old in text, old
    path.write_text(text.replace(old, new), encoding="utf-8")


def test_reads_limits_of_a_simulated_bench(desk: Path) -> None:
    plan, bench = load_plan(desk / "quickstart.yaml"), load_bench(desk / "quickstart_bench.yaml")
    values = read_values(plan, bench, {"generic": load_profile("generic", desk)})
    assert values.trouble == {}
    assert {*values.rails} == {"VDD_CORE", "VDD_SRAM", "VDDQ", "VDD_IO", "VDD_AUX"}
    held = values.rails["VDD_CORE"]
    # The simulated manager powers up with OV fault 15 % and UV fault 15 % away from nominal, to a step of 1/4096 V.
    assert held.limits_v["ov_fault"] == pytest.approx(1.15 * 0.85, abs=1 / 4096)
    assert held.limits_v["uv_fault"] == pytest.approx(0.85 * 0.85, abs=1 / 4096)


def test_writes_nothing_but_page_and_puts_it_back(desk: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    bench = SimulatedBench.load(desk / "quickstart_board.yaml", ManualClock())
    link = Recording(bench.link("main"))
    link._link.write_byte_data(0x40, PAGE, 3)
    monkeypatch.setattr(device_reading, "link_driver", lambda _: ((lambda *_: link), ""))
    plan, file = load_plan(desk / "quickstart.yaml"), load_bench(desk / "quickstart_bench.yaml")
    assert len(read_values(plan, file, {"generic": load_profile("generic", desk)}).rails) == 5
    assert {command for command, _ in link.written} == {PAGE}
    assert link.written[-1] == (PAGE, 3)
    assert bench.link("main").read_byte_data(0x40, PAGE) == 3


def test_a_collision_with_what_a_device_holds_stops_a_run_before_the_bench_is_touched(desk: Path) -> None:
    board, plan = desk / "quickstart_board.yaml", desk / "quickstart.yaml"
    spoil(board, "    time_constant: 6 ms\n", "    time_constant: 6 ms\n    limits: {ov_fault: 1.266 V}\n")
    facts = gather(load_plan(plan), load_bench(desk / "quickstart_bench.yaml"), None)
    errors = [item for item in apply_rules(facts) if item.severity == "error"]
    # VDDQ high is 5161/4096 V = 1.260010 V, at worst 1.266310 V; 1.266 V is 5186/4096 = 1.266113 V as a word.
    assert [(item.rule, item.rail) for item in errors] == [("device limits", "VDDQ")]
    assert "high at 1.26 V may come to 1.2663 V (accuracy 0.5 %), and ov_fault in the device of 1.2661 V" in (
        errors[0].numbers
    )
    spoil(board, "ov_fault: 1.266 V", "ov_fault: 1.2665 V")
    near = findings(load_plan(plan), load_bench(desk / "quickstart_bench.yaml"))
    assert [item for item in near if item.severity == "error"] == []


def test_a_bus_that_cannot_be_reached_is_told_and_the_plan_reckoned_with(desk: Path) -> None:
    spoil(desk / "quickstart_bench.yaml", "link: simulated", "link: 'tcp:127.0.0.1:9'")
    plan, bench = load_plan(desk / "quickstart.yaml"), load_bench(desk / "quickstart_bench.yaml")
    facts = gather(plan, bench, None, may_open=True)
    assert facts.values.rails == {}
    told = [item for item in apply_rules(facts) if item.rule == "not checked" and item.severity == "warning"]
    assert len(told) == 1
    assert told[0].numbers.startswith("PM1 could not be read: ")
    # Unless a person names the bench, no link is opened at all.
    assert gather(plan, bench, None).values.trouble == {}


def test_a_bench_that_somebody_holds_is_left_alone(desk: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    spoil(desk / "quickstart_bench.yaml", "link: simulated", "link: 'tcp:127.0.0.1:9'")
    plan, bench = load_plan(desk / "quickstart.yaml"), load_bench(desk / "quickstart_bench.yaml")
    monkeypatch.setattr("tempfile.gettempdir", lambda: str(desk))
    with hold_bench(bench_identity(bench), purpose="another run"):
        values = read_values(plan, bench, {"generic": load_profile("generic", desk)}, may_open=True)
    assert {*values.trouble} == {"PM1"}
    assert "is held by" in values.trouble["PM1"]
