"""The dew point of a room's air, against tables."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from cornerrun.plan.dew_point import dew_point_degc

# Psychrometric tables at sea level, as meteorological handbooks print them (from memory).
TABLE = [
    (20.0, 0.5, 9.3),
    (25.0, 0.5, 13.9),
    (25.0, 0.6, 16.7),
    (30.0, 0.8, 26.2),
    (23.0, 0.45, 10.4),
    (10.0, 0.7, 4.8),
]


@pytest.mark.parametrize(("temperature", "humidity", "dew_point"), TABLE)
def test_it_is_that_of_the_tables(temperature, humidity, dew_point):
    assert dew_point_degc(temperature, humidity) == pytest.approx(dew_point, abs=0.1)


@given(st.floats(-45, 60), st.floats(0.01, 1.0))
def test_it_is_never_above_the_temperature_and_reaches_it_in_saturated_air(temperature, humidity):
    assert dew_point_degc(temperature, humidity) <= temperature + 1e-9
    assert dew_point_degc(temperature, 1.0) == pytest.approx(temperature, abs=1e-9)


@pytest.mark.parametrize(("temperature", "humidity"), [(20.0, 0.0), (20.0, 1.1), (80.0, 0.5), (-60.0, 0.5)])
def test_air_that_it_does_not_hold_for_is_refused(temperature, humidity):
    with pytest.raises(ValueError, match="no dew point"):
        dew_point_degc(temperature, humidity)
