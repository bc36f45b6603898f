"""Air in and round the drum: speed of sound and density from temperature, humidity and pressure."""

from __future__ import annotations

from dataclasses import replace
from math import exp, sqrt

from ..records import Air

_R = 8.314472  # J/(mol K), the value that CIPM-2007 uses


def with_properties(air: Air) -> Air:
    """``air`` with speed of sound and density computed where a temperature is given, else unchanged.

    Humidity defaults to 50 % and pressure to 1013.25 hPa when only the temperature is known.
    """
    if air.temperature_c is None:
        return air
    humidity = 50.0 if air.humidity_percent is None else air.humidity_percent
    pressure = 101325.0 if air.pressure_hpa is None else air.pressure_hpa * 100.0
    return replace(
        air,
        speed_of_sound=speed_of_sound(air.temperature_c, humidity, pressure=pressure),
        density=density(air.temperature_c, humidity, pressure=pressure),
    )


def saturation_pressure(temperature_c: float) -> float:
    """Saturation vapour pressure of water [Pa] at ``temperature_c`` [C], CIPM-2007 eq. (A1.1).

    Source: Picard, Davis, Glaeser & Fujii 2008, Metrologia 45:149.
    """
    t = temperature_c + 273.15
    return exp(1.2378847e-5 * t * t - 1.9121316e-2 * t + 33.93711047 - 6.3431645e3 / t)


def vapour_fraction(temperature_c: float, humidity_percent: float, *, pressure: float = 101325.0) -> float:
    """Mole fraction of water vapour [1], with the enhancement factor of CIPM-2007."""
    factor = 1.00062 + 3.14e-8 * pressure + 5.6e-7 * temperature_c**2
    return humidity_percent / 100.0 * factor * saturation_pressure(temperature_c) / pressure


def density(temperature_c: float, humidity_percent: float, *, pressure: float = 101325.0) -> float:
    """Density [kg/m3] of moist air, CIPM-2007: rho = p Ma / (Z R T) (1 - x_v (1 - Mv/Ma)).

    Range 15-27 C at 1e-4; outside still better than 1e-3. Source: Picard et al. 2008, Metrologia 45:149.
    """
    t = temperature_c + 273.15
    x = vapour_fraction(temperature_c, humidity_percent, pressure=pressure)
    tc, p = temperature_c, pressure
    z = 1 - p / t * (
        1.58123e-6 - 2.9331e-8 * tc + 1.1043e-10 * tc**2 + (5.707e-6 - 2.051e-8 * tc) * x
        + (1.9898e-4 - 2.376e-6 * tc) * x**2
    ) + (p / t) ** 2 * (1.83e-11 - 0.765e-8 * x**2)
    return p * 28.96546e-3 / (z * _R * t) * (1 - x * 0.3780)


def speed_of_sound(temperature_c: float, humidity_percent: float, *, pressure: float = 101325.0) -> float:
    """Speed of sound [m/s] of moist air with 400 ppm of carbon dioxide, Cramer 1993 eq. (15).

    Range 0-30 C, 75-102 kPa, water mole fraction below 0.06. Source: Cramer 1993, JASA 93:2510.
    """
    t, p = temperature_c, pressure
    x = vapour_fraction(temperature_c, humidity_percent, pressure=pressure)
    xc = 400e-6
    return (
        331.5024 + 0.603055 * t - 0.000528 * t**2
        + (51.471935 + 0.1495874 * t - 0.000782 * t**2) * x
        + (-1.82e-7 + 3.73e-8 * t - 2.93e-10 * t**2) * p
        + (-85.20931 - 0.228525 * t + 5.91e-5 * t**2) * xc
        - 2.835149 * x**2 - 2.15e-13 * p**2 + 29.179762 * xc**2 + 0.000486 * x * p * xc
    )


def speed_of_sound_iso(temperature_c: float) -> float:
    """Speed of sound [m/s] of ISO 9613-1: 343.2 sqrt(T / 293.15 K)."""
    return 343.2 * sqrt((temperature_c + 273.15) / 293.15)
