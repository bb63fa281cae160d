"""Conditions that leave a frosted board, or change one that nothing can sense."""

from dataclasses import replace
from pathlib import Path

import pytest

from cornerrun.plan.load import load_bench, load_plan
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
