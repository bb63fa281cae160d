"""Conditions that leave a frosted board, or change one that nothing can sense."""

from dataclasses import replace
from pathlib import Path

import pytest

from cornerrun.plan.load import load_bench, load_plan
from cornerrun.plan.model import Acceptance, AcceptAt, SettleAt
from cornerrun.preflight.rules import findings

PLANS = Path(__file__).parents[2] / "plans"


@pytest.fixture(scope="module")
def logger():
    return load_plan(PLANS / "four_corners.yaml"), load_bench(PLANS / "four_corners_bench.yaml")


def found(logger, *, bench=lambda bench: bench, power=lambda power: power, **ambient):
    plan, bench_file = logger
    changed = tuple(replace(one, **ambient) if one.name == "ambient" else one for one in plan.conditions)
    plan = replace(plan, conditions=changed, power_up=power(plan.power_up))
    rules = ("cold boot", "dew point")
    return [(item.severity, item.numbers) for item in findings(plan, bench(bench_file)) if item.rule in rules]


def test_the_demo_is_sound(logger):
    assert found(logger) == []


@pytest.mark.parametrize(
    ("ambient", "severity", "said"),
    [
        ({"rest": None}, "warning", "nothing says where it is left at the end"),
        ({"rest": 5.0}, "error", "left at 5 degC, and water settles below 10.4 degC"),
        ({"rest": 12.0}, "warning", "1.6 K above the dew point of 10.4 degC"),
        ({"dew_point_degc": None}, "note", "goes down to -20 degC, and nothing tells the dew point"),
    ],
)
def test_a_board_that_would_end_below_the_dew_point_is_told(logger, ambient, severity, said):
    (one,) = found(logger, **ambient)
    assert one[0] == severity
    assert said in one[1]


@pytest.mark.parametrize(
    "ambient",
    [
        {"rest": 14.0},
        {"dew_point_degc": None, "levels": {"room": 25.0, "hot": 70.0}, "cold_boots": ()},
        {"rest": None, "levels": {"room": 25.0, "hot": 70.0}, "cold_boots": ()},
    ],
)
def test_near_neighbours_that_end_dry_pass(logger, ambient):
    assert found(logger, **ambient) == []


def test_a_sensor_that_has_no_power_while_the_input_is_cut_is_told(logger):
    cut = lambda power: replace(power, by="input power")  # noqa: E731
    (one,) = found(logger, power=cut)
    assert one[0] == "error"
    assert "the device of VDD_MCU, which has no power" in one[1]

    def by_chamber(bench):
        ambient = bench.conditions["ambient"]
        own = replace(ambient, soak=replace(ambient.soak, sensor="instrument"))
        return replace(bench, conditions={**bench.conditions, "ambient": own})

    assert found(logger, power=cut, bench=by_chamber) == []


@pytest.mark.parametrize(("timeout_s", "severity"), [(0.3, "error"), (0.75, "warning"), (3.0, None)])
def test_a_rail_that_has_no_time_to_settle_at_one_level_is_told_with_that_level(logger, timeout_s, severity):
    plan, bench_file = logger
    # Conversions every 50 ms and a hold of 400 ms in the cold: 450 ms and the way there at least.
    slow = SettleAt(condition="ambient", level="cold", stable_for_s=0.4, timeout_s=timeout_s)
    rails = tuple(replace(rail, settle_at=(slow,)) if rail.name == "VDD_MCU" else rail for rail in plan.rails)
    found = [item for item in findings(replace(plan, rails=rails), bench_file) if item.rule == "settling"]
    assert [(item.rail, item.severity) for item in found] == ([("VDD_MCU", severity)] if severity else [])
    assert all("@ ambient cold" in item.numbers for item in found)


def test_an_error_ratio_that_only_one_level_limits_must_be_counted_too(logger):
    plan, bench_file = logger
    ratio = AcceptAt(condition="ambient", level="cold", accept={"ber": Acceptance(max=1e-12)})
    counted = replace(ratio, accept={**ratio.accept, "bits": Acceptance(min=3e12)})
    said = {}
    for name, accepted in (("bare", ratio), ("counted", counted)):
        checks = tuple(replace(check, accept_at=(accepted,)) for check in plan.checks[:1])
        found = findings(replace(plan, checks=checks), bench_file)
        said[name] = [item for item in found if item.rule == "error ratio" and item.severity == "error"]
    (one,) = said["bare"]
    assert "asks for no count of what was sent" in one.numbers
    assert one.numbers.endswith("(at ambient cold)")
    assert said["counted"] == []
