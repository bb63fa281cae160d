from collections.abc import Mapping
from dataclasses import dataclass, field
from statistics import NormalDist
from typing import Any

import pytest
from pydantic import ValidationError

from cornerrun.bench.simulated.board import BoardSettings, Threshold, margins, pass_probability, passes
from cornerrun.errors import CheckError


@dataclass(frozen=True)
class Rail:
    best_v: float


@dataclass(frozen=True, kw_only=True)
class View:
    readings: Mapping[str, Rail]
    conditions: Mapping[str, float] = field(default_factory=dict)
    visit: int = 0
    trial: int = 0
    seed: int = 1
    serial: str = "00123"


def view(core_v: float, ddr_v: float = 1.2, **fields: Any) -> View:
    return View(readings={"CORE": Rail(core_v), "DDR": Rail(ddr_v)}, **fields)


def board(**threshold: Any) -> BoardSettings:
    return BoardSettings.model_validate({"checks": {"march": {"thresholds": [{"rail": "CORE"} | threshold]}}})


EDGE = board(below="0.80 V", spread="4 mV")
PAIR = board(minus={"DDR": "50 %"}, below="0.18 V", spread="4 mV")


def share(settings: BoardSettings, shown: View, trials: int = 4000) -> float:
    return sum(passes(settings, "march", View(**{**vars(shown), "trial": trial})) for trial in range(trials)) / trials


def test_a_margin_counts_spreads_between_voltage_and_edge() -> None:
    assert margins(EDGE, "march", view(0.808)) == pytest.approx((2.0,))
    assert margins(board(above="0.90 V", spread="5 mV"), "march", view(0.92)) == pytest.approx((-4.0,))


def test_at_the_edge_half_of_all_trials_pass() -> None:
    # Four standard errors of a share of one half: 4 * 0.5 / sqrt(4000).
    assert share(EDGE, view(0.80)) == pytest.approx(0.5, abs=0.032)


@pytest.mark.parametrize("core_v", [0.794, 0.797, 0.802, 0.806])
def test_the_share_of_passes_follows_the_normal_distribution(core_v: float) -> None:
    expected = NormalDist(0.80, 0.004).cdf(core_v)
    assert pass_probability(EDGE, "march", view(core_v)) == pytest.approx(expected)
    assert share(EDGE, view(core_v)) == pytest.approx(expected, abs=0.032)


def test_far_from_the_edge_the_result_is_sure() -> None:
    assert share(EDGE, view(0.85), 500) == 1.0
    assert share(EDGE, view(0.75), 500) == 0.0


def test_a_pair_fails_only_where_both_rails_lean_the_wrong_way() -> None:
    nominal, core_low, ddr_high, both = view(0.85), view(0.8075), view(0.85, 1.26), view(0.8075, 1.26)
    assert min(pass_probability(PAIR, "march", one) for one in (nominal, core_low, ddr_high)) > 0.999
    assert 0.1 < pass_probability(PAIR, "march", both) < 0.5


def test_a_trial_is_a_function_of_seed_check_visit_and_trial_alone() -> None:
    shown = view(0.80)
    first = [passes(EDGE, "march", View(**{**vars(shown), "trial": trial})) for trial in range(64)]
    assert first == [passes(EDGE, "march", View(**{**vars(shown), "trial": trial})) for trial in range(64)]
    for changed in ({"seed": 2}, {"visit": 1}):
        other = [passes(EDGE, "march", View(**{**vars(shown), "trial": trial, **changed})) for trial in range(64)]
        assert other != first


def test_a_seed_given_replaces_the_views() -> None:
    shown = [view(0.80, trial=trial, seed=9) for trial in range(64)]
    assert [passes(EDGE, "march", one, 9) for one in shown] == [passes(EDGE, "march", one) for one in shown]
    assert [passes(EDGE, "march", one, 10) for one in shown] != [passes(EDGE, "march", one) for one in shown]


def test_every_threshold_must_hold() -> None:
    both = BoardSettings.model_validate(
        {
            "checks": {
                "march": {
                    "thresholds": [
                        {"rail": "CORE", "below": "0.80 V", "spread": "4 mV"},
                        {"rail": "DDR", "above": "1.25 V", "spread": "4 mV"},
                    ]
                }
            }
        }
    )
    assert pass_probability(both, "march", view(0.80, 1.25)) == pytest.approx(0.25)
    assert share(both, view(0.80, 1.25)) == pytest.approx(0.25, abs=0.028)


def test_heat_moves_an_edge_where_the_condition_is_set() -> None:
    hot = board(below="0.80 V", spread="4 mV", per_kelvin="0.2 mV")
    assert margins(hot, "march", view(0.80, conditions={"ambient": 65.0})) == pytest.approx((-2.0,))
    assert margins(hot, "march", view(0.80)) == pytest.approx((0.0,))


def test_units_differ_by_their_serial_number_and_keep_their_own_edge() -> None:
    spread = board(below="0.80 V", spread="4 mV", unit_spread="3 mV")
    one, other = (margins(spread, "march", view(0.80, serial=serial)) for serial in ("00123", "00124"))
    assert one != other
    assert margins(spread, "march", view(0.80, serial="00123", visit=7)) == one


