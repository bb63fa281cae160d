import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from cornerrun.bench.simulated.instruments.heat import Air, Leg, begin_leg, damping_of


def step(air: Air, *, rise_k: float = 60.0, rate_k_per_s: float = 0.0, soak_s: float = 0.0) -> Leg:
    """From rest at 25 degC to a setpoint that stands ``rise_k`` higher, or that ramps from there."""
    return begin_leg(
        start_s=0.0,
        setpoint_degc=25.0 + rise_k,
        rate_k_per_s=rate_k_per_s,
        air=air,
        air_degc=25.0,
        air_slope_k_per_s=0.0,
        product_degc=25.0,
        soak_s=soak_s,
    )


@pytest.mark.parametrize(
    ("tolerance", "time_constants"),
    # First-order settling, t = -ln(tolerance) time constants: an identity (check value 12A1).
    [(0.10, 2.302585), (0.05, 2.995732), (0.02, 3.912023), (0.01, 4.605170), (0.001, 6.907755), (0.0001, 9.210340)],
)
def test_a_first_order_chamber_settles_in_the_time_that_theory_says(tolerance: float, time_constants: float) -> None:
    leg = step(Air(time_constant_s=100.0))
    assert (85.0 - leg.air_at(100.0 * time_constants)) / 60.0 == pytest.approx(tolerance, rel=1e-5)


def test_behind_a_ramp_the_air_lags_by_one_time_constant_of_it() -> None:
    leg = step(Air(time_constant_s=60.0), rise_k=0.0, rate_k_per_s=0.05, soak_s=300.0)
    assert leg.setpoint_at(6000.0) - leg.air_at(6000.0) == pytest.approx(0.05 * 60.0)
    assert leg.setpoint_at(6000.0) - leg.product_at(6000.0) == pytest.approx(0.05 * (60.0 + 300.0), rel=1e-4)


def test_the_overshoot_of_a_step_is_that_of_its_damping() -> None:
    # Damping 0.5 overshoots by 16.3034 %: check value 12A4, computed, no published figure.
    assert damping_of(0.163034) == pytest.approx(0.5, abs=1e-5)
    leg = step(Air(time_constant_s=60.0, damping=0.5))
    peak = max(leg.air_at(second / 10) for second in range(6000))
    assert (peak - 85.0) / 60.0 == pytest.approx(0.163034, abs=1e-5)


@pytest.mark.parametrize("tolerance_and_time", [(0.02, 8.0764), (0.01, 8.7806), (0.001, 12.7017)])
def test_a_second_order_chamber_settles_in_the_time_that_theory_says(tolerance_and_time: tuple[float, float]) -> None:
    # omega t for damping 0.5: check value 12A4, numeric, grid 1e-4; computed, no published figure.
    tolerance, omega_t = tolerance_and_time
    air = Air(time_constant_s=2.0, damping=0.5)  # zeta omega = 1 / tau, so that omega is 1
    leg = step(air)
    outside = [t / 1000 for t in range(20000) if abs(leg.air_at(t / 1000) - 85.0) > tolerance * 60.0]
    assert max(outside) == pytest.approx(omega_t, abs=2e-3)


def test_the_product_follows_as_the_second_of_two_equal_lags() -> None:
    # Two equal first-order lags: 1 - (1 + t / tau) exp(-t / tau), textbook, from memory.
    leg = step(Air(time_constant_s=100.0), soak_s=100.0)
    for at_s in (50.0, 100.0, 400.0):
        expected = 1 - (1 + at_s / 100.0) * math.exp(-at_s / 100.0)
        assert (leg.product_at(at_s) - 25.0) / 60.0 == pytest.approx(expected, abs=1e-5)


@given(
    st.floats(1.0, 1e4),
    st.one_of(st.none(), st.floats(0.05, 0.99)),
    st.floats(0.0, 1e4),
    st.floats(-1.0, 1.0),
    st.floats(0.0, 5e3),
)
def test_a_leg_goes_on_where_the_one_before_was(
    tau_s: float, damping: float | None, soak_s: float, rate: float, turn_s: float
) -> None:
    air = Air(time_constant_s=tau_s, damping=damping)
    before = step(air, rate_k_per_s=rate, soak_s=soak_s)
    after = begin_leg(
        start_s=turn_s,
        setpoint_degc=-40.0,
        rate_k_per_s=0.0,
        air=air,
        air_degc=before.air_at(turn_s),
        air_slope_k_per_s=before.air_slope_at(turn_s),
        product_degc=before.product_at(turn_s),
        soak_s=soak_s,
    )
    assert after.air_at(turn_s) == pytest.approx(before.air_at(turn_s), abs=1e-6)
    assert after.product_at(turn_s) == pytest.approx(before.product_at(turn_s), abs=1e-3)
    if damping is not None:
        assert after.air_slope_at(turn_s) == pytest.approx(before.air_slope_at(turn_s), abs=1e-6)
    end_s = turn_s + 60 * (tau_s + soak_s)
    assert after.product_at(end_s) == pytest.approx(-40.0, abs=1e-3)
