"""At which temperature the water of a room's air settles."""

from math import log

__all__ = ["dew_point_degc"]

# Magnus formula over water with the constants of Sonntag (1990), as in the WMO Guide to Instruments and Methods of
# Observation, annex 4.B (from memory): good to 0.1 degC from -45 to 60 degC.
_A, _B_DEGC = 17.62, 243.12


def dew_point_degc(temperature_degc: float, humidity_ratio: float) -> float:
    """Tell the dew point of air at a temperature and a relative humidity from 0 to 1, in degrees Celsius.

    Raises:
        ValueError: the humidity is none, or the temperature lies outside -45 to 60 degC.

    """
    if not 0.0 < humidity_ratio <= 1.0 or not -45.0 <= temperature_degc <= 60.0:
        raise ValueError(f"no dew point of air at {temperature_degc:g} degC, {humidity_ratio:g} of saturation")
    gamma = log(humidity_ratio) + _A * temperature_degc / (_B_DEGC + temperature_degc)
    return _B_DEGC * gamma / (_A - gamma)