def test_an_unknown_check_names_those_that_are_known() -> None:
    with pytest.raises(CheckError, match="knows no check 'walk'; it has 'march'"):
        passes(EDGE, "walk", view(0.8))


def test_a_rail_that_the_plan_does_not_have_is_named() -> None:
    with pytest.raises(CheckError, match="needs the voltage of 'DDR'"):
        passes(PAIR, "march", View(readings={"CORE": Rail(0.8)}))


@pytest.mark.parametrize(
    "section",
    [
        {"rail": "CORE", "spread": "1 mV"},
        {"rail": "CORE", "spread": "1 mV", "below": "1 V", "above": "2 V"},
    ],
)
def test_a_threshold_has_one_side(section: dict[str, str]) -> None:
    with pytest.raises(ValidationError, match="either 'below' or 'above'"):
        Threshold.model_validate(section)


@pytest.mark.parametrize("spread", ["0 V", "-1 mV", "0.004"])
def test_a_spread_is_a_positive_voltage(spread: str) -> None:
    with pytest.raises(ValidationError):
        Threshold.model_validate({"rail": "CORE", "below": "0.8 V", "spread": spread})


FREQUENCY = {"voltage": "2 mV", "per": "10 MHz", "at": "100 MHz"}


def check(**fields: Any) -> BoardSettings:
    return BoardSettings.model_validate({"checks": {"march": fields}})


def test_a_faster_clock_moves_an_edge_inward() -> None:
    fast = board(below="0.80 V", spread="4 mV", frequency=FREQUENCY)
    assert margins(fast, "march", view(0.80, conditions={"clock": 120e6})) == pytest.approx((-1.0,))
    assert margins(fast, "march", view(0.80, conditions={"clock": 80e6})) == pytest.approx((1.0,))
    assert margins(fast, "march", view(0.80)) == pytest.approx((0.0,))
    above = board(above="0.90 V", spread="4 mV", frequency=FREQUENCY)
    assert margins(above, "march", view(0.90, conditions={"clock": 120e6})) == pytest.approx((-1.0,))


def test_a_function_may_fail_by_temperature_alone() -> None:
    hot = check(temperatures=[{"above": "85 degC", "spread": "2 degC"}, {"below": "-20 degC", "spread": "2 degC"}])
    assert margins(hot, "march", view(0.8, conditions={"ambient": 81.0})) == pytest.approx((2.0, 50.5))
    assert pass_probability(hot, "march", view(0.8, conditions={"ambient": 85.0})) == pytest.approx(0.5)


def test_a_function_may_fail_by_frequency_alone() -> None:
    fast = check(frequencies=[{"above": "400 MHz", "spread": "5 MHz"}])
    assert share(fast, view(0.8, conditions={"clock": 400e6})) == pytest.approx(0.5, abs=0.032)
    assert share(fast, view(0.8, conditions={"clock": 350e6}), 300) == 1.0


def test_a_condition_that_the_plan_does_not_set_is_named() -> None:
    with pytest.raises(CheckError, match="needs the condition 'clock'; the plan sets 'ambient'"):
        passes(
            check(frequencies=[{"above": "1 MHz", "spread": "1 Hz"}]), "march", view(0.8, conditions={"ambient": 25.0})
        )


@dataclass(frozen=True, kw_only=True)
class ToldView(View):
    board: Mapping[str, str] = field(default_factory=dict)


def told(core_v: float, **state: str) -> ToldView:
    return ToldView(readings={"CORE": Rail(core_v)}, conditions={"ambient": 25.0}, board=state)


def test_the_temperature_of_the_silicon_is_what_the_bench_says() -> None:
    own = board(below="0.80 V", spread="4 mV", per_kelvin="0.2 mV", condition="junction")
    assert margins(own, "march", told(0.80, junction="65.0")) == pytest.approx((-2.0,))
    assert margins(own, "march", told(0.80)) == pytest.approx((0.0,))


def test_damage_and_hysteresis_move_edges_inward_as_the_bench_says() -> None:
    own = board(below="0.80 V", spread="4 mV", hysteresis="8 mV")
    assert margins(own, "march", told(0.80, **{"shift march": "0.004"})) == pytest.approx((-1.0,))
    assert margins(own, "march", told(0.80, crossed="other/0\nmarch/0")) == pytest.approx((-2.0,))
    assert margins(own, "march", told(0.80, crossed="march/1")) == pytest.approx((0.0,))


def test_intermittent_faults_have_their_rate_at_any_voltage() -> None:
    loose = check(intermittent={"rate": "10 %"})
    # Four standard errors of a share of 10 % in 4000.
    assert share(loose, view(0.85)) == pytest.approx(0.90, abs=0.019)
    assert pass_probability(loose, "march", view(0.85)) == pytest.approx(0.90)


def test_intermittent_faults_come_in_bursts() -> None:
    loose = check(intermittent={"rate": "10 %", "burst": "10"})
    passed = [passes(loose, "march", view(0.85, trial=trial)) for trial in range(2000)]
    assert all(len(set(passed[start : start + 10])) == 1 for start in range(0, 2000, 10))
    assert 0.7 < sum(passed) / 2000 < 0.98
