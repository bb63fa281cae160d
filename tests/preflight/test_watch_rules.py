import pytest

from cornerrun.plan.load import load_bench, load_plan
from cornerrun.preflight.facts import gather
from cornerrun.preflight.watch_rules import sweep_s

# Two rails on one device at 100 kHz with PEC: PAGE written 38 bits, STATUS_WORD and READ_VOUT 57 bits each, PAGE read
# 48 bits: 200 bits a rail, 4 ms in all. (START, repeated START and STOP one bit time each, nine a byte; from memory.)
SWEEP_S = 0.004


def test_a_sweep_takes_four_messages_a_rail(looked, tmp_path) -> None:
    looked()
    facts = gather(load_plan(tmp_path / "plan.yaml"), load_bench(tmp_path / "bench.yaml"), None, {})
    assert sweep_s(facts) == pytest.approx(SWEEP_S, rel=1e-9)


def test_a_table_of_bus_times_is_met(looked, tmp_path) -> None:
    # 64 rails at 100 kHz with PEC, STATUS_WORD and READ_VOUT of each: 97 ms where PAGE is written and not verified
    # (computed elsewhere for such a bus). Without the verification: 152 bits a rail, 64 of them are 97.28 ms.
    looked()
    facts = gather(load_plan(tmp_path / "plan.yaml"), load_bench(tmp_path / "bench.yaml"), None, {})
    assert (sweep_s(facts) / 2 - 48e-5) * 64 == pytest.approx(0.097, abs=0.0005)


@pytest.mark.parametrize(("period", "severity"), [("3.9 ms", "error"), ("7.9 ms", "warning"), ("8.1 ms", None)])
def test_a_watch_that_the_bus_cannot_carry_is_told(looked, period: str, severity: str | None) -> None:
    found = looked(("channels: {CORE", f"watch: {{period: {period}}}\nchannels: {{CORE"))
    assert [(item.severity, item.rule) for item in found] == ([(severity, "watch")] if severity else [])
