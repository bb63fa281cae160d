from dataclasses import replace

import pytest

from cornerrun.plan.load import load_plan
from cornerrun.plan.supply import Response, Trim
from cornerrun.preflight.arrival import arrival
from cornerrun.preflight.device_values import DeviceValues
from cornerrun.preflight.levels import RailLevels, rail_levels


@pytest.fixture
def rail(looked, tmp_path):
    """CORE with what is known of its supply replaced, its band a share of the target."""
    looked()
    (found, *_) = rail_levels(load_plan(tmp_path / "plan.yaml"), {}, {}, {})

    def build(*, band: float = 0.01, slew: float | None = None, **parts: object) -> RailLevels:
        core = found.rail
        settle = replace(core.settle, band_ratio=band)
        values = None
        if slew is not None:
            values = DeviceValues(vout_mode=0x14, command_word=3482, command_v=0.85, slew_v_per_s=slew)
        return replace(found, rail=replace(core, settle=settle, supply=replace(core.supply, **parts)), values=values)

    return build


def test_a_trim_of_ten_bits_takes_171_steps_for_five_per_cent_of_a_volt(rail) -> None:
    # 10 bits over plus and minus 15 % of 1 V: 0.293 mV a step; 17 s at one step in 100 ms (computed, not published).
    found = rail(trim=Trim(step_v=0.3 / 1024, update_s=0.1))
    there = arrival(found, 1.0, 1.05)
    assert there.time_s == pytest.approx(17.1)
    assert there.parts == "171 trim steps of 100 ms"


@pytest.mark.parametrize(("band", "constants"), [(0.01, 4.6), (0.001, 6.9), (0.0001, 9.2)])
def test_time_constants_into_a_band(rail, band: float, constants: float) -> None:
    # 4.6 to 1 %, 6.9 to 0.1 %, 9.2 to 0.01 % (computed: the natural logarithm).
    found = rail(band=band, response=Response(time_constant_s=1.0))
    assert arrival(found, 0.0, 1.0).time_s == pytest.approx(constants, abs=0.05)


def test_the_slower_of_ramp_and_trim_counts_and_the_time_constant_follows(rail) -> None:
    found = rail(response=Response(slew_v_per_s=0.1, time_constant_s=0.1), trim=Trim(step_v=0.001, update_s=0.001))
    # 50 mV: the ramp takes 0.5 s, 50 steps 0.05 s; ln(50 / 10.5) = 1.56 time constants after that.
    assert arrival(found, 1.0, 1.05).time_s == pytest.approx(0.5 + 0.1 * 1.5606, rel=1e-3)


def test_the_rate_that_the_device_holds_stands_before_the_plans(rail) -> None:
    found = rail(slew=1.0, response=Response(slew_v_per_s=0.1))
    assert arrival(found, 1.0, 1.05).time_s == pytest.approx(0.05)


def test_nothing_known_is_nothing_said(rail) -> None:
    there = arrival(rail(), 1.0, 1.05)
    assert (there.time_s, there.parts) == (0.0, "")
