"""Published properties of sea water."""

from __future__ import annotations


def mackenzie_1981(temperature_c: float, salinity: float, depth_m: float) -> float:
    """Speed of sound in sea water, m/s; temperature in °C, practical salinity, depth in m.

    Mackenzie 1981, J. Acoust. Soc. Am. 70, 807-812, the nine-term equation. Stated range: 2 to 30 °C, salinity 25 to
    40, depth to 8000 m; outside it the equation is evaluated all the same.
    """
    t, s, d = temperature_c, salinity - 35.0, depth_m
    thermal = 1448.96 + 4.591 * t - 5.304e-2 * t**2 + 2.374e-4 * t**3
    saline = 1.340 * s - 1.025e-2 * t * s
    pressure = 1.630e-2 * d + 1.675e-7 * d**2 - 7.139e-13 * t * d**3
    return thermal + saline + pressure


def within_mackenzie_1981(temperature_c: float, salinity: float) -> bool:
    """Whether temperature in °C and practical salinity lie in the range that Mackenzie states for the equation."""
    return 2.0 <= temperature_c <= 30.0 and 25.0 <= salinity <= 40.0
