"""Published properties of sea water."""

from __future__ import annotations

import math


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


def francois_garrison_1982(
    frequency_hz: float, temperature_c: float, salinity: float, depth_m: float, ph: float = 8.0
) -> float:
    """Absorption of sound in sea water, dB/km; temperature in °C, practical salinity, depth in m.

    Francois and Garrison 1982, J. Acoust. Soc. Am. 72, 896-907 and 1879-1890: boric acid, magnesium sulphate and pure
    water. Stated range: 200 Hz to 1 MHz, -2 to 22 °C (boric acid term to 30), salinity 30 to 35, depth to 3500 m;
    outside it the equation is evaluated all the same.
    """
    f, t, s, d = frequency_hz / 1000.0, temperature_c, salinity, depth_m
    speed = 1412.0 + 3.21 * t + 1.19 * s + 0.0167 * d
    boric = 8.86 / speed * 10.0 ** (0.78 * ph - 5.0)
    f1 = 2.8 * math.sqrt(s / 35.0) * 10.0 ** (4.0 - 1245.0 / (t + 273.0))
    sulphate = 21.44 * s / speed * (1.0 + 0.025 * t) * (1.0 - 1.37e-4 * d + 6.2e-9 * d**2)
    f2 = 8.17 * 10.0 ** (8.0 - 1990.0 / (t + 273.0)) / (1.0 + 0.0018 * (s - 35.0))
    cold = 4.937e-4 - 2.59e-5 * t + 9.11e-7 * t**2 - 1.50e-8 * t**3
    warm = 3.964e-4 - 1.146e-5 * t + 1.45e-7 * t**2 - 6.5e-10 * t**3
    water = (cold if t <= 20.0 else warm) * (1.0 - 3.83e-5 * d + 4.9e-10 * d**2)
    return float(boric * f1 * f**2 / (f**2 + f1**2) + sulphate * f2 * f**2 / (f**2 + f2**2) + water * f**2)


def ainslie_mccolm_1998(
    frequency_hz: float, temperature_c: float, salinity: float, depth_m: float, ph: float = 8.0
) -> float:
    """Absorption of sound in sea water, dB/km: Ainslie and McColm 1998, J. Acoust. Soc. Am. 103, 1671-1672.

    A simpler form of Francois and Garrison's, within 10 % of it from 100 Hz to 1 MHz for -6 to 35 °C, salinity 5 to
    50, pH 7.7 to 8.3 and depths to 7 km.
    """
    f, t, z = frequency_hz / 1000.0, temperature_c, depth_m / 1000.0
    f1, f2 = 0.78 * math.sqrt(salinity / 35.0) * math.exp(t / 26.0), 42.0 * math.exp(t / 17.0)
    boric = 0.106 * f1 * f**2 / (f**2 + f1**2) * math.exp((ph - 8.0) / 0.56)
    sulphate = 0.52 * (1.0 + t / 43.0) * (salinity / 35.0) * f2 * f**2 / (f**2 + f2**2) * math.exp(-z / 6.0)
    return boric + sulphate + 0.00049 * f**2 * math.exp(-(t / 27.0 + z / 17.0))
