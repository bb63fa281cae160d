import math
from dataclasses import dataclass

import pytest

from cornerrun.bench.simulated.board_settings import HeatingSettings, OverStress
from cornerrun.bench.simulated.board_wear import Damage, Heat
from cornerrun.bench.simulated.output import MovedOutput


@dataclass(frozen=True)
class Rail:
    name: str
    nominal: float
    load: float
    power: object | None = None


def heated() -> tuple[Heat, MovedOutput]:
    output = MovedOutput(1.0)
    heat = Heat(
        HeatingSettings.model_validate({"rise": "20 degC", "time_constant": "100 s"}),
        rails=[Rail("A", 1.0, 3.0), Rail("B", 1.0, 1.0)],
        outputs={"A": output, "B": MovedOutput(1.0)},
        ambient_degc=lambda at_s: 25.0,
        now_s=0.0,
    )
    return heat, output


def test_at_nominal_it_is_warmer_than_ambient_by_the_rise() -> None:
    heat, _ = heated()
    assert heat.degc(0.0) == heat.degc(1e4) == pytest.approx(45.0)


def test_power_goes_with_the_square_of_voltage_and_heat_follows_it_as_a_first_order_system() -> None:
    heat, output = heated()
    output.go(0.0, 1.05, time_constant_s=0.0)
    # Three quarters of the power, up by 10.25 % at 5 % more voltage: computed, no published figure.
    rise_k = 20.0 * (0.75 * 1.1025 + 0.25)
    assert heat.degc(1e5) == pytest.approx(25.0 + rise_k)
    assert heat.degc(100.0) == pytest.approx(25.0 + rise_k + (20.0 - rise_k) / math.e)


def test_a_check_warms_while_it_runs() -> None:
    heat, _ = heated()
    heat.run("march", 10.0, 0.0)
    assert heat.degc(100.0) == pytest.approx(45.0 + 10.0 * (1 - 1 / math.e))
    heat.run("march", 0.0, 1000.0)
    assert heat.degc(5000.0) == pytest.approx(45.0)


def test_damage_counts_the_time_above_and_stays() -> None:
    damage = Damage(
        OverStress.model_validate(
            {"rail": "A", "above": "1.1 V", "shift": "8 mV", "after": "10 s", "checks": ["march"]}
        )
    )
    damage.stress(True, 100.0)
    damage.stress(False, 106.0)
    damage.stress(True, 200.0)
    assert damage.stressed_s(204.0) == pytest.approx(10.0)
    damage.stress(False, 204.0)
    assert damage.shift_v("march", 1e6) == pytest.approx(8e-3 * (1 - 1 / math.e))
    assert damage.shift_v("other", 1e6) == 0.0
